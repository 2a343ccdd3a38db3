"""Correct an archive of scans: many files, several processes or a cluster, and again from where it was stopped.

:func:`correct_many` finds the scans (:mod:`.sources`), has each corrected by the same function (:mod:`.task`) in
processes that may die of it (:mod:`.process`), here (:mod:`.pool`) or on a cluster (:mod:`.cluster`), and gathers what
became of them.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.archive.sources import Source, find, listed
from calib.archive.task import Chooser, Job, OneModel, Outcome, Settings, correct_one
from calib.errors import CalibError, FileError

if TYPE_CHECKING:
    from calib.archive.pool import Pool
    from calib.model import Model
    from calib.resample import Interpolation

__all__ = ["BatchResult", "Outcome", "Source", "Stopped", "correct_many", "listed"]

Progress = Callable[[Outcome, int, int], None]

_LEFT_OVER = re.compile(r"\.[0-9a-f]{16}\.(nc|png)")
_OLD = 600.0  # s: nobody writes at one file for so long


@dataclass(frozen=True)
class BatchResult:
    """What became of many scans.

    Attributes
    ----------
    outcomes
        One for each scan, in the order in which they were found.
    total
        How many scans were found; more than there are outcomes if it was stopped.
    passed_over, links
        How many files in folders are no scans, and how many links to folders were not followed.
    """

    outcomes: tuple[Outcome, ...]
    total: int
    passed_over: int = 0
    links: int = 0

    def of(self, *states: str) -> tuple[Outcome, ...]:
        """Return the outcomes in some states: ``done``, ``warned``, ``skipped``, ``refused``."""
        return tuple(one for one in self.outcomes if one.state in states)

    @property
    def done(self) -> tuple[Outcome, ...]:
        """Corrected now, with warnings or without."""
        return self.of("done", "warned")

    @property
    def skipped(self) -> tuple[Outcome, ...]:
        """Corrected before."""
        return self.of("skipped")

    @property
    def warned(self) -> tuple[Outcome, ...]:
        """Corrected now, with a warning or a note."""
        return self.of("warned")

    @property
    def refused(self) -> tuple[Outcome, ...]:
        """Not corrected; each has a sentence that says why."""
        return self.of("refused")


class Stopped(KeyboardInterrupt):
    """A batch that was stopped by the keyboard, with what was done so far; all files are whole."""

    def __init__(self, result: BatchResult) -> None:
        super().__init__("stopped")
        self.result = result


def correct_many(
    sources: str | Path | Iterable[str | Path | Source],
    model: Model | str | Path | Chooser,
    output: str | Path,
    *,
    workers: int = 1,
    scheduler: str | None = None,
    uncertainty: bool = False,
    figures: bool = False,
    any_scanner: bool = False,
    channel: str | None = None,
    given: Mapping[str, Any] | None = None,
    despite_findings: bool = False,
    force: bool = False,
    interpolation: Interpolation = "cubic",
    step: float | None = None,
    progress: Progress | None = None,
) -> BatchResult:
    """Correct many scans, each into a file of its own.

    What was corrected before, from the same file by the same model with the same options, is skipped; so a batch that
    was stopped goes on when it is started again. One bad file does not stop the others, nor does one that ends the
    process that was at it.

    Parameters
    ----------
    sources
        Files, folders (with all below them) and patterns such as ``archive/**/*.nc``.
    model
        The model or its file, or what chooses one for each scan.
    output
        Folder of the results, made if need be: ``<name>.nc``, in folders as those of the sources.
    workers
        How many processes correct them. A single scan is corrected in this process.
    scheduler
        Address of a Dask scheduler, such as ``tcp://127.0.0.1:8786``, whose workers see the same files; instead of
        `workers`.
    uncertainty, any_scanner, interpolation, step
        As in :meth:`calib.Model.correct`.
    figures
        Also draw each scan before and after as ``<name>.png``.
    channel, given
        As in :func:`calib.plan.read_scan_as`: the channel that is observed, and what the files don't say.
    despite_findings
        Correct scans in which the inspection finds an error, too.
    force
        Replace results that were made of another scan or model, or with other options, and other files.
    progress
        Is called with each outcome, the number of scans that are dealt with, and the number of all.

    Returns
    -------
    BatchResult
        With one outcome a scan.

    Raises
    ------
    CalibError
        If there is nothing to correct, an option makes no sense, the model can't be read, or no worker can be had.
    Stopped
        A `KeyboardInterrupt`: after Ctrl-C, when what was begun has been finished.
    """
    if workers < 1:
        raise CalibError(f"Correcting takes at least one worker, not {workers}.")
    if interpolation not in ("cubic", "linear", "nearest"):
        raise CalibError(f"There is no interpolation {interpolation!r}: use cubic, linear or nearest.")
    if step is not None and not step > 0:
        raise CalibError(f"The step of the true grid must be more than zero, not {step!r}.")
    output = Path(output)
    if output.exists() and not output.is_dir():
        raise FileError(f"{output} is a file: give the name of a folder for the corrected scans.")
    one_source = isinstance(sources, (str, Path))
    found = find([sources] if one_source else sources, output, figures=figures)  # type: ignore[list-item,arg-type]
    total = len(found.jobs) + len(found.refused)
    if not total:
        raise FileError("There is no scan among what was named: name files, or folders with scans in them.")
    settings = Settings(
        output,
        _chooser(model),
        uncertainty,
        any_scanner,
        interpolation,
        step,
        figures,
        channel,
        dict(given or {}),
        despite_findings,
        force,
    )
    _sweep(found.jobs)
    outcomes: list[Outcome] = []

    def gathered() -> BatchResult:
        order = {job.source: k for k, job in enumerate(found.jobs)}
        inside = sorted(outcomes, key=lambda one: order.get(one.source, -1))
        return BatchResult(tuple(inside), total, found.passed_over, found.links)

    def took(outcome: Outcome) -> None:
        outcomes.append(outcome)
        if progress is not None:
            progress(outcome, len(outcomes), total)

    pool: Pool | None = None
    running: Iterator[Outcome] = iter(())
    try:
        for outcome in found.refused:
            took(outcome)
        if scheduler is not None:
            from calib.archive.cluster import outcomes_of

            running = outcomes_of(scheduler, found.jobs, settings)
        elif len(found.jobs) > 1:
            from calib.archive.pool import Pool

            pool = Pool(found.jobs, settings, workers)
            running = pool.outcomes()
        else:  # nothing that would have to survive it
            running = (correct_one(job, settings) for job in found.jobs)
        for outcome in running:
            took(outcome)
    except KeyboardInterrupt:
        _finish(pool, took)
        raise Stopped(gathered()) from None
    finally:
        if isinstance(running, Generator):
            running.close()
        if pool is not None:
            pool.end()
    return gathered()


def _chooser(model: Model | str | Path | Chooser) -> Chooser:
    from calib.model import Model, load_model

    if isinstance(model, (str, Path)):
        model = load_model(model)
    return OneModel(model) if isinstance(model, Model) else model


def _finish(pool: Pool | None, took: Callable[[Outcome], None]) -> None:
    """Let what was begun be finished, unless the keyboard says again to stop."""
    if pool is None:
        return
    with suppress(KeyboardInterrupt):
        for outcome in pool.stop():
            took(outcome)


def _sweep(jobs: Iterable[Job]) -> None:
    """Remove what killed runs left behind: unfinished files under temporary names, old enough to be nobody's work."""
    for folder in _folders(jobs):
        with suppress(OSError):
            for entry in os.scandir(folder):
                if _LEFT_OVER.fullmatch(entry.name) and entry.is_file(follow_symlinks=False):
                    with suppress(OSError):
                        if time.time() - entry.stat(follow_symlinks=False).st_mtime > _OLD:
                            os.unlink(entry.path)


def _folders(jobs: Iterable[Job]) -> Iterator[Path]:
    yield from dict.fromkeys(job.outputs[0].parent for job in jobs)
