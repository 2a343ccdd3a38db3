"""Vibration after a fit: a wave in time by which the probe was displaced, in all lines alike.

The product of a pixel's residual and its slope follows the displacement in time. All pixels of a frame are laid out by
time and transformed at once. A wave on the surface has the same place in trace and retrace, so that it runs backwards
in one of them; a vibration runs on in time, at the same frequency in both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage

from calib.findings.series import LineSeries
from calib.scanner.effect import Float

_LOWEST = 6.0  # waves in a frame; what is slower is drift
_ROWS_OF_PITCHES = 6.5  # and times as fast as rows of the pattern follow each other
_AROUND = 401  # neighbours in frequency that tell what there is without a vibration
_RARE = 1e-4  # chance that noise alone shows so high a line at any frequency of a scan
_BOTH = 5.0  # of each pass alone, over its surroundings
_TIED = 1.5  # rows of pitches a frame, within which of a line rate a wave can't be told from what lines share
_TIED_TIMES = 4.0
_NEAR = 2.5  # line rates within which such a line may come from edges that the mean profile does not follow
_LONGEST = 2**23
_ALIKE = 0.35  # of the amplitude, by which passes may disagree
_SURE = 5.0  # standard uncertainties of the amplitude; with so many frequencies to choose from, three are nothing
_LONG = 0.25  # of the rows, at least
_TRIES = 30


@dataclass(frozen=True)
class Vibration:
    """The strongest wave.

    Attributes
    ----------
    frequency, u_frequency
        Hz.
    amplitude, u_amplitude
        Along each direction of the series, m.
    rows
        First and last row on which it is at least half as strong as on the strongest.
    score
        Power over what is around it.
    tied
        Whether it is a multiple of the line rate, to within what the frame can tell.
    """

    frequency: float
    u_frequency: float
    amplitude: Float
    u_amplitude: Float
    rows: tuple[int, int]
    score: float
    tied: bool

    @property
    def length(self) -> float:
        """Of the amplitude, m."""
        return float(np.linalg.norm(self.amplitude))

    @property
    def u_length(self) -> float:
        """Standard uncertainty of :attr:`length`, m."""
        return float(np.linalg.norm(self.amplitude * self.u_amplitude) / max(self.length, 1e-300))


def vibration(series: LineSeries, least: float = 0.0, least_tied: float = 0.0) -> Vibration | None:
    """Return the strongest vibration, if there is any; None without timing, as nothing is known of time then.

    Parameters
    ----------
    least, least_tied
        Smallest amplitude that matters, m, and the same for multiples of the line rate: there all that every line shows
        alike appears too.
    """
    path = series.path
    if not path.timed:
        return None
    width = series.signal.shape[2]
    step = path.sweep_time / width
    begin = np.rint((path.sweeps.time[series.sweep]) / step).astype(np.int64)
    length = int(begin.max()) + width
    if length > _LONGEST:
        return None
    size = fft.next_fast_len(length, real=True)
    frequency = np.arange(size // 2 + 1) / (size * step)
    groups = series.passes
    spectra = np.empty((groups, len(series.names), frequency.size), dtype=np.complex128)
    for g in range(groups):
        mine = series.group == g
        at = begin[mine][:, None] + np.arange(width)[None, :]
        for k in range(len(series.names)):
            in_time = np.zeros(size)
            in_time[at] = series.signal[k][mine]
            spectra[g, k] = fft.rfft(in_time)
    total = series.power.sum(axis=(1, 2))
    of_group = np.stack([series.power[:, series.group == g].sum(axis=(1, 2)) for g in range(groups)])
    frame = float(path.frame_time)
    line_rate = 1 / path.line_period
    rows = float(np.ptp(path.slow)) / series.pitch
    lowest = max(_LOWEST, _ROWS_OF_PITCHES * rows) / frame
    usable = (frequency > lowest) & (frequency < 0.49 / step)
    tied = np.abs(frequency / line_rate - np.rint(frequency / line_rate)) * line_rate * frame < max(_TIED * rows, 2.0)
    edges = path.speed / series.pitch
    usable &= ~(tied & (np.abs(frequency - np.rint(frequency / edges) * edges) < _NEAR * line_rate))
    score = _over_surroundings(np.abs(spectra.sum(axis=0)) ** 2).sum(axis=0)
    # a sum over m directions of waves in noise: each adds an exponential of mean 1
    enough = -np.log(_RARE / frequency.size) + 3.0 * (len(series.names) - 1)
    likely = usable & (score > np.where(tied, _TIED_TIMES, 1.0) * enough)
    if groups > 1:
        for g in range(groups):
            likely &= _over_surroundings(np.abs(spectra[g]) ** 2).sum(axis=0) > _BOTH
    amplitude2 = np.sum((2 * np.abs(spectra.sum(axis=0)) / np.maximum(total[:, None], 1e-300)) ** 2, axis=0)
    likely &= amplitude2 > np.where(tied, least_tied, least) ** 2
    if not likely.any():
        return None
    rank = np.where(likely, amplitude2 / np.where(tied, max(least_tied, 1e-300), max(least, 1e-300)) ** 2, 0.0)
    noise2 = _background(np.abs(spectra.sum(axis=0)) ** 2)
    for _ in range(_TRIES):
        best = int(np.argmax(rank))
        if not rank[best] > 0:
            return None
        rank[max(best - 3, 0) : best + 4] = 0.0
        waves = spectra[:, :, best].sum(axis=0) * 2 / np.maximum(total, 1e-300)
        alone = 2 * spectra[:, :, best] / np.maximum(of_group, 1e-300)
        around = np.sqrt(noise2[:, best] / 2) * 2 / np.maximum(total, 1e-300)
        apart = np.sqrt(np.mean(np.abs(alone - waves) ** 2, axis=0) / groups) if groups > 1 else 0.0 * around
        strongest = int(np.argmax(np.abs(waves)))
        if apart[strongest] > (2 if tied[best] else 1) * _ALIKE * np.abs(waves[strongest]):
            continue
        between = _where(series, begin * step, step, float(frequency[best]))
        if between[1] - between[0] < _LONG * path.slow.size:
            continue
        found = Vibration(
            frequency=float(frequency[best]),
            u_frequency=float(1 / (np.sqrt(12) * frame)),
            amplitude=np.abs(waves),
            u_amplitude=np.hypot(around, apart),
            rows=between,
            score=float(score[best]),
            tied=bool(tied[best]),
        )
        if found.length > _SURE * found.u_length:
            return found
    return None


def _background(power: Float) -> Float:
    """Mean power around each frequency, from the median of its neighbours (of an exponential: ln 2 of its mean)."""
    thin = 8  # neighbours further apart do as well, and cost less
    coarse = ndimage.median_filter(power[:, ::thin], size=(1, _AROUND // thin | 1), mode="nearest") / np.log(2)
    at = np.arange(power.shape[1]) / thin
    smooth = [np.interp(at, np.arange(each.size), each) for each in coarse]
    return np.asarray(np.maximum(np.stack(smooth), 1e-12 * power.max(axis=1, keepdims=True) + 1e-300))


def _over_surroundings(power: Float) -> Float:
    return np.asarray(power / _background(power))


def _where(series: LineSeries, start: Float, step: float, frequency: float) -> tuple[int, int]:
    """Rows between which the wave is at least half as strong as on the strongest stretch."""
    turn = np.exp(-2j * np.pi * frequency * (start[:, None] + step * np.arange(series.signal.shape[2])[None, :]))
    each = np.einsum("klf,lf->kl", series.signal, turn)
    size = max(series.row.size // 12, 4)
    wave = np.abs(ndimage.uniform_filter1d(each.real, size) + 1j * ndimage.uniform_filter1d(each.imag, size))
    power = np.maximum(ndimage.uniform_filter1d(series.power.sum(axis=2), size), 1e-300)
    strength = np.sqrt(np.sum((wave / np.maximum(power, 0.2 * power.mean(axis=1, keepdims=True))) ** 2, axis=0))
    rows = series.row[strength > 0.5 * strength.max()]
    return int(rows.min()), int(rows.max())
