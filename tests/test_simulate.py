"""The virtual instrument: surfaces are what they say, and a recording is the surface where the scanner really was."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.errors import StandardError
from calib.path import Path
from calib.simulate import (
    BEGAN,
    Flat,
    Flaws,
    Grating,
    Grid,
    Lit,
    Session,
    Step,
    VirtualInstrument,
    raster,
    record,
    true_positions,
)

HEIGHT = 100e-9


def commanded(path, samples):
    return samples.position


def crossings(way, profile, level):
    """Places where a profile passes a level, by linear interpolation."""
    above = profile > level
    at = np.flatnonzero(above[1:] != above[:-1])
    part = (level - profile[at]) / (profile[at + 1] - profile[at])
    return way[at] + part * (way[at + 1] - way[at])


def edges_along(surface, direction=0.0, reach=30e-6, level=HEIGHT / 2, points=60001):
    """Crossings of half height on a line through the surface's origin."""
    way = np.linspace(-reach, reach, points)
    x, y = surface.origin
    return crossings(way, surface(x + way * np.cos(direction), y + way * np.sin(direction)), level)


# --- surfaces ------------------------------------------------------------------------------------


@pytest.mark.parametrize("theta", [0.0, 0.4, -1.2])
def test_grating_has_its_pitch_along_its_own_x_and_its_duty(theta):
    surface = Grating(pitch=3e-6, height=HEIGHT, duty=0.4, theta=theta, origin=(1e-6, -2e-6))
    edges = edges_along(surface, theta, reach=28.5e-6)
    np.testing.assert_allclose(np.diff(edges[::2]), 3e-6, atol=1e-12)
    np.testing.assert_allclose(edges[1::2] - edges[::2], 0.4 * 3e-6, atol=1e-11)
    # a ridge is centred on the origin, and lines run along the grating's own y
    assert surface(*(np.array([v]) for v in surface.origin)) == pytest.approx(HEIGHT)
    assert edges_along(surface, theta + np.pi / 2).size == 0
    assert np.diff(edges_along(surface, theta + 1.0)[::2]).mean() == pytest.approx(3e-6 / np.cos(1.0), rel=1e-6)


def test_edges_take_a_tenth_of_the_pitch():
    surface = Grating(pitch=2e-6, height=HEIGHT)
    low, high = (edges_along(surface, level=part * HEIGHT)[1::2] for part in (1e-6, 1 - 1e-6))
    assert np.abs(low - high[: low.size]).max() == pytest.approx(0.2e-6, rel=0.01)


@settings(max_examples=25, deadline=None)
@given(
    st.floats(1e-6, 4e-6),
    st.floats(1e-6, 4e-6),
    st.floats(0.9, 2.2),
    st.floats(-3, 3),
    st.sampled_from(["bumps", "pits", "lines"]),
)
def test_grid_repeats_by_its_lattice_vectors_and_by_no_less(pitch_x, pitch_y, angle, theta, feature):
    surface = Grid(
        pitch_x=pitch_x, pitch_y=pitch_y, angle=angle, height=HEIGHT, theta=theta, origin=(1e-6, 3e-6), feature=feature
    )
    x, y = np.random.default_rng(1).uniform(-10e-6, 10e-6, (2, 500))
    there = surface(x, y)
    for length, direction in ((pitch_x, theta), (pitch_y, theta + angle)):
        shift_x, shift_y = length * np.cos(direction), length * np.sin(direction)
        np.testing.assert_allclose(surface(x + shift_x, y + shift_y), there, atol=1e-6 * HEIGHT)
        for part in (0.5, 1.001):
            assert np.abs(surface(x + part * shift_x, y + part * shift_y) - there).max() > 1e-4 * HEIGHT
    centre = surface(np.array([1e-6]), np.array([3e-6]))[0]
    assert centre == pytest.approx(0 if feature == "pits" else HEIGHT, abs=1e-15)


