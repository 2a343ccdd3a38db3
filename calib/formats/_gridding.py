"""Points onto a grid: the one they lie on, or cells that gather them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import FileError
from calib.formats import MAX_POINTS

Array = NDArray[Any]

_OFF = 0.02  # of a step: how far from its line of the grid a point may lie and still be on it
_FILLED = 0.5  # part of the grid's places that must hold a point


@dataclass(frozen=True)
class Gridded:
    """Points on a grid.

    Attributes
    ----------
    fast, slow
        Coordinates of the grid's lines, as the points give them.
    images
        Shape ``(slow, fast)`` each: all passes of the first channel, then of the next; NaN where no point lies.
    binned
        How points were gathered in cells, in words; empty if they lay on a grid.
    """

    fast: Array
    slow: Array
    images: list[Array]
    binned: str = ""


def grid(lists: Sequence[tuple[Array, Array, Array]], cell: tuple[float, float] | None = None) -> Gridded:
    """Put points onto a grid.

    Parameters
    ----------
    lists
        For each pass x and y of shape ``(points,)``, and values of shape ``(channels, points)``.
    cell
        Width and height of the cells for points that lie on no grid; if None, of a square that holds one of them on
        average.

    Raises
    ------
    FileError
        If points have no coordinates, or are too few for an area.
    """
    x, y = (np.concatenate([one[axis] for one in lists]) if len(lists) > 1 else lists[0][axis] for axis in (0, 1))
    if not np.isfinite(x).all() or not np.isfinite(y).all():
        raise FileError("some of its points have no x or no y.")
    fast, slow = _product(x, y, len(lists)) or (_lines(x), _lines(y))
    if fast is not None and slow is not None:
        size = fast.size * slow.size
        if size <= MAX_POINTS and size * len(lists) * _FILLED <= x.size:
            found = [_places(one[0], one[1], fast, slow) for one in lists]
            places = [place for place in found if place is not None]
            if len(places) == len(lists):
                return _finished(lists, fast, slow, places, "")
    return _gathered(lists, x, y, cell)


def _product(x: Array, y: Array, passes: int) -> tuple[Array, Array] | None:
    """Return the lines of a grid, even or not, on whose every place there is a point."""
    fast, slow = np.unique(x), np.unique(y)
    return (fast, slow) if fast.size * slow.size * passes == x.size else None


def _lines(values: Array) -> Array | None:
    """Return the coordinates of the grid's lines along one axis; None if the values lie on none."""
    order = np.unique(values)
    if order.size == 1:
        return order
    gaps = np.diff(order)
    widest = float(gaps.max())
    # Values of one line differ by rounding or noise, those of two by a step.
    new = gaps > 5 * _OFF * widest if order.size < 2**15 else gaps > 1e-9 * (order[-1] - order[0])
    groups = np.concatenate([[0], np.cumsum(new)])
    count = int(groups[-1]) + 1
    if count == 1 or count > 2**15:
        return None
    first = np.concatenate([[0], np.flatnonzero(new) + 1])
    last = np.concatenate([first[1:], [order.size]]) - 1
    centres: Array = order[first] if order.size == count else (order[first] + order[last]) / 2
    steps = np.diff(centres)
    step = float(np.median(steps))
    if np.any(order[last] - order[first] > 2 * _OFF * step):
        return None
    whole = np.round(steps / step)
    if np.all(whole == 1) or np.any(np.abs(steps / step - whole) > _OFF) or whole.min() < 1:
        return centres
    # lines that no point lies on
    index = np.concatenate([[0], np.cumsum(whole)]).astype(int)
    if index[-1] >= 2**15:
        return None
    return np.interp(np.arange(index[-1] + 1), index, centres)


def _places(x: Array, y: Array, fast: Array, slow: Array) -> Array | None:
    """Return which place of the grid each point takes; None if two take the same."""
    place = _nearest(slow, y) * fast.size + _nearest(fast, x)
    taken = np.zeros(fast.size * slow.size, dtype=bool)
    taken[place] = True
    return place if int(np.count_nonzero(taken)) == place.size else None


def _nearest(lines: Array, values: Array) -> Array:
    if lines.size == 1:
        return np.zeros(values.size, dtype=np.int64)
    return np.searchsorted((lines[1:] + lines[:-1]) / 2, values)


def _gathered(
    lists: Sequence[tuple[Array, Array, Array]], x: Array, y: Array, cell: tuple[float, float] | None
) -> Gridded:
    (left, right), (low, high) = (x.min(), x.max()), (y.min(), y.max())
    width, length = float(right - left), float(high - low)
    if cell is None:
        if width <= 0 or length <= 0 or x.size < 4 * len(lists):
            raise FileError("its points lie on no grid and on no area: there are too few of them for an image.")
        # n points on an area from centre to centre
        edge = math.sqrt(width * length / x.size * len(lists))
        cell = (edge, edge)
    counts = [round(size / step) + 1 for size, step in zip((width, length), cell, strict=True)]
    if counts[0] * counts[1] > min(MAX_POINTS, 64 * x.size + 64):
        raise FileError("pixel_size is much smaller than the distance of its points: give a larger one.")
    fast = left + width / 2 + cell[0] * (np.arange(counts[0]) - (counts[0] - 1) / 2)
    slow = low + length / 2 + cell[1] * (np.arange(counts[1]) - (counts[1] - 1) / 2)
    places = [_nearest(slow, one[1]) * fast.size + _nearest(fast, one[0]) for one in lists]
    empty = 1 - np.unique(places[0]).size / (counts[0] * counts[1])
    words = (
        f"{x.size} points that lie on no grid were gathered in {counts[0]} x {counts[1]} cells; "
        f"{empty:.1%} of the cells are empty"
    )
    return _finished(lists, fast, slow, places, words)


def _finished(
    lists: Sequence[tuple[Array, Array, Array]], fast: Array, slow: Array, places: Sequence[Array], binned: str
) -> Gridded:
    size = fast.size * slow.size
    images = []
    for channel in range(lists[0][2].shape[0]):
        for (_, _, values), place in zip(lists, places, strict=True):
            one = values[channel]
            if not binned:
                image = np.full(size, np.nan)
                image[place] = one
            else:
                known = np.isfinite(one)
                count = np.bincount(place[known], minlength=size)
                total = np.bincount(place[known], weights=one[known], minlength=size)
                with np.errstate(invalid="ignore", divide="ignore"):
                    image = total / count
            images.append(image.reshape(slow.size, fast.size))
    return Gridded(fast, slow, images, binned)
