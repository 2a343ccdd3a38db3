"""What scans can tell, from the linearised fit: against what is known to be confounded, and against Monte Carlo."""

from __future__ import annotations

import dataclasses
import json
import math

import numpy as np
import pytest

from calib.arithmetic.solve import solve
from calib.observability import (
    Observability,
    observability,
    observability_of,
    observe_planned,
    plausible,
    step_planned,
)
from calib.observability.linearised import WEAK, Linearised
from calib.observe.planned import reciprocal
from calib.path import Path
from calib.simulate import Session, raster
from calib.standard import Flat, Grating, Grid, Step, Value
from tests.instruments import calibrated

TRAVEL = (20e-6, 20e-6, 4e-6)
GRID = Grid(
    name="G",
    pitch_x=Value(2e-6, 1e-9, "m"),
    pitch_y=Value(2e-6, 1e-9, "m"),
    angle=Value(np.pi / 2, math.radians(0.005), "rad"),
)
LINES = Grating(name="L", pitch=Value(1.5e-6, 0.5e-9, "m"))
UP, DOWN = {"frame": "up"}, {"frame": "down"}
TURNED = {"rotation": np.pi / 2}
FAST = {"line_period": 0.2, "frame": "down"}


def planned(*scans: dict, standard: Grid | Grating = GRID, **options: object) -> list:
    session = Session(points=128, line_period=2.0, **options)  # type: ignore[arg-type]
    found = []
    for number, scan in enumerate(scans):
        how = {"size": 20e-6, "title": f"scan {number}", **scan}
        turned = how.pop("turned", 0.0)
        found.append(observe_planned(session.frame(how.pop("size"), **how), standard, turned=turned))
    return found


def told(*scans: dict, standard: Grid | Grating = GRID) -> Observability:
    return observability(planned(*scans, standard=standard), travel=TRAVEL)


def said(found: Observability) -> str:
    return " / ".join(found.confounded)


# --- what looks alike, and what breaks it ----------------------------------------------------------


def test_one_frame_confounds_slow_scale_with_drift_and_skew_with_drift() -> None:
    found = told(UP)
    assert "slow-axis scale and drift along y can't be told apart: add a frame in the other direction" in said(found)
    assert "skew and drift along the fast axis can't be told apart" in said(found)
    slow = found["scale y, slow axis"]
    assert slow.known_by == "assumption only"
    assert slow.u_data > 10 * slow.u > 0
    # what is along a line does not hang on drift
    assert found["scale x"].known_by == "data"
    # the certificate limits the scale: 1 nm of 2 µm
    assert found["scale x"].u == pytest.approx(0.5e-3, rel=0.2)


def test_a_frame_in_the_other_direction_tells_drift_from_scale() -> None:
    one, two = told(UP), told(UP, DOWN)
    assert "drift along y can't be told apart" not in said(two)
    assert "skew and drift" not in said(two)
    for name in ("scale y, slow axis", "skew"):
        assert two[name].known_by == "data"
        assert two[name].u_data < 0.1 * one[name].u_data
        assert two[name].u < one[name].u


def test_a_turned_scan_tells_the_other_axis_and_drift() -> None:
    before, after = told(UP), told(UP, TURNED)
    assert "with y as the fast axis" in said(before)
    assert before["loop y"].known_by == "assumption only"
    for name in ("scale y", "loop y", "bending y"):
        assert after[name].known_by == "data"
        assert after[name].u < 0.1 * before[name].u
    assert "drift along y can't be told apart" not in said(after)


def test_speed_tells_creep_and_sizes_tell_the_change_of_gain() -> None:
    plain = told(UP, DOWN)
    fast = told(UP, DOWN, FAST)
    small = told(UP, DOWN, {"size": 11e-6})
    assert plain["creep per decade x"].known_by != "data"
    assert fast["creep per decade x"].known_by == "data"
    assert "of x depends on speed" not in said(fast)
    assert small["gain change with size x"].u < 0.3 * plain["gain change with size x"].u
    assert small["gain change with size x"].known_by == "data"


