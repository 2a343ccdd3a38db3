"""Periodic interference: a wave in time, which the raster draws as stripes.

It differs from what is on the sample in three ways. Its stripes lean one way in the trace and the other way in the
retrace, since the probe comes back; a pattern of the sample leans the same way in both. It is a perfectly straight wave
in the grid of the pixels, where the scanner's own errors bend a pattern. And it has no harmonics that fit the
pattern's.
The phase from line to line tells its frequency to a small part of the line frequency.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from calib.findings.finding import Finding
from calib.findings.samples import Statistics
from calib.findings.sheet import Float
from calib.findings.spectrum import Spectrum, Wave
from calib.findings.text import value
from calib.units import show

_STANDS_OUT = 2.5  # times the next order of a pattern
_ORDERS = 10  # of a pattern, that are looked at
_BENT = 0.02  # of their distance from zero, by which orders may be out of place in a picture by a bending scanner


def interference(all_statistics: Sequence[Statistics]) -> Iterator[Finding]:
    """Yield the strongest periodic interference."""
    spectra = [each.spectrum for each in all_statistics if not each.empty and not each.alike]
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


def _leaning(first: Spectrum, second: Spectrum) -> Wave | None:
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
            and first.is_sharp(row, column, size)
        ):
            return first.wave(row, column, certain=True)
    return None


def _is_upright(row: int, rows: int) -> bool:
    """Whether stripes lean neither way: a whole number of cycles, or of half cycles, to a line."""
    return min(row % rows, -row % rows, abs(row - rows // 2)) < 4


def _upright(first: Spectrum, second: Spectrum) -> Wave | None:
    """A wave in step with the lines: upright, foreign to the pattern, and the same in both sheets."""
    rows = first.amplitude.shape[0]
    others = [(wave.kx, wave.size) for wave in _foreign(second)]
    for wave in _foreign(first):
        row = round(wave.ky * rows) % rows
        alike = any(abs(kx - wave.kx) * first.shape[1] < 0.5 and 0.7 < size / wave.size < 1.4 for kx, size in others)
        if _is_upright(row, rows) and alike:
            return wave
    return None


def _foreign(spectrum: Spectrum) -> Iterator[Wave]:
    """Sharp peaks that are no order of a pattern and stand out among its bent ones; the strongest first."""
    peaks = np.stack(spectrum.peaks)
    if not peaks.size:
        return
    at, sizes = spectrum.places()
    base = spectrum.pattern
    spacing = min((float(np.hypot(*vector)) for vector in base), default=0.0)
    for k in range(sizes.size):
        row, column = int(peaks[0, k]), int(peaks[1, k])
        if not spectrum.is_sharp(row, column, sizes[k]):
            continue
        if base and _is_order(at[:, k], base, spectrum.shape):
            continue
        reach = int(np.clip(1.2 * spacing, 10, 60)) if base else 10
        if spectrum.around(row, column, 4, reach) * _STANDS_OUT < sizes[k]:
            yield spectrum.wave(row, column, certain=False)


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
