"""Matrices of numbers in plain text, read piece by piece so that memory is bounded by the numbers, not the text."""

from __future__ import annotations

import gzip
import io
import re
import warnings
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO, cast

import numpy as np
from numpy.typing import NDArray

from calib.errors import FileError
from calib.formats import MAX_POINTS
from calib.formats._header import CELL, GZIP, SAMPLE, encoding, without_header

Matrix = NDArray[np.float64]

_PIECE = 2**20  # characters read at a time; Python needs fifty times that for very short lines
_LONGEST_LINE = 2**25
_MOST_TEXT = 2**33
_FREE = 2**24  # characters that a text may have however well it is packed
_MOST_PACKED = 100
_MOST_BLOCKS = 2**15
_MOST_EMPTY = 2**19  # lines
_COMMA_CELL = re.compile(r"[+-]?[0-9]*,?[0-9]+(?:[eE][+-]?[0-9]+)?|nan|bad", re.IGNORECASE)


@dataclass(frozen=True)
class Separators:
    """How numbers stand on a line.

    Attributes
    ----------
    between
        What separates them; None for blanks.
    comma
        Whether the decimal mark is a comma.
    at_end
        Whether a separator follows the last number too.
    """

    between: str | None
    comma: bool
    at_end: bool


def read_blocks(
    path: Path,
    *,
    delimiter: str | None = None,
    decimal: str | None = None,
    skip_lines: int = 0,
    header: list[str] | None = None,
) -> list[Matrix]:
    r"""Read the matrices of a text file, which blank lines separate.

    Parameters
    ----------
    path
        The file; gzip and the usual encodings of Unicode are recognised by their first bytes.
    delimiter
        ``" "``, ``"\t"``, ``","`` or ``";"``; None to find out.
    decimal
        ``"."`` or ``","``; None to find out.
    skip_lines
        Lines at the beginning that are no data.
    header
        Lines before the first number are put here if one of them names a unit; without a unit they are refused.

    Returns
    -------
    list of arrays
        Shape ``(rows, columns)``, in the order of the file; NaN for ``nan``, ``BAD``, infinity and empty cells.

    Raises
    ------
    FileError
        If something in it is no number, or lines differ in length.
    """
    blocks: list[Matrix] = []
    current: _Growing | None = None
    separators: Separators | None = None
    points = 0
    for lines, first in _runs(path, skip_lines):
        if not lines:
            if current is not None:
                blocks.append(current.finished())
                current = None
                if len(blocks) > _MOST_BLOCKS:
                    raise FileError(f"{path} has more than {_MOST_BLOCKS} matrices with blank lines between.")
            continue
        if separators is None:
            if header is not None:
                lines = without_header(lines, header)
                if not lines:
                    continue
            separators = _separators(path, [line for _, line in lines[:SAMPLE]], delimiter, decimal)
        rows = _rows(path, lines, separators)
        if current is None:
            current = _Growing(rows.shape[1])
        if rows.shape[1] != current.columns:
            raise _ragged(path, first, rows.shape[1], current.columns)
        points += rows.size
        if points > MAX_POINTS:
            raise FileError(f"{path} holds more than {MAX_POINTS} numbers, which no scan needs.")
        current.append(rows)
    if current is not None:
        blocks.append(current.finished())
    if not blocks:
        raise FileError(f"{path} holds no numbers.")
    return blocks


