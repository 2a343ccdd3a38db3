"""TIFF: both ways, what other programmes write, and files that are broken or lie."""

import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from hypothesis import given
from PIL import Image

from calib.errors import CalibError, FileError, OutputExistsError
from calib.formats import read_scan, tiff, write_scan
from calib.scan import Scan
from tests.hostile import check_sentence
from tests.test_formats_native import SHARED, assert_same, full_scan, scans

SAID: dict[str, Any] = {"pixel_size": "50 nm", "unit": "nm"}
GREY: dict[str, Any] = {"photometric": "minisblack", "metadata": None}


def ramp(dtype: str = "u2", shape: tuple[int, int] = (7, 5)) -> Any:
    return (np.arange(shape[0] * shape[1]).reshape(shape) * 3 - (40 if np.dtype(dtype).kind != "u" else 0)).astype(
        dtype
    )


def written(path: Path, data: Any, **how: Any) -> Path:
    tifffile.imwrite(path / "a.tif", data, **{**GREY, **how})
    return path / "a.tif"


# --- our own files -------------------------------------------------------------------------------


def test_round_trip(tmp_path: Path) -> None:
    scan = full_scan()
    write_scan(tmp_path / "a.tif", scan)
    read = read_scan(tmp_path / "a.tif")
    assert_same(read, scan, channels=False)
    assert dict(read.units) == dict(scan.units)
    for name in scan.channels:
        np.testing.assert_array_equal(read.channels[name], scan.channels[name])
    assert read.attributes["model_sha256"] == "ab" * 32
    write_scan(tmp_path / "b.tif", scan)
    assert (tmp_path / "a.tif").read_bytes() == (tmp_path / "b.tif").read_bytes()
    with pytest.raises(OutputExistsError):
        write_scan(tmp_path / "a.tif", scan)


@given(scan=scans())
@SHARED
def test_every_scan_comes_back(tmp_path: Path, scan: Scan) -> None:
    write_scan(tmp_path / "a.tif", scan, force=True)
    read = read_scan(tmp_path / "a.tif", channel=scan.channel)
    assert_same(read, scan, channels=False)
    for name in scan.channels:
        np.testing.assert_array_equal(read.channels[name], scan.channels[name])


def test_single_channel_keeps_its_type(tmp_path: Path) -> None:
    write_scan(tmp_path / "a.tif", full_scan(), channel="image")
    read = read_scan(tmp_path / "a.tif")
    assert (read.channel, read.values.dtype, dict(read.units)) == ("image", np.float32, {"image": "V"})


def test_independent_readers_see_the_same_numbers(tmp_path: Path) -> None:
    # tifffile and Pillow, general-purpose readers
    scan = full_scan().replace(channels={"height": full_scan().height.astype(np.float32)}, units={}, channel="")
    write_scan(tmp_path / "a.tif", scan)
    expected = scan.height[:, ::-1]  # the top row comes first
    np.testing.assert_array_equal(tifffile.imread(tmp_path / "a.tif"), expected)
    with Image.open(tmp_path / "a.tif") as image:
        for index in range(2):
            image.seek(index)
            np.testing.assert_array_equal(np.array(image), expected[index])
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        assert file.is_ome
        text = file.ome_metadata
        assert text is not None
        about = tifffile.xml2dict(text)["OME"]["Image"]["Pixels"]
        assert (about["PhysicalSizeX"], about["PhysicalSizeXUnit"]) == (pytest.approx(1000), "nm")
        assert [one["Name"] for one in about["Channel"]] == ["height trace", "height retrace"]
        assert file.pages[0].get_resolution("MICROMETER") == pytest.approx((1, 0.5))  # type: ignore[union-attr]


# --- files of others -----------------------------------------------------------------------------


