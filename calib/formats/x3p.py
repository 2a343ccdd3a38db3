"""ISO 25178-72, the X3P file: heights on a grid in a ZIP archive, with a description in XML.

Read are surfaces and profiles by the editions of 2017 and its amendment of 2020, even or listed coordinates, binary
numbers or text. What is written keeps to what all programs read: see ``docs/reference/formats-iso.md``.
"""

from __future__ import annotations

import contextlib
import hashlib
import math
import re
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from calib.errors import FileError
from calib.formats import MAX_POINTS, _iso
from calib.formats._beside import naming, read_settings
from calib.formats._given import Image, choose
from calib.formats._x3p_points import TYPES, Axis, Binary, Listed, grid
from calib.formats._x3p_write import UNKNOWN_DATE, WRITE_OPTIONS, write
from calib.formats._xml import Element, parse
from calib.formats._zip import SIGNATURE, Archive
from calib.formats.joining import with_retrace
from calib.scan import Scan

__all__ = ["NAME", "READ_OPTIONS", "SUFFIXES", "WRITE_OPTIONS", "read", "recognise", "write"]

NAME = "an X3P file (ISO 25178-72)"
SUFFIXES = (".x3p",)
READ_OPTIONS = (*_iso.READ_OPTIONS, "layers", "checksum")

_MAIN = "main.xml"
_LARGEST_MAIN = 2**25  # bytes
_WHOLE = re.compile(r"\+?[0-9]{1,19}")
_INSTRUMENT = {"Manufacturer": "manufacturer", "Model": "model", "Serial": "serial", "Version": "version"}

Array = np.ndarray[Any, np.dtype[Any]]


def recognise(head: bytes, path: Path) -> bool:
    """Tell by a ZIP archive that has a ``main.xml``."""
    if not head.startswith(SIGNATURE):
        return False
    try:
        with Archive(path) as archive:
            return any(_base(name) == _MAIN for name in archive.names)
    except FileError:
        return False


# --- reading -------------------------------------------------------------------------------------


def read(path: Path, *, channel: str | None = None, **options: Any) -> Scan:
    """Read an X3P file; options as in ``docs/reference/formats-iso.md``.

    Raises
    ------
    FileError
        If it is broken, or holds no grid of heights.
    """
    settings = read_settings(path, options, READ_OPTIONS)
    return with_retrace(path, settings, channel, lambda given: _scan(path, given, channel))


def _scan(path: Path, settings: dict[str, Any], channel: str | None) -> Scan:
    with naming(path):
        checked = settings.pop("checksum", True)
        if checked not in (True, False):
            raise FileError("checksum must be true or false.")
        layers = settings.pop("layers", None)
        with Archive(path) as archive:
            surface = _read(archive, checked)
        chosen = choose(layers, len(surface.images), "layers")
        return _iso.to_scan(surface, settings, channel, path, chosen=chosen, noun=("layer", "layers"))


def _read(archive: Archive, checked: bool) -> _iso.Surface:
    mains = sorted((name for name in archive.names if _base(name) == _MAIN), key=lambda name: name.count("/"))
    mains = [name for name in mains if not name.startswith("__MACOSX/")]
    if not mains:
        raise FileError(f"it has no member {_MAIN!r}, which describes the data of an X3P file.")
    main = mains[0]
    data = archive.read(main, _LARGEST_MAIN)
    listed = Listed()
    root = parse(data, item="Datum", take=listed.take)
    if root.name not in ("ISO5436_2", "ISO5436"):
        raise FileError(f"its {_MAIN} describes {root.name[:30]!r}, no surface of ISO 25178-72.")
    axes = [_axis(root, name) for name in ("CX", "CY", "CZ")]
    columns, rows, layers = _sizes(root)
    link = root.said("Record3", "DataLink", "PointDataLink")
    if link:
        folder = main[: -len(_MAIN)]
        source: Any = Binary(archive, root.find("Record3", "DataLink"), folder, axes, columns * rows * layers, checked)
    else:
        source = listed.table(axes, columns * rows * layers)
    fast, slow, heights = grid(source, axes, (layers, rows, columns))
    rotation, tilt = _rotation(root)
    flip_x, flip_y = _direction(fast), _direction(slow)
    heights = heights[:, ::flip_y, ::flip_x]
    text, fields, attributes = _record2(root)
    if rotation:
        fields["rotation"] = f"{math.degrees(rotation)!r} deg"
    for key, axis, coordinates in (("origin_x", axes[0], fast), ("origin_y", axes[1], slow)):
        if axis.absolute or axis.offset:
            attributes[key] = float(coordinates.min())
    wrong = [*([] if _agrees(archive, main, root, data) else [main]), *source.wrong]
    if wrong:
        attributes["wrong_checksum"] = ", ".join(wrong)
    if tilt:
        attributes["frame_tilt"] = tilt
    ours = _iso.has_lines(text)
    images = [Image((rows, columns), lambda values=values: values) for values in heights]  # type: ignore[misc]
    z = axes[2]
    return _iso.Surface(
        images,
        z.increment,
        z.offset,
        _about_middle(fast[::flip_x], axes[0], ours),
        _about_middle(slow[::flip_y], axes[1], ours),
        text,
        fields,
        attributes,
    )


def _base(name: str) -> str:
    return name.rpartition("/")[2]


# --- the description -----------------------------------------------------------------------------


