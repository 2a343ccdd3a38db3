"""What is read off images: against the truth of virtual scans, bounds of estimation theory, and published geometry."""

from __future__ import annotations

import numpy as np
import pytest

from calib.errors import ScanError
from calib.observe.lateral import observe_lateral
from calib.observe.step import observe_step
from calib.observe.template import Template
from calib.scan import Scan
from calib.simulate import Flat, Flaws, Grating, Grid, Lit, Step, raster, record
from tests import instruments

NOISE = Flaws(noise=1e-9)


def exact(path, samples):
    return samples.position


def scan_of(surface, *, points=192, size=20e-6, flaws=NOISE, seed=0, motion=exact, **options) -> Scan:
    channel = options.pop("channel", "height")
    unit = options.pop("unit", "m")
    empty = raster(size, points=points, **options)
    return record(surface, motion, empty, flaws=flaws, seed=seed, channel=channel, unit=unit).scan


def lattice_of(observation) -> np.ndarray:
    """Reciprocal vectors that fit the nodes, in scanner axes; shape (m, 2)."""
    path = observation.path
    samples = path.samples(observation.pass_index, observation.row, observation.fast)
    design = np.column_stack([samples.position.T, np.ones(observation.size)])
    return np.linalg.lstsq(design, observation.periods, rcond=None)[0][:2].T


# --- gratings and grids -----------------------------------------------------------------------------


@pytest.mark.parametrize("degrees", [0.0, 17.0, 45.0, 74.0, 90.0, 133.0])
@pytest.mark.parametrize("rotation", [0.0, 90.0])
def test_gratings_of_any_orientation(degrees: float, rotation: float) -> None:
    surface = Grating(pitch=2e-6, height=100e-9, theta=np.deg2rad(degrees))
    found = observe_lateral(scan_of(surface, rotation=np.deg2rad(rotation)), instruments.grating(2e-6))
    f = lattice_of(found)[0]
    assert 1 / np.linalg.norm(f) == pytest.approx(2e-6, rel=2e-4)
    angle = np.rad2deg(np.arctan2(f[1], f[0]))
    assert (angle - degrees + 90) % 180 - 90 == pytest.approx(0, abs=0.02)


@pytest.mark.parametrize("degrees", [-30.0, 0.0, 8.0, 40.0])
def test_grids_of_any_rotation(degrees: float) -> None:
    surface = Grid(pitch_x=2e-6, pitch_y=2e-6, height=100e-9, theta=np.deg2rad(degrees))
    found = observe_lateral(scan_of(surface), instruments.grid())
    vectors = np.linalg.inv(lattice_of(found))
    assert np.linalg.norm(vectors, axis=0) == pytest.approx([2e-6, 2e-6], rel=2e-4)
    assert np.rad2deg(np.arctan2(vectors[1, 0], vectors[0, 0])) == pytest.approx(degrees, abs=0.02)
    assert np.rad2deg(found.angle) == pytest.approx(degrees, abs=0.5)


def test_an_oblique_lattice_is_told_by_its_vectors_not_its_rows() -> None:
    surface = Grid(pitch_x=1.5e-6, pitch_y=1.5e-6, angle=np.pi / 3, height=100e-9, theta=0.1)
    standard = instruments.grid(1.5e-6)
    standard = type(standard)(
        name="hexagonal",
        pitch_x=standard.pitch_x,
        pitch_y=standard.pitch_y,
        angle=type(standard.angle)(np.pi / 3, 1e-6, "rad"),
    )
    vectors = np.linalg.inv(lattice_of(observe_lateral(scan_of(surface), standard)))
    assert np.linalg.norm(vectors, axis=0) == pytest.approx([1.5e-6, 1.5e-6], rel=3e-4)


def test_passes_are_joined_where_the_line_turns() -> None:
    """A loop of 0.7 of a pitch leaves no doubt about the count of periods."""

    def loop(path, samples):
        moved = samples.position.copy()
        way = path.sweeps.direction[samples.sweep]
        amplitude = 10.2e-6
        moved[0] += -way * 0.7e-6 * (1 - (samples.position[0] / amplitude) ** 2)
        return moved

    surface = Grid(pitch_x=2e-6, pitch_y=2e-6, height=100e-9, theta=0.03)
    found = observe_lateral(scan_of(surface, motion=loop, points=256), instruments.grid())
    samples = found.path.samples(found.pass_index, found.row, found.fast)
    true = loop(found.path, samples)
    turn = np.array([[np.cos(0.03), np.sin(0.03)], [-np.sin(0.03), np.cos(0.03)]])
    rest = found.periods - (turn @ true / 2e-6).T
    rest -= np.median(rest, axis=0)
    assert np.abs(rest).max() < 0.01


def test_intensity_of_a_grid_under_uneven_light() -> None:
    surface = Lit(surface=Grid(pitch_x=2e-6, pitch_y=2e-6, height=1.0, theta=0.02), height=1.0)
    scan = scan_of(surface, flaws=Flaws(noise=0.01), channel="intensity", unit="", passes=("trace",))
    found = observe_lateral(scan, instruments.grid())
    vectors = np.linalg.inv(lattice_of(found))
    assert np.linalg.norm(vectors, axis=0) == pytest.approx([2e-6, 2e-6], rel=1e-3)
    assert found.slope is None


