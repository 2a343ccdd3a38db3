"""Hysteresis and creep of z: the operators against loops and laws, and foreign instruments whose z remembers."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path as FilePath
from unittest import mock

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib import heights
from calib.calibration import Scanner, calibrate
from calib.measure.step_height import straightened, true_step
from calib.model import Model
from calib.model_file import load
from calib.observe.step import StepObservation, observe_step
from calib.path import Path
from calib.scan import Scan
from calib.scanner.height_history import HeightHistory, in_scan, in_time, play, relax
from calib.simulate import raster
from tests.foreign import ForeignInstrument
from tests.foreign.height import RememberingHeight
from tests.instruments import TRAVEL, step
from tests.test_heights import recorded

FULL = 20e-6
# height of the step and place in the z range, m
STEPS = ((60e-9, 0.0), (600e-9, 0.0), (200e-9, 0.0), (600e-9, 0.9e-6), (60e-9, -1e-6), (600e-9, -1e-6), (200e-9, 1e-6))
OTHERS = ((100e-9, 0.0), (400e-9, 0.0), (40e-9, 0.3e-6), (120e-9, 0.3e-6))


# --- the operators ---------------------------------------------------------------------------------


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(-1, 1), min_size=1, max_size=60), st.lists(st.floats(0, 1.5), min_size=1, max_size=3))
def test_play_is_a_clip_at_every_step(u: list[float], radii: list[float]) -> None:
    p = play(np.array(u), np.array(radii))
    for r, found in zip(radii, p, strict=True):
        state = u[0]
        for value, got in zip(u, found, strict=True):
            state = min(max(state, value - r), value + r)
            assert got == pytest.approx(state, abs=1e-12)


def test_settled_loops_of_an_even_density_obey_rayleigh() -> None:
    """Rayleigh's law (Philos. Mag. 23 (1887) 225; from memory): h (A^2 - s^2) to either side, gain grows by 2 h A."""
    density, count = 0.02, 400
    radii = (np.arange(count) + 0.5) / count
    for amplitude in (0.4, 0.9):
        up = np.linspace(-amplitude, amplitude, 201)
        moved = density / count * play(np.concatenate([up, up[::-1], up, up[::-1]]), radii).sum(axis=0)
        trace, retrace = moved[402:603], moved[603:][::-1]
        h = density / 4
        np.testing.assert_allclose(retrace - trace, 2 * h * (amplitude**2 - up**2), atol=2e-5)
        assert (trace[-1] - trace[0]) / (2 * amplitude) == pytest.approx(2 * h * amplitude, rel=1e-2)


def test_relaxations_follow_as_they_must() -> None:
    """A first-order lag after a step; several, equally spaced in log tau, creep with the logarithm of time."""
    met = np.ones((40, 250))
    met[0, 0] = 0.0
    pixel, turn = 2e-3, 0.03
    time = np.arange(40)[:, None] * (250 * pixel + turn) + (np.arange(250) + 0.5) * pixel - pixel
    for tau in (0.05, 0.5, 5.0):
        found = relax(met, tau, pixel, turn)
        np.testing.assert_allclose(found[time > 0], 1 - np.exp(-time[time > 0] / tau), atol=1e-12)
    slow = sum(relax(met, tau, pixel, turn) for tau in 10.0 ** np.arange(-3, 3.1, 0.5))
    rise = [float(np.interp(at, time.ravel(), slow.ravel())) for at in (0.1, 1.0, 10.0)]
    np.testing.assert_allclose(np.diff(rise), 2, rtol=0.02)  # two time constants a decade


@pytest.mark.parametrize("frame", ["up", "down"])
@pytest.mark.parametrize("passes", [("trace", "retrace"), ("retrace", "trace"), ("trace",), ("retrace",)])
def test_heights_in_the_order_of_time(frame: str, passes: tuple[str, ...]) -> None:
    empty = raster(FULL, 16, frame=frame)
    scan = replace_passes(empty, passes)
    path = Path(scan)
    index, row = np.indices((len(passes), 16))
    samples = path.samples(index.ravel()[:, None], row.ravel()[:, None], path.fast[None, :])
    time = samples.time.reshape(len(passes), 16, 16)
    met = in_time(time, path)
    # five pixels are smoothed by their median, which leaves a ramp as it is
    both = len(passes) == 2
    inner = met[:, 2:-2] if both else met[met[:, 3] < met[:, 5]][:, 2:-2]
    assert np.all(np.diff(inner.ravel()) > 0)
    np.testing.assert_allclose(in_scan(met, path)[..., 2:-2], time[..., 2:-2])


