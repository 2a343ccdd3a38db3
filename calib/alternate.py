"""Alternate lines of a serpentine, brought to common columns.

Lines that were swept opposite ways lie apart by the width of the loop. As one image they would be no picture of the
surface: between two of them a spline would mix places that are several pixels apart. So each line is first interpolated
along itself, which needs no other, to where the mean of the two ways would have had its pixels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.interpolate import Interpolation, PixelMap, prepare
from calib.resample import EDGE, place_in, value_at
from calib.scanner.effect import Float
from calib.true_map import TrueMap, map_from

NEGLIGIBLE = 1e-3
"""Pixels by which alternate lines may be apart."""


@dataclass(frozen=True)
class Alternate:
    """How lines are brought to common columns.

    Attributes
    ----------
    place
        The map of the pass with common columns.
    column
        Where the pixels of that map are in their recorded lines, in pixels, shape ``(rows, columns)``; NaN outside.
    """

    place: TrueMap
    column: Float

    def lines(self, first: int, values: Float, interpolation: Interpolation = "cubic") -> Float:
        """Bring recorded lines from the row ``first`` on, shape ``(lines, columns)``, to the common columns."""
        column = self.column[first : first + len(values)]
        row = np.where(np.isfinite(column), np.arange(len(values))[:, None], np.nan)
        return prepare(values, interpolation).at(PixelMap(row, column, 0), interpolation)


def alternate(place: TrueMap) -> Alternate | None:
    """Return how the lines of a serpentine pass are brought to common columns; None if they lie well as they are."""
    rows, columns = place.shape
    if rows < 3:
        return None
    fast, slow = place.lines(0, rows)
    mean = np.empty_like(fast)
    mean[1:-1] = (fast[:-2] + 2 * fast[1:-1] + fast[2:]) / 4
    mean[0], mean[-1] = 2 * mean[1] - mean[2], 2 * mean[-2] - mean[-3]
    if np.abs(fast - mean).max() < NEGLIGIBLE * abs(place.affine[2, 0]):
        return None
    at = np.stack([place_in(line, targets) for line, targets in zip(fast, mean, strict=True)])
    inside = (at >= -EDGE) & (at <= columns - 1 + EDGE)
    there = value_at(slow.T, at.T).T
    return Alternate(map_from(np.stack([mean, there])), np.where(inside, np.clip(at, 0, columns - 1), np.nan))


def alternates(maps: Sequence[TrueMap], pattern: str) -> tuple[list[TrueMap], list[Alternate | None]]:
    """Do the same for all passes of a scan: the maps to go on with, and how their lines come to be so.

    Nothing is done to a raster, whose lines of a pass all run the same way.
    """
    ways = [alternate(place) if pattern == "serpentine" else None for place in maps]
    return [place if way is None else way.place for place, way in zip(maps, ways, strict=True)], ways
