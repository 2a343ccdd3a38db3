"""Height of a step, from what was indicated of it in a scan and the model's height response."""

from __future__ import annotations

import numpy as np

from calib.heights import history_at
from calib.model import Model
from calib.observe.step import StepObservation
from calib.path import Path
from calib.scan import Scan
from calib.scanner.effect import Float


def without_history(model: Model, scan: Scan) -> Scan:
    """Return a scan whose indicated heights are free of hysteresis and creep of z."""
    history = model.height.history
    if history is None or not scan.has_height:
        return scan
    heights = np.asarray(scan.height, dtype=np.float64)
    added = history.history(heights, Path(scan), scan.z_centre).added(model.height.values[model.height.of_history])
    return _with_heights(scan, heights + added / model.height.values[0])


def straightened(model: Model, scan: Scan) -> Scan:
    """Return a scan whose indicated heights are free of hysteresis, creep and bow, in which a step is to be observed.

    A bow is no smaller than many a step, so that it is taken out before edges are looked for; and what a plateau is
    indicated as depends on where it is in the image, so that no later factor can make up for creep.
    """
    if model.height.bow is None or not scan.has_height:
        return without_history(model, scan)
    path = Path(scan)
    bow = model.height.bowed(path.at(*np.meshgrid(path.fast, path.slow)))
    scan = without_history(model, scan)
    return _with_heights(scan, np.asarray(scan.height, dtype=np.float64) + bow / model.height.values[0])


def _with_heights(scan: Scan, heights: Float) -> Scan:
    return scan.replace(channels={**scan.channels, "height": heights})


def true_step(model: Model, step: StepObservation) -> tuple[float, dict[str, float]]:
    """Return the height of a step, m, and the standard uncertainties that make up its own, by name.

    Parameters
    ----------
    step
        As observed in a scan that was :func:`straightened`.
    """
    height, by = model.height, by_coefficients(model, step)
    centred = bool(np.isfinite(step.low))
    measured = float(by[:3] @ height.values[:3])
    gain = abs(measured / step.indicated)
    unknown = 0.0 if centred and height.placed else step.indicated * height.unknown_gain()
    parts = {
        "noise": gain * max(step.u, 1e-13),
        **height.split(by),
        "place in the z range": unknown,
        "model error": float(np.hypot(height.misfit, measured * height.scatter)),
    }
    if height.history is not None and height.history.missing(step.path):
        parts["creep of z"] = measured * height.history.unknown_creep(height.values[height.of_history])
    if len(step.by_pass) > 1:
        # the two passes as limits, see calib.heights.repeatability
        parts["repeatability"] = gain * float(np.ptp(step.by_pass) / np.sqrt(12))
    return measured, {name: u for name, u in parts.items() if u > 0}


def by_coefficients(model: Model, step: StepObservation) -> Float:
    """Return the derivative of a step's height by the coefficients of the height response, shape ``(terms,)``.

    Parameters
    ----------
    step
        As observed in a scan that was :func:`straightened`.
    """
    height = model.height
    centred = bool(np.isfinite(step.low))
    low, high = (step.low, step.high) if centred else (0.0, step.indicated)
    shrink = step.indicated / (high - low) if high > low else 1.0
    by_gain = shrink * (height.basis(np.array(high), centred)[:3] - height.basis(np.array(low), centred)[:3])
    return np.concatenate([by_gain, _of_shapes(model, step)])


def _of_shapes(model: Model, step: StepObservation) -> Float:
    """What each shape of the bow and of the history adds to the height between the levels.

    Two parallel planes are fitted to it.
    """
    height, levels = model.height, step.levels
    if height.values.size == 3 or levels is None or levels.size < 8:
        return np.zeros(height.values.size - 3)
    position = step.path.at(levels.fast, levels.slow)
    images = None if height.history is None else history_at(levels, step.path, height.history)
    shapes = height.basis(np.zeros(levels.size), True, position, images)[3:]
    middle = position.mean(axis=1, keepdims=True)
    size = float(np.abs(position - middle).max()) or 1.0
    design = np.column_stack([np.ones(levels.size), *((position - middle) / size), levels.high])
    fitted = np.linalg.lstsq(design, shapes.T, rcond=None)[0]
    return np.asarray(fitted[3] * np.cos(step.tilt))