@pytest.mark.parametrize("byteorder", ["<", ">"])
@pytest.mark.parametrize("dtype", ["u1", "i1", "u2", "i2", "u4", "i4", "f4", "f8"])
def test_all_types(tmp_path: Path, dtype: str, byteorder: str) -> None:
    data = ramp(dtype)
    path = written(tmp_path, data, byteorder=byteorder)
    scan = read_scan(path, **SAID)
    np.testing.assert_array_equal(scan.height[0], data[::-1].astype(np.float64) * 1e-9)
    assert scan.spacing == pytest.approx((50e-9, 50e-9))


@pytest.mark.parametrize("tile", [None, (16, 32)])
@pytest.mark.parametrize(("dtype", "predictor"), [("u2", 1), ("u2", 2), ("f4", 1), ("f4", 3), ("f8", 3)])
def test_deflate_with_predictors(tmp_path: Path, dtype: str, predictor: int, tile: Any) -> None:
    # encoded here by the text of the standard, since tifffile alone can't
    data = ramp(dtype, (33, 40))
    high, wide = tile or (10, 40)
    padded = np.pad(data, [(0, -33 % high if tile else 0), (0, -40 % wide)])
    pieces = []
    for top in range(0, padded.shape[0], high):
        for left in range(0, padded.shape[1], wide):
            pieces.append(zlib.compress(_encode(padded[top : top + high, left : left + wide], predictor)))
    _write_pieces(tmp_path / "a.tif", data, pieces, tile or (10, None), predictor)
    np.testing.assert_array_equal(read_scan(tmp_path / "a.tif", **{**SAID, "unit": "m"}).height[0], data[::-1])


def _encode(part: Any, predictor: int) -> bytes:
    if predictor == 2:
        return np.diff(part, axis=1, prepend=part[:, :1] * 0).tobytes()  # type: ignore[no-any-return]
    if predictor == 3:
        size = part.dtype.itemsize
        planes = part.astype(part.dtype.newbyteorder(">")).view(np.uint8).reshape(*part.shape, size).transpose(0, 2, 1)
        flat = planes.reshape(part.shape[0], -1)
        return np.diff(flat, axis=1, prepend=flat[:, :1] * 0).tobytes()  # type: ignore[no-any-return]
    return part.tobytes()  # type: ignore[no-any-return]


def _write_pieces(path: Path, data: Any, pieces: list[bytes], piece: Any, predictor: int) -> None:
    """Write a little-endian TIFF by hand: TIFF 6.0, section 2."""
    entries: list[tuple[int, int, list[int]]] = [
        (256, 4, [data.shape[1]]), (257, 4, [data.shape[0]]), (258, 3, [8 * data.dtype.itemsize]), (259, 3, [8]),
        (262, 3, [1]), (277, 3, [1]), (317, 3, [predictor]), (339, 3, [{"u": 1, "i": 2, "f": 3}[data.dtype.kind]]),
    ]  # fmt: skip
    body, offsets = b"", []
    for one in pieces:
        offsets.append(8 + len(body))
        body += one
    counts = [len(one) for one in pieces]
    if piece[1] is None:
        entries += [(273, 4, offsets), (278, 4, [piece[0]]), (279, 4, counts)]
    else:
        entries += [(322, 4, [piece[1]]), (323, 4, [piece[0]]), (324, 4, offsets), (325, 4, counts)]
    table, extra = b"", b""
    start = 8 + len(body)
    after = start + 2 + 12 * len(entries) + 4
    for code, kind, values in sorted(entries):
        packed = struct.pack(f"<{len(values)}{'H' if kind == 3 else 'I'}", *values)
        if len(packed) > 4:
            place = struct.pack("<I", after + len(extra))
            extra += packed
        else:
            place = packed.ljust(4, b"\0")
        table += struct.pack("<HHI", code, kind, len(values)) + place
    path.write_bytes(
        b"II*\0" + struct.pack("<I", start) + body + struct.pack("<H", len(entries)) + table + bytes(4) + extra
    )


