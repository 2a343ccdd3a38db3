"""Figures of scans: thumbnails, and a scan before and after its correction, each panel on its own."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from calib.report import style
from calib.report.figures import levelled, moved_by
from calib.scan import Scan
from calib.scanner.effect import Float

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_THUMB, _LARGE = 128, 320  # pixels along a side


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


def _shown(scan: Scan) -> Float:
    values = np.asarray(scan.values[0], dtype=np.float64)
    return levelled(values) if scan.channel == "height" else values


def _limits(values: Float) -> tuple[float, float]:
    if not np.isfinite(values).any():
        return 0.0, 1.0
    low, high = np.nanpercentile(values, [0.5, 99.5])
    return float(low), float(high) if high > low else float(low) + 1e-12


def _thinned(scan: Scan, values: Float, most: int) -> tuple[Float, Float, Float]:
    rows, columns = (max(1, -(-count // most)) for count in values.shape)
    return values[::rows, ::columns], np.asarray(scan.fast[::columns]), np.asarray(scan.slow[::rows])


def _draw(
    figure: Figure, axes: Axes, scan: Scan, values: Float, fast: Float, slow: Float, colours: str, low: float,
    high: float, label: str,
) -> None:  # fmt: skip
    size, unit = style.unit_for(max(*scan.size, 1e-12))
    fine, fine_unit = (1.0, scan.units.get(scan.channel) or "")
    if fine_unit == "m":
        fine, fine_unit = style.unit_for(max(2 * (high - low), 1e-12))
    half_fast, half_slow = ((axis[-1] - axis[0]) / max(axis.size - 1, 1) / 2 for axis in (fast, slow))
    extent = (
        float(fast[0] - half_fast) / size, float(fast[-1] + half_fast) / size,
        float(slow[0] - half_slow) / size, float(slow[-1] + half_slow) / size,
    )  # fmt: skip
    image = axes.imshow(
        values / fine, cmap=colours, vmin=low / fine, vmax=high / fine, extent=extent, origin="lower",
        interpolation="nearest",
    )  # fmt: skip
    axes.set_facecolor("0.85")
    axes.set_xlabel(f"fast axis ({unit})")
    axes.set_ylabel(f"slow axis ({unit})")
    style.colour_bar(figure, image, axes, f"{label} ({fine_unit})" if fine_unit else label)
