"""When a drifting quantity will leave its tolerance: a straight line through its history, and its uncertainty ahead.

The line is that of ISO/TS 28037:2010, clauses 6 and 9. Dates are exact.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.arithmetic.straight_line import StraightLine, fit_straight_line
from calib.budget import coverage_factor
from calib.errors import StatisticsError
from calib.statistics.arguments import finite, positive, probability
from calib.statistics.risk import Limits

Float = NDArray[np.float64]


@dataclass(frozen=True)
class Leaving:
    """When a trend leaves its limits, as dates in seconds; infinite for never.

    Attributes
    ----------
    earliest
        From when on the interval of the value is no longer within the limits.
    likely
        When the value itself crosses one.
    latest
        From when on the whole interval is outside. Infinite if the drift may as well be none, for then it may never.
    """

    earliest: float
    likely: float
    latest: float


@dataclass(frozen=True)
class Trend:
    """A straight line of values against time.

    Attributes
    ----------
    line
        Value against ``(time - origin) / scale``.
    origin, scale
        In seconds.
    inflation
        Factor by which uncertainties were multiplied since the points lie further from the line than these say
        (the Birge ratio); 1 if they don't.
    dof
        Degrees of freedom of the line's uncertainty: infinite, or those of the points' scatter if it inflates.
    consistent
        Whether the points are as near to a line as their uncertainties say, at 95 % (ISO/TS 28037, 6.2.2). If not, the
        drift may not be straight, and what is said of the future is worth less.
    """

    line: StraightLine
    origin: float
    scale: float
    inflation: float
    dof: float
    consistent: bool

    @property
    def rate(self) -> tuple[float, float]:
        """Drift for each second, and its standard uncertainty."""
        return self.line.slope / self.scale, self.inflation * math.sqrt(self.line.covariance[1, 1]) / self.scale

    def value(self, time: ArrayLike) -> tuple[Float, Float]:
        """Return the value on the line at any time, and its standard uncertainty."""
        value, u = self.line.value((finite(time, "A date") - self.origin) / self.scale)
        return value, self.inflation * u

    def leaving(self, limits: Limits, since: float, *, level: float = 0.95) -> Leaving:
        """Return when the value leaves its limits.

        Parameters
        ----------
        limits
            Of the value.
        since
            Date to start from, s: what is outside by then has left already.
        level
            Level of confidence of the interval.
        """
        k = self.inflation * coverage_factor(probability(level, "The level of confidence"), self.dof)
        start = (float(finite(since, "A date")) - self.origin) / self.scale
        dates = [
            min(self._crossing(limit, sign, start, bound) for limit, sign in ((limits.upper, 1), (limits.lower, -1)))
            for bound in (k, 0.0, -k)
        ]
        earliest, likely, latest = (self.origin + self.scale * max(date, start) for date in dates)
        return Leaving(earliest, likely, latest)

    def _crossing(self, limit: float, sign: int, start: float, k: float) -> float:
        """Return the first x from `start` on at which value + sign·k·u is beyond the limit (above it, if sign > 0)."""
        if math.isinf(limit):
            return math.inf
        a, b = sign * (self.line.intercept - limit), sign * self.line.slope
        (v_aa, v_ab), (_, v_bb) = self.line.covariance

        def excess(x: float, factor: float) -> float:
            return a + b * x + factor * math.sqrt(max(v_aa + 2 * v_ab * x + v_bb * x**2, 0.0))

        if excess(start, k) >= 0:
            return start
        if k == 0:
            return -a / b if b > 0 else math.inf
        # (a + b x)² = k² u²(x) holds where either end of the interval meets the limit: tell which is ours.
        roots = np.roots([b**2 - k**2 * v_bb, 2 * (a * b - k**2 * v_ab), a**2 - k**2 * v_aa])
        for x in sorted(float(root.real) for root in roots if abs(root.imag) <= 1e-6 * (1 + abs(root.real))):
            if x > start and abs(excess(x, k)) <= abs(excess(x, -k)):
                return x
        return math.inf


def fit_trend(times: ArrayLike, values: ArrayLike, u: ArrayLike, *, process_sd: float = 0.0) -> Trend:
    """Fit a straight line to values against time.

    If the points scatter by more than their uncertainties say, these are taken as too small by one factor for all, and
    the coverage factor is that of the t distribution.

    Parameters
    ----------
    times
        Dates in seconds, shape ``(n,)``, in any order.
    values
        Shape ``(n,)``.
    u
        Standard uncertainties, shape ``(n,)`` or one number; or the covariance matrix of the values, shape ``(n, n)``,
        if they have something in common, such as the standard.
    process_sd
        By how much the value itself goes up and down beside the trend, such as
        :attr:`calib.statistics.baseline.Baseline.sigma`.

    Raises
    ------
    StatisticsError
        If a number isn't finite, fewer than two dates differ, or an uncertainty is not positive.
    """
    times, values = finite(times, "A date"), finite(values, "A value of the trend")
    u = finite(u, "The standard uncertainty of a value")
    if times.ndim != 1 or times.shape != values.shape or times.size < 2 or np.ptp(times) == 0:
        raise StatisticsError("A trend needs values at two different dates at least.")
    if u.shape not in ((), times.shape, 2 * times.shape):
        raise StatisticsError("A trend needs one uncertainty for all values, one for each, or their covariance matrix.")
    extra = float(positive(process_sd, "The standard deviation of the process", zero=True)) ** 2
    if u.ndim == 2:
        covariance = u + extra * np.eye(times.size)
    else:
        variance = positive(u, "The standard uncertainty of a value", zero=extra > 0) ** 2 + extra
        covariance = np.diag(np.broadcast_to(variance, times.shape))
    positive(np.diag(covariance), "The variance of a value")
    origin, scale = float(times.mean()), float(np.ptp(times))
    # Values are scaled, too, so that the fit's tolerances mean the same for a scale factor and for a picometre.
    unit = math.sqrt(float(np.mean(np.diag(covariance))))
    middle = float(values.mean())
    fitted = fit_straight_line((times - origin) / scale, (values - middle) / unit, covariance_y=covariance / unit**2)
    line = StraightLine(
        middle + unit * fitted.intercept,
        unit * fitted.slope,
        unit**2 * fitted.covariance,
        fitted.chi2,
        fitted.dof,
        fitted.x,
    )
    ratio = math.sqrt(line.chi2 / line.dof) if line.dof else 0.0
    return Trend(
        line,
        origin,
        scale,
        inflation=max(1.0, ratio),
        dof=float(line.dof) if ratio > 1 else math.inf,
        consistent=not line.dof or line.chi2 <= line.chi2_limit(),
    )