def _axis(root: Element, name: str) -> Axis:
    element = root.find("Record1", "Axes", name)
    if element is None:
        raise FileError(f"its {_MAIN} does not describe the axis {name}.")
    kind = element.said("AxisType")
    if kind not in ("I", "A") or (name == "CZ" and kind != "A"):
        raise FileError(
            f"its axis {name} has the AxisType {kind[:30]!r}, where {'A' if name == 'CZ' else 'I or A'} is right."
        )
    data_type = element.said("DataType") or "D"
    if data_type not in TYPES:
        raise FileError(f"its axis {name} has the DataType {data_type[:30]!r}: it must be I, L, F or D.")
    increment, offset = _real(element, name, "Increment", 1.0), _real(element, name, "Offset", 0.0)
    if increment == 0 or (name == "CZ" and increment < 0):
        raise FileError(f"its axis {name} has the Increment {increment!r}: it must be more than zero.")
    return Axis(name, kind == "A", data_type, increment, offset)


def _real(element: Element, axis: str, key: str, default: float) -> float:
    text = element.said(key)
    if not text:
        return default
    if not _iso.is_real(text) or not math.isfinite(float(text)):
        raise FileError(f"its axis {axis} has the {key} {text[:30]!r}, which is no finite number.")
    return float(text)


def _sizes(root: Element) -> tuple[int, int, int]:
    feature = root.said("Record1", "FeatureType")
    matrix = root.find("Record3", "MatrixDimension")
    if feature == "PCL" or matrix is None:
        raise FileError("it holds a list of points, no grid of heights: convert it to a text file of x, y and z.")
    sizes = []
    for key in ("SizeX", "SizeY", "SizeZ"):
        text = matrix.said(key)
        if not _WHOLE.fullmatch(text) or int(text) < 1:
            raise FileError(f"its {key} is {text[:30]!r}: it must be a whole number, one or more.")
        sizes.append(int(text))
    columns, rows, layers = sizes
    if columns * rows * layers > MAX_POINTS:
        raise FileError(
            f"it declares {columns} x {rows} x {layers} points, more than {MAX_POINTS}, which no scan needs."
        )
    return columns, rows, layers


def _rotation(root: Element) -> tuple[float, float]:
    """Return the turn about z, and the angle by which the frame's own z leans, rad."""
    element = root.find("Record1", "Axes", "Rotation")
    if element is None:
        return 0.0, 0.0
    matrix = np.empty((3, 3))
    for row in range(3):
        for column in range(3):
            text = element.said(f"r{row + 1}{column + 1}")
            if not _iso.is_real(text) or abs(float(text)) > 1 + 1e-6:
                raise FileError(
                    f"its Rotation has r{row + 1}{column + 1} = {text[:30]!r}: it must be between -1 and 1."
                )
            matrix[row, column] = float(text)
    if np.abs(matrix @ matrix.T - np.eye(3)).max() > 1e-3 or np.linalg.det(matrix) < 0 or matrix[2, 2] < 0.5:
        raise FileError("its Rotation is no turn of a surface that is seen from above.")
    tilt = math.acos(min(matrix[2, 2], 1.0)) if matrix[2, 2] < 1 - 1e-9 else 0.0
    angle = math.atan2(matrix[1, 0], matrix[0, 0])
    return 0.0 if abs(angle) < 1e-12 else angle, tilt


def _record2(root: Element) -> tuple[str, dict[str, Any], dict[str, Any]]:
    """Return (text, fields, attributes) of what was measured with what."""
    record = root.find("Record2")
    if record is None:
        return "", {}, {}
    text = record.said("Comment")[: 2**20]
    found = {"creator": record.said("Creator"), "probing": record.said("ProbingSystem", "Type")}
    found |= {key: record.said("Instrument", name) for name, key in _INSTRUMENT.items()}
    for key, name in (("created", "Date"), ("calibrated", "CalibrationDate")):
        found[key] = record.said(name)
        if found[key].startswith(UNKNOWN_DATE[:10]):
            found[key] = ""
        with contextlib.suppress(ValueError):  # as it stands, then
            found[key] = datetime.fromisoformat(found[key]).isoformat()
    if text and not _iso.has_lines(text):
        found["comment"] = text
    probe = record.said("ProbingSystem", "Identification")
    return text, {"probe": probe} if probe else {}, {key: value for key, value in found.items() if value}


# --- check sums ----------------------------------------------------------------------------------


def _agrees(archive: Archive, main: str, root: Element, data: bytes) -> bool:
    """Whether the check sum of the description agrees, so far as there is one."""
    name = main[: -len(_MAIN)] + (root.said("Record4", "ChecksumFile") or "md5checksum.hex")
    if name not in archive.names:
        return True
    said = archive.read(name, 2**16).decode("ascii", "replace").split()
    return not said or said[0].lower() == hashlib.md5(data, usedforsecurity=False).hexdigest()


# --- coordinates -----------------------------------------------------------------------------


def _direction(coordinates: Array) -> int:
    return -1 if coordinates.size > 1 and coordinates[0] > coordinates[-1] else 1


def _about_middle(coordinates: Array, axis: Axis, ours: bool) -> Array:
    """Return coordinates relative to the middle; those that we listed are so already."""
    if not axis.absolute:
        return _iso.centred(coordinates.size, abs(axis.increment))
    return coordinates if ours else coordinates - (coordinates[0] + coordinates[-1]) / 2
