"""Places in the image of a pass: where they truly were, and where the other pass shows the same piece of the sample.

Places are given as in an image: by fast and slow coordinate relative to the scan's centre, as commanded. Between two
lines everything is interpolated linearly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.locate import own_spread
from calib.model import Model
from calib.model_error import error_covariance, error_sd
from calib.path import Path, Samples
from calib.scan import Scan
from calib.scanner.effect import Float

_PATCH = 16  # pixels to either side of a place that are compared
_SMOOTH = 1.0  # pixels, so that an edge is no finer than the grid on which it is interpolated
_ENOUGH = 0.5  # part of a patch that must lie in both images, and least correlation of the two
_UNSURE = 0.5  # pixels; what can't be found to that is not found
_FARTHEST = 4.0  # pixels from where the model expects it


@dataclass(frozen=True, eq=False)
class Covariances:
    """Covariances of true positions of places by what they come from, m^2; each of shape ``(2, n, 2, n)``.

    Attributes
    ----------
    fit
        The model's parameters, certificates included.
    scan
        What is unknown of this scan alone: drift, and what went before.
    misfit
        The model's own error.
    jacobian
        Derivative of the positions by the model's parameters, shape ``(2, terms, n)``.
    """

    fit: Float
    scan: Float
    misfit: Float
    jacobian: Float

    def variance(self, gradient: Float) -> tuple[float, float, float]:
        """Variances (fit, scan, misfit) of something whose derivatives by the positions have shape ``(2, n)``."""
        found = (np.einsum("in,injm,jm", gradient, part, gradient) for part in (self.fit, self.scan, self.misfit))
        fit, scan, misfit = (max(float(variance), 0.0) for variance in found)
        return fit, scan, misfit


@dataclass(frozen=True, eq=False)
class Seen:
    """Places that were found again in another pass.

    Attributes
    ----------
    at
        Fast and slow coordinate in that pass, m; shape ``(2, n)``.
    covariance
        Of their true positions by the images and by the model between the structure and the place, m^2; shape
        ``(n, 2, 2)``.
    """

    at: Float
    covariance: Float


def true_positions(model: Model, path: Path, pass_index: np.ndarray, at: Float) -> Float:
    """True position of places, m; shape ``(2, n)``.

    Parameters
    ----------
    pass_index
        Shape ``(n,)``.
    at
        Fast and slow coordinate, m; shape ``(2, n)``.
    """
    samples, weights = _between_lines(path, pass_index, at)
    return np.asarray(model.motion.position(path, samples, model.values) @ weights.T)


def covariances(model: Model, path: Path, pass_index: np.ndarray, at: Float) -> Covariances:
    """Covariances of the true positions of places, which may lie in different passes."""
    samples, weights = _between_lines(path, pass_index, at)

    def of_places(covariance: Float) -> Float:
        return np.asarray(np.einsum("ns,isjt,mt->injm", weights, covariance, weights))

    J = model.motion.jacobian(samples, model.values, model.motion.shared(path, samples))
    fit = np.einsum("ips,pq,jqt->isjt", J, model.covariance, J)
    misfit = np.zeros_like(fit)
    for axis, own in enumerate(error_covariance(model, path, samples)):
        misfit[axis, :, axis] = own
    root = own_spread(model, path, samples)
    scan = np.einsum("irk,jrl->ikjl", root, root)
    by_values = np.einsum("ips,ns->ipn", J, weights)
    return Covariances(of_places(fit), of_places(scan), of_places(misfit), by_values)


def _between_lines(path: Path, pass_index: np.ndarray, at: Float) -> tuple[Samples, Float]:
    """Samples on the lines on either side of each place, and the weights ``(n, 2 n)`` that interpolate between them."""
    n = at.shape[1]
    last = path.slow.size - 1
    below = np.clip(np.searchsorted(path.slow, at[1], side="right") - 1, 0, max(last - 1, 0))
    above = np.minimum(below + 1, last)
    gap = path.slow[above] - path.slow[below]
    share = np.divide(at[1] - path.slow[below], gap, out=np.zeros(n), where=gap > 0)
    samples = path.samples(np.tile(pass_index, 2), np.concatenate([below, above]), np.tile(at[0], 2))
    return samples, np.hstack([np.diag(1 - share), np.diag(share)])


def find_again(model: Model, scan: Scan, path: Path, at: Float, source: int, target: int) -> Seen | None:
    """Find places of one pass in another one, by the picture around them.

    A feature lies at different pixels of trace and retrace. The model says where to look; a patch about each place is
    then moved until it fits (least squares with the gradients of the image, after Lucas and Kanade 1981).

    Parameters
    ----------
    at
        Fast and slow coordinate in the source pass, m; shape ``(2, n)``.
    source, target
        Indices of the passes.

    Returns
    -------
    Seen or None
        None if any place can't be found again: too little structure around it, or it lies outside.
    """
    found, spread = [], []
    for place in at.T:
        one = _find_one(model, scan, path, place, source, target)
        if one is None:
            return None
        found.append(one[0])
        spread.append(one[1])
    # structure near a place is found, not the place itself: from the one to the other it is the model that tells, and
    # much of its error changes over a fraction of a micrometre, in either pass its own way
    samples, weights = _between_lines(path, np.full(at.shape[1], source), at)
    near = 2 * (error_sd(model, path, samples) ** 2 @ weights.T)
    fine = np.einsum("in,ij->nij", near, np.eye(2))
    return Seen(np.stack(found, axis=1), np.stack(spread) + fine)


def _find_one(
    model: Model, scan: Scan, path: Path, place: Float, source: int, target: int
) -> tuple[Float, Float] | None:
    from scipy import ndimage

    pixel = np.array(scan.spacing)
    if min(scan.shape[1:]) < 2 * _PATCH:
        return None
    true, J_source = _local(model, path, source, place, pixel)
    guess = place.copy()
    for _ in range(4):
        seen, J = _local(model, path, target, guess, pixel)
        guess = guess + np.clip(np.linalg.solve(J, true - seen), -50 * pixel, 50 * pixel)
        if not _inside(scan, guess):
            return None
    _, J = _local(model, path, target, guess, pixel)
    steps = np.arange(-_PATCH, _PATCH + 1.0)
    offsets = np.stack([part.ravel() for part in np.meshgrid(steps, steps)]) * pixel[:, None]
    line = np.repeat(np.arange(steps.size), steps.size)
    there = np.linalg.solve(J, J_source @ offsets)
    pattern, known = _sampled(scan, source, place[:, None] + offsets)
    image, good = _filled(scan, target)
    image = ndimage.gaussian_filter(image, _SMOOTH)
    slopes = np.gradient(image)
    shift = np.zeros(2)
    covariance = np.eye(2)
    correlation = 0.0
    for _ in range(8):
        rows, columns, inside = _pixels(scan, guess[:, None] + there + (shift * pixel)[:, None])
        where = [rows, columns]
        use = known & inside & (ndimage.map_coordinates(good, where, order=1) > 0.99)
        if use.mean() < _ENOUGH:
            return None
        moved = ndimage.map_coordinates(image, where, order=1)[use]
        # d/d fast, d/d slow, an offset of the values
        design = np.stack(
            [*(ndimage.map_coordinates(slopes[k], where, order=1)[use] for k in (1, 0)), np.ones(use.sum())], axis=1
        )
        rest = pattern[use] - moved
        if not (np.ptp(pattern[use]) > 0 and np.ptp(moved) > 0) or np.linalg.matrix_rank(design) < 3:
            return None
        answer = np.linalg.lstsq(design, rest, rcond=None)[0]
        left = rest - design @ answer
        covariance = _spread(design, left, line[use])
        correlation = float(np.corrcoef(pattern[use], moved)[0, 1])
        change = np.clip(answer[:2], -1, 1)
        shift = shift + change
        if np.abs(shift).max() > _FARTHEST:
            return None
        if np.abs(change).max() < 1e-3:
            break
    if correlation < _ENOUGH or np.sqrt(np.diag(covariance).max()) > _UNSURE:
        return None
    found = guess + shift * pixel
    if not _inside(scan, found):
        return None
    through = J * pixel[None, :]
    return found, through @ covariance @ through.T


def _spread(design: Float, left: Float, line: np.ndarray) -> Float:
    """Covariance of the shift of a patch, pixels^2.

    What is left of it is alike along a line (streaks, displaced lines), so that only lines are independent: the
    covariance of clustered residuals, after Liang and Zeger 1986 (from memory). And an edge that is finer than a pixel
    is seen to within half a pixel in each line of each image, whatever is left.
    """
    inverse = np.linalg.inv(design.T @ design)
    count = int(line.max()) + 1
    by_line = np.zeros((count, 3))
    np.add.at(by_line, line, design * left[:, None])
    information = np.zeros((count, 3, 3))
    np.add.at(information, line, design[:, :, None] * design[:, None, :])
    within = np.einsum("lij,ljk->ik", information[:, :, :2], information[:, :2, :]) * 2 / 12
    seen = by_line.T @ by_line * count / max(count - 3, 1)
    return np.asarray((inverse @ (seen + within) @ inverse)[:2, :2])


def _local(model: Model, path: Path, pass_index: int, place: Float, pixel: Float) -> tuple[Float, Float]:
    """True position of a place and its derivatives by fast and slow coordinate."""
    steps = np.array([[0.0, 1, -1, 0, 0], [0.0, 0, 0, 1, -1]]) * pixel[:, None]
    true = true_positions(model, path, np.full(5, pass_index), place[:, None] + steps)
    J = np.stack([(true[:, 1] - true[:, 2]) / (2 * pixel[0]), (true[:, 3] - true[:, 4]) / (2 * pixel[1])], axis=1)
    return true[:, 0], J


def _inside(scan: Scan, place: Float) -> bool:
    return bool(scan.fast[0] <= place[0] <= scan.fast[-1] and scan.slow[0] <= place[1] <= scan.slow[-1])


def _pixels(scan: Scan, at: Float) -> tuple[Float, Float, np.ndarray]:
    """Row and column, with fractions, of places, and whether they lie in the image."""
    columns = np.interp(at[0], scan.fast, np.arange(scan.fast.size))
    rows = np.interp(at[1], scan.slow, np.arange(scan.slow.size))
    inside = (at[0] >= scan.fast[0]) & (at[0] <= scan.fast[-1]) & (at[1] >= scan.slow[0]) & (at[1] <= scan.slow[-1])
    return rows, columns, inside


def _filled(scan: Scan, pass_index: int) -> tuple[Float, Float]:
    values = np.asarray(scan.values[pass_index], dtype=np.float64)
    good = np.isfinite(values)
    return np.where(good, values, np.median(values[good]) if good.any() else 0.0), good.astype(np.float64)


def _sampled(scan: Scan, pass_index: int, at: Float) -> tuple[Float, np.ndarray]:
    from scipy import ndimage

    values, good = _filled(scan, pass_index)
    rows, columns, inside = _pixels(scan, at)
    whole = ndimage.map_coordinates(good, [rows, columns], order=1) > 0.99
    smooth = ndimage.gaussian_filter(values, _SMOOTH)
    return np.asarray(ndimage.map_coordinates(smooth, [rows, columns], order=1)), inside & whole
