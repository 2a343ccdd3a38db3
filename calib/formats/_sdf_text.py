"""The text form of SDF files: a header of lines, then numbers in any number of lines."""

from __future__ import annotations

import re
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from calib.errors import FileError

_LARGEST_HEADER = 2**16  # bytes
_PIECE = 2**22  # bytes of text that are read at a time
_LONGEST_NUMBER = 64  # bytes
_OF_NUMBERS = b"0123456789+-.eE \t\r\n\v\f"
_NO_NUMBER = re.compile(rb"(?<!\S)(?:BAD|[+-]?(?:NAN|INF|INFINITY))(?!\S)", re.IGNORECASE)


def read_header(stream: BinaryIO) -> dict[str, str]:
    """Read the lines ``Key = value`` up to an asterisk; keys become lower case.

    Raises
    ------
    FileError
        If there is another line, or no asterisk.
    """
    data = stream.read(_LARGEST_HEADER)
    start = stream.tell() - len(data)
    end = data.find(b"*")
    if end < 0:
        raise FileError(
            "its header has no end, which a line with an asterisk marks: it was cut short, or is no SDF file."
        )
    fields: dict[str, str] = {}
    for line in re.split("\r\n|\r|\n", data[:end].decode("latin-1")):
        key, mark, value = (part.strip() for part in line.partition("="))
        if mark and key.isidentifier():
            if key.lower() in fields:
                raise FileError(f"its header says {key[:30]} twice.")
            fields[key.lower()] = value
        elif line.strip():
            raise FileError(f"its header has a line that is no 'Key = value': {line.strip()[:30]!r}.")
    stream.seek(start + end + 1)
    return fields


def read_numbers(stream: BinaryIO, count: int, size: int) -> tuple[NDArray[np.float64], bytes]:
    """Read numbers up to an asterisk or the end of the file.

    Parameters
    ----------
    stream
        Just behind the asterisk that ends the header.
    count
        How many are declared.
    size
        Of the file, bytes.

    Returns
    -------
    array, bytes
        Shape ``(count,)``, NaN for ``BAD``; and what follows the asterisk, at most 1 MB.

    Raises
    ------
    FileError
        If there are more or less, or something is no number.
    """
    # A number takes at least one character, and a blank before the next.
    if count > (size - stream.tell() + 1) // 2:
        raise FileError(f"its header declares {count} points, more than the file has room for: it was cut short.")
    values = np.empty(count)
    done, rest, trailer, last = 0, b"", b"", False
    while not last:
        piece = stream.read(_PIECE)
        text, mark, after = piece.partition(b"*")
        last = bool(mark) or not piece
        text = rest + text
        if last:
            rest = b""
            trailer = (after + stream.read(max(0, 2**20 - len(after)))) if mark else b""
        else:
            cut = max(map(text.rfind, (b" ", b"\n", b"\r", b"\t"))) + 1
            text, rest = text[:cut], text[cut:]
            if len(rest) > _LONGEST_NUMBER:
                raise _no_number(rest, done)
        numbers = _numbers(text, done)
        if done + numbers.size > count:
            raise FileError(f"it holds more numbers than the {count} that its header declares.")
        values[done : done + numbers.size] = numbers
        done += numbers.size
    if done < count:
        raise FileError(f"it holds {done} of the {count} numbers that its header declares: it was cut short.")
    return values, trailer


def _numbers(text: bytes, before: int) -> NDArray[np.float64]:
    plain = _NO_NUMBER.sub(b"", text) if re.search(rb"[A-DF-Za-df-z]", text) else text
    words: list[Any] = text.split()
    if plain.translate(None, _OF_NUMBERS):
        raise _no_number(next(word for word in words if _NO_NUMBER.sub(b"", word).translate(None, _OF_NUMBERS)), before)
    if plain is not text:
        words = [b"nan" if _NO_NUMBER.fullmatch(word) else word for word in words]
    if max(map(len, words), default=0) > _LONGEST_NUMBER:
        raise _no_number(max(words, key=len), before)
    try:
        values = np.array(words, dtype="S").astype(np.float64) if words else np.empty(0)
    except ValueError:
        raise _no_number(next(word for word in words if not _is_number(word)), before) from None
    values[~np.isfinite(values)] = np.nan
    return values


def _is_number(word: bytes) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True


def _no_number(word: bytes, before: int) -> FileError:
    return FileError(f"{word[:30].decode('latin-1')!r} is no number (after number {before} of its data).")
