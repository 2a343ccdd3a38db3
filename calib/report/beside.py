"""Scans that belong to a report: named by the user, or found beside the file by name and hash."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.errors import CalibError
from calib.files import sha256
from calib.plan import how_to_read, read_scan_as

if TYPE_CHECKING:
    from calib.model import Model
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
    unread
        Why files that are there, and hold it, can't be read; by hash.
    """

    found: Mapping[str, Scan]
    changed: Sequence[str] = ()
    unread: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Reading:
    """What is known of reading scans beside what their files and the files beside them say.

    Attributes
    ----------
    plan, plan_sha256
        Name and hash of the plan of the calibration: it says how each scan was read, if it still is the same.
    given
        What the user says of scans that can't be read otherwise.
    """

    plan: str = ""
    plan_sha256: str = ""
    given: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def of(cls, model: Model, given: Mapping[str, Any]) -> Reading:
        """What a model says of it."""
        options = model.provenance.get("options")
        said = options if isinstance(options, Mapping) else {}
        return cls(str(said.get("plan", "")), str(said.get("plan_sha256", "")), given)


def beside(
    inputs: Iterable[Mapping[str, Any]], folders: Sequence[Path], named: Sequence[Path] = (),
    reading: Reading = Reading(),
) -> Inputs:  # fmt: skip
    """Look for the scans of a calibration.

    Parameters
    ----------
    inputs
        As in the provenance of a model.
    folders
        Where to look for files of the names that it says; never in other folders, whatever the names say.
    named
        Files that may hold them under any name.
    reading
        How to read what does not say enough itself.

    Returns
    -------
    Inputs
        A file counts only if its hash is that of the model: then it is what was calibrated with.
    """
    by_hash = {_hash(path): path for path in named}
    planned = _planned(reading, folders)
    found: dict[str, Scan] = {}
    changed: list[str] = []
    unread: dict[str, str] = {}
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
        given, channel = planned.get(name, ({}, None))
        for keys in (given, {**given, **reading.given}):
            try:
                found[wanted] = read_scan_as(path, keys, channel=channel)
            except CalibError as error:
                unread[wanted] = str(error)
            else:
                unread.pop(wanted, None)
                break
    return Inputs(found, tuple(changed), unread)


def _planned(reading: Reading, folders: Sequence[Path]) -> Mapping[str, tuple[dict[str, Any], str | None]]:
    """Return how the plan says that scans are read, if it lies beside them as it was."""
    path, _ = _look(reading.plan, reading.plan_sha256, folders)
    if path is None:
        return {}
    try:
        return how_to_read(path)
    except CalibError:  # the calibration read it, but that may have been another version
        return {}


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
