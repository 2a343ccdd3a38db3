"""What is decided on quantities and characteristics: by limits where some are stated, else by E_n."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from calib.statistics.decision import CONFORMS, FAILS, UNDECIDED, Decision, agree, decide
from calib.statistics.risk import Limits
from calib.verification.characteristic import Characteristic
from calib.verification.check import Verification, verdict_in
from calib.verification.limits import QUANTITIES, Limit, unit_of
from calib.verification.result import Result


@dataclass(frozen=True)
class Decided:
    """One decision.

    Attributes
    ----------
    name
        Of the quantity or characteristic.
    verdict
        ``conforms``, ``does not conform`` or ``can't be decided``.
    limit
        In words.
    made_from
        Names of scans.
    decision
        The numbers behind it; None where the scans tell nothing of what a limit is stated for.
    """

    name: str
    verdict: str
    limit: str
    made_from: tuple[str, ...]
    decision: Decision | None

    @property
    def risk(self) -> float | None:
        """Probability that the verdict is wrong; None where nothing is decided or nothing can be said."""
        return None if self.decision is None or self.verdict == UNDECIDED else self.decision.risk

    def to_dict(self) -> dict[str, Any]:
        """Return the decision as a JSON object."""
        numbers = {} if self.decision is None else self.decision.to_dict()
        return {
            **numbers,
            "name": self.name,
            "unit": unit_of(self.name),
            "verdict": self.verdict,
            "risk": self.risk,
            "limit": self.limit,
            "made_from": list(self.made_from),
        }

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> Decided:
        """Make a decision of what :meth:`to_dict` returned."""
        decision = None
        if "rule" in content:
            limits = None
            if content["limits"] is not None:
                low, high = content["limits"]
                limits = Limits(*(far if side is None else float(side) for side, far in ((low, -_FAR), (high, _FAR))))
            plain = (
                "rule",
                "value",
                "u",
                "U",
                "guard_band",
                "conforming",
                "nonconforming",
                "normalised_error",
                "chance",
            )
            decision = Decision(verdict_in(content), limits=limits, **{name: content[name] for name in plain})
        unit_of(content["name"])
        made_from = tuple(map(str, content["made_from"]))
        return cls(content["name"], verdict_in(content), str(content["limit"]), made_from, decision)


_FAR = float("inf")


def decisions(
    checks: Sequence[Verification], characteristics: Sequence[Characteristic], limits: Mapping[str, Limit]
) -> list[Decided]:
    """Decide on all that limits are stated for, and by E_n on all other quantities.

    A quantity isn't decided by E_n where a limit has decided on a characteristic that says the same of the same scan:
    what the user asks for replaces what the certificate asks for.
    """
    found = [_by_limit(one, limits[one.name]) for one in characteristics if one.name in limits]
    replaced = {
        (scan, name)
        for one in characteristics
        if one.name in limits
        for scan in one.made_from
        for name in one.of_quantities
    }
    for check in checks:
        for result in check.results:
            if result.name in limits:
                found.append(_of_result(check, result, limits[result.name]))
            elif (check.scan, result.name) not in replaced:
                found.append(Decided(result.name, result.verdict, "as certified", (check.scan,), result.decision))
    named = {one.name for one in found}
    found += [Decided(name, UNDECIDED, limit.stated, (), None) for name, limit in limits.items() if name not in named]
    return found


def overall(decided: Sequence[Decided]) -> str:
    """Return the verdict of all: the worst counts."""
    verdicts = {one.verdict for one in decided}
    if FAILS in verdicts:
        return FAILS
    return CONFORMS if verdicts == {CONFORMS} else UNDECIDED


def risk_of(decided: Sequence[Decided]) -> float | None:
    """Return a bound of the probability that the verdict of all is wrong.

    ``does not conform`` is wrong only if all that fails was failed wrongly: at most the least of their risks; by E_n,
    which tries each quantity once, times the number of them. ``conforms`` is wrong if anything was passed wrongly: at
    most the sum of the risks; None if some have none, being decided by E_n without limits.
    """
    verdict = overall(decided)
    if verdict == FAILS:
        tried = sum(one.decision is not None and one.decision.rule == "E_n" for one in decided)
        failed = (one for one in decided if one.verdict == FAILS and one.decision is not None)
        risks = [
            one.risk * (tried if one.decision is not None and one.decision.rule == "E_n" else 1)
            for one in failed
            if one.risk is not None
        ]
        return min(1.0, *risks) if risks else None
    risks = [one.risk for one in decided if one.risk is not None]
    return min(1.0, sum(risks)) if verdict == CONFORMS and len(risks) == len(decided) else None


def outvoted(checks: Iterable[Verification], decided: Sequence[Decided]) -> list[str]:
    """Return what fails by E_n although limits have decided, in words."""
    by_e_n = {(one.name, one.made_from[0]) for one in decided if one.limit == "as certified" and one.made_from}
    return [
        f"{result.name.replace('_', ' ')} of {check.scan} departs from its certificate by more than the uncertainty"
        f" (E_n = {result.normalised_error:+.2f}); the limits decide"
        for check in checks
        for result in check.results
        if result.verdict == FAILS and (result.name, check.scan) not in by_e_n
    ]


def _by_limit(one: Characteristic, limit: Limit) -> Decided:
    within, expanded = limit.about(one.nominal), one.expanded
    if limit.rule == "E_n":
        deviation = None if within is None else Limits(within.lower - one.nominal, within.upper - one.nominal)
        decision = agree(one.value, one.u, one.nominal, 0.0, k=expanded.k, limits=deviation)
    else:
        assert within is not None
        dof = expanded.dof
        decision = decide(within, one.value, one.u, rule=limit.rule, dof=dof, guard=limit.guard, level=limit.level)
    return Decided(one.name, decision.verdict, limit.stated, one.made_from, decision)


def _of_result(check: Verification, result: Result, limit: Limit) -> Decided:
    """Decide on the deviation of a quantity from its certificate, or on the quantity where a range is stated."""
    assert result.name in QUANTITIES
    within = limit.about(result.reference)
    if limit.rule == "E_n":
        decision, verdict = result.decision, result.verdict
        if within is not None:
            offset = result.reference
            from calib.statistics.risk import conformance_probability, nonconformance_probability

            bounds = Limits(within.lower - offset, within.upper - offset)
            inside = float(conformance_probability(bounds, result.deviation, result.u_deviation))
            outside = float(nonconformance_probability(bounds, result.deviation, result.u_deviation))
            decision = replace(decision, limits=bounds, conforming=inside, nonconforming=outside)
        return Decided(result.name, verdict, limit.stated, (check.scan,), decision)
    assert within is not None
    value, u = result.measured, result.u
    if limit.tolerance is not None:
        within = Limits(within.lower - result.reference, within.upper - result.reference)
        value, u = result.deviation, result.u_deviation
    dof = result.budget().dof
    decision = decide(within, value, u, rule=limit.rule, dof=dof, guard=limit.guard, level=limit.level)
    return Decided(result.name, decision.verdict, limit.stated, (check.scan,), decision)
