"""The sweeps of one direction as an image: what the checks look at.

A pass of a raster is one sheet. A serpentine scan is two, its lines towards +fast and those towards -fast, so that all
that tells trace from retrace works for it as well.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from calib.path import Path
from calib.scan import FloatArray, Scan

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
Int = NDArray[np.intp]

WINDOW = 1024
"""Rows and columns that checks of the whole picture look at, in its middle: enough for every fault they look for."""

THIN = 384
"""Columns that checks of line against line look at, at least, if there are as many."""

_THIN_POINTS = 3 * 2**19
"""Points that checks of line against line look at, at most: of more than 4096 lines they see fewer columns."""

_SMALL = 2**20  # pixels that are taken at once; of larger scans a block has
_BLOCK = 2**18  # pixels, which bounds the memory


@dataclass(frozen=True, eq=False)
class Sheet:
    """Sweeps of one direction.

    Attributes
    ----------
    scan
        Which they belong to.
    name
        The pass, ``trace`` or ``retrace``.
    direction
        +1 towards +fast, -1 towards -fast.
    values
        Of the observed channel, as they are stored; shape ``(sweeps, fast)``.
    rows
        Row of the scan of each sweep, increasing.
    """

    scan: Scan
    name: str
    direction: int
    values: FloatArray
    rows: Int

    @property
    def line_step(self) -> int:
        """Rows from sweep to sweep."""
        return int(self.rows[1] - self.rows[0]) if self.rows.size > 1 else 1

    @property
    def pixel_time(self) -> float:
        """Time from pixel to pixel, s; NaN if it is unknown."""
        return Path(self.scan).sweep_time / self.scan.fast.size

    @property
    def sweep_period(self) -> float:
        """Time from sweep to sweep of the sheet, s; NaN if it is unknown."""
        period = self.scan.line_period
        return np.nan if period is None else period * self.line_step

    def blocks(self) -> Iterator[tuple[slice, Float]]:
        """Yield the values some lines at a time, as float64."""
        for part in row_blocks(self.values):
            yield part, np.asarray(self.values[part], dtype=np.float64)

    @property
    def thin_step(self) -> int:
        """Every how many columns :attr:`thin` takes one."""
        count, width = map(int, self.values.shape)
        return max(width // max(min(THIN, _THIN_POINTS // count), 16), 1)

    def thin(self, rows: Int | slice = slice(None)) -> Float:
        """Lines in at most twice :data:`THIN` columns, as float64; all of them, or some rows of the sheet."""
        return np.asarray(self.values[rows, :: self.thin_step], dtype=np.float64)

    @cached_property
    def middle(self) -> tuple[slice, slice]:
        """The part of the values that :attr:`picture` shows."""
        begin = [max((n - WINDOW) // 2, 0) for n in self.values.shape]
        return slice(begin[0], begin[0] + WINDOW), slice(begin[1], begin[1] + WINDOW)

    @cached_property
    def picture(self) -> Float:
        """The middle of the values, not more than :data:`WINDOW` along a side, as float64."""
        return np.asarray(self.values[self.middle], dtype=np.float64)


def row_blocks(image: FloatArray) -> Iterator[slice]:
    """Yield the rows of an image some at a time, so that what is made of them takes little memory."""
    count, width = image.shape
    lines = max((_SMALL if image.size <= _SMALL else _BLOCK) // width, 1)
    for begin in range(0, count, lines):
        yield slice(begin, begin + lines)


def sheets(scan: Scan) -> tuple[Sheet, ...]:
    """Split a scan into its sheets."""
    rows = np.arange(scan.slow.size)
    if scan.pattern == "raster":
        return tuple(
            Sheet(scan, name, 1 if name == "trace" else -1, scan.values[k], rows) for k, name in enumerate(scan.passes)
        )
    # the first line in time runs towards +fast
    first = 0 if scan.frame != "down" else (rows.size - 1) % 2
    parts = [(1, slice(first, None, 2)), (-1, slice(1 - first, None, 2))]
    return tuple(
        Sheet(scan, scan.passes[0], way, scan.values[0, part], rows[part]) for way, part in parts if rows[part].size
    )
