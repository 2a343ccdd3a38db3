"""What the figures of the handbook share: a grid seen by a scanner that errs in one way only."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from calib.path import Path, Samples
from calib.report import style
from calib.scan import Scan
from calib.scanner.effect import Effect
from calib.scanner.motion import Motion
from calib.simulate import Grid, Recording, Surface, raster, record

Float = NDArray[np.float64]

FIELD = 20e-6
PITCH = 2e-6
POINTS = 160
GRID = Grid(pitch_x=PITCH, pitch_y=PITCH, height=100e-9, duty=0.45, edge=0.15)
UM, NM = 1e-6, 1e-9


def seen(
    effects: Sequence[Effect] = (),
    values: Sequence[float] = (),
    *,
    axes: tuple[float, float, float] = (1.0, 1.0, 0.0),
    drift: tuple[float, float] = (0.0, 0.0),
    surface: Surface = GRID,
    field: float = FIELD,
    iterations: int = 1,
    **frame: Any,
) -> Recording:
    """Record a frame with a scanner of these effects, with these coefficients, these axes, and this drift, m/s."""
    scanner = Motion(list(effects))
    given = np.concatenate([axes, values]) if len(values) else np.array(axes, dtype=np.float64)

    def motion(path: Path, samples: Samples) -> Float:
        moved = scanner.position(path, samples, given)
        return moved + np.asarray(drift)[:, None] * samples.time if path.timed else moved

    return record(surface, motion, raster(field, POINTS, **frame), iterations=iterations)


def departure(found: Recording) -> Float:
    """True less commanded position of each pixel, m; shape ``(2, pass, slow, fast)``."""
    u, v = found.scan.commanded()
    return np.asarray(
        found.truth - np.stack([np.broadcast_to(u, found.truth[0].shape), np.broadcast_to(v, found.truth[1].shape)])
    )


def figure(panels: int, height: float = 3.1, widths: Sequence[float] | None = None) -> tuple[Figure, list[Axes]]:
    """Return a row of empty panels."""
    made = style.new_figure(9.6, height)
    return made, list(made.subplots(1, panels, width_ratios=widths))


def image(axes: Axes, scan: Scan, title: str, *, which: int = 0, straight: bool = True, channel: str = "height") -> Any:
    """Draw one pass as recorded, with dashed lines where a perfect scanner would show the middles of the gaps."""
    low_x, high_x, low_y, high_y = extent(scan)
    values = np.asarray(scan.channels[channel][which])
    drawn = axes.imshow(values, extent=(low_x, high_x, low_y, high_y), cmap=style.HEIGHTS, aspect="equal")
    if straight:
        for place in (np.arange(-10, 10) + 0.5) * PITCH / UM:
            axes.axvline(place, color="white", linewidth=0.5, linestyle=(0, (4, 3)))
            axes.axhline(place, color="white", linewidth=0.5, linestyle=(0, (4, 3)))
    axes.set(title=title, xlabel="fast (µm)", ylabel="slow (µm)", xlim=(low_x, high_x), ylim=(low_y, high_y))
    return drawn


def extent(scan: Scan) -> tuple[float, float, float, float]:
    """Edges of a scan, µm."""
    fast, slow = scan.fast / UM, scan.slow / UM
    half_f, half_s = (fast[1] - fast[0]) / 2, (slow[1] - slow[0]) / 2
    return fast[0] - half_f, fast[-1] + half_f, slow[0] - half_s, slow[-1] + half_s


def difference(made: Figure, axes: Axes, scan: Scan, values: Float, title: str, label: str) -> None:
    """Draw a map of what may be above or below zero, in the unit of its label."""
    largest = float(np.nanmax(np.abs(values))) or 1.0
    drawn = axes.imshow(
        values, extent=extent(scan), cmap=style.DIFFERENCES, vmin=-largest, vmax=largest, aspect="equal"
    )
    axes.set(title=title, xlabel="fast (µm)", ylabel="slow (µm)")
    style.colour_bar(made, drawn, axes, label)


def curves(axes: Axes, lines: Sequence[tuple[Float, Float, str]], title: str, across: str, up: str) -> None:
    """Draw up to four lines that differ in colour and style, with a legend where there are several."""
    looks = ((style.FIRST, "-"), (style.SECOND, "--"), (style.THIRD, ":"), (style.THIRD, "-."))
    for (x, y, label), (colour, dashes) in zip(lines, looks, strict=False):
        axes.plot(x, y, color=colour, linestyle=dashes, label=label)
    axes.set(title=title, xlabel=across, ylabel=up)
    if len(lines) > 1:
        axes.legend()
