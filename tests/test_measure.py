"""Measured values: right within what they state, propagated rightly, and refused in one sentence."""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from typer.testing import CliRunner, Result

from calib import measure
from calib.cli import app
from calib.errors import MeasurementError
from calib.measure.geometry import angle_of, area_of, distance_of
from calib.measure.places import covariances, find_again, true_positions
from calib.measure.points import read_point
from calib.path import Path as ScanPath
from calib.scan import Scan
from calib.simulate import Step
from calib.verification import verify
from tests.demonstration import demonstrated
from tests.instruments import calibrated, grating, step

PAIRS = 16


@cache
def seen() -> tuple[Scan, np.ndarray]:
    """A grid of another pitch in a scan of another size, with the true positions of its pixels."""
    instrument, _ = calibrated(0, 0.06)
    session = instrument.session()
    session.frame(20e-6)
    frame = session.frame(12e-6, line_period=0.7, title="sample")
    return instrument.record(instrument.grid(2.5e-6, 0.1), frame).scan, instrument.true_positions(frame)


def places(count: int, seed: int) -> np.ndarray:
    """Random pixels (row, column) well inside of the scan, ``(count, 2)``; none in the first lines of the frame."""
    scan, _ = seen()
    rng = np.random.default_rng(seed)
    return np.stack([rng.integers(24, size - 24, count) for size in scan.shape[1:]], axis=1)


def pixels_at(*parts: tuple[float, float]) -> np.ndarray:
    """Pixels (row, column) at parts of the sides of the image, ``(count, 2)``."""
    scan, _ = seen()
    return np.rint(np.array(parts) * (np.array(scan.shape[1:]) - 1)).astype(int)


def point(place: np.ndarray) -> tuple[float, float]:
    scan, _ = seen()
    return float(scan.fast[place[1]]), float(scan.slow[place[0]])


def truth(pixels: np.ndarray) -> np.ndarray:
    return seen()[1][:, 0, pixels[:, 0], pixels[:, 1]]


# --- against the truth of a virtual instrument of foreign physics -----------------------------------


@cache
def scattered() -> dict[str, np.ndarray]:
    """Errors in units of U of random distances, angles and areas in seven scans of one instrument, lengths and u.

    Six scans are of nothing and measured in the trace alone; in the seventh, points are found again in the retrace.
    """
    instrument, model = calibrated(0, 0.06)
    scans = [(case.scan, case.truth) for case in instrument.check_scans() if case.kind == "motion"]
    found: dict[str, list[float]] = {name: [] for name in ("distance", "angle", "area", "length", "u")}
    for k, (scan, true) in enumerate([*scans, seen()]):
        rng = np.random.default_rng(k)
        which = "both" if k == len(scans) else "trace"
        for _ in range(PAIRS):
            rows, columns = (rng.integers(24, size - 24, 3) for size in scan.shape[1:])
            points = [(float(scan.fast[c]), float(scan.slow[r])) for r, c in zip(rows, columns, strict=True)]
            at = true[:, 0, rows, columns]
            distance = measure.distance(model, scan, *points[:2], reading=0.0, which=which)
            angle = measure.angle(model, scan, points[1], points[0], points[2], reading=0.0, which=which)
            area = measure.area(model, scan, points, reading=0.0, which=which)
            right = distance_of(at[:, :2])[0]
            found["distance"].append((distance.value - right) / distance.U)
            found["angle"].append((angle.value - angle_of(at)[0]) / angle.U)
            found["area"].append((area.value - area_of(at)[0]) / area.U)
            found["length"].append(right)
            found["u"].append(distance.u)
    return {name: np.array(values) for name, values in found.items()}


@pytest.mark.parametrize("name", ["distance", "angle", "area"])
def test_values_are_right_within_what_they_state(name: str) -> None:
    """95 % are to be within U. Values of one scan err together: seven scans say no more than some 30 values would."""
    within = np.abs(scattered()[name])
    assert np.mean(within <= 1) > 0.85
    assert np.sqrt(np.mean(within**2)) > 0.2  # nor is U stated far too large


