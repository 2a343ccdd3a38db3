"""The foreign instruments do what they say: relays, relaxations, bending and drift of the stated size."""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from calib.path import Path
from calib.simulate import BEGAN, Flaws, raster
from tests.foreign import GRID_HEIGHT, ForeignInstrument
from tests.foreign.physics import Bending, Relaxations
from tests.foreign.relays import Memory, Relays, full_amplitude, uneven_relays

TRAVEL = 20e-6


def alone(**effects):
    """An instrument with only some effects, beside its scale and skew."""
    return ForeignInstrument(3, points=64, **{"loop": 0.0, "creep": 0.0, "bending": 0.0, "drift": 0.0, **effects})


def unscaled(instrument, truth):
    """Undo scale and skew."""
    y = truth[1] / np.cos(instrument.skew) / instrument.scale_y
    return np.stack([(truth[0] - np.sin(instrument.skew) * instrument.scale_y * y) / instrument.scale_x, y])


def even_relays(cells=60):
    return Relays(np.linspace(-1, 1, cells + 1), np.ones((cells, cells)))


# --- hysteresis ----------------------------------------------------------------------------------


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_relays_agree_with_a_simulation_of_each_single_relay(seed):
    rng = np.random.default_rng(seed)
    cells = 24
    levels = np.linspace(-1, 1, cells + 1)
    density = rng.lognormal(0, 1, (cells, cells))
    state = Memory(Relays(levels, density), [(-1.0, 0.0)])
    middle = (levels[1:] + levels[:-1]) / 2
    alpha, beta = np.meshgrid(middle, middle, indexing="ij")
    weight = np.where(alpha > beta, density, 0) + np.where(alpha == beta, density / 2, 0)
    up = np.full((cells, cells), -1.0)
    start = (weight * up).sum()
    for level in levels[rng.integers(0, cells + 1, 40)]:
        rising = level > state.level
        state.move(float(level))
        if rising:
            up[alpha < level] = 1.0
        else:
            up[beta > level] = -1.0
        assert state.output == pytest.approx((weight * up).sum() - start, abs=1e-9)


def test_relays_remember_the_point_where_a_minor_loop_left():
    relays, _ = uneven_relays(np.random.default_rng(1), 1.0, 0.06)
    for middle in (-0.4, -0.1, 0.2):
        through, interrupted = relays.memory(), relays.memory()
        for state in (through, interrupted):
            state.move(-0.5)
            state.move(0.3)
        before = interrupted.output
        interrupted.move(middle)
        interrupted.move(0.5 * (middle + 0.3))
        interrupted.move(middle)
        interrupted.move(0.3)
        assert interrupted.output == pytest.approx(before, abs=1e-12)
        assert through.move(0.45, np.array([0.45])) == pytest.approx(interrupted.move(0.45, np.array([0.45])))


def test_output_does_not_depend_on_how_a_sweep_is_cut():
    relays, _ = uneven_relays(np.random.default_rng(1), 1.0, 0.06)
    at = np.linspace(-0.4, 0.45, 50)
    whole, cut = relays.memory(), relays.memory()
    for state in (whole, cut):
        for level in (0.3, -0.35, 0.2, -0.4):
            state.move(level)
    outputs = whole.move(0.45, at)
    np.testing.assert_allclose([cut.move(level, np.array([level]))[0] for level in at], outputs, atol=1e-14)
    assert whole.output == pytest.approx(cut.move(0.45, np.array([0.45]))[0])


def test_even_relays_give_parabolic_loops():
    """Rayleigh's law: trace and retrace lie h (A^2 - s^2) to either side of the mean, and gain grows by 2 h A."""
    relays = even_relays()
    gains = []
    for amplitude in (0.4, 0.8):
        state = relays.memory()
        way = np.linspace(-amplitude, amplitude, 13)
        for level in (amplitude, -amplitude):
            state.move(level)
        up = state.move(amplitude, way)
        down = state.move(-amplitude, way[::-1])[::-1]
        opening = (down - up) / 2
        h = opening[6] / amplitude**2
        np.testing.assert_allclose(opening, h * (amplitude**2 - way**2), atol=1e-3 * opening[6])
        gains.append((up[-1] - up[0]) / (2 * amplitude))
    assert (gains[1] - gains[0]) / (2 * h * 0.4) == pytest.approx(1.0, rel=1e-3)


