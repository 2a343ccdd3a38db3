"""XML that others wrote, read without entities, document types, or anything fetched from elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any
from xml.parsers import expat

from calib.errors import FileError

_DEEPEST = 64
_MOST_ELEMENTS = 100_000
_PIECE = 2**16  # bytes
_LONGEST_TAG = 2**20


@dataclass(eq=False)
class Element:
    """An element by its name without prefix; ``text`` is its own, without that of its children."""

    name: str
    text: str = ""
    children: list[Element] = field(default_factory=list)

    def all(self, name: str) -> Iterator[Element]:
        """Yield the children of a name."""
        return (child for child in self.children if child.name == name)

    def find(self, *names: str) -> Element | None:
        """Return the first child, grandchild and so on by their names."""
        found: Element | None = self
        for name in names:
            found = next(found.all(name), None) if found is not None else None
        return found

    def said(self, *names: str) -> str:
        """Return the text of a child, grandchild and so on; empty if there is none."""
        found = self.find(*names)
        return "" if found is None else found.text.strip()


def parse(data: bytes, *, item: str = "", take: Callable[[str], None] | None = None) -> Element:
    """Read an XML document.

    Parameters
    ----------
    data
        The document.
    item, take
        Elements of this name may be many: their text is handed over, and they do not appear in the tree.

    Raises
    ------
    FileError
        If it is no XML, declares a document type or entities, or is nested too deeply.
    """
    root = Element("")
    open_elements, texts = [root], [[""]]
    count = 0

    def start(name: str, attributes: dict[str, str]) -> None:
        nonlocal count
        name = name.rpartition(":")[2]
        element = Element(name)
        if name != item or take is None:
            count += 1
            if count > _MOST_ELEMENTS:
                raise FileError(f"its XML has more than {_MOST_ELEMENTS} elements, which no description needs.")
            open_elements[-1].children.append(element)
        if len(open_elements) > _DEEPEST:
            raise FileError("its XML is nested too deeply.")
        open_elements.append(element)
        texts.append([])

    def end(name: str) -> None:
        element, parts = open_elements.pop(), texts.pop()
        element.text = "".join(parts)
        if take is not None and element.name == item:
            take(element.text)

    def refuse(*_: Any) -> int:
        raise FileError("its XML declares a document type or entities, which is refused for safety: save it without.")

    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.CharacterDataHandler = lambda text: texts[-1].append(text)
    parser.StartDoctypeDeclHandler = parser.EntityDeclHandler = refuse
    parser.ExternalEntityRefHandler = parser.UnparsedEntityDeclHandler = refuse
    try:
        for end_of_piece in range(_PIECE, max(len(data), 1) + _PIECE, _PIECE):
            parser.Parse(data[end_of_piece - _PIECE : end_of_piece], end_of_piece >= len(data))
            # What the parser keeps is one tag with its attributes, of which it would make a table.
            if end_of_piece - parser.CurrentByteIndex > _LONGEST_TAG:
                raise FileError("its XML has a tag of more than a megabyte, which no description needs.")
    except expat.ExpatError as error:
        raise FileError(f"its XML is broken at line {error.lineno}: {expat.ErrorString(error.code)}.") from None
    except (LookupError, UnicodeError, ValueError) as error:  # an encoding that there is none of
        if isinstance(error, FileError):
            raise
        raise FileError("its XML is in an encoding that can't be read: save it as UTF-8.") from None
    return root.children[0]


def escape(text: str) -> str:
    """Return text as it stands between tags; characters that XML can't hold are left out."""
    kept = "".join(
        mark
        for mark in text
        if mark in "\t\n\r" or "\x20" <= mark < "\ud800" or "\ue000" <= mark <= "\ufffd" or mark > "\uffff"
    )
    return kept.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace("\r", "&#13;")
