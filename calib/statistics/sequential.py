"""Wald's sequential test, whether a quantity is where it should be, with as few values as will tell.

After each value the likelihood of a deviation by a stated amount, on either side, is compared with that of none
(A. Wald, Sequential Analysis, 1947; the two sides weighed equally, as in his chapter on composite hypotheses). Values
may differ in their uncertainty, and may have an error in common, such as the model's, which no number of them averages.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.errors import StatisticsError
from calib.statistics.arguments import finite, positive, probability

Float = NDArray[np.float64]
Answer = Literal["yes", "no", "need more"]


@dataclass(frozen=True)
class Judgement:
    """What a sequential test says after the values so far.

    Attributes
    ----------
    answer
        Is it where it should be: ``yes``, ``no``, or ``need more`` values to tell.
    used
        Number of values after which the answer was reached, or of all.
    log_ratio
        Logarithm of the likelihood ratio of a deviation to none, after each value, shape ``(n,)``.
    mean, u
        Weighted mean of the values used, and its standard uncertainty, the common one included.
    hopeless
        Whether more values of the same kind are unlikely to tell: the common uncertainty is too large.
    """

    answer: Answer
    used: int
    log_ratio: Float
    mean: float
    u: float
    hopeless: bool


@dataclass(frozen=True)
class SequentialTest:
    """A sequential test of no deviation against one of at least `delta`.

    Attributes
    ----------
    delta
        Deviation that must be found, in the unit of the values.
    false_alarm
        Probability of ``no`` although there is no deviation.
    missed
        Probability of ``yes`` although there is one of `delta`.
    both_sides
        Deviations of either sign; otherwise only of the sign of `delta`.
    """

    delta: float
    false_alarm: float = 0.05
    missed: float = 0.05
    both_sides: bool = True

    def __post_init__(self) -> None:
        if not (math.isfinite(self.delta) and self.delta != 0) or (self.both_sides and self.delta < 0):
            raise StatisticsError(f"The deviation to be found must be positive and finite, not {self.delta!r}.")
        probability(self.false_alarm, "The probability of a false alarm")
        probability(self.missed, "The probability of a missed deviation")
        if not self.false_alarm + self.missed < 1:
            raise StatisticsError("A false alarm and a missed deviation together must be less probable than 1.")

    @property
    def bounds(self) -> tuple[float, float]:
        """Logarithms of the ratio at which the answer is yes (lower) and no (upper), by Wald's approximation."""
        return (
            math.log(self.missed / (1 - self.false_alarm)),
            math.log((1 - self.missed) / self.false_alarm),
        )

    def log_ratio(self, values: ArrayLike, sd: ArrayLike, u_common: float = 0.0) -> Float:
        """Return the logarithm of the likelihood ratio after each value.

        Parameters
        ----------
        values
            Deviations in the order taken, along the last axis.
        sd
            Standard deviation of each, independent of each other; broadcasts with `values`.
        u_common
            Standard uncertainty of an error that all have in common.
        """
        mean, u = self._running(values, sd, u_common)
        information = 1 / u**2
        x = self.delta * information * mean
        # log cosh without overflow.
        gain = np.abs(x) + np.log1p(np.exp(-2 * np.abs(x))) - math.log(2) if self.both_sides else x
        return np.asarray(gain - 0.5 * self.delta**2 * information)

    def judge(self, values: ArrayLike, sd: ArrayLike, u_common: float = 0.0) -> Judgement:
        """Return the answer after the values so far; once reached, later values don't change it.

        Parameters
        ----------
        values, sd, u_common
            As of :meth:`log_ratio`, values of shape ``(n,)``.

        Raises
        ------
        StatisticsError
            If there is no value, one isn't finite, or a standard deviation isn't positive.
        """
        mean, u = self._running(values, sd, u_common)
        if mean.ndim != 1 or mean.size == 0:
            raise StatisticsError("A sequential test needs a list of values, one at least.")
        ratio = self.log_ratio(values, sd, u_common)
        lower, upper = self.bounds
        crossed = np.flatnonzero((ratio <= lower) | (ratio >= upper))
        last = int(crossed[0]) if crossed.size else mean.size - 1
        answer: Answer = "need more" if not crossed.size else "yes" if ratio[last] <= lower else "no"
        return Judgement(
            answer,
            last + 1,
            ratio,
            float(mean[last]),
            float(u[last]),
            answer == "need more" and not self.decidable(u_common),
        )

    def decidable(self, u_common: float) -> bool:
        """Tell whether endless values with a common uncertainty would answer in more than half of all cases.

        If there is no deviation: the ratio then ends where a single value with that uncertainty puts it.
        """
        u = float(positive(u_common, "The common uncertainty", zero=True))
        if u == 0:
            return True
        # At half of all cases the mean is within 0.6745 of its uncertainty.
        x = 0.67448975 * abs(self.delta) / u
        gain = x + math.log1p(math.exp(-2 * x)) - math.log(2) if self.both_sides else 0.0
        return gain - 0.5 * (self.delta / u) ** 2 <= self.bounds[0]

    def expected_number(self, sd: float, deviation: float) -> float:
        """Return Wald's approximation to the number of values until an answer.

        For one side, values of equal standard deviation and nothing in common. It takes the last value to meet its
        bound exactly; in truth it passes, so that the number is larger (by a sixth, where it is about 50).

        Parameters
        ----------
        sd
            Standard deviation of a value.
        deviation
            What the deviation truly is.
        """
        lower, upper = self.bounds
        accept = self.accepted(deviation)
        step = abs(self.delta) / float(positive(sd, "The standard deviation of a value"))
        drift = step * step * (deviation / self.delta - 0.5)
        if abs(drift) < 1e-9 * step * step:
            return -lower * upper / step**2
        return (accept * lower + (1 - accept) * upper) / drift

    def accepted(self, deviation: float) -> float:
        """Return Wald's approximation to the probability of ``yes`` if the deviation truly is so large.

        For one side and nothing in common: the operating characteristic.
        """
        if self.both_sides:
            raise StatisticsError(
                "Wald's formulas are for deviations of one side: make the test with both_sides=False."
            )
        lower, upper = self.bounds
        h = 1 - 2 * float(finite(deviation, "The deviation")) / self.delta
        if abs(h) < 1e-9:
            return upper / (upper - lower)
        return math.expm1(h * upper) / (math.exp(h * upper) - math.exp(h * lower))

    def _running(self, values: ArrayLike, sd: ArrayLike, u_common: float) -> tuple[Float, Float]:
        """Return the weighted mean after each value, and its standard uncertainty."""
        values = finite(values, "A value of the test")
        weight = 1 / positive(sd, "The standard deviation of a value") ** 2
        u_common = float(positive(u_common, "The common uncertainty", zero=True))
        if values.ndim == 0:
            raise StatisticsError("A sequential test needs a list of values, one at least.")
        weight = np.broadcast_to(weight, values.shape)
        total = np.cumsum(weight, axis=-1)
        return np.cumsum(weight * values, axis=-1) / total, np.sqrt(1 / total + u_common**2)
