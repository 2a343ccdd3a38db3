"""The report of a history: what was valid when, how scanners drift, whether they are in control, and what is due."""

from __future__ import annotations

from calib.history.dates import shown
from calib.history.overview import Followed, Overview, Told
from calib.history.record import digest
from calib.history.text import YEAR
from calib.report.document import (
    Block,
    Document,
    Facts,
    Headline,
    Number,
    Paragraph,
    Picture,
    Pictures,
    Points,
    Section,
    Table,
    Tone,
)
from calib.report.formal import MAKER, Given, Known, named, whole
from calib.report.history_figure import quantity_figure, validity_figure
from calib.units import format_quantity, show
from calib.verification import FAILS

TITLE = "History of calibrations"
_HOW = (
    "Points: models with ± U (k = 2). Shaded: control limits of points; dashed: of the moving average, the line."
    " Hollow points made the limits; rings and squares are out of control."
)
_CHARTS = {"individuals": "single points", "EWMA": "weighted moving average"}


def history_report(found: Overview, given: Given) -> Document:
    """Return the report of a history."""
    names = list(dict.fromkeys(named(told.line.scanner) for told in found.told))
    sections = [_scanner(told, found) for told in found.told]
    if not sections:
        sections = [Section("Models", [Paragraph("There is no model in this history.", note=True)])]
    unreadable = [f"{one.path.name}: {one.reason}" for one in found.unreadable]
    sections += [
        Section("Notes", [Points(list(found.warnings))] if found.warnings else []),
        Section("Files that were left out", [Points(unreadable)] if unreadable else []),
    ]
    subject = f"Calibrations of {', '.join(names) or found.history.folder.name}"
    return whole(TITLE, subject, given, _known(found, names), identity(found), _headline(found), sections)


def identity(found: Overview) -> str:
    """Return a hash of what the history holds, which identifies a report of it."""
    models = [record.sha256 for record in found.history.models]
    checks = [digest(record.content) for record in found.history.checks]
    return digest({"models": models, "checks": checks, "at": found.at.isoformat()})


# --- headline --------------------------------------------------------------------------------------


def _headline(found: Overview) -> Headline:
    verdict, tone = "In order", "good"
    said = []
    for told in found.told:
        name = named(told.line.scanner)
        out = [one.series.name for one in told.followed if one.control.in_control is False]
        if told.in_use is None:
            verdict, tone = "Calibrate", "bad"
            said.append(f"{name}: no model is valid on {shown(found.at)}.")
        elif told.due[0] is not None and told.due[0] <= found.at:
            verdict, tone = "Calibration is due", "bad"
            said.append(f"{name}: due since {shown(told.due[0])}; {told.due[1]}.")
        if out:
            if tone != "bad":
                verdict, tone = "Out of control", "bad"
            said.append(f"{name}: {', '.join(out)} out of control.")
    if not found.told:
        verdict, tone = "Nothing to tell", "open"
    if tone == "good":
        judged = any(one.control.in_control is not None for told in found.told for one in told.followed)
        said.append(
            "A model is valid for each scanner, and nothing is out of control."
            if judged
            else "A model is valid for each scanner; too few models tell whether it is in control."
        )
    checked: Tone = "bad" if tone == "bad" else "open" if tone == "open" else "good"
    return Headline(verdict, checked, f"As of {shown(found.at)} UTC. {' '.join(said)}", _numbers(found))


def _numbers(found: Overview) -> list[Number]:
    history = found.history
    failed = sum(check.verdict == FAILS for check in history.checks)
    numbers = [
        Number(
            "Models and checks",
            f"{len(history.models)} and {len(history.checks)}",
            f"{failed} of the checks did not conform" if history.checks else "no verification was filed",
        )
    ]
    dates = [(told.due[0], told) for told in found.told if told.due[0] is not None]
    if dates:
        date, told = min(dates, key=lambda pair: pair[0] or found.at)
        numbers.append(Number("Next calibration", f"{shown(date)}", f"{told.line.title}: {told.due[1]}"))
    else:
        numbers.append(Number("Next calibration", "no date", "give --valid-for or --tolerance to have one"))
    drifting = [
        (abs(one.drift.rate) / (one.drift.k * one.drift.u), told, one)
        for told in found.told
        for one in told.followed
        if one.drift is not None and one.drift.u > 0
    ]
    if drifting:
        _, told, one = max(drifting, key=lambda three: three[0])
        word = "significant" if one.drift is not None and one.drift.significant else "may as well be none"
        numbers.append(Number(f"Surest drift: {one.series.name}", _drift(one), f"a year; {word}; {told.line.title}"))
    return numbers


