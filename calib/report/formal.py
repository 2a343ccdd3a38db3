"""What a calibration report is expected to say, and which of it this one can't know unless it is told.

The points are those that ISO/IEC 17025:2017 asks for, in our words. They are from memory, as is where they stand in it:
what all reports have in common in 7.8.2.1, calibration certificates in 7.8.4.1, statements of conformity in 7.8.6.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import calib
from calib.report.document import Block, Document, Headline, Paragraph, Points, Section, Table

MAKER = f"calib {calib.__version__}"
NOT_GIVEN = "not given"

NO_CERTIFICATE = (
    "This is not an accredited certificate. Nobody but the user of calib answers for it. Where safety, trade or law"
    " depend on a length, have it calibrated by an accredited laboratory."
)

CAUTIONS = (
    "A result is as good as the certificate of the standard, and traceable only if that is.",
    "A model holds for the scanner, the settings, the region, the sizes, the speeds, the heights and the date that it"
    " names. Outside, its uncertainties no longer cover.",
    "Corrections don't mend what the scan never held: a worn tip, feedback that lost the surface, a saturated channel.",
    "Don't use a corrected scan to drive anything that can hurt somebody.",
    "High voltage: piezo scanners stay charged after they are switched off. Switch off, wait, and short them through"
    " their resistor before you touch leads.",
    "Laser light: know the class on the label, and don't look into the beam or its reflections.",
    "Motion stages start without notice and pinch: keep hands, hair and sleeves out of the travel.",
    "Probes, broken chips and cleaved crystals are sharp: wear eye protection when you cleave or break anything.",
    "Cleaning chemicals burn and their vapours harm: use only what the maker of the standard allows, under a hood.",
    "The manual of the instrument, the rules of the laboratory and safety sheets come first.",
)
"""The usual cautions of the trade in brief; ``docs/cautions.md`` has more."""


@dataclass(frozen=True)
class Given:
    """What only the user knows. Empty texts are named as not given.

    Attributes
    ----------
    lab, place, customer, item, by, method
        Who made the report and where the work was done, for whom, on what, who answers for it, and by which procedure.
    received
        When the item came in.
    number
        Identification of the report; by default from the hash of what it reports.
    issued
        Date of issue.
    """

    lab: str = ""
    place: str = ""
    customer: str = ""
    item: str = ""
    by: str = ""
    method: str = ""
    received: str = ""
    number: str = ""
    issued: str = ""


@dataclass(frozen=True)
class Known:
    """What a result says of the points that a report has to state: texts, empty if it says nothing."""

    item: str = ""
    performed: str = ""
    conditions: str = ""
    method: str = ""
    traceability: str = ""
    conformity: str = ""
    before: str = ""
    uncertainty: str = "with each result: U = k u, with k and the level of confidence beside it"
    deviations: str = ""


def named(scanner: str | None) -> str:
    """Return the name of a scanner, or say that it has none."""
    return scanner or "a scanner without a name"


def whole(
    title: str, subject: str, given: Given, known: Known, digest: str, headline: Headline, sections: Sequence[Section]
) -> Document:
    """Return a report: its own sections, then what every report states.

    Parameters
    ----------
    digest
        Hash of what is reported, which identifies it where the user gives no number.
    """
    number = given.number or digest[:12]
    listed = [*sections, formal_section(given, known, number), cautions_section()]
    return Document(title, subject, number, given.issued, headline, listed, MAKER)


def formal_section(given: Given, known: Known, number: str) -> Section:
    """Return the section that says, point by point, what is stated and what was not given."""
    rows = [
        ("Laboratory", given.lab),
        ("Where it was done", given.place),
        ("Identification of the report", number),
        ("Customer", given.customer),
        ("Method", "; ".join(filter(None, (given.method, known.method)))),
        ("Item", "; ".join(filter(None, (given.item, known.item)))),
        ("Item received", given.received),
        ("Scans taken", known.performed),
        ("Date of issue", given.issued),
        ("Conditions", known.conditions),
        ("Measurement uncertainty", known.uncertainty),
        ("Metrological traceability", known.traceability),
        ("Before and after correction", known.before),
        ("Conformity and decision rule", known.conformity or "no statement of conformity is made"),
        ("Left out or done otherwise", known.deviations or "nothing is recorded"),
        ("Authorised by", given.by),
    ]
    missing = [name for name, said in rows if not said]
    blocks: list[Block] = [
        Table(
            "What a calibration report states",
            ("point", "stated"),
            [(name, said or NOT_GIVEN) for name, said in rows],
        ),
        Paragraph(
            f"Not given: {', '.join(missing).lower()}. Options of 'calib report' take what the files don't know."
            if missing
            else "All points were given.",
            note=bool(missing),
        ),
        Paragraph(
            "The points are those that ISO/IEC 17025:2017 asks of calibration reports, listed from memory; no body has"
            " checked that they are complete."
        ),
        Paragraph("The results relate only to the item that was scanned, in the state in which it was."),
        Paragraph("The report shall not be reproduced except in full without approval of whoever issued it."),
    ]
    return Section("Formal statements", blocks)


def cautions_section() -> Section:
    """Return the cautions."""
    return Section("Cautions", [Paragraph(NO_CERTIFICATE, note=True), Points(CAUTIONS)])
