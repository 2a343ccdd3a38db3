"""Height: from what the instrument indicates to how high the surface is.

    z = g1 m + g2 m^2 + g3 m^3 + B(x, y) ,   m: indicated height about the middle of the z range, B: bow.

The gain g1 comes from one step; the curvature g2, g3 from steps of several heights or one step at several heights of
the range; the bow from a flat, or from the plateaus of gratings. Where they are not to be had they stay at zero, with
the uncertainty that they have in such scanners.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.scanner.bow import Bow
from calib.scanner.effect import Float

GAIN_SD = 0.1
"""What is taken for granted of a height gain that no step tells: right to 10 % (common practice, no source)."""

CURVATURE = 0.01
"""How much the gain may change from the middle of the range to its end, as a standard deviation (common practice)."""

BOW = 1e-3
"""Bow of a scanner of which nothing is known: departure at the edge of a field over its half width (no source)."""

NAMES = ("z_gain", "z_square", "z_cube")
UNITS = ("", "1/m", "1/m^2")


@dataclass(frozen=True)
class Height:
    """Height response of a scanner.

    Attributes
    ----------
    values
        g1, g2, g3, then the coefficients of the bow; shape ``(3 + terms,)``.
    covariance
        Shape ``(3 + terms, 3 + terms)``.
    span
        Range of height for which it holds, m.
    determined
        Whether a step was among the scans.
    bow
        Shapes of the bow; None without one.
    bow_determined
        Whether flats or plateaus told anything of it.
    misfit
        Standard deviation of heights that the response does not follow, m.
    placed
        Whether the scans told where in the z range they were taken, so that the gain is that of the middle.
    """

    values: Float
    covariance: Float
    span: float
    determined: bool
    bow: Bow | None = None
    bow_determined: bool = False
    misfit: float = 0.0
    placed: bool = True

    @classmethod
    def prior(cls, span: float, bow: Bow | None = None) -> Height:
        """What is known before any step or flat was scanned."""
        half = span / 2
        sd = np.array([GAIN_SD, CURVATURE / (2 * half), CURVATURE / (3 * half**2)])
        values = np.array([1.0, 0.0, 0.0])
        if bow is not None:
            sd = np.concatenate([sd, bow.prior_sd()])
            values = np.concatenate([values, np.zeros(sd.size - 3)])
        return cls(values, np.diag(sd**2), span, False, bow)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the coefficients."""
        return NAMES + (tuple(self.bow.names) if self.bow else ())

    @property
    def units(self) -> tuple[str, ...]:
        """Units of the coefficients."""
        return UNITS + (("m",) * len(self.bow.names) if self.bow else ())

    def bowed(self, position: Float) -> Float:
        """Bow at commanded positions ``(2, ...)``, m; what is to be added to heights."""
        if self.bow is None:
            return np.zeros(position.shape[1:])
        return np.asarray(np.tensordot(self.values[3:], self.bow.basis(position), 1))

    def true(self, indicated: Float, centred: bool, position: Float | None = None) -> Float:
        """Height of the surface, m.

        Parameters
        ----------
        indicated
            Indicated height, m; about the middle of the z range if `centred`.
        centred
            Whether that middle is known. If not, only the gain can be applied.
        position
            Commanded position, m, shape ``(2, ...)``; without it the bow is left.
        """
        g1, g2, g3 = self.values[:3]
        level = indicated * (g1 + indicated * (g2 + indicated * g3)) if centred else g1 * indicated
        return np.asarray(level if position is None else level + self.bowed(position))

    def basis(self, indicated: Float, centred: bool, position: Float | None = None) -> Float:
        """Derivative of the true height by every coefficient, shape ``(3 + terms, ...)``."""
        rows = [indicated, indicated**2, indicated**3]
        if not centred:
            rows[1:] = [np.zeros_like(indicated)] * 2
        gains = np.stack(rows)
        if self.bow is None:
            return gains
        bow = np.zeros((len(self.values) - 3, *np.shape(indicated)))
        return np.concatenate([gains, bow if position is None else self.bow.basis(position)])

    def unknown_gain(self) -> float:
        """Standard deviation of the gain where nobody knows at which height of the range a scan was taken."""
        unknown = self.span / np.sqrt(12)
        squares = [float(self.covariance[k, k] + self.values[k] ** 2) for k in (1, 2)]
        return float(np.sqrt((2 * unknown) ** 2 * squares[0] + (3 * unknown**2) ** 2 * squares[1]))

    def uncertainty(self, indicated: Float, reference: float, centred: bool) -> Float:
        """Standard uncertainty of a height above the place where `reference` was indicated, without the bow, m."""
        rise = indicated - reference
        if centred:
            J = np.stack([indicated**n - reference**n for n in (1, 2, 3)])
        else:
            J = np.stack([rise, rise**2, rise**3])
        variance = np.einsum("i...,ij,j...->...", J, self.covariance[:3, :3], J)
        if not (centred and self.placed):  # somewhere in the range: the curvature acts as an unknown change of gain
            variance = variance + (rise * self.unknown_gain()) ** 2
        return np.asarray(np.sqrt(np.maximum(variance, 0)))

    def bow_uncertainty(self, position: Float) -> Float:
        """Standard uncertainty of the bow at commanded positions ``(2, n)``, beside a plane through them, m."""
        if self.bow is None:
            return np.zeros(position.shape[1])
        basis = self.bow.basis(position)
        size = np.abs(position).max() or 1.0
        plane = np.column_stack([np.ones(position.shape[1]), *(position / size)])
        basis = basis - (plane @ np.linalg.lstsq(plane, basis.T, rcond=None)[0]).T
        variance = np.einsum("in,ij,jn->n", basis, self.covariance[3:, 3:], basis)
        return np.asarray(np.sqrt(np.maximum(variance, 0) + self.misfit**2))
