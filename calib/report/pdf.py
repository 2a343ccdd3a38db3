"""A report as PDF: laid out by a PDF library that pip installs, with identification and page numbers on each page."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from calib.errors import CalibError
from calib.history.dates import moment
from calib.report.document import Block, Document, Facts, Paragraph, Pictures, Points, Section, Table
from calib.report.html import MARKS, clean, png

if TYPE_CHECKING:
    from fpdf import FPDF

MISSING = (
    "A PDF needs the library fpdf2, which is not installed: pip install 'calib-raster[report]',"
    " or print the HTML report."
)
_FONT = "DejaVu"
_DPI, _SMALL_DPI = 170, 110
_LEVELS = {1: 12.5, 2: 10.5, 3: 9.5}  # size of headings, pt
_BODY, _FINE = 9.0, 7.5
_GAP = 2.0  # mm
_COLUMNS = {False: 2, True: 4}  # of figures, and of small ones
_INK = {"good": (29, 107, 58), "bad": (163, 42, 18), "open": (122, 82, 0), "plain": (31, 78, 121)}
_QUIET, _LINE = (85, 85, 85), (150, 150, 150)


def to_pdf(document: Document) -> bytes:
    """Return the report as PDF.

    Raises
    ------
    CalibError
        If the library for it is not installed.
    """
    try:
        import fpdf
    except ImportError:
        raise CalibError(MISSING) from None
    import logging

    logging.getLogger("fontTools").setLevel(logging.WARNING)  # it tells of every table that it leaves out of a font
    foot = f"{document.title} {document.number}, issued {document.issued}"

    class Pages(fpdf.FPDF):  # type: ignore[misc, unused-ignore]
        def footer(self) -> None:
            self.set_y(-12)
            self.set_font(_FONT, size=_FINE)
            self.set_text_color(*_QUIET)
            self.cell(0, 5, clean(foot), align="L")
            self.set_x(self.l_margin)
            self.cell(0, 5, f"Page {self.page_no()} of {{nb}}", align="R")
            self.set_text_color(0)

    pdf = Pages(format="A4", unit="mm")
    _set_up(pdf, document)
    _head(pdf, document)
    for section in document.sections:
        if not section.empty:
            _section(pdf, section, 1)
    pdf.ln(_GAP)
    _write(pdf, f"End of report {document.number}. Made with {document.maker}.", size=_FINE)
    return bytes(pdf.output())


def _set_up(pdf: FPDF, document: Document) -> None:
    import matplotlib as mpl

    folder = f"{mpl.get_data_path()}/fonts/ttf"
    for style, name in (("", "DejaVuSans"), ("B", "DejaVuSans-Bold"), ("I", "DejaVuSans-Oblique")):
        pdf.add_font(_FONT, style, f"{folder}/{name}.ttf")
    pdf.set_title(clean(f"{document.title}: {document.subject}"))
    pdf.set_subject(clean(f"Report {document.number}"))
    pdf.set_creator(document.maker)
    pdf.set_lang("en-GB")
    found = moment(document.issued)
    # the same input makes the same file, whenever
    pdf.set_creation_date(found[0] if found else datetime(2000, 1, 1, tzinfo=UTC))
    pdf.set_margins(16, 15)
    pdf.set_auto_page_break(True, margin=18)
    pdf.add_page()


def _head(pdf: FPDF, document: Document) -> None:
    head = document.headline
    _write(pdf, document.title, size=_BODY, colour=_QUIET)
    _write(pdf, document.subject, size=16, bold=True)
    _write(pdf, f"Report {document.number}, issued {document.issued}", size=_BODY, colour=_QUIET)
    pdf.ln(_GAP)
    top = pdf.get_y()
    pdf.set_left_margin(21)
    pdf.set_x(21)
    _write(pdf, f"{MARKS[head.tone]} {head.verdict}", size=13, bold=True, colour=_INK[head.tone])
    _write(pdf, head.sentence)
    for one in head.numbers:
        pdf.ln(1)
        _write(pdf, one.label, size=_FINE, colour=_QUIET)
        _write(pdf, one.value, size=11.5, bold=True)
        if one.about:
            _write(pdf, one.about, size=_FINE, colour=_QUIET)
    pdf.set_left_margin(16)
    pdf.set_fill_color(*_INK[head.tone])
    pdf.rect(16, top, 1.6, pdf.get_y() - top, style="F")
    pdf.set_fill_color(255)
    pdf.set_x(16)


def _section(pdf: FPDF, section: Section, level: int) -> None:
    size = _LEVELS[min(level, 3)]
    pdf.ln(2 * _GAP if level == 1 else _GAP)
    if pdf.will_page_break(_needed(pdf, section)):
        pdf.add_page()
    pdf.start_section(clean(section.title), level=level - 1)
    _write(pdf, section.title, size=size, bold=True)
    for block in section.blocks:
        _block(pdf, block)
    for part in section.parts:
        if not part.empty:
            _section(pdf, part, level + 1)


def _needed(pdf: FPDF, section: Section) -> float:
    """How much of a page a heading needs with what stands below it, mm: none is left alone at the foot of a page."""
    first = section.blocks[0] if section.blocks else None
    if not isinstance(first, Pictures):
        return 30.0
    columns = _COLUMNS[first.small]
    sides = [one.drawing.get_size_inches() for one in first.items[:columns]]
    return 32.0 + max(float(pdf.epw / columns * high / wide) for wide, high in sides)


def _block(pdf: FPDF, block: Block) -> None:
    if isinstance(block, Paragraph):
        _write(pdf, block.text, bold=block.note)
        pdf.ln(1)
    elif isinstance(block, Points):
        for item in block.items:
            _write(pdf, f"–  {item}")
        pdf.ln(1)
    elif isinstance(block, Facts):
        rows = [row for row in block.rows if row[1]]
        _grid(pdf, (), rows, (), widths=(1, 2.6))
    elif isinstance(block, Table):
        if pdf.will_page_break(22):
            pdf.add_page()
        pdf.ln(1)
        _write(pdf, block.caption, bold=True)
        _grid(pdf, block.head, block.rows, block.numbers, last=block.last)
    else:
        _pictures(pdf, block)


def _grid(
    pdf: FPDF, head: Any, rows: Any, numbers: Any, *, widths: tuple[float, ...] | None = None, last: bool = False
) -> None:
    if not rows:
        return
    from fpdf.enums import TableBordersLayout
    from fpdf.fonts import FontFace

    columns = len(rows[0])
    widths = widths or _widths(head, rows)
    align = ["RIGHT" if k in numbers else "LEFT" for k in range(columns)]
    pdf.set_font(_FONT, size=_FINE)
    pdf.set_draw_color(*_LINE)
    # wide tables in smaller letters, rather than on a page that lies on its side
    pdf.set_font_size(_FINE if columns < 7 else 6.3)
    with pdf.table(
        col_widths=widths, text_align=align, first_row_as_headings=bool(head), line_height=pdf.font_size * 1.5,
        borders_layout=TableBordersLayout.HORIZONTAL_LINES, headings_style=FontFace(emphasis="B"), padding=0.6,
        wrapmode="CHAR" if columns < 4 and not head else "WORD",
    ) as table:  # fmt: skip
        if head:
            row = table.row()
            for cell in head:
                row.cell(clean(cell))
        for number, cells in enumerate(rows):
            row = table.row()
            for cell in cells:
                bold = last and number == len(rows) - 1
                row.cell(_breakable(clean(cell)), style=FontFace(emphasis="B") if bold else None)
    pdf.ln(_GAP)


def _widths(head: Any, rows: Any) -> tuple[float, ...]:
    """Widths of columns by what stands in them: none is starved, none takes all."""
    longest = [max(len(str(cells[k])) for cells in (head, *rows)) for k in range(len(rows[0]))]
    return tuple(float(min(max(one, 7), 34)) for one in longest)


def _breakable(text: str) -> str:
    """Let a hash or another long word go on in the next line."""
    return " ".join(
        word if len(word) <= 24 else " ".join(word[k : k + 24] for k in range(0, len(word), 24))
        for word in text.split(" ")
    )


def _pictures(pdf: FPDF, block: Pictures) -> None:
    columns = _COLUMNS[block.small]
    gap = 4.0
    width = (pdf.epw - (columns - 1) * gap) / columns
    items = list(block.items)
    for start in range(0, len(items), columns):
        part = items[start : start + columns]
        heights = [width * one.drawing.get_size_inches()[1] / one.drawing.get_size_inches()[0] for one in part]
        pdf.set_font(_FONT, size=_FINE)
        line = pdf.font_size * 1.35
        lines = [_lines(pdf, width, line, one.caption) for one in part]
        needed = max(high + 1 + line * count for high, count in zip(heights, lines, strict=True))
        if pdf.will_page_break(needed + 1):
            pdf.add_page()
        top = pdf.get_y() + 1
        for column, (one, high) in enumerate(zip(part, heights, strict=True)):
            left = pdf.l_margin + column * (width + gap)
            content = io.BytesIO(png(one.drawing, _SMALL_DPI if block.small else _DPI))
            pdf.image(content, x=left, y=top, w=width, alt_text=clean(one.alt))
            pdf.set_xy(left, top + high + 1)
            pdf.set_font(_FONT, size=_FINE)
            pdf.set_text_color(*_QUIET)
            pdf.multi_cell(width, line, clean(one.caption), align="L")
            pdf.set_text_color(0)
        pdf.set_xy(pdf.l_margin, top + needed + _GAP)


def _lines(pdf: FPDF, width: float, line: float, text: str) -> int:
    broken = pdf.multi_cell(width, line, clean(text), dry_run=True, output="LINES", align="L")
    return len(broken) if isinstance(broken, list) else 1


def _write(
    pdf: FPDF, text: str, *, size: float = _BODY, bold: bool = False, colour: tuple[int, int, int] = (0, 0, 0)
) -> None:
    pdf.set_font(_FONT, "B" if bold else "", size)
    pdf.set_text_color(*colour)
    pdf.multi_cell(0, pdf.font_size * 1.45, clean(text), align="L", new_x="LMARGIN", new_y="NEXT")
    pdf.set_text_color(0)
