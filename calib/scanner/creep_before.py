"""Creep that the scans before have left: slow relaxations still stand where the scanner was then.

Relaxations that take longer than the pause between two scans are not settled at the rest position when a frame begins.
Where the scans before are known, so is how far each is from it,

    C_k(0) - g_k rest = g_k (response of a unit relaxation to the history - rest) ,

and it dies away as exp(-t / tau_k). Slow relaxations follow the mean course of a frame, since lines are short against
their time constants. One strength for each axis: the gains are taken as equal over the time constants.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np

from calib.path import Path, Samples
from calib.scanner.effect import AXES, Coefficient, Factors, Float, Nuisances, nuisances_of


class CreepBefore:
    """What is left of the creep of scans before, along x and y.

    Parameters
    ----------
    times
        Time constants, s, equally spaced in their logarithm.
    per_decade
        How many of them there are in a decade.
    strength
        Prior standard deviation of the creep per decade, as a fraction of the movement.
    """

    name = "creep_before"
    acts_on: Literal["actuator", "position"] = "actuator"
    coefficients = tuple(Coefficient(f"creep_before_{AXES[a]}", a, "") for a in (0, 1))

    def __init__(self, times: list[float], per_decade: float, strength: float = 0.02) -> None:
        self.times = np.asarray(times, dtype=np.float64)
        self.per_decade = float(per_decade)
        self.strength = float(strength)

    def missing(self, path: Path) -> str:
        """Nothing is said of it: what is not known of the past is an unknown of each scan."""
        return ""

    def basis(self, path: Path, samples: Samples) -> Float:
        """What creep of one per decade adds, shape ``(2, samples)``, m; zero where the past is unknown."""
        result = np.zeros((2, samples.size))
        if path.timed and path.history:
            decay = np.exp(-samples.time[None, :] / self.times[:, None])
            for axis in (0, 1):
                result[axis] = left(path, axis, self.times) @ decay / self.per_decade
        return result

    def prior(self) -> Float:
        """Of the size of creep; the fit has more to say."""
        return self.strength**2 * np.eye(2)

    def nuisances(self, path: Path, samples: Samples) -> Nuisances:
        """None: those of creep itself stand for what is unknown."""
        return nuisances_of([], samples)

    def rescaled(self, factors: Factors) -> tuple[CreepBefore, Float]:
        """Creep is in proportion to the movement."""
        return self, np.ones(len(self.coefficients))

    def settings(self) -> dict[str, Any]:
        """Return what rebuilds this effect."""
        return {"times": self.times.tolist(), "per_decade": self.per_decade, "strength": self.strength}


def left(path: Path, axis: int, tau: Float) -> Float:
    """How far relaxations of unit gain are from the rest position when the frame begins, shape ``(times,)``, m.

    Before the first scan that is known the scanner is taken as settled where that began.
    """
    if not path.history:
        return np.zeros(tau.size)
    state = np.full(tau.size, path.history[0].start[axis])
    for stretch in path.history:
        time = stretch.begin - stretch.end
        if time <= 0:
            continue
        # a relaxation follows a straight course at a constant lag behind it
        lag = tau * (stretch.finish[axis] - stretch.start[axis]) / time
        state = stretch.finish[axis] - lag + (state - (stretch.start[axis] - lag)) * np.exp(-time / tau)
    settled = path.rest[axis] if path.rest is not None else path.sweeps.start[axis, 0]
    return np.asarray(state - settled)
