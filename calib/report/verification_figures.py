"""Figures of a verification: how far each quantity is from its certificate or limits, and maps of deviations."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from calib.report import style
from calib.statistics.decision import CONFORMS, FAILS
from calib.units import show
from calib.verification.characteristic import KINDS, Characteristic, Map
from calib.verification.collected import VerificationSet
from calib.verification.deciding import Decided

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MARKS = {CONFORMS: ("o", style.FIRST), FAILS: ("X", style.SECOND)}
_UNDECIDED = ("d", style.THIRD)
_LONG = 40


def verification_figure(found: VerificationSet) -> Figure:
    """Draw the verdict with what it rests on: agreement with certificates, and where limits were stated, those."""
    count, limited = sum(len(check.results) for check in found.checks), _limited(found)
    heights = [_height(count), *([_height(len(limited))] if limited else [])]
    with style.settings():
        figure = style.new_figure(5.4, sum(heights) + 0.4)
        axes = figure.subplots(len(heights), 1, squeeze=False, height_ratios=heights)[:, 0]
        _draw_agreement(axes[0], found)
        if limited:
            _draw_limits(axes[1], limited)
        said = f"{found.scanner or 'The scanner'}: {found.verdict}"
        figure.suptitle(_shortened(said), x=0.01, ha="left", fontsize=11, fontweight="bold")
        return figure


def agreement_figure(found: VerificationSet) -> Figure:
    """Draw E_n of each measured quantity: its deviation from the certificate over the expanded uncertainty of both."""
    with style.settings():
        figure = style.new_figure(4.6, _height(sum(len(check.results) for check in found.checks)))
        _draw_agreement(figure.add_subplot(), found)
        return figure


def limits_figure(found: VerificationSet) -> Figure | None:
    """Draw what limits were stated for, each by the widths of its limits, with ± U; None without limits."""
    told = _limited(found)
    if not told:
        return None
    with style.settings():
        figure = style.new_figure(4.6, _height(len(told)))
        _draw_limits(figure.add_subplot(), told)
        return figure


def _height(rows: int) -> float:
    return max(1.9, 1.2 + 0.27 * rows)


def _limited(found: VerificationSet) -> list[Decided]:
    return [one for one in found.decisions if _span(one) is not None]


def _draw_agreement(axes: Axes, found: VerificationSet) -> None:
    told = [(check, result) for check in found.checks for result in check.results]
    names = [_shortened(f"{result.name.replace('_', ' ')} ({check.scan})") for check, result in told]
    place = np.arange(len(told))[::-1]
    most = max([1.5, *(1.15 * abs(result.normalised_error) for _, result in told)])
    axes.axvspan(-1, 1, color="#e4eaf0", lw=0)
    axes.axvline(0, color=style.THIRD, lw=0.6)
    for at, (_, result) in zip(place, told, strict=True):
        mark, ink = _MARKS.get(result.verdict, _UNDECIDED)
        axes.plot(result.normalised_error, at, mark, ms=6, color=ink)
    axes.set_yticks(place, names)
    axes.set_ylim(-0.7, len(told) - 0.3)
    axes.set_xlim(-most, most)
    axes.set_xlabel("E_n: deviation over its U (grey: within ± 1, agrees)")
    axes.set_title("Measured against certified")


def _draw_limits(axes: Axes, told: Sequence[Decided]) -> None:
    place = np.arange(len(told))[::-1]
    axes.axvspan(-1, 1, color="#e4eaf0", lw=0)
    ends = [1.3]
    for at, one in zip(place, told, strict=True):
        middle, half = _span(one) or (0.0, 1.0)
        decision = one.decision
        assert decision is not None
        value, U = (decision.value - middle) / half, decision.U / half
        mark, ink = _MARKS.get(one.verdict, _UNDECIDED)
        axes.errorbar(value, at, xerr=U, fmt=mark, ms=6, color=ink, capsize=2, elinewidth=1)
        ends += [1.1 * (abs(value) + U)]
    most = min(max(ends), 6.0)
    axes.set_yticks(place, [_shortened(_name(one)) for one in told])
    axes.set_ylim(-0.7, len(told) - 0.3)
    axes.set_xlim(-most, most)
    axes.set_xlabel("value by the limits (grey: within), bars: ± U")
    axes.set_title("Against the limits")


def map_figure(one: Characteristic, passed: str) -> Figure:
    """Draw the map of deviations behind a characteristic, one pass."""
    field = one.field
    assert field is not None
    place, off, _ = of_pass(field, passed)
    size, unit = style.unit_for(float(np.abs(place).max()))
    length = np.hypot(*off)
    fine, fine_unit = style.unit_for(float(max(length.max(), 1e-12)))
    with style.settings():
        figure = style.new_figure(4.4, 3.8)
        axes = figure.add_subplot()
        reach = 0.12 * float(np.ptp(place, axis=1).max()) / size
        longest = max(float(length.max()), 1e-15)
        arrows = axes.quiver(
            *(place / size), *(off / longest * reach), length / fine, cmap=style.HEIGHTS, clim=(0, longest / fine),
            angles="xy", scale_units="xy", scale=1, width=0.008, edgecolor="black", linewidth=0.3,
        )  # fmt: skip
        style.colour_bar(figure, arrows, axes, f"deviation ({fine_unit})")
        low, high = place.min(axis=1) / size - 1.3 * reach, place.max(axis=1) / size + 1.3 * reach
        axes.set_xlim(low[0], high[0])
        axes.set_ylim(low[1], high[1])
        axes.set_aspect("equal")
        axes.set_xlabel(f"true x ({unit})")
        axes.set_ylabel(f"true y ({unit})")
        axes.set_title(
            f"Deviations of {_shortened(', '.join(one.made_from))},\n{passed}; longest {show(longest, digits=2)}"
        )
        return figure


def of_pass(field: Map, passed: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Places, deviations and standard uncertainties of the cells of one pass, m, shapes ``(2, cells)``."""
    mine = np.array([name == passed for name in field.passes], dtype=bool)
    place, off, u = (np.asarray(part, dtype=np.float64)[:, mine] for part in (field.place, field.deviation, field.u))
    return place, off, u


def _span(one: Decided) -> tuple[float, float] | None:
    """Middle and half width of limits; of a single one, zero and the limit."""
    limits = None if one.decision is None else one.decision.limits
    if limits is None:
        return None
    low, high = limits.lower, limits.upper
    if np.isfinite(low) and np.isfinite(high) and high > low:
        return (low + high) / 2, (high - low) / 2
    side = high if np.isfinite(high) else low
    return (0.0, abs(side)) if np.isfinite(side) and side else None


def _name(one: Decided) -> str:
    name = KINDS[one.name][2] if one.name in KINDS else one.name.replace("_", " ")
    return f"{name} ({', '.join(one.made_from)})"


def _shortened(text: str) -> str:
    return textwrap.shorten(text, _LONG, placeholder="…") if len(text) > _LONG else text
