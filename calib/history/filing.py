"""Filing in a history: under a name that no other file has, whole or not at all, by as many at once as there are."""

from __future__ import annotations

import hashlib
import json
import re
import secrets
import unicodedata
from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path as FilePath
from typing import Any, Protocol, runtime_checkable

from calib.errors import FileError
from calib.files import move_new, reason, write_atomically
from calib.history.dates import moment
from calib.model import Model

_DIGITS = 12  # of the hash in a name
_NAME = re.compile(r"[^A-Za-z0-9]+")


@runtime_checkable
class Plain(Protocol):
    """A result that can be written as JSON, such as a verification."""

    def to_dict(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        ...


Item = Model | Plain | Mapping[str, Any]
"""What can be filed: a model, or a verification (itself, or as a JSON object)."""


def file_into(folder: str | FilePath, item: Item) -> FilePath:
    """File a model or a verification in a folder, which is made if need be.

    The name says scanner, date, kind, and the first digits of the content's hash. The file is written under a hidden
    name without the ending ``.json`` and renamed when it is whole, but never onto another file. If the very same file
    is there already, nothing is written.

    Returns
    -------
    Path
        Where it is now.

    Raises
    ------
    FileError
        If it is neither a model nor a verification, or can't be written.
    """
    folder = FilePath(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(f"The folder {folder} of the history can't be made: {reason(error)}.") from error
    temporary = folder / f".{secrets.token_hex(8)}.part"
    try:
        stem = _write(item, temporary)
        return _settle(temporary, folder, stem)
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def _write(item: Item, temporary: FilePath) -> str:
    """Write to a temporary file, and return the name that the file is to have, without its ending."""
    if isinstance(item, Model):
        item.save(temporary)
        dated = moment(item.domain.last) or moment(item.created)
        return _stem(item.scanner, dated, "model", item.sha256)
    content = dict(item) if isinstance(item, Mapping) else item.to_dict()
    if content.get("format") != "calib verification":
        raise FileError("Only models and verifications are kept in a history.")
    text = json.dumps(content, ensure_ascii=False, allow_nan=False, indent=1) + "\n"
    with write_atomically(temporary) as part:
        part.write_text(text, encoding="utf-8")
    digest = hashlib.sha256(text.encode()).hexdigest()
    return _stem(str(content.get("scanner") or ""), moment(content.get("created")), "verification", digest)


def _stem(scanner: str, dated: tuple[datetime, bool] | None, kind: str, digest: str) -> str:
    plain = unicodedata.normalize("NFKD", scanner).encode("ascii", "ignore").decode()
    name = _NAME.sub("-", plain).strip("-")[:60] or "scanner"
    date = (dated[0] if dated else datetime.now(UTC)).strftime("%Y-%m-%d")
    return f"{name}_{date}_{kind}_{digest[:_DIGITS]}"


def _settle(temporary: FilePath, folder: FilePath, stem: str) -> FilePath:
    content = temporary.read_bytes()
    number = 1
    while True:
        target = folder / (f"{stem}.json" if number == 1 else f"{stem}-{number}.json")
        if move_new(temporary, target):
            return target
        with suppress(OSError):  # it may have gone again
            if target.read_bytes() == content:
                return target
        number += 1
