"""A plan half carried out: whether the last scan is usable, drift has settled, what is known by now, and what is next.

Scans are observed once, without refinement on the pixels, so that the answer is there before the next scan is.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from calib.calibration import Pair, observe, ordered
from calib.errors import CalibError
from calib.findings import Finding, inspect_scan
from calib.fit import LateralFit, fit_lateral
from calib.fitting.drift_rates import rows_of
from calib.fitting.succession import histories, rests
from calib.model import DriftRate
from calib.observability import Observability, Observation, covered
from calib.observe.lateral import LateralObservation
from calib.plan import Plan
from calib.planning import judge, most_useful
from calib.planning.design import MISFIT
from calib.planning.planned import PlannedScan
from calib.units import format_quantity, show

Progress = Callable[[str, float], None]
Verdict = Literal["settled", "not settled", "can't be told yet"]

_ROUNDS = 3  # of the observation, which no model refines
_DEGREE = 4  # of the bending in the quick fit
_TOLERANCE = 5e-4  # of the size: by how much a changing drift may bend a frame


@dataclass(frozen=True)
class DriftSoFar:
    """How the sample drifts past the probe.

    Attributes
    ----------
    verdict
        Whether it is slow enough to do no harm, however it goes on.
    rates
        Of each scan, in the order of time.
    reason
        In plain words.
    """

    verdict: Verdict
    rates: tuple[DriftRate, ...]
    reason: str

    def to_dict(self) -> dict[str, Any]:
        """Return it as a JSON object, SI units."""
        return dataclasses.asdict(self)


@dataclass(frozen=True)
class SoFar:
    """What is known in the middle of a plan.

    Attributes
    ----------
    taken
        Names of the scans that were taken, in the order of time.
    left
        What is still to be taken.
    usable
        Whether the last scan is; None if there is none.
    findings
        Of the last scan.
    refused
        Name of each scan that can't be used to the sentence that says why.
    notes
        Of the last scan.
    departures
        Where scans are not what was planned.
    drift
        None if it takes more scans to tell.
    position
        Rms standard uncertainty of a position in later scans by now, m; NaN if nothing tells.
    observability
        What is determined by now; None without a usable scan.
    following
        The scan to take next; None if all are taken.
    """

    taken: tuple[str, ...]
    left: tuple[PlannedScan, ...]
    usable: bool | None
    findings: tuple[Finding, ...]
    refused: dict[str, str]
    notes: tuple[str, ...]
    departures: tuple[str, ...]
    drift: DriftSoFar | None
    position: float
    observability: Observability | None
    following: PlannedScan | None

    def lines(self) -> list[str]:
        """Return all of it as lines for people."""
        total = len(self.taken) + len(self.left)
        if not self.taken:
            said = [f"None of the {total} planned scans has been taken yet."]
        else:
            said = [f"{len(self.taken)} of {total} planned scans have been taken.", "", *self._of_last()]
            said += [f"Warning: {departure}." for departure in self.departures]
            said += [f"Not used: {sentence}" for name, sentence in self.refused.items() if name != self.taken[-1]]
            said += ["", *self._of_drift()]
        if self.observability is not None:
            said += ["", "What is determined by now (k = 2):", *self.observability.lines()]
        if np.isfinite(self.position):
            said += [
                "",
                f"By now, expect positions in later scans to be known to ± {show(2 * self.position, 'm', 2)}"
                " (k = 2, rms), beside their own drift.",
            ]
        return [*said, "", *self._of_next()]

    def _of_last(self) -> list[str]:
        name = self.taken[-1]
        said = [f"Last scan, {name}: {'usable' if self.usable else 'NOT usable; take it again'}."]
        if name in self.refused:
            said.append(f"  {self.refused[name]}")
        said += [f"  {finding}" for finding in self.findings if finding.severity != "note"]
        return said + [f"  note: {note}" for note in self.notes]

    def _of_drift(self) -> list[str]:
        if self.drift is None:
            return ["Drift: can't be told yet, since it takes two usable scans with known times."]
        said = [f"Drift: {self.drift.verdict}; {self.drift.reason}."]
        for one in self.drift.rates[-3:]:
            x, y = (
                format_quantity(60 * rate, "m", u=60 * u).removesuffix(" (k = 2)")
                for rate, u in zip(one.rate, one.u, strict=True)
            )
            said.append(f"  {one.label}: {x} along x, {y} along y, in a minute (k = 2)")
        return said

    def _of_next(self) -> list[str]:
        if self.following is None:
            return ["All scans are taken: calib calibrate makes a model of them."]
        said = [f"Next: {self.following.file}: {self.following.words()}, of {self.following.standard.name!r}."]
        if self.drift is not None and self.drift.verdict == "not settled":
            said.append("But wait first, until drift has settled, and take the last two scans again.")
        return said

    def to_dict(self) -> dict[str, Any]:
        """Return it as a JSON object, SI units."""
        return {
            "taken": list(self.taken),
            "left": [one.file for one in self.left],
            "usable": self.usable,
            "findings": [finding.to_dict() for finding in self.findings],
            "refused": self.refused,
            "notes": list(self.notes),
            "departures": list(self.departures),
            "drift": None if self.drift is None else self.drift.to_dict(),
            "position": self.position,
            "observability": None if self.observability is None else self.observability.to_dict(),
            "next": None if self.following is None else self.following.file,
        }


def so_far(plan: Plan, progress: Progress | None = None) -> SoFar:
    """Judge the scans of a plan that have been taken so far.

    Parameters
    ----------
    plan
        Read with ``unfinished=True``.
    """
    say = progress or (lambda stage, part: None)
    pairs = ordered(list(plan.pairs))
    scans = [pair.scan for pair in pairs]
    before = list(zip(rests(scans), histories(scans), strict=True))
    names = [_name(pair) for pair in pairs]
    lateral: list[LateralObservation] = []
    others: list[Observation] = []
    refused: dict[str, str] = {}
    notes: tuple[str, ...] = ()
    for k, (pair, name) in enumerate(zip(pairs, names, strict=True)):
        say(f"observing {name}", k / len(pairs))
        notes = ()
        try:
            observation = replace(observe(pair, *before[k], rounds=_ROUNDS), label=name)
        except CalibError as error:
            refused[name] = str(error)
            continue
        notes = observation.notes
        if isinstance(observation, LateralObservation):
            lateral.append(observation)
        else:
            others.append(observation)
    findings = inspect_scan(pairs[-1].scan, pairs[-1].standard) if pairs else ()
    usable = None
    if pairs:
        usable = names[-1] not in refused and all(finding.severity != "error" for finding in findings)
    travel = _travel(plan, lateral)
    say("solving", 0.9)
    fit = _fit(lateral, travel)
    # the model of a quick fit is a little coarse: what it leaves over says how far it can be trusted
    misfit = fit.misfit if fit is not None else MISFIT * max(travel[:2])
    judged = judge([*lateral, *others], travel, misfit=misfit) if lateral or others else None
    return SoFar(
        taken=tuple(names),
        left=plan.to_take,
        usable=usable,
        findings=findings,
        refused=refused,
        notes=notes,
        departures=plan.departures,
        drift=None if fit is None else _drift(fit, lateral),
        position=judged.position if judged else np.nan,
        observability=judged.observability if judged else None,
        following=_following(plan, lateral, (pairs[-1].turned or 0.0) if pairs else 0.0, travel, misfit),
    )


def _name(pair: Pair) -> str:
    return str(pair.scan.attributes.get("file", "")) or pair.scan.label


def _travel(plan: Plan, lateral: Sequence[LateralObservation]) -> tuple[float, ...]:
    if plan.scanner.travel is not None:
        return plan.scanner.travel
    if lateral:
        return covered(lateral)
    sizes = [one.size for one in plan.to_take] or [1e-5]
    return max(sizes), max(sizes)


def _fit(lateral: Sequence[LateralObservation], travel: Sequence[float]) -> LateralFit | None:
    if len(lateral) < 2:
        return None
    try:
        return fit_lateral(lateral, (travel[0], travel[1]), (0.0, 0.0), degree=_DEGREE)
    except CalibError:
        return None


def _drift(fit: LateralFit, lateral: Sequence[LateralObservation]) -> DriftSoFar | None:
    """Judge drift by its rate in the last scan, and by how that differs from the scan before.

    The fit takes out a constant rate. What is left is a change within a frame, and drift that dies away changes by less
    than itself in the time of a frame; so a slow one does no harm, however it goes on.
    """
    rows, rates, solution = rows_of(fit.problem), fit.drift, fit.solution
    if len(rows) < 2:
        return None
    before, last = list(rows)[-2:]
    change = rows[last] - rows[before]
    frame = max(lateral[k].path.frame_time for k in rows)
    tolerance = _TOLERANCE * max(float(np.ptp(lateral[k].path.fast)) for k in rows)
    # a rate that changes steadily from nothing to r bends a frame by r T / 8
    bend, unsure = (np.abs(v) * frame / 8 for v in (np.array(rates[-1].rate), 2 * np.array(rates[-1].u)))
    turn, unsure_turn = np.abs(change @ solution.x) * frame / 8, 2 * solution.uncertainty(change) * frame / 8
    said = f"bend a frame of {show(frame, 's', 2)} by"
    if np.any((turn > unsure_turn) & (turn > tolerance)) or np.any(bend - unsure > tolerance):
        most = show(float(max(bend.max(), turn.max())), "m", 2)
        return DriftSoFar("not settled", rates, f"as fast as it is, it may change enough to {said} {most}")
    if np.all(bend + unsure < 2 * tolerance):
        most = show(float((bend + unsure).max()), "m", 2)
        return DriftSoFar("settled", rates, f"it is so slow that no change of it will {said} more than {most}")
    return DriftSoFar("can't be told yet", rates, "these scans don't show its rate surely enough; ask again later")


def _following(
    plan: Plan, lateral: Sequence[LateralObservation], turned: float, travel: Sequence[float], misfit: float
) -> PlannedScan | None:
    if not plan.to_take:
        return None
    if not lateral:
        return plan.to_take[0]
    # nobody turns or changes the standard to and fro
    now = (lateral[-1].standard.name, turned)
    pool = [one for one in plan.to_take if (one.standard.name, one.turned) == now] or list(plan.to_take)
    first = pool[0]
    pool = [one for one in pool if (one.standard.name, one.turned) == (first.standard.name, first.turned)]
    if len(lateral) == 1:  # the other direction at once, so that drift shows
        seen = lateral[-1].path
        for one in pool:
            alike = np.isclose(one.size, np.ptp(seen.fast), rtol=0.02) and np.isclose(one.rotation, seen.rotation)
            if alike and (one.frame == "up") != seen.upwards:
                return one
    best = most_useful(lateral, pool, travel, misfit=misfit)
    return first if best is None else pool[best]
