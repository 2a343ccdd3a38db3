"""Whether a measured value conforms to limits, or agrees with a reference, given how uncertain it is.

Four rules. *Simple acceptance* takes the value for the truth (JCGM 106:2012, 8.2). A *guard band* keeps a distance from
the limits: on their inner side to prove conformity, on their outer side to prove the contrary, and between the two
nothing is proven (ISO 14253-1; JCGM 106, 8.3). *Conformance probability* asks for a probability instead of a distance,
which is right also where both limits are near or the uncertainty rests on few observations. *E_n* compares with a
reference value that has an uncertainty of its own (ISO/IEC 17043, ISO 13528). Each decision comes with the probability
that it is wrong.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np

from calib.budget import coverage_factor, normalised_error
from calib.errors import StatisticsError
from calib.statistics.arguments import finite, positive, probability
from calib.statistics.risk import Limits, conformance_probability, nonconformance_probability

CONFORMS, FAILS, UNDECIDED = "conforms", "does not conform", "can't be decided"

Rule = Literal["simple acceptance", "guard band", "conformance probability", "E_n"]
RULES: tuple[str, ...] = get_args(Rule)

_LEVEL = 0.95


@dataclass(frozen=True)
class Decision:
    """What was decided on one value, and how sure that is.

    Attributes
    ----------
    verdict
        ``conforms``, ``does not conform`` or ``can't be decided``.
    rule
        By which it was found.
    value, u, U
        What was judged, with its standard and expanded uncertainty. For E_n, the deviation from the reference with
        the uncertainties of both.
    limits
        Of `value`; None if it was only compared with a reference.
    guard_band
        Distance from the limits that the rule keeps; zero for rules that keep none.
    conforming, nonconforming
        Probability that the quantity lies within the limits, and outside; None without limits.
    normalised_error
        E_n; None for other rules.
    chance
        Of E_n: probability of a deviation at least as large if there is truly none. None for other rules.
    """

    verdict: str
    rule: Rule
    value: float
    u: float
    U: float
    limits: Limits | None
    guard_band: float = 0.0
    conforming: float | None = None
    nonconforming: float | None = None
    normalised_error: float | None = None
    chance: float | None = None

    @property
    def risk(self) -> float | None:
        """Probability that the verdict is wrong.

        Of ``conforms``, the specific consumer's risk: that the quantity lies outside. Of ``does not conform``, the
        specific producer's risk: that it lies within. Without limits, ``does not conform`` by E_n has the probability
        that so large a deviation comes by chance, and its ``conforms`` has none: agreement with a reference says
        nothing of limits. None where nothing was decided; `conforming` and `nonconforming` say what rejecting and
        accepting would risk.
        """
        if self.verdict == CONFORMS:
            return self.nonconforming
        if self.verdict == FAILS:
            return self.chance if self.conforming is None else self.conforming
        return None

    def to_dict(self) -> dict[str, Any]:
        """Return the decision as plain data for JSON; a limit that isn't there becomes None."""
        limits = None
        if self.limits is not None:
            limits = [side if math.isfinite(side) else None for side in (self.limits.lower, self.limits.upper)]
        return {
            "verdict": self.verdict,
            "rule": self.rule,
            "value": self.value,
            "u": self.u,
            "U": self.U,
            "limits": limits,
            "guard_band": self.guard_band,
            "conforming": self.conforming,
            "nonconforming": self.nonconforming,
            "normalised_error": self.normalised_error,
            "chance": self.chance,
            "risk": self.risk,
        }


def decide(
    limits: Limits,
    value: float,
    u: float,
    *,
    rule: Rule = "guard band",
    k: float | None = None,
    dof: float = math.inf,
    guard: float = 1.0,
    level: float = _LEVEL,
    greatest_U: float = math.inf,
) -> Decision:
    """Decide whether a measured value conforms to limits.

    Parameters
    ----------
    limits
        Of the quantity, in the unit of `value`.
    value, u
        Measured value and its standard uncertainty.
    rule
        ``simple acceptance``, ``guard band`` or ``conformance probability``; E_n is :func:`agree`.
    k
        Coverage factor of the expanded uncertainty; for a level of confidence of 95 % with `dof`, unless given.
    dof
        Degrees of freedom of `u`.
    guard
        Width of the guard band as a multiple of U (JCGM 106, 8.3.2): 1 as in ISO 14253-1, 0 for none.
    level
        For the rule ``conformance probability``: what it must be to prove conformity; what the probability of the
        contrary must be to prove that.
    greatest_U
        For ``simple acceptance``: the largest expanded uncertainty at which the rule may be used at all (JCGM 106,
        8.2); nothing is decided above.

    Raises
    ------
    StatisticsError
        If the value isn't finite, the uncertainty isn't positive, or an option makes no sense.
    """
    if rule not in RULES or rule == "E_n":
        raise StatisticsError(f"There is no decision rule {rule!r} for limits: take one of {', '.join(RULES[:-1])}.")
    value, u = float(finite(value, "The measured value")), float(positive(u, "The standard uncertainty"))
    guard = float(positive(guard, "The factor of the guard band", zero=True))
    if not 0.5 <= probability(level, "The conformance probability") < 1:
        raise StatisticsError(f"The conformance probability asked for must be at least a half, not {level!r}.")
    if not greatest_U > 0:
        raise StatisticsError(f"The greatest expanded uncertainty must be positive, not {greatest_U!r}.")
    if not dof > 0:
        raise StatisticsError(f"Degrees of freedom must be positive, not {dof!r}.")
    U = u * (coverage_factor(_LEVEL, dof) if k is None else float(positive(k, "The coverage factor")))
    within = float(conformance_probability(limits, value, u, dof))
    outside = float(nonconformance_probability(limits, value, u, dof))
    guard_band = guard * U if rule == "guard band" else 0.0
    if rule == "simple acceptance":
        verdict = UNDECIDED if greatest_U < U else CONFORMS if limits.lower <= value <= limits.upper else FAILS
    elif rule == "guard band":
        inside = limits.lower + guard_band <= value <= limits.upper - guard_band
        beyond = value < limits.lower - guard_band or value > limits.upper + guard_band
        verdict = CONFORMS if inside else FAILS if beyond else UNDECIDED
    else:
        verdict = CONFORMS if outside <= 1 - level else FAILS if within < 1 - level else UNDECIDED
    return Decision(verdict, rule, value, u, U, limits, guard_band, within, outside)


