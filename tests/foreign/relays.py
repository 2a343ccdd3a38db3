"""Hysteresis by relays: the Preisach model, with a density that is dense and uneven."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

Float = NDArray[np.float64]


class Relays:
    """The Preisach model: relays that switch up at alpha and down at beta < alpha, with a density over both.

    A branch that leaves a reversal at level m has the output F(m) + T(u, m), where T is twice the weight of the relays
    between the two levels (the Everett function), until it reaches the reversal before; both are then wiped out
    (Mayergoyz, Mathematical Models of Hysteresis, 1991, chapter 1; from memory). T comes from a table and is
    interpolated linearly in both levels, as relays spread evenly over each cell make it.

    Parameters
    ----------
    levels
        Equally spaced thresholds, m, increasing.
    density
        Weight per cell, shape ``(cells, cells)`` by (alpha, beta); what lies above the diagonal is not used.
    """

    def __init__(self, levels: Float, density: Float) -> None:
        weight = np.tril(density)
        weight[np.diag_indices_from(weight)] /= 2
        everett = np.zeros((levels.size, levels.size))
        everett[1:, :-1] = 2 * np.cumsum(np.cumsum(weight[:, ::-1], axis=1)[:, ::-1], axis=0)
        everett = np.tril(everett)
        self.levels = levels
        self._table = np.ascontiguousarray((everett - everett.T).T)  # by (anchor, level)
        self._virgin: list[tuple[float, float]] | None = None

    def scaled(self, opening: float, amplitude: float) -> Relays:
        """Return relays whose loop between -+amplitude is `opening` wide in the middle."""
        middle = np.zeros(1)
        up = self._branch(-amplitude, middle)[0]
        top = self._branch(-amplitude, np.array([amplitude]))[0]
        down = top + self._branch(amplitude, middle)[0]
        other = object.__new__(Relays)
        other.levels = self.levels
        other._table = self._table * (opening / (down - up))
        other._virgin = None
        return other

    def chord(self, amplitude: float) -> float:
        """Mean slope of the loop between -+amplitude."""
        return float(self._branch(-amplitude, np.array([amplitude]))[0]) / (2 * amplitude)

    def _branch(self, anchor: float, at: Float) -> Float:
        place = (anchor - self.levels[0]) / (self.levels[1] - self.levels[0])
        row = min(max(int(place), 0), self.levels.size - 2)
        part = place - row
        return np.asarray(np.interp(at, self.levels, (1 - part) * self._table[row] + part * self._table[row + 1]))

    def memory(self) -> Memory:
        """Return the state at level zero after an alternating drive that died away."""
        if self._virgin is None:
            state = Memory(self, [(float(self.levels[0]), 0.0)])
            for size in np.linspace(self.levels[-1], 0, 120)[:-1]:
                state.move(size)
                state.move(-size)
            state.move(0.0)
            middle = state.output
            self._virgin = [(level, output - middle) for level, output in [*state.turns, (state.level, middle)]]
        return Memory(self, self._virgin)


class Memory:
    """State of some relays: the reversals that are not wiped out, oldest first, and where the input is now."""

    def __init__(self, relays: Relays, turns: list[tuple[float, float]]) -> None:
        self.relays = relays
        self.turns = list(turns[:-1]) or list(turns)
        self.level, self.output = turns[-1]

    def move(self, target: float, at: Float | None = None) -> Float:
        """Move the input to a level and return the outputs at levels on the way, given in the order of passing."""
        first, last = self.relays.levels[0], self.relays.levels[-1]
        target = min(max(target, first), last)
        at = np.empty(0) if at is None else at
        result = np.full(at.size, self.output)
        way = target - self.level
        if abs(way) < 1e-12 * (last - first):
            return result
        sign = 1.0 if way > 0 else -1.0
        if sign * (self.level - self.turns[-1][0]) < 0:
            self.turns.append((self.level, self.output))
        ahead = sign * (at - self.level) > 0
        while True:
            anchor, output = self.turns[-1]
            curve = self.relays._branch(anchor, np.append(at[ahead], target))
            result[ahead] = output + curve[:-1]
            self.output = float(output + curve[-1])
            if len(self.turns) < 2 or sign * (target - self.turns[-2][0]) <= 0:
                break
            ahead = sign * (at - self.turns[-2][0]) > 0
            del self.turns[-2:]
        self.level = target
        return result


def uneven_relays(rng: np.random.Generator, travel: float, opening: float, cells: int = 180) -> tuple[Relays, float]:
    """Return relays over the travel and a little beyond, with the mean slope of their full loop."""
    levels = np.linspace(-0.65, 0.65, cells + 1) * travel
    middle = (levels[1:] + levels[:-1]) / 2 / travel
    width = middle[:, None] - middle[None, :]
    mean = (middle[:, None] + middle[None, :]) / 2
    smooth = np.exp(-np.abs(width) / rng.uniform(0.6, 1.5)) * (1 + rng.uniform(-0.3, 0.3) * mean)
    rough = np.zeros((cells, cells))
    for length, size in ((2.0, 0.25), (12.0, 0.2)):
        field = gaussian_filter(rng.standard_normal((cells, cells)), length, mode="reflect")
        rough += size * field / field.std()
    amplitude = full_amplitude(travel)
    relays = Relays(levels, smooth * np.exp(rough)).scaled(opening, amplitude)
    return relays, relays.chord(amplitude)


def full_amplitude(travel: float, points: int = 256) -> float:
    """How far from the middle a sweep of full travel turns, with a turnaround of a twentieth of the line period."""
    half = travel / 2 * points / (points - 1)
    return half * (1 + 2 * 0.05 / 0.45 / 4)
