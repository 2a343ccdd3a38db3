"""The native scan file: both ways through h5py and xarray, and what comes from others."""

import json
import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
import xarray
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from calib.errors import CalibError, FileError, OutputExistsError, ScanError
from calib.formats import read_scan, write_scan
from calib.scan import Scan

ENGINES = ("h5netcdf", "netcdf4")
FAST, SLOW = (np.arange(5) - 2) * 1e-6, (np.arange(4) - 1.5) * 2e-6
HEIGHT = np.arange(40.0).reshape(2, 4, 5) * 1e-9
SHARED = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def full_scan() -> Scan:
    """Return a scan with every field set."""
    height = HEIGHT.copy()
    height[1, 2, 3] = np.nan
    return Scan(
        channels={"height": height, "image": np.arange(40, dtype=np.float32).reshape(2, 4, 5)},
        fast=FAST,
        slow=SLOW,
        passes=("trace", "retrace"),
        units={"image": "V"},
        title="grid, 20 °C, after service",
        centre_x=1e-6,
        centre_y=-2e-6,
        rotation=math.pi / 2,
        frame="down",
        line_period=0.5,
        turnaround=0.01,
        previous_x=3e-6,
        previous_y=-4e-6,
        started=datetime(2026, 3, 1, 9, 30, tzinfo=UTC),
        scanner="bench-1 chip 7",
        probe="p3",
        controller={"gain": 2.5, "linearised": False, "range": [1, 2]},
        temperature=293.15,
        z_centre=5e-7,
        frame_of_reference="true",
        attributes={"model_sha256": "ab" * 32, "operator_note": "µ", "count": 3, "factor": 1.5, "tags": ["a", "b"]},
    )


def assert_same(one: Scan, other: Scan, *, channels: bool = True) -> None:
    """Compare two scans, all but the name of the file."""
    names = ("passes", "title", "frame", "started", "scanner", "probe", "pattern", "frame_of_reference", "controller")
    for name in names:
        assert getattr(one, name) == getattr(other, name), name
    for name in ("centre_x", "centre_y", "line_period", "turnaround", "previous_x", "previous_y", "z_centre"):
        assert getattr(one, name) == getattr(other, name), name
    assert one.rotation == pytest.approx(other.rotation, abs=1e-13)
    assert one.temperature == (None if other.temperature is None else pytest.approx(other.temperature, abs=1e-8))
    np.testing.assert_array_equal(one.fast, other.fast)
    np.testing.assert_array_equal(one.slow, other.slow)
    assert {k: v for k, v in one.attributes.items() if k != "file"} == {
        k: v for k, v in other.attributes.items() if k != "file"
    }
    if channels:
        assert dict(one.units) == dict(other.units)
        assert list(one.channels) == list(other.channels)
        for name in one.channels:
            np.testing.assert_array_equal(one.channels[name], other.channels[name])
            assert one.channels[name].dtype == other.channels[name].dtype


# --- our own files -------------------------------------------------------------------------------


def test_round_trip(tmp_path: Path) -> None:
    scan = full_scan()
    write_scan(tmp_path / "a.nc", scan)
    read = read_scan(tmp_path / "a.nc")
    assert_same(read, scan)
    assert read.attributes["file"] == "a.nc"
    assert read.rotation == math.pi / 2
    assert read.temperature == 293.15


def test_a_second_round_changes_nothing(tmp_path: Path) -> None:
    write_scan(tmp_path / "a.nc", full_scan())
    write_scan(tmp_path / "b.nc", read_scan(tmp_path / "a.nc"))
    assert (tmp_path / "a.nc").read_bytes() == (tmp_path / "b.nc").read_bytes()


@pytest.mark.parametrize("engine", ENGINES)
def test_ours_open_in_xarray_and_theirs_here(tmp_path: Path, engine: Any) -> None:
    scan = full_scan()
    write_scan(tmp_path / "ours.nc", scan)
    with xarray.open_dataset(tmp_path / "ours.nc", engine=engine) as dataset:
        dataset.load()
    xarray.testing.assert_identical(dataset, scan.to_xarray())
    assert list(dataset.sizes) == ["pass", "slow", "fast"]
    assert_same(Scan.from_xarray(dataset), scan)
    scan.to_xarray().to_netcdf(tmp_path / "theirs.nc", engine=engine)
    for name in ("ours.nc", "theirs.nc"):  # CF 1.11, section 2.5.1: coordinates have no missing values
        with h5py.File(tmp_path / name) as file:
            assert [key for key, item in file.items() if "_FillValue" in item.attrs] == ["height", "image"]
            assert {file[key].compression for key in ("height", "image")} == {"gzip"}
    assert_same(read_scan(tmp_path / "theirs.nc"), scan)


