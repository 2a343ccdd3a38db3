"""Figures of the handbook: drawn while it is built, by the library's own virtual instrument. A hook of the build.

A page shows figure ``loop`` as ``![what is seen](../figures/loop.svg)``. Nothing drawn is kept in the repository; the
same code gives the same bytes.
"""

from __future__ import annotations

import io
from typing import Any

from drawn import height, lateral, uncertain  # stands beside this file; the build puts this folder on the path
from mkdocs.config.defaults import MkDocsConfig
from mkdocs.structure.files import File, Files

from calib.report import style

FIGURES = {**lateral.FIGURES, **height.FIGURES, **uncertain.FIGURES}

_PATHS = {"svg.fonttype": "path"}  # a picture inside a page can't count on the fonts of its reader
_cache: dict[str, bytes] = {}


def on_files(files: Files, *, config: MkDocsConfig, **_: Any) -> Files:
    """Add all figures, so that links to them are checked like any other."""
    for name in FIGURES:
        files.append(File.generated(config, f"figures/{name}.svg", content=drawn(name)))
    return files


def drawn(name: str) -> bytes:
    """Return a figure as SVG; drawn once in the life of a server that shows the handbook while it is written."""
    if name not in _cache:
        import matplotlib as mpl

        with style.settings(), mpl.rc_context(_PATHS):
            figure = FIGURES[name]()
            content = io.BytesIO()
            figure.savefig(content, format="svg", dpi=110, metadata={"Date": None})
        _cache[name] = content.getvalue()
    return _cache[name]
