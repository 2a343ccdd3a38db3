"""Parts of the covariance of a model: they add up, and each is what moving its cause does to the solution."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calib import load_model, origins
from calib.arithmetic.solve import Solution, solve
from calib.fitting.problem import Problem
from calib.heights import fit_height
from calib.measure import resolution
from calib.model import Model
from calib.observe.lateral import LateralObservation
from calib.observe.step import StepObservation
from calib.scanner.drift import Drift
from calib.scanner.height import Height
from calib.scanner.motion import Motion
from calib.scanner.nonlinearity import Nonlinearity
from calib.simulate import raster
from calib.standard import Grating, Grid, Step, Value
from calib.verification import verify
from tests.foreign import ForeignInstrument
from tests.instruments import TRAVEL, calibrated
from tests.instruments import step as step_standard
from tests.nodes import frames, observed

WARM = 298.15
CERTIFIED = Grid(
    name="grid",
    pitch_x=Value(2e-6, 1e-9),
    pitch_y=Value(2e-6, 1e-9),
    angle=Value(np.pi / 2, 1e-4, "rad"),
    thermal_expansion=Value(2e-5, 1e-5, "1/K"),
    reference_temperature=293.15,
    unevenness=Value(0.0, 0.6e-9),
    mounting=Value(0.0, 0.8e-9),
)
FREE = ("pitch_x", "pitch_y", "angle")


@cache
def seen() -> tuple[LateralObservation, ...]:
    instrument = ForeignInstrument(3, loop=0.001)
    some = [observed(instrument, frame, seed=k) for k, frame in enumerate(frames(instrument)[:4])]
    return tuple(replace(one, standard=CERTIFIED.at(WARM)) for one in some)


def solved(problem: Problem, mean: np.ndarray) -> Solution:
    return solve(problem.blocks, problem.start, prior_mean=mean, prior_sd=problem.prior_sd)


@cache
def solution() -> tuple[Problem, Solution]:
    """Of nodes that the model follows exactly, so that nothing is neglected in the normal equations."""
    motion = Motion([Nonlinearity(TRAVEL[:2], degree=3), Drift(1e-9)])
    problem = Problem(motion, seen())
    problem.set_noise(20e-9)
    x = solved(problem, np.zeros(len(problem.unknowns))).x
    x[problem.prior_sd == 1] *= 0.1
    exact = [replace(p.observation, periods=p.observation.periods - problem.residual(x, p)) for p in problem.prepared]
    problem = Problem(motion, exact)
    problem.set_noise(20e-9)
    return problem, solved(problem, np.zeros(len(problem.unknowns)))


def of_motion() -> tuple[dict[str, np.ndarray], np.ndarray]:
    problem, found = solution()
    covariance = problem.factor @ found.covariance[problem.shared, problem.shared] @ problem.factor.T
    by_origin = origins.of_lateral(problem, found, found.covariance)
    every = np.eye(len(covariance))
    return origins.split(by_origin, every, covariance, problem.motion.prior_covariance, covariance), covariance


def test_parts_add_up_to_the_covariance() -> None:
    parts, whole = of_motion()
    assert set(parts) == {
        "certificate",
        "temperature",
        "unevenness in the calibration",
        "mounting in the calibration",
        "drift in the calibration",
        "presumed of the scanner",
        "noise in the calibration",
    }
    np.testing.assert_allclose(sum(parts.values()), whole, rtol=0, atol=1e-14 * np.abs(whole).max())
    u = np.sqrt(np.diag(whole))
    for part in parts.values():
        assert np.linalg.eigvalsh(part / np.outer(u, u))[0] > -1e-9


def test_noise_is_what_the_observations_leave() -> None:
    """What is left is the scatter of the nodes alone: C JᵀJ C, from the normal equations themselves."""
    problem, found = solution()
    parts, _ = of_motion()
    normal = sum(block.hessian for block in found.normal_blocks)
    rows = problem.factor @ found.covariance[problem.shared]
    noise = rows @ normal @ rows.T
    np.testing.assert_allclose(np.diag(parts["noise in the calibration"]), np.diag(noise), rtol=1e-6)


def _moved(entries: list[int]) -> np.ndarray:
    """What the coefficients move by when what is known of some unknowns moves by its uncertainty, ``(terms, k)``."""
    problem, found = solution()
    columns = []
    for entry in entries:
        mean = np.zeros(len(problem.unknowns))
        mean[entry] = 0.01  # little enough to be linear
        columns.append(problem.factor @ (solved(problem, mean).x - found.x)[problem.shared] / 0.01)
    return np.stack(columns, axis=1)


def test_a_certificate_moves_the_solution_by_its_part() -> None:
    problem, _ = solution()
    parts, whole = of_motion()
    place = next(iter(problem.standards.values()))[1]
    moved = _moved(list(range(place.start, place.stop)))
    together = parts["certificate"] + parts["temperature"]
    u = np.sqrt(np.diag(whole))
    assert np.abs(moved @ moved.T - together)[np.ix_([0, 1, 2], [0, 1, 2])].max() < 0.02 * together[:3, :3].max()
    # scale x: a pitch that is longer by its uncertainty makes the scanner go as much further
    pitch = CERTIFIED.at(WARM).pitch_x
    assert np.sqrt(together[0, 0]) == pytest.approx(pitch.u / pitch.value, rel=0.5)
    assert u[0] > np.sqrt(together[0, 0])


def test_unevenness_and_mounting_move_the_solution_by_their_parts() -> None:
    problem, _ = solution()
    parts, _ = of_motion()
    entries = [k for k, unknown in enumerate(problem.unknowns) if unknown.name.endswith("at this place")]
    assert len(entries) == 2 * len(seen())
    moved = _moved(entries)
    uneven, mounted = parts["unevenness in the calibration"], parts["mounting in the calibration"]
    np.testing.assert_allclose(np.diag(moved @ moved.T)[:3], np.diag(uneven + mounted)[:3], rtol=0.03)
    # as 0.6 to 0.8
    np.testing.assert_allclose(np.diag(uneven)[:3] / np.diag(mounted)[:3], 0.36 / 0.64, rtol=1e-3)


def test_temperature_is_told_from_the_certificate() -> None:
    line = Grating(name="lines", pitch=Value(3e-6, 1e-9), thermal_expansion=Value(1e-5, 2e-6, "1/K"))
    warm = line.at(303.15, 0.5)
    parts = origins.of_value(warm, "pitch")
    u = warm.pitch.u
    assert sum(parts.values()) == pytest.approx(1)
    assert u**2 * parts["certificate"] == pytest.approx((1.0001 * 1e-9) ** 2)
    assert u**2 * parts["temperature"] == pytest.approx((3e-6 * 10 * 2e-6) ** 2 + (3e-6 * 1e-5 * 0.5) ** 2)
    # of a standard at an unknown temperature nothing is invented
    assert origins.of_value(line.at(None), "pitch") == {"certificate": 1.0}


def test_what_is_not_known_stays_together() -> None:
    whole = np.diag([1.0, 4.0])
    assert list(origins.split({}, np.eye(2), whole, whole, whole)) == ["calibration"]
    # of other parameters
    other = {"certificate": np.zeros((3, 1))}
    assert list(origins.split(other, np.eye(2), whole, whole, whole)) == ["calibration"]


# --- heights ---------------------------------------------------------------------------------------


def heights(change: dict[str, Any]) -> Height:
    """Height response of the usual instrument, with a step of another certificate."""
    _, model = calibrated(0, 0.06)
    kept = []
    for observation in model.observations:
        if isinstance(observation, StepObservation):
            observation = replace(observation, standard=replace(step_standard(), **change))
        kept.append(observation)
    return fit_height(kept, TRAVEL[2], (TRAVEL[:2], (0.0, 0.0)), model.motion, model.values)


def test_the_certificate_of_a_step_moves_the_gain_by_its_part() -> None:
    u = 0.3e-9
    here = heights({"height": Value(100e-9, u)})
    there = heights({"height": Value(100e-9 + 0.1 * u, u)})
    parts = here.split(np.eye(here.values.size)[0])
    assert parts["certificate"] == pytest.approx(abs(there.values[0] - here.values[0]) / 0.1, rel=0.02)
    assert parts["certificate"] == pytest.approx(here.values[0] * u / 100e-9, rel=0.02)
    assert np.sqrt(sum(part**2 for part in parts.values())) == pytest.approx(np.sqrt(here.covariance[0, 0]))


def test_an_uneven_step_tells_less_of_the_gain() -> None:
    even = heights({"height": Value(100e-9, 0.3e-9)})
    uneven = heights(
        {"height": Value(100e-9, 0.3e-9), "unevenness": Value(0.0, 0.4e-9), "mounting": Value(0.0, 0.2e-9)}
    )
    gain = np.eye(even.values.size)[0]
    parts = uneven.split(gain)
    assert parts["certificate"] == pytest.approx(even.split(gain)["certificate"], rel=0.02)
    assert parts["unevenness in the calibration"] == pytest.approx(parts["certificate"] * 4 / 3, rel=1e-3)
    assert parts["mounting in the calibration"] == pytest.approx(parts["certificate"] * 2 / 3, rel=1e-3)


# --- files -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def model() -> Model:
    """With the parts of a certificate that matters."""
    _, made = calibrated(0, 0.06)
    sure = np.sqrt(np.diag(made.covariance))[:, None]
    return made.replace(origins={**made.origins, "certificate": 0.3 * sure * np.eye(len(sure))[:, :1]})


def test_a_file_keeps_the_parts(model: Model, tmp_path: Path) -> None:
    model.save(tmp_path / "model.json")
    again = load_model(tmp_path / "model.json")
    assert again.sha256 == model.sha256
    for one, other in ((model.origins, again.origins), (model.height.origins, again.height.origins)):
        assert list(one) == list(other)
        for name, part in one.items():
            np.testing.assert_array_equal(part, other[name])


def test_an_older_file_lists_the_calibration_as_a_whole(model: Model, tmp_path: Path) -> None:
    from calib.simulate import Grating as Lines
    from tests.instruments import grating

    model.save(tmp_path / "model.json")
    content = json.loads((tmp_path / "model.json").read_text("utf-8"))
    del content["origins"], content["height"]["origins"]
    (tmp_path / "old.json").write_text(json.dumps(content), "utf-8")
    old = load_model(tmp_path / "old.json")
    instrument, _ = calibrated(0, 0.06)
    session = instrument.session()
    session.frame(20e-6)
    scan = instrument.record(Lines(pitch=3e-6, height=100e-9, theta=0.05), session.frame(20e-6, title="lines")).scan
    (told,), (whole,) = verify(model, scan, grating()).results, verify(old, scan, grating()).results
    assert whole.u == pytest.approx(told.u, rel=1e-9)
    assert "calibration" in whole.contributions
    known = [told.contributions[name] for name in told.contributions if name not in whole.contributions]
    assert whole.contributions["calibration"] == pytest.approx(np.sqrt(sum(u**2 for u in known)), rel=1e-9)
    assert told.contributions["certificate"] > 0


def test_damaged_parts_are_refused(model: Model, tmp_path: Path) -> None:
    from calib.errors import FileError

    model.save(tmp_path / "model.json")
    content = json.loads((tmp_path / "model.json").read_text("utf-8"))
    content["origins"]["certificate"] = [[1.0, 2.0]]
    (tmp_path / "model.json").write_text(json.dumps(content), "utf-8")
    with pytest.raises(FileError, match="parts of its covariance"):
        load_model(tmp_path / "model.json")


def test_the_reference_of_a_check_is_listed_apart_too() -> None:
    from calib.simulate import Step as Ridge

    instrument, made = calibrated(0, 0.06)
    session = instrument.session()
    session.frame(20e-6)
    scan = instrument.record(Ridge(height=100e-9, width=6e-6), session.frame(20e-6, title="step")).scan
    certified = Step(name="other", height=Value(100e-9, 0.2e-9), thermal_expansion=Value(1e-3, 3e-4, "1/K"))
    (result,) = verify(made, scan.replace(temperature=298.15), certified).results
    parts = result.reference_contributions
    assert parts["temperature"] == pytest.approx(100e-9 * 5 * 3e-4, rel=1e-6)
    assert parts["certificate"] == pytest.approx(1.005 * 0.2e-9, rel=1e-6)
    assert np.hypot(*parts.values()) == pytest.approx(result.u_reference)


# --- resolution ------------------------------------------------------------------------------------


@pytest.mark.parametrize("noise", [0.0, 0.05, 0.1, 0.2, 0.3, 0.5, 0.8])
def test_resolution_of_a_mean(noise: float) -> None:
    """Against the error of means of rounded numbers, of any value between two steps."""
    q, bottom = 1e-9, 0.3
    rng = np.random.default_rng(5)
    levels = (np.arange(40) + 0.5) / 40
    rounded = np.rint(levels[:, None] + noise * rng.standard_normal((40, 100_000)))
    rms = float(np.sqrt(np.mean((rounded.mean(axis=1) - levels) ** 2)))
    # plateaus one and two steps higher, so that there is a step to be seen
    exact = bottom + np.repeat([0.0, 1.0, 3.0], [48, 40, 40])
    heights = q * np.rint(exact + noise * rng.standard_normal((1, 128, 128)))
    scan = raster(10e-6, points=128, passes=("trace",)).replace(channels={"height": heights}, channel="height")
    assert resolution.of_height(scan) == pytest.approx(q / np.sqrt(12), rel=1e-6)
    found = resolution.of_mean(scan) / q
    assert found > rms or rms < 5e-3
    assert (found == 0) == (noise >= 0.5)


def test_heights_without_a_step_have_no_resolution() -> None:
    heights = 1e-9 * np.random.default_rng(1).standard_normal((1, 64, 64))
    scan = raster(10e-6, points=64, passes=("trace",)).replace(channels={"height": heights}, channel="height")
    assert resolution.of_height(scan) == 0
    assert resolution.of_mean(scan) == 0