def test_nodes_reach_the_border_and_their_noise_is_what_they_scatter_by() -> None:
    surface = Grating(pitch=2e-6, height=100e-9, theta=0.02)
    spread, stated = [], []
    for seed in range(12):
        found = observe_lateral(scan_of(surface, flaws=Flaws(noise=5e-9), seed=seed), instruments.grating(2e-6))
        samples = found.path.samples(found.pass_index, found.row, found.fast)
        true = (np.cos(0.02) * samples.position[0] + np.sin(0.02) * samples.position[1]) / 2e-6
        rest = found.periods[:, 0] - true
        spread.append(np.var(rest))
        stated.append(found.covariance[:, 0, 0].mean())
    assert np.mean(spread) == pytest.approx(np.mean(stated), rel=0.35)
    assert np.ptp(found.fast) > 17e-6
    assert np.ptp(found.path.slow[found.row]) > 17e-6


def test_pitch_is_as_sure_as_theory_allows() -> None:
    """Cramér-Rao bound of the waveform in white noise: information is the sum of squared slopes (Kay 1993)."""
    noise = 8e-9
    surface = Grating(pitch=2e-6, height=100e-9, theta=0.12, origin=(0.37e-6, 0.0))
    clean = scan_of(surface, flaws=Flaws(), passes=("trace",))
    # the slope across the lines, and the place along it
    slope = np.gradient(clean.height[0], clean.fast, axis=1) / np.cos(0.12)
    x = np.cos(0.12) * clean.fast[None, :] + np.sin(0.12) * clean.slow[:, None]
    # unknowns: relative pitch, position, offset
    design = np.stack([-(slope * x).ravel(), slope.ravel(), np.ones(slope.size)], axis=1)
    bound = np.sqrt(np.linalg.inv(design.T @ design)[0, 0]) * noise
    errors = []
    for seed in range(40):
        scan = scan_of(surface, flaws=Flaws(noise=noise), seed=seed, passes=("trace",))
        found = observe_lateral(scan, instruments.grating(2e-6))
        weight = 1 / np.sqrt(found.covariance[:, 0, 0])
        samples = found.path.samples(found.pass_index, found.row, found.fast)
        design = np.column_stack([samples.position.T, np.ones(found.size)])
        f = np.linalg.lstsq(design * weight[:, None], found.periods[:, 0] * weight, rcond=None)[0]
        errors.append(1 / np.hypot(f[0], f[1]) / 2e-6 - 1)
    # tiles give away what their own offset, tilt and gain take; forty trials know a deviation to 11 %
    assert np.std(errors) < 1.8 * bound
    assert abs(np.mean(errors)) < 0.7 * bound


def test_dust_gets_no_weight() -> None:
    surface = Grid(pitch_x=2e-6, pitch_y=2e-6, height=100e-9, theta=0.03)
    dirty = scan_of(surface, points=192, flaws=Flaws(noise=1e-9, dust=10, streaks=0.01), seed=3)
    found = observe_lateral(dirty, instruments.grid())
    samples = found.path.samples(found.pass_index, found.row, found.fast)
    turn = np.array([[np.cos(0.03), np.sin(0.03)], [-np.sin(0.03), np.cos(0.03)]])
    rest = (found.periods - (turn @ samples.position / 2e-6).T) * 2e-6
    rest -= np.median(rest, axis=0)
    assert np.sqrt(np.mean(rest**2)) < 6e-9
    assert found.outliers > 0.001


def test_template_of_a_cosine_has_its_crest_where_it_is() -> None:
    rng = np.random.default_rng(2)
    periods = rng.uniform(-4, 4, (2, 40_000))
    values = np.cos(2 * np.pi * (periods[0] - 0.13)) + 0.4 * np.cos(2 * np.pi * (periods[1] + 0.21))
    template = Template.fold(periods, values, np.ones(values.size))
    assert template.phase == pytest.approx([0.13, -0.21], abs=2e-3)
    at = rng.uniform(-2, 2, (2, 500))
    _, slopes = template.at(at)
    expected = -2 * np.pi * np.sin(2 * np.pi * (at[0] - 0.13))
    # the fold averages over the width of its bins
    assert np.abs(slopes[0] - expected).max() < 0.25


