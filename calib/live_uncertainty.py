"""Standard uncertainties of a frame while it is being recorded.

Those of positions follow from the commanded path alone, so they are known before the first line. That of a height is
for its difference from the mean of its pass, of which only the lines so far are known.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from calib.locate import bow_uncertainty, position_uncertainty
from calib.path import Path
from calib.scan import Scan
from calib.scanner.effect import Float

if TYPE_CHECKING:
    from calib.model import Model


class LiveUncertainty:
    """Uncertainties of recorded pixels, with the lines that have come so far.

    Parameters
    ----------
    model
        The model.
    frame
        How it is recorded.
    path
        Of the frame.

    Attributes
    ----------
    positions
        Of x and y of all pixels, m, shape ``(2, pass, slow, fast)``.
    """

    def __init__(self, model: Model, frame: Scan, path: Path) -> None:
        self._height, self._centre = model.height, frame.z_centre
        self.positions = position_uncertainty(model, path)
        passes = len(frame.passes)
        self._count, self._sum = np.zeros(passes), np.zeros(passes)
        self._images: Float | None = None
        self._creep = 0.0
        if not frame.has_height:
            return
        fast, slow = np.meshgrid(path.fast, path.slow)
        self._bow = bow_uncertainty(model, path, path.at(fast, slow))
        self._indicated = np.full(frame.shape, np.nan)
        if (history := model.height.history) is not None:
            weights = model.height.values[model.height.of_history]
            self._images = np.zeros((passes, weights.size, *frame.shape[1:]))
            self._sums = np.zeros((passes, weights.size))
            if history.missing(path):
                self._creep = float(history.unknown_creep(weights))

    def take(self, index: int, row: int, indicated: Float, images: Float | None) -> None:
        """Take the indicated heights of a line, and what each weight of the history of z adds to them."""
        heights = indicated + (self._centre or 0.0)
        good = np.isfinite(heights)
        self._indicated[index, row] = heights
        self._count[index] += good.sum()
        self._sum[index] += heights[good].sum()
        if self._images is not None and images is not None:
            self._images[index, :, row] = images
            self._sums[index] += images[:, good].sum(axis=1)

    def of_heights(self, index: int, first: int, last: int) -> Float:
        """Of the heights of some lines above the mean of those that came of the pass, m, shape ``(lines, fast)``."""
        rows = slice(first, last)
        heights, count = self._indicated[index, rows], max(self._count[index], 1.0)
        reference = float(self._sum[index] / count)
        images = None
        if self._images is not None:
            images = self._images[index, :, rows] - (self._sums[index] / count)[:, None, None]
        level = self._height.uncertainty(heights, reference, self._centre is not None, images)
        if self._creep:
            level = np.hypot(level, self._creep * (heights - reference))
        return np.hypot(level, self._bow[rows])
