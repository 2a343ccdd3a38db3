"""The report of a verification: the verdict, what it rests on, and what it is blind to."""

from __future__ import annotations

from dataclasses import replace

from calib.budget import Budget
from calib.report.document import (
    Block,
    Document,
    Headline,
    Number,
    Paragraph,
    Picture,
    Pictures,
    Points,
    Section,
    Table,
)
from calib.report.formal import MAKER, Given, Known, named, whole
from calib.report.model_tables import budget_table
from calib.report.verification_figures import agreement_figure, limits_figure, map_figure, of_pass
from calib.statistics.decision import CONFORMS, FAILS
from calib.units import format_quantity, show
from calib.verification.characteristic import KINDS
from calib.verification.collected import VerificationSet
from calib.verification.deciding import Decided
from calib.verification.limits import unit_of
from calib.verification.result import Result
from calib.verification.told import percent

TITLE = "Verification report"
_TONES = {CONFORMS: "good", FAILS: "bad"}
_RULES = {
    "simple acceptance": "simple acceptance: the value itself is within the limits (JCGM 106:2012, 8.2)",
    "guard band": "guard band: the value is within the limits by its guard band, which is U times a factor"
    " (ISO 14253-1; JCGM 106:2012, 8.3)",
    "conformance probability": "conformance probability: the probability to lie within the limits is at least the level"
    " asked for (JCGM 106:2012)",
    "E_n": "E_n: the deviation is no more than the expanded uncertainty of both values (ISO/IEC 17043)",
}


def verification_report(found: VerificationSet, given: Given, digest: str) -> Document:
    """Return the report of a verification.

    Parameters
    ----------
    given
        What only the user knows.
    digest
        Hash of the file, which identifies it.
    """
    blind = list(dict.fromkeys(what for check in found.checks for what in check.blind_to))
    sections = [
        Section("Decisions", _decisions(found)),
        Section("How far off", _figures(found)),
        Section("Characteristics", _characteristics(found)),
        Section("Measured against certified", _checks(found)),
        Section("Maps of deviations", _maps(found)),
        Section("Budgets", [Paragraph(_KINDS), *(budget_table(one) for one in _budgets(found))]),
        Section(
            "What this verification can't see", [Points([f"It is blind to {what}." for what in blind])] if blind else []
        ),
        Section("Notes", _notes(found)),
        Section("Where it came from", _provenance(found, digest)),
    ]
    subject = f"Verification of {named(found.scanner)}"
    return whole(TITLE, subject, given, _known(found), digest, _headline(found), sections)


_KINDS = "Type A: from the scatter of observations; B: from anything else (JCGM 100:2008). Parts are independent."


def _headline(found: VerificationSet) -> Headline:
    tone = _TONES.get(found.verdict, "open")
    decided = [one for one in found.decisions if one.verdict == CONFORMS]
    scans = "one scan" if len(found.checks) == 1 else f"{len(found.checks)} scans"
    risk = "" if found.risk is None else f" The risk that this is wrong is at most {percent(found.risk)}."
    without = (
        ""
        if any(one.limit != "as certified" for one in found.decisions)
        else " No limits were stated: agreement with the certificates decides, by E_n."
    )
    independent = all(check.independent for check in found.checks)
    shared = (
        ""
        if independent
        else " Not independent: the calibration used a standard of these, so an error of its certificate stays unseen."
    )
    said = f"By {scans}; {len(decided)} of {len(found.decisions)} decisions conform.{risk}{without}{shared}"
    verdict = {CONFORMS: "Conforms", FAILS: "Does not conform"}.get(found.verdict, "Can't be decided")
    return Headline(verdict, tone, said, _numbers(found)[:3])  # type: ignore[arg-type]