def test_alternate_lines_of_a_serpentine_run_back() -> None:
    scan = raster(FULL, 16, pattern="serpentine", passes=("trace",))
    path = Path(scan)
    time = path.lines(0, slice(None)).time.reshape(1, 16, 16)
    assert np.all(np.diff(in_time(time, path)[:, 2:-2].ravel()) > 0)


def test_gaps_and_spikes_are_no_movement() -> None:
    path = Path(raster(FULL, 16))
    heights_ = np.zeros((2, 16, 16))
    heights_[0, 3, 4] = 1e-6
    heights_[1, 5] = np.nan
    assert not in_time(heights_, path).any()
    heights_[:] = np.nan
    assert not in_time(heights_, path).any()


def test_added_is_the_sum_of_the_images() -> None:
    rng = np.random.default_rng(5)
    path = Path(raster(FULL, 24))
    indicated = np.cumsum(rng.normal(0, 30e-9, (2, 24, 24)), axis=2)
    operators = HeightHistory.usual(200e-9, 900e-9, path.sweep_time)
    weights = rng.normal(0, 0.02, len(operators.names))
    for centre in (0.4e-6, None):
        history = operators.history(indicated, path, centre)
        images = np.stack(list(history.images(...)))
        np.testing.assert_allclose(history.added(weights), np.tensordot(weights, images, 1), atol=1e-15)
    np.linalg.cholesky(operators.prior())
    assert HeightHistory.from_settings(operators.settings()) == operators


def test_without_times_creep_is_not_corrected() -> None:
    path = Path(raster(FULL, 16, line_period=None))
    operators = HeightHistory.usual(200e-9, 200e-9, 0.4).only(hysteresis=False, creep=True)
    assert "line period" in operators.missing(path)
    indicated = np.broadcast_to(np.linspace(0, 1e-7, 16), (2, 16, 16))
    assert not operators.history(indicated, path, 0.0).added(np.full(3, 0.02)).any()


def replace_passes(scan: Scan, passes: tuple[str, ...]) -> Scan:
    return scan.replace(channels={"height": np.zeros((len(passes), *scan.shape[1:]))}, passes=passes)


# --- foreign instruments ---------------------------------------------------------------------------


@cache
def remembering(seed: int, loop: float, creep: float) -> tuple[ForeignInstrument, Model]:
    instrument = ForeignInstrument(seed, loop=0.03, points=96)
    physics = RememberingHeight(instrument.physics, seed, travel=TRAVEL[2], loop=loop, creep=creep)
    instrument.instrument = replace(instrument.instrument, physics=physics)
    session = instrument.session()
    pairs: list[tuple[Scan, object]] = []
    for k, (height, centre) in enumerate(STEPS):
        period = (1.0, 0.3)[k % 2]
        frame = session.frame(FULL, frame=("down", "up")[k % 2], z_centre=centre, line_period=period, title=f"step {k}")
        standard = step(height, name=f"step of {height * 1e9:.0f} nm")
        pairs.append((recorded(instrument, instrument.step(height), frame, k), standard))
    model = calibrate(pairs, scanner=Scanner(f"foreign {seed}", TRAVEL))
    with mock.patch.object(heights, "_history", return_value=(None, ())):
        lean = heights.fit_height(_observed(pairs), TRAVEL[2], (TRAVEL[:2], (0.0, 0.0)))
    instrument.lean = replace(model, height=lean)  # type: ignore[attr-defined]
    return instrument, model


def _observed(pairs: list[tuple[Scan, object]]) -> list[StepObservation]:
    return [observe_step(scan, standard) for scan, standard in pairs]  # type: ignore[arg-type]


def errors(instrument: ForeignInstrument, model: Model) -> tuple[np.ndarray, np.ndarray]:
    """Errors of the heights of steps that were not calibrated, and their stated standard uncertainties, m."""
    session = instrument.session()
    found, stated = [], []
    for k, (height, centre) in enumerate(OTHERS):
        frame = session.frame(
            0.7 * FULL, frame="up", centre=(2e-6, -2e-6), z_centre=centre, line_period=(1.0, 0.4)[k % 2], title="check"
        )
        scan = recorded(instrument, instrument.step(height, FULL / 5), frame, 60 + k)
        measured, parts = true_step(model, observe_step(straightened(model, scan), step(height)))
        found.append(measured - height)
        stated.append(np.sqrt(sum(u**2 for u in parts.values())))
    return np.array(found), np.array(stated)


