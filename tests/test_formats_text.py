"""Text matrices: how numbers stand in them, what is said beside them, and both ways."""

import codecs
import gzip
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calib.errors import CalibError, FileError, OutputExistsError, ScanError
from calib.formats import _matrix, read_scan, write_scan
from calib.formats._toml import dumps
from calib.formats.text import READ_OPTIONS
from calib.scan import Scan
from tests.test_formats_native import assert_same, full_scan, scans

NAN = np.nan
SAID: dict[str, Any] = {"pixel_size": "1 µm", "unit": "m"}


def read(path: Path, text: str | bytes, name: str = "heights.txt", **options: Any) -> Scan:
    """Read a text from a file."""
    (path / name).write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_scan(path / name, **{**SAID, **options})


def rows(path: Path, text: str | bytes, name: str = "heights.txt", **options: Any) -> Any:
    """Return the numbers of the only pass."""
    return read(path, text, name, **options).height[0].tolist()


# --- numbers -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1 2\n3 4\n", [[1, 2], [3, 4]]),
        ("  1   2  \n 3  4", [[1, 2], [3, 4]]),
        ("1\t2\n3\t4\n", [[1, 2], [3, 4]]),
        ("1 \t 2\n3 \t4\n", [[1, 2], [3, 4]]),
        ("1\t2 3\n4\t5 6\n", [[1, 2, 3], [4, 5, 6]]),  # tabs and blanks both separate
        ("1,2\n3,4\n", [[1, 2], [3, 4]]),
        ("1, 2, 3\n4, 5, 6\n", [[1, 2, 3], [4, 5, 6]]),
        ("1.5,2.5\n3,4", [[1.5, 2.5], [3, 4]]),
        ("1;2\n3;4\n", [[1, 2], [3, 4]]),
        ("1,5;2,5\n3;4", [[1.5, 2.5], [3, 4]]),
        ("1,5 2,5\n3 4", [[1.5, 2.5], [3, 4]]),
        ("1,5\t2,5\n3\t4", [[1.5, 2.5], [3, 4]]),
        ("-1,5e-3 +2\n,5 4", [[-1.5e-3, 2], [0.5, 4]]),
        ("1e3 1E-3\n+5 -.5", [[1000, 0.001], [5, -0.5]]),
        ("1\n2\n3", [[1], [2], [3]]),
        ("5", [[5]]),
        ("# a, b; c\n\n# d\n1 2 # e\n3 4\n\n# f\n", [[1, 2], [3, 4]]),
        ("1 2\n# between\n3 4\n", [[1, 2], [3, 4]]),
        ("1 2\r\n3 4\r\n", [[1, 2], [3, 4]]),
        ("1 2\r3 4\r", [[1, 2], [3, 4]]),
    ],
)
def test_numbers_stand_as_they_like(tmp_path: Path, text: str, expected: list[list[float]]) -> None:
    assert rows(tmp_path, text) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("nan NaN\nNAN 1", [[NAN, NAN], [NAN, 1]]),
        ("BAD 1\n2 bad", [[NAN, 1], [2, NAN]]),
        ("inf 1\n2 -Infinity", [[NAN, 1], [2, NAN]]),
        ("1;;3\n;5;\n", [[1, NAN, 3], [NAN, 5, NAN]]),
        ("1,,3\n4,5, \n", [[1, NAN, 3], [4, 5, NAN]]),
        ("1\t\t3\n\t5\t6\n", [[1, NAN, 3], [NAN, 5, 6]]),
        ("1;2;\n3;;\n", [[1, 2], [3, NAN]]),  # a separator after the last number, too
        ("1\t2\t\n3\t4\t\n", [[1, 2], [3, 4]]),
        ("1,5;BAD\n;2", [[1.5, NAN], [NAN, 2]]),
    ],
)
def test_no_data(tmp_path: Path, text: str, expected: list[list[float]]) -> None:
    np.testing.assert_array_equal(rows(tmp_path, text), expected)


def test_numbers_that_stand_for_no_data_are_those_of_the_file(tmp_path: Path) -> None:
    scan = read(tmp_path, "1 -9999\n32767 2", unit="nm", no_data=[-9999, 32767])
    np.testing.assert_allclose(scan.height[0], [[1e-9, NAN], [NAN, 2e-9]])


