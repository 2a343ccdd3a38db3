"""Checks of the values themselves: none, all alike, missing, clipped, coarse."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from calib.findings import text
from calib.findings.finding import Finding
from calib.findings.ranks import median, quantiles
from calib.findings.sheet import Bool, Float, Sheet, row_blocks
from calib.scan import FloatArray, Scan

if TYPE_CHECKING:
    from calib.findings.spectrum import Spectrum

_ABSURD = 1e30  # in any unit; its square still is a number
_FEWEST = 8  # points along a side; the observers need as many
_SAMPLE_LINES = 96  # of a sheet, from which its noise and its quantum are taken
_LOST = 0.25  # of the points of a line, beyond what a typical line lacks
_MANY_LOST = 0.25  # of the lines


@dataclass(frozen=True, eq=False)
class Statistics:
    """What the values of a sheet are like, line by line; every array has shape ``(sweeps,)``."""

    sheet: Sheet
    share: Float
    """Of the points, how many hold data."""
    low: Float
    high: Float
    """Least and greatest value; NaN where there is no data."""
    repeated: Bool
    """Whether a line equals the one before in every point."""

    @classmethod
    def of(cls, sheet: Sheet) -> Statistics:
        """Go through a sheet once."""
        count, width = sheet.values.shape
        share, low, high = np.zeros(count), np.full(count, np.nan), np.full(count, np.nan)
        repeated = np.zeros(count, dtype=bool)
        before: Float | None = None
        for part, block in sheet.blocks():
            good = np.isfinite(block)
            share[part] = good.mean(axis=1)
            some = good.any(axis=1)
            least = np.where(good, block, np.inf).min(axis=1)
            greatest = np.where(good, block, -np.inf).max(axis=1)
            low[part], high[part] = np.where(some, least, np.nan), np.where(some, greatest, np.nan)
            previous = block[:1] * np.nan if before is None else before[None]
            same = (block == np.concatenate([previous, block[:-1]])).sum(axis=1)
            repeated[part] = same == width
            before = block[-1]
        return cls(sheet, share, low, high, repeated)

    @property
    def empty(self) -> bool:
        """Whether there is no data at all."""
        return not bool(self.share.any())

    @property
    def alike(self) -> bool:
        """Whether all that there is has one value."""
        return not self.empty and bool(np.nanmax(self.high) == np.nanmin(self.low))

    @cached_property
    def lost(self) -> Bool:
        """Lines without data, of one value, or stored twice."""
        return np.zeros(self.share.size, dtype=bool) if self.empty or self.alike else _lost(self) | _stuck(self)

    @cached_property
    def sample(self) -> Float:
        """Some whole lines, evenly spread; shape ``(lines, fast)``."""
        count = self.sheet.values.shape[0]
        rows = np.unique(np.linspace(0, count - 1, min(count, _SAMPLE_LINES)).round().astype(int))
        return np.asarray(self.sheet.values[rows], dtype=np.float64)

    @cached_property
    def noise(self) -> float:
        """Standard deviation of what changes from point to point, from second differences along the lines.

        Differences of exactly zero are left out, so that clipped points and lost lines do not hide the noise.
        """
        bends = np.abs(np.diff(self.sample, 2, axis=1))
        bends = bends[bends > 0]  # NaN compares false
        # the median of |N(0, 1)| is 0.6745, and the second difference of white noise has the variance 1 + 4 + 1
        return median(bends) / (0.6745 * np.sqrt(6)) if bends.size else 0.0

    @cached_property
    def quantum(self) -> float:
        """Step of which all values are multiples, zero if there is none."""
        values = self.sample[np.isfinite(self.sample)]
        levels = np.unique(values[:: max(values.size // 30000, 1)])
        # numbers that repeat no more often than by chance have no common step
        if levels.size < 2 or levels.size > 0.5 * min(values.size, 30000):
            return 0.0
        step = float(np.median(np.sort(np.diff(levels))[: max(levels.size // 2, 1)]))
        parts = (levels - levels[0]) / step
        rounding = float(np.finfo(self.sheet.values.dtype).eps) * float(np.abs(levels).max()) / step
        off = np.abs(parts - np.rint(parts))
        return step if float(np.quantile(off, 0.9)) < 0.02 + 4 * rounding and rounding < 0.1 else 0.0

    @cached_property
    def limits(self) -> tuple[float, float]:
        """Robust extremes: 1 and 99 % of the values."""
        values = self.sample[np.isfinite(self.sample)]
        low, high = quantiles(values, 0.01, 0.99) if values.size else (np.nan, np.nan)
        return float(low), float(high)

    @cached_property
    def spectrum(self) -> Spectrum:
        """The spectrum of the picture."""
        from calib.findings.spectrum import Spectrum

        return Spectrum(self.sheet, self.limits, self.noise)


def impossible(scan: Scan) -> Iterator[Finding]:
    """Yield values that are infinite or beyond all measure."""
    count = sum(int(_beyond(image[part]).sum()) for image in scan.values for part in row_blocks(image))
    if count:
        yield Finding(
            kind="impossible values",
            severity="warning",
            message=f"{count} {'point has an' if count == 1 else 'points have'} infinite or absurdly large "
            f"value{'' if count == 1 else 's'}.",
            advice="Mark missing points by NaN, and check the number format of the file.",
            effect="They are taken for points without data.",
            passes=tuple(scan.passes),
        )


def possible(scan: Scan) -> Scan:
    """Return the scan with NaN in place of impossible values; the same one if there are none."""
    if not any(_beyond(image[part]).any() for image in scan.values for part in row_blocks(image)):
        return scan
    values = np.array(scan.values)
    for image in values:
        for part in row_blocks(image):
            image[part][_beyond(image[part])] = np.nan
    values.flags.writeable = False  # the scan keeps it as it is, without another copy
    return scan.replace(channels={**scan.channels, scan.channel: values})


def _beyond(image: FloatArray) -> Bool:
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(image) > _ABSURD)


def no_data(all_statistics: Sequence[Statistics]) -> Iterator[Finding]:
    """Yield why there is nothing to look at; whatever is yielded makes the checks of the picture pointless."""
    sheet = all_statistics[0].sheet
    passes = tuple(sheet.scan.passes)
    fast, slow = sheet.scan.fast.size, sheet.scan.slow.size
    effect = "No standard can be observed in it."
    if min(fast, slow) < _FEWEST:
        yield Finding(
            kind="too few points",
            severity="error",
            message=f"The scan has {fast} x {slow} points, too few to see anything in.",
            advice="Scan with more points.",
            effect=effect,
        )
    elif all(each.empty for each in all_statistics):
        yield Finding(
            kind="no data",
            severity="error",
            message="The scan holds no data at all.",
            advice="Choose another channel, or scan again.",
            effect=effect,
            passes=passes,
        )
    elif all(each.empty or each.alike for each in all_statistics):
        yield Finding(
            kind="no signal",
            severity="error",
            message="Every point has the same value.",
            advice="Choose another channel, or scan again with the probe in contact.",
            effect=effect,
            passes=passes,
        )


def missing_lines(all_statistics: Sequence[Statistics]) -> Iterator[Finding]:
    """Yield lines without data, of one value, or stored twice."""
    for kind_of, name, word in ((_lost, "no data", "hold no data"), (_stuck, "one value", "repeat one value or line")):
        rows: list[int] = []
        passes: list[str] = []
        total = 0
        for each in all_statistics:
            lost = np.zeros(each.share.size, dtype=bool) if each.empty or each.alike else kind_of(each)
            total += lost.size
            if lost.any():
                rows.extend(each.sheet.rows[lost])
                passes.append(each.sheet.name)
        if not rows:
            continue
        part = len(rows) / total
        ends = {0, int(all_statistics[0].sheet.scan.slow.size) - 1}
        stopped = part > 0.02 and bool(ends & set(map(int, rows))) and np.ptp(rows) < 1.5 * len(rows)
        why = " The frame was stopped or started late." if stopped and name == "no data" else ""
        yield Finding(
            kind="missing lines",
            severity="error" if part > _MANY_LOST else "warning",
            message=f"{_capital(text.lines(rows))} ({text.both(passes)}) {word}: {text.percent(part)} of all.{why}",
            advice="Look for lost transfers or a stopped frame; scan again if many lines are gone.",
            effect="Nothing is observed there. A part of the field that is gone is extrapolated.",
            lines=text.span(rows),
            runs=text.runs(rows),
            passes=tuple(dict.fromkeys(passes)),
        )


def _lost(each: Statistics) -> Bool:
    typical = median(each.share)
    return np.asarray(each.share < (1 - _LOST) * typical) if typical > 0.5 else np.asarray(each.share == 0)


def _stuck(each: Statistics) -> Bool:
    flat = (each.high == each.low) | each.repeated
    # of a coarse signal without noise whole lines may well be alike
    plausible = flat.mean() > 0.5 or 0 < each.noise < each.quantum
    return np.zeros_like(flat) if plausible else flat


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]
