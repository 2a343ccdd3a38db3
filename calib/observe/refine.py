"""Refine lattice coordinates on the pixels themselves.

The image is cut into tiles of about one period. In each, the template - folded from the whole pass, and moved by
what is already known of how the lattice coordinate varies - is fitted with an offset, a tilt, a gain and a shift
along each lattice direction, by weighted least squares (Gauss-Newton, one step a round). All harmonics contribute,
tiles at the border as much as any, and since tiles share no pixel their noise is independent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.errors import ScanError
from calib.observe.image import Image
from calib.observe.lattice import Lattice
from calib.observe.smooth import Surface
from calib.observe.template import Template
from calib.scanner.effect import Float

_MOST_TILES = 20
_POSITION_ERROR = 0.01  # periods that the moved template may be off within a tile


@dataclass(frozen=True)
class PassNodes:
    """Lattice coordinates at points of one pass.

    Attributes
    ----------
    row
        Row of the scan that each node lies on, shape ``(nodes,)``.
    fast
        Its fast coordinate, m.
    periods
        Lattice coordinates, shape ``(nodes, 1 or 2)``.
    covariance
        Of those, by the noise of the pixels; shape ``(nodes, m, m)``.
    at_end
        Lattice coordinates where the sweep turns, at the last pixel of each row used; shape ``(1 or 2, rows)``.
    contrast
        Part of the image's variance that the template explains.
    outliers
        Part of the pixels that got no weight.
    rejected
        Centres (fast, slow) of tiles that could not be used, shape ``(tiles, 2)``, m.
    """

    row: np.ndarray
    fast: Float
    periods: Float
    covariance: Float
    at_end: Float
    contrast: float
    outliers: float
    rejected: Float


def refine(image: Image, lattice: Lattice, periods: Float, use: np.ndarray, rounds: int = 3) -> PassNodes:
    """Fit the template in every tile.

    Parameters
    ----------
    image
        One pass.
    periods
        Lattice coordinates of all pixels, right to a fraction of a period; shape ``(1 or 2, slow, fast)``.
    use
        Rows of the image to be used, bool, shape ``(slow,)``.
    rounds
        How often the template is folded anew.

    Raises
    ------
    ScanError
        If the image has no such pattern in it.
    """
    tiles = _Tiles(image, lattice, use)
    values = image.flat(clip=False)[tiles.rows].ravel()
    good = image.good[tiles.rows].ravel()
    low, high = image.limits
    weights = (good & (values > low) & (values < high)).astype(np.float64)
    flat, gain = values, np.ones(tiles.count)
    sampling = float(lattice.periods.min()) / max(image.step_fast, image.step_slow)
    grid = periods[:, tiles.rows].reshape(len(periods), -1)
    for _ in range(rounds):
        template = Template.fold(grid, flat, weights * gain[tiles.label], sampling)
        # nodes count from the crest of the fundamental, wherever the fold has put it
        grid = grid - template.phase[:, None]
        template = template.centred()
        profile, slopes = template.at(grid)
        fit = _fit_tiles(tiles, values, weights, profile, slopes)
        if fit.usable.sum() < 6:
            raise ScanError(
                f"{image.label}: the pattern can't be followed over the image; is it a clean scan of the standard?"
            )
        gain = np.clip(fit.gain, 0.05, None)
        # the next round folds what is left after each tile's own offset, tilt and gain
        flat = (values - fit.background) / gain[tiles.label]
        weights = good * fit.robust
        at_nodes = grid[:, tiles.centre].T + fit.shift
        grid = grid + np.stack([s.grid(image.fast, image.slow[tiles.rows]).ravel() for s in _smooth(tiles, fit)])
    keep = fit.usable
    row, column = np.divmod(tiles.centre[keep], image.fast.size)
    turn = image.fast.size - 1
    lost = tiles.centre[~keep]
    return PassNodes(
        row=image.rows[tiles.rows[row]],
        fast=image.fast[column],
        periods=at_nodes[keep],
        covariance=fit.covariance[keep],
        at_end=grid.reshape(len(grid), tiles.rows.size, -1)[:, :, turn],
        contrast=fit.contrast,
        outliers=float(np.mean(weights[good] < 0.1)) if good.any() else 1.0,
        rejected=np.stack([image.fast[lost % (turn + 1)], image.slow[tiles.rows[lost // (turn + 1)]]], axis=1),
    )


def _smooth(tiles: _Tiles, fit: _Fit) -> list[Surface]:
    """The tiles' shifts as smooth functions over the pass, to move the template in the next round."""
    keep = fit.usable
    quality = 1 / (np.trace(fit.covariance[keep], axis1=1, axis2=2) + 1e-12)
    quality = np.minimum(quality, 20 * np.median(quality))
    fast, slow = tiles.place[0][keep], tiles.place[1][keep]
    degree = tiles.degree(int(keep.sum()))
    return [Surface.fit(fast, slow, shift, quality, degree, tiles.box) for shift in fit.shift[keep].T]


