"""A coarse mesh of pixels, on which what is smooth is computed for all of a scan."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np

from calib.path import Path, Samples
from calib.scanner.effect import Float

_COARSE = 25  # points along each axis
_ALL = slice(None)


class Mesh:
    """Some rows and columns of a scan, its border among them.

    Parameters
    ----------
    path
        Of the scan.

    Attributes
    ----------
    rows, columns
        Their indices.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._passes, self._slow, self._fast = path.scan_shape
        self.rows, self.columns = (
            np.unique(np.linspace(0, count - 1, min(_COARSE, count)).round().astype(np.int64))
            for count in (self._slow, self._fast)
        )

    @cached_property
    def samples(self) -> Samples:
        """Where rows and columns cross, pass by pass and row by row."""
        place = self._path.fast[self.columns]
        return self._path.samples(*np.meshgrid(np.arange(self._passes), self.rows, place, indexing="ij"))

    def everywhere(self, values: Float, rows: slice = _ALL, columns: slice = _ALL) -> Float:
        """Interpolate values at the mesh of one pass to all its pixels, or some rows and columns: ``(slow, fast)``."""
        at = np.meshgrid(
            np.interp(np.arange(self._slow)[rows], self.rows, np.arange(self.rows.size)),
            np.interp(np.arange(self._fast)[columns], self.columns, np.arange(self.columns.size)),
            indexing="ij",
        )
        return self._between(values, at)

    def at(self, values: Float, fast: Float, slow: Float) -> Float:
        """Interpolate values at the mesh of one pass to commanded places of the scan, shape ``(n,)``."""
        rows = np.interp(slow, self._path.slow[self.rows], np.arange(self.rows.size))
        columns = np.interp(fast, self._path.fast[self.columns], np.arange(self.columns.size))
        return self._between(values, [rows, columns])

    def _between(self, values: Float, at: Sequence[Float]) -> Float:
        from scipy import ndimage

        mesh = np.reshape(values, (self.rows.size, self.columns.size))
        return np.asarray(ndimage.map_coordinates(mesh, at, order=1))

    def of_passes(self, values: Float, rows: slice = _ALL, columns: slice = _ALL) -> Float:
        """Interpolate values of x and y at :attr:`samples`, shape ``(2, pass, slow, fast)``."""
        meshes = values.reshape(2, self._passes, self.rows.size, self.columns.size)
        return np.stack([[self.everywhere(one, rows, columns) for one in axis] for axis in meshes])
