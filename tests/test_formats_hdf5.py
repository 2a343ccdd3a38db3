"""HDF5 of any layout: by the path of a data set, and without ever leaving the file."""

from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
import xarray

from calib.errors import CalibError, FileError
from calib.files import sha256
from calib.findings import inspect_scan
from calib.formats import _hdf5_file, native, read_scan, write_scan
from tests.hostile import check_sentence
from tests.test_formats_native import full_scan

SAID: dict[str, Any] = {"pixel_size": "50 nm", "unit": "nm"}
DATA = np.arange(20.0).reshape(4, 5)


def made(path: Path) -> Path:
    with h5py.File(path / "a.h5", "w") as file:
        group = file.create_group("entry/data")
        group["z"] = DATA
        group["z"].attrs.update({"units": "nm", "dx": 0.25, "dy": [0.5]})
        group["back"] = DATA + 1
        group["x"] = np.arange(5)[::-1] * 2.0
        group["y"] = np.arange(4) * 3e-3
        group["y"].attrs["units"] = "mm"
        group["stack"] = np.stack([DATA, DATA + 2])
        file["counts"] = DATA.astype("i2")
    return path / "a.h5"


def test_data_sets_by_path(tmp_path: Path) -> None:
    path = made(tmp_path)
    with pytest.raises(FileError, match=r"it has /counts \(4 x 5\), /entry/data/back \(4 x 5\), /entry/data/stack"):
        read_scan(path)
    scan = read_scan(path, dataset="/entry/data/z", pixel_size="1 µm")  # its unit stands there
    np.testing.assert_allclose(scan.height[0], DATA * 1e-9)
    scan = read_scan(
        path, dataset="entry/data/z", fast_from="/entry/data/x", slow_from="/entry/data/y", lateral_unit="um"
    )
    np.testing.assert_allclose(scan.height[0], DATA[:, ::-1] * 1e-9)  # its x goes down
    np.testing.assert_allclose(scan.slow, (np.arange(4) - 1.5) * 3e-9)
    scan = read_scan(path, dataset="/entry/data/z", slow_from="/entry/data/y", pixel_size="1 nm")
    np.testing.assert_allclose(scan.slow, (np.arange(4) - 1.5) * 3e-6)
    where = "/entry/data/z@"
    scan = read_scan(path, dataset="/entry/data/z", fast_from=where + "dx", slow_from=where + "dy", lateral_unit="µm")
    assert scan.spacing == pytest.approx((0.25e-6, 0.5e-6))
    scan = read_scan(path, **SAID, dataset=["/entry/data/z", "/entry/data/back"], passes=["trace", "retrace"])
    np.testing.assert_allclose(scan.height[1], (DATA + 1) * 1e-9)
    scan = read_scan(path, **SAID, dataset="/entry/data/stack", pages=2, first_row="top")
    np.testing.assert_allclose(scan.height[0], (DATA[::-1] + 2) * 1e-9)
    scan = read_scan(path, dataset="/counts", pixel_size="1 nm", unit="0.1 nm", offset="1 nm")
    np.testing.assert_allclose(scan.height[0], DATA * 1e-10 + 1e-9)


