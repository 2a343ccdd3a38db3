"""Writing X3P files, so that every program that keeps to the standard reads them."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC
from pathlib import Path
from typing import Any

import numpy as np

from calib.errors import ScanError
from calib.files import write_atomically
from calib.formats import _iso
from calib.formats._xml import escape
from calib.formats._zip import write_archive
from calib.scan import Scan

WRITE_OPTIONS = _iso.WRITE_OPTIONS
UNKNOWN_DATE = "0001-01-01T00:00:00Z"
"""Stands where the standard wants a date and there is none."""

_TYPES = {"int16": "I", "int32": "L", "float32": "F", "float64": "D"}
_PROBINGS = ("Contacting", "NonContacting", "Software")
_MOST_LISTED = 400_000  # points as text
_NAMESPACE = "http://www.opengps.eu/2008/ISO5436_2"
_REVISION = "ISO5436 - 2000"

Array = np.ndarray[Any, np.dtype[Any]]
Put = Callable[[str, int, Iterator[bytes]], None]


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
) -> None:
    """Write one channel as an X3P file, two passes as its layers; options as in ``docs/reference/formats-iso.md``.

    Raises
    ------
    CalibError
        If the file exists and ``force`` is false, it can't be written, or the form can't hold the scan.
    """
    if data_type is not None and data_type not in _TYPES:
        raise ScanError(f"data_type must be {', '.join(_TYPES)} for an X3P file, not {data_type!r}.")
    if storage not in ("binary", "text"):
        raise ScanError(f"storage must be 'binary' or 'text', not {storage!r}.")
    stored, scan, names = _iso.to_be_stored(
        scan, "An X3P file", channel=channel, data_type=data_type, unit=unit, passes=passes, offset=True
    )
    if storage == "text" and scan.values[0].size * len(names) > _MOST_LISTED:
        raise ScanError(f"More than {_MOST_LISTED} points are not written as text: say storage = 'binary'.")
    points = _Points(scan, stored)
    with write_atomically(path, force) as temporary:
        write_archive(temporary, lambda put: _fill(put, scan, stored, points, names, storage == "text"))


def _fill(put: Put, scan: Scan, stored: _iso.Stored, points: _Points, names: Sequence[str], listed: bool) -> None:
    if listed:
        data = ["<DataList>", *points.texts(), "</DataList>"]
    else:
        digest = hashlib.md5(usedforsecurity=False)
        put("bindata/data.bin", points.count * points.record.itemsize, points.binary(digest.update))
        data = ["<DataLink>", "<PointDataLink>bindata/data.bin</PointDataLink>"]
        data.append(f"<MD5ChecksumPointData>{digest.hexdigest()}</MD5ChecksumPointData>")
        # Floating-point numbers have NaN, which everybody understands.
        if stored.dtype.kind == "i" and not all(part.all() for part in points.valid):
            valid = np.packbits(np.concatenate(points.valid), bitorder="little").tobytes()
            put("bindata/valid.bin", len(valid), iter([valid]))
            data.append("<ValidPointsLink>bindata/valid.bin</ValidPointsLink>")
            data.append(f"<MD5ChecksumValidPoints>{_md5(valid)}</MD5ChecksumValidPoints>")
        data.append("</DataLink>")
    main = _main(scan, stored, points, names, data).encode("utf-8")
    put("main.xml", len(main), iter([main]))
    sums = f"{_md5(main)} *main.xml\n".encode()
    put("md5checksum.hex", len(sums), iter([sums]))


def _md5(data: bytes) -> str:
    return hashlib.md5(data, usedforsecurity=False).hexdigest()


class _Points:
    """The points as records of x and y, where they are listed, and z."""

    def __init__(self, scan: Scan, stored: _iso.Stored) -> None:
        self.stored, self.axes = stored, (scan.fast, scan.slow)
        self.listed = [not _iso.is_even(axis) for axis in self.axes]
        fields = [(name, "<f8") for name, on in zip(("x", "y"), self.listed, strict=True) if on]
        self.record = np.dtype([*fields, ("z", stored.dtype)])
        self.count = sum(layer.size for layer in stored.layers)
        self.valid: list[Array] = []

    def blocks(self) -> Iterator[tuple[Array, Array]]:
        """Yield records of some rows, and which are valid."""
        self.valid, row = [], 0
        for numbers, valid in self.stored.blocks(0 if self.stored.dtype.kind == "i" else math.nan):
            records = np.empty(numbers.shape, self.record)
            records["z"] = numbers
            if self.listed[0]:
                records["x"] = self.axes[0][None, :]
            if self.listed[1]:
                rows = (row + np.arange(len(numbers))) % self.axes[1].size
                records["y"] = self.axes[1][rows][:, None]
            row += len(numbers)
            yield records.reshape(-1), valid.reshape(-1)

    def binary(self, seen: Callable[[bytes], None]) -> Iterator[bytes]:
        """Yield the bytes of the records."""
        for records, valid in self.blocks():
            self.valid.append(valid)
            data = records.tobytes()
            seen(data)
            yield data

    def texts(self) -> Iterator[str]:
        """Yield the records as elements."""
        for records, valid in self.blocks():
            columns = [_texts(records[name]) for name in self.record.names or ()]
            for cells, good in zip(zip(*columns, strict=True), valid.tolist(), strict=True):
                yield f"<Datum>{';'.join(cells)}</Datum>" if good else "<Datum/>"


def _texts(numbers: Array) -> list[str]:
    if numbers.dtype.kind == "i":
        return [str(number) for number in numbers.tolist()]
    # So many digits give the same number again, to readers who know only double precision too.
    return [f"{number:.16E}" for number in numbers.tolist()]


def _main(scan: Scan, stored: _iso.Stored, points: _Points, names: Sequence[str], data: Sequence[str]) -> str:
    rows, columns = stored.layers[0].shape
    steps, axes = scan.spacing, []
    for name, listed, step in zip(("CX", "CY"), points.listed, steps, strict=True):
        # One row or column alone has no step of its own, and 0 is refused by some.
        increment = 1.0 if listed else step or max(steps) or 1.0
        axes.append(_axis(name, "A" if listed else "I", "D", increment, 0.0))
    axes.append(_axis("CZ", "A", _TYPES[stored.dtype.name], stored.scale, stored.offset))
    comment = _iso.to_lines(scan, scan.channel, names, points.listed)
    about, when = scan.attributes, _iso.moment(scan)
    date = UNKNOWN_DATE if when is None else _utc(when)
    probing = about.get("probing") if about.get("probing") in _PROBINGS else _PROBINGS[0]
    instrument = "".join(
        f"<{name}>{_token(about.get(name.lower(), ''))}</{name}>"
        for name in ("Manufacturer", "Model", "Serial", "Version")
    )
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<p:ISO5436_2 xmlns:p="{_NAMESPACE}" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        f'xsi:schemaLocation="{_NAMESPACE} {_NAMESPACE}/ISO5436_2.xsd">',
        "<Record1>",
        f"<Revision>{_REVISION}</Revision><FeatureType>SUR</FeatureType>",
        "<Axes>",
        *axes,
        "</Axes>",
        "</Record1>",
        "<Record2>",
        f"<Date>{date}</Date><Creator>{_token(about.get('creator') or 'calib')}</Creator>",
        f"<Instrument>{instrument}</Instrument>",
        f"<CalibrationDate>{UNKNOWN_DATE}</CalibrationDate>",
        f"<ProbingSystem><Type>{probing}</Type>"
        f"<Identification>{_token(scan.probe or '')}</Identification></ProbingSystem>",
        f"<Comment>{escape(comment)}</Comment>",
        "</Record2>",
        "<Record3>",
        f"<MatrixDimension><SizeX>{columns}</SizeX><SizeY>{rows}</SizeY><SizeZ>{len(names)}</SizeZ></MatrixDimension>",
        *data,
        "</Record3>",
        "<Record4><ChecksumFile>md5checksum.hex</ChecksumFile></Record4>",
        "</p:ISO5436_2>",
        "",
    ]
    return "\n".join(lines)


def _axis(name: str, kind: str, data_type: str, increment: float, offset: float) -> str:
    return (
        f"<{name}><AxisType>{kind}</AxisType><DataType>{data_type}</DataType>"
        f"<Increment>{increment!r}</Increment><Offset>{offset!r}</Offset></{name}>"
    )


def _utc(when: Any) -> str:
    text: str = (when if when.tzinfo is None else when.astimezone(UTC).replace(tzinfo=None)).isoformat()
    return text if when.tzinfo is None else text + "Z"


def _token(value: object) -> str:
    return escape(" ".join(str(value).split()))
