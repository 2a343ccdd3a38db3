"""Normal equations of a least-squares problem at one point, their scaled spectrum, and the covariance that follows."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calib.errors import ModelError

Float = NDArray[np.float64]
Blocks = Callable[[Float], Iterable[tuple[Float, Float]]]
SigmaMode = Literal["known", "from_residuals"]

SHARE = 1e-10
"""Share of a unit vector that lies within undetermined directions, above which it counts as undetermined itself."""

_RANK_QR = 1e-10  # singular values below this share of the largest are zero: well above rounding, 1e-14 or so
_RANK_NORMAL = 1e-7  # the same where only the normal matrix, hence squares, are known


@dataclass(frozen=True)
class NormalBlock:
    """What one block of observations adds to the normal equations, at the solution.

    Attributes
    ----------
    hessian
        JᵀJ, shape ``(p, p)``.
    gradient
        Jᵀr, shape ``(p,)``.
    chi2
        rᵀr.
    count
        Number of observations.
    """

    hessian: Float
    gradient: Float
    chi2: float
    count: int


def add_up(parts: Iterable[NormalBlock], weight: Float, departure: Float) -> tuple[Float, Float]:
    """Return the normal matrix and gradient of some blocks and of priors, given by inverse variance and departure."""
    hessian, gradient = np.diag(weight), weight * departure
    for part in parts:
        hessian = hessian + part.hessian
        gradient = gradient + part.gradient
    return hessian, gradient


@dataclass(frozen=True)
class Spectrum:
    """Singular values of the scaled Jacobian, and the gradient along its right singular vectors."""

    norms: Float
    scale: Float
    values: Float
    vectors: Float
    slope: Float
    determined: NDArray[np.bool_]

    @classmethod
    def of_normal(cls, hessian: Float, gradient: Float, least: Float | float = 0.0) -> Spectrum:
        """From JᵀJ and Jᵀr; the scale is the column norms of J, but nowhere less than `least`."""
        norms = np.sqrt(np.diag(hessian))
        scale = _scale(norms, least)
        squares, vectors = np.linalg.eigh(hessian / np.outer(scale, scale))
        values = np.sqrt(np.maximum(squares, 0.0))
        determined = values > _RANK_NORMAL * values.max()
        return cls(norms, scale, values, vectors, vectors.T @ (gradient / scale), determined)

    @classmethod
    def of_triangle(cls, triangle: Float, least: Float | float = 0.0) -> Spectrum:
        """From the R of the QR decomposition of [J r], shape ``(<= p + 1, p + 1)``."""
        jacobian, residual = triangle[:, :-1], triangle[:, -1]
        norms = np.sqrt(np.sum(jacobian**2, axis=0))
        scale = _scale(norms, least)
        left, found, vectors = np.linalg.svd(jacobian / scale)
        values, slope = np.zeros((2, norms.size))
        values[: found.size] = found
        slope[: found.size] = found * (left.T @ residual)[: found.size]
        return cls(norms, scale, values, vectors.T, slope, values > _RANK_QR * values.max())

    @property
    def condition(self) -> float:
        """Condition number of the scaled normal matrix."""
        return float((self.values.max() / self.values.min()) ** 2) if np.all(self.determined) else np.inf

    @property
    def decrement(self) -> float:
        """Square of the length of the Gauss-Newton step in units of (unscaled) standard deviations."""
        keep = self.determined
        return float(np.sum((self.slope[keep] / self.values[keep]) ** 2))

    def step(self, damping: float) -> Float:
        """Damped step, shape ``(p,)``; none along undetermined directions."""
        keep = self.determined
        along = self.slope[keep] / (self.values[keep] ** 2 + damping)
        return -(self.vectors[:, keep] @ along) / self.scale

    def predicted(self, damping: float) -> float:
        """Reduction of the sum of squares by that step, were the residuals linear."""
        square = self.values[self.determined] ** 2
        return float(np.sum((self.slope[self.determined] / (square + damping)) ** 2 * (square + 2 * damping)))

    def factor(self) -> Float:
        """F, shape ``(p, rank)``: F Fᵀ is the covariance within the determined directions, for unit variance."""
        keep = self.determined
        return np.asarray(self.vectors[:, keep] / self.values[keep] / self.scale[:, None])

    def covariance(self, variance_factor: float) -> Float:
        """Covariance, shape ``(p, p)``: infinite variance, and NaN off the diagonal, for what is undetermined."""
        factor = np.sqrt(variance_factor) * self.factor()
        covariance = factor @ factor.T
        lost = np.flatnonzero(np.sum(self.undetermined**2, axis=0) > SHARE)
        covariance[lost, :] = np.nan
        covariance[:, lost] = np.nan
        covariance[lost, lost] = np.inf
        return np.asarray(covariance)

    @property
    def undetermined(self) -> Float:
        """Undetermined directions of the scaled parameters, shape ``(k, p)``."""
        return self.vectors[:, ~self.determined].T


def _scale(norms: Float, least: Float | float) -> Float:
    return np.maximum(np.where(norms > 0, norms, 1.0), least)


class Problem:
    """Residuals and priors, evaluated into normal equations or a QR decomposition."""

    def __init__(self, blocks: Blocks, mean: Float, weight: Float, sigma: SigmaMode) -> None:
        self.blocks = blocks
        self.mean, self.weight = mean, weight
        self.sigma = sigma
        self.factor = 1.0
        self.by_qr = False

    def at(self, x: Float) -> Point | None:
        """Evaluate at x; None where something is not finite."""
        triangle = self._prior_rows(x)
        parts = []
        # A trial step may go where a model overflows. It is refused below, so nobody needs a warning.
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            for block in self.blocks(x):
                residual, jacobian = (np.asarray(array, dtype=np.float64) for array in block)
                if jacobian.shape != (residual.size, x.size):
                    raise ModelError(
                        f"A block of {residual.size} residuals has a Jacobian of shape {jacobian.shape}, "
                        f"but there are {x.size} parameters."
                    )
                part = NormalBlock(
                    hessian=jacobian.T @ jacobian,
                    gradient=jacobian.T @ residual,
                    chi2=float(residual @ residual),
                    count=residual.size,
                )
                if not (np.isfinite(part.chi2) and np.all(np.isfinite(part.hessian))):
                    return None
                parts.append(part)
                if self.by_qr:
                    rows = np.vstack([triangle, np.column_stack([jacobian, residual])])
                    triangle = np.asarray(np.linalg.qr(rows, mode="r"))
        if not parts:
            raise ModelError("There are no observations to fit.")
        return Point(self, x, tuple(parts), triangle if self.by_qr else None)

    def again(self, point: Point) -> Point:
        """Evaluate at a point once more, after the factor or the way of solving has changed."""
        result = self.at(point.x)
        if result is None:
            raise ModelError("The residuals changed between two evaluations at the same parameters.")
        return result

    def _prior_rows(self, x: Float) -> Float:
        held = np.flatnonzero(self.weight)
        root = np.sqrt(self.factor * self.weight[held])
        rows = np.zeros((held.size, x.size + 1))
        rows[np.arange(held.size), held] = root
        rows[:, -1] = root * (x - self.mean)[held]
        return rows


class Point:
    """Normal equations at one point."""

    def __init__(self, problem: Problem, x: Float, parts: tuple[NormalBlock, ...], triangle: Float | None) -> None:
        self.problem, self.x, self.parts, self.triangle = problem, x, parts, triangle
        self.count = sum(part.count for part in parts)
        self.chi2 = float(sum(part.chi2 for part in parts))
        self.chi2_prior = float(np.sum(problem.weight * (x - problem.mean) ** 2))
        self.total = self.chi2 + problem.factor * self.chi2_prior
        self.spectrum = self.scaled(0.0)

    def scaled(self, least: Float | float) -> Spectrum:
        """Spectrum with a scale that is nowhere less than `least`."""
        if self.triangle is not None:
            return Spectrum.of_triangle(self.triangle, least)
        weight = self.problem.factor * self.problem.weight
        return Spectrum.of_normal(*add_up(self.parts, weight, self.x - self.problem.mean), least)

    @property
    def dof(self) -> float:
        """Number of observations less what they determine of the parameters, ``n - trace(A N⁻¹)``."""
        factor = self.spectrum.factor()
        by_priors = self.problem.factor * float(np.sum(self.problem.weight[:, None] * factor**2))
        return float(self.count - (factor.shape[1] - by_priors))

    @property
    def unit(self) -> float:
        """Variance of unit weight, as far as it is known."""
        return 1.0 if self.problem.sigma == "known" else self.total / max(self.dof, 1.0)

    @property
    def rounding(self) -> float:
        """Decrement that the rounding of the residuals alone can cause."""
        size = float(np.sum(self.spectrum.norms * np.abs(self.x)))
        return (8 * np.finfo(float).eps * size) ** 2
