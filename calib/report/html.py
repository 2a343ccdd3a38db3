"""A report as one HTML file: nothing is fetched, no script is needed to read it, and all texts are escaped here."""

from __future__ import annotations

import base64
import hashlib
import html
import io
import re
import unicodedata
from collections.abc import Iterable
from importlib.resources import files
from typing import TYPE_CHECKING

from calib.report import style
from calib.report.document import Block, Document, Facts, Paragraph, Picture, Pictures, Points, Section, Table

if TYPE_CHECKING:
    import matplotlib.figure

_DPI = 110  # of what is drawn by pixels inside a figure
_LOWEST = 6  # h1 to h6
MARKS = {"good": "✓", "bad": "✗", "open": "?", "plain": "•"}
"""Signs of verdicts beside their words."""


def to_html(document: Document) -> str:
    """Return the page.

    The policy in its head forbids whatever is not in the file: other origins, other scripts, other styles, forms.
    """
    css, script = (_asset(name) for name in ("page.css", "page.js"))
    css += _page_boxes(document)
    policy = (
        f"default-src 'none'; img-src data:; style-src '{_digest(css)}'; script-src '{_digest(script)}';"
        " base-uri 'none'; form-action 'none'"
    )
    places = _Places()
    body = "\n".join(_section(section, 2, places) for section in document.sections if not section.empty)
    contents = "".join(
        f'<li><a href="#{name}">{escaped(title)}</a></li>' for level, title, name in places.listed if level == 2
    )
    head = document.headline
    numbers = "".join(
        f"<li><span>{escaped(one.label)}</span> <strong>{escaped(one.value)}</strong>"
        f" <small>{escaped(one.about)}</small></li>"
        for one in head.numbers
    )
    return f"""<!DOCTYPE html>
<html lang="en-GB">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{escaped(policy)}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<meta name="referrer" content="no-referrer">
<meta name="generator" content="{escaped(document.maker)}">
<title>{escaped(f"{document.title}: {document.subject}")}</title>
<style>{css}</style>
</head>
<body>
<a class="skip" href="#result">To the result</a>
<header>
<p class="kind">{escaped(document.title)}</p>
<h1>{escaped(document.subject)}</h1>
<p class="identity">Report {escaped(document.number)}, issued {escaped(document.issued)}</p>
</header>
<main>
<section id="result" class="headline {head.tone}" aria-labelledby="result-title">
<h2 id="result-title"><span aria-hidden="true">{MARKS[head.tone]}</span> {escaped(head.verdict)}</h2>
<p>{escaped(head.sentence)}</p>
{f"<ul>{numbers}</ul>" if numbers else ""}
</section>
<nav aria-label="Contents"><ol>{contents}</ol></nav>
{body}
</main>
<footer>
<p>Report {escaped(document.number)}, issued {escaped(document.issued)}; made with {escaped(document.maker)}. End of the
report.</p>
</footer>
<script>{script}</script>
</body>
</html>
"""


def svg(drawing: matplotlib.figure.Figure) -> bytes:
    """Return a figure as SVG whose letters are outlines: they look the same wherever it is read."""
    stream = io.BytesIO()
    import matplotlib as mpl

    with style.settings(), mpl.rc_context({"svg.fonttype": "path"}):
        drawing.savefig(stream, format="svg", dpi=_DPI, metadata={"Date": None, "Creator": None})
    # the names that the language of the file asks for are the only addresses in it
    whole = re.sub(rb"<metadata>.*?</metadata>|<!DOCTYPE[^>]*>|<!--.*?-->", b"", stream.getvalue(), flags=re.DOTALL)
    # a hundredth of a point is finer than any eye or printer
    return re.sub(rb'(?<= d=")[^"]*', lambda path: re.sub(rb"(\.\d\d)\d+", rb"\1", path[0]), whole)


def png(drawing: matplotlib.figure.Figure, dpi: int) -> bytes:
    """Return a figure as pixels."""
    stream = io.BytesIO()
    with style.settings():
        drawing.savefig(stream, format="png", dpi=dpi, metadata={"Software": None})
    return stream.getvalue()


def data_uri(content: bytes, kind: str) -> str:
    """Return an address that holds the content itself."""
    return f"data:{kind};base64,{base64.b64encode(content).decode()}"


# --- texts -----------------------------------------------------------------------------------------


def clean(text: str) -> str:
    """Return a text without control characters and what turns the direction of writing, which may hide things."""
    return "".join(
        c if c in "\n\t" or unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Co", "Cn") else "\ufffd" for c in text
    )