def test_doubtful_commas_are_settled_by_options(tmp_path: Path) -> None:
    assert rows(tmp_path, "1,5\n2,5\n") == [[1, 5], [2, 5]]
    assert rows(tmp_path, "1,5\n2,5\n", decimal=",") == [[1.5], [2.5]]
    assert rows(tmp_path, "1,5 2,5\n", decimal="comma", delimiter="space") == [[1.5, 2.5]]
    assert rows(tmp_path, "1,5\n2,5\n", delimiter="comma") == [[1, 5], [2, 5]]
    with pytest.raises(FileError, match=r"both points and commas.*option decimal"):
        read(tmp_path, "1.000,5;2")
    with pytest.raises(FileError, match="can't have ',' both between numbers and in them"):
        read(tmp_path, "1,5", decimal=",", delimiter=",")


@pytest.mark.parametrize(
    ("data", "name"),
    [
        (codecs.BOM_UTF8 + b"1 2\n3 4", "heights.txt"),
        ("1 2\n3 4".encode("utf-16"), "heights.txt"),
        (codecs.BOM_UTF16_BE + "1 2\n3 4".encode("utf-16-be"), "heights.dat"),
        (b"# \xb5m, not Unicode\n1 2\n3 4", "heights.csv"),
        (gzip.compress(b"1 2\n3 4"), "heights.txt.gz"),
        (gzip.compress(b"1 2\n3 4"), "heights.txt"),
        (b"1 2\n3 4", "heights.unheard"),
    ],
)
def test_encodings(tmp_path: Path, data: bytes, name: str) -> None:
    assert rows(tmp_path, data, name) == [[1, 2], [3, 4]]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("1 2\n3\n", "line 2: 1 numbers, where the lines before have 2"),
        ("# a\n1 2\n\n# b\n3 4 5 x\n", "line 5, column 4: 'x' is no number; put # before comments"),
        ("Height\n1 2\n", "line 1, column 1: 'Height' is no number; .*skip_lines"),
        ("1_000 2\n", "'1_000' is no number"),
        ("0x10 2\n", "'0x10' is no number"),
        ("1 ٣\n", "'٣' is no number"),
        ("1;2 3\n", "'2 3' is no number"),
        ("# nothing\n\n", "holds no numbers"),
        ("", "is empty"),
    ],
)
def test_what_is_no_matrix_is_told_with_its_place(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(FileError, match=words) as caught:
        read(tmp_path, text)
    assert str(caught.value).startswith(str(tmp_path / "heights.txt"))
    assert str(caught.value).endswith(".")


def test_lines_before_the_data_can_be_left_out(tmp_path: Path) -> None:
    assert rows(tmp_path, "Height in nm\n7 7 7\n1 2\n", skip_lines=2) == [[1, 2]]


def test_long_files_are_read_piece_by_piece(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_matrix, "_PIECE", 37)
    data = np.arange(400.0).reshape(2, 20, 10) / 7
    text = "\n\n".join("\n".join(" ".join(map(repr, row)) for row in block.tolist()) for block in data)
    scan = read(tmp_path, text, passes=["trace", "retrace"])
    np.testing.assert_array_equal(scan.height, data)
    with pytest.raises(FileError, match="line 42: 1 numbers, where the lines before have 10"):
        read(tmp_path, text + "\n1")


def test_memory_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_matrix, "_PIECE", 64)
    monkeypatch.setattr(_matrix, "_LONGEST_LINE", 100)
    with pytest.raises(FileError, match="line 2 is too long"):
        read(tmp_path, "1 2\n" + "1 " * 300)
    monkeypatch.setattr(_matrix, "MAX_POINTS", 100)
    with pytest.raises(FileError, match="more than 100 numbers"):
        read(tmp_path, "1 2\n" * 51)
    monkeypatch.setattr(_matrix, "_MOST_TEXT", 1000)
    with pytest.raises(FileError, match="is too long"):
        read(tmp_path, gzip.compress(b"#\n" * 5000 + b"1"))


def test_truncated_gzip_is_one_sentence(tmp_path: Path) -> None:
    data = gzip.compress(b"1 2 3\n" * 1000)
    for length in range(2, len(data), 7):
        with pytest.raises(FileError):
            read(tmp_path, data[:length], "heights.txt.gz")