def test_short_distances_are_surer() -> None:
    found = scattered()
    short = found["length"] < np.quantile(found["length"], 0.2)
    long = found["length"] > np.quantile(found["length"], 0.8)
    assert np.median(found["u"][short]) < 0.7 * np.median(found["u"][long])


def test_a_feature_is_found_again_in_the_other_pass() -> None:
    """The picture finds the true place within what is said, though loops put it elsewhere by many pixels."""
    scan, true = seen()
    _, model = calibrated(0, 0.06)
    path = ScanPath(scan)
    pixels = places(40, 5)
    relative, moved = [], []
    for pixel in pixels:
        at = np.array(point(pixel))[:, None]
        again = find_again(model, scan, path, at, 0, 1)
        if again is None:
            continue
        column = np.interp(again.at[0, 0], scan.fast, np.arange(scan.fast.size))
        row = np.interp(again.at[1, 0], scan.slow, np.arange(scan.slow.size))
        r, c = int(row), int(column)
        share = np.outer([1 - (row - r), row - r], [1 - (column - c), column - c])
        there = np.tensordot(true[:, 1, r : r + 2, c : c + 2], share, 2)
        relative.append((there - true[:, 0, pixel[0], pixel[1]]) / np.sqrt(np.diag(again.covariance[0])))
        moved.append(abs(column - pixel[1]))
    assert len(relative) > 0.8 * len(pixels)
    assert np.median(moved) > 3
    assert np.mean(np.abs(relative) < 1.96) > 0.9
    assert np.sqrt(np.mean(np.square(relative))) < 1.2


def test_what_has_no_structure_around_it_is_measured_in_one_pass() -> None:
    scan, _ = seen()
    _, model = calibrated(0, 0.06)
    flat = scan.replace(channels={"height": np.zeros(scan.shape)})
    result = measure.distance(model, flat, (0.0, 0.0), (2e-6, 1e-6))
    assert list(result.by_pass) == ["trace"]
    assert any("can't be found again in the retrace" in note for note in result.notes)


def test_passes_that_disagree_are_said_and_raise_the_uncertainty() -> None:
    scan, _ = seen()
    _, model = calibrated(0, 0.06)
    ends = [point(one) for one in pixels_at((0.4, 0.25), (0.6, 0.75))]
    fine = measure.distance(model, scan, *ends)
    assert list(fine.by_pass) == ["trace", "retrace"]
    # the sample was stretched by 1 % about its middle while the retraces were taken
    middle = (scan.fast.size - 1) / 2
    columns = middle + (np.arange(scan.fast.size) - middle) / 1.01
    moved = scan.height.copy()
    moved[1] = [np.interp(columns, np.arange(scan.fast.size), row) for row in scan.height[1]]
    spoilt = measure.distance(model, scan.replace(channels={"height": moved}), *ends)
    assert any("differ by" in note for note in spoilt.notes)
    assert spoilt.u > fine.u
    assert "repeatability" in {part.name for part in spoilt.budget.contributions}


def test_a_pass_alone_is_measured_where_it_was_read() -> None:
    scan, true = seen()
    _, model = calibrated(0, 0.06)
    pixels = pixels_at((0.4, 0.25), (0.6, 0.75))
    found = measure.distance(model, scan, *map(point, pixels), reading=0.0, which="retrace")
    right = distance_of(true[:, 1, pixels[:, 0], pixels[:, 1]])[0]
    assert list(found.by_pass) == ["retrace"]
    assert abs(found.value - right) < 3 * found.u


