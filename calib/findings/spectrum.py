"""The spectrum of a sheet: its outstanding peaks, and which of them are the pattern of the surface."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.findings.ranks import medians
from calib.findings.sheet import Float, Int, Sheet

SHARP = 0.3
"""Of a peak, three bins away from it, at most: the window leaves a pure wave nothing there."""

FEWEST_CYCLES = 3
"""A line; fewer are shape."""

_SIGNIFICANT = 6.0  # times the median around; the largest of a million bins of noise reaches 4.5 times
_BLOCK = 16  # bins, of which the median is taken
_MOST = 40  # peaks looked at
_PATTERN = 4.0  # times the noise is more than an interference that anybody would scan with
_SMALLEST = 16  # points along a side


@dataclass(frozen=True)
class Wave:
    """A wave: cycles a column and a row of the sheet, amplitude, and whether both passes bear witness."""

    sheet: Sheet
    kx: float
    ky: float
    size: float
    certain: bool

    @property
    def frequency(self) -> float:
        """The lowest frequency that makes it, Hz; NaN if there is no timing."""
        period = self.sheet.sweep_period
        rough = self.kx / self.sheet.pixel_time
        way = self.sheet.direction * (-1 if self.sheet.scan.frame == "down" else 1)
        return (
            float((np.rint(rough * period - way * self.ky) + way * self.ky) / period) if np.isfinite(period) else np.nan
        )


class Spectrum:
    """Amplitude spectrum of a sheet under a Hann window, with its outstanding peaks.

    Parameters
    ----------
    sheet
        Which.
    limits
        Of its values, robust: what is far beyond is cut off.
    noise
        Of a point, in the unit of the values.
    """

    def __init__(self, sheet: Sheet, limits: tuple[float, float], noise: float) -> None:
        from scipy import fft

        self.sheet, self.noise = sheet, noise
        values = sheet.picture
        good = np.isfinite(values)
        low, high = limits
        values = np.clip(values, low - (high - low), high + (high - low))
        values = np.where(good, values, 0.0)
        rows, columns = (np.linspace(-1, 1, n) for n in values.shape)
        share = max(float(good.mean()), 1e-9)
        mean = float(values.sum() / good.sum())
        values = np.where(good, values - mean, 0.0)
        # a plane, all but exactly; what is left of it the window takes away
        slope_row = float(rows @ values.sum(axis=1)) / (share * values.size / 3)
        slope_column = float(values.sum(axis=0) @ columns) / (share * values.size / 3)
        values -= np.where(good, slope_row * rows[:, None] + slope_column * columns[None, :], 0.0)
        self.spread = float(np.sqrt((values**2).mean() / share))
        window = np.hanning(rows.size + 2)[1:-1, None] * np.hanning(columns.size + 2)[None, 1:-1]
        self.amplitude: Float = np.abs(fft.rfft2(values * window)) / (0.5 * window.sum())
        self.shape = values.shape

    def background(self) -> Float:
        """Median around each bin: the largest of the block and its neighbours, of the shape of the spectrum."""
        from scipy import ndimage

        rows, columns = self.amplitude.shape
        down, across = -(-rows // _BLOCK), -(-columns // _BLOCK)
        padded = np.pad(self.amplitude, ((0, down * _BLOCK - rows), (0, across * _BLOCK - columns)), mode="reflect")
        blocks = padded.reshape(down, _BLOCK, across, _BLOCK).swapaxes(1, 2).reshape(down, across, -1)
        median = medians(blocks.reshape(down * across, -1)).reshape(down, across)
        median = ndimage.maximum_filter(median, size=3, mode=("wrap", "nearest"))
        return np.asarray(np.repeat(np.repeat(median, _BLOCK, 0), _BLOCK, 1)[:rows, :columns])

    @cached_property
    def peaks(self) -> tuple[Int, Int]:
        """Rows and columns of the outstanding peaks, the strongest first."""
        amplitude = self.amplitude
        likely = amplitude > _SIGNIFICANT * self.background()
        likely[:, :FEWEST_CYCLES] = False
        likely[:, -2:] = False
        rows, columns = np.nonzero(likely)
        if not rows.size:
            return rows, columns
        # only there is it asked whether they are the greatest of five by five; the first columns are not among them
        across = np.minimum(columns[:, None] + np.arange(-2, 3), amplitude.shape[1] - 1)
        tops = np.ones(rows.size, dtype=bool)
        for shift in range(-2, 3):
            down = (rows + shift) % amplitude.shape[0]
            tops &= amplitude[rows, columns] >= amplitude[down[:, None], across].max(axis=1)
        rows, columns = rows[tops], columns[tops]
        order = np.argsort(amplitude[rows, columns])[::-1][:_MOST]
        return rows[order], columns[order]

    def places(self) -> tuple[Float, Float]:
        """Cycles of the picture along (fast, slow) of the peaks, shape ``(2, peaks)``, and their amplitudes."""
        down, across = self.peaks
        rows = self.amplitude.shape[0]
        at = np.stack([across, np.where(down > rows / 2, down - rows, down)]).astype(np.float64)
        return at, self.amplitude[down, across]

    @cached_property
    def pattern(self) -> list[Float]:
        """Up to two waves of the pattern of the surface, in cycles of the picture along (fast, slow): strongest peaks.

        Empty if there is none, or the picture is too small.
        """
        if min(self.shape) < _SMALLEST:
            return []
        at, sizes = self.places()
        # a pattern along the lines has no cycles along the fast axis, and was left out of the peaks
        column = self.amplitude[: self.amplitude.shape[0] // 2, 0].copy()
        column[:FEWEST_CYCLES] = 0
        along = int(np.argmax(column))
        at = np.concatenate([at, [[0.0], [float(along)]]], axis=1)
        sizes = np.append(sizes, column[along])
        rows = self.amplitude.shape[0]
        sharp = np.array([self.is_sharp(int(r) % rows, int(c), size) for (c, r), size in zip(at.T, sizes, strict=True)])
        if not sharp.any():
            return []
        at, sizes = at[:, sharp], sizes[sharp]
        order = np.argsort(sizes)[::-1]
        at, sizes = at[:, order], sizes[order]
        # a pattern is strong, or it has harmonics; a wave in time is weak and alone
        first = at[:, 0]
        strong = sizes[0] > _PATTERN * self.noise
        if not strong and not _has_peak(at, 2 * first) and not _has_peak(at, 3 * first) and sizes.size < 4:
            return []
        for k in range(1, sizes.size):
            second = at[:, k]
            cross = abs(first[0] * second[1] - first[1] * second[0])
            across = cross > 0.3 * np.hypot(*first) * np.hypot(*second)
            if across and (_has_peak(at, first + second) or _has_peak(at, first - second)):
                return [first, second]
        return [first]

    def near(self, row: int, column: int, reach: int = 2) -> float:
        """Largest amplitude about a bin."""
        rows = np.arange(row - reach, row + reach + 1) % self.amplitude.shape[0]
        columns = slice(max(column - reach, 0), column + reach + 1)
        return float(self.amplitude[rows, columns].max())

    def around(self, row: int, column: int, inner: int, outer: int) -> float:
        """Largest amplitude between two distances from a bin, in bins."""
        rows, columns = self.amplitude.shape
        away = np.arange(-outer, outer + 1)
        across = column + away
        # the half that is not stored is the mirror image
        mirror = across < 0
        across = np.where(mirror, -across, across)
        keep = across < columns
        across, mirror = across[keep], mirror[keep]
        down = (row + away)[:, None] % rows
        down = np.where(mirror[None, :], -down % rows, down)
        patch = self.amplitude[down, np.broadcast_to(across, down.shape)]
        shape = (np.minimum(down, rows - down) <= FEWEST_CYCLES) & (across[None, :] <= FEWEST_CYCLES)
        patch = np.where(shape, 0.0, patch)
        distance = np.maximum(np.abs(away)[:, None], np.abs(away[keep])[None, :])
        return float(patch[(distance >= inner)].max())

    def is_sharp(self, row: int, column: int, size: float) -> bool:
        """Whether there is little three bins away from a peak of this size, as the window leaves of a pure wave."""
        return self.around(row, column, 3, 3) < SHARP * size

    def wave(self, row: int, column: int, certain: bool) -> Wave:
        """The wave that makes a peak, between the bins."""
        rows = self.amplitude.shape[0]

        def shift(low: float, middle: float, high: float) -> float:
            low, middle, high = (np.log(each + 1e-300) for each in (low, middle, high))
            bend = low - 2 * middle + high
            return float(np.clip(0.5 * (low - high) / bend, -1, 1)) if bend < 0 else 0.0

        a = self.amplitude
        d_row = shift(a[row - 1, column], a[row, column], a[(row + 1) % rows, column])
        d_column = shift(a[row, column - 1], a[row, column], a[row, column + 1])
        ky = (row + d_row) / self.shape[0]
        size = float(a[row, column]) * 2 ** (2 * (d_row**2 + d_column**2) / 2)  # half an offset loses 15 % each
        return Wave(
            self.sheet,
            (column + d_column) / self.shape[1],
            ky - round(ky),
            min(size, 2 * self.spread),
            certain,
        )


def _has_peak(at: Float, place: Float) -> bool:
    """Whether a peak lies within two bins of a place, or of its opposite."""
    away = [np.abs(at - (sign * place)[:, None]).max(axis=0).min() for sign in (1, -1)]
    return bool(min(away) <= 2)
