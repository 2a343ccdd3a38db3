"""Where a model says that each pixel was, and how sure that is.

Position is known only up to a rigid motion of the whole scan: the origin and direction of the sample are nobody's.
So ``u_x, u_y`` are uncertainties relative to the frame's centre, after the rigid motion that any error shares has been
taken out. They sum the covariance of the fit, what is unknown of this scan alone (drift, what went before), and the
model's error as seen from scans that were left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calib import frames
from calib.arithmetic.roots import root_of
from calib.mesh import Mesh
from calib.model_error import error_covariance, error_sd
from calib.path import Path, Samples
from calib.scan import Scan
from calib.scanner import height as heights
from calib.scanner.effect import Float
from calib.scanner.height_history import History
from calib.scanner.motion import Motion, axes_matrix

if TYPE_CHECKING:
    from calib.model import Model

_CHUNK = 40_000


@dataclass(frozen=True)
class Located:
    """True position of every pixel.

    Attributes
    ----------
    x, y
        m, relative to the centre of travel, shape ``(pass, slow, fast)``; NaN where the observed channel has no data.
    z
        Height of the surface, m; NaN without heights.
    u_x, u_y, u_z
        Standard uncertainties (k = 1), m; NaN arrays if they were not asked for.
    notes
        Where the scan lies outside the model's domain.
    """

    x: Float
    y: Float
    z: Float
    u_x: Float
    u_y: Float
    u_z: Float
    notes: tuple[str, ...]


def locate(model: Model, scan: Scan, *, uncertainty: bool = True, any_scanner: bool = False) -> Located:
    """See :meth:`calib.Model.locate`."""
    notes = model.check(scan, any_scanner=any_scanner)
    path = Path(scan)
    position = positions(model.motion, model.values, path, indicated_heights(scan))
    missing = ~np.isfinite(scan.values)
    position[:, missing] = np.nan
    shape = scan.shape
    nothing = np.full(shape, np.nan)
    z, u_z = nothing, nothing
    if scan.has_height:
        z, u_z = true_height(model, scan, uncertainty)
        if model.height.history is not None and (missing_history := model.height.history.missing(path)):
            notes = (*notes, missing_history)
    u = np.full((2, *shape), np.nan)
    if uncertainty:
        u = position_uncertainty(model, path)
        u[:, missing] = np.nan
    return Located(position[0], position[1], z, u[0], u[1], u_z, notes)


def indicated_heights(scan: Scan) -> Float | None:
    """Indicated height of every pixel, m, about the middle of the z range or else of the pass; None without heights."""
    if not scan.has_height:
        return None
    heights = np.asarray(scan.height, dtype=np.float64)
    good = np.isfinite(heights)
    if scan.z_centre is not None:
        return np.where(good, heights + scan.z_centre, scan.z_centre)
    middle = float(heights[good].mean()) if good.any() else 0.0
    return np.where(good, heights - middle, 0.0)


def positions(motion: Motion, values: Float, path: Path, height: Float | None = None) -> Float:
    """True position of all pixels, m; shape ``(2, pass, slow, fast)``.

    Parameters
    ----------
    height
        Indicated height of every pixel, m, for scanners whose z is not square to x and y.
    """
    if not any(effect.name == "squareness" for effect in motion.effects):
        height = None
    passes, slow, fast = path.scan_shape
    result = np.empty((2, passes, slow, fast))
    rows = max(1, _CHUNK // fast)
    for index in range(passes):
        for first in range(0, slow, rows):
            part = slice(first, min(first + rows, slow))
            samples = path.lines(index, part, None if height is None else height[index, part])
            result[:, index, part] = motion.position(path, samples, values).reshape(2, -1, fast)
    return result


def true_height(model: Model, scan: Scan, uncertainty: bool) -> tuple[Float, Float]:
    """Height of the surface and its standard uncertainty, m; shape ``(pass, slow, fast)``.

    The uncertainty is that of the height above the mean of the pass. It leaves out the noise of the scan itself, and
    holds what is not known of the scanner's bow.
    """
    centred, middle = scan.z_centre is not None, scan.z_centre or 0.0
    path = Path(scan)
    across, along = model.height.bow_of(path)
    z = np.empty(scan.shape)
    rows = max(1, _CHUNK // scan.shape[2])
    for index in range(len(scan.passes)):
        for first in range(0, scan.shape[1], rows):
            part = slice(first, first + rows)
            indicated = np.asarray(scan.height[index, part], dtype=np.float64) + middle
            z[index, part] = model.height.true(indicated, centred) + across[part] @ along
    history = None
    if model.height.history is not None:
        history = model.height.history.history(np.asarray(scan.height, dtype=np.float64), path, scan.z_centre)
        z = z + history.added(model.height.values[model.height.of_history])
    u: Float = np.broadcast_to(np.nan, scan.shape)
    if uncertainty:
        u = np.empty(scan.shape)
        absolute = np.asarray(scan.height, dtype=np.float64) + middle
        bow = bow_uncertainty(model, path, path.at(*np.meshgrid(path.fast, path.slow)))
        for index in range(len(scan.passes)):
            good = np.isfinite(absolute[index])
            reference = float(absolute[index][good].mean()) if good.any() else 0.0
            level = _level_uncertainty(model, absolute[index], reference, centred, history, index)
            u[index] = np.hypot(level, bow)
    return z, u


def _level_uncertainty(
    model: Model, heights: Float, reference: float, centred: bool, history: History | None, index: int
) -> Float:
    """Of the heights of a pass above the reference, without the bow, m; shape ``(slow, fast)``."""
    if history is None:
        return model.height.uncertainty(heights, reference, centred)
    good = np.isfinite(heights)
    middles = np.array([image[good].mean() if good.any() else 0.0 for image in history.images(index)])
    u = np.empty(heights.shape)
    rows = max(1, _CHUNK // heights.shape[1])
    for first in range(0, len(heights), rows):
        part = slice(first, first + rows)
        shapes = np.stack(list(history.images((index, part)))) - middles[:, None, None]
        u[part] = model.height.uncertainty(heights[part], reference, centred, shapes)
    if history.missing:
        weights = model.height.values[model.height.of_history]
        u = np.hypot(u, history.operators.unknown_creep(weights) * (heights - reference))
    return u


def bow_uncertainty(model: Model, path: Path, position: Float) -> Float:
    """Of all pixels of a pass, shape ``(slow, fast)``; computed on a coarse mesh, since it is smooth."""
    if model.height.bow is None:
        return _presumed_bow(path, position)
    mesh = Mesh(path)
    coarse = model.height.bow_uncertainty(position[:, mesh.rows][:, :, mesh.columns].reshape(2, -1))
    return mesh.everywhere(coarse)


def bow_uncertainty_at(model: Model, path: Path, fast: Float, slow: Float) -> Float:
    """As :func:`bow_uncertainty`, at some commanded places of the scan; shape ``(n,)``."""
    if model.height.bow is None:
        return _presumed_bow(path, path.at(fast, slow))
    # of the whole frame, as it is the bow beside the plane through all of it
    mesh = Mesh(path)
    places = np.meshgrid(path.fast[mesh.columns], path.slow[mesh.rows])
    return mesh.at(model.height.bow_uncertainty(path.at(*places).reshape(2, -1)), fast, slow)


def _presumed_bow(path: Path, position: Float) -> Float:
    # a bow is at worst a paraboloid, zero in the middle and largest in the corners
    half = max(float(np.ptp(path.fast)), float(np.ptp(path.slow)), 1e-300) / 2
    apart2 = np.sum((position - path.centre.reshape(2, *[1] * (position.ndim - 1))) ** 2, axis=0)
    return np.asarray(heights.BOW * half * apart2 / half**2)


def position_uncertainty(model: Model, path: Path, rows: slice = slice(None), columns: slice = slice(None)) -> Float:
    """Standard uncertainties of x and y of all pixels, or some rows and columns, m; ``(2, pass, slow, fast)``."""
    mesh = Mesh(path)
    root = spread(model, path, mesh.samples)
    variance = np.sum(root**2, axis=1) + error_sd(model, path, mesh.samples) ** 2
    return mesh.of_passes(np.sqrt(variance), rows, columns)


def joint_covariance(model: Model, path: Path, samples: Samples) -> Float:
    """Covariance of true positions with all that is in it: fit, what is unknown of this scan alone, and model error.

    The rigid motion that all samples share is not taken out: it cancels in distances and angles.

    Returns
    -------
    Array of shape ``(2, samples, 2, samples)``, m^2.
    """
    root = spread(model, path, samples, gauge=False)
    covariance = np.einsum("irk,jrl->ikjl", root, root)
    for axis, own in enumerate(error_covariance(model, path, samples)):
        covariance[axis, :, axis] += own
    return np.asarray(covariance)


def spread(model: Model, path: Path, samples: Samples, *, gauge: bool = True) -> Float:
    """Square root of the covariance of true positions, without the model's error.

    Parameters
    ----------
    gauge
        Whether the rigid motion that all samples share is taken out.

    Returns
    -------
    Array of shape ``(2, roots, samples)``: ``root[i, :, k] @ root[j, :, l]`` is the covariance of coordinate i of
    sample k with coordinate j of sample l, m^2.
    """
    shared = model.motion.shared(path, samples)
    J = model.motion.jacobian(samples, model.values, shared)
    joined = np.concatenate(
        [np.einsum("icn,cp->ipn", J, root_of(model.covariance)), own_spread(model, path, samples)], axis=1
    )
    if gauge:
        take_out_rigid(joined, model.motion.actuator(samples, model.values, shared))
    return joined


def own_spread(model: Model, path: Path, samples: Samples) -> Float:
    """The part of :func:`spread` that is unknown of this scan alone: drift, and what went before; no gauge taken out.

    Returns
    -------
    Array of shape ``(2, roots, samples)``.
    """
    parts = [np.zeros((2, 0, samples.size))]
    through = axes_matrix(model.values)
    for acts_on, nuisances in model.motion.nuisances(path, samples):
        for coefficient, basis, sd in zip(
            nuisances.terms.coefficients, nuisances.terms.basis, nuisances.sd, strict=True
        ):
            along = through[:, coefficient.axis] if acts_on == "actuator" else np.eye(2)[:, coefficient.axis]
            parts.append((along[:, None] * basis * sd)[:, None, :])
    return np.concatenate(parts, axis=1)


def take_out_rigid(root: Float, position: Float) -> None:
    """Remove from every column the translation and rotation that fit it best."""
    x = position - position.mean(axis=1, keepdims=True)
    size2 = float(np.sum(x**2)) or 1.0
    root -= root.mean(axis=2, keepdims=True)
    turn = (x[0] * root[1] - x[1] * root[0]).sum(axis=1) / size2
    root[0] += turn[:, None] * x[1]
    root[1] -= turn[:, None] * x[0]


def mean_scale(model: Model, axis: int, size: float, line_period: float | None, rotation: float) -> tuple[float, float]:
    """See :meth:`calib.Model.scale`."""
    if line_period is None:
        line_period = frames.line_period(size, frames.middle_speed(model.domain))
    points = 64
    path = Path(frames.reference_frame(size, points, rotation=rotation, line_period=line_period))
    samples, _ = frames.lattice(path, np.arange(4, points - 4, 4), np.arange(0, points, 3))
    true = model.motion.position(path, samples, model.values)
    commanded = samples.position[axis] - samples.position[axis].mean()
    weights = commanded / float(commanded @ commanded)
    value = float(weights @ true[axis])
    root = spread(model, path, samples, gauge=False)
    u_fit = float(np.linalg.norm(root[axis] @ weights))
    u_error = float(np.sqrt(weights @ error_covariance(model, path, samples)[axis] @ weights))
    return value, float(np.hypot(u_fit, u_error))
