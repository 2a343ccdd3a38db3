from __future__ import annotations

import numpy as np
import pytest

from calib import load_model
from calib.model import Misfit, Model
from calib.summary import effects, lateral, position_budget, quantities
from tests.demonstration import demonstrated


@pytest.fixture(scope="module")
def model() -> Model:
    return load_model(demonstrated().folder / "model.json")


def test_numbers_are_those_of_the_model(model: Model) -> None:
    found = {quantity.name: quantity for quantity in quantities(model)}
    assert list(found) == ["scale x", "scale y", "skew", "z gain"]
    assert found["scale x"].value == pytest.approx(1.03, abs=0.005)
    assert found["skew"].value == model["skew"].value
    assert "20 µm" in found["scale x"].about
    assert found["z gain"].to_dict()["U"] == pytest.approx(2 * model["z_gain"].u)


def test_effects_are_as_large_as_the_virtual_scanner_made_them(model: Model) -> None:
    found = {quantity.name: quantity for quantity in effects(model)}
    loop = found["hysteresis x parts the passes by up to"]
    assert loop.value == pytest.approx(0.04 * 20e-6, rel=0.05)
    assert 0 < loop.u < 0.1 * loop.value
    # static bending is the same on the way back
    assert "nonlinearity x parts the passes by up to" not in found
    assert 0.5 * 0.01 * 20e-6 < found["nonlinearity x moves by up to"].value < 1.1 * 0.01 * 20e-6


def test_effects_leave_out_what_a_scale_does(model: Model) -> None:
    # a creep that only followed the command would be a scale: here it all but does
    found = {quantity.name: quantity.value for quantity in effects(model)}
    assert found["creep x moves by up to"] < 0.1 * found["creep x parts the passes by up to"]


def test_budget_adds_up(model: Model) -> None:
    budget = position_budget(model)
    *parts, together = budget.values()
    np.testing.assert_allclose(np.sqrt(np.sum(np.square(parts), axis=0)), together)
    assert np.all(np.array(list(budget.values())) > 0)
    larger = model.replace(misfit=Misfit(1e-6, model.misfit.source))
    assert position_budget(larger)["together"][0] == pytest.approx(1e-6, rel=0.01)


def test_what_no_scan_tells_is_left_out(model: Model) -> None:
    heights_only = model.replace(misfit=Misfit(4e-7, "assumed"))
    assert not lateral(heights_only)
    assert [quantity.name for quantity in quantities(heights_only)] == ["z gain"]
    assert effects(heights_only) == ()
