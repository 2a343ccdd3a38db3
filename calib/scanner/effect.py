"""The one interface through which the fit and the model know an effect.

An effect is linear in its coefficients: it adds ``sum_j c_j B_j(path, samples)`` to the movement of one
scanner axis (``acts_on == "actuator"``, before scale and skew) or to the true position (``"position"``).
What it needs to know of the path, and has no way of knowing, it leaves out, with a reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from calib.path import Path, Samples

Float = NDArray[np.float64]
AXES = ("x", "y", "z")
Factors = tuple[float, float, float]


@dataclass(frozen=True)
class Coefficient:
    """One number of an effect.

    Attributes
    ----------
    name
        Unique within a model, e.g. ``creep_x_0``.
    axis
        0, 1 or 2 for x, y or z.
    unit
        SI unit; empty for a plain number.
    """

    name: str
    axis: int
    unit: str


@dataclass(frozen=True)
class Terms:
    """Coefficients with their prior and their basis on some samples.

    Attributes
    ----------
    coefficients
        ``n`` of them.
    basis
        What one unit of each adds at each sample; shape ``(n, samples)``.
    """

    coefficients: tuple[Coefficient, ...]
    basis: Float


@dataclass(frozen=True)
class Nuisances:
    """What is unknown of one scan only.

    Attributes
    ----------
    terms
        Coefficients and what they add.
    sd
        Prior standard deviation of each, shape ``(coefficients,)``.
    memory
        Time over which they stay alike from scan to scan, s; 0 if each scan has its own.
    """

    terms: Terms
    sd: Float
    memory: float = 0.0


class Effect(Protocol):
    """What one effect must offer; a new effect is one new file with such a class.

    Attributes
    ----------
    name
        Key of the effect in model files.
    acts_on
        ``actuator`` or ``position``.
    coefficients
        Those shared by all scans of the scanner; they may be none.
    """

    name: str
    acts_on: Literal["actuator", "position"]

    @property
    def coefficients(self) -> tuple[Coefficient, ...]:
        """Those shared by all scans of the scanner."""
        ...

    def missing(self, path: Path) -> str:
        """Why the effect can't be told on this path, or an empty string."""
        ...

    def basis(self, path: Path, samples: Samples) -> Float:
        """Shared basis at samples, shape ``(coefficients, samples)``; zero where the effect is missing."""
        ...

    def prior(self) -> Float:
        """Prior covariance of the shared coefficients about zero, shape ``(coefficients, coefficients)``."""
        ...

    def nuisances(self, path: Path, samples: Samples) -> Nuisances:
        """What is unknown of one scan only."""
        ...

    def rescaled(self, factors: Factors) -> tuple[Effect, Float]:
        """Return the same effect where lengths are commanded on other scales, and by what its coefficients change.

        Parameters
        ----------
        factors
            Of x, y and z: a commanded position as it was, and an indicated height, over what it is now.
        """
        ...

    def settings(self) -> dict[str, Any]:
        """Constructor arguments as plain JSON values, so that a model file can rebuild the effect."""
        ...


@runtime_checkable
class Summed(Protocol):
    """An effect that knows a shorter way to the sum of its terms than by each of them."""

    def moved(self, path: Path, samples: Samples, weights: Float) -> Float:
        """What coefficients with these values add to x and y, m; shape ``(2, samples)``."""
        ...


def over(lengths: Sequence[float], factors: Sequence[float]) -> tuple[float, float]:
    """Lengths along x and y on other scales."""
    return lengths[0] / factors[0], lengths[1] / factors[1]


def of_axes(coefficients: Sequence[Coefficient], factors: Sequence[float]) -> Float:
    """By what displacements change that have a size of their own: those of each axis by its factor."""
    return np.array([1 / factors[c.axis] for c in coefficients])


def nuisances_of(items: Sequence[tuple[Coefficient, Float, float]], samples: Samples, memory: float = 0.0) -> Nuisances:
    """Put single terms (coefficient, basis, prior standard deviation) together; there may be none."""
    if not items:
        return Nuisances(Terms((), np.zeros((0, samples.size))), np.zeros(0))
    coefficients, bases, sds = zip(*items, strict=True)
    return Nuisances(Terms(tuple(coefficients), np.stack(bases)), np.asarray(sds, dtype=np.float64), memory)
