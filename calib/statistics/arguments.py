"""Numbers that statistics are given, checked: each refusal is one sentence that names what is wrong."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.errors import StatisticsError

Float = NDArray[np.float64]


def finite(values: ArrayLike, what: str) -> Float:
    """Return the values as an array of finite numbers, or raise a StatisticsError that names them."""
    array = np.asarray(values, dtype=np.float64)
    if not np.all(np.isfinite(array)):
        raise StatisticsError(f"{what} must be finite, not {array[~np.isfinite(array)].flat[0]}.")
    return array


def positive(values: ArrayLike, what: str, *, zero: bool = False) -> Float:
    """Return the values as an array of finite numbers above zero (or `zero`), or raise a StatisticsError."""
    array = finite(values, what)
    wrong = array < 0 if zero else array <= 0
    if np.any(wrong):
        must = "zero or positive" if zero else "positive"
        raise StatisticsError(f"{what} must be {must}, not {array[wrong].flat[0]}.")
    return array


def probability(value: float, what: str) -> float:
    """Return a probability between 0 and 1, both excluded, or raise a StatisticsError that names it."""
    if not 0 < value < 1:
        raise StatisticsError(f"{what} must lie between 0 and 1, not at {value!r}.")
    return value
