"""Check of the colour of the noise along the lines: filtered pictures.

Noise between neighbouring points of a recording is nearly white. What is rapid from line to line shows it best: there
the surface has little. A filter takes the rapid part away. A median filter leaves some of it, but gives neighbours one value.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from calib.findings.finding import Finding
from calib.findings.samples import Statistics
from calib.findings.sheet import Float

_RAPID = 0.3  # cycles a line
_BANDS = 24  # from zero to half a cycle a pixel
_DARK = 0.22  # of the power at slower changes; white noise has one within a fifth, a self-affine surface 0.3
_MORE_ALIKE = 0.12  # of all neighbours, beyond what rounding makes equal; a median of 3 by 3 makes 0.3
_HUMP = 1.8  # times the power of slow changes; damping of a quarter of critical makes 4
_BEYOND = 0.12  # a resonance of second order falls off as the fourth power of frequency


def colour(all_statistics: Sequence[Statistics]) -> Iterator[Finding]:
    """Yield signs of a filter."""
    spectra = [power for each in all_statistics if (power := _spectrum(each)) is not None]
    if not spectra:
        return
    sheet = all_statistics[0].sheet
    power = np.mean([each / each.mean() for each in spectra], axis=0)
    if _hump(power):
        return  # a resonance takes the rapid part away as well, and is found by other means
    if _is_dark(power) or any(_neighbours_alike(each) for each in all_statistics):
        yield Finding(
            kind="filtered",
            severity="warning",
            message="Rapid changes are missing from the noise: the picture was filtered, or the signal is slower than "
            "the pixels.",
            advice="Use the data as they were recorded; if they are, scan more slowly.",
            effect="Noise looks smaller than it is, edges are rounded, and neighbours are no longer independent.",
            passes=tuple(sheet.scan.passes),
        )


def _spectrum(each: Statistics) -> Float | None:
    """Power of what is rapid from line to line, by frequency along the lines; shape ``(bands,)``."""
    if each.empty or each.alike or each.quantum > each.noise:
        return None
    picture = each.sheet.picture
    lost = each.lost[each.sheet.middle[0]]
    rows, columns = min(picture.shape[0], 512), min(picture.shape[1], 512)
    picture, lost = picture[:rows, :columns], lost[:rows]
    if rows < 32 or columns < 64:
        return None
    good = np.isfinite(picture)
    if good[~lost].mean() < 0.5 if (~lost).any() else True:
        return None
    filled = np.where(good, picture, 0.0)
    # differences from line to line take most of the surface away; what lies beside a gap is no noise
    rapid = np.where(good[1:] & good[:-1] & ~(lost[1:] | lost[:-1])[:, None], filled[1:] - filled[:-1], 0.0)
    scale = float(np.median(np.abs(rapid[rapid != 0]))) if rapid.any() else 0.0
    if scale <= 0:
        return None
    window = np.hanning(rapid.shape[0])[:, None] * np.hanning(columns)[None, :]
    power = np.abs(np.fft.rfft2(rapid * window)) ** 2
    # orders of a pattern are few among the bins of a band
    high = np.abs(np.fft.fftfreq(rapid.shape[0])) > _RAPID
    power = power[high][:, 1:-1] / (4 * np.sin(np.pi * np.fft.fftfreq(rapid.shape[0])[high, None]) ** 2)
    return np.array([np.median(part) for part in np.array_split(power, _BANDS, axis=1)]) / scale**2


def _is_dark(power: Float) -> bool:
    """Whether the power falls off faster than that of any rough surface."""
    third = _BANDS // 3
    fine = power[third:].reshape(-1, 2).mean(axis=1)
    return bool(fine.min() < _DARK * power[third - 2 : third + 2].mean())


def _neighbours_alike(each: Statistics) -> bool:
    """Whether neighbours are equal more often than rounding makes them: a median takes one value for several points."""
    if each.empty or each.alike or each.quantum > each.noise:
        return False
    lines = each.sample
    # clipped values are alike for another reason
    with np.errstate(invalid="ignore"):
        inside = (lines > np.nanmin(lines)) & (lines < np.nanmax(lines))
    pairs = inside[:, 1:] & inside[:, :-1]
    stuck = (lines[:, 1:] == lines[:, :-1]).all(axis=1)
    pairs[stuck] = False
    if pairs.sum() < 200:
        return False
    share = float((pairs & (lines[:, 1:] == lines[:, :-1])).sum()) / float(pairs.sum())
    # the density of the difference of two Gaussian values at zero, times the step
    return bool(share > _MORE_ALIKE + each.quantum / max(each.noise, 1e-300) / np.sqrt(4 * np.pi))


def _hump(power: Float) -> bool:
    """Whether there is a resonance."""
    at = int(np.argmax(power[2:18])) + 2
    before, beyond = power[: max(at // 2, 1)].max(), power[min(2 * at + 2, _BANDS - 1) :]
    return bool(power[at] > _HUMP * before and np.median(beyond) < _BEYOND * before)
