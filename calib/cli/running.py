"""What all commands share: exit codes, what is printed where, progress.

Nothing but the standard library and typer is imported here, so that help appears at once.
"""

from __future__ import annotations

import json
import math
import os
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from calib.errors import CalibError, FileError, OutputExistsError, ScanError

if TYPE_CHECKING:
    from calib.findings import Finding
    from calib.scan import Scan
    from calib.standard import Standard


class Exit(IntEnum):
    """Exit codes, see ``docs/reference/exit-codes.md``."""

    FINE = 0
    DOES_NOT_CONFORM = 1
    UNUSABLE = 2
    UNDECIDED = 3
    PARTLY = 4
    DEFECT = 70
    STOPPED = 130
    READER_LEFT = 141


class Commands(TyperGroup):
    """The commands, with every error that a user can do something about turned into a sentence and an exit code."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command that was asked for."""
        try:
            result = super().invoke(ctx)
            sys.stdout.flush()
            return result
        except CalibError as error:
            complain(str(error))
            raise typer.Exit(Exit.UNUSABLE) from error
        except BrokenPipeError:
            # what is still to be flushed must find a place to go
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            raise typer.Exit(Exit.READER_LEFT) from None
        except OSError as error:
            complain(sentence(error))
            raise typer.Exit(Exit.UNUSABLE) from error
        except MemoryError:
            complain("There is not enough memory for this: use smaller or fewer scans at a time.")
            raise typer.Exit(Exit.UNUSABLE) from None
        except KeyboardInterrupt:
            complain("Stopped.")
            raise typer.Exit(Exit.STOPPED) from None


# --- options that several commands take ------------------------------------------------------------

AsJson = Annotated[bool, typer.Option("--json", help="Print the result as JSON, and nothing else on standard output.")]
Force = Annotated[bool, typer.Option("--force", help="Write over files that exist.")]
ModelOption = Annotated[Path, typer.Option("--model", metavar="MODEL.json", help="Made by calib calibrate.")]
Channel = Annotated[
    str | None, typer.Option("--channel", metavar="NAME", help="Channel to look at, if not the height.")
]
Given = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        metavar="KEY=VALUE",
        help="Say of the scans what their files don't: a key of a plan's [[scan]] table, such as"
        " line_period='1 s' or pixel_size='50 nm'. May be repeated.",
    ),
]
Despite = Annotated[
    bool, typer.Option("--despite-findings", help="Go on even where the inspection of a scan finds an error.")
]
AnyScanner = Annotated[
    bool, typer.Option("--any-scanner", help="Apply the model even to scans of another scanner or other settings.")
]


def given(pairs: list[str] | None) -> dict[str, Any]:
    """Return what --set says, as the keys of a plan."""
    import tomllib

    found: dict[str, Any] = {}
    for pair in pairs or []:
        key, equals, text = pair.partition("=")
        key, text = key.strip(), text.strip()
        if not (key and equals):
            raise CalibError(f"--set {pair!r} is not of the form KEY=VALUE: write for example --set line_period='1 s'.")
        try:
            found[key] = tomllib.loads(f"value = {text}")["value"]
        except (tomllib.TOMLDecodeError, KeyError):
            found[key] = text  # the shell has eaten its quotes
    return found


def examples(*lines: str) -> str:
    """Return the end of a help page."""
    # \b keeps typer from running the lines together
    return "\b\nExamples:\n" + "\n".join(f"  {line}" for line in lines)


# --- what is printed -------------------------------------------------------------------------------


def say(*lines: str) -> None:
    """Print a result."""
    for line in lines:
        typer.echo(line)


def complain(line: str) -> None:
    """Print what is no result."""
    typer.echo(line, err=True)


def say_json(content: Any) -> None:
    """Print a result for scripts; unknown numbers are null."""
    typer.echo(json.dumps(_finite(content), ensure_ascii=False, allow_nan=False, indent=1, default=str))


def _finite(content: Any) -> Any:
    if isinstance(content, Mapping):
        return {str(key): _finite(item) for key, item in content.items()}
    if isinstance(content, (list, tuple)):
        return [_finite(item) for item in content]
    if isinstance(content, float) and not math.isfinite(content):
        return None
    return content


@contextmanager
def progress(first: str) -> Iterator[Callable[[str, float], None] | None]:
    """Give something to call with the name of a stage and the part of it that is done; None if nobody watches."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(first, total=1.0)
        yield lambda stage, part: bar.update(task, description=stage, completed=part)


def sentence(error: CalibError | OSError) -> str:
    """Return what an error says to people."""
    if isinstance(error, OSError):
        what = f"{error.filename} can't be used" if error.filename else "The system refused"
        return f"{what}: {error.strerror or error}."
    return str(error)


def outcome(done: int, refused: int) -> Exit:
    """Return the exit code where some of several inputs may have been refused."""
    if not refused:
        return Exit.FINE
    return Exit.PARTLY if done else Exit.UNUSABLE


def check_findings(name: str, scan: Scan, despite: bool, standard: Standard | None = None) -> tuple[Finding, ...]:
    """Inspect a scan before it is used: print warnings in brief, refuse errors unless they are to be ignored."""
    from calib.findings import inspect_scan

    def told(finding: Finding) -> str:
        # observers name the scan themselves
        return finding.message.removeprefix(f"{scan.label}: ").removeprefix(f"{scan.label} ")

    found = inspect_scan(scan, standard)
    for finding in found:
        if finding.severity == "error" and not despite:
            raise ScanError(f"{name}: {told(finding)} {finding.advice} (--despite-findings goes on all the same.)")
    for finding in found:
        if finding.severity != "note":
            complain(f"{name}: {finding.severity}: {told(finding)}")
    return found


# --- files -----------------------------------------------------------------------------------------


def check_output(path: Path | None, force: bool) -> None:
    """Find out before the work whether its result can be written."""
    if path is None:
        return
    if path.is_dir():
        raise FileError(f"{path} is a folder: give the name of a file.")
    if not path.parent.is_dir():
        raise FileError(f"{path} can't be written, since there is no folder {path.parent}: create it first.")
    if not os.access(path.parent, os.W_OK):
        raise FileError(f"{path} can't be written, since the folder {path.parent} is closed to you: choose another.")
    if os.path.lexists(path) and not force:
        raise OutputExistsError(f"{path} exists already: choose another name, or write over it with --force.")
