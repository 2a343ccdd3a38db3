"""After a fit: effects outside the model's family, with the scan and the lines where they were.

A joint solution knows where each scan should show its standard. What is left is looked at in two ways: on the pixels,
line by line in the order of time (jumps and vibration), and at the nodes of each scan as the other scans predict them
(slips and uneven drift, which a scan's own fit would follow in part).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from calib.arithmetic.solve import Solution
from calib.findings import text
from calib.findings.finding import Finding, Severity
from calib.findings.series import LineSeries, along_axes, line_series
from calib.findings.sudden import always_seen, jumps, node_jump
from calib.findings.vibration import Vibration, vibration
from calib.fitting.choice import predict
from calib.fitting.problem import Prepared, Problem
from calib.path import Path
from calib.scan import Scan
from calib.scanner.effect import Float
from calib.units import show

if TYPE_CHECKING:
    from calib.model import Model

_SPOILS = 3.0  # misfits: beyond it the scan does more harm than good
# misfits, and standard uncertainties: of a jump that is seen on every line, and of one that is seen only where lines
# cross an edge, which what the model does not follow imitates more often
_JUMP, _SCORE = (1.5, 2.0), (6.0, 8.0)
_WAVE, _TIED_WAVE = 1.25, 1.75  # misfits: of a vibration at any frequency, and at multiples of the line rate
_NODE_JUMP, _NODE_SCORE = 2.8, 11.0  # the same of a jump that is seen on the nodes only
_UNEVEN = 3.7  # misfits, from the least to the greatest departure from a steady drift
_MOST_JUMPS = 4
_FEWEST_SCANS = 4  # from so many on, each is predicted by the others
_BANDS = 10

_CAUSE = "Find the cause (a loose sample or stage, a knock, cables that pull) and scan again"


def inspect_fit(
    problem: Problem, solution: Solution, misfit: float, scans: Sequence[Scan | None]
) -> dict[str, tuple[Finding, ...]]:
    """Look for what a joint solution can't follow in each of its scans.

    Parameters
    ----------
    problem, solution
        Of the scanner's motion and all grating and grid scans.
    misfit
        Standard deviation of what the model does not follow, m.
    scans
        The pixels of each scan, in the order of ``problem.prepared``; None where they are gone.

    Returns
    -------
    dict
        Findings by the label of the scan, the worst first; scans without any are left out.
    """
    left_out = _as_predicted(problem, solution)
    found: dict[str, tuple[Finding, ...]] = {}
    for prepared, scan, rest in zip(problem.prepared, scans, left_out, strict=True):
        findings = []
        sudden = False
        if scan is not None and (series := line_series(problem, solution.x, prepared, scan)) is not None:
            findings = _jumps(series, misfit) or _jump_of_nodes(problem, solution.x, prepared, series, misfit)
            sudden = bool(findings)
            wave = vibration(series, _WAVE * misfit, _TIED_WAVE * misfit)
            if wave is not None:
                findings.append(_vibration(series, wave, misfit))
        if rest is not None and not sudden:
            findings += _uneven_drift(prepared, rest, misfit)
        if findings:
            label = prepared.observation.label
            found[label] = tuple(sorted(findings, key=lambda finding: finding.severity != "error"))
    return found


def inspect_model(model: Model, scans: Sequence[Scan]) -> dict[str, tuple[Finding, ...]]:
    """Look for what a model can't follow in the scans that it was made from; see :func:`inspect_fit`.

    Parameters
    ----------
    scans
        Those scans, in any order; others are ignored.
    """
    from calib.arithmetic.solve import solve
    from calib.fitting.residuals import settled

    start = settled(model)
    if start is None:
        return {}
    problem, x = start
    zero = np.zeros(len(problem.unknowns))
    solution = solve(problem.blocks, x, prior_mean=zero, prior_sd=problem.prior_sd, tolerance=1e-3, finish=False)
    return inspect_fit(problem, solution, problem.misfit, _pixels(problem, scans))


def told(findings: Mapping[str, Sequence[Finding]]) -> list[str]:
    """One line for each finding: scan, severity, what was found and what to do."""
    return [f"{label}: {finding}" for label, those in findings.items() for finding in those]


def _pixels(problem: Problem, scans: Sequence[Scan]) -> list[Scan | None]:
    """The scan of each observation: of the same name (to which a number may have been added) and path."""
    result: list[Scan | None] = []
    for prepared in problem.prepared:
        observation = prepared.observation
        result.append(
            next(
                (
                    scan
                    for scan in scans
                    if observation.label.startswith(scan.label)
                    and scan.started == observation.started
                    and _alike(Path(scan), observation.path)
                ),
                None,
            )
        )
    return result


def _alike(one: Path, other: Path) -> bool:
    if one.scan_shape != other.scan_shape or one.passes != other.passes:
        return False
    return bool(
        np.allclose(one.at(one.fast[[0, -1]], one.slow[[0, -1]]), other.at(other.fast[[0, -1]], other.slow[[0, -1]]))
    )


# --- jumps -----------------------------------------------------------------------------------------


def _jumps(series: LineSeries, misfit: float) -> list[Finding]:
    jump, u = jumps(series)
    score = np.abs(jump) / u
    for k in range(score.shape[1]):
        rarely = int(not always_seen(series, k))
        # in units of what is enough
        score[:, k] *= (np.abs(jump[:, k]) > _JUMP[rarely] * misfit) / _SCORE[rarely]
    findings: list[Finding] = []
    apart = max(series.row.size // 12, 1)
    while len(findings) < _MOST_JUMPS:
        at, k = (int(i) for i in np.unravel_index(np.argmax(score), score.shape))
        if score[at, k] < 1:
            break
        # how sharply the moment is known: as long as the jump that fits is nearly as large
        near = np.abs(jump[:, k]) > 0.9 * abs(jump[at, k])
        first, last = at, at
        while first > 0 and near[first - 1]:
            first -= 1
        while last < near.size - 1 and near[last + 1]:
            last += 1
        findings.append(_jump(series, (first, at, last), k, float(jump[at, k]), float(u[at, k]), misfit))
        score[max(first - apart, 0) : last + apart] = 0.0
    return findings


def _jump_of_nodes(problem: Problem, x: Float, prepared: Prepared, series: LineSeries, misfit: float) -> list[Finding]:
    found = node_jump(problem, x, prepared)
    if found is None or abs(found.size) < max(_NODE_JUMP * misfit, _NODE_SCORE * found.u):
        return []
    within = np.flatnonzero((series.row >= found.rows[0]) & (series.row <= found.rows[1]))
    if not within.size:
        return []
    k, size = found.direction, abs(found.size)
    jump, u = jumps(series)
    if np.abs(jump[within, k]).max() < size / 2 and np.median(u[within, k]) < size / 6:
        return []  # lines would show it: it is a slip that begins there, and no jump
    where = (int(within[0]) + 1, int(within[within.size // 2]), int(within[-1]))
    return [_jump(series, where, found.direction, found.size, found.u, misfit)]


def _jump(series: LineSeries, where: tuple[int, int, int], k: int, size: float, u: float, misfit: float) -> Finding:
    first, at, last = where
    rows = text.span(series.row[max(first - 1, 0) : last + 1])
    words = f"at line {series.row[at]}" + (f" (between {rows[0]} and {rows[1]})" if rows[1] - rows[0] > 2 else "")
    return Finding(
        kind="sideways jump",
        severity=_severity(abs(size) - 2 * u, misfit),
        message=f"{words[0].upper()}{words[1:]}{_when(series, at)} the picture jumps sideways by"
        f" {_length(abs(size), u)} {series.names[k]}, {abs(size) / misfit:.1f} times what the model does not follow.",
        advice=f"{_CAUSE}, or leave this scan out of the calibration.",
        effect="Distances across these lines are wrong by the jump; scale, skew and drift take part of it.",
        lines=rows,
        passes=series.path.passes,
    )


def _when(series: LineSeries, at: int) -> str:
    return f", {show(float(series.time[at]), 's')} into the frame," if series.path.timed else ""


def _length(value: float, u: float) -> str:
    return f"{show(value, 'm')} (standard uncertainty {show(u, 'm')})"


def _severity(size: float, misfit: float) -> Severity:
    return "error" if size > _SPOILS * misfit else "warning"


# --- vibration -------------------------------------------------------------------------------------


def _vibration(series: LineSeries, wave: Vibration, misfit: float) -> Finding:
    k = int(np.argmax(wave.amplitude))
    whole = wave.rows[1] - wave.rows[0] > 0.85 * series.path.scan_shape[1]
    lines = "all lines" if whole else f"lines {wave.rows[0]} to {wave.rows[1]}"
    tied = (
        " It is a multiple of the line rate to within what the frame can tell, so it may be a fine error of the drive"
        " that every line shares."
        if wave.tied
        else ""
    )
    return Finding(
        kind="vibration",
        severity=_severity(float(wave.amplitude[k] - 2 * wave.u_amplitude[k]), misfit),
        message=f"In {lines} the probe vibrates against the sample at {show(wave.frequency, 'Hz')}, with an amplitude"
        f" of {_length(float(wave.amplitude[k]), float(wave.u_amplitude[k]))} {series.names[k]}.{tied}",
        advice="Look for pumps, fans, mains and footfall at this frequency; isolate the instrument and scan again, or"
        " leave this scan out of the calibration.",
        effect="Edges are moved to and fro and look less steep; nodes scatter, and their mean is pulled little.",
        lines=wave.rows,
        passes=series.path.passes,
    )


# --- slips and uneven drift ------------------------------------------------------------------------


def _as_predicted(problem: Problem, solution: Solution) -> list[Float | None]:
    """Residuals of each scan as the other scans predict it, m along fast and slow axis; shape ``(nodes, m)``."""
    nothing: list[Float | None] = [None] * len(problem.prepared)
    if problem.patches != 1 or len(problem.prepared) < _FEWEST_SCANS:
        return nothing
    own = problem.own_unknowns()
    steps = predict(solution, own, np.ones(solution.x.size, dtype=bool)).steps
    found: list[Float | None] = []
    for k, prepared in enumerate(problem.prepared):
        rest, lattice = problem.residual(solution.x + steps[k], prepared), problem.lattice(solution.x, prepared)
        found.append(along_axes(rest, lattice, prepared.observation.path))
    return found


def _uneven_drift(prepared: Prepared, rest: Float, misfit: float) -> list[Finding]:
    observation = prepared.observation
    path = observation.path
    band = observation.row * _BANDS // path.scan_shape[1]
    bands = [b for b in range(_BANDS) if np.count_nonzero(band == b) > 1]
    if not path.upwards:
        bands = bands[::-1]
    if len(bands) < 5:
        return []
    level = np.array([np.median(rest[band == b], axis=0) for b in bands])
    u = np.array([1.2533 * rest[band == b].std(axis=0) / np.sqrt(np.count_nonzero(band == b)) for b in bands])
    t = np.linspace(-1, 1, len(bands))
    steady = np.stack([np.ones_like(t), t], axis=1)
    level = level - steady @ np.linalg.lstsq(steady, level, rcond=None)[0]
    size = np.ptp(level, axis=0)
    k = int(np.argmax(size))
    low, high = int(np.argmin(level[:, k])), int(np.argmax(level[:, k]))
    doubt = float(np.hypot(u[low, k], u[high, k]))
    if size[k] < _UNEVEN * misfit or size[k] < 3 * doubt:
        return []
    onset = _bend(t, level[:, k])
    rows = np.flatnonzero(np.isin(np.arange(path.scan_shape[1]) * _BANDS // path.scan_shape[1], bands[onset:]))
    name = (
        ("along the fast axis", "along the slow axis")[k] if rest.shape[1] == 2 else "across the lines of the grating"
    )
    began = f", {show(path.frame_time * onset / len(bands), 's')} into the frame" if path.timed else ""
    return [
        Finding(
            kind="uneven drift",
            severity="warning",
            message=f"The standard moves unevenly {name}: by {_length(float(size[k]), doubt)} beside a steady drift,"
            f" {size[k] / misfit:.1f} times what the model does not follow. The greatest change begins"
            f" about line {rows[0] if path.upwards else rows[-1]}{began}, and it goes on in {text.lines(rows)}.",
            advice="If the sample slipped or the temperature ran away, let it settle and scan again, or leave this scan"
            " out of the calibration. If all scans taken like this one show it, the scanner does it: take more.",
            effect="Distances along the slow axis, scale and skew of this scan are wrong by about as much.",
            lines=text.span(rows),
            passes=path.passes,
        )
    ]


def _bend(t: Float, level: Float) -> int:
    """Where a line with one bend fits best."""
    inside = range(1, t.size - 1)

    def left(at: int) -> float:
        design = np.stack([np.ones_like(t), t, np.clip(t - t[at], 0, None)], axis=1)
        rest = level - design @ np.linalg.lstsq(design, level, rcond=None)[0]
        return float(rest @ rest)

    return min(inside, key=left)
