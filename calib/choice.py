"""How rich a model the scans support: by how well scans that were left out are predicted.

All candidates are judged on one linearised problem: the richest model is solved once, and its normal equations, kept
scan by scan, tell what every leaner one would have given with and without each scan. The unknowns that belong to
the scan left out alone (where its standard lay, how it drifted) are fitted to it; nothing else is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.scanner.effect import Float
from calib.solve import Solution


@dataclass(frozen=True)
class Prediction:
    """How well left-out parts are predicted by the others.

    Attributes
    ----------
    errors
        Mean square of the whitened residuals of each block, as the other blocks predict it; shape ``(blocks,)``.
    score
        Mean logarithm of `errors`: every scan has the same say, however badly it is predicted.
    """

    errors: Float
    score: float


def predict(solution: Solution, own: Sequence[np.ndarray | None], free: np.ndarray) -> Prediction:
    """Leave out each block in turn.

    Parameters
    ----------
    solution
        Of the richest model.
    own
        For each block, which unknowns belong to it alone (bool, shape ``(unknowns,)``), or None where none do.
    free
        Unknowns that the candidate has, bool; the others are held at zero.
    """
    x, weight = solution.x, solution.variance_factor * solution.prior_weight
    fixed = ~free
    move = np.where(fixed, -x, 0.0)
    blocks = solution.normal_blocks
    hessian = np.diag(weight) + sum(block.hessian for block in blocks)
    gradient = weight * x + sum(block.gradient for block in blocks)
    errors = np.zeros(len(blocks))
    index = np.nonzero(free)[0]
    for k, block in enumerate(blocks):
        H, g = hessian - block.hessian, gradient - block.gradient
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
        chi2 = block.chi2 + 2 * block.gradient @ step + step @ block.hessian @ step
        errors[k] = max(float(chi2), 0.0) / max(block.count, 1)
    return Prediction(errors, float(np.mean(np.log(errors + 1e-12))))


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
