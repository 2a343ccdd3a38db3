"""Check of the step of the values: whether it is small against the noise."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from calib.findings import text
from calib.findings.finding import Finding
from calib.findings.ranks import median
from calib.findings.samples import Statistics

_OFTEN_ALIKE = 0.27  # of neighbours are equal where the step is as large as the noise
_ORDER = 6  # of differences that tell noise from slopes and bends
_COARSE = 2.0  # quantum over noise: with a finer one, noise carries the mean over the steps


def quantised(all_statistics: Sequence[Statistics]) -> Iterator[Finding]:
    """Yield a step of the values that is not small against the noise."""
    coarse = [each for each in all_statistics if not each.empty and each.quantum > 0]
    if not coarse:
        return
    each = max(coarse, key=lambda one: one.quantum / max(one.noise, 1e-300))
    low, high = each.limits
    # of what little repeats exactly there is no noise to compare with, and the step itself appears as noise
    ratio = each.quantum / max(min(_fine_noise(each), _finest_noise(each)), 1e-300)
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


def _finest_noise(each: Statistics) -> float:
    """The same from differences of high order, in which slopes and bends of the surface have no part."""
    bends = np.abs(np.diff(each.sample, _ORDER, axis=1))
    bends = bends[np.isfinite(bends)]
    if not bends.size:
        return each.noise
    spread = median(bends) / 0.6745 / math.sqrt(math.comb(2 * _ORDER, _ORDER))
    return float(np.sqrt(max(spread**2 - each.quantum**2 / 12, 0.0)))