def test_heights_at_points() -> None:
    """A step of 100 nm: from plateau to plateau, beside the tilt of the sample, which is none."""
    instrument, model = calibrated(0, 0.06)
    session = instrument.session()
    session.frame(20e-6)
    scan = instrument.record(Step(height=100e-9, width=6e-6), session.frame(12e-6, title="step")).scan
    result = measure.distance(model, scan, (-5e-6, 0.0), (0.0, 0.3e-6))
    rise, space = result.also
    assert rise.name == "height difference"
    assert abs(rise.value - 100e-9) < max(3 * rise.u, 5e-9)
    assert space.value == pytest.approx(np.hypot(result.value, rise.value), rel=1e-9)
    assert "noise" in {part.name for part in rise.budget.contributions}
    back = measure.distance(model, scan, (0.0, 0.3e-6), (-5e-6, 0.0)).also[0]
    assert back.value == pytest.approx(-rise.value, abs=2e-9)
    gap = scan.height.copy()
    row, column = np.searchsorted(scan.slow, 0.3e-6), np.searchsorted(scan.fast, 0.0)
    gap[:, row - 2 : row + 2, column - 2 : column + 2] = np.nan
    holed = measure.distance(model, scan.replace(channels={"height": gap}), (-5e-6, 0.0), (0.0, 0.3e-6))
    assert holed.also == ()
    assert any("no height at one of the points" in note for note in holed.notes)


# --- the same numbers as verify ---------------------------------------------------------------------


def test_pitch_and_step_are_those_of_a_verification() -> None:
    from calib.simulate import Grating

    instrument, model = calibrated(0, 0.06)
    session = instrument.session()
    session.frame(20e-6)
    lines = instrument.record(Grating(pitch=3e-6, height=100e-9, theta=0.05), session.frame(20e-6, title="lines")).scan
    found = measure.pitch(model, lines, 3e-6)
    (checked,) = verify(model, lines, grating()).results
    assert found.value == pytest.approx(checked.measured, rel=1e-9)
    apart = [part.u for part in found.budget.contributions if part.name == "repeatability"]
    assert np.sqrt(found.u**2 - sum(u**2 for u in apart)) == pytest.approx(checked.u, rel=1e-6)
    assert abs(found.value - 3e-6) < 2 * found.U
    # what was looked for does not enter
    assert measure.pitch(model, lines, 3.15e-6).value == pytest.approx(found.value, rel=2e-5)
    ridge = instrument.record(Step(height=100e-9, width=6e-6), session.frame(20e-6, title="step")).scan
    height = measure.step(model, ridge)
    (known,) = verify(model, ridge, step()).results
    assert height.value == pytest.approx(known.measured, rel=1e-9)
    assert height.u == pytest.approx(known.u, rel=1e-6)


# --- propagation ------------------------------------------------------------------------------------

coordinate = st.floats(-10, 10, allow_nan=False)
FEW = st.lists(st.tuples(coordinate, coordinate), min_size=3, max_size=3)


@pytest.mark.parametrize(("geometry", "count"), [(distance_of, 2), (angle_of, 3), (area_of, 5)])
def test_gradients(geometry, count: int) -> None:
    rng = np.random.default_rng(3)
    angles = np.sort(rng.uniform(0, 2 * np.pi, count))
    points = np.stack([np.cos(angles), np.sin(angles)]) * rng.uniform(1, 2, count)
    _, gradient = geometry(points)
    step = 1e-6
    for index in np.ndindex(points.shape):
        change = np.zeros_like(points)
        change[index] = step
        numeric = (geometry(points + change)[0] - geometry(points - change)[0]) / (2 * step)
        assert gradient[index] == pytest.approx(numeric, rel=1e-6, abs=1e-8)


