"""When a scanner is to be calibrated again: by date, or when its trend will leave the tolerance."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np

from calib.budget import coverage_factor
from calib.errors import CalibError
from calib.history.dates import written
from calib.history.series import Series
from calib.scanner.effect import Float
from calib.statistics.risk import Limits
from calib.statistics.trend import Trend, fit_trend

LEVEL = 0.95


@dataclass(frozen=True)
class Drift:
    """How fast a quantity drifts.

    Attributes
    ----------
    rate, u
        For each second, with its standard uncertainty.
    k
        Coverage factor for 95 %.
    consistent
        Whether the points are as near to a straight line as their uncertainties say.
    """

    rate: float
    u: float
    k: float
    consistent: bool

    @property
    def significant(self) -> bool:
        """Whether it is more than its uncertainty."""
        return abs(self.rate) > self.k * self.u


@dataclass(frozen=True)
class Leaving:
    """When a quantity leaves its tolerance; None for never, or beyond the calendar.

    Attributes
    ----------
    lower, upper
        Limits of the quantity.
    earliest, likely, latest
        See :class:`calib.statistics.trend.Leaving`.
    """

    lower: float
    upper: float
    earliest: datetime | None
    likely: datetime | None
    latest: datetime | None

    def to_dict(self) -> Mapping[str, Any]:
        """Return it as a JSON object."""
        return {
            "lower": self.lower,
            "upper": self.upper,
            "earliest": written(self.earliest),
            "likely": written(self.likely),
            "latest": written(self.latest),
        }


def drift(series: Series, process_sd: float = 0.0) -> Drift | None:
    """Return how fast a quantity drifts; None if that can't be told.

    Parameters
    ----------
    series
        The quantity through time.
    process_sd
        By how much it goes up and down beside that, if known.
    """
    trend = _trend(series, series.covariance, process_sd)
    if trend is None:
        return None
    rate, u = trend.rate
    return Drift(rate, u, coverage_factor(LEVEL, trend.dof), trend.consistent)


def leaving(
    series: Series,
    tolerance: float,
    at: datetime,
    *,
    target: float | None = None,
    in_use: int = -1,
    process_sd: float = 0.0,
) -> Leaving | None:
    """Return when a quantity leaves its tolerance; None if there is no trend.

    Parameters
    ----------
    series
        The quantity through time.
    tolerance
        By how much it may be off, in its unit.
    at
        Date to start from.
    target
        What it should be. By default what the model in use says, for that is what scans are corrected by; certificates
        then don't matter, since no calibration with the same standards makes them better.
    in_use
        Number of that model among the points.
    process_sd
        By how much it goes up and down beside the trend, if known.
    """
    covariance = series.covariance if target is not None else series.covariance_of_change(in_use)
    trend = _trend(series, covariance, process_sd)
    if trend is None:
        return None
    limits = Limits.about(float(series.values[in_use]) if target is None else target, tolerance)
    found = trend.leaving(limits, at.timestamp(), level=LEVEL)
    return Leaving(limits.lower, limits.upper, _date(found.earliest), _date(found.likely), _date(found.latest))


def _trend(series: Series, covariance: Float, process_sd: float) -> Trend | None:
    if series.values.size < 2 or np.ptp(series.times) == 0 or not np.all(np.diag(covariance) > 0):
        return None
    try:
        return fit_trend(series.times, series.values, covariance, process_sd=process_sd)
    except (CalibError, np.linalg.LinAlgError):
        return None


def _date(seconds: float) -> datetime | None:
    try:
        return datetime.fromtimestamp(seconds, UTC) if math.isfinite(seconds) else None
    except (OverflowError, ValueError, OSError):
        return None
