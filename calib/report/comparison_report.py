"""The report of a comparison of two models: what changed, how surely, and what that means for a measurement."""

from __future__ import annotations

import numpy as np

from calib.compared.result import CHANGED, FINDS_NONE, SAME, Compared, ModelComparison
from calib.history.dates import moment, shown
from calib.report.compare_figure import map_of, quantities_of
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
from calib.units import format_quantity, show

TITLE = "Comparison of two calibrations"


def comparison_report(found: ModelComparison, given: Given, digest: str) -> Document:
    """Return the report of a comparison.

    Parameters
    ----------
    given
        What only the user knows.
    digest
        Hash of the file, which identifies it.
    """
    means = [f"{one[:1].upper()}{one[1:]}." for one in found.means()]
    sections = [
        Section("What it means", [Points(means)]),
        Section("Map of displacements", _maps(found)),
        Section("Quantities", _quantities(found)),
        Section("Notes", [Points(list(found.notes))] if found.notes else []),
        Section("Where it came from", _provenance(found, digest)),
    ]
    subject = f"What changed in {named(found.second.scanner)}"
    return whole(TITLE, subject, given, _known(found), digest, _headline(found), sections)


def _headline(found: ModelComparison) -> Headline:
    verdict = {SAME: "No significant change", CHANGED: "Changed"}.get(found.verdict, "Can't be decided")
    tone = {SAME: "good", CHANGED: "bad"}.get(found.verdict, "open")
    largest, u = found.largest()
    numbers = [
        Number(
            "Largest displacement",
            format_quantity(largest, u=u),
            f"of the second model from the first, shift and rotation taken out; rms {show(found.rms(), digits=2)};"
            " about 95 %",
        )
    ]
    if found.distances:
        one = max(found.distances, key=lambda each: abs(each.z))
        numbers.append(
            Number(
                f"{show(found.length)} along {one.name[-1]}", _difference(one), "second model less first; about 95 %"
            )
        )
    if found.step is not None:
        numbers.append(
            Number(f"A step of {show(found.height)}", _difference(found.step), "second model less first; about 95 %")
        )
    return Headline(verdict, tone, found.sentence(), numbers)  # type: ignore[arg-type]


def _difference(one: Compared) -> str:
    return format_quantity(one.difference, "m", u=one.u)


def _maps(found: ModelComparison) -> list[Block]:
    low, high = found.map.range
    pictures = []
    for frame in found.map.frames:
        mean = frame.difference.mean(axis=1)
        rms = show(float(np.sqrt(np.mean(np.sum(mean**2, axis=0)))), digits=2)
        largest = show(float(np.hypot(*mean).max()), digits=2)
        alt = (
            f"Map of the displacement of the second model from the first, {frame.condition}:"
            f" rms {rms}, largest {largest}."
        )
        caption = (
            f"{frame.condition}: where the second model puts things, less the first; mean of the passes, rms {rms},"
            f" largest {largest}. Arrows are drawn longer than they are; within the white line it is more than twice"
            " its standard uncertainty."
        )
        pictures.append(Picture(frame.condition, map_of(frame), alt, caption))
    said = (
        f"Over all maps the displacement is {found.map.rms:.2f} times its standard uncertainty; {low:.2f} to {high:.2f}"
        " is expected in 95 % of cases if nothing changed."
    )
    return [Pictures(pictures), Paragraph(said)]


def _quantities(found: ModelComparison) -> list[Block]:
    told: list[Block] = []
    if found.quantities:
        said = "; ".join(f"{one.name} {one.z:+.1f}" for one in found.quantities)
        caption = (
            "Second less first, in standard uncertainties, bars: ± 2; grey: within 2 of zero. Diamonds changed"
            " significantly, all quantities tested at once."
        )
        alt = f"Quantities in standard uncertainties of their difference: {said}."
        told.append(Pictures([Picture("Quantities", quantities_of(found), alt, caption)]))
        rows = [
            (
                one.name, _value(one.first, one, one.u_first), _value(one.second, one, one.u_second),
                _change(one), "changed" if one.changed else "no significant change", _p(one.p), one.about,
            )
            for one in found.quantities
        ]  # fmt: skip
        head = ("quantity", "first ± U", "second ± U", "difference ± U", "verdict", "p", "holds")
        told.append(
            Table(
                f"Quantities, U with k = 2, about 95 %; chance to find a change if there is none: {FINDS_NONE / 2:.1%}",
                head, rows, numbers=(1, 2, 3, 5),
            )
        )  # fmt: skip
    if found.not_compared:
        told.append(Paragraph("Not compared:"))
        told.append(Points(list(found.not_compared)))
    return told


def _value(value: float, one: Compared, u: float) -> str:
    return format_quantity(value, one.unit, u=u).removesuffix(" (k = 2)")


def _change(one: Compared) -> str:
    return format_quantity(one.difference, "%" if one.unit == "1" else one.unit, u=one.u).removesuffix(" (k = 2)")


def _p(p: float) -> str:
    return "" if np.isnan(p) else "< 0.001" if p < 1e-3 else f"{p:.2g}"


def _provenance(found: ModelComparison, digest: str) -> list[Block]:
    rows = [
        (
            which,
            one.scanner or "unknown",
            *(_when(time) for time in (one.created, one.first, one.last)),
            one.sha256,
        )
        for which, one in (("first", found.first), ("second", found.second))
    ]
    head = ("model", "scanner", "made (UTC)", "first scan", "last scan", "SHA-256 of content")
    return [Table("The two models", head, rows), Paragraph(f"SHA-256 of the file of this comparison: {digest}.")]


def _when(text: str) -> str:
    found = moment(text)
    return shown(found[0]) if found else "unknown"


def _known(found: ModelComparison) -> Known:
    return Known(
        item=found.second.scanner,
        performed=f"first: until {_when(found.first.last)}; second: until {_when(found.second.last)} (UTC)",
        method=f"both models evaluated at the same places and compared with the covariance of both, by {MAKER}",
        conformity="no limits: a change is significant or not; the chance to find one where there is none is"
        f" {FINDS_NONE:.0%}",
    )
