"""What a history holds: models and verifications, each with its file and its date."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from pathlib import Path as FilePath
from typing import TYPE_CHECKING, Any

from calib.model import Model

if TYPE_CHECKING:
    from calib.history.choose import Choice
    from calib.history.filing import Item
    from calib.history.timeline import Line
    from calib.scan import Scan

CHECK_FORMAT = "calib verification"


@dataclass(frozen=True, eq=False)
class Record:
    """One entry of a history.

    Attributes
    ----------
    path
        Its file.
    scanner
        Its name; empty if unknown.
    when
        Of a model the time of its last scan, of a check that of the check; UTC.
    zoned
        Whether the file says the zone of that time. If not, it was taken as UTC.
    created
        When it was computed, if it says so.
    """

    path: FilePath
    scanner: str
    when: datetime
    zoned: bool
    created: datetime | None


@dataclass(frozen=True, eq=False)
class ModelRecord(Record):
    """A calibration.

    Attributes
    ----------
    model
        What was filed.
    sha256
        Hash of its content, as the file states it.
    dated_by
        ``last scan``; ``created`` if its scans don't say when they were taken.
    """

    model: Model
    sha256: str
    dated_by: str

    @cached_property
    def hashes(self) -> frozenset[str]:
        """Hashes by which others may name it: a file of an older version gets another one when it is read today."""
        return frozenset((self.sha256, self.model.sha256))

    @cached_property
    def probes(self) -> frozenset[str]:
        """Probes that its scans name; empty unless all do."""
        inputs = self.model.provenance.get("inputs", ())
        named = [str(one.get("metadata", {}).get("probe", "")) for one in inputs]
        return frozenset(named) if all(named) else frozenset()

    @property
    def identity(self) -> tuple[str, frozenset[str], str]:
        """Scanner, probe and controller settings: models with the same replace each other."""
        controller = self.model.controller
        return self.scanner, self.probes, "" if controller is None else canonical(controller)


@dataclass(frozen=True, eq=False)
class CheckRecord(Record):
    """A verification.

    Attributes
    ----------
    model_sha256
        Of the model that was checked.
    verdict
        ``conforms``, ``does not conform`` or ``can't be decided``.
    content
        The verification as it was saved.
    """

    model_sha256: str
    verdict: str
    content: Mapping[str, Any]

    @property
    def standards(self) -> str:
        """Names of the standards that were used, if it says so."""
        named = [self.content.get("standard"), *(one.get("standard") for one in dicts(self.content.get("checks")))]
        return ", ".join(dict.fromkeys(name for name in named if isinstance(name, str) and name))


@dataclass(frozen=True)
class Unreadable:
    """A file that was left out.

    Attributes
    ----------
    path, reason
        The file, and a sentence that says what is wrong with it.
    """

    path: FilePath
    reason: str


@dataclass(frozen=True)
class History:
    """What a folder holds of models and verifications.

    Attributes
    ----------
    folder
        Where it was read.
    models, checks
        In the order of time.
    unreadable
        Files that were left out.
    copies
        Files that hold the same as another one, and count once.
    """

    folder: FilePath
    models: tuple[ModelRecord, ...] = ()
    checks: tuple[CheckRecord, ...] = ()
    unreadable: tuple[Unreadable, ...] = ()
    copies: tuple[FilePath, ...] = field(default=())

    @property
    def scanners(self) -> tuple[str, ...]:
        """Names of the scanners that have a model or a check."""
        return tuple(sorted({record.scanner for record in (*self.models, *self.checks)}))

    def find(self, sha256: str) -> ModelRecord | None:
        """Return the model with a hash, if it is here."""
        return next((record for record in self.models if sha256 in record.hashes), None)

    def lines(self, *, valid_for: float | None = None) -> tuple[Line, ...]:
        """Return what was valid when, for each scanner, probe and settings; see :func:`calib.history.timeline.lines`.

        Parameters
        ----------
        valid_for
            How long a model may be used, s; without end if not given.
        """
        from calib.history.timeline import lines

        return lines(self, valid_for=valid_for)

    def model_for(self, scan: Scan, *, valid_for: float | None = None) -> Choice:
        """Choose the model that is valid for a scan; see :func:`calib.history.choose.choose`.

        Raises
        ------
        ModelError
            If there is none: it names the nearest one, and why that does not do.
        """
        from calib.history.choose import choose

        return choose(self, scan, valid_for=valid_for)

    def add(self, item: Item) -> FilePath:
        """File a model or a verification in the folder, under a name that no other file has.

        This history stays what it was when it was read: read the folder again to see the new file.

        Returns
        -------
        Path
            Where it is now.
        """
        from calib.history.filing import file_into

        return file_into(self.folder, item)


def canonical(content: Any) -> str:
    """Return what JSON can hold as text that is the same for the same content."""
    return json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"), default=_as_json)


def digest(content: Any) -> str:
    """Return the SHA-256 of what JSON can hold."""
    return hashlib.sha256(canonical(content).encode("utf-8", "surrogatepass")).hexdigest()


def _as_json(value: Any) -> Any:
    if isinstance(value, Mapping):
        return dict(value)
    return value.tolist() if hasattr(value, "tolist") else str(value)


def dicts(items: object) -> list[Mapping[str, Any]]:
    """Return the JSON objects of a list; nothing of what is none."""
    return [one for one in items if isinstance(one, dict)] if isinstance(items, list) else []
