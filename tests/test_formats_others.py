"""Files that calib had no hand in: every form that is read, by other programs or in packages under open licences."""

import importlib.util
from pathlib import Path
from typing import Any

import cv2
import h5py
import netCDF4
import numpy as np
import pandas
import pytest
import skimage
import tifffile
from PIL import Image

from calib.errors import FileError
from calib.formats import read_scan, write_scan
from calib.scan import Scan
from tests.test_formats_native import full_scan

SURFACES = Path(__file__).parent / "data" / "iso25178"
Z = np.round(np.random.default_rng(3).normal(size=(6, 5)), 3)
SAID = {"unit": "nm", "pixel_size": "2 nm"}


def packaged(package: str, *names: str) -> Path:
    """Return a file that an installed package brings."""
    spec = importlib.util.find_spec(package)
    assert spec is not None
    assert spec.origin is not None
    path = Path(spec.origin).parent.joinpath(*names)
    if not path.exists():
        pytest.skip(f"{package} was installed without its data")
    return path


# --- SDF and X3P: the formulas stand in the program that wrote the files -------------------------


def bumps(columns: int, rows: int, steps: tuple[float, float], waves: tuple[float, float, float]) -> Any:
    """Return heights of a surface of waves, m, and where the files have none."""
    x, y = np.arange(columns) * steps[0], np.arange(rows)[:, None] * steps[1]
    turn = 2 * np.pi
    return 1e-6 * (np.cos(turn * x / waves[0]) * np.cos(turn * y / waves[1]) + 0.3 * np.sin(turn * x / waves[2]))


@pytest.mark.parametrize(
    ("name", "step"),
    [
        ("iso1_surface_int32_binary.sdf", 1e-13),
        ("iso2_surface_int8_ascii.sdf", 2e-8),
        ("iso2_surface_binary32_binary.sdf", 3e-13),
    ],
)
def test_sdf_surfaces(name: str, step: float) -> None:
    expected = bumps(48, 32, (2e-6, 3e-6), (40e-6, 36e-6, 14e-6))
    expected[10:14, 20:30] = np.nan
    scan = read_scan(SURFACES / name)
    np.testing.assert_allclose(scan.height[0], expected, rtol=0, atol=0.51 * step)
    np.testing.assert_allclose(scan.spacing, (2e-6, 3e-6), rtol=1e-14)
    assert scan.attributes["instrument"] == "sdfio"


def test_sdf_profile() -> None:
    x = np.arange(128) * 2e-6
    expected = 1e-6 * (np.sin(2 * np.pi * x / 80e-6) + 0.2 * np.sin(2 * np.pi * x / 17e-6))
    expected[60:64] = np.nan
    scan = read_scan(SURFACES / "iso1_profile_ascii.sdf")
    assert scan.shape == (1, 1, 128)
    np.testing.assert_allclose(scan.height[0, 0], expected, rtol=1e-14, atol=1e-21)


@pytest.mark.parametrize(
    ("name", "size", "gap", "step", "shift"),
    [
        ("surface_int16_2017.x3p", (200, 150), np.s_[40:52, 70:85], 3.85e-11, 0.0),
        ("surface_int32_xml.x3p", (120, 90), np.s_[30:36, 40:50], 5.9e-16, 0.0),
        ("surface_placed_binary.x3p", (120, 90), np.s_[0:0], 4.5e-16, 1.0),
    ],
)
def test_x3p_surfaces(name: str, size: tuple[int, int], gap: Any, step: float, shift: float) -> None:
    expected = bumps(*size, (1e-6, 1e-6), (24e-6, 16e-6, 9e-6)) + shift
    expected[gap] = np.nan
    scan = read_scan(SURFACES / name)
    np.testing.assert_allclose(scan.height[0], expected, rtol=0, atol=0.51 * step)
    np.testing.assert_allclose(scan.spacing, (1e-6, 1e-6), rtol=1e-14)
    assert "wrong_checksum" not in scan.attributes
    tilt = scan.attributes.get("frame_tilt", 0.0)
    assert tilt == pytest.approx(np.radians(10) if shift else 0.0, abs=1e-15)


def test_x3p_layers() -> None:
    path = SURFACES / "profile_layers_binary.x3p"
    with pytest.raises(FileError, match="it holds 3 layers"):
        read_scan(path)
    x = np.arange(256) * 2e-6
    profile = 1e-6 * (np.sin(2 * np.pi * x / 80e-6) + 0.2 * np.sin(2 * np.pi * x / 17e-6))
    scan = read_scan(path, layers=[1, 3], passes=["trace", "retrace"])
    np.testing.assert_allclose(scan.height[:, 0], [profile, 1.4 * profile], rtol=0, atol=1e-13)
    assert np.flatnonzero(np.isnan(read_scan(path, layers=2).height)).tolist() == [100, 101, 102]


# --- files in packages ---------------------------------------------------------------------------


def test_tiff_of_two_pages() -> None:
    """Of scikit-image (BSD-3-Clause)."""
    path = packaged("skimage", "data", "multipage.tif")
    scan = read_scan(path, **SAID, passes=["trace", "retrace"])
    np.testing.assert_allclose(scan.height, skimage.io.imread(path)[:, ::-1] * 1e-9)


