"""X3P files (ISO 25178-72): both ways, through an independent reader and writer of the standard, and hostile ones."""

import hashlib
import io
import math
import struct
import tracemalloc
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import x3pio
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from calib.errors import CalibError, FileError, OutputExistsError, ScanError
from calib.formats import read_scan, write_scan, x3p
from calib.scan import Scan
from tests.test_formats_native import assert_same, full_scan, scans

SHARED = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
TYPES = {"int16": "I", "int32": "L", "float32": "F", "float64": "D"}
DTYPES = {"I": "<i2", "L": "<i4", "F": "<f4", "D": "<f8"}
STORAGES = ("binary", "text")
HEIGHTS = np.array([[1.0, 2, 3], [4, 5, 6]])


def axis(name: str, kind: str = "I", data_type: str = "D", increment: Any = 1e-6, offset: Any = 0) -> str:
    """Describe an axis."""
    parts = f"<AxisType>{kind}</AxisType>" + (f"<DataType>{data_type}</DataType>" if data_type else "")
    parts += "" if increment is None else f"<Increment>{increment}</Increment>"
    parts += "" if offset is None else f"<Offset>{offset}</Offset>"
    return f"<{name}>{parts}</{name}>"


def document(
    axes: str = "",
    sizes: Any = (3, 2, 1),
    points: str = "",
    record2: str = "",
    start: str = "",
    root: str = "p:ISO5436_2",
    feature: str = "SUR",
) -> str:
    """Make a description from the schema of the standard, without any code of ours."""
    axes = axes or axis("CX") + axis("CY") + axis("CZ", "A", "D", 1)
    size = "".join(f"<Size{letter}>{number}</Size{letter}>" for letter, number in zip("XYZ", sizes, strict=True))
    points = points or "<DataLink><PointDataLink>bindata/data.bin</PointDataLink></DataLink>"
    return (
        f'{start}<{root} xmlns:p="http://www.opengps.eu/2008/ISO5436_2"><Record1><Revision>ISO5436 - 2000</Revision>'
        f"<FeatureType>{feature}</FeatureType><Axes>{axes}</Axes></Record1>{record2}"
        f"<Record3><MatrixDimension>{size}</MatrixDimension>{points}</Record3>"
        f"<Record4><ChecksumFile>md5checksum.hex</ChecksumFile></Record4></{root}>"
    )


def packed(main: str | bytes, data: bytes | None = HEIGHTS.tobytes(), folder: str = "", **others: bytes) -> bytes:
    """Pack a description and data."""
    main = main if isinstance(main, bytes) else main.encode()
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr(folder + "main.xml", main)
        if data is not None:
            file.writestr(folder + "bindata/data.bin", data)
        for name, content in others.items():
            file.writestr(folder + name.replace("__", "/").replace("_dot_", "."), content)
    return stream.getvalue()


def read(folder: Path, data: bytes, **options: Any) -> Scan:
    """Read a file."""
    (folder / "a.x3p").write_bytes(data)
    return read_scan(folder / "a.x3p", **options)


def heights(folder: Path, data: bytes, **options: Any) -> Any:
    """Return the heights of a file."""
    return read(folder, data, **options).height[0].tolist()


def plain(values: Any, **fields: Any) -> Scan:
    """Return a scan of one pass on 1 µm steps."""
    values = np.atleast_2d(values)
    steps = [(np.arange(count) - (count - 1) / 2) * 1e-6 for count in values.shape]
    return Scan(channels={"height": values}, slow=steps[0], fast=steps[1], **fields)


# --- what the standard says ----------------------------------------------------------------------


@pytest.mark.parametrize("kind", TYPES.values())
def test_binary_of_every_type(tmp_path: Path, kind: str) -> None:
    main = document(axis("CX") + axis("CY", increment=2e-6) + axis("CZ", "A", kind, 0.5, 10))
    scan = read(tmp_path, packed(main, HEIGHTS.astype(DTYPES[kind]).tobytes()))
    assert scan.height[0].tolist() == [[10.5, 11, 11.5], [12, 12.5, 13]]
    np.testing.assert_allclose(scan.fast, [-1e-6, 0, 1e-6])
    np.testing.assert_allclose(scan.slow, [-1e-6, 1e-6])


