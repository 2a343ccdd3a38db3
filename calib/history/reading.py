"""Reading a history: which files of a folder are models and verifications, and which of them can't be used.

Nothing is kept beside these files. What is no file of ours by its key ``format`` is passed over; what can't be read, is
damaged, or was changed after it was written is named and left out.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from pathlib import Path as FilePath
from typing import Any

from calib import model_file
from calib.errors import CalibError, FileError
from calib.files import read_bounded, reason
from calib.history.dates import moment
from calib.history.record import CHECK_FORMAT, CheckRecord, History, ModelRecord, Record, Unreadable, dicts, digest
from calib.kinds import refuse_other
from calib.model import load_model
from calib.verification import CONFORMS, FAILS, UNDECIDED


def read_history(path: str | FilePath) -> History:
    """Read a folder of model and verification files, with its subfolders.

    Raises
    ------
    FileError
        If there is no such folder. Files that can't be used raise nothing: see :attr:`History.unreadable`.
    """
    folder = FilePath(path)
    if folder.is_file():
        refuse_other(folder, "folder of a history")
    if not folder.is_dir():
        raise FileError(
            f"{folder} is a file, not a folder of models and verifications."
            if folder.exists()
            else f"There is no folder {folder} with a history: name one, or make it with 'calib calibrate --history'."
        )
    models: dict[str, ModelRecord] = {}
    checks: dict[str, CheckRecord] = {}
    unreadable: list[Unreadable] = []
    copies: list[FilePath] = []
    for file in _files(folder, unreadable):
        try:
            for record in _records(file):
                if isinstance(record, ModelRecord):
                    known: Mapping[str, Record] = models
                    key = record.sha256
                else:
                    known, key = checks, digest(record.content)
                if key in known:
                    copies.append(file)
                elif isinstance(record, ModelRecord):
                    models[key] = record
                else:
                    checks[key] = record
        except FileNotFoundError:
            continue  # taken away while we looked
        except CalibError as error:
            unreadable.append(Unreadable(file, str(error)))
    # of models from the same scans the one that was made last is the newer one
    by_time = sorted(models.values(), key=lambda one: (one.when, one.created or one.when, one.sha256))
    return History(
        folder,
        tuple(by_time),
        tuple(sorted(checks.values(), key=lambda one: (one.when, str(one.path)))),
        tuple(unreadable),
        tuple(copies),
    )


def _files(folder: FilePath, unreadable: list[Unreadable]) -> Iterator[FilePath]:
    """Yield the JSON files below a folder in a fixed order; hidden ones are somebody's unfinished work."""

    def failed(error: OSError) -> None:
        where = FilePath(error.filename or folder)
        unreadable.append(Unreadable(where, f"{where} can't be read: {reason(error)}."))

    for above, folders, names in os.walk(folder, onerror=failed):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(names):
            if name.lower().endswith(".json") and not name.startswith("."):
                yield FilePath(above) / name


def _records(path: FilePath) -> list[ModelRecord | CheckRecord]:
    data = read_bounded(path)
    try:
        body = json.loads(data)
    except (ValueError, RecursionError):
        raise FileError(f"{path} is no valid JSON: it was cut short or damaged; get it from a copy.") from None
    if isinstance(body, dict) and body.get("format") == model_file.FORMAT:
        return [_model(path, body)]
    found = body if isinstance(body, list) else [body]
    return [
        _check(path, content)
        for content in found
        if isinstance(content, dict) and content.get("format") == CHECK_FORMAT
    ]


def _model(path: FilePath, body: Mapping[str, Any]) -> ModelRecord:
    model = load_model(path)
    ours, stated = file_hash(body), str(body.get("sha256", ""))
    if stated and stated != ours:
        raise FileError(
            f"{path} was changed after it was written: its content has another hash than it states; get it from a copy."
        )
    created, last = moment(model.created), moment(model.domain.last)
    dated = last or created
    if dated is None:
        raise FileError(f"{path} says neither when its scans were taken nor when it was made; make it again.")
    return ModelRecord(
        path=path,
        scanner=model.scanner,
        when=dated[0],
        zoned=dated[1],
        created=created[0] if created else None,
        model=model,
        sha256=ours,
        dated_by="last scan" if last else "created",
    )


def _check(path: FilePath, content: Mapping[str, Any]) -> CheckRecord:
    created = moment(content.get("created"))
    taken = [found for found in (moment(text) for text in _taken(content)) if found]
    dated = max(taken, default=created, key=lambda found: found[0])
    verdict, model = content.get("verdict"), content.get("model_sha256")
    if dated is None or verdict not in (CONFORMS, FAILS, UNDECIDED) or not isinstance(model, str) or not model:
        lacks = "date" if dated is None else "hash of the model" if isinstance(verdict, str) else "verdict"
        raise FileError(f"{path} is a damaged verification: it has no {lacks} that makes sense; make it again.")
    return CheckRecord(
        path=path,
        scanner=str(content.get("scanner") or ""),
        when=dated[0],
        zoned=dated[1],
        created=created[0] if created else None,
        model_sha256=model,
        verdict=str(verdict),
        content=content,
    )


def _taken(content: Mapping[str, Any]) -> Iterator[Any]:
    """Yield when the scans of a check were taken, so far as it says so."""
    for one in (content, *dicts(content.get("checks"))):
        yield one.get("started")


def file_hash(body: Mapping[str, Any]) -> str:
    """Return the hash that a model file should state: that of its content as it stands there, of whatever version."""
    content = {key: item for key, item in body.items() if key not in ("created", "sha256")}
    provenance = content.get("provenance")
    if isinstance(provenance, dict):
        content["provenance"] = {key: item for key, item in provenance.items() if key != "command"}
    return digest(content)