@given(FEW, st.floats(-np.pi, np.pi), coordinate, coordinate)
def test_turning_and_moving_changes_nothing(corners, turn: float, east: float, north: float) -> None:
    points = np.array(corners).T
    size = np.ptp(points)
    assume(size > 0.1)
    try:
        values = [geometry(points)[0] for geometry in (lambda p: distance_of(p[:, :2]), angle_of, area_of)]
    except MeasurementError:
        assume(False)
    assume(min(distance_of(points[:, pair])[0] for pair in ([0, 1], [1, 2], [0, 2])) > 1e-2 and values[2] > 1e-3)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    moved = rotation @ points + np.array([[east], [north]])
    again = [geometry(moved)[0] for geometry in (lambda p: distance_of(p[:, :2]), angle_of, area_of)]
    np.testing.assert_allclose(again, values, rtol=1e-7, atol=1e-9)


@given(FEW)
def test_order_of_points(corners) -> None:
    points = np.array(corners).T
    try:
        area, angle = area_of(points)[0], angle_of(points)[0]
    except MeasurementError:
        assume(False)
    assert area_of(points[:, ::-1])[0] == pytest.approx(area, rel=1e-9, abs=1e-12)
    assert area_of(np.roll(points, 1, axis=1))[0] == pytest.approx(area, rel=1e-9, abs=1e-12)
    assert angle_of(points[:, ::-1])[0] == pytest.approx(angle, rel=1e-9, abs=1e-12)
    assert distance_of(points[:, 1::-1])[0] == distance_of(points[:, :2])[0]


def test_degenerate_points_are_refused() -> None:
    with pytest.raises(MeasurementError, match="same"):
        distance_of(np.zeros((2, 2)))
    with pytest.raises(MeasurementError, match="vertex"):
        angle_of(np.array([[0.0, 0, 1], [0, 0, 1]]))
    with pytest.raises(MeasurementError, match="three points or more"):
        area_of(np.eye(2))
    with pytest.raises(MeasurementError, match="on one line"):
        area_of(np.array([[0.0, 1, 2], [0, 1, 2]]))
    with pytest.raises(MeasurementError, match="cross"):
        area_of(np.array([[0.0, 1, 1, 0], [0, 1, 0, 1]]))
    with pytest.raises(MeasurementError, match="Points 1 and 3"):
        area_of(np.array([[0.0, 1, 0], [0, 1, 0]]))


def _covariance(count: int) -> tuple[np.ndarray, np.ndarray]:
    """True positions of pixels and their whole covariance, ``(2 n, 2 n)``, as measure takes it."""
    scan, _ = seen()
    _, model = calibrated(0, 0.06)
    at = np.array([point(one) for one in places(count, 77)]).T
    index = np.zeros(count, dtype=np.int64)
    parts = covariances(model, ScanPath(scan), index, at)
    whole = (parts.fit + parts.scan + parts.misfit).reshape(2 * count, 2 * count)
    return true_positions(model, ScanPath(scan), index, at), whole


def test_the_parts_of_the_covariance_make_up_the_joint_one() -> None:
    from calib.locate import joint_covariance

    scan, _ = seen()
    _, model = calibrated(0, 0.06)
    path, pixels = ScanPath(scan), places(4, 77)
    samples = path.samples(np.zeros(4, dtype=np.int64), pixels[:, 0], scan.fast[pixels[:, 1]])
    joint = joint_covariance(model, path, samples).reshape(8, 8)
    np.testing.assert_allclose(_covariance(4)[1], joint, rtol=1e-6, atol=1e-6 * joint.max())


def test_angle_and_area_propagate_as_a_library_of_uncertain_numbers_does() -> None:
    """Peer: GTC, a general-purpose library of uncertain numbers."""
    from GTC import atan2, set_correlation, uncertainty, ureal

    points, covariance = _covariance(3)
    sd = np.sqrt(np.diag(covariance))
    numbers = [
        ureal(value, u, independent=False, label=f"x{k}")
        for k, (value, u) in enumerate(zip(points.ravel(), sd, strict=True))
    ]
    for i in range(6):
        for j in range(i):
            set_correlation(covariance[i, j] / sd[i] / sd[j], numbers[i], numbers[j])
    x, y = numbers[:3], numbers[3:]
    one, other = (x[0] - x[1], y[0] - y[1]), (x[2] - x[1], y[2] - y[1])
    angle = atan2(one[0] * other[1] - one[1] * other[0], one[0] * other[0] + one[1] * other[1])
    area = sum(x[k] * y[(k + 1) % 3] - x[(k + 1) % 3] * y[k] for k in range(3)) / 2
    for geometry, peer in ((angle_of, angle), (area_of, area)):
        value, gradient = geometry(points)
        assert value == pytest.approx(abs(peer.x), rel=1e-9)
        assert np.sqrt(gradient.ravel() @ covariance @ gradient.ravel()) == pytest.approx(uncertainty(peer), rel=1e-6)


