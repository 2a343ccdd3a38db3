"""Formulas of the documentation as MathML, which browsers draw by themselves: no script, no network.

The Markdown extension leaves TeX in elements of the class ``arithmatex``; this hook of the build replaces it.
"""

from __future__ import annotations

import html
import re
from typing import Any

from latex2mathml.converter import convert

_FORMULA = re.compile(r'<(span|div) class="arithmatex">\\([(\[])(.*?)\\[)\]]</\1>', re.DOTALL)


def on_page_content(page_html: str, **_: Any) -> str:
    """Replace every formula of a page."""
    return _FORMULA.sub(_mathml, page_html)


def _mathml(match: re.Match[str]) -> str:
    tag, opening, tex = match.groups()
    display = "block" if opening == "[" else "inline"
    return f'<{tag} class="formula">{convert(html.unescape(tex), display=display)}</{tag}>'