def _numbers(found: VerificationSet) -> list[Number]:
    """The worst E_n, then the characteristics that people ask for first."""
    results = [(check, result) for check in found.checks for result in check.results]
    numbers = []
    if results:
        check, worst = max(results, key=lambda pair: abs(pair[1].normalised_error))
        k = worst.U / worst.u if worst.u else 2.0
        deviation = format_quantity(worst.deviation, worst.unit, u=worst.u_deviation, k=k)
        about = (
            f"{worst.name.replace('_', ' ')} of {check.scan}, measured less certified; about 95 %;"
            f" E_n = {worst.normalised_error:+.2f}"
        )
        numbers.append(Number("Largest deviation by its uncertainty", deviation, about))
    for names, label in (
        (("mapping_rms", "linearity_x", "linearity_y"), "Lateral distortion left"),
        (("amplification_z", "flatness"), "Height"),
        (("amplification_x", "amplification_y"), "Scale left"),
    ):
        one = next((one for name in names for one in found.characteristics if one.name == name), None)
        if one is not None:
            value = format_quantity(one.value, one.unit, u=one.u, k=one.expanded.k)
            numbers.append(Number(label, value, f"{one.words}, {one.symbol}, by {', '.join(one.made_from)}; 95 %"))
    return numbers


def _decisions(found: VerificationSet) -> list[Block]:
    rows = []
    for one in found.decisions:
        decision = one.decision
        value = k = error = ""
        if decision is not None:
            factor = decision.U / decision.u if decision.u else 2.0
            value, k = _plain(decision.value, one, decision.u, factor), f"{factor:.2f}"
            error = "" if decision.normalised_error is None else f"{decision.normalised_error:+.2f}"
        risk = "" if one.risk is None else percent(one.risk)
        rule = "" if decision is None else decision.rule
        rows.append((_name(one), ", ".join(one.made_from), value, k, one.limit, rule, error, one.verdict, risk))
    head = ("what", "by", "value or deviation ± U", "k", "limit", "rule", "E_n", "verdict", "risk to be wrong")
    rules = list(dict.fromkeys(one.decision.rule for one in found.decisions if one.decision is not None))
    caption = "Decisions; U for a level of confidence of 95 %"
    return [
        Table(caption, head, rows, numbers=(2, 3, 6, 8)),
        Points([f"Decision rule {_RULES.get(rule, rule)}." for rule in rules]),
    ]


def _plain(value: float, one: Decided, u: float, k: float) -> str:
    return format_quantity(value, unit_of(one.name), u=u, k=k).rsplit(" (k", 1)[0]


def _name(one: Decided) -> str:
    return KINDS[one.name][2] if one.name in KINDS else one.name.replace("_", " ")


def _figures(found: VerificationSet) -> list[Block]:
    pictures = []
    results = [(check.scan, result) for check in found.checks for result in check.results]
    if results:
        said = "; ".join(
            f"{r.name.replace('_', ' ')} of {scan}: E_n = {r.normalised_error:+.2f}" for scan, r in results
        )
        caption = "Deviation from the certificate over its U. Circle: conforms; cross: does not; diamond: undecided."
        pictures.append(Picture("Agreement", agreement_figure(found), f"Dots on a line of E_n. {said}.", caption))
    drawn = limits_figure(found)
    if drawn is not None:
        said = "; ".join(f"{_name(one)}: {one.verdict}" for one in found.decisions if one.decision is not None)
        caption = (
            "Value by the width of its limits, with ± U (95 %). A bar that reaches out of the grey leaves a doubt."
            " Circle: conforms; cross: does not; diamond: undecided."
        )
        pictures.append(Picture("Limits", drawn, f"Values against limits. {said}.", caption))
    return [Pictures(pictures)] if pictures else []


def _characteristics(found: VerificationSet) -> list[Block]:
    rows = []
    for one in found.characteristics:
        whole = one.expanded
        value = format_quantity(one.value, one.unit, u=one.u, k=whole.k).rsplit(" (k", 1)[0]
        model = "" if one.of_model is None else _small(2 * one.of_model, one.unit)
        rows.append(
            (f"{one.symbol}, {one.words}", value, f"{whole.k:.2f}", model, ", ".join(one.made_from), one.conditions)
        )
    if not rows:
        return []
    head = ("characteristic", "value ± U", "k", "the model said, k = 2", "by", "conditions")
    caption = "Metrological characteristics of the corrected instrument; U for a level of confidence of 95 %"
    notes = list(dict.fromkeys(f"{one.words}: {note}" for one in found.characteristics for note in one.notes))
    return [Table(caption, head, rows, numbers=(1, 2, 3)), *([Points(notes)] if notes else [])]


def _small(value: float, unit: str) -> str:
    return f"± {show(value, '%' if unit == '1' else unit, 2)}"


