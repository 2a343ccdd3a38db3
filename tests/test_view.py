"""The local page: what it tells, and what it writes."""

from __future__ import annotations

import csv
import io
import json
import time
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from calib.cli import app
from calib.correct import correct
from calib.errors import CalibError
from calib.measure import distance
from calib.model import Model
from calib.page import pictures
from calib.page.gratings import find_maps
from calib.page.opened import MOST, Opened
from calib.page.profiles import true_heights_at
from calib.scan import Scan
from tests.instruments import calibrated, grating, grid
from tests.pages import HERE, Client, client_of


@pytest.fixture(scope="module")
def scan() -> Scan:
    return calibrated()[0].standard_session()[0].scan.replace(title="<b>a & b</b>")


@pytest.fixture(scope="module")
def model() -> Model:
    return calibrated()[1]


@pytest.fixture(scope="module")
def opened(scan: Scan, model: Model) -> Opened:
    return Opened("one.nc", scan, model, grid())


@pytest.fixture(scope="module")
def client(opened: Opened, scan: Scan) -> Client:
    return client_of(opened, Opened("two.nc", scan))


# --- what it tells ---------------------------------------------------------------------------------


def ask(client: Client, place: str, **query: Any) -> Any:
    answer = client.get(place, params=query)
    assert answer.status_code == 200, answer.text
    return answer.json()


def told(client: Client, *points: tuple[float, float], number: int = 0, frame: str = "commanded", **more: Any) -> Any:
    body = {"pass": "trace", "channel": "height", **more}
    body["points"] = [{"fast": fast, "slow": slow, "frame": frame} for fast, slow in points]
    answer = client.post(f"/api/scan/{number}/points", json=body, headers={"Origin": HERE})
    return answer.json() if answer.status_code == 200 else (answer.status_code, answer.json()["error"])


A, B = (-4.1e-6, 1.2e-6), (5.3e-6, -2.2e-6)


@pytest.mark.parametrize(("name", "which"), [("trace", "both"), ("retrace", "retrace")])
def test_distance_is_that_of_the_library(client: Client, scan: Scan, model: Model, name: str, which: Any) -> None:
    expected = distance(model, scan, A, B, which=which)
    answer = told(client, A, B, **{"pass": name})
    assert len(expected.also) == 2
    for found, one in zip(answer["quantities"], (expected, *expected.also), strict=True):
        assert (found["name"], found["unit"]) == (one.name, one.unit)
        assert [found[key] for key in ("value", "u", "U", "k", "level")] == [one.value, one.u, one.U, one.k, one.level]
        assert found["text"] in str(one)
        assert found["notes"] == list(one.notes)


def test_command_says_the_same(client: Client, scan: Scan, model: Model, tmp_path: Path) -> None:
    from calib.formats import write_scan

    write_scan(tmp_path / "a.nc", scan)
    model.save(tmp_path / "m.json")
    words = [str(tmp_path / "a.nc"), "--model", str(tmp_path / "m.json"), "--despite-findings", "--json"]
    done = CliRunner().invoke(app, ["measure", "distance", *words, "--from=-4.1 um, 1.2 um", "--to", "5.3 um, -2.2 um"])
    expected = json.loads(done.stdout)
    found = told(client, A, B)["quantities"][0]
    for key in ("value", "u", "U", "k"):
        assert found[key] == pytest.approx(expected[key], rel=1e-9)


def test_profile_ends_where_the_distance_does(client: Client, scan: Scan, model: Model, opened: Opened) -> None:
    answer = told(client, A, B)
    profile = answer["profile"]
    assert profile["along"][-1] == pytest.approx(answer["quantities"][0]["by_pass"]["trace"], rel=1e-12)
    assert profile["passes"] == ["trace", "retrace"]
    z, u = opened.true_heights(uncertainty=True)
    column, row = 40, 50
    start = (float(scan.fast[column]), float(scan.slow[row]))
    end = (float(scan.fast[column + 20]), float(scan.slow[row]))
    along = told(client, start, end)["profile"]
    assert along["values"] == pytest.approx(z[0, row, column : column + 21], abs=1e-15)
    assert along["U"] == pytest.approx(2 * u[0, row, column : column + 21], abs=1e-15)


def test_passes_agree_only_at_the_same_true_place(client: Client) -> None:
    def apart(number: int) -> float:
        profile = told(client, A, B, number=number)["profile"]
        both = [np.array(profile[key], dtype=np.float64) for key in ("values", "other")]
        return float(np.nanstd(both[0] - both[1]))

    assert apart(0) < 0.5 * apart(1)  # with the model, and without


