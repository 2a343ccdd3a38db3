"""SDF files (ISO 25178-71): both ways, through an independent reader and writer of the standard, and broken ones."""

import struct
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sdfio
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from calib.errors import CalibError, FileError, OutputExistsError, ScanError
from calib.formats import read_scan, sdf, write_scan
from calib.scan import Scan
from tests.test_formats_native import assert_same, full_scan, scans

SHARED = settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
TYPES = {"float32": 3, "int8": 4, "int16": 5, "int32": 6, "float64": 7}
STORAGES = ("binary", "text")
DTYPES = {"float32": "<f4", "int8": "<i1", "int16": "<i2", "int32": "<i4", "float64": "<f8"}
LEAST = {name: (np.iinfo(kind) if "i" in kind else np.finfo(kind)).min for name, kind in DTYPES.items()}


def binary(values: Any, kind: str = "int16", version: str = "1.0", trailer: bytes = b"", **said: Any) -> bytes:
    """Make a file from the table of fields in ISO 25178-71, without any code of ours."""
    values = np.asarray(values)
    fields = {"x": 2e-9, "y": 3e-9, "z": 1e-10, "zr": -1.0, "compression": 0, "code": TYPES[kind], "check": 0}
    fields |= {"points": values.shape[1], "profiles": values.shape[0]} | said
    counts = struct.pack("<HH" if version == "1.0" else "<II", fields["points"], fields["profiles"])
    scales = struct.pack("<dddd", fields["x"], fields["y"], fields["z"], fields["zr"])
    codes = struct.pack("<BBB", fields["compression"], fields["code"], fields["check"])
    start = b"bISO-" + version.encode() + b"spec      " + b"251120260733" * 2
    return start + counts + scales + codes + values.astype(DTYPES[kind]).tobytes() + trailer


def text(data: str, end: str = "\r\n", **said: Any) -> bytes:
    """Make a file in text from the example in the description of the format."""
    fields = {
        "ManufacID": "spec",
        "CreateDate": "251120260733",
        "ModDate": "251120260733",
        "NumPoints": 3,
        "NumProfiles": 2,
        "Xscale": "2.0e-009",
        "Yscale": "3e-9",
        "Zscale": "1.0E-10",
        "Zresolution": -1,
        "Compression": 0,
        "DataType": 5,
        "CheckType": 0,
    } | said
    lines = ["aISO-1.0", *(f"{key} = {value}" for key, value in fields.items() if value is not None), "*", data]
    return end.join(lines).encode()


def read(folder: Path, data: bytes, **options: Any) -> Scan:
    """Read a file."""
    (folder / "a.sdf").write_bytes(data)
    return read_scan(folder / "a.sdf", **options)


def plain(values: Any, **fields: Any) -> Scan:
    """Return a scan of one pass on 1 µm steps."""
    values = np.atleast_2d(values)
    steps = [(np.arange(count) - (count - 1) / 2) * 1e-6 for count in values.shape]
    return Scan(channels={"height": values}, slow=steps[0], fast=steps[1], **fields)


# --- what the standard says ----------------------------------------------------------------------


@pytest.mark.parametrize("version", ["1.0", "2.0"])
@pytest.mark.parametrize("kind", TYPES)
def test_binary_of_every_type(tmp_path: Path, kind: str, version: str) -> None:
    stored = np.array([[1, -2, 3], [LEAST[kind], 100, -127]], dtype=DTYPES[kind])
    scan = read(tmp_path, binary(stored, kind, version, z=0.5))
    np.testing.assert_array_equal(scan.height, [[[0.5, -1, 1.5], [np.nan, 50, -63.5]]])
    np.testing.assert_allclose(scan.fast, [-2e-9, 0, 2e-9])
    np.testing.assert_allclose(scan.slow, [-1.5e-9, 1.5e-9])
    assert scan.passes == ("trace",)
    zone = "" if version == "1.0" else "+00:00"  # version 1.0 is the clock of an unknown place
    assert scan.attributes["created"] == "2026-11-25T07:33:00" + zone
    assert scan.attributes["instrument"] == "spec"
    assert scan.started is None  # when a file was made is not when the frame began


