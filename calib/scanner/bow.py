r"""Bow: the scanner does not move in a plane, so that a flat looks curved.

    z = g(m) + B(xi, eta) ,   B = sum over 2 <= i + j <= n of b_ij P_i(xi) P_j(eta) ,

with Legendre polynomials over the travel, as for the bending of x and y. The plane of the sample is the sample's own
and no part of it. A flat's certificate, or the plateaus of gratings on a flat substrate, tell it; a sample of unknown
shape can't.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import legendre

from calib.scanner.effect import Float

DEGREE = 6
SPREAD = 5e-3
"""Prior standard deviation of a coefficient of degree 2 over half the travel; it halves with each degree (bows of some
tenths of a per cent of the field are usual; common practice, no source)."""


@dataclass(frozen=True)
class Bow:
    """Shape functions of a bow.

    Attributes
    ----------
    travel, centre
        Box of x and y over which the polynomials run from -1 to 1, m.
    degree
        Highest total degree.
    """

    travel: tuple[float, float]
    centre: tuple[float, float] = (0.0, 0.0)
    degree: int = DEGREE

    @property
    def exponents(self) -> list[tuple[int, int]]:
        """Degrees in (x, y) of each term."""
        return [(total - j, j) for total in range(2, self.degree + 1) for j in range(total + 1)]

    @property
    def names(self) -> list[str]:
        """Names of the coefficients."""
        return [f"bow_{i}_{j}" for i, j in self.exponents]

    def basis(self, position: Float) -> Float:
        """Shapes at commanded positions ``(2, ...)``; shape ``(terms, ...)``."""
        xi = 2 * (position[0] - self.centre[0]) / self.travel[0]
        eta = 2 * (position[1] - self.centre[1]) / self.travel[1]
        in_x = np.moveaxis(legendre.legvander(xi, self.degree), -1, 0)
        in_y = np.moveaxis(legendre.legvander(eta, self.degree), -1, 0)
        i, j = np.array(self.exponents, dtype=np.int64).reshape(-1, 2).T
        return np.asarray(in_x[i] * in_y[j])

    def prior_sd(self) -> Float:
        """Prior standard deviation of each coefficient, m."""
        totals = np.array([i + j for i, j in self.exponents], dtype=np.float64)
        return np.asarray(SPREAD * max(self.travel) / 2 * 0.5 ** (totals - 2))
