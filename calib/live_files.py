"""Files of a frame that is being recorded: what lines one of them holds."""

from __future__ import annotations

import importlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path as FilePath

import numpy as np

from calib.errors import CalibError, FileError
from calib.live_recording import Recording
from calib.scan import Scan
from calib.scanner.effect import Float

_TEXTS = (".txt", ".csv", ".tsv", ".dat", ".asc")
_BARE = (".npy", ".npz", *_TEXTS)
_LARGEST = 2**27  # bytes of a file of lines


@dataclass(frozen=True)
class Part:
    """One line of a file, of one channel.

    Attributes
    ----------
    number
        Of the line in the file, in the order of time; of one pass if `passed` says which, and of one channel if
        `channel` does.
    passed, channel
        What it is; None if the file does not say.
    values
        Shape ``(fast,)``.
    bare
        Whether they are plain numbers, in the unit and the order that the recording says.
    """

    number: int
    passed: str | None
    channel: str | None
    values: Float
    bare: bool


@cache
def endings() -> tuple[str, ...]:
    """Return the endings of files that may hold lines."""
    from calib.formats import _MODULES

    known = [importlib.import_module(f"calib.formats.{name}").SUFFIXES for name in _MODULES]
    return (*_BARE, *(ending for endings in known for ending in endings))


def grows(path: FilePath) -> bool:
    """Whether a file can be read line by line while it grows: a text can."""
    name = path.name.lower()
    return name.endswith(_TEXTS) or not name.endswith(endings())


def parts_of(path: FilePath, recording: Recording) -> list[Part]:
    """Return what a file holds.

    Raises
    ------
    OSError, ValueError, EOFError, CalibError
        If it is not complete, or no file of lines.
    """
    if path.stat().st_size > _LARGEST:
        raise FileError(f"{path} is larger than any file of lines.")
    name, ending = path.stem.lower(), path.suffix.lower()
    passed = None
    if len(recording.passes) > 1:
        passed = "retrace" if "retrace" in name else "trace" if "trace" in name else None
    elif len(recording.passes) == 1:
        passed = recording.passes[0]
    named = [one for one in recording.channels if one.lower() in name]
    channel = max(named, key=len) if named else recording.channels[0] if len(recording.channels) == 1 else None
    if ending == ".npz":
        return [
            Part(number, passed, one, values, True)
            for one, lines in _arrays(path, recording, channel).items()
            for number, values in enumerate(lines)
        ]
    if ending in _BARE:
        lines = _array(np.load(path, allow_pickle=False)) if ending == ".npy" else _text(path)
        return [Part(number, passed, channel, values, True) for number, values in enumerate(lines)]
    return _of_scan(_scan(path, recording), recording, passed)


def numbers(text: bytes) -> Float:
    """Return the numbers of a line of text.

    Raises
    ------
    ValueError
        If there is something else in it.
    """
    cells = re.split(r"[\s,;]+", text.decode("utf-8", "replace").strip().strip(",;"))
    return np.array([float(cell) for cell in cells])


def _of_scan(scan: Scan, recording: Recording, passed: str | None) -> list[Part]:
    if not any(name in scan.channels for name in recording.channels):
        said = ", ".join(map(repr, scan.channels))
        raise ValueError(f"it has no channel {' or '.join(map(repr, recording.channels))}, only {said}")
    count = scan.shape[1]
    # a file of one pass need not say which
    names = list(scan.passes) if len(scan.passes) > 1 else [passed]
    found = []
    for turn in range(count):
        row = count - 1 - turn if recording.frame.frame == "down" else turn
        for index, name in enumerate(names):
            for channel in recording.channels:
                if channel in scan.channels:
                    values = np.asarray(scan.channels[channel][index, row], dtype=np.float64)
                    found.append(Part(turn, name, channel, values, False))
    while found and not np.isfinite(found[-1].values).any() and count > 1:  # lines that are still to come
        found.pop()
    return found


def _scan(path: FilePath, recording: Recording) -> Scan:
    from calib.formats import read_options, read_scan

    try:
        return read_scan(path)
    except FileError:
        said = {key: value for key, value in recording.said.items() if key in read_options()}
        channel = recording.channels[0] if len(recording.channels) == 1 else None
        try:
            return read_scan(path, channel=channel, **said)
        except CalibError:
            pass
        raise


def _arrays(path: FilePath, recording: Recording, channel: str | None) -> Mapping[str, Float]:
    with np.load(path, allow_pickle=False) as file:
        names = [name for name in recording.channels if name in file.files]
        if not names and len(file.files) == 1 and channel is not None:
            return {channel: _array(file[file.files[0]])}
        if not names:
            raise ValueError(f"it holds {', '.join(file.files)}, and no {' or '.join(recording.channels)}")
        return {name: _array(file[name]) for name in names}


def _array(values: np.ndarray) -> Float:
    if values.ndim not in (1, 2) or values.dtype.kind not in "fiub":
        raise ValueError("it holds no lines of numbers")
    return np.atleast_2d(np.asarray(values, dtype=np.float64))


def _text(path: FilePath) -> Float:
    text = path.read_bytes()
    if not text.endswith(b"\n"):
        raise ValueError("its last line has no end")
    lines = [numbers(line) for line in text.splitlines() if line.strip() and not line.lstrip().startswith(b"#")]
    if not lines or len({line.size for line in lines}) != 1:
        raise ValueError("its lines differ in length")
    return np.stack(lines)
