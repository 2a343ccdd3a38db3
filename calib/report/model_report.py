"""The report of a model: how right a corrected scan can be expected to be, why, and where that holds."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from calib.findings import inspect_scan
from calib.fitting.residuals import NodeResiduals, residuals
from calib.history.dates import moment
from calib.model import Model
from calib.report import effect_figures, uncertainty_figures
from calib.report.beside import Inputs
from calib.report.budgets import budgets
from calib.report.document import Block, Document, Headline, Number, Paragraph, Picture, Pictures, Points, Section
from calib.report.figures import Displaced, field_figure
from calib.report.formal import MAKER, Given, Known, named, whole
from calib.report.model_tables import (
    budget_table,
    domain_facts,
    effects_table,
    files_table,
    inputs_of,
    not_shown,
    notes_of,
    open_points,
    position_table,
    provenance_of,
    quantities_table,
    reach_tables,
    scans_table,
    standards_section,
    temperatures,
    traceability,
)
from calib.report.residual_figures import of_scan, prediction_figure, spread_figure
from calib.report.scan_figures import before_and_after, thumbnail
from calib.scan import Scan
from calib.summary import lateral, position_budget, quantities
from calib.units import format_quantity, show

TITLE = "Calibration report"


def model_report(
    model: Model, given: Given, *, inputs: Inputs | None = None, scans: Sequence[tuple[Scan, Scan]] = ()
) -> Document:
    """Return the report of a model.

    Parameters
    ----------
    given
        What only the user knows.
    inputs
        Scans of the calibration that were found again; shown with their findings.
    scans
        Other scans with their corrections, to be shown before and after.
    """
    inputs = inputs or Inputs({})
    field = uncertainty_figures.Field.of(model) if lateral(model) else None
    left = residuals(model)
    sections = [
        Section("Results", [*quantities_table(model), *reach_tables(model)]),
        _field(model),
        _uncertainty(model, field),
        _effects(model),
        _residuals(model, left),
        _before_after(scans),
        Section("Budgets", _budgets(model)),
        _scans(model, left, inputs),
        standards_section(model, _taken(model)),
        Section("What the scans could not determine", open_points(model)),
        Section("Notes", notes_of(model)),
        Section("Where the model holds", domain_facts(model)),
        Section("Where the model came from", [provenance_of(model), files_table(model, inputs)]),
    ]
    subject = f"Correction model of {named(model.scanner)}"
    return whole(TITLE, subject, given, _known(model, field), model.sha256, _headline(model, field), sections)


def _headline(model: Model, field: uncertainty_figures.Field | None) -> Headline:
    numbers = []
    if field is not None:
        largest, u = field.largest()
        numbers.append(
            Number(
                "Wrong without correction, at most",
                format_quantity(largest, u=u),
                f"over {show(model.domain.sizes[1])}, shift and rotation taken out; rms {show(field.rms(), digits=2)}",
            )
        )
        x, y = position_budget(model)["together"]
        numbers.append(
            Number(
                "Right after correction to",
                f"± {show(2 * max(x, y), digits=2)} (k = 2)",
                "of a position along x or y, the worse of the two, relative to the rest of the scan; about 95 %",
            )
        )
    gain = next((one for one in quantities(model) if one.name == "z gain"), None)
    if gain is not None:
        numbers.append(
            Number(
                "Heights right to",
                f"± {show(2 * gain.u / abs(gain.value), '%', 2)} (k = 2)",
                f"height gain {gain}; about 95 %, beside the noise of a scan",
            )
        )
    if field is None and gain is None:
        said = "The scans told too little: neither positions nor heights are calibrated."
        return Headline("Not calibrated", "bad", said, numbers)
    missing = "Heights are not calibrated." if gain is None else "x and y are not calibrated." if field is None else ""
    count, opened = len(model.observations), len(model.undetermined)
    scans = "one scan" if count == 1 else f"{count} scans"
    said = f"Made from {scans} of standards. {missing}"
    said += f" {opened} question{'s' if opened > 1 else ''} stayed open; see below." if opened else ""
    verdict = "Calibrated" if not missing else "Calibrated in part"
    return Headline(verdict, "plain" if not missing else "open", " ".join(said.split()), numbers[:3])


def _field(model: Model) -> Section:
    if not lateral(model):
        return Section("What the scanner does to the field")
    scale = "; ".join(f"{one.name} {one}" for one in quantities(model) if one.name != "z gain")
    views, displaced = [], Displaced.of(model)
    for name, straight in (("Bending only", False), ("With scale and skew", True)):
        without = "shift and rotation" if straight else "shift, rotation, scale and skew"
        alt = (
            f"Map of displacements over the calibrated field without {without}: colour for length, arrows for"
            f" direction. {scale}. {'; '.join(effect_figures.said(model, 'nonlinearity'))}"
        )
        caption = (
            f"Where the probe is, less where it was sent, mean of trace and retrace, without {without}. The key over"
            " the map says how long the longest arrow is. Large is no harm, since it is corrected; rough is."
        )
        views.append(Picture(name, field_figure(model, straight=straight, displaced=displaced), alt, caption))
    return Section("What the scanner does to the field", [Pictures(views, views="View")])


def _uncertainty(model: Model, field: uncertainty_figures.Field | None) -> Section:
    if field is None:
        return Section("Uncertainty over the field")
    views = []
    for axis, name in enumerate(("Along x", "Along y")):
        said = uncertainty_figures.said(field.u[axis])
        figure = uncertainty_figures.uncertainty_figure(model, axis, field)
        alt = f"Map of the expanded uncertainty of positions {name.lower()} over the field, k = 2: {said}."
        caption = (
            f"U (k = 2, about 95 %) of a position {name.lower()} in a corrected scan of the largest size, relative to"
            f" the rest of the scan: {said}. It grows towards the border, where fewest features were seen."
        )
        views.append(Picture(name, figure, alt, caption))
    return Section("Uncertainty over the field", [Pictures(views, views="View")])


def _effects(model: Model) -> Section:
    pictures = []
    for name in effect_figures.effects_shown(model) if lateral(model) else ():
        title, said = effect_figures.TITLES[name], "; ".join(effect_figures.said(model, name))
        how = (
            "Colour and arrows: displacement, mean of both passes."
            if name == "nonlinearity"
            else "Straight part taken out; bands: ± U (k = 2). Thick: trace, thin: retrace."
        )
        figure = effect_figures.effect_figure(model, name)
        pictures.append(Picture(title, figure, f"{title}: {said}.", f"{title}. {how} {said}."))
    if model.drift:
        said = "; ".join(
            f"{one.label}: x {_rate(one.rate[0], one.u[0])}, y {_rate(one.rate[1], one.u[1])}" for one in model.drift
        )
        caption = "How fast the sample moved past the probe in each scan, ± U (k = 2). It says nothing of later scans."
        pictures.append(Picture("Drift", effect_figures.drift_figure(model), f"Drift rates. {said}.", caption))
    if model.height.determined:
        gain = model["z_gain"]
        said = f"height gain {format_quantity(gain.value, '1', u=gain.u)}"
        caption = f"What is added to an indicated height, above the middle of the z range; {said}. Band: ± U (k = 2)."
        alt = f"Curve of true less indicated height over indicated height; {said}."
        pictures.append(Picture("Height response", effect_figures.height_figure(model), alt, caption))
    if model.height.bow is not None and model.height.bow_determined:
        pictures.append(_bow(model))
    found: list[Block] = [Pictures(pictures)] if pictures else []
    return Section("What each effect contributes", [*found, *effects_table(model)])


def _bow(model: Model) -> Picture:
    bow, (low_x, high_x, low_y, high_y) = model.height, model.domain.area
    x, y = np.meshgrid(np.linspace(low_x, high_x, 21), np.linspace(low_y, high_y, 21))
    place = np.stack([x.ravel(), y.ravel()])
    span, u = float(np.ptp(bow.bowed(place))), float(np.sqrt(np.mean(bow.bow_uncertainty(place) ** 2)))
    said = f"from lowest to highest {show(span, digits=2)}, U of a place {show(2 * u, digits=2)} (k = 2, rms)"
    caption = f"What is added to heights over the field, because the scanner moves on a bowl: {said}."
    return Picture("Bow", effect_figures.bow_figure(model), f"Map of the bow over the field: {said}.", caption)


def _rate(rate: float, u: float) -> str:
    return f"{format_quantity(60 * rate, 'm', u=60 * u).replace(' (k = 2)', '')} a minute"


def _residuals(model: Model, left: Sequence[NodeResiduals]) -> Section:
    if not left:
        return Section("What the model leaves over")
    count = sum(part.passes.size for part in left)
    rms = ", ".join(f"{part.label} {show(part.rms, digits=2)}" for part in left)
    pictures = [
        Picture(
            "Residuals",
            spread_figure(model, left),
            f"Histogram of the residuals of {count} nodes. Rms by scan: {rms}.",
            "Seen less expected places of the features of the standards. Good: narrow, and centred at zero.",
        )
    ]
    if model.misfit.by_scan:
        predicted = ", ".join(f"{name} {show(error, digits=2)}" for name, error in model.misfit.by_scan.items())
        pictures.append(
            Picture(
                "Prediction of left-out scans",
                prediction_figure(model),
                f"Bars: rms error with which the other scans predict each scan: {predicted}.",
                "Each scan in turn is left out and predicted by the others. One bar much longer than the rest: look at"
                " that scan, or at the conditions that only it has.",
            )
        )
    scans = [
        Picture(
            part.label,
            of_scan(part),
            f"Residuals of {part.label} as arrows over the field: rms {show(part.rms, digits=2)},"
            f" {part.passes.size} nodes.",
            f"Residuals of {part.label}, rms {show(part.rms, digits=2)}. Good: short arrows in all directions. A"
            " pattern that others share is something the model does not know.",
        )
        for part in left
    ]
    return Section("What the model leaves over", [Pictures(pictures), Pictures(scans, views="Scan")])


def _before_after(scans: Sequence[tuple[Scan, Scan]]) -> Section:
    parts = []
    for scan, corrected in scans:
        before, after, moved = before_and_after(scan, corrected)
        size = f"{show(scan.size[0])} x {show(scan.size[1])}"
        true = f"{show(corrected.size[0])} x {show(corrected.size[1])}"
        listed = [
            Picture("As recorded", before, f"{scan.label} as recorded, {size} as commanded.", f"{size} as commanded."),
            Picture("Corrected", after, f"{scan.label} corrected, {true}.", f"{true} on a grid of true coordinates."),
            Picture(
                "Difference",
                moved,
                f"Difference of the corrected and the recorded {scan.label} at the same place.",
                "What the correction changed at the same place. Light grey: no data.",
            ),
        ]
        notes = str(corrected.attributes.get("correction_notes", ""))
        blocks: list[Block] = [Pictures(listed)]
        if notes:
            blocks.append(Paragraph(f"Outside of what was calibrated: {notes}.", note=True))
        parts.append(Section(scan.label, blocks))
    return Section("Before and after correction", (), parts)


def _budgets(model: Model) -> list[Block]:
    found: list[Block] = []
    if lateral(model):
        found.append(position_table(model))
    tables = [budget_table(budget) for budget in budgets(model)]
    if tables:
        said = "Type A: from the scatter of observations; B: from anything else (JCGM 100:2008). Parts are independent."
        found += [Paragraph(said), *tables]
    return found


def _scans(model: Model, left: tuple[NodeResiduals, ...], inputs: Inputs) -> Section:
    blocks: list[Block] = [scans_table(model, left)]
    pictures, parts = [], []
    for one in inputs_of(model):
        scan = inputs.found.get(str(one.get("sha256", "")))
        if scan is None:
            continue
        label = str(one.get("scan", "")) or scan.label
        about = f"{scan.shape[2]} x {scan.shape[1]} points, {show(scan.size[0])} x {show(scan.size[1])}"
        alt = f"{label}, {about}: first pass less its plane, with a bar for its scale."
        pictures.append(Picture(label, thumbnail(scan), alt, f"{label}: {about}"))
        parts.append((label, [f"{finding}" for finding in inspect_scan(scan)]))
    blocks += not_shown(model, inputs)
    if not pictures:
        return Section("Scans", blocks)
    blocks.append(Pictures(pictures, small=True))
    listed = [f"{label}: {told}" for label, findings in parts for told in findings]
    blocks.append(Paragraph("Findings:" if listed else "The inspection of these scans found nothing."))
    blocks += [Points(listed)] if listed else []
    return Section("Scans", blocks)


def _taken(model: Model) -> Any:
    found = moment(model.domain.last)
    return found[0].date() if found else None


def _known(model: Model, field: uncertainty_figures.Field | None) -> Known:
    forced = "--despite-findings" in str(model.provenance.get("command", ""))
    first, last = (one[:16].replace("T", " ") for one in (model.domain.first, model.domain.last))
    before = ""
    if field is not None:
        x, y = position_budget(model)["together"]
        before = (
            f"positions wrong by up to {show(field.largest()[0], digits=2)} as recorded, right to"
            f" ± {show(2 * max(x, y), digits=2)} (k = 2) along an axis as corrected; the instrument was not adjusted"
        )
    settings = ", ".join(f"{key} = {value}" for key, value in (model.controller or {}).items())
    temperature = temperatures(model)
    conditions = "; ".join(filter(None, (temperature and f"temperature {temperature}", settings)))
    return Known(
        item=model.scanner,
        performed=f"{first} to {last}" if first else "",
        conditions=conditions,
        method=f"joint least-squares solution of scans of standards with {MAKER}; see 'Where the model came from'",
        traceability=traceability(model),
        before=before,
        deviations="the calibration went on despite findings" if forced else "",
    )