def test_points_that_are_not_valid(tmp_path: Path) -> None:
    # Of 16 points the seventh is not valid: 7F FF, as published samples have it (from memory).
    link = (
        "<DataLink><PointDataLink>bindata/data.bin</PointDataLink><ValidPointsLink>bindata/valid.bin</ValidPointsLink>"
        "</DataLink>"
    )
    main = document(axis("CX") + axis("CY") + axis("CZ", "A", "I", 1), (4, 4, 1), link)
    data = np.arange(16, dtype="<i2").tobytes()
    found = read(tmp_path, packed(main, data, bindata__valid_dot_bin=b"\x7f\xff")).height.reshape(-1)
    assert np.flatnonzero(np.isnan(found)).tolist() == [7]
    for wrong in (b"\x7f", b"\x7f\xff\xff"):
        with pytest.raises(FileError, match="16 points need 2"):
            read(tmp_path, packed(main, data, bindata__valid_dot_bin=wrong))
    numbers = np.array([[1, np.nan, np.inf], [-np.inf, 5, 6]])
    assert np.isnan(read(tmp_path, packed(document(), numbers.tobytes())).height[0]).tolist() == [
        [False, True, True],
        [True, False, False],
    ]


@pytest.mark.parametrize("reverse", [1, -1])
def test_listed_coordinates(tmp_path: Path, reverse: int) -> None:
    record = np.dtype([("x", "<f4"), ("y", "<i2"), ("z", "<f8")])
    points = np.empty((2, 3), record)
    points["x"], points["y"] = np.array([1, 2, 4])[::reverse], np.array([[10], [20]])[::reverse]
    points["z"] = HEIGHTS[::reverse, ::reverse]
    axes = axis("CX", "A", "F", 1e-6, 5) + axis("CY", "A", "I", 1e-6) + axis("CZ", "A", "D", 1)
    scan = read(tmp_path, packed(document(axes), points.tobytes()))
    assert scan.height[0].tolist() == HEIGHTS.tolist()
    np.testing.assert_allclose(scan.fast, [-1.5e-6, -0.5e-6, 1.5e-6], atol=1e-15)
    np.testing.assert_allclose(scan.slow, [-5e-6, 5e-6])
    assert scan.attributes["origin_x"] == pytest.approx(5 + 1e-6)
    points["x"][1, 1] += 1
    with pytest.raises(FileError, match="lie on no grid of rows and columns"):
        read(tmp_path, packed(document(axes), points.tobytes()))


def test_steps_that_go_backwards(tmp_path: Path) -> None:
    main = document(axis("CX", increment=-1e-6) + axis("CY") + axis("CZ", "A", "D", 1))
    assert heights(tmp_path, packed(main)) == HEIGHTS[:, ::-1].tolist()


def test_points_as_text(tmp_path: Path) -> None:
    points = [
        "<Datum/>",
        *(f"<Datum>{text}</Datum>" for text in ("-2", " 3 ", "4.0E-0001")),
        "<Datum/><Datum>6</Datum>",
    ]
    listed = f"<DataList>{''.join(points)}</DataList>"
    found = read(tmp_path, packed(document(points=listed), None)).height[0]
    np.testing.assert_array_equal(found, [[np.nan, -2, 3], [0.4, np.nan, 6]])
    axes = axis("CX", "A", "D", 1e-6) + axis("CY", "A", "I", 1e-6) + axis("CZ", "A", "I", 1e-3, -0.5)
    rows = "".join(f"<Datum>{x};{y};{986 + x}</Datum>" for y in (0, 3) for x in (1, 2, 4))
    scan = read(tmp_path, packed(document(axes, points=f"<DataList>{rows}</DataList>"), None))
    np.testing.assert_allclose(scan.height[0], [[0.487, 0.488, 0.490]] * 2)
    np.testing.assert_allclose(scan.fast, [-1.5e-6, -0.5e-6, 1.5e-6])


