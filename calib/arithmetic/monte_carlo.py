"""Monte Carlo propagation of distributions after JCGM 101:2008, and what it says of a linear budget.

Inputs are drawn many times, the model is computed from each draw, and the values it takes *are* the distribution of
the result: nothing is taken for linear or normal. The number of trials grows until the result is settled to a stated
number of digits (7.9).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from calib.arithmetic.draws import Draws
from calib.budget import Budget, Contribution, Expanded
from calib.errors import CalibError
from calib.units import show

Float = NDArray[np.float64]
Function = Callable[..., Any]
Sample = Callable[[np.random.Generator, int], Float]
"""Draws so many values of a result, shape ``(trials,)``."""

Interval = Literal["symmetric", "shortest"]

SEED = 20080101
"""Trials are drawn from this unless told otherwise: the same budget gives the same numbers, whoever computes them."""

_BATCH = 10_000
_MOST = 5_000_000
_VALIDATED_WITH = 5.0  # the tolerance is divided by this where a linear result is judged (8.2)
_CLEAR = 3.0  # standard deviations between a difference and the tolerance that settle on which side it lies


@dataclass(frozen=True, eq=False)
class Distribution:
    """What a Monte Carlo propagation found.

    Attributes
    ----------
    estimate
        Mean of the values.
    u
        Their standard deviation.
    symmetric
        Ends of the coverage interval with equal probability on either side (7.7.2).
    shortest
        Ends of the shortest coverage interval (7.7.3).
    level
        Coverage probability of both.
    trials
        How many values there are.
    tolerance
        Numerical tolerance that was asked for: half a unit of the last digit of `u` (7.9.2).
    noise
        Standard deviations, by the scatter of batches, of `estimate`, `u` and the two ends of the interval in force.
    settled
        Whether twice the `noise` lies within the tolerance; else the number of trials was limited first.
    """

    estimate: float
    u: float
    symmetric: tuple[float, float]
    shortest: tuple[float, float]
    level: float
    trials: int
    tolerance: float
    noise: tuple[float, float, float, float]
    settled: bool

    def to_dict(self) -> dict[str, Any]:
        """Return the distribution as a JSON object."""
        return {
            "estimate": self.estimate,
            "u": self.u,
            "symmetric": list(self.symmetric),
            "shortest": list(self.shortest),
            "level": self.level,
            "trials": self.trials,
            "tolerance": self.tolerance,
            "noise": list(self.noise),
            "settled": self.settled,
        }


def propagate(
    function: Function,
    inputs: Sequence[Contribution],
    *,
    correlations: Mapping[tuple[str, str], float] | None = None,
    level: float = 0.95,
    digits: int = 2,
    interval: Interval = "symmetric",
    sharper: float = 1.0,
    seed: int = SEED,
    most: int = _MOST,
) -> Distribution:
    """Propagate distributions through a model, with as many trials as the result needs (JCGM 101:2008, 7.9).

    Parameters
    ----------
    function
        The model. It is called with one array of draws for each input, shape ``(trials,)``, in the order of `inputs`,
        and returns the values of the result, of the same shape.
    inputs
        Their estimates, standard uncertainties, distributions and degrees of freedom; sensitivities play no part.
        A normal input of finite degrees of freedom is drawn from the t distribution scaled by `u` and shifted to the
        estimate (6.4.9). A rectangular one gets inexact limits (6.4.3): its half-width is multiplied by
        1 + √(3/2ν) r, r rectangular within ±1, so that it is as unsure as its degrees of freedom say (GUM, G.4.2);
        triangular and arcsine ones are treated likewise.
    correlations
        Correlation coefficients of pairs of inputs, by name. Normal inputs are drawn from the multivariate normal
        distribution (6.4.8). Those of the same finite degrees of freedom are taken to come from the same observations
        and share their scale: a multivariate t distribution. Others are joined by a Gaussian copula, by which
        the coefficient is that of the underlying normal distribution and a little smaller between the inputs.
    level
        Coverage probability.
    digits
        Significant digits of the standard uncertainty that are to be right.
    interval
        Which of the two intervals must be settled; ends of the shortest one need more trials.
    sharper
        The tolerance that decides on the number of trials is divided by this.
    seed
        The same seed gives the same result.
    most
        Never more trials than these.

    Raises
    ------
    CalibError
        If the model fails or a result is no number.
    """
    draw = partial(_drawn, function, Draws(inputs, correlations or {}, np.random.default_rng(seed)))
    return _settle(draw, level=level, digits=digits, interval=interval, sharper=sharper, most=most)


def _settle(
    values_of: Callable[[int], Float], *, level: float, digits: int, interval: Interval, sharper: float, most: int
) -> Distribution:
    """Draw batches of values until they are settled; see :func:`propagate`."""
    _check(level, digits, most)
    batch = max(_BATCH, math.ceil(100 / (1 - level)))
    values: list[Float] = []
    each: list[tuple[float, float, float, float]] = []
    noise, settled, tolerance = (math.inf,) * 4, False, 0.0
    while True:
        some = np.sort(values_of(batch))
        values.append(some)
        ends = symmetric_interval(some, level) if interval == "symmetric" else shortest_interval(some, level)
        each.append((float(some.mean()), float(some.std(ddof=1)), *ends))
        count = len(each)
        if count > 1:
            table = np.array(each)
            noise = tuple(table.std(axis=0, ddof=1) / math.sqrt(count))
            # standard deviation of all values, from those of the batches
            u = math.sqrt(float(np.mean(table[:, 1] ** 2)) + float(np.var(table[:, 0])))
            tolerance = numerical_tolerance(u, digits)
            settled = all(2 * sd <= tolerance / sharper for sd in noise)
            if settled:
                break
        if (count + 1) * batch > max(most, 2 * batch):
            break
    total = np.sort(np.concatenate(values), kind="stable")
    return Distribution(
        estimate=float(total.mean()),
        u=float(total.std(ddof=1)),
        symmetric=symmetric_interval(total, level),
        shortest=shortest_interval(total, level),
        level=level,
        trials=total.size,
        tolerance=tolerance,
        noise=(float(noise[0]), float(noise[1]), float(noise[2]), float(noise[3])),
        settled=settled,
    )


def numerical_tolerance(u: float, digits: int = 2) -> float:
    """Return half a unit of the last of some significant digits of a standard uncertainty (7.9.2)."""
    if not u > 0:
        return 0.0
    exponent = math.floor(math.log10(u)) - digits + 1
    # 0.0996 is 0.10 to two digits
    if round(u / 10.0**exponent) >= 10**digits:
        exponent += 1
    return 0.5 * 10.0**exponent


def symmetric_interval(ordered: Float, level: float) -> tuple[float, float]:
    """Return the interval with equal probability on either side (7.7.2), of values in ascending order."""
    size = ordered.size
    covered = math.floor(level * size + 0.5)
    first = (size - covered + 1) // 2
    return float(ordered[max(first - 1, 0)]), float(ordered[min(first + covered - 1, size - 1)])


def shortest_interval(ordered: Float, level: float) -> tuple[float, float]:
    """Return the shortest interval that covers so much (7.7.3), of values in ascending order."""
    covered = min(math.floor(level * ordered.size + 0.5), ordered.size - 1)
    width = ordered[covered:] - ordered[: ordered.size - covered]
    first = int(np.argmin(width))
    return float(ordered[first]), float(ordered[first + covered])


@dataclass(frozen=True, eq=False)
class Validation:
    """Whether a linear budget holds, judged by Monte Carlo propagation (JCGM 101:2008, clause 8).

    Attributes
    ----------
    quantity, unit
        What the budget is of.
    linear
        What the budget gives: its value, and its expanded uncertainty.
    value
        The budget's estimate.
    found
        What the Monte Carlo propagation gives.
    d_low, d_high
        Distances of the ends of the two intervals (the probabilistically symmetric one of the trials).
    digits
        Significant digits of the standard uncertainty that were asked for.
    holds
        Whether both distances lie within the numerical tolerance; None where the trials can't tell.
    shapes_only
        Whether the linear model stood in for the true one, so that only shapes and degrees of freedom were tested.
    """

    quantity: str
    unit: str
    linear: Expanded
    value: float
    found: Distribution
    d_low: float
    d_high: float
    digits: int
    holds: bool | None
    shapes_only: bool

    def sentence(self) -> str:
        """Say in one sentence whether the linear result holds and, if not, what to use instead."""
        percent = f"{100 * self.linear.level:g} %"
        trials = f"{self.found.trials:,}".replace(",", " ")
        head = f"Monte Carlo propagation (JCGM 101, {trials} trials):"
        digits = f"{self.digits} digit{'' if self.digits == 1 else 's'} of u"
        off = show(max(self.d_low, self.d_high), self.unit, 2)
        tolerance = show(self.found.tolerance, self.unit, 2)
        low, high = (self._end(end) for end in self.found.symmetric)
        tested = (
            "; no model function was given, so this tests the shapes of the distributions and their degrees of freedom"
            if self.shapes_only
            else ""
        )
        if self.holds:
            return (
                f"{head} the linear result holds to {digits}: the {percent} interval is off by {off} at most{tested}."
            )
        instead = f"the {percent} interval from {low} to {high}"
        if self.holds is None:
            return (
                f"{head} it can't be told whether the linear result holds to {digits}, as its {percent} interval is off"
                f" by {off}, and {tolerance} are allowed; to be sure, use {instead}{tested}."
            )
        return (
            f"{head} the linear result does not hold to {digits}: its {percent} interval is off by {off}, where"
            f" {tolerance} are allowed; use {instead} instead, with u = {show(self.found.u, self.unit, 2)}{tested}."
        )

    def _end(self, end: float) -> str:
        """An end of an interval, to the digit that counts."""
        if end == 0:
            return show(0.0, self.unit)
        places = math.floor(math.log10(abs(end))) - math.floor(math.log10(2 * self.found.tolerance)) + 1
        return show(end, self.unit, min(max(places, 1), 15))

    def to_dict(self) -> dict[str, Any]:
        """Return the validation as a JSON object."""
        return {
            "quantity": self.quantity,
            "linear": {"value": self.value, "U": self.linear.U, "k": self.linear.k},
            "monte_carlo": self.found.to_dict(),
            "d_low": self.d_low,
            "d_high": self.d_high,
            "digits": self.digits,
            "holds": self.holds,
            "shapes_only": self.shapes_only,
            "sentence": self.sentence(),
        }


def validate(
    budget: Budget,
    function: Function | None = None,
    *,
    sample: Sample | None = None,
    level: float = 0.95,
    digits: int = 2,
    seed: int = SEED,
    most: int = 2_000_000,
) -> Validation:
    """Compare the interval of a linear budget with that of a Monte Carlo propagation (JCGM 101:2008, clause 8).

    Parameters
    ----------
    budget
        The linear result.
    function
        The model, called with the budget's contributions in their order, see :func:`propagate`. Without it the linear
        one is used, ``value + Σ c (x - x₀)``: then only the shapes of the distributions and the degrees of freedom
        are put to the test, not the linearisation.
    sample
        What draws values of the result, instead of a function: for results whose inputs are not the contributions,
        such as a distance of two points with the covariance of their coordinates.
    level, digits, seed, most
        As for :func:`propagate`; the trials themselves go on until they are settled to a fifth of the tolerance (8.2).

    Raises
    ------
    CalibError
        If nothing in the budget is uncertain, or the model fails.
    """
    if not budget.u > 0:
        raise CalibError(
            f"Nothing in the budget of {budget.quantity!r} is uncertain, so there is nothing to propagate."
        )
    expanded = budget.expanded(level)
    # the linear model is centred on zero, so that a small uncertainty of a large number loses no digits
    linear = function is None and sample is None
    centre = 0.0 if linear else budget.value
    rng = np.random.default_rng(seed)
    if sample is not None:
        values_of = partial(_sampled, sample, rng)
    else:
        draw = Draws(budget.contributions, budget.correlations, rng)
        values_of = partial(_drawn, function or _linear(budget), draw)
    found = _settle(values_of, level=level, digits=digits, interval="symmetric", sharper=_VALIDATED_WITH, most=most)
    d_low = abs(centre - expanded.U - found.symmetric[0])
    d_high = abs(centre + expanded.U - found.symmetric[1])
    tolerance = numerical_tolerance(budget.u, digits)
    found = replace(_moved(found, budget.value - centre), tolerance=tolerance)
    return Validation(
        quantity=budget.quantity,
        unit=budget.unit,
        linear=expanded,
        value=budget.value,
        found=found,
        d_low=d_low,
        d_high=d_high,
        digits=digits,
        holds=_holds((d_low, d_high), found.noise[2:], tolerance, found.settled),
        shapes_only=linear,
    )


def _holds(distances: Sequence[float], noise: Sequence[float], tolerance: float, settled: bool) -> bool | None:
    """Decide as clause 8 does if the trials are settled, else only where the noise leaves no doubt."""
    if settled:
        return all(distance <= tolerance for distance in distances)
    if any(d - _CLEAR * sd > tolerance for d, sd in zip(distances, noise, strict=True)):
        return False
    if all(d + _CLEAR * sd <= tolerance for d, sd in zip(distances, noise, strict=True)):
        return True
    return None


def _linear(budget: Budget) -> Function:
    def model(*inputs: Float) -> Float:
        total = np.zeros_like(inputs[0])
        for part, x in zip(budget.contributions, inputs, strict=True):
            total += part.sensitivity * (x - part.value)
        return total

    return model


def _moved(found: Distribution, by: float) -> Distribution:
    low, high = found.symmetric
    short_low, short_high = found.shortest
    return replace(
        found,
        estimate=found.estimate + by,
        symmetric=(low + by, high + by),
        shortest=(short_low + by, short_high + by),
    )


def _check(level: float, digits: int, most: int) -> None:
    if not 0 < level < 1:
        raise CalibError(f"A level of confidence lies between 0 and 1, not at {level!r}.")
    if digits not in (1, 2, 3):
        raise CalibError(f"An uncertainty has 1, 2 or 3 significant digits, not {digits!r}.")
    if most < 2 * _BATCH:
        raise CalibError(f"At least {2 * _BATCH} trials are needed to see how settled they are, not {most!r}.")


def _drawn(function: Function, draw: Draws, size: int) -> Float:
    return _checked(np.asarray(function(*draw(size)), dtype=np.float64), (size,))


def _sampled(sample: Sample, rng: np.random.Generator, size: int) -> Float:
    return _checked(np.asarray(sample(rng, size), dtype=np.float64), (size,))


def _checked(values: Float, shape: tuple[int, ...]) -> Float:
    if values.shape != shape:
        raise CalibError(f"The model must return one value a trial, an array of shape {shape}, not {values.shape}.")
    lost = int(np.count_nonzero(~np.isfinite(values)))
    if lost:
        raise CalibError(
            f"The model gives no number in {lost} of {values.size} trials; is it defined wherever its inputs may lie?"
        )
    return values
