"""Drift: the sample moves past the probe at a constant rate within a scan, whatever the scanner does.

The rates of scans taken in direct succession are alike: the fit knows how far apart in time they were.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np

from calib.path import Path, Samples
from calib.scanner.effect import AXES, Coefficient, Factors, Float, Nuisances, nuisances_of


class Drift:
    """A constant rate along x and y, its own for each scan.

    Parameters
    ----------
    rate
        Prior standard deviation of a rate, m/s.
    memory
        Time over which the rate of drift forgets itself, s.
    """

    name = "drift"
    acts_on: Literal["actuator", "position"] = "position"
    coefficients: tuple[Coefficient, ...] = ()

    def __init__(self, rate: float, memory: float = 3600.0) -> None:
        self.rate = float(rate)
        self.memory = float(memory)

    def missing(self, path: Path) -> str:
        """Drift needs to know the time."""
        return "" if path.timed else "drift is left out, since the scan does not say its line period"

    def basis(self, path: Path, samples: Samples) -> Float:
        """Nothing is shared by all scans."""
        return np.zeros((0, samples.size))

    def prior(self) -> Float:
        """Nothing is shared by all scans."""
        return np.zeros((0, 0))

    def nuisances(self, path: Path, samples: Samples) -> Nuisances:
        """Rates of x and y, m/s; zero displacement in the middle of the frame."""
        if not path.timed:
            return nuisances_of([], samples)
        since_middle = samples.time - path.frame_time / 2
        items = [(Coefficient(f"drift_{AXES[axis]}", axis, "m/s"), since_middle, self.rate) for axis in (0, 1)]
        return nuisances_of(items, samples, self.memory)

    def rescaled(self, factors: Factors) -> tuple[Drift, Float]:
        """It moves the sample, whatever the scanner is told."""
        return self, np.ones(0)

    def settings(self) -> dict[str, Any]:
        """Return what rebuilds this effect."""
        return {"rate": self.rate, "memory": self.memory}
