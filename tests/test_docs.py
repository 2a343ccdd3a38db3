"""The handbook's code runs, prints what the pages say, and what it computes of itself is right."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

from tests.demonstration import demonstrated
from tests.handbook import DOCS, alike, blocks, run_page

ROOT = DOCS.parent
PAGES = sorted(page for folder in ("tutorial", "how-to") for page in (DOCS / folder).glob("*.md"))
ALL_PAGES = sorted([*DOCS.rglob("*.md"), ROOT / "README.md", ROOT / "DEVELOPERS.md"])


def named(page: Path) -> str:
    return page.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("page", PAGES, ids=named)
def test_page_does_what_it_says(page: Path, tmp_path: Path) -> None:
    demo = demonstrated()
    for said in run_page(page, tmp_path, demo.folder, demo.said):
        assert said.code == said.expected, f"{said.command}\n{said.printed}"
        assert alike(said.promised, said.printed), f"{said.command}\n{said.printed}"


@pytest.mark.parametrize("page", PAGES, ids=named)
def test_every_block_runs_or_says_why_not(page: Path) -> None:
    for block in blocks(page):
        runs = block.kind in ("console", "python") or (block.kind == "toml" and block.title)
        assert runs or block.kind == "text" or block.reason, f"{named(page)}: {block.text}"


@pytest.mark.parametrize("page", ALL_PAGES, ids=named)
def test_python_of_every_page_compiles(page: Path) -> None:
    for block in blocks(page):
        if block.kind == "python":
            compile(block.text, named(page), "exec")


def test_links_of_the_readme_lead_somewhere() -> None:
    text = (ROOT / "README.md").read_text("utf-8")
    links = re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", text)
    assert links
    assert [link for link in links if not (ROOT / link).exists()] == []


def test_every_page_is_in_the_contents() -> None:
    contents = (ROOT / ".mkdocs.yml").read_text("utf-8")
    assert [page for page in map(named, DOCS.rglob("*.md")) if page.removeprefix("docs/") not in contents] == []


def test_likeness_of_outputs() -> None:
    printed = "first: warning: odd\nscale x  1.0268 ± 0.0011 (k = 2)  over 20 µm\n\nlast line\n"
    assert alike("scale x  1.03 ± 0.02 (k = 2) over\n  20 µm", printed)
    assert alike("…\nscale x  1 ± 1 (k = 2)\n…\nlast line", printed)
    assert alike("", printed)
    assert not alike("scale y  1.0268 ± 0.0011 (k = 2)", printed)
    assert not alike("last line\n…\nscale x", printed)


def test_what_looks_alike_is_told_apart_by_what_the_table_adds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "path", [str(DOCS), *sys.path])
    from drawn import confounded

    units = {"%": 1.0, "°": 1.0, "nm": 1e-9, "µm": 1e-6, "pm": 1e-12}
    rows = [[cell.strip() for cell in row.strip("|").split("|")] for row in confounded.table().splitlines()[2:]]
    assert len(rows) >= 9

    def size(cell: str) -> float:
        found = re.fullmatch(r"± ([\d.]+) ?(%|°|nm|µm|pm)", cell)
        return float("inf") if found is None else float(found[1]) * units[found[2]]

    for alike_, _, before, _, after in rows:
        if alike_ == "scale and pitch":  # nothing tells them apart
            assert size(after) == pytest.approx(size(before), rel=0.2)
        else:
            assert size(after) < 0.2 * size(before), alike_