def test_file_is_as_the_reference_says(tmp_path: Path) -> None:
    write_scan(tmp_path / "a.nc", full_scan())
    with h5py.File(tmp_path / "a.nc") as file:
        assert file.attrs["Conventions"].startswith("CF-")
        assert file.attrs["rotation"] == 90.0  # degrees and °C are for people
        assert file.attrs["temperature"] == 20.0
        assert file.attrs["started"] == "2026-03-01T09:30:00+00:00"
        assert json.loads(file.attrs["controller"]) == {"gain": 2.5, "linearised": False, "range": [1, 2]}
        assert list(file["pass"].asstr()[:]) == ["trace", "retrace"]
        height = file["height"]
        assert height.attrs["units"] == file["fast"].attrs["units"] == "m"
        assert height.compression == "gzip"
        assert height.shuffle
        assert [dimension[0].name for dimension in height.dims] == ["/pass", "/slow", "/fast"]
        assert "file" not in file.attrs


def test_corrected_scans_keep_their_marks(tmp_path: Path) -> None:
    scan = full_scan().replace(attributes={"model_sha256": "m", "source_sha256": "s"})
    scan = scan.replace(channels={**scan.channels, "u_x": HEIGHT}, units={**scan.units, "u_x": "m"})
    write_scan(tmp_path / "a.nc", scan)
    read = read_scan(tmp_path / "a.nc", channel="u_x")
    assert read.frame_of_reference == "true"
    assert read.attributes["model_sha256"] == "m"
    assert read.attributes["source_sha256"] == "s"
    np.testing.assert_array_equal(read.values, HEIGHT)


def test_nothing_is_overwritten_without_force(tmp_path: Path) -> None:
    path = tmp_path / "a.nc"
    write_scan(path, full_scan())
    with pytest.raises(OutputExistsError):
        write_scan(path, full_scan())
    write_scan(path, full_scan().replace(title="second"), force=True)
    assert read_scan(path).title == "second"
    assert list(tmp_path.iterdir()) == [path]


_TEXT = st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=20)
_NAMES = st.from_regex(r"[a-z][a-z0-9_]{0,8}", fullmatch=True)
_LENGTHS = st.floats(-1, 1)


@st.composite
def scans(draw: st.DrawFn) -> Scan:
    """Draw scans of any shape and with any field."""
    passes = draw(st.sampled_from([("trace",), ("retrace",), ("trace", "retrace"), ("retrace", "trace")]))
    fast = draw(st.lists(st.floats(-1, 1), min_size=1, max_size=6, unique=True).map(sorted))
    slow = draw(st.lists(st.floats(-1, 1), min_size=1, max_size=6, unique=True).map(sorted))
    shape = (len(passes), len(slow), len(fast))
    numbers = st.floats(allow_infinity=False, width=32)
    names = draw(st.lists(st.sampled_from(["height", "image", "u_x"]), min_size=1, max_size=2, unique=True))
    kinds = st.sampled_from([np.float32, np.float64])
    maybe: Any = lambda strategy: st.none() | strategy  # noqa: E731
    known = {
        "title",
        "scanner",
        "probe",
        "frame",
        "pattern",
        "rotation",
        "temperature",
        "started",
        "controller",
        "file",
    }
    values = (
        _TEXT | st.integers(-(2**63), 2**63 - 1) | st.floats(allow_nan=False) | st.lists(_TEXT, min_size=2, max_size=3)
    )
    return Scan(
        channels={name: draw(arrays.arrays(draw(kinds), shape, elements=numbers)) for name in names},
        fast=np.array(fast),
        slow=np.array(slow),
        passes=passes,
        units=dict.fromkeys(names, "m"),
        title=draw(st.just("") | _TEXT),
        centre_x=draw(_LENGTHS),
        centre_y=draw(_LENGTHS),
        rotation=draw(st.floats(-7, 7)),
        frame=draw(st.sampled_from([None, "up", "down"])),
        line_period=draw(maybe(st.floats(1e-3, 1e3))),
        previous_x=draw(maybe(_LENGTHS)),
        started=draw(maybe(st.datetimes(timezones=st.sampled_from([None, UTC])))),
        scanner=draw(maybe(_TEXT)),
        controller=draw(maybe(st.dictionaries(_TEXT, _TEXT | st.integers() | st.booleans() | st.none(), max_size=3))),
        temperature=draw(maybe(st.floats(200, 400))),
        attributes=draw(st.dictionaries(_NAMES.filter(lambda name: name not in known), values, max_size=4)),
    )


