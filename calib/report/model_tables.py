"""Tables of a model's report: budgets, scans, standards, where it holds, where it came from."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date
from typing import Any

from calib.budget import Budget
from calib.errors import StandardError
from calib.fitting.residuals import NodeResiduals
from calib.history.dates import moment, shown
from calib.model import Model
from calib.report.beside import Inputs
from calib.report.document import Block, Facts, Paragraph, Points, Section, Table
from calib.report.uncertainty_figures import distances, steps
from calib.standard import Standard
from calib.summary import Quantity, effects, lateral, position_budget, quantities
from calib.units import format_quantity, show

LEVEL = 0.95


def quantities_table(model: Model) -> list[Block]:
    """Return scales, skew and height gain with U."""
    rows = [_quantity_row(one) for one in quantities(model)]
    if not rows:
        return [Paragraph("The scans told nothing of scales, skew or height gain.", note=True)]
    head = ("quantity", "value ± U", "k", "holds")
    return [Table("Results, U with k = 2, level of confidence about 95 %", head, rows, numbers=(1, 2))]


def _quantity_row(one: Quantity) -> tuple[str, str, str, str]:
    return one.name, str(one).removesuffix(" (k = 2)"), "2", one.about


def effects_table(model: Model) -> list[Block]:
    """Return how far each effect moves the probe."""
    found = effects(model)
    if not found:
        return []
    rows = [(one.name.replace("_", " "), str(one).removesuffix(" (k = 2)")) for one in found]
    caption = f"What each effect does beside scale and skew, {found[0].about}; ± U, k = 2, about 95 %"
    return [Table(caption, ("effect", "value ± U"), rows, numbers=(1,))]


def reach_tables(model: Model) -> list[Block]:
    """Return what a measurement in a corrected scan can be expected to be right to."""
    found: list[Block] = []
    if lateral(model):
        rows = [(show(length), _plus(x), _plus(y)) for length, x, y in distances(model)]
        caption = "Distances about the middle of a corrected scan, without the noise of finding their ends: ± U, k = 2"
        found.append(Table(caption, ("distance", "along x", "along y"), rows, numbers=(1, 2)))
    if model.height.determined:
        steep = [(show(step), _plus(u)) for step, u in steps(model)]
        caption = "Steps in a corrected scan, without the noise of the scan: ± U, k = 2"
        found.append(Table(caption, ("height of step", "± U"), steep, numbers=(1,)))
    return found


def _plus(u: float) -> str:
    return f"± {show(2 * u, digits=2)}"


# --- budgets ---------------------------------------------------------------------------------------


def position_table(model: Model) -> Table:
    """Return what the uncertainty of a position is made of."""
    parts = position_budget(model)
    whole = parts["together"]
    rows = []
    for name, both in parts.items():
        shares = [f"{(one / all_) ** 2:.0%}" if all_ else "" for one, all_ in zip(both, whole, strict=True)]
        cells = [show(one, digits=2) for one in both]
        rows.append((name, cells[0], shares[0], cells[1], shares[1]))
    rows.append(("expanded, k = 2, about 95 %", _plus(whole[0]), "", _plus(whole[1]), ""))
    head = ("contribution", "u along x", "part of u²", "u along y", "part of u²")
    caption = "Position in a frame of the largest size, mean square over the frame; standard uncertainties, k = 1"
    return Table(caption, head, rows, numbers=(1, 2, 3, 4), last=True)


def budget_table(budget: Budget) -> Table:
    """Return a budget after the GUM, the largest contribution first."""
    rows = [
        (
            row["name"],
            row["kind"],
            row["distribution"],
            _small(abs(row["component"]), budget.unit),
            _degrees(row["dof"]),
            _share(row["share"]),
        )
        for row in budget.to_rows()
    ]
    whole = budget.expanded(LEVEL)
    rows.append(("combined", "", "", _small(budget.u, budget.unit), _degrees(whole.dof), ""))
    said = f"expanded, k = {whole.k:.2f}, level {LEVEL:.0%}"
    rows.append((said, "", "", f"± {_small(whole.U, budget.unit)}", "", ""))
    value = format_quantity(budget.value, budget.unit, u=budget.u, k=whole.k)
    head = ("contribution", "type", "distribution", "u, in the result", "degrees of freedom", "part of u²")
    return Table(f"{budget.quantity}: {value}", head, rows, numbers=(3, 4, 5), last=True)


def _small(u: float, unit: str) -> str:
    return show(u, "%" if unit == "1" else unit, 2)


def _degrees(dof: float) -> str:
    return "∞" if math.isinf(dof) or dof > 1e4 else f"{dof:.1f}"


def _share(part: float) -> str:
    return "< 0.1 %" if abs(part) < 1e-3 else f"{100 * part:.1f} %"


# --- scans -----------------------------------------------------------------------------------------


def scans_table(model: Model, left: tuple[NodeResiduals, ...]) -> Table:
    """Return the scans with the conditions under which they were taken, and how well they fit."""
    rms = {part.label: part.rms for part in left}
    rows = []
    for one in inputs_of(model):
        about = metadata_of(one)
        label = str(one.get("scan", ""))
        residual, predicted = rms.get(label), model.misfit.by_scan.get(label)
        rows.append(
            (
                label or "without a name",
                str(one.get("standard", "")),
                _time(about.get("started")),
                str(about.get("frame", "")),
                _angle(about.get("rotation")),
                _number(about.get("line_period"), "s"),
                _temperature(about.get("temperature")),
                "" if residual is None else show(residual, digits=2),
                "" if predicted is None else show(predicted, digits=2),
            )
        )
    head = (
        "scan", "shows", "taken (UTC)", "frame", "turned", "line period", "temperature", "residual, rms",
        "predicted by the others, rms",
    )  # fmt: skip
    return Table("Scans that the model was made from", head, rows, numbers=(4, 5, 6, 7, 8))


def not_shown(model: Model, inputs: Inputs) -> list[Block]:
    """Say which scans have no picture, and why."""
    told, away = [], []
    for one in inputs_of(model):
        digest, name = str(one.get("sha256", "")), str(one.get("file", ""))
        label = str(one.get("scan", "")) or name or "A scan without a name"
        if digest in inputs.unread:
            told.append(
                f"{label}: its file can't be read by itself: {inputs.unread[digest]} What it lacks is taken from the"
                " plan of the calibration, unchanged beside the model, or from --set."
            )
        elif digest not in inputs.found and name in inputs.changed:
            told.append(f"{label}: the file {name} is there, but was changed since the calibration.")
        elif digest not in inputs.found:
            away.append(label)
    if away:
        told.append(
            f"{', '.join(away)}: no such file lies beside the model. Put it there, or name it with --scan."
            if told or inputs.found
            else "Their files were not found. Put them beside the model, or name them with --scan."
        )
    return [Paragraph("Scans without picture and findings:"), Points(told)] if told else []


def files_table(model: Model, inputs: Inputs) -> Table:
    """Return the files of the scans with their hashes."""
    rows = []
    for one in inputs_of(model):
        digest, name = str(one.get("sha256", "")), str(one.get("file", ""))
        if digest in inputs.found:
            state = "the same file was found again"
        elif digest in inputs.unread:
            state = "the same file was found again, but can't be read by itself"
        elif name in inputs.changed:
            state = "the file of this name has changed since"
        else:
            state = "not looked into"
        rows.append((name or "unknown", digest or "unknown", state))
    return Table("Files of the scans", ("file", "SHA-256", "today"), rows)


def inputs_of(model: Model) -> list[Mapping[str, Any]]:
    """Return what a model says of its scans."""
    listed = model.provenance.get("inputs", ())
    return [one for one in listed if isinstance(one, Mapping)] if isinstance(listed, (list, tuple)) else []


def metadata_of(one: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return what was known of a scan."""
    about = one.get("metadata")
    return about if isinstance(about, Mapping) else {}


