"""What the two ISO forms of surface files have in common: stored numbers, and a place for text of one's own.

Neither has fields for how a scan was taken. That goes into their text as lines such as ``calib_line_period = "0.5 s"``:
the keys and values of the TOML file beside other formats. Whoever doesn't know them still reads the rest.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib import units
from calib.errors import CalibError, FileError, ScanError
from calib.files import parse_toml
from calib.formats._fields import from_toml, to_toml
from calib.formats._given import IMAGE_OPTIONS, SAID, SIZE_OPTIONS, Image, make_scan
from calib.formats._toml import dumps
from calib.scan import PASSES, Scan

Array = NDArray[Any]

READ_OPTIONS = (*IMAGE_OPTIONS, *SAID)
ABOUT_THE_FILE = ("wrong_checksum", "frame_tilt")
"""Attributes that warn of what the file says itself: lines of ours don't hide them."""

WRITE_OPTIONS = ("channel", "passes", "data_type", "unit", "storage")
DATA_TYPES = {"int8": "<i1", "int16": "<i2", "int32": "<i4", "float32": "<f4", "float64": "<f8"}

BLOCK = 2**18  # points that are converted at a time
_PREFIX = "calib_"
_OWN = ("channel", "passes", "fast", "slow", *SAID)
_OWN_LINE = re.compile(rf"{_PREFIX}((?:{'|'.join(_OWN)}) = .*)")
_QUOTED = re.compile(r'"(?:[^"\\]|\\.)*+"')
_POINTED = re.compile(r"(?<![0-9])\.|\.(?![0-9])|\.[0-9]+\.|'")
_CENTRED = 1e-9  # of a pixel: what coordinates may differ from even ones about zero without being listed
EVEN = 1e-3  # of a pixel: what they may differ from even steps, listed for us, and be even for all others
_LARGEST_TEXT = 2**20  # bytes
_LONGEST_NUMBER = 400
_REAL = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?")


@dataclass(frozen=True)
class Surface:
    """What a file of either form holds.

    Attributes
    ----------
    images
        Numbers as they are stored, NaN where there is none, the lowest row first.
    scale, offset
        They make heights in m of the numbers: offset + scale · number.
    fast, slow
        Coordinates of columns and rows, m, increasing; None where the file has no usable step.
    text
        Text in the words of whoever wrote the file.
    fields
        Fields of `Scan` that the file states.
    attributes
        What else it states.
    """

    images: Sequence[Image]
    scale: float
    offset: float
    fast: Array | None
    slow: Array | None
    text: str
    fields: Mapping[str, Any] = field(default_factory=dict)
    attributes: Mapping[str, Any] = field(default_factory=dict)


def to_scan(
    surface: Surface,
    settings: Mapping[str, Any],
    channel: str | None,
    path: Path,
    *,
    chosen: Sequence[int] = (),
    noun: tuple[str, str] = ("image", "images"),
) -> Scan:
    """Make a scan of what a file holds and what is said of it; ``chosen`` are the images that are meant, from 1."""
    own = _from_lines(surface.text)
    images, passes = surface.images, own.get("passes")
    if chosen:
        passes = [passes[number - 1] for number in chosen] if passes and len(passes) == len(images) else None
        images = [images[number - 1] for number in chosen]
    found: dict[str, Any] = {"unit": units.exact(surface.scale)}
    if surface.offset:
        found["offset"] = units.exact(surface.offset)
    if "unit" in settings:  # the numbers are then not what the file says that they are
        found.pop("offset", None)
    if surface.fast is not None and surface.slow is not None and not settings.keys() & set(SIZE_OPTIONS):
        found |= {"fast": _listed(own, "fast", surface.fast), "slow": _listed(own, "slow", surface.slow)}
    said = {key: own[key] for key in own if key not in ("fast", "slow")} if own else dict(surface.fields)
    attributes = dict(own.get("attributes", {}) if own else surface.attributes)
    attributes |= {key: surface.attributes[key] for key in ABOUT_THE_FILE if key in surface.attributes}
    merged = {**found, **said, "passes": passes, **settings}
    if isinstance(settings.get("attributes", {}), Mapping):
        merged["attributes"] = {**attributes, **settings.get("attributes", {})}
    return make_scan(images, merged, channel, path, noun=noun)