def test_layers(tmp_path: Path) -> None:
    data = np.arange(18.0).reshape(3, 2, 3).tobytes()
    two = packed(document(sizes=(3, 2, 2)), data[:96])
    with pytest.raises(FileError, match=r'it holds 2 layers: say passes = \["trace", "retrace"\]'):
        read(tmp_path, two)
    assert read(tmp_path, two, passes=["trace", "retrace"]).height[1, 0].tolist() == [6, 7, 8]
    three = packed(document(sizes=(3, 2, 3)), data)
    assert read(tmp_path, three, layers=2).height[0, 0].tolist() == [6, 7, 8]
    assert read(tmp_path, three, layers=[3, 1], passes=["trace", "retrace"]).height[0, 0].tolist() == [12, 13, 14]
    with pytest.raises(FileError, match="layers must be different numbers between 1 and 3"):
        read(tmp_path, three, layers=4)


def test_what_was_measured_with_what(tmp_path: Path) -> None:
    record2 = (
        "<Record2><Date>2026-03-01T09:30:00+01:00</Date><Creator>somebody</Creator><Instrument>"
        "<Manufacturer>a</Manufacturer><Model>b</Model><Serial>c</Serial><Version>d</Version></Instrument>"
        "<CalibrationDate>N/A</CalibrationDate><ProbingSystem><Type>NonContacting</Type>"
        "<Identification>spot 3</Identification></ProbingSystem><Comment>hello &amp;\nµ</Comment></Record2>"
    )
    scan = read(tmp_path, packed(document(record2=record2)))
    assert scan.probe == "spot 3"
    assert {key: value for key, value in scan.attributes.items() if key != "file"} == {
        "creator": "somebody",
        "created": "2026-03-01T09:30:00+01:00",
        "calibrated": "N/A",
        "manufacturer": "a",
        "model": "b",
        "serial": "c",
        "version": "d",
        "probing": "NonContacting",
        "comment": "hello &\nµ",
    }


def test_turned_frame(tmp_path: Path) -> None:
    def turned(matrix: Any) -> str:
        cells = "".join(f"<r{i + 1}{j + 1}>{matrix[i][j]}</r{i + 1}{j + 1}>" for i in range(3) for j in range(3))
        return document(axis("CX") + axis("CY") + axis("CZ", "A", "D", 1) + f"<Rotation>{cells}</Rotation>")

    cos, sin = math.cos(0.5), math.sin(0.5)
    scan = read(tmp_path, packed(turned([[cos, -sin, 0], [sin, cos, 0], [0, 0, 1]])))
    assert scan.rotation == pytest.approx(0.5, abs=1e-15)
    scan = read(tmp_path, packed(turned([[1, 0, 0], [0, cos, -sin], [0, sin, cos]])))
    assert scan.attributes["frame_tilt"] == pytest.approx(0.5, abs=1e-15)
    assert scan.rotation == 0
    for matrix in ([[1, 0, 0], [0, -1, 0], [0, 0, -1]], np.ones((3, 3)), np.diag([1, -1, 1])):
        with pytest.raises(FileError, match="no turn of a surface"):
            read(tmp_path, packed(turned(matrix)))
    with pytest.raises(FileError, match="r11 = 'nan'"):
        read(tmp_path, packed(turned([[np.nan] * 3] * 3)))


@pytest.mark.parametrize(
    "data",
    [
        packed(b"\xef\xbb\xbf" + document().encode()),
        packed(document(start='<?xml version="1.0" encoding="UTF-16"?>').encode("utf-16")),
        packed(document(start='<?xml version="1.0" encoding="ISO-8859-1"?><!-- \xb5 -->').encode("latin-1")),
        packed(document(root="ISO5436")),
        packed(document(), folder="a folder/"),
        packed(document(), DS_Store=b"", __MACOSX__main_dot_xml=b"no XML"),
        packed(
            document(axis("CX", data_type="", offset=None) + axis("CY", offset="") + axis("CZ", "A", "", None, None))
        ),
        packed(document(), md5checksum_dot_hex=hashlib.md5(document().encode()).hexdigest().upper().encode()),
        packed(document(record2="<Record9><Anything deep='er'><b/></Anything></Record9>")),
        packed(document(feature="PRF")),
    ],
)
def test_what_others_write(tmp_path: Path, data: bytes) -> None:
    assert heights(tmp_path, data) == HEIGHTS.tolist()


