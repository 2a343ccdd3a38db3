"""Backlash: a drive turns through its play before the stage follows.

One play operator on the command history, as in hysteresis, but of one width and full weight: after a reversal the stage
stands still while the command moves through twice the half-width b. The movement (p_b[u] - u) is taken as b times its
shape at a width nearby, which is exact for that width, and right everywhere but within 2 b of a reversal for any other.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np

from calib.path import Path, Samples
from calib.scanner.effect import AXES, Coefficient, Factors, Float, Nuisances, nuisances_of, of_axes, over
from calib.scanner.hysteresis import play_at


class Backlash:
    """Play of x and y.

    Parameters
    ----------
    width
        Half-width of the play at which its shape is taken, for x and y, m.
    spread
        Prior standard deviation of the half-width, for x and y, m.
    """

    name = "backlash"
    acts_on: Literal["actuator", "position"] = "actuator"
    coefficients: tuple[Coefficient, ...] = tuple(Coefficient(f"backlash_{AXES[axis]}", axis, "m") for axis in (0, 1))

    def __init__(self, width: tuple[float, float], spread: tuple[float, float]) -> None:
        self.width = (float(width[0]), float(width[1]))
        self.spread = (float(spread[0]), float(spread[1]))

    def missing(self, path: Path) -> str:
        """Return an empty string: the order of sweeps is all it needs."""
        return ""

    def basis(self, path: Path, samples: Samples) -> Float:
        """How far the stage lags behind, over the half-width: between -1 and 1; shape ``(2, samples)``."""
        rows = []
        for axis, width in enumerate(self.width):
            play = play_at(path, samples, axis, np.array([width]))[0]
            rows.append((play - samples.position[axis]) / width)
        return np.stack(rows)

    def prior(self) -> Float:
        """Independent widths."""
        return np.diag(np.square(self.spread))

    def nuisances(self, path: Path, samples: Samples) -> Nuisances:
        """None: beyond the first line, where the slow axis began makes no difference."""
        return nuisances_of([], samples)

    def rescaled(self, factors: Factors) -> tuple[Backlash, Float]:
        """The play is as wide as it was."""
        return Backlash(over(self.width, factors), over(self.spread, factors)), of_axes(self.coefficients, factors)

    def settings(self) -> dict[str, Any]:
        """Return what rebuilds this effect."""
        return {"width": list(self.width), "spread": list(self.spread)}
