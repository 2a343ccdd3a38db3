"""Seeds for fuzzing: a small file or two of every kind that a reader knows, made here by our own and other writers."""

from __future__ import annotations

import gzip
import io
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from calib.errors import CalibError
from calib.formats import read_scan, sdf, write_scan, x3p
from calib.scan import Scan

MARK = b"\n--data--\n"
"""Stands between description and data in the bytes of the target ``x3p_main``, between table and text in ``toml``."""

HEIGHTS = np.round(np.random.default_rng(5).normal(size=(2, 3, 4)), 3)


def scan(**changes: Any) -> Scan:
    """Return a small scan of two passes."""
    heights = HEIGHTS * 1e-8
    heights[1, 0, 1] = np.nan
    made = Scan(
        channels={"height": heights},
        fast=(np.arange(4) - 1.5) * 1e-8,
        slow=(np.arange(3) - 1.0) * 2e-8,
        passes=("trace", "retrace"),
        title="seed",
        line_period=0.5,
        attributes={"model_sha256": "ab" * 32, "count": 3},
    )
    return made.replace(**changes)


def _two_channels() -> Scan:
    one = scan()
    return one.replace(channels={**one.channels, "current": one.height.astype(np.float32)}, units={"current": "A"})


def _made(name: str, write: Callable[[Path], object]) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, name)
        write(path)
        return path.read_bytes()


def iso(suffix: str) -> Iterator[bytes]:
    """Yield SDF or X3P files of every type, in either storage."""
    module = {".sdf": sdf, ".x3p": x3p}[suffix]
    uneven = scan(fast=np.array([0, 1, 2, 5]) * 1e-8)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "seed" + suffix)
        for one in (scan(), uneven):
            for storage in ("binary", "text"):
                for kind in ("int8", "int16", "int32", "float32", "float64"):
                    try:
                        module.write(path, one, passes="retrace", storage=storage, data_type=kind, force=True)
                    except CalibError:
                        continue  # what a format can't hold
                    yield path.read_bytes()
        if suffix == ".x3p":
            x3p.write(path, scan(), force=True)
            yield path.read_bytes()


def x3p_descriptions() -> Iterator[bytes]:
    """Yield descriptions and data of X3P files, to be packed when they are read."""
    for data in iso(".x3p"):
        with zipfile.ZipFile(io.BytesIO(data)) as file:
            points = file.read("bindata/data.bin") if "bindata/data.bin" in file.namelist() else b""
            # Without check sums, which no mutation would meet.
            yield file.read("main.xml").replace(b"MD5Checksum", b"Unchecked") + MARK + points


def tiff() -> Iterator[bytes]:
    """Yield TIFF files of all types and ways of packing, by our own writer, tifffile and Pillow."""
    import tifffile
    from PIL import Image

    for one in (scan(), _two_channels(), scan(fast=np.array([0, 1, 2, 5]) * 1e-8)):
        yield _made("a.tif", lambda path, one=one: write_scan(path, one))  # type: ignore[misc]

    def saved(data: Any, **options: Any) -> bytes:
        return _made("a.tif", lambda path: tifffile.imwrite(path, data, photometric="minisblack", **options))

    for kind in ("u1", "i1", "u2", "i2", "u4", "i4", "f2", "f4", "f8"):
        data = (HEIGHTS * 20).astype(kind) if kind[0] != "u" else np.abs(HEIGHTS * 20).astype(kind)
        yield saved(data, resolution=(5e6, 5e6), resolutionunit="CENTIMETER", metadata=None)
        yield saved(data[0], byteorder=">", bigtiff=kind == "u2", metadata=None, compression="zlib", rowsperstrip=2)
    yield saved(HEIGHTS[0], tile=(16, 16), description="unit=nm\nimages=1", resolution=(0.5, 0.5), metadata=None)
    yield saved(np.abs(HEIGHTS[0] * 20).astype("u2"), compression="zlib", predictor=True, metadata=None)
    yield saved(HEIGHTS.astype("f4"), ome=True, metadata={"axes": "CYX", "PhysicalSizeX": 2.0})
    for packing in ("tiff_lzw", "packbits", "tiff_adobe_deflate"):
        picture = Image.fromarray((HEIGHTS[0] * 20).astype("u1"))
        yield _made("a.tif", lambda path, way=packing, one=picture: one.save(path, compression=way))  # type: ignore[misc]