@SHARED
@given(scan=scans())
def test_any_scan_comes_back(tmp_path: Path, scan: Scan) -> None:
    write_scan(tmp_path / "a.nc", scan, force=True)
    assert_same(read_scan(tmp_path / "a.nc"), scan)
    assert_same(Scan.from_xarray(scan.to_xarray()), scan)


@pytest.mark.parametrize(
    "controller",
    [
        {"settings": "gain 3, closed loop"},
        {"settings": "3"},
        {"settings": '{"gain": 3}'},
        {"settings": ""},
        {"mode": "closed"},
        {},
        {"a": {"b": [1, None, True]}},
    ],
)
def test_controller_comes_back(tmp_path: Path, controller: dict[str, Any]) -> None:
    write_scan(tmp_path / "a.nc", full_scan().replace(controller=controller))
    assert read_scan(tmp_path / "a.nc").controller == controller
    if controller == {"settings": "gain 3, closed loop"}:
        with h5py.File(tmp_path / "a.nc") as file:
            assert file.attrs["controller"] == "gain 3, closed loop"


def test_odd_attributes_are_kept_as_text(tmp_path: Path) -> None:
    odd = {"nested": {"a": [1]}, "none": None, "big": 2**70, "flag": True, "a/b": 1, "when": datetime(2026, 1, 2)}
    write_scan(tmp_path / "a.nc", full_scan().replace(attributes={**odd, "array": np.array([1.5, 2.5])}))
    read = read_scan(tmp_path / "a.nc").attributes
    assert json.loads(read["nested"]) == {"a": [1]}
    assert read["big"] == str(2**70)
    assert read["flag"] == 1
    assert read["a_b"] == 1
    assert read["when"] == "2026-01-02T00:00:00"
    assert read["array"] == [1.5, 2.5]


def test_attributes_never_stand_in_for_fields(tmp_path: Path) -> None:
    scan = Scan(channels={"height": HEIGHT[:1]}, fast=FAST, slow=SLOW, attributes={"rotation": 45.0, "frame": "up"})
    write_scan(tmp_path / "a.nc", scan)
    read = read_scan(tmp_path / "a.nc")
    assert read.rotation == 0
    assert read.frame is None


@pytest.mark.parametrize("name", ["fast", "a/b", " a", ""])
def test_channel_names_that_a_file_cant_hold(tmp_path: Path, name: str) -> None:
    scan = Scan(channels={name: HEIGHT[:1]}, fast=FAST, slow=SLOW)
    with pytest.raises(ScanError, match="can't be the name of a channel"):
        write_scan(tmp_path / "a.nc", scan)
    assert not list(tmp_path.iterdir())


# --- files of others -----------------------------------------------------------------------------


def dataset(height: Any = HEIGHT, dims: Any = ("pass", "slow", "fast"), **changes: Any) -> xarray.Dataset:
    """Return a data set as somebody would make it who has read the reference."""
    coordinates: dict[str, Any] = {
        "pass": ("pass", ["trace", "retrace"]),
        "slow": ("slow", SLOW, {"units": "m"}),
        "fast": ("fast", FAST, {"units": "m"}),
        **changes,
    }
    coordinates = {name: value for name, value in coordinates.items() if value is not None}
    return xarray.Dataset({"height": (dims, height, {"units": "m"})}, coordinates)


def through(path: Path, data: xarray.Dataset, engine: Any = "h5netcdf", **options: Any) -> Scan:
    """Write a data set by xarray and read it here; in memory it must mean the same."""
    data.to_netcdf(path / "theirs.nc", engine=engine, **options)
    scan = read_scan(path / "theirs.nc")
    if not options:
        assert_same(Scan.from_xarray(data), scan)
    return scan


