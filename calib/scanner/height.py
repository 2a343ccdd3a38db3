"""Height: from what the instrument indicates to how high the surface is.

    z = g1 m + g2 m^2 + g3 m^3 ,   m: indicated height about the middle of the z range.

The gain g1 comes from one step; the curvature g2, g3 from steps of several heights or one step at several heights of
the range. Where neither is to be had they stay at zero, with the uncertainty that they have in such scanners.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.scanner.effect import Float

GAIN_SD = 0.1
"""What is taken for granted of a height gain that no step tells: right to 10 % (common practice, no source)."""

CURVATURE = 0.01
"""How much the gain may change from the middle of the range to its end, as a standard deviation (common practice)."""

BOW = 1e-3
"""Bow of a scanner that no flat tells: departure at the edge of a field over its half width (common practice)."""

NAMES = ("z_gain", "z_square", "z_cube")
UNITS = ("", "1/m", "1/m^2")


@dataclass(frozen=True)
class Height:
    """Height response of a scanner.

    Attributes
    ----------
    values
        g1, g2, g3; shape ``(3,)``.
    covariance
        Shape ``(3, 3)``.
    span
        Range of height for which it holds, m.
    determined
        Whether a step was among the scans.
    """

    values: Float
    covariance: Float
    span: float
    determined: bool

    @classmethod
    def prior(cls, span: float) -> Height:
        """What is known before any step was scanned."""
        half = span / 2
        sd = np.array([GAIN_SD, CURVATURE / (2 * half), CURVATURE / (3 * half**2)])
        return cls(np.array([1.0, 0.0, 0.0]), np.diag(sd**2), span, False)

    def true(self, indicated: Float, centred: bool) -> Float:
        """Height of the surface, m.

        Parameters
        ----------
        indicated
            Indicated height, m; about the middle of the z range if `centred`.
        centred
            Whether that middle is known. If not, only the gain can be applied.
        """
        g1, g2, g3 = self.values
        if not centred:
            return np.asarray(g1 * indicated)
        return np.asarray(indicated * (g1 + indicated * (g2 + indicated * g3)))

    def uncertainty(self, indicated: Float, reference: float, centred: bool) -> Float:
        """Standard uncertainty of a height above the place where `reference` was indicated, m."""
        if centred:
            J = np.stack([indicated**n - reference**n for n in (1, 2, 3)])
            return np.asarray(np.sqrt(np.maximum(np.einsum("i...,ij,j...->...", J, self.covariance, J), 0)))
        # somewhere in the range, nobody knows where: the curvature acts as an unknown change of gain
        rise = indicated - reference
        unknown = self.span / np.sqrt(12)
        slope2 = (2 * unknown) ** 2 * self._second(1) + (3 * unknown**2) ** 2 * self._second(2)
        J = np.stack([rise, rise**2, rise**3])
        own = np.einsum("i...,ij,j...->...", J, self.covariance, J)
        return np.asarray(np.sqrt(np.maximum(own + rise**2 * slope2, 0)))

    def _second(self, k: int) -> float:
        """Mean square of a coefficient."""
        return float(self.covariance[k, k] + self.values[k] ** 2)