def test_features_cover_the_area_that_their_duty_says():
    x, y = np.meshgrid(np.linspace(0, 2e-6, 400, endpoint=False), np.linspace(0, 2e-6, 400, endpoint=False))
    for feature, share in (("bumps", 0.4**2), ("pits", 1 - 0.4**2), ("lines", 1 - 0.6**2)):
        surface = Grid(pitch_x=2e-6, pitch_y=2e-6, height=HEIGHT, duty=0.4, feature=feature)
        assert np.mean(surface(x, y) > HEIGHT / 2) == pytest.approx(share, abs=0.01)


def test_step_has_its_height_and_width_as_ridge_and_as_groove():
    for groove, low, high in ((False, 0, HEIGHT), (True, -HEIGHT, 0)):
        surface = Step(height=HEIGHT, width=5e-6, groove=groove)
        profile = surface(np.linspace(-10e-6, 10e-6, 999), np.zeros(999))
        assert profile.min() == pytest.approx(low, abs=1e-15)
        assert profile.max() == pytest.approx(high, abs=1e-15)
        assert edges_along(surface, level=(low + high) / 2) == pytest.approx([-2.5e-6, 2.5e-6], abs=1e-10)
    single = Step(height=HEIGHT)
    assert edges_along(single) == pytest.approx([0.0], abs=1e-10)
    assert single(np.array([-1e-6, 1e-6]), np.zeros(2)) == pytest.approx([0, HEIGHT])


def test_tip_widens_the_foot_of_an_edge_by_its_parabola():
    """A paraboloid of radius R touches the upper corner of a steep edge up to sqrt(2 R h) away from it."""
    radius = 2e-6
    surface = Step(height=HEIGHT, width=8e-6, edge=1e-9, tip_radius=radius)
    for part in (0.05, 0.5, 0.95):
        expected = 4e-6 + np.sqrt(2 * radius * HEIGHT * (1 - part))
        assert edges_along(surface, level=part * HEIGHT)[1] == pytest.approx(expected, abs=2e-9)
    grating = Grating(pitch=10e-6, duty=0.5, edge=1e-3, height=HEIGHT, tip_radius=radius)
    width = np.diff(edges_along(grating, reach=4e-6))[0]
    assert width == pytest.approx(5e-6 + 2 * np.sqrt(radius * HEIGHT), abs=12e-9)
    # a groove that the tip does not fit into stays shallow: the two parabolas meet at w^2 / 8 R
    groove = Step(height=HEIGHT, width=0.4e-6, edge=1e-9, groove=True, tip_radius=radius)
    assert groove(np.zeros(1), np.zeros(1))[0] == pytest.approx(-((0.4e-6) ** 2) / (8 * radius), rel=0.01)


def test_tip_and_jitter_act_across_the_lines_of_an_oblique_grid():
    radius, angle = 2e-6, np.deg2rad(60)
    surface = Grid(pitch_x=6e-6, pitch_y=6e-6, angle=angle, height=HEIGHT, edge=1e-3, tip_radius=radius)
    width = np.diff(edges_along(surface, angle - np.pi / 2, reach=3e-6))[0]
    assert width == pytest.approx(0.5 * 6e-6 * np.sin(angle) + 2 * np.sqrt(radius * HEIGHT), abs=12e-9)
    uneven = Grid(pitch_x=2e-6, pitch_y=2e-6, height=HEIGHT, feature="bumps", jitter=20e-9)
    way = np.linspace(-10e-6, 10e-6, 2001)
    assert np.abs(uneven(way, 0 * way) - uneven(0 * way, way)).max() > 0.1 * HEIGHT


def test_tilted_surface_looks_shortened_by_the_cosine_along_its_slope_only():
    tilt = np.deg2rad(3.0)
    surface = Grating(pitch=2e-6, height=HEIGHT, slope=(np.tan(tilt), 0.0))
    way = np.linspace(-30e-6, 30e-6, 60001)
    flattened = surface(way, 0 * way) - np.tan(tilt) * way
    pitch = np.diff(crossings(way, flattened, HEIGHT / 2)[::2]).mean()
    assert pitch == pytest.approx(2e-6 * np.cos(tilt), rel=1e-6)
    # a step height is normal to the plateaus
    assert flattened.max() == pytest.approx(HEIGHT / np.cos(tilt), rel=1e-9)
    across = Grating(pitch=2e-6, height=HEIGHT, theta=np.pi / 2, slope=(np.tan(tilt), 0.0))
    pitch = np.diff(crossings(way, across(0 * way, way), HEIGHT / 2 / np.cos(tilt))[::2]).mean()
    assert pitch == pytest.approx(2e-6, rel=1e-9)


