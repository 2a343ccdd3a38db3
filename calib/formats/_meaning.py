"""What the images of a file are: which channels, which passes, in which units."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from calib import units
from calib.errors import FileError
from calib.formats._settings import text_of
from calib.scan import PASSES


def channels_of(settings: Mapping[str, Any], channel: str | None) -> list[str]:
    given = settings.get("channels")
    if given is None:
        return [text_of(settings, "channel") or channel or "height"]
    if (
        not isinstance(given, (list, tuple))
        or not given
        or not all(isinstance(name, str) and name for name in given)
        or len(set(given)) != len(given)
    ):
        raise FileError(f'channels must be a list of different names such as ["height", "current"], not {given!r}.')
    return list(given)


def passes_of(settings: Mapping[str, Any], count: int, names: Sequence[str], noun: tuple[str, str]) -> tuple[str, ...]:
    given = settings.get("passes")
    passes = (given,) if isinstance(given, str) else given
    held = f"1 {noun[0]}" if count == 1 else f"{count} {noun[1]}"
    if passes is None:
        if count == len(names):
            return (PASSES[0],)
        if count != 2 * len(names) or len(names) == 1:
            raise FileError(
                f'it holds {held}: say passes = ["trace", "retrace"] if they are the two passes of one scan'
                + ("." if "blank" in noun[1] else ', and channels = ["height", "current"] if they are channels.')
            )
        passes = PASSES
    if not isinstance(passes, (list, tuple)) or not passes or any(name not in PASSES for name in passes):
        raise FileError(f'passes must be a list of "trace" and "retrace", not {passes!r}.')
    if len(passes) * len(names) != count:
        held = held.split(" with ")[0]
        named = f"passes names {len(passes)}" + (f" and channels {len(names)}" if len(names) > 1 else "")
        raise FileError(f"it holds {held}, where {named}.")
    return tuple(passes)


def units_of(settings: Mapping[str, Any], names: Sequence[str], lacking: list[str]) -> list[tuple[float, float, str]]:
    """Return (factor, offset, unit) of each channel: they make SI numbers of those in the file."""
    given, shift = settings.get("unit"), settings.get("offset")
    if not isinstance(given, (list, tuple)):
        alone = "height" if "height" in names else names[0]
        given = [given if name == alone else None for name in names]
    elif len(given) != len(names):
        raise FileError(f"unit must be one unit, or a list of one for each of {len(names)} channels.")
    if shift is not None and len(names) > 1:
        raise FileError("offset can't be said of several channels: read one of them at a time.")
    found = []
    for name, unit in zip(names, given, strict=True):
        factor, kept = _unit(unit, name, lacking)
        found.append((factor, 0.0 if shift is None else _shift(shift, kept), kept))
    return found


def _unit(unit: Any, channel: str, lacking: list[str]) -> tuple[float, str]:
    if unit is None:
        if channel == "height":
            lacking.append('the unit of its heights is not known: give unit = "nm", or what one count is worth')
        return 1.0, ""
    if not isinstance(unit, str):
        raise FileError(f'unit must be a text such as "nm", not {unit!r}.')
    if unit.lstrip()[:1].isdigit() and channel != "height" and unit.strip() == "1":
        return 1.0, "1"
    if unit.lstrip()[:1].isdigit():  # so much for each unit of the number that was stored
        factor = units.parse(unit, "length", "unit", error=FileError)
        if factor <= 0:
            raise FileError("unit must be more than zero.")
        return factor, "m"
    if channel != "height" and (unit == "" or not units.is_length(unit)):
        return 1.0, unit
    return units.factor_of(unit, "length", "unit", error=FileError), "m"


def _shift(given: Any, unit: str) -> float:
    if unit == "m":
        return units.parse(given, "length", "offset", error=FileError)
    if isinstance(given, bool) or not isinstance(given, (int, float)) or not np.isfinite(given):
        raise FileError(f"offset must be a number, or a length for a channel in a unit of length, not {given!r}.")
    return float(given)
