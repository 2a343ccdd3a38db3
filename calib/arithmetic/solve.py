"""Weighted nonlinear least squares: the one solver behind every fit.

Minimises ``sum(r**2) + sum(((x - mean) / sd)**2)`` over the parameters x, where the whitened residuals r come in
blocks, one a scan, each with its analytic Jacobian. Gauss-Newton steps, damped where they fail to reduce the sum
(Levenberg 1944, Marquardt 1963, in the form with column scaling of Moré 1978).

The steps come from one eigendecomposition of the normal matrix, scaled to a unit diagonal, at each point. That costs
a few milliseconds more than a Cholesky factor and gives every damped step, the condition number, and the directions
that the observations say nothing about. Forming the normal matrix costs digits, though: above a condition number of
1e6 the last steps and the covariance come from a QR decomposition of the Jacobian instead, updated block by block so
that memory stays bounded.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from calib.arithmetic.normal import SHARE, Blocks, Float, NormalBlock, Point, Problem, SigmaMode, Spectrum, add_up
from calib.errors import ModelError

__all__ = ["Blocks", "NormalBlock", "SigmaMode", "Solution", "solve"]

# Condition number of the scaled normal matrix above which a QR decomposition replaces it in the end. On the way there a
# step may be a little wrong, since the next one mends it.
_ILL_CONDITIONED = 1e6

_VISIBLE = 1e-12  # relative change of the sum of squares that rounding can't fake
_STALLED = 1e-4  # standard uncertainties: where no step helps any more, a shorter one is the caller's rounding


@dataclass(frozen=True)
class Solution:
    """Parameters that minimise the weighted sum of squares, and what is known about them.

    Attributes
    ----------
    x
        Parameters, shape ``(p,)``.
    covariance
        Their covariance, shape ``(p, p)``: infinite variance, and NaN off the diagonal, for a parameter that is part
        of an undetermined direction. :meth:`uncertainty` is right for combinations of such parameters, too.
    chi2
        Sum of squared whitened residuals of the observations, as the caller whitened them.
    chi2_prior
        Sum of squared departures from the priors, in their standard deviations.
    dof
        Degrees of freedom of the observations: their number less the part of the parameters that they (not the
        priors) determine, ``n - trace(A N⁻¹)``. It is the expectation of `chi2` / `variance_factor`, and whole if
        there are no priors.
    variance_factor
        1 for ``sigma="known"``, the estimated variance of unit weight for ``sigma="from_residuals"``.
    iterations
        Points at which the Jacobian was used.
    gradient_norm
        Length of the remaining Gauss-Newton step in standard uncertainties, ``sqrt(gᵀ C g)``.
    condition
        Condition number of the scaled normal matrix; infinite if something is undetermined.
    undetermined
        Directions that neither observations nor priors hold, shape ``(k, p)``: orthonormal eigenvectors of the scaled
        normal matrix. Moving x by ``undetermined[i] / scale`` changes no residual.
    scale
        Column norms of the whitened Jacobian, shape ``(p,)``.
    factor
        Matrix F, shape ``(p, rank)``, with F Fᵀ the covariance within the determined directions.
    normal_blocks
        The parts of the normal equations, one a block in the order given, without priors.
    prior_mean, prior_weight
        Priors: mean and inverse variance (zero where there is none), shape ``(p,)``.
    """

    x: Float
    covariance: Float
    chi2: float
    chi2_prior: float
    dof: float
    variance_factor: float
    iterations: int
    gradient_norm: float
    condition: float
    undetermined: Float
    scale: Float
    factor: Float
    normal_blocks: tuple[NormalBlock, ...]
    prior_mean: Float
    prior_weight: Float

    @property
    def standard_uncertainties(self) -> Float:
        """Square roots of the variances, shape ``(p,)``; infinite where undetermined."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    def uncertainty(self, jacobian: ArrayLike) -> Float:
        """Return the standard uncertainties of quantities with the given derivatives.

        Parameters
        ----------
        jacobian
            Derivatives of the quantities with respect to x, shape ``(m, p)``.

        Returns
        -------
        Float
            Shape ``(m,)``; infinite for a quantity that changes along an undetermined direction.
        """
        rows = np.atleast_2d(np.asarray(jacobian, dtype=np.float64))
        result = np.sqrt(np.sum((rows @ self.factor) ** 2, axis=1))
        if len(self.undetermined):
            scaled = rows / self.scale
            along = np.sum((scaled @ self.undetermined.T) ** 2, axis=1)
            result[along > SHARE * np.sum(scaled**2, axis=1)] = np.inf
        return np.asarray(result)

    def name_undetermined(self, names: Sequence[str]) -> list[list[str]]:
        """Name the parameters that take part in each undetermined direction, the largest share first.

        Parameters
        ----------
        names
            Names of the p parameters.
        """
        order = np.argsort(-np.abs(self.undetermined), axis=1, kind="stable")
        return [
            [names[i] for i in indices if abs(direction[i]) > 0.05]
            for direction, indices in zip(self.undetermined, order, strict=True)
        ]

    def leave_out(self, blocks: Iterable[int]) -> tuple[Float, Float]:
        """Return the solution that the other blocks and the priors would give, to first order.

        It is exact for a linear model. Directions that only the blocks left out held stay where they are, with
        infinite variance.

        Parameters
        ----------
        blocks
            Indices into :attr:`normal_blocks`.

        Returns
        -------
        x, covariance
            Shapes ``(p,)`` and ``(p, p)``.
        """
        out = set(blocks)
        # Adding up the rest, rather than subtracting: a parameter of the left-out scan alone must become exactly zero.
        rest = [block for index, block in enumerate(self.normal_blocks) if index not in out]
        spectrum = Spectrum.of_normal(*add_up(rest, self.variance_factor * self.prior_weight, self.x - self.prior_mean))
        return self.x + spectrum.step(0.0), spectrum.covariance(self.variance_factor)


