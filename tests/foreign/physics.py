"""The physics of a foreign instrument: relays, uneven relaxations, bending without polynomials, decaying drift."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.path import Path, Samples
from tests.foreign.relays import uneven_relays

Float = NDArray[np.float64]


@dataclass(frozen=True)
class Relaxations:
    """Creep: the delayed response of many relaxations to all that was commanded.

    The gain of those that take less than `prompt`, s, is taken out of the motion, so that the scale of an axis is
    the one that it has shortly after a jump.
    """

    times: Float
    gains: Float
    prompt: float = 0.1

    @classmethod
    def drawn(cls, rng: np.random.Generator, per_decade: float, count: int = 30) -> Relaxations:
        """Return relaxations of uneven gain at uneven places between 3 ms and 3 hours."""
        low, high = -2.5, 4.0
        places = np.sort(low + (high - low) * (np.arange(count) + rng.uniform(0, 1, count)) / count)
        gains = rng.lognormal(0, 0.35, count)
        return cls(10**places, gains * per_decade * (high - low) / gains.sum())

    def response(self, axis: int, path: Path, samples: Samples, state: Float) -> Float:
        """Displacement of one axis at samples, m, from the relaxations at the start of the frame.

        The command jumps to the start of the frame and is linear from vertex to vertex: start and end of each sweep,
        apex of each turn; each relaxation's response to that is exact.
        """
        tau, gain = self.times, self.gains
        order, bounds = by_sweep(path, samples)
        elapsed, position = samples.elapsed[order], samples.position[axis][order]
        output = np.empty(samples.size)
        states, _ = self.through(axis, path, state)
        starts, ends = path.sweeps.start[axis], path.sweeps.end[axis]
        for k, (start, end) in enumerate(zip(starts, ends, strict=True)):
            part = slice(bounds[k], bounds[k + 1])
            # on a straight piece: gain (u - slope tau) + departure exp(-elapsed / tau)
            slope = (end - start) / path.sweep_time
            departure = states[k] - gain * (start - slope * tau)
            output[part] = np.exp(elapsed[part, None] / -tau) @ departure - slope * (gain @ tau)
        # what follows at once belongs to the scale
        output += gain[tau > self.prompt].sum() * position
        result = np.empty(samples.size)
        result[order] = output
        return result

    def through(self, axis: int, path: Path, state: Float) -> tuple[Float, Float]:
        """Relaxations at the start of each sweep, shape ``(sweeps, count)``, and at the end of the frame."""
        sweeps, tau, gain = path.sweeps, self.times, self.gains
        durations = (path.sweep_time, path.turnaround / 2, path.turnaround / 2)
        decays = [np.exp(-duration / tau) for duration in durations]
        start, end, apex = (vertex[axis] for vertex in (sweeps.start, sweeps.end, sweeps.apex))
        following = np.append(start[1:], end[-1])
        states = np.empty((start.size, tau.size))
        for k, stops in enumerate(zip(start, end, apex, following, strict=True)):
            states[k] = state
            for begin, finish, duration, decay in zip(stops[:-1], stops[1:], durations, decays, strict=True):
                if duration > 0:
                    lag = (finish - begin) / duration * tau
                    state = gain * (finish - lag) + (state - gain * (begin - lag)) * decay
        return states, state

    def rested(self, state: Float, rest: float, duration: float) -> Float:
        """Relaxations after some time at rest, s."""
        settled = self.gains * rest
        return settled + (state - settled) * np.exp(-duration / self.times)


def by_sweep(path: Path, samples: Samples) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the order of samples in time, and where in it each sweep begins, shape ``(sweeps + 1,)``."""
    order = np.lexsort((samples.elapsed, samples.sweep))
    return order, np.searchsorted(samples.sweep[order], np.arange(path.sweeps.line.size + 1))


class Bending:
    """Static displacement of the axes: sines, soft steps and bumps of both coordinates, without their straight part."""

    def __init__(self, rng: np.random.Generator, peak: float) -> None:
        self._shapes = [
            (
                rng.uniform(0.5, 1.0, 4) * rng.choice([-1.0, 1.0], 4),
                rng.uniform(-np.pi, np.pi, 4),
                rng.uniform(-0.7, 0.7, 4),
                rng.uniform(0.6, 1.6, 4),
            )
            for _ in range(2)
        ]
        self._plane: Float = np.zeros((2, 3))
        self._factor = np.ones(2)
        even = (np.arange(80) + 0.5) / 40 - 1
        xi, eta = (axis.ravel() for axis in np.meshgrid(even, even))
        raw = self(xi, eta)
        design = np.stack([np.ones_like(xi), xi, eta], axis=1)
        self._plane = np.asarray(np.linalg.lstsq(design, raw.T, rcond=None)[0].T, dtype=np.float64)
        to_the_edge = np.linspace(-1, 1, 81)
        xi, eta = (axis.ravel() for axis in np.meshgrid(to_the_edge, to_the_edge))
        self._factor = peak / np.abs(self(xi, eta)).max(axis=1)

    def __call__(self, xi: Float, eta: Float) -> Float:
        """Displacement (x, y) at relative coordinates, -1 to 1 within the travel; shape ``(2, ...)``."""
        parts = []
        for axis, (size, phase, place, rate) in enumerate(self._shapes):
            own, other = (xi, eta) if axis == 0 else (eta, xi)
            shape = (
                size[0] * np.sin(rate[0] * 2.2 * own + phase[0])
                + 0.7 * size[1] * np.sin(rate[1] * 1.8 * other + phase[1])
                + 0.6 * size[2] * np.tanh(1.5 * (own * np.cos(phase[2]) + other * np.sin(phase[2]) - place[2]))
                + 0.7 * size[3] * np.exp(-((own - place[3]) ** 2 + (other - place[0]) ** 2) / (0.6 * rate[3]) ** 2)
            )
            plane = self._plane[axis]
            parts.append(self._factor[axis] * (shape - plane[0] - plane[1] * xi - plane[2] * eta))
        return np.stack(parts)


