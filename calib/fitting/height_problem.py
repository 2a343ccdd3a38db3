"""The joint problem of heights: nodes of all plateaus as functions of the height response, and its solution.

Every plateau node obeys the equation of :mod:`calib.heights`, which is linear in all unknowns. What is of one
scan alone is eliminated scan by scan. The solution is repeated to weigh outliers and noise.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from calib import origins
from calib.observe.lateral import LateralObservation
from calib.observe.levels import FlatObservation, Levels
from calib.observe.step import StepObservation
from calib.scanner.effect import Float
from calib.scanner.height import Height
from calib.scanner.motion import Motion
from calib.standard import Flat, Standard, Step

Observation = LateralObservation | StepObservation | FlatObservation

_BANDS = 16  # of lines in a scan that share an offset
_FREE = 1e-3  # m: more than any height of a grating
_WAVE = 3e-9  # m, prior of drift of height that is not constant
_ROUNDS = 20
SCATTER = 2e-3  # of the gain from scan to scan at most, where hysteresis or creep are solved for (our choice)


@dataclass
class ScanHeights:
    """One scan with its equations: columns of the response, and of what is its own."""

    levels: Levels
    position: Float
    standard: str
    high: Float
    curved: Float
    own: Float
    own_sd: Float
    bands: Float
    sd: Float
    history: Float | None = None
    gain_sd: float = 1e-9
    band_sd: float = 1e-9
    noise: float = 1.0
    weight: Float | None = None
    excess: Float | None = None


@dataclass
class Unknowns:
    """What is solved for: height response, free heights of standards, curvature of their surfaces."""

    before: Height
    standards: dict[str, Standard]
    curved: dict[str, float]
    high: list[str]
    mean: Float = field(init=False)
    prior: Float = field(init=False)

    def __post_init__(self) -> None:
        before, terms = self.before, self.before.values.size
        self.mean = np.concatenate([before.values, np.zeros(len(self.high) + 3 * len(self.curved))])
        bends = [max(sd, 1e-13) for sd in self.curved.values()]
        sd = np.concatenate(
            [np.sqrt(np.diag(before.covariance)), np.full(len(self.high), _FREE), np.repeat(bends, 3)],
        )
        for k, name in enumerate(self.high):
            if name in self.certified:
                step = self.certified[name]
                here = [value.u for value in (step.height, step.unevenness, step.mounting) if value is not None]
                self.mean[terms + k] = step.height.value
                sd[terms + k] = max(float(np.hypot.reduce(here)), 1e-7 * step.height.value)
        self.prior = np.diag(sd**2)
        of = before.of_history
        self.prior[of, of] = before.covariance[of, of]

    @property
    def certified(self) -> dict[str, Step]:
        """Steps, by their identities."""
        return {name: standard for name, standard in self.standards.items() if isinstance(standard, Step)}

    @property
    def precision(self) -> Float:
        """Inverse of the prior covariance."""
        inverse = np.diag(1 / np.diag(self.prior))
        of = self.before.of_history
        if of.stop > of.start:
            inverse[of, of] = np.linalg.inv(self.prior[of, of])
        return inverse


def scan_heights(
    observation: Observation, levels: Levels, before: Height, motion: Motion | None, values: Float | None
) -> ScanHeights:
    """Prepare the nodes of one scan.

    Parameters
    ----------
    before
        What is known of the response.
    motion, values
        Where the scanner really was; None: where it was commanded.
    """
    path = observation.path
    position = path.at(levels.fast, levels.slow)
    true = position
    assert before.bow is not None
    if motion is not None and values is not None:
        row = np.clip(np.searchsorted(path.slow, levels.slow), 0, path.slow.size - 1)
        samples = path.samples(levels.pass_index, row, levels.fast)
        true = motion.position(path, samples, values) + position - samples.position
    middle = true.mean(axis=1, keepdims=True)
    size = float(np.abs(true - middle).max()) or 1.0
    relative = (true - middle) / size
    own = [np.ones(levels.size), *relative]
    own_sd = [np.inf] * 3
    for index in range(1, len(path.passes)):
        own.append((levels.pass_index == index).astype(np.float64))
        own_sd.append(np.inf)
    low, high = float(path.slow[0]), float(path.slow[-1])
    time = 2 * (levels.slow - low) / max(high - low, 1e-300) - 1
    for wave in (1.5 * time**2 - 0.5, 2.5 * time**3 - 1.5 * time):
        own.append(wave)
        own_sd.append(_WAVE)
    bands = np.clip(((time + 1) / 2 * _BANDS).astype(np.int64), 0, _BANDS - 1)
    place = (position - np.array(before.bow.centre)[:, None]) * 2 / np.array(before.bow.travel)[:, None]
    tilt = observation.tilt if isinstance(observation, StepObservation) else 0.0
    return ScanHeights(
        levels=levels,
        position=position,
        standard=observation.standard.identity,
        high=levels.high / np.cos(tilt),
        curved=np.stack([place[0] ** 2, place[0] * place[1], place[1] ** 2]),
        own=np.stack(own),
        own_sd=np.array(own_sd),
        bands=np.eye(_BANDS)[bands].T,
        sd=levels.sd,
    )


def unknowns_of(
    scans: list[ScanHeights], before: Height, standards: dict[str, Standard], curved: dict[str, float]
) -> Unknowns:
    """Gather what is solved for: the response, free heights of standards, and how their surfaces are curved."""
    high = list(dict.fromkeys(scan.standard for scan in scans if np.any(scan.high > 0)))
    return Unknowns(before, standards, curved, high)


def equations_of(scan: ScanHeights, unknowns: Unknowns, gain: float) -> tuple[Float, Float, Float, Float]:
    """Rows of the shared unknowns, of the scan's own with their prior standard deviations, and what noise left."""
    before, terms = unknowns.before, unknowns.before.values.size
    A = np.zeros((unknowns.mean.size, scan.sd.size))
    excess = np.zeros(scan.sd.size) if scan.excess is None else scan.excess
    # were the noise left in the regressor, a smaller gain would seem to make it smaller
    smooth = scan.levels.height - excess / gain
    A[:terms] = before.basis(smooth, scan.levels.centred, scan.position, scan.history)
    if scan.standard in unknowns.high:
        A[terms + unknowns.high.index(scan.standard)] = -scan.high
    at = terms + len(unknowns.high) + 3 * list(unknowns.curved).index(scan.standard)
    A[at : at + 3] = -scan.curved
    own = np.concatenate([-scan.own, smooth[None], -scan.bands])
    # at an unknown place of the range the curvature acts as an unknown change of gain
    other_gain = before.unknown_gain() if before.placed and not scan.levels.centred else scan.gain_sd
    own_sd = np.concatenate([scan.own_sd, [other_gain], np.full(_BANDS, scan.band_sd)])
    return A, own, own_sd, excess


