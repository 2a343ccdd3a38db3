"""Limits that a user states, read from a TOML file; see ``docs/reference/verification.md`` for the file."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from calib import units
from calib.errors import StatisticsError
from calib.files import read_toml, unknown_key
from calib.kinds import refuse_other
from calib.statistics.decision import RULES, Rule
from calib.statistics.risk import Limits
from calib.units import Dimension, show
from calib.verification.characteristic import KINDS, SIGNED

QUANTITIES: dict[str, str] = {"pitch": "m", "pitch_x": "m", "pitch_y": "m", "angle": "rad", "height": "m"}
"""Quantities of standards, with their SI units."""

_DIMENSIONS: dict[str, Dimension] = {"m": "length", "rad": "angle", "1": "ratio"}
_OPTIONS = ("rule", "guard", "level")
_KEYS = ("tolerance", "range", *_OPTIONS)


@dataclass(frozen=True)
class Limit:
    """What a quantity or characteristic may be, and how that is decided.

    Attributes
    ----------
    name
        Of the quantity or characteristic.
    tolerance
        Greatest deviation from the nominal or certified value, SI; of a relative one, as a part of that value. None if
        a range is stated, or nothing (E_n).
    relative
        Whether the tolerance is a part of the nominal or certified value.
    low, high
        Range, SI; infinite where none is stated.
    rule, guard, level
        See :func:`calib.statistics.decision.decide`.
    stated
        What the file said, for people.
    """

    name: str
    tolerance: float | None = None
    relative: bool = False
    low: float = -math.inf
    high: float = math.inf
    rule: Rule = "guard band"
    guard: float = 1.0
    level: float = 0.95
    stated: str = ""

    def about(self, nominal: float) -> Limits | None:
        """Return the limits of a value whose nominal or certified value is known; None if only E_n counts."""
        if self.tolerance is not None:
            tolerance = self.tolerance * abs(nominal) if self.relative else self.tolerance
            # what can't be negative has no limit below
            return Limits(-math.inf if self._magnitude else nominal - tolerance, nominal + tolerance)
        if math.isinf(self.low) and math.isinf(self.high):
            return None
        return Limits(self.low, self.high)

    @property
    def _magnitude(self) -> bool:
        return self.name in KINDS and self.name not in SIGNED


def read_limits(path: str | Path) -> dict[str, Limit]:
    """Read a file of limits.

    Returns
    -------
    dict
        Limits by the name of the quantity or characteristic.

    Raises
    ------
    CalibError
        If it can't be read, names what is not known, or a limit has no unit.
    """
    refuse_other(path, "file of limits")
    table, _ = read_toml(path, error=StatisticsError)
    for key in table:
        if key not in ("limits", *_OPTIONS):
            raise StatisticsError(
                f"{path}: there is no key {key!r}: the file has a table [limits], and before it"
                f" {', '.join(_OPTIONS)} of all limits."
            )
    entries = table.get("limits", {})
    if not isinstance(entries, dict) or not entries:
        raise StatisticsError(f'{path} states no limits: add a table [limits] with lines such as noise = "1 nm".')
    usual = {key: table[key] for key in _OPTIONS if key in table}
    # people see names with spaces
    named = {"_".join(name.split()): entry for name, entry in entries.items()}
    return {name: _limit(f"{path}, {name}", name, entry, usual) for name, entry in named.items()}


def _limit(where: str, name: str, entry: object, usual: Mapping[str, Any]) -> Limit:
    if name not in KINDS and name not in QUANTITIES:
        known = ", ".join((*KINDS, *QUANTITIES))
        raise StatisticsError(f"{where}: no characteristic or quantity has this name; known are {known}.")
    if not isinstance(entry, dict):
        entry = {"range": entry} if isinstance(entry, list) else {"tolerance": entry}
    for key in entry:
        if key not in _KEYS:
            raise StatisticsError(f"{where}: there is no key {key!r}: {unknown_key(key, _KEYS)}")
    options = _options(where, {**usual, **{key: entry[key] for key in _OPTIONS if key in entry}})
    if "tolerance" in entry and "range" in entry:
        raise StatisticsError(f"{where}: state a tolerance or a range, not both.")
    if "range" in entry:
        return Limit(
            name, low=(side := _range(where, name, entry["range"]))[0], high=side[1], stated=side[2], **options
        )
    if "tolerance" not in entry:
        if options.get("rule") != "E_n":
            raise StatisticsError(f'{where}: it states no limit: add tolerance = "…" or range = ["…", "…"].')
        return Limit(name, stated="as certified", **options)
    tolerance, relative = _tolerance(where, name, entry["tolerance"])
    if not tolerance > 0:
        raise StatisticsError(f"{where}: a tolerance must be more than zero, not {entry['tolerance']!r}.")
    unit = "%" if relative else unit_of(name)
    magnitude = name in KINDS and name not in SIGNED
    stated = f"at most {show(tolerance, unit)}" if magnitude else f"within ± {show(tolerance, unit)}"
    return Limit(name, tolerance, relative, stated=stated, **options)


def unit_of(name: str) -> str:
    """Return the SI unit of a quantity or characteristic."""
    return KINDS[name][1] if name in KINDS else QUANTITIES[name]


def _tolerance(where: str, name: str, text: object) -> tuple[float, bool]:
    """Return a tolerance, and whether it is a part of the nominal value."""
    unit = unit_of(name)
    percentage = isinstance(text, str) and text.strip().endswith("%")
    if unit != "1" and not (percentage and name in QUANTITIES and unit == "m"):
        return units.parse(text, _DIMENSIONS[unit], where, error=StatisticsError), False
    return units.parse(text, "ratio", where, error=StatisticsError), True


def _range(where: str, name: str, texts: object) -> tuple[float, float, str]:
    if not (isinstance(texts, list) and len(texts) == 2):
        raise StatisticsError(f'{where}: a range has two ends, such as ["99.8 %", "100.2 %"].')
    low, high = (units.parse(text, _DIMENSIONS[unit_of(name)], where, error=StatisticsError) for text in texts)
    if not low < high:
        raise StatisticsError(f"{where}: the first end of a range must be below the second.")
    return low, high, f"{texts[0]} to {texts[1]}"


def _options(where: str, stated: Mapping[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    if "rule" in stated:
        if stated["rule"] not in RULES:
            raise StatisticsError(f"{where}: there is no rule {stated['rule']!r}; known are {', '.join(RULES)}.")
        found["rule"] = cast(Rule, stated["rule"])
    for key, low, high, said in (("guard", 0.0, 10.0, "from 0 to 10"), ("level", 0.5, 0.9999, "from 0.5 to 0.9999")):
        if key in stated:
            number = stated[key]
            if isinstance(number, bool) or not isinstance(number, (int, float)) or not low <= number <= high:
                raise StatisticsError(f"{where}: {key} is a number {said}, not {number!r}.")
            found[key] = float(number)
    return found