def test_one_orientation_of_a_grating_tells_nothing_of_the_other_axis() -> None:
    found = told(UP, DOWN, standard=LINES)
    assert "nothing tells what y does" in said(found)
    assert "three orientations" in said(found)
    assert found["scale x"].known_by == "data"
    for name in ("scale y", "scale y, slow axis", "skew"):
        assert found[name].known_by == "assumption only"
        assert found[name].u == pytest.approx(found[name].u_prior, rel=0.05)


def test_three_orientations_of_a_grating_tell_both_axes_and_skew() -> None:
    scans = [{"turned": math.radians(angle), "frame": frame} for angle in (3, 48, 92) for frame in ("up", "down")]
    found = told(*scans, standard=LINES)
    for name in ("scale x", "scale y, slow axis", "skew"):
        assert found[name].known_by == "data", name
        assert found[name].u < 0.03 * found[name].u_prior
    assert "orientations" not in said(found)


def test_certificate_stays_in_what_the_data_alone_tell() -> None:
    rough = dataclasses.replace(GRID, pitch_x=Value(2e-6, 20e-9, "m"))
    found = observability(planned(UP, DOWN, standard=rough), travel=TRAVEL)
    assert found["scale x"].u_data == pytest.approx(1e-2, rel=0.05)
    assert found["scale x"].u == pytest.approx(1e-2, rel=0.05)


# --- heights ---------------------------------------------------------------------------------------


def step(height: float, z: float | None = None) -> object:
    scan = raster(16e-6, 64, z_centre=z, title=f"step {height} {z}")
    return step_planned(scan, Step(name=f"S {height}", height=Value(height, 3e-3 * height, "m")))


def test_z_gain_needs_a_step_and_its_change_needs_several_places() -> None:
    nothing = observability(planned(UP), travel=TRAVEL)
    one = observability([step(100e-9, 0.0)], travel=TRAVEL)
    three = observability([step(100e-9, z) for z in (-1.5e-6, 0.0, 1.5e-6)], travel=TRAVEL)
    assert "the height gain is not determined: add a scan of a step" in said(nothing)
    assert nothing["z gain"].u == pytest.approx(0.1)
    # 0.3 % certificate with 0.1 nm and 0.05 % of repeatability
    assert one["z gain"].u == pytest.approx(math.hypot(3e-3, 1e-3, 5e-4), rel=0.02)
    assert "whether the height gain changes over the range" in said(one)
    assert one["z gain change over the range"].u == pytest.approx(one["z gain change over the range"].u_prior)
    assert three["z gain change over the range"].u_data < 0.005
    assert three["z gain change over the range"].known_by == "data"
    assert "height gain" not in said(three)


def test_flat_tells_the_bow() -> None:
    from calib.observability import flat_planned

    flat = Flat(name="F", flatness=Value(20e-9, 10e-9, "m"), area=(5e-3, 5e-3))
    without = observability([step(100e-9)], travel=(40e-6, 40e-6))
    found = observability([flat_planned(raster(40e-6, 64), flat)], travel=(40e-6, 40e-6))
    assert found["bow of heights"].known_by == "data"
    # form has long waves: over a small part of the flat's area it bends less than over the whole
    assert found["bow of heights"].u < 10e-9
    assert without["bow of heights"].u > found["bow of heights"].u


# --- numbers ---------------------------------------------------------------------------------------


