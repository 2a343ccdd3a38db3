"""Resampling: map and inverse against known ones, values against analytic surfaces, compiled against plain code."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.correct import true_maps
from calib.errors import CalibError, ModelError
from calib.locate import positions
from calib.path import Path
from calib.resample import ORDERS, Interpolation, gradient, invert, points_of, prepare, resample
from calib.scanner.creep import Creep
from calib.scanner.creep import _states_at_sweeps as creep_states
from calib.scanner.effect import Summed
from calib.scanner.hysteresis import Hysteresis
from calib.scanner.motion import Motion, to_true
from calib.scanner.nonlinearity import Nonlinearity
from calib.simulate import raster
from calib.true_map import CLOSE, TrueMap, map_from, map_of
from tests.test_correct import bent, model_of, with_heights

ROWS, COLUMNS = 180, 220


def bending(row: np.ndarray, column: np.ndarray) -> np.ndarray:
    """Return a smooth map with scales, skew and bending of several pixels: (fast, slow) in pixels."""
    fast = 1.01 * column + 0.02 * row + 2.5 * np.sin(column / 45) + 0.8 * np.cos(row / 60)
    slow = 0.985 * row - 0.01 * column + 2.0 * np.cos(column / 70) + 1.1 * np.sin(row / 50)
    return np.stack(np.broadcast_arrays(fast, slow))


def smooth_map() -> TrueMap:
    return map_of((ROWS, COLUMNS), lambda rows, columns: bending(rows[:, None].astype(float), columns[None, :]))


def grid() -> tuple[np.ndarray, np.ndarray]:
    return np.arange(5.0, COLUMNS - 8), np.arange(4.0, ROWS - 10)


# --- the map ---------------------------------------------------------------------------------------


def test_the_inverse_of_a_smooth_map_is_right_to_a_ten_thousandth_of_a_pixel() -> None:
    fast, slow = grid()
    where = points_of(smooth_map(), fast, slow)
    again = bending(where.row, where.column)
    assert where.unsettled == 0
    assert np.isfinite(where.row).mean() > 0.97
    assert np.nanmax(np.abs(again[0] - fast[None, :])) < 1e-4
    assert np.nanmax(np.abs(again[1] - slow[:, None])) < 1e-4


def test_at_a_kink_the_inverse_misses_by_less_than_a_quarter_of_what_the_map_turns_by() -> None:
    turn = 0.04  # the pixels lie 4 % closer from there on

    def kinked(row: np.ndarray, column: np.ndarray) -> np.ndarray:
        return np.stack(np.broadcast_arrays(column - turn * np.maximum(column - 60.4, 0), row + 0.0 * column))

    rows, columns = np.arange(80.0)[:, None], np.arange(120.0)[None, :]
    fast, slow = np.linspace(5, 110, 1700), np.arange(5.0, 70)
    where = points_of(map_from(kinked(rows, columns)), fast, slow)
    error = np.abs(kinked(where.row, where.column)[0] - fast[None, :])
    assert 0 < error.max() < turn / 4
    # and nowhere else
    assert error[:, np.abs(where.column[0] - 60.4) > 2.5].max() < 1e-9


def test_few_factors_tell_where_all_pixels_were() -> None:
    motion, values = bent()
    scan = raster(16e-6, points=160)
    for index, place in enumerate(true_maps(model_of(motion, values), scan)):
        assert place.rest is None
        assert place.left.shape[1] < 14
        true = positions(motion, values, Path(scan))[:, index]
        assert np.abs(place.lines(0, 160) - true).max() < CLOSE * 16e-6 / 159


@pytest.mark.parametrize(
    "options", [{"rotation": 0.5}, {"pattern": "serpentine", "passes": ("trace",)}, {"rotation": np.pi / 2}]
)
def test_whatever_the_raster_the_map_is_that_of_the_pixels(options: dict) -> None:
    motion, values = bent()
    scan = raster(12e-6, points=110, **options)
    (fx, fy), (sx, sy) = scan.axes
    x, y = positions(motion, values, Path(scan))
    for index, place in enumerate(true_maps(model_of(motion, values), scan)):
        true = np.stack([fx * x[index] + fy * y[index], sx * x[index] + sy * y[index]])
        assert np.abs(place.lines(0, 110) - true).max() < CLOSE * 12e-6 / 109


@pytest.mark.parametrize("along", ["fast", "slow"])
def test_a_map_that_folds_is_counted_the_same_way_by_compiled_code(along: str) -> None:
    pytest.importorskip("numba")
    rows, columns = np.meshgrid(np.arange(64.0), np.arange(64.0), indexing="ij")
    places = (columns + 9 * np.sin(columns / 3), rows) if along == "fast" else (columns, rows + 9 * np.sin(rows / 3))
    place = map_from(np.stack(places))
    levels = np.arange(5.0, 58.0)
    plain, lost = resample(place, levels, levels, [rows], compiled=False)
    fast, again = resample(place, levels, levels, [rows], compiled=True)
    assert lost == again > 100
    np.testing.assert_array_equal(np.isnan(plain[0]), np.isnan(fast[0]))


# --- the same answers --------------------------------------------------------------------------------


@pytest.mark.parametrize("interpolation", list(ORDERS))
@pytest.mark.parametrize("ratio", [(1.0, 1.0), (2.5, 1.0)])
def test_compiled_and_plain_code_give_the_same_answers(
    interpolation: Interpolation, ratio: tuple[float, float]
) -> None:
    pytest.importorskip("numba")
    rng = np.random.default_rng(3)
    images = [rng.standard_normal((ROWS, COLUMNS)) for _ in range(2)]
    images[0][40:44, 50:60] = np.nan
    images[0][90] = np.nan
    fast, slow = np.linspace(-4, COLUMNS + 3, 400), np.linspace(-4, ROWS + 3, 301)
    one, two = (
        resample(smooth_map(), fast, slow, images, interpolation=interpolation, ratio=ratio, compiled=compiled)
        for compiled in (False, True)
    )
    assert one[1] == two[1]
    for plain, compiled in zip(one[0], two[0], strict=True):
        assert 0.8 < np.isfinite(plain).mean() < 1
        # on the border between two pixels both are nearest
        differs = np.abs(plain - compiled) > 1e-12 * 5
        assert differs.sum() <= (3 if interpolation == "nearest" else 0)
        np.testing.assert_array_equal(np.isnan(plain), np.isnan(compiled))


@settings(max_examples=15, deadline=None)
@given(st.integers(2, 70), st.integers(2, 70), st.integers(0, 1000))
def test_compiled_coefficients_are_those_of_scipy(rows: int, columns: int, seed: int) -> None:
    pytest.importorskip("numba")
    from calib.interpolate_compiled import coefficients

    values = np.random.default_rng(seed).standard_normal((rows, columns))
    np.testing.assert_allclose(coefficients(values)[:, :columns], prepare(values).values, atol=1e-12)


def test_single_precision_in_gives_single_precision_out() -> None:
    scan = raster(20e-6, points=48)
    heights = np.random.default_rng(0).standard_normal(scan.shape).astype(np.float32) * np.float32(1e-9)
    corrected = model_of().correct(with_heights(scan, heights))
    assert corrected.height.dtype == np.float32
    assert corrected.height == pytest.approx(heights, abs=1e-15)


# --- exactness -----------------------------------------------------------------------------------------


def test_a_band_limited_surface_comes_back_to_a_thousandth_of_its_amplitude() -> None:
    """The shortest wavelength is 8 pixels: a wave there is damped by the spline by less."""

    def surface(fast: np.ndarray, slow: np.ndarray) -> np.ndarray:
        return np.sin(2 * np.pi * fast / 8.4 + 0.3) + np.cos(2 * np.pi * slow / 9.1) * np.sin(2 * np.pi * fast / 14)

    rows, columns = np.arange(float(ROWS))[:, None], np.arange(float(COLUMNS))[None, :]
    image = surface(*bending(rows, columns))
    fast, slow = grid()
    (found,), _ = resample(smooth_map(), fast, slow, [image])
    error = (found - surface(fast[None, :], slow[:, None]))[12:-12, 12:-12]
    assert np.isfinite(error).all()
    assert np.sqrt(np.mean(error**2)) < 1e-3
    linear = resample(smooth_map(), fast, slow, [image], interpolation="linear")[0][0]
    assert np.nanstd(linear - surface(fast[None, :], slow[:, None])) > 20 * np.std(error)


def test_plateaus_and_the_step_between_them_survive() -> None:
    image = np.where(np.arange(COLUMNS) < 110, 0.0, 100e-9) * np.ones((ROWS, 1)) + 20e-9
    fast, slow = grid()
    (found,), _ = resample(smooth_map(), fast, slow, [image])
    edge = bending(np.arange(float(ROWS))[:, None], np.full((1, 1), 109.5))[0]
    low = found[:, (fast > 20) & (fast < edge.min() - 15)]
    high = found[:, (fast > edge.max() + 15) & (fast < 200)]
    assert np.nanmean(low) == pytest.approx(20e-9, rel=1e-6)
    assert np.nanmean(high) - np.nanmean(low) == pytest.approx(100e-9, rel=1e-6)


def test_the_identity_returns_its_input_to_rounding() -> None:
    rng = np.random.default_rng(5)
    rows, columns = np.meshgrid(np.arange(130.0), np.arange(100.0), indexing="ij")
    image = rng.standard_normal(rows.shape)
    for compiled in (False, True) if _numba() else (False,):
        (found,), lost = resample(
            map_from(np.stack([columns, rows])), np.arange(100.0), np.arange(130.0), [image], compiled=compiled
        )
        assert lost == 0
        assert np.abs(found - image).max() < 1e-12 * np.abs(image).max() * 10


def test_slopes_are_those_of_the_surface() -> None:
    y, x = np.meshgrid(np.arange(120.0), np.arange(140.0), indexing="ij")
    image = np.sin(x / 4) * np.cos(y / 5)
    along_y, along_x = gradient(image, (2.0, 3.0))
    core = np.s_[15:-15, 15:-15]
    assert np.nanmax(np.abs(along_x - np.cos(x / 4) * np.cos(y / 5) / 4 / 3)[core]) < 1e-4
    assert np.nanmax(np.abs(along_y + np.sin(x / 4) * np.sin(y / 5) / 5 / 2)[core]) < 1e-4
    image[60, 70] = np.nan
    holed = gradient(image, (2.0, 3.0))
    assert np.isnan(holed).sum() == 2 * 9
    # what stands in for the missing pixel is forgotten within a few
    far = np.hypot(x - 70, y - 60) > 8
    assert np.abs(holed - np.stack([along_y, along_x]))[:, far].max() < 1e-5


def test_a_coarser_grid_does_not_fold_fine_waves_into_it() -> None:
    scan = raster(20e-6, points=200)
    pixel = 20e-6 / 199
    u, v = scan.commanded()
    wave = np.cos(2 * np.pi * u / (4.4 * pixel))  # on a grid of 4 pixels it looks like a wave of 44
    slow_wave = np.cos(2 * np.pi * v / (80 * pixel))
    for image, low, high in ((wave, 0.0, 0.02), (slow_wave, 0.65, 0.75)):
        corrected = model_of().correct(with_heights(scan, np.stack([image, image])), step=4 * pixel)
        assert corrected.fast[1] - corrected.fast[0] == pytest.approx(4 * pixel)
        assert low <= np.std(corrected.height[:, 3:-3, 3:-3]) < high
    assert np.std(wave[::4, ::4]) > 0.6


def test_missing_pixels_keep_to_themselves_on_a_coarser_grid() -> None:
    scan = raster(20e-6, points=120)
    heights = np.full(scan.shape, 3e-9)
    heights[:, 50:53, 60:66] = np.nan
    corrected = model_of().correct(with_heights(scan, heights), step=2.5 * 20e-6 / 119)
    good = np.isfinite(corrected.height)
    assert not good.all()
    assert corrected.height[good] == pytest.approx(3e-9, rel=1e-12)


def test_nearest_mixes_no_values() -> None:
    motion, values = bent()
    scan = raster(18e-6, points=100)
    labels = np.random.default_rng(1).integers(0, 9, scan.shape).astype(float)
    corrected = model_of(motion, values).correct(
        with_heights(scan, np.zeros(scan.shape), labels=labels), interpolation="nearest"
    )
    found = corrected.channels["labels"]
    assert set(np.unique(found[np.isfinite(found)])) == set(range(9))
    assert corrected.attributes["interpolation"] == "nearest"


def test_wrong_options_are_told_in_a_sentence() -> None:
    scan = with_heights(raster(20e-6, points=32), np.zeros((2, 32, 32)))
    with pytest.raises(CalibError, match="no interpolation 'quintic'"):
        model_of().correct(scan, interpolation="quintic")  # type: ignore[arg-type]
    for step in (1.0, -1e-9, 1e-18):
        with pytest.raises(ModelError, match="step"):
            model_of().correct(scan, step=step)


def test_fewer_points_than_a_kernel_are_enough() -> None:
    for shape in ((2, 2), (2, 5), (3, 2)):
        rows, columns = np.meshgrid(np.arange(float(shape[0])), np.arange(float(shape[1])), indexing="ij")
        where = invert(columns, rows, np.arange(float(shape[1])), np.arange(float(shape[0])))
        assert np.abs(where.row - rows).max() < 1e-9
        assert np.abs(where.column - columns).max() < 1e-9


# --- what makes it cheap ---------------------------------------------------------------------------


@pytest.mark.parametrize("options", [{}, {"rotation": 0.7}, {"frame": "down", "line_period": 1.0, "turnaround": 0.1}])
def test_the_sum_of_an_effect_is_that_of_its_terms(options: dict) -> None:
    motion = Motion(
        [
            Nonlinearity((20e-6, 20e-6), degree=5),
            Hysteresis((11e-6, 11e-6), cells=5),
            Creep([0.05, 1.0, 30.0, 900.0], (20e-6, 20e-6)),
        ]
    )
    assert all(isinstance(effect, Summed) for effect in motion.effects)
    values = motion.rest_values + np.random.default_rng(2).standard_normal(len(motion.names)) * 0.02
    path = Path(raster(17e-6, points=40, previous=(1e-6, 2e-6), **options))
    samples = path.lines(1, slice(None))
    values[3 : 3 + len(motion.effects[0].coefficients)] *= 1e-6
    long_way = to_true(values, motion.actuator(samples, values, motion.shared(path, samples)))
    np.testing.assert_allclose(motion.position(path, samples, values), long_way, rtol=0, atol=1e-18)


def test_slow_relaxations_are_followed_to_rounding() -> None:
    """A relaxation much slower than a line is an integral: t / tau of the mean command, and the next order."""
    path = Path(raster(10e-6, points=64, line_period=1.0, turnaround=0.1, previous=(0.0, 0.0)))
    tau = 1e7
    state = creep_states(path, 0, np.array([tau]))[:, 0]
    # one line moves out and back about zero: what is left after it is second order in the line over tau
    assert np.abs(state[::2]).max() < 10e-6 * 64 * (1.0 / tau)
    # after a sweep from -a to a the integral is zero, too; in the turn the probe is beyond a
    sweep = path.sweep_time
    half = -path.sweeps.start[0, 0]
    turn = half * 0.1 + path.speed * 0.1**2 / 6
    ramp = path.speed * sweep**3 / 12 / tau**2  # the integral of u t over a sweep
    assert state[1] == pytest.approx(turn / tau + ramp, rel=1e-5)


def _numba() -> bool:
    try:
        import numba  # noqa: F401
    except ImportError:
        return False
    return True
