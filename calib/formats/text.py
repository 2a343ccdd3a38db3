"""Plain text matrices of heights, with their size and units given by options or by a TOML file beside them.

Options and keys are the same, and so are their values: quantities are texts with units.
"""

from __future__ import annotations

import gzip
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib import units
from calib.errors import CalibError, FileError, ScanError
from calib.files import read_toml, unknown_key, write_atomically
from calib.formats._fields import FIELDS, from_toml, to_toml
from calib.formats._matrix import Matrix, looks_like_numbers, read_blocks
from calib.formats._toml import dumps
from calib.scan import PASSES, Scan

NAME = "a text matrix"
SUFFIXES = (".txt", ".csv", ".tsv", ".dat", ".asc", ".txt.gz", ".csv.gz", ".tsv.gz", ".dat.gz", ".asc.gz")
_OWN_OPTIONS = (
    "pixel_size",
    "range",
    "range_counts",
    "fast",
    "slow",
    "unit",
    "passes",
    "retrace",
    "retrace_reversed",
    "first_row",
    "delimiter",
    "decimal",
    "skip_lines",
    "no_data",
)
READ_OPTIONS = (*_OWN_OPTIONS, *FIELDS, "attributes")
WRITE_OPTIONS = ("channel", "unit")

_DELIMITERS = {"space": " ", "tab": "\t", "comma": ",", "semicolon": ";"}
_EXACT = 1e-9  # of a pixel: what coordinates may differ from even steps and still be written as such


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
    beside = _beside(path)
    settings = {**_settings(beside), **{name: value for name, value in options.items() if value is not None}}
    with _naming(path):
        retrace = _choice(settings, "retrace", None)
        layout: dict[str, Any] = {
            "delimiter": _delimiter(settings),
            "decimal": _one_of(settings, "decimal", {".": ".", ",": ",", "point": ".", "comma": ","}),
            "skip_lines": _whole_number(settings, "skip_lines"),
        }
    blocks = read_blocks(path, **layout)
    if retrace is not None:
        blocks += read_blocks(path.parent / retrace, **layout)
    with _naming(path):
        return _scan(blocks, settings, channel, beside)


def _scan(blocks: list[Matrix], settings: Mapping[str, Any], channel: str | None, beside: Path) -> Scan:
    passes = _passes(settings, blocks)
    rows, columns = blocks[0].shape
    if any(block.shape != (rows, columns) for block in blocks):
        shapes = " and ".join(f"{block.shape[0]} x {block.shape[1]}" for block in blocks)
        raise FileError(f"its passes differ in size: {shapes} numbers.")
    data = np.stack(blocks)
    for number in _no_data(settings):
        data[data == number] = np.nan
    if _one_of(settings, "first_row", {"bottom": "bottom", "top": "top"}) == "top":
        data = data[:, ::-1]
    if settings.get("retrace_reversed", False) not in (True, False):
        raise FileError("retrace_reversed must be true or false.")
    if settings.get("retrace_reversed", False) and "retrace" in passes:
        data[passes.index("retrace")] = data[passes.index("retrace"), :, ::-1].copy()
    name = _choice(settings, "channel", None) or channel or "height"
    factor, unit = _unit(settings, name, beside)
    fast, slow = _coordinates(settings, (columns, rows), beside)
    return Scan(
        channels={name: data * factor},
        fast=fast,
        slow=slow,
        passes=passes,
        channel=channel or "",
        units={name: unit},
        **from_toml(settings),
    )


