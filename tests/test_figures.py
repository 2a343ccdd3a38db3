"""Figures: that they show what they claim, and can be drawn of any model."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from calib.calibration import calibrate
from calib.errors import FileError, OutputExistsError
from calib.fit import fit_lateral
from calib.fitting.residuals import residuals
from calib.observe.lateral import LateralObservation
from calib.report.figures import correction_figure, field_figure, model_figure, residual_figure
from calib.report.style import save_figure, unit_for
from calib.simulate import Flaws, Grid, Step, raster, record
from tests.instruments import TRAVEL, calibrated, grid, step


def words(figure) -> str:
    import matplotlib.text

    return "\n".join(text.get_text() for text in figure.findobj(matplotlib.text.Text))


def test_residuals_are_those_of_the_fit() -> None:
    """They are found again from the model alone, though poses, drift and the like are not part of it."""
    _, model = calibrated(0, 0.06)
    lateral = [observation for observation in model.observations if isinstance(observation, LateralObservation)]
    fit = fit_lateral(lateral, TRAVEL[:2], (0.0, 0.0), degree=model.quality["degree"], judging=False)
    made = model.replace(motion=fit.motion, values=fit.values, quality={"misfit": fit.misfit})
    left = residuals(made)
    assert [part.label for part in left] == list(model.misfit.by_scan)
    for part, prepared in zip(left, fit.problem.prepared, strict=True):
        expected = fit.problem.residual(fit.solution.x, prepared) * 2e-6
        np.testing.assert_allclose(part.along, expected, atol=0.01 * part.rms)
    worse = made.replace(values=made.values + np.eye(made.values.size)[3] * 1e-7)
    assert np.mean([part.rms for part in residuals(worse)]) > 3 * np.mean([part.rms for part in left])


def test_a_residual_points_where_the_feature_is_seen() -> None:
    """A node moved by hand shows that displacement, in the direction in which it was moved."""
    _, model = calibrated(0, 0.06)
    first = next(observation for observation in model.observations if isinstance(observation, LateralObservation))
    node, by = first.size // 2, np.array([40e-9, -25e-9])
    periods = first.periods.copy()
    direction = residuals(model)[0].vectors[:, node]
    c, s = np.cos(first.angle), np.sin(first.angle)
    periods[node] += np.array([[c, s], [-s, c]]) @ by / 2e-6
    moved = model.replace(observations=(dataclasses.replace(first, periods=periods), *model.observations[1:]))
    np.testing.assert_allclose(residuals(moved)[0].vectors[:, node] - direction, by, atol=3e-9)


def test_a_model_is_drawn_with_its_numbers(tmp_path) -> None:
    _, model = calibrated(0, 0.06)
    figure = model_figure(model)
    said = words(figure)
    for sentence in (*model.misfit.by_scan, "µm", "nm", "rms", "skew", "is left out", "trace"):
        assert sentence in said
    for ending in ("png", "svg", "pdf"):
        path = tmp_path / f"model.{ending}"
        save_figure(figure, path)
        assert path.stat().st_size > 10_000
    assert "skew" in (tmp_path / "model.svg").read_text("utf-8")
    with pytest.raises(OutputExistsError):
        save_figure(figure, tmp_path / "model.png")
    with pytest.raises(FileError, match="kind of picture"):
        save_figure(figure, tmp_path / "model.xyz")
    assert field_figure(model).axes
    assert len(residual_figure(model).axes) >= 7


def test_models_of_steps_alone_and_of_one_pass_can_be_drawn() -> None:
    def exact(path, samples):
        return samples.position

    rise = record(
        Step(height=100e-9, width=6e-6), exact, raster(20e-6, points=96, line_period=None), flaws=Flaws(noise=1e-9)
    ).scan
    only_steps = calibrate([(rise, step())])
    assert "no grating or grid" in words(model_figure(only_steps))
    single = record(
        Grid(pitch_x=2e-6, pitch_y=2e-6, height=1e-7, theta=0.04),
        exact,
        raster(20e-6, points=128, passes=("trace",), line_period=None),
        flaws=Flaws(noise=1e-9),
    ).scan
    assert "one pass only" in words(model_figure(calibrate([(single, grid())])))


def test_a_correction_is_drawn_at_the_same_place() -> None:
    instrument, model = calibrated(0, 0.06)
    scan = instrument.standard_session(step=False)[0].scan
    figure = correction_figure(scan, model.correct(scan))
    said = words(figure)
    for sentence in ("as recorded", "corrected", "difference at the same place", "fast axis (µm)", "height (nm)"):
        assert sentence in said
    assert not figure.axes[0].yaxis_inverted()


def test_units_are_easily_read() -> None:
    assert unit_for(20e-6) == (1e-6, "µm")
    assert unit_for(0.12) == (1e-3, "mm")
    assert unit_for(1.5e-6) == (1e-9, "nm")