def test_jitter_and_wander_displace_edges_by_as_much_as_they_say():
    reach, pitch = 1e-3, 2e-6
    even = Grating(pitch=pitch, height=HEIGHT)
    uneven = Grating(pitch=pitch, height=HEIGHT, jitter=20e-9, seed=5)
    first, second = (edges_along(s, reach=reach, points=800001) for s in (even, uneven))
    assert first.size == second.size > 1900
    moved = second - first
    assert moved.std() == pytest.approx(20e-9, rel=0.08)
    assert abs(np.corrcoef(moved[1:], moved[:-1])[0, 1]) < 0.1
    wandering = Grating(pitch=pitch, height=HEIGHT, wander=20e-9, seed=5)
    moved = edges_along(wandering, reach=reach, points=800001) - first
    assert moved.std() == pytest.approx(20e-9, rel=0.25)
    assert np.corrcoef(moved[1:], moved[:-1])[0, 1] > 0.95


def test_flat_is_flat_or_as_wavy_as_it_says():
    x, y = np.random.default_rng(2).uniform(-1e-3, 1e-3, (2, 20000))
    assert np.all(Flat()(x, y) == 0)
    waves = Flat(waviness=2e-9, seed=3)
    assert waves(x, y).std() == pytest.approx(2e-9, rel=0.05)
    slope = np.abs(np.diff(waves(np.linspace(0, 1e-4, 10001), np.zeros(10001)))) / 1e-8
    assert slope.max() < 2e-9 * 2 * np.pi / 7e-6 * 4


def test_light_falls_off_as_it_says_and_keeps_the_contrast():
    lit = Lit(surface=Step(height=HEIGHT), height=HEIGHT, contrast=2.0, centre=(1e-6, 0.0), reach=10e-6, fall=0.6)
    at_centre, far = lit(np.array([1e-6, 11e-6]), np.zeros(2))
    assert at_centre == pytest.approx(3.0)
    assert far == pytest.approx(0.4 * 3.0)
    assert lit(np.array([-1e-6]), np.zeros(1)) * (1 + 1.5 * 0.04) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Grating(pitch=-1e-6, height=HEIGHT), "pitch"),
        (lambda: Grid(pitch_x=2e-6, pitch_y=0.0, height=HEIGHT), "pitch_y"),
        (lambda: Grid(pitch_x=2e-6, pitch_y=2e-6, height=HEIGHT, angle=0.0), "angle"),
        (lambda: Grid(pitch_x=2e-6, pitch_y=2e-6, height=HEIGHT, feature="dots"), "dots"),  # type: ignore[arg-type]
        (lambda: Grating(pitch=2e-6, height=HEIGHT, duty=0.05), "duty"),
        (lambda: Step(height=np.nan), "height"),
        (lambda: Step(height=HEIGHT, width=0.1e-6), "width"),
    ],
)
def test_impossible_surfaces_are_refused_in_one_sentence(make, says):
    with pytest.raises(StandardError, match=says):
        make()


# --- recording -----------------------------------------------------------------------------------


def test_size_is_from_first_to_last_pixel_centre():
    scan = raster((20e-6, 10e-6), (256, 128), centre=(1e-6, 2e-6), line_period=2.0)
    assert scan.size == pytest.approx((20e-6, 10e-6))
    assert scan.spacing == pytest.approx((20e-6 / 255, 10e-6 / 127))
    assert scan.turnaround == pytest.approx(0.1)
    assert raster(1e-6, line_period=None).turnaround is None


