"""Periodic interference: a wave in time, which the raster draws as stripes.

It differs from what is on the sample in three ways. Its stripes lean one way in the trace and the other way in the
retrace, since the probe comes back; a pattern of the sample leans the same way in both. It is a perfectly straight wave
in the grid of the pixels, where the scanner's own errors bend a pattern. And it has no harmonics that fit the
pattern's.
The phase from line to line tells its frequency to a small part of the line frequency.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.findings.finding import Finding
from calib.findings.samples import Statistics
from calib.findings.sheet import Float, Int, Sheet
from calib.findings.text import value
from calib.units import show

_SIGNIFICANT = 6.0  # times the median around; the largest of a million bins of noise reaches 4.5 times
_BLOCK = 16  # bins, of which the median is taken
_FEWEST_CYCLES = 3  # a line; fewer are shape
_SHARP = 0.3  # of the peak, three bins away from it: the window leaves a pure wave nothing there
_STANDS_OUT = 2.5  # times the next order of a pattern
_ORDERS = 10  # of a pattern, that are looked at
_BENT = 0.02  # of their distance from zero, by which orders may be out of place in a picture by a bending scanner
_MOST = 40  # peaks looked at
_PATTERN = 4.0  # times the noise is more than an interference that anybody would scan with


def interference(all_statistics: Sequence[Statistics]) -> Iterator[Finding]:
    """Yield the strongest periodic interference."""
    spectra = [_Spectrum(each) for each in all_statistics if not each.empty and not each.alike]
    if not spectra or min(spectra[0].amplitude.shape) < 16:
        return
    alone = False
    if len(spectra) == 2 and spectra[0].shape == spectra[1].shape:
        wave = _leaning(*spectra) or _upright(*spectra)
    else:
        wave = next((found for each in spectra for found in _foreign(each)), None)
        alone = True
    if wave is None:
        return
    sheet, scan = wave.sheet, wave.sheet.scan
    frequency = wave.frequency
    if np.isfinite(frequency):
        words = f"{show(frequency, 'Hz')} (or an alias, {show(1 / sheet.pixel_time - frequency, 'Hz')} and so on)"
    else:
        words = f"{wave.kx * scan.fast.size:.4g} cycles a line (the scan has no timing to tell the frequency)"
    yield Finding(
        kind="interference",
        severity="note" if alone else "warning",  # one sheet can't tell it from what is on the sample
        message=f"A wave of {words} with an amplitude of {value(wave.size, scan.units.get(scan.channel, ''))} runs "
        "through the scan, in time and not on the sample"
        + ("." if wave.certain else ", unless the sample has a fine regular pattern of its own."),
        advice="Look for the source: mains, pumps, screens, ground loops, acoustic noise. Or change the speed, so that "
        "it falls away from the pattern.",
        effect="Heights are uncertain by its amplitude; a wave near the period of the pattern displaces it.",
        passes=tuple(scan.passes),
    )


@dataclass(frozen=True)
class _Wave:
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


class _Spectrum:
    """Amplitude spectrum of a sheet under a Hann window, with its outstanding peaks."""

    def __init__(self, statistics: Statistics) -> None:
        from scipy import fft

        self.statistics = statistics
        values = statistics.sheet.picture
        good = np.isfinite(values)
        low, high = statistics.limits
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

    @cached_property
    def background(self) -> Float:
        """Median around each bin: the largest of the block and its neighbours, of the shape of the spectrum."""
        from scipy import ndimage

        rows, columns = self.amplitude.shape
        down, across = -(-rows // _BLOCK), -(-columns // _BLOCK)
        padded = np.pad(self.amplitude, ((0, down * _BLOCK - rows), (0, across * _BLOCK - columns)), mode="reflect")
        blocks = padded.reshape(down, _BLOCK, across, _BLOCK).swapaxes(1, 2).reshape(down, across, -1)
        median = np.median(blocks, axis=2)
        median = ndimage.maximum_filter(median, size=3, mode=("wrap", "nearest"))
        return np.asarray(np.repeat(np.repeat(median, _BLOCK, 0), _BLOCK, 1)[:rows, :columns])

    @cached_property
    def peaks(self) -> tuple[Int, Int]:
        """Rows and columns of the outstanding peaks, the strongest first."""
        from scipy import ndimage

        amplitude = self.amplitude
        likely = amplitude > _SIGNIFICANT * self.background
        likely[:, :_FEWEST_CYCLES] = False
        likely[:, -2:] = False
        rows, columns = np.nonzero(likely)
        if not rows.size:
            return rows, columns
        top = ndimage.maximum_filter(amplitude, size=5, mode=("wrap", "nearest"))[rows, columns]
        tops = amplitude[rows, columns] >= top
        rows, columns = rows[tops], columns[tops]
        order = np.argsort(amplitude[rows, columns])[::-1][:_MOST]
        return rows[order], columns[order]

    def places(self) -> tuple[Float, Float]:
        """Cycles of the picture along (fast, slow) of the peaks, shape ``(2, peaks)``, and their amplitudes."""
        down, across = self.peaks
        rows = self.amplitude.shape[0]
        at = np.stack([across, np.where(down > rows / 2, down - rows, down)]).astype(np.float64)
        return at, self.amplitude[down, across]

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
        shape = (np.minimum(down, rows - down) <= _FEWEST_CYCLES) & (across[None, :] <= _FEWEST_CYCLES)
        patch = np.where(shape, 0.0, patch)
        distance = np.maximum(np.abs(away)[:, None], np.abs(away[keep])[None, :])
        return float(patch[(distance >= inner)].max())

    def wave(self, row: int, column: int, certain: bool) -> _Wave:
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
        return _Wave(
            self.statistics.sheet,
            (column + d_column) / self.shape[1],
            ky - round(ky),
            min(size, 2 * self.spread),
            certain,
        )


def _leaning(first: _Spectrum, second: _Spectrum) -> _Wave | None:
    """The strongest wave that leans one way in one sheet and the other way in the other."""
    rows = first.amplitude.shape[0]
    for row, column in zip(*(axis.tolist() for axis in first.peaks), strict=True):
        if _is_upright(row, rows):
            continue
        mirror = -row % rows
        size, its_mirror = first.near(row, column, 1), second.near(mirror, column)
        same, own_mirror = second.near(row, column), first.near(mirror, column, 1)
        # what either shows where it should not is some tail of the surface
        if (
            0.5 < its_mirror / size < 2
            and same < 0.35 * size
            and own_mirror < 0.35 * its_mirror
            and first.around(row, column, 3, 3) < _SHARP * size
        ):
            return first.wave(row, column, certain=True)
    return None


def _is_upright(row: int, rows: int) -> bool:
    """Whether stripes lean neither way: a whole number of cycles, or of half cycles, to a line."""
    return min(row % rows, -row % rows, abs(row - rows // 2)) < 4


def _upright(first: _Spectrum, second: _Spectrum) -> _Wave | None:
    """A wave in step with the lines: upright, foreign to the pattern, and the same in both sheets."""
    rows = first.amplitude.shape[0]
    others = [(wave.kx, wave.size) for wave in _foreign(second)]
    for wave in _foreign(first):
        row = round(wave.ky * rows) % rows
        alike = any(abs(kx - wave.kx) * first.shape[1] < 0.5 and 0.7 < size / wave.size < 1.4 for kx, size in others)
        if _is_upright(row, rows) and alike:
            return wave
    return None


def _foreign(spectrum: _Spectrum) -> Iterator[_Wave]:
    """Sharp peaks that are no order of a pattern and stand out among its bent ones; the strongest first."""
    peaks = np.stack(spectrum.peaks)
    if not peaks.size:
        return
    at, sizes = spectrum.places()
    base = _pattern(spectrum, at, sizes)
    spacing = min((float(np.hypot(*vector)) for vector in base), default=0.0)
    for k in range(sizes.size):
        row, column = int(peaks[0, k]), int(peaks[1, k])
        if spectrum.around(row, column, 3, 3) > _SHARP * sizes[k]:
            continue
        if base and _is_order(at[:, k], base, spectrum.shape):
            continue
        reach = int(np.clip(1.2 * spacing, 10, 60)) if base else 10
        if spectrum.around(row, column, 4, reach) * _STANDS_OUT < sizes[k]:
            yield spectrum.wave(row, column, certain=False)


def pattern_of(statistics: Statistics) -> list[Float]:
    """Up to two waves of the pattern of a sheet, in cycles of its picture along (fast, slow); empty without one."""
    if min(statistics.sheet.picture.shape) < 16:
        return []
    spectrum = _Spectrum(statistics)
    at, sizes = spectrum.places()
    return _pattern(spectrum, at, sizes)


def _pattern(spectrum: _Spectrum, at: Float, sizes: Float) -> list[Float]:
    """Up to two vectors of the pattern of the surface, in bins (column, row): its strongest peaks."""
    # a pattern along the lines has no cycles along the fast axis, and was left out of the peaks
    column = spectrum.amplitude[: spectrum.amplitude.shape[0] // 2, 0].copy()
    column[:_FEWEST_CYCLES] = 0
    along = int(np.argmax(column))
    at = np.concatenate([at, [[0.0], [float(along)]]], axis=1)
    sizes = np.append(sizes, column[along])
    rows = spectrum.amplitude.shape[0]
    sharp = np.array(
        [spectrum.around(int(r) % rows, int(c), 3, 3) < _SHARP * size for (c, r), size in zip(at.T, sizes, strict=True)]
    )
    if not sharp.any():
        return []
    at, sizes = at[:, sharp], sizes[sharp]
    order = np.argsort(sizes)[::-1]
    at, sizes = at[:, order], sizes[order]
    # a pattern is strong, or it has harmonics; a wave in time is weak and alone
    first = at[:, 0]
    strong = sizes[0] > _PATTERN * spectrum.statistics.noise
    if not strong and not _has_peak(at, 2 * first) and not _has_peak(at, 3 * first) and sizes.size < 4:
        return []
    for k in range(1, sizes.size):
        second = at[:, k]
        cross = abs(first[0] * second[1] - first[1] * second[0])
        across = cross > 0.3 * np.hypot(*first) * np.hypot(*second)
        if across and (_has_peak(at, first + second) or _has_peak(at, first - second)):
            return [first, second]
    return [first]


def _has_peak(at: Float, place: Float) -> bool:
    """Whether a peak lies within two bins of a place, or of its opposite."""
    away = [np.abs(at - (sign * place)[:, None]).max(axis=0).min() for sign in (1, -1)]
    return bool(min(away) <= 2)


def _is_order(at: Float, base: list[Float], shape: tuple[int, ...]) -> bool:
    """Whether a peak is an order of a pattern, or an alias of one."""
    orders = np.arange(-_ORDERS, _ORDERS + 1)
    combined = orders[:, None] * base[0][None, :]
    if len(base) == 2:
        combined = (combined[:, None, :] + orders[None, :, None] * base[1][None, None, :]).reshape(-1, 2)
    columns, rows = shape[1], shape[0]
    away = np.abs(combined - at[None, :])
    away[:, 0] = np.minimum(away[:, 0], np.abs(columns - away[:, 0]))
    away[:, 1] = np.minimum(away[:, 1], np.abs(rows - away[:, 1]))
    # a scanner bends a pattern by some per cent
    return bool(np.any(np.hypot(away[:, 0], away[:, 1]) < 2.5 + _BENT * np.hypot(combined[:, 0], combined[:, 1])))
