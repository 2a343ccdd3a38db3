"""Files of calib itself that stand where another kind is asked for: what they are, and which command takes them."""

from __future__ import annotations

import re
from pathlib import Path

from calib.errors import CalibError, FileError
from calib.files import read_head, read_toml

PLAN, STANDARD, SCAN = "plan", "standard", "scan"
MODEL, VERIFICATION, COMPARISON, INTERIM = "model", "verification", "comparison", "interim check"

_FORMATS = {
    "calib model": MODEL,
    "calib verification": VERIFICATION,
    "calib comparison": COMPARISON,
    "calib interim check": INTERIM,
}
_SAID = re.compile(rb'"format"\s*:\s*"(calib [a-z ]+)"')
_TAKEN_BY = {
    PLAN: "calib calibrate makes a model of its scans, and calib plan --so-far judges them as they come",
    STANDARD: "calib standards shows it, and other commands take it as --standard",
    SCAN: "calib inspect tells what is in it",
    MODEL: "calib show tells what is in it, and other commands take it as --model",
    VERIFICATION: "calib show and calib report take it",
    COMPARISON: "calib show and calib report take it",
    INTERIM: "calib interim takes it as --before",
}


def own_kind(path: str | Path) -> str | None:
    """Tell which kind of file it is by its first bytes, or by its keys if it is TOML; None if that can't be told."""
    path = Path(path)
    try:
        head = read_head(path)
        if path.suffix.lower() == ".toml":
            table, _ = read_toml(path)
            kinds = ("grating", "grid", "step", "flat")
            return PLAN if "scan" in table else STANDARD if table.get("kind") in kinds else None
    except CalibError:
        return None
    if head.lstrip(b"\xef\xbb\xbf \t\r\n[")[:1] == b"{":
        said = _SAID.search(head)
        return None if said is None else _FORMATS.get(said.group(1).decode())
    from calib.formats import looks_like_scan

    return SCAN if looks_like_scan(head, path) else None


def refuse_other(path: str | Path, *wanted: str) -> None:
    """Refuse a file of another kind than one of those wanted, and name the command that takes it.

    Raises
    ------
    FileError
        If it surely is of another kind; what can't be told is left to whoever reads it.
    """
    path = Path(path)
    asked = f"no {', '.join(wanted[:-1])}{' or ' if len(wanted) > 1 else ''}{wanted[-1]}"
    if path.is_dir():
        raise FileError(
            f"{path} is a folder, not a file: calib history and calib report tell of a folder of models, and calib"
            " correct takes a folder of scans."
        )
    kind = own_kind(path) if path.is_file() else None
    if kind is not None and kind not in wanted:
        article = "an" if kind == INTERIM else "a"
        raise FileError(f"{path} is {article} {kind}, and {asked}: {_TAKEN_BY[kind]}.")
