"""How a frame is recorded that is corrected meanwhile: what stands in the TOML file of ``calib correct --follow``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import Any

import numpy as np

from calib.errors import CalibError, FileError, ScanError
from calib.files import read_toml, unknown_key
from calib.formats._fields import FIELDS, from_toml
from calib.formats._given import SIZE_OPTIONS
from calib.formats._meaning import channels_of, units_of
from calib.formats._settings import coordinates
from calib.scan import Scan
from calib.scanner.effect import Float

_OWN = ("points", "passes", "channel", "channels", "unit", "first", "lines_per_file", "order", "attributes")
_COUNTS = (("first", 1, 0), ("lines_per_file", 1, 1))


@dataclass(frozen=True)
class Recording:
    """How a frame is recorded, and how its files are to be read.

    Attributes
    ----------
    frame
        The frame, without values.
    factors
        What one unit of the files is in the unit of each channel (m for heights).
    first
        Number of the first file.
    lines_per_file
        How many lines a file holds at most.
    by_time
        Whether bare values are given in the order of time, not of place.
    said
        What formats that leave something out are told: size of a pixel, unit.
    """

    frame: Scan
    factors: Mapping[str, float]
    first: int
    lines_per_file: int
    by_time: bool
    said: Mapping[str, Any]

    @property
    def turns(self) -> int:
        """How many lines of all passes there are."""
        return self.frame.shape[0] * self.frame.shape[1]

    @property
    def passes(self) -> tuple[str, ...]:
        """In the order of time."""
        return tuple(name for name in ("trace", "retrace") if name in self.frame.passes)

    @property
    def channels(self) -> tuple[str, ...]:
        """As they are told one after the other where nothing names them."""
        return tuple(self.factors)

    def place(self, number: int, passed: str | None, channel: str | None) -> tuple[str, int, str]:
        """Return pass, row and channel of what comes as this one in the order of time.

        Parameters
        ----------
        number
            Counts lines; of all passes if `passed` is None, and in each of all channels if `channel` is.

        Raises
        ------
        ScanError
            If there is no such line.
        """
        if channel is None:
            number, k = divmod(number, len(self.channels))
            channel = self.channels[k]
        if passed is None:
            number, k = divmod(number, len(self.passes))
            passed = self.passes[k]
        rows = self.frame.shape[1]
        if not 0 <= number < rows:
            raise ScanError(f"there are {rows} lines in the frame, and this would be line {number + 1} of a pass.")
        return passed, rows - 1 - number if self.frame.frame == "down" else number, channel

    def checked(self, values: Float) -> Float:
        """Return the values of a line if they are as many as its points.

        Raises
        ------
        ScanError
            If not.
        """
        if values.size != self.frame.shape[2]:
            raise ScanError(f"a line has {values.size} values, and the frame {self.frame.shape[2]} points.")
        return values

    def bare(self, values: Float, passed: str, row: int, channel: str) -> Float:
        """Return the values of a line by increasing fast coordinate, in the unit of the channel."""
        turn = self.frame.shape[1] - 1 - row if self.frame.frame == "down" else row
        backwards = turn % 2 == 1 if self.frame.pattern == "serpentine" else passed == "retrace"
        values = self.checked(values)
        return np.asarray((values[::-1] if self.by_time and backwards else values) * self.factors[channel])


def read_recording(path: str | FilePath) -> Recording:
    """Read the TOML file that says how a frame is recorded.

    Raises
    ------
    FileError
        If it is broken, or leaves something out.
    """
    table, digest = read_toml(path)
    known = (*_OWN, *SIZE_OPTIONS, *FIELDS)
    try:
        for key in table:
            if key not in known:
                raise FileError(f"there is no key {key!r}: {unknown_key(key, known)}")
        return _recording(table, FilePath(path), digest)
    except CalibError as error:
        raise FileError(f"{path}: {error}") from None


def _recording(table: Mapping[str, Any], path: FilePath, digest: str) -> Recording:
    points = table.get("points")
    if not isinstance(points, list) or len(points) != 2 or not all(type(n) is int and 2 <= n <= 2**16 for n in points):
        raise FileError("say how many points a line has and how many lines there are, such as points = [512, 512].")
    lacking: list[str] = []
    size = coordinates(table, (points[0], points[1]), lacking)
    channels = channels_of(table, None)
    units = units_of({"unit": table.get("unit")}, channels, lacking)
    if lacking or size is None:
        raise FileError(f"{lacking[0]}.")
    if table.get("frame") is None:
        raise FileError('say which way the frame runs: frame = "up" or "down".')
    passes = table.get("passes", ["trace"])
    passes = [passes] if isinstance(passes, str) else passes
    if not isinstance(passes, list):
        raise FileError(f'passes is a list such as ["trace", "retrace"], not {passes!r}.')
    nothing = np.broadcast_to(np.float64(np.nan), (len(passes), points[1], points[0]))
    fields = from_toml(table)
    attributes = {**fields.pop("attributes", {}), "frame_sha256": digest}
    frame = Scan(
        channels=dict.fromkeys(channels, nothing),
        units={name: unit for name, (_, _, unit) in zip(channels, units, strict=True)},
        fast=size[0],
        slow=size[1],
        passes=tuple(map(str, passes)),
        attributes=attributes,
        **{"title": path.stem, **fields},
    )
    first, at_once = (_whole(table, key, default, least) for key, default, least in _COUNTS)
    order = table.get("order", "place")
    if order not in ("place", "time"):
        raise FileError(f'order is "place" (by increasing fast coordinate) or "time", not {order!r}.')
    factors = {name: factor for name, (factor, _, _) in zip(channels, units, strict=True)}
    said = {"pixel_size": [f"{step!r} m" for step in map(float, frame.spacing)]}
    if len(channels) == 1 and table.get("unit") is not None:
        said["unit"] = table["unit"]
    return Recording(frame, factors, first, at_once, order == "time", said)


def _whole(table: Mapping[str, Any], key: str, default: int, least: int) -> int:
    value = table.get(key, default)
    if type(value) is not int or value < least:
        raise FileError(f"{key} must be a whole number from {least} on, not {value!r}.")
    return value
