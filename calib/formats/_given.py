"""From bare images to a scan, with what is said of them by options or by a TOML file beside them.

Options, keys of the file beside, and keys of a plan are the same, and so are their values: quantities are texts with
units. Every format whose files may leave something out uses this.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib import units
from calib.errors import FileError
from calib.formats._beside import beside, naming, read_settings
from calib.formats._fields import FIELDS, from_toml, to_toml
from calib.formats._meaning import channels_of, passes_of, units_of
from calib.formats._settings import coordinates, one_of, text_of
from calib.scan import Scan

__all__ = [
    "IMAGE_OPTIONS",
    "SAID",
    "SIZE_OPTIONS",
    "Image",
    "beside",
    "choose",
    "image_of",
    "make_scan",
    "naming",
    "one_of",
    "over",
    "read_settings",
    "text_of",
    "to_settings",
]

Array = NDArray[Any]

SIZE_OPTIONS = ("pixel_size", "range", "range_counts", "fast", "slow")
IMAGE_OPTIONS = (
    *SIZE_OPTIONS,
    "unit",
    "offset",
    "passes",
    "channels",
    "retrace",
    "retrace_reversed",
    "first_row",
    "first_column",
    "no_data",
)
"""What can be said of images in any file."""

SAID = (*FIELDS, "attributes")
"""What can be said of how a scan was taken."""

_EXACT = 1e-9  # of a pixel: what coordinates may differ from even steps and still be written as such


@dataclass(frozen=True)
class Image:
    """An image as it stands in a file: ``load`` reads its numbers, shape ``(rows, columns)``, when they are wanted."""

    shape: tuple[int, int]
    load: Callable[[], Array]


def image_of(values: Array) -> Image:
    """Return an image that has been read already, shape ``(rows, columns)``."""
    return Image((values.shape[0], values.shape[1]), lambda: values)


def make_scan(
    images: Sequence[Image],
    settings: Mapping[str, Any],
    channel: str | None,
    path: Path,
    *,
    first_row: str = "bottom",
    noun: tuple[str, str] = ("image", "images"),
) -> Scan:
    """Make a scan of images.

    Parameters
    ----------
    images
        In the order of the file; where there are both channels and passes, all passes of the first channel come first.
    settings
        What is said of them, see `read_settings`.
    channel
        The channel that is observed; what the numbers are, if nothing says so.
    path
        The file, to name the TOML file beside it.
    first_row
        Where the first row lies if nothing says so.
    noun
        What the file's images are called, one and several.

    Raises
    ------
    FileError
        If size, unit or the meaning of the images is not known, or contradicts the file.
    """
    names = channels_of(settings, channel)
    passes = passes_of(settings, len(images), names, noun)
    rows, columns = images[0].shape
    if any(image.shape != (rows, columns) for image in images):
        shapes = " and ".join(f"{image.shape[0]} x {image.shape[1]}" for image in images[:4])
        raise FileError(f"its {'passes' if len(names) == 1 else noun[1]} differ in size: {shapes} numbers.")
    lacking: list[str] = []
    scales = units_of(settings, names, lacking)
    size = coordinates(settings, (columns, rows), lacking)
    if lacking or size is None:
        advice = f", as an option (on the command line by --set) or in {beside(path).name} beside it"
        raise FileError("; ".join(lacking) + advice + ".")
    upside_down = one_of(settings, "first_row", ("bottom", "top"), first_row) == "top"
    mirrored = one_of(settings, "first_column", ("left", "right"), "left") == "right"
    turned = settings.get("retrace_reversed", False)
    if turned not in (True, False):
        raise FileError("retrace_reversed must be true or false.")
    missing, data = _no_data(settings), {}
    for number, (name, (factor, shift, _)) in enumerate(zip(names, scales, strict=True)):
        own = images[number * len(passes) : (number + 1) * len(passes)]
        values = _values([image.load for image in own], (rows, columns), missing)
        if factor != 1 or shift:
            values = values if values.dtype == np.float64 else values.astype(np.float64)
            try:
                with np.errstate(over="raise"):
                    values *= factor
                    values += shift
            except FloatingPointError:
                raise FileError(
                    f"its numbers of {name!r}, in the unit that they are said to have, are too large."
                ) from None
        if turned and "retrace" in passes:
            back = values[passes.index("retrace")]
            back[:] = back[:, ::-1].copy()
        values = values[:, :: -1 if upside_down else 1, :: -1 if mirrored else 1]
        values.flags.writeable = False
        data[name] = values
    return Scan(
        channels=data,
        fast=size[0],
        slow=size[1],
        passes=passes,
        channel=channel or (text_of(settings, "channel") or "" if len(names) > 1 else ""),
        units={name: unit for name, (_, _, unit) in zip(names, scales, strict=True)},
        **from_toml(settings),
    )


def choose(given: Any, count: int, key: str) -> list[int]:
    """Return the numbers of the images that are wanted, the first is 1; empty if nothing is said."""
    numbers = [] if given is None else list(given) if isinstance(given, (list, tuple)) else [given]
    if any(isinstance(number, bool) or not isinstance(number, int) for number in numbers):
        raise FileError(f"{key} must be a list of numbers, where 1 is the first, not {given!r}.")
    if any(not 1 <= number <= count for number in numbers) or len(set(numbers)) != len(numbers):
        raise FileError(f"{key} must be different numbers between 1 and {count}, not {given!r}.")
    return numbers


def over(by_file: Mapping[str, Any], settings: Mapping[str, Any], whole: bool) -> dict[str, Any]:
    """Return what is said by hand, and whatever else the file itself says.

    ``whole`` tells whether all its images are meant, so that their names fit.
    """
    kept = dict(by_file)
    if not whole or "channels" in settings or "passes" in settings:
        units_of = kept.get("unit")
        if isinstance(units_of, (list, tuple)) and len(set(units_of)) == 1:
            kept["unit"] = units_of[0]
        elif isinstance(units_of, (list, tuple)):
            del kept["unit"]
        kept.pop("channels", None)
        kept.pop("passes", None)
    if any(settings.get(key) is not None for key in SIZE_OPTIONS):
        for key in SIZE_OPTIONS:
            kept.pop(key, None)
    return {**kept, **settings}


def to_settings(scan: Scan, channels: Sequence[str]) -> dict[str, Any]:
    """Return what makes the same scan again of the images of some of its channels, the lowest row first."""
    stored = [scan.units[name] for name in channels]
    one = len(channels) == 1
    table: dict[str, Any] = {"channel": channels[0] if one else scan.channel}
    if not one:
        table["channels"] = list(channels)
    table["unit"] = (stored[0] or None) if one else stored
    table |= {"passes": list(scan.passes), "first_row": "bottom"}
    return table | _size(scan) | to_toml(scan)


def _size(scan: Scan) -> dict[str, list[str]]:
    steps = scan.spacing
    for axis, step in zip((scan.fast, scan.slow), steps, strict=True):
        even = (np.arange(axis.size) - (axis.size - 1) / 2) * step
        if axis.size < 2 or np.abs(axis - even).max() > _EXACT * step:
            return {
                name: [units.exact(float(value)) for value in values]
                for name, values in (("fast", scan.fast), ("slow", scan.slow))
            }
    return {"pixel_size": [units.exact(step) for step in steps]}


# --- numbers -------------------------------------------------------------------------------------


def _values(loads: Sequence[Callable[[], Array]], shape: tuple[int, int], missing: Sequence[float]) -> Array:
    """Return float32 or float64 of shape (passes, rows, columns), without a second copy of large images."""
    out: Array | None = None
    for index, load in enumerate(loads):
        stored = load()
        # What the file holds is compared, before it becomes something else.
        gaps = np.zeros(stored.shape, dtype=bool)
        for number in missing:
            gaps |= stored == number
        if stored.dtype.kind == "f":
            gaps |= ~np.isfinite(stored)
        kept = np.float32 if stored.dtype.kind == "f" and stored.dtype.itemsize == 4 else np.float64
        if len(loads) == 1:
            fits = (
                stored.dtype == kept and stored.dtype.isnative and stored.flags.writeable and stored.flags.c_contiguous
            )
            out = (stored if fits else stored.astype(kept)).reshape(1, *shape)
        else:
            if out is None:
                out = np.empty((len(loads), *shape), dtype=kept)
            out[index] = stored
        del stored
        if gaps.any():
            out[index][gaps] = np.nan
    assert out is not None
    return out


def _no_data(settings: Mapping[str, Any]) -> list[float]:
    given = settings.get("no_data")
    values = [] if given is None else list(given) if isinstance(given, (list, tuple)) else [given]
    if any(isinstance(value, bool) or not isinstance(value, (int, float)) for value in values):
        raise FileError(f"no_data must be a number or a list of numbers, not {given!r}.")
    return values
