"""The native scan file: NetCDF-4 by the CF conventions, read and written with h5py.

xarray opens it and writes it too, but takes several times as long to import, so that it is used only where a data
set is asked for. Files are laid out as the NetCDF-4 format specification says: dimensions are HDF5 dimension scales.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from calib.errors import CalibError, FileError, ScanError
from calib.files import write_atomically
from calib.formats import MAX_POINTS
from calib.formats._broken import one_sentence
from calib.formats._fields import MOST_ATTRIBUTES, from_attributes, to_attributes
from calib.formats._hdf5_file import open_hdf5
from calib.formats._layout import DIMENSIONS, PACKING, Variable, assemble
from calib.scan import Scan

if TYPE_CHECKING:
    import h5py
    import xarray

NAME = "a native scan file (NetCDF-4)"
SUFFIXES = (".nc", ".nc4", ".cdf", ".h5", ".hdf5")
READ_OPTIONS = ("passes",)
WRITE_OPTIONS = ()

HDF5 = b"\x89HDF\r\n\x1a\n"
_CLASSIC = (b"CDF\x01", b"CDF\x02", b"CDF\x05")
NO_VARIABLE = b"This is a netCDF dimension but not a netCDF variable"
_ATTRIBUTES = (*PACKING, "units", "_Unsigned")
_LONG_NAMES = {
    "pass": "sweep of a line",
    "slow": "position along the slow axis, relative to the centre of the scan",
    "fast": "position along the fast axis, relative to the centre of the scan",
}
_CHUNK = 2**17  # points
_LARGEST_ATTRIBUTE = 2**20  # bytes
_SMALL = 2**26  # bytes that a data set may declare whatever it holds
_HIGHEST_RATIO = 2**11  # of declared to stored bytes; deflate reaches 1032


def recognise(head: bytes, path: Path) -> bool:
    """Tell by the signature of HDF5 and the coordinates, or by classic NetCDF, which has a sentence of its own."""
    if not head.startswith(HDF5):
        return head.startswith(_CLASSIC)
    try:
        with open_hdf5(path) as file:
            return any(name in file for name in ("fast", "slow", "pass", "height")) or not len(file)
    except FileError:
        raise
    except Exception:  # a broken file may raise anything, and is told of when it is read as whatever HDF5
        return False


# --- reading -------------------------------------------------------------------------------------


def read(path: Path, *, channel: str | None = None, passes: Sequence[str] | str | None = None) -> Scan:
    """Read a native scan file.

    Parameters
    ----------
    path
        The file.
    channel
        The channel that is observed.
    passes
        Names of the passes, if the file has none.

    Raises
    ------
    FileError
        If it is broken, or not in this layout.
    """
    with open(path, "rb") as stream:
        head = stream.read(8)
    if head[:4] in _CLASSIC:
        raise FileError(f"{path} is a classic NetCDF file: save it as NetCDF-4.")
    if not head.startswith(HDF5):
        raise FileError(f"{path} is no NetCDF-4 file, whatever its ending says: give it the ending of what it is.")
    names = [passes] if isinstance(passes, str) else passes
    with one_sentence(path), open_hdf5(path) as file:
        variables = {name: _variable(dataset) for name, dataset in _datasets(file) if _is_variable(dataset)}
        attributes = attributes_of(file)
        return assemble(variables, attributes, channel=channel, passes=names)


def read_attributes(path: Path) -> dict[str, Any]:
    """Read how a scan was taken, without its data.

    Returns
    -------
    dict
        Fields of :class:`calib.Scan`, so far as the file states them, and ``attributes`` with all others.

    Raises
    ------
    FileError
        If the file is broken.
    """
    with one_sentence(path), open_hdf5(path) as file:
        return from_attributes(attributes_of(file))


def _datasets(file: h5py.File) -> Iterator[tuple[str, h5py.Dataset]]:
    import h5py

    for name in file:
        if not isinstance(file.get(name, getlink=True), h5py.HardLink):
            raise FileError(f"{name!r} is a link to something else, which a scan file must not have.")
        dataset = file[name]
        if isinstance(dataset, h5py.Dataset):
            check_storage(dataset, name)
            yield name, dataset


def check_storage(dataset: h5py.Dataset, name: str) -> None:
    """Refuse a data set whose data stand in other files, or that declares far more than the file holds.

    Raises
    ------
    FileError
        With the reason.
    """
    # Either could make other files of this computer appear as data.
    if dataset.external or dataset.is_virtual:
        raise FileError(f"{name!r} keeps its data in other files, which a scan file must not do.")
    size = int(dataset.dtype.itemsize)
    for length in dataset.shape or ():
        size *= int(length)
    if size > MAX_POINTS * 8:
        raise FileError(f"{name!r} declares more than {MAX_POINTS} points, which no scan needs.")
    piece = int(dataset.dtype.itemsize)
    for length in dataset.chunks or ():
        piece *= int(length)
    # What was never written reads as zeros or gaps: a file of a few bytes could fill the memory with them.
    if max(size, piece) > max(_SMALL, dataset.id.get_storage_size() * _HIGHEST_RATIO):
        raise FileError(f"{name!r} declares {dataset.size} points, far more than the file holds.")


def _is_variable(dataset: h5py.Dataset) -> bool:
    return "NAME" not in dataset.attrs or not bytes(np.bytes_(attribute(dataset, "NAME"))).startswith(NO_VARIABLE)


def attributes_of(item: h5py.Group | h5py.Dataset) -> dict[str, Any]:
    """Return all attributes, unless they are too many to be meant."""
    if len(item.attrs) > MOST_ATTRIBUTES:
        raise FileError(f"It has {len(item.attrs)} attributes, which no scan needs.")
    return {name: attribute(item, name) for name in item.attrs}


def attribute(item: h5py.Group | h5py.Dataset, name: str) -> Any:
    """Return an attribute, unless it declares a size that would fill the memory before it is found to be wrong."""
    if item.attrs.get_id(name).get_storage_size() > _LARGEST_ATTRIBUTE:
        raise FileError(f"Its attribute {name!r} is too large.")
    return item.attrs[name]


def _variable(dataset: h5py.Dataset) -> Variable:
    dims: tuple[str, ...]
    if "DIMENSION_LIST" in dataset.attrs:
        dims = tuple(_base(dimension[0].name) if len(dimension) else "" for dimension in dataset.dims)
    else:
        dims = (_base(dataset.name),) * min(dataset.ndim, 1) + ("",) * (dataset.ndim - 1)
    attributes = {name: attribute(dataset, name) for name in _ATTRIBUTES if name in dataset.attrs}
    return Variable(dims, dataset.shape or (), dataset.dtype, lambda: np.asarray(dataset[()]), attributes)


def _base(name: str) -> str:
    return name.rsplit("/", 1)[-1]


# --- writing -------------------------------------------------------------------------------------


def write(path: Path, scan: Scan, *, force: bool = False) -> None:
    """Write a native scan file.

    Raises
    ------
    CalibError
        If the file exists and ``force`` is false, it can't be written, or a channel has a name that it can't have.
    """
    import h5py

    coordinates = _coordinates(scan)
    attributes = to_attributes(scan)
    channels = {name: _channel_attributes(scan, name) for name in scan.channels}
    # In order of creation, as the NetCDF library wants it.
    with write_atomically(path, force) as temporary, h5py.File(temporary, "w", track_order=True) as file:
        for index, name in enumerate(DIMENSIONS):
            values, about = coordinates[name]
            dataset = file.create_dataset(
                name, data=values, dtype=h5py.string_dtype() if name == "pass" else np.float64
            )
            dataset.make_scale(name)
            dataset.attrs["_Netcdf4Dimid"] = np.int32(index)
            dataset.attrs.update(about)
        for name, about in channels.items():
            data = scan.channels[name]
            _, slow, fast = data.shape
            rows = max(1, min(slow, _CHUNK // fast))
            dataset = file.create_dataset(
                name,
                shape=data.shape,
                dtype=data.dtype,
                chunks=(1, rows, min(fast, _CHUNK)),
                compression="gzip",
                compression_opts=4,
                shuffle=True,
                fillvalue=np.nan,
            )
            # Chunk by chunk, since h5py would copy a large image whose rows run backwards.
            for number, first in np.ndindex(len(data), -(-slow // rows)):
                part = slice(first * rows, (first + 1) * rows)
                dataset[number, part] = data[number, part]
            dataset.attrs["_FillValue"] = np.array([np.nan], dtype=data.dtype)
            dataset.attrs.update(about)
            for index, dimension in enumerate(DIMENSIONS):
                dataset.dims[index].attach_scale(file[dimension])
        file.attrs.update(attributes)


def _coordinates(scan: Scan) -> dict[str, tuple[Any, dict[str, str]]]:
    values = {"pass": list(scan.passes), "slow": scan.slow, "fast": scan.fast}
    unit = {"pass": {}, "slow": {"units": "m"}, "fast": {"units": "m"}}
    return {name: (values[name], {"long_name": _LONG_NAMES[name], **unit[name]}) for name in DIMENSIONS}


def _channel_attributes(scan: Scan, name: str) -> dict[str, str]:
    if name in DIMENSIONS or name != name.strip(" .") or not name or any(mark in name for mark in "/\0"):
        raise ScanError(f"{name!r} can't be the name of a channel in a native scan file: choose another one.")
    unit = scan.units[name].replace("µ", "u").replace("μ", "u").replace("°C", "degC").replace("°", "degree")
    return {"units": unit} if unit else {}


# --- xarray --------------------------------------------------------------------------------------


def to_dataset(scan: Scan) -> xarray.Dataset:
    """Return a scan as the data set that xarray makes of its native file."""
    import xarray

    coordinates = {
        name: xarray.Variable((name,), np.asarray(values), about, encoding={"_FillValue": None})
        for name, (values, about) in _coordinates(scan).items()
    }
    channels = {
        name: xarray.Variable(
            DIMENSIONS,
            values,
            _channel_attributes(scan, name),
            encoding={"zlib": True, "complevel": 4, "shuffle": True},
        )
        for name, values in scan.channels.items()
    }
    return xarray.Dataset(channels, coordinates, to_attributes(scan))


def from_dataset(dataset: xarray.Dataset, *, channel: str | None = None) -> Scan:
    """Make a scan of an xarray data set in the layout of the native file.

    Raises
    ------
    FileError
        If it is not in this layout.
    """
    variables = {
        str(name): Variable(
            tuple(map(str, variable.dims)),
            variable.shape,
            variable.dtype,
            _loader(variable),
            {str(key): value for key, value in variable.attrs.items()},
        )
        for name, variable in dataset.variables.items()
    }
    attributes: Mapping[str, Any] = {str(name): value for name, value in dataset.attrs.items()}
    try:
        return assemble(variables, attributes, channel=channel)
    except CalibError as error:
        raise FileError(f"The data set can't be used as a scan: {error}") from error


def _loader(variable: xarray.Variable) -> Any:
    return lambda: np.array(variable.values)  # a scan must not change with the data set
