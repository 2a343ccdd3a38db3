"""The same as :mod:`calib.resample`, compiled: all images of a pass at the points of a grid, a line of it at a time.

The arithmetic is that of the other module, so that the answers are the same to
rounding; it is written out since loops over points without arrays between them are what makes it fast. Blocks of lines
are shared by threads; none of the compiled functions needs the lock of the interpreter.
"""

from __future__ import annotations

from collections.abc import Sequence
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING

import numpy as np

from calib.interpolate_compiled import coefficients, compiled, padded, threads, together, values_at
from calib.resample import EDGE, STEEPEST, window_of
from calib.scanner.effect import Float
from calib.true_map import TrueMap

if TYPE_CHECKING:
    from calib.interpolate import Image

_FEWEST, _MOST = 32, 256  # lines of the grid that a thread takes at a time
_AT_ONCE = 32  # of which so many are found at a time, so that they stay in the cache
_CHUNK = 16
_NOTHING = np.zeros((1, 1), dtype=np.bool_)
_ROUNDS = 30
_1 = np.uintp(1)


def follow(
    place: TrueMap,
    grid_fast: Float,
    grid_slow: Float,
    images: Sequence[Image],
    found: Sequence[np.ndarray],
    order: int,
) -> int:
    """Interpolate prepared images at the points of a grid, see :func:`calib.resample.resample`.

    Parameters
    ----------
    found
        Arrays that the values are written into, one for each image.
    order
        3 for cubic B-splines, 1 for linear, 0 for the nearest pixel.

    Returns
    -------
    How many points inside the scan could not be assigned to one place.
    """
    count = threads()
    first, last = window_of(place, grid_slow[:1])
    # enough lines that those beside them, which a slanting line of the grid runs across, are not most of the work
    lines = int(np.clip(-(-grid_slow.size // (2 * count)), 8, np.clip(2 * (last - first), _FEWEST, _MOST)))
    parts = [(first, min(first + lines, grid_slow.size)) for first in range(0, grid_slow.size, lines)]
    sources = [coefficients(image.values) if order == 3 else image.values for image in images]
    rooms: SimpleQueue[_Room] = SimpleQueue()

    def work(ends: tuple[int, int]) -> int:
        try:
            room = rooms.get_nowait()
        except Empty:
            room = _Room()
        try:
            some = slice(*ends)
            here = [one[some] for one in found]
            return _part(place, grid_fast, grid_slow[some], images, sources, here, order, room)
        finally:
            rooms.put(room)

    return sum(together(work, parts))


class _Room:
    """Arrays that are written to by one part after the other: fresh memory would take longer than the arithmetic."""

    def __init__(self) -> None:
        self._arrays: dict[str, Float] = {}

    def __call__(self, name: str, rows: int, columns: int) -> Float:
        kept = self._arrays.get(name)
        if kept is None or kept.shape[0] < rows:
            kept = self._arrays[name] = padded(rows, columns)
        return kept[:rows]


def _part(
    place: TrueMap,
    grid_fast: Float,
    levels: Float,
    images: Sequence[Image],
    sources: Sequence[Float],
    found: Sequence[np.ndarray],
    order: int,
    room: _Room,
) -> int:
    """Interpolate at the points of some lines of a grid."""
    rows, columns = place.shape
    first, last = window_of(place, levels)
    count = last - first
    fast, slow = lines = room("lines", 2 * count, columns).reshape(2, count, -1)
    place.lines(first, last, out=lines[:, :, :columns])
    slope, folded = _slope(slow, columns)
    at_once = min(_AT_ONCE, levels.size)
    row, column = room("where", 2 * at_once, grid_fast.size).reshape(2, at_once, -1)
    unsettled = 0
    for k in range(0, levels.size, at_once):
        some = slice(k, k + at_once)
        unsettled += _points(fast, slow, slope, folded, first, rows, grid_fast, levels[some], row, column)
        for image, source, values in zip(images, sources, found, strict=True):
            masked = image.missing is not None
            missing = image.missing if masked else _NOTHING
            values_at(source, columns, missing, masked, row, column, order, values[some])
    return int(unsettled)


# --- where the points are ----------------------------------------------------------------------------


@compiled
def _second(a, b, c, d, has_a, has_d):  # type: ignore[no-untyped-def]
    """Mean second difference at b and c, or the one that there is."""
    below = c - 2 * b + a if has_a else 0.0
    above = d - 2 * c + b if has_d else 0.0
    if has_a and has_d:
        return (below + above) / 2
    return below + above


@compiled
def _clipped(bent):  # type: ignore[no-untyped-def]
    return min(max(bent, -STEEPEST), STEEPEST)


@compiled
def _cross(slow, fast, level, first, rows, slope, folded, orderly, at, along, lost):  # type: ignore[no-untyped-def]
    """Follow a level through lines: row of the scan and fast coordinate in each column."""
    count, columns = slow.shape[0], folded.size
    lost[:] = False
    c, k = 0, 0
    while c < columns:
        if orderly or not folded[c]:
            # mostly it is between the same two lines as in the column before, or in the next ones
            k = _beside(slow, level, c, k)
            if 1 <= k <= count - 3:
                end = _as_far(slow[k], slow[k + 1], level, c, folded, orderly)
                if end > c:
                    _run(slow, fast, level, first, k, c, end, at, along)
                    c = end
                    continue
            k = _cross_one(slow, fast, level, first, rows, slope, c, at, along, lost)
        else:
            _cross_folded(slow, fast, level, first, c, at, along, lost)
        c += 1


@compiled
def _beside(slow, level, c, k):  # type: ignore[no-untyped-def]
    if k + 2 < slow.shape[0] and slow[k + 1, c] <= level < slow[k + 2, c]:
        return k + 1
    if k >= 1 and slow[k - 1, c] <= level < slow[k, c]:
        return k - 1
    return k


@compiled
def _as_far(lower, upper, level, begin, folded, orderly):  # type: ignore[no-untyped-def]
    """Column up to which a level stays between two lines."""
    columns = folded.size
    while begin < columns:
        # some at a time, without a decision for each
        end = min(begin + _CHUNK, columns)
        below, above = lower[begin:end], upper[begin:end]
        outside = 0
        for e in range(end - begin):
            outside += (below[e] > level) | (level >= above[e])
        if outside or not orderly:
            for e in range(begin, end):
                if folded[e] or not (lower[e] <= level and level < upper[e]):
                    return e
        begin = end
    return columns


@compiled
def _run(slow, fast, level, first, k, begin, end, at, along):  # type: ignore[no-untyped-def]
    """Find crossings between two lines inside the scan, of columns that all have theirs there."""
    s0, s1, s2, s3 = slow[k - 1, begin:end], slow[k, begin:end], slow[k + 1, begin:end], slow[k + 2, begin:end]
    f0, f1, f2, f3 = fast[k - 1, begin:end], fast[k, begin:end], fast[k + 1, begin:end], fast[k + 2, begin:end]
    at_here, along_here = at[begin:end], along[begin:end]
    base = float(first + k)
    for c in range(end - begin):
        inverse = 1 / (s2[c] - s1[c])
        t = (level - s1[c]) * inverse
        bent = (s0[c] - s1[c] - s2[c] + s3[c]) / 2 * inverse
        bent = STEEPEST if bent > STEEPEST else bent
        bent = -STEEPEST if bent < -STEEPEST else bent
        t += t * (1 - t) / 2 * bent
        at_here[c] = base + t
        along_here[c] = f1[c] + t * (f2[c] - f1[c]) - t * (1 - t) / 4 * (f0[c] - f1[c] - f2[c] + f3[c])


@compiled
def _cross_one(slow, fast, level, first, rows, slope, c, at, along, lost):  # type: ignore[no-untyped-def]
    """Find the crossing in one column from nothing; the line before it."""
    count = slow.shape[0]
    k = min(max(int((level - slow[0, c]) / slope), 0), count - 2)
    for _ in range(_ROUNDS):
        low, high = slow[k, c], slow[k + 1, c]
        step = high - low if high > low else slope
        new = min(max(k + int(np.floor((level - low) / step)), 0), count - 2)
        if new == k:
            break
        k = new
    low, high = slow[k, c], slow[k + 1, c]
    bottom, top = first == 0, first + count == rows
    at[c] = along[c] = np.nan
    t = level - low
    if high > low:
        t = (level - low) / (high - low)
        if -EDGE <= t <= 1 + EDGE:
            _set(slow, fast, t, first, k, c, at, along)
            return k
    lost[c] = not ((k == 0 and t < 0 and bottom) or (k == count - 2 and t > 1 and top))
    return k


@compiled
def _cross_folded(slow, fast, level, first, c, at, along, lost):  # type: ignore[no-untyped-def]
    """Find the crossing in a column whose lines are not in order; none if there are several."""
    at[c] = along[c] = np.nan
    changes = found = 0
    for k in range(slow.shape[0] - 1):
        if (slow[k, c] > level) != (slow[k + 1, c] > level):
            changes += 1
            found = k
    lost[c] = changes > 1
    if changes == 1:
        low, high = slow[found, c], slow[found + 1, c]
        lost[c] = not high > low
        if high > low:
            _set(slow, fast, (level - low) / (high - low), first, found, c, at, along)


@compiled
def _set(slow, fast, t, first, k, c, at, along):  # type: ignore[no-untyped-def]
    """Write down a crossing between two lines, with what the second differences add."""
    count = slow.shape[0]
    has_a, has_d = k > 0, k + 2 < count
    before, after = max(k - 1, 0), min(k + 2, count - 1)
    low, high = slow[k, c], slow[k + 1, c]
    if 0 < t < 1:
        bent = _second(slow[before, c], low, high, slow[after, c], has_a, has_d)
        t += t * (1 - t) / 2 * _clipped(bent / (high - low))
    at[c] = first + k + t
    here, there = fast[k, c], fast[k + 1, c]
    within = min(max(t, 0.0), 1.0)
    bent = _second(fast[before, c], here, there, fast[after, c], has_a, has_d)
    along[c] = here + t * (there - here) - within * (1 - within) / 2 * bent


@compiled
def _pieces(f, at, n, table):  # type: ignore[no-untyped-def]
    """Describe the pieces of a curve: one over length, and bend, of the coordinate; length and bend of the row."""
    inverse, bend, rise, bow = table[0], table[1], table[2], table[3]
    for k in range(n - 1):
        step = f[k + 1] - f[k]
        inverse[k] = 1 / step if step > 0 else 0.0
        rise[k] = at[k + 1] - at[k]
    for k in range(1, n - 2):
        bent = (f[k - 1] - f[k] - f[k + 1] + f[k + 2]) / 2 * inverse[k]
        bent = STEEPEST if bent > STEEPEST else bent
        bend[k] = (-STEEPEST if bent < -STEEPEST else bent) / 2
        bent = (at[k - 1] - at[k] - at[k + 1] + at[k + 2]) / 2
        bent = STEEPEST if bent > STEEPEST else bent
        bow[k] = (-STEEPEST if bent < -STEEPEST else bent) / 2
    for k in (0, n - 2):
        has_a, has_d = k > 0, k + 2 < n
        before, after = max(k - 1, 0), min(k + 2, n - 1)
        bend[k] = _clipped(_second(f[before], f[k], f[k + 1], f[after], has_a, has_d) * inverse[k]) / 2
        bow[k] = _clipped(_second(at[before], at[k], at[k + 1], at[after], has_a, has_d)) / 2


@compiled
def _slope(slow, columns):  # type: ignore[no-untyped-def]
    """Step from line to line, and the columns whose lines are not in order."""
    count = slow.shape[0]
    folded = np.zeros(columns, dtype=np.bool_)
    for k in range(count - 1):
        below, above = slow[k], slow[k + 1]
        for c in range(columns):
            folded[c] |= not above[c] > below[c]
    return np.median(slow[count - 1, :columns] - slow[0, :columns]) / (count - 1), folded


@compiled
def _points(fast, slow, slope, folded, first, rows, grid_fast, levels, row, column):  # type: ignore[no-untyped-def]
    """Find the points of lines of a grid among the pixels; how many have no place or several."""
    columns = folded.size
    at, along = np.empty(columns), np.empty(columns)
    lost = np.empty(columns, dtype=np.bool_)
    f, r, known = np.empty(columns), np.empty(columns), np.empty(columns, dtype=np.int64)
    largest, least = np.empty(columns), np.empty(columns)
    table = np.empty((4, columns))
    orderly = not np.any(folded)
    unsettled = 0
    for i in range(levels.size):
        _cross(slow, fast, levels[i], first, rows, slope, folded, orderly, at, along, lost)
        # mostly the known columns are neighbours, and the coordinate rises all along
        begin, end = 0, columns
        while begin < columns and np.isnan(at[begin]):
            begin += 1
        while end > begin and np.isnan(at[end - 1]):
            end -= 1
        if end - begin < 2:
            row[i, : grid_fast.size] = np.nan
            column[i, : grid_fast.size] = np.nan
            unsettled += min(np.sum(lost), grid_fast.size)
            continue
        falls = 0
        for c in range(begin, end - 1):
            falls += not along[c + 1] > along[c]
        if not falls:
            _pieces(along[begin:end], at[begin:end], end - begin, table)
            _meet(
                along[begin:end],
                along[begin:end],
                at[begin:end],
                table,
                begin,
                grid_fast,
                rows,
                columns,
                row[i],
                column[i],
            )
            continue
        n = 0
        for c in range(begin, end):
            if not np.isnan(at[c]):
                f[n], r[n], known[n] = along[c], at[c], c
                n += 1
        _pieces(f, r, n, table)
        largest[0], least[n - 1] = f[0], f[n - 1]
        for k in range(1, n):
            largest[k] = max(largest[k - 1], f[k])
        for k in range(n - 2, -1, -1):
            least[k] = min(least[k + 1], f[k])
        _meet(largest[:n], f[:n], r[:n], table, 0, grid_fast, rows, columns, row[i], column[i])
        k = 0
        for j in range(grid_fast.size):
            target = grid_fast[j]
            while k < n - 2 and largest[k + 1] <= target:
                k += 1
            inside = least[0] <= target <= largest[n - 1]
            there = not np.isnan(row[i, j])
            there = there and largest[k] <= max(target, f[k]) and least[k + 1] >= min(target, f[k + 1])
            if known[k + 1] - known[k] != 1:
                there = False
                inside = inside and np.any(lost[known[k] + 1 : known[k + 1]])
            if there:
                column[i, j] = min(max(column[i, j] + known[k] - k, 0.0), columns - 1.0)
            else:
                row[i, j] = column[i, j] = np.nan
                if inside:
                    unsettled += 1
    return unsettled


@compiled
def _meet(never_falls, f, at, table, first, grid_fast, rows, columns, row, column):  # type: ignore[no-untyped-def]
    """Find the points with given coordinates on a curve whose first column is given, the others following."""
    inverse, bend, rise, bow = table[0], table[1], table[2], table[3]
    last, end = np.uintp(f.size - 2), never_falls[f.size - 1]
    bottom, right = rows - 1.0, columns - 1.0
    k = np.uintp(0)  # unsigned, or each index would be looked at whether it counts from the end
    for j in range(grid_fast.size):
        target = grid_fast[j]
        while k < last and never_falls[k + _1] <= target:
            k += _1
        t = (target - f[k]) * inverse[k]
        if not (t >= 0 and t <= 1 and target < end):
            if not (-EDGE <= t <= 1 + EDGE and inverse[k] > 0):
                row[j] = column[j] = np.nan
                continue
            if t < 0 or t > 1:
                row[j] = min(max(at[k] + t * rise[k], 0.0), bottom)
                column[j] = min(max(first + float(k) + t, 0.0), right)
                continue
        t += t * (1 - t) * bend[k]
        y = at[k] + t * rise[k] - t * (1 - t) * bow[k]
        x = first + float(k) + t
        y = 0.0 if y < 0 else y
        row[j] = bottom if y > bottom else y
        column[j] = right if x > right else x