@pytest.mark.parametrize(
    "options",
    [
        {"rotation": 0.3, "frame": "down"},
        {"passes": ("retrace",)},
        {"passes": ("trace",), "pattern": "serpentine", "frame": "down"},
        {"line_period": None},
    ],
)
def test_a_perfect_scanner_records_the_surface_at_the_commanded_positions(options):
    surface = Grid(pitch_x=2e-6, pitch_y=1.7e-6, height=HEIGHT, theta=0.2)
    blank = raster(8e-6, (40, 30), centre=(3e-6, -1e-6), **options)
    scan, truth = record(surface, commanded, blank)
    x, y = blank.commanded()
    for one in range(len(blank.passes)):
        np.testing.assert_allclose(truth[:, one], [x, y], atol=1e-18)
        np.testing.assert_allclose(scan.height[one], surface(x, y), atol=1e-15)
    assert scan.rotation == blank.rotation
    assert scan.frame == blank.frame


def test_recording_follows_motion_and_response():
    def motion(path, samples):
        return samples.position + np.stack([1e-9 * samples.time, 0 * samples.time])

    blank = raster(8e-6, 32)
    scan, truth = record(
        Flat(slope=(0.1, 0.0)), motion, blank, indicate=lambda z, path, samples: z / 0.96 + 1e-12 * samples.time
    )
    time = Path(blank)
    expected = np.stack([time.lines(one, slice(None)).time.reshape(32, 32) for one in range(2)])
    np.testing.assert_allclose(truth[0] - blank.commanded()[0], 1e-9 * expected, atol=1e-16)
    np.testing.assert_allclose(scan.height, 0.1 * truth[0] / 0.96 + 1e-12 * expected, atol=1e-18)
    np.testing.assert_allclose(true_positions(motion, blank), truth)


def test_motion_that_depends_on_height_is_iterated():
    def motion(path, samples):
        return samples.position + np.stack([0.2 * samples.height, 0 * samples.height])

    blank = raster(8e-6, 32)
    surface = Flat(slope=(0.1, 0.0))
    _, once = record(surface, motion, blank)
    _, settled = record(surface, motion, blank, iterations=8)
    x = blank.commanded()[0]
    np.testing.assert_allclose(once[0, 0], x, atol=1e-18)
    np.testing.assert_allclose(settled[0, 0], x / (1 - 0.02), rtol=1e-9)


def test_noise_flicker_and_quantum_are_as_large_as_stated():
    blank = raster(8e-6, 256)
    quiet = record(Flat(), commanded, blank).scan.height
    assert np.all(quiet == 0)
    noisy = record(Flat(), commanded, blank, flaws=Flaws(noise=1e-9), seed=4).scan.height
    assert noisy.std() == pytest.approx(1e-9, rel=0.01)
    assert abs(noisy.mean(axis=2).std() - 1e-9 / 16) < 0.1e-9 / 16
    flicker = record(Flat(), commanded, blank, flaws=Flaws(flicker=2e-9), seed=4).scan.height
    assert np.all(flicker == flicker[:, :, :1])
    assert flicker.std() == pytest.approx(2e-9, rel=1e-6)
    # trace and retrace of a line are neighbours in time: the power lies at low frequencies
    assert (flicker[0] - flicker[1]).std() < 0.6 * np.sqrt(2) * 2e-9
    steps = record(Flat(), commanded, blank, flaws=Flaws(noise=1e-9, quantum=0.5e-9)).scan.height
    np.testing.assert_allclose(steps / 0.5e-9, np.rint(steps / 0.5e-9), atol=1e-6)


def test_flicker_power_falls_as_one_over_frequency():
    blank = raster(8e-6, (2, 4096), passes=("trace",), pattern="serpentine")
    offset = record(Flat(), commanded, blank, flaws=Flaws(flicker=1.0)).scan.height[0, :, 0]
    power = np.abs(np.fft.rfft(offset)) ** 2
    low, high = power[10:20].mean(), power[1000:2000].mean()
    assert np.log(low / high) / np.log(100) == pytest.approx(1.0, abs=0.2)


