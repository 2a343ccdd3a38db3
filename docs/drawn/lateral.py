"""How each effect on x and y shows: one figure an effect, stronger than usual so that it can be seen."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from calib.report import style
from calib.scanner.backlash import Backlash
from calib.scanner.creep import Creep, spread_times
from calib.scanner.hysteresis import Hysteresis
from calib.scanner.lag import Lag
from calib.scanner.nonlinearity import Nonlinearity
from calib.scanner.periodic import Periodic
from calib.scanner.squareness import Squareness
from calib.simulate import Grid
from drawn.common import FIELD, NM, PITCH, POINTS, UM, curves, departure, difference, figure, image, seen

MIDDLE = POINTS // 2
TRAVEL = (FIELD, FIELD)


def axes() -> Figure:
    """Wrong scales, and a skew."""
    made, (perfect, scaled, skewed) = figure(3)
    image(perfect, seen().scan, "As it should be")
    image(scaled, seen(axes=(0.93, 1.05, 0.0)).scan, "Scale of x 0.93, of y 1.05")
    image(skewed, seen(axes=(1.0, 1.0, np.deg2rad(5))).scan, "Skew of 5°")
    return made


def bending() -> Figure:
    """Static nonlinearity."""
    effect = Nonlinearity(TRAVEL, degree=3)
    values = np.zeros(len(effect.coefficients))
    names = [c.name for c in effect.coefficients]
    for name, value in {"x_2_0": 0.45, "x_0_2": 0.3, "x_3_0": -0.15, "y_2_0": -0.4, "y_1_2": 0.3}.items():
        values[names.index(f"nonlinearity_{name}")] = value * UM
    made, (left, middle, right) = figure(3, widths=(1, 1.2, 1.2))
    found = seen([effect], values)
    image(left, found.scan, "What one sees")
    dx, dy = departure(found)[:, 0] / UM
    difference(made, middle, found.scan, dx, "Displacement along x", "true − commanded x (µm)")
    difference(made, right, found.scan, dy, "Displacement along y", "true − commanded y (µm)")
    return made


def _loop_values(effect: Hysteresis, weight: float) -> np.ndarray:
    return np.array([weight * (c.axis == 0) for c in effect.coefficients])


def loop() -> Figure:
    """Hysteresis: loops, and a gain that grows with the size."""
    effect = Hysteresis((FIELD / 2, FIELD / 2))
    found = seen([effect], _loop_values(effect, 0.03), previous=(0.0, 0.0))
    made, (one, two, three) = figure(3, widths=(1, 1.2, 1.2))
    image(one, found.scan, "Trace", straight=True)
    heights = np.asarray(found.scan.height) / NM
    difference(made, two, found.scan, heights[1] - heights[0], "Retrace − trace", "height (nm)")
    lines = []
    for size in (FIELD, FIELD / 2):
        part = seen([effect], _loop_values(effect, 0.03), previous=(0.0, 0.0), field=size)
        moved, u = departure(part)[0, :, MIDDLE] / UM, part.scan.fast / UM
        # back along the retrace, so that a pass runs on into the next
        lines.append((np.concatenate([u, u[::-1]]), np.concatenate([moved[0], moved[1][::-1]])))
    shown = [(x, y, f"{size} µm scan") for (x, y), size in zip(lines, (20, 10), strict=True)]
    curves(three, shown, "A loop within each line", "commanded x (µm)", "true − commanded x (µm)")
    for (x, y), colour in zip(lines, (style.FIRST, style.SECOND), strict=True):
        arrow = {"arrowstyle": "-|>", "color": colour}
        for at in (POINTS // 2, POINTS + POINTS // 2):
            three.annotate("", (x[at + 6], y[at + 6]), (x[at - 6], y[at - 6]), arrowprops=arrow)
    return made


def backlash() -> Figure:
    """Backlash: the same shift everywhere but next to the turns."""
    effect = Backlash((0.3e-6, 0.3e-6), (0.3e-6, 0.3e-6))
    found = seen([effect], (0.3e-6, 0.0), previous=(0.0, 0.0))
    made, (one, two, three) = figure(3, widths=(1, 1.2, 1.2))
    image(one, found.scan, "Trace", straight=True)
    heights = np.asarray(found.scan.height) / NM
    difference(made, two, found.scan, heights[1] - heights[0], "Retrace − trace", "height (nm)")
    moved, u = departure(found)[0, :, MIDDLE] / UM, found.scan.fast / UM
    shown = [(u, moved[0], "trace"), (u, moved[1], "retrace")]
    curves(three, shown, "Shifted by ± the half-width", "commanded x (µm)", "true − commanded x (µm)")
    return made


def creep() -> Figure:
    """Creep: first lines stretched after a long way, and a scale that depends on speed."""
    effect = Creep(spread_times(0.02, 1000.0), TRAVEL)
    gains = np.full(len(effect.coefficients), 0.04 / effect.per_decade)
    made = style.new_figure(9.6, 5.8)
    (one, two), (three, four) = made.subplots(2, 2)
    way = {"centre": (0.0, -6e-6), "previous": (0.0, 10e-6), "field": 8e-6, "frame": "up", "line_period": 0.25}
    fine = Grid(pitch_x=PITCH / 2, pitch_y=PITCH / 2, height=100e-9, duty=0.45, edge=0.15, origin=(0.0, 0.4e-6))
    found = seen([effect], gains, surface=fine, **way)
    image(one, found.scan, "First lines of a frame after a long way down", straight=False)
    slow = found.scan.slow
    behind = departure(found)[1, 0, :, MIDDLE]
    behind = behind - np.polyval(np.polyfit(slow[MIDDLE:], behind[MIDDLE:], 1), slow)
    curves(
        two, [(slow / UM, behind / NM, "")], "The scanner still goes down", "slow (µm)", "true − steady course y (nm)"
    )
    two.axhline(0, color=style.THIRD, linewidth=0.6)
    rows = []
    for which, name in enumerate(("trace", "retrace")):
        line = departure(found)[0, which, MIDDLE]
        inner = slice(POINTS // 4, -POINTS // 4)
        fast = found.scan.fast
        rows.append((fast / UM, (line - np.polyval(np.polyfit(fast[inner], line[inner], 1), fast)) / NM, name))
    curves(three, rows, "Curls at the start of each sweep", "fast (µm)", "true − straight course x (nm)")
    periods = np.geomspace(0.1, 10, 9)
    scales = [
        np.polyfit(part.scan.fast, part.truth[0, 0, MIDDLE], 1)[0]
        for part in (seen([effect], gains, previous=(0.0, 0.0), line_period=float(period)) for period in periods)
    ]
    change = 100 * (np.array(scales) / scales[4] - 1)
    curves(four, [(periods, change, "")], "Slow scans reach further", "line period (s)", "scale of x, change (%)")
    _decades(four, (0.1, 1, 10))
    return made


def drift() -> Figure:
    """Drift: up and down frames are stretched and sheared to opposite sides."""
    rate = (4e-9, 6e-9)
    up = seen(drift=rate, frame="up", line_period=1.0)
    down = seen(drift=rate, frame="down", line_period=1.0)
    made, (one, two, three) = figure(3, widths=(1, 1, 1.2))
    image(one, up.scan, "Up")
    image(two, down.scan, "Down, right after")
    slow = up.scan.slow / UM
    lines = [
        (slow, (d := departure(part)[1, 0, :, MIDDLE] / UM) - d.mean(), name)
        for part, name in ((up, "up"), (down, "down"))
    ]
    curves(three, lines, "Longer the one way, shorter the other", "slow (µm)", "true − commanded y (µm)")
    return made


def _decades(panel: Axes, ticks: Sequence[float]) -> None:
    panel.set_xscale("log")
    panel.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    panel.minorticks_off()


def lag() -> Figure:
    """Lag: as backlash, in proportion to the speed."""
    effect = Lag()
    made, (one, two) = figure(2, height=2.8)
    found = seen([effect], (5e-3, 0.0), line_period=0.5)
    heights = np.asarray(found.scan.height) / NM
    difference(made, one, found.scan, heights[1] - heights[0], "Retrace − trace, lag of 5 ms", "height (nm)")
    periods = np.geomspace(0.2, 5, 12)
    apart, played = [], []
    play = Backlash((0.2e-6, 0.2e-6), (0.2e-6, 0.2e-6))
    for period in periods:
        for kept, what, value in ((apart, effect, 5e-3), (played, play, 0.2e-6)):
            part = seen([what], (value, 0.0), line_period=float(period), previous=(0.0, 0.0))
            x = departure(part)[0, :, MIDDLE, MIDDLE]
            kept.append((x[1] - x[0]) / UM)
    lines = [(periods, np.array(apart), "lag of 5 ms"), (periods, np.array(played), "backlash of 0.2 µm")]
    curves(two, lines, "Two speeds tell them apart", "line period (s)", "retrace − trace x (µm)")
    _decades(two, (0.2, 0.5, 1, 2, 5))
    return made


def periodic() -> Figure:
    """Periodic errors of a screw, seen by pitches that tell and by one that does not."""
    lead = 2e-3
    effect = Periodic(((lead,), ()))
    values = (12e-6, 0.0)
    made, panels = figure(2, height=2.6)
    for panel, pitch in zip(panels, (0.75e-3, 1e-3), strict=True):
        places = np.arange(-8e-3, 8e-3, pitch)
        found = seen([effect], values, field=16.5e-3)
        u = found.scan.fast
        there = departure(found)[0, 0, MIDDLE]
        curves(
            panel,
            [(u * 1e3, there / UM, "the stage")],
            f"Seen by a pitch of {pitch * 1e3:g} mm",
            "commanded x (mm)",
            "true − commanded x (µm)",
        )
        panel.plot(places * 1e3, np.interp(places, u, there) / UM, "o", color=style.SECOND, label="at the lines")
        panel.legend(loc="upper right")
        panel.set_ylim(-15, 22)
    return made


def squareness() -> Figure:
    """Squareness of z: a tilted sample looks stretched, the other way when it is turned."""
    effect = Squareness()
    made, panels = figure(3)
    for panel, slope, title in zip(
        panels,
        (0.0, 0.25, -0.25),
        ("Level", "Sloping up to the right", "The same, turned by 180°"),
        strict=True,
    ):
        surface = Grid(pitch_x=PITCH, pitch_y=PITCH, height=100e-9, duty=0.45, edge=0.15, slope=(slope, 0.0))
        found = seen([effect], (0.25, 0.0, 0.0, 0.0), surface=surface, iterations=4)
        plane = slope * found.truth[0]
        scan = found.scan.replace(channels={"height": np.asarray(found.scan.height) - plane})
        image(panel, scan, title)
    return made


FIGURES: dict[str, Callable[[], Figure]] = {
    "axes": axes,
    "bending": bending,
    "loop": loop,
    "backlash": backlash,
    "creep": creep,
    "drift": drift,
    "lag": lag,
    "periodic": periodic,
    "squareness": squareness,
}