class _Tiles:
    """The image cut into tiles of about one period."""

    def __init__(self, image: Image, lattice: Lattice, use: np.ndarray) -> None:
        self.rows = np.nonzero(use)[0]
        self.columns = np.arange(image.fast.size)
        period = lattice.periods.max()
        slow = image.slow[self.rows]
        fast_count = _count(image.width, period)
        slow_count = _count(image.length * self.rows.size / image.slow.size, period)
        self.shape = (int(slow_count), int(fast_count))
        self.count = slow_count * fast_count
        in_row = np.minimum((np.arange(self.rows.size) * slow_count) // self.rows.size, slow_count - 1)
        in_column = np.minimum((self.columns * fast_count) // self.columns.size, fast_count - 1)
        self.label = (in_row[:, None] * fast_count + in_column[None, :]).ravel()
        middle_row = np.array([round(np.nonzero(in_row == k)[0].mean()) for k in range(slow_count)])
        middle_column = np.array([round(np.nonzero(in_column == k)[0].mean()) for k in range(fast_count)])
        self.centre = (middle_row[:, None] * self.columns.size + middle_column[None, :]).ravel()
        self.place = (np.tile(image.fast[middle_column], slow_count), np.repeat(slow[middle_row], fast_count))
        self.box = (float(image.fast[0]), float(image.fast[-1]), float(slow[0]), float(slow[-1]))
        tile_fast, tile_slow = image.width / fast_count, image.length / slow_count
        x = (image.fast[None, :] - image.fast[middle_column][in_column][None, :]) / tile_fast
        y = (slow[:, None] - slow[middle_row][in_row][:, None]) / tile_slow
        self.x = np.broadcast_to(x, (self.rows.size, self.columns.size)).ravel()
        self.y = np.broadcast_to(y, (self.rows.size, self.columns.size)).ravel()

    def degree(self, usable: int) -> int:
        """Degree of a surface that so many nodes bear."""
        most = min(7, int(min(self.shape)) - 1)
        while most > 1 and (most + 1) * (most + 2) / 2 > 0.4 * usable:
            most -= 1
        return most


def _count(length: float, period: float) -> int:
    periods = length / period
    return max(2, round(periods / float(np.ceil(periods / _MOST_TILES))))


@dataclass(frozen=True)
class _Fit:
    shift: Float
    covariance: Float
    gain: Float
    usable: np.ndarray
    background: Float
    robust: Float
    contrast: float


def _fit_tiles(tiles: _Tiles, values: Float, weights: Float, profile: Float, slopes: list[Float]) -> _Fit:
    """One weighted linear fit in every tile at once, then robust weights from its residuals."""
    label, count = tiles.label, tiles.count
    design = [np.ones_like(values), tiles.x, tiles.y, profile, *slopes]
    m = len(design)
    normal, right = np.empty((count, m, m)), np.empty((count, m))
    for i in range(m):
        weighted = weights * design[i]
        right[:, i] = np.bincount(label, weighted * values, count)
        for j in range(i, m):
            normal[:, i, j] = normal[:, j, i] = np.bincount(label, weighted * design[j], count)
    scale = np.sqrt(np.maximum(np.einsum("kii->ki", normal), 1e-300))
    scaled = normal / (scale[:, :, None] * scale[:, None, :]) + 1e-9 * np.eye(m)
    inverse = np.linalg.inv(scaled) / (scale[:, :, None] * scale[:, None, :])
    solution = np.einsum("kij,kj->ki", inverse, right)
    fitted = sum(solution[label, i] * design[i] for i in range(m))
    rest = values - fitted
    used = np.bincount(label, weights, count)
    spread2 = np.bincount(label, weights * rest**2, count) / np.maximum(used - m, 1)
    good_tile = used > 3 * m
    typical2 = float(np.median(spread2[good_tile])) if good_tile.any() else 0.0
    variance = np.maximum(spread2, 0.25 * typical2)
    gain = solution[:, 3]
    size = np.maximum(np.abs(gain), 1e-12)
    shift = solution[:, 4:] / size[:, None] * np.sign(gain)[:, None]
    covariance = inverse[:, 4:, 4:] * variance[:, None, None] / size[:, None, None] ** 2
    full = np.bincount(label, np.ones_like(values), count)
    sd = np.sqrt(np.maximum(np.einsum("kii->ki", covariance).max(axis=1), 0))
    usable = good_tile & (used > 0.4 * full) & (gain > 0.2) & (np.abs(shift).max(axis=1) < 0.3) & (sd < 0.1)
    # Tukey's biweight: dust and streaks get no weight at all; at edges of the pattern a small error of position counts
    steep = sum(slope**2 for slope in slopes) * _POSITION_ERROR**2
    middle2 = (1.48 * float(np.median(np.abs(rest[weights > 0])))) ** 2 if np.any(weights > 0) else 0.0
    reach = 5.0 * np.sqrt(np.maximum(middle2 + steep, 1e-300))
    robust = np.clip(1 - (rest / np.maximum(reach, 1e-300)) ** 2, 0, None) ** 2
    background = solution[label, 0] + solution[label, 1] * tiles.x + solution[label, 2] * tiles.y
    pattern = fitted - background
    explained = float(np.sum(weights * pattern**2))
    contrast = explained / (explained + float(np.sum(weights * rest**2)) + 1e-300)
    return _Fit(shift, covariance, gain, usable, np.asarray(background), robust, contrast)
