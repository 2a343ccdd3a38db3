"""Lists of points: on a grid, on a grid with gaps, on no grid; with and without a header."""

import gzip
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.errors import FileError, OutputExistsError, ScanError
from calib.findings import inspect_scan
from calib.formats import read_scan, write_scan
from calib.formats._header import columns_of
from calib.scan import Scan
from tests.hostile import check_sentence
from tests.test_formats_native import SHARED, assert_same, full_scan, scans

SAID: dict[str, Any] = {"lateral_unit": "µm", "unit": "nm"}
X, Y = np.meshgrid(np.arange(5) * 2.0, np.arange(4) * 3.0)
Z = X + 10 * Y + 1


def listed(folder: Path, x: Any, y: Any, z: Any, header: str = "", name: str = "a.xyz", mark: str = " ") -> Path:
    lines = [mark.join(map(repr, map(float, row))) for row in zip(np.ravel(x), np.ravel(y), np.ravel(z), strict=True)]
    (folder / name).write_text(header + "\n".join(lines) + "\n", encoding="utf-8")
    return folder / name


# --- our own files -------------------------------------------------------------------------------


def test_round_trip(tmp_path: Path) -> None:
    for name in ("a.xyz", "b.xyz.gz"):
        write_scan(tmp_path / name, full_scan())
        read = read_scan(tmp_path / name)
        assert_same(read, full_scan(), channels=False)
        assert dict(read.units) == dict(full_scan().units)
        for channel, values in full_scan().channels.items():
            np.testing.assert_array_equal(read.channels[channel], values)
    with gzip.open(tmp_path / "b.xyz.gz", "rb") as packed:
        assert packed.read() == (tmp_path / "a.xyz").read_bytes()
    with pytest.raises(OutputExistsError):
        write_scan(tmp_path / "a.xyz", full_scan())


@given(scan=scans())
@SHARED
def test_every_scan_comes_back(tmp_path: Path, scan: Scan) -> None:
    write_scan(tmp_path / "a.xyz", scan, force=True)
    read = read_scan(tmp_path / "a.xyz", channel=scan.channel)
    assert_same(read, scan, channels=False)
    for name in scan.channels:
        np.testing.assert_array_equal(read.channels[name], scan.channels[name])


def test_one_channel_in_another_unit(tmp_path: Path) -> None:
    write_scan(tmp_path / "a.xyz", full_scan(), channel="height", unit="nm")
    np.testing.assert_allclose(read_scan(tmp_path / "a.xyz").height, full_scan().height, rtol=1e-15)
    odd = full_scan().replace(channels={"x": full_scan().height}, units={}, channel="")
    with pytest.raises(ScanError, match="A channel named x, y or - can't be written"):
        write_scan(tmp_path / "b.xyz", odd)


def test_numpy_reads_the_same_numbers(tmp_path: Path) -> None:
    # numpy.loadtxt
    scan = full_scan().replace(channels={"height": full_scan().height[:1]}, units={}, channel="", passes=("trace",))
    write_scan(tmp_path / "a.xyz", scan)
    x, y, z = np.loadtxt(tmp_path / "a.xyz").T
    np.testing.assert_array_equal(z, scan.height.ravel())
    np.testing.assert_array_equal(x.reshape(4, 5)[0], scan.fast)
    np.testing.assert_array_equal(y.reshape(4, 5)[:, 0], scan.slow)


# --- lists of others -----------------------------------------------------------------------------


def check_grid(scan: Scan) -> None:
    np.testing.assert_allclose(scan.fast, (np.arange(5) - 2) * 2e-6)
    np.testing.assert_allclose(scan.slow, (np.arange(4) - 1.5) * 3e-6)
    np.testing.assert_allclose(scan.height[0], Z * 1e-9)
    assert scan.attributes["middle_of_points"] == pytest.approx([4e-6, 4.5e-6])
    assert "gathered points" not in {one.kind for one in inspect_scan(scan)}


