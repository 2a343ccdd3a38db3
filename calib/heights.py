"""Flats, plateaus and steps -> height response: gain, nonlinearity and bow in one weighted least-squares solution.

Every plateau node obeys

    g1 m + g2 m^2 + g3 m^3 + B(u, v) = plane of the sample + height of its level + what is of this scan alone ,

with m indicated, (u, v) commanded, and the plane over true positions. What is of a scan alone: an offset of each pass,
drift that is not constant, and an offset of each band of lines, whose size is taken from the data. Heights of
steps are held by their certificates, those of gratings are free. Linear in all unknowns, so one solution will do; it
is repeated to weigh outliers and noise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.observe.lateral import LateralObservation
from calib.observe.levels import FlatObservation, Levels
from calib.observe.step import StepObservation
from calib.scanner.bow import Bow
from calib.scanner.effect import Float
from calib.scanner.height import Height
from calib.scanner.motion import Motion
from calib.standard import Flat, Standard, Step, Value

Observation = LateralObservation | StepObservation | FlatObservation

_BANDS = 16  # of lines in a scan that share an offset
_FREE = 1e-3  # m: more than any height of a grating
_WAVE = 3e-9  # m, prior of drift of height that is not constant
_SUBSTRATE = 5e-5  # of half the field: by how much a grating or step may be curved over it (common practice, no source)
_ROUNDS = 20


@dataclass
class _Scan:
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
    band_sd: float = 1e-9
    noise: float = 1.0
    weight: Float | None = None
    excess: Float | None = None


def fit_height(
    observations: Sequence[Observation],
    travel: float | None,
    box: tuple[tuple[float, float], tuple[float, float]],
    motion: Motion | None = None,
    values: Float | None = None,
) -> Height:
    """Fit the height response to all plateaus at once.

    Parameters
    ----------
    observations
        Those without heights are left out; there may be none, and then the answer is what is known beforehand.
    travel
        Range of height, m, if it is declared.
    box
        Travel and centre of x and y, m, over which the bow is described.
    motion, values
        Where the scanner really was, for the planes of tilted samples; by default where it was commanded.
    """
    seen = [(o, levels) for o in observations if (levels := o.levels) is not None and levels.size > 12]
    reach = [float(np.abs(levels.height).max()) for _, levels in seen if levels.centred]
    largest = max((float(np.ptp(levels.height)) for _, levels in seen), default=1e-6)
    span = travel or 2 * max([*reach, largest])
    before = Height.prior(span, Bow(*box))
    if not seen:
        return before
    # where no scan says its place in the range, all are taken to be at one place, and the gain to be that of this place
    before = replace(before, placed=any(levels.centred for _, levels in seen))
    scans = [_scan(o, levels, before, motion, values) for o, levels in seen]
    certified = {o.standard.identity: o.standard.height for o, _ in seen if isinstance(o.standard, Step)}
    curved = {o.standard.identity: _curvature(o.standard, max(box[0])) for o, _ in seen}
    solution = _solve(scans, before, certified, curved)
    prior = before.bow_uncertainty(_field(box))
    height = replace(
        before,
        values=solution[0],
        covariance=solution[1],
        determined=bool(certified),
        misfit=_unexplained(scans, solution[2]),
    )
    told = float(np.mean(height.bow_uncertainty(_field(box)) ** 2)) < 0.25 * float(np.mean(prior**2))
    return replace(height, bow_determined=told)


def _curvature(standard: Standard, field: float) -> float:
    """How far the surface of a standard may bend over the field, m.

    Of a flat the certificate speaks of a larger area. Form has long waves: it is taken to grow with the square root of
    the length, as a random walk does (our choice, no source).
    """
    if isinstance(standard, Flat):
        return standard.flatness.u * float(np.sqrt(min(1.0, field / max(standard.area))))
    return _SUBSTRATE * field / 2


def _field(box: tuple[tuple[float, float], tuple[float, float]]) -> Float:
    (tx, ty), (cx, cy) = box
    x, y = np.meshgrid(np.linspace(-0.5, 0.5, 9) * tx + cx, np.linspace(-0.5, 0.5, 9) * ty + cy)
    return np.stack([x.ravel(), y.ravel()])


def _scan(
    observation: Observation, levels: Levels, before: Height, motion: Motion | None, values: Float | None
) -> _Scan:
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
    return _Scan(
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


def _solve(
    scans: list[_Scan], before: Height, certified: dict[str, Value], curved: dict[str, float]
) -> tuple[Float, Float, list[Float]]:
    """Coefficients, their covariance, and the residuals of each scan."""
    terms = before.values.size
    names = list(dict.fromkeys(scan.standard for scan in scans if np.any(scan.high > 0)))
    surfaces = list(curved)
    first = terms + len(names)
    count = first + 3 * len(surfaces)
    mean = np.concatenate([before.values, np.zeros(count - terms)])
    sd = np.concatenate(
        [
            np.sqrt(np.diag(before.covariance)),
            np.full(len(names), _FREE),
            np.repeat([max(curved[name], 1e-13) for name in surfaces], 3),
        ]
    )
    for k, name in enumerate(names):
        if name in certified:
            value = certified[name]
            mean[terms + k], sd[terms + k] = value.value, max(value.u, 1e-7 * value.value)
    x, covariance = mean.copy(), np.diag(sd**2)
    rests: list[Float] = []
    for _ in range(_ROUNDS):
        normal, right = np.diag(1 / sd**2), np.zeros(count)
        kept = []
        for scan in scans:
            A = np.zeros((count, scan.sd.size))
            excess = np.zeros(scan.sd.size) if scan.excess is None else scan.excess
            # were the noise left in the regressor, a smaller gain would seem to make it smaller
            smooth = scan.levels.height - excess / x[0]
            A[:terms] = before.basis(smooth, scan.levels.centred, scan.position)
            if scan.standard in names:
                A[terms + names.index(scan.standard)] = -scan.high
            at = first + 3 * surfaces.index(scan.standard)
            A[at : at + 3] = -scan.curved
            own = np.concatenate([-scan.own, smooth[None], -scan.bands])
            # at an unknown place of the range the curvature acts as an unknown change of gain
            other_gain = before.unknown_gain() if before.placed and not scan.levels.centred else 1e-9
            own_sd = np.concatenate([scan.own_sd, [other_gain], np.full(_BANDS, scan.band_sd)])
            weight = (np.ones(scan.sd.size) if scan.weight is None else scan.weight) / ((scan.noise * scan.sd) ** 2)
            inner = (own * weight) @ own.T + np.diag(np.where(np.isfinite(own_sd), own_sd, np.inf) ** -2.0)
            rest = A.T @ mean + excess
            cross = (A * weight) @ own.T
            inverse = _inverse(inner)
            own_right = (own * weight) @ rest
            normal += (A * weight) @ A.T - cross @ inverse @ cross.T
            right += (A * weight) @ rest - cross @ inverse @ own_right
            kept.append((A, own, cross, inverse, own_right, excess))
        covariance = _inverse(normal)
        step = -covariance @ right
        gain = x[0]
        x = mean + step
        rests = []
        for scan, (A, own, cross, inverse, own_right, excess) in zip(scans, kept, strict=True):
            mine = -inverse @ (own_right + cross.T @ step)
            rest = A.T @ x + own.T @ mine + excess * (x[0] / gain)  # the noise is one of indicated heights
            scan.excess = rest
            rests.append(rest)
            weight = np.ones(rest.size) if scan.weight is None else scan.weight
            bands = mine[-_BANDS:]
            spread = np.diag(inverse)[-_BANDS:]
            scan.band_sd = float(np.clip(np.sqrt(np.mean(bands**2 + spread)), 1e-12, 1e-6))
            relative = rest / scan.sd
            scan.noise = max(1.0, float(np.sqrt(np.sum(weight * relative**2) / max(weight.sum() - own.shape[0], 1.0))))
            scan.weight = np.clip(1 - (relative / (6 * scan.noise)) ** 2, 0, None) ** 2
    covariance = (covariance + covariance.T) / 2
    return x[:terms], covariance[:terms, :terms], rests


def _inverse(normal: Float) -> Float:
    """Inverse of a normal matrix whose unknowns have different units; a band without nodes is not determined."""
    diagonal = np.diag(normal)
    scale = np.where(diagonal > 0, 1 / np.sqrt(np.where(diagonal > 0, diagonal, 1.0)), 1.0)
    return np.asarray(
        np.linalg.inv(normal * np.outer(scale, scale) + 1e-12 * np.eye(len(normal))) * np.outer(scale, scale)
    )


def _unexplained(scans: list[_Scan], rests: list[Float]) -> float:
    """Standard deviation of node heights beyond the noise of their pixels, m."""
    total, count = 0.0, 0.0
    for scan, rest in zip(scans, rests, strict=True):
        assert scan.weight is not None
        total += float(np.sum(scan.weight * (rest**2 - scan.sd**2)))
        count += float(scan.weight.sum())
    return float(np.sqrt(max(total, 0.0) / max(count, 1.0)))


def repeatability(step: StepObservation) -> float:
    """Standard uncertainty of an indicated height: noise of the lines, and how far trace and retrace are apart, m."""
    apart = float(np.ptp(step.by_pass)) / np.sqrt(12) if len(step.by_pass) > 1 else 0.0
    return float(np.hypot(max(step.u, 1e-13), apart))
