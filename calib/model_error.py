"""How far the model is from being the scanner: what no covariance of a fit knows.

Scans that were left out of the fit tell how large the error is under their conditions (size, direction and speed of the
scan, place) and in which part of a frame. For another scan those count most that were taken most alike; outside of what
was calibrated the error grows. Errors are alike at places close to each other and independent at places far apart, on
two scales: most of it is fine structure, the rest is smooth. So a short distance is surer than a long one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from calib.path import Path, Samples
from calib.scanner.effect import Float

if TYPE_CHECKING:
    from calib.model import Conditions, Model

RINGS = (0.0, 0.4, 0.7, 0.9, 1.0)
"""Edges of the rings of a frame, from its middle to its border, in which errors are told apart."""

_ALIKE = 0.25  # over which part of the field the smooth part of the model's error is alike
_FINE = 0.03  # the same for its fine structure: steps of loops, which no smooth model follows
_PART = 0.65  # of its variance that is fine structure (both from instruments of foreign physics)
_LEAST = 0.02  # weight of a scan that was taken under quite other conditions


def error_sd(model: Model, path: Path, samples: Samples) -> Float:
    """Standard deviation of the model's error along x and y at samples, m; shape ``(2, samples)``."""
    fast, slow = _under_conditions(model, path)
    along = fast**2 * path.fast_axis**2 + slow**2 * path.slow_axis**2
    relative = np.ones(samples.size)
    if model.misfit.rings:
        relative = np.asarray(model.misfit.rings)[ring_of(path, samples.position)]
    return np.asarray(np.sqrt(along)[:, None] * relative)


def error_covariance(model: Model, path: Path, samples: Samples) -> Float:
    """Covariance of the model's error between samples, m^2; shape ``(2, samples, samples)``: of x, and of y."""
    low_x, high_x, low_y, high_y = model.domain.area
    reach = _ALIKE * max(high_x - low_x, high_y - low_y)
    position = samples.position
    apart2 = np.sum((position[:, :, None] - position[:, None, :]) ** 2, axis=0)
    sd = error_sd(model, path, samples)
    smooth = np.exp(-0.5 * apart2 / reach**2)
    fine = np.exp(-0.5 * apart2 / (reach * _FINE / _ALIKE) ** 2)
    return np.asarray((_PART * fine + (1 - _PART) * smooth) * sd[:, :, None] * sd[:, None, :])


def error_dof(model: Model) -> float:
    """Degrees of freedom of the size of the model's error: it is taken from a few scans that were left out."""
    return float(len(model.misfit.scans) - 1) if len(model.misfit.scans) > 1 else np.inf


def conditions_of(path: Path) -> Conditions:
    """How a scan is taken, so far as a model's error may depend on it."""
    from calib.model import Conditions

    return Conditions(
        size=float(np.sqrt(np.ptp(path.fast) * np.ptp(path.slow))),
        direction=float(np.arctan2(path.fast_axis[1], path.fast_axis[0]) % np.pi),
        speed=float(path.speed) if path.timed else None,
        centre=(float(path.centre[0]), float(path.centre[1])),
    )


def ring_of(path: Path, position: Float) -> np.ndarray:
    """Ring of its frame in which each commanded position lies, shape ``(samples,)``."""
    place = np.zeros(position.shape[1])
    for axis, grid in ((path.fast_axis, path.fast), (path.slow_axis, path.slow)):
        along = axis @ (position - path.centre[:, None])
        half = max(float(np.ptp(grid)) / 2, 1e-300)
        place = np.maximum(place, np.abs(along - (grid[0] + grid[-1]) / 2) / half)
    return np.asarray(np.clip(np.searchsorted(RINGS, place) - 1, 0, len(RINGS) - 2))


def _under_conditions(model: Model, path: Path) -> tuple[float, float]:
    """Error along the fast and the slow axis of a scan, m, rms over its frame."""
    misfit = model.misfit
    if not misfit.scans:
        return misfit.lateral, misfit.lateral
    here, known = conditions_of(path), misfit.scans
    low_x, high_x, low_y, high_y = model.domain.area
    field = max(high_x - low_x, high_y - low_y)
    apart2 = np.array([_apart(here, scan, field) for scan in known])
    weight = np.maximum(np.exp(-0.5 * apart2), _LEAST)
    errors2 = np.array([(scan.fast_error**2, scan.slow_error**2) for scan in known])
    fast2, slow2 = weight @ errors2 / weight.sum() * (1 + 4 * _outside(model, path))
    return float(np.sqrt(fast2)), float(np.sqrt(slow2))


def _apart(one: Conditions, other: Conditions, field: float) -> float:
    """Square of how far two conditions are apart; 1 for twice the size, three times the speed, or half the field."""
    size = np.log2(one.size / other.size)
    speed = np.log(one.speed / other.speed) / np.log(3) if one.speed and other.speed else 0.0
    turned = 1.5 * np.sin(one.direction - other.direction)
    place = np.hypot(one.centre[0] - other.centre[0], one.centre[1] - other.centre[1]) / (field / 2)
    return float(size**2 + speed**2 + turned**2 + place**2)


def _outside(model: Model, path: Path) -> float:
    """Square of how far a scan lies outside of what was calibrated, in the same measure; 0 inside."""
    domain, here = model.domain, conditions_of(path)
    smallest, largest = domain.sizes
    total = max(0.0, np.log2(smallest / here.size), np.log2(here.size / largest)) ** 2
    if domain.speeds is not None and here.speed is not None:
        slowest, fastest = domain.speeds
        total += (max(0.0, np.log(slowest / here.speed), np.log(here.speed / fastest)) / np.log(3)) ** 2
    low_x, high_x, low_y, high_y = domain.area
    u, v = path.at(path.fast[[0, -1, 0, -1]], path.slow[[0, 0, -1, -1]])
    beyond = max(0.0, low_x - u.min(), u.max() - high_x, low_y - v.min(), v.max() - high_y)
    return float(total + (beyond / (max(high_x - low_x, high_y - low_y) / 8)) ** 2)
