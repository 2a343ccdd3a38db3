"""What pages take from the code while the handbook is built. A hook of the build.

``<!-- options: measure step -->`` becomes arguments, options and examples of that command, ``<!-- commands -->`` the
list of all commands, ``<!-- names: calib -->`` the documentation of all public names, ``<!-- confounded -->`` the
table of what looks alike. A command or a name that no page mentions is put at the end of the page of its kind, so
that nothing can be forgotten.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from functools import cache
from typing import Any

from drawn import confounded  # stands beside this file; the build puts this folder on the path
from mkdocs.structure.pages import Page
from typer.main import get_command

import calib
from calib.cli import app

_OPTIONS = re.compile(r"^<!-- options: (.+?) -->$", re.MULTILINE)
_REPEATED = {"--json", "--help"}  # the same everywhere, said once at the top of the page


def on_page_markdown(markdown: str, *, page: Page, **_: Any) -> str:
    """Fill the marks of a page."""
    path = page.file.src_uri
    if path == "reference/cli.md":
        shown = set(_OPTIONS.findall(markdown))
        for name in sorted(set(_commands()) - shown):
            if f"\n## {name}\n" in markdown:  # described by hand, its options still at the end of its section
                head, rest = markdown.split(f"\n## {name}\n", 1)
                section, *others = re.split(r"(?=\n## )", rest, maxsplit=1)
                markdown = f"{head}\n## {name}\n{section.rstrip()}\n\n<!-- options: {name} -->\n{''.join(others)}"
            else:
                markdown += f"\n\n## {name}\n\n<!-- options: {name} -->\n"
        markdown = _OPTIONS.sub(lambda match: options(match.group(1)), markdown)
        markdown = markdown.replace("<!-- commands -->", commands())
    if path == "reference/api.md":
        known = set(re.findall(r"^::: (?:\w+\.)*(\w+)$", markdown, re.MULTILINE))
        left = [name for name in calib.__all__ if name not in known and not name.startswith("__")]
        markdown += "".join(f"\n\n::: calib.{name}" for name in left)
    if "<!-- confounded -->" in markdown:
        markdown = markdown.replace("<!-- confounded -->", _confounded())
    return markdown


_confounded: Callable[[], str] = cache(confounded.table)


@cache
def _commands() -> dict[str, Any]:
    """All commands by the words that call them, in the order of the help; groups by their members."""

    def below(command: Any, words: tuple[str, ...]) -> Iterator[tuple[str, Any]]:
        if hasattr(command, "commands"):
            for name, part in command.commands.items():
                yield from below(part, (*words, name))
        else:
            yield " ".join(words), command

    return dict(below(get_command(app), ()))


def commands() -> str:
    """Return the list of commands, each with its one line, as a Markdown table."""
    rows = ["| command | |", "| --- | --- |"]
    for name, command in _commands().items():
        anchor = name.split()[0]
        rows.append(f"| [`calib {name}`](#{anchor}) | {command.get_short_help_str(limit=200)} |")
    return "\n".join(rows)


def options(name: str) -> str:
    """Return usage, arguments, options and examples of a command as Markdown."""
    command = _commands()[name]
    context = command.make_context(f"calib {name}", [], resilient_parsing=True)
    usage = " ".join(command.get_usage(context).removeprefix("Usage: ").split())
    parts = [f"```text\n{usage}\n```"]
    rows = [row for row in (_row(part, context) for part in command.get_params(context)) if row]
    if rows:
        parts.append("\n".join(["| option | meaning |", "| --- | --- |", *rows]))
    _, _, examples = (command.epilog or "").partition("Examples:")
    lines = "\n".join(line.strip() for line in examples.splitlines() if line.strip())
    if lines:
        parts.append(f"```sh\n{lines}\n```")
    return "\n\n".join(parts)


def _row(parameter: Any, context: Any) -> str:
    """One option or argument; none for those that all commands have."""
    if _REPEATED & set(parameter.opts):
        return ""
    name, meaning = parameter.get_help_record(context)
    if parameter.param_type_name == "argument":
        name = str(parameter.metavar or parameter.name)
    name = name.replace("<int range>", "N").replace("<", "").replace(">", "")
    return f"| `{name.replace('|', chr(92) + '|')}` | {_escaped(meaning)} |"


def _escaped(text: str) -> str:
    text = re.sub(r"\[required\]", "Needed.", " ".join(text.split()))
    text = re.sub(r"\[(\d+)<=x<=(\d+)\]", r"N is \1 to \2.", text)
    text = re.sub(r"; (\d+)<=x<=(\d+)\]", r"; N is \1 to \2.]", text)
    text = re.sub(r"\[default: ([^;]+?)(?:; (.*))?\]$", r"By default \1. \2", text).strip()
    return text.replace("|", "\\|").replace("<", "&lt;").replace("*", "\\*")
