"""The straight line through points that are uncertain in both coordinates, correlated in any way.

A generalised least-squares line (ISO/TS 28037:2010, clauses 6 to 10, in one): each true abscissa is a parameter beside
the two of the line, and the points are whitened together by the Cholesky factor of their joint covariance. The
calibration line of a height scale, indicated against certified steps, is one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.arithmetic.solve import SigmaMode, solve
from calib.errors import ModelError

Float = NDArray[np.float64]


@dataclass(frozen=True)
class StraightLine:
    """The line ``y = intercept + slope * x``.

    Attributes
    ----------
    intercept, slope
        Its parameters.
    covariance
        Covariance of (intercept, slope), shape ``(2, 2)``.
    chi2
        Sum of squared whitened residuals of the points from the line.
    dof
        Number of points less two.
    x
        Abscissae of the points as adjusted by the fit, shape ``(n,)``.
    """

    intercept: float
    slope: float
    covariance: Float
    chi2: float
    dof: int
    x: Float

    def value(self, x: ArrayLike, u_x: ArrayLike = 0.0) -> tuple[Float, Float]:
        """Return y on the line and its standard uncertainty (forward evaluation).

        Parameters
        ----------
        x, u_x
            Abscissa and its standard uncertainty, independent of the line; any shapes that broadcast.
        """
        x, u_x = np.broadcast_arrays(np.asarray(x, dtype=np.float64), np.asarray(u_x, dtype=np.float64))
        return self.intercept + self.slope * x, np.sqrt(self._variance(x) + (self.slope * u_x) ** 2)

    def inverse(self, y: ArrayLike, u_y: ArrayLike = 0.0) -> tuple[Float, Float]:
        """Return the x that belongs to y, and its standard uncertainty (inverse evaluation).

        Parameters
        ----------
        y, u_y
            Ordinate and its standard uncertainty, independent of the line; any shapes that broadcast.

        Raises
        ------
        ModelError
            If the line is level.
        """
        if self.slope == 0:
            raise ModelError("The line is level, so no x can be found from y.")
        y, u_y = np.broadcast_arrays(np.asarray(y, dtype=np.float64), np.asarray(u_y, dtype=np.float64))
        x = (y - self.intercept) / self.slope
        return x, np.sqrt(self._variance(x) + u_y**2) / abs(self.slope)

    def chi2_limit(self, level: float = 0.95) -> float:
        """Return the quantile of χ² that :attr:`chi2` exceeds by chance with probability ``1 - level``."""
        from scipy.special import chdtri

        return float(chdtri(self.dof, 1 - level))

    def _variance(self, x: Float) -> Float:
        (u2_a, u_ab), (_, u2_b) = self.covariance
        return np.asarray(u2_a + 2 * u_ab * x + u2_b * x**2)


def fit_straight_line(
    x: ArrayLike,
    y: ArrayLike,
    *,
    covariance_x: ArrayLike | None = None,
    covariance_y: ArrayLike = 1.0,
    covariance_xy: ArrayLike = 0.0,
    sigma: SigmaMode = "known",
) -> StraightLine:
    """Fit a straight line to points.

    Parameters
    ----------
    x, y
        Coordinates of the points, shape ``(n,)``.
    covariance_x, covariance_y
        Covariance matrix of each, shape ``(n, n)``; or variances, shape ``(n,)`` or one number, of independent ones.
        Without `covariance_x` (or where a variance is zero) the abscissae are exact.
    covariance_xy
        Covariance of each x with each y, shape ``(n, n)``, or ``(n,)`` or one number between the two coordinates of
        the same point only.
    sigma
        ``known`` or ``from_residuals``, see :func:`calib.arithmetic.solve.solve`.

    Returns
    -------
    StraightLine
        The line. Its covariance is evaluated at the adjusted points, as ISO/TS 28037 does.

    Raises
    ------
    ModelError
        If there are fewer than two distinct abscissae, or the covariance is not positive definite.
    """
    x, y = np.array(x, dtype=np.float64), np.array(y, dtype=np.float64)
    n = x.size
    if x.shape != (n,) or y.shape != (n,) or n < 2 or not np.all(np.isfinite([x, y])):
        raise ModelError("A straight line needs at least two points, with as many finite y as x.")
    if np.ptp(x) == 0:
        raise ModelError("A straight line needs at least two different x.")
    u_xx = _matrix(0.0 if covariance_x is None else covariance_x, n, "covariance_x")
    u_yy, u_xy = _matrix(covariance_y, n, "covariance_y"), _matrix(covariance_xy, n, "covariance_xy")
    free = np.flatnonzero(np.diag(u_xx) > 0)
    whiten = _whitening(np.block([[u_xx[np.ix_(free, free)], u_xy[free]], [u_xy[free].T, u_yy]]))

    def blocks(parameters: Float) -> Iterator[tuple[Float, Float]]:
        intercept, slope = parameters[:2]
        true = x.copy()
        true[free] = parameters[2:]
        residual = np.concatenate([true[free] - x[free], intercept + slope * true - y])
        jacobian = np.zeros((free.size + n, 2 + free.size))
        jacobian[np.arange(free.size), 2 + np.arange(free.size)] = 1.0
        jacobian[free.size :, 0] = 1.0
        jacobian[free.size :, 1] = true
        jacobian[free.size + free, 2 + np.arange(free.size)] = slope
        yield whiten @ residual, whiten @ jacobian

    slope = np.sum((x - x.mean()) * y) / np.sum((x - x.mean()) ** 2)
    start = np.concatenate([[y.mean() - slope * x.mean(), slope], x[free]])
    solution = solve(blocks, start, sigma=sigma, tolerance=1e-11)
    adjusted = x.copy()
    adjusted[free] = solution.x[2:]
    return StraightLine(
        intercept=float(solution.x[0]),
        slope=float(solution.x[1]),
        covariance=solution.covariance[:2, :2],
        chi2=solution.chi2,
        dof=n - 2,
        x=adjusted,
    )


def _matrix(covariance: ArrayLike, n: int, name: str) -> Float:
    values = np.asarray(covariance, dtype=np.float64)
    if values.ndim <= 1 and values.size in (1, n):
        values = np.diag(np.broadcast_to(values, (n,)))
    if values.shape != (n, n) or not np.all(np.isfinite(values)):
        raise ModelError(f"{name} must hold one variance, {n} variances, or a finite {n} x {n} matrix.")
    return values


def _whitening(covariance: Float) -> Float:
    # Scaled to a unit diagonal first, since x and y may differ by orders of magnitude.
    sd = np.sqrt(np.maximum(np.diag(covariance), np.finfo(float).tiny))
    correlation = covariance / np.outer(sd, sd)
    try:
        if not np.allclose(correlation, correlation.T, rtol=0, atol=1e-9):
            raise np.linalg.LinAlgError
        factor = np.linalg.cholesky(correlation)
    except np.linalg.LinAlgError:
        raise ModelError(
            "The covariance of the points is not positive definite: no y may be exact, the matrices must be "
            "symmetric, and correlations must lie between -1 and 1."
        ) from None
    return np.asarray(np.linalg.inv(factor) / sd)