@pytest.mark.parametrize("end", ["\r\n", "\n", "\r"])
@pytest.mark.parametrize(
    "data",
    [
        "-661 BAD 3202\n1 2 3\n*\n",
        "-661\nbad\n3202\n1\n2\n3\n*\nOperatorName = Tester\n*\n",
        "-661 NaN 3202 1\t2   3",
        "-6.61e2 INF 3.202E+003 1 2 3\n*",
    ],
)
def test_text(tmp_path: Path, data: str, end: str) -> None:
    scan = read(tmp_path, text(data.replace("\n", end), end))
    np.testing.assert_allclose(scan.height[0], np.array([[-661, np.nan, 3202], [1, 2, 3]]) * 1e-10)
    assert ("comment" in scan.attributes) == ("Operator" in data)


def test_keys_in_any_order_and_spelling(tmp_path: Path) -> None:
    lines = text("1 2 3 4 5 6 *").decode().split("\r\n")
    lines = [lines[0], *(line.upper().replace(" = ", "=") for line in lines[12:0:-1]), *lines[13:]]
    assert read(tmp_path, "\n".join(lines).encode()).height[0, 1, 2] == pytest.approx(6e-10)


def test_first_row_is_the_lowest_unless_it_is_said_otherwise(tmp_path: Path) -> None:
    data = binary([[1, 2], [3, 4]], z=1.0)
    assert read(tmp_path, data).height[0].tolist() == [[1, 2], [3, 4]]
    assert read(tmp_path, data, first_row="top").height[0].tolist() == [[3, 4], [1, 2]]


def test_what_a_file_says_wrongly_is_said_by_hand(tmp_path: Path) -> None:
    data = binary([[1, 2], [3, 4]], x=2.0, y=0.0, z=1.0)
    with pytest.raises(FileError, match="its size is not known: give pixel_size"):
        read(tmp_path, data)
    scan = read(tmp_path, data, pixel_size="2 nm", unit="nm", passes="retrace", scanner="chip 7", line_period="0.5 s")
    assert scan.spacing == pytest.approx((2e-9, 2e-9))
    assert scan.height[0, 1, 1] == pytest.approx(4e-9)
    assert (scan.passes, scan.scanner, scan.line_period) == (("retrace",), "chip 7", 0.5)
    (tmp_path / "a.toml").write_text('pixel_size = "3 nm"\nframe = "up"\nno_data = 4\nattributes = { run = 3 }\n')
    scan = read(tmp_path, data)
    assert (scan.spacing[0], scan.frame, scan.attributes["run"]) == (pytest.approx(3e-9), "up", 3)
    assert np.isnan(scan.height[0, 1, 1])
    (tmp_path / "a.toml").write_text("pixelsize = 3\n")
    with pytest.raises(FileError, match=r"a\.toml: there is no key 'pixelsize': did you mean 'pixel_size'"):
        read(tmp_path, data)


def test_retrace_in_a_file_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "back.sdf").write_bytes(binary([[5, 6], [7, 8]], z=1.0))
    scan = read(tmp_path, binary([[1, 2], [3, 4]], z=1.0), retrace="back.sdf")
    assert scan.passes == ("trace", "retrace")
    assert scan.height.tolist() == [[[1, 2], [3, 4]], [[5, 6], [7, 8]]]


def test_recognised_by_content(tmp_path: Path) -> None:
    for name, data in (("a.dat", binary([[1, 2]])), ("b.txt", text("1 2 3 4 5 6")), ("c", b"BIS" + binary([[1]])[3:])):
        (tmp_path / name).write_bytes(data)
        assert read_scan(tmp_path / name).has_height


# --- both ways -----------------------------------------------------------------------------------


@pytest.mark.parametrize("storage", STORAGES)
def test_round_trip_keeps_everything(tmp_path: Path, storage: str) -> None:
    scan = full_scan()
    for index, name in enumerate(scan.passes):
        write_scan(tmp_path / "a.sdf", scan, passes=name, storage=storage, force=True)
        one = scan.replace(channels={"height": scan.height[index : index + 1]}, units={}, passes=(name,))
        assert_same(read_scan(tmp_path / "a.sdf"), one)
    write_scan(tmp_path / "b.sdf", read_scan(tmp_path / "a.sdf"), storage=storage)
    assert (tmp_path / "a.sdf").read_bytes() == (tmp_path / "b.sdf").read_bytes()


