"""NumPy files, ``.npy`` and ``.npz``: read only, and never anything but plain numbers."""

from __future__ import annotations

import contextlib
import io
import zipfile
from pathlib import Path
from typing import IO, Any, NoReturn

import numpy as np
from numpy.lib import format as npy
from numpy.typing import NDArray

from calib.errors import FileError
from calib.formats import MAX_POINTS
from calib.formats._beside import read_settings
from calib.formats._broken import one_sentence
from calib.formats._given import make_scan
from calib.formats._stack import STACK_OPTIONS, Stored, images_of
from calib.formats._zip import check_packing
from calib.formats.joining import with_retrace
from calib.scan import Scan

NAME = "a NumPy file"
SUFFIXES = (".npy", ".npz")
READ_OPTIONS = STACK_OPTIONS
WRITE_OPTIONS: tuple[str, ...] = ()

_NPY = b"\x93NUMPY"
_ZIP = b"PK\x03\x04"
_MOST_ARRAYS = 1024
_LONGEST_HEADER = 10_000  # bytes, as much as the library takes
_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)


def recognise(head: bytes, path: Path) -> bool:
    """Tell by the signature of ``.npy``, or by that of a zip whose first member is one."""
    if head.startswith(_NPY):
        return True
    name = head[30 : 30 + int.from_bytes(head[26:28], "little")] if head.startswith(_ZIP) else b""
    return name.endswith(b".npy")


def read(path: Path, *, channel: str | None = None, **options: Any) -> Scan:
    """Read a NumPy file; options as in ``docs/reference/formats.md``.

    Raises
    ------
    FileError
        If it is not said what the array means, or the file is broken, or holds anything but numbers.
    """
    settings = read_settings(path, options, READ_OPTIONS)
    return with_retrace(path, settings, channel, lambda given: _read(path, given, channel))


def write(path: Path, scan: Scan, *, force: bool = False) -> NoReturn:
    """Refuse: such a file has no place for what is known of a scan."""
    raise FileError(f"{path} can't be written: NumPy files hold bare numbers; write .nc, which h5py and xarray open.")


def _read(path: Path, settings: dict[str, Any], channel: str | None) -> Scan:
    with open(path, "rb") as stream:
        packed = not stream.read(6).startswith(_NPY)
    with one_sentence(path), zipfile.ZipFile(path) if packed else contextlib.nullcontext() as archive:
        arrays = _members(archive) if archive is not None else {path.stem: _single(path)}

        def find(name: str) -> Stored:
            if name not in arrays:
                raise FileError(f"it has no array {name!r}; it has {', '.join(list(arrays)[:8])}.")
            return arrays[name]

        listing = [(name, one) for name, one in arrays.items() if len(one.shape) >= 2 and one.dtype.kind in "fiu"]
        if archive is None:
            settings = {**settings, "dataset": path.stem}
        images, settings = images_of(find, listing, settings)
        return make_scan(images, settings, channel, path)


def _single(path: Path) -> Stored:
    with open(path, "rb") as stream:
        shape, dtype, fortran = _header(stream, path.stat().st_size)
        start = stream.tell()

    def load(index: int | tuple[int, ...] | None) -> NDArray[Any]:
        with open(path, "rb") as stream:
            stream.seek(start)
            return _part(np.fromfile(stream, dtype, _count(shape)), shape, fortran, index)

    return Stored(shape, dtype, load)


def _members(archive: zipfile.ZipFile) -> dict[str, Stored]:
    members = archive.infolist()
    if len(members) > _MOST_ARRAYS:
        raise FileError(f"it holds more than {_MOST_ARRAYS} arrays, which no scan needs.")
    found: dict[str, Stored] = {}
    for member in members:
        if not member.filename.endswith(".npy") or member.flag_bits & 1 or member.compress_type not in _METHODS:
            raise FileError(f"{member.filename[:60]!r} in it is no array of numbers.")
        name = member.filename[: -len(".npy")]
        check_packing(f"its array {name[:60]!r}", member.file_size, member.compress_size)
        if name in found:
            raise FileError(f"it holds two arrays named {name[:60]!r}.")
        with archive.open(member) as stream:
            shape, dtype, fortran = _header(stream, member.file_size)
        found[name] = Stored(shape, dtype, _loader(archive, member, shape, dtype, fortran))
    return found


def _loader(archive: zipfile.ZipFile, member: zipfile.ZipInfo, shape: Any, dtype: Any, fortran: bool) -> Any:
    def load(index: int | tuple[int, ...] | None) -> NDArray[Any]:
        with archive.open(member) as stream:
            _header(stream, member.file_size)
            # read to the end, so that the check sum of the member is compared
            out = np.empty(_count(shape), dtype)
            view = memoryview(out.view(np.uint8).data)
            done = 0
            while done < len(view) and (piece := stream.read(min(2**22, len(view) - done))):
                view[done : done + len(piece)] = piece
                done += len(piece)
            if done < len(view) or stream.read(1):
                raise FileError(f"{member.filename[:60]!r} in it does not hold the points that it declares.")
        return _part(out, shape, fortran, index)

    return load


def _part(flat: NDArray[Any], shape: tuple[int, ...], fortran: bool, index: Any) -> NDArray[Any]:
    whole = flat.reshape(shape, order="F" if fortran else "C")
    return whole if index is None else whole[index]


def _count(shape: tuple[int, ...]) -> int:
    count = 1
    for length in shape:
        count *= int(length)
    return count


def _header(stream: IO[bytes], size: int) -> tuple[tuple[int, ...], np.dtype[Any], bool]:
    """Read what an array declares, and compare it with what there is."""
    version = npy.read_magic(stream)
    readers = {(1, 0): npy.read_array_header_1_0, (2, 0): npy.read_array_header_2_0}
    if version not in readers:
        raise FileError("it is of a version of the format that holds no plain numbers.")
    width = 2 * version[0]
    # The library would make room for as many bytes as the header is said to have.
    length = int.from_bytes(stream.read(width), "little")
    if length > _LONGEST_HEADER:
        raise FileError(f"it declares a header of {length} bytes, far more than any array needs.")
    stream.seek(-width, io.SEEK_CUR)
    shape, fortran, dtype = readers[version](stream)
    if dtype.hasobject:
        raise FileError("it holds Python objects, which could run any programme and are never read.")
    shape = tuple(int(length) for length in shape)
    if any(length < 0 for length in shape) or _count(shape) * dtype.itemsize != size - stream.tell():
        raise FileError(
            f"it declares {' x '.join(map(str, shape)) or '1'} numbers, which is not what it holds: "
            "it was cut short or is broken."
        )
    if _count(shape) > MAX_POINTS:
        raise FileError(f"it declares more than {MAX_POINTS} points, which no scan needs.")
    return shape, dtype, bool(fortran)