def test_points_set_in_the_corrected_picture_are_found_in_the_recorded_one(client: Client, opened: Opened) -> None:
    at = np.array([[-4e-6, 5e-6], [3e-6, -6e-6]])
    for index in (0, 1):
        true = opened.to_true(index, at)
        assert np.abs(opened.to_commanded(index, true) - at).max() < 1e-3 * opened.scan.spacing[0]
    one = told(client, A)["points"][0]
    back = told(client, (one["true"]["fast"], one["true"]["slow"]), frame="true")["points"][0]
    assert (back["fast"], back["slow"]) == pytest.approx(A, abs=1e-11)


def test_without_a_model_the_uncertainty_is_unknown(client: Client) -> None:
    answer = told(client, A, B, number=1)
    assert "quantities" not in answer
    assert "--model" in answer["unknown"]
    assert answer["profile"]["U"] is None
    assert answer["profile"]["along"][-1] == pytest.approx(np.hypot(B[0] - A[0], B[1] - A[1]))


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([], "one or two"),
        ([{"fast": "x", "slow": 0}], "numbers"),
        ([{"fast": 1e999, "slow": 0}], "finite"),
        ([{"fast": 0, "slow": 0}, {"fast": 0, "slow": 0}], "same"),
        ([{"fast": 1, "slow": 0}], "outside"),
        ([{"fast": 1, "slow": 0, "frame": "true"}], "outside"),
        ([{"fast": 0, "slow": 0, "frame": "other"}], "frame"),
        ("x", "one or two"),
        ([[0, 0]], "numbers"),
    ],
)
def test_points_that_are_none(client: Client, points: Any, words: str) -> None:
    body = json.dumps({"pass": "trace", "channel": "height", "points": points}).replace("Infinity", "1e999")
    answer = client.post("/api/scan/0/points", content=body, headers={"Origin": HERE})
    assert answer.status_code == 422
    assert words in answer.json()["error"]


@pytest.mark.parametrize(
    "query", [{"pass": "up"}, {"channel": "x"}, {"level_by": "x"}, {"kind": "x"}, {"kind": "phase"}]
)
def test_questions_that_make_no_sense_get_a_sentence(client: Client, query: dict[str, str]) -> None:
    said = {"pass": "trace", "channel": "height", **query}
    answer = client.get("/api/scan/0/picture", params=said)
    assert answer.status_code == 422
    assert answer.json()["error"].endswith(".")


def test_texts_of_files_come_as_they_are_and_are_set_as_text(client: Client) -> None:
    assert ask(client, "/api/scans")["scans"][0]["title"] == "<b>a & b</b>"  # JSON, put in by textContent


def test_findings_are_those_of_the_library(client: Client, scan: Scan) -> None:
    from calib.findings import inspect_scan

    found = ask(client, "/api/scan/0/findings")["findings"]
    assert [one["message"] for one in found] == [one.message for one in inspect_scan(scan, grid())]


# --- pictures --------------------------------------------------------------------------------------


def test_corrected_picture_is_that_of_the_library(opened: Opened, scan: Scan, model: Model) -> None:
    expected = correct(model, scan)
    found = opened.corrected()
    for name in ("fast", "slow", "height"):
        assert np.allclose(getattr(found, name), getattr(expected, name), rtol=0, atol=1e-14, equal_nan=True)


def test_before_and_after_share_colours_and_unit(client: Client) -> None:
    query = {"pass": "trace", "channel": "height", "level_by": "plane"}
    before, after = (ask(client, "/api/scan/0/picture", kind=kind, **query) for kind in ("recorded", "corrected"))
    assert [before[key] for key in ("low", "high", "unit", "label")] == [
        after[key] for key in ("low", "high", "unit", "label")
    ]
    assert (before["frame"], after["frame"]) == ("commanded", "true")
    assert any("display only" in note for note in before["notes"])
    assert before["png"].startswith("data:image/png;base64,")


def test_lowest_line_is_at_the_bottom() -> None:
    from PIL import Image

    values = np.zeros((3, 4))
    values[0] = 1.0
    flat = pictures.Picture(values, np.arange(4.0), np.arange(3.0), 0, 1, 1, "m", "", "", "commanded")
    pixels = np.asarray(Image.open(io.BytesIO(flat._png())).convert("L"))
    assert pixels[2].min() > pixels[0].max()
    assert flat.edges == (-0.5, 3.5, -0.5, 2.5)


def test_levelling_takes_off_what_it_says() -> None:
    rows, columns = np.mgrid[0:20, 0:30].astype(np.float64)
    plane = 3 + 0.5 * rows - 2 * columns
    offsets = np.random.default_rng(0).normal(size=(20, 1))
    holes = plane.copy()
    holes[3, 4:8] = np.nan
    assert np.nanmax(np.abs(pictures.levelled(holes, "plane"))) < 1e-12
    assert np.nanmax(np.abs(pictures.levelled(holes + offsets, "line"))) < 1e-12
    assert np.abs(pictures.levelled(plane * 0 + offsets, "median")).max() < 1e-12
    assert pictures.levelled(plane, "none") is plane