def test_planned_uncertainty_agrees_with_the_scatter_of_fits() -> None:
    """Parametric Monte Carlo: unknowns drawn from their prior, nodes with noise, solved by the whole nonlinear fit.

    Checked are quantities that hang on data, on certificate and on assumptions, each to the statistical limits of so
    few trials (chi-squared, 99.9 %).
    """
    trials = 40
    observations = planned(UP, DOWN, {**TURNED, **FAST})
    motion = plausible(observations, TRAVEL[:2], degree=3)
    linear = Linearised(motion, observations)
    problem, factor = linear.problem, linear.problem.factor
    root = linear.covariance_root()
    rng = np.random.default_rng(3)
    names = {"scale_x": 0, "scale_y": 1, "skew": 2}
    path = Path(raster(16e-6, 64, centre=(1e-6, -1e-6), frame="down", previous=(0.0, 0.0)))
    samples = path.samples(0, np.array([30, 30]), np.array([-6e-6, 6e-6]))
    J = motion.jacobian(samples, motion.rest_values, motion.shared(path, samples))
    rows = np.concatenate([np.eye(len(motion.names))[list(names.values())], (J[:, :, 1] - J[:, :, 0])])
    rows = rows @ factor
    predicted = np.linalg.norm(rows @ root[problem.shared], axis=1)
    errors = np.empty((trials, len(rows)))
    held = np.isfinite(problem.prior_sd)
    for trial in range(trials):
        true = problem.start.copy()
        # small, so that what the straight lines leave out stays small
        true[held] += 0.1 * rng.normal(size=int(held.sum()))
        seen = []
        for prepared in problem.prepared:
            expected = prepared.observation.periods - problem.residual(true, prepared)
            noise = np.sqrt(prepared.observation.covariance[0, 0, 0]) * rng.normal(size=expected.shape)
            seen.append(dataclasses.replace(prepared.observation, periods=expected + noise))
        again = type(problem)(motion, seen)
        again.set_noise(0.0)
        # a tenth of the prior was drawn, so a tenth is what the fit may assume
        sd = np.where(held, 0.1, np.inf)
        x = solve(again.blocks, again.start, prior_mean=np.zeros(true.size), prior_sd=sd, tolerance=1e-4).x
        errors[trial] = rows @ (x - true)[problem.shared]
    tighter = Linearised(motion, observations)
    tight = np.linalg.qr(np.concatenate([tighter.data, 10 * tighter.beforehand()]), mode="r")
    expected = np.linalg.norm(
        np.linalg.solve(tight.T, np.pad(rows, ((0, 0), (0, tight.shape[0] - rows.shape[1]))).T), axis=0
    )
    ratio = np.sqrt(np.mean(errors**2, axis=0)) / expected
    assert np.all(ratio > 0.62)
    assert np.all(ratio < 1.45)
    assert np.all(predicted >= expected)


def test_information_adds_up_and_prior_is_there_without_scans() -> None:
    observations = planned(UP, DOWN)
    motion = plausible(observations, TRAVEL[:2])
    linear = Linearised(motion, observations)
    H = sum(J.T @ J for _, J in linear.problem.blocks(linear.x))
    assert linear.data.T @ linear.data == pytest.approx(H, rel=1e-6, abs=1e-6 * np.abs(H).max())
    held = np.isfinite(linear.problem.prior_sd)
    assert linear.beforehand()[np.ix_(held, held)] == pytest.approx(np.eye(int(held.sum())))
    weak = linear.beforehand(WEAK)
    assert np.all(np.linalg.eigvalsh(weak.T @ weak) < 1 + 1e-9)
    # the rate that both scans share is open, how much they may differ is not
    (place, rows), *_ = linear.problem.remembered.values()
    common, change = rows.sum(axis=0) / 2, rows[1] - rows[0]
    information = weak[place, place].T @ weak[place, place]
    prior, now = np.linalg.inv(np.eye(2)), np.linalg.inv(information)
    assert common @ now @ common > 1e5 * (common @ prior @ common)
    assert change @ now @ change == pytest.approx(change @ prior @ change, rel=0.3)


def test_more_noise_and_more_misfit_make_everything_less_sure() -> None:
    good = observability(planned(UP, DOWN), travel=TRAVEL)
    session = Session(points=128, line_period=2.0)
    noisy = [observe_planned(session.frame(20e-6, title=f, frame=f), GRID, 0.02) for f in ("up", "down")]
    worse = observability(noisy, travel=TRAVEL)
    misfit = observability(planned(UP, DOWN), travel=TRAVEL, misfit=50e-9)
    for a, b, c in zip(good.quantities, worse.quantities, misfit.quantities, strict=True):
        if a.axis < 2:
            assert b.u >= a.u * (1 - 1e-6)
            assert c.u >= a.u * (1 - 1e-6)
    # ten times the noise; what noise no longer shows, smoothness must fill in
    assert 3 < worse["bending x"].u / good["bending x"].u < 10


