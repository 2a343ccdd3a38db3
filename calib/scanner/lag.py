"""Lag: heights are recorded a fixed time after the probe was where they belong.

The sampling clock and the feedback are late by delta, so that what is recorded at t belongs to the position at
t - delta: -delta du/dt along an axis, one way on the trace and the other way on the retrace. It looks like a play of
fixed width at one speed; scans at another speed tell the two apart.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np

from calib.path import Path, Samples
from calib.scanner.effect import AXES, Coefficient, Factors, Float, Nuisances, nuisances_of


class Lag:
    """A fixed delay of the recording, for x and y each, since each axis has a drive of its own.

    Parameters
    ----------
    spread
        Prior standard deviation of the delay, s (of the order of a sample; common practice, no source).
    """

    name = "lag"
    acts_on: Literal["actuator", "position"] = "actuator"
    coefficients: tuple[Coefficient, ...] = tuple(Coefficient(f"lag_{AXES[axis]}", axis, "s") for axis in (0, 1))

    def __init__(self, spread: float = 1e-3) -> None:
        self.spread = float(spread)

    def missing(self, path: Path) -> str:
        """Lag needs to know the speed."""
        return "" if path.timed else "lag is left out, since the scan does not say its line period"

    def basis(self, path: Path, samples: Samples) -> Float:
        """Less the commanded velocity, shape ``(2, samples)``, m/s."""
        if not path.timed:
            return np.zeros((2, samples.size))
        return -path.velocity(samples)

    def prior(self) -> Float:
        """Independent delays."""
        return np.eye(2) * self.spread**2

    def nuisances(self, path: Path, samples: Samples) -> Nuisances:
        """None: a lag is the instrument's own."""
        return nuisances_of([], samples)

    def rescaled(self, factors: Factors) -> tuple[Lag, Float]:
        """It is a time."""
        return self, np.ones(len(self.coefficients))

    def settings(self) -> dict[str, Any]:
        """Return what rebuilds this effect."""
        return {"spread": self.spread}
