"""Periodic errors of screws and gears: the stage runs ahead and behind once in every turn.

    N_x = sum over periods L of s_L sin(2 pi u / L) + c_L cos(2 pi u / L) ,   and the same for y.

The periods are known from the drive: the lead of the screw, the travel per turn of a gear. A pitch that divides a
period can't tell it from the pattern itself.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any, Literal

import numpy as np

from calib.path import Path, Samples
from calib.scanner.effect import AXES, Coefficient, Factors, Float, Nuisances, nuisances_of, of_axes

SPREAD = 0.005
"""Prior standard deviation of an amplitude, as a part of its period (common practice, no source)."""


class Periodic:
    """Sines and cosines of x and y.

    Parameters
    ----------
    periods
        Of x, and of y, m; either may be empty.
    spread
        Prior standard deviation of an amplitude, as a part of its period.
    """

    name = "periodic"
    acts_on: Literal["actuator", "position"] = "actuator"

    def __init__(self, periods: tuple[tuple[float, ...], tuple[float, ...]], spread: float = SPREAD) -> None:
        self.periods = (tuple(float(p) for p in periods[0]), tuple(float(p) for p in periods[1]))
        self.spread = float(spread)

    @cached_property
    def coefficients(self) -> tuple[Coefficient, ...]:
        """Sine and cosine of each period of x, then of y; m."""
        return tuple(
            Coefficient(f"periodic_{AXES[axis]}_{k}_{part}", axis, "m")
            for axis in (0, 1)
            for k in range(len(self.periods[axis]))
            for part in ("sin", "cos")
        )

    def missing(self, path: Path) -> str:
        """Return an empty string: a position is all it needs."""
        return ""

    def basis(self, path: Path, samples: Samples) -> Float:
        """Sines and cosines, shape ``(coefficients, samples)``."""
        rows = [
            part(2 * np.pi * samples.position[axis] / period)
            for axis in (0, 1)
            for period in self.periods[axis]
            for part in (np.sin, np.cos)
        ]
        return np.stack(rows) if rows else np.zeros((0, samples.size))

    def prior(self) -> Float:
        """Independent amplitudes."""
        sds = [self.spread * period for axis in (0, 1) for period in self.periods[axis] for _ in range(2)]
        return np.diag(np.square(sds)) if sds else np.zeros((0, 0))

    def nuisances(self, path: Path, samples: Samples) -> Nuisances:
        """None: the drive repeats itself."""
        return nuisances_of([], samples)

    def rescaled(self, factors: Factors) -> tuple[Periodic, Float]:
        """A turn of the drive is as long as it was."""
        periods = tuple(tuple(p / factor for p in own) for own, factor in zip(self.periods, factors[:2], strict=True))
        return Periodic((periods[0], periods[1]), self.spread), of_axes(self.coefficients, factors)

    def settings(self) -> dict[str, Any]:
        """Return what rebuilds this effect."""
        return {"periods": [list(one) for one in self.periods], "spread": self.spread}
