"""Squareness of z to x and y, and the arc of the probe: the probe moves sideways as it rises.

    X = u + ... + s_x z + q_x z^2 ,   and the same for Y,

with z the indicated height: s is the angle by which z leans, q comes from a probe that swings on an arc (1 / (2 R) for
an arm of length R). A surface that is level shows nothing of it, and a tilted one looks stretched: by the opposite
amount when the same structure is turned by 180 degrees, which is what tells it from the scale.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np

from calib.path import Path, Samples
from calib.scanner.effect import AXES, Coefficient, Factors, Float, Nuisances, nuisances_of, of_axes


class Squareness:
    """Lean of z along x and y, and its change with height.

    Parameters
    ----------
    lean
        Prior standard deviation of the angles, rad (a few degrees; common practice, no source).
    bend
        Prior standard deviation of the quadratic terms, 1/m.
    """

    name = "squareness"
    acts_on: Literal["actuator", "position"] = "actuator"
    coefficients: tuple[Coefficient, ...] = tuple(
        Coefficient(f"{what}_{AXES[axis]}", axis, unit)
        for what, unit in (("lean", "rad"), ("arc", "1/m"))
        for axis in (0, 1)
    )

    def __init__(self, lean: float = 0.03, bend: float = 50.0) -> None:
        self.lean = float(lean)
        self.bend = float(bend)

    def missing(self, path: Path) -> str:
        """Return an empty string: without heights nothing moves."""
        return ""

    def basis(self, path: Path, samples: Samples) -> Float:
        """Heights, and where their place in the range is known their squares; shape ``(4, samples)``."""
        square = samples.height**2 if path.centred else np.zeros(samples.size)
        return np.stack([samples.height, samples.height, square, square])

    def prior(self) -> Float:
        """Independent coefficients."""
        return np.diag(np.square([self.lean, self.lean, self.bend, self.bend]))

    def nuisances(self, path: Path, samples: Samples) -> Nuisances:
        """None: where z points is the scanner's own."""
        return nuisances_of([], samples)

    def rescaled(self, factors: Factors) -> tuple[Squareness, Float]:
        """Heights have a scale of their own."""
        lean, bend = factors[2], factors[2] ** 2
        return self, of_axes(self.coefficients, factors) * np.array([lean, lean, bend, bend])

    def settings(self) -> dict[str, Any]:
        """Return what rebuilds this effect."""
        return {"lean": self.lean, "bend": self.bend}
