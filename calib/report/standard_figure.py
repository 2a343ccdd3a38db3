"""Figure of a standard: its layout, drawn from the values of its certificate, which stand below."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np

from calib.report import style
from calib.scanner.effect import Float
from calib.standard import Flat, Grating, Grid, Standard, Step

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Place = tuple[float, float] | Float

_PERIODS = 4
_FORM = "#c9d6e4"
_WIDTH, _LINE = 76, 0.15  # letters of a line of text, and its height in inches


def standard_figure(standard: Standard) -> Figure:
    """Draw the layout of a standard with its certified values; what is not certified is drawn as it may look."""
    certified = standard.as_certified or standard
    title, *told = certified.summary()
    lines = [part for line in told for part in textwrap.wrap(line, _WIDTH, subsequent_indent=" " * 4)]
    below = _LINE * (len(lines) + 1)
    with style.settings():
        figure = style.new_figure(5.4, 3.6 + below)
        grid = figure.add_gridspec(2, 1, height_ratios=(3.6, below))
        axes = figure.add_subplot(grid[0])
        if isinstance(certified, Grating):
            _draw_grating(axes, certified)
        elif isinstance(certified, Grid):
            _draw_grid(axes, certified)
        elif isinstance(certified, Step):
            _draw_step(axes, certified)
        elif isinstance(certified, Flat):
            _draw_flat(axes, certified)
        words = figure.add_subplot(grid[1])
        words.axis("off")
        text = words.text(0, 1, "\n".join(lines), va="top", fontsize=7.5, family="monospace", transform=words.transAxes)
        text.set_in_layout(False)
        figure.suptitle(title, x=0.01, ha="left", fontsize=11, fontweight="bold")
        return figure


def _draw_grating(axes: Axes, standard: Grating) -> None:
    pitch = standard.pitch.value
    size, unit = _unit(_PERIODS * pitch)
    for line in range(_PERIODS + 1):
        axes.axvspan((line - 0.25) * pitch / size, (line + 0.25) * pitch / size, color=_FORM, lw=0)
    axes.set_xlim(-0.5 * pitch / size, (_PERIODS + 0.5) * pitch / size)
    axes.set_ylim(0, _PERIODS * pitch / size)
    middle = _PERIODS * pitch / 2 / size
    _measure(axes, (pitch / size, middle), (2 * pitch / size, middle), f"pitch {standard.pitch}")
    _finish(axes, unit, "Layout; lines may be narrower or wider")


def _draw_grid(axes: Axes, standard: Grid) -> None:
    angle = standard.angle.value
    first = standard.pitch_x.value * np.array([1.0, 0.0])
    second = standard.pitch_y.value * np.array([np.cos(angle), np.sin(angle)])
    size, unit = _unit(_PERIODS * float(max(np.hypot(*first), np.hypot(*second))))
    i, j = np.meshgrid(np.arange(_PERIODS + 1), np.arange(_PERIODS + 1))
    x, y = (i[..., None] * first + j[..., None] * second).transpose(2, 0, 1) / size
    axes.plot(x.ravel(), y.ravel(), "s", ms=9, color=_FORM)
    origin, a, b = np.zeros(2), first / size, second / size
    _measure(axes, origin, a)
    _measure(axes, origin, b)
    told = (-0.45, f"pitch x {standard.pitch_x}"), (0.5, f"pitch y {standard.pitch_y}")
    for row, text in (*told, (1.5, f"angle between them {standard.angle}")):
        x0, y0 = row * b + 0.15 * a
        axes.text(x0, y0, text, color=style.SECOND, fontsize=8, va="center")
    axes.margins(0.12, 0.2)
    _finish(axes, unit, "Layout; features may have another form")


def _draw_step(axes: Axes, standard: Step) -> None:
    height = standard.height.value
    fine, fine_unit = _unit(height)
    top = height / fine
    if standard.width is None:
        half, unit = 1.0, ""
        places, rise, at = np.array([-2, 0, 0, 2]), np.array([0, 0, 1, 1]) * top, -0.3
    else:
        size, unit = _unit(standard.width.value)
        half = standard.width.value / size / 2
        places, rise, at = np.array([-3, -1, -1, 1, 1, 3]) * half, np.array([0, 0, 1, 1, 0, 0]) * top, 1.5 * half
        _measure(axes, (-half, 1.1 * top), (half, 1.1 * top), f"width {standard.width}")
    axes.fill_between(places, rise, -0.25 * top, color=_FORM, lw=0)
    axes.plot(places, rise, color=style.FIRST, lw=1.4)
    _measure(axes, (at, 0.0), (at, top))
    axes.annotate(
        f"height {standard.height}", (at, 0.0), (0, -5), textcoords="offset points", ha="center", va="top",
        color=style.SECOND, fontsize=8,
    )  # fmt: skip
    axes.set_xlim(float(places[0]), float(places[-1]))
    axes.set_ylim(-0.25 * top, 1.45 * top)
    axes.set_xlabel(f"across the step ({unit})" if unit else "across the step")
    axes.set_xticks([] if not unit else axes.get_xticks().tolist())
    axes.set_xlim(float(places[0]), float(places[-1]))
    axes.set_ylabel(f"height ({fine_unit})")
    axes.set_title("Profile; a groove has it upside down")


def _draw_flat(axes: Axes, standard: Flat) -> None:
    from matplotlib.patches import Rectangle

    size, unit = _unit(max(standard.area))
    wide, high = (side / size for side in standard.area)
    axes.add_patch(Rectangle((-wide / 2, -high / 2), wide, high, facecolor=_FORM, edgecolor=style.FIRST))
    axes.text(0, 0, f"flatness {standard.flatness}", ha="center", va="center")
    axes.set_xlim(-0.6 * wide, 0.6 * wide)
    axes.set_ylim(-0.6 * high, 0.6 * high)
    _finish(axes, unit, "Area for which the flatness holds")


def _measure(axes: Axes, start: Place, end: Place, text: str = "") -> None:
    """Draw an arrow with two heads between places; above a level one, say how long it is."""
    a, b = np.asarray(start, dtype=np.float64), np.asarray(end, dtype=np.float64)
    heads = {"arrowstyle": "<->", "color": style.SECOND, "lw": 1.3, "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", (float(b[0]), float(b[1])), (float(a[0]), float(a[1])), arrowprops=heads)
    axes.annotate(
        text, (float(a[0] + b[0]) / 2, float(a[1] + b[1]) / 2), (0, 4), textcoords="offset points", ha="center",
        va="bottom", color=style.SECOND, fontsize=8,
    )  # fmt: skip


def _unit(length: float) -> tuple[float, str]:
    return (1e-9, "nm") if 2e-10 <= length < 2e-6 else style.unit_for(length)


def _finish(axes: Axes, unit: str, title: str) -> None:
    axes.set_aspect("equal")
    axes.set_xlabel(f"x ({unit})")
    axes.set_ylabel(f"y ({unit})")
    axes.set_title(title)