def test_virgin_relays_answer_both_ways_alike_and_half_as_steeply_as_a_loop():
    relays = even_relays()
    up, down = relays.memory(), relays.memory()
    assert up.output == 0
    up.move(0.5)
    down.move(-0.5)
    assert up.output == pytest.approx(-down.output, rel=2e-2)
    top = up.output
    up.move(-0.5)
    assert top - up.output == pytest.approx(2 * top, rel=1e-2)


@pytest.mark.parametrize("loop", [0.06, 0.02])
@pytest.mark.parametrize("rotation", [0.0, np.pi / 2])
def test_passes_are_the_stated_part_of_the_travel_apart_in_mid_line(loop, rotation):
    instrument = ForeignInstrument(4, loop=loop, creep=0.0, bending=0.0, drift=0.0)
    truth = unscaled(instrument, instrument.true_positions(raster(TRAVEL, (256, 8), rotation=rotation)))
    apart = (truth[:, 1] - truth[:, 0])[1 if rotation else 0]
    middle = apart[1:, 127:129].mean(axis=1)
    np.testing.assert_allclose(middle, loop * TRAVEL, rtol=5e-3)
    # smaller scans have less gain and a smaller loop
    small = unscaled(instrument, instrument.true_positions(raster(TRAVEL / 4, (256, 8), rotation=rotation)))
    small = small[1 if rotation else 0][:, 2:]
    assert (small[1] - small[0]).max() < 0.3 * loop * TRAVEL
    assert np.ptp(small.mean(axis=(0, 1))) < (1 - loop) * TRAVEL / 4


def test_scale_is_the_one_of_the_full_loop_from_turn_to_turn():
    instrument = alone(loop=0.06)
    path = Path(raster(TRAVEL, (256, 4)))
    amplitude = full_amplitude(TRAVEL)
    assert path.sweeps.apex[0, 0] == pytest.approx(amplitude, rel=1e-12)
    turns = path.samples(np.array([0, 1]), 2, amplitude * np.array([1.0, -1.0]))
    top, bottom = unscaled(instrument, instrument.physics.motion(path, turns, 0.0))[0]
    assert (top - bottom) / (2 * amplitude) == pytest.approx(1.0, abs=1e-12)


def test_there_is_no_staircase_along_a_line():
    instrument = alone(loop=0.06)
    truth = unscaled(instrument, instrument.true_positions(raster(2e-6, (2048, 4), centre=(3e-6, 0.0))))[0, :, 2]
    assert np.abs(np.diff(truth, 2)).max() < 2e-6 * TRAVEL
    assert np.diff(truth).min() > 0.8 * 2e-6 / 2047


def test_slow_axis_sees_one_sweep_and_remembers_where_it_came_from():
    instrument = alone(loop=0.06)
    truths = [
        unscaled(instrument, instrument.true_positions(raster(TRAVEL / 2, 64, previous=previous)))
        for previous in ((0.0, 0.0), (0.0, 9e-6), (0.0, -9e-6))
    ]
    slow = [truth[1, 0, :, 32] for truth in truths]
    assert np.allclose(truths[0][1, 0], truths[0][1, 1], atol=1e-15)
    np.testing.assert_allclose(truths[0][1, 0] - slow[0][:, None], 0, atol=1e-15)
    # an approach from outside leaves a remanence, and another way up
    assert abs((slow[1] - slow[0])[0]) > 0.002 * TRAVEL
    assert np.ptp(slow[1] - slow[2]) > 0.005 * TRAVEL


