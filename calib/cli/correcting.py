"""The command that corrects scans: some, an archive of them, or one that is still being recorded."""

from __future__ import annotations

import re
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, cast

import typer

from calib.cli.histories import HistoryFor, Models, ValidFor
from calib.cli.running import (
    AnyScanner,
    AsJson,
    Channel,
    Despite,
    Exit,
    Force,
    Given,
    complain,
    examples,
    given,
    outcome,
    say,
    say_json,
)

if TYPE_CHECKING:
    from calib.archive import BatchResult, Outcome, Source
    from calib.resample import Interpolation

CORRECT_EXAMPLES = examples(
    "calib correct sample.nc --model model.json -o corrected",
    "calib correct *.nc --model model.json -o corrected --uncertainty --figures",
    "calib correct archive --model model.json -o corrected --workers 4",
    "calib correct - --history models -o corrected < list.txt",
    "calib correct recording --follow frame.toml --model model.json -o corrected",
    "calib correct heights.csv --set pixel_size='50 nm' --set unit=nm --model model.json -o corrected",
)

_FEW = 20  # scans that are told of one by one
_EVERY = 30.0  # s between lines on progress, where nobody watches a bar


def correct(
    scans: Annotated[
        list[Path],
        typer.Argument(
            metavar="SCAN|DIR|GLOB|-",
            show_default=False,
            help="Scan files, folders with scans, patterns in quotes; - for a list of files on standard input.",
        ),
    ],
    folder: Annotated[
        Path, typer.Option("-o", "--output", metavar="DIR", help="Folder for the corrected scans; made if need be.")
    ],
    model_file: Annotated[
        Path | None, typer.Option("--model", metavar="MODEL.json", help="Made by calib calibrate.")
    ] = None,
    history: HistoryFor = None,
    valid_for: ValidFor = None,
    uncertainty: Annotated[
        bool, typer.Option("--uncertainty", help="Add standard uncertainties as channels u_x, u_y and u_height.")
    ] = False,
    figures: Annotated[
        bool, typer.Option("--figures", help="Draw each scan before and after, and the difference, as DIR/<name>.png.")
    ] = False,
    workers: Annotated[
        int, typer.Option("--workers", min=1, max=1024, metavar="N", help="How many processes share the work.")
    ] = 1,
    scheduler: Annotated[
        str | None,
        typer.Option(
            "--scheduler", metavar="ADDRESS", help="Have a Dask cluster do it, whose workers see these files."
        ),
    ] = None,
    interpolation: Annotated[
        str, typer.Option("--interpolation", metavar="NAME", help="cubic, linear or nearest.")
    ] = "cubic",
    step: Annotated[
        str | None,
        typer.Option("--step", metavar="LENGTH", help="Between points of the true grid; by default as in the scan."),
    ] = None,
    frame: Annotated[
        Path | None,
        typer.Option(
            "--follow", metavar="FRAME.toml", help="Correct lines while DIR fills; says how they are recorded."
        ),
    ] = None,
    timeout: Annotated[
        str, typer.Option("--timeout", metavar="TIME", help="With --follow: how long to wait for a new line.")
    ] = "60 s",
    any_scanner: AnyScanner = False,
    channel: Channel = None,
    given_by_hand: Given = None,
    despite: Despite = False,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Correct scans with a model: each becomes DIR/<name>.nc, on a regular grid of true coordinates.

    With --history each scan gets the model that was valid for it; --model goes before. A scan that can't be corrected
    is refused with a sentence, and the others are done: exit code 4 then, 2 if none was. Scans that were corrected
    before, by the same model with the same options, are skipped; so the same command goes on where it was stopped.
    """
    from calib import units
    from calib.archive import Stopped, correct_many

    models = Models(model_file, history, valid_for, any_scanner)
    if frame is not None:
        _check_follow(scans, workers > 1, scheduler, figures, step, channel, given_by_hand)
        from calib.cli.following import follow

        with _terminable(False):
            code = follow(
                scans[0],
                frame,
                models,
                folder,
                patience=units.parse(timeout, "time", "--timeout"),
                uncertainty=uncertainty,
                interpolation=cast("Interpolation", interpolation),
                any_scanner=any_scanner,
                force=force,
                as_json=as_json,
            )
        raise typer.Exit(code)
    length = None if step is None else units.parse(step, "length", "--step")
    sources, stopped = _sources(scans), False
    here = workers == 1 and scheduler is None and len(scans) == 1 and not _told_briefly(scans)
    with _terminable(here) as asked, _watched(_told_briefly(scans), as_json) as tell:

        def told(outcome: Outcome, number: int, total: int) -> None:
            tell(outcome, number, total)
            if here and asked:
                raise KeyboardInterrupt

        try:
            result = correct_many(
                sources,
                models,
                folder,
                workers=workers,
                scheduler=scheduler,
                uncertainty=uncertainty,
                figures=figures,
                any_scanner=any_scanner,
                channel=channel,
                given=given(given_by_hand),
                despite_findings=despite,
                force=force,
                interpolation=cast("Interpolation", interpolation),
                step=length,
                progress=told,
            )
        except Stopped as stop:
            result, stopped = stop.result, True
    raise typer.Exit(_ended(result, _told_briefly(scans) or result.total > _FEW, as_json, stopped, models.incomplete))


def _check_follow(scans: list[Path], *others: Any) -> None:
    from calib.errors import CalibError

    if len(scans) != 1 or str(scans[0]) == "-":
        raise CalibError("--follow goes with one folder that fills, or one text that grows.")
    if any(others):
        raise CalibError(
            "--follow goes without --workers, --scheduler, --figures, --step, --channel and --set: what is to be said"
            " of the frame stands in its TOML file, and the rest needs the whole image."
        )


def _sources(scans: list[Path]) -> list[str | Path | Source]:
    from calib.archive import listed

    sources: list[str | Path | Source] = []
    for path in scans:
        if str(path) == "-":
            sources += listed(sys.stdin.buffer.read().decode("utf-8", "surrogateescape"))
        else:
            sources.append(path)
    return sources


def _told_briefly(scans: list[Path]) -> bool:
    """Whether nobody named the scans one by one."""
    return len(scans) > _FEW or any(str(path) == "-" or (not path.is_file() and _many(path)) for path in scans)


def _many(path: Path) -> bool:
    return path.is_dir() or any(mark in str(path) for mark in "*?[")


# --- while it runs ---------------------------------------------------------------------------------


@contextmanager
def _terminable(here: bool) -> Iterator[list[int]]:
    """Take a request to end for a Ctrl-C, and keep it in the list that is given.

    If the work is done ``here``, the first one waits for the scan in hand: raised in the midst of it, it might be lost
    in a library. A second one does not wait.
    """
    asked: list[int] = []

    def stop(number: int, _: Any) -> None:
        asked.append(number)
        if not here or len(asked) > 1:
            raise KeyboardInterrupt

    kinds = (signal.SIGTERM, signal.SIGINT) if here else (signal.SIGTERM,)
    try:
        before = [signal.signal(kind, stop) for kind in kinds]
    except ValueError:  # not the main thread
        yield asked
        return
    try:
        yield asked
    finally:
        for kind, handler in zip(kinds, before, strict=True):
            signal.signal(kind, handler)


@contextmanager
def _watched(briefly: bool, as_json: bool) -> Iterator[Callable[[Outcome, int, int], None]]:
    """Give something to call with each outcome: it moves a bar, and tells of the scan if there are few."""
    if not sys.stderr.isatty():
        lines = _Lines()

        def told(one: Outcome, dealt: int, total: int) -> None:
            if briefly or total > _FEW:
                lines.tell(dealt, total)
            else:
                _tell(one, as_json)

        yield told
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    columns = (
        *(TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn()),
        *(TextColumn("left:"), TimeRemainingColumn()),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("correcting", total=None)

        def moved(one: Outcome, dealt: int, total: int) -> None:
            bar.update(
                task, description=f"correcting {one.source.name}", completed=dealt, total=total, refresh=total <= _FEW
            )
            if not briefly and total <= _FEW:
                _tell(one, as_json)

        yield moved


class _Lines:
    """Progress for a log: a line now and then."""

    def __init__(self) -> None:
        self._begun = self._last = time.monotonic()

    def tell(self, dealt: int, total: int) -> None:
        now = time.monotonic()
        if now - self._last >= _EVERY and dealt < total:
            self._last = now
            left = (now - self._begun) / dealt * (total - dealt)
            complain(f"{dealt} of {total} scans; about {_duration(left)} left")


def _duration(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


# --- what is said ----------------------------------------------------------------------------------


def _tell(one: Outcome, as_json: bool) -> None:
    for line in one.warnings:
        complain(line)
    if one.state == "refused":
        complain(one.sentence)
    elif not as_json:
        say(one.sentence if one.state == "skipped" else f"{one.source} -> {', '.join(map(str, one.outputs))}")
        say(*([f"  model: {one.model_choice}"] if one.model_choice else []))
        say(*([f"  note: {one.notes}"] if one.notes else []))


def _ended(result: BatchResult, briefly: bool, as_json: bool, stopped: bool, incomplete: bool) -> Exit:
    """Say how it ended, and return the exit code."""
    if as_json:
        say_json([_as_dict(one) for one in result.outcomes])
    if briefly:
        if not as_json:
            _summary(result)
        for one in result.refused:
            complain(one.sentence)
    if stopped:
        missing = result.total - len(result.outcomes)
        complain(
            f"Stopped: {len(result.outcomes)} of {result.total} scans are dealt with, {missing} are not;"
            " all files are whole, and the same command goes on from here."
        )
        return Exit.STOPPED
    defects = [one.defect for one in result.outcomes if one.defect]
    if defects:
        complain(defects[0])
        complain("This is a defect of calib, not of your input: please report it with the lines above.")
        return Exit.DEFECT
    code = outcome(len(result.outcomes) - len(result.refused), len(result.refused))
    return Exit.PARTLY if incomplete and code is Exit.FINE else code


def _summary(result: BatchResult) -> None:
    counts = (
        ("done", len(result.of("done"))),
        ("done, with warnings or notes", len(result.warned)),
        ("done before", len(result.skipped)),
        ("refused", len(result.refused)),
        ("scans", len(result.outcomes)),
    )
    for name, count in counts:
        say(f"{name:<30}{count:>8}")
    if result.passed_over:
        say(f"{'no scans, passed over':<30}{result.passed_over:>8}")
    if result.links:
        say(f"{'links to folders, not followed':<30}{result.links:>8}")
    said = _alike(result)
    if said:
        say("")
    for count, example in said:
        say(f"{count:>6} × {example}")


def _alike(result: BatchResult) -> list[tuple[int, str]]:
    """Count warnings and notes that differ in numbers and names only, with an example; frequent ones first."""
    groups: dict[str, list[str]] = {}
    for one in result.warned:
        name = str(one.source)
        lines = [*one.warnings, *(f"{name}: note: {note}" for note in one.notes.split("; ") if note)]
        for line in lines:
            key = re.sub(
                r"[-+]?\d[\d.,e+-]*(?: ?[nµmk]?m\b)?", "#", line.replace(name, "").replace(one.source.stem, "")
            )
            groups.setdefault(key, []).append(line)
    return sorted(((len(lines), lines[0]) for lines in groups.values()), key=lambda pair: -pair[0])


def _as_dict(one: Outcome) -> dict[str, Any]:
    if one.state == "refused":
        return {"file": str(one.source), "state": one.state, "error": one.sentence}
    return {
        "file": str(one.source),
        "state": one.state,
        "outputs": [str(output) for output in one.outputs],
        "notes": one.notes,
        "findings": list(one.findings),
        "model_sha256": one.model_sha256,
        "model_choice": one.model_choice,
    }
