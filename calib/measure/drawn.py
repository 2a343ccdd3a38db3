"""Draws of what has a joint covariance, for Monte Carlo propagation through a true function."""

from __future__ import annotations

import numpy as np

from calib.arithmetic.monte_carlo import Sample
from calib.arithmetic.roots import root_of
from calib.scanner.effect import Float


def joint_normal(sure: Float, unsure: Float, dof: float) -> Sample:
    """Return what draws errors, shape ``(n, trials)``: normal ones, and ones whose size is known from few observations.

    Parameters
    ----------
    sure
        Covariance of normal errors, ``(n, n)``.
    unsure
        Covariance of errors whose common size has `dof` degrees of freedom: a multivariate t distribution
        (JCGM 101:2008, 6.4.9).
    """
    by_sure, by_unsure = root_of(sure), root_of(unsure)

    def draw(rng: np.random.Generator, size: int) -> Float:
        found = by_sure @ rng.standard_normal((by_sure.shape[1], size))
        more = by_unsure @ rng.standard_normal((by_unsure.shape[1], size))
        if np.isfinite(dof):
            more *= np.sqrt(dof / rng.chisquare(dof, size))
        return np.asarray(found + more)

    return draw
