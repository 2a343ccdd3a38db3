"""What notebooks show of scans, models, verifications and standards: the numbers that matter."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from calib.report.html import MARKS, data_uri, escaped, png

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from calib.model import Model
    from calib.scan import Scan
    from calib.standard import Standard
    from calib.verification.check import Verification
    from calib.verification.collected import VerificationSet

_DPI = 90
_ROWS = 12


def scan_html(scan: Scan) -> str:
    """Return a scan: what it is, how it was taken, its first pass."""
    from calib.report.scan_figures import scan_figure
    from calib.units import show

    _, slow, fast = scan.shape
    rows = [
        ("size", f"{show(scan.size[0])} x {show(scan.size[1])}"),
        ("points", f"{fast} x {slow} (fast x slow), {' and '.join(scan.passes)}"),
        ("channels", ", ".join(scan.channels)),
        ("frame", scan.frame or "unknown"),
        ("line period", "unknown" if scan.line_period is None else show(scan.line_period, "s")),
        ("scanner", scan.scanner or "unknown"),
        ("coordinates", "true: corrected" if scan.frame_of_reference == "true" else "as commanded"),
    ]
    drawn = bool(np.isfinite(scan.values[0]).any()) and min(slow, fast) > 1
    figure = scan_figure(scan, small=True) if drawn else None
    return _page(f"Scan {scan.label}", rows, figure, f"First pass of {scan.label}, less its plane.")


def model_html(model: Model) -> str:
    """Return a model: its numbers with U, and the field of displacements."""
    from calib.report.figures import field_figure
    from calib.summary import lateral, position_budget, quantities
    from calib.units import show

    rows = [(one.name, str(one)) for one in quantities(model)]
    if lateral(model):
        x, y = position_budget(model)["together"]
        rows.append(("position in a corrected scan", f"± {show(2 * max(x, y), digits=2)} (k = 2)"))
    rows += [("scans", str(len(model.observations))), ("SHA-256", model.sha256[:12])]
    rows += [("not determined", str(len(model.undetermined)))] if model.undetermined else []
    figure = field_figure(model) if lateral(model) else None
    name = model.scanner or "a scanner without a name"
    return _page(f"Correction model of {name}", rows, figure, f"Displacement over the field of {name}.")


def verification_html(found: Verification | VerificationSet) -> str:
    """Return a verification: the verdict, and each result with U."""
    from calib.verification.collected import VerificationSet

    tone = {"conforms": "good", "does not conform": "bad"}.get(found.verdict, "open")
    checks = found.checks if isinstance(found, VerificationSet) else (found,)
    rows = [(check.scan, str(result)) for check in checks for result in check.results]
    if isinstance(found, VerificationSet):
        rows += [(one.words, str(one)) for one in found.characteristics]
    rest = len(rows) - _ROWS
    rows = [*rows[:_ROWS], ("and", f"{rest} more")] if rest > 0 else rows
    name = found.scanner or "a scanner without a name"
    return _page(f"{MARKS[tone]} {name}: {found.verdict}", rows, None, "")


def standard_html(standard: Standard) -> str:
    """Return a standard: its values with U, and its certificate."""
    title, *lines = standard.summary()
    parts = (line.strip().partition("  ") for line in lines)
    return _page(title, [(name, text.strip()) for name, _, text in parts], None, "")


def _page(title: str, rows: Sequence[tuple[str, str]], figure: Figure | None, alt: str) -> str:
    listed = "".join(
        f'<tr><th scope="row" style="text-align:left">{escaped(name)}</th>'
        f'<td style="text-align:left">{escaped(text)}</td></tr>'
        for name, text in rows
    )
    picture = ""
    if figure is not None:
        width = round(90 * figure.get_size_inches()[0])
        picture = f'<img src="{data_uri(png(figure, _DPI), "image/png")}" width="{width}" alt="{escaped(alt)}">'
    return f"<div><strong>{escaped(title)}</strong><table><tbody>{listed}</tbody></table>{picture}</div>"
