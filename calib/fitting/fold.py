"""Whether a solution folds the image: then it is no calibration."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calib.errors import ModelError
from calib.observe.lateral import LateralObservation
from calib.scanner.effect import Float
from calib.scanner.motion import Motion, axes_matrix


def check_fold(motion: Motion, values: Float, observations: Sequence[LateralObservation]) -> None:
    """Fail if true position runs backwards anywhere in the calibrated scans: such a fit is no calibration.

    Raises
    ------
    ModelError
        Naming the scan.
    """
    if not np.linalg.det(axes_matrix(values)) > 0:
        raise ModelError(
            "The solution mirrors or flattens the axes, so it is no calibration; check the sizes of the scans."
        )
    for observation in observations:
        path = observation.path
        rows = np.unique(np.linspace(1, path.slow.size - 2, 24).round().astype(np.int64))
        columns = np.linspace(path.fast[0], path.fast[-1], 48)
        for index in range(len(path.passes)):
            samples = path.samples(index, rows[:, None], columns[None, :])
            x, y = motion.position(path, samples, values).reshape(2, rows.size, columns.size)
            (fx, fy), (sx, sy) = path.fast_axis, path.slow_axis
            along, across = fx * x + fy * y, sx * x + sy * y
            step = (columns[1] - columns[0], float(np.diff(path.slow[rows]).mean()))
            a, b = np.gradient(along, axis=1) / step[0], np.gradient(across, axis=0) / step[1]
            c, d = np.gradient(along, axis=0) / step[1], np.gradient(across, axis=1) / step[0]
            if not np.min(a * b - c * d) > 0:
                raise ModelError(
                    f"The solution folds the image in {observation.label}, so it is no calibration; leave that scan"
                    " out, or give more scans."
                )
