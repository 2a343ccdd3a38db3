"""What a file or folder holds that a report can be made of, by its content."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

from calib.errors import FileError
from calib.files import read_bounded, read_head, read_toml
from calib.kinds import COMPARISON, MODEL, SCAN, STANDARD, VERIFICATION, refuse_other

if TYPE_CHECKING:
    from calib.compared.result import ModelComparison
    from calib.history.record import History
    from calib.model import Model
    from calib.verification.collected import VerificationSet

__all__ = [
    "COMPARISON",
    "HISTORY",
    "MODEL",
    "SCAN",
    "STANDARD",
    "VERIFICATION",
    "kind_of",
    "kind_of_one",
    "load_any",
]

HISTORY = "history"
_FORMATS = {"calib model": MODEL, "calib verification": VERIFICATION, "calib comparison": COMPARISON}
_LARGEST = 2**28


def kind_of(path: str | Path) -> str:
    """Return ``model``, ``verification``, ``comparison``, or ``history`` for a folder.

    Raises
    ------
    FileError
        If it is none of these.
    """
    path = Path(path)
    if path.is_dir():
        return HISTORY
    refuse_other(path, MODEL, VERIFICATION, COMPARISON)
    said = f"{path} is no model, verification or comparison; make one with calib calibrate, verify or compare --save."
    if not read_head(path, 64).lstrip(b"\xef\xbb\xbf \t\r\n").startswith((b"{", b"[")):
        raise FileError(said)
    try:
        body = json.loads(read_bounded(path, _LARGEST))
    except (ValueError, RecursionError) as error:
        if isinstance(error, FileError):
            raise
        raise FileError(f"{path} is broken: it begins like JSON and is none; make it again.") from None
    if isinstance(body, list) and body:  # as verifications of plans were saved by version 1.0
        body = body[0]
    name = body.get("format") if isinstance(body, dict) else None
    kind = _FORMATS.get(name) if isinstance(name, str) else None
    if kind is None:
        raise FileError(said)
    return kind


def kind_of_one(source: str | Path) -> str:
    """Return what a single file holds: as :func:`kind_of`, or ``scan``, or ``standard`` for the name of a packaged one.

    Raises
    ------
    FileError
        If it is a folder or a plan, or there is none.
    """
    from calib.standard import packaged_standards

    path = Path(source)
    if path.is_dir():
        raise FileError(f"{path} is a folder: name a file in it; calib history and calib report tell of a whole one.")
    if not path.exists():
        if str(source) in packaged_standards():
            return STANDARD
        raise FileError(f"There is no file {path}, and no packaged standard of that name: correct the name.")
    if path.suffix.lower() == ".toml":
        if "scan" in read_toml(path)[0]:
            raise FileError(f"{path} is a plan: name one of the scans or standards in it, or calib calibrate it first.")
        return STANDARD
    return kind_of(path) if read_head(path, 64).lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"{") else SCAN


def load_any(path: str | Path) -> Model | VerificationSet | ModelComparison | History:
    """Read whatever a report can be made of.

    Raises
    ------
    CalibError
        If it is nothing of the kind, or damaged.
    """
    kind = kind_of(path)
    if kind == HISTORY:
        from calib.history import read_history

        found = read_history(path)
        if not found.models and not found.checks:
            raise FileError(f"There is no usable model or verification in {path}.")
        return found
    if kind == MODEL:
        from calib.model import load_model

        return load_model(path)
    if kind == VERIFICATION:
        from calib.verification import load_verification

        return load_verification(path)
    from calib.compared.file import load_comparison

    return load_comparison(path)
