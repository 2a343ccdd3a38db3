"""The fields of a scan that say how it was taken, in the words of files.

Native files hold them as attributes (numbers in m, s, deg and °C), TOML files as texts with units.
"""

from __future__ import annotations

import json
import math
import numbers
import re
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any, cast

import numpy as np

from calib import units
from calib.errors import FileError, ScanError
from calib.scan import Scan
from calib.units import Dimension

TEXTS = ("title", "scanner", "probe")
CHOICES = ("frame", "pattern", "frame_of_reference")
QUANTITIES: dict[str, Dimension] = {
    "centre_x": "length",
    "centre_y": "length",
    "rotation": "angle",
    "line_period": "time",
    "turnaround": "time",
    "previous_x": "length",
    "previous_y": "length",
    "temperature": "temperature",
    "z_centre": "length",
}
FIELDS = (*TEXTS, *CHOICES, *QUANTITIES, "started", "controller")

_UNITS: dict[Dimension, str] = {"length": "m", "angle": "rad", "time": "s", "temperature": "K"}
_CONVENTIONS = "CF-1.11"
_OF_THE_FILE = {"Conventions", "coordinates", "file"}  # they describe the file, not the scan
MOST_ATTRIBUTES = 10_000
_NUMBER = re.compile(r"\s*[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?\s*")


# --- attributes of a native file -----------------------------------------------------------------


def to_attributes(scan: Scan) -> dict[str, Any]:
    """Return the global attributes of the native file, in types that NetCDF-4 has."""
    attributes: dict[str, Any] = {"Conventions": _CONVENTIONS}
    for name in (*TEXTS, *CHOICES):
        if value := getattr(scan, name):
            attributes[name] = _clean(value)
    for name, dimension in QUANTITIES.items():
        if (value := getattr(scan, name)) is not None:
            attributes[name] = _for_people(float(value), dimension)
    if scan.started is not None:
        attributes["started"] = scan.started.isoformat()
    if scan.controller is not None:
        attributes["controller"] = _clean(_controller_text(scan.controller))
    for name, value in scan.attributes.items():
        name = _clean(name).replace("/", "_")
        if name and name not in FIELDS and name not in _OF_THE_FILE and not name.startswith("_N"):
            attributes[name] = _storable(value)
    return attributes


def from_attributes(attributes: Mapping[str, Any]) -> dict[str, Any]:
    """Return keyword arguments for `Scan` from the global attributes of a native file.

    Raises
    ------
    FileError
        If one of them is not what it has to be.
    """
    found = {name: plain(value) for name, value in attributes.items()}
    fields: dict[str, Any] = {}
    for name in (*TEXTS, *CHOICES):
        if (value := found.pop(name, None)) not in (None, ""):
            fields[name] = str(value).strip().lower() if name in CHOICES else str(value)
    for name, dimension in QUANTITIES.items():
        if (value := found.pop(name, None)) not in (None, ""):
            number = _number(value, dimension, name)
            if not math.isnan(number):
                fields[name] = number
    if (value := found.pop("started", None)) not in (None, ""):
        fields["started"] = _moment(value)
    if (value := found.pop("controller", None)) not in (None, ""):
        fields["controller"] = value if isinstance(value, Mapping) else _controller(str(value))
    fields["attributes"] = {
        name: value for name, value in found.items() if name not in _OF_THE_FILE and not name.startswith("_N")
    }
    return fields


def plain(value: Any) -> Any:
    """Return an attribute as str, int, float, or a list of these, whatever the library made of it."""
    if isinstance(value, np.ndarray):
        return plain(value.reshape(-1)[0]) if value.size == 1 else [plain(item) for item in value.tolist()]
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace")
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, str):
        return value.encode("utf-8", "replace").decode("utf-8")  # HDF5 may hold what is no Unicode
    if isinstance(value, (int, float, Mapping, date)):
        return value
    return ""


def _number(value: Any, dimension: Dimension, name: str) -> float:
    if isinstance(value, str) and not _NUMBER.fullmatch(value):
        return units.parse(value, dimension, name, error=FileError)
    if isinstance(value, bool) or not isinstance(value, (str, numbers.Real)):
        raise FileError(f"The attribute {name} must be a number, not {value!r}.")
    number = float(value)
    if dimension == "angle":
        return math.radians(number)
    return number + units.ZERO_CELSIUS if dimension == "temperature" else number