# --- what is said beside them --------------------------------------------------------------------


def test_size_by_pixels(tmp_path: Path) -> None:
    scan = read(tmp_path, "1 2 3\n4 5 6\n", pixel_size="2 µm", unit="nm")
    np.testing.assert_allclose(scan.fast, [-2e-6, 0, 2e-6])
    np.testing.assert_allclose(scan.slow, [-1e-6, 1e-6])
    np.testing.assert_allclose(scan.height, [[[1e-9, 2e-9, 3e-9], [4e-9, 5e-9, 6e-9]]])
    scan = read(tmp_path, "1 2 3\n4 5 6\n", pixel_size=["2 µm", "5 nm"])
    assert scan.spacing == pytest.approx((2e-6, 5e-9))


def test_range_counts_pixels_or_centres(tmp_path: Path) -> None:
    text = "1 2 3 4\n5 6 7 8\n"
    whole = read(tmp_path, text, pixel_size=None, range=["8 µm", "4 µm"], range_counts="pixels")
    assert whole.spacing == pytest.approx((2e-6, 2e-6))
    assert whole.size == pytest.approx((6e-6, 2e-6))
    centres = read(tmp_path, text, pixel_size=None, range="6 µm", range_counts="centres")
    assert centres.spacing == pytest.approx((2e-6, 6e-6))
    assert centres.fast.mean() == pytest.approx(0, abs=1e-20)
    with pytest.raises(FileError, match='say what the range counts: range_counts = "pixels"'):
        read(tmp_path, text, pixel_size=None, range="6 µm")


def test_listed_coordinates(tmp_path: Path) -> None:
    scan = read(tmp_path, "1 2 3\n4 5 6\n", fast=["0 nm", "1 nm", "3 nm"])
    np.testing.assert_allclose(scan.fast, [0, 1e-9, 3e-9])
    np.testing.assert_allclose(scan.slow, [-0.5e-6, 0.5e-6])
    with pytest.raises(FileError, match="fast must be a list of 3 lengths"):
        read(tmp_path, "1 2 3\n", fast=["0 nm"])


def test_first_row(tmp_path: Path) -> None:
    text = "1 2\n3 4\n"
    assert rows(tmp_path, text) == rows(tmp_path, text, first_row="bottom") == [[1, 2], [3, 4]]
    assert rows(tmp_path, text, first_row="top") == [[3, 4], [1, 2]]


def test_passes(tmp_path: Path) -> None:
    two = "1 2\n3 4\n\n\n5 6\n7 8\n"
    scan = read(tmp_path, two, passes=["retrace", "trace"])
    assert scan.passes == ("retrace", "trace")
    assert scan.height.tolist() == [[[1, 2], [3, 4]], [[5, 6], [7, 8]]]
    assert read(tmp_path, "1 2", passes="retrace").passes == ("retrace",)
    with pytest.raises(FileError, match='2 matrices with blank lines between: say passes = \\["trace", "retrace"\\]'):
        read(tmp_path, two)
    with pytest.raises(FileError, match="1 matrix, where passes names 2"):
        read(tmp_path, "1 2", passes=["trace", "retrace"])
    with pytest.raises(FileError, match="passes differ in size: 1 x 2 and 2 x 2"):
        read(tmp_path, "1 2\n\n3 4\n5 6", passes=["trace", "retrace"])


def test_retrace_in_a_file_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "back.txt").write_text("5 6\n7 8\n")
    scan = read(tmp_path, "1 2\n3 4\n", retrace="back.txt")
    assert scan.passes == ("trace", "retrace")
    assert scan.height[1].tolist() == [[5, 6], [7, 8]]
    scan = read(tmp_path, "1 2\n3 4\n", retrace="back.txt", retrace_reversed=True)
    assert scan.height.tolist() == [[[1, 2], [3, 4]], [[6, 5], [8, 7]]]
    with pytest.raises(FileError, match=r"There is no file .*none\.txt|none\.txt can't be read"):
        read(tmp_path, "1 2\n", retrace="none.txt")


@pytest.mark.parametrize(
    ("unit", "factor"), [("nm", 1e-9), ("µm", 1e-6), ("m", 1), ("0.05 nm", 0.05e-9), ("2e-12 m", 2e-12)]
)
def test_units(tmp_path: Path, unit: str, factor: float) -> None:
    np.testing.assert_allclose(rows(tmp_path, "1 2", unit=unit), [[factor, 2 * factor]])


