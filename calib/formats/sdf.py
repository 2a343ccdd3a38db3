"""ISO 25178-71, the SDF file: heights of one pass on even steps, as text or binary.

Read are versions 1.0 (2012, 2017) and 2.0; written is 1.0, which most programs read, unless the scan needs the other.
Not read is the form before the standard (its first bytes say BCR and the like), since it states neither in which
direction the rows follow each other, nor which number stands for no data.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from datetime import UTC
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from calib.errors import FileError, ScanError
from calib.files import reason, write_atomically
from calib.formats import _iso
from calib.formats._beside import naming, read_settings
from calib.formats._given import Image
from calib.formats._sdf_header import CODES, KEYS, LAYOUTS, Header, parse_header
from calib.formats._sdf_text import read_header, read_numbers
from calib.formats.joining import with_retrace
from calib.scan import Scan

NAME = "an SDF file (ISO 25178-71)"
SUFFIXES = (".sdf",)
READ_OPTIONS = _iso.READ_OPTIONS
WRITE_OPTIONS = (*_iso.WRITE_OPTIONS, "version")

_MAGIC = re.compile(rb"([ab])ISO-([12]\.0)", re.IGNORECASE)
_OLDER = re.compile(rb"[ab](?:BCR|BC-|NPL|NIST)", re.IGNORECASE)
_OF_VERSION_1 = ("int16", "int32", "float64")
_MOST_POINTS_1 = 65535
_NO_DATE = "0" * 12


def recognise(head: bytes, path: Path) -> bool:
    """Tell by the first eight bytes."""
    return bool(_MAGIC.match(head) or _OLDER.match(head))


# --- reading -------------------------------------------------------------------------------------


def read(path: Path, *, channel: str | None = None, **options: Any) -> Scan:
    """Read an SDF file; options as in ``docs/reference/formats-iso.md``.

    Raises
    ------
    FileError
        If it is broken, or of a form that is not read.
    """
    settings = read_settings(path, options, READ_OPTIONS)
    return with_retrace(path, settings, channel, lambda given: _scan(path, given, channel))


def _scan(path: Path, settings: Mapping[str, Any], channel: str | None) -> Scan:
    try:
        with naming(path):
            with open(path, "rb") as stream:
                surface = _read(stream)
            return _iso.to_scan(surface, settings, channel, path)
    except OSError as error:
        raise FileError(f"{path} can't be read: {reason(error)}.") from error


def _read(stream: BinaryIO) -> _iso.Surface:
    size = stream.seek(0, 2)
    stream.seek(0)
    magic = stream.read(8)
    match = _MAGIC.fullmatch(magic)
    if match is None:
        if _OLDER.match(magic):
            raise FileError(
                f"it is of a form older than ISO 25178-71 ({magic.decode('ascii', 'replace')}), which does not say "
                "which way up it is: save it as ISO-1.0."
            )
        raise FileError("it does not begin like an SDF file (aISO-1.0, bISO-1.0, aISO-2.0 or bISO-2.0).")
    text, version = match[1].lower() == b"a", match[2].decode()
    header = parse_header(read_header(stream) if text else _binary_fields(stream, version), version)
    values, trailer = read_numbers(stream, header.points, size) if text else _binary_numbers(stream, header, size)
    if not text:
        # Whatever the standard says, some leave points out as NaN.
        least: Any = np.iinfo(header.dtype).min if header.dtype.kind == "i" else np.finfo(header.dtype).min
        values = _iso.with_gaps(values, values == least)
    elif header.data_type == "float32":
        with np.errstate(over="ignore"):
            values = values.astype(np.float32)
    values = values.reshape(header.rows, header.columns)
    attributes: dict[str, Any] = {"instrument": header.source} if header.source else {}
    for key, when in (("created", header.created), ("modified", header.modified)):
        if when is not None:
            attributes[key] = when.isoformat()
    if header.z_resolution > 0:
        attributes["z_resolution"] = header.z_resolution
    lines = [line.strip() for line in _iso.short_text(trailer).replace("\r", "\n").split("\n")]
    free = "\n".join(lines).strip("\n *\x1a")
    if free and not _iso.has_lines(free):
        attributes["comment"] = free
    axes = [
        _iso.centred(count, step) if step > 0 else np.zeros(1) if count == 1 else None
        for count, step in ((header.columns, header.x_step), (header.rows, header.y_step))
    ]
    image = Image((header.rows, header.columns), lambda: values)
    return _iso.Surface([image], header.z_scale, 0.0, axes[0], axes[1], free, {}, attributes)


def _binary_fields(stream: BinaryIO, version: str) -> dict[str, Any]:
    layout = LAYOUTS[version]
    data = stream.read(layout.size)
    if len(data) < layout.size:
        raise FileError("it was cut short within its header: get the file again.")
    values = [item.decode("ascii", "replace") if isinstance(item, bytes) else item for item in layout.unpack(data)]
    return dict(zip((key.lower() for key in KEYS), values, strict=True))


def _binary_numbers(stream: BinaryIO, header: Header, size: int) -> tuple[Any, bytes]:
    held, wanted = size - stream.tell(), header.points * header.dtype.itemsize
    if held < wanted:
        raise FileError(
            f"its header declares {header.columns} x {header.rows} points, {wanted} bytes, but only {held} bytes "
            "follow: it was cut short, get the file again."
        )
    values = np.empty(header.points, dtype=header.dtype)
    if stream.readinto(values.data.cast("B")) != wanted:  # type: ignore[attr-defined]
        raise FileError("it became shorter while it was read.")
    return values.astype(header.dtype.newbyteorder("="), copy=False), stream.read(2**20)


# --- writing -------------------------------------------------------------------------------------


def write(
    path: Path,
    scan: Scan,
    *,
    force: bool = False,
    channel: str | None = None,
    passes: str | Sequence[str] | None = None,
    data_type: str | None = None,
    unit: str | None = None,
    storage: str = "binary",
    version: str | None = None,
) -> None:
    """Write one pass of one channel as an SDF file; options as in ``docs/reference/formats-iso.md``.

    Raises
    ------
    CalibError
        If the file exists and ``force`` is false, it can't be written, or the form can't hold the scan.
    """
    form = "An SDF file"
    stored, scan, names = _iso.to_be_stored(
        scan, form, channel=channel, data_type=data_type, unit=unit, passes=passes, offset=False
    )
    if len(names) != 1:
        raise ScanError(f"{form} holds one pass: say passes = {names[0]!r} or {names[-1]!r}, and write one file each.")
    for axis, coordinates in (("fast", scan.fast), ("slow", scan.slow)):
        if not _iso.is_even(coordinates):
            raise ScanError(
                f"{form} holds even steps, and those along the {axis} axis are not: write an .x3p or .nc file."
            )
    if storage not in ("binary", "text"):
        raise ScanError(f"storage must be 'binary' or 'text', not {storage!r}.")
    rows, columns = stored.layers[0].shape
    kind = stored.dtype.name
    needs_2 = max(rows, columns) > _MOST_POINTS_1 or kind not in _OF_VERSION_1
    version = version or ("2.0" if needs_2 else "1.0")
    if version not in LAYOUTS:
        raise ScanError(f"version must be '1.0' or '2.0', not {version!r}.")
    if version == "1.0" and needs_2:
        raise ScanError(
            f"Version 1.0 holds {', '.join(_OF_VERSION_1)} and at most 65535 points a line: say version = '2.0'."
        )
    trailer = _iso.to_lines(scan, scan.channel, names).replace("\n", "\r\n").encode("ascii")
    fields = _fields(scan, rows, columns, stored.scale, kind, version)
    with write_atomically(path, force) as temporary, open(temporary, "wb") as stream:
        if storage == "text":
            _write_text(stream, fields, stored, trailer, version)
        else:
            stream.write(f"bISO-{version}".encode())
            values = [item.ljust(10).encode() if isinstance(item, str) else item for item in fields]
            stream.write(LAYOUTS[version].pack(*values))
            least: Any = np.iinfo(stored.dtype).min if stored.dtype.kind == "i" else np.finfo(stored.dtype).min
            for numbers, _ in stored.blocks(least):
                stream.write(numbers.tobytes())
            stream.write(trailer)


def _write_text(stream: BinaryIO, fields: Sequence[Any], stored: _iso.Stored, trailer: bytes, version: str) -> None:
    lines = [f"aISO-{version}", *(f"{key} = {value}" for key, value in zip(KEYS, fields, strict=True)), "*", ""]
    stream.write("\r\n".join(lines).encode("ascii"))
    for numbers, valid in stored.blocks(0):
        for row, good in zip(numbers.tolist(), valid.tolist(), strict=True):
            cells = [repr(number) if ok else "BAD" for number, ok in zip(row, good, strict=True)]
            stream.write(" ".join(cells).encode("ascii") + b"\r\n")
    stream.write(b"*\r\n" + trailer + b"*\r\n")


def _fields(scan: Scan, rows: int, columns: int, scale: float, kind: str, version: str) -> list[Any]:
    x_step, y_step = scan.spacing
    source = str(scan.attributes.get("instrument") or "calib").encode("ascii", "replace").decode()[:10]
    resolution = scan.attributes.get("z_resolution", -1.0)
    known = isinstance(resolution, (int, float)) and not isinstance(resolution, bool) and resolution > 0
    when = _iso.moment(scan)
    if when is not None and version == "2.0" and when.tzinfo is not None:
        when = when.astimezone(UTC)
    date = _NO_DATE if when is None else f"{when.day:02}{when.month:02}{when.year:04}{when.hour:02}{when.minute:02}"
    # A column alone has no step of its own; 0 would be refused by some.
    return [
        re.sub(r"[^ -~]", "?", source),
        date,
        date,
        columns,
        rows,
        x_step or y_step or 1.0,
        y_step or (0.0 if rows == 1 else x_step),
        scale,
        float(resolution) if known and math.isfinite(resolution) else -1.0,
        0,
        CODES[kind],
        0,
    ]
