"""The TOML file of a standard: every key checked, and one sentence for whatever is wrong."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import Any, NoReturn

from calib import units
from calib.errors import StandardError
from calib.files import unknown_key
from calib.standard import KINDS, NOMINAL_LIMITS, REFERENCE_TEMPERATURE, Certificate, Flat, Grid, Standard, Value
from calib.units import Dimension

_COMMON = ("kind", "name", "certificate", "thermal_expansion", "reference_temperature", "source", "notes")
_SPREAD = ("unevenness", "mounting")
_UNCERTAINTY = ("U", "k", "u", "tolerance")
_SI = {"length": "m", "angle": "rad", "thermal expansion": "1/K"}
_EXAMPLES = {
    "length": '{ value = "2.0000 µm", U = "2.0 nm", k = 2 }',
    "angle": '{ value = "90.000 deg", U = "0.010 deg", k = 2 }',
    "thermal expansion": '{ value = "2.6e-6 / K", U = "0.1e-6 / K", k = 2 }',
}


def standard_from_table(table: Mapping[str, Any], where: str, file: str = "", sha256: str = "") -> Standard:
    """Make a standard of the content of its TOML file.

    Parameters
    ----------
    table
        The content.
    where
        What messages call the file.
    file, sha256
        Name and digest of the file, kept with the standard.

    Raises
    ------
    StandardError
        If the description is incomplete or contradicts itself.
    """
    return _Reader(where).standard(table, file, sha256)


class _Reader:
    """Reads one file, whose name stands before every message."""

    def __init__(self, where: str) -> None:
        self.where = where

    def fail(self, message: str) -> NoReturn:
        raise StandardError(f"{self.where}: {message}")

    def standard(self, table: Mapping[str, Any], file: str, sha256: str) -> Standard:
        kind = KINDS.get(str(table.get("kind")))
        if kind is None:
            self.fail(f"kind must be {' or '.join(map(repr, KINDS))}, not {table.get('kind')!r}.")
        spread = () if kind is Flat else _SPREAD
        area = ("area",) if kind is Flat else ()
        self.check_keys(table, (*_COMMON, *kind.REQUIRED, *kind.OPTIONAL, *spread, *area), "")
        fields: dict[str, Any] = {"file": file, "sha256": sha256}
        for key in ("name", "source", "notes"):
            fields[key] = self.text(table, key)
        if not fields["name"]:
            self.fail("name is missing: give the standard a name.")
        for key, dimension in kind.REQUIRED.items():
            if key not in table:
                self.fail(f"{key} is missing: a {kind.kind} needs it, for example {key} = {_EXAMPLES[dimension]}.")
            fields[key] = self.flatness(table[key]) if key == "flatness" else self.positive(table, key, dimension)
        for key, dimension in kind.OPTIONAL.items():
            if key in table:
                fields[key] = self.positive(table, key, dimension, nominal=True)
        for key in spread:
            if key in table:
                fields[key] = self.deviation(table[key], key)
        if area:
            fields["area"] = self.area(table.get("area"))
        if kind is Grid and not 0 < fields["angle"].value < math.pi:
            self.fail(f"angle must lie between 0 and 180 deg, not at {fields['angle'].stated['value']}.")
        fields |= self.temperature(table)
        if "certificate" in table:
            fields["certificate"] = self.certificate(table["certificate"])
        return kind(**fields)

    # --- values ----------------------------------------------------------------------------------

    def positive(self, table: Mapping[str, Any], key: str, dimension: Dimension, nominal: bool = False) -> Value:
        value = self.nominal(table[key], key, dimension) if nominal else self.value(table[key], key, dimension)
        if value.value <= 0:
            self.fail(f"{key} must be more than zero, not {value.stated['value']}.")
        if value.u >= value.value:
            self.fail(f"{key} is no larger than its own uncertainty: check their units.")
        return value

    def value(self, given: Any, key: str, dimension: Dimension) -> Value:
        if not isinstance(given, Mapping):
            self.fail(f"{key} needs a value and its uncertainty, for example {key} = {_EXAMPLES[dimension]}.")
        self.check_keys(given, ("value", "source", *_UNCERTAINTY), f"{key}.")
        if "value" not in given:
            self.fail(f"{key}.value is missing, for example {key} = {_EXAMPLES[dimension]}.")
        u, rectangular = self.uncertainty(given, key, dimension)
        return Value(
            self.quantity(given["value"], f"{key}.value", dimension),
            u,
            _SI[dimension],
            "rectangular" if rectangular else "normal",
            self.text(given, "source", f"{key}."),
            {name: item for name, item in given.items() if name != "source"},
        )

    def nominal(self, given: Any, key: str, dimension: Dimension) -> Value:
        """Return a value that need not have an uncertainty, since little depends on it."""
        if not isinstance(given, str):
            return self.value(given, key, dimension)
        value = self.quantity(given, key, dimension)
        stated = {"value": given, "assumed": f"{NOMINAL_LIMITS:.0%}"}
        return Value(value, abs(value) * NOMINAL_LIMITS / math.sqrt(3), _SI[dimension], "rectangular", stated=stated)

    def uncertainty(self, given: Mapping[str, Any], key: str, dimension: Dimension) -> tuple[float, bool]:
        """Return the standard uncertainty, and whether it comes from limits."""
        found = [name for name in ("U", "u", "tolerance") if name in given]
        if not found and "k" not in given:
            self.fail(f"{key} has no uncertainty: give U and k, or tolerance (limits), or u (k = 1).")
        if len(found) > 1:
            self.fail(f"{key} has both {found[0]} and {found[1]}: give one of them.")
        if found == ["U"] and "k" not in given:
            self.fail(f"{key}.U has no k: give the coverage factor of the certificate, for example k = 2.")
        if "k" in given and found != ["U"]:
            self.fail(f"{key}.k belongs to U, which is not given: write U = …, k = {given['k']}.")
        name = found[0]
        amount = self.quantity(given[name], f"{key}.{name}", dimension)
        if amount <= 0:
            self.fail(f"{key}.{name} must be more than zero, not {given[name]}.")
        if name == "tolerance":
            return amount / math.sqrt(3), True
        k = given.get("k", 1)
        if isinstance(k, bool) or not isinstance(k, (int, float)) or not (math.isfinite(k) and k > 0):
            self.fail(f"{key}.k must be a number more than zero, not {k!r}.")
        return amount / k, False

    def deviation(self, given: Any, key: str) -> Value:
        example = f'{key} = {{ u = "0.5 nm" }}'
        if not isinstance(given, Mapping):
            self.fail(f"{key} is a spread about zero: give it by U and k, tolerance or u, for example {example}.")
        self.check_keys(given, ("source", *_UNCERTAINTY), f"{key}.")
        u, rectangular = self.uncertainty(given, key, "length")
        said = {name: item for name, item in given.items() if name != "source"}
        kind = "rectangular" if rectangular else "normal"
        return Value(0.0, u, "m", kind, self.text(given, "source", f"{key}."), said)  # type: ignore[arg-type]

    def flatness(self, given: Any) -> Value:
        table = {"value": given} if isinstance(given, str) else given
        if not isinstance(table, Mapping) or "value" not in table:
            self.fail('flatness must be a length, for example flatness = "20 nm".')
        self.check_keys(table, ("value", "source", "U", "k"), "flatness.")
        departure = self.quantity(table["value"], "flatness", "length")
        if departure <= 0:
            self.fail(f"flatness must be more than zero, not {table['value']}.")
        margin = 0.0
        if len(table.keys() & {"U", "k"}):
            u, _ = self.uncertainty(table, "flatness", "length")
            margin = u * float(table["k"])
        stated = {name: item for name, item in table.items() if name != "source"}
        limits = (departure + margin) / math.sqrt(3)
        return Value(departure, limits, "m", "rectangular", self.text(table, "source", "flatness."), stated)

    def area(self, given: Any) -> tuple[float, float]:
        if not isinstance(given, list) or len(given) != 2:
            self.fail('area must be two sides, for example area = ["5 mm", "5 mm"].')
        sides = [self.quantity(side, "area", "length") for side in given]
        if min(sides) <= 0:
            self.fail("area must have sides of more than zero.")
        return sides[0], sides[1]

    def temperature(self, table: Mapping[str, Any]) -> dict[str, Any]:
        fields: dict[str, Any] = {}
        given = table.get("thermal_expansion")
        if given is not None:
            fields["thermal_expansion"] = self.nominal(given, "thermal_expansion", "thermal expansion")
        if "reference_temperature" in table:
            kelvin = self.quantity(table["reference_temperature"], "reference_temperature", "temperature")
            fields["reference_temperature"] = kelvin
        elif fields:
            fields["reference_temperature"] = REFERENCE_TEMPERATURE
        return fields

    # --- words -----------------------------------------------------------------------------------

    def certificate(self, given: Any) -> Certificate:
        if not isinstance(given, Mapping):
            self.fail("certificate must be a table: write [certificate], then number, date, laboratory, next_due.")
        self.check_keys(given, ("number", "date", "laboratory", "next_due"), "certificate.")
        number = given.get("number", "")
        if isinstance(number, int) and not isinstance(number, bool):
            number = str(number)
        return Certificate(
            number=self.text({"number": number}, "number", "certificate."),
            date=self.day(given, "date"),
            laboratory=self.text(given, "laboratory", "certificate."),
            next_due=self.day(given, "next_due"),
        )

    def day(self, given: Mapping[str, Any], key: str) -> date | None:
        value = given.get(key)
        if isinstance(value, datetime):
            return value.date()
        if value is None or isinstance(value, date):
            return value
        try:
            return date.fromisoformat(value)
        except (TypeError, ValueError):
            self.fail(f"certificate.{key} must be a date such as 2026-03-01, not {value!r}.")

    def text(self, table: Mapping[str, Any], key: str, prefix: str = "") -> str:
        value = table.get(key, "")
        if not isinstance(value, str):
            self.fail(f"{prefix}{key} must be a text, not {value!r}.")
        return value.strip()

    def quantity(self, given: Any, key: str, dimension: Dimension) -> float:
        return units.parse(given, dimension, f"{self.where}: {key}", error=StandardError)

    def check_keys(self, table: Mapping[str, Any], known: Iterable[str], prefix: str) -> None:
        known = tuple(known)
        for key in table:
            if key not in known:
                self.fail(f"there is no key {prefix}{key}: {unknown_key(key, known)}")
