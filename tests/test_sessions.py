"""Calibrations of unusual sessions: any rotation, one pass, serpentines, no timing, sizes from 5 % of the travel."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from calib.fit import LateralFit, fit_lateral
from calib.path import Path
from calib.scan import Scan
from tests.foreign import ForeignInstrument
from tests.instruments import rigid_rest
from tests.test_rare_effects import QUARTER, nodes

FULL = 20e-6
BOX = (FULL, FULL)


def error(fit: LateralFit, instrument: ForeignInstrument, frames: Sequence[Scan]) -> float:
    """Rms position error over frames, but for their first line, m."""
    squares = []
    for scan in frames:
        path = Path(scan)
        rows = np.arange(3, path.slow.size - 3, 7)
        index, row, fast = np.meshgrid(np.arange(len(path.passes)), rows, path.fast[::7], indexing="ij")
        samples = path.samples(index, row, fast)
        true = instrument.physics.motion(path, samples, instrument.instrument.clock(scan))
        rest = rigid_rest(fit.motion.position(path, samples, fit.values), true)
        squares.append(np.mean(np.sum(rest**2, axis=0)))
    return float(np.sqrt(np.mean(squares)))


def observed(instrument: ForeignInstrument, frames: Sequence[tuple[Scan, float]]) -> list:
    def motion(scan: Scan):
        clock = instrument.instrument.clock(scan)
        return lambda path, samples: instrument.physics.motion(path, samples, clock)

    return [nodes(scan, motion(scan), pitch, count=12) for scan, pitch in frames]


def test_rotations_and_sizes_from_five_per_cent_of_the_travel() -> None:
    """Pitches are such that even the smallest scan shows more than five periods."""
    instrument = ForeignInstrument(50, loop=0.02)
    session = instrument.session()
    frames = [
        (session.frame(FULL, frame="up", title="1"), 2e-6),
        (session.frame(FULL, frame="down", title="2"), 2e-6),
        (session.frame(FULL, rotation=QUARTER, frame="up", title="3"), 2e-6),
        (session.frame(0.6 * FULL, rotation=np.deg2rad(37), line_period=0.4, frame="down", title="4"), 2e-6),
        (session.frame(0.5 * FULL, centre=(-4e-6, 4e-6), rotation=-QUARTER, frame="up", title="5"), 2e-6),
        (session.frame(0.2 * FULL, centre=(2e-6, 2e-6), frame="up", title="6"), 0.5e-6),
        (session.frame(0.2 * FULL, centre=(-2e-6, 1e-6), rotation=2 * QUARTER, frame="down", title="7"), 0.5e-6),
        (session.frame(0.05 * FULL, frame="up", title="8"), 0.15e-6),
        (session.frame(0.05 * FULL, rotation=QUARTER, frame="down", title="9"), 0.15e-6),
    ]
    fit = fit_lateral(observed(instrument, frames), BOX, (0, 0), judging=False)
    other = instrument.session()
    checks = [
        other.frame(0.7 * FULL, rotation=np.deg2rad(-20), frame="up", line_period=0.6),
        other.frame(0.4 * FULL, rotation=np.deg2rad(120), centre=(3e-6, -2e-6), frame="down"),
        other.frame(0.6 * FULL, rotation=2 * QUARTER, frame="up"),
    ]
    assert error(fit, instrument, checks) < 5e-4 * FULL
    small = [other.frame(0.06 * FULL, centre=(1e-6, 1e-6), rotation=turn) for turn in (0.0, QUARTER)]
    assert error(fit, instrument, small) < 4e-3 * 0.06 * FULL


def test_serpentine_scans() -> None:
    instrument = ForeignInstrument(51, loop=0.02)
    session = instrument.session()
    session.options = {"pattern": "serpentine", "passes": ("trace",)}
    frames = [
        (session.frame(size * FULL, rotation=turn, frame=frame, line_period=period, points=256, title=str(k)), 2e-6)
        for k, (size, turn, frame, period) in enumerate(
            [
                (1, 0, "up", 0.5),
                (1, 0, "down", 0.5),
                (1, QUARTER, "up", 0.5),
                (0.6, 0, "up", 0.2),
                (0.6, QUARTER, "down", 0.5),
            ]
        )
    ]
    fit = fit_lateral(observed(instrument, frames), BOX, (0, 0), judging=False)
    other = instrument.session()
    other.options = session.options
    checks = [other.frame(0.8 * FULL, line_period=0.4), other.frame(0.7 * FULL, rotation=QUARTER, line_period=0.4)]
    assert error(fit, instrument, checks) < 1.5e-3 * FULL


def test_one_pass_without_hysteresis_to_tell() -> None:
    """Creep and hysteresis are left out, and said to be."""
    instrument = ForeignInstrument(52, loop=0.0, creep=0.002)
    session = instrument.session()
    session.options = {"passes": ("trace",)}
    frames = [
        (session.frame(FULL, frame="up", title="1"), 2e-6),
        (session.frame(FULL, frame="down", title="2"), 2e-6),
        (session.frame(FULL, rotation=QUARTER, frame="up", title="3"), 2e-6),
        (session.frame(0.6 * FULL, frame="up", title="4"), 2e-6),
    ]
    fit = fit_lateral(observed(instrument, frames), BOX, (0, 0), judging=False)
    assert any("hysteresis" in why for why in fit.left_out)
    other = instrument.session()
    other.options = session.options
    assert error(fit, instrument, [other.frame(0.8 * FULL)]) < 2e-3 * FULL


@pytest.mark.parametrize("drift", [0.0, 0.03e-9])
def test_unknown_timing(drift: float) -> None:
    instrument = ForeignInstrument(53, loop=0.02, creep=0.004, drift=drift)
    session = instrument.session()
    frames = [
        (session.frame(FULL, frame="up", title="1"), 2e-6),
        (session.frame(FULL, frame="down", title="2"), 2e-6),
        (session.frame(FULL, rotation=QUARTER, frame="up", title="3"), 2e-6),
        (session.frame(0.6 * FULL, frame="up", title="4"), 2e-6),
        (session.frame(0.6 * FULL, rotation=QUARTER, frame="down", title="5"), 2e-6),
    ]
    observations = observed(instrument, frames)
    for observation in observations:
        path = observation.path
        path.timed, path.line_period, path.turnaround = False, np.nan, 0.0
        path.__dict__.pop("sweeps", None)
    fit = fit_lateral(observations, BOX, (0, 0), judging=False)
    assert any("line period" in why for why in fit.left_out)
    other = instrument.session()
    assert error(fit, instrument, [other.frame(0.8 * FULL), other.frame(0.8 * FULL, rotation=QUARTER)]) < 3e-3 * FULL


def test_the_scale_of_small_scans() -> None:
    """Calibrated with scans of 4 to 20 µm, the scale of a 5 µm scan is right, where the gain grows with the size."""
    instrument = ForeignInstrument(54, loop=0.015)
    session = instrument.session()
    frames = [
        (session.frame(FULL, frame="up", title="1"), 2e-6),
        (session.frame(FULL, frame="down", title="2"), 2e-6),
        (session.frame(FULL, rotation=QUARTER, frame="up", title="3"), 2e-6),
        (session.frame(10e-6, centre=(-5e-6, 5e-6), frame="up", title="4"), 2e-6),
        (session.frame(10e-6, centre=(5e-6, -5e-6), rotation=QUARTER, line_period=0.3, frame="down", title="5"), 2e-6),
        (session.frame(7e-6, centre=(3e-6, 3e-6), frame="down", title="6"), 0.7e-6),
        (session.frame(7e-6, centre=(-3e-6, -3e-6), rotation=QUARTER, frame="up", title="7"), 0.7e-6),
        (session.frame(4e-6, frame="up", title="8"), 0.7e-6),
        (session.frame(4e-6, rotation=QUARTER, frame="down", title="9"), 0.7e-6),
    ]
    fit = fit_lateral(observed(instrument, frames), BOX, (0, 0), judging=False)

    def scale(position: np.ndarray, commanded: np.ndarray) -> float:
        centred = commanded - commanded.mean()
        return float(centred @ position / (centred @ centred))

    other = instrument.session()
    other.frame(FULL)
    gains = {}
    for size in (FULL, 5e-6):
        for axis, turn in enumerate((0.0, QUARTER)):
            scan = other.frame(size, rotation=turn, line_period=0.6)
            path = Path(scan)
            rows = np.arange(8, path.slow.size, 9)
            index, row, fast = np.meshgrid(np.arange(2), rows, path.fast[::5], indexing="ij")
            samples = path.samples(index, row, fast)
            true = instrument.physics.motion(path, samples, instrument.instrument.clock(scan))[axis]
            found = fit.motion.position(path, samples, fit.values)[axis]
            gains[size, axis] = scale(true, samples.position[axis])
            assert scale(found, samples.position[axis]) == pytest.approx(gains[size, axis], rel=1e-3)
    change = [abs(gains[5e-6, axis] / gains[FULL, axis] - 1) for axis in (0, 1)]
    assert max(change) > 0.015
