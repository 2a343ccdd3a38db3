"""Refine lattice coordinates on the pixels themselves.

The image is cut into tiles of about one period. In each, the template - folded from the whole pass, and moved by
what is already known of how the lattice coordinate varies - is fitted with an offset, a tilt, a gain and a shift
along each lattice direction, by weighted least squares (Gauss-Newton, one step a round). All harmonics contribute,
tiles at the border as much as any, and since tiles share no pixel their noise is independent. Only their zero is
common: the crest of the template's fundamental, which is less sure than the nodes are relative to each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.errors import ScanError
from calib.observe.background import common, hold
from calib.observe.image import Image
from calib.observe.lattice import Lattice
from calib.observe.smooth import Surface
from calib.observe.template import Template
from calib.scanner.effect import Float

_MOST_TILES = 20
_SPARSE, _DENSE = 0.65, 2.2  # places in the period that are counted on, over pixels a period
_OF_A_GRID = 10.0  # at most, along each coordinate, where they are not dense
_ENOUGH_PLACES, _OCCUPIED = 32, 0.9
_FULL_WEIGHT, _NO_WEIGHT = 3.5, 5.0  # standard deviations within and beyond which pixels have it
_EXACT = 1e-12  # periods; no node is surer, in images without noise either
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
        Of those, by the noise of the pixels; shape ``(nodes, m, m)``. Without the noise of their common zero.
    zero
        Covariance that all pairs of nodes share on top of that: of their common zero, shape ``(m, m)``.
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
    zero: Float
    at_end: Float
    contrast: float
    outliers: float
    rejected: Float


def refine(
    image: Image, lattice: Lattice, periods: Float, use: np.ndarray, rounds: int = 3, known: bool = False
) -> PassNodes:
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
    known
        Whether a model says how the lattice coordinates vary, rather than coarse phases that have been smoothed.

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
    pixels = float(lattice.periods.min()) / max(image.step_fast, image.step_slow)
    grid = periods[:, tiles.rows].reshape(len(periods), -1)
    for number in range(rounds):
        sampling = _sampling(tiles, grid, pixels, known, first=number == 0)
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
        at_nodes = grid[:, fit.centre].T + fit.shift
        grid = grid + np.stack([s.grid(image.fast, image.slow[tiles.rows]).ravel() for s in _smooth(tiles, fit)])
    keep = fit.usable
    row, column = np.divmod(fit.centre[keep], image.fast.size)
    turn = image.fast.size - 1
    lost = fit.centre[~keep]
    return PassNodes(
        row=image.rows[tiles.rows[row]],
        fast=image.fast[column],
        periods=at_nodes[keep],
        covariance=fit.covariance[keep],
        zero=_zero(template, fit.noise2 / float(weights @ gain[tiles.label] ** 2), fit.covariance[keep]),
        at_end=grid.reshape(len(grid), tiles.rows.size, -1)[:, :, turn],
        contrast=fit.contrast,
        outliers=float(np.mean(weights[good] < 0.1)) if good.any() else 1.0,
        rejected=np.stack([image.fast[lost % (turn + 1)], image.slow[tiles.rows[lost // (turn + 1)]]], axis=1),
    )


def _sampling(tiles: _Tiles, grid: Float, pixels: float, known: bool, first: bool) -> float:
    """Places in the period that harmonics may count on.

    Over a whole image these are nearly always more than there are pixels in a period. But within a few periods, high
    harmonics may look like a slow drift of the lattice coordinate. Where the drift is known, leaving them out would
    make one up; where it is not, it would stay in them, so that they must be told apart within few periods. Where all
    periods are sampled alike, harmonics end at half the sampling.
    """
    count = int(min(2 * pixels, _ENOUGH_PLACES))
    if _dense(grid, count) if known else not first and _dense(grid[:, tiles.middle_ones], count):
        return _DENSE * pixels
    if len(grid) == 2:
        return min(pixels, _OF_A_GRID)
    return _SPARSE * pixels if first or known else pixels


def _zero(template: Template, noise2: float, covariance: Float) -> Float:
    """Covariance of the common zero of nodes that have a covariance of their own, shape ``(m, m)``.

    The mean of the nodes lies as the fundamental of all pixels does: its crest has the variance ``2 s²/A²`` (rad², Kay
    1993), where `noise2` is s², the noise of a mean over all pixels. Of that, the noise of single nodes has its part in
    their mean already.
    """
    crest = np.diag(2 * noise2 / (2 * np.pi * template.amplitude) ** 2)
    mean = np.linalg.inv(np.sum(np.linalg.inv(covariance + _EXACT**2 * np.eye(len(crest))), axis=0))
    values, vectors = np.linalg.eigh(crest - mean)
    return np.asarray(vectors * np.maximum(values, 0.0) @ vectors.T)


def _smooth(tiles: _Tiles, fit: _Fit) -> list[Surface]:
    """The tiles' shifts as smooth functions over the pass, to move the template in the next round."""
    keep = fit.usable
    quality = 1 / (np.trace(fit.covariance[keep], axis1=1, axis2=2) + 1e-12)
    quality = np.minimum(quality, 20 * np.median(quality))
    row, column = np.divmod(fit.centre[keep], tiles.columns.size)
    fast, slow = tiles.fast[column], tiles.slow[row]
    degree = tiles.degree(int(keep.sum()))
    return [Surface.fit(fast, slow, shift, quality, degree, tiles.box, only_needed=True) for shift in fit.shift[keep].T]