@pytest.mark.parametrize("engine", ENGINES)
def test_plain_data_set(tmp_path: Path, engine: str) -> None:
    scan = through(tmp_path, dataset(), engine)
    assert scan.passes == ("trace", "retrace")
    np.testing.assert_array_equal(scan.height, HEIGHT)
    np.testing.assert_array_equal(scan.fast, FAST)
    assert scan.line_period is None
    assert dict(scan.attributes) == {"file": "theirs.nc"}


@pytest.mark.parametrize("engine", ENGINES)
def test_packed_integers(tmp_path: Path, engine: Any) -> None:
    height = HEIGHT.copy()
    height[0, 1, 2] = np.nan
    packing = {"dtype": "int16", "scale_factor": 1e-12, "add_offset": 2e-8, "_FillValue": -32768}
    scan = through(tmp_path, dataset(height), engine, encoding={"height": packing})
    with h5py.File(tmp_path / "theirs.nc") as file:
        assert file["height"].dtype == np.int16
    assert np.isnan(scan.height[0, 1, 2])
    np.testing.assert_allclose(scan.height, height, atol=0.51e-12)
    with xarray.open_dataset(tmp_path / "theirs.nc", engine=engine) as decoded:
        np.testing.assert_allclose(scan.height, decoded["height"], rtol=1e-6)


@pytest.mark.parametrize("engine", ENGINES)
def test_missing_value_and_valid_range(tmp_path: Path, engine: Any) -> None:
    data = dataset(np.arange(40, dtype=np.int16).reshape(2, 4, 5))
    data["height"].attrs |= {"missing_value": np.int16(7), "valid_range": np.array([3, 35], dtype=np.int16)}
    scan = through(tmp_path, data, engine)
    missing = [0, 1, 2, 7, 36, 37, 38, 39]
    assert np.flatnonzero(np.isnan(scan.height)).tolist() == missing


def test_unsigned_bytes_stored_as_signed(tmp_path: Path) -> None:
    data = dataset(np.arange(200, 240).astype(np.uint8).view(np.int8).reshape(2, 4, 5))
    data["height"].attrs |= {"_Unsigned": "true", "valid_max": np.int8(-18)}  # 238
    scan = through(tmp_path, data)
    np.testing.assert_array_equal(scan.height.ravel()[:39], np.arange(200, 239))
    assert np.isnan(scan.height.ravel()[39])


@pytest.mark.parametrize("dims", [("fast", "slow", "pass"), ("slow", "pass", "fast"), ("pass", "fast", "slow")])
def test_axes_in_any_order(tmp_path: Path, dims: tuple[str, ...]) -> None:
    order = [("pass", "slow", "fast").index(dim) for dim in dims]
    np.testing.assert_array_equal(through(tmp_path, dataset(HEIGHT.transpose(order), dims)).height, HEIGHT)


@pytest.mark.parametrize("engine", ENGINES)
def test_no_pass_dimension_is_a_trace(tmp_path: Path, engine: str) -> None:
    scan = through(tmp_path, dataset(HEIGHT[0], ("slow", "fast"), **{"pass": None}), engine)
    assert scan.passes == ("trace",)
    np.testing.assert_array_equal(scan.height, HEIGHT[:1])


@pytest.mark.parametrize("engine", ENGINES)
def test_selected_pass_keeps_its_name(tmp_path: Path, engine: str) -> None:
    scan = through(tmp_path, dataset().sel({"pass": "retrace"}), engine)
    assert scan.passes == ("retrace",)
    np.testing.assert_array_equal(scan.height, HEIGHT[1:])


@pytest.mark.parametrize("engine", ENGINES)
def test_selected_line_is_a_scan_of_one_line(tmp_path: Path, engine: str) -> None:
    scan = through(tmp_path, dataset().isel(slow=2), engine)
    np.testing.assert_array_equal(scan.height, HEIGHT[:, 2:3])
    assert scan.slow == pytest.approx([SLOW[2]])


