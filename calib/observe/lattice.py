"""Find the lattice of a grating or grid in an image, from its spectrum.

The peak is searched near the pitch that the standard's certificate promises, refined, and told from harmonics and
from a pitch that is not the certificate's. The result is a start for the phase, good to a fraction of a period.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.errors import ScanError
from calib.observe.image import Image
from calib.scanner.effect import Float
from calib.standard import Grating, Grid

# how far the apparent pitch may lie from the certificate's: scanners are off by some tens of per cent, not by two
_WIDEST = 1.4
_SIGNIFICANT = 8.0
_NEVER_LESS = 0.05  # of the strongest peak there is
_FEWEST_PERIODS = 3.0
_FEWEST_PIXELS = 3.0


@dataclass(frozen=True)
class Lattice:
    """Reciprocal vectors of what is seen, in scan coordinates.

    Attributes
    ----------
    frequency
        One row (fast, slow) in cycles/m for a grating, two for a grid; shape ``(1 or 2, 2)``.
    strength
        Height of each peak above the median of the spectrum around it.
    """

    frequency: Float
    strength: Float

    @property
    def vectors(self) -> Float:
        """Lattice vectors as rows, m: one period along each direction; of a grating across and along its lines."""
        f = self.frequency
        if len(f) == 1:
            across = f[0] / (f[0] @ f[0])
            return np.stack([across, np.array([-across[1], across[0]])])
        return np.asarray(np.linalg.inv(f).T)

    @property
    def periods(self) -> Float:
        """Length of each period across its lines, m."""
        return np.asarray(1 / np.linalg.norm(self.frequency, axis=1))


def reciprocal(standard: Grating | Grid) -> Float:
    """Reciprocal vectors of a standard in its own axes, cycles/m; shape ``(1 or 2, 2)``.

    The first lattice vector of a grid lies along the standard's x axis, the second at its angle to it; the
    lines of a grating run along the standard's y axis.
    """
    if isinstance(standard, Grating):
        return np.array([[1 / standard.pitch.value, 0.0]])
    return grid_reciprocal(standard.pitch_x.value, standard.pitch_y.value, standard.angle.value)


def grid_reciprocal(pitch_x: float, pitch_y: float, angle: float) -> Float:
    """Reciprocal vectors of a lattice with vectors of these lengths and angle; rows, cycles/m."""
    sin, cos = np.sin(angle), np.cos(angle)
    return np.asarray(np.array([[1.0, -cos / sin], [0.0, 1 / sin]]) / np.array([[pitch_x], [pitch_y]]))


def find_lattice(image: Image, standard: Grating | Grid, turned: float | None) -> Lattice:
    """Find the reciprocal vectors of a standard in one pass of a scan.

    Parameters
    ----------
    image
        One pass.
    turned
        Angle of the standard's x axis from the scan's fast axis, rad, to within 45 degrees; None for any orientation
        of a grating.

    Raises
    ------
    ScanError
        If the image can't be of this standard.
    """
    nominal = reciprocal(standard)
    _check_sampling(image, nominal, standard.name)
    spectrum = _Spectrum(image)
    if isinstance(standard, Grating):
        found = _single(spectrum, nominal, turned)
    else:
        found = _pair(spectrum, nominal, turned or 0.0)
    if found is None:
        raise ScanError(_not_found(image, spectrum, nominal, standard.name))
    frequency, strength = found
    _check_pitch(image, spectrum, nominal, frequency, standard.name)
    return Lattice(frequency, strength)


class _Spectrum:
    """Windowed amplitude spectrum with its local maxima."""

    def __init__(self, image: Image) -> None:
        from scipy import fft, ndimage

        values = image.flat()
        window = np.hanning(values.shape[0] + 2)[1:-1, None] * np.hanning(values.shape[1] + 2)[None, 1:-1]
        shape = [fft.next_fast_len(2 * n, real=True) for n in values.shape]
        self.amplitude = np.abs(fft.rfft2(values * window, s=shape))
        self.slow = fft.fftfreq(shape[0], image.step_slow)
        self.fast = fft.rfftfreq(shape[1], image.step_fast)
        self.bins = np.array([self.fast[1], self.slow[1]])
        peaks = self.amplitude == ndimage.maximum_filter(self.amplitude, size=5, mode="wrap")
        rows, columns = np.nonzero(peaks)
        order = np.argsort(self.amplitude[rows, columns])[::-1][:400]
        rows, columns = rows[order], columns[order]
        self.peaks = np.stack([self._parabola(rows, columns, 1), self._parabola(rows, columns, 0)], axis=1)
        self.heights = self.amplitude[rows, columns]
        # fewer than two cycles in the image is tilt and bow, not a lattice
        cycles = np.hypot(self.peaks[:, 0] * image.width, self.peaks[:, 1] * image.length)
        keep = cycles > 2.0
        self.peaks, self.heights = self.peaks[keep], self.heights[keep]

    def _parabola(self, rows: np.ndarray, columns: np.ndarray, axis: int) -> Float:
        n = self.amplitude.shape[axis]
        at = (rows, columns)[axis]

        def height(shift: int) -> Float:
            moved = (at + shift) % n
            index = (moved, columns) if axis == 0 else (rows, np.minimum(np.abs(at + shift), n - 1))
            return np.asarray(np.log(self.amplitude[index] + 1e-300))

        low, mid, high = height(-1), height(0), height(1)
        bend = low - 2 * mid + high
        with np.errstate(divide="ignore", invalid="ignore"):
            shift = np.where(bend < 0, 0.5 * (low - high) / bend, 0.0)
        grid = self.slow if axis == 0 else self.fast
        return np.asarray(grid[at] + np.clip(shift, -1, 1) * grid[1])

    def background(self, radius: float) -> float:
        """Median amplitude at about a distance from zero."""
        distance = np.hypot(self.fast[None, :], self.slow[:, None])
        ring = (distance > radius / 1.6) & (distance < radius * 1.6)
        return float(np.median(self.amplitude[ring])) + 1e-300

    def near(self, radius: float) -> tuple[Float, Float]:
        """Peaks about a distance from zero, both halves of the plane: positions and strengths."""
        peaks = np.concatenate([self.peaks, -self.peaks])
        heights = np.concatenate([self.heights, self.heights])
        distance = np.linalg.norm(peaks, axis=1)
        keep = (distance > radius / _WIDEST) & (distance < radius * _WIDEST)
        strength = heights[keep] / self.background(radius)
        # neither lost in the background, nor a side lobe of something else
        strong = (strength > _SIGNIFICANT) & (heights[keep] > _NEVER_LESS * self.heights.max(initial=0.0))
        return peaks[keep][strong], strength[strong]


def _angle_between(vectors: Float, direction: float) -> Float:
    return np.asarray(np.abs(np.angle(np.exp(1j * (np.arctan2(vectors[:, 1], vectors[:, 0]) - direction)))))


def _single(spectrum: _Spectrum, nominal: Float, turned: float | None) -> tuple[Float, Float] | None:
    radius = float(np.linalg.norm(nominal[0]))
    peaks, strength = spectrum.near(radius)
    direction = 0.0 if turned is None else turned
    # a direction and its opposite are the same lines: keep the half plane about the expected one
    limit = np.pi / 2 if turned is None else np.pi / 4
    keep = _angle_between(peaks, direction) <= limit + 1e-9
    peaks, strength = peaks[keep], strength[keep]
    if not len(peaks):
        return None
    offset = np.log(np.linalg.norm(peaks, axis=1) / radius)
    best = int(np.argmax(np.log(strength) - 0.5 * (offset / 0.25) ** 2))
    return peaks[best : best + 1], strength[best : best + 1]


def _pair(spectrum: _Spectrum, nominal: Float, turned: float) -> tuple[Float, Float] | None:
    found = []
    for row in nominal:
        peaks, strength = spectrum.near(float(np.linalg.norm(row)))
        keep = _angle_between(peaks, float(np.arctan2(row[1], row[0])) + turned) <= np.pi / 4 + 1e-9
        order = np.argsort(strength[keep])[::-1][:12]
        found.append((peaks[keep][order], strength[keep][order]))
    (first, strong_1), (second, strong_2) = found
    if not len(first) or not len(second):
        return None
    lengths = np.linalg.norm(nominal, axis=1)
    scale_1 = np.log(np.linalg.norm(first, axis=1) / lengths[0])[:, None]
    scale_2 = np.log(np.linalg.norm(second, axis=1) / lengths[1])[None, :]
    expected = np.arctan2(nominal[1, 1], nominal[1, 0]) - np.arctan2(nominal[0, 1], nominal[0, 0])
    between = np.arctan2(second[:, 1], second[:, 0])[None, :] - np.arctan2(first[:, 1], first[:, 0])[:, None]
    shear = np.angle(np.exp(1j * (between - expected)))
    score = (
        np.log(strong_1)[:, None]
        + np.log(strong_2)[None, :]
        - 0.5 * (scale_1 / 0.25) ** 2
        - 0.5 * (scale_2 / 0.25) ** 2
        - 0.5 * (shear / 0.12) ** 2
    )
    i, j = np.unravel_index(int(np.argmax(score)), score.shape)
    if abs(shear[i, j]) > 0.35:
        return None
    return np.stack([first[i], second[j]]), np.array([strong_1[i], strong_2[j]])


# --- reasons to refuse ------------------------------------------------------------------------------------------


def _check_sampling(image: Image, nominal: Float, name: str) -> None:
    pitches = 1 / np.linalg.norm(nominal, axis=1)
    pitch, longest = float(pitches.min()), float(pitches.max())
    periods = max(image.width, image.length) / pitch
    pixel = max(image.step_fast, image.step_slow)
    if min(image.step_fast, image.step_slow) > pitch / _FEWEST_PIXELS * _WIDEST:
        hint = (
            " Were metres taken for micrometres?"
            if periods > 1e4
            else " Scan a smaller field or take a coarser standard."
        )
        raise ScanError(
            f"{image.label}: its pixels are {_length(pixel)} apart, too coarse for the {_length(pitch)} pitch of"
            f" {name!r}; at least {_FEWEST_PIXELS:g} pixels a period are needed.{hint}"
        )
    if max(image.width, image.length) < _FEWEST_PERIODS / _WIDEST * longest:
        raise ScanError(
            f"{image.label}: {_length(max(image.width, image.length))} wide, it holds fewer than"
            f" {_FEWEST_PERIODS:g} periods of {name!r} (pitch {_length(longest)});"
            " scan a larger field or take a finer standard."
        )


def _check_pitch(image: Image, spectrum: _Spectrum, nominal: Float, frequency: Float, name: str) -> None:
    heights = [_height_at(spectrum, f) for f in frequency]
    # the true fundamental betrays itself: a peak of which ours is a multiple, or of which ours are diagonals
    for f, height in zip(frequency, heights, strict=True):
        for order in (2, 3, 4, 5, 10):
            _refuse_longer(image, spectrum, nominal, f / order, 1.5 * height, name)
    if len(frequency) == 2:
        first, second = frequency
        for order in (2, 3):
            for i in range(-order + 1, order):
                for j in range(1, order):
                    if (i, j) != (0, 0) and i != 0:
                        finer = (i * first + j * second) / order
                        _refuse_longer(image, spectrum, nominal, finer, 0.5 * min(heights), name)
    for f in frequency:
        periods = _periods_across(image, f)
        if periods < _FEWEST_PERIODS:
            raise ScanError(
                f"{image.label}: it holds {periods:.1f} periods of {name!r}, and at least {_FEWEST_PERIODS:g} are"
                " needed; scan a larger field or take a finer standard."
            )


def _height_at(spectrum: _Spectrum, frequency: Float) -> float:
    sign = np.sign(frequency[0] or 1)
    row = int(np.argmin(np.abs(spectrum.slow - frequency[1] * sign)))
    column = int(np.argmin(np.abs(spectrum.fast - abs(frequency[0]))))
    return float(spectrum.amplitude[row, column])


def _refuse_longer(
    image: Image, spectrum: _Spectrum, nominal: Float, frequency: Float, height: float, name: str
) -> None:
    distance = np.minimum(
        np.linalg.norm(spectrum.peaks - frequency, axis=1), np.linalg.norm(spectrum.peaks + frequency, axis=1)
    )
    near = distance < 1.5 * np.linalg.norm(spectrum.bins)
    if np.any(spectrum.heights[near] > height):
        true, promised = 1 / float(np.linalg.norm(frequency)), 1 / float(np.linalg.norm(nominal[0]))
        raise ScanError(
            f"{image.label}: the image repeats every {_length(true)}, but {name!r} promises {_length(promised)};"
            " name the right standard, or correct the scan's size."
        )


def _periods_across(image: Image, frequency: Float) -> float:
    return float(max(abs(frequency[0]) * image.width, abs(frequency[1]) * image.length))


def _not_found(image: Image, spectrum: _Spectrum, nominal: Float, name: str) -> str:
    pitch = 1 / float(np.linalg.norm(nominal[0]))
    said = f"{image.label}: no period near the {_length(pitch)} pitch of {name!r} is to be seen"
    if len(spectrum.heights):
        strongest = spectrum.peaks[int(np.argmax(spectrum.heights))]
        radius = float(np.linalg.norm(strongest))
        if spectrum.heights.max() / spectrum.background(radius) > 4 * _SIGNIFICANT:
            return (
                f"{said}; the image repeats every {_length(1 / radius)}, {radius and pitch * radius:.3g} times finer."
                " Name the right standard, or correct the scan's size."
                if pitch * radius >= 1
                else f"{said}; the image repeats every {_length(1 / radius)}, {1 / (pitch * radius):.3g} times coarser."
                " Name the right standard, or correct the scan's size."
            )
    return f"{said}; is this a scan of it, and in focus?"


def _length(value: float) -> str:
    for unit, size in (("m", 1.0), ("mm", 1e-3), ("µm", 1e-6), ("nm", 1e-9)):
        if abs(value) >= 0.9995 * size:
            return f"{value / size:.4g} {unit}"
    return f"{value / 1e-12:.4g} pm"
