"""Check of the shape of the frame as a whole: its tilt.

It is taken from slopes between neighbouring points, as medians, which the edges of a pattern or a step leave alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from calib.findings.finding import Finding
from calib.findings.ranks import median
from calib.findings.samples import Statistics
from calib.findings.sheet import Float
from calib.findings.text import percent
from calib.units import show

_TILTED = np.deg2rad(3.0)  # shortens by 0.14 %, as much as all the rest of a good calibration
_STEEP = np.deg2rad(15.0)  # shortens by 3.4 %, and one side of every edge is the probe's
_MAX_POINTS = 256  # along a side that are looked at


def tilt(all_statistics: Sequence[Statistics]) -> Iterator[Finding]:
    """Yield a tilt that is too large."""
    scan = all_statistics[0].sheet.scan
    each = next((each for each in all_statistics if not each.empty and not each.alike), None)
    if scan.channel != "height" or each is None or min(scan.size) <= 0:
        return
    rise = _rise(each, 1), _rise(each, 0)
    angle = float(np.arctan(np.hypot(rise[0] / scan.size[0], rise[1] / scan.size[1])))
    if angle > _TILTED:
        yield Finding(
            kind="tilt",
            severity="error" if angle > _STEEP else "warning",
            message=f"The sample is tilted by {show(angle, 'rad', 3)}: {show(rise[0], digits=3)} over the frame along "
            f"the fast axis, {show(rise[1], digits=3)} along the slow one.",
            advice="Level the sample mechanically; shim the stage or mount it again.",
            effect=f"Lengths along the slope look {percent(1 - float(np.cos(angle)))} too short before it is allowed "
            "for, the height uses up its range, and steps are measured off their normal.",
        )


def _rise(each: Statistics, axis: int) -> float:
    """Median slope along an axis times the length of the frame, m."""
    step = tuple(max(n // _MAX_POINTS, 1) for n in each.sheet.values.shape)
    picture: Float = np.array(each.sheet.values[:: step[0], :: step[1]], dtype=np.float64)
    picture[each.lost[:: step[0]]] = np.nan
    count = picture.shape[axis]
    reach = max(count // 64, 2)
    change = picture[reach:] - picture[:-reach] if axis == 0 else picture[:, reach:] - picture[:, :-reach]
    change = change[np.isfinite(change)]
    return median(change) * (count - 1) / reach if change.size else 0.0
