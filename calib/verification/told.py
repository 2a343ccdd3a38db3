"""A verification for people: the verdict, what each scan said, and a table of characteristics."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from calib.statistics.decision import CONFORMS, UNDECIDED
from calib.units import format_quantity
from calib.verification.characteristic import KINDS
from calib.verification.check import Verification
from calib.verification.deciding import Decided
from calib.verification.limits import unit_of

if TYPE_CHECKING:
    from calib.verification.collected import VerificationSet

_HEAD = ("characteristic", "value", "limit", "verdict", "risk")
_WIDTH = 110


def lines(whole: VerificationSet) -> list[str]:
    """Return the lines of a summary."""
    found: list[str] = []
    if len(whole.checks) == 1 and not whole.characteristics:
        return whole.checks[0].summary()
    risk = "" if whole.risk is None else f" (risk that this is wrong: at most {percent(whole.risk)})"
    count = f"{len(whole.checks)} scans" if len(whole.checks) > 1 else whole.checks[0].scan
    found.append(f"{whole.scanner or 'The scanner'}, by {count}: {whole.verdict}{risk}")
    for check in whole.checks:
        found += ["", *check.summary()]
    found += ["", *table(_rows(whole))]
    found += _dependence(whole.checks)
    for note in whole.notes:
        found += textwrap.wrap(f"note: {note}", _WIDTH, initial_indent="  ", subsequent_indent="    ")
    return found


def percent(probability: float) -> str:
    """Print a probability."""
    return "less than 0.01 %" if probability < 1e-4 else f"{100 * probability:.2g} %"


def table(rows: Sequence[Sequence[str]]) -> list[str]:
    """Return rows of a table with columns as wide as they must be; the first row is its head."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return ["  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]


def _rows(whole: VerificationSet) -> list[tuple[str, ...]]:
    decided = {(one.name, one.made_from): one for one in whole.decisions}
    several = len(whole.checks) > 1
    rows: list[tuple[str, ...]] = [_HEAD]
    for one in whole.characteristics:
        name = f"{one.symbol}  {one.words}"
        if several:
            name += f" ({one.made_from[0]})" if len(one.made_from) == 1 else f" ({len(one.made_from)} scans)"
        value = format_quantity(one.value, one.unit, u=one.u, k=one.expanded.k)
        rows.append((name, value, *_judged(decided.pop((one.name, one.made_from), None))))
    rows += [_of_quantity(one) for one in decided.values() if one.limit != "as certified" or one.verdict != CONFORMS]
    return rows


def _judged(one: Decided | None) -> tuple[str, str, str]:
    if one is None:
        return "", "", ""
    if one.verdict == UNDECIDED and one.decision is not None and one.decision.conforming is not None:
        return one.limit, one.verdict, f"within with {percent(one.decision.conforming)}"
    return one.limit, one.verdict, "" if one.risk is None else percent(one.risk)


def _of_quantity(one: Decided) -> tuple[str, ...]:
    name = KINDS[one.name][2] if one.name in KINDS else one.name.replace("_", " ")
    if one.decision is None:
        return name, "not told", *_judged(one)
    k = one.decision.U / one.decision.u
    value = format_quantity(one.decision.value, unit_of(one.name), u=one.decision.u, k=k)
    what = "" if one.limit[:1].isdigit() else ", deviation"
    return f"{name}{what} ({one.made_from[0]})", value, *_judged(one)


def _dependence(checks: Sequence[Verification]) -> list[str]:
    names = dict.fromkeys(check.standard for check in checks if not check.independent)
    if not names:
        return []
    said = f"not independent: the calibration used {', '.join(names)}, so what a certificate has wrong stays unseen"
    return textwrap.wrap(said, _WIDTH, initial_indent="  ", subsequent_indent="    ")
