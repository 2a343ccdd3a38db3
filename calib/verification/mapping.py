"""x-y mapping deviation, linearity and straightness: where corrected nodes lie off the lattice that fits them.

Scale, skew, shift and rotation are taken out: the first two are characteristics of their own, the others nobody's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.locate import own_spread
from calib.scanner.effect import Float
from calib.standard import Grating
from calib.verification.affine import axis_of, conditions
from calib.verification.characteristic import Characteristic, Map, positive
from calib.verification.extremes import root_mean_square, without_noise
from calib.verification.seen import Seen

_NODES = 6  # that a cell of the map should hold
_FEWEST, _MOST = 3, 12  # cells along each side


@dataclass(frozen=True, eq=False)
class Field:
    """Deviations of nodes from their lattice.

    Attributes
    ----------
    axes
        Names of the components: ``x`` and ``y``, or the one that a grating tells.
    place
        True position, m, shape ``(2, nodes)``.
    pass_index
        Shape ``(nodes,)``.
    off, sd
        Deviation with its standard deviation by noise, m, shape ``(axes, nodes)``.
    roots
        By what it moves with each unknown of this scan alone, m, shape ``(axes, roots, nodes)``.
    """

    axes: tuple[str, ...]
    place: Float
    pass_index: np.ndarray
    off: Float
    sd: Float
    roots: Float

    def cells(self) -> Cells:
        """Return means over cells."""
        passes = int(self.pass_index.max()) + 1
        side = int(np.clip(np.sqrt(self.off.shape[1] / passes / _NODES), _FEWEST, _MOST))
        low, high = self.place.min(axis=1), self.place.max(axis=1)
        cell = ((self.place - low[:, None]) / np.maximum(high - low, 1e-300)[:, None] * side).astype(np.int64)
        column, row = np.clip(cell, 0, side - 1)
        label = (self.pass_index * side + row) * side + column
        used, label, count = np.unique(label, return_inverse=True, return_counts=True)
        mean = np.zeros((label.size, used.size))
        mean[np.arange(label.size), label] = 1 / count[label]
        return Cells(
            self.axes,
            self.place @ mean,
            used // side**2,
            used // side % side,
            used % side,
            self.off @ mean,
            np.sqrt(self.sd**2 @ mean**2),
            self.roots @ mean,
            count,
        )


@dataclass(frozen=True, eq=False)
class Cells:
    """Means of a :class:`Field` over cells: `place`, `off`, `sd`, `roots` as there, `count` nodes in each."""

    axes: tuple[str, ...]
    place: Float
    pass_index: np.ndarray
    row: np.ndarray
    column: np.ndarray
    off: Float
    sd: Float
    roots: Float
    count: np.ndarray

    def flat(self) -> tuple[Float, Float, Float]:
        """Return deviations, noise and roots of all components one after the other."""
        roots = np.moveaxis(self.roots, 0, 1)
        return self.off.ravel(), self.sd.ravel(), roots.reshape(len(roots), self.off.size)


def field_of(seen: Seen) -> Field | None:
    """Return the deviations of the nodes of a grid; of a grating only where it lies along an axis."""
    observation, model = seen.lateral, seen.model
    assert observation is not None
    path = observation.path
    samples = path.samples(observation.pass_index, observation.row, observation.fast)
    position = model.motion.position(path, samples, model.values)
    noise = np.einsum("nii->n", observation.covariance)
    frequency = np.linalg.norm(seen.lattice.frequency[0])
    weight = 1 / np.sqrt(noise + (model.misfit.lateral * frequency) ** 2)
    design = np.column_stack(
        [np.ones(observation.size), *(position - position.mean(axis=1, keepdims=True)) * frequency]
    )
    solve = np.linalg.pinv(design * weight[:, None]) * weight
    fitted = solve @ observation.periods
    reciprocal = fitted[1:].T * frequency
    if isinstance(seen.standard, Grating):
        along = reciprocal[0] / np.linalg.norm(reciprocal[0])
        axis = axis_of(float(np.arctan2(along[1], along[0])))
        if axis is None:
            return None
        axes: tuple[str, ...] = (axis,)
        towards = along[None] * np.sign(along["xy".index(axis)])
        back = towards @ along[:, None] / np.linalg.norm(reciprocal[0])
    else:
        axes, towards, back = ("x", "y"), np.eye(2), np.linalg.inv(reciprocal)
    roots = np.einsum("ac,crn->arn", towards, own_spread(model, path, samples))
    roots = roots - np.einsum("nk,ark->arn", design, np.einsum("kn,arn->ark", solve, roots))
    covariance = np.einsum("am,nmk,ak->an", back, observation.covariance, back)
    return Field(
        axes,
        position,
        observation.pass_index,
        -back @ (observation.periods - design @ fitted).T,
        np.sqrt(covariance),
        roots,
    )


def mapping(seen: Seen, field: Field) -> list[Characteristic]:
    """Return mapping deviation, linearity and straightness."""
    cells = field.cells()
    told = []
    if len(field.axes) == 2:
        nodes = field.off.shape[1]
        roots = np.moveaxis(field.roots, 0, 1).reshape(field.roots.shape[1], field.off.size)
        rms, parts = root_mean_square(field.off.ravel(), field.sd.ravel(), roots, nodes)
        told.append(_told(seen, "mapping_rms", rms, parts, map_of(seen, cells)))

        def largest(numbers: Float) -> Float:
            both = numbers.reshape(*numbers.shape[:-1], 2, -1)
            return np.asarray(np.hypot(both[..., 0, :], both[..., 1, :]).max(axis=-1))

        told.append(_told(seen, "mapping_largest", *without_noise(largest, *cells.flat())))
    for k, axis in enumerate(cells.axes):
        told.append(_linearity(seen, cells, k, axis))
    if len(field.axes) == 2:
        told += [one for axis in "xy" if (one := _straightness(seen, cells, axis)) is not None]
    return told


def map_of(seen: Seen, cells: Cells) -> Map:
    """Return the cells of a grid as a map for people and files."""

    def pair(both: Float) -> tuple[tuple[float, ...], tuple[float, ...]]:
        return tuple(map(float, both[0])), tuple(map(float, both[1]))

    passes = tuple(seen.scan.passes[index] for index in cells.pass_index)
    return Map(passes, pair(cells.place), pair(cells.off), pair(cells.sd), tuple(map(int, cells.count)))


def _linearity(seen: Seen, cells: Cells, k: int, axis: str) -> Characteristic:
    """Largest departure of the response along an axis from its line: the mean of all cells at one coordinate."""
    at = cells.column if axis == "x" else cells.row
    weight = np.stack([np.where(at == one, cells.count, 0) for one in np.unique(at)]).astype(np.float64)
    weight /= weight.sum(axis=1, keepdims=True)
    numbers, roots = weight @ cells.off[k], cells.roots[k] @ weight.T
    sd = np.sqrt(weight**2 @ cells.sd[k] ** 2)
    return _told(seen, f"linearity_{axis}", *without_noise(lambda n: np.abs(n).max(axis=-1), numbers, sd, roots))


def _straightness(seen: Seen, cells: Cells, axis: str) -> Characteristic | None:
    """Largest departure of a row of cells from its straight line, between its highest and its lowest place."""
    along, across, off = (cells.column, cells.row, 1) if axis == "x" else (cells.row, cells.column, 0)
    lines = []
    for which in np.unique(cells.pass_index * 1000 + across):
        line = np.flatnonzero(cells.pass_index * 1000 + across == which)
        if line.size >= 4:
            design = np.column_stack([np.ones(line.size), along[line]])
            lines.append((line, np.eye(line.size) - design @ np.linalg.pinv(design)))
    if not lines:
        return None

    def largest(numbers: Float) -> Float:
        return np.asarray(np.max([np.ptp(numbers[..., line] @ rest, axis=-1) for line, rest in lines], axis=0))

    told = without_noise(largest, cells.off[off], cells.sd[off], cells.roots[off])
    return _told(seen, f"straightness_{axis}", *told)


def _told(seen: Seen, name: str, value: float, parts: dict[str, float], field: Map | None = None) -> Characteristic:
    return Characteristic(
        name,
        value,
        positive(parts),
        (seen.label,),
        (seen.standard.name,),
        seen.independent,
        conditions=conditions(seen),
        notes=("places of single features of the standard count as the scanner's",),
        field=field,
    )
