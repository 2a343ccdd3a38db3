"""What a file does not say of its scan: options, or the same keys in a TOML file of the same name beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from calib.errors import CalibError, FileError
from calib.files import read_toml, unknown_key

_LARGEST = 2**22  # bytes of a TOML file
_TEXTS = (".txt", ".csv", ".tsv", ".dat", ".asc")  # they share a TOML file of the bare name


def beside(path: Path) -> Path:
    """Return the name of the TOML file in which something is to be said of a file.

    It is ``heights.toml`` for the texts ``heights.txt`` and ``heights.txt.gz``, and ``heights.tif.toml`` for others.
    Where another file would share that one, it is called by the full name, ``heights.csv.gz.toml``.
    """
    if any(other.exists() for other in _sharing(path)):
        return path.with_name(f"{path.name}.toml")
    bare = _unpacked(path)
    is_text = bare.suffix.lower() in _TEXTS
    usual = bare.with_suffix(".toml") if is_text else bare.with_name(f"{bare.name}.toml")
    # one that is called by the full name is read before the usual one, so it must not be left with old settings
    by_name = (path.with_name(f"{path.name}.toml"), bare.with_name(f"{bare.name}.toml"))
    return next((file for file in by_name if file.exists()), usual)


def found_beside(path: Path) -> Path | None:
    """Return the TOML file that speaks of a file; None if there is none."""
    return next((file for file in _candidates(path) if file.is_file()), None)


def read_settings(path: Path, options: Mapping[str, Any], known: Sequence[str]) -> dict[str, Any]:
    """Return what is said of a scan by options and by the file beside it; options go before.

    Raises
    ------
    FileError
        If the file beside it is broken, or has a key that is not among ``known`` and ``channel``.
    """
    settings: dict[str, Any] = {}
    file = found_beside(path)
    if file is not None:
        if file.stat().st_size > _LARGEST:
            raise FileError(f"{file} is larger than {_LARGEST} bytes, which is more than can be said of a scan.")
        settings, _ = read_toml(file)
        known = ("channel", *known)
        for key in settings:
            if key not in known:
                raise FileError(f"{file}: there is no key {key!r}: {unknown_key(key, known)}")
    return {**settings, **{name: value for name, value in options.items() if value is not None}}


def _candidates(path: Path) -> list[Path]:
    """Return the names that the TOML file may have, the full one first.

    The bare one belongs to a text of that name, if there is one.
    """
    bare = _unpacked(path)
    found = [path.with_name(f"{path.name}.toml"), bare.with_name(f"{bare.name}.toml")]
    if bare.suffix.lower() in _TEXTS or not any(text.exists() for text in _texts(bare)):
        found.append(bare.with_suffix(".toml"))
    return list(dict.fromkeys(found))


def _sharing(path: Path) -> list[Path]:
    """Return the names of other files to which the usual TOML file of this one belongs, too."""
    bare = _unpacked(path)
    alike = [bare, bare.with_name(f"{bare.name}.gz")]
    if bare.suffix.lower() in _TEXTS:
        alike += _texts(bare)
    return [other for other in alike if other != path]


def _texts(bare: Path) -> list[Path]:
    return [bare.with_suffix(ending + packed) for ending in _TEXTS for packed in ("", ".gz")]


def _unpacked(path: Path) -> Path:
    return path.with_name(path.name[:-3]) if path.name.lower().endswith(".gz") else path


class naming:
    """Put the name of the file before what is wrong with it."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __enter__(self) -> None: ...

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        if isinstance(error, CalibError) and not str(error).startswith(str(self.path)):
            raise FileError(f"{self.path}: {error}") from error
