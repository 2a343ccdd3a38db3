"""Creep: the scanner goes on moving after the command has stopped.

Relaxations driven by the whole command history,

    dC_k/dt = (g_k u - C_k) / tau_k ,

with time constants equally spaced in log tau from well under a line to well over a frame. With equal g this is
logarithmic creep after a step (g per decade is their sum over a decade), a curl at the start of lines, and a scale
that depends on speed. The gains g_k are alike, not equal: their prior says how much.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any, Literal

import numpy as np

from calib.path import Path, Samples
from calib.scanner.effect import AXES, Coefficient, Factors, Float, Nuisances, nuisances_of, over

_SERIES = 0.3  # turns over time constants below which a series is more exact than the closed form


class Creep:
    """Relaxations of x and y.

    Parameters
    ----------
    times
        Time constants, s, equally spaced in their logarithm.
    strength
        Prior standard deviation of the creep per decade, as a fraction of the movement.
    likeness
        Prior correlation of the gains of different time constants.
    travel
        Travel of x and y, m, for what an unknown rest position may have left.
    start
        How far from its rest position the scanner may in effect have been settled, as a part of how far that is from
        where the scanner usually is, and of the travel if it rests at the end of it: what went before is not known.
    """

    name = "creep"
    acts_on: Literal["actuator", "position"] = "actuator"

    def __init__(
        self,
        times: list[float],
        travel: tuple[float, float],
        strength: float = 0.02,
        likeness: float = 0.9,
        start: float = 0.1,
    ) -> None:
        self.times = np.asarray(times, dtype=np.float64)
        self.travel = (float(travel[0]), float(travel[1]))
        self.strength = float(strength)
        self.likeness = float(likeness)
        self.start = float(start)

    @cached_property
    def coefficients(self) -> tuple[Coefficient, ...]:
        """Gains of x, then y, by time constant."""
        return tuple(Coefficient(f"creep_{AXES[a]}_{k}", a, "") for a in (0, 1) for k in range(self.times.size))

    @property
    def per_decade(self) -> float:
        """How many time constants there are in a decade."""
        if self.times.size < 2:
            return 1.0
        return float((self.times.size - 1) / np.log10(self.times[-1] / self.times[0]))

    def missing(self, path: Path) -> str:
        """Creep needs to know the time."""
        return "" if path.timed else "creep is left out, since the scan does not say its line period"

    def basis(self, path: Path, samples: Samples) -> Float:
        """Relaxations of unit gain, shape ``(coefficients, samples)``, m."""
        if not path.timed:
            return np.zeros((2 * self.times.size, samples.size))
        return np.concatenate([relax(path, samples, axis, self.times) for axis in (0, 1)])

    def moved(self, path: Path, samples: Samples, weights: Float) -> Float:
        """Sum of all relaxations, m; shape ``(2, samples)``."""
        result = np.zeros((2, samples.size))
        if not path.timed or not self.times.size:
            return result
        decay = np.exp(-samples.elapsed[:, None] / self.times)
        for axis, own in enumerate(np.split(weights, 2)):
            states, start, rate = _course(path, axis, self.times)
            departure = own * (states - start[:, None] + self.times * rate[:, None])
            result[axis] = own.sum() * samples.position[axis] - own @ self.times * rate[samples.sweep]
            result[axis] += np.einsum("nk,nk->n", departure[samples.sweep], decay)
        return result

    def prior(self) -> Float:
        """Gains alike over all time constants."""
        n = self.times.size
        one = (self.strength / self.per_decade) ** 2 * (self.likeness + (1 - self.likeness) * np.eye(n))
        return np.asarray(np.kron(np.eye(2), one), dtype=np.float64)

    def nuisances(self, path: Path, samples: Samples) -> Nuisances:
        """What is left of movements before the frame: unknown if the rest position is, else small."""
        if not path.timed or not self.times.size:
            return nuisances_of([], samples)
        shape = np.exp(-samples.time[None, :] / self.times[:, None]).sum(axis=0) / self.per_decade
        items = []
        for axis in (0, 1):
            jump = self.travel[axis] / 3
            if path.rest is not None:  # the scan before was about the centre, and ended where the scanner rests
                jump = 2 * self.start * float(np.hypot(path.rest[axis], self.travel[axis] / 4))
            items.append((Coefficient(f"start_creep_{AXES[axis]}", axis, "m"), shape, self.strength * jump))
        return nuisances_of(items, samples)

    def rescaled(self, factors: Factors) -> tuple[Creep, Float]:
        """Creep is in proportion to the movement."""
        other = Creep(self.times.tolist(), over(self.travel, factors), self.strength, self.likeness, self.start)
        return other, np.ones(len(self.coefficients))

    def settings(self) -> dict[str, Any]:
        """Return what rebuilds this effect."""
        return {
            "times": self.times.tolist(),
            "travel": list(self.travel),
            "strength": self.strength,
            "likeness": self.likeness,
            "start": self.start,
        }


def spread_times(shortest: float, longest: float, per_decade: float = 2.0) -> list[float]:
    """Time constants from a part of the shortest sweep to beyond the longest frame, equally spaced in the logarithm."""
    low, high = np.log10(shortest / 5), np.log10(longest * 5)
    count = int(np.ceil((high - low) * per_decade)) + 1
    return [float(t) for t in 10.0 ** (low + np.arange(count) / per_decade)]


def relax(path: Path, samples: Samples, axis: int, times: Float) -> Float:
    """Response of relaxations of unit gain to the command history of an axis.

    The command is piecewise linear on the sweeps and parabolic on the turns, so the response is known exactly.
    The scanner is taken as settled at its rest position before the frame (else at the start of the frame).

    Returns
    -------
    Array of shape ``(times, samples)``, m.
    """
    tau = times
    states, start, rate = _course(path, axis, times)
    k = samples.sweep
    lag = tau[:, None] * rate[k][None, :]
    departure = states[k].T - (start[k][None, :] - lag)
    return np.asarray(samples.position[axis] - lag + departure * np.exp(-samples.elapsed[None, :] / tau[:, None]))


def _course(path: Path, axis: int, times: Float) -> tuple[Float, Float, Float]:
    """State at the start of every sweep, where that is, m, and the speed of the sweep, m/s."""
    start, end = path.sweeps.start[axis], path.sweeps.end[axis]
    states = path.remember(("creep", axis, times.tobytes()), lambda: _states_at_sweeps(path, axis, times))
    return states, start, (end - start) / path.sweep_time


def _states_at_sweeps(path: Path, axis: int, tau: Float) -> Float:
    """Relaxations at the start of every sweep, shape ``(sweeps, times)``."""
    start, end = path.sweeps.start[axis], path.sweeps.end[axis]
    rate = (end - start) / path.sweep_time
    turn = path.turnaround
    sweep_decay, turn_decay = np.exp(-path.sweep_time / tau), np.exp(-turn / tau)
    # what the command alone adds during a sweep, and during the turn after it, over what is left of the state before;
    # with differences of nearly equal numbers taken beforehand, since tau may be long against both
    lost = -np.expm1(-path.sweep_time / tau)
    after = start[:, None] * lost + rate[:, None] * (path.sweep_time - tau * lost)
    if turn:
        after = after * turn_decay - end[:, None] * np.expm1(-turn / tau) + rate[:, None] * tau * _of_turn(turn / tau)
    # a state is `after` of the sweep before and the state before that, decayed: joined in steps that double
    states = np.empty((start.size, tau.size))
    states[0] = start[0] if path.rest is None else path.rest[axis]
    states[1:] = after[:-1]
    step, decay = 1, sweep_decay * turn_decay
    while step < start.size and decay.any():
        states[step:] += decay * states[:-step]
        step, decay = 2 * step, decay**2
    return states


def _of_turn(s: Float) -> Float:
    """Response to the excursion of a turn, over what one at the speed of the sweep gives; s: its duration over tau.

    The command is end + rate t - rate t^2 / turn, which a relaxation follows as u - tau u' + tau^2 u''. What is left of
    the terms in rate is (1 + exp(-s)) - 2 (1 - exp(-s)) / s, whose series begins with s^2 / 6.
    """
    small = np.minimum(s, _SERIES)
    series, power = np.zeros_like(s), np.ones_like(s)
    for n in range(1, 15):
        power = -power * small / (n + 1)  # (-s)^n / (n + 1)!
        series += (n - 1) * power
    large = np.maximum(s, _SERIES)
    return np.where(s < _SERIES, series, 1 + np.exp(-large) + 2 * np.expm1(-large) / large)