class _naming:
    """Put the name of the file before what is wrong with it."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __enter__(self) -> None: ...

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        if isinstance(error, CalibError):
            raise FileError(f"{self.path}: {error}") from error


def _beside(path: Path) -> Path:
    name = path.name[:-3] if path.name.lower().endswith(".gz") else path.name
    return path.with_name(name).with_suffix(".toml")


def _settings(beside: Path) -> dict[str, Any]:
    if not beside.is_file():
        return {}
    settings, _ = read_toml(beside)
    known = ("channel", *READ_OPTIONS)
    for key in settings:
        if key not in known:
            raise FileError(f"{beside}: there is no key {key!r}: {unknown_key(key, known)}")
    return settings


def _passes(settings: Mapping[str, Any], blocks: Sequence[Matrix]) -> tuple[str, ...]:
    given = settings.get("passes")
    names = (given,) if isinstance(given, str) else given
    if names is None:
        if len(blocks) == 1:
            return (PASSES[0],)
        if settings.get("retrace") is None:
            raise FileError(
                f'it holds {len(blocks)} matrices with blank lines between: say passes = ["trace", "retrace"] '
                "if they are the two passes of one scan."
            )
        names = PASSES
    if not isinstance(names, (list, tuple)) or any(name not in PASSES for name in names):
        raise FileError(f'passes must be a list of "trace" and "retrace", not {names!r}.')
    if len(names) != len(blocks):
        count = "1 matrix" if len(blocks) == 1 else f"{len(blocks)} matrices"
        raise FileError(f"it holds {count}, where passes names {len(names)}.")
    return tuple(names)


def _coordinates(
    settings: Mapping[str, Any], shape: tuple[int, int], beside: Path
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the coordinates along fast and slow, m."""
    listed = [_list_of_lengths(settings, axis, count) for axis, count in zip(("fast", "slow"), shape, strict=True)]
    if listed[0] is not None and listed[1] is not None:
        return listed[0], listed[1]
    if settings.get("pixel_size") is not None and settings.get("range") is not None:
        raise FileError("give pixel_size or range, not both.")
    if settings.get("pixel_size") is not None:
        steps = _two_lengths(settings, "pixel_size")
    elif settings.get("range") is not None:
        counts = _one_of(settings, "range_counts", {"pixels": "pixels", "centres": "centres"})
        if counts is None:
            raise FileError(
                'say what the range counts: range_counts = "pixels" for whole pixels (n of them), or "centres" for the '
                "way from the first to the last pixel's centre (n - 1 steps)."
            )
        whole = counts == "pixels"
        lengths = _two_lengths(settings, "range")
        steps = [length / max(count if whole else count - 1, 1) for length, count in zip(lengths, shape, strict=True)]
    else:
        raise FileError(
            'its size is not known: give pixel_size = "50 nm", or range = "20 µm" with range_counts, as an option or '
            f"in {beside.name} beside it."
        )
    fast, slow = (
        np.float64(step) * (np.arange(count) - (count - 1) / 2) if own is None else own
        for own, count, step in zip(listed, shape, steps, strict=True)
    )
    return fast, slow


def _two_lengths(settings: Mapping[str, Any], key: str) -> list[float]:
    """Return the lengths along fast and slow; one alone serves for both."""
    given = settings[key]
    texts = list(given) if isinstance(given, (list, tuple)) else [given, given]
    if len(texts) != 2:
        raise FileError(f"{key} must be one length, or two: along the fast and along the slow axis.")
    lengths = [units.parse(text, "length", key, error=FileError) for text in texts]
    if min(lengths) <= 0:
        raise FileError(f"{key} must be more than zero.")
    return lengths


def _list_of_lengths(settings: Mapping[str, Any], key: str, count: int) -> NDArray[np.float64] | None:
    given = settings.get(key)
    if given is None:
        return None
    if not isinstance(given, (list, tuple)) or len(given) != count:
        raise FileError(f"{key} must be a list of {count} lengths, one for each pixel along the {key} axis.")
    return np.array([units.parse(text, "length", key, error=FileError) for text in given])


