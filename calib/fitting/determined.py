"""What a set of scans can't determine, in plain words, with what to add."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calib.observe.lateral import LateralObservation
from calib.observe.step import StepObservation
from calib.scanner.height import Height
from calib.standard import Grating


def undetermined(
    lateral: Sequence[LateralObservation],
    steps: Sequence[StepObservation],
    height: Height,
    left_out: Sequence[str],
) -> list[str]:
    """Return one sentence for everything that these scans leave open; each is carried as a larger uncertainty."""
    said = list(left_out)
    if not lateral:
        said.append("scales, skew and bending are undetermined: there is no scan of a grating or grid; add one")
    else:
        said += _directions(lateral)
        said += _conditions(lateral)
    if not steps:
        said.append("the height gain is undetermined: there is no scan of a step; add one (10 % is assumed)")
    elif len({step.standard.identity for step in steps}) == 1 and len(steps) < 3:
        said.append(
            "whether the height gain changes over the range is undetermined: one step at one height; add steps of other"
            " heights, or the same step at other positions of the z range"
        )
    said += height.left_out
    if not height.bow_determined:
        said.append(
            "the bow of the scanner is undetermined: heights far apart hold its usual size in their uncertainty; add"
            " scans of a flat over the full field, one of them turned by 90 degrees"
        )
    return said


def _directions(lateral: Sequence[LateralObservation]) -> list[str]:
    gratings = all(isinstance(observation.standard, Grating) for observation in lateral)
    if not gratings:
        return []
    angles = np.array([observation.angle % np.pi for observation in lateral])
    distinct = 1 + int(np.sum(np.diff(np.sort(angles)) > np.deg2rad(10)))
    if distinct == 1:
        return [
            "only the scale across the grating's lines is determined: the scale along them and the skew are not; scan"
            " the grating in at least two more orientations, or a grid"
        ]
    if distinct == 2:
        return ["the skew is undetermined: the grating was scanned in two orientations only; add a third, or a grid"]
    return []


def _conditions(lateral: Sequence[LateralObservation]) -> list[str]:
    said = []
    paths = [observation.path for observation in lateral]
    timed = [path for path in paths if path.timed]
    turned = np.array([np.arctan2(path.fast_axis[1], path.fast_axis[0]) % np.pi for path in paths])
    apart = np.abs(np.sin(turned[:, None] - turned[None, :])).max() if len(paths) else 0.0
    if timed and len({path.upwards for path in timed}) == 1 and apart < 0.5:
        said.append(
            "slow-axis scale and drift can't be told apart, nor skew and drift along the fast axis: add a frame in the"
            " other direction right after one of these, or a scan turned by 90 degrees"
        )
    if apart < 0.5:
        said.append(
            "fast and slow axis were never exchanged: what each does when it is the other is known only through the"
            " model of hysteresis and creep; add a scan turned by 90 degrees"
        )
    sizes = np.array([np.ptp(path.fast) for path in paths])
    if sizes.max() < 1.2 * sizes.min():
        said.append(
            "how the scale depends on the size of the scan is undetermined: all scans are of one size; add a smaller"
        )
    speeds = np.array([path.speed for path in timed])
    if timed and speeds.max() < 1.5 * speeds.min():
        said.append(
            "how the scale depends on speed is undetermined: all scans have one speed; add a faster or slower one"
        )
    if any(path.rest is None for path in timed):
        said.append(
            "where the scanner rested before some of the frames is unknown, so the start of their slow axis is"
            " less certain"
        )
    return said