def test_packed_by_other_methods(tmp_path: Path) -> None:
    for data, method in ((ramp("u2"), "tiff_lzw"), (ramp("f4"), "tiff_lzw"), (ramp("u1"), "packbits")):
        Image.fromarray(data).save(tmp_path / "a.tif", compression=method)
        np.testing.assert_array_equal(read_scan(tmp_path / "a.tif", **{**SAID, "unit": "m"}).height[0], data[::-1])


def test_resolution_tags(tmp_path: Path) -> None:
    path = written(tmp_path, ramp(), resolution=(2e5, 1e5), resolutionunit="CENTIMETER")
    assert read_scan(path, unit="nm").spacing == pytest.approx((50e-9, 100e-9))
    assert read_scan(path, unit="nm", pixel_size="1 nm").spacing == pytest.approx((1e-9, 1e-9))
    assert read_scan(path, unit="nm", range="5 µm", range_counts="pixels").spacing[0] == pytest.approx(1e-6)
    path = written(tmp_path, ramp(), resolution=(254000, 254000), resolutionunit="INCH")
    assert read_scan(path, unit="nm").spacing == pytest.approx((100e-9, 100e-9))
    for density, unit in ((300, "INCH"), (1, "NONE")):  # dots on paper, and nothing at all
        path = written(tmp_path, ramp(), resolution=(density, density), resolutionunit=unit)
        with pytest.raises(FileError, match="its size is not known"):
            read_scan(path, unit="nm")


def test_unit_line_in_the_description(tmp_path: Path) -> None:
    for text, step in (("unit=nm\n", 2e-9), ("images=1\nunit=micron\n", 2e-6), ("unit=\\u00B5m", 2e-6)):
        path = written(tmp_path, ramp(), resolution=(0.5, 0.5), resolutionunit="NONE", description=text)
        assert read_scan(path, unit="nm").spacing == pytest.approx((step, step)), text
    path = written(tmp_path, ramp(), description="images=4\nunit=nm\n")
    with pytest.raises(FileError, match="says that it holds 4 images, but has one page"):
        read_scan(path, **SAID)


def test_ome_metadata_of_others(tmp_path: Path) -> None:
    tifffile.imwrite(
        tmp_path / "a.ome.tif",
        np.stack([ramp("f4"), ramp("f4") + 1]),
        photometric="minisblack",
        metadata={
            "axes": "CYX", "PhysicalSizeX": 0.2, "PhysicalSizeY": 400, "PhysicalSizeYUnit": "nm",
            "Channel": {"Name": ["height", "current"]},
        },
    )  # fmt: skip
    scan = read_scan(tmp_path / "a.ome.tif", unit=["nm", "nA"])
    assert scan.spacing == pytest.approx((0.2e-6, 0.4e-6))
    assert dict(scan.units) == {"height": "m", "current": "nA"}
    one = read_scan(tmp_path / "a.ome.tif", unit="nm", pages=2)
    np.testing.assert_allclose(one.height[0], (ramp("f4")[::-1] + 1) * 1e-9, rtol=1e-6)


def test_pages_are_passes_or_channels(tmp_path: Path) -> None:
    data = np.stack([ramp("f8") + 100 * number for number in range(4)])
    path = written(tmp_path, data)
    with pytest.raises(FileError, match=r"it holds 4 pages: say passes = .* channels = "):
        read_scan(path, **SAID)
    scan = read_scan(path, **{**SAID, "unit": ["m", "V"]}, channels=["height", "image"], passes=["trace", "retrace"])
    np.testing.assert_array_equal(scan.channels["image"], data[2:, ::-1])
    scan = read_scan(path, **{**SAID, "unit": "m"}, pages=[3, 1], passes=["trace", "retrace"])
    np.testing.assert_array_equal(scan.height, data[[2, 0], ::-1])
    for pages, words in (([5], "between 1 and 4"), ("x", "list of numbers"), ([1, 1], "different numbers")):
        with pytest.raises(FileError, match=words):
            read_scan(path, **SAID, pages=pages)


