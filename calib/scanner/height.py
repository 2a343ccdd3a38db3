"""Height: from what the instrument indicates to how high the surface is.

    z = g1 m + g2 m^2 + g3 m^3 + B(x, y) ,   m: indicated height about the middle of the z range, B: bow,

and, where the scans tell of them, hysteresis and creep of z (see :mod:`calib.scanner.height_history`).

The gain g1 comes from one step; the curvature g2, g3 from steps of several heights or one step at several heights of
the range; the bow from a flat, or from the plateaus of gratings. Where they are not to be had they stay at zero, with
the uncertainty that they have in such scanners.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.polynomial import legendre

from calib.path import Path
from calib.scanner.bow import Bow
from calib.scanner.effect import Float
from calib.scanner.height_history import HeightHistory

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
        g1, g2, g3, then the coefficients of the bow, then the weights of the history; shape ``(terms,)``.
    covariance
        Shape ``(terms, terms)``.
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
    history
        Operators on the history of heights; None without hysteresis and creep of z.
    scatter
        Standard deviation by which the gain differs from scan to scan beyond that; estimated along with the history.
    left_out
        Why some of them were left out, in one sentence each.
    origins
        Parts of the covariance by where they come from, see :mod:`calib.origins`; empty if that is not known.
    certificates
        By identity of the standard, what the coefficients move by with one standard deviation of each certified value,
        shape ``(terms, values)``: what models of the same standard have in common. Empty if that is not known.
    """

    values: Float
    covariance: Float
    span: float
    determined: bool
    bow: Bow | None = None
    bow_determined: bool = False
    misfit: float = 0.0
    placed: bool = True
    history: HeightHistory | None = None
    scatter: float = 0.0
    left_out: tuple[str, ...] = ()
    origins: Mapping[str, Float] = field(default_factory=dict)
    certificates: Mapping[str, Float] = field(default_factory=dict)

    @classmethod
    def prior(cls, span: float, bow: Bow | None = None, history: HeightHistory | None = None) -> Height:
        """What is known before any step or flat was scanned."""
        half = span / 2
        sd = np.array([GAIN_SD, CURVATURE / (2 * half), CURVATURE / (3 * half**2)])
        if bow is not None:
            sd = np.concatenate([sd, bow.prior_sd()])
        covariance = np.diag(sd**2)
        if history is not None:
            weights = history.prior()
            nothing = np.zeros((sd.size, len(weights)))
            covariance = np.block([[covariance, nothing], [nothing.T, weights]])
        values = np.zeros(len(covariance))
        values[0] = 1.0
        return cls(values, covariance, span, False, bow, history=history)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the coefficients."""
        return NAMES + (tuple(self.bow.names) if self.bow else ()) + (self.history.names if self.history else ())

    @property
    def units(self) -> tuple[str, ...]:
        """Units of the coefficients."""
        history = ("",) * len(self.history.names) if self.history else ()
        return UNITS + (("m",) * len(self.bow.names) if self.bow else ()) + history

    @property
    def of_bow(self) -> slice:
        """Where the coefficients of the bow are."""
        return slice(3, 3 + (len(self.bow.names) if self.bow else 0))

    @property
    def of_history(self) -> slice:
        """Where the weights of the history are."""
        return slice(self.of_bow.stop, self.values.size)

    @property
    def of_level(self) -> np.ndarray:
        """Which coefficients act on a height wherever it is, indices: all but those of the bow."""
        return np.concatenate([np.arange(3), np.arange(self.of_history.start, self.of_history.stop)])

    def bowed(self, position: Float) -> Float:
        """Bow at commanded positions ``(2, ...)``, m; what is to be added to heights."""
        if self.bow is None:
            return np.zeros(position.shape[1:])
        return np.asarray(np.tensordot(self.values[self.of_bow], self.bow.basis(position), 1))

    def bow_of(self, path: Path) -> tuple[Float, Float]:
        """Bow of all pixels of a raster as two factors, shapes ``(slow, n)`` in m and ``(n, fast)``.

        A polynomial of x and y is one of no higher degree along the axes of any raster: as many places as it has
        coefficients along each tell it whole.
        """
        count = self.bow.degree + 1 if self.bow is not None else 0
        nodes = np.cos(np.pi * (np.arange(count) + 0.5) / max(count, 1))
        along, factors = [], []
        for axis in (path.slow, path.fast):
            middle, half = (axis[0] + axis[-1]) / 2, (axis[-1] - axis[0]) / 2 or 1.0
            along.append(middle + half * nodes)
            every = legendre.legvander((axis - middle) / half, count - 1) if count else np.zeros((axis.size, 0))
            factors.append(every @ np.linalg.inv(legendre.legvander(nodes, count - 1)) if count else every)
        slow, fast = np.meshgrid(*along, indexing="ij")
        return factors[0] @ self.bowed(path.at(fast, slow)), factors[1].T

    def true(self, indicated: Float, centred: bool, position: Float | None = None) -> Float:
        """Height of the surface, m, without hysteresis and creep.

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

    def basis(
        self, indicated: Float, centred: bool, position: Float | None = None, images: Float | None = None
    ) -> Float:
        """Derivative of the true height by every coefficient, shape ``(terms, ...)``; zero for what is not given."""
        rows = np.zeros((self.values.size, *np.shape(indicated)))
        rows[0] = indicated
        if centred:
            rows[1:3] = np.stack([indicated**2, indicated**3])
        if self.bow is not None and position is not None:
            rows[self.of_bow] = self.bow.basis(position)
        if images is not None:
            rows[self.of_history] = images
        return rows

    def unknown_gain(self) -> float:
        """Standard deviation of the gain where nobody knows at which height of the range a scan was taken."""
        unknown = self.span / np.sqrt(12)
        squares = [float(self.covariance[k, k] + self.values[k] ** 2) for k in (1, 2)]
        return float(np.sqrt((2 * unknown) ** 2 * squares[0] + (3 * unknown**2) ** 2 * squares[1]))

    def split(self, derivative: Float) -> dict[str, float]:
        """Split the variance of a quantity by what the covariance of the coefficients comes from.

        Parameters
        ----------
        derivative
            Of the quantity by the coefficients, shape ``(terms,)``.

        Returns
        -------
        dict
            Standard uncertainties by name, see :func:`calib.origins.split`.
        """
        from calib.origins import split

        prior = Height.prior(self.span, self.bow, self.history).covariance
        total = derivative[None] @ self.covariance @ derivative[:, None]
        found = split(self.origins, derivative[None], self.covariance, prior, total)
        return {name: float(np.sqrt(max(variance[0, 0], 0.0))) for name, variance in found.items()}

    def uncertainty(self, indicated: Float, reference: float, centred: bool, images: Float | None = None) -> Float:
        """Standard uncertainty of a height above the place where `reference` was indicated, without the bow, m.

        Parameters
        ----------
        images
            Of the history of heights, relative to that place, shape ``(weights, ...)``.
        """
        rise = indicated - reference
        if centred:
            J = np.stack([indicated**n - reference**n for n in (1, 2, 3)])
        else:
            J = np.stack([rise, rise**2, rise**3])
        which = np.arange(3)
        if images is not None:
            J, which = np.concatenate([J, images]), self.of_level
        variance = np.sum(J * np.tensordot(self.covariance[np.ix_(which, which)], J, 1), axis=0)
        if not (centred and self.placed):  # somewhere in the range: the curvature acts as an unknown change of gain
            variance = variance + (rise * self.unknown_gain()) ** 2
        if self.scatter:
            variance = variance + (rise * self.scatter) ** 2
        return np.asarray(np.sqrt(np.maximum(variance, 0)))

    def bow_uncertainty(self, position: Float) -> Float:
        """Standard uncertainty of the bow at commanded positions ``(2, n)``, beside a plane through them, m."""
        if self.bow is None:
            return np.zeros(position.shape[1])
        basis = self.bow.basis(position)
        size = np.abs(position).max() or 1.0
        plane = np.column_stack([np.ones(position.shape[1]), *(position / size)])
        basis = basis - (plane @ np.linalg.lstsq(plane, basis.T, rcond=None)[0]).T
        variance = np.einsum("in,ij,jn->n", basis, self.covariance[self.of_bow, self.of_bow], basis)
        return np.asarray(np.sqrt(np.maximum(variance, 0) + self.misfit**2))
