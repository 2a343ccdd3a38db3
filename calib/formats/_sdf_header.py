"""The first record of an SDF file: what it says, and whether that makes sense."""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np

from calib.errors import FileError
from calib.formats import MAX_POINTS, _iso

LAYOUTS = {"1.0": struct.Struct("<10s12s12sHHddddBBB"), "2.0": struct.Struct("<10s12s12sIIddddBBB")}
KEYS = (
    "ManufacID",
    "CreateDate",
    "ModDate",
    "NumPoints",
    "NumProfiles",
    "Xscale",
    "Yscale",
    "Zscale",
    "Zresolution",
    "Compression",
    "DataType",
    "CheckType",
)  # in the order of the file, either form
TYPES = {3: "float32", 4: "int8", 5: "int16", 6: "int32", 7: "float64"}
CODES = {name: code for code, name in TYPES.items()}
_WHOLE = re.compile(r"[+-]?[0-9]{1,18}")


@dataclass(frozen=True)
class Header:
    """The first record."""

    source: str
    created: datetime | None
    modified: datetime | None
    columns: int
    rows: int
    x_step: float
    y_step: float
    z_scale: float
    z_resolution: float
    data_type: str

    @property
    def points(self) -> int:
        """Number of points."""
        return self.columns * self.rows

    @property
    def dtype(self) -> np.dtype[Any]:
        """Little-endian type of the numbers."""
        return np.dtype(_iso.DATA_TYPES[self.data_type])


def parse_header(fields: Mapping[str, Any], version: str) -> Header:
    """Make a header of its fields, numbers or texts by their keys in lower case.

    Raises
    ------
    FileError
        If one is missing, or makes no sense.
    """
    lacking = [
        key for key in KEYS if key.lower() not in fields and key.lower() not in ("manufacid", "createdate", "moddate")
    ]
    lacking = [key for key in lacking if key not in ("Zresolution", "Compression", "CheckType")]
    if lacking:
        raise FileError(f"its header does not say {' and '.join(lacking)}.")
    columns, rows = (_whole(fields, key) for key in ("NumPoints", "NumProfiles"))
    for key, count in (("NumPoints", columns), ("NumProfiles", rows)):
        if count < 1:
            raise FileError(f"its header says {key} = {count}: a scan has at least one.")
    if columns * rows > MAX_POINTS:
        raise FileError(f"its header declares {columns} x {rows} points, more than {MAX_POINTS}, which no scan needs.")
    for key in ("Compression", "CheckType"):
        if code := _whole(fields, key):
            raise FileError(f"its header says {key} = {code}, which the standard does not define: save it with 0.")
    kind = _whole(fields, "DataType")
    if kind not in TYPES:
        codes = ", ".join(f"{code} ({name})" for code, name in TYPES.items())
        raise FileError(f"its header says DataType = {kind}; the standard has {codes}.")
    x_step, y_step, z_scale, z_resolution = (
        _real(fields, key) for key in ("Xscale", "Yscale", "Zscale", "Zresolution")
    )
    for key, step in (("Xscale", x_step), ("Yscale", y_step)):
        if step < 0:
            raise FileError(f"its header says {key} = {step!r}: a step must be more than zero.")
    if z_scale <= 0:
        raise FileError(f"its header says Zscale = {z_scale!r}: it must be more than zero.")
    return Header(
        str(fields.get("manufacid", "")).strip(" \0"),
        _date(fields.get("createdate"), version),
        _date(fields.get("moddate"), version),
        columns,
        rows,
        x_step,
        y_step,
        z_scale,
        z_resolution,
        TYPES[kind],
    )


def _whole(fields: Mapping[str, Any], key: str) -> int:
    value = fields.get(key.lower(), 0)
    if isinstance(value, str):
        if not _WHOLE.fullmatch(value):
            raise FileError(f"its header says {key} = {value[:30]!r}, which is no whole number.")
        return int(value)
    return int(value)


def _real(fields: Mapping[str, Any], key: str) -> float:
    value = fields.get(key.lower(), -1.0)
    if isinstance(value, str) and not _iso.is_real(value):
        raise FileError(f"its header says {key} = {value[:30]!r}, which is no number.")
    number = float(value)
    if not math.isfinite(number):
        if key == "Zresolution":
            return -1.0
        raise FileError(f"its header says {key} = {number!r}: it must be a finite number.")
    return number


def _date(text: object, version: str) -> datetime | None:
    """Read DDMMYYYYHHMM: UTC in version 2.0, the clock of an unknown place in version 1.0."""
    digits = str(text or "").strip(" \0")
    if not re.fullmatch(r"[0-9]{12}", digits):
        return None
    try:
        found = datetime.strptime(digits, "%d%m%Y%H%M")
    except ValueError:
        return None
    return found.replace(tzinfo=UTC) if version == "2.0" else found