def test_relays_change_with_the_mean_position():
    instrument = ForeignInstrument(5, creep=0.0, bending=0.0, drift=0.0)
    openings = [
        np.diff(instrument.true_positions(raster(4e-6, (256, 4), centre=(x, 0.0)))[0, :, 3, 128])[0]
        for x in (-7e-6, 0.0, 7e-6)
    ]
    assert np.ptp(openings) / np.mean(openings) > 0.02


# --- creep ---------------------------------------------------------------------------------------


def test_creep_after_a_jump_grows_as_stated_for_each_decade():
    for seed in range(4):
        creep = Relaxations.drawn(np.random.default_rng(seed), 0.012)
        blank = raster(1e-12, (2, 2000), centre=(10e-6, 0.0), line_period=1.0, passes=("trace",))
        path = Path(blank)
        samples = path.lines(0, slice(None))
        moved = creep.response(0, path, samples, 0.0 * creep.gains) / 10e-6
        # what followed within a tenth of a second belongs to the scale, but for some 0.25 of a decade:
        # the response of evenly spread relaxations is ln t + Euler's constant
        assert samples.time[0] == pytest.approx(0.1, rel=0.2)
        assert abs(moved[0]) < 0.006
        inside = samples.time > 0.3
        slope = np.polyfit(np.log10(samples.time[inside]), moved[inside], 1)[0]
        assert slope == pytest.approx(0.012, rel=0.3)
        assert moved[inside].max() - moved[inside].min() == pytest.approx(0.012 * np.log10(2000 / 0.3), rel=0.2)


def test_relaxations_solve_their_differential_equation_through_sweeps_and_turns():
    blank = raster(TRAVEL, (16, 4), line_period=1.0, turnaround=0.1)
    path = Path(blank)
    creep = Relaxations(np.array([0.02, 0.3, 40.0]), np.array([0.01, 0.02, 0.03]), prompt=0.0)
    samples = path.samples(1, np.arange(4)[:, None], path.fast[None, ::-1])
    moved = creep.response(0, path, samples, 5e-6 * creep.gains) - creep.gains.sum() * samples.position[0]
    sweeps = path.sweeps
    stops, times = [], []
    for k, begin in enumerate(sweeps.time):
        times += [begin, begin + path.sweep_time, begin + path.sweep_time + 0.05]
        stops += [sweeps.start[0, k], sweeps.end[0, k], sweeps.apex[0, k]]

    def rate(t, state):
        return (creep.gains * np.interp(t, times, stops) - state) / creep.times

    solution = solve_ivp(
        rate, (0, samples.time.max()), creep.gains * 5e-6, t_eval=samples.time, rtol=1e-9, atol=1e-18, max_step=2e-3
    )
    expected = solution.y.sum(axis=0) - creep.gains.sum() * samples.position[0]
    np.testing.assert_allclose(moved, expected, atol=2e-13)


def test_creep_goes_on_in_later_frames_until_it_has_died_away():
    instrument = ForeignInstrument(0, loop=0.0, bending=0.0, drift=0.0)
    session = instrument.session()
    away = session.frame(4e-6, centre=(8e-6, 0.0), points=16)
    later, much_later = (raster(4e-6, 16, previous=session.rest, started=BEGAN + timedelta(s)) for s in (0.001, 10))
    settled = [instrument.true_positions(scan) for scan in (later, much_later)]
    instrument.remember(away)
    moved = [
        instrument.true_positions(scan) - before for scan, before in zip((later, much_later), settled, strict=True)
    ]
    # slow relaxations have not yet come to where the frame off the centre was; what was before it is forgotten
    assert np.all(moved[0][0] < 0)
    assert np.abs(moved[0][1]).max() < 0.5 * np.abs(moved[0][0]).max()
    assert np.abs(moved[1]).max() < 1e-3 * np.abs(moved[0]).max()


