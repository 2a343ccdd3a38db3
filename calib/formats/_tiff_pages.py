"""Pages of TIFF files: their numbers, and never more memory than the file can fill.

tifffile finds the pages. Their strips and tiles are unpacked here, since it believes whatever size a file declares.
TIFF 6.0 (1992), sections 5, 14 and 15; deflate and the predictor of floats: TIFF technical notes 2 (2002) and 3 (2005).
"""

from __future__ import annotations

import contextlib
import os
import sys
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from calib.errors import FileError
from calib.formats._zip import check_packing

if TYPE_CHECKING:
    from tifffile import TiffPage

Array = NDArray[Any]

_NONE, _DEFLATE = (1,), (8, 32946)
_BY_PILLOW = {5: "LZW", 32773: "PackBits", 34925: "LZMA", 50000: "Zstandard"}
_PILLOW_TYPES = ("u1", "u2", "i2", "f4")
_HIGHEST_RATIO = 1040  # deflate makes of one byte at most 1032
_COLOURS = (2, 3, 5, 6, 8)  # PhotometricInterpretation: RGB, palette, CMYK, YCbCr, L*a*b*


def check(page: TiffPage, number: int, file_size: int) -> None:
    """Refuse a page that is no image of heights, or declares more than the file can hold.

    Raises
    ------
    FileError
        With the reason.
    """
    where = f"page {number}"
    if page.samplesperpixel != 1 or int(page.photometric) in _COLOURS:
        raise FileError(f"{where} is a colour picture, which holds no heights: export the heights themselves.")
    dtype = page.dtype
    if dtype is None or dtype.kind not in "iuf" or page.bitspersample != 8 * dtype.itemsize or page.imagedepth != 1:
        raise FileError(f"{where} has {page.bitspersample} bits a point of a kind that can't be read.")
    rows, columns = page.imagelength, page.imagewidth
    if min(rows, columns, *page.chunks) < 1:
        raise FileError(f"{where} has no points: {columns} x {rows}.")
    compression = int(page.compression)
    if compression not in (*_NONE, *_DEFLATE, *_BY_PILLOW):
        raise FileError(
            f"{where} is packed by method {compression}, which can't be read: save it unpacked, or with deflate."
        )
    needed, stored = rows * columns * dtype.itemsize, sum(page.databytecounts)
    check_packing(where, needed, stored)
    inside = all(
        offset > 0 and count > 0 and offset + count <= file_size
        for offset, count in zip(page.dataoffsets, page.databytecounts, strict=True)
    )
    pieces = int(np.prod([-(-whole // part) for whole, part in zip((rows, columns), page.chunks, strict=True)]))
    unpacks_to = stored * (1 if compression in _NONE else _HIGHEST_RATIO if compression in _DEFLATE else 2**16)
    if not inside or stored > file_size or len(page.dataoffsets) != pieces or needed > unpacks_to:
        raise FileError(
            f"{where} declares {columns} x {rows} points, which the file does not hold: it was cut short or is broken."
        )


def load(path: Path, page: TiffPage, index: int) -> Array:
    """Return the numbers of a page that `check` has passed, shape ``(rows, columns)``.

    Raises
    ------
    FileError
        If they are not what the page says.
    """
    if int(page.compression) in _BY_PILLOW:
        return _by_pillow(path, page, index)
    rows, columns = page.imagelength, page.imagewidth
    dtype = np.dtype(page.dtype)
    stored = dtype.newbyteorder(page.parent.byteorder)
    out = np.empty((rows, columns), dtype=dtype)
    high, wide = page.chunks
    across = -(-columns // wide)
    with open(path, "rb") as stream:
        for number, (offset, count) in enumerate(zip(page.dataoffsets, page.databytecounts, strict=True)):
            top, left = number // across * high, number % across * wide
            shape = (high if page.is_tiled else min(high, rows - top), wide)
            data = _bytes(stream, offset, count, shape[0] * wide * dtype.itemsize, int(page.compression) in _DEFLATE)
            values = _undo(data, shape, stored, int(page.predictor))
            out[top : top + high, left : left + wide] = values[: rows - top, : columns - left]
    return out


def _bytes(stream: BinaryIO, offset: int, count: int, expected: int, packed: bool) -> bytes:
    stream.seek(offset)
    if packed:
        data = zlib.decompressobj().decompress(stream.read(count), expected)
    else:
        data = stream.read(min(count, expected))
    if len(data) != expected:
        raise FileError("one of its strips or tiles is too short: it was cut short or is broken.")
    return data


def _undo(data: bytes, shape: tuple[int, int], stored: np.dtype[Any], predictor: int) -> Array:
    """Undo differences between neighbours, which make data easier to pack."""
    if predictor == 1:
        return np.frombuffer(data, dtype=stored).reshape(shape)
    if predictor == 2 and stored.kind in "iu":
        values = np.frombuffer(data, dtype=stored).reshape(shape).astype(stored.newbyteorder("="))
        return np.cumsum(values, axis=1, dtype=values.dtype)
    if predictor == 3 and stored.kind == "f":
        rows, columns = shape
        planes = np.frombuffer(data, dtype=np.uint8).reshape(rows, stored.itemsize * columns)
        summed = np.cumsum(planes, axis=1, dtype=np.uint8).reshape(rows, stored.itemsize, columns)
        # the planes go from the highest byte to the lowest
        return np.ascontiguousarray(summed.transpose(0, 2, 1)).view(stored.newbyteorder(">")).reshape(shape)
    raise FileError(f"it is packed with the predictor {predictor}, which can't be read: save it unpacked.")


@contextlib.contextmanager
def _silent_library() -> Iterator[None]:
    """Keep from the terminal what a library in C writes there of its own accord."""
    sys.stderr.flush()
    try:
        kept = os.dup(2)
    except OSError:  # there is no terminal
        yield
        return
    try:
        with open(os.devnull, "wb") as nowhere:
            os.dup2(nowhere.fileno(), 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)


def _by_pillow(path: Path, page: TiffPage, index: int) -> Array:
    import warnings

    from PIL import Image

    dtype = np.dtype(page.dtype)
    if dtype.str[1:] not in _PILLOW_TYPES or int(page.photometric) != 1:
        name = _BY_PILLOW[int(page.compression)]
        raise FileError(f"its numbers are packed with {name}, which can't be read: save it unpacked, or with deflate.")
    with warnings.catch_warnings(), _silent_library():
        warnings.simplefilter("ignore")  # what is wrong is told of in one sentence
        with Image.open(path) as image:
            image.seek(index)
            values = np.array(image)
    if values.shape != (page.imagelength, page.imagewidth):
        raise FileError("its page has another size than it says: it is broken.")
    return values.astype(dtype)