def test_points_on_a_grid_in_any_order(tmp_path: Path) -> None:
    order = np.random.default_rng(4).permutation(20)
    check_grid(read_scan(listed(tmp_path, X, Y, Z), **SAID))
    check_grid(read_scan(listed(tmp_path, X.T, Y.T, Z.T), **SAID))
    check_grid(read_scan(listed(tmp_path, X[::-1], Y[::-1], Z[::-1]), **SAID))
    check_grid(read_scan(listed(tmp_path, X.ravel()[order], Y.ravel()[order], Z.ravel()[order]), **SAID))
    lines = "\n\n".join(
        "\n".join(f"{x} {y} {z}" for x, y, z in zip(*row, strict=True)) for row in zip(X, Y, Z, strict=True)
    )
    (tmp_path / "b.xyz").write_text(lines)  # with blank lines between the lines of the scan
    check_grid(read_scan(tmp_path / "b.xyz", **SAID))


def test_coordinates_rounded_to_few_digits(tmp_path: Path) -> None:
    x, y = np.meshgrid(np.round(np.arange(40) / 3, 2), np.round(np.arange(30) / 7, 2))
    scan = read_scan(listed(tmp_path, x, y + 0.001 * (x % 2 > 1), x), **SAID)
    assert scan.shape == (1, 30, 40)
    assert "points_binned" not in scan.attributes


def test_grid_with_gaps(tmp_path: Path) -> None:
    kept = np.ones(Z.shape, bool)
    kept[1, 2] = kept[:, 3] = False  # a point, and a whole column
    scan = read_scan(listed(tmp_path, X[kept], Y[kept], Z[kept]), **SAID)
    assert scan.shape == (1, 4, 5)
    np.testing.assert_allclose(scan.height[0], np.where(kept, Z, np.nan) * 1e-9)
    assert "points_binned" not in scan.attributes


@given(seed=st.integers(0, 1000))
@SHARED
def test_points_on_no_grid_are_gathered_with_a_finding(tmp_path: Path, seed: int) -> None:
    random = np.random.default_rng(seed)
    x, y = random.uniform(0, 10, 900), random.uniform(0, 20, 900)
    scan = read_scan(listed(tmp_path, x, y, 2 * x + y), **SAID)
    assert scan.spacing[0] == pytest.approx(scan.spacing[1])
    (finding,) = (one for one in inspect_scan(scan) if one.kind == "gathered points")
    assert finding.severity == "warning"
    assert "900 points that lie on no grid were gathered in" in finding.message
    middle = scan.attributes["middle_of_points"]
    plane = 2 * (scan.fast + middle[0])[None, :] + (scan.slow + middle[1])[:, None]
    known = np.isfinite(scan.height[0])
    assert np.count_nonzero(known) > 0.5 * known.size
    # a point is at most half a cell away in x and in y
    assert np.abs(scan.height[0] * 1e3 - plane)[known].max() < 1.51 * max(scan.spacing)
    coarse = read_scan(tmp_path / "a.xyz", **SAID, pixel_size="1 µm")
    assert coarse.spacing == pytest.approx((1e-6, 1e-6))


@pytest.mark.parametrize(
    ("header", "mark"),
    [
        ("x (µm),y (µm),height (nm)\n", ","),
        ("# exported\nX [um];Y [um];Height [nm]\n", ";"),
        ("x/µm\ty/µm\tz/nm\n", "\t"),
        ('"x in µm","y in µm","z in nm"\n', ","),
        ("x [µm] y [µm] z [nm]\n", " "),
    ],
)
def test_header_of_units(tmp_path: Path, header: str, mark: str) -> None:
    path = listed(tmp_path, X, Y, Z, header, name="a.csv", mark=mark)
    check_grid(read_scan(path))