def test_recognised_by_content(tmp_path: Path) -> None:
    (tmp_path / "a.zip").write_bytes(packed(document()))
    assert read_scan(tmp_path / "a.zip").has_height


def test_what_is_said_by_hand_goes_before(tmp_path: Path) -> None:
    main = document(axis("CX") + axis("CY") + axis("CZ", "A", "D", 2, 1))
    (tmp_path / "a.toml").write_text('pixel_size = "3 nm"\nfirst_row = "top"\nunit = "nm"\n')
    scan = read(tmp_path, packed(main), line_period="0.5 s", passes="retrace")
    np.testing.assert_allclose(scan.height[0], HEIGHTS[::-1] * 1e-9)
    assert (scan.line_period, scan.passes) == (0.5, ("retrace",))
    assert scan.spacing == pytest.approx((3e-9, 3e-9))


# --- both ways -----------------------------------------------------------------------------------


@pytest.mark.parametrize("storage", STORAGES)
def test_round_trip_keeps_everything(tmp_path: Path, storage: str) -> None:
    scan = full_scan()
    write_scan(tmp_path / "a.x3p", scan, storage=storage)
    read = read_scan(tmp_path / "a.x3p")
    assert_same(read, scan.replace(channels={"height": scan.height}, units={}))
    write_scan(tmp_path / "b.x3p", read, storage=storage)
    assert (tmp_path / "a.x3p").read_bytes() == (tmp_path / "b.x3p").read_bytes()
    assert read_scan(tmp_path / "a.x3p", layers=2).passes == ("retrace",)
    write_scan(tmp_path / "c.x3p", scan, passes="retrace")
    np.testing.assert_array_equal(read_scan(tmp_path / "c.x3p").height, scan.height[1:])


@SHARED
@given(scan=scans(), storage=st.sampled_from(STORAGES))
def test_any_scan_comes_back(tmp_path: Path, scan: Scan, storage: str) -> None:
    name = scan.channel
    scan = scan.replace(channels={name: scan.channels[name]}, units={name: "m"})
    write_scan(tmp_path / "a.x3p", scan, storage=storage, force=True)
    read = read_scan(tmp_path / "a.x3p")
    assert_same(read.replace(attributes=scan.attributes, fast=scan.fast, slow=scan.slow), scan)
    assert set(read.attributes) == {*scan.attributes, "file"}
    for one, other in ((read.fast, scan.fast), (read.slow, scan.slow)):
        np.testing.assert_allclose(one, other, rtol=0, atol=1e-8 * np.diff(other, append=2).min())


@SHARED
@given(data=st.data(), kind=st.sampled_from(list(TYPES)), storage=st.sampled_from(STORAGES))
def test_every_number_of_every_type_comes_back(tmp_path: Path, data: st.DataObject, kind: str, storage: str) -> None:
    shape, dtype = data.draw(arrays.array_shapes(min_dims=2, max_dims=2, max_side=6)), DTYPES[TYPES[kind]]
    largest: Any = (np.iinfo(dtype) if "i" in dtype else np.finfo(dtype)).max
    elements: Any = st.integers(-largest, largest)
    if "f" in dtype:
        elements = st.floats(-float(largest), float(largest), exclude_min=True, width=int(kind[-2:]))
    stored = data.draw(arrays.arrays(dtype, shape, elements=elements))
    gaps = data.draw(arrays.arrays(bool, shape))
    values = np.where(gaps, np.nan, stored) if "i" in dtype else np.where(gaps, np.float32(np.nan), stored)
    write_scan(tmp_path / "a.x3p", plain(values), data_type=kind, unit="m", storage=storage, force=True)
    read = read_scan(tmp_path / "a.x3p").height[0]
    assert read.dtype == (np.float32 if kind == "float32" else np.float64)
    np.testing.assert_array_equal(read, values)
    theirs = x3pio.read(tmp_path / "a.x3p").layers[0]
    np.testing.assert_array_equal(np.asarray(theirs.points())[..., 2], values)


