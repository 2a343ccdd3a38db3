"""The demo, run once with small scans, for all tests that need a calibrated scanner and its files."""

from __future__ import annotations

import atexit
import contextlib
import io
import shutil
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from calib.cli import app
from calib.demo import run_demo


@dataclass(frozen=True)
class Demonstration:
    """What the demo left, found and said, and the commands that it ran."""

    folder: Path
    found: dict[str, Any]
    said: str
    commands: list[list[str]]


@cache
def demonstrated() -> Demonstration:
    above = Path(tempfile.mkdtemp(prefix="calib-test-"))
    atexit.register(shutil.rmtree, above, ignore_errors=True)
    said, commands = io.StringIO(), []

    def run(words: list[str]) -> int:
        commands.append(words)
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(io.StringIO()):
            return int(app(words, standalone_mode=False) or 0)

    found = run_demo(above / "demo", run, lambda *lines: said.write("\n".join((*lines, ""))), points=96)
    return Demonstration(above / "demo", found, said.getvalue(), commands)
