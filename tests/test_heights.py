"""Bow, gain and nonlinearity of height on instruments of foreign physics: a cosine bow, a quadratic response."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from functools import cache

import numpy as np
import pytest

from calib.calibration import Scanner, calibrate
from calib.errors import ScanError
from calib.measure.step_height import straightened, true_step
from calib.model import Model
from calib.model_file import load
from calib.observe.levels import FlatObservation, observe_flat, plateaus_of_pattern
from calib.observe.step import observe_step
from calib.path import Path
from calib.scan import Scan
from calib.scanner.bow import Bow
from calib.scanner.height import Height
from calib.simulate import Flat as FlatSurface
from calib.simulate import raster
from calib.standard import Flat, Value
from tests.foreign import ForeignInstrument
from tests.instruments import TRAVEL, grid, step

FLAT = Flat(name="flat", flatness=Value(20e-9, 20e-9 / np.sqrt(3), "m"), area=(5e-3, 5e-3))
PEAK = 35e-9
FULL = 20e-6


class Raised:
    """A surface somewhere else in the z range."""

    def __init__(self, surface: Callable[[np.ndarray, np.ndarray], np.ndarray], level: float) -> None:
        self.surface, self.level = surface, level

    def __call__(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return self.surface(x, y) + self.level


def recorded(instrument: ForeignInstrument, surface: object, frame: Scan, seed: int) -> Scan:
    centre = frame.z_centre or 0.0
    scan = instrument.record(Raised(surface, centre), frame, seed)[0]  # type: ignore[arg-type]
    return scan.replace(channels={"height": scan.height - centre})


@cache
def bowed(seed: int, with_flat: bool) -> tuple[ForeignInstrument, Model]:
    instrument = ForeignInstrument(seed, loop=0.03, bow=PEAK, points=128)
    session = instrument.session()
    grids = [
        session.frame(FULL, frame="up", title="up", z_centre=0.0),
        session.frame(FULL, frame="down", title="down", z_centre=0.0),
        session.frame(FULL, rotation=np.pi / 2, frame="up", title="turned", z_centre=0.0),
        session.frame(0.6 * FULL, frame="down", title="small", z_centre=0.0),
    ]
    pairs: list[tuple[Scan, object]] = [
        (recorded(instrument, instrument.grid(), frame, k), grid()) for k, frame in enumerate(grids)
    ]
    for k, centre in enumerate((0.0, 1.2e-6, -1.2e-6)):
        frame = session.frame(FULL, frame="up", title=f"step {k}", z_centre=centre)
        pairs.append((recorded(instrument, instrument.step(), frame, 20 + k), step()))
    if with_flat:
        for k, rotation in enumerate((0.0, np.pi / 2)):
            frame = session.frame(FULL, rotation=rotation, frame="up", title=f"flat {k}", z_centre=0.0)
            pairs.append((recorded(instrument, FlatSurface(), frame, 40 + k), FLAT))
    return instrument, calibrate(pairs, scanner=Scanner(f"foreign {seed}", TRAVEL), refinements=0)


def bow_left(model: Model) -> np.ndarray:
    """What is left of the bow over the field beside a plane, m."""
    x, y = (part.ravel() for part in np.meshgrid(*[np.linspace(-FULL / 2, FULL / 2, 41)] * 2))
    true = PEAK * np.cos(1.1 * 2 * x / FULL + 0.3) * np.cos(0.9 * 2 * y / FULL)
    rest = model.height.bowed(np.stack([x, y])) - true
    plane = np.column_stack([np.ones(x.size), x / FULL, y / FULL])
    return np.asarray(rest - plane @ np.linalg.lstsq(plane, rest, rcond=None)[0])


@pytest.mark.parametrize(("seed", "with_flat"), [(40, True), (41, False)])
def test_bow_is_taken_out(seed: int, with_flat: bool) -> None:
    _, model = bowed(seed, with_flat)
    assert model.height.bow_determined
    assert not any("bow" in said for said in model.undetermined)
    left = float(bow_left(model).std())
    assert left < 1e-9
    x = np.linspace(-FULL / 2, FULL / 2, 9)
    u = model.height.bow_uncertainty(np.stack([part.ravel() for part in np.meshgrid(x, x)]))
    assert left < 3 * float(np.sqrt(np.mean(u**2)))


def test_gain_and_its_change_over_the_range() -> None:
    instrument, model = bowed(40, True)
    assert model["z_gain"].value == pytest.approx(instrument.gain_z, rel=1e-3)
    square = model["z_square"]
    assert square.value == pytest.approx(instrument.physics.curve_z, abs=4 * square.u)
    assert square.u < 0.2 * abs(instrument.physics.curve_z)


@pytest.mark.parametrize(("height", "centre"), [(100e-9, 0.0), (300e-9, 0.8e-6), (300e-9, -1.1e-6), (30e-9, 0.5e-6)])
def test_a_step_anywhere_in_the_range(height: float, centre: float) -> None:
    instrument, model = bowed(40, True)
    session = instrument.session()
    session.frame(FULL)
    frame = session.frame(0.7 * FULL, frame="up", centre=(2e-6, -2e-6), z_centre=centre, title="check")
    scan = recorded(instrument, instrument.step(height, FULL / 5), frame, 60)
    measured, parts = true_step(model, observe_step(straightened(model, scan), step(height)))
    assert measured == pytest.approx(height, abs=2e-3 * height + 0.3e-9)
    u = float(np.sqrt(sum(part**2 for part in parts.values())))
    assert abs(measured - height) < 3 * u
    assert u < 2e-3 * height + 0.3e-9


def test_corrected_heights_of_a_flat_are_flat() -> None:
    instrument, model = bowed(40, True)
    frame = instrument.session().frame(0.8 * FULL, centre=(1e-6, 1e-6), frame="down", z_centre=0.3e-6)
    corrected = model.correct(recorded(instrument, FlatSurface(), frame, 70), uncertainty=True)
    heights = corrected.height[0]
    inside = heights[8:-8, 8:-8]
    rows, columns = np.indices(inside.shape)
    design = np.column_stack([np.ones(inside.size), rows.ravel(), columns.ravel()])
    rest = inside.ravel() - design @ np.linalg.lstsq(design, inside.ravel(), rcond=None)[0]
    blocks = rest.reshape(inside.shape)[: 12 * 8, : 12 * 8].reshape(8, 12, 8, 12).mean(axis=(1, 3))
    assert float(blocks.std()) < 0.5e-9
    assert np.nanmedian(corrected.channels["u_height"]) < 5e-9


def test_a_model_with_bow_and_flats_comes_back(tmp_path: pytest.TempPathFactory) -> None:
    _, model = bowed(40, True)
    model.save(tmp_path / "model.json")  # type: ignore[operator]
    again = load(tmp_path / "model.json")  # type: ignore[operator]
    assert again.sha256 == model.sha256
    assert again.height.bow == model.height.bow
    assert again.height.bow_determined
    assert sum(isinstance(o, FlatObservation) for o in again.observations) == 2
    np.testing.assert_array_equal(again.height.values, model.height.values)


def test_what_is_known_of_a_bow_before() -> None:
    bow = Bow((20e-6, 20e-6))
    height = Height.prior(4e-6, bow)
    assert len(height.names) == len(height.units) == height.values.size == 3 + len(bow.names)
    position = np.stack([part.ravel() for part in np.meshgrid(*[np.linspace(-1e-5, 1e-5, 9)] * 2)])
    assert 10e-9 < np.sqrt(np.mean(height.bow_uncertainty(position) ** 2)) < 100e-9
    assert not height.bowed(position).any()


def test_no_plateaus_no_levels() -> None:
    instrument = ForeignInstrument(0, points=96)
    frame = instrument.session().frame(FULL)
    assert plateaus_of_pattern(instrument.record(FlatSurface(), frame)[0], grid()) is None
    blind = frame.replace(channels={"light": np.ones(frame.shape)}, units={"light": ""}, channel="light")
    assert plateaus_of_pattern(blind, grid()) is None
    with pytest.raises(ScanError, match="holds no heights"):
        observe_flat(blind, FLAT)


@pytest.mark.parametrize("angle", [0.0, 0.7, np.pi / 2])
def test_the_bow_of_a_raster_is_that_of_its_pixels(angle: float) -> None:
    height = Height.prior(4e-6, Bow((60e-6, 50e-6), (3e-6, -2e-6)))
    rng = np.random.default_rng(0)
    height = dataclasses.replace(height, values=np.concatenate([[1.0, 0, 0], rng.normal(size=len(height.names) - 3)]))
    path = Path(raster((40e-6, 30e-6), points=(31, 23), rotation=angle, centre=(5e-6, 1e-6)))
    slow, fast = height.bow_of(path)
    np.testing.assert_allclose(slow @ fast, height.bowed(path.at(*np.meshgrid(path.fast, path.slow))), atol=1e-12)
    nothing = Height.prior(4e-6).bow_of(path)
    assert not np.any(nothing[0] @ nothing[1])
