"""Streaks: lines on which a stretch is displaced in height.

A streak stands out between the lines beside it. The surface does so as well: at the top of a speck of dust, at a
corner, along an edge. But it goes on from line to line, and is the same in the other pass.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from calib.findings import text
from calib.findings.finding import Finding
from calib.findings.lines import Profile
from calib.findings.ranks import median
from calib.findings.sheet import Bool, Float, Sheet

_CLIP = 5.0  # residual scales; what is higher counts no more, so that a speck of dust is no streak
_STANDS_OUT = 8.0  # robust deviations of the lines' scores; Gaussian lines reach 4 in a thousand lines
_VISIBLE = 1.7  # residual scales, about 1.3 times the noise: what is less does no harm
_SETTLING = 4  # lines at the start and the end of a frame
_FEW = 2  # lines; fewer are a note
_CALM = 1.5  # of what stands out: by so much the two lines on either side may differ among themselves
_SEEN_AGAIN = 0.5  # of what stands out, on the same line of the other pass
_REACH = 0.16  # of the width: how far apart the passes may lie


@dataclass(frozen=True, eq=False)
class _Scores:
    """How far each stretch of each line of a sheet stands out; shapes ``(lines, stretches)``.

    Stretches overlap by half, and a streak fills two of them; the top of a speck of dust does not.
    """

    sheet: Sheet
    standing: Float
    """Above (or, negative, below) both neighbours; a score counts at most some residual scales."""
    marked: Bool
    box: int
    """Columns of a stretch."""

    @classmethod
    def of(cls, profile: Profile) -> _Scores | None:
        """Score the lines of a sheet; None if it is too small, or has no data."""
        lines = profile.level
        count, width = lines.shape
        if count < 8 or width < 16:
            return None
        rest = _residual(lines)
        some = np.abs(rest[:: max(count // 256, 1)])
        some = some[some > 0]
        if not some.size:
            return None
        scale = median(some)
        box = max(8, width // 16)
        score = _stretches(np.clip(rest, -_CLIP * scale, _CLIP * scale), box)
        size = np.where(score[:, 1:] * score[:, :-1] > 0, np.minimum(np.abs(score[:, 1:]), np.abs(score[:, :-1])), 0.0)
        worst = size.max(axis=1)
        middle = median(worst[1:-1])
        spread = 1.4826 * median(np.abs(worst[1:-1] - middle))
        marked = size > max(middle + _STANDS_OUT * spread, _VISIBLE * scale)
        if marked.any():
            calm = _calm(_stretches(lines, box))
            marked &= calm[:, 1:] | calm[:, :-1]
        return cls(profile.sheet, size * np.sign(score[:, 1:]), marked, box)

    def not_on(self, other: _Scores) -> Bool:
        """What is marked and does not stand out on the same line of the other pass as well."""
        from scipy import ndimage

        reach = 2 * int(np.ceil(_REACH * self.standing.shape[1])) + 1
        # the slow axis goes on between the passes, so that the lines beside count as well
        high = ndimage.maximum_filter(other.standing, (3, reach))
        low = ndimage.minimum_filter(other.standing, (3, reach))
        again = np.where(self.standing > 0, high, -low) > _SEEN_AGAIN * np.abs(self.standing)
        return np.asarray(self.marked & ~again)


def streaks(profiles: Sequence[Profile]) -> Iterator[Finding]:
    """Yield lines on which a stretch is displaced."""
    scores = [found for profile in profiles if (found := _Scores.of(profile)) is not None]
    marked = [each.marked for each in scores]
    if len(scores) == 2 and scores[0].sheet.rows[0] == scores[1].sheet.rows[0]:
        marked = [scores[0].not_on(scores[1]), scores[1].not_on(scores[0])]
    rows: list[int] = []
    columns: list[int] = []
    passes: list[str] = []
    sizes: list[float] = []
    for each, where in zip(scores, marked, strict=True):
        if where.any():
            on = np.asarray(where.any(axis=1))
            rows.extend(each.sheet.rows[on])
            columns.extend(_span(each, where))
            passes.append(each.sheet.name)
            sizes.append(_depth(each.sheet, on))
    if not rows:
        return
    scan = profiles[0].sheet.scan
    total = sum(profile.sheet.rows.size for profile in profiles)
    yield Finding(
        kind="streaks",
        severity="warning" if _in_frame(rows, scan.slow.size) >= _FEW else "note",
        message=f"{len(rows)} of {total} lines are displaced along a stretch, by about "
        f"{text.value(max(sizes), scan.units.get(scan.channel, ''))}: {text.lines(rows)} ({text.both(passes)}).",
        advice="Scan more slowly or with more force on the surface, and look for dirt on the probe.",
        effect="The lines get little weight. Steps and roughness suffer if there are many.",
        lines=text.span(rows),
        runs=text.runs(rows),
        area=(*text.span(rows), *text.span(columns)),
        passes=tuple(dict.fromkeys(passes)),
    )


def _in_frame(rows: Sequence[int], count: int) -> int:
    """How many rows are not among the first and last, where a scanner settles and the surface seems to move."""
    return sum(_SETTLING <= row < count - _SETTLING for row in rows)


def _residual(lines: Float) -> Float:
    """Each line less the median of itself and its neighbours, zero where one of them has no data."""
    below, line, above = lines[:-2], lines[1:-1], lines[2:]
    rest = np.zeros_like(lines)
    rest[1:-1] = np.nan_to_num(line - np.clip(line, np.minimum(below, above), np.maximum(below, above)))
    return rest


def _stretches(values: Float, box: int) -> Float:
    """Means over stretches that overlap by half; shape ``(lines, stretches)``."""
    count, width = values.shape
    means = np.zeros((count, max(2 * (width // box) - 1, 1)))
    for k in (0, 1):
        number = (width - k * (box // 2)) // box
        part = values[:, k * (box // 2) : k * (box // 2) + number * box]
        own = means[:, k::2]
        own[:, :number] = part.reshape(count, number, box).mean(axis=2)[:, : own.shape[1]]
    return means


def _calm(means: Float) -> Bool:
    """Whether the two lines on either side of a stretch differ less among themselves than it stands out of them."""
    far = np.pad(means, ((2, 2), (0, 0)), constant_values=np.nan)
    beside = np.stack([far[:-4], far[1:-3], far[3:-1], far[4:]])
    low, high = np.fmin.reduce(beside), np.fmax.reduce(beside)
    near_low, near_high = np.fmin(beside[1], beside[2]), np.fmax(beside[1], beside[2])
    out = np.maximum(means - near_high, near_low - means)
    return np.asarray(high - low < _CALM * out)


def _span(each: _Scores, where: Bool) -> tuple[int, int]:
    """First and last column concerned."""
    at = np.flatnonzero(where.any(axis=0))
    half, step = each.box // 2, each.sheet.thin_step
    width = each.sheet.values.shape[1]
    return int(at[0]) * half * step, min((int(at[-1]) + 3) * half * step, width) - 1


def _depth(sheet: Sheet, on: Bool) -> float:
    """Typical largest displacement of some lines."""
    rows = np.flatnonzero(on)
    rows = rows[(rows > 0) & (rows < on.size - 1)]
    around = np.stack([sheet.thin(rows + k) for k in (-1, 0, 1)])
    out = np.abs(around[1] - np.clip(around[1], np.minimum(around[0], around[2]), np.maximum(around[0], around[2])))
    return float(np.nanmedian(np.nanmax(out, axis=1)))