def test_header_names_channels(tmp_path: Path) -> None:
    rows = "".join(f"{x},{y},{z},{z / 2}\n" for x, y, z in zip(X.ravel(), Y.ravel(), Z.ravel(), strict=True))
    (tmp_path / "a.csv").write_text("x (µm),y (µm),height (nm),current (nA)\n" + rows, encoding="utf-8")
    scan = read_scan(tmp_path / "a.csv")
    check_grid(scan)
    assert dict(scan.units) == {"height": "m", "current": "nA"}
    np.testing.assert_allclose(scan.channels["current"][0], Z / 2)
    (tmp_path / "b.xyz").write_text(rows)
    with pytest.raises(
        FileError, match=r'have 4 numbers: say what they are by columns = \["x", "y", "height", \.\.\.\]'
    ):
        read_scan(tmp_path / "b.xyz", **SAID)
    check_grid(read_scan(tmp_path / "b.xyz", **SAID, columns=["x", "y", "height", "-"]))


def test_header_of_a_matrix(tmp_path: Path) -> None:
    for header in ("Height (nm)", "height in nm", "# made up\nz [nm]"):
        (tmp_path / "a.csv").write_text(f"{header}\n1,2\n3,4\n", encoding="utf-8")
        np.testing.assert_allclose(read_scan(tmp_path / "a.csv", pixel_size="1 nm").height[0, 0], [1e-9, 2e-9])
    np.testing.assert_allclose(read_scan(tmp_path / "a.csv", pixel_size="1 nm", unit="µm").height[0, 0], [1e-6, 2e-6])
    assert columns_of("rise/fall, width") == [("rise/fall", None), ("width", None)]


def test_a_matrix_of_three_columns_is_no_list(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("1 2 3\n4 5 7\n7 8 9\n2 2 2\n")
    assert read_scan(tmp_path / "a.txt", pixel_size="1 nm", unit="nm").shape == (1, 4, 3)
    path = listed(tmp_path, X, Y, Z, name="b.txt")
    check_grid(read_scan(path, **SAID))
    assert read_scan(path, pixel_size="1 nm", unit="nm", points=False).shape == (1, 20, 3)
    assert read_scan(tmp_path / "a.txt", **SAID, points=True).attributes["points_binned"].startswith("4 points")


# --- what can't be used --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "said", "words"),
    [
        ("0 0 1\n1 0 2\n", {"lateral_unit": None}, 'unit of its coordinates is not known: give lateral_unit = "µm"'),
        ("0 0 1\n1 0 2\n", {"unit": None}, "unit of its heights is not known"),
        ("0 0 1\n1 0 2\n", {"columns": ["x", "height", "height"]}, "columns must be x, y and at least one channel"),
        ("0 0 1\n1 0 2\n", {"columns": ["x", "y"]}, "columns names 2, where its lines have 3"),
        ("0 0\n1 0\n", {}, "its lines have 2 numbers"),
        ("0 nan 1\n1 0 2\n", {}, "no x or no y"),
        ("0 0 a\n1 0 2\n", {}, "'a' is no number"),
        ("0 0 1\n0 0 2\n", {}, "too few of them for an image"),
        ("0 0 1\n1 1 2\n2 3 4\n5 1 2\n", {"pixel_size": "1 nm"}, "much smaller than the distance of its points"),
        ("0 0 1\n1 1 2\n2 3 4\n5 1 2\n", {"pixel_size": "0 nm"}, "pixel_size must be more than zero"),
        ("0 0 1\n1 0 2\n", {"middle": "1 nm"}, "middle must be two lengths"),
    ],
)
def test_what_is_no_list_of_points(tmp_path: Path, text: str, said: dict[str, Any], words: str) -> None:
    (tmp_path / "a.xyz").write_text(text)
    with pytest.raises(FileError, match=words):
        read_scan(tmp_path / "a.xyz", **{**SAID, **said})


def test_every_truncation_is_one_sentence_or_a_scan(tmp_path: Path) -> None:
    data = gzip.compress(listed(tmp_path, X, Y, Z).read_bytes())
    text = (tmp_path / "a.xyz").read_bytes()
    for length in range(1, len(text)):
        (tmp_path / "b.xyz").write_bytes(text[:length])
        check_sentence(tmp_path / "b.xyz", **SAID)
    for length in range(len(data)):
        (tmp_path / "b.xyz.gz").write_bytes(data[:length])
        with pytest.raises(FileError):
            read_scan(tmp_path / "b.xyz.gz", **SAID)
