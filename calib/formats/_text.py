"""What all files of text have in common: how numbers are set apart, and how the file is opened."""

from __future__ import annotations

import gzip
import io
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TextIO

from calib.formats._settings import one_of, whole_number

_DELIMITERS = {"space": " ", "tab": "\t", "comma": ",", "semicolon": ";"}
_DECIMALS = {".": ".", ",": ",", "point": ".", "comma": ","}


def layout(settings: Mapping[str, Any]) -> dict[str, Any]:
    """Return how numbers stand in a text, as `read_blocks` takes it."""
    delimiters = _DELIMITERS | {mark: mark for mark in _DELIMITERS.values()}
    return {
        "delimiter": delimiters.get(one_of(settings, "delimiter", tuple(delimiters), "")),
        "decimal": _DECIMALS.get(one_of(settings, "decimal", tuple(_DECIMALS), "")),
        "skip_lines": whole_number(settings, "skip_lines"),
    }


def separator(path: Path) -> str:
    """Return what stands between numbers in a file of this name."""
    ending = path.name.lower().removesuffix(".gz").rpartition(".")[2]
    return {"csv": ",", "tsv": "\t"}.get(ending, " ")


@contextmanager
def open_text(file: Path, name: Path) -> Iterator[TextIO]:
    """Open a text for writing; it is packed if its name ends so, and the same text always gives the same bytes."""
    with open(file, "wb") as raw:
        packed = name.name.lower().endswith(".gz")
        binary: Any = gzip.GzipFile("", "wb", 6, raw, mtime=0) if packed else raw
        stream = io.TextIOWrapper(binary, encoding="utf-8", newline="\n")
        yield stream
        stream.close()
