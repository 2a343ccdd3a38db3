"""Calibrated foreign instruments and standards, shared by the tests that need them."""

from __future__ import annotations

from functools import cache

import numpy as np

from calib.calibration import Scanner, calibrate
from calib.model import Model
from calib.path import Path
from calib.scan import Scan
from calib.standard import Grating, Grid, Step, Value
from tests.foreign import ForeignInstrument

TRAVEL = (20e-6, 20e-6, 4e-6)
POINTS = 128  # along both axes: twelve pixels a period leave the errors that twice as many do


def length(value: float, u: float = 1e-13) -> Value:
    return Value(value, u, "m")


def grid(pitch: float = 2e-6, name: str = "grid", u: float = 1e-12) -> Grid:
    return Grid(name=name, pitch_x=length(pitch, u), pitch_y=length(pitch, u), angle=Value(np.pi / 2, 1e-7, "rad"))


def grating(pitch: float = 3e-6, name: str = "grating", u: float = 1e-12) -> Grating:
    return Grating(name=name, pitch=length(pitch, u))


def step(height: float = 100e-9, name: str = "step", u: float = 1e-13) -> Step:
    return Step(name=name, height=length(height, u))


def calibrated(seed: int = 0, loop: float = 0.06) -> tuple[ForeignInstrument, Model]:
    """Return a foreign instrument and the model that its seven grid scans and one step scan give, made once."""
    return _calibrated(seed, loop)  # so that no way of calling makes it again


@cache
def _calibrated(seed: int, loop: float) -> tuple[ForeignInstrument, Model]:
    instrument = ForeignInstrument(seed, loop=loop, points=POINTS)
    return instrument, calibrate(pairs_of(instrument), scanner=Scanner(f"foreign {seed}", TRAVEL))


def pairs_of(instrument: ForeignInstrument) -> list[tuple[Scan, Grid | Step]]:
    """Return the scans of the session that calibrates an instrument, with their standards."""
    return [(case.scan, grid() if case.kind == "grid" else step()) for case in instrument.standard_session()]


def rigid_rest(found: np.ndarray, true: np.ndarray) -> np.ndarray:
    """Difference of positions, shape ``(2, n)``, after the rigid motion that fits best (Kabsch 1976)."""
    a = found - found.mean(axis=1, keepdims=True)
    b = true - true.mean(axis=1, keepdims=True)
    left, _, right = np.linalg.svd(b @ a.T)
    turn = left @ np.diag([1, np.linalg.det(left @ right)]) @ right
    return np.asarray(turn @ a - b)


def position_errors(model: Model, instrument: ForeignInstrument) -> list[tuple[np.ndarray, np.ndarray]]:
    """Position error and stated standard uncertainty of all pixels of other scans, but for their first line."""
    found = []
    for case in instrument.check_scans():
        if case.kind != "motion":
            continue
        located = model.locate(case.scan)
        rows = np.arange(case.scan.slow.size) != Path(case.scan).sweeps.line[0]

        def flat(*parts: np.ndarray, rows: np.ndarray = rows) -> np.ndarray:
            return np.stack(parts)[:, :, rows].reshape(2, -1)

        error = rigid_rest(flat(located.x, located.y), flat(*case.truth))
        found.append((error, flat(located.u_x, located.u_y)))
    return found
