"""From scattered true positions to a regular grid.

The map from pixels to true positions is smooth but for kinks where the scanner turned. Its inverse is found by
fixed-point iteration from the affine map that fits it best; a point that does not settle becomes no data, and is
counted. Values are then interpolated by cubic B-splines in double precision; no-data never leaks into data.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.errors import ModelError
from calib.scanner.effect import Float

_TOLERANCE = 1e-5  # pixels
_MOST_ROUNDS = 60


@dataclass(frozen=True)
class PixelMap:
    """Where each point of a regular grid lies among the pixels of a pass.

    Attributes
    ----------
    row, column
        In pixels, shape ``(slow, fast)`` of the regular grid; NaN outside the scan or where the inverse did not settle.
    unsettled
        How many points inside the scan did not settle.
    """

    row: Float
    column: Float
    unsettled: int


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
    from scipy import ndimage

    rows, columns = fast.shape
    row, column = np.meshgrid(np.arange(rows, dtype=np.float64), np.arange(columns, dtype=np.float64), indexing="ij")
    design = np.stack([np.ones(row.size), row.ravel(), column.ravel()], axis=1)
    affine = np.linalg.lstsq(design, np.stack([slow.ravel(), fast.ravel()], axis=1), rcond=None)[0]
    linear = affine[1:].T  # (slow, fast) by (row, column)
    if not np.linalg.det(linear) > 0:
        raise ModelError("The model folds the scan over; it can't be used for this scan.")
    back = np.linalg.inv(linear)
    bend = np.stack([slow, fast]).reshape(2, -1) - (design @ affine).T
    # what the map departs from the affine one, in pixels
    rest = (back @ bend).reshape(2, rows, columns)
    target = back @ (
        np.stack(np.broadcast_arrays(grid_slow[:, None], grid_fast[None, :])).reshape(2, -1) - affine[0][:, None]
    )
    at = target.copy()
    shape = (grid_slow.size, grid_fast.size)
    active = np.arange(target.shape[1])
    settled = np.zeros(target.shape[1], dtype=bool)
    for _ in range(_MOST_ROUNDS):
        clipped = np.clip(at[:, active], 0, [[rows - 1], [columns - 1]])
        moved = np.stack([ndimage.map_coordinates(part, clipped, order=1) for part in rest])
        new = target[:, active] - moved
        step = np.abs(new - at[:, active]).max(axis=0)
        at[:, active] = new
        done = step < _TOLERANCE
        settled[active[done]] = True
        active = active[~done]
        if not active.size:
            break
    edge = 1e-3
    inside = (at[0] >= -edge) & (at[0] <= rows - 1 + edge) & (at[1] >= -edge) & (at[1] <= columns - 1 + edge)
    unsettled = int(np.sum(inside & ~settled))
    at[:, ~(inside & settled)] = np.nan
    return PixelMap(at[0].reshape(shape), at[1].reshape(shape), unsettled)


def sample(values: Float, where: PixelMap) -> Float:
    """Interpolate an image at the points of a map, shape of the map; NaN where a point or a neighbour has no data.

    Parameters
    ----------
    values
        Shape ``(rows, columns)``; NaN where there is no data.
    """
    from scipy import ndimage

    values = np.asarray(values, dtype=np.float64)
    good = np.isfinite(values)
    inside = np.isfinite(where.row)
    result = np.full(where.row.shape, np.nan)
    if not good.any() or not inside.any():
        return result
    rows, columns = values.shape
    at = np.stack([np.clip(where.row[inside], 0, rows - 1), np.clip(where.column[inside], 0, columns - 1)])
    filled = values if good.all() else _filled(values, good)
    result[inside] = ndimage.map_coordinates(filled, at, order=3, mode="mirror")
    if not good.all():
        # a point counts if no pixel next to it is missing
        share = ndimage.map_coordinates((~good).astype(np.float64), at, order=1)
        result[inside] = np.where(share > 1e-6, np.nan, result[inside])
    return result


def _filled(values: Float, good: np.ndarray) -> Float:
    """Give missing pixels the value of the nearest one that has data, so that a spline does not ring."""
    from scipy import ndimage

    index = ndimage.distance_transform_edt(~good, return_distances=False, return_indices=True)
    return np.asarray(values[tuple(index)])
