"""`calib history`, and the option --history of other commands."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

import calib
from calib import read_history, read_scan, write_scan
from calib.cli import app
from calib.history import file_into
from calib.history.doubtful import corrected_scans
from calib.history.overview import Overview, overview
from calib.history.text import lines_of
from calib.history.wishes import Wishes
from calib.scan import Scan
from tests.test_history import check, dated, day


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], prog_name="calib")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a history of six models, of which the last has another scale, and the third fails a check."""
    rng = np.random.default_rng(5)
    found = tmp_path_factory.mktemp("history")
    for k in range(6):
        model = dated(30 * k)
        values = model.values.copy()
        values[0] *= 1 + 1e-5 * rng.normal() + (0.05 if k == 5 else 0.0)
        model = model.replace(values=values)
        file_into(found, model)
        if k == 2:
            file_into(found, check(model, 70))
    return found


@pytest.fixture(scope="module")
def seen(folder: Path) -> Overview:
    wishes = Wishes(valid_for=180 * 86400.0, tolerances={"scale": "10 %"}, at=day(170))
    return overview(read_history(folder), wishes)


def sample(path: Path, number: float | None, scanner: str = "bench") -> Path:
    rng = np.random.default_rng(1)
    grid = np.linspace(-8e-6, 8e-6, 48)
    started = None if number is None else day(number)
    heights = 1e-9 * rng.normal(size=(2, 48, 48)) + 20e-9 * np.sin(grid / 1e-6)
    fields = {"line_period": 0.2, "turnaround": 0.01, "frame": "up", "previous_x": 0.0, "previous_y": 0.0}
    scan = Scan(
        channels={"height": heights},
        fast=grid,
        slow=grid,
        passes=("trace", "retrace"),
        scanner=scanner,
        started=started,
        **fields,
    )
    write_scan(path, scan)
    return path


def test_history_tells_validity_control_and_what_is_due(folder: Path, seen: Overview, tmp_path: Path) -> None:
    text = "\n".join(lines_of(seen))
    assert "In use on 2026-06-24 09:00: bench_2026-06-04" in text
    assert "(a failed check)" in text
    assert "OUT OF CONTROL: scale x, bench_2026-06-04" in text
    assert "leaves its tolerance" in text
    assert seen.told[0].due[0] is not None
    picture = tmp_path / "chart.svg"
    result = run("history", folder, "--at", "2026-07-01", "--json", "-o", picture)
    assert result.exit_code == 0, result.output
    assert picture.read_text().startswith("<?xml")
    (scanner,) = json.loads(result.stdout)["scanners"]
    scale = next(one for one in scanner["quantities"] if one["name"] == "scale x")
    assert {signal["model_sha256"] for signal in scale["control"]["signals"]} == {scanner["models"][-1]["sha256"]}
    assert all(0 < point["u_own"] < point["u"] for point in scale["points"])
    assert scanner["models"][2]["ended_by"] == "a failed check"
    assert calib.read_history is read_history


def test_values_are_those_that_the_model_has(seen: Overview) -> None:
    (told,) = seen.told
    series = {one.series.name: one.series for one in told.followed}
    model = told.line.validities[0].record.model
    value, u = model.scale(0, model.domain.area[1] - model.domain.area[0])
    # the summary's frame leaves out other lines, so the two differ by a part of the uncertainty
    assert series["scale x"].values[0] == pytest.approx(value, abs=u)
    # the same models but for their values: the standard is the same for all
    np.testing.assert_allclose(series["scale x"].common, series["scale x"].common[[0]].repeat(6, axis=0), rtol=0.1)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--tolerance", "scale"), "not of the form"),
        (("--tolerance", "scale=0.2"), "no unit"),
        (("--tolerance", "nothing=1 %"), "nothing is known of 'nothing'"),
        (("--scanner", "another"), "nothing of a scanner"),
        (("--valid-for", "180"), "no unit"),
        (("--valid-for", "0 d"), "more than nothing"),
        (("--at", "some day"), "no date"),
        (("--size", "1 m"), "does not fit"),
        (("-o", "chart.txt"), "can't be drawn"),
        (("--scans", "nowhere"), "no folder"),
    ],
)
def test_bad_wishes_are_refused(folder: Path, tmp_path: Path, words: tuple[str, ...], said: str) -> None:
    one = next(folder.glob("*_model_*.json"))
    (tmp_path / one.name).write_bytes(one.read_bytes())
    result = run("history", tmp_path, *words)
    if words[0] == "--size":  # said of the scanner, the rest is told
        assert said in " ".join(result.output.split())
        return
    assert result.exit_code == 2
    assert said in result.stderr
    assert "Traceback" not in result.output


