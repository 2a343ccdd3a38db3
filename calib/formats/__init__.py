"""Scan files: :func:`read_scan` and :func:`write_scan` pick the format by content, then by name.

One format is one module of this package, listed in ``_MODULES`` and imported when a file asks for it. Such a
module is a :class:`Format`: nothing else of calib knows about it.
"""

from __future__ import annotations

import importlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol, cast

from calib.errors import CalibError, FileError
from calib.files import read_head, unknown_key
from calib.kinds import SCAN, refuse_other
from calib.scan import Scan

__all__ = ["MAX_POINTS", "Format", "read_options", "read_scan", "write_scan"]

# In the order in which they are asked whether they know a file.
_MODULES = ("native", "hdf5", "sdf", "x3p", "tiff", "numpy_files", "xyz", "text")

MAX_POINTS = 2**27
"""Most points that a scan may have, all channels together; what declares more is not read."""


class Format(Protocol):
    """What the module of a format defines.

    Attributes
    ----------
    NAME
        What messages call the format.
    SUFFIXES
        Endings of its files, lower case, the preferred one first.
    READ_OPTIONS, WRITE_OPTIONS
        Names of the options that ``read`` and ``write`` take.
    """

    NAME: str
    SUFFIXES: tuple[str, ...]
    READ_OPTIONS: tuple[str, ...]
    WRITE_OPTIONS: tuple[str, ...]

    def recognise(self, head: bytes, path: Path) -> bool:
        """Tell by its first bytes (at most 4096) whether a file is of this format."""
        ...

    def read(self, path: Path, *, channel: str | None, **options: Any) -> Scan:
        """Read a scan; raise a `CalibError` whose sentence names the file."""
        ...

    def write(self, path: Path, scan: Scan, *, force: bool, **options: Any) -> None:
        """Write a scan, whole or not at all."""
        ...


def read_scan(path: str | Path, *, channel: str | None = None, **options: Any) -> Scan:
    """Read a scan from a file.

    Parameters
    ----------
    path
        A file of any format of ``docs/reference/formats.md``.
    channel
        The channel that is observed; by default ``height``, else the only or first one. For a file that does not say
        what its numbers are, what they are.
    **options
        Options of the format, as in the reference.

    Returns
    -------
    Scan
        In SI units; ``attributes["file"]`` is the name of the file, without its folder.

    Raises
    ------
    CalibError
        A `FileError` if the file is missing, broken, of no known format, or says too little.
    """
    path = Path(path)
    options = {name: value for name, value in options.items() if value is not None}
    known = _known_format(path, options)
    if "retrace" in options and "retrace" not in known.READ_OPTIONS:
        from calib.formats.joining import with_retrace

        return with_retrace(path, options, channel, lambda own: read_scan(path, channel=channel, **own), named=False)
    _check_options(known, known.READ_OPTIONS, options)
    scan = known.read(path, channel=channel, **options)
    return scan.replace(attributes={**scan.attributes, "file": path.name})


def write_scan(path: str | Path, scan: Scan, *, force: bool = False, **options: Any) -> None:
    """Write a scan to a file, in the format that its ending says.

    Parameters
    ----------
    path
        Its ending says the format, as in ``docs/reference/formats.md``.
    scan
        What to write.
    force
        Whether an existing file may be replaced.
    **options
        Options of the format, as in ``docs/reference/formats.md``.

    Raises
    ------
    CalibError
        If the ending is unknown, the file exists, it can't be written, or the format can't hold the scan.
    """
    path = Path(path)
    for name in _MODULES:
        known = _format(name)
        if path.name.lower().endswith(known.SUFFIXES):
            _check_options(known, known.WRITE_OPTIONS, options)
            return known.write(path, scan, force=force, **options)
    endings = ", ".join(suffix for name in _MODULES for suffix in _format(name).SUFFIXES)
    raise FileError(f"The ending of {path} says no format that can be written: use one of {endings}.")


def read_options() -> tuple[str, ...]:
    """Return the names of the options that some format takes for reading."""
    return tuple(dict.fromkeys(option for name in _MODULES for option in _format(name).READ_OPTIONS))


def _format(name: str) -> Format:
    return cast(Format, importlib.import_module(f"calib.formats.{name}"))


def looks_like_scan(head: bytes, path: Path) -> bool:
    """Whether a format knows a file by its first bytes."""
    return any(_format(name).recognise(head, path) for name in _MODULES)


def _known_format(path: Path, options: Mapping[str, Any]) -> Format:
    if path.suffix.lower() in (".toml", ".json") or path.is_dir():
        refuse_other(path, SCAN)
    head = read_head(path)
    formats = [_format(name) for name in _MODULES]
    found = [known for known in formats if known.recognise(head, path)]
    if not found:
        found = [known for known in formats if path.name.lower().endswith(known.SUFFIXES)]
    if "dataset" in options:  # the data sets of a native scan file can be read one by one, too
        found = [known for known in found if "dataset" in known.READ_OPTIONS] or found
    if found:
        return found[0]
    names = " or ".join(known.NAME for known in formats)
    raise FileError(f"{path} is no scan file that can be read: expected {names}.")


def _check_options(known: Format, allowed: Sequence[str], options: dict[str, Any]) -> None:
    for option in options:
        if option not in allowed:
            raise CalibError(f"There is no option {option!r} for {known.NAME}: {unknown_key(option, allowed)}")
