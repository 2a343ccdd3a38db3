"""From scattered true positions to a regular grid.

Each line of the true grid is followed through the scan. First, in every column of pixels, the place between two lines
is found where the slow coordinate is that of the grid's line; these places make a curve across the scan. Then, along
the curve, the places are found whose fast coordinates are those of the grid's points. Both are inversions of one
increasing sequence, so that they need no start and no iteration over the plane, and kinks of the map, which lie at a
column or at a line, stay where they are. Between two pixels the map is a straight line with the mean of the two second
differences beside it. No array of coordinates is as large as the scan: it goes by blocks of lines.

A point that no place, or more than one, belongs to has no data, and is counted. Values: :mod:`calib.interpolate`.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from importlib.util import find_spec

import numpy as np

from calib.errors import CalibError
from calib.interpolate import ORDERS, Interpolation, PixelMap, gradient, prepare, sample
from calib.scanner.effect import Float
from calib.true_map import TrueMap, map_from

__all__ = [
    "Interpolation",
    "PixelMap",
    "blocks",
    "gradient",
    "invert",
    "points_of",
    "prepare",
    "resample",
    "sample",
    "window_of",
]

EDGE = 1e-3
"""Pixels that a point may lie outside of the outermost pixels."""

STEEPEST = 0.5
"""Of the distance of two pixels: what the second difference counts at most, where the scanner jumped."""

_BLOCK = 2**20  # points at a time
_WORTH = 2_000_000  # values from which compiled code is worth the time that it takes to load
_done = [0]  # values that this process has interpolated
_MARGIN = 4  # lines beside those that are surely needed


def compiled_pays(values: int) -> bool:
    """Whether compiled code is there, and worth its time for what this process has interpolated and now has to."""
    _done[0] += values
    if "numba" in sys.modules:
        return True
    return _done[0] >= _WORTH and find_spec("numba") is not None


def resample(
    place: TrueMap,
    grid_fast: Float,
    grid_slow: Float,
    images: Sequence[Float],
    *,
    interpolation: Interpolation = "cubic",
    ratio: tuple[float, float] = (1.0, 1.0),
    compiled: bool | None = None,
    found: Sequence[np.ndarray] | None = None,
) -> tuple[list[np.ndarray], int]:
    """Interpolate images of one pass at the points of a regular grid.

    Parameters
    ----------
    place
        The map of the pass.
    grid_fast, grid_slow
        Coordinates of the grid, m, increasing.
    images
        Shape ``(rows, columns)`` each; NaN where there is no data.
    interpolation
        ``cubic`` B-splines, ``linear``, or the ``nearest`` pixel.
    ratio
        Steps of the grid over those of the pixels, along rows and columns. Where it is larger than 1, images are
        first averaged over as much, so that nothing finer than the grid is folded into it; not for ``nearest``.
    compiled
        Whether to use compiled code (numba); by default where it is worth it. The answers are the same to rounding.
    found
        Arrays for the results, of any kind of floating-point number; by default new ones in double precision.

    Returns
    -------
    images : list of arrays
        Shape ``(slow, fast)`` of the grid each; NaN outside, and where a pixel beside the point has no data.
    unsettled : int
        How many points inside the scan could not be assigned to one place.

    Raises
    ------
    CalibError
        If there is no such interpolation.
    """
    if interpolation not in ORDERS:
        raise CalibError(f"There is no interpolation {interpolation!r}: use one of {', '.join(ORDERS)}.")
    shape = (grid_slow.size, grid_fast.size)
    results = [np.empty(shape) for _ in images] if found is None else list(found)
    if compiled is None:
        compiled = compiled_pays(len(images) * shape[0] * shape[1])
    prepared = [prepare(image, interpolation, ratio, compiled) for image in images]
    if compiled:
        from calib.resample_compiled import follow

        return results, follow(place, grid_fast, grid_slow, prepared, results, ORDERS[interpolation])
    unsettled = 0
    for first, last in blocks(place, grid_fast, grid_slow):
        where = points_of(place, grid_fast, grid_slow[first:last])
        unsettled += where.unsettled
        for values, image in zip(results, prepared, strict=True):
            values[first:last] = image.at(where, interpolation)
    return results, unsettled


def blocks(place: TrueMap, grid_fast: Float, grid_slow: Float) -> list[tuple[int, int]]:
    """Cut the lines of a grid into blocks, for each of which few lines of the scan are needed at a time."""
    first, last = window_of(place, grid_slow[:1])
    spread = last - first  # lines that one line of the grid runs across
    rows = int(np.clip(_BLOCK // max(place.shape[1], grid_fast.size), max(16, spread // 2), max(16, 2 * spread + 256)))
    edges = list(range(0, grid_slow.size, rows))
    return [(edge, min(edge + rows, grid_slow.size)) for edge in edges]


def window_of(place: TrueMap, slow: Float) -> tuple[int, int]:
    """First line of the scan that lines of the grid may need, and the one after the last."""
    columns = np.array([0.0, place.shape[1] - 1.0])
    level = place.affine[0, 1] + place.affine[2, 1] * columns
    low, high = place.reach
    by_row = place.affine[1, 1]
    least = float((slow.min() - high - level.max()) / by_row)
    most = float((slow.max() - low - level.min()) / by_row)
    rows = place.shape[0]
    first = int(np.clip(np.floor(least) - _MARGIN, 0, rows - 2))
    return first, int(np.clip(np.ceil(most) + _MARGIN, first + 2, rows))


def points_of(place: TrueMap, grid_fast: Float, grid_slow: Float) -> PixelMap:
    """Find which places among the pixels the points of some lines of a grid are.

    Parameters
    ----------
    grid_fast, grid_slow
        Coordinates of the points, m, increasing.
    """
    rows, columns = place.shape
    first, last = window_of(place, grid_slow)
    fast, slow = place.lines(first, last)
    at, lost = _cross(slow, grid_slow, first, rows)
    along = value_at(fast, at - first)
    row = np.full((grid_slow.size, grid_fast.size), np.nan)
    column = row.copy()
    unsettled = 0
    for i in range(grid_slow.size):
        known = np.flatnonzero(np.isfinite(at[i]))
        if known.size < 2:
            unsettled += min(int(lost[i].sum()), grid_fast.size)
            continue
        f = along[i, known]
        before, after = np.maximum.accumulate(f), np.minimum.accumulate(f[::-1])[::-1]
        k = np.clip(np.searchsorted(before, grid_fast, side="right") - 1, 0, known.size - 2)
        t = _within(f, k, grid_fast)
        near = (t >= -EDGE) & (t <= 1 + EDGE)
        inside = (grid_fast >= f.min()) & (grid_fast <= f.max())
        one = near & (before[k] <= np.maximum(grid_fast, f[k])) & (after[k + 1] >= np.minimum(grid_fast, f[k + 1]))
        beside = known[k + 1] - known[k] == 1
        unsettled += int(np.sum(inside & ~one & beside)) + int(
            np.sum(inside & ~beside & _any_between(lost[i], known, k))
        )
        good = one & beside
        column[i, good] = np.clip(known[k[good]] + t[good], 0, columns - 1)
        row[i, good] = np.clip(_between(at[i, known], k[good], t[good]), 0, rows - 1)
    return PixelMap(row, column, unsettled)


def _cross(slow: Float, levels: Float, first: int, rows: int) -> tuple[Float, np.ndarray]:
    """Where each column of a sequence of lines crosses levels: row of the scan, shape ``(levels, columns)``.

    The second array tells where that is inside the lines but not one place.
    """
    count, columns = slow.shape
    column = np.arange(columns)[None, :]
    target = np.broadcast_to(levels[:, None], (levels.size, columns))
    slope = float(np.median(slow[-1] - slow[0])) / (count - 1)
    k = np.clip(((target - slow[0]) / slope).astype(np.int64), 0, count - 2)
    for _ in range(30):
        low, high = slow[k, column], slow[k + 1, column]
        step = np.where(high > low, high - low, slope)
        move = np.floor((target - low) / step)
        new = np.clip(k + move.astype(np.int64), 0, count - 2)
        if (new == k).all():
            break
        k = new
    low, high = slow[k, column], slow[k + 1, column]
    rising = high > low
    step = np.where(rising, high - low, 1.0)
    t = (target - low) / step
    t = t + _bend(slow, k, column, step, t)
    bottom, top = first == 0, first + count == rows
    inside = (t >= -EDGE) & (t <= 1 + EDGE)
    # a rounding beside the border between two pixels is no jump; at the border of the scan nothing follows
    at = np.where(inside & rising, first + k + t, np.nan)
    outside = ((k == 0) & (t < 0) & bottom) | ((k == count - 2) & (t > 1) & top)
    lost = ~np.isfinite(at) & ~outside
    # where lines are not in order, a level may have several places
    for c in np.flatnonzero((slow[1:] <= slow[:-1]).any(axis=0)):
        changes = np.diff(slow[:, c] > levels[:, None], axis=1)
        several = changes.sum(axis=1) > 1
        at[several, c], lost[several, c] = np.nan, True
        none = ~changes.any(axis=1)
        at[none, c], lost[none, c] = np.nan, False
        one = ~several & ~none
        i, k_one = np.flatnonzero(one), changes[one].argmax(axis=1)
        at[i, c], lost[i, c] = _one_crossing(slow, levels[i], k_one, np.full(i.size, c), first)
    return at, lost


def _one_crossing(
    slow: Float, levels: Float, k: np.ndarray, column: np.ndarray, first: int
) -> tuple[Float, np.ndarray]:
    """Where levels lie between two given lines that are in order; lost where they are not."""
    step = slow[k + 1, column] - slow[k, column]
    rising = step > 0
    step = np.where(rising, step, 1.0)
    t = (levels - slow[k, column]) / step
    return np.where(rising, first + k + t + _bend(slow, k, column, step, t), np.nan), ~rising


def _bend(values: Float, k: np.ndarray, column: np.ndarray, step: Float, t: Float) -> Float:
    """What the second difference adds to the place of a crossing."""
    bent = np.clip(_second(values, k, column) / step, -STEEPEST, STEEPEST)
    return np.asarray(np.where((t > 0) & (t < 1), t * (1 - t) / 2 * bent, 0.0))


def _second(values: Float, k: np.ndarray, column: np.ndarray) -> Float:
    """Mean second difference of lines at ``k`` and ``k + 1``, or the one that there is."""
    last = values.shape[0] - 1
    if last < 2:
        return np.zeros(k.shape)
    here, there = values[k, column], values[k + 1, column]
    below = np.where(k > 0, there - 2 * here + values[np.maximum(k - 1, 0), column], 0.0)
    above = np.where(k + 2 <= last, values[np.minimum(k + 2, last), column] - 2 * there + here, 0.0)
    return np.asarray((below + above) / (1 + ((k > 0) & (k + 2 <= last))))


def value_at(lines: Float, at: Float) -> Float:
    """Values of lines at fractional rows, shape of ``at``; on straight lines beyond the first and the last."""
    column = np.arange(lines.shape[1])[None, :]
    known = np.where(np.isfinite(at), at, 0.0)
    k = np.clip(np.floor(known).astype(np.int64), 0, lines.shape[0] - 2)
    t = known - k
    here = lines[k, column]
    step = lines[k + 1, column] - here
    inside = np.clip(t, 0, 1)
    bent = inside * (1 - inside) / 2 * _second(lines, k, column)
    return np.asarray(np.where(np.isfinite(at), here + t * step - bent, np.nan))


def _within(f: Float, k: np.ndarray, target: Float) -> Float:
    """Part of the way from ``f[k]`` to ``f[k + 1]`` at which a bent sequence meets its targets."""
    step = f[k + 1] - f[k]
    step = np.where(step > 0, step, np.inf)
    t = (target - f[k]) / step
    bent = np.clip(_second(f[:, None], k, np.zeros_like(k)) / step, -STEEPEST, STEEPEST)
    return np.asarray(t + np.where((t > 0) & (t < 1), t * (1 - t) / 2 * bent, 0.0))


def place_in(f: Float, targets: Float) -> Float:
    """Where a bent sequence meets its targets, in its pixels; NaN if it does not rise all along.

    Beyond its ends it goes on as a straight line.
    """
    if not (np.diff(f) > 0).all():
        return np.full(targets.shape, np.nan)
    k = np.clip(np.searchsorted(f, targets, side="right") - 1, 0, f.size - 2)
    return np.asarray(k + _within(f, k, targets))


def _between(values: Float, k: np.ndarray, t: Float) -> Float:
    inside = np.clip(t, 0, 1)
    bent = np.clip(_second(values[:, None], k, np.zeros_like(k)), -STEEPEST, STEEPEST)
    return np.asarray(values[k] + t * (values[k + 1] - values[k]) - inside * (1 - inside) / 2 * bent)


def _any_between(lost: np.ndarray, known: np.ndarray, k: np.ndarray) -> np.ndarray:
    """Whether something between two known columns is lost."""
    count = np.concatenate([[0], np.cumsum(lost)])
    return np.asarray(count[known[k + 1]] > count[known[k] + 1])


def invert(fast: Float, slow: Float, grid_fast: Float, grid_slow: Float) -> PixelMap:
    """Find which pixel each point of a regular grid is.

    Parameters
    ----------
    fast, slow
        True coordinates of the pixels, shape ``(rows, columns)``, m.
    grid_fast, grid_slow
        Coordinates of the regular grid, m.

    Raises
    ------
    ModelError
        If the map folds over most of the scan.
    """
    return points_of(map_from(np.stack([fast, slow])), grid_fast, grid_slow)
