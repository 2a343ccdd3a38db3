"""Values between the pixels of an image: cubic B-splines in double precision; no-data never leaks into data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from calib.scanner.effect import Float

Interpolation = Literal["cubic", "linear", "nearest"]

ORDERS = {"cubic": 3, "linear": 1, "nearest": 0}

SMALLEST_SHARE = 1e-6
"""Of a pixel without data that spoils a point."""

_ROWS = 256  # lines that are filled at a time


@dataclass(frozen=True)
class PixelMap:
    """Where points of a regular grid lie among the pixels of a pass.

    Attributes
    ----------
    row, column
        In pixels, shape ``(slow, fast)`` of the points; NaN outside of the scan or where the inverse is not one place.
    unsettled
        How many points inside the scan have no place, or more than one.
    """

    row: Float
    column: Float
    unsettled: int


@dataclass(frozen=True)
class Image:
    """An image made ready for interpolation.

    Attributes
    ----------
    values
        Finite, shape ``(rows, columns)``: coefficients of a B-spline, or, for other interpolations and where compiled
        code filters them by parts, the values themselves.
    missing
        Where there is no data; None if there is data everywhere.
    """

    values: Float
    missing: np.ndarray | None

    def at(self, where: PixelMap, interpolation: Interpolation) -> Float:
        """Interpolate at points, shape of the points; NaN where a point or a pixel beside it has no data."""
        from scipy import ndimage

        inside = np.isfinite(where.row)
        found = np.full(where.row.shape, np.nan)
        if not inside.any():
            return found
        at = np.stack([where.row[inside], where.column[inside]])
        values = ndimage.map_coordinates(self.values, at, order=ORDERS[interpolation], mode="mirror", prefilter=False)
        if self.missing is not None:
            missing = self.missing.astype(np.float64)
            share = ndimage.map_coordinates(missing, at, order=min(ORDERS[interpolation], 1), mode="mirror")
            values = np.where(share > SMALLEST_SHARE, np.nan, values)
        found[inside] = values
        return found


def prepare(
    image: Float,
    interpolation: Interpolation = "cubic",
    ratio: tuple[float, float] = (1.0, 1.0),
    compiled: bool = False,
) -> Image:
    """Make an image ready for interpolation, see :func:`calib.resample.resample`."""
    from scipy import ndimage

    values = np.asarray(image)
    if not compiled or values.dtype not in (np.float32, np.float64):
        values = values.astype(np.float64, copy=False)
    good = np.isfinite(values)
    missing = None if good.all() else ~good
    if missing is not None:
        values = _filled(values, good) if good.any() else np.zeros(values.shape)
    if interpolation == "nearest":
        return Image(values, missing)
    if max(ratio) > 1:
        values = _averaged(values, good if missing is not None else None, ratio)
    if interpolation == "linear" or compiled:
        return Image(values, missing)
    return Image(ndimage.spline_filter(values, order=3, mode="mirror"), missing)


def sample(values: Float, where: PixelMap) -> Float:
    """Interpolate an image at the points of a map, shape of the map; NaN where a point or a neighbour has no data.

    Parameters
    ----------
    values
        Shape ``(rows, columns)``; NaN where there is no data.
    """
    return prepare(values).at(where, "cubic")


def gradient(values: Float, steps: tuple[float, float]) -> Float:
    """Slopes of the cubic B-spline through an image at its pixels, along rows' and columns' coordinate.

    Parameters
    ----------
    values
        Shape ``(rows, columns)``; NaN where there is no data.
    steps
        Distance of rows, and of columns, m.

    Returns
    -------
    Array of shape ``(2, rows, columns)``: change from row to row, then from column to column, over its step; NaN where
    the pixel or one of its eight neighbours has no data.
    """
    from scipy import ndimage

    ready = prepare(values)
    found = np.empty((2, *ready.values.shape))
    for axis, step in enumerate(steps):
        change = ndimage.correlate1d(ready.values, [-0.5, 0.0, 0.5], axis=axis, mode="mirror")
        found[axis] = ndimage.correlate1d(change, [1 / 6, 2 / 3, 1 / 6], axis=1 - axis, mode="mirror") / step
    if ready.missing is not None:
        found[:, ndimage.binary_dilation(ready.missing, np.ones((3, 3), dtype=bool))] = np.nan
    return found


def _filled(values: Float, good: np.ndarray) -> Float:
    """Give missing pixels values between those beside them, along the line or else across, so that no spline rings."""
    filled = values.copy()
    known = np.asarray(good.any(axis=1))
    gaps = np.flatnonzero(known & ~good.all(axis=1))
    for first in range(0, gaps.size, _ROWS):
        some = gaps[first : first + _ROWS]
        filled[some] = _joined(values[some], good[some])
    if not known.all():
        lost = np.flatnonzero(~known)
        before, after, part = _beside(known[None, :])
        before, after, part = before[0, lost], after[0, lost], part[0, lost, None]
        filled[lost] = (1 - part) * filled[before] + part * filled[after]
    return filled


def _joined(values: Float, good: np.ndarray) -> Float:
    """Fill lines by straight lines over their gaps."""
    before, after, part = _beside(good)
    low, high = np.take_along_axis(values, before, axis=1), np.take_along_axis(values, after, axis=1)
    return np.where(good, values, (1 - part) * low + part * high)


def _beside(good: np.ndarray) -> tuple[np.ndarray, np.ndarray, Float]:
    """Good places before and after each place of lines, and the part of the way from one to the other."""
    count = good.shape[1]
    place = np.arange(count)
    before = np.maximum.accumulate(np.where(good, place, -1), axis=1)
    after = np.minimum.accumulate(np.where(good, place, count)[:, ::-1], axis=1)[:, ::-1]
    before, after = np.where(before < 0, after, before), np.where(after >= count, before, after)
    return before, after, (place - before) / np.maximum(after - before, 1)


def _averaged(values: Float, good: np.ndarray | None, ratio: tuple[float, float]) -> Float:
    """Average over triangles as wide as two steps of the coarser grid: what would fold to a constant is gone."""
    from scipy import ndimage

    values = values.astype(np.float64)
    weight = None if good is None else good.astype(np.float64)
    values = values if weight is None else values * weight
    for axis, wide in enumerate(ratio):
        if wide > 1:
            reach = np.arange(-int(np.ceil(wide)), int(np.ceil(wide)) + 1)
            kernel = np.clip(1 - np.abs(reach) / wide, 0, None)
            kernel /= kernel.sum()
            values = ndimage.correlate1d(values, kernel, axis=axis, mode="mirror")
            if weight is not None:
                weight = ndimage.correlate1d(weight, kernel, axis=axis, mode="mirror")
    return np.asarray(values if weight is None else values / np.maximum(weight, 1e-12))
