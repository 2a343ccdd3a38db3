"""A z that remembers: relays and uneven relaxations act on the heights that the scanner has taken."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from calib.path import Path, Samples
from tests.foreign.physics import ForeignPhysics, by_sweep
from tests.foreign.relays import uneven_relays

Float = NDArray[np.float64]


class RememberingHeight:
    """A foreign instrument's physics, with hysteresis and creep of z on top of it.

    What the drive of z is told is what is indicated; the probe is then higher by what relays and relaxations answer to
    all that was indicated before. Solved for what is indicated by repetition: the answer is a few per cent.

    Parameters
    ----------
    base
        Everything else.
    seed
        Of the draw.
    travel
        Range of z, m, about its middle.
    loop
        Opening of the loop over the whole range, as a part of it.
    creep
        Growth per decade of time, as a part of the movement; between 10 ms and 10 s.
    """

    def __init__(self, base: ForeignPhysics, seed: int, *, travel: float, loop: float, creep: float) -> None:
        rng = np.random.default_rng((seed, 24))
        self.base = base
        self.relays = uneven_relays(rng, travel, loop * travel) if loop else None
        count = 11
        self.times = 10 ** (-2 + 3 * (np.arange(count) + rng.uniform(0, 1, count)) / count)
        gains = rng.lognormal(0, 0.35, count)
        self.gains = gains * 3 * creep / gains.sum()

    def motion(self, path: Path, samples: Samples, clock: float) -> Float:
        """As of the base."""
        return self.base.motion(path, samples, clock)

    def indicate(self, height: Float, path: Path, samples: Samples, clock: float) -> Float:
        """Indicated height, m."""
        order, _ = by_sweep(path, samples)
        indicated = self.base.indicate(height, path, samples, clock)
        for _ in range(7):
            beyond = np.empty(height.size)
            beyond[order] = self.answer(indicated[order], path)
            indicated = self.base.indicate(height - beyond, path, samples, clock)
        return indicated

    def answer(self, told: Float, path: Path) -> Float:
        """Height beyond that of the base, m, along what was told in the order of time; whole sweeps, both passes."""
        return self._relays(told) + self._relaxations(told.reshape(path.sweeps.line.size, -1), path)

    def _relays(self, told: Float) -> Float:
        if self.relays is None:
            return np.zeros(told.size)
        relays, chord = self.relays
        memory = relays.memory()
        memory.move(float(told[0]))
        up = np.sign(np.diff(told))
        # runs in one direction; a standstill belongs to either
        known = np.maximum.accumulate(np.where(up != 0, np.arange(up.size), 0))
        turns = np.flatnonzero(np.diff(up[known]) != 0) + 1
        result = np.empty(told.size)
        result[0] = memory.output
        for first, last in zip(np.append(0, turns), np.append(turns, told.size - 1), strict=True):
            run = slice(first + 1, last + 1)
            result[run] = memory.move(float(told[last]), told[run])
        return result - chord * told

    def _relaxations(self, told: Float, path: Path) -> Float:
        # a turn is a hold of the last height
        pixel = path.sweep_time / told.shape[1]
        hold = round(path.turnaround / pixel)
        held = np.concatenate([told, np.repeat(told[:, -1:], hold, axis=1)], axis=1).ravel()
        total = np.zeros(held.size)
        for tau, gain in zip(self.times, self.gains, strict=True):
            keep = float(np.exp(-pixel / tau))
            followed, _ = lfilter([1 - keep], [1, -keep], held, zi=[keep * held.mean()])
            total += gain * (followed - held)
        return np.asarray(total.reshape(told.shape[0], -1)[:, : told.shape[1]].ravel())