def temperatures(model: Model) -> str:
    """Return the temperatures of the scans, in words; empty if none says one."""
    told = [metadata_of(one).get("temperature") for one in inputs_of(model)]
    known = [float(one) for one in told if isinstance(one, (int, float)) and math.isfinite(one)]
    if not known:
        return ""
    low, high = (show(one + 273.15, "degC", 4) for one in (min(known), max(known)))
    said = low if low == high else f"{low} to {high}"
    return said if len(known) == len(told) else f"{said}, where a scan says it"


def _time(text: object) -> str:
    found = moment(text)
    return shown(found[0]) if found else ""


def _number(value: object, unit: str) -> str:
    return show(float(value), unit) if isinstance(value, (int, float)) else ""


def _angle(degrees: object) -> str:
    return f"{degrees:g}°" if isinstance(degrees, (int, float)) else ""


def _temperature(celsius: object) -> str:
    return show(celsius + 273.15, "degC") if isinstance(celsius, (int, float)) else ""


# --- standards -------------------------------------------------------------------------------------


def standards_of(model: Model) -> list[Standard]:
    """Return the standards of a model, as far as they can be read."""
    found = []
    listed = model.provenance.get("standards", ())
    for content in listed if isinstance(listed, (list, tuple)) else ():
        try:
            found.append(Standard.from_dict(content))
        except StandardError:
            continue
    return found


