"""The first bytes of texts: numbers or not, and header lines, which name columns and their units."""

from __future__ import annotations

import codecs
import re
import zlib
from collections.abc import Sequence

import numpy as np

from calib.units import is_length

_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
CELL = re.compile(rf"{_NUMBER}|[+-]?(?:nan|inf|infinity)|bad", re.IGNORECASE)
SAMPLE = 200  # lines that decide on separator and decimal mark
_LONGEST_HEADER = 20  # lines
_LONGEST_LINE = 2**16  # of a header
GZIP = b"\x1f\x8b"
_NAMED = re.compile(
    r"(?P<name>.*?)\s*(?:[\[(](?P<bracket>[^\[\]()]{1,12})[\])]|/\s*(?P<slash>\S{1,4})|\bin\s+(?P<word>\S{1,4}))"
)


def columns_of(line: str) -> list[tuple[str, str | None]]:
    """Return (name, unit) of each column that a header line names: ``x (µm), height [nm], z/nm, heights in nm``.

    The unit is None where there is none.
    """
    between = next((mark for mark in ("\t", ";", ",") if mark in line), None)
    if between is None:
        between = r"(?<=[\])])\s+" if re.search(r"[\])]\s+\S", line) else "\n" if " in " in line else r"\s+(?![(\[])"
    found: list[tuple[str, str | None]] = []
    for cell in re.split(between, line.strip().lstrip("#").strip()):
        match = _NAMED.fullmatch(cell.strip().strip('"'))
        unit = next((text for text in match.groups()[1:] if text), None) if match else None
        if match and unit and not is_length(unit) and not match["bracket"]:
            unit = None  # "rise/fall" is a name
        found.append((match["name"].strip() if match and unit else cell.strip().strip('"'), unit or None))
    return found


def header_unit(header: Sequence[str]) -> str | None:
    """Return the one unit that the header of a matrix names; None if it names none, or several."""
    named = {unit for line in header for _, unit in columns_of(line) if unit}
    return named.pop() if len(named) == 1 else None


def looks_like_numbers(head: bytes) -> bool:
    """Tell by the first bytes of a file whether its first line that is no comment holds numbers."""
    text = _decode_head(head)
    for line in text.splitlines():
        cells = [cell for cell in re.split(r"[\s;]+", line.partition("#")[0]) if cell]
        if cells:
            # The last one may have been cut.
            return all(CELL.fullmatch(part) for cell in (cells[:-1] or cells)[:8] for part in cell.split(",") if part)
    return False


def head_rows(head: bytes) -> tuple[list[str], list[list[float]]]:
    """Return lines before the first number of a text, and some rows of numbers, as far as its first bytes show them."""
    header: list[str] = []
    rows: list[list[float]] = []
    for line in _decode_head(head).splitlines()[:-1][:SAMPLE]:
        cells = [cell for cell in re.split(r"[\s;]+|,\s*", line.partition("#")[0]) if cell]
        if cells and all(CELL.fullmatch(cell) for cell in cells):
            rows.append([float(cell) if cell.lower() != "bad" else np.nan for cell in cells])
        elif not rows and line.strip():
            header.append(line)
        elif cells:
            return header, []
    return header, rows


def without_header(lines: list[tuple[int, str]], header: list[str]) -> list[tuple[int, str]]:
    """Take the lines before the first one that begins with a number, if they name a unit."""
    count = 0
    while (
        count < min(len(lines), _LONGEST_HEADER)
        and len(lines[count][1]) < _LONGEST_LINE
        and not looks_like_numbers(lines[count][1].encode())
    ):
        count += 1
    texts = [line.strip() for _, line in lines[:count]]
    if not count or not any(unit for text in texts for _, unit in columns_of(text)):
        return lines
    header += texts
    return lines[count:]


def _decode_head(head: bytes) -> str:
    if head.startswith(GZIP):
        try:
            head = zlib.decompressobj(wbits=31).decompress(head, 4096)
        except zlib.error:
            return ""
    text = head.decode(encoding(head), "replace")
    return "" if "\0" in text else text


def encoding(start: bytes) -> str:
    return "utf-16" if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) else "utf-8-sig"