def test_other_channels(tmp_path: Path) -> None:
    scan = read(tmp_path, "1 2", channel="image", unit=None)
    assert (scan.channel, scan.units["image"], scan.values.tolist()) == ("image", "", [[[1, 2]]])
    assert read(tmp_path, "1 2", channel="image", unit="mV").units["image"] == "mV"
    shift = read(tmp_path, "1 2", channel="u_x", unit="nm")
    assert shift.units["u_x"] == "m"
    assert shift.values.ravel().tolist() == pytest.approx([1e-9, 2e-9])


def test_file_of_the_full_name_speaks_of_one_text(tmp_path: Path) -> None:
    for name in ("a.txt", "a.csv", "a.csv.gz"):
        data = b"1,2\n3,4\n" if "csv" in name else b"1 2\n3 4\n"
        (tmp_path / name).write_bytes(gzip.compress(data) if name.endswith(".gz") else data)
    said = {"a": "1 nm", "a.csv": "2 nm", "a.csv.gz": "3 nm"}
    for name, unit in said.items():
        (tmp_path / f"{name}.toml").write_text(f'pixel_size = "1 µm"\nunit = "{unit}"\n', encoding="utf-8")
    first = {name: read_scan(tmp_path / name).height[0, 0, 0] for name in ("a.txt", "a.csv", "a.csv.gz")}
    assert first == pytest.approx({"a.txt": 1e-9, "a.csv": 2e-9, "a.csv.gz": 3e-9})


def test_text_that_is_written_beside_another_leaves_its_words_alone(tmp_path: Path) -> None:
    scan = read(tmp_path, "1 2\n3 4", "other.txt")
    for factor, name in enumerate(("a.txt", "a.csv.gz"), start=1):
        write_scan(tmp_path / name, scan.replace(channels={"height": factor * scan.height}, title=name))
    assert sorted(path.name for path in tmp_path.glob("a*.toml")) == ["a.csv.gz.toml", "a.toml"]
    for factor, name in enumerate(("a.txt", "a.csv.gz"), start=1):
        again = read_scan(tmp_path / name)
        assert (again.title, again.height[0, 0, 0]) == (name, factor)
    # what would go before the new words is itself replaced
    (tmp_path / "b.txt.toml").write_text('title = "old"\n')
    write_scan(tmp_path / "b.txt", scan.replace(title="new"), force=True)
    assert read_scan(tmp_path / "b.txt").title == "new"