class _Growing:
    """A matrix that grows by rows in place, so that a large one never stands in the memory twice."""

    def __init__(self, columns: int) -> None:
        self.columns, self._rows = columns, 0
        self._data = np.empty(0)

    def append(self, rows: Matrix) -> None:
        end = (self._rows + len(rows)) * self.columns
        if end > self._data.size:
            self._data.resize(max(end, self._data.size + self._data.size // 8), refcheck=False)
        self._data[self._rows * self.columns : end] = rows.ravel()
        self._rows += len(rows)

    def finished(self) -> Matrix:
        self._data.resize(self._rows * self.columns, refcheck=False)
        return self._data.reshape(self._rows, self.columns)


# --- lines ---------------------------------------------------------------------------------------


def _runs(path: Path, skip_lines: int) -> Iterator[tuple[list[tuple[int, str]], int]]:
    """Yield runs of numbered data lines with the number of the first, and an empty run for each blank line."""
    run: list[tuple[int, str]] = []
    empty = 0
    for number, line in _lines(path):
        if number <= skip_lines:
            continue
        if line is None:
            if run:
                yield run, run[0][0]
            run = []
            continue
        data, mark, _ = line.partition("#") if "#" in line else (line, "", "")
        if data and not data.isspace():
            run.append((number, data))
            continue
        empty += 1
        if empty > _MOST_EMPTY:
            raise FileError(f"{path} has more than {_MOST_EMPTY} lines without numbers.")
        if not mark:
            if run:
                yield run, run[0][0]
            run = []
            yield [], number
    if run:
        yield run, run[0][0]


def _lines(path: Path) -> Iterator[tuple[int, str | None]]:
    """Yield numbered lines, and None as a line at the end of each piece."""
    number, rest, total = 0, "", 0
    try:
        held = path.stat().st_size
        with _open(path) as stream:
            while piece := stream.read(_PIECE):
                total += len(piece)
                if total > _FREE and total > _MOST_PACKED * held:
                    raise FileError(
                        f"{path} is packed a hundredfold, as no scan is: it may have been made to fill the memory."
                    )
                parts = (rest + piece).split("\n")
                rest = parts.pop()
                if len(rest) > _LONGEST_LINE or total > _MOST_TEXT:
                    raise FileError(f"{path}: line {number + len(parts) + 1} is too long for a matrix of heights.")
                for line in parts:
                    number += 1
                    yield number, line
                yield number, None
            if rest:
                yield number + 1, rest
    except (EOFError, zlib.error, gzip.BadGzipFile):
        raise FileError(f"{path} is broken or was cut short: get the file again.") from None
    except OSError as error:
        raise FileError(f"{path} can't be read: {error.strerror or error}.") from error


def _open(path: Path) -> TextIO:
    with open(path, "rb") as stream:
        head = stream.read(2)
    binary: Any = gzip.open(path, "rb") if head == GZIP else open(path, "rb")  # noqa: SIM115 (the caller closes it)
    try:
        start = binary.read(4)
        binary.seek(0)
    except BaseException:
        binary.close()
        raise
    # An odd byte in a comment must not keep anybody from their data; in a number it is found later.
    return cast(TextIO, io.TextIOWrapper(binary, encoding=encoding(start), errors="replace"))


# --- numbers -------------------------------------------------------------------------------------


def _separators(path: Path, lines: Sequence[str], delimiter: str | None, decimal: str | None) -> Separators:
    text = "\n".join(lines)
    between = delimiter or _between(text, lines, decimal)
    if decimal is None:
        decimal = "," if "," in text and between != "," else "."
        if decimal == "," and "." in text:
            raise FileError(
                f"{path} holds both points and commas in its numbers: say by the option decimal which is the mark."
            )
    if between == decimal:
        raise FileError(f"{path} can't have {between!r} both between numbers and in them: say delimiter and decimal.")
    at_end = between not in (" ", None) and all(line.rstrip(" ").endswith(between) for line in lines)
    return Separators(None if between == " " else between, decimal == ",", at_end)


def _between(text: str, lines: Sequence[str], decimal: str | None) -> str:
    if ";" in text:
        return ";"
    if "\t" in text and all(len(cell.split()) <= 1 for line in lines for cell in line.split("\t")):
        return "\t"
    if "," not in text or decimal == ",":
        return " "
    if decimal == "." or "." in text:
        return ","
    # "1,5 2,5" has decimal commas, "1, 5, 2" and "1,5,2" have not.
    rows = [line.split() for line in lines]
    return " " if max(map(len, rows)) > 1 and all(_COMMA_CELL.fullmatch(cell) for row in rows for cell in row) else ","


def _rows(path: Path, lines: list[tuple[int, str]], separators: Separators) -> Matrix:
    texts = [line for _, line in lines]
    if separators.comma:
        texts = "\n".join(texts).replace(",", ".").split("\n")
    if separators.at_end:
        texts = [line.rstrip(" ").removesuffix(cast(str, separators.between)) for line in texts]
    for prepare in (lambda texts: texts, lambda texts: _named(texts, separators.between)):
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # of having found nothing
                rows = np.loadtxt(prepare(texts), delimiter=separators.between, comments=None, ndmin=2)
        except ValueError:
            continue
        if len(rows) != len(texts):  # a line of nothing but a separator is passed over, where it is a gap
            continue
        if not np.isfinite(rows).all():
            rows[~np.isfinite(rows)] = np.nan
        return np.asarray(rows, dtype=np.float64)
    raise _fault(path, [(number, text) for (number, _), text in zip(lines, texts, strict=True)], separators)


def _named(texts: list[str], between: str | None) -> list[str]:
    """Write ``nan`` for cells that are empty or say BAD."""
    text = re.sub(r"\bbad\b", "nan", "\n".join(texts), flags=re.IGNORECASE)
    if between is not None:
        mark, blank = re.escape(between), "[ ]*" if between == "\t" else r"[ \t]*"
        text = re.sub(rf"(?:(?<={mark})|^){blank}(?={mark}|$)", "nan", text, flags=re.MULTILINE)
    return text.split("\n")


def _fault(path: Path, lines: list[tuple[int, str]], separators: Separators) -> FileError:
    """Say what numpy could not read."""
    columns = None
    for number, line in lines:
        cells = [cell.strip() for cell in line.split(separators.between)]
        for column, cell in enumerate(cells, 1):
            if cell and not CELL.fullmatch(cell):
                short = cell if len(cell) <= 30 else cell[:27] + "..."
                return FileError(
                    f"{path}, line {number}, column {column}: {short!r} is no number; "
                    "put # before comments, or leave out lines at the beginning by the option skip_lines."
                )
        columns = len(cells) if columns is None else columns
        if len(cells) != columns:
            return _ragged(path, number, len(cells), columns)
    return FileError(f"{path} holds something that is no number near line {lines[0][0]}.")


def _ragged(path: Path, number: int, found: int, expected: int) -> FileError:
    return FileError(f"{path}, line {number}: {found} numbers, where the lines before have {expected}.")
