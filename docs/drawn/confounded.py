"""What looks alike, and what breaks it: computed from the paths of scans that nobody has taken."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from calib.observability import Observability, observability, observe_planned, plausible, step_planned
from calib.observability.confounded import NOTHING
from calib.observe.lateral import LateralObservation
from calib.simulate import Session, raster
from calib.standard import Grating, Grid, Step, Value
from calib.units import show

_TRAVEL = (20e-6, 20e-6, 4e-6)
_GRID = Grid(
    name="grid",
    pitch_x=Value(2e-6, 1e-9, "m"),
    pitch_y=Value(2e-6, 1e-9, "m"),
    angle=Value(math.pi / 2, math.radians(0.005), "rad"),
)
_ROUGH = Grid(
    name="grid", pitch_x=_GRID.pitch_x, pitch_y=_GRID.pitch_y, angle=Value(math.pi / 2, math.radians(1.0), "rad")
)
_LINES = Grating(name="lines", pitch=Value(1.5e-6, 0.5e-9, "m"))

_Scan = dict[str, Any]
_UP: _Scan = {"frame": "up"}
_DOWN: _Scan = {"frame": "down"}
_BOTH = [_UP, _DOWN]


@dataclass(frozen=True)
class _Case:
    """Two quantities that look alike, with scans that can't tell them apart, and with scans that can."""

    alike: str
    quantity: str
    before: list[_Scan]
    after: list[_Scan]
    what_is_added: str
    standard: Grid | Grating = _GRID


_CASES = (
    _Case("drift and the scale of the slow axis", "scale y, slow axis", [_UP], _BOTH, "a `down` frame right after"),
    _Case("drift along the fast axis and skew", "skew", [_UP], _BOTH, "a `down` frame right after"),
    _Case(
        "drift and the scale of the slow axis",
        "scale y, slow axis",
        [_UP],
        [_UP, {"frame": "up", "rotation": math.pi / 2}],
        "the scan turned by 90°",
    ),
    _Case(
        "creep and the scale of an axis",
        "creep per decade x",
        _BOTH,
        [*_BOTH, {"frame": "down", "line_period": 0.2}],
        "a scan ten times as fast",
    ),
    _Case(
        "hysteresis and bending",
        "bending x",
        [{**scan, "passes": ("trace",)} for scan in _BOTH],
        _BOTH,
        "the retrace",
    ),
    _Case(
        "hysteresis and a scale",
        "gain change with size x",
        _BOTH,
        [*_BOTH, {"frame": "up", "size": 7e-6}],
        "a scan of 7 µm",
    ),
    _Case(
        "skew of the scanner and angle of the grid",
        "skew",
        _BOTH,
        [*_BOTH, {"frame": "up", "turned": math.pi / 2}, {"frame": "down", "turned": math.pi / 2}],
        "the standard turned by 90°",
        _ROUGH,
    ),
    _Case(
        "the scale of y and anything, where lines run along y",
        "scale y, slow axis",
        _BOTH,
        [{**scan, "turned": math.radians(angle)} for angle in (3, 48, 92) for scan in _BOTH],
        "the grating in three orientations",
        _LINES,
    ),
    _Case(
        "scale and pitch",
        "scale x",
        _BOTH,
        [*_BOTH, *_BOTH, *_BOTH],
        "twice as many scans again: the certificate is what is left",
    ),
)


def table() -> str:
    """Return the table as Markdown."""
    rows = [
        "| looks alike | seen by | U by the scans alone | add | U by the scans alone, then |",
        "| --- | --- | --- | --- | --- |",
    ]
    for case in _CASES:
        before, after = (_planned(scans, case.standard) for scans in (case.before, case.after))
        # the same unknowns in both, also those that a fit would leave out where nothing tells them
        unknown = plausible(after, _TRAVEL[:2])
        first, then = (observability(found, unknown, travel=_TRAVEL) for found in (before, after))
        rows.append(
            f"| {case.alike} | {case.quantity} | {_by_scans(first, case.quantity)} | {case.what_is_added} |"
            f" {_by_scans(then, case.quantity)} |"
        )
    one, several = ([_step(100e-9, 0.0)], [_step(height, z) for height in (50e-9, 200e-9) for z in (-1e-6, 0.0, 1e-6)])
    name = next(q.name for q in observability(several, travel=_TRAVEL).quantities if q.kind == "z curvature")
    gains = [_by_scans(observability(steps, travel=_TRAVEL), name) for steps in (one, several)]
    rows.append(
        f"| gain of z and its change over the range | {name} | {gains[0]} | two steps at three heights of the range |"
        f" {gains[1]} |"
    )
    return "\n".join(rows)


def _planned(scans: list[_Scan], standard: Grid | Grating) -> list[LateralObservation]:
    session = Session(points=128, line_period=2.0)
    found = []
    for number, scan in enumerate(scans):
        how = {"size": 20e-6, "title": f"scan {number}", **scan}
        turned = how.pop("turned", 0.0)
        found.append(observe_planned(session.frame(how.pop("size"), **how), standard, turned=turned))
    return found


def _step(height: float, z: float) -> Any:
    scan = raster(16e-6, 64, z_centre=z, title=f"step {height} {z}")
    return step_planned(scan, Step(name=f"S {height}", height=Value(height, 3e-3 * height, "m")))


def _by_scans(found: Observability, name: str) -> str:
    quantity = found[name]
    if quantity.u_data >= NOTHING * quantity.u_prior:
        return "nothing is told"
    U = float(f"{2 * quantity.u_data:.2g}")
    return f"± {show(U, '%' if quantity.unit == '1' else quantity.unit, 2)}"
