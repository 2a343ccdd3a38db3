"""How far the model is from being the scanner, from place to place of a scan: what no covariance of a fit knows.

Errors of a model are alike at places close to each other and independent at places far apart; so a short distance is
surer than a long one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from calib.path import Path, Samples
from calib.scanner.effect import Float

if TYPE_CHECKING:
    from calib.model import Model

_ALIKE = 0.25  # over which part of the field the model's error is alike


def error_sd(model: Model, path: Path, samples: Samples) -> Float:
    """Standard deviation of the model's error along x and y at samples, m; shape ``(2, samples)``."""
    return np.full((2, samples.size), model.misfit.lateral)


def error_covariance(model: Model, path: Path, samples: Samples) -> Float:
    """Covariance of the model's error between samples, m^2; shape ``(2, samples, samples)``: of x, and of y."""
    low_x, high_x, low_y, high_y = model.domain.area
    reach = _ALIKE * max(high_x - low_x, high_y - low_y)
    position = samples.position
    apart2 = np.sum((position[:, :, None] - position[:, None, :]) ** 2, axis=0)
    sd = error_sd(model, path, samples)
    return np.asarray(np.exp(-0.5 * apart2 / reach**2) * sd[:, :, None] * sd[:, None, :])