def normal_equations(
    scan: ScanHeights, equations: tuple[Float, Float, Float, Float], mean: Float
) -> tuple[Float, Float, Float, Float, Float]:
    """Normal equations of the shared unknowns, and what gives the scan's own from them."""
    A, own, own_sd, excess = equations
    weight = (np.ones(scan.sd.size) if scan.weight is None else scan.weight) / ((scan.noise * scan.sd) ** 2)
    inner = (own * weight) @ own.T + np.diag(np.where(np.isfinite(own_sd), own_sd, np.inf) ** -2.0)
    rest = A.T @ mean + excess
    cross = (A * weight) @ own.T
    inverse = inverse_of(inner)
    own_right = (own * weight) @ rest
    normal = (A * weight) @ A.T - cross @ inverse @ cross.T
    return normal, (A * weight) @ rest - cross @ inverse @ own_right, cross, inverse, own_right


def solve_heights(scans: list[ScanHeights], unknowns: Unknowns) -> tuple[Float, Float, list[Float]]:
    """Coefficients, the covariance of all unknowns (theirs comes first), and the residuals of each scan."""
    terms, mean = unknowns.before.values.size, unknowns.mean
    x, covariance = mean.copy(), unknowns.prior
    rests: list[Float] = []
    for turn in range(_ROUNDS):
        normal, right = unknowns.precision, np.zeros(mean.size)
        kept = []
        for scan in scans:
            equations = equations_of(scan, unknowns, float(x[0]))
            by_scan, by_scan_right, *more = normal_equations(scan, equations, mean)
            normal += by_scan
            right += by_scan_right
            kept.append((*equations, *more))
        covariance = inverse_of(normal)
        step = -covariance @ right
        gain = x[0]
        x = mean + step
        rests = []
        gains: list[float] = []
        for scan, (A, own, _, excess, cross, inverse, own_right) in zip(scans, kept, strict=True):
            mine = -inverse @ (own_right + cross.T @ step)
            rest = A.T @ x + own.T @ mine + excess * (x[0] / gain)  # the noise is one of indicated heights
            scan.excess = rest
            rests.append(rest)
            weight = np.ones(rest.size) if scan.weight is None else scan.weight
            if unknowns.before.history is not None and np.any(scan.high > 0):
                by_shared = inverse[-_BANDS - 1] @ cross.T
                variance = inverse[-_BANDS - 1, -_BANDS - 1] + by_shared @ covariance @ by_shared
                gains.append(float(mine[-_BANDS - 1] ** 2 + variance))
            bands = mine[-_BANDS:]
            spread = np.diag(inverse)[-_BANDS:]
            scan.band_sd = float(np.clip(np.sqrt(np.mean(bands**2 + spread)), 1e-12, 1e-6))
            relative = rest / scan.sd
            scan.noise = max(1.0, float(np.sqrt(np.sum(weight * relative**2) / max(weight.sum() - own.shape[0], 1.0))))
            scan.weight = np.clip(1 - (relative / (6 * scan.noise)) ** 2, 0, None) ** 2
        # what is to be expected of each (expectation and maximisation), once the gain itself has settled
        if gains and turn >= _ROUNDS // 2:
            scatter = float(np.sqrt(np.mean(gains)))
            for scan in scans:
                scan.gain_sd = float(np.clip(scatter, 1e-6, SCATTER))
    covariance = (covariance + covariance.T) / 2
    return x[:terms], covariance, rests


