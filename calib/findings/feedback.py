"""Ringing of the feedback, told from any pattern of the sample by the direction of time.

A resonance answers after an edge and never before it. So the best linear prediction of a line from its past fails at
the edges alone, while the same prediction of the past from the future fails wherever the ringing begins and ends. For
a sample that looks alike both ways, both fail alike, however regular it is.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from calib.findings.finding import Finding
from calib.findings.ranks import nanmedian
from calib.findings.samples import Statistics
from calib.findings.sheet import Float
from calib.units import show

_LINES = 128  # that are looked at
_ORDER = 3  # one resonance, and what a surface is like by itself
# How much smaller the errors towards the future are, in the logarithm of their mean size, and of the mean root of it.
# The largest of 300 clean scans are 0.011 and 0.011; both together they reach 0.0104 and 0.007.
_CAUSAL = 0.013
_CAUSAL_ROOT = 0.0055
_PERIODS = (3.0, 25.0)  # points; longer ones are shape


def ringing(all_statistics: Sequence[Statistics]) -> Iterator[Finding]:
    """Yield that the feedback rings."""
    present = [each for each in all_statistics if not each.empty and not each.alike]
    found = [causality for each in present if (causality := _causality(each)) is not None]
    if not found:
        return
    mean, root = (float(np.mean([each[k] for each in found])) for k in (0, 1))
    periods = [each[2] for each in found if _PERIODS[0] < each[2] < _PERIODS[1]]
    if mean < _CAUSAL or root < _CAUSAL_ROOT or not periods:
        return
    sheet = all_statistics[0].sheet
    period = float(np.median(periods))
    timed = np.isfinite(sheet.pixel_time)
    words = f", {show(1 / (period * sheet.pixel_time), 'Hz')}" if timed else ""
    yield Finding(
        kind="ringing",
        severity="warning",
        message="After edges, in the order of time, the signal rings with a period of about "
        f"{period:.0f} pixels{words}.",
        advice="Lower the gain of the feedback, or scan more slowly.",
        effect="Plateaus near the edges are wrong, steps are too high or too low, and edges are displaced.",
        passes=tuple(sheet.scan.passes),
    )


def _causality(statistics: Statistics) -> tuple[float, float, float] | None:
    """How much better the future can be told than the past, by two measures; the period of the resonance, points."""
    sheet = statistics.sheet
    count = sheet.values.shape[0]
    rows = np.unique(np.linspace(0, count - 1, min(count, _LINES)).round().astype(int))
    lines = np.asarray(sheet.values[rows][:, sheet.middle[1]], dtype=np.float64)
    if lines.shape[1] < 32:
        return None
    if sheet.direction < 0:
        lines = lines[:, ::-1]
    good = np.isfinite(lines)
    if not good.any():
        return None
    lines = np.where(good, lines, nanmedian(lines))
    place = np.arange(lines.shape[1]) - lines.shape[1] / 2
    lines = lines - lines.mean(axis=1, keepdims=True)
    lines -= (lines @ place).mean() / (place @ place) * place
    whole = good[:, _ORDER:].copy()
    for k in range(_ORDER):
        whole &= good[:, k : k - _ORDER]
    weights = _prediction(lines)
    width = lines.shape[1] - _ORDER
    forward, backward = lines[:, _ORDER:].copy(), lines[:, :width].copy()
    for k, weight in enumerate(weights, start=1):
        forward -= weight * lines[:, _ORDER - k : _ORDER - k + width]
        backward -= weight * lines[:, k : k + width]
    forward, backward = np.abs(forward[whole]), np.abs(backward[whole])
    if not forward.any() or not backward.any():
        return None
    roots = np.roots(np.concatenate([[1.0], -weights]))
    turning = roots[roots.imag > 1e-3]
    period = float(2 * np.pi / np.angle(turning[0])) if turning.size else np.inf
    return (
        float(np.log(backward.mean() / forward.mean())),
        float(np.log(np.sqrt(backward).mean() / np.sqrt(forward).mean())),
        period,
    )


def _prediction(lines: Float) -> Float:
    """Weights of the last points that predict the next, the same in either direction of time."""
    width = lines.shape[1] - _ORDER
    shifted = [lines[:, k : k + width].ravel() for k in range(_ORDER + 1)]
    moments = np.array([[a @ b for b in shifted] for a in shifted])
    moments = (moments + moments[::-1, ::-1]) / 2
    matrix = moments[1:, 1:] + 1e-9 * moments[0, 0] * np.eye(_ORDER)
    return np.asarray(np.linalg.solve(matrix, moments[1:, 0]))