def test_npy_and_npz() -> None:
    """Of matplotlib (licence of the matplotlib development team): a table, and the topography of a strait."""
    path = packaged("matplotlib", "mpl-data", "sample_data", "axes_grid", "bivariate_normal.npy")
    np.testing.assert_array_equal(read_scan(path, **SAID).height[0], np.load(path) * 1e-9)
    path = packaged("matplotlib", "mpl-data", "sample_data", "topobathy.npz")
    scan = read_scan(path, dataset="topo", fast_from="longitude", slow_from="latitude", lateral_unit="m", unit="m")
    with np.load(path) as arrays:
        order = 1 if arrays["latitude"][0] < arrays["latitude"][-1] else -1
        np.testing.assert_array_equal(scan.height[0], arrays["topo"][::order])
        np.testing.assert_allclose(scan.spacing[0], np.ptp(arrays["longitude"]) / 119, rtol=1e-6)


@pytest.mark.parametrize("name", ["bears.nc", "example_1.nc"])
def test_classic_netcdf_has_a_sentence(name: str) -> None:
    """Of xarray (Apache-2.0)."""
    with pytest.raises(FileError, match=r"is a classic NetCDF file: save it as NetCDF-4"):
        read_scan(packaged("xarray", "tests", "data", name))


# --- written here by other programs --------------------------------------------------------------


def test_tiff_by_other_writers(tmp_path: Path) -> None:
    picture = (Z * 1000).astype(np.float32)
    cv2.imwrite(str(tmp_path / "cv.tif"), picture, [cv2.IMWRITE_TIFF_COMPRESSION, 1])
    Image.fromarray(picture).save(tmp_path / "pillow.tif", resolution=50000.0, resolution_unit=3)
    for name, options in (("cv", SAID), ("pillow", {"unit": "nm"})):
        scan = read_scan(tmp_path / f"{name}.tif", **options)
        np.testing.assert_array_equal(scan.height[0], picture[::-1].astype(np.float64) * 1e-9)
    assert read_scan(tmp_path / "pillow.tif", unit="nm").spacing == pytest.approx((200e-9, 200e-9))


def test_netcdf_by_the_library_of_the_format(tmp_path: Path) -> None:
    with netCDF4.Dataset(tmp_path / "a.nc", "w") as file:
        for name, count in (("y", 6), ("x", 5)):
            file.createDimension(name, count)
            axis = file.createVariable(name, "f8", (name,))
            axis[:], axis.units = np.arange(count) * 2.0, "nm"
        heights = file.createVariable("z", "i2", ("y", "x"), zlib=True, fill_value=-1)
        heights.units, heights.scale_factor = "nm", 0.001
        heights[:] = np.ma.masked_less(Z, -1)
    scan = read_scan(tmp_path / "a.nc", dataset="/z")
    np.testing.assert_allclose(scan.height[0], np.where(Z < -1, np.nan, Z * 1e-9), rtol=0, atol=0.51e-12)
    assert scan.spacing == pytest.approx((2e-9, 2e-9))


def test_texts_by_other_writers(tmp_path: Path) -> None:
    np.savetxt(tmp_path / "numpy.txt", Z, header="heights in nm", delimiter="\t")
    pandas.DataFrame(Z).to_csv(tmp_path / "pandas.csv", index=False, header=False)
    x, y = np.meshgrid(np.arange(5) * 2.0, np.arange(6) * 2.0)
    table = pandas.DataFrame({"x (nm)": x.ravel(), "y (nm)": y.ravel(), "height (nm)": Z.ravel()})
    table.to_csv(tmp_path / "points.csv", index=False)
    table.to_csv(tmp_path / "points.xyz", index=False, header=False, sep=" ")
    for name, options in (
        ("numpy.txt", SAID),
        ("pandas.csv", SAID),
        ("points.csv", {}),
        ("points.xyz", {"lateral_unit": "nm", "unit": "nm"}),
    ):
        scan = read_scan(tmp_path / name, **options)
        np.testing.assert_allclose(scan.height[0], Z * 1e-9, rtol=1e-15)
        assert scan.spacing == pytest.approx((2e-9, 2e-9))


# --- ours in the hands of others -----------------------------------------------------------------


def one_pass() -> Scan:
    """Return a scan with a gap."""
    scan = full_scan()
    return scan.replace(channels={"height": scan.height[1:]}, units={}, channel="", passes=("retrace",))


@pytest.mark.parametrize("name", ["a.txt", "a.csv", "a.tsv", "a.txt.gz"])
def test_texts_open_in_numpy_and_pandas(tmp_path: Path, name: str) -> None:
    write_scan(tmp_path / name, one_pass())
    mark = {"csv": ",", "tsv": "\t"}.get(name[2:5], " ")
    np.testing.assert_array_equal(
        np.loadtxt(tmp_path / name, delimiter=mark if mark != " " else None), one_pass().height[0]
    )
    table = pandas.read_csv(tmp_path / name, sep=mark, comment="#", header=None)
    np.testing.assert_allclose(table.to_numpy(), one_pass().height[0], rtol=1e-15)


def test_tiff_opens_in_opencv(tmp_path: Path) -> None:
    write_scan(tmp_path / "a.tif", one_pass())
    np.testing.assert_array_equal(cv2.imread(str(tmp_path / "a.tif"), cv2.IMREAD_UNCHANGED), one_pass().height[0, ::-1])
    np.testing.assert_array_equal(tifffile.imread(tmp_path / "a.tif"), one_pass().height[0, ::-1])


def test_native_files_open_in_netcdf4_and_h5py(tmp_path: Path) -> None:
    write_scan(tmp_path / "a.nc", full_scan())
    with netCDF4.Dataset(tmp_path / "a.nc") as file:
        np.testing.assert_array_equal(np.ma.filled(file["height"][:], np.nan), full_scan().height)
        np.testing.assert_array_equal(file["fast"][:], full_scan().fast)
        assert file["height"].dimensions == ("pass", "slow", "fast")
    with h5py.File(tmp_path / "a.nc") as file:
        np.testing.assert_array_equal(file["height"][()], full_scan().height)
