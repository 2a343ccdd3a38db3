"""Model + scan -> the same scan on a regular grid of true coordinates."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from calib.alternate import alternates
from calib.errors import ModelError
from calib.locate import indicated_heights, position_uncertainty, positions, true_height
from calib.path import Path
from calib.resample import Interpolation, resample
from calib.scan import Scan
from calib.scanner.effect import Float
from calib.true_map import TrueMap, map_from, map_of

if TYPE_CHECKING:
    from calib.model import Model

_kept: dict[str, list[TrueMap]] = {}
_MOST_KEPT = 8

_LARGEST = 2**27  # points of a grid that anybody could want
_SAME = 1e-6  # of a step: what may be missing for the last point of a grid
_TOGETHER = 2  # channels that are interpolated in one go


@dataclass(frozen=True)
class TrueGrid:
    """A regular grid of true coordinates.

    Attributes
    ----------
    fast, slow
        About the middle, m, increasing.
    middle
        Of both along the scan's axes, m, relative to the centre of travel.
    pixel
        Mean true distance of pixels along both, m.
    """

    fast: Float
    slow: Float
    middle: tuple[float, float]
    pixel: tuple[float, float]

    @property
    def ratio(self) -> tuple[float, float]:
        """Steps over distances of pixels along rows and columns."""
        steps = (
            (self.slow[-1] - self.slow[0]) / (self.slow.size - 1),
            (self.fast[-1] - self.fast[0]) / (self.fast.size - 1),
        )
        return float(steps[0] / self.pixel[1]), float(steps[1] / self.pixel[0])


def correct(
    model: Model,
    scan: Scan,
    *,
    uncertainty: bool = False,
    any_scanner: bool = False,
    interpolation: Interpolation = "cubic",
    step: float | None = None,
) -> Scan:
    """See :meth:`calib.Model.correct`.

    All passes come on one grid, whose axes lie along the scan's nominal ones and whose steps are the pixels' mean true
    distances, if no other is asked for. ``centre_x, centre_y`` are the true position of the grid's centre relative to
    the centre of travel.
    """
    notes = list(model.check(scan, any_scanner=any_scanner))
    maps = true_maps(model, scan)
    source = _channels(model, scan, uncertainty)
    marks: dict[str, Any] = {"model_sha256": model.sha256}
    if interpolation != "cubic":
        marks["interpolation"] = interpolation
    return _on_grid(scan, maps, source, marks, notes, interpolation, step)


def true_maps(model: Model, scan: Scan) -> list[TrueMap]:
    """Return where the pixels of each pass were, along the axes of the scan.

    Raises
    ------
    ModelError
        If the model folds the scan over.
    """
    path, motion = Path(scan), model.motion
    (fx, fy), (sx, sy) = scan.axes
    leaning = any(effect.name == "squareness" for effect in motion.effects)
    if leaning and (heights := indicated_heights(scan)) is not None:
        # each pixel is displaced by its own height
        x, y = positions(motion, model.values, path, heights)
        return [map_from(np.stack([fx * one + fy * two, sx * one + sy * two])) for one, two in zip(x, y, strict=True)]

    # scans of an archive are often taken alike; maps of factors take little room
    key = json.dumps([model.sha256, path.to_dict()])
    if key in _kept:
        return _kept[key]

    def of(index: int) -> TrueMap:
        def coordinates(rows: np.ndarray, columns: np.ndarray) -> Float:
            found = np.empty((2, rows.size, columns.size))
            at_once = max(1, 40_000 // columns.size)
            for first in range(0, rows.size, at_once):
                some = rows[first : first + at_once]
                samples = path.samples(index, some[:, None], path.fast[columns][None, :])
                x, y = motion.position(path, samples, model.values).reshape(2, some.size, columns.size)
                found[0, first : first + at_once] = fx * x + fy * y
                found[1, first : first + at_once] = sx * x + sy * y
            return found

        return map_of((path.slow.size, path.fast.size), coordinates)

    maps = [of(index) for index in range(len(scan.passes))]
    if all(place.rest is None for place in maps):
        while len(_kept) >= _MOST_KEPT:
            del _kept[next(iter(_kept))]
        _kept[key] = maps
    return maps


def true_grid(maps: Sequence[TrueMap], step: float | None = None) -> TrueGrid:
    """Return the grid over all true coordinates.

    Parameters
    ----------
    step
        Between its points, m; by default the mean true distance of pixels along each axis.

    Raises
    ------
    ModelError
        If the grid would have less than two points along an axis, or too many.
    """
    fast, pixel_fast, middle_fast = _axis(maps, 0, step)
    slow, pixel_slow, middle_slow = _axis(maps, 1, step)
    if fast.size * slow.size > _LARGEST:
        raise ModelError(
            f"A grid of {slow.size} x {fast.size} points is larger than any scan: choose a larger step than {step} m."
        )
    return TrueGrid(fast, slow, (middle_fast, middle_slow), (pixel_fast, pixel_slow))


def _axis(maps: Sequence[TrueMap], axis: int, step: float | None) -> tuple[Float, float, float]:
    """Regular grid about zero, mean distance of pixels, and the middle."""
    edges, steps = [], []
    for place in maps:
        rows, columns = place.shape
        ends = place.columns(np.array([0, columns - 1]))[axis]
        outer = [place.lines(0, 1)[axis], place.lines(rows - 1, rows)[axis], ends]
        edges += [(float(part.min()), float(part.max())) for part in outer]
        if axis == 0:
            some = np.unique(np.linspace(0, rows - 1, min(rows, 64)).astype(int))
            parts = [np.diff(place.lines(row, row + 1)[0, 0]) for row in some]
        else:
            some = np.unique(np.linspace(0, columns - 1, min(columns, 64)).astype(int))
            parts = [np.diff(place.columns(some)[1], axis=0).ravel()]
        steps.append(np.concatenate(parts))
    low, high = min(edge[0] for edge in edges), max(edge[1] for edge in edges)
    pixel = float(np.median(np.concatenate(steps)))
    size = pixel if step is None else step
    if not size > 0 or (high - low) / size < 1:
        raise ModelError(f"The step {size:.3g} m is no part of the scan's {high - low:.3g} m: choose a smaller one.")
    if (high - low) / size > _LARGEST:
        raise ModelError(f"The step {size:.3g} m would need too many points: choose a larger one.")
    count = int(np.floor((high - low) / size + _SAME)) + 1
    half = size * (count - 1) / 2
    return np.linspace(-half, half, count), pixel, (low + high) / 2


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
    maps = [map_from(np.stack([fx * one + fy * two, sx * one + sy * two])) for one, two in zip(x, y, strict=True)]
    return _on_grid(scan, maps, channels, attributes, notes, "cubic", None)


def _on_grid(
    scan: Scan,
    maps: Sequence[TrueMap],
    channels: Mapping[str, tuple[Float, str]],
    attributes: Mapping[str, Any],
    notes: Sequence[str],
    interpolation: Interpolation,
    step: float | None,
) -> Scan:
    maps, ways = alternates(maps, scan.pattern)
    grid = true_grid(maps, step)
    fast, slow = grid.fast + grid.middle[0], grid.slow + grid.middle[1]
    ratio = grid.ratio if step is not None else (1.0, 1.0)
    found = {
        name: np.empty((len(maps), slow.size, fast.size), dtype=_kind(scan, name, values))
        for name, (values, _) in channels.items()
    }
    names = list(channels)
    unsettled = 0
    for index, (place, way) in enumerate(zip(maps, ways, strict=True)):
        # few at a time, since each takes an image of coefficients
        for first in range(0, len(names), _TOGETHER):
            some = names[first : first + _TOGETHER]
            images = [channels[name][0][index] for name in some]
            _, lost = resample(
                place,
                fast,
                slow,
                [values if way is None else way.lines(0, values, interpolation) for values in images],
                interpolation=interpolation,
                ratio=ratio,
                found=[found[name][index] for name in some],
            )
            unsettled += lost if first == 0 else 0
    said = list(notes)
    if unsettled:
        said.append(f"{unsettled} points have no data, since the map could not be inverted there")
    return scan.replace(
        channels=found,
        units={name: unit for name, (_, unit) in channels.items()},
        **described(scan, grid, attributes, said),
    )


def _kind(scan: Scan, name: str, values: Float) -> np.dtype[Any]:
    """Floats of the width that the file has: what was read in single precision is not written in double."""
    source = np.asarray(scan.channels.get(name, values))
    return source.dtype if source.dtype.kind == "f" and source.dtype.itemsize >= 4 else np.dtype(np.float64)


def described(scan: Scan, grid: TrueGrid, attributes: Mapping[str, Any], notes: Sequence[str]) -> dict[str, Any]:
    """Fields of a scan that are other than those of the source once it is on a true grid, but for the values."""
    (fx, fy), (sx, sy) = scan.axes
    kept = {**scan.attributes, **attributes}
    if "sha256" in kept:
        kept["source_sha256"] = kept.pop("sha256")
    if notes:
        kept["correction_notes"] = "; ".join(notes)
    centre_fast, centre_slow = grid.middle
    return {
        "fast": grid.fast,
        "slow": grid.slow,
        "centre_x": fx * centre_fast + sx * centre_slow,
        "centre_y": fy * centre_fast + sy * centre_slow,
        "previous_x": None,
        "previous_y": None,
        "z_centre": None,
        "frame_of_reference": "true",
        "attributes": kept,
    }


def _channels(model: Model, scan: Scan, uncertainty: bool) -> dict[str, tuple[Float, str]]:
    source: dict[str, tuple[Float, str]] = {
        name: (np.asarray(values), scan.units[name]) for name, values in scan.channels.items()
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