def test_linear_propagation_holds_against_drawn_points() -> None:
    points, covariance = _covariance(4)
    rng = np.random.default_rng(8)
    drawn = rng.multivariate_normal(points.ravel(), covariance, 4000, method="eigh").reshape(-1, 2, 4)
    for geometry, count in ((distance_of, 2), (angle_of, 3)):
        _, gradient = geometry(points[:, :count])
        full = np.zeros((2, 4))
        full[:, :count] = gradient
        u = np.sqrt(full.ravel() @ covariance @ full.ravel())
        # 4000 draws tell a standard deviation to 1.1 %
        spread = np.std([geometry(one[:, :count])[0] for one in drawn])
        assert spread == pytest.approx(u, rel=0.05)


def test_a_budget_makes_up_the_uncertainty_and_reading_enters_it() -> None:
    scan, _ = seen()
    _, model = calibrated(0, 0.06)
    ends = [point(one) for one in pixels_at((0.4, 0.25), (0.4, 0.75))]
    sure = measure.distance(model, scan, *ends, reading=0.0)
    read = measure.distance(model, scan, *ends, reading=300e-9)
    assert sure.u == pytest.approx(np.sqrt(sum(part.component**2 for part in sure.budget.contributions)))
    # two ends along the fast axis, each within limits: u = 300 nm / sqrt(3) (JCGM 100, 4.3.7), twice
    assert np.sqrt(read.u**2 - sure.u**2) == pytest.approx(300e-9 * np.sqrt(2 / 3), rel=1e-3)
    assert pytest.approx(sure.k * sure.u) == sure.U
    assert measure.distance(model, scan, *ends, reading=0.0, level=0.99).U > sure.U


def everything_measured() -> list[measure.Measured]:
    scan, _ = seen()
    _, model = calibrated(0, 0.06)
    corners = [point(one) for one in pixels_at((0.25, 0.2), (0.3, 0.7), (0.75, 0.6))]
    found = [
        measure.distance(model, scan, *corners[:2], reading=40e-9),
        measure.angle(model, scan, *corners, reading=40e-9),
        measure.area(model, scan, corners, reading=40e-9),
        measure.pitch(model, scan, 2.5e-6, kind="grid"),
    ]
    return [one for first in found for one in (first, *first.also)]


def test_values_are_drawn_with_what_the_budget_says() -> None:
    """Through the true function: far from where it bends, drawn values scatter as the linear budget has it."""
    found = everything_measured()
    assert [one.name for one in found] == [
        "horizontal distance", "height difference", "distance in space", "angle", "area of the polygon",
        "pitch x", "pitch y", "angle",
    ]  # fmt: skip
    for one in found:
        assert one.sample is not None
        drawn = one.sample(np.random.default_rng(4), 40_000)
        # a t distribution of dof degrees of freedom is wider than its scale (JCGM 101, 6.4.9.4)
        wider = [1 if np.isinf(part.dof) else part.dof / (part.dof - 2) for part in one.budget.contributions]
        variance = sum(w * part.component**2 for w, part in zip(wider, one.budget.contributions, strict=True))
        assert np.std(drawn) == pytest.approx(np.sqrt(variance), rel=0.025), one.name
        assert np.mean(drawn) == pytest.approx(one.value, abs=0.05 * one.u), one.name


