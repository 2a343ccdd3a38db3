"""Targets for fuzzing: what a reader must do with any bytes, with the seeds of `tests.fuzz.seeds`.

A reader gives a scan that is one, which others can be made of, or raises a `CalibError` of one line. All else is a
defect: another error, a crash, more memory than the target allows, more time than the fuzzer waits.
"""

from __future__ import annotations

import io
import struct
import tempfile
import tomllib
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from calib.errors import CalibError
from calib.formats import read_scan
from calib.formats._fields import to_attributes, to_toml
from calib.formats._toml import dumps
from tests.fuzz import seeds
from tests.fuzz.seeds import MARK

IMAGE = {"unit": "nm", "pixel_size": "2 nm"}
"""What has to be said of files that leave it out."""

# In memory where the system has a place for it: thousands of files a second are opened.
_folder = tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None)


def _read(name: str, data: bytes, *said: dict[str, Any], beside: bytes | None = None) -> None:
    """Read bytes as a file, with nothing said and then with each of ``said``, until a scan comes of it."""
    path = Path(_folder.name, name)
    path.write_bytes(data)
    if beside is not None:
        path.with_suffix(".toml").write_bytes(beside)
    size = len(data) + len(beside or b"")
    for options in ({}, *said):
        try:
            scan = read_scan(path, **options)
        except CalibError as error:
            words = str(error)
            assert path.stem in words or words.startswith("There is no option"), words
            assert "\n" not in words, words
            assert len(words) < 1200, words
            assert "memory of this computer" not in words, words
            continue
        # Gaps and zeros that nobody wrote may be as many as a small file of HDF5 declares.
        assert sum(values.size for values in scan.channels.values()) <= 2**24 + 2000 * size, "more points than it holds"
        for values in scan.channels.values():
            assert values.dtype in (np.float32, np.float64)
            assert not np.isinf(values).any()
        assert scan.fast.size * scan.slow.size * len(scan.passes) == scan.values.size > 0
        to_attributes(scan)
        tomllib.loads(dumps(to_toml(scan)))
        return


def _x3p_main(data: bytes) -> None:
    main, _, points = data.partition(MARK)
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as file:
        file.writestr("main.xml", main)
        file.writestr("bindata/data.bin", points)
        file.writestr("bindata/valid.bin", points[:2])
    _read("input.x3p", stream.getvalue())


def _tiff_text(data: bytes) -> None:
    """Put an image description into a TIFF of two pages."""
    out = bytearray(b"II*\0" + struct.pack("<I", 8))
    for number in range(2):
        entries = [(256, 3, 1, 2), (257, 3, 1, 1), (258, 3, 1, 16), (262, 3, 1, 1), (277, 3, 1, 1), (278, 3, 1, 1)]
        after = len(out) + 2 + 12 * 11 + 4
        entries += [(270, 2, len(data), after + 20), (273, 4, 1, after), (279, 4, 1, 4)]
        entries += [(282, 5, 1, after + 4), (283, 5, 1, after + 12)]
        out += struct.pack("<H", len(entries))
        for entry in sorted(entries):
            out += struct.pack("<HHII", *entry)
        last = number == 1
        out += struct.pack("<I", 0 if last else after + 20 + len(data))
        out += struct.pack("<2h", 3, -4) + struct.pack("<4I", 1, 2, 1, 2) + data
    _read("input.tif", bytes(out), IMAGE)


def _toml(data: bytes) -> None:
    table, _, text = data.partition(MARK)
    _read("beside.txt", text, beside=table)


_XYZ = {"lateral_unit": "nm", "unit": "nm"}
_FROM = {**IMAGE, "dataset": "/entry/data/z"}
_OF_NPZ = {**IMAGE, "dataset": "h", "fast_from": "x", "lateral_unit": "nm"}

TARGETS: dict[str, tuple[Callable[[], Iterator[bytes]], Callable[[bytes], None]]] = {
    "sdf": (lambda: seeds.iso(".sdf"), lambda data: _read("input.sdf", data)),
    "x3p": (lambda: seeds.iso(".x3p"), lambda data: _read("input.x3p", data)),
    "x3p_main": (seeds.x3p_descriptions, _x3p_main),
    "tiff": (seeds.tiff, lambda data: _read("input.tif", data, IMAGE, {**IMAGE, "pages": 1})),
    "tiff_text": (seeds.tiff_texts, _tiff_text),
    "native": (seeds.native, lambda data: _read("input.nc", data, {"dataset": "/height"})),
    "hdf5": (
        seeds.hdf5,
        lambda data: _read("input.h5", data, {"dataset": "/z", **IMAGE, "pages": 1}, _FROM,
                           {"dataset": "/gzip", **IMAGE, "pages": [1, 2], "passes": ["trace", "retrace"]},
                           {"dataset": "/entry/data/z", "slow_from": "/entry/data/z@step", "lateral_unit": "nm"}),
    ),
    "npy": (seeds.npy, lambda data: _read("input.npy", data, IMAGE, {**IMAGE, "pages": 1})),
    "npz": (seeds.npz, lambda data: _read("input.npz", data, IMAGE, _OF_NPZ)),
    "text": (seeds.matrices, lambda data: _read("input.txt", data, IMAGE)),
    "csv": (seeds.matrices, lambda data: _read("input.csv", data, {"pixel_size": "2 nm"})),
    "xyz": (seeds.points, lambda data: _read("input.xyz", data, _XYZ)),
    "toml": (seeds.tables, _toml),
}  # fmt: skip
"""Name to (seeds, what is to be done with bytes)."""


def mutated(found: list[bytes], count: int, seed: int = 0) -> Iterator[bytes]:
    """Yield seeds with a few bytes changed, cut out, repeated or put in, the same ones each time."""
    random = np.random.default_rng(seed)
    tokens = (
        b"\0",
        b"\xff",
        b"-1",
        b"1e400",
        b"nan",
        b"99999999999",
        b"<",
        b">",
        b"*",
        b"=",
        b"\r\n",
        b"..",
        b"PK\5\6",
    )
    for _ in range(count):
        data = bytearray(found[random.integers(len(found))])
        for _ in range(random.integers(1, 6)):
            start = int(random.integers(len(data) + 1))
            length = int(random.integers(1, 9))
            match random.integers(4):
                case 0:
                    data[start : start + length] = random.bytes(length)
                case 1:
                    del data[start : start + length]
                case 2:
                    data[start:start] = data[start : start + length]
                case _:
                    data[start : start + length] = tokens[random.integers(len(tokens))]
        yield bytes(data)