def test_what_is_beside_the_file_and_options_before_it(tmp_path: Path) -> None:
    (tmp_path / "heights.toml").write_text(
        """
        channel = "height"
        pixel_size = "10 nm"
        unit = "nm"
        first_row = "top"
        title = "a grid"
        centre_x = "3 µm"
        rotation = "90 deg"
        frame = "down"
        line_period = "0.5 s"
        turnaround = "10 ms"
        previous_x = "0 m"
        previous_y = "-1 µm"
        started = 2026-03-01T09:30:00
        scanner = "bench-1"
        controller = { gain = 2 }
        temperature = "20 degC"
        z_centre = "1 µm"
        attributes = { operator_note = "after service" }
        """,
        encoding="utf-8",
    )
    (tmp_path / "heights.txt").write_text("1 2\n3 4\n")
    scan = read_scan(tmp_path / "heights.txt")
    np.testing.assert_allclose(scan.height, [[[3e-9, 4e-9], [1e-9, 2e-9]]])
    assert scan.title == "a grid"
    assert scan.centre_x == 3e-6
    assert scan.rotation == pytest.approx(np.pi / 2)
    assert (scan.frame, scan.line_period, scan.turnaround) == ("down", 0.5, 0.01)
    assert (scan.previous_x, scan.previous_y, scan.z_centre) == (0.0, -1e-6, 1e-6)
    assert scan.started is not None
    assert scan.started.hour == 9
    assert (scan.scanner, scan.controller, scan.temperature) == ("bench-1", {"gain": 2}, 293.15)
    assert dict(scan.attributes) == {"operator_note": "after service", "file": "heights.txt"}
    other = read_scan(tmp_path / "heights.txt", frame="up", pixel_size="20 nm")
    assert other.frame == "up"
    assert other.spacing[0] == pytest.approx(20e-9)
    (tmp_path / "heights.txt.gz").write_bytes(gzip.compress(b"1 2\n3 4\n"))
    np.testing.assert_array_equal(read_scan(tmp_path / "heights.txt.gz").height, scan.height)
    with pytest.raises(FileError, match="no channel 'image'; it has 'height'"):
        read_scan(tmp_path / "heights.txt", channel="image")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"pixel_size": None}, r"its size is not known: give pixel_size = .* in heights\.toml beside it"),
        ({"unit": None}, r'unit of its heights is not known: give unit = "nm".* in heights\.toml beside it'),
        ({"range": "1 µm"}, "give pixel_size or range, not both"),
        ({"pixel_size": 0.1}, "pixel_size must be a text with a unit"),
        ({"pixel_size": "0 m"}, "pixel_size must be more than zero"),
        ({"pixel_size": "1"}, "pixel_size: '1' has no unit"),
        ({"pixel_size": ["1 m"] * 3}, "pixel_size must be one length, or two"),
        ({"pixel_size": None, "range": "1 µm", "range_counts": "both"}, "range_counts must be 'pixels' or 'centres'"),
        ({"unit": "s"}, "unit: 's' is no unit of length"),
        ({"unit": 3}, "unit must be a text"),
        ({"unit": "0 nm"}, "unit must be more than zero"),
        ({"first_row": "left"}, "first_row must be 'bottom' or 'top'"),
        ({"passes": ["forth"]}, 'passes must be a list of "trace" and "retrace"'),
        ({"retrace_reversed": "yes"}, "retrace_reversed must be true or false"),
        ({"decimal": "."}, None),
        ({"decimal": "'"}, "decimal must be"),
        ({"delimiter": "|"}, "delimiter must be"),
        ({"skip_lines": -1}, "skip_lines must be a whole number"),
        ({"no_data": "x"}, "no_data must be a number"),
        ({"frame": "sideways"}, "frame must be 'up' or 'down'"),
        ({"title": 3}, "title must be a text"),
        ({"line_period": "3 m"}, "line_period: '3 m' is no time"),
        ({"started": "yesterday"}, "started must be a date"),
        ({"controller": 3}, "controller must be a table"),
        ({"attributes": 3}, "attributes must be a table"),
    ],
)
def test_options_that_make_no_sense(tmp_path: Path, options: dict[str, Any], words: str | None) -> None:
    if words is None:
        read(tmp_path, "1 2\n", **options)
        return
    with pytest.raises(FileError, match=words) as caught:
        read(tmp_path, "1 2\n", **options)
    assert str(caught.value).startswith(f"{tmp_path / 'heights.txt'}: ")


def test_unknown_options_and_keys(tmp_path: Path) -> None:
    with pytest.raises(CalibError, match="no option 'pixelsize' for a text matrix: did you mean 'pixel_size'"):
        read(tmp_path, "1 2", pixelsize="1 nm")
    (tmp_path / "heights.toml").write_text('units = "nm"')
    with pytest.raises(FileError, match=r"heights\.toml: there is no key 'units': did you mean 'unit'"):
        read(tmp_path, "1 2")
    (tmp_path / "heights.toml").write_text("unit = ")
    with pytest.raises(FileError, match=r"heights\.toml is not valid TOML"):
        read(tmp_path, "1 2")


