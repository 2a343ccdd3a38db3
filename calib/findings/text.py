"""Words that messages share."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calib.units import show

_NAMED = 4


def percent(part: float) -> str:
    """Print a part of a whole; what is hardly anything never reads as nothing."""
    return f"{100 * part:.2g} %" if part >= 5e-5 else "less than 0.01 %"


def value(number: float, unit: str) -> str:
    """Print a value of a channel with its unit, if it has one."""
    return show(number, unit or "1")


def lines(rows: Sequence[int] | np.ndarray) -> str:
    """Name some rows: runs as first to last, and not more than a few of them."""
    found = runs(rows)
    words = [str(first) if first == last else f"{first} to {last}" for first, last in found]
    more = f" and {len(words) - _NAMED} more" if len(words) > _NAMED else ""
    one = len(found) == 1 and found[0][0] == found[0][1]
    return ("line " if one else "lines ") + ", ".join(words[:_NAMED]) + more


def runs(rows: Sequence[int] | np.ndarray) -> tuple[tuple[int, int], ...]:
    """First and last row of every run of rows without a gap."""
    numbers = np.unique(np.asarray(rows, dtype=np.int64))
    parts = np.split(numbers, np.flatnonzero(np.diff(numbers) > 1) + 1)
    return tuple((int(part[0]), int(part[-1])) for part in parts)


def span(rows: Sequence[int] | np.ndarray) -> tuple[int, int]:
    """First and last of some rows."""
    return int(np.min(rows)), int(np.max(rows))


def both(names: Sequence[str]) -> str:
    """Name some passes."""
    return " and ".join(dict.fromkeys(names))
