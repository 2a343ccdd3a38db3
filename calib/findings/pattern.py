"""Where the pattern of a scan lies, line by line: its phase along the frame, and what moves it.

The strongest waves of a pattern are demodulated as in a radio: times the conjugate wave, summed along each line, and
averaged over as many lines as keep the other waves out. The phase that is left tells how far the pattern lies from
where an even one would, in periods and across its lines; along its lines nothing can be told.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.findings import text
from calib.findings.finding import Finding
from calib.findings.ranks import median, quantiles
from calib.findings.samples import Statistics
from calib.findings.sheet import Float, Sheet
from calib.units import show

_LINES = 24  # parts of the frame that are averaged at least
_APART = 3.0  # cycles a line, by which waves are told apart within a line; others take two beats of lines
_MOST = 3  # parts of the frame, at least, that an average must leave
_FEWEST_POINTS = 32  # along a side
_FEWEST_CYCLES = 5.0  # a line
_STRONG = 30.0  # times the median power of all waves
_ALONE = 3.0  # times what the phase changes by elsewhere
_EVEN = 0.5  # of the typical strength, on nine lines of ten of a grating
_WEAK = 0.4  # of the typical strength of a wave: what is weaker has no phase
# Periods; 0.067 and 0.084 are the largest in 40 clean scans of either sort, up to 0.25 in those of few lines
_JUMP, _JUMP_OF_GRID = 0.15, 0.2
_SHORT = 12  # parts of the frame: averages over fewer lines tell smaller jumps
_ALIKE = 1.6  # cycles a picture
_SAME = 0.15  # periods, by which the passes may differ
_DRIFT = 0.03  # of the frame: bending by a scanner makes up to 0.02 in most scans


@dataclass(frozen=True, eq=False)
class Phases:
    """A wave of the pattern along the lines of a sheet.

    Attributes
    ----------
    sheet
        Whose.
    vector
        Cycles a picture along the fast and the slow axis.
    period
        Of the wave across its lines, pixels.
    average
        Lines over which it is averaged.
    waves
        Of each line, demodulated; complex, shape ``(lines,)``.
    """

    sheet: Sheet
    vector: Float
    period: float
    average: int
    waves: NDArray[np.complex128]

    @classmethod
    def of(cls, statistics: Statistics) -> list[Phases]:
        """The waves of a sheet that can be followed; none if it shows no pattern."""
        sheet = statistics.sheet
        if min(sheet.picture.shape) < _FEWEST_POINTS or not np.isfinite(sheet.picture).any():
            return []
        base = statistics.spectrum.pattern
        values = _plain(sheet.picture)
        count, width = values.shape
        values *= np.hanning(width + 2)[1:-1]
        if len(base) < 2:
            # what smears the waves of a grating across the lines leaves them along each line
            base = _crossing(values) or [vector for vector in base if abs(vector[0]) < _APART]
        signs = (1.0, -1.0)
        others = [np.zeros(2), *(sign * vector for sign in signs for vector in base)]
        if len(base) == 2:
            others += [sign * (base[0] + other * base[1]) for sign in signs for other in signs]
        found = []
        for vector in base:
            beats = [np.abs(vector - other) for other in others]
            lines = [2 * count / beat[1] for beat in beats if beat[0] < _APART and beat[1] > 0.5]
            average = int(max([count / _LINES, 6.0, *lines]))
            if average > count / _MOST:
                continue
            waves = values @ np.exp(-2j * np.pi * vector[0] / width * np.arange(width))
            waves *= np.exp(-2j * np.pi * vector[1] / count * np.arange(count))
            period = 1 / float(np.hypot(vector[0] / width, vector[1] / count))
            found.append(cls(sheet, vector, period, average, waves))
        return found

    def is_like(self, other: Phases) -> bool:
        """Whether the other pass shows the same wave."""
        return float(np.abs(self.vector - other.vector).max()) < _ALIKE

    def jump(self) -> tuple[float, int] | None:
        """The most sudden change of the phase, in periods, and the row of the scan before which it happens."""
        count, reach = self.waves.size, self.average
        total = np.concatenate([[0.0], np.cumsum(self.waves)])
        rows = np.arange(reach, count - reach + 1)
        before, after = total[rows] - total[rows - reach], total[rows + reach] - total[rows]
        change = np.angle(after * np.conj(before)) / (2 * np.pi)
        strength = np.minimum(np.abs(after), np.abs(before))
        change[strength < _WEAK * np.median(strength)] = np.nan
        # a slow drift changes the phase as much one average before and after
        if change.size <= 2 * reach:
            return None
        usual = (change[: -2 * reach] + change[2 * reach :]) / 2
        sudden = _wrapped(change[reach:-reach] - usual)
        if not np.isfinite(sudden).any():
            return None
        at = int(np.nanargmax(np.abs(sudden)))
        size, away = float(sudden[at]), np.abs(np.arange(sudden.size) - at)
        short = reach <= count / _SHORT
        if abs(size) < (_JUMP if short else _JUMP_OF_GRID):
            return None
        if short:
            # a jump leaves nothing two averages away; other waves of the pattern, if averages are too short for them,
            # change the phase all over the frame, and a rapid drift does so for long
            near = sudden[(away > 2 * reach) & (away < 4 * reach)]
            elsewhere = sudden[away > 2 * reach]
            known = near[np.isfinite(near)], elsewhere[np.isfinite(elsewhere)]
            if any(
                each.size and abs(size) < _ALONE * float(np.quantile(np.abs(each), part))
                for each, part in zip(known, (1.0, 0.9), strict=True)
            ):
                return None
        row, half = int(rows[at + reach]), reach // 2
        # of what goes on for some lines, averages over half as many see half
        sooner = np.angle((total[row + half] - total[row]) * np.conj(total[row] - total[row - half])) / (2 * np.pi)
        if abs(_wrapped(sooner - usual[at] / 2 - size)) > _SAME:
            return None
        return size, int(self.sheet.rows[self.sheet.middle[0]][min(row, count - 1)])

    def departure(self) -> tuple[float, float] | None:
        """Range of the departure of the pattern from an even one, in pixels across its lines and of the frame."""
        window = np.hanning(self.average + 2)[1:-1]
        mean = np.convolve(self.waves, window / window.sum(), "same")
        half = self.average // 2
        mean = mean[half : mean.size - half]
        if np.mean(np.abs(mean) < _WEAK * np.median(np.abs(mean))) > 0.1:
            return None
        phase = np.unwrap(np.angle(mean)) / (2 * np.pi)
        if np.abs(np.diff(phase)).max() > 0.1:
            return None  # a jump is no drift
        y = np.linspace(-1, 1, phase.size)
        rest = phase - np.polyval(np.polyfit(y, phase, 1), y)
        size = float(np.ptp(rest)) * self.period
        return size, size / self.waves.size


def sideways(all_statistics: Sequence[Statistics]) -> Iterator[Finding]:
    """Yield a sudden displacement of the pattern, or a drift that is not steady; every sheet has to show it."""
    found = [Phases.of(each) for each in all_statistics if not each.empty and not each.alike]
    if not found:
        return
    together = [[first, *(one for each in found[1:] for one in each if first.is_like(one))] for first in found[0]]
    whole = [waves for waves in together if len(waves) == len(found)]
    jumps = [jump for waves in whole if (jump := _common_jump(waves)) is not None]
    if jumps:
        yield _told_jump(*max(jumps, key=lambda jump: abs(jump[1])))
        return
    drifts = [(waves[0], [each.departure() for each in waves]) for waves in whole]
    sizes = [(wave, [size for size in each if size is not None]) for wave, each in drifts]
    large = [
        (wave, min(pixels for pixels, _ in each))
        for (wave, each), waves in zip(sizes, whole, strict=True)
        if len(each) == len(waves) and min(part for _, part in each) > _DRIFT
    ]
    if large:
        yield _told_drift(*max(large, key=lambda one: one[1]))


def _common_jump(waves: Sequence[Phases]) -> tuple[Phases, float, int] | None:
    """The jump that all sheets show: whose pattern, how far in periods, and before which row."""
    found = [jump for each in waves if (jump := each.jump()) is not None]
    if len(found) < len(waves):
        return None
    sizes, rows = np.array([size for size, _ in found]), [row for _, row in found]
    reach = max(each.average * each.sheet.line_step for each in waves)
    # half a period either way is the same
    if np.abs(_wrapped(sizes - sizes[0])).max() > _SAME or np.ptp(rows) > reach / 2:
        return None
    return waves[0], float(sizes[0]), round(float(np.mean(rows)))


def _told_jump(wave: Phases, periods: float, row: int) -> Finding:
    scan = wave.sheet.scan
    pixels = abs(periods) * wave.period
    reach = max(wave.average * wave.sheet.line_step // 4, 1)
    near = max(row - reach, 0), min(row + reach, scan.slow.size - 1)
    return Finding(
        kind="sideways jump",
        severity="warning",
        message=f"Near line {row} (to within {reach}) the pattern jumps across its lines by {abs(periods):.2f} of its "
        f"period, about {pixels:.1f} pixels ({show(pixels * max(scan.spacing))}), or by whole periods more.",
        advice="Scan again. Look for a sample that slips, a knock, or a scanner that jumps between its ranges.",
        effect="Distances across that line are wrong by the jump; a fit takes part of it for bending and creep.",
        lines=near,
        runs=(near,),
        passes=tuple(scan.passes),
    )


def _told_drift(wave: Phases, pixels: float) -> Finding:
    scan = wave.sheet.scan
    part = text.percent(pixels / wave.waves.size)
    return Finding(
        kind="drift",
        severity="note",  # bending and creep of the scanner look alike
        message=f"Along the slow axis the pattern departs from an even one by {pixels:.1f} pixels "
        f"({show(pixels * scan.spacing[1])}), {part} of the frame: something drifted or crept within the frame, or the "
        "scanner bends strongly.",
        advice="Let the instrument settle before the frame, and scan once more in the other direction (frame up and "
        "down): bending stays in its place, drift does not.",
        effect="Distances along the slow axis are uneven. A steady drift does not show here: it looks like scale and "
        "skew.",
        passes=tuple(scan.passes),
    )


def _crossing(values: Float) -> list[Float]:
    """The strongest wave that the lines cross, by the spectra of all lines; none that stands out gives none."""
    from scipy import fft

    power: Float = np.zeros(values.shape[1] // 2 + 1)
    for begin in range(0, values.shape[0], 128):
        power += (np.abs(fft.rfft(values[begin : begin + 128], axis=1)) ** 2).sum(axis=0)
    few = int(_FEWEST_CYCLES)
    at = few + int(np.argmax(power[few:]))
    # the spectrum of a step or of roughness only falls
    if not power[at] > max(_STRONG * median(power[few:]), 2 * float(power[1 : at - 1].max())):
        return []
    low, middle, high = (float(np.log(power[k] + 1e-300)) for k in (at - 1, at, min(at + 1, power.size - 1)))
    bend = low - 2 * middle + high
    cycles = at + (float(np.clip(0.5 * (low - high) / bend, -0.5, 0.5)) if bend < 0 else 0.0)
    waves = values @ np.exp(-2j * np.pi * cycles / values.shape[1] * np.arange(values.shape[1]))
    strength = np.abs(waves)
    if quantiles(strength, 0.1)[0] < _EVEN * median(strength):
        return []  # the lines of a grid are not alike
    turn = float(np.angle(np.sum(waves[1:] * np.conj(waves[:-1])))) / (2 * np.pi)
    return [np.array([cycles, turn * values.shape[0]])]


def _wrapped(periods: Float) -> Float:
    """The same phases within half a period of none."""
    return np.asarray((periods + 0.5) % 1 - 0.5)


def _plain(picture: Float) -> Float:
    """A picture less its plane, without what stands out, its mean zero; gaps hold the median."""
    good = np.isfinite(picture)
    values = picture.copy() if good.all() else np.where(good, picture, median(picture[good]))
    for axis in (0, 1):
        thin = values[:, ::4] if axis == 0 else values[::4]
        slope = median(np.diff(thin, axis=axis))
        place = slope * np.arange(values.shape[axis])
        values -= place[:, None] if axis == 0 else place
    low, high = quantiles(values, 0.02, 0.98)
    np.clip(values, low, high, out=values)
    return np.asarray(values - values.mean())
