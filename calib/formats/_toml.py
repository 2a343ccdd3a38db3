"""Writing TOML; reading it is the standard library's."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import date
from typing import Any

_BARE = re.compile(r"[A-Za-z0-9_-]+")


def dumps(table: Mapping[str, Any]) -> str:
    """Return the TOML text of a table, one key a line; inner tables are written in line, None is left out."""
    return "".join(f"{_key(name)} = {_value(value)}\n" for name, value in table.items() if value is not None)


def _key(name: str) -> str:
    return name if _BARE.fullmatch(name) else _text(name)


def _value(value: Any) -> str:
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Mapping):
        items = (f"{_key(str(name))} = {_value(item)}" for name, item in value.items() if item is not None)
        return "{ " + ", ".join(items) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_value(item) for item in value if item is not None) + "]"
    raise TypeError(f"TOML has no type for {value!r}")


def _text(text: str) -> str:
    # A JSON string is a TOML string, but for these.
    text = text.encode("utf-8", "replace").decode("utf-8")
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
