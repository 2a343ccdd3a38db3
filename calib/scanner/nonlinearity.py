"""Static nonlinearity and cross-coupling: each axis bends as a smooth function of where both are.

Tensor Legendre polynomials in the commanded position, of total degree 2 up to a maximum that is chosen by how
well scans that were left out are predicted. Terms in one coordinate bend the scale; mixed and foreign terms bow
straight lines.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.polynomial import legendre

from calib.path import Path, Samples
from calib.scanner.effect import AXES, Coefficient, Factors, Float, Nuisances, nuisances_of, of_axes, over


class Nonlinearity:
    """Static bending of x and y.

    Parameters
    ----------
    travel
        Travel of x and y, m: the box in which ``xi = 2u/T`` runs from -1 to 1.
    centre
        Centre of that box, m.
    degree
        Highest total degree; below 2 there is nothing.
    spread
        Prior standard deviation of a coefficient of degree 2, as a fraction of the travel. Each further degree
        halves it, since scanners bend smoothly (common practice, no source).
    """

    name = "nonlinearity"
    acts_on: Literal["actuator", "position"] = "actuator"

    def __init__(
        self,
        travel: tuple[float, float],
        centre: tuple[float, float] = (0.0, 0.0),
        degree: int = 5,
        spread: float = 0.02,
    ) -> None:
        self.travel = (float(travel[0]), float(travel[1]))
        self.centre = (float(centre[0]), float(centre[1]))
        self.degree = int(degree)
        self.spread = float(spread)

    @cached_property
    def exponents(self) -> list[tuple[int, int]]:
        """Degrees in (x, y) of each term, lowest total degree first."""
        return [(total - j, j) for total in range(2, self.degree + 1) for j in range(total + 1)]

    @cached_property
    def coefficients(self) -> tuple[Coefficient, ...]:
        """Terms of x, then of y; m."""
        return tuple(
            Coefficient(f"nonlinearity_{AXES[axis]}_{i}_{j}", axis, "m") for axis in (0, 1) for i, j in self.exponents
        )

    def missing(self, path: Path) -> str:
        """Return an empty string: a position is all it needs."""
        return ""

    def basis(self, path: Path, samples: Samples) -> Float:
        """Legendre products at the samples, shape ``(coefficients, samples)``."""
        terms = self._terms(samples.position)
        return np.concatenate([terms, terms])

    def moved(self, path: Path, samples: Samples, weights: Float) -> Float:
        """Sum of all products, m; shape ``(2, samples)``."""
        in_x, in_y = self._powers(samples.position)
        result = np.zeros((2, samples.size))
        for axis, own in enumerate(np.split(weights, 2)):
            table = np.zeros((self.degree + 1,) * 2)
            table[tuple(np.array(self.exponents).T)] = own
            result[axis] = np.einsum("in,in->n", table.T @ in_x, in_y)
        return result

    def _powers(self, position: Float) -> tuple[Float, Float]:
        """Legendre polynomials of x and of y by degree, shape ``(degree + 1, ...)`` each."""
        xi = 2 * (position[0] - self.centre[0]) / self.travel[0]
        eta = 2 * (position[1] - self.centre[1]) / self.travel[1]
        return legendre.legvander(xi, self.degree).T, legendre.legvander(eta, self.degree).T

    def _terms(self, position: Float) -> Float:
        if not self.exponents:
            return np.zeros((0, position.shape[-1]))
        in_x, in_y = self._powers(position)
        i, j = np.array(self.exponents).T
        return np.asarray(in_x[i] * in_y[j])

    def prior(self) -> Float:
        """Independent coefficients, halving with each degree."""
        totals = np.array([i + j for i, j in self.exponents])
        sds = [self.spread * self.travel[axis] * 0.5 ** (totals - 2.0) for axis in (0, 1)]
        return np.diag(np.concatenate(sds) ** 2) if totals.size else np.zeros((0, 0))

    def nuisances(self, path: Path, samples: Samples) -> Nuisances:
        """None: bending is the scanner's own."""
        return nuisances_of([], samples)

    def rescaled(self, factors: Factors) -> tuple[Nonlinearity, Float]:
        """The box of the polynomials is as large as it was."""
        return Nonlinearity(over(self.travel, factors), over(self.centre, factors), self.degree, self.spread), of_axes(
            self.coefficients, factors
        )

    def settings(self) -> dict[str, Any]:
        """Return what rebuilds this effect."""
        return {
            "travel": list(self.travel),
            "centre": list(self.centre),
            "degree": self.degree,
            "spread": self.spread,
        }
