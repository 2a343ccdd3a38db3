"""Point lists: a line for each point, with its x, its y, and what was measured there.

Points on a grid become that grid. Others are gathered in the cells of one, and the scan says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, TextIO

import numpy as np

from calib import units
from calib.errors import FileError, ScanError
from calib.files import write_atomically
from calib.formats import text as matrix
from calib.formats._beside import beside, naming, read_settings
from calib.formats._given import image_of, make_scan, to_settings
from calib.formats._gridding import Gridded, grid
from calib.formats._header import columns_of, head_rows
from calib.formats._matrix import read_blocks
from calib.formats._settings import text_of
from calib.formats._text import layout, open_text, separator
from calib.formats._toml import dumps
from calib.formats.joining import with_retrace
from calib.scan import Scan

NAME = "a list of points"
SUFFIXES = (".xyz", ".xyz.gz")
READ_OPTIONS = matrix.READ_OPTIONS
WRITE_OPTIONS = ("channel", "unit")

_ROWS = 16  # of the grid, written at a time
_X, _Y = ("x", "fast"), ("y", "slow")


def recognise(head: bytes, path: Path) -> bool:
    """Tell by a header that names x and y, or by three columns of which one stands still while another goes on."""
    if path.name.lower().endswith(SUFFIXES):
        return True
    header, rows = head_rows(head)
    for line in header:
        names = [name.lower() for name, _ in columns_of(line)]
        if len(names) >= 3 and names[0] in _X and names[1] in _Y:
            return True
    if len(rows) < 4 or any(len(row) != 3 for row in rows):
        return False
    first, second = np.array(rows)[:4, 0], np.array(rows)[:4, 1]
    return any(
        np.ptp(still) == 0 and bool(np.all(np.diff(goes) > 0) or np.all(np.diff(goes) < 0))
        for still, goes in ((first, second), (second, first))
    )


# --- reading -------------------------------------------------------------------------------------


def read(path: Path, *, channel: str | None = None, **options: Any) -> Scan:
    """Read a list of points; options as in ``docs/reference/formats.md``.

    Raises
    ------
    FileError
        If units are not known, or the text is no list of points.
    """
    settings = read_settings(path, options, READ_OPTIONS)
    if settings.pop("points", True) is False:
        return matrix.read(path, channel=channel, **options)
    return with_retrace(path, settings, channel, lambda given: _read(path, given, channel))


def _read(path: Path, settings: dict[str, Any], channel: str | None) -> Scan:
    with naming(path):
        how = layout(settings)
    header: list[str] = []
    blocks = read_blocks(path, header=header, **how)
    with naming(path):
        widths = {block.shape[1] for block in blocks}
        if len(widths) > 1:
            raise FileError(f"its lines differ: some have {min(widths)} numbers, others {max(widths)}.")
        passes = settings.get("passes")
        if not (isinstance(passes, (list, tuple)) and len(passes) == len(blocks) > 1):
            blocks = [np.concatenate(blocks)] if len(blocks) > 1 else blocks  # blank lines between lines of the scan
            settings.setdefault("passes", ["trace"])
        columns = _columns(settings, header, blocks[0].shape[1], channel)
        lateral = _lateral(settings, columns)
        which = [number for number, (name, _) in enumerate(columns) if name not in ("x", "y", "-")]
        if len(which) > 1:
            settings["channels"] = [columns[number][0] for number in which]
            settings.setdefault("unit", [columns[number][1] or "" for number in which])
        else:
            settings.setdefault("channel", columns[which[0]][0])
            if columns[which[0]][1] is not None:
                settings.setdefault("unit", columns[which[0]][1])
        step, middle = settings.pop("pixel_size", None), settings.pop("middle", None)
        names = [name for name, _ in columns]
        x, y = names.index("x"), names.index("y")
        cell = None if step is None else _cell(step, lateral)
        gridded = grid([(block[:, x], block[:, y], block[:, which].T) for block in blocks], cell)
        del blocks
        _say_how(settings, gridded, lateral, None if middle is None else _lengths(middle, lateral, "middle"))
        images = [image_of(values) for values in gridded.images]
        return make_scan(images, settings, channel, path, noun=("list", "lists of points"))


def _columns(
    settings: dict[str, Any], header: Sequence[str], count: int, channel: str | None
) -> list[tuple[str, str | None]]:
    given = settings.pop("columns", None)
    named = next((found for line in reversed(header) if len(found := columns_of(line)) == count), None)
    if given is not None:
        if not isinstance(given, (list, tuple)) or not all(isinstance(name, str) for name in given):
            raise FileError(f'columns must be a list of names such as ["x", "y", "height"], not {given!r}.')
        if len(given) != count:
            raise FileError(f"columns names {len(given)}, where its lines have {count} numbers.")
        columns = [(name, named[number][1] if named else None) for number, name in enumerate(given)]
    elif count == 3:
        three = ("x", "y", text_of(settings, "channel") or channel or "height")
        columns = [(name, named[number][1] if named else None) for number, name in enumerate(three)]
    elif named and count > 3 and named[0][0].lower() in _X and named[1][0].lower() in _Y:
        columns = [("x", named[0][1]), ("y", named[1][1]), *named[2:]]
    else:
        raise FileError(
            f'its lines have {count} numbers: say what they are by columns = ["x", "y", "height", ...], "-" for none.'
        )
    names = [name for name, _ in columns if name != "-"]
    if "x" not in names or "y" not in names or len(names) < 3 or len(set(names)) != len(names):
        raise FileError(f"its columns must be x, y and at least one channel, each once, not {', '.join(names)[:80]}.")
    return columns


def _lateral(settings: dict[str, Any], columns: Sequence[tuple[str, str | None]]) -> float:
    """Return what the coordinates have to be multiplied by, to be in m."""
    found = dict(columns)
    given = text_of(settings, "lateral_unit")
    unit = given or found["x"]
    if unit is None:
        raise FileError('the unit of its coordinates is not known: give lateral_unit = "µm".')
    if given is None and found["y"] not in (None, unit):
        raise FileError(f"its x is in {unit} and its y in {found['y']}: give lateral_unit.")
    settings.pop("lateral_unit", None)
    return units.factor_of(unit, "length", "lateral_unit", error=FileError)


def _cell(given: Any, lateral: float) -> tuple[float, float]:
    cell = _lengths(given if isinstance(given, (list, tuple)) else [given, given], lateral, "pixel_size")
    if min(cell) <= 0:
        raise FileError("pixel_size must be more than zero.")
    return cell


def _lengths(given: Any, lateral: float, key: str) -> tuple[float, float]:
    """Return two lengths in the unit of the coordinates."""
    if not isinstance(given, (list, tuple)) or len(given) != 2:
        raise FileError(f'{key} must be two lengths, along x and along y, such as ["10 µm", "10 µm"].')
    x, y = (units.parse(text, "length", key, error=FileError) / lateral for text in given)
    return x, y


def _say_how(settings: dict[str, Any], gridded: Gridded, lateral: float, middle: tuple[float, float] | None) -> None:
    """Centre the coordinates, and keep what a scan has no field for: its middle, and how its grid was made."""
    about: dict[str, Any] = {}
    own = [float(axis[0] + axis[-1]) / 2 for axis in (gridded.fast, gridded.slow)]
    found = middle or (own[0], own[1])
    if middle is None and any(found):
        about["middle_of_points"] = [value * lateral for value in found]
    if gridded.binned:
        about["points_binned"] = gridded.binned
    if not any(key in settings for key in ("fast", "slow", "range")):
        settings["fast"], settings["slow"] = (
            (axis - shift if shift else axis) * lateral
            for axis, shift in zip((gridded.fast, gridded.slow), found, strict=True)
        )
    attributes = settings.get("attributes") or {}
    if isinstance(attributes, dict):
        settings["attributes"] = {**about, **attributes}


# --- writing -------------------------------------------------------------------------------------


def write(path: Path, scan: Scan, *, force: bool = False, channel: str | None = None, unit: str | None = None) -> None:
    """Write a scan as a list of points, and the TOML file beside it that makes the same scan of it again.

    Parameters
    ----------
    path
        Name of the list. A line holds x and y along the fast and slow axis, in m, and every channel.
    scan
        What to write. A second pass comes after a blank line.
    force
        Whether existing files may be replaced.
    channel
        This channel alone.
    unit
        Unit of length in which channels in m are written; only in m do numbers come back to the last digit.

    Raises
    ------
    CalibError
        If a file exists and ``force`` is false, or it can't be written.
    """
    names = list(scan.channels) if channel is None else [scan.with_channel(channel).channel]
    if any(name in ("x", "y", "-") or any(mark in name for mark in "\n\r") for name in names):
        raise ScanError("A channel named x, y or - can't be written to a list of points: choose another name.")
    factor = 1.0 if unit is None else units.factor_of(unit, "length", "unit")
    stored = [unit if unit and scan.units[name] == "m" else scan.units[name] for name in names]
    table = to_settings(scan, names)
    table["unit"] = stored if len(names) > 1 else stored[0] or None
    for key in ("channels", "first_row", "fast", "slow", "pixel_size"):
        table.pop(key, None)
    mark = separator(path)
    table |= {"columns": ["x", "y", *names], "lateral_unit": "m", "middle": ["0 m", "0 m"]}
    table |= {"delimiter": "space" if mark == " " else mark, "decimal": "."}
    factors = [factor if scan.units[name] == "m" else 1.0 for name in names]
    with write_atomically(beside(path), force) as said, write_atomically(path, force) as points:
        said.write_text(dumps(table), encoding="utf-8")
        with open_text(points, path) as stream:
            words = [f"{name} in {one}" if one else name for name, one in zip(names, stored, strict=True)]
            stream.write(f"# x in m, y in m, {', '.join(words)}\n")
            _write_points(stream, scan, names, factors, mark)


def _write_points(stream: TextIO, scan: Scan, names: Sequence[str], factors: Sequence[float], mark: str) -> None:
    x = [repr(value) for value in scan.fast.tolist()]
    y = [repr(value) for value in scan.slow.tolist()]
    for number, _ in enumerate(scan.passes):
        if number:
            stream.write("\n")
        for first in range(0, len(y), _ROWS):
            parts = []
            for name, factor in zip(names, factors, strict=True):
                part = scan.channels[name][number, first : first + _ROWS]
                parts.append((part if factor == 1 else part / factor).tolist())
            for row, text in enumerate(y[first : first + _ROWS]):
                cells = [map(repr, part[row]) for part in parts]
                stream.writelines(
                    mark.join((one, text, *rest)) + "\n" for one, rest in zip(x, zip(*cells, strict=True), strict=True)
                )