def certificates_of(unknowns: Unknowns, covariance: Float) -> dict[str, Float]:
    """What the height response moves by with one standard deviation of what is certified, by standard."""
    moves, terms = _moved(unknowns, covariance), unknowns.before.values.size
    found: dict[str, Float] = {}
    for k, name in enumerate(unknowns.high, terms):
        if name in unknowns.certified:
            parts = origins.of_step(unknowns.certified[name])
            share = sum(part for origin, part in parts.items() if origin in (origins.CERTIFICATE, origins.TEMPERATURE))
            found[name] = np.sqrt(share) * moves[:, [k]]
    first = terms + len(unknowns.high)
    for k, name in enumerate(unknowns.curved):
        if isinstance(unknowns.standards[name], Flat):
            found[name] = moves[:, first + 3 * k : first + 3 * k + 3]
    return found


def origins_of(unknowns: Unknowns, covariance: Float) -> dict[str, Float]:
    """Parts of the covariance of the height response by where they come from."""
    terms = unknowns.before.values.size
    return origins.gathered(_moves(unknowns, covariance), np.sqrt(np.diag(covariance)[:terms]))


def _moved(unknowns: Unknowns, covariance: Float) -> Float:
    """What the response moves by with one standard deviation of what was known of each unknown beforehand."""
    return np.asarray(covariance[: unknowns.before.values.size] * np.sqrt(np.diag(unknowns.precision)))


def _moves(unknowns: Unknowns, covariance: Float) -> Iterable[tuple[str, Float]]:
    """Movements of the response by their origin."""
    moves, terms = _moved(unknowns, covariance), unknowns.before.values.size
    for k, name in enumerate(unknowns.high, terms):
        if name in unknowns.certified:
            for origin, part in origins.of_step(unknowns.certified[name]).items():
                yield origin, np.sqrt(part) * moves[:, k]
    first = terms + len(unknowns.high)
    for k, name in enumerate(unknowns.curved):
        known = isinstance(unknowns.standards[name], Flat)
        at = first + 3 * k
        yield origins.CERTIFICATE if known else origins.FORM, moves[:, at : at + 3]


def inverse_of(normal: Float) -> Float:
    """Inverse of a normal matrix whose unknowns have different units; a band without nodes is not determined."""
    diagonal = np.diag(normal)
    scale = np.where(diagonal > 0, 1 / np.sqrt(np.where(diagonal > 0, diagonal, 1.0)), 1.0)
    return np.asarray(
        np.linalg.inv(normal * np.outer(scale, scale) + 1e-12 * np.eye(len(normal))) * np.outer(scale, scale)
    )
