"""Scans taken one after the other: what the scanner did before each of them.

A scanner that creeps remembers the scans before. Where all say when they began, what went before each is known.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from calib.path import Path, Stretch
from calib.scan import Scan

_CLOCK = 1.0  # s by which times that scans state may be wrong: many are whole seconds


def rests(scans: Sequence[Scan]) -> list[tuple[float, float] | None]:
    """Where the scanner rested before each scan, m, if the scan before it is known to have left it there.

    Parameters
    ----------
    scans
        In the order of time.
    """
    found: list[tuple[float, float] | None] = [None] if scans else []
    for before, now in itertools.pairwise(scans):
        in_time = before.started is not None and now.started is not None
        found.append(Path(before).last if in_time else None)
    return found


def histories(scans: Sequence[Scan]) -> list[tuple[Stretch, ...]]:
    """What the scanner did before each scan, as far back as that is known without a gap.

    Parameters
    ----------
    scans
        In the order of time. A scan that says neither when it began nor how long it took ends what is known.
    """
    known: list[
        tuple[float, float, tuple[float, float], tuple[float, float]]
    ] = []  # begin, end on the clock of the first
    found: list[tuple[Stretch, ...]] = []
    first = scans[0].started if scans else None
    for scan, rest in zip(scans, rests(scans), strict=True):
        if scan.started is None or first is None or (scan.started.tzinfo is None) != (first.tzinfo is None):
            known, first = [], scan.started
            found.append(())
            continue
        began, path = (scan.started - first).total_seconds(), Path(scan, rest)
        if known:
            ended = known[-1][1]
            if began < ended - _CLOCK:
                known = []  # two scans at a time: one of the clocks is wrong
            else:
                at = path.rest if path.rest is not None else known[-1][3]
                known.append((ended, max(began, ended), at, at))
        found.append(tuple(Stretch(began - begin, max(began - end, 0.0), *ends) for begin, end, *ends in known))
        if path.timed:
            if not known and path.rest is not None:  # it is taken as settled there
                known.append((began, began, path.rest, path.rest))
            known.append((began, began + path.frame_time, *path.mean_course))
        else:
            known = []
    return found
