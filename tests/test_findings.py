"""What `inspect_scan` finds, and that it stays silent about clean scans; how often is measured in the benchmarks."""

from __future__ import annotations

import numpy as np
import pytest

from calib.findings import SEVERITIES, Finding, inspect_scan, worst
from calib.scan import Scan
from calib.simulate import faults
from tests.benchmarks.findings import FAULTS, found, serious
from tests.benchmarks.scenes import clean

CLEAN, MOST_BLAMED = 16, 1
EACH, MOST_MISSED = 2, 1


def kinds(scan: Scan, **options: object) -> set[str]:
    return {finding.kind for finding in serious(inspect_scan(scan))}


def grid(seed: int = 3, **fixed: object) -> Scan:
    """A small grid with nothing wrong about it."""
    fixed = {"points": 128, "passes": 2, "pattern": "raster", "line_period": 1.0, "gaps": 0.0} | fixed
    return clean(seed, "grid", **fixed).scan


def plain(values: np.ndarray, **fields: object) -> Scan:
    passes = ("trace", "retrace")[: len(values)]
    steps = [np.arange(n) * 1e-7 for n in values.shape[1:]]
    return Scan(channels={"height": values}, fast=steps[1], slow=steps[0], passes=passes, **fields)  # type: ignore[arg-type]


# --- what a finding is ---------------------------------------------------------------------------


def test_finding_as_json_object() -> None:
    finding = Finding(
        kind="a",
        severity="note",
        message="b",
        advice="c",
        effect="d",
        lines=(1, 2),
        runs=((1, 1), (2, 2)),
        passes=("trace",),
    )
    assert finding.to_dict() == {
        "kind": "a",
        "severity": "note",
        "message": "b",
        "advice": "c",
        "effect": "d",
        "lines": [1, 2],
        "runs": [[1, 1], [2, 2]],
        "area": None,
        "passes": ["trace"],
    }


def test_worst_comes_first() -> None:
    scan = faults.without_lines(grid(), [20, 50, 51]).replace(line_period=None, turnaround=None)
    order = [SEVERITIES.index(finding.severity) for finding in inspect_scan(scan)]
    assert order == sorted(order, reverse=True)
    assert len(set(order)) > 1
    assert worst(inspect_scan(scan)) == "warning"
    assert worst([]) is None


def test_place_of_missing_lines() -> None:
    (finding,) = [each for each in inspect_scan(faults.without_lines(grid(), [20, 50])) if each.kind == "missing lines"]
    assert finding.lines == (20, 50)
    assert finding.runs == ((20, 20), (50, 50))
    assert finding.passes == ("trace", "retrace")


def test_same_scan_same_findings() -> None:
    scan = faults.without_lines(grid(), [20])
    assert inspect_scan(scan) == inspect_scan(scan)


# --- scans of all sorts --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "shape", [(1, 1, 1), (1, 1, 40), (2, 8, 8), (2, 9, 17), (1, 33, 31), (2, 64, 16), (1, 12, 300)]
)
@pytest.mark.parametrize(
    "content", ["noise", "constant", "nothing", "hardly anything", "infinite", "huge", "whole numbers"]
)
def test_any_scan_is_inspected(shape: tuple[int, int, int], content: str) -> None:
    rng = np.random.default_rng(0)
    values = rng.normal(size=shape) * 1e-9
    if content == "constant":
        values[:] = 1e-9
    elif content == "nothing":
        values[:] = np.nan
    elif content == "hardly anything":
        values[rng.uniform(size=shape) < 0.95] = np.nan
    elif content == "infinite":
        values[:, 0, 0] = np.inf
    elif content == "huge":
        values *= 1e300
    elif content == "whole numbers":
        values = np.rint(values * 1e9)
    for scan in (plain(values), plain(values, frame="down", line_period=1.0)):
        for finding in inspect_scan(scan):
            assert finding.message.endswith(".")
            assert finding.advice.endswith(".")
    if shape[0] == 1:
        inspect_scan(plain(values, pattern="serpentine"))


def test_nothing_and_one_value_are_errors() -> None:
    assert {each.kind for each in inspect_scan(plain(np.full((2, 32, 32), np.nan))) if each.severity == "error"} == {
        "no data"
    }
    assert {each.kind for each in inspect_scan(plain(np.full((1, 32, 32), 1e-9))) if each.severity == "error"} == {
        "no signal"
    }


