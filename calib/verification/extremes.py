"""Largest values, ranges and rms of noisy numbers: noise makes them larger, which is estimated and taken off.

The noise is put on once more, by draws of a fixed seed, and what that adds to the statistic on average is taken for
what it had added already (a parametric bootstrap; Efron & Tibshirani 1993). Half of the correction is its own standard
uncertainty, since it is rough where there is little but noise.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from calib.scanner.effect import Float

_DRAWS = 400
Statistic = Callable[[Float], Float]
"""Takes numbers along the last axis, ``(..., n)``, to one of each, ``(...)``."""


def without_noise(statistic: Statistic, numbers: Float, sd: Float, roots: Float) -> tuple[float, dict[str, float]]:
    """Return a statistic of numbers freed of what noise adds to it, and its standard uncertainties by name.

    Parameters
    ----------
    statistic
        Never negative, such as the largest absolute value.
    numbers, sd
        With the standard deviation of their independent noise, shape ``(n,)``.
    roots
        Further errors of the numbers, each by one standard deviation of something independent, shape ``(k, n)``.
    """
    rng = np.random.default_rng(0)
    plain = float(statistic(numbers))
    noisy = statistic(numbers + sd * rng.standard_normal((_DRAWS, numbers.size)))
    bias = float(noisy.mean()) - plain
    parts = {"noise": float(np.hypot(noisy.std(), bias / 2))}
    if len(roots):
        moved = statistic(numbers + rng.standard_normal((_DRAWS, len(roots))) @ roots)
        parts["drift"] = float(np.sqrt(np.mean((moved - plain) ** 2)))
    return max(plain - bias, 0.0), parts


def root_mean_square(numbers: Float, sd: Float, roots: Float, vectors: int) -> tuple[float, dict[str, float]]:
    """Return the rms of numbers without that of their noise, and its standard uncertainties by name.

    Parameters
    ----------
    numbers, sd, roots
        See :func:`without_noise`.
    vectors
        How many vectors the numbers are the components of: the mean square is per vector.
    """
    square = float(np.sum(numbers**2 - sd**2)) / vectors
    own = np.maximum(numbers**2 - sd**2, 0.0)
    # of a squared normal number: 4 mean² var + 2 var²
    noise = float(np.sqrt(np.sum(4 * own * sd**2 + 2 * sd**4))) / vectors
    linear = 2 * roots @ numbers / vectors
    moved = float(np.sqrt(np.sum(linear**2) + 2 * np.sum((np.sum(roots**2, axis=1) / vectors) ** 2)))
    value = float(np.sqrt(max(square, 0.0)))
    parts = {name: _of_root(value, u) for name, u in (("noise", noise), ("drift", moved))}
    return value, parts


def _of_root(value: float, u_square: float) -> float:
    """Standard uncertainty of a root by that of its square: u / (2 value), and finite at zero."""
    return u_square / (value + float(np.sqrt(value**2 + u_square))) if u_square > 0 else 0.0
