"""Check of the place of line against line: jumps sideways."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from calib.findings.finding import Finding
from calib.findings.samples import Statistics
from calib.findings.sheet import Float

_REACH = 9  # pixels; a pattern that is finer than twice that may seem to move by a whole period
_START = 6  # lines at either end, where the scanner settles
_LEAST = 1.6  # pixels; less is drift or the noise of rough surfaces
_ALIKE = 0.6  # correlation of the lines before and after, once they are moved
_BETTER = 0.12  # by so much it is better than without the move
_MOST = 3  # slips in a frame


def slips(all_statistics: Sequence[Statistics]) -> Iterator[Finding]:
    """Yield lines from which on everything lies displaced along the lines."""
    found: list[tuple[int, float, str]] = []
    for each in all_statistics:
        if each.empty or each.alike:
            continue
        found += [(row, by, each.sheet.name) for row, by in _slips(each)]
    if not found or len(found) > _MOST * len(all_statistics):
        return
    rows = [row for row, _, _ in found]
    by = max((move for _, move, _ in found), key=abs)
    yield Finding(
        kind="sideways jump",
        severity="warning",
        message=f"From line {min(rows)} on, the picture lies {abs(by):.1f} pixels further to the "
        f"{'right' if by > 0 else 'left'}.",
        advice="Look for knocks, a loose sample or a slipping stage; scan again.",
        effect="Distances across this line are wrong, and bending is seen where there is none.",
        lines=(min(rows), max(rows)),
        passes=tuple(dict.fromkeys(name for _, _, name in found)),
    )


def _slips(each: Statistics) -> list[tuple[int, float]]:
    """Rows and displacements, pixels."""
    picture = each.flat
    count, width = picture.shape
    if count < 24 or width < 64:
        return []
    good = np.isfinite(picture)
    low, high = each.relief
    middle = 0.5 * (low + high)
    lines = np.clip(np.where(good, picture, middle) - middle, low - middle, high - middle)
    lines = lines - lines.mean(axis=1, keepdims=True)
    usable = (good.mean(axis=1) > 0.7) & ~each.lost[each.sheet.middle[0]]
    power = (lines**2).mean(axis=1)
    usable &= power > max(4 * each.noise**2, 0.1 * float(np.median(power)))
    rows = np.flatnonzero(usable)
    if rows.size < 16:
        return []
    lines = lines[rows]
    before, after = lines[:-2], lines[2:]
    gap = rows[2:] - rows[:-2]
    move, alike, still = _moves(before, after)
    rate = float(np.median(move / gap))
    odd = move - rate * gap
    spread = 1.4826 * float(np.median(np.abs(odd - np.median(odd))))
    limit = max(_LEAST, 6 * spread)
    likely = np.flatnonzero(
        (np.abs(odd) > limit) & (alike > _ALIKE) & (alike > still + _BETTER) & (gap < 6) & (np.abs(odd) < _REACH)
    )
    found: list[tuple[int, float]] = []
    for k in likely[np.argsort(-np.abs(odd[likely]))]:
        if not _START <= rows[k + 1] < count - _START:
            continue
        row = int(each.sheet.rows[each.sheet.middle[0]][rows[k + 1]])
        if any(abs(row - other) < 8 * each.sheet.line_step for other, _ in found):
            continue
        if _stays(lines, rows, int(k), float(odd[k]), rate):
            found.append((row, float(odd[k])))
    return found if len(found) <= _MOST else []


def _stays(lines: Float, rows: np.ndarray, k: int, by: float, rate: float) -> bool:
    """Whether lines further away are displaced by as much: a streak or an odd line comes back."""
    pairs = [(a, b) for a in (k - 2, k - 1, k) for b in (k + 2, k + 3, k + 4) if a >= 0 and b < len(lines)]
    if len(pairs) < 4:
        return False
    first, second = (np.array(side) for side in zip(*pairs, strict=True))
    move, alike, _ = _moves(lines[first], lines[second])
    odd = move - rate * (rows[second] - rows[first])
    return float(np.mean((np.abs(odd - by) < max(1.0, 0.3 * abs(by))) & (alike > 0.8 * _ALIKE))) > 0.6


def _moves(before: Float, after: Float) -> tuple[Float, Float, Float]:
    """Displacement of lines against others, px, the correlation with it, and the correlation without."""
    width = before.shape[1]
    one, other = (np.fft.rfft(each, 2 * width, axis=1) for each in (before, after))
    product = np.fft.irfft(np.conj(one) * other, 2 * width, axis=1)
    reach = min(_REACH, width // 8)
    product = np.concatenate([product[:, -reach:], product[:, : reach + 1]], axis=1)
    shifts = np.arange(-reach, reach + 1)
    overlap = (width - np.abs(shifts)) / width
    scale = np.sqrt((before**2).sum(axis=1) * (after**2).sum(axis=1))[:, None] + 1e-300
    match = product / scale / overlap
    at = np.clip(np.argmax(match, axis=1), 1, shifts.size - 2)
    index = np.arange(len(match))
    low, top, high = match[index, at - 1], match[index, at], match[index, at + 1]
    curve = low - 2 * top + high
    part = np.where(curve < 0, 0.5 * (low - high) / np.where(curve < 0, curve, -1.0), 0.0)
    return shifts[at] + np.clip(part, -1, 1), top, match[:, reach]
