"""Figure of a cross-check: where the two halves differ, in units of what was predicted."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np

from calib.crosscheck import CrossCheck
from calib.errors import ModelError
from calib.report import style
from calib.scanner.effect import Float
from calib.units import show

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_LEAST = 3.0  # predicted uncertainties at the ends of the colour bar


def crosscheck_figure(check: CrossCheck) -> Figure:
    """Draw the maps of a cross-check: a row for each condition, a column for each pass and axis.

    Raises
    ------
    ModelError
        If the check could not be decided: there is nothing to draw.
    """
    if not check.frames:
        raise ModelError(f"There is no picture of a cross-check without two halves: {check.reason}.")
    columns = 2 * max(len(frame.passes) for frame in check.frames)
    rows = len(check.frames)
    most = max(_LEAST, float(np.ceil(max(np.abs(frame.ratio).max() for frame in check.frames))))
    with style.settings():
        figure = style.new_figure(max(6.4, 2.55 * columns + 1.0), 2.5 * rows + 1.5)
        axes = figure.subplots(rows, columns, squeeze=False, sharex=True, sharey=True)
        for line, frame in zip(axes, check.frames, strict=True):
            size, unit = style.unit_for(float(np.abs(frame.position).max()))
            panels = [(axis, index) for index in range(len(frame.passes)) for axis in (0, 1)]
            for one, (axis, index) in zip(line, panels, strict=False):
                ratio = frame.ratio[axis, index]
                place = frame.position[:, index] / size
                _draw(one, place, ratio, most)
                moved = float(np.sqrt(np.mean(frame.difference[axis, index] ** 2)))
                one.set_title(
                    f"{'xy'[axis]}, {frame.passes[index]}: {np.sqrt(np.mean(ratio**2)):.2f} ({show(moved, digits=2)})",
                    fontsize=8,
                )
            line[0].set_ylabel(f"{frame.condition}\ny ({unit})")
        for one in axes[-1]:
            one.set_xlabel(f"x ({unit})")
        bar = figure.colorbar(axes[0, 0].collections[0], ax=axes, shrink=0.85, pad=0.02, aspect=28)
        bar.set_label("first less second half,\nin predicted standard uncertainties")
        bar.outline.set_linewidth(0.5)
        wide = int(15 * figure.get_figwidth())
        figure.suptitle("\n".join(textwrap.wrap(check.sentence(), wide)), x=0.01, ha="left", fontsize=9)
        halves = "   ".join(
            f"{name} half: {textwrap.shorten('; '.join(half), wide // 2, placeholder=' …')}"
            for name, half in zip(("First", "Second"), check.halves, strict=True)
        )
        below = "Over each map: rms of the ratio (rms of the difference). Lines: at ±2, dashed below zero."
        figure.supxlabel(f"{below}\n{halves}", fontsize=7.5, x=0.01, ha="left")
        return figure


def _draw(one: Axes, place: Float, ratio: Float, most: float) -> None:
    one.pcolormesh(
        place[0], place[1], ratio, cmap=style.DIFFERENCES, vmin=-most, vmax=most, shading="nearest", rasterized=True
    )
    levels = [level for level in (-2.0, 2.0) if ratio.min() < level < ratio.max()]
    if levels:
        one.contour(place[0], place[1], ratio, levels=levels, colors="black", linewidths=0.8)
    # the point that is furthest off, by its number
    worst = np.unravel_index(np.abs(ratio).argmax(), ratio.shape)
    one.annotate(
        f"{ratio[worst]:+.1f}",
        (float(place[0][worst]), float(place[1][worst])),
        ha="center",
        va="center",
        fontsize=7,
        bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none", "alpha": 0.8},
    )
    one.set_aspect("equal")
