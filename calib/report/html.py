"""A report as one HTML file: nothing is fetched, no script is needed to read it, and all texts are escaped here."""

from __future__ import annotations

import base64
import hashlib
import html
import io
import re
import unicodedata
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from calib.report import style
from calib.report.document import Block, Document, Facts, Paragraph, Picture, Pictures, Points, Section, Table

if TYPE_CHECKING:
    import matplotlib.figure

_DPI = 110  # of what is drawn by pixels inside a figure
_LOWEST = 6  # h1 to h6
_BESIDE = 3  # columns that stand beside each other on a phone
_COLOURS = 256  # of an image with a palette
_FINER = re.compile(rb"(\.\d\d)\d+")
_HASH = re.compile("[0-9a-f]{32,}")
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
        f"<li><span>{escaped(one.label)}</span> <strong>{_value(one.value)}</strong>"
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
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    stream, metadata = io.BytesIO(), {"Date": None, "Creator": None}
    with _as_laid_out(drawing, _DPI), mpl.rc_context({"svg.fonttype": "path"}):
        canvas: Any = FigureCanvasSVG(drawing)
        canvas.print_svg(stream, metadata=metadata)
    # the names that the language of the file asks for are the only addresses in it
    whole = re.sub(rb"<metadata>.*?</metadata>|<!DOCTYPE[^>]*>|<!--.*?-->", b"", stream.getvalue(), flags=re.DOTALL)
    # a hundredth of a point is finer than any eye or printer
    whole = re.sub(rb'(?<= d=")[^"]*|(?<=translate\()[^)]*', lambda path: _FINER.sub(rb"\1", path[0]), whole)
    whole = re.sub(rb"data:image/png;base64,([^\"]*)", _smaller, whole)
    return re.sub(rb"\s+", b" ", whole)


def png(drawing: matplotlib.figure.Figure, dpi: int) -> bytes:
    """Return a figure as pixels."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    stream = io.BytesIO()
    with _as_laid_out(drawing, dpi):
        canvas: Any = FigureCanvasAgg(drawing)
        canvas.print_png(stream, metadata={"Software": None})
    return _with_palette(stream.getvalue())


@contextmanager
def _as_laid_out(drawing: matplotlib.figure.Figure, dpi: float) -> Iterator[None]:
    """Lay a figure out, which costs more than to draw it, the first time that it is drawn only."""
    before, canvas = drawing.dpi, drawing.canvas
    with style.settings():
        engine = drawing.get_layout_engine()
        if engine is not None:
            engine.execute(drawing)
            drawing.set_layout_engine("none")
        drawing.set_dpi(dpi)
        try:
            yield
        finally:
            drawing.set_dpi(before)
            drawing.set_canvas(canvas)


def _with_palette(content: bytes) -> bytes:
    """An image of a colour map has few colours: naming them once says the same in a third of the space."""
    import numpy as np
    from PIL import Image

    with Image.open(io.BytesIO(content)) as image:
        pixels = np.asarray(image.convert("RGBA"))
    colours, which = np.unique(pixels.view(np.uint32), return_inverse=True)
    if len(colours) > _COLOURS:
        return content
    named = colours.view(np.uint8).reshape(-1, 4)
    small = Image.fromarray(which.reshape(pixels.shape[:2]).astype(np.uint8), "L")
    small.putpalette(named[:, :3].tobytes())
    stream = io.BytesIO()
    small.save(stream, "PNG", optimize=True, transparency=named[:, 3].tobytes())
    return stream.getvalue()


def _smaller(found: re.Match[bytes]) -> bytes:
    """An image inside a figure, with a palette."""
    small = _with_palette(base64.b64decode(re.sub(rb"%0A|\s", b"", found[1])))
    return b"data:image/png;base64," + base64.b64encode(small)


def data_uri(content: bytes, kind: str) -> str:
    """Return an address that holds the content itself."""
    if kind == "image/svg+xml":  # as text, which is a quarter shorter
        text = content.decode()
        for sign, other in (("%", "%25"), ("#", "%23"), ("'", "%27"), ('"', "'"), ("<", "%3C"), (">", "%3E")):
            text = text.replace(sign, other)
        return f"data:{kind},{html.escape(text, quote=False)}"
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
    """A table; on a phone, one of many columns has a card for each row, whose cells name their columns themselves.

    The roles are those that the elements have anyway: some browsers forget them where a table is laid out as cards.
    """

    def kind(column: int) -> str:
        return ' class="number"' if column in table.numbers else ""

    head = "".join(
        f'<th scope="col" role="columnheader"{kind(k)}>{escaped(name)}</th>' for k, name in enumerate(table.head)
    )
    names = [escaped(name) for name in table.head]

    def row(cells: Iterable[str], last: bool) -> str:
        first, *rest = cells
        tail = "".join(
            f'<td role="cell" data-head="{names[k]}"{kind(k)}>{_cell(cell)}</td>'
            for k, cell in enumerate(rest, start=1)
        )
        return (
            f'<tr role="row"{" class=sum" if last else ""}><th scope="row" role="rowheader">{_cell(first)}</th>'
            f"{tail}</tr>"
        )

    rows = "".join(row(cells, table.last and cells is table.rows[-1]) for cells in table.rows)
    cards = " cards" if len(table.head) > _BESIDE else ""
    # what is wider than its page all the same scrolls by itself, so that the page never does; by keyboard, too
    return (
        f'<div class="wide{cards}" role="group" tabindex="0" aria-label="{escaped(table.caption)}"><table role="table">'
        f'<caption>{escaped(table.caption)}</caption><thead role="rowgroup"><tr role="row">{head}</tr></thead>'
        f'<tbody role="rowgroup">{rows}</tbody></table></div>'
    )


def _cell(text: str) -> str:
    return f"<div>{_value(text)}</div>" if text else ""


def _value(text: str) -> str:
    """A value may have its k in the next line, but neither is taken apart; a hash breaks where it has to."""
    value, k, rest = text.partition(" (k = ")
    number, bracket, rest = rest.partition(")")
    said = f"<span>{escaped(value)}</span> <span>{escaped(k[1:] + number + bracket)}</span>{escaped(rest)}"
    return _HASH.sub(lambda found: "<wbr>".join(re.findall(".{1,16}", found[0])), said if k else escaped(text))


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
