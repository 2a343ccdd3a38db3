"""Square roots of covariance matrices."""

from __future__ import annotations

import numpy as np

from calib.arithmetic.normal import Float

_LEAST = 1e-14  # of the largest eigenvalue of the correlation: what is less comes of rounding


def root_of(covariance: Float) -> Float:
    """Matrix R with R Rᵀ a covariance, shape ``(n, directions)``.

    It is that of the correlations, scaled, so that no direction is lost for its unit. What rounding makes negative
    counts as zero.
    """
    sd = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    scale = np.where(sd > 0, sd, 1.0)
    eigenvalues, vectors = np.linalg.eigh((covariance + covariance.T) / 2 / np.outer(scale, scale))
    keep = eigenvalues > _LEAST * max(float(eigenvalues[-1]), 0.0)
    return np.asarray(scale[:, None] * vectors[:, keep] * np.sqrt(eigenvalues[keep]))
