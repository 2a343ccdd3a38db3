"""The same as :mod:`calib.interpolate`, compiled: the filter of the spline, and values at points.

Compiled once by numba and kept on disk. None of the compiled functions needs the lock of the interpreter, so that
threads share the work.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numba
import numpy as np

from calib.interpolate import SMALLEST_SHARE
from calib.scanner.effect import Float

_POLE = np.sqrt(3.0) - 2.0  # of the cubic B-spline
_HORIZON = 48  # pixels after which a power of it is nothing in double precision
_WIDE = 64  # columns that are filtered at a time
_CHUNK = 256  # points of a line that are taken together
_TALL = 4  # rows that are filtered at a time
_1, _2, _3 = np.uintp(1), np.uintp(2), np.uintp(3)

# numba is told nothing that would change the order of sums: products and sums may be fused, no more
compiled: Callable[[Callable[..., Any]], Any] = numba.njit(
    nogil=True, cache=True, fastmath={"contract"}, error_model="numpy"
)


def threads() -> int:
    """How many threads share the work: ``NUMBA_NUM_THREADS``, or as many as there are processors for this process."""
    return int(numba.config.NUMBA_NUM_THREADS)  # type: ignore[attr-defined]


def together(work: Callable[[tuple[int, int]], Any], parts: Iterable[tuple[int, int]]) -> list[Any]:
    """Do the work on parts, by threads if there are several; what it returned, in order."""
    parts = list(parts)
    workers = min(threads(), len(parts))
    if workers < 2:
        return [work(one) for one in parts]
    with ThreadPoolExecutor(workers) as pool:
        return list(pool.map(work, parts))


def padded(rows: int, columns: int) -> Float:
    """Make room for rows that begin at other places of the cache: rows of a power of two would push each other out."""
    return np.empty((rows, (-(-columns // 8) | 1) * 8))


def coefficients(values: Float) -> Float:
    """Return the coefficients of the cubic B-spline through an image, mirrored at its borders; with padded rows.

    Source: Unser, Aldroubi and Eden, IEEE Trans. Signal Process. 41 (1993) 834.
    """
    rows, columns = values.shape
    found = padded(rows, columns)
    part = max(_TALL, -(-rows // (4 * threads() * _TALL)) * _TALL)
    together(lambda ends: _along_rows(values, found, *ends), _cut(rows, part))
    part = max(_WIDE, -(-columns // (4 * threads() * _WIDE)) * _WIDE)
    together(lambda ends: _along_columns(found, *ends), _cut(columns, part))
    return found


def _cut(length: int, part: int) -> list[tuple[int, int]]:
    return [(first, min(first + part, length)) for first in range(0, length, part)]


# --- the filter of the spline -----------------------------------------------------------------------


@compiled
def _first(line):  # type: ignore[no-untyped-def]
    """Start of the recursion along a mirrored line of at least two values."""
    n = line.size
    power, total = 1.0, line[0]
    if n > _HORIZON:
        for k in range(1, _HORIZON):
            power *= _POLE
            total += power * line[k]
        return total
    last = _POLE ** (n - 1)
    total += last * line[n - 1]
    back = last * last / _POLE
    for k in range(1, n - 1):
        power *= _POLE
        total += (power + back) * line[k]
        back /= _POLE
    return total / (1 - last * last)


@compiled
def _along_rows(values, found, first, last):  # type: ignore[no-untyped-def]
    n = values.shape[1]
    if n < 2:
        found[first:last, :n] = values[first:last]
        return
    whole = last - (last - first) % _TALL
    for begin in range(first, whole, _TALL):
        _four_rows(values[begin : begin + _TALL], found[begin : begin + _TALL])
    for begin in range(whole, last):
        _one_row(values[begin], found[begin])


@compiled
def _four_rows(values, found):  # type: ignore[no-untyped-def]
    """Filter rows side by side: each step of a recursion waits for the one before, but not for those of other rows."""
    n = values.shape[1]
    a, b, c, d = values[0], values[1], values[2], values[3]
    to_a, to_b, to_c, to_d = found[0], found[1], found[2], found[3]
    p, q, r, s = 6 * _first(a), 6 * _first(b), 6 * _first(c), 6 * _first(d)
    to_a[0], to_b[0], to_c[0], to_d[0] = p, q, r, s
    for k in range(1, n):
        p, q, r, s = 6 * a[k] + _POLE * p, 6 * b[k] + _POLE * q, 6 * c[k] + _POLE * r, 6 * d[k] + _POLE * s
        to_a[k], to_b[k], to_c[k], to_d[k] = p, q, r, s
    last = _POLE / (_POLE * _POLE - 1)
    p, q = (_POLE * to_a[n - 2] + p) * last, (_POLE * to_b[n - 2] + q) * last
    r, s = (_POLE * to_c[n - 2] + r) * last, (_POLE * to_d[n - 2] + s) * last
    to_a[n - 1], to_b[n - 1], to_c[n - 1], to_d[n - 1] = p, q, r, s
    for k in range(n - 2, -1, -1):
        p, q, r, s = _POLE * (p - to_a[k]), _POLE * (q - to_b[k]), _POLE * (r - to_c[k]), _POLE * (s - to_d[k])
        to_a[k], to_b[k], to_c[k], to_d[k] = p, q, r, s


@compiled
def _one_row(values, found):  # type: ignore[no-untyped-def]
    n = values.size
    state = 6 * _first(values)
    found[0] = state
    for k in range(1, n):
        state = 6 * values[k] + _POLE * state
        found[k] = state
    state = (_POLE * found[n - 2] + state) * _POLE / (_POLE * _POLE - 1)
    found[n - 1] = state
    for k in range(n - 2, -1, -1):
        state = _POLE * (state - found[k])
        found[k] = state


@compiled
def _along_columns(found, first, last):  # type: ignore[no-untyped-def]
    n = found.shape[0]
    if n < 2:
        return
    for begin in range(first, last, _WIDE):
        end = min(begin + _WIDE, last)
        for c in range(begin, end):
            found[0, c] = 6 * _first(found[:, c])
        for k in range(1, n):
            above, here = found[k - 1, begin:end], found[k, begin:end]
            for c in range(end - begin):
                here[c] = 6 * here[c] + _POLE * above[c]
        above, here = found[n - 2, begin:end], found[n - 1, begin:end]
        for c in range(end - begin):
            here[c] = (_POLE * above[c] + here[c]) * _POLE / (_POLE * _POLE - 1)
        for k in range(n - 2, -1, -1):
            below, here = found[k + 1, begin:end], found[k, begin:end]
            for c in range(end - begin):
                here[c] = _POLE * (below[c] - here[c])


# --- values at points ---------------------------------------------------------------------------------


@compiled
def _mirror(k, n):  # type: ignore[no-untyped-def]
    if n == 1:
        return 0
    k = abs(k) % (2 * n - 2)
    return k if k < n else 2 * n - 2 - k


@compiled
def values_at(values, columns, missing, masked, row, column, order, found):  # type: ignore[no-untyped-def]
    """Interpolate at points; NaN where a point has no place, or a pixel beside it no data.

    Rows of ``values`` may be padded beyond their ``columns``.
    """
    place, weights = np.empty(_CHUNK, dtype=np.int64), np.empty((8, _CHUNK))
    for i in range(found.shape[0]):
        begin = 0
        while begin < found.shape[1]:
            if np.isnan(row[i, begin]):
                found[i, begin] = np.nan
                begin += 1
                continue
            end = begin
            if order == 3:
                end = _as_far(row[i], column[i], begin, min(begin + _CHUNK, found.shape[1]), values.shape[0], columns)
            if end == begin:
                found[i, begin] = _value_at(values, columns, missing, masked, row[i, begin], column[i, begin], order)
                begin += 1
                continue
            y, x, here = row[i, begin:end], column[i, begin:end], found[i, begin:end]
            _weigh(values.shape[1], y, x, place, weights)
            _add_up(values, place, weights, here)
            for j in range(end - begin if masked else 0):
                if _spoilt(missing, y[j], x[j]):
                    here[j] = np.nan
            begin = end


@compiled
def _as_far(y, x, begin, end, rows, columns):  # type: ignore[no-untyped-def]
    """Up to which point of a line all 16 coefficients of each are inside the image."""
    last, right, inside = rows - 2.0, columns - 2.0, 0
    if not (y[begin] >= 1 and y[begin] < last and x[begin] >= 1 and x[begin] < right):
        return begin
    # from zero, and all four at once: signs and branches would keep it from being done for several points at a time
    p, q = y[begin:end], x[begin:end]
    for j in range(end - begin):
        inside += (p[j] >= 1) & (p[j] < last) & (q[j] >= 1) & (q[j] < right)
    if inside == end - begin:
        return end
    for j in range(begin, end):
        if not (y[j] >= 1 and y[j] < last and x[j] >= 1 and x[j] < right):
            return j
    return end


@compiled
def _weigh(wide, y, x, place, weights):  # type: ignore[no-untyped-def]
    """Find the first of the 16 coefficients that points of a line need, and their weights."""
    v0, v1, v2, v3 = weights[0], weights[1], weights[2], weights[3]
    w0, w1, w2, w3 = weights[4], weights[5], weights[6], weights[7]
    wide = float(wide)
    for j in range(y.size):
        a, b = np.floor(y[j]), np.floor(x[j])
        place[j] = np.int64((a - 1) * wide + (b - 1))
        t, s = y[j] - a, x[j] - b
        u, w = 1 - t, 1 - s
        v0[j], v1[j] = u * u * u / 6, 2 / 3 - t * t * (2 - t) / 2
        v2[j], v3[j] = 2 / 3 - u * u * (2 - u) / 2, t * t * t / 6
        w0[j], w1[j] = w * w * w / 6, 2 / 3 - s * s * (2 - s) / 2
        w2[j], w3[j] = 2 / 3 - w * w * (2 - w) / 2, s * s * s / 6


@compiled
def _add_up(values, place, weights, found):  # type: ignore[no-untyped-def]
    flat, wide = values.reshape(values.size), np.uintp(values.shape[1])
    v0, v1, v2, v3 = weights[0], weights[1], weights[2], weights[3]
    w0, w1, w2, w3 = weights[4], weights[5], weights[6], weights[7]
    for j in range(found.size):
        # unsigned, or each index would be looked at whether it counts from the end
        k = np.uintp(place[j])
        m = k + wide
        o = m + wide
        p = o + wide
        a, b, c, d = v0[j], v1[j], v2[j], v3[j]
        c0 = a * flat[k] + b * flat[m] + c * flat[o] + d * flat[p]
        c1 = a * flat[k + _1] + b * flat[m + _1] + c * flat[o + _1] + d * flat[p + _1]
        c2 = a * flat[k + _2] + b * flat[m + _2] + c * flat[o + _2] + d * flat[p + _2]
        c3 = a * flat[k + _3] + b * flat[m + _3] + c * flat[o + _3] + d * flat[p + _3]
        found[j] = (w0[j] * c0 + w1[j] * c1) + (w2[j] * c2 + w3[j] * c3)


@compiled
def _spoilt(missing, y, x):  # type: ignore[no-untyped-def]
    """Whether a pixel beside a point, that counts there, has no data."""
    a, b = int(y), int(x)
    below, beside = min(a + 1, missing.shape[0] - 1), min(b + 1, missing.shape[1] - 1)
    if not (missing[a, b] or missing[a, beside] or missing[below, b] or missing[below, beside]):
        return False
    t, s = y - a, x - b
    share = (1 - t) * ((1 - s) * missing[a, b] + s * missing[a, beside]) + t * (
        (1 - s) * missing[below, b] + s * missing[below, beside]
    )
    return share > SMALLEST_SHARE


@compiled
def _value_at(values, columns, missing, masked, y, x, order):  # type: ignore[no-untyped-def]
    """Interpolate at one point anywhere in the image."""
    rows = values.shape[0]
    if order == 0:
        a, b = min(int(y + 0.5), rows - 1), min(int(x + 0.5), columns - 1)
        return np.nan if masked and missing[a, b] else float(values[a, b])
    if masked and _spoilt(missing, y, x):
        return np.nan
    a, b = int(y), int(x)
    t, s = y - a, x - b
    if order == 1:
        below, beside = min(a + 1, rows - 1), min(b + 1, columns - 1)
        return (1 - t) * ((1 - s) * values[a, b] + s * values[a, beside]) + t * (
            (1 - s) * values[below, b] + s * values[below, beside]
        )
    u, w = 1 - t, 1 - s
    v0, v1, v2, v3 = u * u * u / 6, 2 / 3 - t * t * (2 - t) / 2, 2 / 3 - u * u * (2 - u) / 2, t * t * t / 6
    w0, w1, w2, w3 = w * w * w / 6, 2 / 3 - s * s * (2 - s) / 2, 2 / 3 - w * w * (2 - w) / 2, s * s * s / 6
    total = 0.0
    for e in range(4):
        line = values[_mirror(a - 1 + e, rows)]
        part = (
            w0 * line[_mirror(b - 1, columns)]
            + w1 * line[_mirror(b, columns)]
            + w2 * line[_mirror(b + 1, columns)]
            + w3 * line[_mirror(b + 2, columns)]
        )
        total += part * (v0 if e == 0 else v1 if e == 1 else v2 if e == 2 else v3)
    return total
