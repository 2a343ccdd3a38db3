"""What the user states of a history: tolerances, limits, dates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

from calib import units
from calib.errors import CalibError
from calib.history import control as charts
from calib.history.series import Series


@dataclass(frozen=True)
class Wishes:
    """What the user states of a history. Texts by name of a quantity carry units: ``{"scale": "0.2 %"}``.

    Attributes
    ----------
    valid_for
        How long a model may be used, s.
    tolerances
        By how much a quantity may change before the scanner is calibrated again. A name such as ``scale`` means both
        axes; a ratio said of a scale or of the z gain is a part of its value.
    targets, sds
        Centres and standard deviations of control charts.
    baseline, false_alarms
        See :class:`calib.history.control.Limits`.
    size
        Side of the frames over which quantities hold, m.
    at
        Date for which all is said; by default now.
    """

    valid_for: float | None = None
    tolerances: Mapping[str, str] = field(default_factory=dict)
    targets: Mapping[str, str] = field(default_factory=dict)
    sds: Mapping[str, str] = field(default_factory=dict)
    baseline: int | None = None
    false_alarms: float = charts.FALSE_ALARMS
    size: float | None = None
    at: datetime = field(default_factory=lambda: datetime.now(UTC))


def wish_of(series: Series, wishes: Mapping[str, str]) -> str | None:
    """Return what is wished for a quantity by its name, or by its name without the axis."""
    exact = wishes.get(series.name)
    return exact if exact is not None else wishes.get(series.name.rsplit(" ", 1)[0])


def target_of(series: Series, wishes: Wishes) -> float | None:
    """Return the centre of a quantity that is wished for, in SI units."""
    text = wish_of(series, wishes.targets)
    if text is None:
        return None
    if series.unit == "1":
        try:
            return float(text)
        except ValueError:
            return units.parse(text, "ratio", f"--target {series.name}")
    return _parsed(series, text, "--target")


def amount_of(series: Series, wishes: Mapping[str, str], option: str, target: float | None) -> float | None:
    """Return a tolerance or standard deviation that is wished for, in SI units."""
    text = wish_of(series, wishes)
    if text is None:
        return None
    found = _parsed(series, text, option)
    if series.relative:
        found *= abs(float(series.values[-1]) if target is None else target)
    if found < 0 or (found == 0 and option == "--tolerance"):
        raise CalibError(f"{option} {series.name}: {text!r} must be positive.")
    return found


def _parsed(series: Series, text: str, option: str) -> float:
    dimensions: dict[str, units.Dimension] = {"1": "ratio", "rad": "angle", "m": "length"}
    return units.parse(text, dimensions[series.unit], f"{option} {series.name}")
