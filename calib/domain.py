"""Does a model apply to a scan? What forbids it is refused, what stretches it is said."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from calib.errors import ModelError
from calib.path import Path
from calib.scan import Scan
from calib.units import show

if TYPE_CHECKING:
    from calib.model import Model


def check_scan(model: Model, scan: Scan, *, any_scanner: bool = False) -> tuple[str, ...]:
    """Return in plain words where a scan lies outside a model's domain.

    Raises
    ------
    ModelError
        If the model can't be applied.
    """
    if scan.frame_of_reference == "true":
        raise ModelError(
            f"{scan.label} is corrected already, so it is left alone; correct the scan as it was recorded."
        )
    notes = _identity(model, scan, any_scanner)
    path = Path(scan)
    if beyond := beyond_area(model, path):
        notes.append(f"reaches {show(beyond)} beyond the calibrated area; there the correction is extrapolated")
    small = model.domain.sizes[0]
    size = min(scan.size)
    if size < 0.95 * small:
        notes.append(f"{show(size)} wide, it is smaller than the smallest calibrated scan of {show(small)}")
    speeds = model.domain.speeds
    if speeds is not None and path.timed and not 0.8 * speeds[0] <= path.speed <= 1.25 * speeds[1]:
        notes.append(
            f"its speed of {show(path.speed, 'm/s')} lies outside the calibrated {show(speeds[0], 'm/s')}"
            f" to {show(speeds[1], 'm/s')}"
        )
    notes += model.motion.missing(path)
    if any(effect.name in ("hysteresis", "creep") for effect in model.motion.effects) and path.rest is None:
        notes.append("it does not say where the scanner rested before, so the start of the slow axis is less certain")
    return tuple(notes)


def beyond_area(model: Model, path: Path) -> float:
    """Return how far a scan reaches beyond the calibrated area, m; 0 within, give or take a pixel."""
    u, v = path.at(path.fast[[0, -1, 0, -1]], path.slow[[0, 0, -1, -1]])
    low_x, high_x, low_y, high_y = model.domain.area
    margin = 1e-3 * max(high_x - low_x, high_y - low_y) + path.pixel
    beyond = float(max(low_x - u.min(), u.max() - high_x, low_y - v.min(), v.max() - high_y))
    return beyond if beyond > margin else 0.0


def _identity(model: Model, scan: Scan, any_scanner: bool) -> list[str]:
    notes = []
    if scan.scanner and model.scanner and scan.scanner != model.scanner:
        said = f"{scan.label} is of scanner {scan.scanner!r}, but the model is of {model.scanner!r}"
        if not any_scanner:
            raise ModelError(f"{said}; take the model of that scanner.")
        notes.append(f"{said}; the model was applied all the same, as asked")
    elif model.scanner and not scan.scanner:
        notes.append(f"it does not name its scanner; {model.scanner!r} is assumed")
    if model.controller is not None and scan.controller is not None:
        changed = differing_settings(model.controller, scan.controller)
        if changed:
            said = f"{scan.label} was taken with other controller settings than the model ({changed})"
            if not any_scanner:
                raise ModelError(f"{said}; settings are part of the scanner, so calibrate with these.")
            notes.append(f"{said}; the model was applied all the same, as asked")
    return notes


def differing_settings(ours: Mapping[str, Any], theirs: Mapping[str, Any]) -> str:
    """Return in words what differs between controller settings; empty if nothing does."""
    changed = []
    for key in sorted(set(ours) | set(theirs)):
        a, b = ours.get(key), theirs.get(key)
        if _plain(a) != _plain(b):
            changed.append(f"{key}: {_said(b)} in place of {_said(a)}")
    return ", ".join(changed)


def _plain(value: Any) -> Any:
    if isinstance(value, (np.generic, np.ndarray)):
        return value.tolist()
    if isinstance(value, tuple):
        return list(value)
    return value


def _said(value: Any) -> str:
    return "nothing" if value is None else json.dumps(_plain(value), ensure_ascii=False, default=str)
