"""Characteristics, limits and decisions of checks with any set of scans, and the files they are kept in."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.errors import FileError, ModelError, StatisticsError
from calib.model import Model
from calib.simulate import Flat as FlatSurface
from calib.simulate import Step as Ridge
from calib.standard import Flat, Value
from calib.verification import Result, VerificationSet, load_verification, read_limits, verify, verify_all
from calib.verification.affine import conditions, values
from calib.verification.characteristic import KINDS, Characteristic
from calib.verification.collected import collect
from calib.verification.extremes import root_mean_square, without_noise
from calib.verification.limits import Limit
from calib.verification.seen import Seen
from tests.instruments import calibrated, grid, step

FLAT = Flat(name="flat", flatness=Value(2e-9, 1e-9), area=(1e-3, 1e-3))


@cache
def scans() -> tuple[Model, list]:
    """Return a model, and scans of grid, steps and flats with their standards."""
    instrument, model = calibrated(0, 0.06)
    session = instrument.session()
    session.frame(20e-6)

    def taken(surface, title: str, seed: int, frame=None):
        empty = session.frame(20e-6, line_period=0.7) if frame is None else frame
        return instrument.record(surface, empty.replace(title=title), seed).scan

    ridge = Ridge(height=100e-9, width=6e-6)
    pairs = [
        (taken(instrument.grid(), "grid", 1), grid(name="grid", u=1e-12)),
        (taken(Ridge(height=200e-9, width=6e-6), "high", 2), step(200e-9, "high", 0.3e-9)),
        (taken(Ridge(height=50e-9, width=6e-6), "low", 3), step(50e-9, "low", 0.3e-9)),
    ]
    again, plane = session.frame(20e-6, line_period=0.7), session.frame(20e-6, line_period=0.7)
    pairs += [(taken(ridge, f"step {k}", 10 + k, again), step()) for k in range(2)]
    pairs += [(taken(FlatSurface(), f"flat {k}", 20 + k, plane), FLAT) for k in range(2)]
    return model, pairs


@cache
def checked() -> VerificationSet:
    model, pairs = scans()
    return verify_all(model, pairs)


def characteristic(name: str) -> Characteristic:
    return next(one for one in checked().characteristics if one.name == name)


# --- characteristics ---------------------------------------------------------------------------------


def test_all_characteristics_are_told_with_their_uncertainty() -> None:
    assert {one.name for one in checked().characteristics} == set(KINDS)
    for one in checked().characteristics:
        assert one.u > 0
        assert np.isclose(one.u, np.sqrt(sum(u**2 for u in one.contributions.values())))
        assert 1.95 * one.u <= one.expanded.U
    assert checked().verdict == "conforms"  # flats have nothing to agree with, and stand in nobody's way
    assert any("α_x" in line and "±" in line for line in checked().summary())


@pytest.mark.parametrize("name", ["amplification_x", "amplification_y", "perpendicularity", "amplification_z"])
def test_a_good_model_leaves_no_scale_and_no_skew(name: str) -> None:
    one = characteristic(name)
    # what is left is the model's error, which it states itself, and what this check leaves unsure
    assert abs(one.value - one.nominal) < 3 * np.hypot(one.u, one.of_model)


def test_noise_is_that_of_the_instrument() -> None:
    """Subtraction method (ISO 25178-700): the virtual instrument adds 1 nm to indicated heights."""
    one = characteristic("noise")
    _, model = calibrated(0, 0.06)
    assert abs(one.value - 1e-9 * model.height.values[0]) < 3 * one.u
    assert one.u < 0.02e-9


def test_repeatability_has_as_many_degrees_of_freedom_as_scans_less_one() -> None:
    one = characteristic("repeatability")
    assert one.expanded.dof == 1
    heights = [check.results[0].measured for check in checked().checks if check.scan.startswith("step")]
    assert one.value == pytest.approx(np.std(heights, ddof=1))


def test_flatness_is_robust_to_spikes() -> None:
    model, pairs = scans()
    scan, _ = pairs[-1]
    heights = np.array(scan.height)
    heights[:, ::17, ::19] += 500e-9
    (spiked,) = (
        one
        for one in verify_all(model, [(scan.replace(channels={"height": heights}), FLAT)]).characteristics
        if one.name == "flatness"
    )
    assert abs(spiked.value - characteristic("flatness").value) < 0.5e-9
    assert spiked.contributions["certificate"] == pytest.approx(np.sqrt(2) * 1e-9)


def test_scales_and_skew_of_a_lattice_are_found_whatever_its_rotation() -> None:
    made = np.array([[1.002, 0.998 * np.sin(0.003)], [0.0, 0.998 * np.cos(0.003)]])
    for turned in (0.0, 0.3, np.pi / 2, 2.5):
        turn = np.array([[np.cos(turned), -np.sin(turned)], [np.sin(turned), np.cos(turned)]])
        known = np.array([[2e-6, 3e-6 * np.cos(1.5)], [0.0, 3e-6 * np.sin(1.5)]])
        found = values(np.linalg.inv(made @ turn @ known), np.array([2e-6, 3e-6, 1.5]))
        assert found == pytest.approx([1.002, 0.998, 0.003], abs=1e-12)


def test_conditions_say_the_centre_of_travel_in_words() -> None:
    scan = scans()[1][0][0]
    for centre, said in (((0.0, 0.0), "about the centre of travel"), ((1e-6, 0.0), "about 1 µm, 0 m")):
        seen = SimpleNamespace(scan=scan.replace(centre_x=centre[0], centre_y=centre[1]), lateral=None)
        assert said in conditions(cast(Seen, seen))


def test_noise_is_taken_off_largest_values_and_rms() -> None:
    rng = np.random.default_rng(1)
    true = np.zeros(200)
    true[7] = 5.0
    sd, nothing = np.full(200, 0.5), np.zeros((0, 200))
    found = [
        without_noise(lambda n: np.abs(n).max(axis=-1), true + 0.5 * rng.standard_normal(200), sd, nothing)
        for _ in range(40)
    ]
    assert abs(np.mean([value for value, _ in found]) - 5) < 0.25
    assert np.std([value for value, _ in found]) == pytest.approx(np.mean([p["noise"] for _, p in found]), rel=0.4)
    squares = [root_mean_square(true + 0.5 * rng.standard_normal(200), sd, nothing, 200)[0] ** 2 for _ in range(200)]
    assert np.mean(squares) == pytest.approx(np.mean(true**2), rel=0.1)


def test_the_common_certificate_makes_the_deviation_surer() -> None:
    result = Result("pitch", "m", 3.001e-6, 1e-9, 1.96e-9, 3e-6, 1e-9, 1.96e-9)
    alike = Result("pitch", "m", 3.001e-6, 1e-9, 1.96e-9, 3e-6, 1e-9, 1.96e-9, covariance=0.9e-18)
    assert alike.u_deviation < result.u_deviation
    assert abs(alike.normalised_error) > abs(result.normalised_error)
    (first, *_), *_ = (check.results for check in checked().checks)
    assert first.covariance == pytest.approx(first.u_reference**2, rel=0.05)  # the model rests on that grid alone


# --- limits ------------------------------------------------------------------------------------------


def limits_of(tmp_path: Path, text: str) -> dict[str, Limit]:
    (tmp_path / "limits.toml").write_text(text, "utf-8")
    return read_limits(tmp_path / "limits.toml")


def decide_again(limits: dict[str, Limit]) -> VerificationSet:
    return collect(checked().checks, checked().characteristics, limits)


def test_limits_decide_with_a_risk(tmp_path: Path) -> None:
    text = '[limits]\nnoise = "1.2 nm"\namplification_x = "0.2 %"\nheight = { tolerance = "5 nm" }\n'
    found = decide_again(limits_of(tmp_path, text))
    assert found.verdict == "conforms"
    by_name = {one.name: one for one in found.decisions}
    assert by_name["noise"].risk < 1e-6
    assert decide_again(limits_of(tmp_path, '[limits]\nnoise = "0.5 nm"')).verdict == "does not conform"
    unsure = decide_again(limits_of(tmp_path, '[limits]\namplification_y = "0.1 %"'))
    assert unsure.verdict == "can't be decided"
    simple = decide_again(limits_of(tmp_path, 'rule = "simple acceptance"\n[limits]\namplification_y = "0.1 %"'))
    (one,) = (one for one in simple.decisions if one.name == "amplification_y")
    assert one.verdict == "conforms"
    assert 0.05 < one.risk < 0.6


def test_a_limit_that_no_scan_tells_leaves_it_open() -> None:
    model, pairs = scans()
    found = verify_all(model, pairs[1:2], limits={"noise": Limit("noise", 1e-9)})
    assert found.verdict == "can't be decided"
    assert any("no scan tells it" in note for note in found.notes)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[limits]\nnoise = 1.0", "must be a text with a unit"),
        ('[limits]\nnoise = "1"', "has no unit"),
        ('[limits]\nnoise = "1 %"', "is no length"),
        ('[limits]\nloudness = "1 nm"', "known are amplification_x"),
        ('[limits]\nangle = ["91 deg", "89 deg"]', "below the second"),
        ('[limits]\nnoise = { tolerance = "1 nm", rule = "hope" }', "no rule 'hope'"),
        ('[limits]\nnoise = { rule = "guard band" }', "states no limit"),
        ('[limits]\nnoise = { tolerance = "1 nm", guard = -1 }', "guard is a number from 0"),
        ("rule = 'guard band'", "states no limits"),
        ("[limit]\nnoise = '1 nm'", "there is no key 'limit'"),
    ],
)
def test_bad_limits_are_refused_in_a_sentence(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(StatisticsError, match=r"limits\.toml") as refused:
        limits_of(tmp_path, text)
    assert said in str(refused.value)
    assert "\n" not in str(refused.value)


_ORDER = {"conforms": 0, "can't be decided": 1, "does not conform": 2}


@given(
    st.floats(0, 0.01),
    st.floats(0, 0.01),
    st.sampled_from(["simple acceptance", "guard band", "conformance probability", "E_n"]),
    st.sampled_from([-1, 1]),
)
def test_the_verdict_is_monotone_in_the_deviation(a: float, b: float, rule, sign: int) -> None:
    def verdict(deviation: float) -> int:
        one = Characteristic("amplification_x", 1 + sign * deviation, {"noise": 5e-4}, ("scan",), ("grid",), True)
        found = collect(checked().checks[:1], [one], {one.name: Limit(one.name, 2e-3, True, rule=rule)})
        (decided,) = (each for each in found.decisions if each.name == one.name)
        return _ORDER[decided.verdict]

    small, large = sorted((a, b))
    assert verdict(small) <= verdict(large)


# --- files -------------------------------------------------------------------------------------------


def test_files_hold_all_of_it(tmp_path: Path) -> None:
    found = decide_again(limits_of(tmp_path, '[limits]\nnoise = "1.2 nm"\nheight = ["1 nm", "1 µm"]'))
    found.save(tmp_path / "v.json")
    assert load_verification(tmp_path / "v.json").to_dict() == found.to_dict()


def test_single_checks_keep_their_keys(tmp_path: Path) -> None:
    model, pairs = scans()
    check = verify(model, *pairs[1])
    check.save(tmp_path / "v.json")
    content = json.loads((tmp_path / "v.json").read_text("utf-8"))
    assert content["results"] == content["checks"][0]["results"] == [check.results[0].to_dict()]
    loaded = load_verification(tmp_path / "v.json")
    assert loaded.checks == (check,)
    # as version 1.0 wrote them: one check, or a list of a plan's
    old = {**check.to_dict(), "version": "1.0"}
    for body in (old, [old, old]):
        (tmp_path / "old.json").write_text(json.dumps(body), "utf-8")
        assert load_verification(tmp_path / "old.json").checks[0].results == check.results


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda body: body.pop("verdict"), "damaged"),
        (lambda body: body.update(verdict="fine"), "damaged"),
        (lambda body: body["checks"][0].update(results=3), "damaged"),
        (lambda body: body["characteristics"][0].update(name="taste"), "damaged"),
        (lambda body: body.update(format="another"), "is no verification file"),
        (lambda body: body.update(version="2.0"), "newer version"),
        (lambda body: body.pop("version"), "does not say the version"),
    ],
)
def test_damaged_files_are_refused_in_a_sentence(tmp_path: Path, change, said: str) -> None:
    body = json.loads(json.dumps(checked().to_dict()))
    change(body)
    (tmp_path / "v.json").write_text(json.dumps(body), "utf-8")
    with pytest.raises((FileError, ModelError), match=said):
        load_verification(tmp_path / "v.json")
    (tmp_path / "half.json").write_text(json.dumps(body)[:500], "utf-8")
    with pytest.raises(FileError, match="it is not JSON"):
        load_verification(tmp_path / "half.json")
