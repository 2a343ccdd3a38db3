"""Commands that need no scans of one's own: the demo, the standards that come along."""

from __future__ import annotations

import contextlib
import io
import shlex
from pathlib import Path
from typing import Annotated

import typer

from calib.cli.running import AsJson, Force, examples, say, say_json

DEMO_EXAMPLES = examples("calib demo", "calib demo try-out --force", "calib demo --json")


def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", show_default=False, help="Where to write; by default calib-demo.")
    ] = Path("calib-demo"),
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Run the whole job on made-up scans, saying what is done and what is found."""
    from calib.demo import run_demo

    found = run_demo(folder, _run_silently if as_json else _run, (lambda *_: None) if as_json else say, force=force)
    if as_json:
        say_json(found)
    raise typer.Exit(max(found["exit_codes"]))


def _run(words: list[str]) -> int:
    """Run a command of this program as its user would, and show it."""
    say("", f"$ calib {shlex.join(words)}")
    return _code(words)


def _run_silently(words: list[str]) -> int:
    with contextlib.redirect_stdout(io.StringIO()):
        return _code(words)


def _code(words: list[str]) -> int:
    from calib.cli import app

    return int(app(words, prog_name="calib", standalone_mode=False) or 0)


STANDARDS_EXAMPLES = examples("calib standards", "calib standards grid-2um", "calib standards my-grid.toml")


def standards(
    name: Annotated[
        str | None,
        typer.Argument(metavar="NAME", show_default=False, help="A packaged standard, or a standard's file."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """List the standards that come with calib, or show one."""
    from calib.standard import load_standard, packaged_standards

    if name is not None:
        standard = load_standard(name)
        if as_json:
            say_json(standard.to_dict())
        else:
            say(*standard.summary())
        return
    known = {key: load_standard(key) for key in packaged_standards()}
    if as_json:
        say_json({key: standard.to_dict() for key, standard in known.items()})
        return
    width = max(map(len, known))
    for key, standard in known.items():
        values = ", ".join(f"{label.replace('_', ' ')} {value}" for label, value in standard.values().items())
        say(f"{key:<{width}}  {standard.kind:<7}  {values}")
