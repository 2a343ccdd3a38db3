"""Which model of a history is the right one for a scan, and why; or why none is."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from calib.domain import beyond_area, differing_settings
from calib.errors import ModelError
from calib.history.dates import shown, utc
from calib.history.record import History, ModelRecord
from calib.history.timeline import AGE, FAILED, NEXT, Validity
from calib.path import Path
from calib.scan import Scan
from calib.units import show


@dataclass(frozen=True, eq=False)
class Choice:
    """The model that is valid for a scan.

    Attributes
    ----------
    record
        The model with its file.
    why
        A sentence that says which and why.
    notes
        What had to be assumed, in plain words.
    """

    record: ModelRecord
    why: str
    notes: tuple[str, ...] = ()


def choose(history: History, scan: Scan, *, valid_for: float | None = None) -> Choice:
    """Choose by scanner, probe, controller settings, date and area, in this order.

    Size and speed of the scan don't forbid a model: what lies outside of those is corrected with a note, as always. Of
    several models that are valid, which only differing settings or probes allow, the last one is taken.

    Parameters
    ----------
    history
        As it was read.
    scan
        As it was recorded.
    valid_for
        How long a model may be used, s.

    Raises
    ------
    ModelError
        If none is valid: it names the nearest one, and why that does not do.
    """
    if scan.frame_of_reference == "true":
        raise ModelError(
            f"{scan.label} is corrected already, so it is left alone; correct the scan as it was recorded."
        )
    if not history.models:
        raise ModelError(f"{scan.label}: there is no model in {history.folder}; make one, or name one with --model.")
    if scan.started is None:
        raise ModelError(
            f"{scan.label} does not say when it was taken, so no model can be chosen by date: say it with"
            " --set started=…, or name a model with --model."
        )
    date = utc(scan.started)
    listed = [one for line in history.lines(valid_for=valid_for) for one in line.validities]
    judged = [(_obstacle(one, scan, date, history), one) for one in listed]
    fitting = [one for (stage, _), one in judged if stage == _FITS]
    if not fitting:
        # the one that got furthest, and of these the one that is nearest in time
        (_, reason), nearest = max(judged, key=lambda one: (one[0][0], -_apart(one[1], date)))
        raise ModelError(
            f"{scan.label}: no model in {history.folder} is valid for it; the nearest, {nearest.record.path.name},"
            f" {reason}; calibrate, or name a model with --model."
        )
    chosen = max(fitting, key=lambda one: (_stated_alike(one.record, scan), one.since))
    record = chosen.record
    until = f"until {shown(chosen.until)} ({chosen.ended_by})" if chosen.until else "with no end so far"
    why = (
        f"{record.path.name}, of {record.scanner or 'a scanner without a name'}, valid from {shown(chosen.since)}"
        f" {until}; the scan was taken on {shown(date)}"
    )
    return Choice(record, why, tuple(_assumed(record, scan)))


_SCANNER, _PROBE, _SETTINGS, _DATE, _AREA, _FITS = range(6)


def _obstacle(one: Validity, scan: Scan, date: datetime, history: History) -> tuple[int, str]:
    """How far a model gets, and what stops it."""
    record, model = one.record, one.record.model
    if not scan.scanner and len(history.scanners) > 1:
        return _SCANNER, f"is of {record.scanner!r}, but the scan does not name its scanner"
    if scan.scanner and scan.scanner != record.scanner:
        return _SCANNER, f"is of {_named(record.scanner)}, and the scan of {scan.scanner!r}"
    if scan.probe and record.probes and scan.probe not in record.probes:
        return _PROBE, f"was calibrated with probe {', '.join(sorted(record.probes))}, and the scan is of {scan.probe}"
    if model.controller is not None and scan.controller is not None:
        differing = differing_settings(model.controller, scan.controller)
        if differing:
            return _SETTINGS, f"was calibrated with other controller settings ({differing})"
    elif scan.controller is None and len(_settings(history, record)) > 1:
        return _SETTINGS, "is one of several with different controller settings, and the scan does not say its own"
    if date < one.since:
        return _DATE, f"holds only from {shown(one.since)} on, and the scan was taken on {shown(date)}"
    if not one.holds(date):
        return _DATE, f"{_ENDS[one.ended_by]} on {shown(one.until)}, and the scan was taken on {shown(date)}"
    if beyond := beyond_area(model, Path(scan)):
        return _AREA, f"was calibrated in a smaller area: the scan reaches {show(beyond)} beyond it"
    return _FITS, ""


_ENDS = {NEXT: "was replaced by the next model", FAILED: "failed a check", AGE: "reached the end of its time"}


def _settings(history: History, record: ModelRecord) -> set[str]:
    return {one.identity[2] for one in history.models if one.scanner == record.scanner}


def _stated_alike(record: ModelRecord, scan: Scan) -> int:
    """How much of its identity a model states as the scan does, where others leave it open."""
    same_probe = bool(scan.probe and scan.probe in record.probes)
    return same_probe + (record.model.controller is not None and scan.controller is not None)


def _assumed(record: ModelRecord, scan: Scan) -> list[str]:
    notes = []
    if scan.scanner is None:
        notes.append(f"the scan does not name its scanner; the history knows only {_named(record.scanner)}")
    if record.model.controller is not None and scan.controller is None:
        notes.append("the scan does not state its controller settings; those of the model are assumed")
    if record.probes and not scan.probe:
        notes.append(f"the scan does not name its probe; {', '.join(sorted(record.probes))} is assumed")
    if scan.started is not None and scan.started.tzinfo is None and record.zoned:
        notes.append("the scan does not say the zone of its time, which is taken as UTC")
    return notes


def _apart(one: Validity, date: datetime) -> float:
    if one.holds(date):
        return 0.0
    return min(abs((date - end).total_seconds()) for end in (one.since, one.until) if end is not None)


def _named(scanner: str) -> str:
    return repr(scanner) if scanner else "a scanner without a name"