@SHARED
@given(scan=scans(), storage=st.sampled_from(STORAGES))
def test_any_scan_comes_back(tmp_path: Path, scan: Scan, storage: str) -> None:
    name, first = scan.channel, scan.passes[0]
    even = [(np.arange(axis.size) - (axis.size - 1) / 2) * 0.5**20 for axis in (scan.fast, scan.slow)]
    values = scan.channels[name][:1].astype(np.float64)
    scan = scan.replace(channels={name: values}, units={name: "m"}, fast=even[0], slow=even[1], passes=(first,))
    write_scan(tmp_path / "a.sdf", scan, channel=name, storage=storage, force=True)
    read = read_scan(tmp_path / "a.sdf")
    assert_same(read.replace(attributes=scan.attributes), scan)
    assert set(read.attributes) == {*scan.attributes, "file"}


@SHARED
@given(data=st.data(), kind=st.sampled_from(list(TYPES)), storage=st.sampled_from(STORAGES))
def test_every_number_of_every_type_comes_back(tmp_path: Path, data: st.DataObject, kind: str, storage: str) -> None:
    shape = data.draw(arrays.array_shapes(min_dims=2, max_dims=2, max_side=6))
    elements: Any = st.integers(LEAST[kind] + 1, -(LEAST[kind] + 1))
    if "f" in DTYPES[kind]:
        elements = st.floats(float(LEAST[kind]), -float(LEAST[kind]), exclude_min=True, width=int(kind[-2:]))
    stored = data.draw(arrays.arrays(DTYPES[kind], shape, elements=elements))
    gaps = data.draw(arrays.arrays(bool, shape))
    values = np.where(gaps, np.nan, stored) if "i" in kind else np.where(gaps, np.float32(np.nan), stored)
    write_scan(tmp_path / "a.sdf", plain(values), data_type=kind, unit="m", storage=storage, force=True)
    read = read_scan(tmp_path / "a.sdf").height[0]
    assert read.dtype == (np.float32 if kind == "float32" else np.float64)
    np.testing.assert_array_equal(read, values)
    theirs = sdfio.read(tmp_path / "a.sdf")
    assert theirs.header.data_type == TYPES[kind]
    np.testing.assert_array_equal(np.asarray(theirs.points())[..., 2], values)


@pytest.mark.parametrize("storage", STORAGES)
@pytest.mark.parametrize("kind", ["int8", "int16", "int32"])
def test_integers_of_their_own_scale_are_within_half_a_step(tmp_path: Path, kind: str, storage: str) -> None:
    heights = np.random.default_rng(1).normal(size=(5, 7)) * 3e-7
    heights[2, 3] = np.nan
    write_scan(tmp_path / "a.sdf", plain(heights), data_type=kind, storage=storage)
    step = np.nanmax(np.abs(heights)) / np.iinfo(kind).max
    assert np.nanmax(np.abs(read_scan(tmp_path / "a.sdf").height[0] - heights)) <= step / 2 * (1 + 1e-6)


def test_steps_that_are_nearly_even_come_back_as_they_were(tmp_path: Path) -> None:
    scan = plain(np.zeros((3, 4))).replace(fast=np.array([0, 1.0001, 2, 3]) * 1e-6, slow=np.array([1, 2, 3]) * 1e-6)
    write_scan(tmp_path / "a.sdf", scan)
    read = read_scan(tmp_path / "a.sdf")
    np.testing.assert_array_equal(read.fast, scan.fast)
    np.testing.assert_array_equal(read.slow, scan.slow)
    with pytest.raises(ScanError, match="even steps, and those along the fast axis are not"):
        write_scan(tmp_path / "b.sdf", scan.replace(fast=np.array([0, 1.1, 2, 3]) * 1e-6))
    # Others may have cut the image: then what the standard part says holds.
    data = (tmp_path / "a.sdf").read_bytes().replace(b"calib_fast = [", b'calib_fast = ["0 m", ')
    (tmp_path / "c.sdf").write_bytes(data)
    np.testing.assert_allclose(read_scan(tmp_path / "c.sdf").fast, (np.arange(4) - 1.5) * 1e-6)


