"""Which corrected scans were made with which model, and which of them are in doubt after a failed check."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path as FilePath
from typing import Any, Literal

from calib.errors import CalibError, FileError
from calib.files import reason
from calib.history.dates import shown, utc, written
from calib.history.record import History, Unreadable
from calib.history.timeline import Line, Validity

Standing = Literal["fine", "doubtful", "not valid then", "unknown model"]


@dataclass(frozen=True, eq=False)
class Corrected:
    """A corrected scan.

    Attributes
    ----------
    path
        Its file.
    taken
        When; None if it does not say.
    model_sha256
        Of the model that it was corrected with.
    validity
        That model in the history; None if it is not there.
    standing
        ``fine``; ``doubtful``: its model failed a check, and the scan was taken after it was last known to be right;
        ``not valid then``: the model was not valid when the scan was taken; ``unknown model``.
    reason
        Why it is not fine, in words.
    """

    path: FilePath
    taken: datetime | None
    model_sha256: str
    validity: Validity | None
    standing: Standing
    reason: str

    def to_dict(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {
            "file": str(self.path),
            "taken": written(self.taken),
            "model_sha256": self.model_sha256,
            "model": None if self.validity is None else str(self.validity.record.path),
            "standing": self.standing,
            "reason": self.reason,
        }


def corrected_scans(
    history: History, lines: Sequence[Line], folders: Iterable[str | FilePath]
) -> tuple[tuple[Corrected, ...], tuple[Unreadable, ...]]:
    """Find corrected scans in folders, and say which are in doubt.

    Parameters
    ----------
    history, lines
        The models, and what was valid when.
    folders
        Looked through with their subfolders for native scan files; scans that are not corrected are passed over.

    Returns
    -------
    Corrected scans in the order of time, and files that could not be read.

    Raises
    ------
    FileError
        If there is no such folder.
    """
    by_hash = {name: one for line in lines for one in line.validities for name in one.record.hashes}
    found: list[Corrected] = []
    failed: list[Unreadable] = []
    for path in _files(folders, failed):
        try:
            attributes = _attributes(path)
        except (CalibError, OSError) as error:
            failed.append(Unreadable(path, str(error) if isinstance(error, CalibError) else reason(error)))
            continue
        if attributes is not None:
            taken, model = attributes
            validity = by_hash.get(model)
            standing, why = judge(validity, taken)
            found.append(Corrected(path, taken, model, validity, standing, why))
    return tuple(sorted(found, key=lambda one: (written(one.taken) or "", str(one.path)))), tuple(failed)


def judge(validity: Validity | None, taken: datetime | None) -> tuple[Standing, str]:
    """Say how a scan stands that was corrected with a model.

    Parameters
    ----------
    validity
        Of that model; None if it is not in the history.
    taken
        When the scan was taken; None if unknown.
    """
    if validity is None:
        return "unknown model", "its model is not in the history"
    failed = validity.failed
    if failed is not None:
        good = validity.last_good
        if taken is None:
            return "doubtful", f"its model failed a check on {shown(failed.when)}, and the scan does not say its date"
        if taken >= good:
            return (
                "doubtful",
                f"its model failed a check on {shown(failed.when)}, and was last known to be right on {shown(good)}",
            )
    if taken is None:
        return "fine", "it does not say when it was taken"
    if not validity.holds(taken):
        if taken < validity.since:
            return "not valid then", f"its model holds only from {shown(validity.since)} on"
        return "not valid then", f"its model was ended on {shown(validity.until)} by {validity.ended_by}"
    return "fine", ""


def _files(folders: Iterable[str | FilePath], failed: list[Unreadable]) -> list[FilePath]:
    from calib.formats.native import SUFFIXES

    def refused(error: OSError) -> None:
        where = FilePath(error.filename or ".")
        failed.append(Unreadable(where, f"{where} can't be read: {reason(error)}."))

    found: dict[FilePath, None] = {}
    for folder in map(FilePath, folders):
        if folder.is_file():
            found[folder] = None
            continue
        if not folder.is_dir():
            raise FileError(f"There is no folder {folder} with corrected scans.")
        for above, below, names in os.walk(folder, onerror=refused):
            below[:] = sorted(name for name in below if not name.startswith("."))
            found |= {
                FilePath(above) / name: None
                for name in sorted(names)
                if name.lower().endswith(SUFFIXES) and not name.startswith(".")
            }
    return list(found)


def _attributes(path: FilePath) -> tuple[datetime | None, str] | None:
    """Return when a corrected scan was taken, and its model; None for a scan that is not corrected."""
    from calib.formats.native import read_attributes

    fields = read_attributes(path)
    model = str(fields["attributes"].get("model_sha256", ""))
    if fields.get("frame_of_reference") != "true" or not model:
        return None
    started = fields.get("started")
    return (None if started is None else utc(started)), model
