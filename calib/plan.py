"""Calibration plans: which scans, of which standards, by which scanner; read from a TOML file.

See ``docs/reference/plan-files.md`` for the file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib import units
from calib.errors import CalibError, PlanError
from calib.files import read_toml, sha256, unknown_key
from calib.formats import read_options, read_scan
from calib.formats._fields import FIELDS, from_toml
from calib.kinds import PLAN, refuse_other
from calib.scan import Scan
from calib.standard import Standard, load_standard

if TYPE_CHECKING:  # what fits and plans is brought along where a plan is read, not where a scan is
    from calib.calibration import Pair, Scanner
    from calib.planning.planned import PlannedScan

_PLAN_KEYS = ("scanner", "scan")
_SCANNER_KEYS = ("name", "travel", "controller", "periods")
_SCAN_KEYS = ("file", "standard", "turned", "channel", "planned")
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
    to_take
        Planned scans whose files don't exist yet, in the order of the file.
    departures
        Where scans are not what was planned, one sentence each.
    """

    scanner: Scanner
    pairs: tuple[Pair, ...]
    file: str
    sha256: str
    to_take: tuple[PlannedScan, ...] = ()
    departures: tuple[str, ...] = ()


def read_plan(path: str | Path, *, unfinished: bool = False) -> Plan:
    """Read a plan, with all scans and standards that it names.

    Parameters
    ----------
    path
        A TOML file. The files that it names are relative to its own folder.
    unfinished
        Whether scans may still be missing whose table says how they are `planned`.

    Raises
    ------
    CalibError
        A `FileError` if the plan itself is missing, else a `PlanError` with the place in the plan that is wrong, or
        with the scans that are still to be taken.
    """
    path = Path(path)
    refuse_other(path, PLAN)
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
    to_take: list[PlannedScan] = []
    departures: list[str] = []
    seen: dict[str, int] = {}
    for number, entry in enumerate(entries, start=1):
        with _at(f"{path}, scan {number}"):
            planned = _planned(entry, path.parent)
            if planned is not None and not (path.parent / entry["file"]).exists():
                to_take.append(planned)
                continue
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
            if planned is not None:
                departures += [f"{entry['file']} {departure}" for departure in planned.departures(pair.scan)]
    if to_take and not unfinished:
        named = ", ".join(one.title for one in to_take[:3]) + (" and so on" if len(to_take) > 3 else "")
        raise PlanError(
            f"{path}: {len(to_take)} of its {len(entries)} scans are still to be taken ({named}): take them, or strike"
            f" them from the plan; calib plan --so-far {path} says which one helps most."
        )
    return Plan(scanner, tuple(pairs), path.name, digest, tuple(to_take), tuple(departures))


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


def how_to_read(path: str | Path) -> dict[str, tuple[dict[str, Any], str | None]]:
    """Return what a plan says of reading each of its scans, without reading any.

    Returns
    -------
    dict
        What is given by hand and the channel, as for :func:`read_scan_as`, by the name of the file.

    Raises
    ------
    CalibError
        If the plan can't be read.
    """
    entries = read_toml(path, error=PlanError)[0].get("scan", [])
    said = {}
    for entry in entries if isinstance(entries, list) else ():
        if isinstance(entry, dict) and isinstance(entry.get("file"), str):
            given = {key: value for key, value in entry.items() if key not in _SCAN_KEYS}
            channel = entry.get("channel")
            said[Path(entry["file"]).name] = (given, channel if isinstance(channel, str) else None)
    return said


def reading_keys() -> tuple[str, ...]:
    """Return all that can be said of a scan by hand: options of the formats, and fields of a scan."""
    options = read_options()
    return tuple(dict.fromkeys([*options, *_BY_HAND]))


def _scanner(content: object) -> Scanner:
    from calib.calibration import Scanner

    if content is None:
        return Scanner()
    if isinstance(content, str):
        return Scanner(content)
    if not isinstance(content, dict):
        raise PlanError("scanner must be a name, or a [scanner] table with name, travel, controller and periods.")
    _check_keys(content, _SCANNER_KEYS, "[scanner]: ")
    name = content.get("name", "")
    if not isinstance(name, str):
        raise PlanError(f"[scanner]: name must be a text, not {name!r}.")
    travel = content.get("travel")
    return Scanner(
        name,
        None if travel is None else _travel(travel),
        from_toml({key: item for key, item in content.items() if key != "periods"}).get("controller"),
        _periods(content.get("periods", {})),
    )


def _periods(content: object) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Travel per turn of screws and gears, of x and of y."""
    if isinstance(content, list):
        content = {"x": content, "y": content}
    if not isinstance(content, dict) or not set(content) <= {"x", "y"}:
        raise PlanError(
            '[scanner]: periods are the travel per turn of the drives, as ["2 mm"] for both axes or as'
            ' { x = ["2 mm"], y = ["1 mm"] }.'
        )
    found = []
    for axis in ("x", "y"):
        texts = content.get(axis, [])
        texts = texts if isinstance(texts, list) else [texts]
        periods = tuple(units.parse(text, "length", f"[scanner]: periods of {axis}", error=PlanError) for text in texts)
        if min(periods, default=1.0) <= 0:
            raise PlanError(f"[scanner]: periods of {axis} must be more than zero.")
        found.append(periods)
    return found[0], found[1]


def _travel(texts: object) -> tuple[float, ...]:
    if not isinstance(texts, list) or not 2 <= len(texts) <= 3:
        raise PlanError('[scanner]: travel is a list of two or three lengths such as ["20 µm", "20 µm", "4 µm"].')
    travel = tuple(units.parse(text, "length", "[scanner]: travel", error=PlanError) for text in texts)
    if min(travel) <= 0:
        raise PlanError("[scanner]: travel must be more than zero along every axis.")
    return travel


def _check_entry(entry: Mapping[str, Any]) -> None:
    _check_keys(entry, (*_SCAN_KEYS, *reading_keys()))
    for key in ("file", "standard"):
        if key not in entry:
            raise PlanError(f'it has no {key}: add {key} = "...".')
    for key in ("file", "standard", "channel"):
        if not isinstance(entry.get(key, ""), str):
            raise PlanError(f"{key} must be a text, not {entry[key]!r}.")


def _planned(entry: Mapping[str, Any], folder: Path) -> PlannedScan | None:
    """How a scan is planned, if the plan says so."""
    from calib.planning.planned import PlannedScan

    _check_entry(entry)
    if "planned" not in entry:
        return None
    standard = load_standard(entry["standard"], folder=folder)
    return PlannedScan.from_toml(entry["planned"], standard, _turned(entry), entry["file"])


def _turned(entry: Mapping[str, Any]) -> float | None:
    turned = entry.get("turned")
    return None if turned is None else units.parse(turned, "angle", "turned", error=PlanError)


def _pair(entry: Mapping[str, Any], folder: Path) -> Pair:
    from calib.calibration import Pair

    file = folder / entry["file"]
    if not file.exists():
        raise PlanError(
            f"it names {entry['file']}, but there is no file {file}: correct the name, or put the file there."
        )
    standard: Standard = load_standard(entry["standard"], folder=folder)
    given = {key: value for key, value in entry.items() if key not in _SCAN_KEYS}
    return Pair(read_scan_as(file, given, channel=entry.get("channel")), standard, _turned(entry))


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
