"""Figure of a comparison of two models: where the second puts things, and which quantities changed."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np

from calib.compared.result import ModelComparison
from calib.comparing import Frame
from calib.report import style
from calib.units import format_quantity, show

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_LONGEST = 0.12  # of the field: the longest arrow
_LEAST = 3.0  # standard uncertainties at the ends of the axis of quantities


def compare_figure(comparison: ModelComparison) -> Figure:
    """Draw the maps of displacement, mean of trace and retrace, and the quantities in standard uncertainties."""
    frames = comparison.map.frames
    means = [frame.difference.mean(axis=1) for frame in frames]
    lengths = [np.hypot(*mean) for mean in means]
    longest = max(float(length.max()) for length in lengths)
    size, unit = style.unit_for(max(longest, 1e-12))
    with style.settings():
        figure = style.new_figure(3.3 * len(frames) + 4.2, 4.6)
        # the names of quantities stand left of their axis
        axes = figure.subplots(1, len(frames) + 1, width_ratios=[1.0] * len(frames) + [0.95])
        for one, frame, mean, length in zip(axes, frames, means, lengths, strict=False):
            _map(one, frame, mean, length / size, longest / size)
            one.set_title(f"{frame.condition}: rms {show(float(np.sqrt(np.mean(length**2))), digits=2)}")
        axes[1].set_ylabel("")
        bar = figure.colorbar(
            axes[0].collections[0], ax=axes[: len(frames)].tolist(), location="bottom", shrink=0.6, aspect=40
        )
        bar.set_label(f"displacement of the second model from the first ({unit})")
        bar.outline.set_linewidth(0.5)
        _quantities(axes[-1], comparison)
        wide = int(15 * figure.get_figwidth())
        figure.suptitle("\n".join(textwrap.wrap(comparison.sentence(), wide)), x=0.01, ha="left", fontsize=10)
        below = [
            "Arrows: where to, drawn longer than they are (the longest is "
            f"{show(longest, digits=2)}); white line: where it is twice its standard uncertainty. Shift and"
            " rotation are taken out.",
            f"{'; '.join(comparison.means())}.",
            f"First: {comparison.first}      Second: {comparison.second}",
        ]
        text = "\n".join("\n".join(textwrap.wrap(line[:1].upper() + line[1:], int(1.12 * wide))) for line in below)
        figure.supxlabel(text, fontsize=7.5, x=0.01, ha="left")
        return figure


def map_of(frame: Frame) -> Figure:
    """Draw one map of displacement alone."""
    mean = frame.difference.mean(axis=1)
    length = np.hypot(*mean)
    longest = float(length.max())
    size, unit = style.unit_for(max(longest, 1e-12))
    with style.settings():
        figure = style.new_figure(4.4, 3.8)
        axes = figure.add_subplot()
        _map(axes, frame, mean, length / size, longest / size)
        axes.set_title("\n".join(textwrap.wrap(frame.condition, 44)))
        style.colour_bar(figure, axes.collections[0], axes, f"displacement ({unit})")
        return figure


def quantities_of(comparison: ModelComparison) -> Figure:
    """Draw the quantities alone."""
    with style.settings():
        figure = style.new_figure(4.8, max(2.2, 1.1 + 0.36 * len(comparison.quantities)))
        _quantities(figure.add_subplot(), comparison)
        return figure


def _map(one: Axes, frame: Frame, mean: np.ndarray, length: np.ndarray, most: float) -> None:
    extent, unit = style.unit_for(float(np.abs(frame.position).max()))
    x, y = frame.position[:, 0] / extent
    # of a turned frame the columns lie along y; the middles of cells must increase along the axes of the figure
    turned = np.ptp(x, axis=1).max() < np.ptp(x, axis=0).max()
    across, up, coloured = (x.T, y.T, length.T) if turned else (x, y, length)
    image = one.pcolormesh(
        across.mean(axis=0),
        up.mean(axis=1),
        coloured,
        cmap=style.HEIGHTS,
        vmin=0,
        vmax=most or 1.0,
        shading="nearest",
        rasterized=True,
    )
    image.set_zorder(0)
    if most:
        field = max(float(np.ptp(x)), float(np.ptp(y)))
        step = (slice(1, None, 2), slice(1, None, 2))
        dx, dy = mean / max(float(np.hypot(*mean).max()), 1e-300) * _LONGEST * field
        scale = float(length.max()) / most
        one.quiver(
            x[step], y[step], scale * dx[step], scale * dy[step],
            angles="xy", scale_units="xy", scale=1, color="black", width=0.006, pivot="mid",
            edgecolor="white", linewidth=0.4,
        )  # fmt: skip
    u = frame.u.mean(axis=1)
    along = np.hypot(*(mean * u)) / np.maximum(np.hypot(*mean), 1e-300)
    ratio = np.hypot(*mean) / np.maximum(along, 1e-300)
    if ratio.min() < 2 < ratio.max():
        one.contour(x, y, ratio, levels=[2.0], colors="white", linewidths=1.4)
    one.set_aspect("equal")
    one.set_xlabel(f"x ({unit})")
    one.set_ylabel(f"y ({unit})")


def _quantities(one: Axes, comparison: ModelComparison) -> None:
    told = comparison.quantities
    z = np.array([quantity.z for quantity in told])
    most = max(_LEAST, 1.15 * float(np.abs(z).max(initial=0.0)))
    place = np.arange(len(told))[::-1]
    one.axvspan(-2, 2, color="#e6e6e6", zorder=0, linewidth=0)
    one.axvline(0, color=style.THIRD, linewidth=0.7, zorder=1)
    for y, quantity in zip(place, told, strict=True):
        ink, marker = (style.SECOND, "D") if quantity.changed else (style.FIRST, "o")
        one.plot([quantity.z - 2, quantity.z + 2], [y, y], color=ink, linewidth=1.2)
        one.plot(quantity.z, y, marker, color=ink, markersize=6 if quantity.changed else 4.5)
        unit = "%" if quantity.unit == "1" else quantity.unit
        number = format_quantity(quantity.difference, unit, u=quantity.u).removesuffix(" (k = 2)")
        if quantity.changed:
            number += "  changed"
        one.annotate(
            number, (0.0, y - 0.32), xycoords=("axes fraction", "data"), xytext=(3, 0), textcoords="offset points",
            fontsize=7, color=ink, va="center", weight="bold" if quantity.changed else "normal",
        )  # fmt: skip
    one.set_yticks(place, [quantity.name for quantity in told])
    one.set_ylim(-0.7, len(told) - 0.4)
    one.set_xlim(-most - 2, most + 2)
    one.set_xlabel("second less first, in standard uncertainties\n(bar: ± 2; grey: within 2 of zero)")
    one.set_title("Quantities (± with k = 2)")
