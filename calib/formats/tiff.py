"""TIFF: images of integers or floats, one or several pages; written as OME-TIFF, which every reader of TIFF opens."""

from __future__ import annotations

import contextlib
import logging
import uuid
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import FileError
from calib.files import write_atomically
from calib.formats import MAX_POINTS
from calib.formats._beside import read_settings
from calib.formats._broken import one_sentence
from calib.formats._given import IMAGE_OPTIONS, SAID, Image, choose, make_scan, over, to_settings
from calib.formats._toml import dumps
from calib.formats.joining import with_retrace
from calib.scan import Scan

if TYPE_CHECKING:
    from tifffile import TiffPage

NAME = "a TIFF image"
SUFFIXES = (".tif", ".tiff")
READ_OPTIONS = (*IMAGE_OPTIONS, "pages", *SAID)
WRITE_OPTIONS = ("channel",)

_SIGNATURES = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_MOST_PAGES = 256
_TILE = 256  # points along an edge
_LARGEST_CLASSIC = 2**32 - 2**25  # bytes


def recognise(head: bytes, path: Path) -> bool:
    """Tell by the signature, of either byte order, classic or BigTIFF."""
    return head.startswith(_SIGNATURES)


# --- reading -------------------------------------------------------------------------------------


def read(path: Path, *, channel: str | None = None, **options: Any) -> Scan:
    """Read a TIFF file; options as in ``docs/reference/formats.md``.

    Raises
    ------
    FileError
        If size or unit are not known, or it is broken or no image of heights.
    """
    settings = read_settings(path, options, READ_OPTIONS)
    return with_retrace(path, settings, channel, lambda given: _read(path, given, channel))


def _read(path: Path, settings: Mapping[str, Any], channel: str | None) -> Scan:
    import tifffile

    from calib.formats._tiff_pages import check, load
    from calib.formats._tiff_said import said_by

    with one_sentence(path), _quiet(), tifffile.TiffFile(path) as file:
        pages = list(_pages(file))
        full = [number for number, page in enumerate(pages, 1) if not page.is_reduced] or [1]
        chosen = choose(settings.get("pages"), len(pages), "pages") or full
        for number in chosen:
            check(pages[number - 1], number, path.stat().st_size)
        if sum(pages[number - 1].imagelength * pages[number - 1].imagewidth for number in chosen) > MAX_POINTS:
            raise FileError(f"It declares more than {MAX_POINTS} points, which no scan needs.")
        images = [
            Image(
                (pages[number - 1].imagelength, pages[number - 1].imagewidth),
                lambda number=number: load(path, pages[number - 1], number - 1),  # type: ignore[misc]
            )
            for number in chosen
        ]
        settings = over(said_by([pages[number - 1] for number in full]), settings, chosen == full)
        return make_scan(images, settings, channel, path, first_row="top", noun=("page", "pages"))


def _pages(file: Any) -> Iterator[TiffPage]:
    for index in range(_MOST_PAGES + 1):
        try:
            page = file.pages[index]
        except IndexError:
            break
        if index == _MOST_PAGES:
            raise FileError(f"It has more than {_MOST_PAGES} pages, which no scan needs.")
        yield page
    else:
        return
    if not index:
        raise FileError("It has no pages.")


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    # tifffile logs what it finds odd, which would reach the terminal if nobody listened
    logger, nobody = logging.getLogger("tifffile"), logging.NullHandler()
    logger.addHandler(nobody)
    try:
        yield
    finally:
        logger.removeHandler(nobody)


# --- writing -------------------------------------------------------------------------------------


def write(path: Path, scan: Scan, *, force: bool = False, channel: str | None = None) -> None:
    """Write a scan as OME-TIFF: a page for each pass of each channel, the top row first, numbers in SI units.

    Parameters
    ----------
    path
        The file. All fields of the scan stand in its OME-XML, as a comment in TOML.
    scan
        What to write. Channels become float64 if one of them is.
    force
        Whether an existing file may be replaced.
    channel
        This channel alone.

    Raises
    ------
    CalibError
        If the file exists and ``force`` is false, or it can't be written.
    """
    import tifffile

    from calib.formats._tiff_said import comment

    names = list(scan.channels) if channel is None else [scan.with_channel(channel).channel]
    dtype = np.result_type(*(scan.channels[name].dtype for name in names))
    pages = [(name, index) for name in names for index in range(len(scan.passes))]
    _, rows, columns = scan.shape
    table = dumps(to_settings(scan, names) | {"first_row": "top"})
    step_x, step_y = (step or 1e-9 for step in scan.spacing)
    size = len(pages) * dtype.itemsize * (-(-rows // _TILE) * -(-columns // _TILE)) * _TILE**2
    about: dict[str, Any] = {
        "axes": "CYX",
        "Name": "".join(mark for mark in scan.label if mark.isprintable()),
        # not one of the clock and the machine, so that the same scan gives the same file
        "UUID": str(uuid.uuid5(uuid.NAMESPACE_OID, table)),
        "Creator": "calib",
        "PhysicalSizeX": step_x * 1e9,
        "PhysicalSizeXUnit": "nm",
        "PhysicalSizeY": step_y * 1e9,
        "PhysicalSizeYUnit": "nm",
        "Channel": {"Name": [f"{name} {scan.passes[index]}" for name, index in pages]},
        "CommentAnnotation": [comment(table)],
    }
    densities = (0.01 / step_x, 0.01 / step_y)
    known = max(densities) < 2**31 and min(densities) > 2**-20
    with (
        write_atomically(path, force) as temporary,
        tifffile.TiffWriter(temporary, ome=True, bigtiff=size > _LARGEST_CLASSIC) as file,
    ):
        file.write(
            _tiles(scan, pages, dtype),
            shape=(len(pages), rows, columns),
            dtype=dtype,
            tile=(_TILE, _TILE),
            photometric="minisblack",
            resolution=densities if known else None,
            resolutionunit="CENTIMETER" if known else None,
            metadata=about,
        )


def _tiles(scan: Scan, pages: list[tuple[str, int]], dtype: np.dtype[Any]) -> Iterator[NDArray[Any]]:
    """Yield the tiles of all pages, so that no image is copied as a whole."""
    for name, index in pages:
        image = scan.channels[name][index, ::-1]
        for top in range(0, image.shape[0], _TILE):
            for left in range(0, image.shape[1], _TILE):
                tile = np.zeros((_TILE, _TILE), dtype=dtype)
                part = image[top : top + _TILE, left : left + _TILE]
                tile[: part.shape[0], : part.shape[1]] = part
                yield tile