@pytest.mark.parametrize(("seed", "loop", "creep"), [(52, 0.05, 0.01), (53, 0.05, 0.0), (50, 0.0, 0.01)])
def test_steps_that_were_not_calibrated(seed: int, loop: float, creep: float) -> None:
    instrument, model = remembering(seed, loop, creep)
    operators = model.height.history
    assert operators is not None
    assert (operators.plays > 0, len(operators.times) > 0) == (loop > 0, creep > 0)
    error, u = errors(instrument, model)
    assert np.all(np.abs(error) < 3 * u)
    before, _ = errors(instrument, instrument.lean)  # type: ignore[attr-defined]
    assert np.sqrt(np.mean(error**2)) < 0.6 * np.sqrt(np.mean(before**2))
    heights_ = np.array([height for height, _ in OTHERS])
    assert np.all(u < 5e-3 * heights_ + 0.3e-9)
    said = " ".join(model.undetermined)
    assert ("hysteresis of z is left out" in said) == (not loop)
    assert ("creep of z is left out" in said) == (not creep)


def test_an_instrument_without_them_is_left_as_it_was() -> None:
    instrument, model = remembering(55, 0.0, 0.0)
    assert any(said.startswith("hysteresis and creep of z are left out: heights of") for said in model.undetermined)
    assert model.height.history is None
    assert not any(name.startswith(("z_hysteresis", "z_creep")) for name in model.height.names)
    lean = instrument.lean.height  # type: ignore[attr-defined]
    np.testing.assert_array_equal(model.height.values, lean.values)
    np.testing.assert_array_equal(model.height.covariance, lean.covariance)
    error, u = errors(instrument, model)
    assert np.all(np.abs(error) < 3 * u)
    assert all(o.levels is not None and o.levels.history is None for o in model.observations)


def test_steps_of_one_height_do_not_tell() -> None:
    instrument = ForeignInstrument(55, points=96)
    session = instrument.session()
    frames = [session.frame(FULL, z_centre=centre, title=f"step at {centre}") for centre in (0.0, 1e-6)]
    pairs = [(recorded(instrument, instrument.step(), frame, k), step()) for k, frame in enumerate(frames)]
    model = calibrate(pairs, scanner=Scanner("foreign 55", TRAVEL))
    assert any("z are left out: steps of one height" in said and "add steps of" in said for said in model.undetermined)


def test_corrected_heights_are_free_of_creep_and_say_how_sure_they_are() -> None:
    instrument, model = remembering(50, 0.0, 0.01)
    frame = instrument.session().frame(FULL, z_centre=0.0, line_period=1.0)
    scan = recorded(instrument, instrument.step(400e-9), frame, 80)
    columns = np.abs(scan.fast) < FULL / 10  # on the ridge, whatever x does
    curl = {}
    for name, by in (("with", model), ("without", instrument.lean)):  # type: ignore[attr-defined]
        z = by.locate(scan, uncertainty=name == "with").z[:, 4:, columns].mean(axis=1)
        curl[name] = float(np.ptp((z[0] - z[1])[:18].reshape(-1, 3).mean(axis=1)))
    assert curl["with"] < 0.3 * curl["without"]
    u = model.locate(scan).u_z
    assert np.all(np.isfinite(u))
    assert np.median(u) < 2e-9


def test_a_model_with_a_history_comes_back(tmp_path: FilePath) -> None:
    _, model = remembering(52, 0.05, 0.01)
    model.save(tmp_path / "model.json")
    again = load(tmp_path / "model.json")
    assert again.sha256 == model.sha256
    assert again.height.history == model.height.history
    np.testing.assert_array_equal(again.height.values, model.height.values)
    assert again["z_creep_0"].prior_u == model["z_creep_0"].prior_u > 0
    first, second = model.observations[0].levels, again.observations[0].levels
    assert first is not None
    assert second is not None
    assert first.pixels is None
    assert first.history is not None
    assert second.history is not None
    np.testing.assert_array_equal(first.history, second.history)
    assert model.height.history is not None
    np.testing.assert_array_equal(
        heights.history_at(second, again.observations[0].path, model.height.history), first.history
    )