def solve(
    blocks: Blocks,
    x0: ArrayLike,
    *,
    prior_mean: ArrayLike | None = None,
    prior_sd: ArrayLike | None = None,
    sigma: SigmaMode = "known",
    damping: float = 0.0,
    tolerance: float = 1e-8,
    finish: bool = True,
    max_iterations: int = 200,
) -> Solution:
    """Solve a weighted nonlinear least-squares problem with Gaussian priors.

    Parameters
    ----------
    blocks
        Function of x, shape ``(p,)``, that returns or yields blocks ``(residual, jacobian)`` of shapes ``(n,)`` and
        ``(n, p)``: residuals divided by their standard deviations (or whitened by the Cholesky factor of their
        covariance), and their exact derivatives with respect to x. Only one block at a time is kept.
    x0
        Starting values, shape ``(p,)``.
    prior_mean, prior_sd
        Mean and standard deviation of what is known of each parameter beforehand, shape ``(p,)``; an infinite
        standard deviation is no knowledge. The mean is `x0` if not given.
    sigma
        ``known``: the residuals were divided by true standard deviations, and the covariance follows from them.
        ``from_residuals``: they were right only up to a common factor, which is taken from the residuals. The factor
        belongs to the noise of the observations. Priors keep their standard deviations, both in the solution and in
        the covariance, so the weight of the observations against the priors is adjusted until it agrees with the
        factor, ``chi2 / dof`` (variance-component estimation, Helmert 1924, Förstner 1979, with one component known).
    damping
        First damping, in units of the diagonal of the scaled normal matrix. Zero begins with a full Gauss-Newton
        step, which is best where the residuals are nearly linear; 1e-3 is safer far from the solution.
    tolerance
        Length of the remaining step, in standard uncertainties, at which the solution is accepted.
    finish
        Whether an ill-conditioned problem is finished by a QR decomposition; not worth its time where the solution is
        only a step on the way.
    max_iterations
        Points at which the Jacobian is used at most, for one value of the factor.

    Returns
    -------
    Solution
        What was found; it has converged.

    Raises
    ------
    ModelError
        If the solution does not converge, if residuals or derivatives are not finite at the start, or if no degree
        of freedom is left to take the noise from.
    """
    x = np.array(x0, dtype=np.float64)
    mean, weight = _priors(x, prior_mean, prior_sd)
    problem = Problem(blocks, mean, weight, sigma)
    point = problem.at(x)
    if point is None:
        raise ModelError("The fit can't begin: residuals or derivatives are not finite at the starting values.")
    point, iterations = _descend(point, damping, tolerance, max_iterations, finish)
    if sigma == "from_residuals":
        point, more = _estimate_factor(point, tolerance, max_iterations)
        iterations += more
    spectrum = point.spectrum
    return Solution(
        x=point.x,
        covariance=spectrum.covariance(problem.factor),
        chi2=point.chi2,
        chi2_prior=point.chi2_prior,
        dof=point.dof,
        variance_factor=problem.factor,
        iterations=iterations,
        gradient_norm=float(np.sqrt(spectrum.decrement / problem.factor)) if problem.factor > 0 else 0.0,
        condition=spectrum.condition,
        undetermined=spectrum.undetermined,
        scale=spectrum.scale,
        factor=np.sqrt(problem.factor) * spectrum.factor(),
        normal_blocks=point.parts,
        prior_mean=mean,
        prior_weight=weight,
    )


