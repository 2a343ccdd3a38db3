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
_WIDE = 32  # columns that are filtered at a time: two lines of the cache a row
_TALL = 4  # rows that are filtered at a time
_1, _2, _3 = np.uintp(1), np.uintp(2), np.uintp(3)

# numba is told nothing that would change the order of sums: products and sums may be fused, no more
compiled: Callable[[Callable[..., Any]], Any] = numba.njit(
    nogil=True, cache=True, fastmath={"contract"}, error_model="numpy"
)


def threads() -> int:
    """How many threads share the work: ``NUMBA_NUM_THREADS``, or as many as there are processors for this process."""
    return int(numba.config.NUMBA_NUM_THREADS)  # type: ignore[attr-defined]


def _share(work: Callable[[int, int], Any], length: int, part: int) -> list[Any]:
    """Do the work on parts of a length, by threads if there are several; what it returned, in order."""
    parts = [(first, min(first + part, length)) for first in range(0, length, part)]
    return together(lambda ends: work(*ends), parts)


def together(work: Callable[[tuple[int, int]], Any], parts: Iterable[tuple[int, int]]) -> list[Any]:
    """Do the work on parts, by threads if there are several; what it returned, in order."""
    parts = list(parts)
    workers = min(threads(), len(parts))
    if workers < 2:
        return [work(one) for one in parts]
    with ThreadPoolExecutor(workers) as pool:
        return list(pool.map(work, parts))


def coefficients(values: Float) -> Float:
    """Return the coefficients of the cubic B-spline through an image, mirrored at its borders.

    Source: Unser, Aldroubi and Eden, IEEE Trans. Signal Process. 41 (1993) 834.
    """
    found = np.empty(values.shape)
    rows, columns = values.shape
    part = max(_TALL, -(-rows // (4 * threads() * _TALL)) * _TALL)
    _share(lambda first, last: _along_rows(values, found, first, last), rows, part)
    part = max(_WIDE, -(-columns // (4 * threads() * _WIDE)) * _WIDE)
    _share(lambda first, last: _along_columns(found, first, last), columns, part)
    return found


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
        found[first:last] = values[first:last]
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
def values_at(values, missing, masked, row, column, order, found):  # type: ignore[no-untyped-def]
    """Interpolate at points; NaN where a point has no place, or a pixel beside it no data."""
    rows, columns = values.shape
    flat, wide = values.reshape(rows * columns), np.uintp(columns)
    for i in range(row.shape[0]):
        for j in range(row.shape[1]):
            y, x = row[i, j], column[i, j]
            if np.isnan(y):
                found[i, j] = np.nan
                continue
            if order == 0:
                a, b = min(int(y + 0.5), rows - 1), min(int(x + 0.5), columns - 1)
                found[i, j] = np.nan if masked and missing[a, b] else values[a, b]
                continue
            a, b = int(y), int(x)
            t, s = y - a, x - b
            if masked:
                below, beside = min(a + 1, rows - 1), min(b + 1, columns - 1)
                share = (1 - t) * ((1 - s) * missing[a, b] + s * missing[a, beside]) + t * (
                    (1 - s) * missing[below, b] + s * missing[below, beside]
                )
                if share > SMALLEST_SHARE:
                    found[i, j] = np.nan
                    continue
            if order == 1:
                below, beside = min(a + 1, rows - 1), min(b + 1, columns - 1)
                found[i, j] = (1 - t) * ((1 - s) * values[a, b] + s * values[a, beside]) + t * (
                    (1 - s) * values[below, b] + s * values[below, beside]
                )
                continue
            u, w = 1 - t, 1 - s
            v0, v1, v2, v3 = u * u * u / 6, 2 / 3 - t * t * (2 - t) / 2, 2 / 3 - u * u * (2 - u) / 2, t * t * t / 6
            w0, w1, w2, w3 = w * w * w / 6, 2 / 3 - s * s * (2 - s) / 2, 2 / 3 - w * w * (2 - w) / 2, s * s * s / 6
            if a >= 1 and a + 2 < rows and b >= 1 and b + 2 < columns:
                # unsigned, or each index would be looked at whether it counts from the end
                k = np.uintp((a - 1) * columns + b - 1)
                m, o = k + wide, k + wide + wide
                p = o + wide
                c0 = v0 * flat[k] + v1 * flat[m] + v2 * flat[o] + v3 * flat[p]
                c1 = v0 * flat[k + _1] + v1 * flat[m + _1] + v2 * flat[o + _1] + v3 * flat[p + _1]
                c2 = v0 * flat[k + _2] + v1 * flat[m + _2] + v2 * flat[o + _2] + v3 * flat[p + _2]
                c3 = v0 * flat[k + _3] + v1 * flat[m + _3] + v2 * flat[o + _3] + v3 * flat[p + _3]
                found[i, j] = (w0 * c0 + w1 * c1) + (w2 * c2 + w3 * c3)
                continue
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
            found[i, j] = total
