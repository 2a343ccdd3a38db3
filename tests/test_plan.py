from __future__ import annotations

import hashlib
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from calib import write_scan
from calib.errors import CalibError, FileError, PlanError
from calib.plan import read_plan, read_scan_as, reading_keys
from calib.scan import Scan
from calib.simulate import raster
from calib.standard import Grid, Step

GRID = 'kind = "grid"\nname = "G"\npitch_x = "2 µm"\npitch_y = "2 µm"\nangle = "90 deg"\n'


def a_scan(**fields) -> Scan:
    empty = raster(10e-6, 8, **{"previous": (0.0, 0.0), "scanner": "bench-1 chip 7", **fields})
    values = np.random.default_rng(len(fields)).normal(size=empty.shape)
    return empty.replace(channels={"height": 1e-9 * values, "light": values})


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_scan(tmp_path / "up.nc", a_scan())
    write_scan(tmp_path / "down.nc", a_scan(frame="down", title="down"))
    (tmp_path / "grid.toml").write_text(GRID.replace('"2 µm"', '{ value = "2 µm", U = "2 nm", k = 2 }').replace(
        '"90 deg"', '{ value = "90 deg", tolerance = "0.1 deg" }'
    ), "utf-8")  # fmt: skip
    (tmp_path / "heights.txt").write_text("\n".join(" ".join(f"{i * j}.5" for i in range(8)) for j in range(8)))
    return tmp_path


def plan(folder: Path, text: str) -> Path:
    path = folder / "plan.toml"
    path.write_text(text, "utf-8")
    return path


UP = '[[scan]]\nfile = "up.nc"\nstandard = "grid.toml"\n'


def test_plan_says_scanner_scans_and_standards(folder: Path) -> None:
    text = f"""
        [scanner]
        name = "bench-1 chip 7"
        travel = ["20 µm", "0.02 mm", "4 µm"]
        controller = {{ gain = 2, linearised = false }}
        {UP}
        [[scan]]
        file = "down.nc"
        standard = "step-100nm"
        turned = "90 deg"
        channel = "light"
    """
    path = plan(folder, text)
    found = read_plan(path)
    assert found.scanner.name == "bench-1 chip 7"
    assert found.scanner.travel == (20e-6, 20e-6, 4e-6)
    assert dict(found.scanner.controller or {}) == {"gain": 2, "linearised": False}
    assert (found.file, found.sha256) == ("plan.toml", hashlib.sha256(path.read_bytes()).hexdigest())
    up, down = found.pairs
    assert isinstance(up.standard, Grid)
    assert isinstance(down.standard, Step)
    assert up.turned is None
    assert down.turned == pytest.approx(np.pi / 2)
    assert (up.scan.channel, down.scan.channel) == ("height", "light")
    for pair in found.pairs:
        name = str(pair.scan.attributes["file"])
        assert pair.scan.attributes["sha256"] == hashlib.sha256((folder / name).read_bytes()).hexdigest()


def test_scanner_may_be_a_name_or_left_out(folder: Path) -> None:
    assert read_plan(plan(folder, 'scanner = "bench-1 chip 7"\n' + UP)).scanner.name == "bench-1 chip 7"
    nothing = read_plan(plan(folder, UP)).scanner
    assert (nothing.name, nothing.travel, nothing.controller) == ("", None, None)


def test_files_are_relative_to_the_plan(folder: Path, tmp_path_factory, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path_factory.mktemp("elsewhere"))
    assert len(read_plan(plan(folder, UP)).pairs) == 1


def test_what_is_said_by_hand_replaces_what_the_file_says(folder: Path) -> None:
    more = """
        frame = "down"
        line_period = "0.5 s"
        turnaround = "20 ms"
        rotation = "90 deg"
        started = 2026-03-04T10:00:00
        z_centre = "-1 µm"
        attributes = { operator = "nobody" }
    """
    scan = read_plan(plan(folder, UP + more)).pairs[0].scan
    assert (scan.frame, scan.line_period, scan.turnaround, scan.z_centre) == ("down", 0.5, 0.02, -1e-6)
    assert scan.rotation == pytest.approx(np.pi / 2)
    assert scan.started == datetime(2026, 3, 4, 10)
    assert scan.attributes["operator"] == "nobody"
    assert scan.attributes["file"] == "up.nc"
    assert scan.previous_x == 0  # the rest stays as it was


def test_text_takes_its_reading_options_and_fields(folder: Path) -> None:
    more = 'file = "heights.txt"\nstandard = "grid.toml"\npixel_size = "50 nm"\nunit = "nm"\nframe = "down"\n'
    scan = read_plan(plan(folder, "[[scan]]\n" + more)).pairs[0].scan
    assert scan.spacing == pytest.approx((50e-9, 50e-9))
    assert scan.height.max() == pytest.approx(49.5e-9)
    assert scan.frame == "down"


