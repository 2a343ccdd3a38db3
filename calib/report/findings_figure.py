"""Figure of a scan with its findings marked: where they are, how bad they are, and what they say."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from calib.errors import ScanError
from calib.findings import Finding
from calib.report import style
from calib.scan import Scan
from calib.scanner.effect import Float
from calib.units import show

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_PIXELS = 1024  # of a picture along a side; finer scans are thinned
_LINE_INCHES = 0.135
_LANES = 4  # beside a picture
_INK = {"error": style.SECOND, "warning": style.FIRST, "note": style.THIRD}
_STYLES = {"error": "-", "warning": "--", "note": ":"}
"""Severities differ in ink, in the style of lines and in the word beside the number."""


def findings_figure(scan: Scan, findings: Sequence[Finding], name: str = "") -> Figure:
    """Draw the passes of a scan less their planes, with the findings marked by their numbers and listed below.

    Lines that a finding names have a bar beside them, an area has a frame around it. What concerns the whole frame, or
    no place, is in the list only.

    Raises
    ------
    ScanError
        If no pass of the scan holds any data: there is nothing to draw.
    """
    shown = [k for k in range(len(scan.passes)) if np.isfinite(_thinned(scan, k)).any()]
    if not shown:
        raise ScanError(f"There is no picture of {name or 'a scan'} without data.")
    listed = _list(findings, 64 * len(shown) + 18)
    height = 4.1 * min(max(scan.size[1] / max(scan.size[0], 1e-300), 0.5), 1.5) + 0.6
    with style.settings():
        figure = style.new_figure(4.6 * len(shown) + 1.2, height + _LINE_INCHES * (listed.count("\n") + 3))
        below = _LINE_INCHES * (listed.count("\n") + 2)
        grid = figure.add_gridspec(2, len(shown), height_ratios=(height, below))
        for column, k in enumerate(shown):
            axes = figure.add_subplot(grid[0, column])
            _draw_pass(figure, axes, scan, k)
            lane = 0
            for number, finding in enumerate(findings, start=1):
                if (finding.runs or finding.lines) and (not finding.passes or scan.passes[k] in finding.passes):
                    _mark(axes, scan, finding, number, lane % _LANES)
                    lane += 1
            axes.set_xlim(*_extent(scan)[:2])
            axes.set_ylim(*_extent(scan)[2:])
        words = figure.add_subplot(grid[1, :])
        words.axis("off")
        text = words.text(0, 1, listed, va="top", fontsize=7.5, family="monospace", transform=words.transAxes)
        text.set_in_layout(False)
        figure.suptitle(name or "Findings", x=0.01, ha="left", fontsize=11, fontweight="bold")
        return figure


def _list(findings: Sequence[Finding], width: int) -> str:
    lines: list[str] = []
    for number, finding in enumerate(findings, start=1):
        head = f"{number:2d} {finding.severity.upper()}: "
        lines += textwrap.wrap(
            f"{finding.message} {finding.advice}", width, initial_indent=head, subsequent_indent="   "
        )
    return "\n".join(lines) or "No findings."


def _draw_pass(figure: Figure, axes: Axes, scan: Scan, k: int) -> None:
    values = _level(_thinned(scan, k))
    low, high = np.nanpercentile(values, [0.5, 99.5])
    size, unit = (1.0, scan.units.get(scan.channel) or "1")
    if unit == "m":
        size, unit = style.unit_for(float(high - low) or 1e-9)
    image = axes.imshow(
        values / size, cmap=style.HEIGHTS, vmin=low / size, vmax=high / size, extent=_extent(scan), aspect="auto"
    )
    axes.set_facecolor("0.85")
    axes.set_title(f"{scan.passes[k]}, less its plane")
    axes.set_xlabel("column")
    axes.set_ylabel(f"line ({show(scan.size[1])} in all)")
    bar = figure.colorbar(image, ax=axes, shrink=0.85, pad=0.14, aspect=28)  # the lanes of the marks lie between
    bar.set_label(f"{scan.channel} ({unit})")
    bar.outline.set_linewidth(0.5)


def _thinned(scan: Scan, k: int) -> Float:
    """A pass in as many points as the picture shows; impossible values are no data."""
    image = scan.values[k]
    step = [max(n // _PIXELS, 1) for n in image.shape]
    values = np.asarray(image[:: step[0], :: step[1]], dtype=np.float64)
    return np.where(np.isinf(values), np.nan, values)


def _extent(scan: Scan) -> tuple[float, float, float, float]:
    return -0.5, scan.fast.size - 0.5, -0.5, scan.slow.size - 0.5


def _level(values: Float) -> Float:
    """Values less their plane, by medians of the changes, which steps and lost lines leave alone."""
    y, x = (np.arange(n, dtype=np.float64) for n in values.shape)
    slopes = [np.diff(values, axis=axis) for axis in (0, 1)]
    down, across = (float(np.nanmedian(each)) if np.isfinite(each).any() else 0.0 for each in slopes)
    values = values - down * y[:, None] - across * x[None, :]
    return np.asarray(values - np.nanmedian(values))


def _mark(axes: Axes, scan: Scan, finding: Finding, number: int, lane: int) -> None:
    """Mark the place of a finding with its number: a frame around an area, bars beside lines."""
    ink, kind = _INK[finding.severity], _STYLES[finding.severity]
    width = scan.fast.size
    # each finding has its own lane beside the picture, so that bars of several do not hide each other
    at = width * (1.02 + 0.035 * lane)
    runs = finding.runs or ((finding.lines,) if finding.lines is not None else ())
    for first, last in runs:
        axes.plot([at, at], [first - 0.5, last + 0.5], color=ink, lw=3.0, solid_capstyle="butt", clip_on=False)
        if last - first < 3:
            axes.axhline((first + last) / 2, color="white", lw=1.6, alpha=0.5)
            axes.axhline((first + last) / 2, color=ink, lw=0.7, ls=kind)
    top = max((last for _, last in runs), default=0)
    if finding.area is not None:
        from matplotlib.patches import Rectangle

        low, high, left, right = finding.area
        # lines that lie apart are marked one by one, not as all that lies between them
        for first, last in finding.runs or ((low, high),):
            box = (left - 0.5, first - 0.5), right - left + 1.0, last - first + 1.0
            axes.add_patch(Rectangle(*box, fill=False, edgecolor="white", lw=2.2, alpha=0.7))
            axes.add_patch(Rectangle(*box, fill=False, edgecolor=ink, lw=1.2, ls=kind))
    if runs:
        axes.annotate(
            str(number),
            (at, top + 0.5),
            (0, 2),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=8,
            color=ink,
            fontweight="bold",
            annotation_clip=False,
        )