def _unit(settings: Mapping[str, Any], channel: str, beside: Path) -> tuple[float, str]:
    """Return (factor, unit) that make SI numbers of those in the file."""
    unit = settings.get("unit")
    if unit is None:
        if channel == "height":
            raise FileError(
                f'the unit of its heights is not known: give unit = "nm", as an option or in {beside.name} beside it.'
            )
        return 1.0, ""
    if not isinstance(unit, str):
        raise FileError(f'unit must be a text such as "nm", not {unit!r}.')
    if unit.lstrip()[:1].isdigit():  # so much for each unit of the number that was stored
        factor = units.parse(unit, "length", "unit", error=FileError)
        if factor <= 0:
            raise FileError("unit must be more than zero.")
        return factor, "m"
    if channel != "height" and (unit in ("", "1") or not units.is_length(unit)):
        return 1.0, unit
    return units.factor_of(unit, "length", "unit", error=FileError), "m"


def _no_data(settings: Mapping[str, Any]) -> list[float]:
    given = settings.get("no_data")
    values = [] if given is None else list(given) if isinstance(given, (list, tuple)) else [given]
    if any(isinstance(value, bool) or not isinstance(value, (int, float)) for value in values):
        raise FileError(f"no_data must be a number or a list of numbers, not {given!r}.")
    return [float(value) for value in values]


def _choice(settings: Mapping[str, Any], key: str, default: str | None) -> str | None:
    value = settings.get(key, default)
    if value is not None and not isinstance(value, (str, Path)):
        raise FileError(f"{key} must be a text, not {value!r}.")
    return None if value is None else str(value)


def _one_of(settings: Mapping[str, Any], key: str, allowed: Mapping[str, str]) -> str | None:
    value = settings.get(key)
    if value is None:
        return None
    if not isinstance(value, str) or value not in allowed:
        raise FileError(f"{key} must be {' or '.join(map(repr, allowed))}, not {value!r}.")
    return allowed[value]


def _delimiter(settings: Mapping[str, Any]) -> str | None:
    return _one_of(settings, "delimiter", _DELIMITERS | {mark: mark for mark in _DELIMITERS.values()})


def _whole_number(settings: Mapping[str, Any], key: str) -> int:
    value = settings.get(key, 0)
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise FileError(f"{key} must be a whole number, not {value!r}.")
    return value


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
    table = {"channel": name, "unit": stored or None, "passes": list(scan.passes), "first_row": "bottom"}
    mark = _separator(path)
    table |= {"delimiter": "space" if mark == " " else mark, "decimal": "."} | _size(scan) | to_toml(scan)
    text = _matrix_text(scan, factor, mark, stored)
    with write_atomically(_beside(path), force) as beside, write_atomically(path, force) as matrix:
        beside.write_text(dumps(table), encoding="utf-8")
        data = text.encode("utf-8")
        # Without time and name, so that the same scan gives the same file.
        matrix.write_bytes(gzip.compress(data, mtime=0) if path.name.lower().endswith(".gz") else data)


def _separator(path: Path) -> str:
    ending = path.name.lower().removesuffix(".gz").rpartition(".")[2]
    return {"csv": ",", "tsv": "\t"}.get(ending, " ")


def _size(scan: Scan) -> dict[str, list[str]]:
    steps = scan.spacing
    for axis, step in zip((scan.fast, scan.slow), steps, strict=True):
        even = (np.arange(axis.size) - (axis.size - 1) / 2) * step
        if axis.size < 2 or np.abs(axis - even).max() > _EXACT * step:
            return {
                name: [units.exact(float(value)) for value in values]
                for name, values in (("fast", scan.fast), ("slow", scan.slow))
            }
    return {"pixel_size": [units.exact(step) for step in steps]}


def _matrix_text(scan: Scan, factor: float, mark: str, unit: str) -> str:
    _, rows, columns = scan.shape
    title = " ".join(scan.title.split())
    lines = [f"# {title}"] if title else []
    lines.append(f"# {scan.channel}" + (f" in {unit}" if unit else "") + f", {columns} columns along the fast axis")
    lines.append(f"# {rows} rows along the slow axis, the lowest first")
    for name, values in zip(scan.passes, scan.values, strict=True):
        lines += ["", f"# {name}"]
        lines += [mark.join(map(repr, row.tolist())) for row in (values if factor == 1 else values / factor)]
    return "\n".join(lines) + "\n"
