"""Frames that are corrected line by line while they are recorded, against the correction of the finished frame."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner, Result

import calib
from calib.cli import app
from calib.errors import CalibError, ModelError
from calib.live import Line, LiveCorrection
from calib.live_folder import Follower, read_recording
from calib.locate import positions
from calib.model import Model
from calib.path import Path as CommandedPath
from calib.resample import resample
from calib.scan import Scan
from calib.scanner.height import Height
from calib.scanner.height_history import HeightHistory
from calib.scanner.motion import Motion
from calib.scanner.squareness import Squareness
from calib.true_map import map_from
from tests.demonstration import demonstrated

CLOSE = 1e-4  # of the amplitude, as promised


@cache
def model() -> Model:
    return calib.load_model(demonstrated().folder / "model.json")


def frame(points: int = 48, **changes: Any) -> Scan:
    """Return a frame of white noise, the roughest thing that a spline can meet."""
    scan = calib.read_scan(demonstrated().folder / "sample.nc")
    grid = np.linspace(scan.fast[0], scan.fast[-1], points)
    passes = changes.get("passes", scan.passes)
    heights = np.random.default_rng(5).normal(0, 20e-9, (len(passes), points, points))
    return scan.replace(
        **{"fast": grid, "slow": grid, "channels": {"height": heights}, "frame": "up", "attributes": {}, **changes}
    )


def recorded(scan: Scan) -> Iterator[Line]:
    """Lines in the order in which they are recorded."""
    rows = range(scan.shape[1])
    for row in reversed(rows) if scan.frame == "down" else rows:
        for passed in [name for name in ("trace", "retrace") if name in scan.passes]:
            index = scan.passes.index(passed)
            yield Line(passed, row, {name: values[index, row] for name, values in scan.channels.items()})


def compare(found: Scan, expected: Scan) -> None:
    assert found.shape == expected.shape
    for name in ("fast", "slow", "centre_x", "centre_y"):
        np.testing.assert_allclose(getattr(found, name), getattr(expected, name), rtol=1e-9)
    for name, values in expected.channels.items():
        np.testing.assert_array_equal(np.isnan(found.channels[name]), np.isnan(values))
        amplitude = float(np.nanmax(values) - np.nanmin(values))
        np.testing.assert_allclose(found.channels[name], values, rtol=0, atol=CLOSE * amplitude)


CASES: dict[str, dict[str, Any]] = {
    "up": {},
    "down": {"frame": "down"},
    "trace": {"passes": ("trace",)},
    "retrace": {"passes": ("retrace",)},
    "other order": {"passes": ("retrace", "trace")},
    "serpentine": {"passes": ("trace",), "pattern": "serpentine"},
    "turned": {"rotation": 0.4},
    "untimed": {"line_period": None, "turnaround": None},
}


@pytest.mark.parametrize("case", CASES)
def test_finished_frame_is_that_of_the_batch(case: str) -> None:
    scan = frame(**CASES[case])
    live = model().correct_lines(recorded(scan), scan)
    lines = list(live)
    assert len(lines) == live.grid.slow.size * len(scan.passes)
    compare(live.scan, model().correct(scan))
    for line in lines:  # each was told as it stayed
        index = scan.passes.index(line.passed)
        np.testing.assert_array_equal(line.values["height"], live.scan.height[index, line.row])


def test_error_falls_with_every_line_ahead() -> None:
    scan = frame()
    expected = model().correct(scan).height
    errors = []
    for ahead in (2, 4, 6, 8):
        live = model().correct_lines(recorded(scan), scan, ahead=ahead)
        list(live)
        errors.append(float(np.nanmax(np.abs(live.scan.height - expected)) / np.ptp(scan.height)))
    assert all(later < 0.15 * before for before, later in pairwise(errors)), errors  # 0.268^2 = 0.07
    assert errors[-1] < CLOSE


def test_each_line_comes_as_soon_as_what_it_needs_is_there() -> None:
    scan = frame()
    live = model().correct_lines((), scan)
    done = {"trace": -1, "retrace": -1}
    for line in recorded(scan):
        done[line.passed] = line.row
        for true in live.add(line):
            first, last = true.needed
            assert last == done[true.passed]
            assert last - first <= 2 * 8 + 3
    assert live.finish() == []  # nothing waits for more than there is


def test_other_channels_go_along() -> None:
    scan = frame()
    scan = scan.replace(channels={**scan.channels, "current": np.cumsum(scan.height, axis=2)}, units={"current": "nA"})
    live = model().correct_lines(recorded(scan), scan)
    list(live)
    compare(live.scan, model().correct(scan))
    assert live.scan.units["current"] == "nA"


@pytest.mark.parametrize("case", ["up", "down", "retrace", "serpentine", "untimed"])
def test_uncertainties_are_those_of_the_finished_frame(case: str) -> None:
    scan = frame(**CASES[case])
    tilted = np.array(scan.height) + np.linspace(-1e-6, 1e-6, 48)[:, None]
    scan = scan.replace(channels={"height": tilted})
    live = model().correct_lines(recorded(scan), scan, uncertainty=True)
    lines = list(live)
    expected = model().correct(scan, uncertainty=True)
    compare(live.scan, expected)
    assert live.scan.units["u_height"] == "m"
    for line in lines:  # of positions nothing has to be waited for
        index = scan.passes.index(line.passed)
        np.testing.assert_array_equal(line.values["u_x"], live.scan.channels["u_x"][index, line.row])
    first, last = lines[len(lines) // 4], lines[-1]  # the mean of a part of the lines is another one
    index = scan.passes.index(last.passed)
    np.testing.assert_allclose(last.values["u_height"], live.scan.channels["u_height"][index, last.row], rtol=1e-9)
    final = live.scan.channels["u_height"][scan.passes.index(first.passed), first.row]
    assert not np.allclose(first.values["u_height"], final, rtol=1e-3, atol=0.0, equal_nan=True)


def test_dead_lines_are_noticed() -> None:
    scan = frame()
    heights = np.array(scan.height)
    heights[0, 3], heights[1, 9], heights[0, 20] = 5e-9, np.nan, heights[0, 19]
    live = model().correct_lines(recorded(scan.replace(channels={"height": heights})), scan)
    list(live)
    assert live.dead == [("trace", 3), ("retrace", 9), ("trace", 20)]
    assert any("3 lines hold no data, one value" in note for note in live.notes)


@pytest.mark.parametrize("direction", ["up", "down"])
def test_lost_lines_are_gaps_and_the_rest_goes_on(direction: Any) -> None:
    scan = frame(frame=direction)
    heights = np.array(scan.height)
    lost = [("trace", 7), ("trace", 20), ("trace", 21), ("retrace", 21), ("retrace", 40)]
    for passed, row in lost:
        heights[scan.passes.index(passed), row] = np.nan
    heights[0, 30, 5:9] = np.nan
    gaps = scan.replace(channels={"height": heights})
    live = model().correct_lines((line for line in recorded(gaps) if (line.passed, line.row) not in lost), scan)
    list(live)
    compare(live.scan, model().correct(gaps))
    assert sorted(live.missing) == sorted(lost)
    assert "5 lines did not come in time" in " ".join(live.notes)


def test_late_and_repeated_lines() -> None:
    scan = frame(passes=("trace",))
    lines = list(recorded(scan))
    lines[10], lines[12] = lines[12], lines[10]  # late, but in time
    other = Line("trace", 15, {"height": np.zeros(48)})
    lines.insert(20, other)  # what was there first counts
    lost = lines.pop(30)
    lines.insert(40, lost)  # too late
    live = model().correct_lines(lines, scan)
    list(live)
    heights = np.array(scan.height)
    heights[0, lost.row] = np.nan
    compare(live.scan, model().correct(scan.replace(channels={"height": heights})))
    assert (live.repeated, live.too_late, live.missing) == (1, 1, [("trace", lost.row)])
    assert "came too late" in " ".join(live.notes)


def test_interrupted_frame_has_no_data_in_its_rest() -> None:
    scan = frame()
    live = model().correct_lines((line for line in recorded(scan) if line.row < 25), scan)
    count = len(list(live))
    assert count == live.grid.slow.size * 2
    heights = np.array(scan.height)
    heights[:, 25:] = np.nan
    compare(live.scan, model().correct(scan.replace(channels={"height": heights})))
    assert "the frame ended after 50 of its 96 lines" in " ".join(live.notes)
    assert "did not come in time" not in " ".join(live.notes)


@pytest.mark.parametrize("case", ["up", "down", "trace", "retrace", "serpentine"])
@pytest.mark.parametrize("centred", [True, False])
def test_hysteresis_and_creep_of_z_are_followed(case: str, centred: bool) -> None:
    scan = frame(**CASES[case], z_centre=0.3e-6 if centred else None)
    heights = np.array(scan.height) + np.where(np.arange(48) % 16 < 8, 0, 200e-9)
    first = 47 if scan.frame == "down" else 0
    heights[:, first, :3] = np.nan
    heights[:, 10] = np.nan
    scan = scan.replace(channels={"height": heights})
    operators = HeightHistory.usual(200e-9, 500e-9, CommandedPath(scan).sweep_time)
    prior = Height.prior(4e-6, model().height.bow, operators)
    values = prior.values.copy()
    values[prior.of_history] = np.random.default_rng(1).normal(0.01, 0.005, len(operators.names))
    values[1:3] = 1e3, 1e8
    moved = model().replace(height=Height(values, prior.covariance, 4e-6, True, model().height.bow, history=operators))
    live = moved.correct_lines(recorded(scan), scan, uncertainty=True)
    list(live)
    compare(live.scan, moved.correct(scan, uncertainty=True))
    values = np.where(np.arange(values.size) < prior.of_history.start, values, 0.0)
    plain = moved.replace(height=replace(moved.height, values=values))
    assert np.nanmax(np.abs(plain.correct(scan).height - live.scan.height)) > 5e-9  # it matters


@pytest.mark.parametrize("z_centre", [0.2e-6, None])
def test_z_that_leans(z_centre: float | None) -> None:
    x = np.linspace(0, 6, 48)
    heights = np.broadcast_to(100e-9 * np.sin(x) * np.cos(x)[:, None] + 20e-9 * x, (2, 48, 48))
    scan = frame(channels={"height": heights}, z_centre=z_centre)
    lean = Squareness()
    values = np.concatenate([model().values, [0.3, -0.4, 3e4, 2e4]])
    nothing = np.zeros((4, len(model().values)))
    covariance = np.block([[model().covariance, nothing.T], [nothing, np.eye(4) * 1e-8]])
    leaning = model().replace(motion=Motion((*model().motion.effects, lean)), values=values, covariance=covariance)
    live = leaning.correct_lines(recorded(scan), scan)
    list(live)
    # the true grid is that of a level surface, and heights are about the first line's: put the batch on the same
    about = heights + z_centre if z_centre is not None else heights - np.nanmean(heights[0, 0])
    (fx, fy), (sx, sy) = scan.axes
    x_true, y_true = positions(leaning.motion, values, CommandedPath(scan), about)
    expected = []
    for index in range(2):
        place = map_from(np.stack([fx * x_true + fy * y_true, sx * x_true + sy * y_true])[:, index])
        grid = live.grid
        z = leaning.height.true(heights[index] + (z_centre or 0.0), z_centre is not None, np.stack(scan.commanded()))
        (image,), _ = resample(place, grid.fast + grid.middle[0], grid.slow + grid.middle[1], [z])
        expected.append(image)
    both = np.isfinite(expected) & np.isfinite(live.scan.height)
    assert both.mean() > 0.9
    assert (np.isfinite(expected) == np.isfinite(live.scan.height)).mean() > 0.995
    np.testing.assert_allclose(live.scan.height[both], np.array(expected)[both], rtol=0, atol=CLOSE * np.ptp(heights))
    level = model().correct_lines(recorded(scan), scan)
    list(level)
    assert np.nanmax(np.abs(level.scan.height - live.scan.height)) > 30 * CLOSE * np.ptp(heights)  # it matters
    assert any("not square" in note for note in live.notes) == (z_centre is None)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (Line("back", 0, {}), "no pass 'back'"),
        (Line("trace", 48, {}), "no line 48"),
        (Line("trace", 0, {"current": np.zeros(48)}), "no channel 'current'"),
        (Line("trace", 0, {"height": np.zeros(47)}), "47 values"),
    ],
)
def test_lines_that_do_not_fit(line: Line, says: str) -> None:
    with pytest.raises(CalibError, match=says):
        LiveCorrection(model(), frame()).add(line)


def test_frame_of_another_scanner_is_refused() -> None:
    with pytest.raises(ModelError, match="bench-1 chip 8"):
        model().correct_lines((), frame(scanner="bench-1 chip 8"))


# --- files that appear -----------------------------------------------------------------------------

FRAME = """
points = [48, 48]
pixel_size = "{pixel:.12g} m"
passes = {passes}
unit = "nm"
frame = "{frame}"
scanner = "bench-1 chip 7"
line_period = "1 s"
turnaround = "0.04 s"
"""


def described(path: Path, scan: Scan, more: str = "") -> Path:
    passes = json.dumps(list(scan.passes))
    path.write_text(FRAME.format(pixel=scan.spacing[0], passes=passes, frame=scan.frame) + more, "utf-8")
    return path


def followed(folder: Path, toml: Path, output: Path, *words: str) -> Result:
    model_file = str(demonstrated().folder / "model.json")
    all_words = ["correct", str(folder), "--follow", str(toml), "--model", model_file, "-o", str(output), *words]
    return CliRunner().invoke(app, all_words, prog_name="calib")


def simple(**changes: Any) -> Scan:
    changes = {"line_period": 1.0, "turnaround": 0.04, "scanner": "bench-1 chip 7", **changes}
    gone = dict.fromkeys(("previous_x", "previous_y", "started", "controller", "temperature", "z_centre", "probe"))
    return frame(**{**gone, "centre_x": 0.0, "centre_y": 0.0, "rotation": 0.0, **changes})


def test_folder_that_fills(tmp_path: Path) -> None:
    scan = simple(frame="down")
    folder = tmp_path / "recording"
    folder.mkdir()
    toml = described(tmp_path / "frame.toml", scan, "first = 0\n")

    def instrument() -> None:
        for line in recorded(scan):
            name = folder / f"{line.passed}-{47 - line.row:04}.npy"
            data = name.with_suffix(".part")
            with open(data, "wb") as stream:
                np.save(stream, line.values["height"] * 1e9)
            whole = data.read_bytes()
            name.write_bytes(whole[:200])  # seen before it is complete
            time.sleep(0.001)
            name.write_bytes(whole)

    thread = threading.Thread(target=instrument)
    thread.start()
    result = followed(folder, toml, tmp_path / "out", "--json")
    thread.join()
    assert result.exit_code == 0, result.output
    *lines, last = [json.loads(line) for line in result.stdout.splitlines()]
    found = calib.read_scan(tmp_path / "out" / "recording.nc")
    compare(found, model().correct(scan))
    assert len(lines) == found.shape[0] * found.shape[1]
    assert last["missing"] == []
    some = np.array(lines[60]["values"]["height"], dtype=float)
    index = scan.passes.index(lines[60]["pass"])
    np.testing.assert_array_equal(some, found.height[index, lines[60]["row"]])


def test_text_that_grows_with_a_bad_line_and_an_early_end(tmp_path: Path) -> None:
    scan = simple(passes=("trace",))
    toml = described(tmp_path / "frame.toml", scan, 'order = "time"\n')
    rows = [" ".join(f"{value * 1e9:.17g}" for value in line) for line in scan.height[0]]
    rows[12] = "no numbers"
    (tmp_path / "lines.txt").write_text("# heights\n" + "\n".join(rows[:30]) + "\n" + rows[30][:50], "utf-8")
    result = followed(tmp_path / "lines.txt", toml, tmp_path / "out", "--timeout", "0.2 s")
    assert result.exit_code == 4, result.output
    assert "line 13 of numbers could not be used" in result.stderr
    assert "the frame ended after 30 of its 48 lines" in result.stdout
    heights = np.array(scan.height)
    heights[:, 12] = heights[:, 30:] = np.nan
    compare(calib.read_scan(tmp_path / "out" / "lines.nc"), model().correct(scan.replace(channels={"height": heights})))


def two_channels(points: int = 12) -> Scan:
    scan = simple(points=points, frame="down")
    return scan.replace(channels={**scan.channels, "current": np.cumsum(scan.height, axis=2)}, units={"current": "nA"})


def described_twice(path: Path, scan: Scan) -> Path:
    text = described(path, scan, 'channels = ["height", "current"]\n').read_text("utf-8")
    text = text.replace("[48, 48]", str(list(scan.shape[:0:-1]))).replace('unit = "nm"', 'unit = ["nm", "nA"]')
    path.write_text(text, "utf-8")
    return path


def save_line(folder: Path, kind: str, scan: Scan, line: Line) -> None:
    """Write a file of one line, or one for each channel, as an instrument might."""
    _, rows, _ = scan.shape
    number = rows - line.row
    bare = {"height": line.values["height"] * 1e9, "current": line.values["current"]}
    if kind == "npz":
        np.savez(folder / f"{line.passed} {number}.npz", height=bare["height"], current=bare["current"])
    elif kind == "npy":
        for name, values in bare.items():
            np.save(folder / f"{name}-{line.passed}-{number:03}.npy", values)
    else:
        one = {name: values[None, None] for name, values in line.values.items()}
        cut = scan.replace(channels=one, slow=scan.slow[line.row : line.row + 1], passes=(line.passed,))
        calib.write_scan(folder / f"{line.passed}-{number}.{kind}", cut)


@pytest.mark.parametrize("kind", ["nc", "npz", "npy", "txt"])
def test_lines_of_all_channels_in_any_format(tmp_path: Path, kind: str) -> None:
    scan = two_channels()
    toml = described_twice(tmp_path / "frame.toml", scan)
    source = tmp_path / "recording"
    if kind == "txt":  # one that grows: channels in turn
        source = source.with_suffix(".txt")
        text = []
        for line in recorded(scan):
            text += [line.values["height"] * 1e9, line.values["current"]]
        source.write_text("".join(" ".join(f"{one:.17g}" for one in each) + "\n" for each in text), "utf-8")
    else:
        source.mkdir()
        for line in recorded(scan):
            save_line(source, kind, scan, line)
    follower = Follower(source, read_recording(toml))
    live = model().correct_lines(follower, read_recording(toml).frame)
    list(live)
    assert not follower.unreadable
    assert (live.missing, live.repeated) == ([], 0)
    compare(live.scan, model().correct(scan))
    assert live.scan.units["current"] == "nA"


@pytest.mark.parametrize("kind", ["x3p", "tif"])
def test_lines_of_one_channel_in_formats_of_images(tmp_path: Path, kind: str) -> None:
    scan = two_channels(8).with_channel("height")
    scan = scan.replace(channels={"height": scan.height})
    toml = described(tmp_path / "frame.toml", scan)
    toml.write_text(toml.read_text("utf-8").replace("[48, 48]", "[8, 8]"), "utf-8")
    source = tmp_path / "recording"
    source.mkdir()
    for line in recorded(scan):
        cut = scan.replace(
            channels={"height": line.values["height"][None, None]},
            slow=scan.slow[line.row : line.row + 1],
            passes=(line.passed,),
        )
        calib.write_scan(source / f"{line.passed} {8 - line.row}.{kind}", cut)
    lines = list(Follower(source, read_recording(toml)))
    assert len(lines) == 16
    for line in lines:
        index = scan.passes.index(line.passed)
        np.testing.assert_allclose(line.values["height"], scan.height[index, line.row], rtol=1e-6)


def test_channel_that_does_not_come_leaves_the_others(tmp_path: Path) -> None:
    scan = two_channels()
    toml = described_twice(tmp_path / "frame.toml", scan)
    for line in recorded(scan):
        save_line(tmp_path, "npy", scan, line)
    (tmp_path / "current-trace-005.npy").unlink()
    follower = Follower(tmp_path, read_recording(toml), 0.0)
    lines = {(line.passed, line.row): line for line in follower}
    assert len(lines) == 24
    assert set(lines["trace", 12 - 5].values) == {"height"}
    assert follower.unreadable == {"trace 5": "current did not come"}


def test_a_file_that_can_not_be_read_while_it_grows(tmp_path: Path) -> None:
    toml = described(tmp_path / "frame.toml", simple())
    calib.write_scan(tmp_path / "frame.nc", simple())
    result = followed(tmp_path / "frame.nc", toml, tmp_path / "out")
    assert result.exit_code == 2
    assert "can't be read line by line while it grows" in result.stderr


def test_several_lines_a_file_in_the_order_of_time(tmp_path: Path) -> None:
    scan = simple(passes=("trace",), pattern="serpentine")
    toml = described(tmp_path / "frame.toml", scan, 'order = "time"\nlines_per_file = 5\npattern = "serpentine"\n')
    heights = np.array(scan.height[0] * 1e9)
    heights[1::2] = heights[1::2, ::-1]
    for k in range(10):
        np.save(tmp_path / f"{k + 1}.npy", heights[5 * k : 5 * k + 5])
    lines = list(Follower(tmp_path, read_recording(toml)))
    assert [line.row for line in lines] == list(range(48))
    for line in lines:
        np.testing.assert_allclose(line.values["height"], scan.height[0, line.row], rtol=1e-12)


def test_nothing_comes(tmp_path: Path) -> None:
    toml = described(tmp_path / "frame.toml", simple())
    result = followed(tmp_path / "not-there", toml, tmp_path / "out", "--timeout", "0.1 s")
    assert result.exit_code == 2
    assert "No line of the frame came" in result.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("points = 48", "how many points"),
        ("points = [48, 48]\nunit = 'nm'\nframe = 'up'", "pixel_size"),
        ("points = [48, 48]\npixel_size = '50 nm'\nframe = 'up'", "unit of its heights"),
        ("points = [48, 48]\npixel_size = '50 nm'\nunit = 'nm'", "which way"),
        ("points = [48, 48]\npixel_size = '50 nm'\nunit = 'nm'\nframe = 'up'\nfirst = -1", "first must be"),
        ("point = [48, 48]", "did you mean 'points'"),
        ("points = [48, 48]\npixel_size = '50 nm'\nunit = 'nm'\nframe = 'up'\npasses = ['there']", "Passes must be"),
    ],
)
def test_what_the_frame_file_must_say(tmp_path: Path, text: str, says: str) -> None:
    (tmp_path / "frame.toml").write_text(text, "utf-8")
    with pytest.raises(CalibError, match=says) as told:
        read_recording(tmp_path / "frame.toml")
    assert "frame.toml" in str(told.value)


def test_follow_takes_one_folder_and_no_options_of_whole_images(tmp_path: Path) -> None:
    toml = described(tmp_path / "frame.toml", simple())
    assert "goes without" in followed(tmp_path, toml, tmp_path / "out", "--figures").stderr
    assert "one folder" in followed(tmp_path, toml, tmp_path / "out", str(tmp_path)).stderr