def test_scan_alone_is_read_with_the_same_keys(folder: Path) -> None:
    scan = read_scan_as(folder / "up.nc", {"probe": "tip 3"}, channel="light")
    assert (scan.probe, scan.channel) == ("tip 3", "light")
    assert {"pixel_size", "unit", "passes", "frame", "started"} <= set(reading_keys())
    with pytest.raises(PlanError, match="did you mean 'frame'"):
        read_scan_as(folder / "up.nc", {"fram": "up"})


BAD = {
    "no TOML": ("scan = [", "not valid TOML"),
    "no scans": ('scanner = "a"', "names no scans"),
    "single brackets": ('[scan]\nfile = "up.nc"', "double brackets"),
    "list of names": ('scan = ["up.nc"]', "double brackets"),
    "unknown key": ('scaner = "a"\n' + UP, "no key 'scaner': did you mean 'scanner'"),
    "unknown key of the scanner": ('[scanner]\nnme = "a"\n' + UP, "no key 'nme': did you mean 'name'"),
    "unknown key of a scan": (UP + 'standrad = "a"', "scan 1: there is no key 'standrad': did you mean 'standard'"),
    "scanner is no name": ("scanner = 3\n" + UP, "scanner must be a name"),
    "name is no text": ("[scanner]\nname = 3\n" + UP, "name must be a text"),
    "travel without unit": ('[scanner]\ntravel = ["20 µm", "20"]\n' + UP, "has no unit"),
    "travel is a number": ("[scanner]\ntravel = [20, 20]\n" + UP, "must be a text with a unit"),
    "travel along one axis": ('[scanner]\ntravel = ["20 µm"]\n' + UP, "two or three lengths"),
    "travel is one text": ('[scanner]\ntravel = "20 µm"\n' + UP, "two or three lengths"),
    "travel is negative": ('[scanner]\ntravel = ["20 µm", "-20 µm"]\n' + UP, "more than zero"),
    "travel is a time": ('[scanner]\ntravel = ["20 s", "20 s"]\n' + UP, "is no length"),
    "missing file": (UP + '[[scan]]\nfile = "gone.nc"\nstandard = "grid.toml"', "scan 2: it names gone.nc, but"),
    "no file": ('[[scan]]\nstandard = "grid.toml"', "scan 1: it has no file"),
    "no standard": ('[[scan]]\nfile = "up.nc"', "scan 1: it has no standard"),
    "file is no text": ('[[scan]]\nfile = 3\nstandard = "grid.toml"', "file must be a text"),
    "unknown standard": ('[[scan]]\nfile = "up.nc"\nstandard = "grid-3um"', "no packaged standard of that name"),
    "a scan as standard": ('[[scan]]\nfile = "up.nc"\nstandard = "down.nc"', "down.nc"),
    "a standard as scan": ('[[scan]]\nfile = "grid.toml"\nstandard = "grid.toml"', "scan 1: "),
    "same file twice": (UP + UP, "scan 2: up.nc has the content of scan 1 already"),
    "turned without unit": (UP + 'turned = "90"', "scan 1: turned: '90' has no unit"),
    "turned is a number": (UP + "turned = 90", "must be a text with a unit"),
    "wrong unit": (UP + 'line_period = "1 µm"', "scan 1: line_period: '1 µm' is no time"),
    "wrong choice": (UP + 'frame = "left"', "scan 1: frame must be 'up' or 'down'"),
    "missing channel": (UP + 'channel = "phase"', "phase"),
    "option of another format": (UP + 'pixel_size = "50 nm"', "scan 1: There is no option 'pixel_size'"),
    "another scanner": ('scanner = "chip 8"\n' + UP, "is of scanner 'bench-1 chip 7', but the plan is for 'chip 8'"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_plan_gets_one_sentence_that_names_plan_and_place(folder: Path, case: str) -> None:
    text, words = BAD[case]
    path = plan(folder, text)
    with pytest.raises(PlanError) as caught:
        read_plan(path)
    message = str(caught.value)
    assert words in message
    assert message.startswith(str(path))
    assert "\n" not in message
    assert message.rstrip()[-1] in ".?"


def test_copied_file_is_noticed(folder: Path) -> None:
    (folder / "copy.nc").write_bytes((folder / "up.nc").read_bytes())
    with pytest.raises(PlanError, match=r"copy\.nc has the content of scan 1"):
        read_plan(plan(folder, UP + '[[scan]]\nfile = "copy.nc"\nstandard = "grid.toml"'))


def test_missing_plan(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="There is no file"):
        read_plan(tmp_path / "plan.toml")


def test_scan_of_another_scanner_by_hand(folder: Path) -> None:
    with pytest.raises(CalibError, match="'chip 9'"):
        read_plan(plan(folder, 'scanner = "bench-1 chip 7"\n' + UP + 'scanner = "chip 9"'))