@pytest.mark.parametrize("kind", ["int16", "int32"])
def test_integers_of_their_own_scale_are_within_half_a_step(tmp_path: Path, kind: str) -> None:
    values = 1e-3 + np.random.default_rng(1).normal(size=(5, 7)) * 3e-7
    values[2, 3] = np.nan
    write_scan(tmp_path / "a.x3p", plain(values), data_type=kind)
    step = (np.nanmax(values) - np.nanmin(values)) / 2 / np.iinfo(kind).max
    assert np.nanmax(np.abs(read_scan(tmp_path / "a.x3p").height[0] - values)) <= step / 2 * (1 + 1e-6) + 1e-18


def test_uneven_steps_are_listed(tmp_path: Path) -> None:
    scan = plain(np.arange(12.0).reshape(3, 4)).replace(fast=np.array([0, 1, 2, 7]) * 1e-6)
    write_scan(tmp_path / "a.x3p", scan)
    read = read_scan(tmp_path / "a.x3p")
    np.testing.assert_array_equal(read.fast, scan.fast)
    np.testing.assert_array_equal(read.height, scan.height)
    points = np.asarray(x3pio.read(tmp_path / "a.x3p").layers[0].points())
    np.testing.assert_array_equal(points[1, :, 0], scan.fast)
    np.testing.assert_array_equal(points[..., 2], scan.height[0])


def test_flat_data_are_not_packed_so_well_that_they_are_refused(tmp_path: Path) -> None:
    write_scan(tmp_path / "a.x3p", plain(np.zeros((2900, 2900))))  # 67 MB of zeros
    assert read_scan(tmp_path / "a.x3p").height.shape == (1, 2900, 2900)


def test_what_a_file_cant_hold(tmp_path: Path) -> None:
    scan = full_scan()
    for options, words in (
        ({"channel": "image"}, "'image' is none: write a .nc or .txt file"),
        ({"data_type": "int8"}, "data_type must be int16, int32, float32, float64"),
        ({"data_type": "int16", "unit": "1 pm"}, "larger than int16 holds"),
        ({"storage": "paper"}, "storage must be 'binary' or 'text'"),
    ):
        with pytest.raises(CalibError, match=words):
            write_scan(tmp_path / "a.x3p", scan, **options)
    with pytest.raises(ScanError, match="points are not written as text"):
        write_scan(tmp_path / "a.x3p", plain(np.zeros((1000, 401))), storage="text")
    assert not list(tmp_path.iterdir())
    write_scan(tmp_path / "a.x3p", scan)
    with pytest.raises(OutputExistsError):
        write_scan(tmp_path / "a.x3p", scan)


# --- an independent reader and writer of the standard --------------------------------------------


@pytest.mark.parametrize("storage", STORAGES)
@pytest.mark.parametrize("kind", [None, "int16", "int32", "float32"])
def test_ours_open_there(tmp_path: Path, storage: str, kind: str | None) -> None:
    scan = full_scan()
    write_scan(tmp_path / "a.x3p", scan, storage=storage, data_type=kind)
    theirs = x3pio.read(tmp_path / "a.x3p")
    assert len(theirs.layers) == 2
    for layer, values in zip(theirs.layers, read_scan(tmp_path / "a.x3p").height, strict=True):
        points = np.asarray(layer.points())
        np.testing.assert_array_equal(np.isnan(points[..., 2]), np.isnan(values))
        np.testing.assert_allclose(points[..., 2], values, rtol=0, atol=1e-22)
        np.testing.assert_allclose(points[0, :, 0], scan.fast - scan.fast[0], rtol=1e-12)
        np.testing.assert_allclose(points[:, 0, 1], scan.slow - scan.slow[0], rtol=1e-12)
    assert theirs.metadata.date == scan.started
    assert theirs.metadata.probing_system.identification == scan.probe
    assert "calib_scanner" in theirs.metadata.comment


@pytest.mark.parametrize("storage", list(x3pio.DataStorage))
@pytest.mark.parametrize("revision", list(x3pio.Revision))
def test_theirs_open_here(tmp_path: Path, storage: Any, revision: Any) -> None:
    values = np.random.default_rng(0).normal(size=(6, 5)) * 1e-8
    values[1, 2] = np.nan
    theirs = x3pio.Surface.from_array(values, x_scale=1e-9, y_scale=2e-9).with_revision(revision)
    theirs.save(tmp_path / "a.x3p", storage=storage)
    scan = read_scan(tmp_path / "a.x3p")
    points = np.asarray(x3pio.read(tmp_path / "a.x3p").layers[0].points())
    np.testing.assert_allclose(scan.height[0], points[..., 2], rtol=1e-15)
    np.testing.assert_allclose(scan.fast - scan.fast[0], points[0, :, 0], rtol=1e-12)
    np.testing.assert_allclose(scan.slow - scan.slow[0], points[:, 0, 1], rtol=1e-12)


