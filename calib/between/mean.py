"""A weighted mean of what several models predict: the covariance that their coefficients leave to it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calib.arithmetic.roots import root_of
from calib.model import Model
from calib.path import Path, Samples
from calib.scanner.effect import Float


def joint_root(
    models: Sequence[Model],
    parts: Sequence[float],
    common: tuple[Float, Float] | None,
    path: Path,
    samples: Samples,
) -> Float:
    """Root of the covariance of a weighted mean of what models predict, so far as it comes from their coefficients.

    Parameters
    ----------
    parts
        Weights of the models.
    common
        What their coefficients move by together, see :func:`calib.comparing.in_common`.

    Returns
    -------
    Array of shape ``(2, roots, samples)``.
    """
    roots: list[Float] = []
    together: Float | None = None
    for k, (model, part) in enumerate(zip(models, parts, strict=True)):
        shared = model.motion.shared(path, samples)
        jacobian = part * model.motion.jacobian(samples, model.values, shared)
        covariance = model.covariance
        if common is not None:
            covariance = covariance - common[k] @ common[k].T
            moved = np.einsum("icn,cp->ipn", jacobian, common[k])
            together = moved if together is None else together + moved
        roots.append(np.einsum("icn,cp->ipn", jacobian, root_of(covariance)))
    return np.concatenate(roots if together is None else [*roots, together], axis=1)
