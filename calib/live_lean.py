"""A frame that is being recorded where z is not square to x and y: its heights move its pixels sideways."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from calib.scan import Scan
from calib.scanner.effect import Float
from calib.scanner.motion import axes_matrix
from calib.true_map import TrueMap, map_from

if TYPE_CHECKING:
    from calib.model import Model


def leans(model: Model) -> bool:
    """Whether z is not square to x and y."""
    return any(effect.name == "squareness" for effect in model.motion.effects)


class Lean:
    """How far heights move pixels sideways, where z is not square to x and y."""

    def __init__(self, model: Model, frame: Scan) -> None:
        at = 3
        for effect in model.motion.effects:
            if effect.name == "squareness":
                break
            at += len(effect.coefficients)
        lean_x, lean_y, arc_x, arc_y = model.values[at : at + 4]
        self._lean, self._arc = np.array([lean_x, lean_y]), np.array([arc_x, arc_y])
        self._through = np.stack(frame.axes) @ axes_matrix(model.values)
        self._centre = frame.z_centre
        self._middle: float | None = None
        reach = model.height.span
        most = np.abs(self._lean) * reach + (np.abs(self._arc) * reach**2 if frame.z_centre is not None else 0.0)
        step = frame.spacing[1] or 1.0
        self.lines = int(np.ceil(float(np.abs(self._through[1]) @ most) / step))

    def moved(self, place: TrueMap, first: int, last: int, indicated: Float) -> TrueMap:
        """Map of some lines with their heights, whose row 0 is the first of them."""
        good = np.isfinite(indicated)
        if self._centre is not None:
            z = np.where(good, indicated + self._centre, self._centre)
            rest = self._centre
        else:
            if self._middle is None and good.any():
                line = next(values for values, there in zip(indicated, good, strict=True) if there.any())
                self._middle = float(np.nanmean(line))
            z = np.where(good, indicated - (self._middle or 0.0), 0.0)
            rest = 0.0
        shift = self._lean[:, None, None] * (z - rest)
        if self._centre is not None:
            shift = shift + self._arc[:, None, None] * (z**2 - rest**2)
        return map_from(place.lines(first, last) + np.tensordot(self._through, shift, 1))
