"""Scans one after the other: what is known of the past of each, and what creep leaves in the next."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from calib.fit import LateralFit, fit_lateral
from calib.fitting.succession import histories, rests
from calib.frames import reference_frame
from calib.observe.lateral import LateralObservation
from calib.path import Path
from calib.scan import Scan
from calib.scanner.creep_before import CreepBefore, left
from tests.foreign import ForeignInstrument
from tests.nodes import frames, observed

BEGAN = datetime(2026, 3, 1, 9, tzinfo=UTC)


def frame(after: float, rest: tuple[float, float] | None = (0.0, 0.0), **changes: object) -> Scan:
    """A frame of 20 lines of 2 s, so many seconds after the first."""
    scan = reference_frame(10e-6, 20, centre=(3e-6, -1e-6), line_period=2.0)
    x, y = (None, None) if rest is None else rest
    return scan.replace(started=BEGAN + timedelta(seconds=after), previous_x=x, previous_y=y, **changes)


def test_relaxations_go_on_as_an_ode_solver_has_them() -> None:
    """Slow ones follow the mean course of a frame, whatever its lines do."""
    from scipy.integrate import solve_ivp

    first, second = frame(0.0), frame(55.0, rest=(-2e-6, 1e-6))
    path = Path(second)
    path.history = histories([first, second])[1]
    tau = np.array([20.0, 150.0, 900.0])
    before = Path(first)
    sweeps = before.sweeps

    def command(t: float, axis: int) -> float:
        if t >= before.frame_time:
            return second.previous_x if axis == 0 else second.previous_y  # type: ignore[return-value]
        k = int(np.searchsorted(sweeps.time, t, side="right")) - 1
        part = min((t - sweeps.time[k]) / before.sweep_time, 1.0)
        return float(sweeps.start[axis, k] + part * (sweeps.end[axis, k] - sweeps.start[axis, k]))

    for axis, rest in enumerate((-2e-6, 1e-6)):
        solution = solve_ivp(
            lambda t, c, axis=axis: (command(t, axis) - c) / tau,
            (0, 55),
            np.zeros(3),
            max_step=0.05,
            rtol=1e-8,
            atol=1e-14,
        )
        # a line of 2 s makes a ripple of a hundredth of its amplitude in the fastest of them
        assert left(path, axis, tau) == pytest.approx(solution.y[:, -1] - rest, abs=5e-8)


def test_what_is_left_dies_away() -> None:
    scans = [frame(0.0), frame(50.0)]
    path = Path(scans[1])
    path.history = histories(scans)[1]
    effect = CreepBefore([10.0, 100.0], 1.0)
    rows = np.arange(20)
    samples = path.samples(0, rows, np.zeros(20))
    moved = effect.basis(path, samples)
    assert np.all(np.abs(np.diff(np.abs(moved), axis=1)) > 0)
    assert np.all(np.abs(moved[:, -1]) < np.abs(moved[:, 0]))
    assert not effect.basis(Path(scans[1]), samples).any()


def test_what_is_known_of_the_past() -> None:
    found = histories([frame(0.0), frame(50.0), frame(300.0)])
    assert [len(one) for one in found] == [0, 3, 5]
    # settled at rest, the first frame, ten seconds of rest
    assert [(s.begin, s.end) for s in found[1]] == [(50.0, 50.0), (50.0, 10.0), (10.0, 0.0)]
    assert found[1][0].start == (0.0, 0.0)
    assert found[1][1].start == pytest.approx((3e-6, -6e-6))
    assert found[1][1].finish == pytest.approx((3e-6, 4e-6))


def test_a_gap_ends_what_is_known() -> None:
    untimed = frame(50.0, line_period=None, turnaround=None)
    assert [len(one) for one in histories([frame(0.0), untimed, frame(100.0)])] == [0, 3, 0]
    nowhen = frame(0.0).replace(started=None)
    assert [len(one) for one in histories([frame(0.0), nowhen, frame(100.0)])] == [0, 0, 0]
    both_at_once = [frame(0.0), frame(20.0), frame(70.0)]
    assert [len(one) for one in histories(both_at_once)] == [0, 0, 3]
    assert histories([]) == []


def test_where_the_scanner_rested() -> None:
    scans = [frame(0.0, None), frame(50.0, None)]
    first, second = rests(scans)
    assert first is None
    assert second == Path(scans[0]).last
    assert rests([]) == []


def test_a_path_with_a_past_survives_json() -> None:
    path = Path(frame(50.0))
    path.history = histories([frame(0.0), frame(50.0)])[1]
    again = Path.from_dict(path.to_dict())
    assert again.history == path.history
    assert "history" not in Path(frame(0.0)).to_dict()


def rms(*parts: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(np.concatenate([part.ravel() for part in parts])))))


def left_of(instrument: ForeignInstrument, fit: LateralFit, one: LateralObservation) -> tuple[np.ndarray, np.ndarray]:
    """What the scans before have truly left at the nodes of a scan, and what is found of it; without its mean."""
    path, physics = one.path, instrument.physics
    samples = path.samples(one.pass_index, one.row, one.fast)
    clock = (one.started - instrument.instrument.began).total_seconds()  # type: ignore[operator]
    before = physics._before
    physics._before = [frame for frame in before if frame[0] <= clock]
    true = physics.motion(path, samples, clock)
    physics._before = []
    true = true - physics.motion(path, samples, clock)
    physics._before = before
    first = fit.motion.names.index("creep_before_x")
    found = fit.values[first : first + 2, None] * fit.motion.shared(path, samples)[first - 3 : first - 1]
    return true - true.mean(axis=1, keepdims=True), found - found.mean(axis=1, keepdims=True)


def test_creep_that_goes_on_from_scan_to_scan_is_found_and_drift_is_not_blamed() -> None:
    """A foreign scanner, which creeps by uneven relaxations from 3 ms to 3 hours."""
    drifts = []
    for known in (True, False):
        instrument = ForeignInstrument(4, loop=0.04, creep=0.012)
        scans = frames(instrument)
        seen = []
        for k, (scan, history) in enumerate(zip(scans, histories(scans), strict=True)):
            seen.append(observed(instrument, scan, seed=k, spacing=1.7e-6))
            seen[-1].path.history = history if known else ()
            instrument.remember(scan)
        fit = fit_lateral(seen, (instrument.travel, instrument.travel), (0.0, 0.0), degree=5)
        assert ("creep_before" in [effect.name for effect in fit.motion.effects]) == known
        if known:
            moved = [left_of(instrument, fit, one) for one in seen[1:]]
            assert rms(*(true - found for true, found in moved)) < 0.4 * rms(*(true for true, _ in moved))
        errors = []
        for rate, scan in zip(fit.drift, scans, strict=True):
            clock = (scan.started - instrument.instrument.began).total_seconds()
            whole = Path(scan).frame_time
            truth = instrument.physics._drift(np.array([whole]), clock)[:2, 0] / whole
            errors.append((np.array(rate.rate) - truth) / np.array(rate.u))
        drifts.append(float(np.sqrt(np.mean(np.square(errors)))))
    assert drifts[0] < 1.3
    assert drifts[0] < 0.6 * drifts[1]
