"""From arrays with names (HDF5, NumPy) to images and coordinates, by the paths that options give."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib import units
from calib.errors import FileError
from calib.formats import MAX_POINTS
from calib.formats._given import IMAGE_OPTIONS, SAID, SIZE_OPTIONS, Image, choose
from calib.formats._settings import text_of

STACK_OPTIONS = (*IMAGE_OPTIONS, "dataset", "pages", "fast_from", "slow_from", "lateral_unit", *SAID)
"""What can be said of files of named arrays."""

_LONGEST = 2**20  # coordinates along an axis


@dataclass(frozen=True)
class Stored:
    """An array of a file.

    Attributes
    ----------
    shape, dtype
        As declared.
    load
        Reads a part of it: an index of whole images, or None for all.
    unit
        What the file says of its unit; empty if nothing.
    axes
        Paths of the coordinates of the last two dimensions (slow, fast), if the file names them.
    """

    shape: tuple[int, ...]
    dtype: np.dtype[Any]
    load: Callable[[int | tuple[int, ...] | None], NDArray[Any]]
    unit: str = ""
    axes: tuple[str, str] = ("", "")


def images_of(
    find: Callable[[str], Stored], listing: Sequence[tuple[str, Stored]], settings: dict[str, Any]
) -> tuple[list[Image], dict[str, Any]]:
    """Return the images that are meant, and what is said of them.

    Parameters
    ----------
    find
        Gives the array of a path, or raises.
    listing
        Arrays that may be images, to choose from and for the message.
    settings
        Options, and keys of the file beside. Coordinates that they name are read.

    Raises
    ------
    FileError
        If it is not clear which are meant, or they are no images.
    """
    given = settings.pop("dataset", None)
    names = [given] if isinstance(given, str) else given
    if names is None:
        if not listing:
            raise FileError("There is no scan in it: no variable has the dimensions slow and fast, or two others.")
        if len(listing) != 1:
            shown = ", ".join(f"{name} ({' x '.join(map(str, one.shape))})" for name, one in listing[:8])
            many = " and others" if len(listing) > 8 else ""
            raise FileError(
                f'which of its arrays shows the scan is not known: it has {shown}{many}; say dataset = "...".'
            )
        names = [listing[0][0]]
    if not isinstance(names, (list, tuple)) or not names or not all(isinstance(name, str) and name for name in names):
        raise FileError(f"dataset must be a path, or a list of paths, not {given!r}.")
    arrays = [(name, find(name)) for name in names]
    images: list[Image] = []
    points = 0
    for name, array in arrays:
        points += _check(name, array)
        leading = array.shape[:-2]
        shape = (int(array.shape[-2]), int(array.shape[-1]))
        for index in np.ndindex(*leading):
            images.append(Image(shape, lambda array=array, index=index: array.load(index or None)))  # type: ignore[misc]
    if points > MAX_POINTS:
        raise FileError(f"it declares more than {MAX_POINTS} points, which no scan needs.")
    chosen = choose(settings.pop("pages", None), len(images), "pages")
    if chosen:
        images = [images[number - 1] for number in chosen]
    first = arrays[0][1]
    if len(arrays) == 1 and first.unit and "unit" not in settings:
        settings["unit"] = first.unit
    return images, _with_axes(find, settings, first, images[0].shape)


def _check(name: str, array: Stored) -> int:
    if array.dtype.kind not in "fiu" or array.dtype.itemsize > 8:
        raise FileError(f"{name} holds no numbers that heights could be, but {array.dtype}.")
    if not 2 <= len(array.shape) <= 4 or min(array.shape) < 1:
        raise FileError(f"{name} is no image: its shape is {' x '.join(map(str, array.shape)) or 'a single number'}.")
    points = 1
    for length in array.shape:
        points *= int(length)
    if points // (int(array.shape[-1]) * int(array.shape[-2])) > 256:
        raise FileError(f"{name} holds more than 256 images: its last two dimensions must be rows and columns.")
    if points > MAX_POINTS:
        raise FileError(f"{name} declares more than {MAX_POINTS} points, which no scan needs.")
    return points


def _with_axes(
    find: Callable[[str], Stored], settings: dict[str, Any], first: Stored, shape: tuple[int, int]
) -> dict[str, Any]:
    """Read the coordinates, or the distance of pixels, that options or the file itself name."""
    by_hand = any(settings.get(key) is not None for key in SIZE_OPTIONS)
    steps: dict[str, float] = {}
    lateral = text_of(settings, "lateral_unit")
    for axis, count, own in zip(("slow", "fast"), shape, first.axes, strict=True):
        path = text_of(settings, f"{axis}_from")
        if path is None and (by_hand or not own):
            continue
        values, factor = _lengths(path or own, find(path or own), lateral, required=path is not None)
        if factor is None:
            continue
        if values.size == 1 and count != 1:
            steps[axis] = abs(float(values[0])) * factor
        elif values.size != count:
            raise FileError(f"{path or own} has {values.size} numbers, where the image has {count} along {axis}.")
        else:
            settings[axis] = values * factor
    for axis in steps:
        count = shape[1 if axis == "fast" else 0]
        settings[axis] = steps[axis] * (np.arange(count) - (count - 1) / 2)
    for name in ("fast_from", "slow_from", "lateral_unit"):
        settings.pop(name, None)
    return _ordered(settings)


def _ordered(settings: dict[str, Any]) -> dict[str, Any]:
    """Centre the coordinates, and turn round those that decrease, with the images."""
    for axis, flip, words in (("fast", "first_column", ("left", "right")), ("slow", "first_row", ("bottom", "top"))):
        values = settings.get(axis)
        if isinstance(values, np.ndarray):
            if values.size > 1 and values[0] > values[-1]:
                values = values[::-1]
                settings.setdefault(flip, words[1])
            settings[axis] = values - (values[0] + values[-1]) / 2
    return settings


def _lengths(
    path: str, array: Stored, lateral: str | None, *, required: bool
) -> tuple[NDArray[np.float64], float | None]:
    if array.dtype.kind not in "fiu" or len(array.shape) > 1 or sum(array.shape) > _LONGEST:
        raise FileError(f"{path} is no list of coordinates.")
    values = np.asarray(array.load(None), dtype=np.float64).reshape(-1)
    if not values.size or not np.all(np.isfinite(values)):
        raise FileError(f"{path} holds something that is no coordinate.")
    if lateral is not None:
        return values, units.factor_of(lateral, "length", "lateral_unit", error=FileError)
    if array.unit and units.is_length(array.unit):
        return values, units.factor_of(array.unit, "length", path, error=FileError)
    if required:
        raise FileError(f'the unit of {path} is not known: give lateral_unit = "µm".')
    return values, None