def test_turned_images_and_numbers_that_mean_something_else(tmp_path: Path) -> None:
    data = ramp("i2")
    path = written(tmp_path, data)
    said = {"pixel_size": "1 nm", "unit": "0.5 nm"}
    scan = read_scan(path, **said, first_row="bottom", first_column="right", offset="10 nm", no_data=-40)
    expected = data[:, ::-1] * 0.5e-9 + 10e-9
    expected[0, -1] = np.nan
    np.testing.assert_allclose(scan.height[0], expected, rtol=1e-12)
    for orientation, view in ((1, data[::-1]), (2, data[::-1, ::-1]), (3, data[:, ::-1]), (4, data)):
        path = written(tmp_path, data, extratags=[(274, 3, 1, orientation, True)])
        np.testing.assert_allclose(read_scan(path, **said).height[0], view * 0.5e-9)
    path = written(tmp_path, data, extratags=[(274, 3, 1, 6, True)])
    with pytest.raises(FileError, match="lies on its side"):
        read_scan(path, **said)


def test_retrace_in_another_file(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "back.tif", ramp("f8") + 1, **GREY)
    path = written(tmp_path, ramp("f8"))
    scan = read_scan(path, **{**SAID, "unit": "m"}, retrace="back.tif", frame="up")
    assert scan.passes == ("trace", "retrace")
    np.testing.assert_array_equal(scan.height[1], scan.height[0] + 1)
    tifffile.imwrite(tmp_path / "back.tif", ramp("f8", (4, 4)), **GREY)
    with pytest.raises(FileError, match="differ in size: 7 x 5 and 4 x 4"):
        read_scan(path, **SAID, retrace="back.tif")


def test_toml_beside(tmp_path: Path) -> None:
    path = written(tmp_path, ramp("f8"))
    with pytest.raises(FileError, match=r"a\.tif: its size is not known: .*; the unit of its heights is not known: "):
        read_scan(path)
    (tmp_path / "a.toml").write_text('pixel_size = "2 nm"\nunit = "nm"\nframe = "up"\n')
    assert read_scan(path).frame == "up"
    (tmp_path / "a.tif.toml").write_text('pixel_size = "2 nm"\nunit = "nm"\nframe = "down"\n')
    assert read_scan(path).frame == "down"
    (tmp_path / "a.tif.toml").unlink()
    (tmp_path / "a.txt").write_text("1 2\n")  # whose file it is then
    with pytest.raises(FileError, match="not known"):
        read_scan(path)


# --- broken and hostile files --------------------------------------------------------------------


def test_pictures_are_refused(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((4, 4, 3), "u1"), photometric="rgb")
    with pytest.raises(FileError, match="page 1 is a colour picture"):
        read_scan(tmp_path / "a.tif", **SAID)
    Image.fromarray(np.zeros((4, 4), bool)).save(tmp_path / "b.tif")
    with pytest.raises(FileError, match=r"bits a point|which can't be read"):
        read_scan(tmp_path / "b.tif", **SAID)
    Image.new("L", (8, 8)).save(tmp_path / "c.tif", compression="jpeg")
    with pytest.raises(FileError, match="packed by method 7"):
        read_scan(tmp_path / "c.tif", **SAID)


