"""Flats, plateaus and steps -> height response: gain, nonlinearity and bow in one weighted least-squares solution.

Every plateau node obeys

    g1 m + g2 m^2 + g3 m^3 + B(u, v) + H + C = plane of the sample + height of its level + what is of this scan alone ,

with m indicated, (u, v) commanded, and the plane over true positions. What is of a scan alone: an offset of each pass,
drift that is not constant, and an offset of each band of lines, whose size is taken from the data. Heights of
steps are held by their certificates, those of gratings are free. Linear in all unknowns, so one solution will do; it
is repeated to weigh outliers and noise.

Hysteresis H and creep C of z (:mod:`calib.scanner.height_history`) are in it only where they let scans that were left
out be predicted better; without them nothing else changes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from calib import origins
from calib.observe.lateral import LateralObservation
from calib.observe.levels import FlatObservation, Levels
from calib.observe.step import StepObservation
from calib.path import Path
from calib.scanner.bow import Bow
from calib.scanner.effect import Float
from calib.scanner.height import Height
from calib.scanner.height_history import HeightHistory
from calib.scanner.motion import Motion
from calib.standard import Flat, Standard, Step

Observation = LateralObservation | StepObservation | FlatObservation

_BANDS = 16  # of lines in a scan that share an offset
_FREE = 1e-3  # m: more than any height of a grating
_WAVE = 3e-9  # m, prior of drift of height that is not constant
_SUBSTRATE = 5e-5  # of half the field: by how much a grating or step may be curved over it (common practice, no source)
_ROUNDS = 20
_SEVERAL = 1.5  # times as high as another must a step be to tell hysteresis from the gain
_WORTH = 5.0  # by which the log probability of left-out scans must rise for an effect to be kept (our choice)
_SCATTER = 2e-3  # of the gain from scan to scan at most, where hysteresis or creep are solved for (our choice)
_MOST = 10.0  # what one scan may say for or against


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
    history: Float | None = None
    gain_sd: float = 1e-9
    band_sd: float = 1e-9
    noise: float = 1.0
    weight: Float | None = None
    excess: Float | None = None


@dataclass
class _Unknowns:
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
    standards: dict[str, Standard] = {o.standard.identity: o.standard for o, _ in seen}
    curved = {o.standard.identity: _curvature(o.standard, max(box[0])) for o, _ in seen}
    unknowns = _unknowns(scans, before, standards, curved)
    solution = _solve(scans, unknowns)
    history, left_out = _history(seen, scans, unknowns, solution[0])
    if history is not None:
        columns = [history_at(levels, o.path, history) for o, levels in seen]
        # how uneven a density may be goes with how large it is, which the first of two solutions tells
        for _ in range(2):
            before = replace(Height.prior(span, before.bow, history), placed=before.placed)
            scans = [_scan(o, levels, before, motion, values) for o, levels in seen]
            scans = [replace(s, history=column, gain_sd=_SCATTER) for s, column in zip(scans, columns, strict=True)]
            unknowns = _unknowns(scans, before, standards, curved)
            solution = _solve(scans, unknowns)
            of = before.of_history
            history = history.as_strong_as(solution[0][of], solution[1][of, of])
    prior = before.bow_uncertainty(_field(box))
    height = replace(
        before,
        values=solution[0],
        covariance=solution[1][: before.values.size, : before.values.size],
        determined=bool(unknowns.certified),
        misfit=_unexplained(scans, solution[2]),
        scatter=0.0 if history is None else scans[0].gain_sd,
        left_out=left_out,
        origins=_origins(unknowns, solution[1]),
        certificates=_certificates(unknowns, solution[1]),
    )
    told = float(np.mean(height.bow_uncertainty(_field(box)) ** 2)) < 0.25 * float(np.mean(prior**2))
    return replace(height, bow_determined=told)


def history_at(levels: Levels, path: Path, history: HeightHistory) -> Float:
    """What each operator on the history of heights adds at nodes, m, shape ``(weights, nodes)``.

    Zero if neither the pixels behind the nodes nor what they gave before are at hand.
    """
    if levels.pixels is not None:
        pixels = levels.pixels
        followed = history.history(np.asarray(pixels.heights, dtype=np.float64), path, pixels.z_centre)
        return pixels.means(followed.images)
    if levels.history is not None and levels.history.shape == (len(history.names), levels.size):
        return levels.history
    return np.zeros((len(history.names), levels.size))


def settled(observations: Sequence[Observation], height: Height) -> list[Observation]:
    """Return observations as a model keeps them: what is of the history at their nodes, not the pixels behind them."""
    kept: list[Observation] = []
    for observation in observations:
        levels = observation.levels
        if levels is not None:
            history = None if height.history is None else history_at(levels, observation.path, height.history)
            observation = replace(observation, levels=levels.settled(history))
        kept.append(observation)
    return kept


# --- hysteresis and creep of z ---------------------------------------------------------------------


def _history(
    seen: Sequence[tuple[Observation, Levels]], scans: list[_Scan], unknowns: _Unknowns, values: Float
) -> tuple[HeightHistory | None, tuple[str, ...]]:
    """Operators on the history of heights that let left-out scans be predicted better, and why others are left out.

    Weights and noise are those of the solution without them, so that a richer model gains nothing by what it explains.
    """
    steps = [levels for o, levels in seen if isinstance(o, StepObservation) and levels.pixels is not None]
    steps = [levels for levels in steps if 0 < np.sum(levels.high) < levels.size]
    if not steps:
        return None, ()
    rises = [
        float(np.mean(levels.height[levels.high == 1]) - np.mean(levels.height[levels.high == 0])) for levels in steps
    ]
    several = max(rises) > _SEVERAL * min(rises) > 0
    timed = all(o.path.timed for o, _ in seen)
    if not several:
        return None, (
            "hysteresis and creep of z are left out: steps of one height can't tell them from the gain; add steps of"
            " several heights",
        )
    amplitude = max(float(np.ptp(levels.height)) for _, levels in seen) / 2
    sweep = float(np.median([o.path.sweep_time for o, _ in seen])) if timed else np.nan
    reach = max([float(np.abs(levels.height).max()) for _, levels in seen if levels.centred], default=amplitude)
    history = HeightHistory.usual(amplitude, reach, sweep)
    tried = [
        replace(scan, history=history_at(levels, o.path, history))
        for scan, (o, levels) in zip(scans, seen, strict=True)
    ]
    before = replace(Height.prior(unknowns.before.span, unknowns.before.bow, history), placed=unknowns.before.placed)
    richer = _unknowns(tried, before, unknowns.standards, unknowns.curved)
    each = [_normal(scan, _equations(scan, richer, float(values[0])), richer.mean)[:2] for scan in tried]
    play = np.array([name.startswith("z_hysteresis") for name in history.names])
    wanted = {"hysteresis": play, "creep": ~play}
    kept = dict(wanted) if timed else {"hysteresis": play}

    def score(effects: dict[str, np.ndarray]) -> Float:
        free = np.ones(richer.mean.size, dtype=bool)
        free[before.of_history] = np.any([np.zeros_like(play), *effects.values()], axis=0)
        return _left_out(each, richer, free)

    now = score(kept)
    for name in ("creep", "hysteresis"):
        leaner = {other: columns for other, columns in kept.items() if other != name}
        if name in kept:
            then = score(leaner)
            if float(np.clip(now - then, -_MOST, _MOST).sum()) < _WORTH:
                kept, now = leaner, then
    dropped = [name for name in wanted if name not in kept]
    said: list[str] = []
    if dropped and not timed:
        dropped.remove("creep")
        said.append("creep of z is left out: not all scans say their line period")
    if dropped:
        verb = "are" if len(dropped) > 1 else "is"
        said.append(
            f"{' and '.join(dropped)} of z {verb} left out: heights of left-out scans are predicted as well without"
        )
    if not kept:
        return None, tuple(said)
    return history.only(hysteresis="hysteresis" in kept, creep="creep" in kept), tuple(said)


def _left_out(each: list[tuple[Float, Float]], unknowns: _Unknowns, free: np.ndarray) -> Float:
    """Log probability of the nodes of each scan as predicted from all others, but for what all models share."""
    which = np.ix_(free, free)
    whole = np.linalg.inv(unknowns.prior[which]) + sum(normal[which] for normal, _ in each)
    right = np.sum([part[free] for _, part in each], axis=0)
    scale = 1 / np.sqrt(np.diag(whole))
    found = []
    for normal, part in each:
        mine, others = normal[which], whole - normal[which]
        x = -_inverse(others) @ (right - part[free])
        b = mine @ x + part[free]
        chi2 = x @ mine @ x + 2 * x @ part[free] - b @ _inverse(whole) @ b
        log_whole, log_others = (np.linalg.slogdet(m * np.outer(scale, scale))[1] for m in (whole, others))
        found.append(-0.5 * (chi2 + log_whole - log_others))
    return np.array(found)


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


def _unknowns(
    scans: list[_Scan], before: Height, standards: dict[str, Standard], curved: dict[str, float]
) -> _Unknowns:
    high = list(dict.fromkeys(scan.standard for scan in scans if np.any(scan.high > 0)))
    return _Unknowns(before, standards, curved, high)


def _equations(scan: _Scan, unknowns: _Unknowns, gain: float) -> tuple[Float, Float, Float, Float]:
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


def _normal(
    scan: _Scan, equations: tuple[Float, Float, Float, Float], mean: Float
) -> tuple[Float, Float, Float, Float, Float]:
    """Normal equations of the shared unknowns, and what gives the scan's own from them."""
    A, own, own_sd, excess = equations
    weight = (np.ones(scan.sd.size) if scan.weight is None else scan.weight) / ((scan.noise * scan.sd) ** 2)
    inner = (own * weight) @ own.T + np.diag(np.where(np.isfinite(own_sd), own_sd, np.inf) ** -2.0)
    rest = A.T @ mean + excess
    cross = (A * weight) @ own.T
    inverse = _inverse(inner)
    own_right = (own * weight) @ rest
    normal = (A * weight) @ A.T - cross @ inverse @ cross.T
    return normal, (A * weight) @ rest - cross @ inverse @ own_right, cross, inverse, own_right


