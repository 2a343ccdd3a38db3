"""Draws of the inputs of a budget, from the distributions that its contributions state (JCGM 101:2008, 6.4)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from calib.budget import Budget, Contribution

Float = NDArray[np.float64]


class Draws:
    """Draws of all inputs."""

    def __init__(
        self,
        inputs: Sequence[Contribution],
        correlations: Mapping[tuple[str, str], float],
        rng: np.random.Generator,
    ) -> None:
        self._inputs = tuple(inputs)
        self._rng = rng
        # a budget knows how to check names and coefficients
        budget = Budget("model", 0.0, self._inputs, correlations)
        matrix = budget.correlation
        linked = np.flatnonzero((matrix != 0).sum(axis=0) > 1)
        self._linked = {int(i): row for row, i in enumerate(linked)}
        value, vector = np.linalg.eigh(matrix[np.ix_(linked, linked)])
        self._root = vector * np.sqrt(np.maximum(value, 0.0))

    def __call__(self, size: int) -> list[Float]:
        """Draw so many values of each input, an array of shape ``(size,)`` for each."""
        normal = self._root @ self._rng.standard_normal((len(self._linked), size))
        scales: dict[float, Float] = {}
        drawn = []
        for i, part in enumerate(self._inputs):
            base = normal[self._linked[i]] if i in self._linked else None
            if part.distribution in ("normal", "t"):
                unit = self._rng.standard_normal(size) if base is None else base
                if math.isfinite(part.dof):
                    if base is None:
                        unit = unit * self._scale(part.dof, size)
                    else:
                        if part.dof not in scales:
                            scales[part.dof] = self._scale(part.dof, size)
                        unit = unit * scales[part.dof]
                drawn.append(part.value + part.u * unit)
            else:
                drawn.append(part.value + self._limited(part, base, size))
        return drawn

    def _scale(self, dof: float, size: int) -> Float:
        """What makes a t distribution of a normal one."""
        return np.asarray(np.sqrt(dof / self._rng.chisquare(dof, size)))

    def _limited(self, part: Contribution, base: Float | None, size: int) -> Float:
        """Draws of a distribution that has limits, about zero."""
        if base is None:
            p = self._rng.random(size)
        else:
            from scipy.special import ndtr

            p = ndtr(base)
        q = 2 * p - 1
        # quantile functions for limits of ±1, and u of those limits
        if part.distribution == "rectangular":
            unit, u = q, 1 / math.sqrt(3)
        elif part.distribution == "triangular":
            unit, u = np.sign(q) * (1 - np.sqrt(1 - np.abs(q))), 1 / math.sqrt(6)
        else:
            unit, u = np.sin(0.5 * np.pi * q), 1 / math.sqrt(2)
        if math.isfinite(part.dof):
            unsure = min(math.sqrt(1.5 / part.dof), 1.0)
            unit = unit * (1 + unsure * self._rng.uniform(-1, 1, size))
        return np.asarray(part.u / u * unit)
