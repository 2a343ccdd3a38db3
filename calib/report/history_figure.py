"""Figure of a history: what was valid when, and each quantity with its control limits."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from calib.errors import ModelError
from calib.history.overview import Followed, Overview, Told
from calib.report import style
from calib.units import show
from calib.verification import CONFORMS, FAILS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MARKS = {CONFORMS: ("^", "check: conforms"), FAILS: ("X", "check: does not conform")}
_UNDECIDED = ("d", "check: can't be decided")


def history_figure(found: Overview) -> Figure:
    """Draw a history: for each scanner a bar of validities, and below it one panel a quantity.

    Raises
    ------
    ModelError
        If it holds no model.
    """
    if not found.told:
        raise ModelError(f"There is no model in {found.history.folder}, so there is nothing to draw.")
    heights: list[float] = []
    for told in found.told:
        heights += [0.55 + 0.17 * len(told.line.validities), *([1.35] * len(told.followed))]
    with style.settings():
        figure = style.new_figure(7.6, sum(heights) + 0.9)
        axes = figure.subplots(len(heights), 1, squeeze=False, height_ratios=heights)[:, 0]
        place = 0
        for told in found.told:
            group = axes[place : place + 1 + len(told.followed)]
            place += len(group)
            _group(list(group), told, found.at)
        figure.supxlabel(
            "Points: models with ± U (k = 2). Shaded: control limits of single points; dashed: of the moving average"
            " (line).\nHollow points made the limits. Rings (points) and squares (average): out of control.",
            fontsize=7.5,
            x=0.01,
            ha="left",
        )
        return figure


def validity_figure(told: Told, at: datetime) -> Figure:
    """Draw when each model of one scanner was valid, with its checks."""
    with style.settings():
        figure = style.new_figure(4.6, 1.1 + 0.26 * len(told.line.validities))
        axes = figure.add_subplot()
        _bars(axes, told, at)
        axes.set_title("")
        _dated(axes)
        axes.set_xlabel("date (UTC); dotted: as of")
        return figure


def quantity_figure(followed: Followed) -> Figure:
    """Draw one quantity of one scanner through time, with its control limits."""
    with style.settings():
        figure = style.new_figure(4.6, 2.9)
        axes = figure.add_subplot()
        _panel(axes, followed)
        days = [_days(record.when) for record in followed.series.models]
        pad = 0.06 * (max(days) - min(days)) + 1.0
        axes.set_xlim(min(days) - pad, max(days) + pad)
        _dated(axes)
        return figure


def _dated(axes: Axes) -> None:
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    locator = AutoDateLocator(minticks=3, maxticks=6)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]


def _group(axes: list[Axes], told: Told, at: datetime) -> None:
    bars, *panels = axes
    _bars(bars, told, at)
    for one in panels:
        one.sharex(bars)
    for one, followed in zip(panels, told.followed, strict=True):
        _panel(one, followed)
    for one in axes[:-1]:
        one.tick_params(labelbottom=False)
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    locator = AutoDateLocator(minticks=3, maxticks=9)  # type: ignore[no-untyped-call]
    axes[-1].xaxis.set_major_locator(locator)
    axes[-1].xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]


def _bars(one: Axes, told: Told, at: datetime) -> None:
    """Draw when each model was valid, newest on top, and its checks on its bar."""
    labelled: set[str] = set()
    for row, validity in enumerate(told.line.validities):
        start = _days(validity.since)
        end = _days(validity.until or max(at, validity.since))
        used = validity is told.in_use
        one.barh(row, end - start, left=start, height=0.55, color=style.FIRST if used else "#b9c4d0")
        one.plot([start], [row], marker="|", color="black", ms=9, ls="none")
        for check in validity.checks:
            mark, label = _MARKS.get(check.verdict, _UNDECIDED)
            one.plot(
                [_days(check.when)],
                [row],
                marker=mark,
                ms=7,
                ls="none",
                color=style.SECOND if check.verdict == FAILS else "white",
                mec="black",
                mew=0.8,
                label=None if label in labelled else label,
            )
            labelled.add(label)
    one.axvline(_days(at), color=style.THIRD, lw=0.8, ls=":")
    rows = len(told.line.validities)
    one.set_ylim(-0.6, rows - 0.4)
    one.set_yticks(range(rows), [validity.record.sha256[:6] for validity in told.line.validities], fontsize=7)
    use = f"in use: {told.in_use.record.sha256[:6]}" if told.in_use else "no model is valid"
    one.set_title(f"{told.line.title}: {use}")
    if labelled:
        one.legend(loc="lower right", fontsize=7)
    # what lies ahead of the date in question is of little interest, and would squeeze the rest
    start = _days(told.line.validities[0].since)
    last = _days(max(at, told.line.validities[-1].since))
    pad = 0.04 * (last - start) + 1.0
    one.set_xlim(start - pad, last + pad)


def _panel(one: Axes, followed: Followed) -> None:
    series, control = followed.series, followed.control
    centre, size, label = _unit(followed)

    def shown(values: np.ndarray) -> np.ndarray:
        return np.asarray((values - centre) / size)

    when = np.array([_days(record.when) for record in series.models])
    first = control.first if control.individuals is not None else series.values.size
    one.errorbar(
        when, shown(series.values), 2 * series.u / size, fmt="none", ecolor=style.FIRST, elinewidth=0.8, capsize=2
    )
    one.plot(when[first:], shown(series.values[first:]), "o", ms=4, color=style.FIRST)
    one.plot(when[:first], shown(series.values[:first]), "o", ms=4, color=style.FIRST, mfc="white")
    if control.individuals is not None and control.ewma is not None:
        judged = when[first:]
        chart, average = control.individuals, control.ewma
        edges = _edges(judged, when)
        one.fill_between(
            edges,
            shown(np.append(chart.lower, chart.lower[-1])),
            shown(np.append(chart.upper, chart.upper[-1])),
            step="post",
            color="#dfe6ee",
            lw=0,
            zorder=0,
        )
        one.axhline(float(shown(np.array(chart.baseline.centre))), color=style.THIRD, lw=0.7, zorder=0.5)
        one.plot(judged, shown(average.statistic), "-", color=style.SECOND, lw=1.3)
        for limit in (average.lower, average.upper):
            one.step(edges, shown(np.append(limit, limit[-1])), where="post", color=style.SECOND, lw=0.8, ls="--")
        for kind, of, values in (("o", chart, series.values[first:]), ("s", average, average.statistic)):
            out = [signal.index for signal in of.signals]
            if out:
                one.plot(judged[out], shown(values[out]), kind, ms=10, mfc="none", mec=style.SECOND, mew=1.6)
    said = ""
    if control.in_control is not None:
        said = ": in control" if control.in_control else ": OUT OF CONTROL"
    one.set_title(f"{series.name}{said}", fontsize=8.5)
    one.set_ylabel(label)


def _edges(judged: np.ndarray, when: np.ndarray) -> np.ndarray:
    """Where the limits of each point begin and the last ends: half way between neighbours."""
    middles = (judged[1:] + judged[:-1]) / 2
    pad = 0.5 * float(np.mean(np.diff(when))) if when.size > 1 else 1.0
    before = when[when < judged[0]]
    start = (float(before[-1]) + float(judged[0])) / 2 if before.size else float(judged[0]) - pad
    return np.concatenate([[start], middles, [float(judged[-1]) + pad]])


def _unit(followed: Followed) -> tuple[float, float, str]:
    """What the axis of a quantity counts from and in: a scale is shown by how far it lies off its first value."""
    series = followed.series
    if series.unit == "m":
        size, name = style.unit_for(float(np.abs(series.values).max() + 2 * series.u.max()))
        return 0.0, size, name
    if series.unit == "rad":
        return 0.0, float(np.pi / 180), "°"
    if not series.relative:
        return 0.0, 0.01, "%"
    chart = followed.control.individuals
    centre = float(chart.baseline.centre if chart is not None else series.values[0])
    return centre, 0.01 * abs(centre), f"% off {show(centre, '1', 6)}"


def _days(date: datetime) -> float:
    """Return a date as matplotlib counts it: days since 1970."""
    return date.timestamp() / 86400.0