@pytest.mark.parametrize("engine", ENGINES)
def test_nameless_passes(tmp_path: Path, engine: Any) -> None:
    one = dataset(HEIGHT[:1], **{"pass": None})
    assert through(tmp_path, one, engine).passes == ("trace",)
    dataset(**{"pass": None}).to_netcdf(tmp_path / "two.nc", engine=engine)
    with pytest.raises(FileError, match=r"has 2 passes without names: name them 'trace' and 'retrace'.*option passes"):
        read_scan(tmp_path / "two.nc")
    assert read_scan(tmp_path / "two.nc", passes=["retrace", "trace"]).passes == ("retrace", "trace")
    with pytest.raises(FileError, match="has 2 passes named 'trace'"):
        read_scan(tmp_path / "two.nc", passes="trace")


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("names", [np.array([b"trace", b"retrace"]), ["Trace", "RETRACE "]])
def test_pass_names_in_other_spellings(tmp_path: Path, engine: str, names: Any) -> None:
    # xarray stores bytes as an array of characters with a dimension more.
    data = dataset(**{"pass": ("pass", names)})
    data.to_netcdf(tmp_path / "theirs.nc", engine=engine)  # type: ignore[call-overload]
    assert read_scan(tmp_path / "theirs.nc").passes == ("trace", "retrace")
    assert Scan.from_xarray(data).passes == ("trace", "retrace")


def test_wrong_pass_names(tmp_path: Path) -> None:
    dataset(**{"pass": ("pass", ["forth", "back"])}).to_netcdf(tmp_path / "a.nc")
    with pytest.raises(FileError, match="has 2 passes named 'forth', 'back'"):
        read_scan(tmp_path / "a.nc")


def test_decreasing_coordinates(tmp_path: Path) -> None:
    data = dataset().isel(fast=slice(None, None, -1), slow=slice(None, None, -1))
    scan = through(tmp_path, data)
    np.testing.assert_array_equal(scan.fast, FAST)
    np.testing.assert_array_equal(scan.height, HEIGHT)


@pytest.mark.parametrize(
    ("unit", "scale"), [("um", 1e6), ("nm", 1e9), ("mm", 1e3), ("micrometer", 1e6), ("µm", 1e6), ("metre", 1), ("m", 1)]
)
def test_other_units_of_length(tmp_path: Path, unit: str, scale: float) -> None:
    data = dataset(HEIGHT * scale, fast=("fast", FAST * scale, {"units": unit}))
    data["height"].attrs["units"] = unit
    scan = through(tmp_path, data)
    np.testing.assert_allclose(scan.fast, FAST, rtol=1e-14)
    np.testing.assert_allclose(scan.height, HEIGHT, rtol=1e-14)
    assert scan.units["height"] == "m"


def test_float32_coordinates_and_big_endian_data(tmp_path: Path) -> None:
    data = dataset(HEIGHT.astype(">f8"), fast=("fast", FAST.astype(np.float32), {"units": "m"}))
    scan = through(tmp_path, data)
    assert scan.fast.dtype == np.float64
    np.testing.assert_array_equal(scan.fast, FAST.astype(np.float32).astype(np.float64))
    np.testing.assert_array_equal(scan.height, HEIGHT)


def test_other_channels_and_other_variables(tmp_path: Path) -> None:
    data = dataset()
    data["image"] = (("slow", "fast"), np.arange(20, dtype=np.uint16).reshape(4, 5), {"units": "1"})
    data["sensor"] = (("pass", "slow", "fast"), HEIGHT * 1e9, {"units": "nm"})
    data["line_time"] = ("slow", np.arange(4.0))
    data["remark"] = "some text"
    data["cube"] = (("layer", "slow", "fast"), np.zeros((3, 4, 5)))
    scan = through(tmp_path, data)
    assert set(scan.channels) == {"height", "image", "sensor"}
    np.testing.assert_array_equal(scan.channels["image"], np.broadcast_to(np.arange(20).reshape(4, 5), (2, 4, 5)))
    np.testing.assert_allclose(scan.channels["sensor"], HEIGHT)
    assert dict(scan.units) == {"height": "m", "image": "1", "sensor": "m"}
    assert read_scan(tmp_path / "theirs.nc", channel="image").channel == "image"
    with pytest.raises(FileError, match=r"theirs\.nc: The scan has no channel 'phase'; it has 'height'"):
        read_scan(tmp_path / "theirs.nc", channel="phase")


def test_image_without_heights(tmp_path: Path) -> None:
    data = dataset().rename(height="image")
    data["image"].attrs.clear()
    scan = through(tmp_path, data)
    assert scan.channel == "image"
    assert not scan.has_height


def test_infinity_is_no_data(tmp_path: Path) -> None:
    height = HEIGHT.copy()
    height[0, 0, 0], height[1, 1, 1] = np.inf, -np.inf
    assert np.flatnonzero(np.isnan(through(tmp_path, dataset(height)).height)).tolist() == [0, 26]


