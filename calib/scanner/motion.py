"""The sum of what a scanner does: from the commanded path to true position.

    x = a_x X + sin(skew) a_y Y + d_x ,    y = cos(skew) a_y Y + d_y ,
    X = u + sum of the effects on x ,      Y = v + sum of the effects on y .

Linear in the coefficients of the effects; scales and skew multiply them.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np

from calib.path import Path, Samples
from calib.scanner.effect import Coefficient, Effect, Float, Nuisances, Summed

AXES_COEFFICIENTS = (
    Coefficient("scale_x", 0, ""),
    Coefficient("scale_y", 1, ""),
    Coefficient("skew", 1, "rad"),
)

# What is taken for granted about an axis that no scan tells anything of: right to 20 % and 6 degrees.
_AXES_PRIOR_MEAN = np.array([1.0, 1.0, 0.0])
_AXES_PRIOR_SD = np.array([0.2, 0.2, 0.1])


class Motion:
    """Axes and effects of one scanner, as functions of one vector of shared coefficients.

    Parameters
    ----------
    effects
        In any order; each is used as it is.
    """

    def __init__(self, effects: Sequence[Effect]) -> None:
        self.effects = tuple(effects)

    @cached_property
    def coefficients(self) -> tuple[Coefficient, ...]:
        """Scales and skew, then the effects' own."""
        return AXES_COEFFICIENTS + tuple(c for effect in self.effects for c in effect.coefficients)

    @cached_property
    def names(self) -> list[str]:
        """Names of the coefficients."""
        return [c.name for c in self.coefficients]

    @cached_property
    def rest_values(self) -> Float:
        """Coefficients of a perfect scanner: scales of 1, all else 0."""
        return np.concatenate([_AXES_PRIOR_MEAN, np.zeros(len(self.coefficients) - 3)])

    @cached_property
    def prior_covariance(self) -> Float:
        """Prior covariance about :attr:`rest_values`."""
        blocks = [np.diag(_AXES_PRIOR_SD**2), *(effect.prior() for effect in self.effects)]
        covariance = np.zeros((len(self.coefficients),) * 2)
        at = 0
        for block in blocks:
            covariance[at : at + len(block), at : at + len(block)] = block
            at += len(block)
        return covariance

    def missing(self, path: Path) -> list[str]:
        """Why some effects can't be told on this path."""
        return [reason for effect in self.effects if (reason := effect.missing(path))]

    def shared(self, path: Path, samples: Samples) -> Float:
        """Basis of the effects at samples, shape ``(coefficients - 3, samples)``."""
        parts = [effect.basis(path, samples) for effect in self.effects]
        return np.concatenate(parts) if parts else np.zeros((0, samples.size))

    def nuisances(self, path: Path, samples: Samples) -> list[tuple[str, Nuisances]]:
        """Unknowns of this scan alone, with what they act on."""
        found = [(effect.acts_on, effect.nuisances(path, samples)) for effect in self.effects]
        return [(acts_on, nuisances) for acts_on, nuisances in found if nuisances.terms.coefficients]

    @cached_property
    def axis(self) -> np.ndarray:
        """Axis of each coefficient of the effects, shape ``(coefficients - 3,)``."""
        return np.array([c.axis for c in self.coefficients[3:]], dtype=np.int64)

    def actuator(self, samples: Samples, values: Float, shared: Float) -> Float:
        """Actuator position (X, Y) before scale and skew, m; shape ``(2, samples)``."""
        moved = samples.position.copy()
        for axis in (0, 1):
            mine = self.axis == axis
            moved[axis] += values[3:][mine] @ shared[mine]
        return moved

    def position(self, path: Path, samples: Samples, values: Float) -> Float:
        """True position (x, y) at samples, m; shape ``(2, samples)``."""
        moved = samples.position.copy()
        at = 3
        for effect in self.effects:
            weights = values[at : at + len(effect.coefficients)]
            at += weights.size
            if not weights.any():
                continue
            if isinstance(effect, Summed):
                moved += effect.moved(path, samples, weights)
                continue
            basis = effect.basis(path, samples)
            for axis in (0, 1):
                mine = np.array([c.axis == axis for c in effect.coefficients])
                moved[axis] += weights[mine] @ basis[mine]
        return to_true(values, moved)

    def jacobian(self, samples: Samples, values: Float, shared: Float) -> Float:
        """Derivative of true position by every coefficient, shape ``(2, coefficients, samples)``."""
        X, Y = self.actuator(samples, values, shared)
        scale_y, skew = values[1:3]
        sin, cos = np.sin(skew), np.cos(skew)
        J = np.zeros((2, len(self.coefficients), samples.size))
        J[0, 0] = X
        J[0, 1], J[1, 1] = sin * Y, cos * Y
        J[0, 2], J[1, 2] = cos * scale_y * Y, -sin * scale_y * Y
        through = axes_matrix(values)
        J[0, 3:] = through[0, self.axis][:, None] * shared
        J[1, 3:] = through[1, self.axis][:, None] * shared
        return J


def axes_matrix(values: Float) -> Float:
    """Matrix that takes actuator to true position."""
    scale_x, scale_y, skew = values[:3]
    return np.array([[scale_x, np.sin(skew) * scale_y], [0.0, np.cos(skew) * scale_y]])


def to_true(values: Float, actuator: Float) -> Float:
    """True position of an actuator position, shape ``(2, samples)``."""
    return np.asarray(axes_matrix(values) @ actuator)
