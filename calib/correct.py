"""Model + scan -> the same scan on a regular grid of true coordinates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from calib.locate import indicated_heights, position_uncertainty, positions, true_height
from calib.path import Path
from calib.resample import invert, sample
from calib.scan import Scan
from calib.scanner.effect import Float

if TYPE_CHECKING:
    from calib.model import Model


def correct(model: Model, scan: Scan, *, uncertainty: bool = False, any_scanner: bool = False) -> Scan:
    """See :meth:`calib.Model.correct`.

    All passes come on one grid, whose axes lie along the scan's nominal ones and whose steps are the pixels' mean true
    distances. ``centre_x, centre_y`` are the true position of the grid's centre relative to the centre of travel.
    """
    notes = list(model.check(scan, any_scanner=any_scanner))
    position = positions(model.motion, model.values, Path(scan), indicated_heights(scan))
    source = _channels(model, scan, uncertainty)
    return on_true_grid(scan, position, source, {"model_sha256": model.sha256}, notes)


def on_true_grid(
    scan: Scan,
    position: Float,
    channels: Mapping[str, tuple[Float, str]],
    attributes: Mapping[str, Any],
    notes: Sequence[str],
) -> Scan:
    """Return a scan on a regular grid of true coordinates, all passes on one.

    Parameters
    ----------
    position
        True position of all pixels, m, shape ``(2, pass, slow, fast)``.
    channels
        Values and unit of each.
    attributes, notes
        What is added to those of the scan.
    """
    (fx, fy), (sx, sy) = scan.axes
    x, y = position
    fast, slow = fx * x + fy * y, sx * x + sy * y
    grid_fast, centre_fast = _grid(fast, axis=2)
    grid_slow, centre_slow = _grid(slow, axis=1)
    maps = [invert(f, s, grid_fast + centre_fast, grid_slow + centre_slow) for f, s in zip(fast, slow, strict=True)]
    said = list(notes)
    if unsettled := sum(where.unsettled for where in maps):
        said.append(f"{unsettled} points have no data, since the map could not be inverted there")
    kept = {**scan.attributes, **attributes}
    if "sha256" in kept:
        kept["source_sha256"] = kept.pop("sha256")
    if said:
        kept["correction_notes"] = "; ".join(said)
    return scan.replace(
        channels={
            name: np.stack([sample(one, where) for one, where in zip(values, maps, strict=True)])
            for name, (values, _) in channels.items()
        },
        units={name: unit for name, (_, unit) in channels.items()},
        fast=grid_fast,
        slow=grid_slow,
        centre_x=fx * centre_fast + sx * centre_slow,
        centre_y=fy * centre_fast + sy * centre_slow,
        previous_x=None,
        previous_y=None,
        z_centre=None,
        frame_of_reference="true",
        attributes=kept,
    )


def _grid(coordinate: Float, axis: int) -> tuple[Float, float]:
    """Regular grid over all true coordinates, about their middle: (grid about zero, middle)."""
    low, high = float(np.min(coordinate)), float(np.max(coordinate))
    step = float(np.median(np.diff(coordinate, axis=axis)))
    count = int(np.floor((high - low) / step)) + 1
    half = step * (count - 1) / 2
    return np.linspace(-half, half, count), (low + high) / 2


def _channels(model: Model, scan: Scan, uncertainty: bool) -> dict[str, tuple[Float, str]]:
    source: dict[str, tuple[Float, str]] = {
        name: (np.asarray(values, dtype=np.float64), scan.units[name]) for name, values in scan.channels.items()
    }
    if scan.has_height:
        z, u_z = true_height(model, scan, uncertainty)
        source["height"] = (z, "m")
        if uncertainty:
            source["u_height"] = (u_z, "m")
    if uncertainty:
        u = position_uncertainty(model, Path(scan))
        source["u_x"], source["u_y"] = (u[0], "m"), (u[1], "m")
    return source
