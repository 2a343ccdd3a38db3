"""Uncertainty budgets of the quantities of a model, by what their uncertainties come from."""

from __future__ import annotations

import numpy as np

from calib.budget import Budget
from calib.frames import lattice, line_period, middle_speed, reference_frame
from calib.locate import own_spread
from calib.model import Model
from calib.model_error import error_covariance, error_dof
from calib.path import Path
from calib.scanner.effect import AXES, Float
from calib.summary import lateral
from calib.verification.result import budget_of

_POINTS = 64
MODEL_ERROR = "error of the model"
THIS_SCAN = "drift and what went before a scan"


def budgets(model: Model) -> tuple[Budget, ...]:
    """Return budgets of both scales, the skew and the height gain, so far as the scans tell of them.

    The parts of a scale add up to what :meth:`calib.Model.scale` says of it, over the largest calibrated size.
    """
    found = [_scale(model, axis) for axis in (0, 1)] + [_skew(model)] if lateral(model) else []
    if model.height.determined:
        derivative = np.eye(model.height.values.size)[0]
        parts = model.height.split(derivative)
        found.append(_made("height gain", "1", float(model.height.values[0]), parts))
    return tuple(found)


def _scale(model: Model, axis: int) -> Budget:
    size = model.domain.sizes[1]
    frame = reference_frame(size, _POINTS, line_period=line_period(size, middle_speed(model.domain)))
    path = Path(frame)
    samples, _ = lattice(path, np.arange(4, _POINTS - 4, 4), np.arange(0, _POINTS, 3))
    commanded = samples.position[axis] - samples.position[axis].mean()
    weights = commanded / float(commanded @ commanded)
    shared = model.motion.shared(path, samples)
    derivative = model.motion.jacobian(samples, model.values, shared)[axis] @ weights
    parts = _by_origin(model, derivative)
    parts[THIS_SCAN] = float(np.linalg.norm(own_spread(model, path, samples)[axis] @ weights))
    parts[MODEL_ERROR] = float(np.sqrt(weights @ error_covariance(model, path, samples)[axis] @ weights))
    value = float(weights @ model.motion.position(path, samples, model.values)[axis])
    return _made(f"scale {AXES[axis]}", "1", value, parts, {MODEL_ERROR: error_dof(model)})


def _skew(model: Model) -> Budget:
    derivative = np.eye(model.values.size)[2]
    return _made("skew", "rad", float(model.values[2]), _by_origin(model, derivative))


def _by_origin(model: Model, derivative: Float) -> dict[str, float]:
    total = derivative[None] @ model.covariance @ derivative[:, None]
    return {name: float(np.sqrt(max(part[0, 0], 0.0))) for name, part in model.split(derivative[None], total).items()}


def _made(name: str, unit: str, value: float, parts: dict[str, float], dof: dict[str, float] | None = None) -> Budget:
    kept = {part: u for part, u in parts.items() if u > 0} or {"rounding": 1e-15}
    return budget_of(name, unit, value, kept, {part: one for part, one in (dof or {}).items() if np.isfinite(one)})