def _listed(own: Mapping[str, Any], key: str, coordinates: Array) -> Array:
    """Return the coordinates that our lines list, if they still are those of the grid."""
    texts = own.get(key)
    if isinstance(texts, list) and len(texts) == coordinates.size:
        try:
            listed = np.array([units.parse(text, "length", key, error=FileError) for text in texts])
        except CalibError:
            return coordinates
        step = _step(coordinates)
        if np.abs((listed - listed[0]) - (coordinates - coordinates[0])).max() <= 2 * EVEN * abs(step):
            return listed
    return coordinates


# --- text of our own -----------------------------------------------------------------------------


def to_lines(scan: Scan, name: str, passes: Sequence[str], held: Sequence[bool] = (False, False)) -> str:
    """Return how a scan was taken, one key a line, in 7-bit ASCII without asterisks.

    ``held`` tells whether the file itself holds each coordinate along fast and slow.
    """
    table: dict[str, Any] = {"channel": name, "passes": list(passes)}
    for key, axis, known in zip(("fast", "slow"), (scan.fast, scan.slow), held, strict=True):
        if not known and np.abs(axis - centred(axis.size, _step(axis))).max() > _CENTRED * _step(axis):
            table[key] = [units.exact(float(value)) for value in axis]
    table |= to_toml(scan)
    text = dumps({_PREFIX + key: value for key, value in table.items()})
    return re.sub(r"[^\n\x20-\x7e]|\*", _escaped, text)


def _escaped(match: re.Match[str]) -> str:
    code = ord(match[0])
    return f"\\u{code:04x}" if code < 2**16 else f"\\U{code:08x}"


def has_lines(text: str) -> bool:
    """Whether a text has lines of ours."""
    return bool(_from_lines(text))


def _from_lines(text: str) -> dict[str, Any]:
    if len(text) > _LARGEST_TEXT:
        return {}
    matches = [_OWN_LINE.fullmatch(line.strip()) for line in text.splitlines()]
    ours = "\n".join(match[1] for match in matches if match)
    # Keys with points, which we never write, can keep the reader of TOML busy for hours.
    if not ours or _POINTED.search(_QUOTED.sub("", ours)):
        return {}
    try:
        table = {key: value for key, value in parse_toml(ours.encode(), "the text").items() if key in _OWN}
        point = np.zeros(1)
        Scan(channels={"": point.reshape(1, 1, 1)}, fast=point, slow=point, **from_toml(table))
    except (ValueError, OverflowError, RecursionError):
        # Others may have changed them: what the form itself holds must still be readable.
        return {}
    if not isinstance(table.get("channel", ""), str):
        return {}
    passes = table.get("passes", [])
    return table if isinstance(passes, list) and all(name in PASSES for name in passes) else {}


def short_text(data: bytes) -> str:
    """Return free text of a file as far as it can be kept."""
    return data[:_LARGEST_TEXT].decode("utf-8", "replace").replace("\0", "")


def is_real(text: str) -> bool:
    """Whether a text is a decimal number, as any computer reads it."""
    # The length first, since the pattern takes its time over long rows of digits.
    return len(text) <= _LONGEST_NUMBER and bool(_REAL.fullmatch(text))


# --- coordinates ---------------------------------------------------------------------------------


def centred(count: int, step: float) -> Array:
    """Return even coordinates about zero."""
    coordinates: Array = (np.arange(count) - (count - 1) / 2) * np.float64(step)
    return coordinates


def is_even(axis: Array) -> bool:
    """Whether steps are even enough to be written as such."""
    step = _step(axis)
    return bool(np.abs((axis - axis[0]) - np.arange(axis.size) * step).max() <= EVEN * step)


def _step(axis: Array) -> float:
    return float(axis[-1] - axis[0]) / (axis.size - 1) if axis.size > 1 else 0.0


# --- numbers to be stored ------------------------------------------------------------------------