def test_lines_that_others_spoiled_do_not_keep_anybody_from_the_heights(tmp_path: Path) -> None:
    write_scan(tmp_path / "a.sdf", plain([[1.0, 2]], line_period=0.5, title="a"))
    data = (tmp_path / "a.sdf").read_bytes()
    (tmp_path / "b.sdf").write_bytes(data.replace(b'"500 ms"', b'"500 apples"'))
    scan = read_scan(tmp_path / "b.sdf")
    assert (scan.line_period, scan.title) == (None, "")
    assert "apples" in scan.attributes["comment"]


def test_what_is_written_keeps_to_the_standard(tmp_path: Path) -> None:
    scan = plain(
        [[1.0, np.nan, 3]] * 2, started=datetime(2026, 3, 1, 9, 30), attributes={"instrument": "a µ 34567890123"}
    )
    write_scan(tmp_path / "a.sdf", scan)
    data = (tmp_path / "a.sdf").read_bytes()
    assert data[:8] == b"bISO-1.0"
    assert struct.unpack("<10s12s12sHHddddBBB", data[8:81]) == (
        b"a ? 345678", b"010320260930", b"010320260930", 3, 2, 1e-6, 1e-6, 1.0, -1.0, 0, 7, 0,
    )  # fmt: skip
    assert struct.unpack("<6d", data[81:129])[1] == -1.7976931348623157e308
    data[129:].decode("ascii")
    write_scan(tmp_path / "b.sdf", scan.replace(title="* ü 𝄞"), storage="text", data_type="float32")
    lines = (tmp_path / "b.sdf").read_bytes().decode("ascii").split("\r\n")
    assert lines[0] == "aISO-2.0"
    assert lines[13:17] == ["*", "1.0 BAD 3.0", "1.0 BAD 3.0", "*"]
    assert [line for line in lines if "*" in line] == ["*"] * 3
    assert all(" = " in line for line in lines[17:-2])
    assert read_scan(tmp_path / "b.sdf").title == "* ü 𝄞"


def test_long_lines_need_version_2(tmp_path: Path) -> None:
    scan = plain(np.arange(65536.0)[None])
    write_scan(tmp_path / "a.sdf", scan)
    assert (tmp_path / "a.sdf").read_bytes()[:8] == b"bISO-2.0"
    np.testing.assert_array_equal(read_scan(tmp_path / "a.sdf").height, scan.height)
    with pytest.raises(ScanError, match=r"say version = '2\.0'"):
        write_scan(tmp_path / "b.sdf", scan, version="1.0")


def test_what_a_file_cant_hold(tmp_path: Path) -> None:
    scan = full_scan()
    for options, words in (
        ({}, "holds one pass: say passes = 'trace' or 'retrace'"),
        ({"channel": "image", "passes": "trace"}, "'image' is none: write a .nc or .txt file"),
        ({"passes": "sideways"}, "no pass 'sideways'"),
        ({"passes": "trace", "data_type": "int64"}, "data_type must be int8, int16"),
        ({"passes": "trace", "data_type": "int8", "unit": "0.1 nm"}, "larger than int8 holds: choose a larger unit"),
        ({"passes": "trace", "unit": "V"}, "no unit of length"),
        ({"passes": "trace", "storage": "paper"}, "storage must be 'binary' or 'text'"),
        ({"passes": "trace", "version": "3.0"}, r"version must be '1\.0' or '2\.0'"),
    ):
        with pytest.raises(CalibError, match=words):
            write_scan(tmp_path / "a.sdf", scan, **options)
    with pytest.raises(ScanError, match="the number that stands for no data"):
        write_scan(tmp_path / "a.sdf", plain([[np.finfo(float).min]]))
    assert not list(tmp_path.iterdir())
    write_scan(tmp_path / "a.sdf", plain([[1.0]]))
    with pytest.raises(OutputExistsError):
        write_scan(tmp_path / "a.sdf", plain([[1.0]]))


# --- an independent reader and writer of the standard --------------------------------------------


