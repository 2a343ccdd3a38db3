"""How the effects on height show."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from matplotlib.figure import Figure

from calib.path import Path
from calib.report import style
from calib.scan import Scan
from calib.scanner.bow import Bow
from calib.scanner.height_history import HeightHistory
from calib.simulate import Flat, Step, raster
from drawn.common import FIELD, NM, POINTS, UM, Float, curves, difference, figure

MIDDLE = POINTS // 2


def gain() -> Figure:
    """Heights come out too low, and not all by the same part."""
    made, (one, two) = figure(2, height=2.8)
    x = np.linspace(-10e-6, 10e-6, 800)
    true = Step(height=100e-9, width=8e-6).relief(x, 0 * x)
    lines = [(x / UM, true / NM, "true"), (x / UM, true / 1.08 / NM, "indicated, gain 1.08")]
    curves(one, lines, "A gain", "x (µm)", "height (nm)")
    indicated = np.linspace(-2e-6, 2e-6, 200)
    for gains, label in (((1.08, 0.0), "gain alone"), ((1.08, 1.5e4), "gain that changes over the range")):
        response = indicated * gains[0] + indicated**2 * gains[1]
        dashes = "-" if gains[1] == 0 else "--"
        two.plot(indicated / UM, (response - indicated) / NM, dashes, color=style.FIRST, label=label)
    two.set(title="Over the z range", xlabel="indicated (µm)", ylabel="true − indicated (nm)")
    two.legend()
    return made


def bow() -> Figure:
    """A flat looks curved."""
    scan = raster(FIELD, POINTS)
    box = Bow((FIELD, FIELD))
    values = np.zeros(len(box.names))
    for name, value in {"bow_2_0": -22e-9, "bow_0_2": -16e-9, "bow_1_1": 6e-9, "bow_3_0": 5e-9}.items():
        values[box.names.index(name)] = value
    position = np.stack(np.broadcast_arrays(*scan.commanded()))
    away = np.tensordot(values, box.basis(position), 1)
    rough = Flat(waviness=1e-9, wavelength=2e-6, seed=4).relief(*position)
    noise = np.random.default_rng(1).normal(0, 0.5e-9, away.shape)
    indicated = rough + noise - away
    made, (one, two) = figure(2, widths=(1, 1.25))
    difference(made, one, scan, (indicated - indicated.mean()) / NM, "A flat, as recorded", "height (nm)")
    u = scan.fast / UM
    lines = [(u, indicated[MIDDLE] / NM, "recorded, along the middle line"), (u, -away[MIDDLE] / NM, "− bow")]
    curves(two, lines, "True height = indicated + bow", "x (µm)", "height (nm)")
    return made


def _indicated(history: HeightHistory, weights: Float, true: Float, scan: Scan) -> Float:
    """Heights that are true with their history added: the operators are gentle, so that repeating finds them."""
    path, indicated = Path(scan), true
    for _ in range(25):
        indicated = true - history.history(indicated, path, 0.0).added(weights)
    return indicated


def height_history() -> Figure:
    """Plateaus curl after an edge, and large steps have another gain than small ones."""
    scan = raster(FIELD, (400, 6), line_period=0.5)
    x, y = np.broadcast_arrays(*scan.commanded())
    sweep = Path(scan).sweep_time
    both = HeightHistory.usual(0.8e-6, 1.2e-6, sweep)
    loops, creep = both.only(hysteresis=True, creep=False), both.only(hysteresis=False, creep=True)
    made, (one, two) = figure(2, height=2.8)
    true = np.broadcast_to(Step(height=600e-9, width=8e-6).relief(x, y), scan.shape)
    crept = _indicated(creep, np.full(len(creep.times), 0.03), true, scan)
    u = scan.fast / UM
    lines = [(u, (crept[k, 4] - true[k, 4]) / NM, name) for k, name in enumerate(("trace", "retrace"))]
    curves(one, lines, "Creep: a ridge of 600 nm, true height taken off", "x (µm)", "indicated − true (nm)")
    top = np.abs(u) < 2
    foot = np.abs(u) > 7
    heights, gains = np.array([50, 100, 200, 400, 800, 1200]) * NM, []
    for height in heights:
        true = np.broadcast_to(Step(height=float(height), width=8e-6).relief(x, y), scan.shape)
        found = _indicated(loops, np.full(loops.plays, 0.02), true, scan)[0, 4]
        gains.append(height / (found[top].mean() - found[foot].mean()))
    two.plot(heights / NM, gains, "o-", color=style.FIRST)
    two.set(
        title="Hysteresis: the gain depends on the step", xlabel="height of the step (nm)", ylabel="true / indicated"
    )
    return made


FIGURES: dict[str, Callable[[], Figure]] = {"gain": gain, "bow": bow, "height-history": height_history}
