"""What was valid when: from its calibration's last scan a model holds until something ends that.

Models of the same scanner, probe and controller settings follow each other on one line. A line ends a model when the
next one begins, when a check finds that it does not conform, or when it has been in use for as long as it may.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from calib.history.dates import CLOCK, UNZONED, after, shown
from calib.history.record import CheckRecord, History, ModelRecord, Record
from calib.verification import CONFORMS, FAILS

NEXT, FAILED, AGE = "the next model", "a failed check", "its age"
"""What ends a model."""


@dataclass(frozen=True, eq=False)
class Validity:
    """When a model may be used.

    Attributes
    ----------
    record
        The model.
    since
        From its calibration's last scan on.
    until
        Up to then, which is excluded; None for no end so far.
    ended_by
        ``the next model``, ``a failed check``, ``its age``, or empty.
    checks
        Verifications of this very model, in the order of time.
    """

    record: ModelRecord
    since: datetime
    until: datetime | None
    ended_by: str
    checks: tuple[CheckRecord, ...]

    def holds(self, date: datetime) -> bool:
        """Whether the model may be used for something that was done then."""
        return self.since <= date and (self.until is None or date < self.until)

    @property
    def failed(self) -> CheckRecord | None:
        """The first check that found that it does not conform."""
        return next((check for check in self.checks if check.verdict == FAILS), None)

    @property
    def last_good(self) -> datetime:
        """When it was last known to be right before it first failed: a check that conforms, or the calibration."""
        failed = self.failed
        good = [
            check.when
            for check in self.checks
            if check.verdict == CONFORMS and (failed is None or check.when < failed.when)
        ]
        return max([self.since, *good])


@dataclass(frozen=True, eq=False)
class Line:
    """The models of one scanner with one probe and one set of controller settings.

    Attributes
    ----------
    scanner
        Its name; empty if unknown.
    probes
        Empty if models don't name them.
    validities
        One a model, in the order of time.
    """

    scanner: str
    probes: frozenset[str]
    validities: tuple[Validity, ...]

    @property
    def title(self) -> str:
        """What the line is called."""
        words = [self.scanner or "a scanner without a name"]
        words += [f"probe {', '.join(sorted(self.probes))}"] if self.probes else []
        controller = self.validities[0].record.model.controller
        words += [", ".join(f"{key} = {value}" for key, value in controller.items())] if controller else []
        return ", ".join(words)

    def in_use(self, date: datetime) -> Validity | None:
        """Return the model that may be used at some time."""
        return next((one for one in reversed(self.validities) if one.holds(date)), None)


def lines(history: History, *, valid_for: float | None = None) -> tuple[Line, ...]:
    """Return what was valid when.

    Parameters
    ----------
    history
        As it was read.
    valid_for
        How long a model may be used, s; without end if not given.
    """
    groups: dict[tuple[str, frozenset[str], str], list[ModelRecord]] = {}
    for record in history.models:
        groups.setdefault(record.identity, []).append(record)
    found = []
    for (scanner, probes, _), records in sorted(groups.items(), key=lambda one: (one[0][0], one[1][0].when)):
        following = [*records[1:], None]
        listed = [_validity(history, one, then, valid_for) for one, then in zip(records, following, strict=True)]
        found.append(Line(scanner, probes, tuple(listed)))
    return tuple(found)


def checks_of(history: History, record: ModelRecord) -> tuple[CheckRecord, ...]:
    """Return the verifications of a model."""
    return tuple(check for check in history.checks if check.model_sha256 in record.hashes)


def _validity(history: History, record: ModelRecord, then: ModelRecord | None, valid_for: float | None) -> Validity:
    checks = checks_of(history, record)
    ends: list[tuple[datetime, str]] = []
    if then is not None:
        ends.append((then.when, NEXT))
    # a check from before the model, by a clock that was wrong, still says that the model is no good
    ends += [(max(check.when, record.when), FAILED) for check in checks if check.verdict == FAILS]
    if valid_for is not None and (date := after(record.when, valid_for)) is not None:
        ends.append((date, AGE))
    until, by = min(ends, key=lambda end: end[0]) if ends else (None, "")
    return Validity(record, record.when, until, by, checks)


def warnings(history: History) -> tuple[str, ...]:
    """Say where dates contradict each other, or are not what they should be."""
    return tuple(itertools.chain(_of_models(history.models), _of_checks(history)))


def _of_models(models: Sequence[ModelRecord]) -> list[str]:
    said = []
    for record in models:
        if record.dated_by == "created":
            said.append(
                f"{record.path.name}: its scans don't say when they were taken, so it counts from when it was made,"
                f" {shown(record.when)}."
            )
        elif record.created is not None and record.created < record.when - _slack(record):
            said.append(
                f"{record.path.name}: it says that it was made on {shown(record.created)}, before its last scan on"
                f" {shown(record.when)}; one of the clocks is wrong, so check the dates."
            )
    unzoned = sorted({record.scanner for record in models if not record.zoned})
    if unzoned:
        names = ", ".join(name or "a scanner without a name" for name in unzoned)
        said.append(f"Scans of {names} don't say the zone of their times: these are taken as UTC.")
    return said


def _of_checks(history: History) -> list[str]:
    said = []
    for check in history.checks:
        record = history.find(check.model_sha256)
        if record is None:
            said.append(
                f"{check.path.name}: it checks a model with the hash {check.model_sha256[:12]}…, which is not in the"
                " history."
            )
        elif check.when < record.when - max(_slack(record), _slack(check)):
            said.append(
                f"{check.path.name}: this check is dated {shown(check.when)}, before the last scan of its model"
                f" {record.path.name} on {shown(record.when)}; one of the clocks is wrong, so check the dates."
            )
    return said


def _slack(record: Record) -> timedelta:
    return CLOCK if record.zoned else UNZONED
