"""How rich a model the scans support: by how well scans that were left out are predicted.

All candidates are judged on one linearised problem: the richest model is solved once, and its normal equations, kept
scan by scan, tell what every leaner one would have given with and without each scan. The unknowns that belong to
the scan left out alone (where its standard lay, how it drifted) are fitted to it; nothing else is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.arithmetic.normal import Spectrum
from calib.arithmetic.solve import Solution
from calib.scanner.effect import Float

_LARGEST = 12.0  # factor by which the noise of nodes may be too small, as far as is looked


@dataclass(frozen=True)
class Prediction:
    """How well left-out parts are predicted by the others.

    Attributes
    ----------
    errors
        Mean square of the whitened residuals of each block, as the other blocks predict it; shape ``(blocks,)``.
    score
        Mean logarithm of `errors`: every scan has the same say, however badly it is predicted.
    steps
        From the solution to the prediction of each block, shape ``(blocks, unknowns)``.
    """

    errors: Float
    score: float
    steps: Float


def predict(solution: Solution, own: Sequence[np.ndarray | None], free: np.ndarray, factor: float = 1.0) -> Prediction:
    """Leave out each block in turn.

    Parameters
    ----------
    solution
        Of the richest model.
    own
        For each block, which unknowns belong to it alone (bool, shape ``(unknowns,)``), or None where none do.
    free
        Unknowns that the candidate has, bool; the others are held at zero.
    factor
        By which the noise of the blocks that predict is larger than it was in the solution.
    """
    x, weight = solution.x, solution.variance_factor * solution.prior_weight
    fixed = ~free
    move = np.where(fixed, -x, 0.0)
    blocks = solution.normal_blocks
    hessian = np.diag(weight) + sum(block.hessian for block in blocks) / factor**2
    gradient = weight * x + sum(block.gradient for block in blocks) / factor**2
    errors = np.zeros(len(blocks))
    steps = np.zeros((len(blocks), x.size))
    index = np.nonzero(free)[0]
    for k, block in enumerate(blocks):
        H, g = hessian - block.hessian / factor**2, gradient - block.gradient / factor**2
        step = move.copy()
        step[index] = _minimum(H[np.ix_(index, index)], g[index] + H[np.ix_(index, np.nonzero(fixed)[0])] @ move[fixed])
        mine = own[k]
        if mine is not None:
            its = np.nonzero(mine & free)[0]
            others = step.copy()
            others[its] = 0.0
            Hk = block.hessian
            pull = block.gradient[its] + Hk[its] @ others + weight[its] * x[its]
            step[its] = _minimum(Hk[np.ix_(its, its)] + np.diag(weight[its]), pull)
        steps[k] = step
        chi2 = block.chi2 + 2 * block.gradient @ step + step @ block.hessian @ step
        errors[k] = max(float(chi2), 0.0) / max(block.count, 1)
    return Prediction(errors, float(np.mean(np.log(errors + 1e-12))), steps)


def honest_factor(solution: Solution, own: Sequence[np.ndarray | None]) -> float:
    """By what factor the noise of all nodes has to grow until left-out parts are predicted as well as is claimed.

    What no model follows is alike over large parts of a scan, and bends the parameters rather than showing up as
    residuals; so many nodes are worth less than their number. How much less is seen where a part is left out: its mean
    square error is to be what the covariance of the other parts predicts for it, plus the residual that every part
    has. (Cross-validation of a variance factor; e.g. Arlot & Celisse, Statistics Surveys 4, 2010, 40, for the idea.)

    Parameters
    ----------
    solution
        At the present noise.
    own
        For each block, which unknowns belong to it alone (bool, shape ``(unknowns,)``), or None where none do.

    Returns
    -------
    float
        Between 1 and 12, the largest that is looked at.
    """
    inside = np.array([block.chi2 / max(block.count, 1) for block in solution.normal_blocks])
    free = np.ones(solution.x.size, dtype=bool)

    def excess(factor: float) -> float:
        errors = predict(solution, own, free, factor).errors
        return float(np.log(np.mean(errors / (claimed(solution, own, factor) + inside + 1e-12))))

    low, high = 1.0, 4.0
    at_low = excess(low)
    if at_low <= 0:
        return 1.0
    at_high = excess(high)
    if at_high > 0:
        low, at_low, high = high, at_high, _LARGEST
        at_high = excess(high)
        if at_high > 0:
            return _LARGEST
    for _ in range(2):  # it need not be known better than to some ten per cent
        middle = low * (high / low) ** float(np.clip(at_low / (at_low - at_high), 0.1, 0.9))
        at_middle = excess(middle)
        if at_middle > 0:
            low, at_low = middle, at_middle
        else:
            high, at_high = middle, at_middle
    return float(low * (high / low) ** (at_low / (at_low - at_high)))


def claimed(solution: Solution, own: Sequence[np.ndarray | None], factor: float) -> Float:
    """Mean square prediction error of each block that the covariance of the others claims, shape ``(blocks,)``."""
    weight = solution.variance_factor * solution.prior_weight
    blocks = solution.normal_blocks
    hessian = np.diag(weight) + sum(block.hessian for block in blocks) / factor**2
    result = np.zeros(len(blocks))
    for k, block in enumerate(blocks):
        covariance = _inverse(hessian - block.hessian / factor**2)
        H, mine = block.hessian, own[k]
        if mine is None:
            result[k] = np.sum(covariance * H) / max(block.count, 1)
            continue
        # its own unknowns are fitted to it, so what they can follow is no error
        its, others = np.nonzero(mine)[0], np.nonzero(~mine)[0]
        seen = H[np.ix_(others, its)]
        rest = H[np.ix_(others, others)] - seen @ _inverse(H[np.ix_(its, its)] + np.diag(weight[its])) @ seen.T
        result[k] = np.sum(covariance[np.ix_(others, others)] * rest) / max(block.count, 1)
    return result


def covariance_at(solution: Solution, factor: float) -> Float:
    """Covariance of the solution, had the noise of all nodes been `factor` times larger, ``(unknowns, unknowns)``."""
    weight = solution.variance_factor * solution.prior_weight
    hessian = np.diag(weight) + sum(block.hessian for block in solution.normal_blocks) / factor**2
    return Spectrum.of_normal(hessian, np.zeros(len(hessian))).covariance(solution.variance_factor)


def _inverse(H: Float) -> Float:
    diagonal = np.diag(H)
    scale = np.where(diagonal > 1e-200, np.sqrt(np.maximum(diagonal, 1e-200)), 1.0)
    return np.asarray(np.linalg.inv(H / np.outer(scale, scale) + 1e-11 * np.eye(len(H))) / np.outer(scale, scale))


def _minimum(H: Float, g: Float) -> Float:
    """Step to the minimum of a quadratic form; none along directions that it leaves open."""
    scale = np.sqrt(np.maximum(np.diag(H), 1e-300))
    scaled = H / np.outer(scale, scale) + 1e-11 * np.eye(len(H))
    try:
        factor = np.linalg.cholesky(scaled)
        half = np.linalg.solve(factor, g / scale)
        return np.asarray(-np.linalg.solve(factor.T, half) / scale)
    except np.linalg.LinAlgError:
        values, vectors = np.linalg.eigh(scaled)
        keep = values > 1e-9 * values.max()
        return np.asarray(-(vectors[:, keep] @ ((vectors[:, keep].T @ (g / scale)) / values[keep])) / scale)
