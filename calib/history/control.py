"""Control charts of a history: whether a model is like those before it, as far as uncertainties tell.

The first models, or what the user gives, make the limits; later ones are judged. Both charts have the same chance, for
each point of a process in control, to signal by mistake. What points have in common with the baseline (certificates of
the same standards) does not scatter and is not in the limits; where a standard was exchanged, it is.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from calib.errors import StatisticsError
from calib.history.record import ModelRecord
from calib.history.series import Series
from calib.scanner.effect import Float
from calib.statistics.baseline import Baseline, estimate_baseline
from calib.statistics.charts import BEYOND, Chart, Signal, ewma, individuals
from calib.units import show

FALSE_ALARMS = 0.0027
"""Chance that a point of a process in control lies outside; that of 3 standard deviations with a given baseline."""

WEIGHT = 0.2
"""Of the newest point in the weighted moving average."""

_LEAST, _MOST = 4, 10  # models that make a baseline, unless it is said how many


@dataclass(frozen=True)
class Limits:
    """What the limits of a chart stand on, so far as it is given.

    Attributes
    ----------
    target
        Centre; by default the mean of the baseline's models.
    sd
        Standard deviation of the process, without the uncertainties of the models; by default from their scatter.
    models
        How many of the first models make the baseline; by default half of them, four at least and ten at most.
    false_alarms
        Chance that a point of a process in control lies outside.
    """

    target: float | None = None
    sd: float | None = None
    models: int | None = None
    false_alarms: float = FALSE_ALARMS


@dataclass(frozen=True, eq=False)
class Control:
    """Charts of one quantity.

    Attributes
    ----------
    series
        What is charted.
    first
        Number of the first point that is judged, from 0.
    individuals, ewma
        Charts of the points from there on; None if there are too few.
    said
        What the limits stand on, or why there are none, in words.
    """

    series: Series
    first: int
    individuals: Chart | None
    ewma: Chart | None
    said: str

    @property
    def signals(self) -> tuple[tuple[ModelRecord, str, str], ...]:
        """Models that are out of control, with the kind of chart that says so, and the side."""
        found = [
            (self.first + one.index, chart.kind, one.side)
            for chart in (self.individuals, self.ewma)
            if chart is not None
            for one in chart.signals
        ]
        return tuple((self.series.models[index], kind, side) for index, kind, side in sorted(found))

    @property
    def in_control(self) -> bool | None:
        """Whether nothing signals; None if nothing could be judged."""
        return None if self.individuals is None else not self.signals

    def to_dict(self) -> Mapping[str, Any]:
        """Return the charts as a JSON object."""
        return {
            "first_judged": self.first,
            "said": self.said,
            "in_control": self.in_control,
            "individuals": None if self.individuals is None else self.individuals.to_dict(),
            "ewma": None if self.ewma is None else self.ewma.to_dict(),
            "signals": [
                {"model_sha256": record.sha256, "chart": kind, "side": side} for record, kind, side in self.signals
            ],
        }


def control(series: Series, limits: Limits | None = None) -> Control:
    """Chart a quantity.

    Parameters
    ----------
    series
        The quantity through time.
    limits
        What the limits stand on; by default on the first models.
    """
    given = limits or Limits()
    n = series.values.size
    complete = given.target is not None and given.sd is not None
    first = 0 if complete else given.models or min(max(_LEAST, n // 2), _MOST)
    if n <= first:
        models = f"{n} model{'' if n == 1 else 's'}"
        return Control(series, n, None, None, f"{models} so far, and the limits need {first} before one can be judged")
    try:
        base, weights = _baseline(series, first, given)
        width = base.width(given.false_alarms)
        apart = series.common[first:]
        if weights is not None:  # a target is free of the certificates' errors, a mean is not
            apart = apart - weights @ series.common[:first]
        values, own = series.values[first:], series.own[first:]
        if given.sd is None:
            # what was too uncertain to show how much the scanner varies can't make narrow limits for surer points
            own = np.maximum(own, np.sqrt(np.mean(series.own[:first] ** 2)))
        single = _widened(individuals(values, own, baseline=base, width=width), apart)
        average = ewma(values, own, baseline=base, weight=WEIGHT, width=width)
        average = _widened(average, _averaged(apart))
    except StatisticsError as error:
        return Control(series, n, None, None, str(error).rstrip("."))
    return Control(series, first, single, average, _said(series, first, given, width))


def _baseline(series: Series, first: int, given: Limits) -> tuple[Baseline, Float | None]:
    """Return the baseline, and the weights of the points that make its centre; None for a target."""
    if given.target is not None and given.sd is not None:
        return Baseline(given.target, given.sd), None
    values, own = series.values[:first], series.own[:first]
    if given.sd is None:
        base = estimate_baseline(values, own)
        if given.target is not None:
            return Baseline(given.target, base.sigma, 0.0, base.n), None
        return base, _weights(base.sigma, own)
    weights = _weights(given.sd, own)
    variance = given.sd**2 + own**2
    return Baseline(float(weights @ values), given.sd, float(np.sqrt(weights**2 @ variance))), weights


def _weights(sigma: float, own: Float) -> Float:
    weight = 1 / np.maximum(sigma**2 + own**2, np.finfo(float).tiny)
    weight = weight / weight.max()
    return np.asarray(weight / weight.sum())


def _averaged(apart: Float) -> Float:
    """What the moving average moves by, shape ``(n, k)``."""
    found = np.empty_like(apart)
    moved = np.zeros(apart.shape[1])
    for i, row in enumerate(apart):
        moved = WEIGHT * row + (1 - WEIGHT) * moved
        found[i] = moved
    return found


def _widened(chart: Chart, apart: Float) -> Chart:
    """Widen limits by what points do not have in common with the centre, shape ``(n, k)``."""
    extra = np.sqrt(np.sum(apart**2, axis=1))
    centre = chart.baseline.centre
    reach = np.hypot(chart.upper - centre, chart.width * extra)
    lower, upper = centre - reach, centre + reach
    beyond = [(i, "above") for i in np.flatnonzero(chart.statistic > upper)]
    beyond += [(i, "below") for i in np.flatnonzero(chart.statistic < lower)]
    signals = tuple(Signal(int(i), BEYOND, "above" if side == "above" else "below") for i, side in sorted(beyond))
    return dataclasses.replace(chart, lower=lower, upper=upper, signals=signals)


def _said(series: Series, first: int, given: Limits, width: float) -> str:
    if not first:
        stands = "as given"
    else:
        parts = [f"from the first {first} models"]
        parts += ["the target as given"] if given.target is not None else []
        parts += ["the standard deviation as given"] if given.sd is not None else []
        stands = ", ".join(parts)
    chance = show(given.false_alarms, "%", 2)
    said = (
        f"limits {stands}, at {width:.1f} standard deviations: {chance} of the points, or fewer, lie outside by chance"
    )
    if first > 1 and np.ptp(series.values[:first]):
        spread = None if given.sd is None else Baseline(float(series.values[:first].mean()), given.sd)
        chart = individuals(series.values[:first], series.own[:first], baseline=spread)
        odd = [
            str(one.index + 1) for one in _widened(chart, series.common[:first] - series.common[:first].mean(0)).signals
        ]
        if odd:
            said += f"; of the models that make the limits, number {', '.join(odd)} stands out from the others"
    return said
