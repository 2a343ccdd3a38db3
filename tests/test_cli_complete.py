"""What every command has to offer, whatever it does: help with examples, units, JSON that any program can read."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command
from typer.testing import CliRunner, Result

from calib.cli import app
from calib.cli.running import check_output
from calib.errors import FileError
from tests.demonstration import demonstrated


def commands() -> dict[str, Any]:
    def below(command: Any, words: tuple[str, ...]) -> Iterator[tuple[str, Any]]:
        if hasattr(command, "commands"):
            for name, part in command.commands.items():
                yield from below(part, (*words, name))
        else:
            yield " ".join(words), command

    return dict(below(get_command(app), ()))


COMMANDS = commands()
WITHOUT_JSON = {"view"}
"""Commands that print no result."""


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], prog_name="calib")


@pytest.mark.parametrize("name", COMMANDS)
def test_help_has_examples_and_a_line_for_every_option(name: str) -> None:
    command = COMMANDS[name]
    context = command.make_context(name, [], resilient_parsing=True)
    head, _, examples = (command.epilog or "").partition("Examples:")
    assert not head.strip("\b\n")
    lines = [line.strip() for line in examples.splitlines() if line.strip()]
    assert lines
    known = {option for part in command.get_params(context) for option in (*part.opts, *part.secondary_opts)}
    for line in lines:
        assert line.startswith(f"calib {name}"), line
        assert set(re.findall(r"(?<= )--?[a-z][a-z-]*", line)) <= known, line
    for part in command.get_params(context):
        assert part.help, part.name
        assert part.help.rstrip().endswith((".", "?")), part.help
    assert ("--json" in known) == (name not in WITHOUT_JSON)


MODEL = ("--model", "model.json")
BARE: tuple[tuple[str, ...], ...] = (
    ("inspect", "grid-up.nc", "--set", "line_period=1"),
    ("plan", "--travel", "20, 20", "--standard", "grid.toml"),
    ("plan", "--travel", "20 um, 20 um", "--standard", "grid.toml", "--smallest", "5"),
    ("plan", "--travel", "20 um, 20 um", "--standard", "grid.toml", "--line-period", "1"),
    ("correct", "sample.nc", "--history", ".", "--valid-for", "180", "-o", "nowhere"),
    ("verify", "check-x.nc", *MODEL, "--standard", "grating.toml", "--turned", "90"),
    ("interim", "grid-up.nc", *MODEL, "--standard", "grid.toml", "--matters", "0.1"),
    ("measure", "distance", "sample.nc", *MODEL, "--from", "1, 2", "--to", "3 um, 4 um"),
    ("measure", "distance", "sample.nc", *MODEL, "--from", "1 um, 2 um", "--to", "3 um, 4 um", "--reading", "3"),
    ("measure", "pitch", "check-x.nc", *MODEL, "--pitch", "3"),
    ("measure", "step", "check-step.nc", *MODEL, "--height", "62"),
    ("history", ".", "--size", "10"),
    ("history", ".", "--valid-for", "180"),
    ("history", ".", "--tolerance", "scale=0.2"),
    ("compare", "model.json", "model.json", "--distance", "10"),
    ("between", "model.json", "model.json", "sample.nc", "--height", "100"),
    ("show", "model.json", "--controller", "--size", "14"),
)


@pytest.mark.parametrize("words", BARE, ids=" ".join)
def test_quantity_without_a_unit_is_refused_with_an_example(
    words: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(demonstrated().folder)
    result = run(*words)
    assert result.exit_code == 2, result.output
    *_, said = result.stderr.splitlines()
    assert "unit" in said
    assert "write for example" in said


def strict(text: str) -> Any:
    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is no JSON")

    return json.loads(text, parse_constant=refuse)


PRINTED: tuple[tuple[int, tuple[str, ...]], ...] = (
    (0, ("inspect", "grid-up.nc", "sample.nc")),
    (4, ("inspect", "grid-up.nc", "plan.toml")),
    (0, ("verify", *MODEL, "checks.toml", "--budget")),
    (3, ("interim", "check-x.nc", "--standard", "grating.toml", *MODEL)),
    (0, ("measure", "distance", "sample.nc", *MODEL, "--from", "-3 um, 0 um", "--to", "4 um, 1 um")),
    (0, ("measure", "angle", "sample.nc", *MODEL, "--at", "0,0 um", "--from", "3,0 um", "--to", "0,3 um")),
    (0, ("measure", "area", "sample.nc", *MODEL, "--point", "0,0 um", "--point", "3,0 um", "--point", "3,2 um")),
    (0, ("measure", "pitch", "check-x.nc", *MODEL, "--pitch", "3 um")),
    (0, ("measure", "step", "check-step.nc", *MODEL)),
    (0, ("history", ".")),
    (0, ("show", "model.json", "--parameters", "--observability")),
    (0, ("show", "model.json", "--controller")),
    (0, ("standards",)),
    (0, ("standards", "graphite-step")),
)


@pytest.mark.parametrize(("code", "words"), PRINTED, ids=lambda part: " ".join(part) if isinstance(part, tuple) else "")
def test_json_is_valid_and_alone_on_standard_output(
    code: int, words: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(demonstrated().folder)
    result = run(*words, "--json")
    assert result.exit_code == code, result.output
    assert strict(result.stdout)


def test_folder_that_is_closed_is_told_before_the_work(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(os, "access", lambda path, mode: False)  # root may write anywhere
    with pytest.raises(FileError, match="is closed to you: choose another"):
        check_output(tmp_path / "model.json", force=True)
