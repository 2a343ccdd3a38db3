"""Verification files: JSON with a format and a version, like model files."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from calib.errors import CalibError, FileError, ModelError
from calib.files import read_bounded
from calib.kinds import refuse_other
from calib.verification.characteristic import Characteristic
from calib.verification.check import FORMAT, VERSION, Verification, verdict_in
from calib.verification.collected import VerificationSet, collect
from calib.verification.deciding import Decided

_LARGEST = 2**28


def load_verification(path: str | Path) -> VerificationSet:
    """Read a verification file of this or any earlier version.

    Raises
    ------
    FileError
        If it is none, or damaged.
    ModelError
        If it is of a newer major version.
    """
    name = str(path)
    body = read_versioned(path, FORMAT, VERSION, "calib verify")
    try:
        return _whole(body)
    except (KeyError, TypeError, ValueError, AttributeError) as problem:
        said = f"it has no {problem}" if isinstance(problem, KeyError) else str(problem).rstrip(".")
        raise FileError(f"{name} is a damaged verification file ({said}); make it again with 'calib verify'.") from None


def read_versioned(path: str | Path, kind: str, version: str, command: str) -> dict[str, Any]:
    """Read a JSON object that says its format and version.

    Parameters
    ----------
    kind, version
        The format that it must have, and the newest version that can be read.
    command
        That makes such files.

    Raises
    ------
    FileError
        If it is something else.
    ModelError
        If it is of a newer major version.
    """
    refuse_other(path, kind.removeprefix("calib "))
    data = read_bounded(path, _LARGEST)
    what = kind.removeprefix("calib ")
    try:
        body = json.loads(data, parse_constant=_refuse)
    except (ValueError, RecursionError):
        raise FileError(f"{path} is no {what} file: it is not JSON. Make one with '{command}'.") from None
    if isinstance(body, list) and body and all(isinstance(one, dict) and one.get("format") == kind for one in body):
        body = {**body[0], "checks": body}  # as plans were saved by version 1.0
        body.pop("results", None)
    if not isinstance(body, dict) or body.get("format") != kind:
        raise FileError(f"{path} is no {what} file. Make one with '{command}'.")
    try:
        major = int(str(body["version"]).split(".")[0])
    except (KeyError, ValueError):
        raise FileError(f"{path} does not say the version of its format; make it again with '{command}'.") from None
    if major > int(version.split(".")[0]):
        raise ModelError(
            f"{path} was written by a newer version of calib (file version {body['version']}, this one reads up to"
            f" {version}); update calib."
        )
    return body


def _whole(body: Mapping[str, Any]) -> VerificationSet:
    checks = [Verification.from_dict(one) for one in body.get("checks", [body])]
    if not checks:
        raise ValueError("it holds no check")
    if "decisions" not in body:  # version 1.0
        made = collect(checks)
        return VerificationSet(**{**vars(made), "created": str(body["created"])})
    risk = body["risk"]
    return VerificationSet(
        checks=tuple(checks),
        characteristics=tuple(Characteristic.from_dict(one) for one in body["characteristics"]),
        decisions=tuple(Decided.from_dict(one) for one in body["decisions"]),
        verdict=verdict_in(body),
        risk=None if risk is None else float(risk),
        notes=tuple(map(str, body["notes_of_all"])),
        scanner=str(body["scanner"]),
        model_sha256=str(body["model_sha256"]),
        created=str(body["created"]),
    )


def _refuse(constant: str) -> Any:
    raise CalibError(f"{constant} is no number")