# --- broken and hostile files --------------------------------------------------------------------


def test_truncation_at_every_byte(tmp_path: Path) -> None:
    write_scan(tmp_path / "whole.x3p", plain(np.ones((7, 5))))
    whole = (tmp_path / "whole.x3p").read_bytes()
    for size in range(len(whole)):
        (tmp_path / "a.x3p").write_bytes(whole[:size])
        with pytest.raises(FileError, match=r"a\.x3p"):
            x3p.read(tmp_path / "a.x3p")


def test_every_byte_changed_gives_a_sentence_or_a_scan(tmp_path: Path) -> None:
    whole = packed(document(), md5checksum_dot_hex=b"0" * 32)
    for place in range(len(whole)):
        for value in (0xFF, whole[place] ^ 1):
            (tmp_path / "a.x3p").write_bytes(whole[:place] + bytes([value]) + whole[place + 1 :])
            words = ""
            try:
                size = x3p.read(tmp_path / "a.x3p").height.size
            except CalibError as error:
                words, size = str(error), 0
            assert size in (0, 6)
            assert size or "a.x3p" in words
            assert "\n" not in words


BOMB = '<!DOCTYPE p [<!ENTITY a "aaaaaaaaaa">' + "".join(
    f'<!ENTITY {chr(98 + n)} "{f"&{chr(97 + n)};" * 10}">' for n in range(9)
)


@pytest.mark.parametrize(
    ("start", "words"),
    [
        (BOMB + "]>", "declares a document type or entities"),
        ('<!DOCTYPE p SYSTEM "file:///etc/passwd">', "declares a document type or entities"),
        ('<!DOCTYPE p [<!ENTITY x SYSTEM "file:///etc/passwd">]>', "declares a document type or entities"),
        ('<!DOCTYPE p [<!ENTITY % x SYSTEM "http://127.0.0.1/x.dtd"> %x;]>', "declares a document type or entities"),
        ("<!DOCTYPE p>", "declares a document type or entities"),
        ('<?xml version="1.0" encoding="made-up"?>', "XML is"),
        ('<?xml version="1.0" encoding="utf-7"?>', "XML is"),
        ("nonsense", "its XML is broken at line 1: not well-formed"),
        ("\0", "its XML is broken"),
    ],
)
def test_hostile_descriptions(tmp_path: Path, start: str, words: str) -> None:
    with pytest.raises(FileError, match=words):
        read(tmp_path, packed(document(start=start)))


def test_entities_without_a_declaration(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="undefined entity"):
        read(tmp_path, packed(document(record2="<Record2><Comment>&x;</Comment></Record2>")))


@pytest.mark.parametrize(
    ("record2", "words"),
    [
        ("<a>" * 200_000 + "</a>" * 200_000, "nested too deeply"),
        ("<a/>" * 200_000, "more than 100000 elements"),
        ("<a/" + "".join(f" a{n}='1'" for n in range(1000)), "XML is broken"),
        ("<b></a>", "XML is broken"),
    ],
)
def test_odd_descriptions(tmp_path: Path, record2: str, words: str) -> None:
    with pytest.raises(FileError, match=words):
        read(tmp_path, packed(document(record2=record2)))


@pytest.mark.parametrize(
    "link",
    ["../../etc/passwd", "/etc/passwd", "..\\x", "C:/x", "file:///etc/passwd", "bindata/../../x", "http://x/y"],
)
def test_links_that_lead_out_of_the_file(tmp_path: Path, link: str) -> None:
    points = f"<DataLink><PointDataLink>{link}</PointDataLink></DataLink>"
    stream = io.BytesIO(packed(document(points=points)))
    with zipfile.ZipFile(stream, "a") as file:
        file.writestr(link, HEIGHTS.tobytes())
    with pytest.raises(FileError, match="leads out of the file"):
        read(tmp_path, stream.getvalue())
    assert [path.name for path in tmp_path.iterdir()] == ["a.x3p"]