@pytest.mark.parametrize("how", ["own", "plain"])
def test_every_truncation_is_one_sentence(tmp_path: Path, how: str) -> None:
    if how == "own":
        write_scan(tmp_path / "a.tif", full_scan().replace(channels={"height": full_scan().height}, units={}))
    else:
        written(tmp_path, ramp("f8"), compression="zlib")
    data = (tmp_path / "a.tif").read_bytes()
    short = tmp_path / "short.tif"
    for length in range(0, len(data) - 1, 1 if how == "plain" else max(1, len(data) // 80)):
        short.write_bytes(data[:length])
        with pytest.raises(CalibError) as caught:
            read_scan(short, **SAID)
        assert "short.tif" in str(caught.value)


def test_every_broken_byte_is_one_sentence_or_a_scan(tmp_path: Path) -> None:
    data = written(tmp_path, ramp("u2", (4, 4)), compression="zlib").read_bytes()
    random = np.random.default_rng(1)
    for place in range(len(data)):
        broken = bytearray(data)
        broken[place] ^= int(random.integers(1, 256))
        (tmp_path / "b.tif").write_bytes(bytes(broken))
        check_sentence(tmp_path / "b.tif", **SAID)


def test_broken_bytes_in_lzw_are_one_sentence_or_a_scan(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    Image.fromarray(ramp("u2", (8, 8))).save(tmp_path / "a.tif", compression="tiff_lzw")
    data = (tmp_path / "a.tif").read_bytes()
    random = np.random.default_rng(5)
    for place in range(0, len(data), 2):
        broken = bytearray(data)
        broken[place] ^= int(random.integers(1, 256))
        (tmp_path / "b.tif").write_bytes(bytes(broken))
        check_sentence(tmp_path / "b.tif", **SAID)
        (tmp_path / "c.tif").write_bytes(data[:place])
        check_sentence(tmp_path / "c.tif", **SAID)
    assert capfd.readouterr() == ("", "")


def _patched(path: Path, code: int, value: int) -> None:
    """Change the value of a tag in the first page of a little-endian file."""
    data = bytearray(path.read_bytes())
    (start,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, start)
    for place in range(start + 2, start + 2 + 12 * count, 12):
        tag, kind = struct.unpack_from("<HH", data, place)
        if tag == code:
            struct.pack_into("<H" if kind == 3 else "<I", data, place + 8, value)
    path.write_bytes(bytes(data))


@pytest.mark.parametrize("compression", [None, "zlib"])
@pytest.mark.parametrize(
    ("code", "value"),
    [(256, 60000), (257, 60000), (257, 0), (256, 0), (278, 0), (279, 0), (279, 2**31), (273, 2**31), (273, 0)],
)
def test_declared_sizes_are_compared_with_the_file(tmp_path: Path, code: int, value: int, compression: Any) -> None:
    path = written(tmp_path, ramp("u2", (300, 300)), compression=compression, byteorder="<", rowsperstrip=300)
    _patched(path, code, value)
    with pytest.raises(FileError, match=r"does not hold|broken|no points|too short"):
        read_scan(path, **SAID)


def test_decompression_bomb(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bomb = zlib.compress(bytes(2**26), 9)
    _write_pieces(tmp_path / "a.tif", np.zeros((20, 20), "u1"), [bomb], (20, None), 1)
    assert read_scan(tmp_path / "a.tif", **SAID).shape == (1, 20, 20)  # no more is unpacked than belongs there
    monkeypatch.setattr(tiff, "MAX_POINTS", 100)
    with pytest.raises(FileError, match="more than 100 points"):
        read_scan(tmp_path / "a.tif", **SAID)


def test_many_pages_and_circles(tmp_path: Path) -> None:
    with tifffile.TiffWriter(tmp_path / "a.tif") as file:
        for _ in range(258):
            file.write(np.zeros((1, 1), "u1"), contiguous=False, **GREY)
    with pytest.raises(FileError, match="more than 256 pages"):
        read_scan(tmp_path / "a.tif", **SAID)
    path = written(tmp_path, ramp("u2"), byteorder="<")
    data = bytearray(path.read_bytes())
    (start,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, start)
    struct.pack_into("<I", data, start + 2 + 12 * count, start)  # the next page is this one
    path.write_bytes(bytes(data))
    with pytest.raises(FileError):
        read_scan(path, **SAID)


@pytest.mark.parametrize(
    "text",
    [
        '<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "c">]><OME>&b;</OME>',
        "<OME><Image>",
        '<OME><CommentAnnotation Namespace="fields-of-a-scan.toml"><Value>a = </Value></CommentAnnotation></OME>',
    ],
)
def test_hostile_xml(tmp_path: Path, text: str) -> None:
    path = written(tmp_path, ramp(), description=text)
    with pytest.raises(FileError, match=r"entities|OME-XML is broken|not valid TOML"):
        read_scan(path, **SAID)
