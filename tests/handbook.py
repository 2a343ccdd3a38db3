"""Runs the code of a page of the handbook as its reader would: block by block, in an empty folder.

``console`` blocks hold commands after ``$`` and what they print; ``python`` blocks run in one namespace a page; blocks
``toml title="name.toml"`` are files. ``<!-- not run: why -->`` before a block leaves it out, ``<!-- exit code 3 -->``
says how its last command ends. Run ``python -m tests.handbook PAGE`` to see what the commands of a page print.
"""

from __future__ import annotations

import contextlib
import glob
import io
import re
import shlex
import shutil
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

DOCS = Path(__file__).parent.parent / "docs"
_FENCE = re.compile(
    r"(?:<!-- (?:not run: (?P<reason>[^>]+)|exit code (?P<code>\d+)) -->\n+)?"
    r"^(?P<indent> *)```(?P<kind>\w+)(?: title=\"(?P<title>[^\"]+)\")?\n(?P<text>.*?)^(?P=indent)```$",
    re.MULTILINE | re.DOTALL,
)


@dataclass(frozen=True)
class Block:
    """One block of code: what it is and holds, why it is not to be run, if so, and how its last command ends."""

    kind: str
    text: str
    title: str
    reason: str
    code: int

    @property
    def commands(self) -> Iterator[tuple[str, str]]:
        """Commands of a console with what they are said to print."""
        joined = re.sub(r"\\\n\s*", "", self.text)
        for part in re.split(r"^\$ ", joined, flags=re.MULTILINE)[1:]:
            command, _, output = part.partition("\n")
            yield command.strip(), output.strip("\n")


def blocks(page: Path) -> list[Block]:
    """Return all blocks of a page."""
    found = []
    for match in _FENCE.finditer(page.read_text("utf-8")):
        lines = [line.removeprefix(match["indent"]) for line in match["text"].splitlines()]
        reason = (match["reason"] or "").strip()
        found.append(
            Block(match["kind"], "\n".join([*lines, ""]), match["title"] or "", reason, int(match["code"] or 0))
        )
    return found


@dataclass(frozen=True)
class Said:
    """A command, its exit code, what it printed, and what the page says of both."""

    command: str
    code: int
    printed: str
    expected: int
    promised: str


def run_page(page: Path, folder: Path, demo: Path, told: str = "") -> list[Said]:
    """Run all blocks of a page in an empty folder; `demo` holds what ``calib demo`` leaves, `told` what it printed."""
    names: dict[str, Any] = {"__name__": "handbook"}
    said = []
    with contextlib.chdir(folder):
        for block in blocks(page):
            if block.reason:
                continue
            if block.kind == "toml" and block.title:
                Path(block.title).parent.mkdir(parents=True, exist_ok=True)
                Path(block.title).write_text(block.text, "utf-8")
            elif block.kind == "python":
                with contextlib.redirect_stdout(io.StringIO()):
                    exec(compile(block.text, f"{page.name}, python", "exec"), names)  # our own pages
            elif block.kind == "console":
                commands = list(block.commands)
                for number, (command, promised) in enumerate(commands, start=1):
                    code, printed = _run(command, demo, told)
                    expected = block.code if number == len(commands) else 0
                    said.append(Said(command, code, printed, expected, promised))
    return said


def _run(command: str, demo: Path, told: str) -> tuple[int, str]:
    from calib.cli import app

    words = [word for part in shlex.split(command, comments=True) for word in (sorted(glob.glob(part)) or [part])]
    program, *rest = words
    if program == "mkdir":
        for name in rest:
            Path(name).mkdir()
        return 0, ""
    if program == "cp":
        *sources, target = rest
        for source in sources:
            shutil.copy(source, target)
        return 0, ""
    assert program == "calib", f"a page runs {command!r}, and the test knows calib, mkdir and cp only"
    if rest[0] == "demo":
        # as the command would leave it, but with smaller scans, and made once for all tests
        shutil.copytree(demo, rest[1] if len(rest) > 1 else "calib-demo", dirs_exist_ok=True)
        return 0, ""
    if rest[0] == "calibrate" and Path(rest[1]).read_bytes() == (demo / "plan.toml").read_bytes():
        shutil.copy(demo / "model.json", rest[rest.index("-o") + 1])  # this calibration has been made
        return 0, told
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            code = int(app(rest, prog_name="calib", standalone_mode=False) or 0)
        except SystemExit as stop:
            code = int(stop.code or 0)
    return code, err.getvalue() + out.getvalue()


def alike(promised: str, printed: str) -> bool:
    """Whether a page's output is what was printed, numbers and line breaks aside; ``…`` stands for anything."""

    def words(text: str) -> str:
        text = re.sub(r"[-−]?\d[\d.,]*(?:[eE][-+]?\d+)?", "#", text)
        text = re.sub(r"# (?:pm|nm|µm|mm|m|ms|µs|s|min|h|%)(?![\w])", "#", text)
        text = re.sub(r"\b[0-9a-f#]{20,}\b", "#", text)
        return " ".join(text.split())

    pattern = ".*".join(re.escape(words(part)) for part in promised.split("…"))
    return re.search(pattern.replace("\\ .*", ".*").replace(".*\\ ", ".*"), words(printed)) is not None


def main() -> None:
    """Show what the commands of pages print."""
    from tests.demonstration import demonstrated

    for name in sys.argv[1:]:
        with tempfile.TemporaryDirectory() as folder:
            made = demonstrated()
            for said in run_page(DOCS / name, Path(folder), made.folder, made.said):
                mark = "" if alike(said.promised, said.printed) else "   <-- the page says something else"
                print(f"$ {said.command}   [{said.code}]{mark}", said.printed, sep="\n")


if __name__ == "__main__":
    main()