def tiff_texts() -> Iterator[bytes]:
    """Yield image descriptions, to be put into a TIFF file when they are read."""
    import tifffile

    for data in tiff():
        with tifffile.TiffFile(io.BytesIO(data)) as file:
            tag = file.pages.first.tags.get(270)
        if tag is not None and isinstance(tag.value, str):
            yield tag.value.encode()
    yield b"unit=nm"
    yield b"unit=\\u00B5m\nimages=2\nslices=2"
    yield (
        b'<?xml version="1.0"?><OME xmlns="http://www.openmicroscopy.org/Schemas/OME/2016-06"><Image ID="Image:0">'
        b'<Pixels PhysicalSizeX="2" PhysicalSizeXUnit="nm" PhysicalSizeY="0.002"><Channel Name="a"/></Pixels>'
        b"</Image></OME>"
    )


def native() -> Iterator[bytes]:
    """Yield native files, by our own writer and by xarray."""
    for one in (scan(), _two_channels(), scan(slow=np.array([0, 1, 5]) * 1e-8)):
        yield _made("a.nc", lambda path, one=one: write_scan(path, one))  # type: ignore[misc]
    data = scan().to_xarray()
    for engine in ("h5netcdf", "netcdf4"):
        yield _made("a.nc", lambda path, engine=engine: data.to_netcdf(path, engine=engine))  # type: ignore[misc]
    packed = data.isel({"pass": 0}, drop=True)
    encoding = {"height": {"dtype": "int16", "scale_factor": 1e-10, "_FillValue": -9999}}
    yield _made("a.nc", lambda path: packed.to_netcdf(path, engine="h5netcdf", encoding=encoding))


def hdf5() -> Iterator[bytes]:
    """Yield HDF5 files of other layouts: old and new versions of the format, all ways to keep data."""
    import h5py

    def filled(path: Path, **options: Any) -> None:
        with h5py.File(path, "w", **options) as file:
            group = file.create_group("entry/data")
            z = group.create_dataset("z", data=(HEIGHTS[0] * 1000).astype(">i2"))
            z.attrs.update({"units": "nm", "scale_factor": 0.5, "_FillValue": np.int16(0)})
            group["x"] = np.arange(4) * 2.0
            group["x"].attrs["units"] = "nm"
            group["x"].make_scale("x")
            z.dims[1].attach_scale(group["x"])
            z.attrs["step"] = 0.25
            file["text"] = "words"

    def stacked(path: Path, **options: Any) -> None:
        with h5py.File(path, "w", **options) as file:
            for name, how in {"z": {}, "gzip": {"compression": "gzip", "shuffle": True, "fletcher32": True}}.items():
                file.create_dataset(name, data=HEIGHTS, chunks=(1, 2, 2), maxshape=(None, 3, 4), **how)
            file["loop"] = h5py.SoftLink("/loop")
            file["out"] = h5py.ExternalLink("other.h5", "/z")

    for fill in (filled, stacked):
        for options in ({}, {"libver": "latest"}, {"userblock_size": 512}):
            yield _made("a.h5", lambda path, fill=fill, options=options: fill(path, **options))  # type: ignore[misc]


def npy() -> Iterator[bytes]:
    """Yield bare arrays."""
    for kind in ("u1", "i2", ">i4", "f2", "f4", ">f8", "i8", "c8", "b1", "U2"):
        stream = io.BytesIO()
        np.save(stream, np.asfortranarray(HEIGHTS.astype(kind)) if kind == "f4" else HEIGHTS[0].astype(kind))
        yield stream.getvalue()
    stream = io.BytesIO()
    np.lib.format.write_array(stream, HEIGHTS[0], version=(2, 0))
    yield stream.getvalue()


def npz() -> Iterator[bytes]:
    """Yield archives of arrays."""
    for save in (np.savez, np.savez_compressed):
        for arrays in ({"h": HEIGHTS[0]}, {"h": HEIGHTS[0], "x": np.arange(4.0)}, {"a/b": HEIGHTS.astype("i2")}):
            stream = io.BytesIO()
            save(stream, **arrays)
            yield stream.getvalue()


_MATRIX = "\n".join(" ".join(map(str, row)) for row in HEIGHTS[0].tolist()) + "\n"