def test_streaks_strike_the_stated_fraction_of_sweeps_in_one_stretch():
    blank = raster(8e-6, 200)
    height = record(Flat(), commanded, blank, flaws=Flaws(streaks=0.05), seed=1).scan.height
    struck = np.any(height != 0, axis=2)
    assert struck.sum() == 20
    for line in height[struck]:
        assert np.count_nonzero(np.diff(np.concatenate([[0.0], line, [0.0]]))) == 2
        assert np.count_nonzero(line) >= 20


def test_dust_lies_on_the_surface_where_both_passes_see_it():
    def lagging(path, samples):
        return samples.position - 0.2e-6 * np.sign(path.velocity(samples))

    flaws = Flaws(dust=10, dust_size=0.4e-6, dust_height=150e-9)
    scan, truth = record(Flat(), lagging, raster(20e-6, 256), flaws=flaws, seed=2)
    trace, retrace = scan.height
    assert 10 * 0.2e-6**2 < np.count_nonzero(trace) * (20e-6 / 255) ** 2 / np.pi < 10 * 0.6e-6**2
    assert 75e-9 < trace.max() < 226e-9
    # it is displaced in the image by as much as the passes are apart
    true, seen = (
        [np.average(x, weights=height) for x, height in zip(places, (trace, retrace), strict=True)]
        for places in (truth[0], [scan.commanded()[0]] * 2)
    )
    assert true[0] == pytest.approx(true[1], abs=0.05e-6)
    assert seen[0] - seen[1] == pytest.approx(0.4e-6, abs=0.05e-6)


@pytest.mark.parametrize(
    "flaws", [Flaws(noise=1e-9), Flaws(flicker=1e-9), Flaws(dust=3, dust_size=2e-6), Flaws(streaks=0.1)]
)
def test_the_same_seed_gives_the_same_scan_and_another_seed_another(flaws):
    surface = Grating(pitch=2e-6, height=HEIGHT)
    first, again, other = (
        record(surface, commanded, raster(8e-6, 64), flaws=flaws, seed=seed).scan.height for seed in (7, 7, 8)
    )
    np.testing.assert_array_equal(first, again)
    assert np.any(first != other)


# --- instrument and session ----------------------------------------------------------------------


class Clocked:
    """Moves with the session's clock, and shows heights doubled."""

    def motion(self, path, samples, clock):
        return samples.position + 1e-9 * clock

    def indicate(self, height, path, samples, clock):
        return 2 * height


def test_frames_of_a_session_follow_each_other_in_place_and_time():
    session = Session(scanner="bench 1", pause=7.0, rest=(1e-6, 2e-6), points=16)
    first = session.frame(20e-6, line_period=2.0)
    second = session.frame(10e-6, frame="down", centre=(2e-6, 0.0))
    third = session.frame(8e-6)
    assert (first.previous_x, first.previous_y) == (1e-6, 2e-6)
    pixel = 20e-6 / 15
    # the last sweep of a frame is the retrace of its last line, down to the edge of the pixels
    assert (second.previous_x, second.previous_y) == pytest.approx((-10e-6 - pixel / 2, 10e-6))
    assert third.previous_y == pytest.approx(-5e-6)
    assert first.started == BEGAN
    assert second.started == BEGAN + timedelta(seconds=2.0 * 16 + 7)
    assert {scan.scanner for scan in (first, second, third)} == {"bench 1"}


def test_an_instrument_uses_its_physics_and_its_clock():
    instrument = VirtualInstrument(physics=Clocked(), flaws=Flaws())
    session = Session(points=16)
    session.frame(8e-6)
    later = session.frame(8e-6)
    scan, truth = instrument.record(Flat(slope=(0.1, 0.0)), later)
    np.testing.assert_allclose(truth[0, 0] - later.commanded()[0], 1e-9 * 21.0, atol=1e-16)
    np.testing.assert_allclose(scan.height[0], 2 * 0.1 * truth[0, 0], atol=1e-18)
    image, _ = instrument.record(
        Lit(surface=Step(height=HEIGHT), height=HEIGHT, fall=0.0), later, channel="intensity", unit=""
    )
    assert image.channel == "intensity"
    assert not image.has_height
    assert image.values.max() == pytest.approx(3.0)