@pytest.mark.parametrize("form", list(sdfio.FileFormat))
def test_theirs_open_here(tmp_path: Path, form: Any) -> None:
    heights = np.random.default_rng(0).normal(size=(6, 5)) * 1e-8
    heights[1, 2] = np.nan
    sdfio.write(
        tmp_path / "a.sdf", heights, x_scale=1e-9, y_scale=2e-9, z_scale=1.0, format=form, trailer="Who = me\r\n"
    )
    scan = read_scan(tmp_path / "a.sdf")
    theirs = np.asarray(sdfio.read(tmp_path / "a.sdf").points())
    np.testing.assert_array_equal(scan.height[0], theirs[..., 2])
    np.testing.assert_allclose(scan.fast - scan.fast[0], theirs[0, :, 0], rtol=1e-12)
    np.testing.assert_allclose(scan.slow - scan.slow[0], theirs[:, 0, 1], rtol=1e-12)
    assert scan.attributes["comment"] == "Who = me"


@pytest.mark.parametrize("storage", STORAGES)
def test_ours_open_there(tmp_path: Path, storage: str) -> None:
    scan = full_scan()
    write_scan(tmp_path / "a.sdf", scan, passes="retrace", storage=storage)
    theirs = sdfio.read(tmp_path / "a.sdf")
    points = np.asarray(theirs.points())
    np.testing.assert_array_equal(points[..., 2], scan.height[1])
    np.testing.assert_allclose(points[0, :, 0], scan.fast - scan.fast[0], rtol=1e-12)
    np.testing.assert_allclose(points[:, 0, 1], scan.slow - scan.slow[0], rtol=1e-12)
    assert "calib_scanner" in str(theirs.trailer)


# --- broken and hostile files --------------------------------------------------------------------


def test_truncation_at_every_byte(tmp_path: Path) -> None:
    # A trailer may end anywhere, data may not.
    for name, whole, start in (
        ("b.sdf", binary(np.ones((7, 5)), "float64"), 0),
        ("c.sdf", binary(np.ones((7, 5)), "int16", "2.0"), 0),
        ("a.sdf", text("1 2 3\r\n4 5 6\r\n*\r\n"), 6),
    ):
        for size in range(1, len(whole) - start):
            (tmp_path / name).write_bytes(whole[:size])
            with pytest.raises(FileError, match=name):
                sdf.read(tmp_path / name)
        (tmp_path / name).write_bytes(whole)
        assert sdf.read(tmp_path / name).has_height


def test_every_byte_of_the_header_changed_gives_a_sentence_or_a_scan(tmp_path: Path) -> None:
    for whole, end in ((binary(np.ones((3, 2)), "float64"), 81), (text("1 2 3 4 5 6 *"), 230)):
        for place in range(end):
            for value in (0xFF, whole[place] ^ 0x80, whole[place] ^ 1):
                (tmp_path / "a.sdf").write_bytes(whole[:place] + bytes([value]) + whole[place + 1 :])
                words = ""
                try:
                    size = sdf.read(tmp_path / "a.sdf").height.size
                except CalibError as error:
                    words, size = str(error), 0
                assert size <= len(whole)
                assert size or "a.sdf" in words
                assert "\n" not in words


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"points": 65535, "profiles": 65535}, "65535 x 65535 points, more than 134217728"),
        ({"points": 65535, "profiles": 100}, r"declares 65535 x 100 points, 13107000 bytes, but only 12 bytes follow"),
        ({"points": 0}, "NumPoints = 0: a scan has at least one"),
        ({"profiles": 0}, "NumProfiles = 0"),
        ({"x": -1e-9}, "Xscale = -1e-09: a step must be more than zero"),
        ({"x": np.nan}, "Xscale = nan: it must be a finite number"),
        ({"y": np.inf}, "Yscale = inf"),
        ({"z": 0.0}, "Zscale = 0.0: it must be more than zero"),
        ({"z": -1.0}, "Zscale = -1.0"),
        ({"z": np.nan}, "Zscale = nan"),
        ({"code": 2}, r"DataType = 2; the standard has 3 \(float32\)"),
        ({"compression": 1}, "Compression = 1, which the standard does not define"),
        ({"check": 9}, "CheckType = 9"),
        ({"points": 3 << 8, "profiles": 2 << 8}, "cut short"),  # the other order of bytes
    ],
)
def test_senseless_headers(tmp_path: Path, said: dict[str, Any], words: str) -> None:
    with pytest.raises(FileError, match=words):
        read(tmp_path, binary(np.ones((2, 3)), **said))