class ForeignPhysics:
    """Motion and height response, composed as a scanner's are: scale and skew of what the actuators really do."""

    def __init__(
        self, seed: int, *, loop: float, creep: float, bending: float, drift: float, travel: float, bow: float
    ) -> None:
        rng = np.random.default_rng((seed, 20))
        self.travel = travel
        self.scale_x = 1.03 + rng.uniform(-0.004, 0.004)
        self.scale_y = 0.98 + rng.uniform(-0.004, 0.004)
        self.skew = np.deg2rad(1.3 + rng.uniform(-0.2, 0.2))
        self.gain_z = 0.96 + rng.uniform(-0.004, 0.004)
        self.curve_z = rng.choice([-1.0, 1.0]) * rng.uniform(1e3, 2e3)
        self.relays = [uneven_relays(rng, travel, loop * travel) if loop else None for _ in range(2)]
        self.relaxations = [Relaxations.drawn(rng, creep) for _ in range(2)]
        self.bending = Bending(rng, bending * travel)
        self.drift = drift * rng.choice([-1.0, 1.0], 3)
        self.drift_time = rng.uniform(2000, 4000, 3)
        self.bow = bow
        self._before: list[tuple[float, tuple[Float, Float]]] = []  # end of each frame, s, with its relaxations then

    def remember(self, path: Path, clock: float) -> None:
        """Let creep go on from this frame in those that come after it; else each begins settled where it rests."""
        rest = np.array(path.rest if path.rest is not None else (0.0, 0.0))
        x, y = (self.relaxations[axis].through(axis, path, self._left(axis, rest[axis], clock))[1] for axis in (0, 1))
        self._before.append((clock + path.frame_time, (x, y)))

    def _left(self, axis: int, rest: float, clock: float) -> Float:
        """Relaxations at the start of a frame: as the last one before it has left them."""
        relaxations = self.relaxations[axis]
        before = [(end, states) for end, states in self._before if end <= clock]
        if not before:
            return relaxations.gains * rest
        end, states = before[-1]
        return relaxations.rested(states[axis], rest, clock - end)

    def motion(self, path: Path, samples: Samples, clock: float) -> Float:
        """True position of samples, m; shape ``(2, samples)``."""
        rest = np.array(path.rest if path.rest is not None else (0.0, 0.0))
        position = samples.position
        moved = position + self.bending(*(2 * position / self.travel))
        for axis in range(2):
            moved[axis] += self._hysteresis(axis, path, samples, float(rest[axis]))
            moved[axis] += self.relaxations[axis].response(axis, path, samples, self._left(axis, rest[axis], clock))
        drift_x, drift_y, _ = self._drift(samples.time, clock)
        across = self.scale_y * moved[1]
        return np.stack(
            [
                self.scale_x * moved[0] + np.sin(self.skew) * across + drift_x,
                np.cos(self.skew) * across + drift_y,
            ]
        )

    def indicate(self, height: Float, path: Path, samples: Samples, clock: float) -> Float:
        """Indicated height, m: height = gain m + curve m^2 + bow + drift, solved for m."""
        xi, eta = 2 * samples.position / self.travel
        net = height - self._drift(samples.time, clock)[2] - self.bow * np.cos(1.1 * xi + 0.3) * np.cos(0.9 * eta)
        return np.asarray(2 * net / (self.gain_z + np.sqrt(self.gain_z**2 + 4 * self.curve_z * net)))

    def _drift(self, time: Float, clock: float) -> Float:
        """Decaying drift since the start of the frame along x, y, z; shape ``(3, samples)``."""
        long = self.drift_time[:, None]
        return np.asarray(self.drift[:, None] * long * np.exp(-clock / long) * -np.expm1(-time / long))

    def _hysteresis(self, axis: int, path: Path, samples: Samples, rest: float) -> Float:
        """Displacement of one axis by its relays, from the centre of travel through rest and all sweeps."""
        drawn = self.relays[axis]
        if drawn is None:
            return np.zeros(samples.size)
        relays, chord = drawn
        sweeps = path.sweeps
        state = relays.memory()
        state.move(rest)
        start, apex = sweeps.start[axis].tolist(), sweeps.apex[axis].tolist()
        order, bounds = by_sweep(path, samples)
        position = samples.position[axis][order]
        output = np.empty(samples.size)
        for k in range(sweeps.line.size):
            state.move(start[k])
            part = slice(bounds[k], bounds[k + 1])
            output[part] = state.move(apex[k], position[part])
        result = np.empty(samples.size)
        result[order] = output
        return np.asarray(result - chord * samples.position[axis])