def _checks(found: VerificationSet) -> list[Block]:
    rows = []
    for check in found.checks:
        for one in check.results:
            independent = "yes" if check.independent else "no"
            rows.append(
                (
                    f"{one.name.replace('_', ' ')} of {check.scan}", check.standard, independent,
                    *_pair(one), f"{one.normalised_error:+.2f}", one.verdict,
                )
            )  # fmt: skip
    if not rows:
        return []
    head = ("what", "standard", "independent", "measured ± U", "certified ± U", "deviation ± U", "E_n", "verdict")
    caption = "Measured with the model and certified; U for a level of confidence of 95 %, k in brackets"
    return [Table(caption, head, rows, numbers=(3, 4, 5, 6))]


def _pair(one: Result) -> tuple[str, str, str]:
    k = one.U / one.u if one.u else 2.0
    k_reference = one.U_reference / one.u_reference if one.u_reference else 2.0
    return (
        format_quantity(one.measured, one.unit, u=one.u, k=k),
        format_quantity(one.reference, one.unit, u=one.u_reference, k=k_reference),
        format_quantity(one.deviation, one.unit, u=one.u_deviation, k=2.0),
    )


def _maps(found: VerificationSet) -> list[Block]:
    pictures = []
    for one in found.characteristics:
        if one.field is None or not one.field.passes:
            continue
        for passed in dict.fromkeys(one.field.passes):
            _, off, u = of_pass(one.field, passed)
            largest = show(float((off**2).sum(axis=0).max()) ** 0.5, digits=2)
            noise = show(2 * float((u**2).mean()) ** 0.5, digits=2)
            name = f"{', '.join(one.made_from)}, {passed}"
            alt = f"Arrows: deviations of corrected features, {name}, {off.shape[1]} cells, longest {largest}."
            caption = (
                f"Mean deviation in cells, {name}. Noise of a cell, U (k = 2): {noise}. Shift, rotation, scale and skew"
                " are taken out."
            )
            pictures.append(Picture(name, map_figure(one, passed), alt, caption))
    return [Pictures(pictures, views="Map")] if pictures else []


def _budgets(found: VerificationSet) -> list[Budget]:
    return [
        *(
            replace(budget, quantity=f"{budget.quantity} of {check.scan}")
            for check in found.checks
            for budget in (result.budget() for result in check.results)
        ),
        *(replace(one.budget, quantity=f"{one.words} by {', '.join(one.made_from)}") for one in found.characteristics),
    ]


def _notes(found: VerificationSet) -> list[Block]:
    notes = [f"{check.scan}: {note}" for check in found.checks for note in check.notes]
    notes += list(found.notes)
    return [Points(notes)] if notes else []


def _provenance(found: VerificationSet, digest: str) -> list[Block]:
    rows = [
        (
            check.scan,
            check.standard,
            check.standard_identity,
            _when(check.started),
            "yes" if check.independent else "no",
        )
        for check in found.checks
    ]
    head = ("scan", "standard", "identity of the standard", "taken", "independent of the calibration")
    return [
        Table("Scans and standards of the verification", head, rows),
        Paragraph(
            f"Model that was verified, SHA-256 of its content: {found.model_sha256}. This verification was made"
            f" {found.created or 'at an unknown time'}; SHA-256 of its file: {digest}."
        ),
    ]


def _when(text: str) -> str:
    return text[:16].replace("T", " ") or "unknown"


def _known(found: VerificationSet) -> Known:
    rules = list(dict.fromkeys(one.decision.rule for one in found.decisions if one.decision is not None))
    identities = "; ".join(dict.fromkeys(check.standard_identity for check in found.checks))
    times = sorted(check.started for check in found.checks if check.started)
    conditions = "; ".join(dict.fromkeys(one.conditions for one in found.characteristics if one.conditions))
    decided = f"{found.verdict}; decided by {', '.join(rules)}" if rules else ""
    return Known(
        item=found.scanner,
        performed=" to ".join(dict.fromkeys((_when(times[0]), _when(times[-1])))) if times else "",
        conditions=conditions,
        method=f"scans of standards, corrected with the model and compared with the certificates, by {MAKER}",
        traceability=f"to the SI so far as the certificates of these standards are: {identities}" if identities else "",
        before="all results are those after correction",
        conformity=decided,
    )
