"""All that a history says of its scanners: validity, drift, control charts, what is due, which scans are in doubt."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path as FilePath
from typing import Any

from calib.errors import CalibError, StatisticsError
from calib.history import control as charts
from calib.history.control import Control, control
from calib.history.dates import written
from calib.history.doubtful import Corrected, corrected_scans
from calib.history.due import Drift, Leaving, drift, leaving
from calib.history.record import CheckRecord, History, Unreadable
from calib.history.series import Series, series_of
from calib.history.timeline import AGE, Line, Validity, warnings
from calib.history.wishes import Wishes, amount_of, target_of, wish_of


@dataclass(frozen=True, eq=False)
class Followed:
    """One quantity through time, with what follows from it."""

    series: Series
    control: Control
    drift: Drift | None
    leaving: Leaving | None

    def to_dict(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        series, found = self.series, self.drift
        points = zip(series.models, series.values, series.u, series.own, strict=True)
        return {
            "name": series.name,
            "unit": series.unit,
            "about": series.about,
            "points": [
                {
                    "model_sha256": record.sha256,
                    "time": written(record.when),
                    "value": float(value),
                    "u": float(u),
                    "u_own": float(own),
                }
                for record, value, u, own in points
            ],
            "drift": None
            if found is None
            else {
                "rate": found.rate,
                "u": found.u,
                "k": found.k,
                "significant": found.significant,
                "consistent": found.consistent,
            },
            "control": dict(self.control.to_dict()),
            "leaving": None if self.leaving is None else dict(self.leaving.to_dict()),
        }


@dataclass(frozen=True, eq=False)
class Told:
    """What a history says of one scanner with one probe and one set of controller settings.

    Attributes
    ----------
    line
        What was valid when.
    in_use
        The model that is valid at the date in question.
    followed
        Quantities through time.
    due
        When the scanner is to be calibrated again, and why; no date if nothing says so.
    problem
        Why no quantity could be followed, if so.
    """

    line: Line
    in_use: Validity | None
    followed: tuple[Followed, ...]
    due: tuple[datetime | None, str]
    problem: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        controller = self.line.validities[0].record.model.controller
        return {
            "scanner": self.line.scanner,
            "probes": sorted(self.line.probes),
            "controller": None if controller is None else dict(controller),
            "models": [_of_validity(one) for one in self.line.validities],
            "in_use": None if self.in_use is None else self.in_use.record.sha256,
            "due": {"date": written(self.due[0]), "why": self.due[1]},
            "quantities": [one.to_dict() for one in self.followed],
            "problem": self.problem,
        }


@dataclass(frozen=True, eq=False)
class Overview:
    """All that a history says.

    Attributes
    ----------
    history
        As it was read.
    at
        Date for which it is said.
    told
        One a scanner, probe and settings.
    warnings
        Dates that contradict each other, and the like.
    scans
        Corrected scans; None if no folder of them was named.
    unreadable
        Files that were left out, of the history and of the scans.
    """

    history: History
    at: datetime
    told: tuple[Told, ...]
    warnings: tuple[str, ...]
    scans: tuple[Corrected, ...] | None
    unreadable: tuple[Unreadable, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        history = self.history
        return {
            "folder": str(history.folder),
            "at": written(self.at),
            "files": {"models": len(history.models), "checks": len(history.checks), "copies": len(history.copies)},
            "unreadable": [{"file": str(one.path), "reason": one.reason} for one in self.unreadable],
            "warnings": list(self.warnings),
            "scanners": [one.to_dict() for one in self.told],
            "scans": None if self.scans is None else [one.to_dict() for one in self.scans],
        }


def overview(
    history: History,
    wishes: Wishes | None = None,
    *,
    scanner: str | None = None,
    scans: Iterable[str | FilePath] | None = None,
) -> Overview:
    """Say all that a history says.

    Parameters
    ----------
    history
        As it was read.
    wishes
        What the user states.
    scanner
        Only that one.
    scans
        Folders of corrected scans.

    Raises
    ------
    CalibError
        If there is no such scanner, a quantity is unknown, or a wish makes no sense.
    """
    wishes = wishes or Wishes()
    lines = history.lines(valid_for=wishes.valid_for)
    if scanner is not None:
        if scanner not in history.scanners:
            names = ", ".join(repr(name) for name in history.scanners) or "no scanner at all"
            raise CalibError(f"There is nothing of a scanner {scanner!r} in {history.folder}; it knows {names}.")
        lines = tuple(line for line in lines if line.scanner == scanner)
    told = tuple(_told(line, wishes) for line in lines)
    _check_names(told, wishes)
    corrected, failed = None, tuple[Unreadable, ...]()
    if scans is not None:
        corrected, failed = corrected_scans(history, history.lines(valid_for=wishes.valid_for), scans)
        if scanner is not None:
            corrected = tuple(one for one in corrected if one.validity and one.validity.record.scanner == scanner)
    return Overview(history, wishes.at, told, warnings(history), corrected, (*history.unreadable, *failed))


def _told(line: Line, wishes: Wishes) -> Told:
    in_use = line.in_use(wishes.at)
    try:
        found = series_of([one.record for one in line.validities], wishes.size)
    except StatisticsError:
        raise
    except CalibError as error:
        return Told(line, in_use, (), _due(in_use, (), wishes), str(error))
    followed = tuple(_followed(series, in_use, wishes) for series in found)
    return Told(line, in_use, followed, _due(in_use, followed, wishes))


def _followed(series: Series, in_use: Validity | None, wishes: Wishes) -> Followed:
    target = target_of(series, wishes)
    sd = amount_of(series, wishes.sds, "--sd", target)
    tolerance = amount_of(series, wishes.tolerances, "--tolerance", target)
    limits = charts.Limits(target, sd, wishes.baseline, wishes.false_alarms)
    when = None
    if tolerance is not None:
        known = [i for i, record in enumerate(series.models) if in_use is not None and record is in_use.record]
        index = known[0] if known else series.values.size - 1
        when = leaving(series, tolerance, wishes.at, target=target, in_use=index, process_sd=sd or 0.0)
    return Followed(series, control(series, limits), drift(series, sd or 0.0), when)


def _due(in_use: Validity | None, followed: Sequence[Followed], wishes: Wishes) -> tuple[datetime | None, str]:
    """When to calibrate again: now without a valid model, else by age or by the first trend that may leave."""
    if in_use is None:
        return wishes.at, "no model is valid"
    ends: list[tuple[datetime, str]] = []
    if in_use.until is not None and in_use.ended_by == AGE:
        ends.append((in_use.until, "the model will be as old as it may be"))
    for one in followed:
        if one.leaving is not None and one.leaving.earliest is not None:
            ends.append((one.leaving.earliest, f"from then on {one.series.name} may be outside its tolerance"))
    return min(ends, key=lambda end: end[0]) if ends else (None, "nothing says when")


def _check_names(told: Sequence[Told], wishes: Wishes) -> None:
    every = [item.series for one in told for item in one.followed]
    for option, named in (("tolerance", wishes.tolerances), ("target", wishes.targets), ("sd", wishes.sds)):
        for name in named:
            if every and all(wish_of(series, {name: ""}) is None for series in every):
                names = ", ".join(dict.fromkeys(series.name for series in every))
                raise CalibError(f"--{option}: nothing is known of {name!r} through time; known are {names}.")


def _of_validity(one: Validity) -> dict[str, Any]:
    record = one.record
    return {
        "file": str(record.path),
        "sha256": record.sha256,
        "since": written(one.since),
        "dated_by": record.dated_by,
        "until": written(one.until),
        "ended_by": one.ended_by,
        "created": written(record.created),
        "checks": [_of_check(check) for check in one.checks],
    }


def _of_check(check: CheckRecord) -> dict[str, Any]:
    return {
        "file": str(check.path),
        "date": written(check.when),
        "verdict": check.verdict,
        "standards": check.standards,
    }