def escaped(text: str) -> str:
    """Return a text for HTML, in an element or an attribute."""
    return html.escape(clean(text), quote=True)


def _page_boxes(document: Document) -> str:
    """Identification and page numbers on paper; a CSS string may hold anything but what ends it or the style."""
    said = f"{document.title} {document.number}, issued {document.issued}"
    safe = "".join(c if c.isascii() and (c.isalnum() or c in " .,:-") else f"\\{ord(c):06x} " for c in clean(said))
    return (
        f'\n@page {{ @bottom-left {{ content: "{safe}"; font: 8pt sans-serif; }}'
        ' @bottom-right { content: "Page " counter(page) " of " counter(pages); font: 8pt sans-serif; } }\n'
    )


def _asset(name: str) -> str:
    return (files("calib.report") / "assets" / name).read_text("utf-8")


def _digest(text: str) -> str:
    return f"sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}"


class _Places:
    """Names of places in the page, each once."""

    def __init__(self) -> None:
        self.listed: list[tuple[int, str, str]] = []

    def name(self, level: int, title: str) -> str:
        plain = re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-") or "part"
        taken = {name for _, _, name in self.listed} | {"result", "result-title"}
        name, number = f"s-{plain}", 1
        while name in taken:
            number += 1
            name = f"s-{plain}-{number}"
        self.listed.append((level, title, name))
        return name


# --- blocks ----------------------------------------------------------------------------------------


def _section(section: Section, level: int, places: _Places) -> str:
    name = places.name(level, section.title)
    inner = [_block(block) for block in section.blocks]
    inner += [_section(part, min(level + 1, _LOWEST), places) for part in section.parts if not part.empty]
    heading = f'<h{level} id="{name}">{escaped(section.title)}</h{level}>'
    tag = "section" if level == 2 else "div"
    named = f' aria-labelledby="{name}"' if level == 2 else ' class="part"'
    return f"<{tag}{named}>\n{heading}\n" + "\n".join(inner) + f"\n</{tag}>"


def _block(block: Block) -> str:
    if isinstance(block, Paragraph):
        return f'<p class="note">{escaped(block.text)}</p>' if block.note else f"<p>{escaped(block.text)}</p>"
    if isinstance(block, Facts):
        rows = "".join(
            f"<div><dt>{escaped(name)}</dt><dd>{escaped(value)}</dd></div>" for name, value in block.rows if value
        )
        return f"<dl>{rows}</dl>" if rows else ""
    if isinstance(block, Points):
        return f"<ul>{''.join(f'<li>{escaped(item)}</li>' for item in block.items)}</ul>" if block.items else ""
    if isinstance(block, Table):
        return _table(block)
    return _pictures(block)


def _table(table: Table) -> str:
    def kind(column: int) -> str:
        return ' class="number"' if column in table.numbers else ""

    head = "".join(f'<th scope="col"{kind(k)}>{escaped(name)}</th>' for k, name in enumerate(table.head))

    def row(cells: Iterable[str], last: bool) -> str:
        first, *rest = cells
        tail = "".join(f"<td{kind(k)}>{escaped(cell)}</td>" for k, cell in enumerate(rest, start=1))
        return f'<tr{" class=sum" if last else ""}><th scope="row">{escaped(first)}</th>{tail}</tr>'

    rows = "".join(row(cells, table.last and cells is table.rows[-1]) for cells in table.rows)
    # wide tables scroll by themselves, so that the page never does; by keyboard, too
    return (
        f'<div class="wide" role="region" tabindex="0" aria-label="{escaped(table.caption)}"><table>'
        f"<caption>{escaped(table.caption)}</caption><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>"
    )


def _pictures(block: Pictures) -> str:
    kind = "pictures views" if block.views else "pictures small" if block.small else "pictures"
    asked = f' data-views="{escaped(block.views)}"' if block.views else ""
    return f'<div class="{kind}"{asked}>' + "".join(_picture(one, block.small) for one in block.items) + "</div>"


def _picture(one: Picture, small: bool) -> str:
    width, height = (round(96 * side) for side in one.drawing.get_size_inches())
    # letters as outlines would be most of a small picture
    source = data_uri(png(one.drawing, _DPI), "image/png") if small else data_uri(svg(one.drawing), "image/svg+xml")
    return (
        f'<figure data-name="{escaped(one.name)}"><img src="{source}"'
        f' width="{width}" height="{height}" alt="{escaped(one.alt)}">'
        f"<figcaption>{escaped(one.caption)}</figcaption></figure>"
    )
