"""What digitised heights can't tell: the step from one number to the next."""

from __future__ import annotations

import numpy as np

from calib.findings.samples import Statistics
from calib.findings.sheet import sheets
from calib.scan import Scan

_CARRIED = 0.5
"""Part of the neighbours that differ, above which noise carries a mean over the steps.

Normal noise of half a step makes 53 % of them differ and leaves 0.2 % of a step as error of the mean: the first wave of
the sawtooth of rounding errors shrinks by exp(-2π²σ²/q²) (Widrow and Kollár, Quantization Noise, 2008; from memory).
Fewer may differ because a level happens to lie near the border of two steps, with hardly any noise.
"""


def of_height(scan: Scan) -> float:
    """Standard uncertainty of one indicated height by the step q of the numbers, q/√12, m (JCGM 100:2008, F.2.2.1).

    Zero where the heights have no step to be seen.
    """
    return _quantum(scan)[0] / float(np.sqrt(12))


def of_mean(scan: Scan) -> float:
    """Standard uncertainty of the mean of many heights that are alike, m.

    The same, unless there is noise enough for the mean not to know of the steps: then zero.
    """
    quantum, differ = _quantum(scan)
    return 0.0 if differ > _CARRIED else quantum / float(np.sqrt(12))


def _quantum(scan: Scan) -> tuple[float, float]:
    """Step of the heights, m, and which part of the neighbours along lines differ."""
    coarsest, differ = 0.0, 1.0
    for sheet in sheets(scan.with_channel("height")):
        seen = Statistics.of(sheet)
        if seen.empty or seen.alike or seen.quantum <= coarsest:
            continue
        steps = np.diff(seen.sample, axis=1)
        steps = steps[np.isfinite(steps)]
        coarsest, differ = seen.quantum, float(np.mean(steps != 0)) if steps.size else 0.0
    return coarsest, differ
