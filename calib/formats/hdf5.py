"""HDF5 and NetCDF-4 of any layout: read only, given the path of the data set; the native layout has its own module."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import numpy as np
from numpy.typing import NDArray

from calib.errors import FileError
from calib.formats import native
from calib.formats._beside import read_settings
from calib.formats._broken import one_sentence
from calib.formats._fields import plain
from calib.formats._given import make_scan
from calib.formats._hdf5_file import open_hdf5
from calib.formats._layout import PACKING, Variable, unpack
from calib.formats._stack import STACK_OPTIONS, Stored, images_of
from calib.formats._zip import check_packing
from calib.formats.joining import with_retrace
from calib.scan import Scan

if TYPE_CHECKING:
    import h5py

NAME = "an HDF5 file"
SUFFIXES: tuple[str, ...] = ()  # the native format's too
READ_OPTIONS = STACK_OPTIONS
WRITE_OPTIONS: tuple[str, ...] = ()

_MOST_MEMBERS = 20_000
_DEEPEST = 32


def recognise(head: bytes, path: Path) -> bool:
    """Tell by the signature; a native scan file is asked before."""
    return head.startswith(native.HDF5)


def read(path: Path, *, channel: str | None = None, **options: Any) -> Scan:
    """Read a data set of an HDF5 file; options as in ``docs/reference/formats.md``.

    Raises
    ------
    FileError
        If it is not said which data set, or size or unit are not known, or something stands in other files.
    """
    settings = read_settings(path, options, READ_OPTIONS)
    return with_retrace(path, settings, channel, lambda given: _read(path, given, channel))


def write(path: Path, scan: Scan, *, force: bool = False) -> NoReturn:
    """Refuse: scans are written as native files, which are HDF5 too."""
    raise FileError(f"{path} can't be written as HDF5 of another layout: write a .nc file.")


def _read(path: Path, settings: dict[str, Any], channel: str | None) -> Scan:
    with one_sentence(path), open_hdf5(path) as file:
        listing = [] if "dataset" in settings else list(_images(file))
        images, settings = images_of(lambda name: _find(file, name), listing, settings)
        return make_scan(images, settings, channel, path)


def _images(file: h5py.File) -> Iterator[tuple[str, Stored]]:
    """Yield the data sets that may be images, without following any link."""
    import h5py

    pending: list[tuple[str, h5py.Group, int]] = [("", file, 0)]
    seen: set[Any] = set()
    count = 0
    while pending:
        prefix, group, depth = pending.pop(0)
        for name in group:
            count += 1
            if count > _MOST_MEMBERS or depth > _DEEPEST:
                return
            if not isinstance(group.get(name, getlink=True), h5py.HardLink):
                continue
            item = group[name]
            address = h5py.h5o.get_info(item.id).addr
            if address in seen:
                continue
            seen.add(address)
            if isinstance(item, h5py.Group):
                pending.append((f"{prefix}/{name}", item, depth + 1))
            elif isinstance(item, h5py.Dataset) and item.dtype.kind in "fiu" and len(item.shape or ()) >= 2:
                yield f"{prefix}/{name}", Stored(item.shape, item.dtype, lambda index: np.empty(0))


def _find(file: h5py.File, path: str) -> Stored:
    """Return a data set, or an attribute as ``/path@name``."""
    import h5py

    place, at, attribute = path.partition("@")
    item: Any = file
    walked = ""
    for name in [part for part in place.split("/") if part]:
        walked += f"/{name}"
        if name in (".", "..") or not isinstance(item, h5py.Group) or item.get(name, getlink=True) is None:
            raise FileError(f"it has no data set {walked}.")
        if not isinstance(item.get(name, getlink=True), h5py.HardLink):
            raise FileError(f"{walked} is a link to something else, which is refused for safety.")
        item = item[name]
    if at:
        if attribute not in item.attrs:
            raise FileError(f"{place or '/'} has no attribute {attribute!r}.")
        value = np.asarray(native.attribute(item, attribute))
        return Stored(value.shape, value.dtype, lambda index: value, _unit(item) if place else "")
    if not isinstance(item, h5py.Dataset) or item.shape is None:
        raise FileError(f"{walked or '/'} is no data set: give the path of one.")
    return _stored(file, item, walked)


def _stored(file: h5py.File, item: h5py.Dataset, path: str) -> Stored:
    native.check_storage(item, path)
    attributes = {name: native.attribute(item, name) for name in (*PACKING, "_Unsigned") if name in item.attrs}

    def load(index: int | tuple[int, ...] | None) -> NDArray[Any]:
        part = item[()] if index is None else item[index]
        if not attributes:
            return np.asarray(part)
        return unpack(Variable((), np.shape(part), item.dtype, lambda: part, attributes))

    check_packing(path, item.nbytes, item.id.get_storage_size())
    dtype = item.dtype if not attributes else np.dtype(np.float64)
    if item.dtype.kind not in "fiu":
        dtype = item.dtype
    return Stored(item.shape, dtype, load, _unit(item), _axes(item))


def _unit(item: Any) -> str:
    for name in ("units", "unit"):
        if name in item.attrs:
            text = plain(native.attribute(item, name))
            return text.strip() if isinstance(text, str) else ""
    return ""


def _axes(item: h5py.Dataset) -> tuple[str, str]:
    """Paths of the dimension scales of the last two dimensions, if there are any."""
    if item.ndim < 2 or "DIMENSION_LIST" not in item.attrs:
        return "", ""
    found = []
    for dimension in list(item.dims)[-2:]:
        scale = dimension[0] if len(dimension) else None
        if scale is None or not scale.name or "NAME" not in scale.attrs or scale.ndim != 1:
            found.append("")
            continue
        empty = bytes(np.bytes_(native.attribute(scale, "NAME"))).startswith(native.NO_VARIABLE)
        found.append("" if empty else str(scale.name))
    return found[0], found[1]
