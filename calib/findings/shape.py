"""Checks of the shape of the frame as a whole: tilt, and drift of the height within the frame.

Both are taken from slopes between neighbouring points, as medians, which the edges of a pattern or a step leave alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from calib.findings.finding import Finding
from calib.findings.samples import Statistics
from calib.findings.sheet import Float
from calib.findings.text import percent, value
from calib.units import show

_TILTED = np.deg2rad(3.0)  # shortens by 0.14 %, as much as all the rest of a good calibration
_STEEP = np.deg2rad(15.0)  # shortens by 3.4 %, and one side of every edge is the probe's
_BANDS = 16  # of lines, each with one slope
_MAX_POINTS = 320  # along a side that are looked at
_SETTLING = (0.05, 0.1, 0.2, 0.4)  # frames, time constants of a drift that settles
_EXPLAINED = 0.8  # of the variance of the slopes
_BENT = 0.35  # of the structure
_ONE_WAY = 3.0  # times more bent along the slow axis than along the fast one
_OVER_NOISE = 3.0  # times the noise of a point


def tilt(all_statistics: Sequence[Statistics]) -> Iterator[Finding]:
    """Yield a tilt that is too large."""
    scan = all_statistics[0].sheet.scan
    each = _first(all_statistics)
    if scan.channel != "height" or each is None or min(scan.spacing) <= 0:
        return
    picture = _thin(each)[0]
    rise = [_slope(picture, axis) for axis in (1, 0)]
    fast, slow = (float(np.median(part)) if part.size else 0.0 for part in rise)
    rows, columns = each.sheet.values.shape
    slopes = fast * columns / scan.size[0], slow * rows / scan.size[1]
    angle = float(np.arctan(np.hypot(*slopes)))
    if angle > _TILTED:
        yield Finding(
            kind="tilt",
            severity="error" if angle > _STEEP else "warning",
            message=f"The sample is tilted by {show(angle, 'rad', 3)}: {show(slopes[0] * scan.size[0], digits=3)} over the "
            f"frame along the fast axis, {show(slopes[1] * scan.size[1], digits=3)} along the slow one.",
            advice="Level the sample mechanically; shim the stage or mount it again.",
            effect=f"Lengths along the slope look {percent(1 - float(np.cos(angle)))} too short before it is allowed for, the "
            "height uses up its range, and steps are measured off their normal.",
        )


def drift(all_statistics: Sequence[Statistics]) -> Iterator[Finding]:
    """Yield a drift of the height that settles within the frame; a steady one looks like a tilt."""
    scan = all_statistics[0].sheet.scan
    each = _first(all_statistics)
    if scan.channel != "height" or each is None:
        return
    picture, step = _thin(each)
    if min(picture.shape) < 2 * _BANDS:
        return
    slow, fast = (_banded(_slope(picture, axis), axis) for axis in (0, 1))
    if scan.frame == "down":
        slow = slow[::-1]
    bent, other = _bend(slow), _bend(fast)
    plane = np.median(slow) * np.linspace(-0.5, 0.5, picture.shape[0])[:, None]
    plane = plane + np.median(fast) * np.linspace(-0.5, 0.5, picture.shape[1])[None, :]
    # the structure is what single lines show, which the drift does not bend
    lines = picture - plane
    lines = lines - np.nanmedian(lines, axis=1, keepdims=True)
    structure = float(np.subtract(*np.nanpercentile(lines, [95, 5])))
    if bent < max(_BENT * structure, _OVER_NOISE * each.noise) or bent < _ONE_WAY * other:
        return
    if not _settles(slow):
        return
    change = value(float(abs(slow[0] - slow[-1])), scan.units.get(scan.channel, ""))
    words = (
        f", {show(abs(slow[0] - slow[-1]) / (scan.line_period * scan.slow.size), 'm/s', 2)}" if scan.line_period else ""
    )
    yield Finding(
        kind="drift in height",
        severity="warning",
        message=f"The height drifts and settles: at the start of the frame it changes by {change} a frame{words} faster "
        "than at its end.",
        advice="Wait after the approach until it has settled, or throw the first frame away.",
        effect="The bow is wrong along the slow axis, and steps along the lines are.",
        passes=tuple(scan.passes),
    )


def _first(all_statistics: Sequence[Statistics]) -> Statistics | None:
    return next((each for each in all_statistics if not each.empty and not each.alike), None)


def _thin(each: Statistics) -> tuple[Float, tuple[int, int]]:
    """Every so many lines and points, lost lines empty, and how many."""
    step = tuple(max(n // _MAX_POINTS, 1) for n in each.sheet.values.shape)
    picture = np.array(each.sheet.values[:: step[0], :: step[1]], dtype=np.float64)
    picture[each.lost[:: step[0]]] = np.nan
    return picture, (step[0], step[1])


def _slope(picture: Float, axis: int) -> Float:
    """Median slope along an axis of each line or column of points, over the whole frame."""
    reach = max(picture.shape[axis] // 64, 2)
    if axis == 0:
        change = picture[reach:] - picture[:-reach]
    else:
        change = (picture[:, reach:] - picture[:, :-reach]).T
    good = np.isfinite(change).mean(axis=1) > 0.3
    part = np.full(len(change), np.nan)
    if good.any():
        chosen = change[good]
        part[good] = np.nanmedian(chosen, axis=1) if np.isnan(chosen).any() else np.median(chosen, axis=1)
    return np.asarray(part[np.isfinite(part)] * (picture.shape[axis] / reach))


def _banded(slopes: Float, axis: int) -> Float:
    """Median slope of each band."""
    if slopes.size < _BANDS:
        return np.zeros(_BANDS)
    return np.array([float(np.median(part)) for part in np.array_split(slopes, _BANDS)])


def _bend(slopes: Float) -> float:
    """How far a curve of these slopes departs from its chord."""
    curve = np.concatenate([[0.0], np.cumsum(slopes - slopes.mean())]) / slopes.size
    return float(np.ptp(curve))


def _settles(slopes: Float) -> bool:
    """Whether slopes in the order of time follow an exponential towards a constant."""
    time = (np.arange(slopes.size) + 0.5) / slopes.size
    total = float(((slopes - slopes.mean()) ** 2).sum())
    for settling in _SETTLING:
        shape = np.exp(-time / settling)
        shape -= shape.mean()
        part = float(shape @ slopes) ** 2 / float(shape @ shape)
        if part > _EXPLAINED * total:
            return True
    return False
