"""Lines of a frame that is being recorded, read from files as they appear: a folder that fills, or a text that grows.

How the frame is recorded stands in a TOML file, see ``docs/reference/correcting.md``.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import Any

import numpy as np

from calib.errors import CalibError, FileError, ScanError
from calib.files import read_toml, reason, unknown_key
from calib.formats._fields import FIELDS, from_toml
from calib.formats._given import SIZE_OPTIONS
from calib.formats._meaning import units_of
from calib.formats._settings import coordinates
from calib.live import Line
from calib.scan import Scan
from calib.scanner.effect import Float

_OWN = ("points", "passes", "channel", "unit", "first", "lines_per_file", "order", "attributes")
_POLL = 0.05  # s between two looks
_NUMBER = re.compile(r"(\d+)(?!.*\d)")
_ENDINGS = (".npy", ".txt", ".csv", ".tsv", ".dat", ".asc")
_LARGEST = 2**27  # bytes of a file of lines


@dataclass(frozen=True)
class Recording:
    """How a frame is recorded, and how its files are to be read.

    Attributes
    ----------
    frame
        The frame, without values.
    factor
        What one unit of the files is in the unit of the channel (m for heights).
    first
        Number of the first file.
    lines_per_file
        How many lines a file holds at most.
    by_time
        Whether values are given in the order of time, not of place.
    """

    frame: Scan
    factor: float
    first: int
    lines_per_file: int
    by_time: bool

    @property
    def turns(self) -> int:
        """How many lines of all passes there are."""
        return self.frame.shape[0] * self.frame.shape[1]

    def line(self, turn: int, values: Float, passed: str | None = None) -> Line:
        """Return the line that is recorded as this one in the order of time, of all passes or of one.

        Raises
        ------
        ScanError
            If there is no such line, or its values are not as many as the points of a line.
        """
        frame = self.frame
        passes = [name for name in ("trace", "retrace") if name in frame.passes]
        rows, columns = frame.shape[1:]
        row, k = (turn, 0) if passed is not None else divmod(turn, len(passes))
        name = passed or passes[k]
        if not 0 <= row < rows:
            raise ScanError(f"there are {rows} lines in the frame, and this would be line {row + 1} of a pass.")
        if values.size != columns:
            raise ScanError(f"a line has {values.size} values, and the frame {columns} points.")
        backwards = row % 2 == 1 if frame.pattern == "serpentine" else name == "retrace"
        if self.by_time and backwards:
            values = values[::-1]
        return Line(name, rows - 1 - row if frame.frame == "down" else row, {frame.channel: values * self.factor})


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
    channel = table.get("channel", "height")
    if not isinstance(channel, str):
        raise FileError(f"channel must be a text, not {channel!r}.")
    ((factor, _, unit),) = units_of({"unit": table.get("unit")}, [channel], lacking)
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
        channels={channel: nothing},
        units={channel: unit},
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
    return Recording(frame, factor, first, at_once, order == "time")


_COUNTS = (("first", 1, 0), ("lines_per_file", 1, 1))


def _whole(table: Mapping[str, Any], key: str, default: int, least: int) -> int:
    value = table.get(key, default)
    if type(value) is not int or value < least:
        raise FileError(f"{key} must be a whole number from {least} on, not {value!r}.")
    return value


class Follower:
    """Reads lines as they appear; ends when all are there, or when none has come for a while.

    Parameters
    ----------
    source
        A folder of numbered files, or one growing text file with a line of numbers for each recorded line.
    recording
        How they are to be read.
    patience
        s without a new line after which the frame is taken for ended.
    clock, sleep
        Of the system.

    Attributes
    ----------
    timed_out
        Whether it ended for want of new lines.
    unreadable
        What was wrong with the files that could not be read, by name.
    """

    def __init__(
        self,
        source: str | FilePath,
        recording: Recording,
        patience: float = 60.0,
        *,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._source, self._recording, self._patience = FilePath(source), recording, patience
        self._clock, self._sleep = clock, sleep
        self.timed_out = False
        self.unreadable: dict[str, str] = {}
        self._seen: dict[str, tuple[int, int]] = {}  # size and time of a file when it was read
        self._given: dict[str, int] = {}  # how many of its lines were told
        self._offset = 0
        self._turn = 0
        self._rest = b""

    def __iter__(self) -> Iterator[Line]:
        came: set[tuple[str, int]] = set()
        last = self._clock()
        while len(came) < self._recording.turns:
            some = False
            for line in self._new():
                some = True
                came.add((line.passed, line.row))
                yield line
            if some:
                last = self._clock()
            elif self._clock() - last > self._patience:
                self.timed_out = True
                return
            else:
                self._sleep(_POLL)

    def _new(self) -> Iterator[Line]:
        if self._source.is_dir():
            yield from self._of_folder()
        elif self._source.exists():
            yield from self._of_text()

    # --- a folder that fills -------------------------------------------------------------------------

    def _of_folder(self) -> Iterator[Line]:
        try:
            names = [one.name for one in self._source.iterdir()]
        except OSError as error:
            raise FileError(f"{self._source} can't be read: {reason(error)}.") from None
        found = []
        for name in names:
            number = _NUMBER.search(FilePath(name).stem)
            if name.startswith(".") or not name.lower().endswith(_ENDINGS) or number is None:
                continue
            if self._given.get(name, 0) >= self._recording.lines_per_file or not self._changed(name):
                continue
            found.append((int(number[1]), name))
        for number_, name in sorted(found):
            self.unreadable.pop(name, None)
            try:
                rows = _read(self._source / name)
            except (OSError, ValueError, EOFError) as error:  # perhaps it is not complete yet
                self.unreadable[name] = str(error)
                continue
            yield from self._lines(name, number_, rows)

    def _changed(self, name: str) -> bool:
        try:
            about = (self._source / name).stat()
        except OSError:
            return False
        mark = (about.st_size, about.st_mtime_ns)
        if self._seen.get(name) == mark:
            return False
        self._seen[name] = mark
        return True

    def _lines(self, name: str, number: int, rows: Float) -> Iterator[Line]:
        """Lines of a file that were not told yet."""
        r, low = self._recording, name.lower()
        passed = None
        if len(r.frame.passes) > 1:
            passed = "retrace" if "retrace" in low else "trace" if "trace" in low else None
        if len(rows) > r.lines_per_file:
            self.unreadable[name] = f"it holds {len(rows)} lines, and lines_per_file says {r.lines_per_file}"
            return
        begin = self._given.get(name, 0)
        for k in range(begin, len(rows)):
            try:
                line = r.line((number - r.first) * r.lines_per_file + k, rows[k], passed)
            except ScanError as error:
                self.unreadable[name] = str(error)
                return
            self._given[name] = k + 1
            yield line

    # --- a text that grows ---------------------------------------------------------------------------

    def _of_text(self) -> Iterator[Line]:
        with open(self._source, "rb") as stream:
            stream.seek(self._offset)
            new = stream.read(_LARGEST)
        self._offset += len(new)
        *whole, self._rest = (self._rest + new).split(b"\n")
        for text in whole:
            if not text.strip() or text.lstrip().startswith(b"#"):
                continue
            try:
                yield self._recording.line(self._turn, _numbers(text))
            except (ScanError, ValueError) as error:  # its place stays empty
                self.unreadable[f"line {self._turn + 1} of numbers"] = str(error)
            self._turn += 1


def _read(path: FilePath) -> Float:
    """Return the lines of a file, shape ``(lines, fast)``; a ValueError if it is not complete."""
    if path.stat().st_size > _LARGEST:
        raise FileError(f"{path} is larger than any file of lines.")
    if path.suffix.lower() == ".npy":
        values = np.load(path, allow_pickle=False)
        if values.ndim not in (1, 2) or values.dtype.kind not in "fiub":
            raise FileError(f"{path} holds no lines of numbers.")
        return np.atleast_2d(np.asarray(values, dtype=np.float64))
    text = path.read_bytes()
    if not text.endswith(b"\n"):
        raise ValueError("its last line has no end")
    lines = [_numbers(line) for line in text.splitlines() if line.strip() and not line.lstrip().startswith(b"#")]
    if not lines or len({line.size for line in lines}) != 1:
        raise ValueError("its lines differ in length")
    return np.stack(lines)


def _numbers(text: bytes) -> Float:
    cells = re.split(r"[\s,;]+", text.decode("utf-8", "replace").strip().strip(",;"))
    return np.array([float(cell) for cell in cells])
