"""The probability that a measured thing lies within limits, and the risks of accepting or rejecting it (JCGM 106:2012).

What is known of the thing after its measurement is a normal distribution about the measured value, or a t distribution
where the standard uncertainty is itself known from few observations only (JCGM 101:2008, 6.4.9). All functions take
arrays that broadcast.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.errors import StatisticsError
from calib.statistics.arguments import finite, positive

Float = NDArray[np.float64]

# Normal probabilities beyond this many standard deviations vanish in double precision.
_FAR = 40.0
_TINY = 1e-200


@dataclass(frozen=True)
class Limits:
    """What a quantity may be: from `lower` to `upper`, both included.

    Attributes
    ----------
    lower, upper
        In the unit of the quantity. An infinite one is no limit; at least one must be finite.
    """

    lower: float = -math.inf
    upper: float = math.inf

    def __post_init__(self) -> None:
        if math.isnan(self.lower) or math.isnan(self.upper) or not self.lower < self.upper:
            raise StatisticsError(
                f"The lower limit must be below the upper one, not {self.lower!r} and {self.upper!r}."
            )
        if math.isinf(self.lower) and math.isinf(self.upper):
            raise StatisticsError("Limits need a lower or an upper one that is finite.")

    @classmethod
    def about(cls, nominal: float, tolerance: float, below: float | None = None) -> Limits:
        """Return the limits ``nominal - below`` and ``nominal + tolerance``.

        Parameters
        ----------
        nominal
            What the quantity should be.
        tolerance
            By how much it may be more; infinite if by any amount.
        below
            By how much it may be less; as `tolerance` unless given.
        """
        return cls(nominal - (tolerance if below is None else below), nominal + tolerance)

    @property
    def width(self) -> float:
        """Full tolerance, infinite where a limit is missing."""
        return self.upper - self.lower


def conformance_probability(limits: Limits, value: ArrayLike, u: ArrayLike, dof: ArrayLike = math.inf) -> Float:
    """Return the probability that the quantity lies within its limits (JCGM 106, 7.2 to 7.4).

    Parameters
    ----------
    limits
        Of the quantity.
    value, u
        Measured value and its standard uncertainty.
    dof
        Degrees of freedom of `u`; infinite if `u` is certain.

    Raises
    ------
    StatisticsError
        If a value isn't finite, or an uncertainty or degrees of freedom are not positive.
    """
    a, b, dof = _standardised(limits, value, u, dof)
    # On the side of the nearer tail, so that a small probability keeps its digits.
    return np.where(a > 0, _below(-a, dof) - _below(-b, dof), _below(b, dof) - _below(a, dof))


def nonconformance_probability(limits: Limits, value: ArrayLike, u: ArrayLike, dof: ArrayLike = math.inf) -> Float:
    """Return the probability that the quantity lies outside its limits: one less :func:`conformance_probability`.

    Computed from the two tails, so that a small one keeps its digits.
    """
    a, b, dof = _standardised(limits, value, u, dof)
    return _below(a, dof) + _below(-b, dof)


@dataclass(frozen=True)
class GlobalRisk:
    """What a way of deciding gets wrong in the long run, over all things that come to be tested.

    Attributes
    ----------
    consumer
        Probability that a thing is accepted and does not conform.
    producer
        Probability that a thing is rejected and conforms.
    conforming
        Probability that a thing conforms.
    accepted
        Probability that a thing is accepted.
    """

    consumer: Float
    producer: Float
    conforming: Float
    accepted: Float

    @property
    def wrong_among_accepted(self) -> Float:
        """Probability that an accepted thing does not conform; NaN where none is accepted."""
        accepted = np.where(self.accepted > 0, self.accepted, np.nan)
        return np.asarray(self.consumer / accepted, dtype=np.float64)


def global_risk(
    limits: Limits, mean: ArrayLike, sd: ArrayLike, u: ArrayLike, guard_band: ArrayLike = 0.0
) -> GlobalRisk:
    """Return the risks of accepting what is measured within guarded limits (JCGM 106, clause 9).

    Things vary normally; each is measured with a normal error. True and measured value then are bivariate normal, and
    the risks are sums of its rectangle probabilities.

    Parameters
    ----------
    limits
        Of the quantity.
    mean, sd
        What is known of a thing before it is measured.
    u
        Standard uncertainty of the measurement.
    guard_band
        By how much a measured value must be within each limit to be accepted; negative to accept some beyond.

    Returns
    -------
    GlobalRisk
        Arrays of the broadcast shape. Absolute error below 1e-13.

    Raises
    ------
    StatisticsError
        If a number isn't finite, or `sd` or `u` is not positive.
    """
    from scipy.special import ndtr

    mean, guard_band = finite(mean, "The prior mean"), finite(guard_band, "The guard band")
    sd, u = positive(sd, "The prior standard deviation"), positive(u, "The standard uncertainty")
    mean, sd, u, guard_band = np.broadcast_arrays(mean, sd, u, guard_band)
    spread = np.hypot(sd, u)
    # Correlation of true and measured value, and the root of one less its square.
    r, s = sd / spread, u / spread
    true = [_clip((limit - mean) / sd) for limit in (limits.lower, limits.upper)]
    measured = [_clip((limit - mean) / spread) for limit in (limits.lower + guard_band, limits.upper - guard_band)]
    # A guard band wider than half the tolerance accepts nothing.
    measured[1] = np.maximum(measured[0], measured[1])
    both = (
        _bivariate(true[1], measured[1], r, s)
        - _bivariate(true[0], measured[1], r, s)
        - _bivariate(true[1], measured[0], r, s)
        + _bivariate(true[0], measured[0], r, s)
    )
    conforming = ndtr(true[1]) - ndtr(true[0])
    accepted = ndtr(measured[1]) - ndtr(measured[0])
    return GlobalRisk(
        consumer=np.maximum(accepted - both, 0.0),
        producer=np.maximum(conforming - both, 0.0),
        conforming=np.asarray(conforming),
        accepted=np.asarray(accepted),
    )


def _standardised(limits: Limits, value: ArrayLike, u: ArrayLike, dof: ArrayLike) -> tuple[Float, Float, Float]:
    value, u = finite(value, "The measured value"), positive(u, "The standard uncertainty")
    dof = np.asarray(dof, dtype=np.float64)
    if not np.all(dof > 0):
        raise StatisticsError("Degrees of freedom must be positive.")
    value, u, dof = np.broadcast_arrays(value, u, dof)
    return (limits.lower - value) / u, (limits.upper - value) / u, dof


def _below(z: Float, dof: Float) -> Float:
    """Return the probability below z of a normal distribution, or of a t distribution with `dof`."""
    from scipy.special import ndtr, stdtr

    normal = np.isinf(dof)
    return np.asarray(np.where(normal, ndtr(z), stdtr(np.where(normal, 1.0, dof), z)))


def _clip(z: Float) -> Float:
    z = np.clip(z, -_FAR, _FAR)
    return np.asarray(np.where(z == 0, _TINY, z))


def _bivariate(h: Float, k: Float, r: Float, s: Float) -> Float:
    """Return P(X < h, Y < k) of standard normal X, Y with correlation r and ``s = sqrt(1 - r²)``; h, k not zero.

    By Owen's function (D. B. Owen, Annals of Mathematical Statistics 27, 1956).
    """
    from scipy.special import ndtr, owens_t

    return np.asarray(
        0.5 * (ndtr(h) + ndtr(k))
        - owens_t(h, (k - r * h) / (h * s))
        - owens_t(k, (h - r * k) / (k * s))
        - np.where(h * k < 0, 0.5, 0.0)
    )
