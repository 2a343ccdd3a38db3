"""Figures of scans: thumbnails, and a scan before and after its correction, each panel on its own."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from calib.errors import ScanError
from calib.report import style
from calib.report.figures import levelled, moved_by
from calib.scan import Scan
from calib.scanner.effect import Float
from calib.units import show

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_THUMB, _LARGE, _FULL = 128, 320, 1024  # pixels along a side
_COLOURS, _FEW = 250, 160  # of an image, so that a byte names one of them, no data, or a shade of letters
_ROUND = (1.0, 2.0, 5.0, 10.0)


def scan_figure(scan: Scan, *, small: bool = False, title: str = "") -> Figure:
    """Draw the first pass of a scan less its plane, at its coordinates."""
    values, fast, slow = _thinned(scan, _shown(scan), _THUMB if small else _LARGE)
    with style.settings():
        figure = style.new_figure(2.7 if small else 4.4, 2.4 if small else 3.7)
        axes = figure.add_subplot()
        low, high = _limits(values)
        _draw(figure, axes, scan, values, fast, slow, style.HEIGHTS, low, high, scan.channel)
        if small:
            axes.tick_params(labelsize=7)
        axes.set_title(title, fontsize=8 if small else 9)
        return figure


def passes_figure(scan: Scan, names: Sequence[str] = ()) -> Figure:
    """Draw passes of a scan less their planes, at its coordinates, each with a bar for the scale.

    Parameters
    ----------
    names
        Of passes; by default all.

    Raises
    ------
    ScanError
        If there is nothing to draw: a single line, or no data.
    """
    wanted = [k for k, name in enumerate(scan.passes) if not names or name in names]
    wanted = [k for k in wanted if np.isfinite(scan.values[k]).any()]
    if min(scan.shape[1:]) < 2 or not wanted:
        raise ScanError(f"There is no picture of {scan.label}: it holds a single line of points, or no data.")
    high = min(max(scan.size[1] / max(scan.size[0], 1e-300), 0.4), 1.6)
    with style.settings():
        figure = style.new_figure(4.5 * len(wanted), 3.5 * high + 0.6)
        for axes, k in zip(figure.subplots(1, len(wanted), squeeze=False)[0], wanted, strict=True):
            values, fast, slow = _thinned(scan, _shown(scan, k), _FULL)
            _draw(figure, axes, scan, values, fast, slow, style.HEIGHTS, *_limits(values), scan.channel)
            draw_scale(axes, scan, style.unit_for(max(*scan.size, 1e-12))[0])
            axes.set_title(f"{scan.passes[k]}{', less its plane' if scan.channel == 'height' else ''}")
        figure.suptitle(scan.label, x=0.01, ha="left", fontsize=11, fontweight="bold")
        return figure


def thumbnail(scan: Scan) -> Figure:
    """Draw the first pass of a scan less its plane, as small as it is still recognised, with a bar for its scale."""
    values, fast, slow = _thinned(scan, _shown(scan), _THUMB)
    low, high = _limits(values)
    with style.settings():
        figure = style.new_figure(1.7, 1.7)
        figure.set_layout_engine("none")
        axes = figure.add_axes((0.02, 0.02, 0.96, 0.96))
        axes.imshow(
            values, cmap=style.few(style.HEIGHTS, _FEW), vmin=low, vmax=high, origin="lower",
            extent=_extent(fast, slow, 1.0), interpolation="nearest",
        )  # fmt: skip
        draw_scale(axes, scan)
        axes.set_axis_off()
        return figure


def draw_scale(axes: Axes, scan: Scan, unit: float = 1.0) -> None:
    """Draw a bar of a round length into the lower left of an image with axes in units, m, and say how long it is."""
    width = float(scan.fast[-1] - scan.fast[0])
    power = 10.0 ** np.floor(np.log10(max(0.3 * width, 1e-12)))
    length = max(one * power for one in _ROUND if one * power <= 0.3 * width * (1 + 1e-9))
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    start, level = left + 0.06 * (right - left), bottom + 0.07 * (top - bottom)
    ends = [start, start + length / unit], [level, level]
    axes.plot(*ends, color="black", lw=4, solid_capstyle="butt", snap=True)
    axes.plot(*ends, color="white", lw=2.4, solid_capstyle="butt", snap=True)
    dark = {"facecolor": "black", "linewidth": 0, "pad": 1.0}  # so that letters are read on any image
    axes.annotate(
        show(length), (start, level), (1, 5), textcoords="offset points", color="white", fontsize=8, bbox=dark
    )


def before_and_after(scan: Scan, corrected: Scan) -> tuple[Figure, Figure, Figure]:
    """Draw a scan as recorded, as corrected, and what is different at the same place; one figure each."""
    before, after = _shown(scan), _shown(corrected)
    moved = moved_by(scan, corrected)
    low, high = _limits(np.concatenate([before.ravel(), after.ravel()]))
    most = float(np.nanpercentile(np.abs(moved), 99.5)) if np.isfinite(moved).any() else 1.0
    drawn = []
    for owner, values, title, colours, limits, label in (
        (scan, before, f"As recorded, {scan.passes[0]}", style.HEIGHTS, (low, high), scan.channel),
        (corrected, after, f"Corrected, {corrected.passes[0]}", style.HEIGHTS, (low, high), scan.channel),
        (corrected, moved, "Corrected less recorded, same place", style.DIFFERENCES, (-most, most), "difference"),
    ):
        thin, fast, slow = _thinned(owner, values, _LARGE)
        with style.settings():
            figure = style.new_figure(4.4, 3.7)
            axes = figure.add_subplot()
            _draw(figure, axes, owner, thin, fast, slow, colours, *limits, label)
            axes.set_title(title)
            drawn.append(figure)
    return drawn[0], drawn[1], drawn[2]


def _shown(scan: Scan, k: int = 0) -> Float:
    values = np.asarray(scan.values[k], dtype=np.float64)
    values = np.where(np.isinf(values), np.nan, values)
    return levelled(values) if scan.channel == "height" else values


def _limits(values: Float) -> tuple[float, float]:
    if not np.isfinite(values).any():
        return 0.0, 1.0
    low, high = np.nanpercentile(values, [0.5, 99.5])
    return float(low), float(high) if high > low else float(low) + 1e-12


def _thinned(scan: Scan, values: Float, most: int) -> tuple[Float, Float, Float]:
    rows, columns = (max(1, -(-count // most)) for count in values.shape)
    return values[::rows, ::columns], np.asarray(scan.fast[::columns]), np.asarray(scan.slow[::rows])


def _extent(fast: Float, slow: Float, unit: float) -> tuple[float, float, float, float]:
    """Coordinates of the edges of an image, whose pixels have their centres at the given ones."""
    half_fast, half_slow = ((axis[-1] - axis[0]) / max(axis.size - 1, 1) / 2 for axis in (fast, slow))
    ends = fast[0] - half_fast, fast[-1] + half_fast, slow[0] - half_slow, slow[-1] + half_slow
    left, right, bottom, top = (float(end) / unit for end in ends)
    return left, right, bottom, top


def _draw(
    figure: Figure, axes: Axes, scan: Scan, values: Float, fast: Float, slow: Float, colours: str, low: float,
    high: float, label: str,
) -> None:  # fmt: skip
    size, unit = style.unit_for(max(*scan.size, 1e-12))
    fine, fine_unit = (1.0, scan.units.get(scan.channel) or "")
    if fine_unit == "m":
        fine, fine_unit = style.unit_for(max(2 * (high - low), 1e-12))
    image = axes.imshow(
        values / fine, cmap=style.few(colours, _COLOURS), vmin=low / fine, vmax=high / fine,
        extent=_extent(fast, slow, size), origin="lower", interpolation="nearest",
    )  # fmt: skip
    axes.set_facecolor("0.85")
    axes.set_xlabel(f"fast axis ({unit})")
    axes.set_ylabel(f"slow axis ({unit})")
    style.colour_bar(figure, image, axes, f"{label} ({fine_unit})" if fine_unit else label)
