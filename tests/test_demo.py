from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest

from calib import read_scan
from calib.demo import TRAVEL, AblatedPits, make_demo, run_demo
from calib.errors import FileError, OutputExistsError
from calib.path import Path as Track
from calib.simulate import Flat, Flaws, VirtualInstrument, raster, true_positions
from calib.simulate.scanner import scanner_physics
from tests.demonstration import demonstrated

# --- the virtual scanner -----------------------------------------------------------------------------

BOX = (20e-6, 30e-6)


def moved(physics, scan, clock: float = 0.0):
    return true_positions(lambda path, samples: physics.motion(path, samples, clock), scan)


@pytest.mark.parametrize("axis", [0, 1])
def test_scanner_has_the_scale_and_the_loop_that_were_asked_for(axis: int) -> None:
    asked = {"scale": (1.03, 0.98), "loop": 0.04, "bending": 0.01}
    physics = scanner_physics(BOX, **asked, seed=5)
    scan = raster(BOX[axis], 65, rotation=axis * np.pi / 2, previous=(0.0, 0.0))
    true = moved(physics, scan)[axis]
    commanded = np.broadcast_to(scan.commanded()[axis], true.shape)
    slope = np.polyfit(commanded.ravel(), true.ravel(), 1)[0]
    assert slope == pytest.approx(asked["scale"][axis], abs=1e-4)
    apart = np.abs(true[0] - true[1])[20:, 32].mean()
    assert apart / BOX[axis] == pytest.approx(0.04, rel=0.01)


def test_scanner_lags_behind_its_command() -> None:
    physics = scanner_physics(BOX, loop=0.05)
    trace, retrace = moved(physics, raster(20e-6, 33))[0]
    assert (trace < retrace)[8:, 8:-8].all()


def test_scanner_bends_as_much_as_asked_and_only_then() -> None:
    scan = raster((BOX[0] * (1 - 1e-9), BOX[1] * (1 - 1e-9)), 65)
    straight, bent = (moved(scanner_physics(BOX, bending=b, seed=2), scan) for b in (0.0, 0.01))
    np.testing.assert_allclose(
        straight, np.broadcast_to(np.stack(scan.commanded())[:, None], straight.shape), atol=1e-12
    )
    values = scanner_physics(BOX, bending=0.01, seed=2).values
    beside_axes = (bent - straight * np.array([values[0], values[1]])[:, None, None, None]) / values[
        :2, None, None, None
    ]
    np.testing.assert_allclose(np.abs(beside_axes).max(axis=(1, 2, 3)) / BOX, 0.01, rtol=1e-6)


def test_scanner_creeps_by_its_share_a_decade() -> None:
    physics = scanner_physics(BOX, creep=0.012)
    # a slow scan of nothing, far from where the scanner rested: the jump goes on
    scan = raster(1e-9, (3, 200), line_period=1.0, previous=(0.0, 0.0), centre=(5e-6, 0.0))
    x = moved(physics, scan)[0, 0, :, 1]
    decade = (x[100] - x[10]) / 5e-6 / np.log10(100 / 10)
    assert decade == pytest.approx(0.012, rel=0.15)  # relaxations are apart, so the growth has waves


def test_scanner_is_skewed_and_drifts() -> None:
    physics = scanner_physics(BOX, skew=0.02, drift=(3e-11, -2e-11))
    scan = raster(10e-6, 17, line_period=2.0)
    early, late = (moved(physics, scan, clock) for clock in (0.0, 1000.0))
    shift = np.array([3e-8, -2e-8])[:, None, None, None]
    np.testing.assert_allclose(late - early, np.broadcast_to(shift, early.shape), rtol=1e-6)
    dx, dy = early[:, 0, -1, 8] - early[:, 0, 0, 8]
    time = Track(scan).line_period * 16
    assert np.arctan2(dx - 3e-11 * time, dy + 2e-11 * time) == pytest.approx(0.02, rel=1e-6)


def test_scanner_indicates_what_its_height_response_makes_true() -> None:
    physics = scanner_physics(BOX, height=(1.05, 4e3, 2e8))
    instrument = VirtualInstrument(physics=physics)
    scan = instrument.record(Flat(slope=(0.1, 0.0)), raster(20e-6, 9)).scan
    m = np.asarray(scan.height)
    true = 0.1 * moved(physics, scan)[0]
    np.testing.assert_allclose(m * (1.05 + m * (4e3 + m * 2e8)), true, rtol=1e-12, atol=1e-18)
    assert np.abs(m - true).max() > 3e-8


def test_same_seed_same_scanner() -> None:
    first, again, other = (scanner_physics(BOX, loop=0.02, bending=0.01, seed=seed).values for seed in (1, 1, 2))
    np.testing.assert_array_equal(first, again)
    assert not np.allclose(first, other)


# --- the sample --------------------------------------------------------------------------------------


def test_pits_are_as_deep_as_said_and_regular() -> None:
    sample = AblatedPits(lapping=0.0)
    x = np.linspace(-0.5e-6, 0.5e-6, 11)
    bottom = sample.relief(x, np.zeros(11))
    assert bottom[5] == pytest.approx(-250e-9, rel=0.07)
    assert sample.relief(np.array([2e-6]), np.array([2e-6]))[0] == pytest.approx(0, abs=1e-9)
    rim = sample.relief(np.linspace(1e-6, 2e-6, 101), np.zeros(101))
    assert 30e-9 < rim.max() < 50e-9
    assert 1.4e-6 < 1e-6 + 1e-8 * rim.argmax() < 1.6e-6


