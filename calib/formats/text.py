"""Plain text matrices of heights, with their size and units given by options or by a TOML file beside them.

Options and keys are the same, and so are their values: quantities are texts with units.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, TextIO

from calib import units
from calib.errors import ScanError
from calib.files import write_atomically
from calib.formats._beside import beside, naming, read_settings
from calib.formats._given import IMAGE_OPTIONS, SAID, image_of, make_scan, to_settings
from calib.formats._header import header_unit, looks_like_numbers
from calib.formats._matrix import read_blocks
from calib.formats._text import layout, open_text, separator
from calib.formats._toml import dumps
from calib.formats.joining import with_retrace
from calib.scan import Scan

NAME = "a text matrix"
SUFFIXES = (".txt", ".csv", ".tsv", ".dat", ".asc", ".txt.gz", ".csv.gz", ".tsv.gz", ".dat.gz", ".asc.gz")
_LAYOUT = ("delimiter", "decimal", "skip_lines")
_OF_POINTS = ("points", "columns", "lateral_unit", "middle")
READ_OPTIONS = (*IMAGE_OPTIONS, *_OF_POINTS, *_LAYOUT, *SAID)
WRITE_OPTIONS = ("channel", "unit")

_ROWS = 64  # written at a time


def recognise(head: bytes, path: Path) -> bool:
    """Tell by a first line of numbers."""
    return looks_like_numbers(head)


# --- reading -------------------------------------------------------------------------------------


def read(path: Path, *, channel: str | None = None, **options: Any) -> Scan:
    """Read a text matrix; options as in ``docs/reference/scan-files.md``.

    Raises
    ------
    FileError
        If size or unit are not known, or the text is no matrix of numbers.
    """
    settings = read_settings(path, options, READ_OPTIONS)
    if settings.get("points", any(settings.get(name) is not None for name in _OF_POINTS)):
        from calib.formats import xyz

        return xyz.read(path, channel=channel, **options)
    with naming(path):
        how = layout(settings)
    return with_retrace(path, settings, channel, lambda given: _read(path, given, channel, how))


def _read(path: Path, settings: dict[str, Any], channel: str | None, how: dict[str, Any]) -> Scan:
    found: list[str] = []
    blocks = read_blocks(path, header=found, **how)
    with naming(path):
        if found:
            settings.setdefault("unit", header_unit(found))
        images = [image_of(block) for block in blocks]
        del blocks
        return make_scan(images, settings, channel, path, noun=("matrix", "matrices with blank lines between"))


# --- writing -------------------------------------------------------------------------------------


def write(path: Path, scan: Scan, *, force: bool = False, channel: str | None = None, unit: str | None = None) -> None:
    """Write one channel as a text matrix, and the TOML file beside it that makes the same scan of it again.

    Parameters
    ----------
    path
        Name of the matrix. Commas separate numbers in ``.csv``, tabs in ``.tsv``, blanks in other files; ``.gz`` packs.
    scan
        What to write.
    force
        Whether existing files may be replaced.
    channel
        Which channel, if the scan has several.
    unit
        Unit of length in which a channel in m is written; only in m do numbers come back to the last digit.

    Raises
    ------
    CalibError
        If a file exists and ``force`` is false, it can't be written, or it is not clear which channel is meant.
    """
    if channel is None and len(scan.channels) > 1:
        names = ", ".join(map(repr, scan.channels))
        raise ScanError(f"A text matrix holds one channel, and the scan has {names}: say which, or write a .nc file.")
    scan = scan if channel is None else scan.with_channel(channel)
    name, stored, factor = scan.channel, scan.units[scan.channel], 1.0
    if unit is not None:
        if stored != "m":
            raise ScanError(f"The channel {name!r} is not in m, so that its unit can't be changed.")
        factor, stored = units.factor_of(unit, "length", "unit"), unit
    table = to_settings(scan, [name]) | {"unit": stored or None}
    mark = separator(path)
    table |= {"delimiter": "space" if mark == " " else mark, "decimal": "."}
    with write_atomically(beside(path), force) as table_file, write_atomically(path, force) as matrix:
        table_file.write_text(dumps(table), encoding="utf-8")
        with open_text(matrix, path) as stream:
            _write_matrix(stream, scan, factor, mark, stored)


def _write_matrix(stream: TextIO, scan: Scan, factor: float, mark: str, unit: str) -> None:
    _, rows, columns = scan.shape
    title = " ".join(scan.title.split())
    lines = [f"# {title}"] if title else []
    lines.append(f"# {scan.channel}" + (f" in {unit}" if unit else "") + f", {columns} columns along the fast axis")
    lines.append(f"# {rows} rows along the slow axis, the lowest first")
    for name, values in zip(scan.passes, scan.values, strict=True):
        lines += ["", f"# {name}"]
        stream.write("\n".join(lines) + "\n")
        lines = []
        for first in range(0, rows, _ROWS):
            part = values[first : first + _ROWS]
            stream.writelines(
                mark.join(map(repr, row.tolist())) + "\n" for row in (part if factor == 1 else part / factor)
            )
