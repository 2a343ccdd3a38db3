"""Where a quantity lay while all was well, and how much it varied: what the limits of a control chart stand on.

Given as target and standard deviation, or estimated from the points themselves by their moving ranges (NIST/SEMATECH
e-Handbook of Statistical Methods, 6.3.2.2). A point may bring a standard uncertainty of its own. Its scatter about the
centre then is that of the process, σ, and its own, u, together: √(σ² + u²).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.errors import StatisticsError
from calib.statistics.arguments import finite, positive, probability

Float = NDArray[np.float64]

# Mean of the range of two independent standard normal values, and its standard deviation.
D2 = 2 / math.sqrt(math.pi)
D3 = math.sqrt(2 - 4 / math.pi)
# Moving ranges that follow each other share a point: covariance of theirs, the sd of a point being 1.
_NEIGHBOURS = (4 / math.pi) * (math.sqrt(3) / 2 + math.pi / 12 - 1)


@dataclass(frozen=True)
class Baseline:
    """Centre and spread of a process in control.

    Attributes
    ----------
    centre
        Target, or mean of the points.
    sigma
        Standard deviation of the process, without the points' own uncertainties. Zero if these explain all scatter.
    u_centre
        Standard uncertainty of the centre; zero for a target.
    n
        Number of points that it was estimated from; None if it was given.
    """

    centre: float
    sigma: float
    u_centre: float = 0.0
    n: int | None = None

    def __post_init__(self) -> None:
        finite(self.centre, "The centre")
        positive(self.sigma, "The standard deviation of the process", zero=True)
        positive(self.u_centre, "The standard uncertainty of the centre", zero=True)

    @property
    def dof(self) -> float:
        """Effective degrees of freedom of the spread; infinite if it was given.

        Of the χ distribution that has the relative variance of a mean moving range of independent normal points, as
        P. B. Patnaik (Biometrika 37, 1950) did for ranges.
        """
        return math.inf if self.n is None else 1 / (2 * math.sqrt(1 + 2 * _relative_variance(self.n - 1)) - 2)

    def sd(self, u: ArrayLike) -> Float:
        """Return the standard deviation of points with standard uncertainties `u`."""
        return np.hypot(self.sigma, positive(u, "The standard uncertainty of a point", zero=True))

    def width(self, false_alarms: float = 0.0027) -> float:
        """Return the width, in standard deviations, of limits that later points cross by chance with a probability.

        3 for 0.27 % with a given baseline. More where it was estimated from few points: the quantile of the t
        distribution with :attr:`dof`, corrected since a mean range is right on average where a root mean square is
        too small. Kept within a fifth of 5 %; far out it errs on the safe side (0.27 % become 0.12 % with 5 points, and
        0.18 % with 10). The uncertainty of the centre is not in it: the charts add that themselves.

        Parameters
        ----------
        false_alarms
            Probability that a point of a process in control lies outside, over all baselines.
        """
        from scipy.special import ndtri, stdtrit

        tail, dof = probability(false_alarms, "The probability of a false alarm") / 2, self.dof
        if math.isinf(dof):
            return float(-ndtri(tail))
        mean_of_chi = math.sqrt(2 / dof) * math.exp(math.lgamma((dof + 1) / 2) - math.lgamma(dof / 2))
        return float(-stdtrit(dof, tail)) * mean_of_chi


def estimate_baseline(values: ArrayLike, u: ArrayLike = 0.0) -> Baseline:
    """Estimate the baseline from points in the order in which they were taken.

    σ is what makes the mean of the moving ranges what is expected of independent normal points with standard deviations
    √(σ² + u²). With equal u that is the mean moving range over 1.128, u included. The centre is the mean, weighted by
    1/(σ² + u²).

    Parameters
    ----------
    values
        Points, shape ``(n,)``, two at least.
    u
        Standard uncertainty of each, shape ``(n,)`` or one number: only what is independent from point to point. What
        they have in common (the same certificate) moves all of them alike and does not belong here.

    Raises
    ------
    StatisticsError
        If there are fewer than two points, or nothing varies and nothing is uncertain.
    """
    values, u = points(values, u)
    if values.size < 2:
        raise StatisticsError("A baseline needs at least two points; or give the target and the standard deviation.")
    mean_range = float(np.mean(np.abs(np.diff(values))))
    both = u[1:] ** 2 + u[:-1] ** 2

    def excess(sigma: float) -> float:
        return float(np.mean(D2 * np.sqrt(sigma**2 + both / 2))) - mean_range

    if mean_range == 0 and not np.any(u > 0):
        raise StatisticsError("Points that are all the same have no spread: give the standard deviation.")
    sigma = 0.0
    if excess(0.0) < 0:
        from scipy.optimize import brentq

        # The expected range is at least that of σ alone, so the root is at most this.
        most = mean_range / D2
        sigma = most if not np.any(both) else float(brentq(excess, 0.0, most * (1 + 1e-12), rtol=1e-12))
    weight = 1 / np.maximum(sigma**2 + u**2, np.finfo(float).tiny)
    weight = weight / weight.max()
    centre = float(np.sum(weight * values) / np.sum(weight))
    u_centre = float(np.sqrt(np.sum(weight**2 * (sigma**2 + u**2))) / np.sum(weight))
    return Baseline(centre, sigma, u_centre, values.size)


def points(values: ArrayLike, u: ArrayLike) -> tuple[Float, Float]:
    """Return points and their uncertainties as arrays of shape ``(n,)``, or raise a StatisticsError."""
    values = finite(values, "A point of the chart")
    u = positive(u, "The standard uncertainty of a point", zero=True)
    if values.ndim != 1 or values.size == 0 or u.shape not in ((), values.shape):
        raise StatisticsError("A chart needs a list of points, and one uncertainty for all or one for each.")
    return values, np.broadcast_to(u, values.shape)


def _relative_variance(ranges: int) -> float:
    """Relative variance of the mean of that many moving ranges (as of D. Cryer and T. P. Ryan, 1990, derived anew)."""
    return (D3**2 + 2 * (1 - 1 / ranges) * _NEIGHBOURS) / (ranges * D2**2)
