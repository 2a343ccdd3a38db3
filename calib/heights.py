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

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calib.fitting.height_problem import (
    SCATTER,
    Observation,
    ScanHeights,
    Unknowns,
    certificates_of,
    equations_of,
    inverse_of,
    normal_equations,
    origins_of,
    scan_heights,
    solve_heights,
    unknowns_of,
)
from calib.observe.levels import Levels
from calib.observe.step import StepObservation
from calib.path import Path
from calib.scanner.bow import Bow
from calib.scanner.effect import Float
from calib.scanner.height import Height
from calib.scanner.height_history import HeightHistory
from calib.scanner.motion import Motion
from calib.standard import Flat, Standard

_SUBSTRATE = 5e-5  # of half the field: by how much a grating or step may be curved over it (common practice, no source)
_SEVERAL = 1.5  # times as high as another must a step be to tell hysteresis from the gain
_WORTH = 5.0  # by which the log probability of left-out scans must rise for an effect to be kept (our choice)
_MOST = 10.0  # what one scan may say for or against


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
    scans = [scan_heights(o, levels, before, motion, values) for o, levels in seen]
    standards: dict[str, Standard] = {o.standard.identity: o.standard for o, _ in seen}
    curved = {o.standard.identity: _curvature(o.standard, max(box[0])) for o, _ in seen}
    unknowns = unknowns_of(scans, before, standards, curved)
    solution = solve_heights(scans, unknowns)
    history, left_out = _history(seen, scans, unknowns, solution[0])
    if history is not None:
        columns = [history_at(levels, o.path, history) for o, levels in seen]
        # how uneven a density may be goes with how large it is, which the first of two solutions tells
        for _ in range(2):
            before = replace(Height.prior(span, before.bow, history), placed=before.placed)
            scans = [scan_heights(o, levels, before, motion, values) for o, levels in seen]
            scans = [replace(s, history=column, gain_sd=SCATTER) for s, column in zip(scans, columns, strict=True)]
            unknowns = unknowns_of(scans, before, standards, curved)
            solution = solve_heights(scans, unknowns)
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
        origins=origins_of(unknowns, solution[1]),
        certificates=certificates_of(unknowns, solution[1]),
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
    seen: Sequence[tuple[Observation, Levels]], scans: list[ScanHeights], unknowns: Unknowns, values: Float
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
    richer = unknowns_of(tried, before, unknowns.standards, unknowns.curved)
    each = [normal_equations(scan, equations_of(scan, richer, float(values[0])), richer.mean)[:2] for scan in tried]
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


def _left_out(each: list[tuple[Float, Float]], unknowns: Unknowns, free: np.ndarray) -> Float:
    """Log probability of the nodes of each scan as predicted from all others, but for what all models share."""
    which = np.ix_(free, free)
    whole = np.linalg.inv(unknowns.prior[which]) + sum(normal[which] for normal, _ in each)
    right = np.sum([part[free] for _, part in each], axis=0)
    scale = 1 / np.sqrt(np.diag(whole))
    found = []
    for normal, part in each:
        mine, others = normal[which], whole - normal[which]
        x = -inverse_of(others) @ (right - part[free])
        b = mine @ x + part[free]
        chi2 = x @ mine @ x + 2 * x @ part[free] - b @ inverse_of(whole) @ b
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


def _unexplained(scans: list[ScanHeights], rests: list[Float]) -> float:
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