def test_planned_nodes_lie_one_pitch_apart_and_see_what_the_scanner_does() -> None:
    scan = raster(20e-6, 128, title="a", previous=(0.0, 0.0))
    plain = observe_planned(scan, GRID, turned=0.1)
    assert plain.size == 2 * 10 * 10
    assert np.diff(np.unique(plain.fast)) == pytest.approx(2e-6, rel=0.02)
    assert 0 not in plain.row
    turn = np.array([[np.cos(0.1), np.sin(0.1)], [-np.sin(0.1), np.cos(0.1)]])
    samples = plain.path.samples(plain.pass_index, plain.row, plain.fast)
    assert pytest.approx(turn @ samples.position / 2e-6) == plain.periods.T
    motion = plausible([plain], TRAVEL[:2])
    values = motion.rest_values.copy()
    values[0] = 1.05
    moved = observe_planned(scan, GRID, motion=motion, values=values)
    assert moved.periods[:, 0] == pytest.approx(1.05 * samples.position[0] / 2e-6)
    assert reciprocal(LINES).shape == (1, 2)
    # many periods are stood for by fewer, surer nodes
    fine = dataclasses.replace(GRID, pitch_x=Value(0.2e-6, 1e-10, "m"), pitch_y=Value(0.2e-6, 1e-10, "m"))
    few = observe_planned(raster(20e-6, 1024), fine)
    assert few.size <= 2 * 16 * 16
    assert few.covariance[0, 0, 0] == pytest.approx(0.002**2 * (16 / 100) ** 2, rel=0.05)


# --- a model ---------------------------------------------------------------------------------------


def test_a_model_tells_from_its_own_scans() -> None:
    _, model = calibrated(0, 0.06)
    found = observability_of(model)
    assert found.scans == len(model.observations)
    for name in ("scale x", "scale y", "skew", "loop x", "loop y", "bending x", "creep per decade x", "z gain"):
        assert found[name].known_by == "data", name
    assert "drift along y can't be told apart" not in said(found)
    # what both tell is the model's own uncertainty
    assert found["skew"].u == pytest.approx(model["skew"].u, rel=1e-6)
    assert found["z gain"].u == pytest.approx(model["z_gain"].u, rel=1e-6)
    for quantity in found.quantities:
        assert quantity.u <= 1.001 * quantity.u_prior
        assert quantity.u <= 1.001 * quantity.u_data


def test_lines_and_dictionary_say_the_same() -> None:
    found = told(UP)
    lines = found.lines()
    assert sum("scale x" in line for line in lines) >= 1
    assert any("beforehand" in line and "data alone" in line for line in lines)
    assert all(len(sentence) > 20 for sentence in found.confounded)
    assert [line for line in lines if line.startswith("  - ")] == [
        f"  - {sentence[0].upper()}{sentence[1:]}." for sentence in found.confounded
    ]
    content = json.loads(json.dumps(found.to_dict()))
    assert content["scans"] == 1
    assert {one["name"]: one["u"] for one in content["quantities"]}["skew"] == found["skew"].u
    assert content["confounded"][0]["sentence"] in found.confounded
    with pytest.raises(KeyError):
        found["nonsense"]


def test_scans_without_timing_or_second_pass_have_fewer_quantities() -> None:
    session = Session(points=96, line_period=None, passes=("trace",))
    scans = [observe_planned(session.frame(20e-6, title=f"{k}", rotation=k * np.pi / 2), GRID) for k in (0, 1)]
    found = observability(scans, travel=TRAVEL)
    names = {quantity.name for quantity in found.quantities}
    assert {"scale x", "skew", "bending y"} <= names
    assert not any(name.startswith(("creep", "drift", "loop")) for name in names)
    assert found["scale y"].known_by == "data"
