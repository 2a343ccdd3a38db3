"""What moves the pattern of a scan: sideways jumps, drift; medians; what a file says of itself; large scans."""

from __future__ import annotations

import dataclasses
import tracemalloc

import numpy as np
import pytest

from calib.findings import Finding, inspect_scan
from calib.findings.against import against_standard
from calib.findings.past import filtered, repeats
from calib.findings.pattern import Phases, sideways
from calib.findings.samples import Statistics, possible
from calib.findings.sheet import sheets
from calib.scan import Scan
from calib.simulate import faults
from calib.standard import Grid, Value
from tests.benchmarks.scenes import Scene, clean
from tests.benchmarks.spoilt import FAULTS

PITCH = 15.0  # pixels


def lines(displacement: np.ndarray, theta: float = 0.1, noise: float = 0.05, passes: int = 2, **fields: object) -> Scan:
    """Lines of a grating that the fast axis crosses, each row displaced across them by so many periods."""
    rows, columns = np.meshgrid(np.arange(displacement.size), np.arange(160), indexing="ij")
    phase = (columns * np.cos(theta) + rows * np.sin(theta)) / PITCH - displacement[:, None]
    rng = np.random.default_rng(0)
    values = np.tanh(4 * np.cos(2 * np.pi * phase)) + rng.normal(0, noise, (passes, *phase.shape))
    fast, slow = np.arange(160) * 1e-8, np.arange(displacement.size) * 1e-8
    names = ("trace", "retrace")[:passes]
    return Scan(channels={"height": 20e-9 * values}, fast=fast, slow=slow, passes=names, **fields)  # type: ignore[arg-type]


def told(scan: Scan) -> list[Finding]:
    return list(sideways([Statistics.of(sheet) for sheet in sheets(scan)]))


@pytest.mark.parametrize("fields", [{}, {"passes": 1}, {"passes": 1, "pattern": "serpentine"}])
def test_place_and_size_of_a_sideways_jump(fields: dict[str, object]) -> None:
    jump = np.where(np.arange(192) >= 80, 0.3, 0.0)
    (finding,) = told(lines(jump, **fields))  # type: ignore[arg-type]
    assert finding.kind == "sideways jump"
    assert finding.severity == "warning"
    assert finding.lines is not None
    assert finding.lines[0] <= 80 <= finding.lines[1]
    assert "by 0.30 of its period" in finding.message
    assert abs(float(finding.message.split("about ")[1].split(" pixels")[0]) - 0.3 * PITCH) < 0.11
    assert told(lines(0 * jump, **fields)) == []  # type: ignore[arg-type]


def test_a_jump_of_one_pass_or_of_a_whole_period_is_none() -> None:
    still, jump = np.zeros(192), np.where(np.arange(192) >= 80, 0.3, 0.0)
    one = lines(still).values.copy()
    one[1] = lines(jump).values[1]
    assert told(lines(still).replace(channels={"height": one})) == []
    assert told(lines(jump / 0.3)) == []


def test_drift_that_settles_is_a_note_and_steady_drift_is_none() -> None:
    time = np.linspace(0, 1, 192)
    settling = 3.0 * (1 - np.exp(-time / 0.25))  # 45 pixels in the end, a quarter of the frame
    (finding,) = told(lines(settling))
    assert (finding.kind, finding.severity) == ("drift", "note")
    departure = settling - np.polyval(np.polyfit(time, settling, 1), time)
    (wave,) = Phases.of(Statistics.of(sheets(lines(settling))[0]))
    found = wave.departure()
    assert found is not None
    # the ends, where it departs most, are averaged with what lies inside of them
    assert 0.7 * np.ptp(departure) * PITCH < found[0] < np.ptp(departure) * PITCH
    assert told(lines(3.0 * time)) == []


def test_no_pattern_no_phases() -> None:
    step = np.where(np.arange(160) > 80, 50e-9, 0.0) + np.random.default_rng(0).normal(0, 1e-9, (1, 128, 160))
    steps = np.arange(160) * 1e-8
    scan = Scan(channels={"height": step}, fast=steps, slow=steps[:128])
    assert Phases.of(Statistics.of(sheets(scan)[0])) == []


# --- against the standard ------------------------------------------------------------------------


def grid(points: int = 256, longer: float = 0.0, skew: float = 0.0, **fields: object) -> tuple[Scan, Grid]:
    """A grid at 10 degrees, lengthened along the slow axis and skewed."""
    x, y = np.meshgrid(np.arange(points) * 10e-9, np.arange(points) * 10e-9)
    y = y / (1 + longer)
    x = x - skew * y
    pitch = 20 * 10e-9 * points / 256
    u, v = (np.cos(a) * x + np.sin(a) * y for a in (0.17, 0.17 + np.pi / 2))
    rng = np.random.default_rng(1)
    relief = 20e-9 * (np.cos(2 * np.pi * u / pitch) + np.cos(2 * np.pi * v / pitch)) + rng.normal(0, 1e-9, x.shape)
    axis = np.arange(points) * 10e-9
    side = Value(pitch, 1e-3 * pitch)
    standard = Grid(name="grid", pitch_x=side, pitch_y=side, angle=Value(np.pi / 2, 1e-4))
    return Scan(channels={"height": relief[None]}, fast=axis, slow=axis, **fields), standard  # type: ignore[arg-type]


