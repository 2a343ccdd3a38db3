"""Calibration plans: which scans, of which standards, by which scanner; read from a TOML file.

See ``docs/reference/plan-files.md`` for the file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calib import units
from calib.calibration import Pair, Scanner
from calib.errors import CalibError, PlanError
from calib.files import read_toml, sha256, unknown_key
from calib.formats import read_options, read_scan
from calib.formats._fields import FIELDS, from_toml
from calib.scan import Scan
from calib.standard import Standard, load_standard

_PLAN_KEYS = ("scanner", "scan")
_SCANNER_KEYS = ("name", "travel", "controller")
_SCAN_KEYS = ("file", "standard", "turned", "channel")
_BY_HAND = (*FIELDS, "attributes")


@dataclass(frozen=True)
class Plan:
    """What a plan file says.

    Attributes
    ----------
    scanner
        What is declared of the scanner; empty if nothing is.
    pairs
        Scans with their standards, in the order of the file. ``scan.attributes["sha256"]`` is the hash of its file.
    file, sha256
        Name and hash of the plan file itself.
    """

    scanner: Scanner
    pairs: tuple[Pair, ...]
    file: str
    sha256: str


def read_plan(path: str | Path) -> Plan:
    """Read a plan, with all scans and standards that it names.

    Parameters
    ----------
    path
        A TOML file. The files that it names are relative to its own folder.

    Raises
    ------
    CalibError
        A `FileError` if the plan itself is missing, else a `PlanError` with the place in the plan that is wrong.
    """
    path = Path(path)
    table, digest = read_toml(path, error=PlanError)
    with _at(str(path)):
        _check_keys(table, _PLAN_KEYS)
        scanner = _scanner(table.get("scanner"))
        entries = table.get("scan", [])
        if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
            raise PlanError("each scan is a table of its own: head it with [[scan]], in double brackets.")
        if not entries:
            raise PlanError('it names no scans: add [[scan]] tables, each with file = "..." and standard = "...".')
    pairs: list[Pair] = []
    seen: dict[str, int] = {}
    for number, entry in enumerate(entries, start=1):
        with _at(f"{path}, scan {number}"):
            pair = _pair(entry, path.parent)
            content = str(pair.scan.attributes["sha256"])
            if content in seen:
                raise PlanError(
                    f"{entry['file']} has the content of scan {seen[content]} already: name each scan once."
                )
            seen[content] = number
            if scanner.name and pair.scan.scanner and pair.scan.scanner != scanner.name:
                raise PlanError(
                    f"{entry['file']} is of scanner {pair.scan.scanner!r}, but the plan is for {scanner.name!r}: "
                    "make a plan for each scanner."
                )
            pairs.append(pair)
    return Plan(scanner, tuple(pairs), path.name, digest)


def read_scan_as(path: str | Path, given: Mapping[str, Any], *, channel: str | None = None) -> Scan:
    """Read a scan, with what is said of it by hand.

    Parameters
    ----------
    path
        See :func:`calib.read_scan`.
    given
        Options of the format, and fields of the scan as texts with units, which replace those of the file.
    channel
        The channel that is observed.

    Returns
    -------
    Scan
        ``attributes["sha256"]`` is the hash of its file.

    Raises
    ------
    CalibError
        If the scan can't be read, or something that is said is unknown or makes no sense.
    """
    _check_keys(given, reading_keys())
    options = {key: value for key, value in given.items() if key not in _BY_HAND}
    fields = from_toml(given)
    scan = read_scan(path, channel=channel, **options)
    attributes = {**scan.attributes, **fields.pop("attributes", {}), "sha256": sha256(path)}
    return scan.replace(**fields, attributes=attributes)


def reading_keys() -> tuple[str, ...]:
    """Return all that can be said of a scan by hand: options of the formats, and fields of a scan."""
    options = read_options()
    return tuple(dict.fromkeys([*options, *_BY_HAND]))


def _scanner(content: object) -> Scanner:
    if content is None:
        return Scanner()
    if isinstance(content, str):
        return Scanner(content)
    if not isinstance(content, dict):
        raise PlanError("scanner must be a name, or a [scanner] table with name, travel and controller.")
    _check_keys(content, _SCANNER_KEYS, "[scanner]: ")
    name = content.get("name", "")
    if not isinstance(name, str):
        raise PlanError(f"[scanner]: name must be a text, not {name!r}.")
    travel = content.get("travel")
    return Scanner(name, None if travel is None else _travel(travel), from_toml(content).get("controller"))


def _travel(texts: object) -> tuple[float, ...]:
    if not isinstance(texts, list) or not 2 <= len(texts) <= 3:
        raise PlanError('[scanner]: travel is a list of two or three lengths such as ["20 µm", "20 µm", "4 µm"].')
    travel = tuple(units.parse(text, "length", "[scanner]: travel", error=PlanError) for text in texts)
    if min(travel) <= 0:
        raise PlanError("[scanner]: travel must be more than zero along every axis.")
    return travel


def _pair(entry: Mapping[str, Any], folder: Path) -> Pair:
    _check_keys(entry, (*_SCAN_KEYS, *reading_keys()))
    for key in ("file", "standard"):
        if key not in entry:
            raise PlanError(f'it has no {key}: add {key} = "...".')
    for key in ("file", "standard", "channel"):
        if not isinstance(entry.get(key, ""), str):
            raise PlanError(f"{key} must be a text, not {entry[key]!r}.")
    file = folder / entry["file"]
    if not file.exists():
        raise PlanError(
            f"it names {entry['file']}, but there is no file {file}: correct the name, or put the file there."
        )
    turned = entry.get("turned")
    angle = None if turned is None else units.parse(turned, "angle", "turned", error=PlanError)
    standard: Standard = load_standard(entry["standard"], folder=folder)
    given = {key: value for key, value in entry.items() if key not in _SCAN_KEYS}
    return Pair(read_scan_as(file, given, channel=entry.get("channel")), standard, angle)


def _check_keys(table: Mapping[str, Any], known: tuple[str, ...], where: str = "") -> None:
    for key in table:
        if key not in known:
            raise PlanError(f"{where}there is no key {key!r}: {unknown_key(key, known)}")


@contextmanager
def _at(where: str) -> Iterator[None]:
    """Put the place in the plan before what is wrong there."""
    try:
        yield
    except CalibError as error:
        raise PlanError(f"{where}: {error}") from error
