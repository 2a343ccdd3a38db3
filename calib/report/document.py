"""A report as blocks: what is said, without how it is laid out. Writers for HTML and PDF put it on pages.

Texts of blocks are plain texts: whoever writes them into a language of mark-up escapes them, all in one place.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import matplotlib.figure

Tone = Literal["good", "bad", "open", "plain"]
"""Of a verdict: it holds, it does not, nobody can tell, or none was asked for. Never shown by colour alone."""


@dataclass(frozen=True)
class Paragraph:
    """A paragraph; `note` marks what a reader must not miss."""

    text: str
    note: bool = False


@dataclass(frozen=True)
class Facts:
    """Names and values; those without a value are left out."""

    rows: Sequence[tuple[str, str]]


@dataclass(frozen=True)
class Points:
    """A list of sentences."""

    items: Sequence[str]


@dataclass(frozen=True)
class Table:
    """A table; the first column names its rows.

    Attributes
    ----------
    caption
        What it holds.
    head
        Names of columns.
    rows
        Cells, as many as names of columns.
    numbers
        Which columns hold numbers, from 0.
    last
        Whether the last row is the sum of the others.
    """

    caption: str
    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    numbers: Sequence[int] = ()
    last: bool = False


@dataclass(frozen=True, eq=False)
class Picture:
    """A figure.

    Attributes
    ----------
    name
        Short name, by which views are switched.
    drawing
        What is drawn.
    alt
        What it shows, in words and numbers, for those who don't see it.
    caption
        What it shows and how to read it.
    """

    name: str
    drawing: matplotlib.figure.Figure
    alt: str
    caption: str


@dataclass(frozen=True)
class Pictures:
    """Figures side by side; or, with `views`, one at a time where the page can do that."""

    items: Sequence[Picture]
    views: str = ""
    small: bool = False


Block = Paragraph | Facts | Points | Table | Pictures


@dataclass(frozen=True)
class Number:
    """One of the numbers that matter: what it is, how much, with which uncertainty, under which conditions."""

    label: str
    value: str
    about: str = ""


@dataclass(frozen=True)
class Headline:
    """What a reader must know who reads nothing else."""

    verdict: str
    tone: Tone
    sentence: str
    numbers: Sequence[Number] = ()


@dataclass(frozen=True)
class Section:
    """A headed part of a report, with parts of its own."""

    title: str
    blocks: Sequence[Block] = ()
    parts: Sequence[Section] = ()

    @property
    def empty(self) -> bool:
        """Whether there is nothing in it."""
        return not self.blocks and all(part.empty for part in self.parts)


@dataclass(frozen=True)
class Document:
    """A report.

    Attributes
    ----------
    title
        What kind of report it is.
    subject
        What it is about.
    number
        Its identification, on every page.
    issued
        Date of issue, ISO 8601.
    headline
        The result in brief.
    sections
        The rest.
    maker
        Program and version.
    """

    title: str
    subject: str
    number: str
    issued: str
    headline: Headline
    sections: Sequence[Section]
    maker: str

    def pictures(self) -> Iterator[Picture]:
        """All figures, in order."""

        def walk(sections: Sequence[Section]) -> Iterator[Picture]:
            for section in sections:
                for block in section.blocks:
                    if isinstance(block, Pictures):
                        yield from block.items
                yield from walk(section.parts)

        return walk(self.sections)