REFUSED = {
    "flat": (Flat(), {}, "no period near"),
    "pitch twice too long": (Grating(pitch=1e-6, height=1e-7, theta=0.05), {}, "repeats every"),
    "pitch ten times too long": (Grating(pitch=0.6e-6, height=1e-7, theta=0.05), {"pitch": 6e-6}, "repeats every"),
    "pitch half": (Grating(pitch=4e-6, height=1e-7, theta=0.05), {}, "4"),
    "too few periods": (Grating(pitch=2e-6, height=1e-7), {"size": 4.5e-6}, "periods"),
    "too coarse": (Grating(pitch=2e-6, height=1e-7), {"size": 200e-6}, "too coarse"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_no_image_of_the_standard_is_refused_in_one_sentence(name: str) -> None:
    surface, options, words = REFUSED[name]
    pitch = options.pop("pitch", 2e-6) if "pitch" in options else 2e-6
    with pytest.raises(ScanError, match=words) as caught:
        observe_lateral(scan_of(surface, **options), instruments.grating(pitch))
    message = str(caught.value)
    assert "\n" not in message
    assert len(message) < 300


def test_metres_for_micrometres_are_recognised() -> None:
    scan = scan_of(Grating(pitch=2e-6, height=1e-7))
    wrong = scan.replace(fast=scan.fast * 1e6, slow=scan.slow * 1e6)
    with pytest.raises(ScanError, match="metres taken for micrometres"):
        observe_lateral(wrong, instruments.grating(2e-6))


@pytest.mark.parametrize("fill", [np.nan, 3.0])
def test_empty_scans_are_refused(fill: float) -> None:
    scan = scan_of(Grating(pitch=2e-6, height=1e-7))
    empty = scan.replace(channels={"height": np.full(scan.shape, fill)})
    with pytest.raises(ScanError, match=r"no data|same value"):
        observe_lateral(empty, instruments.grating(2e-6))


# --- steps -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("tilt", [(0.0, 0.0), (0.02, -0.01)])
@pytest.mark.parametrize("theta", [0.0, 0.2, np.pi / 2])
def test_step_height_of_a_ridge(tilt: tuple[float, float], theta: float) -> None:
    surface = Step(height=100e-9, width=6e-6, theta=theta, slope=tilt)
    found = observe_step(scan_of(surface, points=192), instruments.step())
    assert found.indicated == pytest.approx(100e-9, abs=4 * max(found.u, 2e-11))
    assert found.area == pytest.approx(100e-9, rel=2e-3)
    assert found.width == pytest.approx(6e-6, rel=0.05)
    assert found.edges == 2
    assert found.tilt == pytest.approx(np.arctan(np.hypot(*tilt)), abs=1e-3)


def test_noise_of_a_step_is_what_iso_5436_1_gives() -> None:
    """Uncertainty of d with n points per width: sigma sqrt(3.75 / n) (from the windows of type A1)."""
    width, points = 5e-6, 301
    surface = Step(height=100e-9, width=width)
    values = []
    for seed in range(3):
        scan = scan_of(surface, points=points, size=15e-6, flaws=Flaws(noise=2e-9), seed=seed)
        values.append(observe_step(scan, instruments.step()).u)
    per_line = 2e-9 * np.sqrt(3.75 / (width / (15e-6 / 300)))
    assert np.mean(values) == pytest.approx(per_line / np.sqrt(2 * points), rel=0.35)


def test_bow_biases_a_step_as_geometry_says() -> None:
    """A quadratic bow c x^2 adds 25/18 c w^2 to the depth of a groove of width w (windows of ISO 5436-1, type A1)."""
    width, bend = 5e-6, 40.0  # 1/m
    scan = scan_of(Step(height=100e-9, width=width, groove=True), points=301, size=15e-6, flaws=Flaws())
    bowed = scan.replace(channels={"height": scan.height + bend * scan.fast**2})
    plain, curved = (observe_step(one, instruments.step()).indicated for one in (scan, bowed))
    assert curved - plain == pytest.approx(25 / 18 * bend * width**2, rel=0.02)


def test_a_single_edge_and_a_row_of_lines() -> None:
    edge = observe_step(scan_of(Step(height=100e-9), points=160), instruments.step())
    assert edge.edges == 1
    assert edge.indicated == pytest.approx(100e-9, rel=2e-3)
    assert any("only one edge" in note for note in edge.notes)
    row = observe_step(scan_of(Grating(pitch=5e-6, height=100e-9), points=256), instruments.step())
    assert row.edges >= 6
    assert row.indicated == pytest.approx(100e-9, rel=3e-3)


def test_an_atomic_step_in_noise() -> None:
    scan = scan_of(Step(height=0.31e-9), points=256, size=1e-6, flaws=Flaws(noise=0.1e-9))
    found = observe_step(scan, instruments.step(0.312e-9))
    assert found.indicated == pytest.approx(0.31e-9, abs=4 * found.u)
    assert found.u < 5e-12


def test_what_is_no_step_is_refused() -> None:
    with pytest.raises(ScanError, match="no step"):
        observe_step(scan_of(Flat(), flaws=Flaws(noise=1e-9)), instruments.step())
    with pytest.raises(ScanError, match="correct the unit"):
        observe_step(scan_of(Step(height=1e-6, width=6e-6)), instruments.step())
    picture = scan_of(
        Lit(surface=Grid(pitch_x=2e-6, pitch_y=2e-6, height=1.0), height=1.0), channel="intensity", unit=""
    )
    with pytest.raises(ScanError, match="holds no heights"):
        observe_step(picture, instruments.step())
