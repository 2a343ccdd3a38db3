"""A smooth function of scan coordinates, fitted to scattered values: how a lattice coordinate varies over a pass."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import legendre

from calib.scanner.effect import Float


@dataclass(frozen=True)
class Surface:
    """Legendre polynomial of total degree at most ``degree`` in (fast, slow) over a box.

    Attributes
    ----------
    coefficients
        Shape ``(degree + 1, degree + 1)``; index (power of fast, power of slow).
    box
        ``(fast low, fast high, slow low, slow high)``, m.
    """

    coefficients: Float
    box: tuple[float, float, float, float]

    @classmethod
    def fit(
        cls,
        fast: Float,
        slow: Float,
        values: Float,
        weights: Float,
        degree: int,
        box: tuple[float, float, float, float],
        *,
        only_needed: bool = False,
    ) -> Surface:
        """Robust weighted least squares; all arrays of shape ``(points,)``.

        Parameters
        ----------
        only_needed
            Take the lowest degree that the values need, `degree` at most, by Schwarz's criterion (1978): terms that
            only follow noise are large at the border.
        """
        powers = [(i, total - i) for total in range(degree + 1) for i in range(total + 1)]
        s, t = _scaled(fast, box[0], box[1]), _scaled(slow, box[2], box[3])
        i, j = np.array(powers).T
        design = (legendre.legvander(s, degree).T[i] * legendre.legvander(t, degree).T[j]).T
        robust = np.ones_like(values)
        fit = np.zeros(len(powers))
        for _ in range(4):
            scale = np.sqrt(weights * robust)
            fit = np.linalg.lstsq(design * scale[:, None], values * scale, rcond=1e-12)[0]
            rest = values - design @ fit
            spread = np.median(np.abs(rest[weights > 0])) + 1e-9
            robust = 1 / (1 + (rest / (5 * spread)) ** 2)
        if only_needed:
            fit = _needed(design * scale[:, None], values * scale, degree)
        table = np.zeros((degree + 1, degree + 1))
        table[i, j] = fit
        return cls(table, box)

    def grid(self, fast: Float, slow: Float) -> Float:
        """Values on a grid, shape ``(slow, fast)``."""
        degree = self.coefficients.shape[0] - 1
        s = legendre.legvander(_scaled(fast, self.box[0], self.box[1]), degree)
        t = legendre.legvander(_scaled(slow, self.box[2], self.box[3]), degree)
        return np.asarray(t @ self.coefficients.T @ s.T)

    def at(self, fast: Float, slow: Float) -> Float:
        """Values at points, shape ``(points,)``."""
        s, t = _scaled(fast, self.box[0], self.box[1]), _scaled(slow, self.box[2], self.box[3])
        return np.asarray(legendre.legval2d(s, t, self.coefficients))

    def slopes(self) -> tuple[Surface, Surface]:
        """Derivatives by the fast and by the slow coordinate, 1/m."""
        found = []
        for axis, (low, high) in enumerate((self.box[:2], self.box[2:])):
            table = np.zeros_like(self.coefficients)
            derived = legendre.legder(self.coefficients, axis=axis) * 2 / (high - low)
            table[: derived.shape[0], : derived.shape[1]] = derived
            found.append(Surface(table, self.box))
        return found[0], found[1]

    def shifted(self, by: float) -> Surface:
        """The same with a constant added."""
        table = self.coefficients.copy()
        table[0, 0] += by
        return Surface(table, self.box)


def _needed(design: Float, values: Float, degree: int) -> Float:
    """Coefficients of the fit of the degree that suffices; columns of the design are in order of their degree."""
    q, r = np.linalg.qr(design)
    along = q.T @ values
    counts = np.array([(n + 1) * (n + 2) // 2 for n in range(degree + 1)])
    left = np.maximum(values @ values - np.cumsum(along**2)[counts - 1], 1e-300)
    best = counts[int(np.argmin(len(values) * np.log(left) + counts * np.log(len(values))))]
    fit = np.zeros(design.shape[1])
    fit[:best] = np.linalg.lstsq(r[:best, :best], along[:best], rcond=1e-12)[0]
    return fit


def _scaled(values: Float, low: float, high: float) -> Float:
    return np.asarray((2 * values - low - high) / (high - low))