def test_a_frame_at_rest_does_not_creep():
    creep = Relaxations.drawn(np.random.default_rng(1), 0.012)
    path = Path(raster(1e-15, 16, centre=(4e-6, 0.0)))
    moved = creep.response(0, path, path.lines(0, slice(None)), 4e-6 * creep.gains)
    assert np.ptp(moved) < 1e-16


# --- bending, drift, composition -----------------------------------------------------------------


def test_bending_peaks_as_stated_and_has_no_straight_part():
    bending = Bending(np.random.default_rng(2), 0.2e-6)
    xi, eta = (axis.ravel() for axis in np.meshgrid(*[np.linspace(-1, 1, 101)] * 2))
    np.testing.assert_allclose(np.abs(bending(xi, eta)).max(axis=1), 0.2e-6, rtol=0.01)
    even = (np.arange(100) + 0.5) / 50 - 1
    xi, eta = (axis.ravel() for axis in np.meshgrid(even, even))
    moved = bending(xi, eta)
    plane = np.linalg.lstsq(np.stack([np.ones_like(xi), xi, eta], axis=1), moved.T, rcond=None)[0]
    assert np.abs(plane).max() < 1e-3 * 0.2e-6
    # a polynomial of degree five does not reproduce it
    terms = [xi**i * eta**j for i in range(6) for j in range(6 - i)]
    _, residual, _, _ = np.linalg.lstsq(np.stack(terms, axis=1), moved.T, rcond=None)
    assert np.all(np.sqrt(residual / xi.size) > 0.2e-9)
    # lines are bowed: each axis moves with the other coordinate
    assert np.ptp(bending(np.zeros(50), np.linspace(-1, 1, 50))[0]) > 0.02e-6
    assert np.ptp(bending(np.linspace(-1, 1, 50), np.zeros(50))[1]) > 0.02e-6


def test_drift_has_the_stated_rate_at_the_start_and_decays():
    instrument = alone(drift=0.03e-9)
    session = instrument.session()
    first = session.frame(TRAVEL)
    for _ in range(30):
        session.frame(TRAVEL)
    last = session.frame(TRAVEL)
    rates = []
    for scan in (first, last):
        moved = instrument.true_positions(scan) - alone().true_positions(scan)
        time = Path(scan).lines(0, slice(None)).time
        rates.append(np.abs(moved[:, 0].reshape(2, -1)[:, -1]) / time[-1])
    np.testing.assert_allclose(rates[0], 0.03e-9, rtol=0.03)
    assert np.all(rates[1] < 0.7 * rates[0])
    assert np.all(rates[1] > 0.1 * rates[0])


def test_without_effects_only_scale_and_skew_are_left():
    instrument = alone()
    scan = raster(TRAVEL, 32, rotation=0.4, centre=(1e-6, 0.0))
    x, y = scan.commanded()
    truth = instrument.true_positions(scan)
    np.testing.assert_allclose(
        truth[0, 0], instrument.scale_x * x + np.sin(instrument.skew) * instrument.scale_y * y, atol=1e-18
    )
    np.testing.assert_allclose(truth[1, 1], np.cos(instrument.skew) * instrument.scale_y * y, atol=1e-18)
    for seed in range(10):
        drawn = ForeignInstrument(seed, loop=0.0, points=16)
        assert drawn.scale_x == pytest.approx(1.03, abs=0.005)
        assert drawn.scale_y == pytest.approx(0.98, abs=0.005)
        assert np.rad2deg(drawn.skew) == pytest.approx(1.3, abs=0.25)
        assert drawn.gain_z == pytest.approx(0.96, abs=0.005)