@pytest.mark.parametrize(
    ("data", "said", "words"),
    [
        ("1 2 3 4 5 six", {}, "'six' is no number"),
        ("1 2 3 4 5 1_000", {}, "'1_000' is no number"),
        ("1 2 3 4 5 ٣", {}, "is no number"),
        ("1 2 3 4 5 1e5e5", {}, "'1e5e5' is no number"),
        ("1 2 3 4 5 6 7", {}, "more numbers than the 6"),
        ("1 2 3 4 5 *", {}, "holds 5 of the 6 numbers"),
        ("1 2 3 4 5 " + "6" * 10_000_000, {}, "is no number"),
        ("1 2", {"NumPoints": 10**6, "NumProfiles": 10**6}, "1000000 x 1000000 points, more than"),
        (
            "1 2",
            {"NumPoints": 10**4, "NumProfiles": 10**4},
            "declares 100000000 points, more than the file has room for",
        ),
        ("1", {"NumPoints": "9" * 5000}, "which is no whole number"),
        ("1", {"NumPoints": -3}, "NumPoints = -3"),
        ("1", {"NumPoints": "3.0"}, r"'3\.0', which is no whole number"),
        ("1", {"Xscale": "1_0"}, "'1_0', which is no number"),
        ("1", {"Xscale": "two nm"}, "'two nm', which is no number"),
        ("1", {"Xscale": "1" * 60_000 + "x"}, "which is no number"),
        ("1", {"Xscale": " " * 60_000 + "x"}, "'x', which is no number"),
        ("1", {"Zscale": "1e400"}, "Zscale = inf"),
        ("1", {"Zscale": "nan"}, "'nan', which is no number"),
        ("1", {"DataType": None}, "header does not say DataType"),
        ("1", {"NumPoints": "3\r\nnumpoints = 4"}, "says numpoints twice"),
        ("1", {"NumPoints": "3\r\nhello"}, "no 'Key = value': 'hello'"),
        ("1", {"Remark": "x" * 100_000}, "its header has no end"),
    ],
)
def test_senseless_texts(tmp_path: Path, data: str, said: dict[str, Any], words: str) -> None:
    with pytest.raises(FileError, match=words):
        read(tmp_path, text(data, **said))


def test_older_forms_are_not_guessed_at(tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"older than ISO 25178-71 \(bBCR-1\.0\)"):
        read(tmp_path, b"bBCR-1.0" + binary([[1]])[8:])
    (tmp_path / "b.sdf").write_bytes(b"something else")
    with pytest.raises(FileError, match="does not begin like an SDF file"):
        read_scan(tmp_path / "b.sdf")


def test_a_long_trailer_is_kept_only_so_far(tmp_path: Path) -> None:
    scan = read(tmp_path, binary([[1, 2]], trailer=b"x" * 5_000_000))
    assert len(scan.attributes["comment"]) == 2**20
    scan = read(tmp_path, binary([[1, 2]], trailer=b"a = 1\r\n" * 100_000 + b"calib_title = \xff\0\n"))
    assert scan.title == ""


@pytest.mark.parametrize(
    "line",
    [
        "calib_" + "a." * 400_000 + "a = 1",  # readers of TOML take hours over such keys
        "calib_attributes = { " + "a." * 400_000 + "a = 1 }",
        "calib_attributes = " + "[" * 400_000,
        "calib_attributes = { a = " + "9" * 900_000 + " }",
        'calib_rotation = "' + "1" * 900_000 + 'x deg"',
        'calib_centre_x = "1 m**m**9**9**9**9"',
        'calib_centre_x = "1 ' + "(" * 100_000 + '"',
        'calib_centre_x = "1 ' + "m*" * 100_000 + 'm"',
        'calib_centre_x = "1e999 m"',
        'calib_line_period = "-1 s"',
        'calib_frame = "sideways"',
        'calib_passes = ["sideways"]',
        "calib_channel = 3",
        "calib_started = 07:32:00",
        'calib_started = "' + "2" * 900_000 + '"',
    ],
)
def test_hostile_lines(tmp_path: Path, line: str) -> None:
    scan = read(tmp_path, binary([[1, 2]], trailer=b'calib_title = "a"\r\n' + line.encode()))
    assert scan.height.size == 2
    assert (scan.centre_x, scan.rotation, scan.passes, scan.started) == (0, 0, ("trace",), None)
