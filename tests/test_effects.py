"""Effects of the scanner: each against closed forms or an independent solver, never against itself."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.path import Path
from calib.scan import Scan
from calib.scanner.creep import Creep, relax, spread_times
from calib.scanner.drift import Drift
from calib.scanner.height import Height
from calib.scanner.hysteresis import Hysteresis, play_at
from calib.scanner.motion import Motion
from calib.scanner.nonlinearity import Nonlinearity
from calib.scanner.registry import EFFECTS, build
from calib.simulate import raster

TRAVEL = (20e-6, 20e-6)


def path_of(size: float = 20e-6, **options: object) -> Path:
    return Path(raster(size, points=32, **options))  # type: ignore[arg-type]


def everywhere(path: Path, passes: int = 2):
    index, row, place = np.meshgrid(np.arange(passes), np.arange(path.slow.size), path.fast, indexing="ij")
    return path.samples(index, row, place)


# --- the path --------------------------------------------------------------------------------------


def test_times_of_a_raster() -> None:
    path = path_of(line_period=1.0, turnaround=0.1)
    # a sweep lasts line_period / 2 - turnaround; pixel i of n is passed at (i + 1/2) / n of it
    samples = path.samples(0, np.array([0, 3]), path.fast[[0, 31]])
    assert samples.time == pytest.approx([0.4 * 0.5 / 32, 3.0 + 0.4 * 31.5 / 32])
    back = path.samples(1, np.array([3]), path.fast[[31]])
    assert back.time == pytest.approx([3.5 + 0.4 * 0.5 / 32])


def test_a_frame_running_down_begins_with_the_highest_row() -> None:
    path = path_of(frame="down", line_period=1.0)
    assert path.sweeps.line[0] == 31
    assert path.samples(0, np.array([31]), path.fast[:1]).time[0] < 1.0


def test_a_serpentine_turns_every_line() -> None:
    path = path_of(pattern="serpentine", passes=("trace",), line_period=1.0, turnaround=0.2)
    assert path.sweeps.direction[:4].tolist() == [1, -1, 1, -1]
    assert path.sweep_time == pytest.approx(0.8)
    ends = path.samples(0, np.array([1, 1]), path.fast[[0, 31]])
    assert ends.time[0] > ends.time[1]


def test_rotation_turns_the_fast_axis_counter_clockwise() -> None:
    path = path_of(rotation=np.pi / 2, centre=(1e-6, 0.0))
    u, v = path.samples(0, np.array([16]), path.fast[[31]]).position
    assert v[0] == pytest.approx(10e-6)
    assert u[0] == pytest.approx(1e-6 - path.slow[16])


def test_a_path_survives_json() -> None:
    path = path_of(size=12e-6, rotation=0.3, frame="down", previous=(1e-6, -2e-6))
    again = Path.from_dict(path.to_dict())
    for name in ("time", "start", "end", "apex", "line"):
        assert np.allclose(getattr(again.sweeps, name), getattr(path.sweeps, name), rtol=1e-12, atol=1e-18)
    assert again.rest == path.rest


# --- hysteresis ------------------------------------------------------------------------------------


def test_play_of_half_width_r_stays_within_r_and_remembers() -> None:
    path = path_of(previous=(-9e-6, 3e-6))
    samples = everywhere(path)
    radii = np.array([0.5e-6, 3e-6, 8e-6])
    p = play_at(path, samples, 0, radii)
    assert np.all(np.abs(samples.position[0] - p) <= radii[:, None] * (1 + 1e-12))
    # in a settled line the operator follows r behind the direction of motion
    late = samples.sweep > 10
    forward = late & (path.sweeps.direction[samples.sweep] > 0) & (samples.position[0] > 0)
    assert np.allclose(p[0][forward], samples.position[0][forward] - 0.5e-6)


def test_uniform_density_is_rayleighs_law() -> None:
    """Loops of a uniform density are parabolas, h (A^2 - s^2) to either side of the middle (Rayleigh 1887)."""
    path = path_of(line_period=None)
    amplitude = float(path.sweeps.apex[0].max())
    radii = (np.arange(4000) + 0.5) / 4000 * amplitude
    row = np.full(31, 20)
    place = np.linspace(-9e-6, 9e-6, 31)
    density = 1e4  # 1/m
    movement = []
    for index in (0, 1):
        samples = path.samples(index, row, place)
        p = play_at(path, samples, 0, radii)
        movement.append(density * (p - samples.position[0]).sum(axis=0) * amplitude / 4000)
    h = density / 4
    expected = h * (amplitude**2 - place**2)
    assert (movement[1] - movement[0]) / 2 == pytest.approx(expected, rel=2e-3)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(-1, 1), min_size=2, max_size=2), st.floats(2e-6, 20e-6))
def test_what_went_before_is_wiped_out_by_a_larger_loop(rest: list[float], size: float) -> None:
    """Return-point memory: the fast axis forgets the rest position if it lies inside the first sweep."""
    one = path_of(size=size, previous=(rest[0] * size / 2, rest[1] * size / 2))
    other = path_of(size=size, previous=(0.0, 0.0))
    radii = np.linspace(0.05, 0.9, 7) * size / 2
    for path in (one, other):
        assert path.rest is not None
    later = one.samples(0, np.arange(2, 30), np.zeros(28))
    assert np.allclose(play_at(one, later, 0, radii), play_at(other, later, 0, radii), atol=1e-18)


def test_cells_of_equal_weight_are_the_classical_operator() -> None:
    path = path_of()
    effect = Hysteresis((11e-6, 11e-6), cells=6)
    samples = everywhere(path)
    basis = effect.basis(path, samples)
    _, _, k, _ = effect._mesh
    x = np.array([c.axis == 0 for c in effect.coefficients])
    for width in range(6):
        mine = basis[x][k == width].sum(axis=0)
        p = play_at(path, samples, 0, effect.radii(0)[[width]])[0]
        reach = 1 - effect.radii(0)[width] / 11e-6
        assert mine == pytest.approx(p - reach * samples.position[0], abs=1e-15)


# --- creep -----------------------------------------------------------------------------------------


def test_relaxation_agrees_with_an_ode_solver() -> None:
    from scipy.integrate import solve_ivp

    path = path_of(line_period=1.0, turnaround=0.15, previous=(4e-6, -2e-6))
    tau = np.array([0.07, 0.8, 30.0])
    sweeps, turn = path.sweeps, path.turnaround

    def command(t: float) -> float:
        k = int(np.searchsorted(sweeps.time, t, side="right")) - 1
        since = t - sweeps.time[k]
        rate = (sweeps.end[0, k] - sweeps.start[0, k]) / path.sweep_time
        if since <= path.sweep_time:
            return float(sweeps.start[0, k] + rate * since)
        s = since - path.sweep_time
        return float(sweeps.end[0, k] + rate * s - rate * s**2 / turn)

    samples = path.samples(np.array([0, 1, 0, 1]), np.array([0, 0, 2, 2]), path.fast[[5, 20, 31, 0]])
    order = np.argsort(samples.time)
    solution = solve_ivp(
        lambda t, c: (command(t) - c) / tau,
        (0, 3),
        np.full(3, 4e-6),
        t_eval=samples.time[order],
        max_step=0.002,
        rtol=1e-9,
        atol=1e-15,
    )
    assert relax(path, samples, 0, tau)[:, order] == pytest.approx(solution.y, abs=2e-10)


def test_equal_gains_give_logarithmic_creep_after_a_step() -> None:
    """Of a step held for t, creep per decade is constant: Jung & Gweon, Rev. Sci. Instrum. 71 (2000) 1896."""
    held = raster((1e-12, 20e-6), points=(32, 400), line_period=1.0, turnaround=0.0, previous=(-8e-6, 0.0))
    path = Path(held)
    times = np.array(spread_times(0.5, 400.0, 2.0))
    creep = Creep(times.tolist(), TRAVEL)
    gain = 0.012 / creep.per_decade
    rows = np.array([1, 3, 10, 31, 100, 316])
    moved = gain * relax(path, path.samples(0, rows, np.zeros(6)), 0, times).sum(axis=0)
    per_decade = (moved[2:] - moved[:-2]) / 8e-6
    assert per_decade == pytest.approx(0.012, rel=0.1)


# --- all of them -----------------------------------------------------------------------------------

ALL = [
    Nonlinearity(TRAVEL, degree=4),
    Hysteresis((11e-6, 11e-6), cells=4),
    Creep([0.1, 1.0, 10.0], TRAVEL),
    Drift(2e-10),
]


@pytest.mark.parametrize("effect", ALL, ids=lambda effect: effect.name)
def test_every_effect_keeps_the_interface(effect) -> None:
    path = path_of()
    samples = everywhere(path)
    basis = effect.basis(path, samples)
    assert basis.shape == (len(effect.coefficients), samples.size)
    assert np.all(np.isfinite(basis))
    prior = effect.prior()
    assert prior.shape == (len(effect.coefficients),) * 2
    assert np.allclose(prior, prior.T)
    assert prior.size == 0 or np.linalg.eigvalsh(prior).min() > 0
    nuisances = effect.nuisances(path, samples)
    assert nuisances.terms.basis.shape == (len(nuisances.terms.coefficients), samples.size)
    assert len(nuisances.sd) == len(nuisances.terms.coefficients)
    again = build(effect.name, effect.settings())
    assert np.array_equal(again.basis(path, samples), basis)
    assert [c.name for c in again.coefficients] == [c.name for c in effect.coefficients]


def test_all_effects_are_registered() -> None:
    # in test_rare_effects.py, and test_succession.py
    rare = {"lag", "backlash", "periodic", "squareness", "creep_before"}
    assert {effect.name for effect in ALL} | rare == set(EFFECTS)


def test_without_timing_what_needs_it_is_left_out_and_said() -> None:
    path = path_of(line_period=None)
    samples = everywhere(path)
    assert not ALL[2].basis(path, samples).any()
    assert "line period" in ALL[2].missing(path)
    assert "line period" in ALL[3].missing(path)
    assert not ALL[0].missing(path)


def test_motion_jacobian_is_the_derivative() -> None:
    motion = Motion(ALL)
    path = path_of()
    samples = path.samples(np.array([0, 1, 0]), np.array([3, 20, 30]), path.fast[[2, 17, 30]])
    rng = np.random.default_rng(4)
    values = motion.rest_values + np.sqrt(np.diag(motion.prior_covariance)) * rng.standard_normal(len(motion.names))
    J = motion.jacobian(samples, values, motion.shared(path, samples))
    for j, sd in enumerate(np.sqrt(np.diag(motion.prior_covariance))):
        step = np.zeros(values.size)
        step[j] = 1e-3 * sd
        change = motion.position(path, samples, values + step) - motion.position(path, samples, values - step)
        assert J[:, j] * 2e-3 * sd == pytest.approx(change, rel=1e-5, abs=1e-16), motion.names[j]


def test_skew_is_positive_towards_plus_x() -> None:
    motion = Motion([])
    path = path_of()
    upper = path.samples(0, np.array([31]), np.zeros(1))
    x, y = motion.position(path, upper, np.array([1.0, 1.0, 0.02]))
    assert x[0] > 0
    assert y[0] < upper.position[1][0]


def test_height_without_centre_applies_the_gain_only_and_says_so_in_its_uncertainty() -> None:
    height = Height(np.array([0.96, 2e3, 0.0]), np.diag([1e-6, 1e4, 1e-6]), 4e-6, True)
    m = np.array([1e-6])
    assert height.true(m, True) == pytest.approx(0.96e-6 + 2e3 * 1e-12)
    assert height.true(m, False) == pytest.approx(0.96e-6)
    assert height.uncertainty(m, 0.0, False) > 2 * height.uncertainty(m, 0.0, True)


def test_a_scan_without_rest_position_has_an_unknown_start() -> None:
    known = path_of(previous=(0.0, 0.0))
    scan: Scan = raster(20e-6, points=32).replace(previous_x=None, previous_y=None)
    unknown = Path(scan)
    effect = ALL[1]
    assert not effect.nuisances(known, everywhere(known)).terms.coefficients
    terms = effect.nuisances(unknown, everywhere(unknown)).terms
    assert [c.name for c in terms.coefficients] == ["start_state_x", "start_state_y"]
    # the fast axis forgets it within a line, the slow one does not
    rows = everywhere(unknown).sweep
    assert np.abs(terms.basis[0][rows > 4]).max() < 1e-3 * np.abs(terms.basis[1]).max()