def _dense(grid: Float, count: int) -> bool:
    """Whether pixels fall on so many places in the period, along each coordinate.

    Nearly all cells of a period, divided into that many along each coordinate, must hold a pixel.
    """
    cell = np.minimum((grid % 1.0 * count).astype(np.int64), count - 1)
    index = cell[0] if len(cell) == 1 else cell[0] * count + cell[1]
    total = count ** len(cell)
    return bool(np.count_nonzero(np.bincount(index, minlength=total)) > _OCCUPIED * total)


class _Tiles:
    """The image cut into tiles of about one period."""

    def __init__(self, image: Image, lattice: Lattice, use: np.ndarray) -> None:
        self.rows = np.nonzero(use)[0]
        self.columns = np.arange(image.fast.size)
        period = lattice.periods.max()
        self.fast, self.slow = image.fast, image.slow[self.rows]
        slow = self.slow
        fast_count = _count(image.width, period)
        slow_count = _count(image.length * self.rows.size / image.slow.size, period)
        self.shape = (int(slow_count), int(fast_count))
        self.count = slow_count * fast_count
        in_row = np.minimum((np.arange(self.rows.size) * slow_count) // self.rows.size, slow_count - 1)
        in_column = np.minimum((self.columns * fast_count) // self.columns.size, fast_count - 1)
        self.label = (in_row[:, None] * fast_count + in_column[None, :]).ravel()
        self.spans = (_spans(in_row, slow_count), _spans(in_column, fast_count))
        middle_row, middle_column = (np.rint(span.mean(axis=0)).astype(np.int64) for span in self.spans)
        self.middle = (middle_row, middle_column)
        self.place = (np.tile(image.fast[middle_column], slow_count), np.repeat(slow[middle_row], fast_count))
        self.box = (float(image.fast[0]), float(image.fast[-1]), float(slow[0]), float(slow[-1]))
        tile_fast, tile_slow = image.width / fast_count, image.length / slow_count
        self.length = (tile_slow, tile_fast)
        self.size = (tile_slow / image.step_slow, tile_fast / image.step_fast)
        x = (image.fast[None, :] - image.fast[middle_column][in_column][None, :]) / tile_fast
        y = (slow[:, None] - slow[middle_row][in_row][:, None]) / tile_slow
        self.x = np.broadcast_to(x, (self.rows.size, self.columns.size)).ravel()
        self.y = np.broadcast_to(y, (self.rows.size, self.columns.size)).ravel()

    def pixels(self, x: Float, y: Float) -> np.ndarray:
        """The pixel nearest to a place in each tile, counted from its middle in sizes of a tile; shape ``(tiles,)``."""
        at = []
        for place, size, middle, span, shape in (
            (y, self.size[0], self.middle[0][:, None], self.spans[0][:, :, None], self.shape),
            (x, self.size[1], self.middle[1][None, :], self.spans[1][:, None, :], self.shape),
        ):
            moved = middle + np.rint(np.nan_to_num(place).reshape(shape) * size).astype(np.int64)
            at.append(np.clip(moved, span[0], span[1]))
        return np.asarray(at[0] * self.columns.size + at[1]).ravel()

    @property
    def middle_ones(self) -> np.ndarray:
        """Which pixels lie in the tiles in the middle of the image, bool, shape ``(pixels,)``."""
        row, column = np.divmod(self.label, self.shape[1])
        return np.asarray(
            (np.abs(row - self.shape[0] // 2) <= 1) & (np.abs(column - self.shape[1] // 2) <= 1), dtype=np.bool_
        )

    def degree(self, usable: int) -> int:
        """Degree of a surface that so many nodes bear."""
        most = min(7, int(min(self.shape)) - 1)
        while most > 1 and (most + 1) * (most + 2) / 2 > 0.4 * usable:
            most -= 1
        return most


def _spans(label: np.ndarray, count: int) -> np.ndarray:
    """First and last index of each label of a sorted list, shape ``(2, count)``."""
    numbers = np.arange(count)
    return np.stack([np.searchsorted(label, numbers), np.searchsorted(label, numbers, side="right") - 1])


def _count(length: float, period: float) -> int:
    periods = length / period
    return max(2, round(periods / float(np.ceil(periods / _MOST_TILES))))


@dataclass(frozen=True)
class _Fit:
    centre: np.ndarray
    shift: Float
    covariance: Float
    gain: Float
    usable: np.ndarray
    background: Float
    robust: Float
    contrast: float
    noise2: float


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
    used = np.asarray(np.bincount(label, weights, count), dtype=np.float64)
    good_tile = used > 3 * m
    square = np.asarray(np.bincount(label, weights * values**2, count), dtype=np.float64)
    normal, right = _hold_backgrounds(tiles, normal, right, square, used)
    inverse = _inverse(normal)
    solution = np.einsum("kij,kj->ki", inverse, right)
    fitted = sum(solution[label, i] * design[i] for i in range(m))
    rest = values - fitted
    spread2 = np.bincount(label, weights * rest**2, count) / np.maximum(used - m, 1)
    typical2 = float(np.median(spread2[good_tile])) if good_tile.any() else 0.0
    variance = np.maximum(spread2, 0.25 * typical2)
    gain = solution[:, 3]
    size = np.maximum(np.abs(gain), 1e-12)
    shift = solution[:, 4:] / size[:, None] * np.sign(gain)[:, None]
    covariance = inverse[:, 4:, 4:] * variance[:, None, None] / size[:, None, None] ** 2
    full = np.bincount(label, np.ones_like(values), count)
    sd = np.sqrt(np.maximum(np.einsum("kii->ki", covariance).max(axis=1), 0))
    usable = good_tile & (used > 0.4 * full) & (gain > 0.2) & (np.abs(shift).max(axis=1) < 0.3) & (sd < 0.1)
    # dust and streaks get no weight at all, noise gets all of it; at edges of the pattern a small error of position
    # counts
    steep = sum(slope**2 for slope in slopes) * _POSITION_ERROR**2
    middle2 = (1.48 * float(np.median(np.abs(rest[weights > 0])))) ** 2 if np.any(weights > 0) else 0.0
    far = np.abs(rest) / np.sqrt(np.maximum(middle2 + steep, 1e-300))
    robust = np.clip((_NO_WEIGHT - far) / (_NO_WEIGHT - _FULL_WEIGHT), 0, 1)
    background = solution[label, 0] + solution[label, 1] * tiles.x + solution[label, 2] * tiles.y
    pattern = fitted - background
    explained = float(np.sum(weights * pattern**2))
    left = float(np.sum(weights * rest**2))
    contrast = explained / (explained + left + 1e-300)
    noise2 = left / max(float(np.sum(weights)) - m * count, 1.0)
    centre = tiles.pixels(*_centres(tiles, weights, design, slopes, inverse))
    return _Fit(centre, shift, covariance, gain, usable, np.asarray(background), robust, contrast, noise2)


def _inverse(normal: Float) -> Float:
    scale = np.sqrt(np.maximum(np.einsum("kii->ki", normal), 1e-300))
    both = scale[:, :, None] * scale[:, None, :]
    return np.asarray(np.linalg.inv(normal / both + 1e-9 * np.eye(normal.shape[1])) / both)


def _hold_backgrounds(tiles: _Tiles, normal: Float, right: Float, square: Float, used: Float) -> tuple[Float, Float]:
    """Normal equations with offset and tilt of each tile held to what all tiles show."""
    m = normal.shape[1]
    inverse = _inverse(normal)
    own = np.einsum("kij,kj->ki", inverse, right)
    noise2 = np.maximum(square - np.einsum("ki,ki->k", own, right), 0.0) / np.maximum(used - m, 1)
    good = used > 3 * m
    variance = np.einsum("kii->ki", inverse) * noise2[:, None]
    surface = common(own[:, 0], variance[:, 0], good, tiles.place, tiles.box)
    if surface is None:
        return normal, right
    # a tilt that all tiles share, and the opposite one of the template, add up to nothing where all tiles begin at the
    # same place in the period: their offsets alone say how the background slants
    by_fast, by_slow = (slope.at(*tiles.place) for slope in surface.slopes())
    normal, right = normal.copy(), right.copy()
    for i, towards in enumerate((surface.at(*tiles.place), by_fast * tiles.length[1], by_slow * tiles.length[0])):
        precision = hold(own[:, i], variance[:, i], good, towards)
        normal[:, i, i] += precision * noise2
        right[:, i] += precision * noise2 * towards
    return normal, right


def _centres(
    tiles: _Tiles, weights: Float, design: list[Float], slopes: list[Float], inverse: Float
) -> tuple[Float, Float]:
    """Where in each tile the shift is that was found there, counted from its middle in sizes of a tile.

    The template may be stretched a little within a tile, by what moved it so far. The shift found is then that of the
    place where the pattern's edges lie, and not that of the middle: there the stretch would count as an error, and as
    one that neighbours share.
    """
    found = []
    for along in (tiles.x, tiles.y):
        sums = np.zeros(tiles.count)
        for j, slope in enumerate(slopes):
            moment = weights * slope * along
            for k, column in enumerate(design):
                sums += inverse[:, 4 + j, k] * np.bincount(tiles.label, moment * column, tiles.count)
        found.append(sums / len(slopes))
    return found[0], found[1]
