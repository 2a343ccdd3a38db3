"""Effects that only some scanners have, found on scanners that have them, and left out on those that don't.

The nodes are computed from true positions, without images, by physics written here.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from calib.errors import ModelError
from calib.fit import LateralFit, fit_lateral
from calib.fitting.offered import offered_effects
from calib.observe.lateral import LateralObservation
from calib.observe.lattice import grid_reciprocal
from calib.path import Path, Samples
from calib.scan import Scan
from calib.scanner import registry
from calib.scanner.backlash import Backlash
from calib.scanner.lag import Lag
from calib.scanner.periodic import Periodic
from calib.scanner.squareness import Squareness
from calib.simulate import raster
from tests.foreign import ForeignInstrument
from tests.instruments import grid, rigid_rest

TurnedBy = Callable[[Path, Samples], np.ndarray]
QUARTER = np.pi / 2


def nodes(
    scan: Scan,
    motion: TurnedBy,
    pitch: float,
    *,
    noise: float = 2e-4,
    count: int = 24,
    angle: float = 0.03,
    plane: tuple[float, float, float] | None = None,
) -> LateralObservation:
    """Observation of a grid without an image: lattice coordinates of true positions, with noise."""
    path = Path(scan)
    path.plane = plane
    rng = np.random.default_rng(len(scan.title))
    fast = np.linspace(path.fast[1], path.fast[-2], count) + rng.uniform(-0.4, 0.4, count) * path.pixel
    row = np.unique(np.linspace(1, path.slow.size - 2, count).round().astype(np.int64))
    index, rows, places = np.meshgrid(np.arange(len(path.passes)), row, fast, indexing="ij")
    samples = path.samples(index, rows, places)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    slope = (0.0, 0.0) if plane is None else plane[1:]
    tilt = np.eye(2) + 0.5 * np.outer(slope, slope)
    periods = (grid_reciprocal(pitch, pitch, np.pi / 2) @ turn @ tilt @ motion(path, samples)).T
    size = len(periods)
    return LateralObservation(
        label=scan.title,
        path=path,
        standard=grid(pitch),
        angle=angle,
        pass_index=index.ravel(),
        row=rows.ravel(),
        fast=places.ravel(),
        periods=periods + noise * rng.standard_normal(periods.shape),
        covariance=np.broadcast_to(np.eye(2) * noise**2, (size, 2, 2)).copy(),
        slope=slope,
        contrast=1.0,
        outliers=0.0,
        started=scan.started,
    )


def found(fit: LateralFit, name: str) -> tuple[float, float]:
    k = fit.motion.names.index(name)
    return float(fit.values[k]), float(np.sqrt(fit.covariance[k, k]))


# --- a stage on motors -----------------------------------------------------------------------------

TRAVEL = 120e-3
PLAY = (25e-6, 15e-6)
TURN = 2e-3


def stage(path: Path, samples: Samples) -> np.ndarray:
    """Lost motion followed through every reversal, screws that run ahead and behind, and a bent way."""
    followed = np.empty((2, samples.size))
    along = path.sweeps.direction[samples.sweep] * (path.fast_axis @ samples.position)
    order = np.lexsort((along, samples.sweep))
    bounds = np.searchsorted(samples.sweep[order], np.arange(path.sweeps.line.size + 1))
    for axis, half in enumerate(PLAY):
        place = 0.0
        for k in range(path.sweeps.line.size):
            stops = order[bounds[k] : bounds[k + 1]]
            way = [path.sweeps.start[axis, k], *samples.position[axis, stops], path.sweeps.end[axis, k]]
            for n, command in enumerate(way):
                place = min(max(place, command - half), command + half)
                if 0 < n <= stops.size:
                    followed[axis, stops[n - 1]] = place
    x, y = followed
    x = x + 9e-6 * np.sin(2 * np.pi * x / TURN + 0.7) + 40e-6 * np.sin(2.6 * x / TRAVEL)
    y = y + 6e-6 * np.sin(2 * np.pi * y / TURN + 0.2) - 30e-6 * np.cos(4 * y / TRAVEL)
    return np.stack([1.002 * x + 0.001 * y, 0.999 * y])


@pytest.fixture(scope="module")
def staged() -> tuple[LateralFit, LateralFit]:
    """Without and with the travel per turn of the screws."""
    frames = [
        raster(TRAVEL, (2400, 600), line_period=None, title="up"),
        raster(TRAVEL, (2400, 600), line_period=None, frame="down", title="down."),
        raster(TRAVEL, (2400, 600), line_period=None, rotation=QUARTER, title="turned"),
        raster(TRAVEL / 2, (1200, 300), centre=(20e-3, 10e-3), line_period=None, title="a part"),
        raster(
            0.7 * TRAVEL, (1200, 300), rotation=QUARTER, centre=(-8e-3, 9e-3), line_period=None, title="a part, turned"
        ),
    ]
    observations = [nodes(frame, stage, 5e-3, count=20) for frame in frames]

    def fit(periods: tuple[tuple[float, ...], tuple[float, ...]], **how: object) -> LateralFit:
        return fit_lateral(observations, (TRAVEL, TRAVEL), (0, 0), degree=5, periods=periods, **how)

    known = ((TURN,), (TURN,))
    return fit(((), ()), judging=False), fit(known, before=fit(known, judging=False))


def test_backlash_and_screws_of_a_stage_are_found(staged: tuple[LateralFit, LateralFit]) -> None:
    fit = staged[1]
    for name, half in zip(("backlash_x", "backlash_y"), PLAY, strict=True):
        value, u = found(fit, name)
        assert value == pytest.approx(half, abs=3 * u + 1e-6)
        assert u < 2e-6
    for axis, size in (("x", 9e-6), ("y", 6e-6)):
        sine, cosine = (found(fit, f"periodic_{axis}_0_{part}")[0] for part in ("sin", "cos"))
        assert np.hypot(sine, cosine) == pytest.approx(size, rel=0.1)


def test_the_period_of_the_screws_is_worth_knowing(staged: tuple[LateralFit, LateralFit]) -> None:
    check = raster(0.6 * TRAVEL, (600, 300), centre=(5e-3, -8e-3), line_period=None, frame="down")
    path = Path(check)
    index, row, fast = np.meshgrid(np.arange(2), np.arange(3, 297, 14), path.fast[4:-4:14], indexing="ij")
    samples = path.samples(index, row, fast)
    errors = []
    for fit in staged:
        rest = rigid_rest(fit.motion.position(path, samples, fit.values), stage(path, samples))
        errors.append(float(np.sqrt(np.mean(np.sum(rest**2, axis=0)))))
    assert errors[1] < 0.5 * errors[0]
    assert errors[1] < 3e-6
    assert any("creep and drift" in why for why in staged[1].left_out)


# --- a microscope ----------------------------------------------------------------------------------


def session(instrument: ForeignInstrument) -> list[Scan]:
    frames, full = instrument.session(), instrument.travel
    return [
        frames.frame(full, frame="up", title="1"),
        frames.frame(full, frame="down", title="2."),
        frames.frame(full, rotation=QUARTER, frame="up", title="3.."),
        frames.frame(full, rotation=QUARTER, line_period=0.3, frame="down", title="4..."),
        frames.frame(0.7 * full, line_period=0.3, frame="down", title="5...."),
        frames.frame(0.6 * full, rotation=QUARTER, frame="up", title="6....."),
    ]


@pytest.mark.parametrize("delay", [0.0, 1.5e-3])
def test_a_lag_is_found_where_there_is_one(delay: float) -> None:
    instrument = ForeignInstrument(31, loop=0.03)

    def late(path: Path, samples: Samples) -> np.ndarray:
        before = replace(
            samples,
            position=samples.position - delay * path.velocity(samples),
            time=samples.time - delay,
            elapsed=samples.elapsed - delay,
        )
        return instrument.physics.motion(path, before, 0.0)

    fit = fit_lateral([nodes(s, late, 2e-6, count=12) for s in session(instrument)], (20e-6, 20e-6), (0, 0))
    if delay:
        for name in ("lag_x", "lag_y"):
            value, u = found(fit, name)
            assert value == pytest.approx(delay, abs=4 * u + 1e-4)
            assert u < 0.2 * delay
    else:
        assert "lag_x" not in fit.motion.names
        assert any("lag" in why for why in fit.left_out)


def tilted(lean: float) -> list[LateralObservation]:
    """Return nodes of samples that slope one way and the other, on a scanner whose z is not square to x."""
    instrument = ForeignInstrument(32, loop=0.02)

    def leaning(path: Path, samples: Samples) -> np.ndarray:
        moved = instrument.physics.motion(path, samples, 0.0)
        return moved + np.stack([lean * samples.height, np.zeros(samples.size)])

    # the same structure turned by 180 degrees slopes the other way
    tilts = (0.05, -0.05, 0.05, -0.05, -0.05, 0.05)
    return [
        nodes(scan, leaning, 2e-6, count=12, plane=(0.0, tilt, 0.3 * tilt))
        for scan, tilt in zip(session(instrument), tilts, strict=True)
    ]


def test_a_lean_of_z_is_found_from_samples_tilted_both_ways() -> None:
    value, u = found(fit_lateral(tilted(0.03), (20e-6, 20e-6), (0, 0)), "lean_x")
    assert value == pytest.approx(0.03, abs=3 * u)
    assert u < 0.3 * 0.03


def test_without_a_lean_none_is_found() -> None:
    fit = fit_lateral(tilted(0.0), (20e-6, 20e-6), (0, 0), judging=False)
    if "lean_x" in fit.motion.names:
        value, u = found(fit, "lean_x")
        assert abs(value) < 3 * u
    else:
        assert any("squareness" in why for why in fit.left_out)


def test_a_lean_can_only_be_told_from_samples_tilted_both_ways() -> None:
    level = [dataclasses.replace(o, slope=(0.0, 0.0)) for o in tilted(0.03)]
    _, left_out = offered_effects(level, (20e-6, 20e-6))
    assert any("turn one by 180 degrees" in why for why in left_out)


# --- each effect by itself -------------------------------------------------------------------------


@pytest.mark.parametrize(
    "effect",
    [
        Lag(2e-3),
        Backlash((1e-6, 2e-6), (1e-5, 1e-5)),
        Periodic(((1e-3, 2e-3), (5e-4,))),
        Squareness(0.02, 30.0),
    ],
)
def test_settings_rebuild_an_effect(effect: registry.Effect) -> None:
    path = Path(raster(20e-6, 32, previous=(0.0, 0.0), z_centre=0.0))
    path.plane = (1e-7, 0.01, -0.02)
    samples = path.samples(np.array([0, 1, 1]), np.array([3, 4, 9]), path.fast[[2, 7, 30]])
    again = registry.build(effect.name, effect.settings())
    assert [c.name for c in again.coefficients] == [c.name for c in effect.coefficients]
    np.testing.assert_array_equal(again.basis(path, samples), effect.basis(path, samples))
    np.testing.assert_array_equal(again.prior(), effect.prior())
    assert effect.basis(path, samples).shape == (len(effect.coefficients), 3)
    assert not effect.nuisances(path, samples).terms.coefficients


def test_backlash_is_the_movement_of_its_play() -> None:
    path = Path(raster(20e-6, 64, previous=(0.0, 0.0)))
    samples = path.samples(np.zeros(64, dtype=np.int64), np.full(64, 5), path.fast)
    basis = Backlash((1e-6, 1e-6), (1e-6, 1e-6)).basis(path, samples)[0]
    assert basis.min() == pytest.approx(-1)
    assert basis.max() <= 1
    # once the play is taken up the stage stays half the lost motion behind
    np.testing.assert_allclose(basis[samples.position[0] > path.fast[0] + 2.1e-6], -1)


def test_lag_needs_a_line_period() -> None:
    path = Path(raster(20e-6, 16, line_period=None))
    samples = path.samples(0, np.array([2]), path.fast[[3]])
    assert "line period" in Lag().missing(path)
    assert not Lag().basis(path, samples).any()


def test_an_unknown_effect_is_refused() -> None:
    with pytest.raises(ModelError, match="does not know"):
        registry.build("tides", {})
