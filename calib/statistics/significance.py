"""Which of several correlated parameters changed between two estimates, with several tests at once accounted for.

Whatever the two estimates have in common, such as the certificate of the same standard, is in neither's error alone and
cancels in the difference: its covariance is that of both, less the common part twice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.errors import StatisticsError
from calib.statistics.arguments import finite, probability

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
Method = Literal["simultaneous", "Holm"]

_TOLERANCE = 1e-10  # of a variance: what of it is less after cancellation is rounding
_CONTRADICTION = 6.0  # standard deviations at that tolerance: more in a direction that can't differ is no rounding
_DRAWS = 100_000
_CHUNK = 10_000


@dataclass(frozen=True)
class Change:
    """The difference of two estimates of the same parameters, tested.

    Attributes
    ----------
    names
        Of the parameters.
    difference, u
        Second estimate less first, and its standard uncertainty, shape ``(n,)``.
    z
        Their ratio; zero where there is neither.
    p
        Probability of a difference at least as large if there is truly none, each parameter by itself, shape ``(n,)``.
    p_adjusted
        The same with all parameters tested at once: a parameter changed significantly if this is at most `level`.
    level
        Probability to find any change at all where there is none.
    chi2, rank, p_all
        Of all parameters together: χ² of the difference, number of directions in which the two estimates can differ at
        all, and the probability of a χ² at least as large by chance.
    """

    names: tuple[str, ...]
    difference: Float
    u: Float
    z: Float
    p: Float
    p_adjusted: Float
    level: float
    chi2: float
    rank: int
    p_all: float

    @property
    def changed(self) -> Bool:
        """Which parameters changed significantly, shape ``(n,)``."""
        return self.p_adjusted <= self.level

    @property
    def any_changed(self) -> bool:
        """Whether the parameters changed as a whole, be it in a combination that no single one shows."""
        return self.p_all <= self.level

    def to_dict(self) -> dict[str, Any]:
        """Return the change as plain data for JSON; what is infinite becomes None."""

        def plain(value: float) -> float | None:
            return float(value) if math.isfinite(value) else None

        return {
            "level": self.level,
            "chi2": plain(self.chi2),
            "rank": self.rank,
            "p_all": self.p_all,
            "changed": self.any_changed,
            "parameters": [
                {
                    "name": name,
                    "difference": float(self.difference[i]),
                    "u": float(self.u[i]),
                    "z": plain(self.z[i]),
                    "p": float(self.p[i]),
                    "p_adjusted": float(self.p_adjusted[i]),
                    "changed": bool(self.changed[i]),
                }
                for i, name in enumerate(self.names)
            ],
        }


def compare(
    first: ArrayLike,
    covariance_first: ArrayLike,
    second: ArrayLike,
    covariance_second: ArrayLike,
    *,
    common: ArrayLike | None = None,
    names: Sequence[str] | None = None,
    dof: float = math.inf,
    level: float = 0.05,
    method: Method = "simultaneous",
) -> Change:
    """Test which parameters differ between two estimates.

    Parameters
    ----------
    first, second
        The estimates, shape ``(n,)``.
    covariance_first, covariance_second
        Their covariances, shape ``(n, n)``.
    common
        Covariance of the first with the second, shape ``(n, n)``: what both owe to the same thing. None if they are
        independent.
    names
        Of the parameters; numbered unless given.
    dof
        Degrees of freedom of the covariances, if these were scaled by the same few residuals.
    level
        Probability, over all parameters together, to find a change where there is none.
    method
        ``simultaneous`` compares with the largest of correlated normal values, drawn 100 000 times with a fixed seed,
        and steps down (Westfall and Young 1993); ``Holm`` needs no draws and is more cautious where parameters are
        correlated (S. Holm, Scandinavian Journal of Statistics 6, 1979).

    Raises
    ------
    StatisticsError
        If shapes don't fit, a number isn't finite, a covariance is none, or the common part is more than the whole.
    """
    from scipy.special import ndtr, stdtr

    first, second = finite(first, "A parameter"), finite(second, "A parameter")
    n = first.size
    if first.shape != (n,) or second.shape != (n,) or n == 0:
        raise StatisticsError("Two estimates can be compared if both hold the same parameters, one at least.")
    names = tuple(str(i + 1) for i in range(n)) if names is None else tuple(names)
    if len(names) != n:
        raise StatisticsError(f"There must be a name for each of the {n} parameters, not {len(names)}.")
    probability(level, "The level of the test")
    if not dof > 0:
        raise StatisticsError(f"Degrees of freedom must be positive, not {dof!r}.")
    if method not in ("simultaneous", "Holm"):
        raise StatisticsError(f"There is no way {method!r} of testing several at once: take simultaneous or Holm.")
    shared = np.zeros((n, n)) if common is None else _square(common, n, "The common part of the covariances")
    own = _covariance(covariance_first, n, "first") + _covariance(covariance_second, n, "second")
    covariance = own - shared - shared.T
    difference = second - first
    # In units of what either would differ by if nothing were common: there, rounding is the same for all.
    scale = np.sqrt(np.diag(own))
    exact = scale == 0
    scale = np.where(exact, 1.0, scale)
    covariance, scaled = covariance / np.outer(scale, scale), difference / scale
    eigenvalues, vectors = np.linalg.eigh(covariance)
    if eigenvalues[0] < -1e-7:
        raise StatisticsError(
            "The two estimates have more in common than each is uncertain by: the common part is wrong."
        )
    sd = np.sqrt(np.maximum(np.diag(covariance), _TOLERANCE))
    z = np.where(exact, np.where(difference == 0, 0.0, np.copysign(np.inf, difference)), scaled / sd)
    p = 2 * (ndtr(-np.abs(z)) if math.isinf(dof) else stdtr(dof, -np.abs(z)))
    p_adjusted = holm(p)
    if method == "simultaneous" and n > 1:
        # Both are right; the draws can't tell how small a very small probability is.
        p_adjusted = np.minimum(p_adjusted, _simultaneous(np.abs(z), covariance / np.outer(sd, sd), dof))
    chi2, rank = _chi2(scaled, eigenvalues, vectors)
    return Change(
        names,
        difference,
        np.sqrt(np.maximum(np.diag(covariance), 0.0)) * np.where(exact, 0.0, scale),
        z,
        p,
        p_adjusted,
        level,
        chi2,
        rank,
        _chi2_probability(chi2, rank, dof),
    )


def holm(p: ArrayLike) -> Float:
    """Return probabilities adjusted for several tests at once after Holm and Bonferroni, stepping down.

    Those at most `level` may be called significant; the probability of any false one then is at most `level`, however
    the tests depend on each other.

    Parameters
    ----------
    p
        Of each test by itself, shape ``(n,)``.
    """
    p = finite(p, "A probability")
    if np.any((p < 0) | (p > 1)):
        raise StatisticsError("Probabilities lie between 0 and 1.")
    order = np.argsort(p, kind="stable")
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(np.maximum.accumulate(p[order] * np.arange(p.size, 0, -1)), 1.0)
    return adjusted


def _simultaneous(z: Float, correlation: Float, dof: float) -> Float:
    """Return the probability that the largest of the parameters not yet found to have changed is as large by chance."""
    order = np.argsort(-z, kind="stable")
    values, vectors = np.linalg.eigh(correlation[np.ix_(order, order)])
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    rng = np.random.default_rng(1)
    beyond = np.zeros(z.size)
    for _ in range(_DRAWS // _CHUNK):
        drawn = np.abs(rng.standard_normal((_CHUNK, z.size)) @ root.T)
        if math.isfinite(dof):
            drawn /= np.sqrt(rng.chisquare(dof, (_CHUNK, 1)) / dof)
        largest = np.maximum.accumulate(drawn[:, ::-1], axis=1)[:, ::-1]
        beyond += np.sum(largest >= z[order], axis=0)
    adjusted = np.empty_like(z)
    adjusted[order] = np.maximum.accumulate((beyond + 1) / (_DRAWS + 1))
    return adjusted


def _chi2(difference: Float, eigenvalues: Float, vectors: Float) -> tuple[float, int]:
    """Return χ² of a difference and the number of directions in which its covariance leaves it free."""
    along = vectors.T @ difference
    free = eigenvalues > _TOLERANCE * eigenvalues.size
    if np.any(np.abs(along[~free]) > _CONTRADICTION * math.sqrt(_TOLERANCE * eigenvalues.size)):
        return math.inf, int(free.sum())
    return float(np.sum(along[free] ** 2 / eigenvalues[free])), int(free.sum())


def _chi2_probability(chi2: float, rank: int, dof: float) -> float:
    from scipy.special import chdtrc, fdtrc

    if math.isinf(chi2):
        return 0.0
    if rank == 0:
        return 1.0
    return float(chdtrc(rank, chi2) if math.isinf(dof) else fdtrc(rank, dof, chi2 / rank))


def _square(matrix: ArrayLike, n: int, what: str) -> Float:
    matrix = finite(matrix, what)
    if matrix.shape != (n, n):
        raise StatisticsError(f"{what} must be a matrix of {n} x {n}.")
    return matrix


def _covariance(matrix: ArrayLike, n: int, which: str) -> Float:
    what = f"The covariance of the {which} estimate"
    matrix = _square(matrix, n, what)
    variance = np.diag(matrix)
    if np.any(variance < 0) or not np.allclose(matrix, matrix.T, rtol=1e-9, atol=1e-9 * float(variance.max())):
        raise StatisticsError(f"{what} must be symmetric, and no variance negative.")
    return 0.5 * (matrix + matrix.T)