def test_stretched_pattern_is_measured() -> None:
    (finding,) = against_standard(*grid(longer=0.08))
    assert (finding.kind, finding.severity) == ("stretched pattern", "note")
    # 12 periods: the place of a peak is sure to a small part of a period
    assert abs(float(finding.message.split("look ")[1].split(" %")[0]) - 8.0) < 0.5
    assert "longer" in finding.message
    (skewed,) = against_standard(*grid(skew=0.06))
    assert abs(float(skewed.message.split("stand ")[1].split("°")[0]) - np.degrees(0.06)) < 0.3
    assert list(against_standard(*grid())) == []


@pytest.mark.parametrize("theta", [0.1, 1.0, 1.5, 1.67, -0.1])
def test_a_grid_with_two_pitches_is_not_stretched_wherever_it_points(theta: float) -> None:
    axis = np.arange(256) * 10e-9
    x, y = np.meshgrid(axis, axis)
    u, v = (np.cos(a) * x + np.sin(a) * y for a in (theta, theta + np.pi / 2))
    relief = 20e-9 * (np.cos(2 * np.pi * u / 200e-9) + np.cos(2 * np.pi * v / 230e-9))
    relief += np.random.default_rng(1).normal(0, 1e-9, x.shape)
    sides = Value(200e-9, 2e-10), Value(230e-9, 2e-10)
    standard = Grid(name="grid", pitch_x=sides[0], pitch_y=sides[1], angle=Value(np.pi / 2, 1e-4))
    assert list(against_standard(Scan(channels={"height": relief[None]}, fast=axis, slow=axis), standard)) == []


def test_corrected_scans_are_warned_of_sooner() -> None:
    scan, standard = grid(longer=0.026)
    assert list(against_standard(scan, standard)) == []
    (finding,) = against_standard(scan.replace(frame_of_reference="true"), standard)
    assert finding.severity == "warning"


def test_large_scan_is_compared_in_fewer_points() -> None:
    assert list(against_standard(*grid(points=1280))) == []
    (finding,) = against_standard(*grid(points=1280, longer=0.08))
    assert finding.kind == "stretched pattern"
    scan, standard = grid(points=1280)
    other = dataclasses.replace(standard, pitch_x=Value(50e-9, 1e-11), pitch_y=Value(50e-9, 1e-11))
    assert [each.kind for each in against_standard(scan, other)][-1] == "no such pattern"


# --- medians -------------------------------------------------------------------------------------


@pytest.mark.parametrize("quantum", [0.0, 0.2])
def test_medians_are_told_from_rounding(quantum: float) -> None:
    noise = np.random.default_rng(2).normal(size=(128, 128))
    image = np.rint(noise / quantum) * quantum if quantum else noise
    scan = Scan(channels={"a": image[None]}, fast=np.arange(128.0), slow=np.arange(128.0))
    assert not repeats(image)
    assert repeats(faults.smoothed(scan, "median", 3).values[0])
    # along the lines only, as a recorder may do
    from scipy import ndimage

    assert not repeats(np.asarray(ndimage.median_filter(noise, (1, 3))))


def test_coarse_steps_are_no_medians() -> None:
    number = list(FAULTS).index("quantised heights")
    coarse, _ = FAULTS["quantised heights"].spoil(
        np.random.default_rng((8342, 50, number)), 1_000_000 * (number + 1) + 8342
    )
    statistics = [Statistics.of(sheet) for sheet in sheets(coarse)]
    assert repeats(np.asarray(coarse.values[0], dtype=np.float64))  # by the step alone
    assert list(filtered(statistics)) == []


# --- what a file says of itself --------------------------------------------------------------------


def test_wrong_checksum_and_leaning_frame() -> None:
    scene: Scene = clean(3, "grid", points=96)
    attributes = {"wrong_checksum": "main.xml", "frame_tilt": 0.02}
    found = {each.kind: each for each in inspect_scan(scene.scan.replace(attributes=attributes))}
    assert found["checksum"].severity == "warning"
    assert "main.xml" in found["checksum"].message
    assert found["leaning frame"].severity == "note"
    assert "1.15°" in found["leaning frame"].message
    plain = inspect_scan(scene.scan.replace(attributes={"frame_tilt": "oblique"}))
    assert not {"checksum", "leaning frame"} & {each.kind for each in plain}


# --- large scans -----------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["float32", "float64"])
def test_memory_of_a_large_scan(kind: str) -> None:
    side = 1536
    x = np.arange(side)
    relief = np.asarray(50e-9 * (np.sin(x / 40) > 0) * (np.sin(x[:, None] / 40) > 0), dtype=kind)
    relief += np.random.default_rng(0).normal(0, 1e-9, (side, side)).astype(kind)
    relief.flags.writeable = False
    scan = Scan(channels={"height": relief[None]}, fast=x * 2e-9, slow=x * 2e-9, frame="up", line_period=1.0)
    inspect_scan(scan.replace(channels={"height": relief[None, :64, :64]}, fast=scan.fast[:64], slow=scan.slow[:64]))
    tracemalloc.start()
    inspect_scan(scan)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # besides the heights half of their memory, and six pictures at a time of 1024 x 1024 points in double precision
    assert peak < 0.5 * relief.nbytes + 6 * 1024**2 * 8


def test_impossible_values_make_one_copy() -> None:
    values = np.ones((1, 1100, 1100))
    values[0, 1000, 3] = np.inf
    scan = Scan(channels={"height": values}, fast=np.arange(1100.0), slow=np.arange(1100.0))
    tracemalloc.start()
    cured = possible(scan)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert np.isnan(cured.values[0, 1000, 3])
    assert np.isfinite(cured.values).sum() == 1100**2 - 1
    assert peak < 1.5 * values.nbytes