def matrices() -> Iterator[bytes]:
    """Yield text matrices: every separator, decimal commas, headers, gaps, encodings, packed ones."""
    table = [
        _MATRIX,
        "# a comment\n" + _MATRIX + "\n# retrace\n" + _MATRIX,
        _MATRIX.replace(" ", "\t"),
        _MATRIX.replace(" ", ","),
        _MATRIX.replace(" ", ";").replace(".", ","),
        _MATRIX.replace(" ", ";\r\n", 0).replace("\n", ";\n").replace(" ", ";"),
        "height (nm)\n" + _MATRIX.replace(" ", ","),
        "z [µm]\r\n" + _MATRIX.replace("\n", "\r\n"),
        "1,nan,3\n4,,BAD\ninf,8,9\n",
    ]
    for text in table:
        yield text.encode()
    yield ("z/nm\n" + _MATRIX).encode("utf-16")
    yield b"\xef\xbb\xbf" + _MATRIX.encode()
    yield gzip.compress(_MATRIX.encode(), mtime=0)


def points() -> Iterator[bytes]:
    """Yield lists of points: on a grid, on none, with headers and several channels."""
    on_grid = [(x, y, HEIGHTS[0, y, x]) for y in range(3) for x in range(4)]
    text = "".join(f"{x} {y} {z}\n" for x, y, z in on_grid)
    random = np.random.default_rng(1).normal(size=(12, 3)).round(3).tolist()
    yield text.encode()
    yield text.replace("\n0 ", "\n\n0 ").encode()
    yield ("x (µm), y (µm), height (nm)\n" + text.replace(" ", ",")).encode()
    yield ("# x in m, y in m, height in m\n" + text).encode()
    yield ("x [nm]\ty [nm]\tz [nm]\n" + text.replace(" ", "\t")).encode()
    yield "".join(f"{x};{y};{z}\n" for x, y, z in random).replace(".", ",").encode()
    yield ("x (nm), y (nm), a (nm), b (V)\n" + "".join(f"{x},{y},{z},{z}\n" for x, y, z in on_grid[::-1])).encode()
    yield gzip.compress(text.encode(), mtime=0)


_TABLE = """pixel_size = ["50 nm", "0.05 µm"]
unit = "0.01 nm"
offset = "-3 nm"
no_data = [-32768, 1e9]
first_row = "top"
first_column = "right"
passes = ["trace", "retrace"]
retrace_reversed = true
frame = "up"
line_period = "0.5 s"
turnaround = "20 ms"
started = 2026-03-01T09:30:00+01:00
temperature = "21.5 °C"
rotation = "5°"
skip_lines = 0
delimiter = "space"
[attributes]
operator_note = "after service"
[controller]
gain = 3
"""


def tables() -> Iterator[bytes]:
    """Yield TOML files, each with the text that it belongs to behind a mark."""
    yield _TABLE.encode() + MARK + (_MATRIX + "\n" + _MATRIX).encode()
    yield b'range = "20 nm"\nrange_counts = "pixels"\nunit = "nm"' + MARK + _MATRIX.encode()
    yield (
        b'fast = ["1 nm", "2 nm", "3 nm", "9 nm"]\nslow = ["1 nm", "2 nm", "4 nm"]\nunit = "nm"'
        + MARK
        + _MATRIX.encode()
    )
    yield (
        b'columns = ["x", "y", "a"]\nlateral_unit = "nm"\nunit = "V"\nmiddle = ["1 nm", "1 nm"]' + MARK + next(points())
    )
    yield b'points = true\nlateral_unit = "nm"\nunit = "nm"\npixel_size = "1 nm"' + MARK + next(points())
    yield (
        b'channels = ["height", "current"]\nunit = ["nm", "A"]\npixel_size = "1 nm"'
        + MARK
        + (_MATRIX + "\n" + _MATRIX).encode()
    )
    with tempfile.TemporaryDirectory() as folder:
        for name, one in (
            ("a.txt", scan()),
            ("a.csv", scan(passes=("trace",), channels={"height": scan().height[:1]})),
        ):
            path = Path(folder, name)
            write_scan(path, one, force=True)
            assert read_scan(path).passes == one.passes
            yield path.with_suffix(".toml").read_bytes() + MARK + path.read_bytes()
