"""Targets for fuzzing: what a reader must do with any bytes, and seeds that our own writers made.

A reader gives a scan, or raises a `CalibError` of one line. All else is a defect: another error, a crash, more memory
than the fuzzer allows, more time than it waits.
"""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from calib.errors import CalibError
from calib.formats import sdf, x3p
from calib.scan import Scan

MARK = b"\n--data--\n"
"""Stands between description and data in the bytes of the target ``x3p_main``."""


def _scan(rows: int = 3, columns: int = 4) -> Scan:
    heights = np.random.default_rng(5).normal(size=(2, rows, columns)) * 1e-8
    heights[1, 0, 1] = np.nan
    return Scan(
        channels={"height": heights},
        fast=(np.arange(columns) - (columns - 1) / 2) * 1e-8,
        slow=(np.arange(rows) - (rows - 1) / 2) * 2e-8,
        passes=("trace", "retrace"),
        title="seed",
        line_period=0.5,
        attributes={"model_sha256": "ab" * 32, "count": 3},
    )


def _files(suffix: str) -> Iterator[bytes]:
    module = {".sdf": sdf, ".x3p": x3p}[suffix]
    uneven = _scan().replace(fast=np.array([0, 1, 2, 5]) * 1e-8)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "seed" + suffix)
        for scan in (_scan(), uneven):
            for storage in ("binary", "text"):
                for kind in ("int8", "int16", "int32", "float32", "float64"):
                    try:
                        module.write(path, scan, passes="retrace", storage=storage, data_type=kind, force=True)
                    except CalibError:
                        continue  # what a format can't hold
                    yield path.read_bytes()
        if suffix == ".x3p":
            x3p.write(path, _scan(), force=True)
            yield path.read_bytes()


def _descriptions() -> Iterator[bytes]:
    for data in _files(".x3p"):
        with zipfile.ZipFile(io.BytesIO(data)) as file:
            points = file.read("bindata/data.bin") if "bindata/data.bin" in file.namelist() else b""
            # Without check sums, which no mutation would meet.
            main = file.read("main.xml").replace(b"MD5Checksum", b"Unchecked")
            yield main + MARK + points


def _read(module: object, data: bytes, suffix: str) -> None:
    path = Path(_folder.name, "input" + suffix)
    path.write_bytes(data)
    words, points = "", 0
    try:
        points = module.read(path).values.size  # type: ignore[attr-defined]
    except CalibError as error:
        words = str(error)
    assert points or path.name in words, words
    assert "\n" not in words, words
    assert points <= 2**20 + 200 * len(data), "more points than the file can hold"


# In memory where the system has a place for it: thousands of files a second are opened.
_folder = tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None)


def _read_description(data: bytes) -> None:
    main, _, points = data.partition(MARK)
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as file:
        file.writestr("main.xml", main)
        file.writestr("bindata/data.bin", points)
        file.writestr("bindata/valid.bin", points[:2])
    _read(x3p, stream.getvalue(), ".x3p")


TARGETS: dict[str, tuple[Callable[[], Iterator[bytes]], Callable[[bytes], None]]] = {
    "sdf": (lambda: _files(".sdf"), lambda data: _read(sdf, data, ".sdf")),
    "x3p": (lambda: _files(".x3p"), lambda data: _read(x3p, data, ".x3p")),
    "x3p_main": (_descriptions, _read_description),
}
"""Name to (seeds, what is to be done with bytes)."""


def mutated(seeds: list[bytes], count: int, seed: int = 0) -> Iterator[bytes]:
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
        data = bytearray(seeds[random.integers(len(seeds))])
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