@pytest.mark.parametrize(
    ("main", "data", "words"),
    [
        (document(sizes=(4_000_000_000, 4_000_000_000, 1)), b"", "4000000000 x 4000000000 x 1 points, more than"),
        (
            document(sizes=(10_000, 10_000, 1)),
            HEIGHTS.tobytes(),
            "has 48 bytes, where its size and types make 800000000",
        ),
        (document(sizes=(0, 2, 1)), b"", "SizeX is '0'"),
        (document(sizes=(3, -2, 1)), b"", "SizeY is '-2'"),
        (document(sizes=(3, 2, "1.0")), b"", "SizeZ is '1.0'"),
        (document(sizes=("9" * 5000, 2, 1)), b"", "SizeX is '9999"),
        (document(sizes=("٣", 2, 1)), b"", "SizeX is '٣'"),
        (document(axis("CX", increment=0) + axis("CY") + axis("CZ", "A", "D", 1)), HEIGHTS.tobytes(), "Increment 0.0"),
        (document(axis("CX", increment="nan") + axis("CY") + axis("CZ", "A")), HEIGHTS.tobytes(), "no finite number"),
        (document(axis("CX", increment="1e999") + axis("CY") + axis("CZ", "A")), HEIGHTS.tobytes(), "no finite number"),
        (document(axis("CX", increment="1_0") + axis("CY") + axis("CZ", "A")), HEIGHTS.tobytes(), "no finite number"),
        (
            document(axis("CX") + axis("CY") + axis("CZ", "A", increment=-1)),
            HEIGHTS.tobytes(),
            "must be more than zero",
        ),
        (document(axis("CX", "Q") + axis("CY") + axis("CZ", "A")), HEIGHTS.tobytes(), "AxisType 'Q', where I or A"),
        (document(axis("CX") + axis("CY") + axis("CZ", "I")), HEIGHTS.tobytes(), "AxisType 'I', where A is right"),
        (document(axis("CX") + axis("CY") + axis("CZ", "A", "X")), HEIGHTS.tobytes(), "must be I, L, F or D"),
        (document(axis("CX") + axis("CZ", "A")), HEIGHTS.tobytes(), "does not describe the axis CY"),
        (document(feature="PCL"), HEIGHTS.tobytes(), "a list of points, no grid"),
        (document(root="html"), HEIGHTS.tobytes(), "describes 'html', no surface"),
        (document(), None, "names 'bindata/data.bin', which is not in the file"),
        (document(), HEIGHTS.tobytes()[:-1], "has 47 bytes, where its size and types make 48"),
        (document(points="<DataList><Datum>1</Datum></DataList>"), None, "lists 1 points, where its size makes 6"),
        (
            document(points="<DataList>" + "<Datum>1;2</Datum>" * 6 + "</DataList>"),
            None,
            "2 numbers, where its axes make 1",
        ),
        (
            document(points="<DataList><Datum>one</Datum></DataList>"),
            None,
            "its point 1 holds 'one', which is no number",
        ),
        (
            document(points="<DataList><Datum>1</Datum><Datum>1;2</Datum></DataList>"),
            None,
            "2 numbers, where others have 1",
        ),
        (document(points=" "), None, "lists 0 points"),
        (document(points=f"<DataList><Datum>{'1' * 10**6}x</Datum></DataList>"), None, "is no number"),
    ],
)
def test_senseless_descriptions(tmp_path: Path, main: str, data: bytes | None, words: str) -> None:
    with pytest.raises(FileError, match=words):
        read(tmp_path, packed(main, data))


