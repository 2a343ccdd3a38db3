"""Correction: the identity gives back its input, a distortion gives back the surface, no-data stays no-data."""

from __future__ import annotations

import numpy as np
import pytest

from calib.errors import ModelError
from calib.model import Domain, Misfit, Model
from calib.path import Path
from calib.resample import invert, sample
from calib.scan import Scan
from calib.scanner.height import Height
from calib.scanner.hysteresis import Hysteresis
from calib.scanner.motion import Motion
from calib.scanner.nonlinearity import Nonlinearity
from calib.simulate import raster
from tests.instruments import calibrated

TRAVEL = (20e-6, 20e-6)


def model_of(motion: Motion | None = None, values: np.ndarray | None = None, gain: float = 1.0) -> Model:
    motion = motion or Motion([])
    return Model(
        scanner="bench",
        travel=(20e-6, 20e-6, 4e-6),
        travel_from="declared",
        controller={"range": "full"},
        motion=motion,
        values=motion.rest_values if values is None else values,
        covariance=1e-6 * motion.prior_covariance,
        height=Height(np.array([gain, 0.0, 0.0]), np.diag([1e-6, 0, 0]), 4e-6, True),
        misfit=Misfit(5e-9, "left-out scans"),
        domain=Domain(area=(-10.2e-6, 10.2e-6, -10.2e-6, 10.2e-6), sizes=(5e-6, 20e-6), speeds=(1e-6, 400e-6)),
        quality={},
        undetermined=(),
        notes=(),
        observations=(),
        provenance={},
    )


def bent() -> tuple[Motion, np.ndarray]:
    """Return a motion with scales, skew, bending and loops."""
    motion = Motion([Nonlinearity(TRAVEL, degree=3), Hysteresis((11e-6, 11e-6), cells=4)])
    values = motion.rest_values.copy()
    values[:3] = 1.03, 0.98, np.deg2rad(1.3)
    values[motion.names.index("nonlinearity_x_2_0")] = 0.15e-6
    values[motion.names.index("nonlinearity_y_1_1")] = 0.1e-6
    for name in motion.names:
        if name.startswith("hysteresis"):
            values[motion.names.index(name)] = 0.04
    return motion, values


def with_heights(scan: Scan, heights: np.ndarray, **channels: np.ndarray) -> Scan:
    return scan.replace(channels={"height": heights, **channels}, scanner="bench", controller={"range": "full"})


