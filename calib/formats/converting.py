"""From one format to another, and what is lost on the way: what was written is read back and compared."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import CalibError
from calib.formats import read_scan, write_scan
from calib.formats._fields import FIELDS, to_attributes
from calib.scan import Scan
from calib.units import show

__all__ = ["Content", "convert", "lost"]

_SAMPLED = 2**18  # points of a channel that are compared one by one, at most
_PIECE = 2**20


@dataclass(frozen=True)
class Content:
    """What is in a scan, small enough to be kept while another one is read.

    Attributes
    ----------
    fields
        How it was taken, in the words of a native file.
    passes, units
        Of the scan.
    axes
        Coordinates along fast and slow, m.
    digests
        SHA-256 of the numbers of each channel as float64, by pass.
    samples
        Numbers of each channel at regular places, shape ``(passes, …)``.
    """

    fields: Mapping[str, Any]
    passes: tuple[str, ...]
    units: Mapping[str, str]
    axes: tuple[NDArray[np.float64], NDArray[np.float64]]
    digests: Mapping[str, tuple[str, ...]]
    samples: Mapping[str, NDArray[Any]]

    @classmethod
    def of(cls, scan: Scan) -> Content:
        """Take it from a scan."""
        skip = max(1, int(np.ceil(np.sqrt(scan.shape[1] * scan.shape[2] / _SAMPLED))))
        return cls(
            {name: value for name, value in to_attributes(scan).items() if name not in ("Conventions", "sha256")},
            scan.passes,
            dict(scan.units),
            (np.asarray(scan.fast, dtype=np.float64), np.asarray(scan.slow, dtype=np.float64)),
            {name: tuple(_digest(image) for image in values) for name, values in scan.channels.items()},
            {name: values[:, ::skip, ::skip].copy() for name, values in scan.channels.items()},
        )


def convert(
    scan: Scan, target: str | Path, *, force: bool = False, options: Mapping[str, Any] | None = None
) -> list[str]:
    """Write a scan in the format that the ending of ``target`` says, and find out what that lost.

    Parameters
    ----------
    scan
        What to write. To save memory keep no other reference to it.
    target
        The file.
    force
        Whether an existing file may be replaced.
    options
        Of the format, for writing.

    Returns
    -------
    list of str
        What is in the scan, but no longer in the file; a sentence each. Empty if the file makes the same scan again.

    Raises
    ------
    CalibError
        If it can't be written.
    """
    attributes = {name: value for name, value in scan.attributes.items() if name not in ("sha256", "file")}
    scan = scan.replace(attributes=attributes)
    options = dict(options or {})
    before = Content.of(scan)
    write_scan(target, scan, force=force, **options)
    del scan
    try:
        after = Content.of(read_scan(target))
    except CalibError as error:
        return [f"It can't be read back without being told more: {error}"]
    return list(lost(before, after))


def lost(before: Content, after: Content) -> Iterator[str]:
    """Yield what is in one scan and not, or not the same, in another; a sentence each."""
    gone = [name for name in before.passes if name not in after.passes]
    if gone:
        yield f"The pass {' and '.join(gone)} is not in it." if after.passes else "It has no pass."
    kept = [name for name in before.passes if name in after.passes]
    for axis, name in enumerate(("fast", "slow")):
        yield from _axis_lost(name, before.axes[axis], after.axes[axis])
    for name in before.units:
        if name not in after.units:
            yield f"The channel {name} is not in it."
            continue
        if before.units[name] != after.units[name]:
            yield f"The unit of {name}, {before.units[name]!r}, is {after.units[name]!r} in it."
        places = [(before.passes.index(one), after.passes.index(one)) for one in kept]
        if any(before.digests[name][one] != after.digests[name][other] for one, other in places):
            yield _numbers_lost(name, before, after, places)
    changed = {name for name, value in before.fields.items() if not _same(after.fields.get(name), value)}
    said = sorted(name for name in changed if name in FIELDS)
    other = sorted(changed.difference(said))
    if said:
        yield f"Of how it was taken it does not hold: {', '.join(said)}."
    if other:
        yield f"Of the rest it does not hold: {', '.join(other)}."


def _axis_lost(name: str, before: NDArray[np.float64], after: NDArray[np.float64]) -> Iterator[str]:
    if before.size != after.size:
        yield f"The {name} axis has {after.size} pixels in it, not {before.size}."
        return
    worst = float(np.abs(before - after).max())
    size = float(before[-1] - before[0])
    if worst > 1e-12 * size:
        yield f"Coordinates along {name} differ by up to {show(worst)}."


def _numbers_lost(name: str, before: Content, after: Content, places: list[tuple[int, int]]) -> str:
    one = before.samples[name][[place for place, _ in places]].astype(np.float64)
    other = after.samples[name][[place for _, place in places]]
    if one.shape != other.shape:
        return f"The numbers of {name} are other ones."
    gaps = int(np.count_nonzero(np.isnan(one) != np.isnan(other)))
    differences = np.abs(one - other)
    worst = float(np.nanmax(differences)) if np.isfinite(differences).any() else 0.0
    unit = before.units[name] or "1"
    text = f"The numbers of {name} are rounded: they differ by up to {show(worst, unit, 2)}"
    return text + (", and points without data are not the same ones." if gaps else ".")


def _digest(image: NDArray[Any]) -> str:
    """Hash numbers; all that are no data count as one, and -0 as 0."""
    digest = hashlib.sha256()
    rows = max(1, _PIECE // image.shape[1])
    for first in range(0, image.shape[0], rows):
        part = image[first : first + rows].astype(np.float64) + 0.0
        part[np.isnan(part)] = np.nan
        digest.update(np.ascontiguousarray(part).data)
    return digest.hexdigest()


def _same(one: Any, other: Any) -> bool:
    if isinstance(one, np.ndarray) or isinstance(other, np.ndarray):
        return bool(np.array_equal(np.asarray(one), np.asarray(other)))
    return bool(one == other)