def test_a_distance_near_zero_is_not_linear_and_that_is_said() -> None:
    from calib.arithmetic.monte_carlo import validate

    scan, _ = seen()
    _, model = calibrated(0, 0.06)
    start = point(pixels_at((0.4, 0.25))[0])
    short = measure.distance(model, scan, start, (start[0] + 20e-9, start[1]), reading=30e-9, which="trace")
    assert short.value - short.U < 0
    case = validate(short.budget, sample=short.sample, digits=1)
    assert case.holds is False
    assert not case.shapes_only
    assert case.found.symmetric[0] > 0
    assert "does not hold" in case.sentence()
    long = measure.distance(model, scan, start, (start[0] + 5e-6, start[1]), reading=30e-9, which="trace")
    assert validate(long.budget, sample=long.sample, digits=1).holds is not False


def test_contributions_have_the_names_of_the_reference() -> None:
    """Each is explained in the reference, and none is of two things."""
    text = (Path(__file__).parent.parent / "docs" / "reference" / "budgets.md").read_text("utf-8")
    listed = set(re.findall(r"^\| ([a-z][^|]*?) \|", text, re.MULTILINE))
    for one in everything_measured():
        assert {part.name for part in one.budget.contributions} <= listed


def test_steps_of_the_heights_enter_as_resolution() -> None:
    instrument, model = calibrated(0, 0.06)
    session = instrument.session()
    session.frame(20e-6)
    fine = instrument.record(Step(height=100e-9, width=6e-6), session.frame(12e-6, title="step")).scan
    coarse = fine.replace(channels={"height": 4e-9 * np.rint(fine.height / 4e-9)})
    ends = (-5e-6, 0.0), (0.0, 0.3e-6)
    for scan, q in ((fine, 0.0), (coarse, 4e-9)):
        rise = measure.distance(model, scan, *ends, reading=0.0).also[0]
        parts = {part.name: part.component for part in rise.budget.contributions}
        gain = abs(model.height.values[0])
        assert parts.get("resolution", 0.0) == pytest.approx(gain * q / np.sqrt(6), rel=1e-6)
    height = measure.step(model, coarse)
    parts = {part.name: part.component for part in height.budget.contributions}
    assert parts["resolution"] == pytest.approx(4e-9 / np.sqrt(6), rel=0.1)
    assert abs(height.value - 100e-9) < height.U


def test_points_as_people_write_them() -> None:
    scan, _ = seen()
    assert read_point("1.2 um, -3 um", scan) == pytest.approx((1.2e-6, -3e-6))
    assert read_point("-1.2,3 µm", scan) == pytest.approx((-1.2e-6, 3e-6))
    assert read_point("12 px, 40px", scan) == pytest.approx((scan.fast[12], scan.slow[40]))
    assert read_point("1.5 pixels, 1 um", scan) == pytest.approx(((scan.fast[1] + scan.fast[2]) / 2, 1e-6))
    for nonsense in ("", "1 um", "1 um, 2 um, 3 um", "1, 2", "1 um, 2 s", "-1 px, 2 px", "nan px, 1 px", "x px, 1 px"):
        with pytest.raises(MeasurementError):
            read_point(nonsense, scan)


# --- the command ------------------------------------------------------------------------------------


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in ("measure", *words)], prog_name="calib")


def refused(result: Result) -> str:
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    lines = [line for line in result.stderr.splitlines() if ": warning: " not in line]
    assert len(lines) == 1, result.stderr
    assert "Traceback" not in result.stderr
    return lines[0]


@pytest.fixture(scope="module")
def folder() -> Path:
    return demonstrated().folder


ENDS = ("--from", "-3 um, 0.5 um", "--to", "3,1 um")


