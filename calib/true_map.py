"""Where the pixels of a pass were, in a form that is cheap to evaluate: few factors in place of full-size arrays.

What a scanner does is, for a raster along its own axes, nearly a sum of products of a function of the line and a
function of the place in the line: bending is a polynomial in both, loops and creep along a line are the same in all
lines but for their size, and what the slow axis does between lines is the same along each of them. Kinks, where the
scanner turned, keep their column or their line. So the coordinates of all pixels, less their affine part, are a matrix
of low rank (ten or so) to a hundred-thousandth of a pixel, and some lines and some columns of it tell it whole (a cross
or skeleton approximation: Goreinov, Tyrtyshnikov and Zamarashkin, Linear Algebra Appl. 261 (1997) 1). Whether they do
is checked at other lines and columns; where they don't, as in scans along neither axis of a scanner with hysteresis,
all pixels are computed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.errors import ModelError
from calib.scanner.effect import Float

CLOSE = 1e-5
"""By how much, in pixels, the factors may miss the true position where that is checked."""

_FEWEST = 96  # lines and columns below which all pixels are computed: factors would not be cheaper
_FIRST = (14, 28)  # lines and columns that are tried
_CHECKS = 5  # lines and columns that it is checked at
_PART, _WIDE = 2**18, 128  # products of a part of a product of matrices, and its columns
_NEGLIGIBLE = 1e-6  # pixels: what smaller factors add

Coordinates = Callable[[np.ndarray, np.ndarray], Float]


@dataclass(frozen=True)
class TrueMap:
    """Coordinates of the pixels of a pass along the fast and the slow axis of the scan.

    Attributes
    ----------
    shape
        ``(rows, columns)``.
    affine
        Coordinates of pixel (0, 0), and their change from row to row and from column to column; m, shape ``(3, 2)``,
        the fast axis first.
    left
        Factors of the rows, shape ``(rows, k)``.
    right
        Factors of the columns for both coordinates, m, shape ``(2, k, columns)``.
    rest
        What the map departs from the affine one at all pixels, m, shape ``(2, rows, columns)``, if there are no
        factors.
    """

    shape: tuple[int, int]
    affine: Float
    left: Float
    right: Float
    rest: Float | None = None

    def lines(self, first: int, last: int, out: Float | None = None) -> Float:
        """Coordinates of all pixels of the rows from ``first`` to before ``last``, m; shape ``(2, rows, columns)``.

        They are written to ``out``, if it is given.
        """
        left, right = self._whole
        found = np.empty((2, last - first, self.shape[1])) if out is None else out
        for axis in (0, 1):
            _product(left[first:last], right[axis], found[axis])
        if self.rest is not None:
            found += self.rest[:, first:last]
        return found

    @cached_property
    def _whole(self) -> tuple[Float, Float]:
        """Factors of the whole map, its affine part among them."""
        rows, columns = self.shape
        left = np.column_stack([self.left, np.ones(rows), np.arange(rows)])
        right = [
            np.stack([start + by_column * np.arange(columns), np.full(columns, by_row)])
            for start, by_row, by_column in self.affine.T
        ]
        return left, np.concatenate([self.right, np.stack(right)], axis=1)

    def columns(self, columns: np.ndarray) -> Float:
        """Coordinates of all pixels of some columns, m; shape ``(2, rows, columns)``."""
        rows = np.arange(self.shape[0])
        rest = self.rest[:, :, columns] if self.rest is not None else self.left @ self.right[:, :, columns]
        return np.asarray(rest + _on(self.affine, rows, columns))

    @cached_property
    def reach(self) -> tuple[float, float]:
        """Least and largest departure of the slow coordinate from the affine map, m, nearly."""
        if self.rest is not None:
            return float(self.rest[1].min()), float(self.rest[1].max())
        columns = np.unique(np.linspace(0, self.shape[1] - 1, 64).astype(int))
        some = np.empty((self.shape[0], columns.size))
        _product(self.left, self.right[1][:, columns], some)
        return float(some.min()), float(some.max())


def map_of(shape: tuple[int, int], coordinates: Coordinates) -> TrueMap:
    """Make the map of a pass from a function of the pixels.

    Parameters
    ----------
    shape
        ``(rows, columns)``.
    coordinates
        Gives the coordinates of the pixels of all ``rows`` and ``columns`` that it is called with, m; shape
        ``(2, rows, columns)``, the fast axis first.

    Raises
    ------
    ModelError
        If the map folds the scan over.
    """
    if min(shape) >= _FEWEST:
        for count in _FIRST:
            found = _by_factors(shape, coordinates, count)
            if found is not None:
                return found
    return map_from(coordinates(np.arange(shape[0]), np.arange(shape[1])))


def map_from(coordinates: Float) -> TrueMap:
    """Make the map of a pass whose pixels are all known, shape ``(2, rows, columns)``, m.

    Raises
    ------
    ModelError
        If the map folds the scan over.
    """
    shape = coordinates.shape[1:]
    rows, columns = np.arange(shape[0]), np.arange(shape[1])
    affine = _affine(rows, columns, coordinates)
    rest = coordinates - _on(affine, rows, columns)
    return TrueMap((shape[0], shape[1]), affine, np.zeros((shape[0], 0)), np.zeros((2, 0, shape[1])), rest)


def _affine(rows: np.ndarray, columns: np.ndarray, coordinates: Float) -> Float:
    row, column = np.meshgrid(rows.astype(np.float64), columns.astype(np.float64), indexing="ij")
    design = np.stack([np.ones(row.size), row.ravel(), column.ravel()], axis=1)
    affine = np.linalg.lstsq(design, coordinates.reshape(2, -1).T, rcond=None)[0]
    (fast_by_row, slow_by_row), (fast_by_column, slow_by_column) = affine[1:]
    if not fast_by_column * slow_by_row - fast_by_row * slow_by_column > 0:
        raise ModelError("The model folds the scan over; it can't be used for this scan.")
    return np.asarray(affine)


def _on(affine: Float, rows: np.ndarray, columns: np.ndarray) -> Float:
    parts = affine[0, :, None, None] + affine[1, :, None, None] * rows[:, None] + affine[2, :, None, None] * columns
    return np.asarray(parts)


def _by_factors(shape: tuple[int, int], coordinates: Coordinates, count: int) -> TrueMap | None:
    """Try a map of factors from so many lines and columns; None if it is not close."""
    from scipy.linalg import qr

    all_rows, all_columns = np.arange(shape[0]), np.arange(shape[1])
    columns = _spread(shape[1], count)
    along = coordinates(all_rows, columns)
    affine = _affine(all_rows, columns, along)
    pixel = float(np.sqrt(abs(affine[1, 0] * affine[2, 1] - affine[1, 1] * affine[2, 0])))
    along = along - _on(affine, all_rows, columns)
    # a basis of what lines do, then the lines that tell it best
    left, size, _ = np.linalg.svd(np.concatenate([along[0], along[1]], axis=1), full_matrices=False)
    left = left[:, size > _NEGLIGIBLE * pixel * np.sqrt(shape[0])]
    if 2 * left.shape[1] > 2 * count - 2:
        return None  # not of low rank, as far as these columns tell
    pivots = qr(left.T, mode="r", pivoting=True)[1][: left.shape[1] + 2] if left.shape[1] else np.arange(2)
    rows = np.unique(np.concatenate([pivots, _spread(shape[0], 4)]))
    across = coordinates(rows, all_columns) - _on(affine, rows, all_columns)
    back = np.linalg.pinv(left[rows])
    right = np.stack([back @ across[axis] for axis in (0, 1)])
    found = TrueMap(shape, affine, np.ascontiguousarray(left), np.ascontiguousarray(right))
    random = np.random.default_rng(shape[0] * 100_003 + shape[1])
    check_rows = np.unique(np.concatenate([[0, 1, shape[0] - 1], random.integers(shape[0], size=_CHECKS)]))
    check_columns = np.unique(np.concatenate([[0, 1, shape[1] - 1], random.integers(shape[1], size=_CHECKS)]))
    sparse = np.unique(np.linspace(0, shape[1] - 1, min(shape[1], 512)).astype(int))
    if _misses(found, coordinates, check_rows, sparse) > CLOSE * pixel:
        return None
    sparse = np.unique(np.linspace(0, shape[0] - 1, min(shape[0], 512)).astype(int))
    if _misses(found, coordinates, sparse, check_columns) > CLOSE * pixel:
        return None
    return found


def _misses(found: TrueMap, coordinates: Coordinates, rows: np.ndarray, columns: np.ndarray) -> float:
    true = coordinates(rows, columns) - _on(found.affine, rows, columns)
    there = np.stack([found.left[rows] @ found.right[axis][:, columns] for axis in (0, 1)])
    return float(np.abs(true - there).max())


def _product(left: Float, right: Float, found: Float) -> None:
    """Product of narrow matrices, by parts that no library shares among threads: those wait for each other for longer.

    Threads share the lines of a grid instead, see :mod:`calib.resample_compiled`.
    """
    (rows, columns), factors = found.shape, left.shape[1]
    tall = max(1, _PART // (_WIDE * max(factors, 1)))
    count = columns // _WIDE
    whole = count * _WIDE
    blocks = right[:, :whole].reshape(factors, count, _WIDE).transpose(1, 0, 2)
    for top in range(0, rows, tall):
        part, to = left[top : top + tall], found[top : top + tall]
        np.matmul(part, blocks, out=to[:, :whole].reshape(len(to), count, _WIDE).transpose(1, 0, 2))
        np.matmul(part, right[:, whole:], out=to[:, whole:])


def _spread(length: int, count: int) -> np.ndarray:
    """Places all over a length, closer at its ends (Chebyshev)."""
    at = (1 - np.cos(np.pi * np.arange(count) / (count - 1))) / 2
    return np.unique(np.round(at * (length - 1)).astype(int))
