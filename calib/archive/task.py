"""One scan of many: whether it is done already, and else its correction. The same function runs in every process.

A result says by itself what it was made of: hash of the source, hash of the model, and options stand in its attributes.
So there is no list of finished work that could be lost or wrong; a file is renamed to its name when it is whole.
"""

from __future__ import annotations

import json
import os
import traceback
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Protocol

from calib.errors import CalibError, FileError, OutputExistsError, ScanError
from calib.files import reason, sha256

if TYPE_CHECKING:
    from calib.findings import Finding
    from calib.model import Model
    from calib.resample import Interpolation
    from calib.scan import Scan

State = Literal["done", "warned", "skipped", "refused"]

OPTIONS, VERSION = "correction_options", "calib_version"
"""Attributes of a result, beside the hashes of the source and the model."""


class Chooser(Protocol):
    """What says which model a scan is corrected with; it travels to other processes."""

    @property
    def only(self) -> Model | None:
        """The model, if it is the same for all scans and needs no words."""
        ...

    def model_for(self, scan: Scan) -> tuple[Model, str]:
        """Return the model for a scan, and which it is and why; nothing to say of the only one there is."""
        ...


@dataclass(frozen=True)
class OneModel:
    """The same model for all scans."""

    model: Model

    @property
    def only(self) -> Model:
        """The model."""
        return self.model

    def model_for(self, scan: Scan) -> tuple[Model, str]:
        """Return the model."""
        return self.model, ""


@dataclass(frozen=True)
class Settings:
    """What is the same for all scans.

    Attributes
    ----------
    root
        Folder that no result may lie outside of.
    chooser
        Says which model.
    uncertainty, any_scanner, interpolation, step
        As in :meth:`calib.Model.correct`.
    figures
        Whether each scan is drawn before and after.
    channel, given
        As in :func:`calib.plan.read_scan_as`.
    despite
        Whether scans are corrected in which the inspection finds an error.
    force
        Whether results of something else may be replaced.
    """

    root: Path
    chooser: Chooser
    uncertainty: bool = False
    any_scanner: bool = False
    interpolation: Interpolation = "cubic"
    step: float | None = None
    figures: bool = False
    channel: str | None = None
    given: Mapping[str, Any] = field(default_factory=dict)
    despite: bool = False
    force: bool = False

    @property
    def text(self) -> str:
        """What changes the result, as JSON."""
        said: dict[str, Any] = {
            "uncertainty": self.uncertainty,
            "any_scanner": self.any_scanner,
            "channel": self.channel,
            "set": dict(self.given),
            "interpolation": "" if self.interpolation == "cubic" else self.interpolation,
            "step": self.step,
        }
        return json.dumps({key: value for key, value in said.items() if value}, sort_keys=True, default=str)


@dataclass(frozen=True)
class Job:
    """One scan, and the files that its correction makes: the scan, then the figure if there is one."""

    source: Path
    outputs: tuple[Path, ...]


@dataclass(frozen=True)
class Outcome:
    """What became of one scan.

    Attributes
    ----------
    source
        Its file.
    state
        ``done``, ``warned`` (done, with a warning or a note), ``skipped`` (done before) or ``refused``.
    outputs
        The files that it was corrected to; empty if it was refused.
    sentence
        Why it was refused or skipped.
    notes
        What the correction noted, see :meth:`calib.Model.check`.
    warnings
        What the inspection of the scan found that is no mere note, one sentence each.
    findings
        All findings of the inspection as JSON objects.
    model_sha256, model_choice
        The model, and why this one if there were several.
    defect
        A traceback, if the reason is a defect of calib.
    """

    source: Path
    state: State
    outputs: tuple[Path, ...] = ()
    sentence: str = ""
    notes: str = ""
    warnings: tuple[str, ...] = ()
    findings: tuple[dict[str, Any], ...] = ()
    model_sha256: str = ""
    model_choice: str = ""
    defect: str = ""


def refused(source: Path, sentence: str, defect: str = "") -> Outcome:
    """Return the outcome of a scan that could not be corrected."""
    return Outcome(source, "refused", sentence=sentence, defect=defect)


def correct_one(job: Job, settings: Settings) -> Outcome:
    """Correct one scan, unless that is done; whatever goes wrong with it is said in the outcome."""
    warnings: list[str] = []
    try:
        outcome = _corrected(job, settings, warnings)
    except CalibError as error:
        outcome = refused(job.source, str(error))
    except OSError as error:
        name = error.filename or job.source
        outcome = refused(job.source, f"{name} can't be used: {reason(error)}.")
    except MemoryError:
        outcome = refused(job.source, f"{job.source}: there is not enough memory for it; try fewer workers.")
    except Exception as error:
        told = f"{type(error).__name__}: {error}".rstrip(".")
        words = f"{job.source} could not be corrected, by a defect of calib ({told}): please report it."
        outcome = refused(job.source, words, traceback.format_exc())
    return replace(outcome, warnings=tuple(warnings))


