"""What the tiles of an image have for a background, told by all of them together.

Within a tile, a slanting background looks much like a shift of the pattern. Where backgrounds follow a smooth surface,
each tile's own is therefore held to it, the more strongly the less the tiles scatter about it beyond their noise (an
empirical Bayes estimate; Efron & Morris 1973). Where they scatter, by uneven light or noise of lines, each stays free.
"""

from __future__ import annotations

import numpy as np

from calib.observe.smooth import Surface
from calib.scanner.effect import Float

_DEGREE = 3
_ALONE = 9.0  # square of the standard deviations from which on a tile is one of its own
_FEWEST = 12
_STRONGEST = 100.0  # times what a tile says itself


def common(
    own: Float,
    variance: Float,
    good: np.ndarray,
    place: tuple[Float, Float],
    box: tuple[float, float, float, float],
) -> Surface | None:
    """Fit a smooth surface to a number that each tile has.

    Parameters
    ----------
    own
        The number as each tile alone gives it, shape ``(tiles,)``.
    variance
        Of that, by the noise of the pixels.
    good
        Which tiles to ask.
    place
        Where the tiles lie, (fast, slow), m.
    box
        See :class:`calib.observe.smooth.Surface`.

    Returns
    -------
    The surface; None where too few tiles are good.
    """
    good = _usable(own, variance, good)
    if good.sum() < _FEWEST:
        return None
    unit = float(np.sqrt(np.median(variance[good])))
    quality = np.minimum(np.median(variance[good]) / variance[good], 20.0)
    fast, slow = place
    surface = Surface.fit(fast[good], slow[good], own[good] / unit, quality, _DEGREE, box, only_needed=True)
    return Surface(surface.coefficients * unit, box)


def hold(own: Float, variance: Float, good: np.ndarray, towards: Float) -> Float:
    """Estimate how strongly a number of each tile is to be held to what it should be.

    Parameters
    ----------
    own, variance, good
        As for :func:`common`.
    towards
        What the number is held to, shape ``(tiles,)``.

    Returns
    -------
    One over the variance about it; zero where a tile stays free.
    """
    good = _usable(own, variance, good)
    if good.sum() < _FEWEST:
        return np.zeros_like(own)
    square = (own - towards) ** 2
    # of a normal distribution, half of the squares lie below 0.455 of their mean
    most = _ALONE * float(np.median(square[good])) / 0.455
    beyond = float(np.mean(np.minimum(square[good], most))) - float(np.mean(np.minimum(variance[good], most)))
    about = np.maximum(beyond, 0.0) + variance / _STRONGEST
    alone = square > _ALONE * (np.maximum(beyond, 0.0) + variance)
    return np.where(alone | ~(variance > 0), 0.0, 1 / np.maximum(about, 1e-300))


def _usable(own: Float, variance: Float, good: np.ndarray) -> np.ndarray:
    return np.asarray(good & np.isfinite(own) & (variance > 0))
