"""Scans that belong to a report: named by the user, or found beside the file by name and hash."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.errors import CalibError
from calib.files import sha256

if TYPE_CHECKING:
    from calib.scan import Scan


@dataclass(frozen=True, eq=False)
class Inputs:
    """Scans of a calibration that were found again, by the hashes that the model holds of their files.

    Attributes
    ----------
    found
        By hash.
    changed
        Names of files that are there, but no longer hold what the model was made from.
    """

    found: Mapping[str, Scan]
    changed: Sequence[str] = ()


def beside(inputs: Iterable[Mapping[str, Any]], folders: Sequence[Path], named: Sequence[Path] = ()) -> Inputs:
    """Look for the scans of a calibration.

    Parameters
    ----------
    inputs
        As in the provenance of a model.
    folders
        Where to look for files of the names that it says; never in other folders, whatever the names say.
    named
        Files that may hold them under any name.

    Returns
    -------
    Inputs
        A file counts only if its hash is that of the model: then it is what was calibrated with.
    """
    by_hash = {_hash(path): path for path in named}
    found: dict[str, Scan] = {}
    changed: list[str] = []
    for one in inputs:
        wanted, name = str(one.get("sha256", "")), str(one.get("file", ""))
        if not wanted or wanted in found:
            continue
        path = by_hash.get(wanted)
        if path is None:
            path, other = _look(name, wanted, folders)
            changed += other
        if path is None:
            continue
        scan = _read(path, one)
        if scan is not None:
            found[wanted] = scan
    return Inputs(found, tuple(changed))


def _look(name: str, wanted: str, folders: Sequence[Path]) -> tuple[Path | None, list[str]]:
    if not name or name in (".", "..") or any(c in name for c in "/\\\0"):
        return None, []
    changed = []
    for folder in folders:
        path = folder / name
        if path.is_file():
            if _hash(path) == wanted:
                return path, []
            changed.append(name)
    return None, changed


def _hash(path: Path) -> str:
    try:
        return sha256(path)
    except CalibError:
        return ""


def _read(path: Path, one: Mapping[str, Any]) -> Scan | None:
    """Read a scan as it was read then, so far as it can be shown: what its file lacked matters to no picture."""
    from calib.formats import read_scan

    try:
        return read_scan(path)
    except CalibError:
        return None