@dataclass(frozen=True)
class Stored:
    """The numbers of one channel as they are to be stored: number = (height − offset) / scale.

    Attributes
    ----------
    layers
        Heights in m, each of shape ``(rows, columns)``.
    dtype
        Little-endian type of the numbers.
    """

    layers: Sequence[Array]
    dtype: np.dtype[Any]
    scale: float
    offset: float

    def blocks(self, gap: float) -> Iterator[tuple[Array, Array]]:
        """Yield numbers of some rows, with ``gap`` where there is none, and where that is."""
        whole = self.dtype.kind == "i"
        for layer in self.layers:
            rows = max(1, BLOCK // layer.shape[1])
            for start in range(0, layer.shape[0], rows):
                values = layer[start : start + rows]
                valid = np.isfinite(values)
                if whole or self.scale != 1 or self.offset:
                    values = (values.astype(np.float64) - self.offset) / self.scale
                values = np.where(valid, np.rint(values) if whole else values, 0)
                info: Any = np.iinfo(self.dtype) if whole else np.finfo(self.dtype)
                if values.size and max(values.max(), -values.min()) > float(info.max):
                    raise ScanError(
                        f"The heights need numbers larger than {self.dtype.name} holds: "
                        "choose a larger unit or another data_type."
                    )
                # The least number of a type stands for no data, and is never a height.
                if not whole and (values == info.min).any():
                    raise ScanError("A height is the number that stands for no data: leave it out.")
                numbers = values.astype(self.dtype)
                numbers[~valid] = gap
                yield numbers, valid


def to_be_stored(
    scan: Scan, form: str, *, channel: str | None, data_type: str | None, unit: str | None, passes: Any, offset: bool
) -> tuple[Stored, Scan, tuple[str, ...]]:
    """Choose channel, passes, type and scale.

    Returns
    -------
    Stored, Scan, passes
        The numbers, the scan with the channel observed, and the names of its passes that are meant.

    Raises
    ------
    ScanError
        If it is not clear what is meant, or the form can't hold it.
    """
    if channel is None and len(scan.channels) > 1 and not scan.has_height:
        names = ", ".join(map(repr, scan.channels))
        raise ScanError(f"{form} holds one channel, and the scan has {names}: say which by channel.")
    name = channel or ("height" if scan.has_height else scan.channel)
    scan = scan.with_channel(name)
    if scan.units[name] != "m":
        raise ScanError(f"{form} holds heights in m, and the channel {name!r} is none: write a .nc or .txt file.")
    chosen = scan.passes if passes is None else (passes,) if isinstance(passes, str) else tuple(passes)
    for one in chosen:
        if one not in scan.passes:
            raise ScanError(f"The scan has no pass {one!r}, only {' and '.join(scan.passes)}.")
    layers = [scan.values[scan.passes.index(one)] for one in chosen]
    kind = data_type or ("float32" if form != "An SDF file" and scan.values.dtype == np.float32 else "float64")
    if kind not in DATA_TYPES:
        raise ScanError(f"data_type must be {', '.join(DATA_TYPES)}, not {kind!r}.")
    dtype = np.dtype(DATA_TYPES[kind])
    scale, shift = _scale(layers, dtype, unit, offset)
    return Stored(layers, dtype, scale, shift), scan, chosen


def _scale(layers: Sequence[Array], dtype: np.dtype[Any], unit: str | None, offset: bool) -> tuple[float, float]:
    if unit is not None:
        if not isinstance(unit, str):
            raise ScanError(f'unit must be a text such as "nm" or "0.05 nm", not {unit!r}.')
        counts = unit.lstrip()[:1].isdigit()
        scale = units.parse(unit, "length", "unit") if counts else units.factor_of(unit, "length", "unit")
        if scale <= 0:
            raise ScanError("unit must be more than zero.")
        return scale, 0.0
    if dtype.kind == "f":
        return 1.0, 0.0
    low, high = _extremes(layers)
    middle = (low + high) / 2 if offset else 0.0
    largest = max(high - middle, middle - low)
    scale = largest / float(np.iinfo(dtype).max)
    return (scale, middle) if scale > 0 and np.isfinite(1 / scale) else (1.0, middle)


def _extremes(layers: Sequence[Array]) -> tuple[float, float]:
    found = [
        (float(values.min()), float(values.max()))
        for layer in layers
        for row in layer
        if (values := row[np.isfinite(row)]).size
    ]
    return (min(low for low, _ in found), max(high for _, high in found)) if found else (0.0, 0.0)


def with_gaps(stored: Array, missing: Array) -> Array:
    """Return stored numbers as float32 or float64, NaN where they are missing."""
    kept = np.float32 if stored.dtype.kind == "f" and stored.dtype.itemsize == 4 else np.float64
    values = stored.astype(kept, copy=False)
    if missing.any():
        values = values if values.flags.writeable else values.copy()
        values[missing] = np.nan
    return values


def moment(scan: Scan) -> datetime | None:
    """Return when a scan began, or when its file was made."""
    if scan.started is not None:
        return scan.started
    try:
        return datetime.fromisoformat(str(scan.attributes.get("created", "")))
    except ValueError:
        return None