def surface(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return a band-limited surface whose shortest wavelength is 1.1 µm."""
    return 40e-9 * np.sin(2 * np.pi * x / 1.3e-6 + 0.4) * np.cos(2 * np.pi * y / 2.1e-6) + 25e-9 * np.sin(
        2 * np.pi * (x + y) / 1.6e-6
    )


def test_the_identity_returns_its_input() -> None:
    scan = raster(20e-6, points=64)
    rng = np.random.default_rng(0)
    scan = with_heights(scan, rng.standard_normal(scan.shape) * 1e-9)
    corrected = model_of().correct(scan)
    assert corrected.shape == scan.shape
    assert corrected.fast == pytest.approx(scan.fast, abs=1e-15)
    assert corrected.height == pytest.approx(scan.height, abs=1e-20)


def test_a_known_distortion_gives_back_the_surface() -> None:
    motion, values = bent()
    scan = raster(20e-6, points=256)
    path = Path(scan)
    x, y = np.stack([motion.position(path, path.lines(k, slice(None)), values) for k in (0, 1)], axis=1)
    scan = with_heights(scan, surface(x, y).reshape(scan.shape))
    corrected = model_of(motion, values).correct(scan)
    gx, gy = corrected.commanded()
    true = surface(gx, gy)
    inside = np.isfinite(corrected.height)
    assert inside.mean() > 0.9
    # all but the border of a few pixels, where a spline knows one side only, and the first line, which goes its own way
    margin = 16
    core = np.zeros_like(inside)
    core[:, margin:-margin, margin:-margin] = True
    error = (corrected.height - true)[inside & core]
    assert np.sqrt(np.mean(error**2)) < 1e-3 * 40e-9
    raw = scan.height - surface(*scan.commanded())
    assert np.sqrt(np.mean(raw**2)) > 100 * np.sqrt(np.mean(error**2))


def test_lines_of_a_serpentine_that_lie_apart_give_back_the_surface() -> None:
    motion, values = bent()
    scan = raster(20e-6, points=256, passes=("trace",), pattern="serpentine")
    path = Path(scan)
    x, y = motion.position(path, path.lines(0, slice(None)), values)
    scan = with_heights(scan, surface(x, y).reshape(scan.shape))
    lines = x.reshape(256, 256)
    assert np.abs(lines[1:-1] - (lines[2:] + lines[:-2]) / 2).max() > 2 * 20e-6 / 255  # they are pixels apart
    corrected = model_of(motion, values).correct(scan)
    error = (corrected.height - surface(*corrected.commanded()))[:, 16:-16, 16:-16]
    assert np.isfinite(error).mean() > 0.9
    assert np.sqrt(np.nanmean(error**2)) < 1e-3 * 40e-9


def test_both_passes_and_all_channels_come_on_one_grid() -> None:
    motion, values = bent()
    scan = with_heights(raster(20e-6, points=96), np.zeros((2, 96, 96)), friction=np.ones((2, 96, 96)))
    corrected = model_of(motion, values, gain=0.96).correct(scan, uncertainty=True)
    assert corrected.passes == ("trace", "retrace")
    assert set(corrected.channels) == {"height", "friction", "u_x", "u_y", "u_height"}
    assert corrected.units["u_x"] == "m"
    good = np.isfinite(corrected.channels["friction"])
    assert corrected.channels["friction"][good] == pytest.approx(1.0)
    assert corrected.frame_of_reference == "true"
    assert corrected.attributes["model_sha256"] == model_of(motion, values, gain=0.96).sha256


def test_heights_get_the_gain() -> None:
    scan = raster(20e-6, points=32)
    scan = with_heights(scan, np.full(scan.shape, 100e-9))
    assert np.nanmax(model_of(gain=0.96).correct(scan).height) == pytest.approx(96e-9)


def test_a_corrected_scan_is_not_corrected_twice() -> None:
    scan = with_heights(raster(20e-6, points=32), np.zeros((2, 32, 32)))
    once = model_of().correct(scan)
    with pytest.raises(ModelError, match="corrected already"):
        model_of().correct(once)


def test_missing_pixels_never_leak_and_never_grow() -> None:
    motion, values = bent()
    heights = np.zeros((2, 128, 128))
    heights[0, 60:63, 40:44] = np.nan
    scan = with_heights(raster(20e-6, points=128), heights)
    corrected = model_of(motion, values).correct(scan)
    whole = model_of(motion, values).correct(scan.replace(channels={"height": np.zeros((2, 128, 128))}))
    lost = np.isnan(corrected.height) & np.isfinite(whole.height)
    assert not lost[1].any()
    assert 12 <= lost[0].sum() <= 5 * 6
    assert np.all(corrected.height[np.isfinite(corrected.height)] == 0)


def test_an_inverse_that_does_not_settle_is_counted() -> None:
    rows, columns = np.meshgrid(np.arange(64.0), np.arange(64.0), indexing="ij")
    folded = columns + 9 * np.sin(columns / 3)
    where = invert(folded, rows, np.arange(5.0, 58.0), np.arange(5.0, 58.0))
    assert where.unsettled > 100
    assert np.isnan(sample(rows, where)).sum() >= where.unsettled


def test_the_inverse_is_right_to_a_ten_thousandth_of_a_pixel() -> None:
    rows, columns = np.meshgrid(np.arange(128.0), np.arange(128.0), indexing="ij")
    fast = columns + 2 * np.sin(columns / 40) + 0.02 * rows
    slow = 0.97 * rows + 1.5 * np.cos(columns / 60)
    where = invert(fast, slow, np.arange(10.0, 110.0), np.arange(10.0, 110.0))
    c, r = where.column, where.row
    again_fast = c + 2 * np.sin(c / 40) + 0.02 * r
    again_slow = 0.97 * r + 1.5 * np.cos(c / 60)
    assert np.nanmax(np.abs(again_fast - np.arange(10.0, 110.0)[None, :])) < 1e-3
    assert np.nanmax(np.abs(again_slow - np.arange(10.0, 110.0)[:, None])) < 1e-3
    assert where.unsettled == 0


def test_another_scanner_and_other_settings_are_refused() -> None:
    scan = with_heights(raster(20e-6, points=32), np.zeros((2, 32, 32)))
    with pytest.raises(ModelError, match="take the model of that scanner"):
        model_of().correct(scan.replace(scanner="another"))
    with pytest.raises(ModelError, match="other controller settings"):
        model_of().correct(scan.replace(controller={"range": "half"}))
    notes = model_of().check(scan.replace(scanner="another"), any_scanner=True)
    assert any("as asked" in note for note in notes)


def test_what_lies_outside_the_domain_is_said() -> None:
    scan = with_heights(raster(20e-6, points=32, centre=(4e-6, 0.0)), np.zeros((2, 32, 32)))
    assert any("beyond the calibrated area" in note for note in model_of().check(scan))
    small = with_heights(raster(2e-6, points=32), np.zeros((2, 32, 32)))
    assert any("smaller than the smallest" in note for note in model_of().check(small))


def test_uncertainty_grows_from_the_centre_and_beyond_the_domain() -> None:
    _, model = calibrated(0, 0.06)
    inside = model.locate(raster(16e-6, points=64, scanner="foreign 0"))
    middle, corner = inside.u_x[0, 32, 32], inside.u_x[0, 4, 4]
    assert 0 < middle < corner
    tiny = model.locate(raster(3e-6, points=64, scanner="foreign 0", centre=(7e-6, 7e-6)))
    assert np.nanmax(tiny.u_x) > 0
    assert any("smaller" in note for note in tiny.notes)


def test_scale_at_named_conditions_grows_with_size() -> None:
    """Loops make a large scan longer; its scale is the mean slope of where the pixels truly were."""
    instrument, model = calibrated(0, 0.06)
    for size in (20e-6, 12e-6):
        scan = raster(size, points=64, line_period=1.0, previous=(0.0, 0.0), scanner="foreign 0")
        true = instrument.true_positions(scan)
        u = scan.commanded()[0]
        slope = np.polyfit(np.broadcast_to(u, true[0].shape)[:, 8:].ravel(), true[0][:, 8:].ravel(), 1)[0]
        value, sd = model.scale(0, size, line_period=1.0)
        assert value == pytest.approx(slope, abs=max(3 * sd, 3e-3))
