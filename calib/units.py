"""Quantities as people write and read them; SI numbers everywhere else.

Reading is pint's job. Printing needs no unit registry, so that it costs nothing at start-up.
"""

from __future__ import annotations

import math
import re
from decimal import Decimal
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal

from calib.errors import CalibError

if TYPE_CHECKING:
    import pint

Dimension = Literal[
    "length", "angle", "time", "temperature", "temperature difference", "thermal expansion", "speed", "ratio"
]

# Dimension to the name that pint gives its SI unit, and an example for messages.
_DIMENSIONS: dict[str, tuple[str, str]] = {
    "length": ("meter", "2.0000 µm"),
    "angle": ("radian", "90.000 deg"),
    "time": ("second", "0.5 s"),
    "temperature": ("kelvin", "20 degC"),
    "temperature difference": ("kelvin", "0.5 K"),
    "thermal expansion": ("1 / kelvin", "2.6e-6 / K"),
    "speed": ("meter / second", "10 µm / s"),
    "ratio": ("dimensionless", "0.1 %"),
}

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?")
# pint evaluates arithmetic in unit strings, and "9**9**9**9" would keep it busy for ever: only plain products pass.
_FACTOR = r"[A-Za-zµμΩÅ°%_]+(?:(?:\*\*|\^)-?[0-9]|⁻?[⁰¹²³⁴-⁹])?"
_UNIT = re.compile(rf"(?:1? ?/ ?)?{_FACTOR}(?: ?[*/·] ?{_FACTOR}| {_FACTOR})*")

ZERO_CELSIUS = 273.15


# --- reading -------------------------------------------------------------------------------------


def parse(
    text: object,
    dimension: Dimension,
    key: str = "The value",
    *,
    error: type[CalibError] = CalibError,
    example: str = "",
) -> float:
    """Read a number with its unit.

    Parameters
    ----------
    text
        Such as ``"2.0000 µm"``, ``"2e-6 m"``, ``"90.000 deg"``, ``"2.6e-6 / K"``, ``"20 degC"``.
    dimension
        What it has to be. A ``temperature`` is absolute (``degC`` are converted), a ``temperature difference`` is not.
    key
        What the value is called where it was written, for the message.
    error
        Class of the error that is raised.
    example
        What the message shows how to write; by default one of that dimension.

    Returns
    -------
    float
        In SI units and radians. Decimal units are exact: ``"2.1 µm"`` is ``2.1e-6``.

    Raises
    ------
    CalibError
        If it is no number with a unit of that dimension.
    """
    root, usual = _DIMENSIONS[dimension]
    advice = f"write for example {example or usual!r}"
    if not isinstance(text, str):
        raise error(f"{key} must be a text with a unit, not {_short(text)}: {advice}.")
    cleaned = " ".join(text.replace("\u2212", "-").replace("\u212b", "Å").split())
    number = _NUMBER.match(cleaned)
    if number is None or cleaned[number.end() :].startswith(","):
        raise error(f"{key}: {_short(text)} is not a number with a unit: {advice}.")
    unit = cleaned[number.end() :].strip()
    if not unit:
        raise error(f"{key}: {_short(text)} has no unit: {advice}.")
    found, factor, offset = _unit_or_error(unit, key, advice, error)
    if found != root:
        raise error(f"{key}: {_short(text)} is no {dimension}: {advice}.")
    if dimension == "temperature difference":
        offset = 0.0
    value = _times(number.group(), factor) + offset
    if not math.isfinite(value):
        raise error(f"{key}: {_short(text)} is too large to be meant.")
    if dimension == "temperature" and value < 0:
        raise error(f"{key}: {_short(text)} lies below absolute zero.")
    return value


def factor_of(
    unit: object, dimension: Dimension, key: str = "The unit", *, error: type[CalibError] = CalibError
) -> float:
    """Return how many SI units one ``unit`` is.

    Raises
    ------
    CalibError
        If ``unit`` is unknown, or no unit of that dimension.
    """
    root, example = _DIMENSIONS[dimension]
    advice = f"write for example {example.split()[-1]!r}"
    found, factor, offset = _unit_or_error(" ".join(str(unit).split()), key, advice, error)
    if found != root or offset:
        raise error(f"{key}: {_short(unit)} is no unit of {dimension}: {advice}.")
    return factor