def test_indicated_heights_come_back_by_gain_and_curve():
    instrument = alone()
    physics = instrument.physics
    path = Path(raster(1e-6, 8))
    samples = path.lines(0, slice(None))
    height = np.linspace(-1e-6, 1e-6, samples.size)
    indicated = physics.indicate(height, path, samples, 0.0)
    np.testing.assert_allclose(physics.gain_z * indicated + physics.curve_z * indicated**2, height, atol=1e-18)
    assert abs(physics.curve_z * indicated[-1] / physics.gain_z) < 0.003
    drifting = alone(drift=0.03e-9).physics
    moved = drifting.indicate(height, path, samples, 0.0) - indicated
    np.testing.assert_allclose(np.abs(moved[-1]) / samples.time[-1], 0.03e-9 / 0.96, rtol=0.02)


# --- sessions ------------------------------------------------------------------------------------


def test_session_is_the_seven_scans_of_a_grid_and_one_of_a_step():
    cases = ForeignInstrument(1, points=64).standard_session()
    assert [case.kind for case in cases] == ["grid"] * 7 + ["step"]
    scans = [case.scan for case in cases]
    assert [round(scan.size[0] * 1e6, 9) for scan in scans] == [20, 20, 10, 10, 20, 20, 12, 20]
    assert [scan.frame for scan in scans[:2]] == ["up", "down"]
    assert all((scan.centre_x, scan.centre_y) != (0, 0) for scan in scans[2:4])
    assert scans[4].rotation == np.pi / 2
    assert [scan.line_period for scan in scans] == [1, 1, 1, 1, 1, 0.2, 1, 1]
    assert scans[0].started == BEGAN
    for before, after in pairwise(scans):
        path = Path(before)
        assert (after.previous_x, after.previous_y) == pytest.approx(tuple(path.sweeps.end[:, -1]))
        assert after.started - before.started == timedelta(seconds=path.frame_time + 5)
    for case in cases:
        assert case.scan.passes == ("trace", "retrace")
        assert case.scan.turnaround == pytest.approx(case.scan.line_period / 20)
        assert case.truth.shape == (2, *case.scan.shape)


def test_heights_are_the_standard_at_the_true_positions_with_the_stated_noise():
    instrument = ForeignInstrument(2, points=128, drift=0.0)
    scan, _, truth = instrument.standard_session(step=False)[0]
    physics = instrument.physics
    height = physics.gain_z * scan.height + physics.curve_z * np.square(scan.height)
    residual = (height - instrument.grid()(*truth)) / physics.gain_z
    assert residual.std() == pytest.approx(1e-9, rel=0.02)
    assert np.ptp(instrument.grid()(*truth)) == pytest.approx(GRID_HEIGHT)


def test_the_seed_alone_decides():
    first, again, other = (
        ForeignInstrument(seed, points=32, flaws=Flaws(noise=1e-9, dust=2, streaks=0.1)).standard_session()
        for seed in (5, 5, 6)
    )
    for a, b, c in zip(first, again, other, strict=True):
        np.testing.assert_array_equal(a.scan.height, b.scan.height)
        np.testing.assert_array_equal(a.truth, b.truth)
        assert np.abs(a.truth - c.truth).max() > 10e-9
    # the noise of two scans of a session is not the same
    plain = ForeignInstrument(5, points=32, flaws=Flaws(noise=1e-9, dust=2, streaks=0.1))
    assert not np.any(plain.standard_session()[0].scan.height == plain.check_scans()[-1].scan.height)


def test_check_scans_stay_within_the_calibrated_domain():
    for seed in range(5):
        instrument = ForeignInstrument(seed, points=16)
        cases = instrument.check_scans(seed)
        assert [case.kind for case in cases] == ["motion"] * 6 + ["grating"] * 2 + ["step"]
        for scan, kind, truth in cases:
            x, y = scan.commanded()
            assert max(np.abs(x).max(), np.abs(y).max()) <= TRAVEL / 2 * (1 + 1e-12)
            assert 0.2 <= scan.line_period <= 1.0
            if kind == "motion":
                assert round(scan.size[0] * 1e6, 9) in (8, 14, 17)
                np.testing.assert_array_equal(instrument.true_positions(scan), truth)
