"""The standard's own mean profile: what one period looks like in one pass, folded from all of them."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.scanner.effect import Float

_FINER = {1: 30, 2: 6}
"""How much finer than its bins a profile is tabulated, by the number of coordinates."""

_ORDERS = {1: 24, 2: 16}
"""Harmonics of the profile along one coordinate, at most, by the number of coordinates."""

_SHOWN = {1: 0.75, 2: 1.0}
"""Harmonics for each place in the period with pixels, by the number of coordinates. More than half of one, as
places drift a little over the image."""

_HELD = 1e-3
_ENOUGH = 1e-6


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
    def fold(cls, periods: Float, values: Float, weights: Float, sampling: float = np.inf) -> Template:
        """Average pixels by where in the period they lie.

        Parameters
        ----------
        periods
            Lattice coordinates, shape ``(1 or 2, pixels)``.
        values, weights
            Shape ``(pixels,)``.
        sampling
            Places in the period on which there are pixels: harmonics that these can't show are not made up.
        """
        dimensions = len(periods)
        orders = int(np.clip(_SHOWN[dimensions] * sampling, 3, _ORDERS[dimensions]))
        bins, finer = 2 * orders + 1, _FINER[dimensions]
        fine = finer * bins
        weight, total = _shared_out(periods, [weights, weights * values], fine)
        keep = _low_orders(fine, orders, dimensions)
        order2 = sum(np.square(np.fft.fftfreq(fine) * fine / orders).reshape(axis) for axis in _axes(dimensions))
        # where pixels fall on few places in the period, high orders are held down rather than made up
        held = _HELD * float(weight.mean()) * np.square(order2)

        def apply(profile: Float) -> Float:
            normal = np.fft.fftn(weight * profile) + held * np.fft.fftn(profile)
            return np.asarray(np.fft.ifftn(np.where(keep, normal, 0)).real)

        right = np.asarray(np.fft.ifftn(np.where(keep, np.fft.fftn(total), 0)).real)
        profile = _conjugate_gradients(apply, right, right / max(float(weight.mean()), 1e-300))
        profile -= profile.mean()
        # band-limited, so that a coarse table holds all of it; entries are centres of bins
        spectrum = np.fft.fftn(profile)[np.ix_(*[np.r_[0 : orders + 1, -orders:0]] * dimensions)] / finer**dimensions
        half = 0.5 / fine - 0.5 / bins
        for axis in _axes(dimensions):
            spectrum = spectrum * np.exp(-2j * np.pi * half * (np.fft.fftfreq(bins) * bins).reshape(axis))
        return cls(np.fft.ifftn(spectrum).real)

    @property
    def phase(self) -> Float:
        """Where the fundamental along each coordinate has its crest, periods; zero by the convention for nodes."""
        # bins are averages over their width, so their centre is half a bin on
        return np.asarray(-np.angle(self._fundamentals) / (2 * np.pi) + 0.5 / self.values.shape[0])

    @property
    def amplitude(self) -> Float:
        """Amplitude of the fundamental along each coordinate."""
        return np.asarray(2 * np.abs(self._fundamentals) / self.values.size)

    @property
    def _fundamentals(self) -> NDArray[np.complex128]:
        """Entries of the spectrum at the fundamental along each coordinate."""
        spectrum = np.fft.fftn(self.values)
        return np.array([spectrum[tuple(index)] for index in np.eye(self.values.ndim, dtype=np.int64)])

    def centred(self) -> Template:
        """The same profile with the crests of its fundamentals at zero."""
        bins, phase = self.values.shape[0], self.phase
        spectrum = np.fft.fftn(self.values)
        for axis, shift in zip(_axes(self.values.ndim), phase, strict=True):
            spectrum = spectrum * np.exp(2j * np.pi * shift * (np.fft.fftfreq(bins) * bins).reshape(axis))
        return Template(np.fft.ifftn(spectrum).real)

    def values_at(self, periods: Float) -> Float:
        """Profile at pixels, shape ``(pixels,)``."""
        return self._look(np.fft.fftshift(np.fft.fftn(self.values)), periods)

    def at(self, periods: Float) -> tuple[Float, list[Float]]:
        """Profile and its derivative by each lattice coordinate at pixels; each of shape ``(pixels,)``."""
        bins = self.values.shape[0]
        spectrum = np.fft.fftshift(np.fft.fftn(self.values))
        order = np.arange(bins) - bins // 2
        # the highest order of an even count has no sign, so no slope
        order = np.where(2 * np.abs(order) == bins, 0, order)
        slopes = []
        for axis in range(self.values.ndim):
            shape = [1] * self.values.ndim
            shape[axis] = bins
            slopes.append(self._look(spectrum * (2j * np.pi * order).reshape(shape), periods))
        return self._look(spectrum, periods), slopes

    def _look(self, spectrum: NDArray[np.complex128], periods: Float) -> Float:
        """Fourier interpolation to a fine table, linear within it."""
        from scipy import ndimage

        bins, finer = self.values.shape[0], _FINER[self.values.ndim]
        fine = finer * bins
        before = fine // 2 - bins // 2
        padded = np.pad(spectrum, [(before, fine - bins - before)] * self.values.ndim)
        table = np.fft.ifftn(np.fft.ifftshift(padded)).real * finer**self.values.ndim
        where = (periods % 1.0) * fine - 0.5 * finer
        return np.asarray(ndimage.map_coordinates(table, where, order=1, mode="grid-wrap"))


def _axes(dimensions: int) -> list[tuple[int, ...]]:
    """Shapes that lay a list along each axis."""
    return [(-1,)] if dimensions == 1 else [(-1, 1), (1, -1)]


def _shared_out(periods: Float, parts: list[Float], fine: int) -> list[Float]:
    """Sum what pixels have into a table over the period, linearly shared between the entries about each.

    The nearest entry alone would do where rounding averages out, but not where all periods are sampled alike.
    """
    at = (periods - np.floor(periods)) * fine + 0.5
    low = at.astype(np.int64)
    after = at - low
    # entries run from one before the period to one behind it
    shape = (fine + 2,) * len(periods)
    first = low[0] if len(periods) == 1 else low[0] * shape[0] + low[1]
    tables = [np.zeros(np.prod(shape)) for _ in parts]
    for corner in itertools.product((0, 1), repeat=len(periods)):
        index = first + int(np.ravel_multi_index(corner, shape))
        shares = [share if one else 1 - share for share, one in zip(after, corner, strict=True)]
        share = shares[0] if len(shares) == 1 else shares[0] * shares[1]
        for table, values in zip(tables, parts, strict=True):
            table += np.bincount(index, share * values, table.size)
    return [_wrapped(table.reshape(shape)) for table in tables]


def _wrapped(table: Float) -> Float:
    """Add the entries outside of the period to those that they repeat."""
    for axis in range(table.ndim):
        table = np.moveaxis(table, axis, 0)
        inner = table[1:-1].copy()
        inner[-1] += table[0]
        inner[0] += table[-1]
        table = np.moveaxis(inner, 0, axis)
    return table


def _low_orders(fine: int, orders: int, dimensions: int) -> NDArray[np.bool_]:
    low = np.abs(np.fft.fftfreq(fine) * fine) <= orders + 0.5
    return np.asarray(low if dimensions == 1 else low[:, None] & low[None, :], dtype=np.bool_)


def _conjugate_gradients(apply: Callable[[Float], Float], right: Float, start: Float) -> Float:
    """Solve ``apply(x) = right`` for a positive operator (Hestenes & Stiefel 1952)."""
    x = start
    rest = right - apply(x)
    direction = rest.copy()
    size2 = float(np.sum(rest**2))
    goal = _ENOUGH**2 * float(np.sum(right**2))
    for _ in range(40):
        if size2 <= goal:
            break
        moved = apply(direction)
        along = size2 / float(np.sum(direction * moved))
        x = x + along * direction
        rest = rest - along * moved
        last, size2 = size2, float(np.sum(rest**2))
        direction = rest + size2 / last * direction
    return x