def _solve(scans: list[_Scan], unknowns: _Unknowns) -> tuple[Float, Float, list[Float]]:
    """Coefficients, the covariance of all unknowns (theirs comes first), and the residuals of each scan."""
    terms, mean = unknowns.before.values.size, unknowns.mean
    x, covariance = mean.copy(), unknowns.prior
    rests: list[Float] = []
    for turn in range(_ROUNDS):
        normal, right = unknowns.precision, np.zeros(mean.size)
        kept = []
        for scan in scans:
            equations = _equations(scan, unknowns, float(x[0]))
            by_scan, by_scan_right, *more = _normal(scan, equations, mean)
            normal += by_scan
            right += by_scan_right
            kept.append((*equations, *more))
        covariance = _inverse(normal)
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
                scan.gain_sd = float(np.clip(scatter, 1e-6, _SCATTER))
    covariance = (covariance + covariance.T) / 2
    return x[:terms], covariance, rests


def _origins(unknowns: _Unknowns, covariance: Float) -> dict[str, Float]:
    """Parts of the covariance of the height response by where they come from."""
    terms = unknowns.before.values.size
    return origins.gathered(_moves(unknowns, covariance), np.sqrt(np.diag(covariance)[:terms]))


def _certificates(unknowns: _Unknowns, covariance: Float) -> dict[str, Float]:
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


def _moved(unknowns: _Unknowns, covariance: Float) -> Float:
    """What the response moves by with one standard deviation of what was known of each unknown beforehand."""
    return np.asarray(covariance[: unknowns.before.values.size] * np.sqrt(np.diag(unknowns.precision)))


def _moves(unknowns: _Unknowns, covariance: Float) -> Iterable[tuple[str, Float]]:
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
