"""Control charts of one quantity through time: single points, moving ranges, and weighted moving averages.

After the NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals) and 6.3.2.4 (EWMA), with points that
may each have an uncertainty of their own: the limits of a point are drawn from √(σ² + u²), see
:mod:`calib.statistics.baseline`.
Without a baseline the chart judges the points that it is made from (phase I). With one it judges later points
(phase II), and what is not known of an estimated centre widens the limits.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.errors import StatisticsError
from calib.statistics.arguments import finite, positive
from calib.statistics.baseline import D2, D3, Baseline, estimate_baseline, points

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

Kind = Literal["individuals", "moving range", "EWMA"]
RunRule = Literal["2 of 3", "4 of 5", "8 in a row"]
RUN_RULES: tuple[str, ...] = get_args(RunRule)

BEYOND = "beyond limits"
# What a rule adds: so many of the last so many points beyond that many standard deviations, on one side.
_RUNS: dict[str, tuple[int, int, float]] = {"2 of 3": (2, 3, 2.0), "4 of 5": (4, 5, 1.0), "8 in a row": (8, 8, 0.0)}


@dataclass(frozen=True)
class Signal:
    """A point at which a chart says that the process is out of control.

    Attributes
    ----------
    index
        Number of the point, from 0.
    rule
        ``beyond limits`` or the run rule, such as ``2 of 3``.
    side
        ``above`` or ``below``.
    """

    index: int
    rule: str
    side: Literal["above", "below"]


@dataclass(frozen=True)
class Chart:
    """A control chart.

    Attributes
    ----------
    kind
        ``individuals``, ``moving range`` or ``EWMA``.
    statistic
        What is charted: the points, their ranges, or the averages, shape ``(n,)``. The first range is NaN.
    lower, upper
        Limits of each, shape ``(n,)``.
    baseline
        What the limits stand on.
    width
        Distance of the limits from the centre, in standard deviations.
    signals
        In the order of points.
    """

    kind: Kind
    statistic: Float
    lower: Float
    upper: Float
    baseline: Baseline
    width: float
    signals: tuple[Signal, ...]

    @property
    def in_control(self) -> bool:
        """Whether nothing signals."""
        return not self.signals

    def to_dict(self) -> dict[str, Any]:
        """Return the chart as plain data for JSON."""
        return {
            "kind": self.kind,
            "centre": self.baseline.centre,
            "sigma": self.baseline.sigma,
            "u_centre": self.baseline.u_centre,
            "width": self.width,
            "statistic": [None if math.isnan(value) else value for value in self.statistic.tolist()],
            "lower": self.lower.tolist(),
            "upper": self.upper.tolist(),
            "signals": [{"index": s.index, "rule": s.rule, "side": s.side} for s in self.signals],
        }


def individuals(
    values: ArrayLike,
    u: ArrayLike = 0.0,
    *,
    baseline: Baseline | None = None,
    width: float = 3.0,
    rules: Sequence[RunRule] = (),
) -> Chart:
    """Return the chart of single points, with limits at ``centre ± width √(σ² + u² + u_centre²)``.

    Parameters
    ----------
    values
        Points in order of time, shape ``(n,)``.
    u
        Standard uncertainty of each, as far as it is independent from point to point; shape ``(n,)`` or one number.
    baseline
        What later points are judged by; estimated from these points otherwise, without `u_centre` in the limits then.
    width
        Distance of the limits; 3 gives a false alarm in 370 points of a given baseline. :meth:`Baseline.width` gives
        what an estimated one needs for the same.
    rules
        Run rules to apply as well. Each makes false alarms more common, see :func:`runs`.

    Raises
    ------
    StatisticsError
        If there are too few points for a baseline, a number isn't finite, or nothing varies.
    """
    values, u = points(values, u)
    width = float(positive(width, "The width of the limits"))
    base, u_centre = _base(values, u, baseline)
    sd = _spread(np.hypot(base.sd(u), u_centre))
    z = (values - base.centre) / sd
    found = {BEYOND: (z > width, z < -width)} | {rule: runs(z, rule) for rule in rules}
    reach = width * sd
    return Chart("individuals", values, base.centre - reach, base.centre + reach, base, width, _signals(found))


def moving_range(
    values: ArrayLike, u: ArrayLike = 0.0, *, baseline: Baseline | None = None, width: float = 3.0
) -> Chart:
    """Return the chart of the differences of neighbours without their sign, which tells a change of the spread.

    Equal points with limits from the data: 3.267 times the mean range. The distribution of a range is not normal: at
    3 standard deviations a false alarm comes in 1 of 110 ranges.

    Parameters
    ----------
    values, u, baseline, width
        As of :func:`individuals`.
    """
    values, u = points(values, u)
    width = float(positive(width, "The width of the limits"))
    base, _ = _base(values, u, baseline)
    sd = base.sd(u)
    # Half the variance of a difference is the mean variance of the two.
    pair = _spread(np.sqrt((sd**2 + np.append(sd[:1], sd[:-1]) ** 2) / 2))
    statistic = np.append(np.nan, np.abs(np.diff(values)))
    lower, upper = np.maximum(D2 - width * D3, 0.0) * pair, (D2 + width * D3) * pair
    found = {BEYOND: (statistic > upper, statistic < lower)}
    return Chart("moving range", statistic, lower, upper, base, width, _signals(found))


def ewma(
    values: ArrayLike,
    u: ArrayLike = 0.0,
    *,
    baseline: Baseline | None = None,
    weight: float = 0.2,
    width: float = 3.0,
    steady: bool = False,
) -> Chart:
    """Return the chart of averages that forget: ``weight`` of the newest point and the rest of the average before it.

    The average starts at the centre. It finds small lasting changes sooner than single points do.

    Parameters
    ----------
    values, u, baseline
        As of :func:`individuals`.
    weight
        λ, above 0 and at most 1; 0.2 to 0.3 is usual.
    width
        Distance of the limits in standard deviations of the average;
        :func:`calib.statistics.run_length.ewma_width` gives it for a number of points to a false alarm.
    steady
        Draw the limits as they are after many points, instead of narrower at first, where few points have come in.

    Raises
    ------
    StatisticsError
        As :func:`individuals`, and if the weight makes no sense.
    """
    values, u = points(values, u)
    width = float(positive(width, "The width of the limits"))
    if not 0 < weight <= 1:
        raise StatisticsError(f"The weight of the newest point must be above 0 and at most 1, not {weight!r}.")
    base, u_centre = _base(values, u, baseline)
    sd = _spread(base.sd(u))
    average, variance, start = np.empty_like(values), np.empty_like(values), 1.0
    z, v = base.centre, float(sd[0]) ** 2 * weight / (2 - weight) if steady else 0.0
    for i in range(values.size):
        z = weight * values[i] + (1 - weight) * z
        # Averages are sums of independent points, so their variances add.
        v = weight**2 * sd[i] ** 2 + (1 - weight) ** 2 * v
        start *= 1 - weight  # what is left of the start, which knows no error of the centre
        average[i], variance[i] = z, v + (u_centre * (1.0 if steady else 1 - start)) ** 2
    reach = width * np.sqrt(variance)
    lower, upper = base.centre - reach, base.centre + reach
    found = {BEYOND: (average > upper, average < lower)}
    return Chart("EWMA", average, lower, upper, base, width, _signals(found))


def runs(z: ArrayLike, rule: RunRule) -> tuple[Bool, Bool]:
    """Tell the points at which a run rule signals.

    ``2 of 3``: two of the last three points more than 2 standard deviations off, on the same side. ``4 of 5``: four of
    the last five more than 1 off. ``8 in a row``: the last eight on the same side. These are the Western Electric
    rules. With limits at 3 standard deviations alone a false alarm comes in 370 points on average; with one of the
    rules in 225, 166 and 153, with all of them in 92 (C. W. Champ and W. H. Woodall, Technometrics 29, 1987).

    Parameters
    ----------
    z
        Points, as distances from the centre in standard deviations, along the last axis.
    rule
        Which.

    Returns
    -------
    above, below
        Whether the rule holds at each point, as the newest of its run; shape of `z`.
    """
    if rule not in RUN_RULES:
        raise StatisticsError(f"There is no run rule {rule!r}: take one of {', '.join(RUN_RULES)}.")
    z = finite(z, "A point of the chart")
    needed, of, zone = _RUNS[rule]

    def signals(beyond: Bool) -> Bool:
        total = np.cumsum(beyond, axis=-1)
        total[..., of:] = total[..., of:] - total[..., :-of]
        # The newest point must be one of them, else an old run would signal again.
        return np.asarray(beyond & (total >= needed))

    return signals(z > zone), signals(z < -zone)


def _base(values: Float, u: Float, baseline: Baseline | None) -> tuple[Baseline, float]:
    if baseline is None:
        return estimate_baseline(values, u), 0.0
    return baseline, baseline.u_centre


def _spread(sd: Float) -> Float:
    if not np.all(sd > 0):
        raise StatisticsError(
            "A point without uncertainty in a process without spread has no limits: give one of the two."
        )
    return sd


def _signals(found: dict[str, tuple[Bool, Bool]]) -> tuple[Signal, ...]:
    signals = []
    for rule, (above, below) in found.items():
        signals += [Signal(int(i), rule, "above") for i in np.flatnonzero(above)]
        signals += [Signal(int(i), rule, "below") for i in np.flatnonzero(below)]
    return tuple(sorted(signals, key=lambda signal: signal.index))