def _corrected(job: Job, settings: Settings, warnings: list[str]) -> Outcome:
    from calib import __version__
    from calib.plan import read_scan_as

    _check_places(job, settings.root)
    standing = _standing(job, settings.force)
    only = settings.chooser.only
    if standing and only is not None and (done := _done(job, settings, standing, only)) is not None:
        return done
    scan = read_scan_as(job.source, settings.given, channel=settings.channel)
    model, choice = only, ""
    if only is None:
        model, choice = settings.chooser.model_for(scan)
        if standing and (done := _done(job, settings, standing, model)) is not None:
            return done
    assert model is not None
    findings = inspected(str(job.source), scan, settings.despite, warnings)
    corrected = model.correct(
        scan,
        uncertainty=settings.uncertainty,
        any_scanner=settings.any_scanner,
        interpolation=settings.interpolation,
        step=settings.step,
    )
    marks = {OPTIONS: settings.text, VERSION: __version__, **({"model_choice": choice} if choice else {})}
    corrected = corrected.replace(attributes={**corrected.attributes, **marks})
    # whatever may not be replaced has been refused by now
    try:
        _write(scan, corrected, job.outputs, settings.root, force=settings.force or bool(standing))
    except OutputExistsError:
        # perhaps another one was at the same scan, and is done with it
        if not (marks := _marks(job.outputs[0])) or (done := _done(job, settings, marks, model)) is None:
            raise
        return done
    notes = str(corrected.attributes.get("correction_notes", ""))
    return Outcome(
        job.source,
        "warned" if notes or warnings else "done",
        job.outputs,
        notes=notes,
        findings=tuple(one.to_dict() for one in findings),
        model_sha256=model.sha256,
        model_choice=choice,
    )


# --- what must not be written ----------------------------------------------------------------------


def _check_places(job: Job, root: Path) -> None:
    """Refuse to write over the scan itself, even with force since nobody can take it again, or outside of the root."""
    for output in job.outputs:
        if output.exists() and job.source.exists() and output.samefile(job.source):
            raise FileError(f"{job.source} would be overwritten by its own correction; name another folder.")
        if not Path(os.path.realpath(output)).is_relative_to(os.path.realpath(root)):
            raise FileError(f"{job.source}: {output} leads out of {root} by a link; remove the link.")
        if output.is_dir():
            raise FileError(f"{output} is a folder: give the name of a file.")


def _standing(job: Job, force: bool) -> dict[str, Any]:
    """Return the attributes of a result that stands there already; empty if there is none.

    Raises
    ------
    OutputExistsError
        If something else stands there, without `force`.
    """
    standing: dict[str, Any] = {}
    first = job.outputs[0]
    if os.path.lexists(first):
        standing = _marks(first)
    for output in job.outputs[:1] if standing else job.outputs:
        if not standing and not force and os.path.lexists(output):
            raise OutputExistsError(f"{output} exists already: choose another name, or write over it with --force.")
    return standing


def _marks(path: Path) -> dict[str, Any]:
    from calib.formats.native import read_attributes

    try:
        attributes = dict(read_attributes(path)["attributes"])
    except (CalibError, OSError):
        return {}
    return attributes if "source_sha256" in attributes and "model_sha256" in attributes else {}


def _done(job: Job, settings: Settings, standing: Mapping[str, Any], model: Model) -> Outcome | None:
    """Return the outcome of a scan that was corrected before; None if that has to be done again.

    Raises
    ------
    OutputExistsError
        If the result that stands there was made of something else, and must not be replaced.
    """
    from calib import __version__

    output, source = job.outputs[0], job.source
    if sha256(source) != standing["source_sha256"]:
        why = f"{source} is not the scan that {output} was made of: it has changed, or is another one"
    elif standing["model_sha256"] != model.sha256:
        ours, theirs = model.sha256[:8], str(standing["model_sha256"])[:8]
        why = f"{output} was made with another model ({theirs}… in place of {ours}…)"
    elif standing.get(OPTIONS) != settings.text:
        why = f"{output} was made with other options ({standing.get(OPTIONS, 'unknown')} in place of {settings.text})"
    elif (settings.force and standing.get(VERSION) != __version__) or not all(
        other.exists() for other in job.outputs[1:]
    ):
        return None
    else:
        choice = str(standing.get("model_choice", ""))
        notes = str(standing.get("correction_notes", ""))
        said = f"{output} is the correction of {source} by this model already."
        return Outcome(source, "skipped", job.outputs, said, notes, model_sha256=model.sha256, model_choice=choice)
    if not settings.force:
        raise OutputExistsError(
            f"{why}: it exists already and stays; choose another folder, or replace it with --force."
        )
    return None


# --- the work --------------------------------------------------------------------------------------


def inspected(name: str, scan: Scan, despite: bool, warnings: list[str]) -> tuple[Finding, ...]:
    """Inspect a scan before it is corrected, and add sentences about what is wrong with it to `warnings`.

    Raises
    ------
    ScanError
        If an error is found, unless it is to be corrected despite that.
    """
    from calib.findings import inspect_scan

    found = inspect_scan(scan)
    for finding in found:
        told = finding.message.removeprefix(f"{scan.label}: ").removeprefix(f"{scan.label} ")
        if finding.severity == "error" and not despite:
            raise ScanError(f"{name}: {told} {finding.advice} (--despite-findings goes on all the same.)")
        if finding.severity != "note":
            warnings.append(f"{name}: {finding.severity}: {told}")
    return found


def _write(scan: Scan, corrected: Scan, outputs: tuple[Path, ...], root: Path, *, force: bool) -> None:
    from calib.formats import write_scan

    folder = outputs[0].parent
    folder.mkdir(parents=True, exist_ok=True)
    if not Path(os.path.realpath(folder)).is_relative_to(os.path.realpath(root)):
        raise FileError(f"{folder} leads out of {root} by a link; remove the link.")
    # A picture of an earlier result must not outlive it: a result without its picture is done again.
    if force:
        for picture in outputs[1:]:
            picture.unlink(missing_ok=True)
    write_scan(outputs[0], corrected, force=force)
    if outputs[1:]:
        from calib.report.figures import correction_figure
        from calib.report.style import save_figure

        save_figure(correction_figure(scan, corrected), outputs[1], force=force)
