"""Checks of line against line: streaks and jumps.

A line that stands out between its neighbours is a streak; a step that is the same in all columns and is made from one
line to the next is a jump. Edges of the surface are neither: they take more than one line, or not all columns.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.findings import text
from calib.findings.finding import Finding
from calib.findings.samples import Statistics
from calib.findings.sheet import Bool, Float, Sheet

_CLIP = 5.0  # residual scales; what is higher counts no more, so that a speck of dust is no streak
_STANDS_OUT = 8.0  # robust deviations of the lines' scores; Gaussian lines reach 4 in a thousand lines
_VISIBLE = 1.7  # residual scales, about 1.3 times the noise: what is less does no harm
_SETTLING = 4  # lines at the start and the end of a frame
_FEW_STREAKS = 3  # lines; fewer are a note
_JUMP_SCALE = 5.0  # robust deviations of the changes from line to line
_JUMP_NOISE = 3.0  # times the noise of a point
_SHARP = 0.2  # of a jump; an edge two lines wide leaves a quarter of its height to the lines beside it
_ALIKE = 0.8  # of the columns jump; lines of a grid leave the columns where they cross
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
        thin = np.array(self.sheet.thin)
        thin[self.statistics.lost] = np.nan
        return thin

    @cached_property
    def residual(self) -> Float:
        """Each line less the median of itself and its neighbours, zero where one of them has no data."""
        below, line, above = self.lines[:-2], self.lines[1:-1], self.lines[2:]
        low, high = np.minimum(below, above), np.maximum(below, above)
        rest = np.zeros_like(self.lines)
        rest[1:-1] = np.nan_to_num(line - np.clip(line, low, high))
        return rest


def streaks(profiles: Sequence[Profile]) -> Iterator[Finding]:
    """Yield lines on which a stretch is displaced."""
    rows: list[int] = []
    columns: list[int] = []
    passes: list[str] = []
    total, deepest = 0, 0.0
    for profile in profiles:
        sheet = profile.sheet
        total += sheet.rows.size
        marked, depth, span = _streaked(profile)
        if marked.any():
            rows.extend(sheet.rows[marked])
            columns.extend(span)
            passes.append(sheet.name)
            deepest = max(deepest, depth)
    if not rows:
        return
    scan = profiles[0].sheet.scan
    yield Finding(
        kind="streaks",
        severity="warning" if _in_frame(rows, scan.slow.size) >= _FEW_STREAKS else "note",
        message=f"{len(rows)} of {total} lines are displaced along a stretch, by about "
        f"{text.value(deepest, scan.units.get(scan.channel, ''))}: {text.lines(rows)} ({text.both(passes)}).",
        advice="Scan more slowly or with more force on the surface, and look for dirt on the probe.",
        effect="The lines get little weight. Steps and roughness suffer if there are many.",
        lines=text.span(rows),
        area=(*text.span(rows), *text.span(columns)),
        passes=tuple(dict.fromkeys(passes)),
    )


def _in_frame(rows: Sequence[int], count: int) -> int:
    """How many rows are not among the first and last, where a scanner settles and the surface seems to move."""
    return sum(_SETTLING <= row < count - _SETTLING for row in rows)


def _streaked(profile: Profile) -> tuple[Bool, float, tuple[int, int]]:
    rest = profile.residual
    count, width = rest.shape
    some = np.abs(rest[:: max(count // 256, 1)])
    some = some[some > 0]
    none = np.zeros(count, dtype=bool), 0.0, (0, 0)
    if count < 8 or width < 16 or not some.size:
        return none
    scale = float(np.median(some))
    box = max(8, width // 16)
    # boxes half a box apart; a streak fills two of them that overlap, the top of a speck of dust does not
    cut = np.clip(rest, -_CLIP * scale, _CLIP * scale)
    score = np.zeros((count, max(2 * (width // box) - 1, 1)))
    for k in (0, 1):
        number = (width - k * (box // 2)) // box
        part = cut[:, k * (box // 2) : k * (box // 2) + number * box]
        score[:, k::2][:, :number] = part.reshape(count, number, box).mean(axis=2)[:, : score[:, k::2].shape[1]]
    both = np.where(score[:, 1:] * score[:, :-1] > 0, np.minimum(np.abs(score[:, 1:]), np.abs(score[:, :-1])), 0.0)
    worst = both.max(axis=1)
    middle = float(np.median(worst[1:-1]))
    spread = 1.4826 * float(np.median(np.abs(worst[1:-1] - middle)))
    limit = max(middle + _STANDS_OUT * spread, _VISIBLE * scale)
    marked = worst > limit
    if not marked.any():
        return none
    where = np.flatnonzero((both[marked] > limit).any(axis=0))
    step = profile.sheet.thin_step
    first, last = int(where[0]) * (box // 2), min((int(where[-1]) + 3) * (box // 2), width)
    return marked, float(np.median(np.abs(rest[marked]).max(axis=1))), (first * step, last * step - 1)


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
    if not found:
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
        passes=tuple(dict.fromkeys(jump.name for jump in found)),
    )


def _jumps(profile: Profile) -> list[_Jump]:
    lines = profile.lines
    count = lines.shape[0]
    if count < 12:
        return []
    change = lines[2:] - lines[:-2]  # about row r + 1
    usable = np.isfinite(change).mean(axis=1) > 0.5
    quartiles = np.full((3, count - 2), np.nan)
    if usable.any():
        whole = usable & np.isfinite(change).all(axis=1)
        quartiles[:, whole] = np.percentile(change[whole], [20, 50, 80], axis=1)
        if (usable & ~whole).any():
            quartiles[:, usable & ~whole] = np.nanpercentile(change[usable & ~whole], [20, 50, 80], axis=1)
    low, middle, high = quartiles
    spread = 1.4826 * float(np.nanmedian(np.abs(middle - np.nanmedian(middle)))) if usable.any() else np.inf
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
    if len(found) > _MOST_JUMPS:
        return []
    return found


def _sharp(profile: Profile, row: int, size: float, spread: float) -> _Jump | None:
    """Tell a jump from an edge: each column makes it in one step, and none is made before or after."""
    lines = profile.lines
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