def is_length(unit: str) -> bool:
    """Whether ``unit`` is a unit of length."""
    try:
        factor_of(unit, "length")
    except CalibError:
        return False
    return True


def _unit_or_error(unit: str, key: str, advice: str, error: type[CalibError]) -> tuple[str, float, float]:
    try:
        return _unit(unit)
    except ValueError:
        raise error(f"{key}: the unit {_short(unit)} is unknown: {advice}.") from None


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[Any]:
    import pint

    return pint.UnitRegistry()


@lru_cache(maxsize=1024)
def _unit(text: str) -> tuple[str, float, float]:
    """Return (SI unit, factor, offset) of a unit, so that SI = factor * number + offset."""
    if len(text) > 60 or not _UNIT.fullmatch(text):
        raise ValueError(text)
    registry = _registry()
    try:
        unit = registry.parse_units("1" + text if text.startswith("/") else text.replace("·", "*"))
        zero, one = (registry.Quantity(number, unit).to_root_units() for number in (0.0, 1.0))
        offset = float(zero.magnitude)
        return str(one.units), float(one.magnitude) - offset, offset
    except Exception as problem:  # pint has no common base class for what its parser raises
        raise ValueError(text) from problem


def _times(number: str, factor: float) -> float:
    """Multiply as decimals where the factor is a power of ten, so that no digit is lost."""
    value = float(number)
    exponent = round(math.log10(factor))
    if value == 0 or not math.isfinite(value) or not math.isclose(factor, 10.0**exponent, rel_tol=1e-12):
        return value * factor
    return float(Decimal(number).scaleb(exponent))


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 50 else text[:47] + "..."


# --- printing ------------------------------------------------------------------------------------

_PREFIXES = ((9, "G"), (6, "M"), (3, "k"), (0, ""), (-3, "m"), (-6, "µ"), (-9, "n"), (-12, "p"))
_NO_LARGER = ("m", "s", "m/s", "K")  # nobody says kiloseconds
_SMALLEST, _LARGEST = 1e-3, 1e7  # numbers before a unit; beyond, powers of ten read better than zeros
_TINY = 1e-14  # of the value: an uncertainty that its digits can't show
_NOTHING = 1e-306  # of any unit; here doubles lose their digits


def show(value: float, unit: str = "m", digits: int = 4) -> str:
    """Print an SI number that has no uncertainty (a setting, a nominal value) with a sensible prefix.

    Parameters
    ----------
    value
        In SI units.
    unit
        Its SI unit: ``m``, ``s``, ``rad`` (printed in °), ``m/s``, ``K``, ``1``, ``1/K``, ``V`` and so on; ``degC`` and
        ``%`` say how a temperature in K or a ratio is printed.
    digits
        Significant digits; zeros at the end are dropped.
    """
    shown = _shown(value, unit)
    if not math.isfinite(shown):
        return "unknown"
    scale, symbol = _scale(abs(shown), unit)
    return _join(_plain(shown / scale, digits), symbol)


def format_quantity(value: float, unit: str = "m", *, u: float | None = None, k: float = 2.0) -> str:
    """Print an SI number with its expanded uncertainty, to two significant digits of the latter.

    Parameters
    ----------
    value, unit
        As for :func:`show`.
    u
        Standard uncertainty, in the SI unit of ``value``; None or NaN if it is unknown.
    k
        Coverage factor: U = k u is printed.

    Returns
    -------
    str
        Such as ``"2.0013 µm ± 0.0020 µm (k = 2)"``; digits as JCGM 100:2008, 7.2.6.
    """
    shown = _shown(value, unit)
    if not math.isfinite(shown):
        return "unknown"
    expanded = math.nan if u is None else abs(k * u) / _fixed(unit)
    if not math.isfinite(expanded):
        return f"{show(value, unit)} ± unknown"
    if u == 0:
        return f"{show(value, unit, 12)} (exact)"
    if expanded < max(_TINY * abs(shown), _NOTHING):  # more digits than a double has
        return f"{show(value, unit, 15)} ± {show(expanded * _fixed(unit), _difference(unit), 2)} (k = {k:.3g})"
    scale, symbol = _scale(max(abs(shown), expanded), unit)
    decimals = _decimals(expanded / scale)
    if shown:  # a double holds no more than 15 digits
        decimals = min(decimals, 14 - math.floor(math.log10(abs(shown / scale))))
    number, margin = _fixed_point(shown / scale, decimals), _fixed_point(expanded / scale, decimals)
    return f"{_join(number, symbol)} ± {_join(margin, symbol)} (k = {k:.3g})"


