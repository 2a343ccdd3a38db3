"""Checks of the values themselves: none, all alike, missing, clipped, coarse."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.findings import text
from calib.findings.finding import Finding, Severity
from calib.findings.sheet import Bool, Float, Sheet
from calib.scan import FloatArray, Scan

_ABSURD = 1e30  # in any unit; its square still is a number
_FEWEST = 8  # points along a side; the observers need as many
_SAMPLE_LINES = 96  # of a sheet, from which its noise and its quantum are taken
_PILED_UP = 3.0  # clipped values are this many times as frequent as those just within
_FEWEST_CLIPPED = 1e-3  # of the points: fewer are the tops of some dust
_QUIET = 0.35  # of the noise: range of three neighbours on a rail; of white noise 3 % of all threes are so quiet
_MOSTLY = 0.6  # of the points at the very end of the range are quiet if it is a rail
_RAIL = 2.0  # times the noise: how near to the extreme value is at the end of the range
_BADLY_CLIPPED = 0.02  # of the points: the plateaus themselves
_LOST = 0.25  # of the points of a line, beyond what a typical line lacks
_MANY_LOST = 0.25  # of the lines
_OFTEN_ALIKE = 0.27  # of neighbours are equal where the step is as large as the noise
_COARSE = 2.0  # quantum over noise: with a finer one, noise carries the mean over the steps


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
        return float(np.median(bends)) / (0.6745 * np.sqrt(6)) if bends.size else 0.0

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
    def flat(self) -> Float:
        """The picture less its mean plane; lost lines and gaps are NaN."""
        picture = np.array(self.sheet.picture)
        picture[self.lost[self.sheet.middle[0]]] = np.nan
        good = np.isfinite(picture)
        if good.sum() < 3 * _FEWEST:
            return picture
        y, x = (np.linspace(-1, 1, n) for n in picture.shape)
        z = np.where(good, picture, 0.0)
        along, count = z.sum(axis=1), good.sum(axis=1).astype(np.float64)
        columns = good.sum(axis=0).astype(np.float64)
        cross = float(y @ (good @ x))
        normal = np.array(
            [
                [count.sum(), columns @ x, count @ y],
                [columns @ x, columns @ (x * x), cross],
                [count @ y, cross, count @ (y * y)],
            ]
        )
        fit = np.linalg.lstsq(normal, np.array([along.sum(), z.sum(axis=0) @ x, along @ y]), rcond=None)[0]
        return np.asarray(picture - fit[0] - fit[1] * x[None, :] - fit[2] * y[:, None])

    @cached_property
    def relief(self) -> tuple[float, float]:
        """Robust extremes of what stands out of the mean plane: 2 and 98 % of the values."""
        values = self.flat[:: max(self.flat.shape[0] // _SAMPLE_LINES, 1)]
        values = values[np.isfinite(values)]
        low, high = np.percentile(values, [2, 98]) if values.size else (np.nan, np.nan)
        return float(low), float(high)

    @cached_property
    def limits(self) -> tuple[float, float]:
        """Robust extremes: 1 and 99 % of the values."""
        values = self.sample[np.isfinite(self.sample)]
        low, high = np.percentile(values, [1, 99]) if values.size else (np.nan, np.nan)
        return float(low), float(high)


def impossible(scan: Scan) -> Iterator[Finding]:
    """Yield values that are infinite or beyond all measure."""
    count = sum(int(_beyond(image).sum()) for image in scan.values)
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
    bad = [_beyond(image) for image in scan.values]
    if not any(each.any() for each in bad):
        return scan
    values = np.where(np.stack(bad), np.nan, scan.values)
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
            passes=tuple(dict.fromkeys(passes)),
        )


def _lost(each: Statistics) -> Bool:
    typical = float(np.median(each.share))
    return np.asarray(each.share < (1 - _LOST) * typical) if typical > 0.5 else np.asarray(each.share == 0)


def _stuck(each: Statistics) -> Bool:
    flat = (each.high == each.low) | each.repeated
    # of a coarse signal without noise whole lines may well be alike
    plausible = flat.mean() > 0.5 or 0 < each.noise < each.quantum
    return np.zeros_like(flat) if plausible else flat


def saturation(all_statistics: Sequence[Statistics]) -> Iterator[Finding]:
    """Yield values that pile up at the greatest or the least of them."""
    for end, word in (("high", "greatest"), ("low", "least")):
        rows: list[int] = []
        columns: list[int] = []
        passes: list[str] = []
        share, rail, exact = 0.0, np.nan, True
        for each in all_statistics:
            found = None if each.empty or each.alike else _clipped(each, end == "high")
            if found is None and not (each.empty or each.alike):
                found = _noisy_rail(each, end == "high")
                exact &= found is None
            if found is not None:
                part, where, across, rail = found
                share = max(share, part)
                rows.extend(where)
                columns.extend(across)
                passes.append(each.sheet.name)
        if not rows:
            continue
        scan = all_statistics[0].sheet.scan
        severe = scan.channel == "height" and share > _BADLY_CLIPPED
        severity: Severity = "error" if severe else "warning"
        limit = text.value(rail, scan.units.get(scan.channel, ""))
        yield Finding(
            kind="saturation",
            severity=severity,
            message=f"{text.percent(share)} of the points have {'' if exact else 'nearly '}the {word} value, {limit}: "
            f"the signal is "
            f"clipped in {text.lines(rows)} ({text.both(passes)}).",
            advice="Move the signal to the middle of its range, enlarge the range, or level the sample; scan again.",
            effect="Plateaus and heights there are wrong, and edges are displaced where they are cut."
            if scan.channel == "height"
            else "Edges are displaced where they are cut; distances suffer little if few points are.",
            lines=text.span(rows),
            area=(*text.span(rows), *text.span(columns)),
            passes=tuple(dict.fromkeys(passes)),
        )


def _clipped(each: Statistics, high: bool) -> tuple[float, np.ndarray, np.ndarray, float] | None:
    sheet = each.sheet
    rail = float(np.nanmax(each.high) if high else np.nanmin(each.low))
    quantum = each.quantum
    if quantum > _COARSE * each.noise:
        return None  # a plateau may lie on one level without being clipped
    at_rail = np.flatnonzero((each.high if high else each.low) == rail)
    values = sheet.values[at_rail]
    clipped = values == rail
    count, points = int(clipped.sum()), each.share.sum() * sheet.values.shape[1]
    if count < max(_FEWEST_CLIPPED * points, 16):
        return None
    # without clipping values get rarer towards the end of the range
    margin = max(1.5 * quantum, 0.25 * each.noise)
    nearly = np.abs(values - rail) <= margin
    if count < _PILED_UP * (int(nearly.sum()) - count):
        return None
    if not (clipped[:, 1:] & clipped[:, :-1]).sum() > 0.3 * count:
        return None  # what is clipped is clipped for some points on end
    columns = np.flatnonzero(clipped.any(axis=0))
    return count / points, sheet.rows[at_rail], columns, rail


def _noisy_rail(each: Statistics, high: bool) -> tuple[float, np.ndarray, np.ndarray, float] | None:
    """The same where clipped values differ by some noise that is added behind the limit: they are far too quiet."""
    sheet = each.sheet
    bends = np.abs(np.diff(each.sample, 2, axis=1))
    bends = bends[bends > 0]
    if not bends.size or each.quantum > 0.1 * each.noise:
        return None
    # edges and roughness look like noise as well; the quietest fifth tells noise where most of the surface is steep
    noise = min(each.noise, float(np.quantile(bends, 0.2)) / (0.2533 * np.sqrt(6)))
    values = np.asarray(sheet.values, dtype=np.float64)
    rail = float(np.nanquantile(values, 0.9995 if high else 0.0005))
    near = values > rail - _RAIL * noise if high else values < rail + _RAIL * noise
    inner = near[:, 1:-1] & near[:, :-2] & near[:, 2:]
    threes = np.stack([values[:, :-2], values[:, 1:-1], values[:, 2:]])
    quiet = inner & (np.ptp(threes, axis=0) < _QUIET * noise)
    points = each.share.sum() * values.shape[1]
    count = int(quiet.sum())
    if count < max(_FEWEST_CLIPPED * points, 16) or count < _MOSTLY * int(inner.sum()):
        return None
    rows = np.flatnonzero(quiet.any(axis=1))
    return count / points, sheet.rows[rows], np.flatnonzero(quiet.any(axis=0)) + 1, rail


def quantised(all_statistics: Sequence[Statistics]) -> Iterator[Finding]:
    """Yield a step of the values that is not small against the noise."""
    coarse = [each for each in all_statistics if not each.empty and each.quantum > 0]
    if not coarse:
        return
    each = max(coarse, key=lambda one: one.quantum / max(one.noise, 1e-300))
    low, high = each.limits
    # of what little repeats exactly there is no noise to compare with, and the step itself appears as noise
    ratio = each.quantum / max(_fine_noise(each), 1e-300)
    # flanks and tilt look like noise, but do not repeat values: so does it when neighbours are alike
    still = _alike_neighbours(each)
    if still > _OFTEN_ALIKE:
        ratio = max(ratio, 2 / (np.sqrt(np.pi) * max(1 - still, 0.01)), _COARSE * 1.001)
    if ratio < 0.5:
        return
    scan = each.sheet.scan
    levels = max((high - low) / each.quantum, 1.0)
    serious = scan.channel == "height" and ratio > _COARSE and levels < 2000
    step, half = (text.value(size, scan.units.get(scan.channel, "")) for size in (each.quantum, each.quantum / 2))
    yield Finding(
        kind="quantised heights" if scan.channel == "height" else "quantised values",
        severity="warning" if serious else "note",
        message=f"All values are multiples of {step}, "
        f"{'more than the noise' if ratio > _COARSE else 'about as much as the noise'}; {levels:.0f} make the range.",
        advice="Record with more bits or a smaller range.",
        effect=f"The mean of a plateau can be off by as much as {half}, which averaging does not mend.",
        passes=tuple(dict.fromkeys(one.sheet.name for one in coarse)),
    )


def _alike_neighbours(each: Statistics) -> float:
    steps = np.diff(each.sample, axis=1)
    steps = steps[np.isfinite(steps)]
    return float(np.mean(steps == 0)) if steps.size else 0.0


def _fine_noise(each: Statistics) -> float:
    """Noise beside a quantum: from how many neighbours differ, since most differences may be zero."""
    steps = np.diff(each.sample, axis=1)
    steps = steps[np.isfinite(steps)] / each.quantum
    small = np.abs(steps) < 6.5
    if not small.any():
        return each.noise
    # in quanta; rounding adds 1/12 to each of the two values' variances
    spread = float(np.mean(np.clip(steps[small], -2, 2) ** 2)) / 2 - 1 / 12
    return each.quantum * float(np.sqrt(max(spread, 0.0)))


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]
