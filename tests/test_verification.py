"""Verdicts: what they rest on, what they say, and that they move the right way."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.errors import ModelError, OutputExistsError, ScanError
from calib.measure.lattice_fit import quantities
from calib.simulate import Grating, Step, raster
from calib.simulate import Grid as GridSurface
from calib.verification import Result, verify
from tests.instruments import calibrated, grating, grid, step

U_PITCH = 1e-9


def scan_for(surface, **options):
    instrument, model = calibrated(0, 0.06)
    session = instrument.session()
    session.frame(20e-6)
    return instrument.record(surface, session.frame(20e-6, line_period=0.7, **options)).scan, model


def test_derivatives_of_pitch_and_angle() -> None:
    f = np.array([[0.5e6, 0.03e6], [-0.02e6, 0.49e6]])
    values, by = quantities(f)
    for i in range(2):
        for j in range(2):
            change = np.zeros((2, 2))
            change[i, j] = 1e-7 * 0.5e6
            high, low = quantities(f + change)[0], quantities(f - change)[0]
            assert (high - low) / (2 * change[i, j]) == pytest.approx(by[:, i, j], rel=1e-5, abs=1e-16)
    assert values[2] == pytest.approx(np.pi / 2 + (0.03 / 0.5 - 0.02 / 0.49), abs=2e-3)


def test_a_grid_gives_both_pitches_and_the_angle() -> None:
    surface = GridSurface(pitch_x=2.5e-6, pitch_y=2.5e-6, height=100e-9, theta=0.05)
    scan, model = scan_for(surface, title="other grid")
    check = verify(model, scan, grid(2.5e-6, name="other", u=U_PITCH))
    assert [result.name for result in check.results] == ["pitch_x", "pitch_y", "angle"]
    assert check.independent
    for result in check.results[:2]:
        assert abs(result.deviation) < 2e-3 * 2.5e-6
    assert abs(np.rad2deg(check.results[2].deviation)) < 0.1
    assert check.verdict == "conforms"
    text = "\n".join(check.summary())
    assert "blind to shift and rotation" in text
    assert "E_n" in text


def test_a_wrong_standard_does_not_conform() -> None:
    surface = Grating(pitch=3.0e-6, height=100e-9, theta=0.05)
    scan, model = scan_for(surface, title="lines")
    check = verify(model, scan, grating(3.06e-6, name="wrong", u=U_PITCH))
    assert check.verdict == "does not conform"
    assert check.results[0].normalised_error < -1


def test_a_standard_of_the_calibration_is_not_independent() -> None:
    scan, model = scan_for(Step(height=100e-9, width=5e-6), title="step again")
    check = verify(model, scan, step())
    assert not check.independent
    assert any("not independent" in line for line in check.summary())


def test_an_undetermined_gain_decides_nothing() -> None:
    scan, model = scan_for(Step(height=100e-9, width=5e-6), title="step")
    blind = model.replace(height=type(model.height).prior(4e-6))
    check = verify(blind, scan, step())
    assert check.verdict == "can't be decided"


def test_another_scanner_is_refused() -> None:
    scan, model = scan_for(Step(height=100e-9, width=5e-6), title="step")
    with pytest.raises(ModelError, match="scanner"):
        verify(model, scan.replace(scanner="another"), step())


def test_it_is_written_once(tmp_path) -> None:
    scan, model = scan_for(Step(height=100e-9, width=5e-6), title="step")
    check = verify(model, scan, step())
    path = tmp_path / "check.json"
    check.save(path)
    content = json.loads(path.read_text("utf-8"))
    assert content["verdict"] == check.verdict
    assert content["model_sha256"] == model.sha256
    with pytest.raises(OutputExistsError):
        check.save(path)


def test_contributions_make_up_the_uncertainty() -> None:
    scan, model = scan_for(Grating(pitch=3.0e-6, height=100e-9, theta=0.05), title="lines")
    result = verify(model, scan, grating(u=U_PITCH)).results[0]
    assert result.u == pytest.approx(np.sqrt(sum(u**2 for u in result.contributions.values())))
    assert {"noise", "noise in the calibration", "certificate", "drift", "model error"} <= set(result.contributions)
    # the size of the model's error is known from a few scans only, so that k is more than 1.96
    assert 1.96 * result.u < result.U < 2.4 * result.u
    budget = result.budget()
    assert (budget.value, budget.u, budget.unit) == (result.measured, pytest.approx(result.u), "m")
    assert pytest.approx(result.U) == budget.expanded(0.95).U
    assert result.to_dict()["budget"] == budget.to_dict()


@given(st.floats(0, 1e-8), st.floats(0, 1e-8))
def test_the_verdict_is_monotone_in_the_deviation(a: float, b: float) -> None:
    small, large = sorted((a, b))

    def result(deviation: float) -> Result:
        return Result("pitch", "m", 3e-6 + deviation, 1e-9, 1.96e-9, 3e-6, 1e-9, 1.96e-9)

    assert abs(result(small).normalised_error) <= abs(result(large).normalised_error)
    assert result(small).conforms or not result(large).conforms


def test_an_empty_scan_is_refused() -> None:
    _, model = calibrated(0, 0.06)
    with pytest.raises(ScanError):
        verify(model, raster(20e-6, points=64, scanner="foreign 0"), grating())