def rounded_to(value: float, expanded: float, unit: str = "m") -> str:
    """Print an SI number to the digits that two digits of an expanded uncertainty support, which stands elsewhere.

    Parameters
    ----------
    value, unit
        As for :func:`show`.
    expanded
        U, in the SI unit of ``value``; without one, or with zero, the number is printed as :func:`show` does.
    """
    if not math.isfinite(value) or not (math.isfinite(expanded) and expanded > 0):
        return show(value, unit)
    return format_quantity(value, unit, u=expanded, k=1.0).split(" ± ")[0]


def exact(value: float, unit: str = "m") -> str:
    """Write an SI number so that :func:`parse` returns the same number.

    Parameters
    ----------
    value
        Finite, in SI units.
    unit
        ``m``, ``s``, ``rad``, or ``K`` (an absolute temperature).
    """
    if unit == "rad":
        degrees = _decimal(Decimal(repr(math.degrees(value))))
        return f"{degrees} deg" if float(degrees) * (math.pi / 180) == value else f"{value!r} rad"
    if unit == "K":
        celsius = _decimal(Decimal(repr(value)) - Decimal("273.15"))
        return f"{celsius} degC" if float(celsius) + ZERO_CELSIUS == value else f"{value!r} K"
    exponent, prefix = _prefix(abs(value), unit)
    return f"{_decimal(Decimal(repr(value)).scaleb(-exponent))} {prefix}{unit}"


def _decimal(number: Decimal) -> str:
    text = format(number.normalize(), "f")
    return text if len(text) <= 25 else format(number.normalize(), "e")


def _shown(value: float, unit: str) -> float:
    shown = value - ZERO_CELSIUS if unit == "degC" else value / _fixed(unit)
    return 0.0 if abs(shown) < _NOTHING else shown


def _difference(unit: str) -> str:
    return "K" if unit == "degC" else unit


def _fixed(unit: str) -> float:
    return {"rad": math.pi / 180, "%": 0.01, "1/K": 1e-6}.get(unit, 1.0)


def _scale(magnitude: float, unit: str) -> tuple[float, str]:
    """Return (factor, symbol) in which a number of that magnitude reads well."""
    symbol = {"rad": "°", "degC": "°C", "1": "", "1/K": "ppm/K", "%": "%"}.get(unit)
    if symbol is None and (unit.isalpha() or unit == "m/s"):
        exponent, prefix = _prefix(magnitude, unit)
        if magnitude == 0 or _SMALLEST <= magnitude / 10.0**exponent < _LARGEST:
            return 10.0**exponent, prefix + unit
        symbol = unit
    symbol = unit if symbol is None else symbol
    least, most = (1e-18, _LARGEST) if symbol and symbol[0] in "°%" else (1e-3, 1e5)
    if magnitude == 0 or least <= magnitude < most:
        return 1.0, symbol
    exponent = 3 * math.floor(math.log10(magnitude) / 3)
    return 10.0**exponent, f"× 10^{exponent} {symbol}".strip()


def _prefix(magnitude: float, unit: str) -> tuple[int, str]:
    if magnitude == 0:
        return 0, ""
    for exponent, prefix in _PREFIXES:
        # 999.99995 nm is printed as 1 µm
        if magnitude >= 0.9999995 * 10.0**exponent and not (exponent > 0 and unit in _NO_LARGER):
            return exponent, prefix
    return _PREFIXES[-1]


def _decimals(expanded: float) -> int:
    """Decimals that leave two significant digits; 0.0996 becomes 0.10."""
    if expanded == 0:
        return 0
    decimals = 1 - math.floor(math.log10(expanded))
    return decimals - 1 if round(expanded, decimals) >= 10.0 ** (2 - decimals) else decimals


def _fixed_point(value: float, decimals: int) -> str:
    text = f"{round(value, decimals):.{max(decimals, 0)}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


def _plain(value: float, digits: int) -> str:
    if value == 0:
        return "0"
    decimals = digits - 1 - math.floor(math.log10(abs(value)))
    text = _fixed_point(value, decimals)
    return text.rstrip("0").rstrip(".") if "." in text else text


def _join(number: str, symbol: str) -> str:
    return number + symbol if symbol == "°" or not symbol else f"{number} {symbol}"