def _drift(one: Followed) -> str:
    if one.drift is None:
        return ""
    unit = "%" if one.series.unit == "1" else one.series.unit
    return format_quantity(one.drift.rate * YEAR, unit, u=one.drift.u * YEAR, k=one.drift.k)


# --- one scanner -----------------------------------------------------------------------------------


def _scanner(told: Told, found: Overview) -> Section:
    use = told.in_use
    date, why = told.due
    blocks: list[Block] = [
        Facts(
            [
                ("in use", use.record.path.name if use else f"no model is valid on {shown(found.at)}: calibrate"),
                ("calibrate again", f"{shown(date)}; {why}" if date else "nothing says when"),
            ]
        )
    ]
    validities = told.line.validities
    said = f"{len(validities)} models, from {shown(validities[0].since)} to {shown(validities[-1].since)}"
    blocks.append(
        Pictures(
            [
                Picture(
                    f"Validity, {told.line.title}",
                    validity_figure(told, found.at),
                    f"Bars: when each model was valid. {said}; checks are marked on their model's bar.",
                    f"When each model was valid, newest on top; dark: in use. {said} (UTC).",
                )
            ]
        )
    )
    blocks.append(_validity_table(told))
    if told.problem:
        blocks.append(Paragraph(told.problem, note=True))
    parts = [Section("Quantities through time", _quantities(told))] if told.followed else []
    return Section(told.line.title, blocks, parts)


def _validity_table(told: Told) -> Table:
    rows = []
    for one in reversed(told.line.validities):
        checks = "; ".join(f"{shown(check.when)} {check.standards}: {check.verdict}" for check in one.checks)
        until = f"{shown(one.until)} ({one.ended_by})" if one.until else "no end so far"
        rows.append((one.record.path.name, one.record.sha256[:12], shown(one.since), until, checks or "none"))
    return Table("What was valid when (UTC), newest first", ("model", "SHA-256", "from", "to", "checks"), rows)


def _quantities(told: Told) -> list[Block]:
    pictures, rows = [], []
    for one in told.followed:
        series, control = one.series, one.control
        now = format_quantity(float(series.values[-1]), series.unit, u=float(series.u[-1]))
        state = {True: "in control", False: "out of control", None: "not judged"}[control.in_control]
        drift = _drift(one) or "can't be told from one model"
        if one.drift is not None:
            drift += ", significant" if one.drift.significant else ", may as well be none"
        leaving = ""
        if one.leaving is not None:
            half = (one.leaving.upper - one.leaving.lower) / 2
            leaving = f"± {show(half, series.unit)}: {shown(one.leaving.earliest, 'never')}"
        rows.append((series.name, now, drift, state, leaving, series.about))
        alt = f"{series.name} of {series.values.size} models through time, newest {now}; {state}."
        caption = f"{series.name}, {series.about}: {state}."
        pictures.append(Picture(f"{series.name}, {told.line.title}", quantity_figure(one), alt, caption))
    head = ("quantity", "newest ± U", "drift a year ± U", "control", "leaves tolerance, earliest", "holds")
    signals = [
        f"{one.series.name}: {record.path.name} of {shown(record.when)} lies {side} its limit"
        f" ({_CHARTS.get(kind, kind)})"
        for one in told.followed
        for record, kind, side in one.control.signals
    ]
    said = list(dict.fromkeys(f"{one.control.said}" for one in told.followed))
    found: list[Block] = [
        Paragraph(_HOW),
        Pictures(pictures),
        Table("Quantities, by the newest model; U for about 95 %, k in brackets", head, rows, numbers=(1, 2)),
    ]
    if signals:
        found += [Paragraph("Out of control:"), Points(signals)]
    return [*found, Points([f"Control charts: {one}" for one in said])]


def _known(found: Overview, names: list[str]) -> Known:
    records = found.history.models
    return Known(
        item=", ".join(names),
        performed=f"{shown(records[0].when)} to {shown(records[-1].when)} (UTC)" if records else "",
        method=f"models and verifications of a folder, in the order of time, by {MAKER}",
        traceability="as in the report of each model",
    )