def _for_people(value: float, dimension: Dimension) -> float:
    # Rounded, lest 20 °C be written as 19.99999999999997.
    if dimension == "angle":
        return round(math.degrees(value), 12)
    return round(value - units.ZERO_CELSIUS, 9) if dimension == "temperature" else value


def _moment(value: Any) -> datetime:
    if isinstance(value, datetime):
        return value
    try:
        return datetime.fromisoformat(str(value).strip())
    except ValueError:
        raise FileError(f"started must be a date and time such as '2026-03-01T09:30:00', not {value!r}.") from None


def _controller(text: str) -> dict[str, Any]:
    try:
        settings = json.loads(text)
    except (ValueError, RecursionError):
        settings = None
    return settings if isinstance(settings, dict) else {"settings": text}


def _controller_text(controller: Mapping[str, Any]) -> str:
    text = controller.get("settings")
    if len(controller) == 1 and isinstance(text, str) and text and _controller(text) == {"settings": text}:
        return text
    try:
        return json.dumps(dict(controller), ensure_ascii=False, allow_nan=False, default=_for_json)
    except (TypeError, ValueError) as problem:
        raise ScanError(f"The controller's settings can't be written to a file: {problem}.") from None


def _for_json(value: Any) -> Any:
    if isinstance(value, Mapping):
        return dict(value)
    if isinstance(value, (np.ndarray, np.generic)):
        return value.tolist()
    return str(value)


def _storable(value: Any) -> Any:
    """Return a value as text, number, list of texts or array of numbers; as JSON text where it is none of these."""
    value = plain(value)
    if isinstance(value, str):
        return _clean(value)
    if isinstance(value, bool):
        return int(value)
    if isinstance(value, int):
        return value if -(2**63) <= value < 2**63 else str(value)
    if isinstance(value, float):
        return value
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, list) and value:
        if all(isinstance(item, str) for item in value):
            return [_clean(item) for item in value]
        if all(isinstance(item, float) or (type(item) is int and abs(item) < 2**63) for item in value):
            return np.array(value)
    return _clean(json.dumps(value, ensure_ascii=False, default=_for_json))


def _clean(text: str) -> str:
    """Without what a NetCDF text can't hold."""
    return text.replace("\0", "").encode("utf-8", "replace").decode("utf-8")


# --- a TOML file ---------------------------------------------------------------------------------


def to_toml(scan: Scan) -> dict[str, Any]:
    """Return the fields of a scan as a table of texts with units."""
    table: dict[str, Any] = {name: value for name in (*TEXTS, *CHOICES) if (value := getattr(scan, name))}
    for name, dimension in QUANTITIES.items():
        if (value := getattr(scan, name)) is not None:
            table[name] = units.exact(float(value), _UNITS[dimension])
    if scan.started is not None:
        table["started"] = scan.started.isoformat()
    if scan.controller is not None:
        text = _controller_text(scan.controller)
        # TOML has no null; such settings stay JSON text, as those that are only text stay text.
        as_table = text != scan.controller.get("settings") and "null" not in text
        table["controller"] = json.loads(text) if as_table else text
    rest = {name: _storable(value) for name, value in scan.attributes.items() if name not in _OF_THE_FILE}
    if rest:
        table["attributes"] = {name: plain(value) for name, value in rest.items()}
    return table


def from_toml(table: Mapping[str, Any]) -> dict[str, Any]:
    """Return keyword arguments for `Scan` from the keys of `table` that are fields of a scan.

    Raises
    ------
    FileError
        If one of them is not what it has to be.
    """
    fields: dict[str, Any] = {}
    for name in (*TEXTS, *CHOICES):
        if (value := table.get(name)) is not None:
            if not isinstance(value, str):
                raise FileError(f"{name} must be a text, not {value!r}.")
            fields[name] = value
    for name, dimension in QUANTITIES.items():
        if (value := table.get(name)) is not None:
            fields[name] = units.parse(value, dimension, name, error=FileError)
    if (value := table.get("started")) is not None:
        fields["started"] = _moment(value)
    if (value := table.get("controller")) is not None:
        if not isinstance(value, (str, Mapping)):
            raise FileError(f"controller must be a table of settings or a text, not {value!r}.")
        fields["controller"] = cast(Any, value) if isinstance(value, Mapping) else _controller(value)
    if (value := table.get("attributes")) is not None:
        if not isinstance(value, Mapping):
            raise FileError(f"attributes must be a table, not {value!r}.")
        if len(value) > MOST_ATTRIBUTES:
            raise FileError(f"attributes has {len(value)} keys, which no scan needs.")
        fields["attributes"] = dict(value)
    return fields
