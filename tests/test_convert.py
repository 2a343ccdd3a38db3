"""From any format to any other, and the list of what is lost."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from calib.cli import app
from calib.errors import ScanError
from calib.formats import read_scan, write_scan
from calib.formats.converting import Content, convert, lost
from calib.formats.joining import join_passes
from calib.plan import reading_keys
from tests.test_formats_native import SHARED, assert_same, full_scan, scans

RUNNER = CliRunner()


def run(*arguments: object, code: int = 0) -> Any:
    result = RUNNER.invoke(app, ["convert", *map(str, arguments)])
    assert result.exit_code == code, result.output
    return result


def one_pass() -> Any:
    scan = full_scan()
    return scan.replace(channels={"height": scan.height[:1]}, units={}, channel="", passes=("trace",))


@pytest.mark.parametrize("first", ["nc", "tif", "xyz"])
@pytest.mark.parametrize("second", ["nc", "tif", "xyz"])
def test_nothing_is_lost_between_formats_that_hold_all(tmp_path: Path, first: str, second: str) -> None:
    write_scan(tmp_path / f"a.{first}", full_scan())
    assert convert(read_scan(tmp_path / f"a.{first}"), tmp_path / f"b.{second}") == []
    read = read_scan(tmp_path / f"b.{second}")
    assert_same(read, full_scan(), channels=False)
    assert read.attributes["model_sha256"] == "ab" * 32
    for name in full_scan().channels:
        np.testing.assert_array_equal(read.channels[name], full_scan().channels[name])


@pytest.mark.parametrize("ending", ["nc", "tif", "xyz", "txt", "csv.gz", "sdf", "x3p"])
def test_provenance_of_a_corrected_scan_goes_everywhere(tmp_path: Path, ending: str) -> None:
    marks = {
        "model_sha256": "ab" * 32,
        "source_sha256": "cd" * 32,
        "correction_options": '{"interpolation": "cubic", "step": null, "names": "µ \\"*\\""}',
        "calib_version": "0.1.0",
    }
    gone = convert(one_pass().replace(attributes=marks), tmp_path / f"a.{ending}")
    read = read_scan(tmp_path / f"a.{ending}")
    np.testing.assert_array_equal(read.height, one_pass().height)
    assert {name: read.attributes.get(name) for name in marks} == marks, gone
    assert read.frame_of_reference == "true"


@given(scan=scans(), ending=st.sampled_from(["nc", "tif", "xyz"]))
@SHARED
def test_any_scan_is_converted_without_loss(tmp_path: Path, scan: Any, ending: str) -> None:
    assert convert(scan, tmp_path / f"a.{ending}", force=True) == []


def test_every_loss_is_told() -> None:
    scan = full_scan()
    height = scan.height
    changes: tuple[tuple[dict[str, Any], str], ...] = (
        ({"channels": {"height": height}}, "The channel image is not in it."),
        ({"units": {"image": "A"}}, "The unit of image, 'V', is 'A' in it."),
        ({"fast": scan.fast * 1.001}, "Coordinates along fast differ by up to 2 nm."),
        (
            {"channels": {**scan.channels, "height": height * 1.001}},
            "The numbers of height are rounded: they differ by",
        ),
        ({"channels": {**scan.channels, "height": np.nan_to_num(height)}}, "points without data are not the same ones"),
        ({"title": "", "line_period": None, "turnaround": None}, "does not hold: line_period, title, turnaround."),
        ({"attributes": {}}, "Of the rest it does not hold: count, factor, model_sha256"),
    )
    before = Content.of(scan)
    assert list(lost(before, before)) == []
    for change, words in changes:
        (told,) = lost(before, Content.of(scan.replace(**change)))
        assert words in told
    (told,) = lost(
        before, Content.of(scan.replace(passes=("trace",), channels={n: v[:1] for n, v in scan.channels.items()}))
    )
    assert told == "The pass retrace is not in it."


def test_command(tmp_path: Path) -> None:
    write_scan(tmp_path / "a.nc", full_scan())
    result = run(tmp_path / "a.nc", "-o", tmp_path / "a.tif")
    assert result.stdout == f"{tmp_path / 'a.nc'} -> {tmp_path / 'a.tif'}\n"
    assert "exists already" in run(tmp_path / "a.nc", "-o", tmp_path / "a.tif", code=2).stderr
    run(tmp_path / "a.nc", "-o", tmp_path / "a.tif", "--force")
    told = json.loads(
        run(tmp_path / "a.nc", "-o", tmp_path / "h.txt", "--channel", "height", "--write", "unit=nm", "--json").stdout
    )
    assert told[0]["output"] == str(tmp_path / "h.txt")
    assert "holds one channel" in run(tmp_path / "a.nc", "-o", tmp_path / "b.txt", code=2).stderr
    assert "would be overwritten" in run(tmp_path / "a.nc", "-o", tmp_path / "a.nc", "--force", code=2).stderr
    assert "says no format" in run(tmp_path / "a.nc", "-o", tmp_path / "a.unheard", code=2).stderr
    assert not (tmp_path / "b.txt").exists()


def test_several_scans_go_into_a_folder(tmp_path: Path) -> None:
    for name in ("a.nc", "b.nc"):
        write_scan(tmp_path / name, full_scan())
    (tmp_path / "c.nc").write_text("no scan")
    files = [tmp_path / name for name in ("a.nc", "b.nc", "c.nc")]
    assert "add --to" in run(*files, "-o", tmp_path / "new", code=2).stderr
    result = run(*files, "--to", ".tif", "-o", tmp_path / "new", "--channel", "height", "--pass", "trace", code=4)
    assert "c.nc is no NetCDF-4 file" in result.stderr
    assert sorted(file.name for file in (tmp_path / "new").iterdir()) == ["a.tif", "b.tif"]
    assert read_scan(tmp_path / "new" / "a.tif").shape == (1, 4, 5)
    assert (
        "the scan has trace"
        in run(tmp_path / "new" / "a.tif", "--pass", "retrace", "-o", tmp_path / "x.nc", code=2).stderr
    )


def test_trace_and_retrace_become_one_scan(tmp_path: Path) -> None:
    data = np.arange(20, dtype=np.uint16).reshape(4, 5)
    for name, values in (("t.tif", data), ("r.tif", data + 1)):
        tifffile.imwrite(tmp_path / name, values, photometric="minisblack", metadata=None)
    run(
        tmp_path / "t.tif", "--retrace", tmp_path / "r.tif", "--set", "unit=0.1 nm", "--set", "pixel_size=5 nm",
        "--set", "frame=down", "-o", tmp_path / "both.nc",
    )  # fmt: skip
    scan = read_scan(tmp_path / "both.nc")
    assert (scan.passes, scan.frame) == (("trace", "retrace"), "down")
    np.testing.assert_allclose(scan.height[1], (data[::-1] + 1) * 1e-10)


def test_join_passes() -> None:
    scan = full_scan()
    trace, back = (
        scan.replace(channels={n: v[i : i + 1] for n, v in scan.channels.items()}, passes=("trace",)) for i in (0, 1)
    )
    assert_same(join_passes(trace, back), scan)
    with pytest.raises(ScanError, match="can't be joined as trace, since it has both passes"):
        join_passes(scan, back)
    with pytest.raises(ScanError, match="different pixels"):
        join_passes(trace, back.replace(fast=scan.fast * 1.1))
    with pytest.raises(ScanError, match="no channel in common"):
        join_passes(trace.replace(channels={"a": trace.height}, channel=""), back)
    with pytest.raises(ScanError, match="is in 'V' in the trace"):
        join_passes(trace, back.replace(units={"image": "A"}))


def test_what_is_missing_is_said_with_the_way_to_give_it(tmp_path: Path) -> None:
    np.save(tmp_path / "a.npy", np.zeros((3, 3)))
    result = RUNNER.invoke(app, ["inspect", str(tmp_path / "a.npy")])
    assert result.exit_code == 2
    for words in (
        'its size is not known: give pixel_size = "50 nm"',
        'give unit = "nm"',
        "by --set",
        "in a.npy.toml beside it",
    ):
        assert words in result.stderr


def test_reference_names_every_option() -> None:
    folder = Path(__file__).parent.parent / "docs" / "reference"
    text = "".join((folder / name).read_text("utf-8") for name in ("formats.md", "scan-files.md"))
    for key in reading_keys():
        assert f"`{key}`" in text, key