def test_check_sums(tmp_path: Path) -> None:
    digest = hashlib.md5(HEIGHTS.tobytes()).hexdigest()
    link = (
        "<DataLink><PointDataLink>bindata/data.bin</PointDataLink>"
        "<MD5ChecksumPointData>{}</MD5ChecksumPointData></DataLink>"
    )
    for right in (digest, digest.upper()):
        assert heights(tmp_path, packed(document(points=link.format(right)))) == HEIGHTS.tolist()
    wrong = packed(document(points=link.format("0" * 32)))
    with pytest.raises(FileError, match=r"MD5 check sum of 'bindata/data\.bin' does not agree"):
        read(tmp_path, wrong)
    assert heights(tmp_path, wrong, checksum=False) == HEIGHTS.tolist()
    assert read(tmp_path, wrong, checksum=False).attributes["wrong_checksum"] == "bindata/data.bin"
    with pytest.raises(FileError, match="checksum must be true or false"):
        read(tmp_path, wrong, checksum="no")
    scan = read(tmp_path, packed(document(), md5checksum_dot_hex=b"0" * 32 + b" *main.xml\n"))
    assert scan.attributes["wrong_checksum"] == "main.xml"
    whole = packed(document(), md5checksum_dot_hex=hashlib.md5(document().encode()).hexdigest().encode())
    assert "wrong_checksum" not in read(tmp_path, whole).attributes


def test_our_lines_hide_no_warning(tmp_path: Path) -> None:
    """A file of ours that was changed afterwards says so, whatever its lines about the scan are."""
    path = tmp_path / "ours.x3p"
    write_scan(path, read(tmp_path, packed(document())).replace(attributes={"count": 3}))
    with zipfile.ZipFile(path) as file:
        members = {name: file.read(name) for name in file.namelist()}
    with zipfile.ZipFile(path, "w") as file:
        for name, data in (members | {"md5checksum.hex": b"0" * 32}).items():
            file.writestr(name, data)
    assert read_scan(path).attributes == {"count": 3, "wrong_checksum": "main.xml", "file": "ours.x3p"}


def test_bombs(tmp_path: Path) -> None:
    zeros = bytes(8 * 10_000 * 10_000 // 8)  # a hundred million bytes, packed a thousandfold
    bomb = packed(document(axis("CX") + axis("CY") + axis("CZ", "A", "F", 1), (5000, 5000, 1)), zeros)
    listed = packed(document(points="<DataList>" + "<Datum/>" * 4_500_000 + "</DataList>"), None)
    tracemalloc.start()
    try:
        with pytest.raises(FileError, match=r"declares 100000000 bytes, packed in .* no scan packs so well"):
            read(tmp_path, bomb)
        with pytest.raises(FileError, match=r"declares 3600\d+ bytes, more than"):
            read(tmp_path, listed)
        assert tracemalloc.get_traced_memory()[1] < 4_000_000
    finally:
        tracemalloc.stop()


def test_archives_that_lie(tmp_path: Path) -> None:
    many = io.BytesIO()
    with zipfile.ZipFile(many, "w") as file:
        for number in range(1001):
            file.writestr(f"{number}", b"")
    with pytest.raises(FileError, match="more than 1000 members"):
        read(tmp_path, many.getvalue())
    twice = io.BytesIO(packed(document()))
    with zipfile.ZipFile(twice, "a") as file, pytest.warns(UserWarning, match="Duplicate name"):
        file.writestr("bindata/data.bin", bytes(48))
    with pytest.raises(FileError, match=r"two members 'bindata/data\.bin'"):
        read(tmp_path, twice.getvalue())
    whole = packed(document())
    directory = whole.rindex(b"PK\x01\x02")
    for name, place, value, words in (
        ("declares more", directory + 24, struct.pack("<L", 10**9), "no scan packs so well"),
        ("declares less", directory + 24, struct.pack("<L", 40), "has 40 bytes"),
        ("locked", directory + 8, b"\1", "locked with a password"),
        ("rare", directory + 10, b"\x0c", "packed in a rare way"),
        ("elsewhere", directory + 42, struct.pack("<L", 10**9), "broken ZIP archive"),
        ("wrong sum", directory + 16, b"\0\0\0\0", "broken ZIP archive"),
    ):
        with pytest.raises(FileError, match=words):
            read(tmp_path, whole[:place] + value + whole[place + len(value) :])
        assert name
    with pytest.raises(FileError, match="broken ZIP archive"):
        read(tmp_path, b"no archive")
    other = io.BytesIO()
    with zipfile.ZipFile(other, "w") as file:
        file.writestr("x", "y")
    with pytest.raises(FileError, match=r"no member 'main\.xml'"):
        read(tmp_path, other.getvalue())
