"""Checks of line against line: jumps.

A step that is the same in all columns and is made from one line to the next is a jump. An edge of the surface is none:
it takes more than one line, or not all columns, or comes again and again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.findings import text
from calib.findings.finding import Finding
from calib.findings.ranks import nanmedian, quantiles_of_lines
from calib.findings.samples import Statistics
from calib.findings.sheet import Float, Sheet

_JUMP_SCALE = 5.0  # robust deviations of the changes from line to line
_JUMP_NOISE = 3.0  # times the noise of a point
_SHARP = 0.2  # of a jump; an edge two lines wide leaves a quarter of its height to the lines beside it
_ALIKE = 0.8  # of the columns jump; lines of a grid leave the columns where they cross
_ONE_SIZE = 0.5  # of the largest: by so much the edges of a pattern differ at most
_MOST_JUMPS = 6  # more than that, of one size, are edges of the surface


@dataclass(frozen=True, eq=False)
class Profile:
    """The lines of a sheet with what is known of them."""

    statistics: Statistics

    @property
    def sheet(self) -> Sheet:
        """Return what the lines belong to."""
        return self.statistics.sheet

    @cached_property
    def lines(self) -> Float:
        """Every line in at most some hundred columns, lost lines empty; shape ``(sweeps, columns)``."""
        thin = np.array(self.sheet.thin())
        thin[self.statistics.lost] = np.nan
        return thin

    @cached_property
    def level(self) -> Float:
        """Lines less what they typically change by from one to the next: a tilt is neither streak nor jump."""
        lines = self.lines
        change = lines[1:] - lines[:-1]
        slope = nanmedian(change[:: max(len(change) // 128, 1)]) if np.isfinite(change).any() else 0.0
        return np.asarray(lines - (slope if np.isfinite(slope) else 0.0) * np.arange(len(lines))[:, None])


@dataclass(frozen=True)
class _Jump:
    """A step between lines: first row after it, column at which it happened (or None), size."""

    row: int
    column: int | None
    size: float
    name: str


def jumps(profiles: Sequence[Profile]) -> Iterator[Finding]:
    """Yield moments at which all that follows is displaced in height."""
    found = [jump for profile in profiles for jump in _jumps(profile)]
    if not found or _are_edges(found):
        return
    scan = profiles[0].sheet.scan
    rows = [jump.row for jump in found]
    largest = max(found, key=lambda jump: abs(jump.size))
    unit = scan.units.get(scan.channel, "")
    middle = [jump for jump in found if jump.column is not None]
    where = f", in column {middle[0].column}" if middle else ""
    surely = bool(middle)
    yield Finding(
        kind="jump",
        severity="warning",
        message=f"From {text.lines(rows)[:60]}{where} on, everything lies "
        f"{text.value(abs(largest.size), unit)} {'higher' if largest.size > 0 else 'lower'} than before."
        if len(set(rows)) <= 2
        else f"The level jumps at {text.lines(rows)}, by up to {text.value(abs(largest.size), unit)}.",
        advice="Scan again. " + ("" if surely else "If an edge of the sample runs exactly along the lines, turn it."),
        effect="Heights on either side of it can't be compared, and the probe may have changed.",
        lines=text.span(rows),
        runs=text.runs(rows),
        passes=tuple(dict.fromkeys(jump.name for jump in found)),
    )


def _jumps(profile: Profile) -> list[_Jump]:
    lines = profile.level
    count = lines.shape[0]
    if count < 12:
        return []
    change = lines[2:] - lines[:-2]  # about row r + 1
    usable = np.isfinite(change).mean(axis=1) > 0.5
    quartiles = np.full((3, count - 2), np.nan)
    if usable.any():
        whole = usable & np.isfinite(change).all(axis=1)
        quartiles[:, whole] = quantiles_of_lines(change[whole], 0.2, 0.5, 0.8)
        if (usable & ~whole).any():
            quartiles[:, usable & ~whole] = np.nanpercentile(change[usable & ~whole], [20, 50, 80], axis=1)
    low, middle, high = quartiles
    spread = 1.4826 * nanmedian(np.abs(middle - nanmedian(middle))) if usable.any() else np.inf
    size = np.abs(middle)
    limit = max(_JUMP_SCALE * spread, _JUMP_NOISE * profile.statistics.noise)
    with np.errstate(invalid="ignore"):
        likely = usable & (size > limit) & (low * high > 0) & (high - low < size + 3 * profile.statistics.noise)
    found: list[_Jump] = []
    candidates = np.flatnonzero(likely)
    for at in candidates[np.argsort(size[candidates])[::-1][:40]]:
        row = int(at) + 1
        if any(abs(row - profile.sheet.rows.searchsorted(jump.row)) <= 2 for jump in found):
            continue
        jump = _sharp(profile, row, float(middle[at]), spread)
        if jump is not None:
            found.append(jump)
    return [] if len(found) > _MOST_JUMPS else found


def _are_edges(found: Sequence[_Jump]) -> bool:
    """Whether several jumps are all of one size, as the edges of a pattern along the lines are."""
    sizes = np.array([abs(jump.size) for jump in found])
    rows = np.sort([jump.row for jump in found])
    # one jump lies on neighbouring lines of the two passes
    return int((np.diff(rows) > 4).sum()) >= 2 and float(np.ptp(sizes)) < _ONE_SIZE * float(sizes.max())


def _sharp(profile: Profile, row: int, size: float, spread: float) -> _Jump | None:
    """Tell a jump from an edge: each column makes it in one step, and none is made before or after."""
    lines = profile.level
    count, width = lines.shape
    if not 3 <= row < count - 3:
        return None
    upwards = profile.sheet.scan.frame != "down"
    # the way of the probe from now on: earlier lines first, and the sweep's own direction along a line
    order = slice(row - 3, row + 4) if upwards else slice(row + 3, row - 4 if row >= 4 else None, -1)
    part = lines[order] if profile.sheet.direction > 0 else lines[order, ::-1]
    size = size if upwards else -size
    steps = np.diff(part, axis=0)  # (6, columns); the jump is in steps 2 or 3
    into, out = np.nan_to_num(steps[2]), np.nan_to_num(steps[3])
    # the columns after the jump changed on the way into the line, those before it on the way out
    limit = 1.5 * abs(size)
    gain = np.clip(np.sign(size) * (into - out), -limit, limit)
    score = np.concatenate([[0.0], np.cumsum(gain[::-1])])[::-1]  # columns from k on changed on the way in
    k = int(np.argmax(score))
    after, before = slice(k, None), slice(None, k)
    made = np.concatenate([out[before], into[after]])
    if float(np.mean(np.abs(made - size) < 0.5 * abs(size))) < _ALIKE:
        return None
    size = float(np.median(made))
    rest = [float(np.nanmedian(steps[j])) for j in (1, 4) if np.isfinite(steps[j]).any()]
    if width - k > width // 12:
        rest.append(float(np.median(out[after])))
    if k > width // 12:
        rest.append(float(np.median(into[before])))
    if max(map(abs, rest), default=0.0) > _SHARP * abs(size) + spread:
        return None
    sheet = profile.sheet
    inside = width // 12 < k < width - width // 12
    column = k if sheet.direction > 0 else width - k
    later = row if k < width // 2 else row + (1 if upwards else -1)
    return _Jump(
        row=int(sheet.rows[later]),
        column=column * sheet.thin_step if inside else None,
        size=size,
        name=sheet.name,
    )
