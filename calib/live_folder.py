"""Lines of a frame that is being recorded, as their files appear: a folder that fills, or a text that grows.

How the frame is recorded stands in a TOML file, see ``docs/reference/correcting.md``.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path as FilePath
from zipfile import BadZipFile

from calib.errors import CalibError, FileError, ScanError
from calib.files import reason
from calib.live import LATE, Line
from calib.live_files import Part, endings, grows, numbers, parts_of
from calib.live_recording import Recording, read_recording
from calib.scanner.effect import Float

__all__ = ["Follower", "Recording", "read_recording"]

_POLL = 0.05  # s between two looks
_NUMBER = re.compile(r"(\d+)(?!.*\d)")
_LARGEST = 2**27  # bytes that are read at once


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
        self._given: dict[str, int] = {}  # how many of its parts were told
        self._begun: dict[tuple[int, str], dict[str, Float]] = {}  # lines of which some channels are there
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
                yield from self._incomplete()
                return
            else:
                self._sleep(_POLL)

    def _new(self) -> Iterator[Line]:
        if self._source.is_dir():
            yield from self._of_folder()
        elif self._source.exists():
            if not grows(self._source):
                raise FileError(
                    f"{self._source} can't be read line by line while it grows, as only a text can: have each line"
                    " written to a file of its own and name the folder, or correct the file when it is complete."
                )
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
            if name.startswith(".") or not name.lower().endswith(endings()) or number is None:
                continue
            if self._changed(name):
                found.append((int(number[1]), name))
        for number_, name in sorted(found):
            self.unreadable.pop(name, None)
            try:
                parts = parts_of(self._source / name, self._recording)
            except (CalibError, OSError, ValueError, EOFError, BadZipFile) as error:  # perhaps it is not complete yet
                self.unreadable[name] = str(error)
                continue
            yield from self._lines(name, number_, parts)

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

    def _lines(self, name: str, number: int, parts: list[Part]) -> Iterator[Line]:
        """Lines of a file that were not told yet."""
        r = self._recording
        count = max((part.number for part in parts), default=-1) + 1
        if count > r.lines_per_file:
            self.unreadable[name] = f"it holds {count} lines, and lines_per_file says {r.lines_per_file}"
            return
        begin = self._given.get(name, 0)
        for k, part in enumerate(parts[begin:], begin + 1):
            try:
                yield from self._take((number - r.first) * r.lines_per_file + part.number, part)
            except ScanError as error:
                self.unreadable[name] = str(error)
                return
            self._given[name] = k

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
            turn, self._turn = self._turn, self._turn + 1
            try:
                yield from self._take(turn, Part(0, None, None, numbers(text), True))
            except (ScanError, ValueError) as error:  # its place stays empty
                self.unreadable[f"line {turn + 1} of numbers"] = str(error)

    # --- channels of a line come one by one ----------------------------------------------------------

    def _take(self, number: int, part: Part) -> Iterator[Line]:
        """Return the lines that are complete by this part, or given up by then."""
        r = self._recording
        passed, row, channel = r.place(number, part.passed, part.channel)
        values = r.bare(part.values, passed, row, channel) if part.bare else r.checked(part.values)
        if len(r.channels) == 1:
            yield Line(passed, row, {channel: values})
            return
        turn = r.frame.shape[1] - 1 - row if r.frame.frame == "down" else row
        held = self._begun.setdefault((turn, passed), {})
        held[channel] = values
        # what lacks a channel for so long would be too late as a whole
        yield from self._incomplete(turn - LATE + 1)
        if len(held) == len(r.channels):
            del self._begun[turn, passed]
            yield Line(passed, row, held)

    def _incomplete(self, before: int | None = None) -> Iterator[Line]:
        """Lines of which some channels never came."""
        rows = self._recording.frame.shape[1]
        for turn, passed in sorted(self._begun):
            if before is None or turn < before:
                row = rows - 1 - turn if self._recording.frame.frame == "down" else turn
                held = self._begun.pop((turn, passed))
                lacking = [name for name in self._recording.channels if name not in held]
                self.unreadable[f"{passed} {turn + 1}"] = f"{' and '.join(lacking)} did not come"
                yield Line(passed, row, held)