def test_difference_of_passes_is_small_where_the_model_is_right(client: Client) -> None:
    query = {"pass": "trace", "channel": "height", "level_by": "none", "kind": "difference"}
    with_model, without = (ask(client, f"/api/scan/{number}/picture", **query) for number in (0, 1))
    assert "true" in with_model["title"]
    assert "commanded" in without["title"]
    assert with_model["high"] == -with_model["low"]


def test_large_scans_are_thinned_and_read_in_full(model: Model) -> None:
    count = 2 * MOST + 1
    heights = np.zeros((1, 9, count))
    heights[0, 4, 1001] = 1e-7  # between two points that are drawn
    large = Scan(channels={"height": heights}, fast=np.linspace(-1e-6, 1e-6, count), slow=np.linspace(-1e-7, 1e-7, 9))
    opened = Opened("large", large)
    assert opened.thinned == (1, 3)
    picture = pictures.recorded(opened, "trace", "height", "none")
    assert picture.values.shape == (9, -(-count // 3))
    assert any("one in 3" in note for note in picture.notes)
    found = told(client_of(opened), (float(large.fast[1001]), float(large.slow[4])))
    assert found["points"][0]["values"][0]["value"] == pytest.approx(1e-7)


def test_very_large_scans_are_computed_only_where_it_is_asked(
    scan: Scan, model: Model, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("calib.page.opened.LARGEST", 1000)
    monkeypatch.setattr("calib.page.opened.MOST", 40)
    large = Opened("large", scan, model)
    assert not any("very large" in note for note in large.notes)
    monkeypatch.setattr("calib.page.opened.true_height", None)  # nothing asks for the whole frame
    answer = told(client_of(large), A, B)
    some = large.position_uncertainties()
    monkeypatch.undo()
    opened = Opened("small", scan, model)
    small = told(client_of(opened), A, B)
    assert [one["name"] for one in answer["quantities"]] == [one["name"] for one in small["quantities"]]
    for one, other in zip(answer["quantities"], small["quantities"], strict=True):
        assert (one["value"], one["U"]) == pytest.approx((other["value"], other["U"]), rel=1e-9)
    assert answer["profile"]["values"] == pytest.approx(small["profile"]["values"], abs=1e-12)
    # at pixels; between them one is U of the mean height, the other the mean of U
    places = np.stack([scan.fast[3:120:9], scan.slow[5:122:9]])
    monkeypatch.setattr("calib.page.opened.LARGEST", 1000)
    z, u = true_heights_at(large, 0, places)
    monkeypatch.undo()
    for some_values, all_values in zip((z, u), true_heights_at(opened, 0, places), strict=True):
        assert some_values == pytest.approx(all_values, rel=1e-9, abs=1e-18)
    assert np.array_equal(some, opened.position_uncertainties()[:, :, ::4, ::4])
    thin = np.asarray(large.corrected().height)
    assert np.nanstd(thin) == pytest.approx(np.nanstd(Opened("s", scan, model).corrected().height), rel=0.1)


def test_what_needs_all_of_a_very_large_scan_is_left_out_and_said(
    scan: Scan, model: Model, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("calib.page.opened.Opened.large", True)
    monkeypatch.setattr("calib.page.opened.Opened.too_large", True)  # as by a model with creep of z
    large = Opened("large", scan, model)
    assert any("calib measure" in note for note in large.notes)
    answer = told(client_of(large), A, B)
    assert [one["name"] for one in answer["quantities"]] == ["horizontal distance"]
    assert answer["quantities"][0]["value"] == pytest.approx(distance(model, scan, A, B).value, rel=1e-12)
    assert answer["profile"]["U"] is None
    assert "unknown" in answer["points"][0]["values"][1]["text"]


def test_passes_are_told_to_the_digits_of_their_uncertainty(scan: Scan, model: Model) -> None:
    first = told(client_of(Opened("one.nc", scan, model)), A, B)["quantities"][0]
    decimals = len(first["text"].split(" ")[0].partition(".")[2])
    numbers = [part.split(" ") for part in first["passes"].split(", ")]
    assert [len(number.partition(".")[2]) for _, number, _ in numbers] == [decimals, decimals]


def test_thinned_correction_keeps_times_and_places(scan: Scan, model: Model, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("calib.page.opened.MOST", 40)
    thin = Opened("thin", scan, model)
    full = Opened("full", scan, model)
    rows, columns = thin.thinned
    assert (rows, columns) == (4, 4)
    monkeypatch.undo()
    every = full.positions(1, np.arange(scan.slow.size), full.path.fast)
    some = thin.positions(1, np.arange(scan.slow.size)[::4], full.path.fast[::4])
    assert np.array_equal(some, every[:, ::4, ::4])


# --- maps of a grating -----------------------------------------------------------------------------


def test_maps_show_what_the_model_explains(opened: Opened) -> None:
    stages: list[float] = []
    maps = find_maps(opened, lambda said, part: stages.append(part))
    assert stages == sorted(stages)
    for found in maps.passes.values():
        assert len(found) == 2
        for one in found:
            inner = (slice(8, -8), slice(8, -8))  # a box of two periods reaches beyond the border
            assert one.residual is not None
            rms = [float(np.sqrt(np.nanmean(image[inner] ** 2))) for image in (one.phase, one.residual)]
            assert rms[1] < 0.2 * rms[0]
            assert rms[1] < 20e-9  # 1 % of a period; what remains is the model's error and the border's


def test_maps_are_made_beside_and_told(client: Client) -> None:
    assert ask(client, "/api/scan/0/maps")["state"] == "none"
    client.post("/api/scan/0/maps", json={}, headers={"Origin": HERE})
    end = time.monotonic() + 60
    while (state := ask(client, "/api/scan/0/maps"))["state"] == "running":
        assert time.monotonic() < end
        time.sleep(0.02)
    assert state["state"] == "done"
    picture = ask(client, "/api/scan/0/picture", kind="residual", direction=1, channel="height", **{"pass": "retrace"})
    assert any("rms" in note for note in picture["notes"])


def test_maps_of_what_is_no_such_standard_fail_in_words(scan: Scan) -> None:
    with pytest.raises(CalibError, match=r"pitch of|no trace of"):
        find_maps(Opened("x", scan, standard=grating(0.11e-6)), lambda said, part: None)
    with pytest.raises(CalibError, match="--standard"):
        find_maps(Opened("x", scan), lambda said, part: None)


# --- export ----------------------------------------------------------------------------------------


def export(client: Client, what: str, *points: tuple[float, float], number: int = 0, **query: Any) -> Any:
    said = {"pass": "trace", "channel": "height", "level_by": "plane", **query}
    texts = [f"{fast!r},{slow!r}" for fast, slow in points]
    return client.get(f"/api/scan/{number}/export/{what}", params={**said, "point": texts})


def test_numbers_are_exported_with_units_and_uncertainties(client: Client) -> None:
    answer = told(client, A, B)
    table = list(csv.DictReader(io.StringIO(export(client, "points.csv", A, B).text)))
    found = {row["quantity"]: row for row in table}
    one = answer["quantities"][0]
    row = found["horizontal distance"]
    assert [float(row[key]) for key in ("value", "u (k = 1)", "U", "k")] == [
        one[key] for key in ("value", "u", "U", "k")
    ]
    assert row["unit"] == "m"
    lines = export(client, "profile.csv", A, B).text.splitlines()
    assert lines[0].split(",")[0] == "true distance from start (m)"
    assert "U of height" in lines[0]
    assert len(lines) == 1 + len(answer["profile"]["along"])
    assert json.loads(export(client, "profile.json", A, B).text)["values"] == answer["profile"]["values"]
    whole = json.loads(export(client, "points.json", A, B).text)
    assert whole["quantities"][0]["U"] == one["U"]
    assert whole["model_sha256"]


def test_names_from_files_are_no_formulas_in_a_table(scan: Scan) -> None:
    channel = "=1+1"
    named = scan.replace(channels={channel: scan.height}, units={channel: "V"}, channel=channel)
    text = export(client_of(Opened("x", named)), "points.csv", A, channel=channel).text
    assert "\n=" not in text
    assert ",=" not in text


@pytest.mark.parametrize("wipe", [{}, {"wipe": "0.5"}])
def test_pictures_are_exported(client: Client, wipe: dict[str, str]) -> None:
    png = export(client, "picture.png", A, B, **wipe)
    assert png.content.startswith(b"\x89PNG")
    assert png.headers["content-disposition"] == 'attachment; filename="one-picture.png"'
    svg = export(client, "picture.svg", A, B, **wipe)
    assert "along the fast axis" in svg.text
    assert ("corrected" in svg.text) == bool(wipe)
    assert zlib.crc32(svg.content) == zlib.crc32(export(client, "picture.svg", A, B, **wipe).content)


@pytest.mark.parametrize(
    ("what", "points"), [("profile.csv", ()), ("points.csv", ()), ("profile.csv", (A,)), ("x.csv", (A, B))]
)
def test_exports_that_need_more(client: Client, what: str, points: Any) -> None:
    answer = export(client, what, *points)
    assert answer.status_code == 422
    assert answer.json()["error"].endswith(".")