@pytest.mark.parametrize("command", ["distance", "angle", "area", "pitch", "step"])
def test_every_command_has_help_with_examples(command: str) -> None:
    head, _, tail = run(command, "--help").stdout.partition("Examples:")
    assert f"Usage: calib measure {command}" in head
    assert f"\n    calib measure {command}" in tail
    used = set(re.findall(r"(?<= )--?[a-z][a-z-]*", tail))
    assert used <= set(re.findall(r"--?[a-z][a-z-]*", head)), used


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("distance", "sample.nc", *ENDS), "horizontal distance: "),
        (("angle", "sample.nc", "--at", "0,0 um", *ENDS), "angle: "),
        (("area", "sample.nc", "--point", "0,0 um", "--point", "3,0 um", "--point", "3,2 um"), "µm²"),
        (("pitch", "check-x.nc", "--pitch", "3 um"), "pitch: "),
        (("step", "check-step.nc"), "step height: "),
    ],
)
def test_what_people_read(folder: Path, words: tuple[str, ...], says: str) -> None:
    result = run(words[0], folder / words[1], "--model", folder / "model.json", *words[2:], "--budget")
    assert result.exit_code == 0, result.output
    assert says in result.stdout
    assert "±" in result.stdout
    assert "level of confidence 95 %" in result.stdout
    assert "contribution" in result.stdout


def test_what_scripts_read(folder: Path) -> None:
    options = ("--model", folder / "model.json", *ENDS, "--level", "0.99", "--json")
    result = run("distance", folder / "sample.nc", *options)
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["name"] == "horizontal distance"
    assert told["unit"] == "m"
    assert pytest.approx(told["k"] * told["u"]) == told["U"]
    assert told["level"] == 0.99
    assert {other["name"] for other in told["also"]} == {"height difference", "distance in space"}
    assert "trace" in told["by_pass"]
    assert told["budget"]["contributions"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("distance", "--from", "1 um, 1 um", "--to", "1 um, 1 um"), "the same"),
        (("distance", "--from", "1 um, 1 um", "--to", "1 m, 1 um"), "outside of"),
        (("distance", "--from", "1 um", "--to", "1 um, 1 um"), "--from"),
        (("distance", "--from", "9999 px, 1 px", "--to", "1 um, 1 um"), "outside of the image"),
        (("distance", *ENDS, "--reading", "-1 nm"), "zero or more"),
        (("distance", *ENDS, "--level", "95"), "between 0 and 1"),
        (("distance", *ENDS, "--channel", "colour"), "colour"),
        (("angle", "--at", "1 um, 1 um", "--from", "1 um, 1 um", "--to", "2 um, 1 um"), "vertex"),
        (("area", "--point", "0,0 um", "--point", "1,1 um"), "three points"),
        (("pitch", "--pitch", "3 s"), "no length"),
        (("pitch", "--pitch", "3 um, 2 um"), "one pitch"),
        (("pitch", "--pitch", "1,1,1 um"), "--pitch"),
        (("step", "--height", "-3 nm"), "above zero"),
    ],
)
def test_nonsense_is_refused_in_one_sentence(folder: Path, words: tuple[str, ...], says: str) -> None:
    result = run(words[0], folder / "sample.nc", "--model", folder / "model.json", *words[1:])
    assert says in refused(result)


def test_a_missing_pass_and_another_scanner_are_refused() -> None:
    scan, _ = seen()
    _, model = calibrated(0, 0.06)
    alone = scan.replace(channels={"height": scan.height[:1]}, passes=("trace",))
    with pytest.raises(MeasurementError, match="no retrace"):
        measure.distance(model, alone, (0.0, 0.0), (1e-6, 0.0), which="retrace")
    with pytest.raises(ValueError, match="another"):
        measure.distance(model, scan.replace(scanner="another"), (0.0, 0.0), (1e-6, 0.0))
    with pytest.raises(MeasurementError, match="finite"):
        measure.distance(model, scan, (np.nan, 0.0), (1e-6, 0.0))