def agree(
    value: float,
    u: float,
    reference: float,
    u_reference: float,
    *,
    k: float = 2.0,
    k_reference: float | None = None,
    covariance: float = 0.0,
    limits: Limits | None = None,
    greatest_U: float = math.inf,
) -> Decision:
    """Decide by E_n whether a measured value agrees with a reference value.

    Agreement proves little if the uncertainty is large: a vague result agrees with everything. `greatest_U` says from
    which on it counts as undecided, and `limits` how far the two may be apart to give agreement a risk.

    Parameters
    ----------
    value, u
        Measured value and its standard uncertainty.
    reference, u_reference
        Reference value and its standard uncertainty, zero if it is exact.
    k, k_reference
        Coverage factors of the two at about 95 %; the same for both unless `k_reference` is given.
    covariance
        Of the two, where they share a standard.
    limits
        Of the deviation of `value` from the reference.
    greatest_U
        Largest expanded uncertainty of the deviation at which agreement means something.

    Raises
    ------
    StatisticsError
        If a number isn't finite, an uncertainty is negative, that of the value is zero, or the covariance is too large
        for the two.
    """
    value, reference = float(finite(value, "The measured value")), float(finite(reference, "The reference value"))
    u = float(positive(u, "The standard uncertainty"))
    u_reference = float(positive(u_reference, "The standard uncertainty of the reference", zero=True))
    k = float(positive(k, "The coverage factor"))
    k_reference = k if k_reference is None else float(positive(k_reference, "The coverage factor of the reference"))
    variance = u**2 + u_reference**2 - 2 * float(finite(covariance, "The covariance"))
    if not (abs(covariance) <= u * u_reference * (1 + 1e-9) and variance > 0):
        raise StatisticsError("The covariance of value and reference must leave their difference an uncertainty.")
    if not greatest_U > 0:
        raise StatisticsError(f"The greatest expanded uncertainty must be positive, not {greatest_U!r}.")
    e_n = normalised_error(value, u, reference, u_reference, k=k, k_reference=k_reference, covariance=covariance)
    deviation, u_deviation = value - reference, math.sqrt(variance)
    U = math.sqrt((k * u) ** 2 + (k_reference * u_reference) ** 2 - 2 * k * k_reference * covariance)
    verdict = FAILS if abs(e_n) > 1 else UNDECIDED if greatest_U < U else CONFORMS
    within = outside = None
    if limits is not None:
        within = float(conformance_probability(limits, deviation, u_deviation))
        outside = float(nonconformance_probability(limits, deviation, u_deviation))
    # E_n = 1 is where 95 % end, whatever the coverage factors that led there.
    chance = math.erfc(abs(e_n) * coverage_factor(_LEVEL) / math.sqrt(2))
    return Decision(verdict, "E_n", deviation, u_deviation, U, limits, 0.0, within, outside, e_n, chance)


def detectable(U: float, *, level: float = _LEVEL) -> float:
    """Return the deviation that E_n finds with a probability of at least `level`.

    Smaller ones are likely to pass: this is what agreement leaves open.

    Parameters
    ----------
    U
        Expanded uncertainty of the deviation at 95 %.
    level
        Probability of finding it.
    """
    from scipy.special import ndtri

    U, k = float(positive(U, "The expanded uncertainty")), coverage_factor(_LEVEL)
    return U * (1 + float(ndtri(probability(level, "The probability of finding a deviation"))) / k)


def conformance_guard(level: float = _LEVEL, dof: float = math.inf) -> float:
    """Return the guard band, in standard uncertainties, that leaves a conformance probability at one limit.

    1.645 for 95 % (ISO 14253-1:2017); multiply by u, or divide by k for the factor that :func:`decide` takes.

    Parameters
    ----------
    level
        Conformance probability of a value at the edge of its guarded limits, the other limit being far away.
    dof
        Degrees of freedom of u.
    """
    from scipy.special import ndtri, stdtrit

    probability(level, "The conformance probability")
    if not dof > 0:
        raise StatisticsError(f"Degrees of freedom must be positive, not {dof!r}.")
    return float(ndtri(level) if np.isinf(dof) else stdtrit(dof, level))
