"""The standard's own mean profile: what one period looks like in one pass, folded from all of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.scanner.effect import Float

_FINER = 6


@dataclass(frozen=True)
class Template:
    """A periodic profile in one or two lattice coordinates, and its slope along each.

    Attributes
    ----------
    values
        Shape ``(bins,)`` or ``(bins, bins)`` over one period; mean zero.
    """

    values: Float

    @classmethod
    def fold(cls, periods: Float, values: Float, weights: Float) -> Template:
        """Average pixels by where in the period they lie.

        Parameters
        ----------
        periods
            Lattice coordinates, shape ``(1 or 2, pixels)``.
        values, weights
            Shape ``(pixels,)``.
        """
        dimensions, pixels = periods.shape
        bins = int(
            np.clip(pixels / 24 if dimensions == 1 else np.sqrt(pixels / 16), 12, 128 if dimensions == 1 else 48)
        )
        at = np.floor((periods % 1.0) * bins).astype(np.int64) % bins
        index = at[0] if dimensions == 1 else at[0] * bins + at[1]
        size = bins**dimensions
        count = np.bincount(index, weights, size).reshape((bins,) * dimensions)
        total = np.bincount(index, weights * values, size).reshape((bins,) * dimensions)
        # a little smoothing of both fills bins that no pixel fell in
        kernel = np.exp(-0.5 * (np.fft.fftfreq(bins) * bins * 0.6 * 2 * np.pi / bins) ** 2)
        window = kernel if dimensions == 1 else kernel[:, None] * kernel[None, :]
        count, total = (np.fft.ifftn(np.fft.fftn(part) * window).real for part in (count, total))
        profile = total / np.maximum(count, 1e-3 * count.mean())
        return cls(profile - profile.mean())

    @property
    def phase(self) -> Float:
        """Where the fundamental along each coordinate has its crest, periods; zero by the convention for nodes."""
        spectrum = np.fft.fftn(self.values)
        bins = self.values.shape[0]
        found = []
        for axis in range(self.values.ndim):
            index = [0] * self.values.ndim
            index[axis] = 1
            # bins are averages over their width, so their centre is half a bin on
            found.append(-np.angle(spectrum[tuple(index)]) / (2 * np.pi) + 0.5 / bins)
        return np.array(found)

    def at(self, periods: Float) -> tuple[Float, list[Float]]:
        """Profile and its derivative by each lattice coordinate at pixels; each of shape ``(pixels,)``."""
        from scipy import ndimage

        bins = self.values.shape[0]
        fine = _FINER * bins
        where = (periods % 1.0) * fine - 0.5 * _FINER
        spectrum = np.fft.fftshift(np.fft.fftn(self.values))
        order = np.arange(bins) - bins // 2
        margin = (fine - bins) // 2 + (0 if bins % 2 == 0 else (fine % 2 == 0))
        slopes = []

        def look(part: NDArray[np.complex128]) -> Float:
            # Fourier interpolation to a fine table, in which the nearest entries suffice
            padded = np.pad(part, [(margin, fine - bins - margin)] * self.values.ndim)
            table = np.fft.ifftn(np.fft.ifftshift(padded)).real * _FINER**self.values.ndim
            return np.asarray(ndimage.map_coordinates(table, where, order=1, mode="grid-wrap"))

        for axis in range(self.values.ndim):
            shape = [1] * self.values.ndim
            shape[axis] = bins
            # the highest order of an even count has no sign, so no slope
            turn = np.where(2 * np.abs(order) == bins, 0, order)
            slopes.append(look(spectrum * (2j * np.pi * turn).reshape(shape)))
        return look(spectrum), slopes
