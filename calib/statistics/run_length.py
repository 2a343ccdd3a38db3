"""How long a control chart runs before it signals, for normal values that are independent of each other.

The average run length without a change is how often a chart cries wolf; with a change, how soon it finds it.
"""

from __future__ import annotations

import numpy as np

from calib.errors import StatisticsError
from calib.statistics.arguments import finite, positive

_NODES = 24  # of the quadrature, at least
_NODES_PER_SD = 6  # and for each standard deviation of a step of the average, which the kernel is as narrow as
_WIDEST = 6.0


def individuals_run_length(width: float = 3.0, shift: float = 0.0) -> float:
    """Return the average number of points until one lies beyond the limits of an individuals chart.

    Parameters
    ----------
    width
        Distance of the limits from the centre, in standard deviations of a point.
    shift
        By how much the mean of the points is off, in the same unit.
    """
    from scipy.special import ndtr

    width, shift = float(positive(width, "The width of the limits")), float(finite(shift, "The shift"))
    return 1.0 / float(ndtr(-width - shift) + ndtr(-width + shift))


def ewma_run_length(weight: float, width: float, shift: float = 0.0) -> float:
    """Return the average number of points until a weighted moving average crosses its limits.

    For limits as they are after many points, from the first point on. The integral equation of S. V. Crowder
    (Technometrics 29, 1987), by Gauss-Legendre quadrature; relative error below 1e-6.

    Parameters
    ----------
    weight
        Weight of the newest point, above 0 and at most 1.
    width
        Distance of the limits from the centre, in standard deviations of the average.
    shift
        By how much the mean of the points is off, in standard deviations of a point.
    """
    weight = _weight(weight)
    width, shift = float(positive(width, "The width of the limits")), float(finite(shift, "The shift"))
    half = width * np.sqrt(weight / (2 - weight))
    y, w = np.polynomial.legendre.leggauss(_NODES + int(np.ceil(_NODES_PER_SD * 2 * half / weight)))
    y, w = half * y, half * w
    # Chance to step from one average to another, as a density of the latter.
    step = (y[None, :] - (1 - weight) * np.append(y, 0.0)[:, None]) / weight - shift
    density = np.exp(-0.5 * step**2) / (np.sqrt(2 * np.pi) * weight)
    length = np.linalg.solve(np.eye(y.size) - density[:-1] * w, np.ones(y.size))
    return float(1.0 + (density[-1] * w) @ length)


def ewma_width(weight: float, run_length: float = 370.4) -> float:
    """Return the width of limits at which a weighted moving average gives that many points to a false alarm.

    Parameters
    ----------
    weight
        Weight of the newest point, above 0 and at most 1.
    run_length
        Average number of points to a false alarm; 370.4 is that of single points at 3 standard deviations.
    """
    from scipy.optimize import brentq

    weight = _weight(weight)
    low = 0.1
    least, most = ewma_run_length(weight, low), ewma_run_length(weight, _WIDEST)
    if not least < run_length < most:
        raise StatisticsError(f"An average run length must lie between {least:.2f} and {most:.2g}, not {run_length!r}.")
    return float(brentq(lambda width: np.log(ewma_run_length(weight, width) / run_length), low, _WIDEST, xtol=1e-6))


def _weight(weight: float) -> float:
    if not 0 < weight <= 1:
        raise StatisticsError(f"The weight of the newest point must be above 0 and at most 1, not {weight!r}.")
    return float(weight)