def test_infinite_values_are_gaps() -> None:
    scan = grid()
    values = np.array(scan.values)
    values[0, 5, 5] = np.inf
    assert "impossible values" in kinds(scan.replace(channels={"height": values}))


def test_copied_pass() -> None:
    scan = grid()
    assert "copied pass" in kinds(scan.replace(channels={"height": scan.values[[0, 0]]}))


# --- what single checks tell apart ----------------------------------------------------------------


def test_dust_and_corners_are_no_streaks() -> None:
    # what both passes show on the same line is on the surface
    scan = grid()
    values = np.array(scan.values)
    for row in (30, 60, 90, 110):
        values[:, row, 40:80] += 100e-9
    assert "streaks" not in kinds(scan.replace(channels={"height": values}))
    values = np.array(scan.values)
    for row in (30, 60, 90, 110):
        values[row // 10 % 2, row, 40:80] += 100e-9
    (finding,) = [each for each in inspect_scan(scan.replace(channels={"height": values})) if each.kind == "streaks"]
    assert {first for first, _ in finding.runs} == {30, 60, 90, 110}
    assert finding.area is not None
    assert finding.area[2] <= 40
    assert finding.area[3] >= 79


def test_edges_along_the_lines_are_no_jumps() -> None:
    rng = np.random.default_rng(1)
    values = rng.normal(0, 1e-10, (1, 128, 128))
    values[:, 40:60] += 50e-9
    values[:, 80:100] += 50e-9
    assert "jump" not in kinds(plain(values))
    once = rng.normal(0, 1e-10, (1, 128, 128))
    once[:, 40:] += 50e-9
    assert "jump" in kinds(plain(once))


@pytest.mark.parametrize("along_lines_only", [True, False])
def test_a_slow_signal_is_no_filter(along_lines_only: bool) -> None:
    from scipy import ndimage

    white = np.random.default_rng(2).normal(0, 1e-9, (1, 160, 160))
    sigma = (0.0, 0.0, 1.2) if along_lines_only else (0.0, 1.2, 1.2)
    found = "filtered" in kinds(plain(np.asarray(ndimage.gaussian_filter(white, sigma))))
    assert found is not along_lines_only


def test_plane_taken_off_is_found_in_spite_of_gaps_and_in_serpentines() -> None:
    rng = np.random.default_rng(3)
    y, x = np.meshgrid(np.linspace(-1, 1, 96), np.linspace(-1, 1, 96), indexing="ij")
    values = (rng.normal(0, 1e-9, (1, 96, 96)) + 20e-9 * (x**2 - x * y))[:]
    values[:, 10:12, 40:60] = np.nan
    for pattern in ("raster", "serpentine"):
        scan = plain(values, pattern=pattern)
        assert "levelled" not in {each.kind for each in inspect_scan(scan)}
        assert "levelled" in {each.kind for each in inspect_scan(faults.levelled(scan, "plane"))}


def test_tilt_is_measured() -> None:
    rng = np.random.default_rng(4)
    x = np.arange(96) * 1e-7
    scan = plain(rng.normal(0, 1e-9, (1, 96, 96)) + np.tan(np.deg2rad(6)) * x)
    (finding,) = [each for each in inspect_scan(scan) if each.kind == "tilt"]
    assert "tilted by 6°" in finding.message
    assert finding.severity == "warning"


def test_grid_at_any_angle_shows_its_pattern() -> None:
    for seed in (101, 356):  # at nearly 45 degrees, where the diagonals are as near to the axes as the rows
        scene = clean(seed, points=128)
        assert "no such pattern" not in {each.kind for each in inspect_scan(scene.scan, scene.standard)}


# --- faults, and none ----------------------------------------------------------------------------


def test_clean_scans_raise_next_to_nothing() -> None:
    blamed = {}
    for seed in range(CLEAN):
        scene = clean(seed, points=128)
        if names := {each.kind for each in serious(inspect_scan(scene.scan, scene.standard))}:
            blamed[seed] = names
    assert len(blamed) <= MOST_BLAMED, blamed


@pytest.mark.parametrize("name", FAULTS)
def test_faults_are_found(name: str) -> None:
    missed = [seed for seed in range(EACH) if not found(name, seed)]
    assert len(missed) <= MOST_MISSED, missed
