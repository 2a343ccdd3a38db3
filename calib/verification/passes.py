"""Trace against retrace after correction: what a model has left of hysteresis, lag and the like."""

from __future__ import annotations

import numpy as np

from calib.units import show
from calib.verification.affine import conditions
from calib.verification.characteristic import Characteristic, positive
from calib.verification.extremes import root_mean_square
from calib.verification.mapping import Field
from calib.verification.seen import Seen

_BLOCKS = 16


def lateral(seen: Seen, field: Field) -> Characteristic | None:
    """Return the rms distance between where trace and retrace put the same places of a grid or grating.

    A shift between the passes counts. None for a scan of one pass.
    """
    cells = field.cells()
    keys = cells.row * 1000 + cells.column
    first, second = (np.flatnonzero(cells.pass_index == index) for index in (0, 1))
    _, one, other = np.intersect1d(keys[first], keys[second], return_indices=True)
    if not one.size:
        return None
    one, other = first[one], second[other]
    off = cells.off[:, one] - cells.off[:, other]
    sd = np.hypot(cells.sd[:, one], cells.sd[:, other])
    roots = np.moveaxis(cells.roots[:, :, one] - cells.roots[:, :, other], 0, 1)
    value, parts = root_mean_square(off.ravel(), sd.ravel(), roots.reshape(len(roots), off.size), one.size)
    note = () if len(cells.axes) == 2 else (f"along {cells.axes[0]} only",)
    return _told(seen, "passes_lateral", value, parts, conditions(seen), note)


def height(seen: Seen) -> Characteristic | None:
    """Return the rms difference of heights in trace and retrace, on plateaus, in blocks of the image.

    A constant difference counts. None for a scan of one pass.
    """
    found = seen.levels()
    if found is None or len(seen.scan.passes) < 2:
        return None
    fast, slow, heights, sd, pass_index = found
    high = seen.step.levels.high if seen.step is not None and seen.step.levels is not None else np.zeros(fast.size, int)
    path = seen.step.path if seen.step is not None else seen.flat.path  # type: ignore[union-attr]
    column = np.rint((fast - path.fast[0]) / max(float(np.ptp(path.fast)), 1e-300) * _BLOCKS - 0.5).astype(np.int64)
    row = np.rint((slow - path.slow[0]) / max(float(np.ptp(path.slow)), 1e-300) * _BLOCKS - 0.5).astype(np.int64)
    keys = (row * 1000 + column) * 2 + high
    first, second = (np.flatnonzero(pass_index == index) for index in (0, 1))
    _, one, other = np.intersect1d(keys[first], keys[second], return_indices=True)
    if not one.size:
        return None
    one, other = first[one], second[other]
    difference = heights[one] - heights[other]
    value, parts = root_mean_square(difference, np.hypot(sd[one], sd[other]), np.zeros((0, one.size)), one.size)
    size = " x ".join(show(side) for side in seen.scan.size)
    return _told(seen, "passes_height", value, parts, size, ())


def _told(
    seen: Seen, name: str, value: float, parts: dict[str, float], where: str, notes: tuple[str, ...]
) -> Characteristic:
    return Characteristic(
        name,
        value,
        positive(parts),
        (seen.label,),
        (seen.standard.name,),
        seen.independent,
        conditions=where,
        notes=notes,
    )