def test_files_that_were_left_out_are_in_the_exit_code(folder: Path, tmp_path: Path) -> None:
    good = next(folder.glob("*_model_*.json"))
    (tmp_path / good.name).write_bytes(good.read_bytes())
    (tmp_path / "broken.json").write_text("{")
    result = run("history", tmp_path)
    assert result.exit_code == 4
    assert "broken.json is no valid JSON" in result.stderr
    assert "1 file was left out." in result.stderr
    (tmp_path / good.name).unlink()
    assert run("history", tmp_path).exit_code == 2


def test_scans_get_the_model_that_was_valid_and_are_in_doubt_after_a_failed_check(folder: Path, tmp_path: Path) -> None:
    early, late = sample(tmp_path / "early.nc", 5), sample(tmp_path / "late.nc", 65)
    gone, unknown = sample(tmp_path / "gone.nc", 75), sample(tmp_path / "unknown.nc", None)
    output = tmp_path / "corrected"
    result = run("correct", early, late, gone, unknown, "--history", folder, "-o", output)
    assert result.exit_code == 4, result.output
    assert "gone.nc: no model" in result.stderr.replace("\n", " ") or "failed a check" in result.stderr
    assert "does not say when it was taken" in result.stderr
    models = read_history(folder).models
    for name, index in (("early", 0), ("late", 2)):
        corrected = read_scan(output / f"{name}.nc")
        assert corrected.attributes["model_sha256"] == models[index].sha256
        assert models[index].path.name in corrected.attributes["model_choice"]
        assert f"  model: {models[index].path.name}" in result.stdout
    history = read_history(folder)
    found, failed = corrected_scans(history, history.lines(), [output])
    assert {one.path.stem: one.standing for one in found} == {"early": "fine", "late": "doubtful"}
    assert failed == ()


def test_a_model_that_is_named_goes_before_the_history_and_that_is_said(folder: Path, tmp_path: Path) -> None:
    scan, gone = sample(tmp_path / "scan.nc", 65), sample(tmp_path / "gone.nc", 75)
    first = read_history(folder).models[0]
    words = ("--history", folder, "--model", first.path, "-o", tmp_path / "out")
    result = run("correct", scan, gone, *words)
    assert result.exit_code == 0, result.output
    assert "named by hand in place of the history's choice" in result.stdout
    assert "named by hand although the history has none that is valid" in result.stdout
    corrected = read_scan(tmp_path / "out" / "scan.nc")
    assert corrected.attributes["model_sha256"] == first.sha256
    assert "named by hand" in corrected.attributes["model_choice"]


def test_correct_needs_a_model_or_a_history(folder: Path, tmp_path: Path) -> None:
    scan = sample(tmp_path / "scan.nc", 65)
    for words, said in (
        ((), "--model MODEL.json, or --history DIR"),
        (("--history", folder, "--any-scanner"), "--any-scanner"),
        (("--model", next(folder.glob("*.json")), "--valid-for", "1 d"), "goes with --history"),
    ):
        result = run("correct", scan, "-o", tmp_path / "out", *words)
        assert result.exit_code == 2
        assert said in result.stderr