def _priors(x: Float, mean: ArrayLike | None, sd: ArrayLike | None) -> tuple[Float, Float]:
    if x.ndim != 1 or x.size == 0 or not np.all(np.isfinite(x)):
        raise ModelError("Starting values must be a list of one or more finite numbers.")
    means = x.copy() if mean is None else np.array(mean, dtype=np.float64)
    sds = np.full(x.size, np.inf) if sd is None else np.array(sd, dtype=np.float64)
    if means.shape != x.shape or sds.shape != x.shape:
        raise ModelError(f"Priors are needed for all {x.size} parameters or for none.")
    held = np.isfinite(sds)
    if np.any(np.isnan(sds)) or np.any(sds <= 0) or not np.all(np.isfinite(means[held])):
        raise ModelError("A prior needs a finite mean and a positive standard deviation (infinite for no knowledge).")
    return np.where(held, means, 0.0), np.where(held, 1.0 / sds, 0.0) ** 2


def _descend(
    point: Point, damping: float, tolerance: float, max_iterations: int, finish: bool = True
) -> tuple[Point, int]:
    problem = point.problem
    least, stalled = point.spectrum.scale, False
    for iteration in range(1, max_iterations + 1):
        converged = stalled or point.spectrum.decrement <= max(tolerance**2 * point.unit, point.rounding)
        if converged:
            if problem.by_qr or not finish or point.spectrum.condition <= _ILL_CONDITIONED:
                return point, iteration
            problem.by_qr, stalled = True, False
            point = problem.again(point)
            continue
        # Scaling by the largest norms so far keeps a column that has become small from making a step large (Moré).
        found = _step(point, point.scaled(least), damping)
        if found is not None:
            point, damping = found
            least = np.maximum(least, point.spectrum.scale)
            continue
        stalled = point.spectrum.decrement <= _STALLED**2 * point.unit
        if not stalled:
            break
    raise ModelError(
        f"The fit did not converge: after {iteration} iterations the next step would still be "
        f"{np.sqrt(point.spectrum.decrement / point.unit):.2g} standard uncertainties long; begin nearer to the "
        "solution, or leave out effects that these scans can't tell apart."
    )


def _step(point: Point, spectrum: Spectrum, damping: float) -> tuple[Point, float] | None:
    """Find a step that helps, damped as much as it needs (Nielsen 1999); with the damping for the next one."""
    growth = 2.0
    # Damping below the least determined direction does nothing, and far above it stops that direction altogether.
    least = float(np.min(spectrum.values[spectrum.determined], initial=1.0)) ** 2
    near = point.spectrum.decrement <= _STALLED**2 * point.unit
    first = 1e-3 if near else max(least, 1e-10)
    while damping < 1e12:
        trial, expected = point.problem.at(point.x + spectrum.step(damping)), spectrum.predicted(damping)
        if trial is not None and _better(trial, point, expected):
            ratio = (point.total - trial.total) / expected
            damping *= max(1 / 3, 1 - (2 * min(ratio, 1.0) - 1) ** 3)
            return trial, damping if damping > min(1e-9, 0.1 * first) else 0.0
        damping, growth = max(damping * growth, first), growth * 2
    return None


def _better(trial: Point, point: Point, expected: float) -> bool:
    """Whether a step is taken: by the sum of squares, or by the gradient where that tells more.

    It does once rounding hides a change of the sum, and in a curved valley, where a Gauss-Newton step may climb a bit
    and yet lands far nearer to the solution.
    """
    before, after = point.spectrum.decrement, trial.spectrum.decrement
    if expected > _VISIBLE * point.total:
        nearer = after < 0.1 * before and trial.total < point.total + 0.1 * before
        return point.total - trial.total > 1e-4 * expected or nearer
    return after < before


def _estimate_factor(point: Point, tolerance: float, max_iterations: int) -> tuple[Point, int]:
    """Adjust the variance of unit weight until it agrees with the residuals."""
    problem, total = point.problem, 0
    for _ in range(100):
        if point.dof < 1e-6:
            raise ModelError(
                "There are no more observations than parameters, so the noise can't be taken from the residuals: "
                "state it, or use fewer parameters."
            )
        factor = point.chi2 / point.dof
        settled = abs(factor - problem.factor) <= 1e-9 * factor
        problem.factor = factor
        if settled or not np.any(problem.weight):
            return point, total
        if factor == 0:
            raise ModelError("The residuals are exactly zero, so they can't be weighed against what is known before.")
        point, iterations = _descend(problem.again(point), 0.0, tolerance, max_iterations)
        total += iterations
    raise ModelError("The noise taken from the residuals did not settle: state it instead.")
