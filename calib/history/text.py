"""What a history says, in lines for people."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from calib.history.dates import shown
from calib.history.doubtful import Corrected
from calib.history.overview import Followed, Overview, Told
from calib.history.timeline import Validity
from calib.units import format_quantity, show

YEAR = 365.25 * 86400.0
_WIDTH = 110
_CHARTS = {"individuals": "single points", "EWMA": "weighted moving average"}


def lines_of(found: Overview) -> list[str]:
    """Return the lines, without the files that could not be read."""
    history = found.history
    lines = [
        f"{history.folder}: {_count(len(history.models), 'model')} and {_count(len(history.checks), 'verification')}."
        " Times are UTC."
    ]
    for told in found.told:
        lines += ["", *_of_scanner(told, found)]
    if found.warnings:
        lines += ["", "Notes:", *(line for warning in found.warnings for line in _bullet(warning))]
    if found.scans is not None:
        lines += ["", *_of_scans(found.scans)]
    return lines


def _of_scanner(told: Told, found: Overview) -> list[str]:
    lines = [told.line.title]
    use = told.in_use
    lines.append(
        f"  In use on {shown(found.at)}: {use.record.path.name}"
        if use
        else f"  No model is valid on {shown(found.at)}: calibrate."
    )
    date, why = told.due
    if use is not None:
        past = date is not None and date <= found.at
        lines.append(
            f"  Calibrate again: {'now' if past else f'by {shown(date)}'}; {why}."
            if date
            else "  Calibrate again: nothing says when; give --valid-for or --tolerance."
        )
    lines += ["", "  What was valid when:"]
    for one in told.line.validities:
        lines += _of_validity(one)
    if told.problem:
        lines += ["", *_bullet(told.problem)]
    if told.followed:
        lines += ["", "  Quantities (by the newest model, and drift a year):"]
        width = max(len(one.series.name) for one in told.followed)
        for followed in told.followed:
            lines += _of_quantity(followed, width)
        lines += _of_charts(told.followed)
    return lines


def _of_validity(one: Validity) -> list[str]:
    until = f"to {shown(one.until)} ({one.ended_by})" if one.until else "with no end so far"
    lines = [f"    {shown(one.since)} {until}  {one.record.path.name}"]
    for check in one.checks:
        by = f" against {check.standards}" if check.standards else ""
        lines.append(f"      checked {shown(check.when)}{by}: {check.verdict}")
    return lines


def _of_quantity(one: Followed, width: int) -> list[str]:
    series = one.series
    now = format_quantity(float(series.values[-1]), series.unit, u=float(series.u[-1]))
    unit = "%" if series.unit == "1" else series.unit  # of changes
    if one.drift is None:
        moved = "no drift can be told from one model"
    else:
        moved = format_quantity(one.drift.rate * YEAR, unit, u=one.drift.u * YEAR)
        moved += ", significant" if one.drift.significant else ", may as well be none"
        moved += "" if one.drift.consistent else "; the points lie on no straight line"
    lines = [f"    {series.name:<{width}}  {now};  {moved}", f"    {'':<{width}}  ({series.about})"]
    if one.leaving is not None:
        found = one.leaving
        half = (found.upper - found.lower) / 2
        lines.append(
            f"    {'':<{width}}  leaves its tolerance of ± {show(half, unit)}: earliest {_when(found.earliest)},"
            f" likely {_when(found.likely)}, latest {_when(found.latest)}"
        )
    return lines


def _of_charts(followed: Sequence[Followed]) -> list[str]:
    judged = [one for one in followed if one.control.in_control is not None]
    lines = ["", "  Control charts (single points, and weighted moving average):"]
    if not judged:
        return lines + _bullet(followed[0].control.said, "    ")
    for said in dict.fromkeys(one.control.said for one in judged):
        same = [one for one in judged if one.control.said == said]
        names = ", ".join(one.series.name for one in same)
        lines += _bullet(f"{names}: {said}", "    ")
    signals = [(one, signal) for one in judged for signal in one.control.signals]
    for one, (record, kind, side) in signals:
        lines.append(
            f"    OUT OF CONTROL: {one.series.name}, {record.path.name} of {shown(record.when)}, {side} its limit"
            f" ({_CHARTS.get(kind, kind)})"
        )
    points = sum(one.series.values.size - one.control.first for one in judged)
    if not signals:
        lines.append(f"    In control: none of {_count(points, 'point')} lies outside.")
    left = [one.series.name for one in followed if one.control.in_control is None]
    if left:
        lines += _bullet(f"not judged, too few models tell: {', '.join(left)}", "    ")
    return lines


def _of_scans(scans: Sequence[Corrected]) -> list[str]:
    lines = [f"{_count(len(scans), 'corrected scan')}:"]
    groups: dict[str, list[Corrected]] = {}
    for one in scans:
        name = one.validity.record.path.name if one.validity else f"model {one.model_sha256[:12]}…"
        groups.setdefault(name, []).append(one)
    for name, members in groups.items():
        lines.append(f"  with {name}:")
        for one in members:
            taken = shown(one.taken, "date unknown    ")
            state = "" if one.standing == "fine" and not one.reason else f"  {one.standing.upper()}: {one.reason}"
            lines.append(f"    {taken}  {one.path}{state}")
    doubtful = sum(one.standing == "doubtful" for one in scans)
    if doubtful:
        lines.append(f"  {_count(doubtful, 'scan')} in doubt: correct again with a model that is right for them.")
    return lines


def _when(date: object) -> str:
    from datetime import datetime

    return f"{date:%Y-%m-%d}" if isinstance(date, datetime) else "never"


def _bullet(text: str, indent: str = "  ") -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=f"{indent}- ", subsequent_indent=f"{indent}  ")


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