# --- the files ---------------------------------------------------------------------------------------


def test_folder_that_holds_something_is_left_alone(tmp_path: Path) -> None:
    mine = tmp_path / "notes.txt"
    mine.write_text("mine")
    with pytest.raises(OutputExistsError, match="--force"):
        make_demo(tmp_path, points=16)
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]
    make_demo(tmp_path, points=16, force=True)
    make_demo(tmp_path, points=16, force=True)
    assert mine.read_text() == "mine"
    with pytest.raises(FileError, match="is a file"):
        make_demo(mine, points=16)


def test_folder_is_refused_before_anything_is_said(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    said: list[str] = []
    with pytest.raises(OutputExistsError, match="--force"):
        run_demo(tmp_path, lambda words: 0, lambda *lines: said.extend(lines))
    assert said == []


def test_files_are_the_same_each_time(tmp_path: Path) -> None:
    for name in ("a", "b"):
        make_demo(tmp_path / name, points=16)
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes(), path.name


def test_plans_name_files_that_exist() -> None:
    folder = demonstrated().folder
    for name in ("plan.toml", "checks.toml"):
        for scan in tomllib.loads((folder / name).read_text("utf-8"))["scan"]:
            assert (folder / scan["file"]).is_file()
            assert (folder / scan["standard"]).is_file()


def test_scans_say_all_that_a_scan_can_say() -> None:
    scan = read_scan(demonstrated().folder / "grid-turned.nc")
    assert (scan.scanner, scan.frame, scan.z_centre) == ("bench-1 chip 7", "up", 0.0)
    assert scan.rotation == pytest.approx(np.pi / 2)
    # it began where the frame before it ended
    before = Track(read_scan(demonstrated().folder / "grid-lower-right.nc")).last
    assert (scan.previous_x, scan.previous_y) == pytest.approx(before)


def test_checks_use_other_standards_than_the_calibration() -> None:
    folder = demonstrated().folder
    used, checked = (
        {scan["standard"] for scan in tomllib.loads((folder / name).read_text("utf-8"))["scan"]}
        for name in ("plan.toml", "checks.toml")
    )
    assert used == {"grid.toml", "step.toml"}
    assert not used & checked


# --- the whole run -----------------------------------------------------------------------------------


def test_every_command_is_shown_and_went_well() -> None:
    run = demonstrated()
    assert [words[0] for words in run.commands] == ["inspect", "calibrate", "show", "correct", "verify"]
    assert run.found["exit_codes"] == [0] * 5
    for written in ("model.json", "model.png", "corrected/sample.nc", "corrected/sample.png", "verification.json"):
        assert (run.folder / written).stat().st_size > 0
    assert all(Path(name).is_file() and name in run.said for name in run.found["figures"])


def test_numbers_agree_with_the_truth_within_their_uncertainty() -> None:
    for name, q in demonstrated().found["truth"]["quantities"].items():
        assert abs(q["found"] - q["true"]) <= 2.5 * q["u"], name
    assert demonstrated().found["truth"]["within_stated"] > 0.9


def test_correction_helps_and_by_how_much() -> None:
    error = demonstrated().found["truth"]["position_error"]
    assert error["before"]["rms"] > 0.01 * 0.7 * TRAVEL
    assert error["after"]["rms"] < 0.0015 * TRAVEL  # what the issue asks for on harder physics
    assert error["after"]["rms"] < error["before"]["rms"] / 8


def test_checks_conform_and_measure_what_is_true() -> None:
    run = demonstrated()
    checks = json.loads((run.folder / "verification.json").read_text("utf-8"))["checks"]
    assert [check["verdict"] for check in checks] == ["conforms"] * 3
    assert all(check["independent"] for check in checks)
    pitch = checks[0]["results"][0]
    assert abs(pitch["measured"] - run.found["truth"]["grating_pitch"]) < pitch["U"]
    assert pitch["U"] < 0.01 * pitch["reference"]


def test_demo_says_that_it_flatters() -> None:
    said = demonstrated().said
    assert "Only in a demo" in said
    assert "expect worse" in said


def test_truth_is_compared_after_a_rigid_motion_only() -> None:
    from calib.demo import _after_rigid_motion

    rng = np.random.default_rng(0)
    true = rng.normal(size=(2, 3, 4))
    turned = np.einsum("ij,j...->i...", np.array([[np.cos(0.3), -np.sin(0.3)], [np.sin(0.3), np.cos(0.3)]]), true) + 5
    np.testing.assert_allclose(_after_rigid_motion(turned, true), 0, atol=1e-12)
    assert np.abs(_after_rigid_motion(1.01 * true, true)).max() > 1e-3  # a wrong scale stays visible


def test_flaws_are_in_the_scans() -> None:
    # the scan of the first frame is not the bare surface: noise of 1 nm at least
    height = np.asarray(read_scan(demonstrated().folder / "step.nc").height)
    plateau = height[0, 40:56, :20]
    assert 0.5e-9 < np.median(np.abs(np.diff(plateau, 2, axis=1))) / 0.6745 / np.sqrt(6) < 2e-9
    assert Flaws().noise == 0