@pytest.mark.parametrize(
    ("attribute", "value", "field", "expected"),
    [
        ("rotation", 90, "rotation", math.pi / 2),
        ("rotation", "90", "rotation", math.pi / 2),
        ("rotation", "1.5 rad", "rotation", 1.5),
        ("temperature", np.float32(20.0), "temperature", 293.15),
        ("temperature", "300 K", "temperature", 300.0),
        ("centre_x", "3 µm", "centre_x", 3e-6),
        ("line_period", np.array([0.5]), "line_period", 0.5),
        ("line_period", math.nan, "line_period", None),
        ("frame", "Down ", "frame", "down"),
        ("frame", "", "frame", None),
        ("scanner", 7, "scanner", "7"),
        ("started", "2026-03-01T09:30:00Z", "started", datetime(2026, 3, 1, 9, 30, tzinfo=UTC)),
        ("controller", "closed loop", "controller", {"settings": "closed loop"}),
        ("controller", '{"gain": 2}', "controller", {"gain": 2}),
        ("controller", "[1, 2]", "controller", {"settings": "[1, 2]"}),
    ],
)
def test_attributes_as_people_write_them(tmp_path: Path, attribute: str, value: Any, field: str, expected: Any) -> None:
    scan = through(tmp_path, dataset().assign_attrs({attribute: value}))
    found = getattr(scan, field)
    assert found == (pytest.approx(expected, rel=1e-12) if isinstance(expected, float) else expected)


# --- bad input -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (dataset().drop_vars("fast"), "no variable 'fast'"),
        (dataset(fast=("fast", FAST)), "'fast' has no units"),
        (dataset(fast=("fast", FAST, {"units": "s"})), "units of 'fast': 's' is no unit of length"),
        (
            dataset(fast=("fast", FAST[[0, 2, 1, 3, 4]], {"units": "m"})),
            "fast coordinates must be finite and increasing",
        ),
        (dataset(slow=("slow", list("abcd"), {"units": "m"})), "'slow' is no list of coordinates"),
        (dataset().rename(slow="row"), "no variable has the dimensions slow and fast, only height"),
        (dataset().drop_vars("height"), "no variable has the dimensions slow and fast"),
        (xarray.Dataset(), "no variable has the dimensions slow and fast"),
        (dataset().assign_attrs(frame="sideways"), "frame must be 'up' or 'down'"),
        (dataset().assign_attrs(line_period="soon"), "line_period: 'soon' is not a number"),
        (dataset().assign_attrs(line_period=[1.0, 2.0]), "line_period must be a number"),
        (dataset().assign_attrs(line_period=-1.0), "line_period must be a positive time"),
        (dataset().assign_attrs(started="yesterday"), "started must be a date"),
    ],
)
def test_data_that_is_no_scan(tmp_path: Path, data: xarray.Dataset, words: str) -> None:
    data.to_netcdf(tmp_path / "bad.nc")
    with pytest.raises(FileError, match=words) as caught:
        read_scan(tmp_path / "bad.nc")
    assert "bad.nc: " in str(caught.value)
    with pytest.raises(FileError, match=words):
        Scan.from_xarray(data)


def test_heights_without_units(tmp_path: Path) -> None:
    data = dataset()
    del data["height"].attrs["units"]
    data.to_netcdf(tmp_path / "bad.nc")
    with pytest.raises(FileError, match="'height' has no units"):
        read_scan(tmp_path / "bad.nc")


def test_every_truncation_is_one_sentence(tmp_path: Path) -> None:
    write_scan(tmp_path / "a.nc", full_scan())
    data = (tmp_path / "a.nc").read_bytes()
    short = tmp_path / "short.nc"
    for length in range(0, len(data), 193):
        short.write_bytes(data[:length])
        with pytest.raises(FileError, match=r"short\.nc is (empty|broken or was cut short|no scan file)"):
            read_scan(short)


