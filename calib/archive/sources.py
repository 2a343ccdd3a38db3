"""Which scans there are: files, folders with all that is in them, patterns, and where their corrections go."""

from __future__ import annotations

import glob
import importlib
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from pathlib import Path, PurePath

from calib.archive.task import Job, Outcome, refused
from calib.errors import CalibError
from calib.files import read_head, reason

_TEXTS = ("xyz", "text")  # whatever is no scan may have their endings


@dataclass(frozen=True)
class Source:
    """A scan file, and the folder below that of the results into which its correction goes."""

    path: Path
    below: PurePath = field(default_factory=PurePath)


@dataclass
class Found:
    """What was found.

    Attributes
    ----------
    jobs
        The scans, in the order of their names, with what they become.
    refused
        What can't even be tried.
    passed_over
        How many files in folders are no scans.
    links
        How many links to folders were not followed.
    """

    jobs: list[Job] = field(default_factory=list)
    refused: list[Outcome] = field(default_factory=list)
    passed_over: int = 0
    links: int = 0


def find(sources: Iterable[str | Path | Source], output: Path, *, figures: bool) -> Found:
    """Find all scans, and say what each becomes below the folder of the results.

    Folders are searched with all that is below them, and keep their structure; so do patterns such as
    ``archive/**/*.nc``, below the folder before the first wildcard. Links to folders are not followed, hidden files
    and the folder of the results are left alone. Files that are named go right into the folder of the results.
    """
    found = Found()
    taken: dict[str, Path] = {}
    for source in sources:
        for one in _scans(source, output, found):
            stem = stem_of(one.path)
            outputs = tuple(output / one.below / f"{stem}{ending}" for ending in (".nc", ".png")[: 1 + figures])
            key = os.path.normcase(outputs[0])
            if key in taken:
                said = f"{one.path}: {outputs[0]} is taken by {taken[key]} already; correct it into another folder."
                found.refused.append(refused(one.path, said))
                continue
            taken[key] = one.path
            found.jobs.append(Job(one.path, outputs))
    return found


def listed(text: str) -> list[Source]:
    """Return the files of a list, one a line or ended by NUL characters; relative paths keep their folders."""
    names = text.split("\0") if "\0" in text else text.splitlines()
    found = []
    for name in names:
        if not name.strip():
            continue
        path = Path(name)
        keeps = not path.is_absolute() and ".." not in path.parts
        found.append(Source(path, PurePath(path).parent if keeps else PurePath()))
    return found


def stem_of(path: Path) -> str:
    """Return the name of a scan file without its ending."""
    name = path.name[:-3] if path.name.lower().endswith(".gz") else path.name
    return Path(name).stem


def _scans(source: str | Path | Source, output: Path, found: Found) -> Iterator[Source]:
    if isinstance(source, Source):
        if source.path.is_dir():
            yield from (
                Source(one.path, source.below / source.path.name / one.below)
                for one in _in_folder(source.path, output, found)
            )
        else:
            yield source
        return
    path = Path(source)
    if path.is_dir():
        yield from _in_folder(path, output, found)
    elif not os.path.lexists(path) and glob.has_magic(str(source)):
        yield from _matching(path, output, found)
    else:
        yield Source(path)


def _in_folder(top: Path, output: Path, found: Found) -> Iterator[Source]:
    for path in _files(top, output, found):
        try:
            known = _is_scan(path)
        except CalibError as error:
            found.refused.append(refused(path, str(error)))
            continue
        if known:
            yield Source(path, path.parent.relative_to(top))
        else:
            found.passed_over += 1


def _files(top: Path, output: Path, found: Found) -> Iterator[Path]:
    """All files below a folder but hidden ones and results, in the order of their names."""

    def unreadable(error: OSError) -> None:
        folder = Path(error.filename)
        found.refused.append(refused(folder, f"The folder {folder} can't be read: {reason(error)}."))

    results = os.path.realpath(output)
    for folder, folders, files in os.walk(top, onerror=unreadable):
        kept = []
        for name in sorted(folders):
            path = os.path.join(folder, name)
            if name.startswith(".") or os.path.realpath(path) == results:
                continue
            if os.path.islink(path):  # it may lead anywhere, or back to where it stands
                found.links += 1
                continue
            kept.append(name)
        folders[:] = kept
        for name in sorted(files):
            path = os.path.join(folder, name)
            if not name.startswith("."):
                yield Path(path)


def _matching(pattern: Path, output: Path, found: Found) -> Iterator[Source]:
    """Files that match a pattern, in which ``**`` stands for any number of folders."""
    parts = pattern.parts
    first = next(k for k, part in enumerate(parts) if glob.has_magic(part))
    top, rest = Path(*parts[:first]), parts[first:]
    any_match = False
    if "**" in rest:
        for path in _files(top, output, found):
            if _fits(path.relative_to(top).parts, rest):
                any_match = True
                yield Source(path, path.parent.relative_to(top))
    else:
        results = os.path.realpath(output)
        for name in sorted(glob.glob(str(pattern))):
            path = Path(name)
            if os.path.realpath(path) == results or os.path.realpath(path.parent) == results:
                continue
            any_match = True
            below = path.parent.relative_to(top)
            if path.is_dir():
                yield from (Source(one.path, below / path.name / one.below) for one in _in_folder(path, output, found))
            else:
                yield Source(path, below)
    if not any_match:
        found.refused.append(refused(pattern, f"There is no file that matches {pattern}."))


def _fits(parts: tuple[str, ...], pattern: tuple[str, ...]) -> bool:
    """Whether the parts of a path match those of a pattern."""
    reached = {0}  # how much of the pattern may have been used up
    for part in (*parts, None):
        grown = set(reached)
        for at in sorted(reached):
            while at < len(pattern) and pattern[at] == "**":  # which may stand for nothing
                at += 1
                grown.add(at)
        if part is None:
            return len(pattern) in grown
        reached = {at + (pattern[at] != "**") for at in grown if at < len(pattern) and _fits_part(part, pattern[at])}
    return False


def _fits_part(name: str, pattern: str) -> bool:
    return pattern == "**" or fnmatchcase(os.path.normcase(name), os.path.normcase(pattern))


def _is_scan(path: Path) -> bool:
    """Tell by its ending or its first bytes whether a file in a folder is meant to be a scan.

    Endings of text files say little, so that one counts if it begins with numbers, or is described by a TOML file.
    """
    from calib.formats import _MODULES
    from calib.formats._beside import found_beside

    name = path.name.lower()
    modules = {module: importlib.import_module(f"calib.formats.{module}") for module in _MODULES}
    if any(name.endswith(known.SUFFIXES) for module, known in modules.items() if module not in _TEXTS):
        return True
    if not path.is_file() or not path.stat().st_size:
        return False
    if any(name.endswith(modules[module].SUFFIXES) for module in _TEXTS) and found_beside(path):
        return True
    head = read_head(path)
    return any(known.recognise(head, path) for known in modules.values())
