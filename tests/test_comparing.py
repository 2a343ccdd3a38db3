"""Two models against each other, and the reference frames on which models are evaluated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calib.comparing import common_conditions, compare
from calib.errors import ModelError
from calib.frames import lattice, line_period, middle, middle_speed, reference_frame
from calib.model import Model
from calib.path import Path
from tests.instruments import calibrated

SIZE, POINTS = 10e-6, 64


def stretched(model: Model, by: float) -> Model:
    """Return a model whose true x is longer."""
    values = model.values.copy()
    values[0] *= 1 + by
    return model.replace(values=values)


@pytest.mark.parametrize("turn", [0.0, 0.05, 0.2])
def test_frame_is_scanned_at_the_speed_that_was_asked_for(turn: float) -> None:
    period = line_period(SIZE, 20e-6, turn)
    path = Path(reference_frame(SIZE, POINTS, line_period=period, turn=turn))
    assert path.speed == pytest.approx(20e-6 * POINTS / (POINTS - 1), rel=1e-12)  # from edge to edge of the pixels
    assert path.line_period == pytest.approx(2 * (path.sweep_time + path.turnaround))


def test_frame_lies_where_it_was_asked_for() -> None:
    path = Path(reference_frame(SIZE, POINTS, centre=(1e-6, -2e-6), rotation=np.pi / 2))
    assert not path.timed
    assert path.rest == (1e-6, -2e-6)
    samples, shape = lattice(path, [0, POINTS - 1], [0, 10, POINTS - 1])
    assert shape == (2, 2, 3)
    u, v = samples.position.reshape(2, *shape)
    # the fast axis is y, and the slow axis is -x
    assert v[:, :, 0] == pytest.approx(-2e-6 - SIZE / 2)
    assert v[:, :, 2] == pytest.approx(-2e-6 + SIZE / 2)
    assert u[:, 0] == pytest.approx(1e-6 + SIZE / 2)
    assert u[:, 1] == pytest.approx(1e-6 - SIZE / 2)


def test_a_model_does_not_differ_from_itself() -> None:
    _, model = calibrated(0, 0.06)
    found = compare(model, model, common_conditions(model, model))
    assert found.agree
    assert found.rms == pytest.approx(0, abs=1e-9)
    assert found.sizes[0] == pytest.approx(0, abs=1e-18)
    assert all((frame.u > 0).all() for frame in found.frames)


def test_difference_is_that_of_the_scales_and_as_unsure_as_both_models() -> None:
    _, model = calibrated(0, 0.06)
    conditions = common_conditions(model)[:1]
    found = compare(model, stretched(model, 0.01), conditions)
    frame = found.frames[0]
    x = frame.position[0].ravel() - frame.position[0].mean()
    assert np.polyfit(x, frame.difference[0].ravel(), 1)[0] == pytest.approx(-0.01 * model.values[0], rel=0.1)
    assert not found.agree
    back = compare(stretched(model, 0.01), model, conditions)
    np.testing.assert_allclose(back.frames[0].difference, -frame.difference, rtol=1e-9, atol=1e-18)
    # one of the models as sure as can be: half the variance is left
    sure = model.replace(covariance=0 * model.covariance, misfit=replace(model.misfit, lateral=0.0, scans=()))
    half = compare(model, sure, conditions).frames[0]
    both = compare(model, model, conditions).frames[0]
    np.testing.assert_allclose(half.u, both.u / np.sqrt(2), rtol=1e-6)


def test_models_are_compared_within_what_both_have_seen() -> None:
    _, model = calibrated(0, 0.06)
    low_x, high_x, low_y, high_y = model.domain.area
    slow, fast = model.domain.speeds
    corner = (low_x, (low_x + high_x) / 2, (low_y + high_y) / 2, high_y)
    other = model.replace(domain=replace(model.domain, area=corner, speeds=(slow, slow)))
    for condition in common_conditions(model, other):
        u, v = condition.samples.position
        assert corner[0] - 1e-12 <= u.min() < u.max() <= corner[1] + 1e-12
        assert corner[2] - 1e-12 <= v.min() < v.max() <= corner[3] + 1e-12
        assert condition.path.centre == pytest.approx(middle(corner))
        assert condition.path.speed == pytest.approx(slow, rel=0.02)
    # of speeds that have nothing in common, the middle of the gap
    faster = model.replace(domain=replace(model.domain, speeds=(4 * fast, 9 * fast)))
    assert common_conditions(model, faster)[0].path.speed == pytest.approx(2 * fast, rel=0.02)
    untimed = model.replace(domain=replace(model.domain, speeds=None))
    assert middle_speed(untimed.domain) is None
    assert not common_conditions(model, untimed)[0].path.timed


def test_models_that_cannot_be_compared_are_refused() -> None:
    _, model = calibrated(0, 0.06)
    _, high_x, low_y, high_y = model.domain.area
    elsewhere = replace(model.domain, area=(high_x + 1e-6, 2 * high_x, low_y, high_y))
    with pytest.raises(ModelError, match="do not overlap"):
        common_conditions(model, model.replace(domain=elsewhere))
    with pytest.raises(ModelError, match="grating or grid"):
        common_conditions(model, model.replace(observations=()))
