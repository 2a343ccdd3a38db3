"""Signs that somebody has worked on the data before: lines or the whole levelled, or filtered.

What was taken off by a fit leaves a mean, a median or a slope that is zero far more exactly than noise allows. A filter
leaves a noise that is alike from line to line, which no instrument makes: lines are recorded one after the other.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from calib.findings.finding import Finding
from calib.findings.ranks import median, medians, nanmedian, nanquantiles, quantiles
from calib.findings.samples import Statistics
from calib.findings.sheet import Float

_EXACT = 0.2  # of what noise alone makes of the means of lines; some hundred lines scatter by a tenth
_EXACT_WHOLE = 0.02  # of what noise alone makes of the coefficients of the whole, of which there are few
_NEARLY_ALL = 0.9  # of the lines
_FIELDS = (0.2, 0.26, 0.32, 0.38, 0.44, 0.5001)  # cycles a point, along either axis
_UNEVEN = 0.08
_LEAST_SIDE = 64
_SMALLEST = 0.05  # of all differences of neighbours: among these a step is looked for
_TOLD_APART = 500  # sizes of differences; single precision may blur them by as much
# Of all pairs, beyond chance, and times as many as by chance: values with a step reach 0.001 and 1.05 in 230 clean
# scans, those without have none but by accident.
_EQUAL, _MORE_EQUAL = 5e-4, 1.2
_EQUAL_AT_ALL, _SURELY = 2e-4, 3.0
_ROUNDED = 0.3  # quantum over noise: a coarser step makes neighbours equal by itself
_SIDE = 512  # points along a side that are looked at for filters


def levelled(all_statistics: Sequence[Statistics]) -> Iterator[Finding]:
    """Yield that lines, or the whole, were levelled."""
    scan = all_statistics[0].sheet.scan
    if scan.frame_of_reference == "true":
        return
    live = [each for each in all_statistics if not each.empty and not each.alike]
    found = [_Moments.of(each) for each in live]
    lines = next((words for each in found if (words := each.lines()) is not None), None)
    if lines is not None:
        yield Finding(
            kind="levelled lines",
            severity="warning",
            message=f"{lines} was taken off every line before: it is zero more exactly than the noise allows.",
            advice="Export the data as they were recorded, without levelling or line correction.",
            effect="Bow, drift and steps along the lines are destroyed, plateaus beside features are displaced. "
            "Lateral distances do not suffer.",
            passes=tuple(scan.passes),
        )
        return
    images = [found] if scan.pattern == "serpentine" else [[each] for each in found]
    degree = max((_degree(image) for image in images if image), default=0)
    if degree:
        yield Finding(
            kind="levelled",
            severity="warning" if degree == 2 else "note",
            message=f"A {'plane' if degree == 1 else 'polynomial of degree 2'} was taken off the whole before: what is "
            "left of it is zero more exactly than the noise allows.",
            advice="Export the data as they were recorded, without levelling.",
            effect="The tilt is unknown, and with it how much a tilted standard looks shortened."
            if degree == 1
            else "The bow of the scanner is destroyed, and the tilt is unknown. Steps are bent.",
            passes=tuple(scan.passes),
        )


def filtered(all_statistics: Sequence[Statistics]) -> Iterator[Finding]:
    """Yield that a filter was applied."""
    scan = all_statistics[0].sheet.scan
    if scan.frame_of_reference == "true":
        return
    each = next((one for one in all_statistics if not one.empty and not one.alike), None)
    if each is None:
        return
    # all lines, since a filter knows nothing of serpentines
    image = scan.values[all_statistics.index(each) if scan.pattern == "raster" else 0]
    begin = [max((n - _SIDE) // 2, 0) for n in image.shape]
    part = np.asarray(image[begin[0] : begin[0] + _SIDE, begin[1] : begin[1] + _SIDE], dtype=np.float64)
    if min(part.shape) < _LEAST_SIDE or np.isfinite(part).mean() < 0.5 or each.quantum > each.noise:
        return
    median = unevenness(part) > _UNEVEN
    if median and (each.quantum > _ROUNDED * each.noise or not repeats(part)):
        return
    seen = "neighbours along both axes repeat values more often than chance allows, as medians do"
    if not median:
        seen = "noise is alike in neighbouring lines, which no instrument makes"
    yield Finding(
        kind="filtered",
        severity="warning",
        message=f"The data were smoothed before: {seen}.",
        advice="Export the data as they were recorded, without filters or interpolation.",
        effect="Edges and steps are rounded, noise is taken for smaller than it is, and so is the uncertainty.",
        passes=tuple(scan.passes),
    )


def unevenness(image: Float) -> float:
    """How uneven the spectrum is at short wavelengths, where noise is: least over greatest power; 1 for white noise.

    Every field of the spectrum counts by its median, so that a pattern, whose orders are few among many, has no part.
    A slow signal takes away what is rapid along the lines; a filter of the image does so across them as well, so that
    the more even axis is what counts.
    """
    good = np.isfinite(image)
    low, high = nanquantiles(image, 0.01, 0.99)
    values = np.where(good, np.clip(image, 2 * low - high, 2 * high - low), nanmedian(image))
    rows, columns = values.shape
    y, x = np.linspace(-1, 1, rows), np.linspace(-1, 1, columns)
    values = values - values.mean()
    slopes = values.mean(axis=0) @ x / (x @ x), values.mean(axis=1) @ y / (y @ y)
    values -= slopes[0] * x[None, :] + slopes[1] * y[:, None]
    power = np.abs(np.fft.rfft2(values * np.hanning(rows)[:, None] * np.hanning(columns)[None, :])) ** 2
    along = np.digitize(np.fft.rfftfreq(columns), _FIELDS) - 1
    across = np.digitize(np.abs(np.fft.fftfreq(rows)), _FIELDS) - 1
    count = len(_FIELDS) - 1
    fields = np.array([[median(power[across == i][:, along == j]) for j in range(count)] for i in range(count)])
    if not (fields > 0).all():
        return 0.0
    mean = [np.log(fields).mean(axis=axis) for axis in (0, 1)]
    return float(np.exp(-min(np.ptp(each) for each in mean)))


def repeats(image: Float) -> bool:
    """Whether neighbours are equal more often than the step of the values makes them, along either axis.

    A median is one of the values that it is taken of, so that it comes again next to it. Rounding makes neighbours
    equal as well, but then differences of one step are as frequent, of either sign, as those of none.
    """
    low, high = np.nanmin(image), np.nanmax(image)
    values = np.where((image == low) | (image == high), np.nan, image)  # what is clipped is alike for another reason
    found = [_equal(np.diff(values, axis=axis)) for axis in (0, 1)]
    least, ratio = (min(each[k] for each in found) for k in (0, 1))
    return least > (_EQUAL if ratio < _SURELY else _EQUAL_AT_ALL) and ratio > _MORE_EQUAL


def _equal(steps: Float) -> tuple[float, float]:
    """By how many of all pairs more are equal than by chance, and how many times as many."""
    steps = np.abs(steps[np.isfinite(steps)])
    equal, unlike = int((steps == 0).sum()), steps[steps > 0]
    if unlike.size < 1000:
        return 0.0, 0.0
    reach = quantiles(unlike, _SMALLEST)[0]
    small = unlike[unlike <= 1.001 * reach]
    # how many different differences there are: few if the values have a step, as many as are told apart if not
    sizes = np.unique(np.rint(small / reach * _TOLD_APART)).size
    chance = small.size / (2 * sizes)
    return (equal - chance) / steps.size, equal / chance


@dataclass(frozen=True, eq=False)
class _Moments:
    """Means of the lines of a sheet, and the polynomial of degree 2 that fits the whole."""

    statistics: Statistics
    mean: Float
    median: Float
    slope: Float
    """Of each line, from its middle to its end; arrays of shape ``(lines,)``, without lost lines."""
    change: Float
    """Median change from line to line."""
    matrix: Float
    vector: Float
    """Normal equations of the terms 1, x, y, x^2, x y, y^2; x and y run from -1 to 1 over the scan."""
    points: int

    @classmethod
    def of(cls, statistics: Statistics) -> _Moments:
        """Go through a sheet once."""
        sheet = statistics.sheet
        columns = sheet.values.shape[1]
        x, y = np.linspace(-1, 1, columns), np.linspace(-1, 1, sheet.scan.slow.size)[sheet.rows]
        across = np.stack([np.ones(columns), x, x * x])  # shape (3, columns)
        means, middles, slopes, changes = [], [], [], []
        matrix, vector, points = np.zeros((6, 6)), np.zeros(6), 0
        before: Float | None = None
        for part, block in sheet.blocks():
            keep = ~statistics.lost[part] & (statistics.share[part] > 0.5)
            values, at = block[keep], y[part][keep]
            if not len(values):
                continue
            whole = not np.isnan(values).any()
            good = np.isfinite(values)
            filled = values if whole else np.where(good, values, 0.0)
            count = good.sum(axis=1)
            sums = filled @ across.T  # (lines, 3): sums of z, z x, z x^2
            weights = good @ _powers(x).T if not whole else np.broadcast_to(_powers(x).sum(axis=1), (len(values), 5))
            means.append(sums[:, 0] / count)
            middles.append(medians(values) if whole else np.nanmedian(values, axis=1))
            centre = weights[:, 1] / count
            slopes.append((sums[:, 1] - centre * sums[:, 0]) / np.maximum(weights[:, 2] - count * centre**2, 1e-9))
            previous = values[:1] * np.nan if before is None else before[None]
            step = values - np.concatenate([previous, values[:-1]])
            step = step[1:] if before is None else step
            if len(step):
                changes.append(np.nanmedian(step, axis=1) if np.isnan(step).any() else medians(step))
            before = values[-1]
            _accumulate(matrix, vector, weights, sums, at)
            points += int(count.sum())
        mean, median, slope, change = (
            np.concatenate(part) if part else np.zeros(0) for part in (means, middles, slopes, changes)
        )
        return cls(statistics, mean, median, slope, change, matrix, vector, points)

    def lines(self) -> str | None:
        """What was taken off the lines, if anything."""
        noise, quantum = self.statistics.noise, self.statistics.quantum
        if self.mean.size < 16 or noise <= 0:
            return None
        width = self.statistics.sheet.values.shape[1]
        u = noise / np.sqrt(width)
        if float(np.std(self.mean)) < _EXACT * u:
            # the slope of noise about the middle of the line
            straight = float(np.sqrt(np.mean(self.slope**2))) < _EXACT * u * np.sqrt(3)
            return "A straight line" if straight else "The mean"
        fine = quantum < 0.1 * u
        if (fine and _nearly_constant(self.median, _EXACT * u)) or (not fine and _nearly_zero(self.median)):
            return "The median"
        if fine and _nearly_constant(self.change, 0.1 * u, about=0.0):
            return "The median change from line to line"
        return None


def _degree(found: Sequence[_Moments]) -> int:
    """Degree of the polynomial that was taken off an image, zero for none; of a serpentine from both sheets."""
    noise, points = min(each.statistics.noise for each in found), sum(each.points for each in found)
    if noise <= 0 or points < 1000:
        return 0
    limit = _EXACT_WHOLE * noise / np.sqrt(points)
    matrix = np.sum([each.matrix for each in found], axis=0) / points
    vector = np.sum([each.vector for each in found], axis=0) / points
    for degree, terms, factor in ((2, 6, 4.0), (1, 3, 2.0)):
        fit = np.linalg.lstsq(matrix[:terms, :terms], vector[:terms], rcond=None)[0]
        if float(np.abs(fit[1:]).max()) < factor * limit:
            return degree
    return 0


def _powers(x: Float) -> Float:
    return np.stack([x**k for k in range(5)])


def _accumulate(matrix: Float, vector: Float, weights: Float, sums: Float, y: Float) -> None:
    """Add lines to the normal equations of the terms 1, x, y, x^2, x y, y^2."""
    powers = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))
    along = np.stack([y**k for k in range(5)])
    for i, (a, b) in enumerate(powers):
        vector[i] += float(along[b] @ sums[:, a])
        for j, (c, d) in enumerate(powers):
            matrix[i, j] += float(along[b + d] @ weights[:, a + c])


def _nearly_constant(values: Float, limit: float, about: float | None = None) -> bool:
    if values.size < 16:
        return False
    centre = float(np.median(values)) if about is None else about
    return float(np.mean(np.abs(values - centre) < limit)) > _NEARLY_ALL


def _nearly_zero(values: Float) -> bool:
    return float(np.mean(values == 0)) > _NEARLY_ALL