def test_a_single_image_is_found_and_toml_beside(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["deep/er/z"] = DATA
        file["numbers"] = [1, 2, 3]
    (tmp_path / "a.h5.toml").write_text('pixel_size = "1 nm"\nunit = "nm"\nframe = "up"\n')
    scan = read_scan(tmp_path / "a.h5")
    assert scan.frame == "up"
    assert not [one for one in inspect_scan(scan) if one.kind == "gathered points"]


def test_coordinates_and_packing_of_netcdf(tmp_path: Path) -> None:
    # written by xarray, a general-purpose library, through another library for HDF5
    surface = xarray.DataArray(
        DATA.copy(), dims=("row", "column"), name="topography", attrs={"units": "nm"},
        coords={"row": ("row", np.arange(4.0), {"units": "µm"}), "column": ("column", np.arange(5.0), {"units": "um"})},
    )  # fmt: skip
    packing = {"dtype": "i2", "scale_factor": 0.5, "add_offset": 3.0, "_FillValue": -999}
    surface[0, 0] = np.nan
    surface.to_dataset().to_netcdf(tmp_path / "a.nc", engine="netcdf4", encoding={"topography": packing})
    scan = read_scan(tmp_path / "a.nc")
    assert scan.spacing == pytest.approx((1e-6, 1e-6))
    np.testing.assert_allclose(scan.height[0], surface.values * 1e-9)
    assert np.isnan(scan.height[0, 0, 0])


def test_native_files_stay_native_and_can_be_read_by_path(tmp_path: Path) -> None:
    write_scan(tmp_path / "a.nc", full_scan())
    assert read_scan(tmp_path / "a.nc").passes == ("trace", "retrace")
    scan = read_scan(tmp_path / "a.nc", dataset="/height", pages=2)  # with the coordinates that it names
    np.testing.assert_array_equal(scan.height[0], full_scan().height[1])
    np.testing.assert_allclose(scan.fast, full_scan().fast)


def test_retrace_in_another_file(tmp_path: Path) -> None:
    for name, passes in (("trace.nc", ["trace"]), ("back.nc", ["retrace"])):
        number = ("trace", "retrace").index(passes[0])
        write_scan(
            tmp_path / name,
            full_scan().replace(
                passes=tuple(passes), channels={n: v[number : number + 1] for n, v in full_scan().channels.items()}
            ),
        )
    scan = read_scan(tmp_path / "trace.nc", retrace="back.nc")
    assert scan.passes == ("trace", "retrace")
    np.testing.assert_array_equal(scan.channels["image"], full_scan().channels["image"])
    assert (scan.attributes["file"], scan.attributes["retrace_file"]) == ("trace.nc", "back.nc")
    assert scan.attributes["retrace_sha256"] == sha256(tmp_path / "back.nc")
    with pytest.raises(FileError, match="There is no file"):
        read_scan(tmp_path / "trace.nc", retrace="none.nc")
    write_scan(tmp_path / "small.nc", read_scan(tmp_path / "back.nc").replace(fast=full_scan().fast * 2))
    with pytest.raises(FileError, match="different pixels"):
        read_scan(tmp_path / "trace.nc", retrace="small.nc")
    write_scan(tmp_path / "both.nc", full_scan())
    with pytest.raises(CalibError, match="both passes already"):
        read_scan(tmp_path / "both.nc", retrace="back.nc")


# --- broken and hostile files --------------------------------------------------------------------


def test_nothing_outside_the_file_is_read(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_bytes(DATA.tobytes())
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["z"] = DATA
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["there"] = h5py.ExternalLink("other.h5", "/z")
        file["soft"] = h5py.SoftLink("/there")
        file["group"] = h5py.ExternalLink("other.h5", "/")
        file["loop"] = h5py.SoftLink("/loop")
        file.create_dataset("raw", (4, 5), "f8", external=[(str(secret), 0, 160)])
        layout = h5py.VirtualLayout((4, 5), "f8")
        layout[:] = h5py.VirtualSource(str(tmp_path / "other.h5"), "z", (4, 5))
        file.create_virtual_dataset("virtual", layout)
        file["x"] = h5py.ExternalLink("other.h5", "/x")
        file["z"] = DATA
    for name in ("/there", "/soft", "/group/z", "/loop", "/raw", "/virtual"):
        with pytest.raises(FileError, match=r"is a link to something else|keeps its data in other files"):
            read_scan(tmp_path / "a.h5", **SAID, dataset=name)
    with pytest.raises(FileError, match="is a link to something else"):
        read_scan(tmp_path / "a.h5", unit="nm", dataset="/z", fast_from="/x", slow_from="/x")
    for name in ("/../z", "/none", "/z/deeper", "/"):
        with pytest.raises(FileError, match=r"has no data set|is no data set"):
            read_scan(tmp_path / "a.h5", **SAID, dataset=name)


def test_circles_of_groups_end(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["z"] = DATA
        file.create_group("a")["b"] = file["/"]
    assert read_scan(tmp_path / "a.h5", **SAID).shape == (1, 4, 5)


def test_declared_sizes_are_compared_with_the_file(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file.create_dataset("huge", (2**40, 2**40), "f8", chunks=(64, 64))
        file.create_dataset("empty", (10_000, 10_000), "f8", chunks=(1000, 1000), compression="gzip")
        file.create_dataset("chunk", (4, 4), "f8", chunks=(10_000, 10_000), maxshape=(None, None), compression="gzip")
        file.create_dataset("tiny", (0, 4), "f8")
        file["text"] = np.full((4, 5), b"1.0")
        file["complex"] = DATA * 1j
        file.create_dataset("null", dtype=h5py.Empty("f8").dtype, data=h5py.Empty("f8"))
    assert (tmp_path / "a.h5").stat().st_size < 2e4
    for name, words in (
        ("huge", "more than 134217728 points"),
        ("empty", "far more than the file holds"),
        ("chunk", "far more than the file holds"),
        ("tiny", "is no image"),
        ("text", "holds no numbers"),
        ("complex", "holds no numbers"),
        ("null", "is no data set"),
    ):
        with pytest.raises(FileError, match=words):
            read_scan(tmp_path / "a.h5", **SAID, dataset=name)


def test_many_attributes_and_large_ones(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(native, "MOST_ATTRIBUTES", 50)
    write_scan(tmp_path / "a.nc", full_scan())
    with h5py.File(tmp_path / "a.nc", "a") as file:
        for number in range(51):
            file.attrs[f"a{number}"] = number
    with pytest.raises(FileError, match=r"It has \d+ attributes, which no scan needs"):
        read_scan(tmp_path / "a.nc")
    with h5py.File(tmp_path / "b.h5", "w", libver="latest") as file:
        file["z"] = DATA
        file["z"].attrs["units"] = np.zeros(2**18)
    with pytest.raises(FileError, match="attribute 'units' is too large"):
        read_scan(tmp_path / "b.h5", pixel_size="1 nm")


def test_every_truncation_is_one_sentence(tmp_path: Path) -> None:
    data = made(tmp_path).read_bytes()
    short = tmp_path / "short.h5"
    for length in range(0, len(data), 127):
        short.write_bytes(data[:length])
        with pytest.raises(FileError, match="short"):
            read_scan(short, **SAID, dataset="/entry/data/z")


def test_broken_bytes_are_one_sentence_or_a_scan(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_hdf5_file, "_SECONDS", 1)  # some are circles
    data = made(tmp_path).read_bytes()
    random = np.random.default_rng(3)
    for place in random.integers(0, len(data), 80):
        broken = bytearray(data)
        broken[place] ^= int(random.integers(1, 256))
        (tmp_path / "b.h5").write_bytes(bytes(broken))
        check_sentence(tmp_path / "b.h5", **SAID, dataset="/entry/data/z")