def standards_section(model: Model, on: date | None) -> Section:
    """Return the standards with values, certificates and due dates.

    Parameters
    ----------
    on
        When the scans were taken: certificates that were due before are named.
    """
    parts = []
    for standard in standards_of(model):
        certified = standard.as_certified or standard
        about = certified.certificate
        rows = [("kind", certified.kind)]
        rows += [(name.replace("_", " "), str(value)) for name, value in certified.values().items()]
        rows += [
            (name, str(value)) for name in ("unevenness", "mounting") if (value := getattr(certified, name)) is not None
        ]
        if certified.thermal_expansion is not None:
            rows.append(("thermal expansion", str(certified.thermal_expansion)))
        rows += [
            ("certificate", (about.number if about else "") or "no number given"),
            ("laboratory", (about.laboratory if about else "") or "not given"),
            ("date of certificate", str(about.date) if about and about.date else "not given"),
            ("next due", str(about.next_due) if about and about.next_due else "not given"),
            ("source", " ".join(certified.source.split())),
            ("notes", " ".join(certified.notes.split())),
            ("file", certified.file),
            ("SHA-256", certified.sha256),
        ]
        blocks: list[Block] = [Facts(rows)]
        if about is None:
            blocks.append(Paragraph("It has no certificate: nothing that rests on it is traceable.", note=True))
        elif about.next_due is not None and on is not None and about.next_due < on:
            said = f"Its certificate was due on {about.next_due}, before the scans were taken."
            blocks.append(Paragraph(said, note=True))
        parts.append(Section(certified.name or "Standard without a name", blocks))
    if not parts:
        return Section("Standards", [Paragraph("The file says nothing of the standards.", note=True)])
    return Section("Standards", (), parts)


def traceability(model: Model) -> str:
    """Say in words what the results are traceable to."""
    known = standards_of(model)
    certified = [one for one in known if one.certificate is not None and one.certificate.number]
    if not known:
        return ""
    named = "; ".join(f"{one.name}, certificate {one.certificate.number}" for one in certified if one.certificate)
    rest = ", ".join(one.name for one in known if one not in certified)
    said = f"to the SI so far as these certificates are: {named}" if named else "to no certificate"
    return f"{said}; without a number of a certificate: {rest}" if rest else said


# --- domain and provenance -------------------------------------------------------------------------


def domain_facts(model: Model) -> list[Block]:
    """Return where and when the model holds."""
    domain = model.domain
    low_x, high_x, low_y, high_y = domain.area
    travel = " x ".join(show(side) for side in model.travel if math.isfinite(side))
    first, last = (_time(one) for one in (domain.first, domain.last))
    rows = [
        ("scanner", model.scanner or "unknown"),
        ("controller settings", ", ".join(f"{key} = {value}" for key, value in (model.controller or {}).items())),
        ("travel", f"{travel} ({'declared' if model.travel_from == 'declared' else 'as far as the scans reach'})"),
        ("commanded x", f"{show(low_x)} to {show(high_x)}"),
        ("commanded y", f"{show(low_y)} to {show(high_y)}"),
        ("sides of scans", " to ".join(show(size) for size in domain.sizes)),
        (
            "speeds",
            " to ".join(show(speed, "m/s") for speed in domain.speeds or ()) or "unknown: the scans say no timing",
        ),
        (
            "indicated heights",
            " to ".join(show(one, "m", 3) for one in domain.heights or ()) or "none: no step was scanned",
        ),
        ("scans taken", f"{first} to {last} (UTC)" if first else "no date known"),
        ("temperature", temperatures(model) or "unknown"),
    ]
    return [
        Facts(rows),
        Paragraph(
            "Outside of this, calib says so, and the stated uncertainties no longer cover. A new chip or probe holder,"
            " a service, or other controller settings make another scanner of it: calibrate again."
        ),
    ]


def open_points(model: Model) -> list[Block]:
    """Return what the data could not determine, and notes."""
    blocks: list[Block] = []
    if model.undetermined:
        blocks.append(Paragraph("The scans could not determine the following. The stated uncertainties carry it."))
        blocks.append(Points([_sentence(one) for one in model.undetermined]))
    else:
        blocks.append(Paragraph("Nothing that was asked for stayed open."))
    return blocks


def _sentence(text: str) -> str:
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else f"{text}."


def notes_of(model: Model) -> list[Block]:
    """Return what else a user should know."""
    return [Points([_sentence(one) for one in model.notes])] if model.notes else []


def provenance_of(model: Model) -> Facts:
    """Return where the model came from."""
    said = model.provenance
    versions = said.get("versions")
    pairs = versions.items() if isinstance(versions, Mapping) else ()
    options = said.get("options")
    chosen = options.items() if isinstance(options, Mapping) else ()
    quality = model.quality
    return Facts(
        [
            ("model, SHA-256 of content", model.sha256),
            ("made (UTC)", _time(model.created) or "unknown"),
            ("command", str(said.get("command", ""))),
            ("plan", str(said.get("plan", ""))),
            ("options", ", ".join(f"{key} = {value}" for key, value in chosen)),
            *((f"version of {name}", str(version)) for name, version in pairs),
            ("nodes of gratings and grids", str(quality.get("nodes", ""))),
            ("degree of static bending", str(quality.get("degree", ""))),
            ("chi-squared / degrees of freedom", _ratio(quality)),
        ]
    )


def _ratio(quality: Mapping[str, Any]) -> str:
    chi2, dof = quality.get("chi2"), quality.get("dof")
    if not (isinstance(chi2, (int, float)) and isinstance(dof, (int, float))):
        return ""
    return f"{chi2:.1f} / {dof:.1f}"