def test_other_files_are_refused(tmp_path: Path) -> None:
    for name, data, words in (
        ("a.nc", b"not at all", "is no NetCDF-4 file"),
        ("a.bin", b"\x00\x01\x02", "is no scan file that can be read"),
        ("a.json", b'{"a": 1}', "is no scan file that can be read"),
        ("b.nc", b"CDF\x01" + bytes(100), "classic NetCDF file: save it as NetCDF-4"),
    ):
        (tmp_path / name).write_bytes(data)
        with pytest.raises(FileError, match=words):
            read_scan(tmp_path / name)
    with h5py.File(tmp_path / "foreign.h5", "w") as file:
        file["data"] = np.zeros((4, 5))
        file.create_group("more")["data"] = np.zeros((4, 5))
    with pytest.raises(FileError, match=r"foreign\.h5: which of its arrays .* /data \(4 x 5\), /more/data"):
        read_scan(tmp_path / "foreign.h5")
    with pytest.raises(FileError, match="There is no file"):
        read_scan(tmp_path / "none.nc")
    with pytest.raises(FileError, match="is a folder"):
        read_scan(tmp_path)


def test_content_counts_before_the_name(tmp_path: Path) -> None:
    write_scan(tmp_path / "a.nc", full_scan())
    (tmp_path / "a.nc").rename(tmp_path / "a.txt")
    assert_same(read_scan(tmp_path / "a.txt"), full_scan())


def test_unknown_ending_and_unknown_option(tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"ending of .*a\.unheard says no format.*\.nc.*\.txt"):
        write_scan(tmp_path / "a.unheard", full_scan())
    write_scan(tmp_path / "a.nc", full_scan())
    with pytest.raises(CalibError, match=r"no option 'pass' for a native scan file .* did you mean 'passes'"):
        read_scan(tmp_path / "a.nc", **{"pass": "trace"})
    with pytest.raises(CalibError, match="no option 'unit'"):
        write_scan(tmp_path / "b.nc", full_scan(), unit="nm")


# --- safety --------------------------------------------------------------------------------------


def replaced(path: Path) -> h5py.File:
    """Write a scan, take its heights away and return the open file."""
    write_scan(path, full_scan())
    file = h5py.File(path, "a")
    del file["height"]
    return file


def test_data_kept_in_other_files_are_refused(tmp_path: Path) -> None:
    (tmp_path / "secret").write_bytes(bytes(320))
    with replaced(tmp_path / "a.nc") as file:
        file.create_dataset("height", (2, 4, 5), "f8", external=[(str(tmp_path / "secret"), 0, 320)])
    with pytest.raises(FileError, match="'height' keeps its data in other files"):
        read_scan(tmp_path / "a.nc")


def test_virtual_data_are_refused(tmp_path: Path) -> None:
    with replaced(tmp_path / "a.nc") as file:
        layout = h5py.VirtualLayout((2, 4, 5), "f4")
        layout[:] = h5py.VirtualSource(str(tmp_path / "b.nc"), "image", (2, 4, 5))
        file.create_virtual_dataset("height", layout)
    with pytest.raises(FileError, match="'height' keeps its data in other files"):
        read_scan(tmp_path / "a.nc")


@pytest.mark.parametrize("link", [h5py.SoftLink("/image"), h5py.ExternalLink("b.nc", "/image")])
def test_links_are_refused(tmp_path: Path, link: Any) -> None:
    with replaced(tmp_path / "a.nc") as file:
        file["height"] = link
    with pytest.raises(FileError, match="'height' is a link"):
        read_scan(tmp_path / "a.nc")


def test_declared_size_is_checked_before_memory_is_taken(tmp_path: Path) -> None:
    size = 1 << 20
    with h5py.File(tmp_path / "a.nc", "w") as file:
        for name in ("slow", "fast"):
            scale = file.create_dataset(name, (size,), "f8", chunks=(1024,))
            scale.attrs["units"] = "m"
            scale.make_scale(name)
        height = file.create_dataset("height", (size, size), "f8", chunks=(64, 64))
        for index, name in enumerate(("slow", "fast")):
            height.dims[index].attach_scale(file[name])
    assert (tmp_path / "a.nc").stat().st_size < 1e5
    with pytest.raises(FileError, match="more than 134217728 points"):
        read_scan(tmp_path / "a.nc")
    with h5py.File(tmp_path / "a.nc", "a") as file:
        del file["slow"], file["height"]
        file.create_dataset("slow", (1 << 40,), "f8", chunks=(1024,)).make_scale("slow")
        file["slow"].attrs["units"] = "m"
        height = file.create_dataset("height", (1, 4), "f8")
        height.dims[0].attach_scale(file["slow"])
        height.dims[1].attach_scale(file["fast"])
    with pytest.raises(FileError, match="more than 134217728 points"):
        read_scan(tmp_path / "a.nc")