# --- writing -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["a.txt", "a.csv", "a.tsv", "a.dat", "a.txt.gz"])
def test_round_trip(tmp_path: Path, name: str) -> None:
    scan = full_scan()
    write_scan(tmp_path / name, scan, channel="height")
    only = scan.replace(channels={"height": scan.height}, units={})
    assert_same(read_scan(tmp_path / name), only)
    assert {path.name for path in tmp_path.iterdir()} == {name, "a.toml"}
    data = gzip.decompress((tmp_path / name).read_bytes()) if name.endswith("gz") else (tmp_path / name).read_bytes()
    assert data.startswith("# grid, 20 °C, after service\n".encode())
    mark = {"csv": ",", "tsv": "\t"}.get(name[2:], " ")
    assert data.decode().splitlines()[5].count(mark) == 4


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(scan=scans())
def test_any_scan_comes_back(tmp_path: Path, scan: Scan) -> None:
    write_scan(tmp_path / "a.txt", scan, force=True, channel=scan.channel)
    back = read_scan(tmp_path / "a.txt")
    values = scan.values.astype(np.float64)  # text has no float32
    expected = scan.replace(channels={scan.channel: values}, units={scan.channel: "m"})
    assert back.channel == scan.channel
    # Steps that are even to within a billionth of a pixel are written as such.
    step = min(step for step in (*scan.spacing, 1.0) if step)
    np.testing.assert_allclose(back.fast, scan.fast, rtol=0, atol=1e-9 * step)
    np.testing.assert_allclose(back.slow, scan.slow, rtol=0, atol=1e-9 * step)
    assert_same(back, expected.replace(fast=back.fast, slow=back.slow))
    before = (tmp_path / "a.txt").read_bytes(), (tmp_path / "a.toml").read_bytes()
    write_scan(tmp_path / "a.txt", scan, force=True, channel=scan.channel)
    assert ((tmp_path / "a.txt").read_bytes(), (tmp_path / "a.toml").read_bytes()) == before


def test_even_steps_are_written_as_pixel_size(tmp_path: Path) -> None:
    scan = full_scan().replace(slow=np.array([0.0, 1.0, 2.0, 3.0]) * 1e-6)
    write_scan(tmp_path / "a.txt", full_scan(), channel="height")
    table = tomllib.loads((tmp_path / "a.toml").read_text("utf-8"))
    assert table["pixel_size"] == ["1 µm", "2 µm"]
    write_scan(tmp_path / "b.txt", scan, channel="height")  # not about its centre
    np.testing.assert_array_equal(read_scan(tmp_path / "b.txt").slow, scan.slow)


def test_numbers_in_another_unit(tmp_path: Path) -> None:
    scan = full_scan()
    write_scan(tmp_path / "a.txt", scan, channel="height", unit="nm")
    assert "height in nm" in (tmp_path / "a.txt").read_text("utf-8")
    np.testing.assert_allclose(read_scan(tmp_path / "a.txt").height, scan.height, rtol=1e-14)
    with pytest.raises(ScanError, match="'image' is not in m"):
        write_scan(tmp_path / "b.txt", scan, channel="image", unit="nm")


def test_no_channel_is_dropped_in_silence(tmp_path: Path) -> None:
    with pytest.raises(ScanError, match=r"holds one channel, and the scan has 'height', 'image': say which"):
        write_scan(tmp_path / "a.txt", full_scan())
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("existing", ["a.txt", "a.toml"])
def test_neither_file_is_overwritten_without_force(tmp_path: Path, existing: str) -> None:
    (tmp_path / existing).write_text("old")
    with pytest.raises(OutputExistsError):
        write_scan(tmp_path / "a.txt", full_scan(), channel="height")
    assert [path.name for path in tmp_path.iterdir()] == [existing]
    assert (tmp_path / existing).read_text() == "old"
    write_scan(tmp_path / "a.txt", full_scan(), channel="height", force=True)
    assert read_scan(tmp_path / "a.txt").shape == (2, 4, 5)


_ITEMS = st.recursive(
    st.text(st.characters(exclude_categories=["Cs"])) | st.integers() | st.floats(allow_nan=False) | st.booleans(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=5,
)


@given(st.dictionaries(st.text(st.characters(exclude_categories=["Cs"]), max_size=8), _ITEMS, max_size=4))
def test_any_table_comes_back_from_toml(table: dict[str, Any]) -> None:
    assert tomllib.loads(dumps(table)) == table


def test_example_of_the_reference(tmp_path: Path) -> None:
    page = (Path(__file__).parent.parent / "docs" / "reference" / "scan-files.md").read_text("utf-8")
    (tmp_path / "heights.toml").write_text(page.split("```toml\n")[1].split("```")[0], encoding="utf-8")
    (tmp_path / "heights.txt").write_text("1 2\n3 4\n")
    scan = read_scan(tmp_path / "heights.txt")
    assert scan.spacing == pytest.approx((10e-6, 10e-6))
    np.testing.assert_allclose(scan.height, [[[3e-9, 4e-9], [1e-9, 2e-9]]])
    for name in READ_OPTIONS:
        assert f"`{name}`" in page, name
