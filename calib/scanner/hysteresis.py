r"""Hysteresis: an operator on the command history, never a formula of the pixel.

Play operators of fixed half-widths r follow the command with that much slack, \|u - p_r\| <= r. The movement is

    H = sum over (r, s) of w_rs [ramp_s(p_r) - ramp_s((1 - r/A) u)] ,

where ramp_s rises from 0 to the width of cell s while its argument crosses that cell, and is flat elsewhere; the second
term keeps H small over the range |p_r| <= A - r that the operator can reach (it only moves a gain and a static
bending, which are fitted anyway). H is linear in its weights, which are a density over half-width and mean position:
the Preisach model in the coordinates of its play operators (Brokate & Sprekels, Hysteresis and Phase Transitions,
1996, section 2.4; from memory). With weights that do not depend on s it is the Prandtl-Ishlinskii operator, and with
one weight for all it is Rayleigh's law. It gives loops, a gain that grows with the size of the scan, memory of the
approach, and a slow axis that sees one sweep only.

The density is smooth, not arbitrary: a Gaussian process with a level, a gentle trend and a little unevenness. So a fine
mesh of cells does no harm, and where no scan has been the uncertainty says so.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any, Literal

import numpy as np

from calib.path import Path, Samples
from calib.scanner.effect import AXES, Coefficient, Factors, Float, Nuisances, nuisances_of, over

# variance and reach (in amplitudes) of the trend and of the unevenness of the density, relative to its level
_TREND = (0.05, 0.7)
_UNEVEN = (0.04, 0.15)


class Hysteresis:
    """Play operators on the history of x and y, weighted by a density over half-width and mean position.

    Parameters
    ----------
    amplitude
        Largest half amplitude scanned along x and y, m: the range of half-widths and, to either side of the centre, of
        mean positions.
    cells
        How many cells divide the range of half-widths, and how many that of mean positions.
    strength
        Prior standard deviation of the sum of the weights along a loop of full amplitude.
    """

    name = "hysteresis"
    acts_on: Literal["actuator", "position"] = "actuator"

    def __init__(self, amplitude: tuple[float, float], cells: int = 10, strength: float = 0.2) -> None:
        self.amplitude = (float(amplitude[0]), float(amplitude[1]))
        self.cells = int(cells)
        self.strength = float(strength)

    @cached_property
    def _mesh(self) -> tuple[Float, Float, np.ndarray, np.ndarray]:
        """Relative edges of half-widths and mean positions, and the cells (of width, of mean) that play can reach."""
        widths = np.linspace(0, 1, self.cells + 1) ** 1.2
        means = np.linspace(-1, 1, self.cells + 1)
        middle_width, middle_mean = _middles(widths), _middles(means)
        k, cell = np.nonzero(np.abs(middle_mean)[None, :] - 1 / self.cells < 1 - middle_width[:, None])
        return widths, means, k, cell

    @cached_property
    def coefficients(self) -> tuple[Coefficient, ...]:
        """Weights of x, then y, by half-width and mean position."""
        _, _, k, cell = self._mesh
        return tuple(
            Coefficient(f"hysteresis_{AXES[axis]}_{i}_{j}", axis, "")
            for axis in (0, 1)
            for i, j in zip(k, cell, strict=True)
        )

    def radii(self, axis: int) -> Float:
        """Half-widths of the play operators of an axis, m."""
        return np.asarray(_middles(self._mesh[0]) * self.amplitude[axis])

    def missing(self, path: Path) -> str:
        """Return an empty string: the order of sweeps is always known, and that is all the history it needs."""
        return ""

    def basis(self, path: Path, samples: Samples) -> Float:
        """Difference of ramps of every cell, shape ``(coefficients, samples)``, m."""
        parts = []
        for axis in (0, 1):
            radii = self.radii(axis)
            p = play_at(path, samples, axis, radii)
            reach = 1 - radii[:, None] / self.amplitude[axis]
            parts.append(self._ramps(axis, p) - self._ramps(axis, reach * samples.position[axis]))
        return np.concatenate(parts)

    def moved(self, path: Path, samples: Samples, weights: Float) -> Float:
        """Sum of all cells, m; shape ``(2, samples)``.

        All ramps of one half-width are one polygon over p, and all those of the second term one over u.
        """
        _, means, k, cell = self._mesh
        result = np.zeros((2, samples.size))
        for axis, own in enumerate(np.split(weights, 2)):
            if not own.any():
                continue
            amplitude, radii, u = self.amplitude[axis], self.radii(axis), samples.position[axis]
            edges = means * amplitude
            rise = np.zeros((radii.size, means.size))
            rise[k, cell + 1] = own * (means[1] - means[0]) * amplitude
            height = np.cumsum(rise, axis=1)
            for polygon, p in zip(height, play_at(path, samples, axis, radii), strict=True):
                result[axis] += np.interp(p, edges, polygon)
            reach = 1 - radii / amplitude
            corners = np.unique(edges / reach[:, None])
            whole = sum(np.interp(r * corners, edges, polygon) for r, polygon in zip(reach, height, strict=True))
            result[axis] -= np.interp(u, corners, whole)
        return result

    def _ramps(self, axis: int, level: Float) -> Float:
        _, means, k, cell = self._mesh
        low = (means[cell] * self.amplitude[axis])[:, None]
        return np.asarray(np.clip(level[k] - low, 0, (means[1] - means[0]) * self.amplitude[axis]))

    def prior(self) -> Float:
        """One smooth density for each axis."""
        widths, means, k, cell = self._mesh
        r, s = _middles(widths)[k], _middles(means)[cell]
        apart2 = (r[:, None] - r) ** 2 + (s[:, None] - s) ** 2
        like = 1 + sum(size * np.exp(-0.5 * apart2 / reach**2) for size, reach in (_TREND, _UNEVEN))
        share = np.diff(widths)[k]
        one = self.strength**2 * like * share[:, None] * share
        return np.kron(np.eye(2), one + 1e-9 * np.diag(np.diag(one)))

    def nuisances(self, path: Path, samples: Samples) -> Nuisances:
        """How far the state at the start may lie from that of an approach from the centre, if the rest is unknown."""
        if path.rest is not None:
            return nuisances_of([], samples)
        items = []
        for axis in (0, 1):
            radii = self.radii(axis)
            start = path.sweeps.start[axis, 0]
            # the two extreme states that any history could have left at the start of the frame
            low = _play_from(path, samples, axis, radii, start - radii)
            high = _play_from(path, samples, axis, radii, start + radii)
            shape = np.diff(self._mesh[0]) @ (high - low) / 2
            items.append((Coefficient(f"start_state_{AXES[axis]}", axis, ""), shape, self.strength))
        return nuisances_of(items, samples)

    def rescaled(self, factors: Factors) -> tuple[Hysteresis, Float]:
        """Loops are in proportion to their size."""
        return Hysteresis(over(self.amplitude, factors), self.cells, self.strength), np.ones(len(self.coefficients))

    def settings(self) -> dict[str, Any]:
        """Return what rebuilds this effect."""
        return {"amplitude": list(self.amplitude), "cells": self.cells, "strength": self.strength}


def _middles(edges: Float) -> Float:
    return np.asarray((edges[1:] + edges[:-1]) / 2)


def play_at(path: Path, samples: Samples, axis: int, radii: Float) -> Float:
    """Play operators at samples, shape ``(radii, samples)``, m.

    Parameters
    ----------
    axis
        0 for u, 1 for v.
    radii
        Half-widths, m, shape ``(radii,)``.
    """
    return _play_from(path, samples, axis, radii, _settled(path, axis, radii))


def _settled(path: Path, axis: int, radii: Float) -> Float:
    """State after an approach from the centre of travel to the rest position and on to the start of the frame."""
    state = np.zeros(radii.size)
    stops = [] if path.rest is None else [path.rest[axis]]
    for stop in [*stops, float(path.sweeps.start[axis, 0])]:
        state = np.clip(state, stop - radii, stop + radii)
    return state


def _play_from(path: Path, samples: Samples, axis: int, radii: Float, state: Float) -> Float:
    """Play operators at samples if the frame began with a given state."""
    states = path.remember(
        ("play", axis, radii.tobytes(), state.tobytes()), lambda: _states_at_sweeps(path, axis, radii, state)
    )
    u = samples.position[axis][None, :]
    # a sweep is straight, so from its start the operator has only been pushed, never let go
    r = radii[:, None]
    return np.asarray(np.minimum(np.maximum(states[samples.sweep].T, u - r), u + r))


def _states_at_sweeps(path: Path, axis: int, radii: Float, state: Float) -> Float:
    """Play operators at the start of every sweep, shape ``(sweeps, radii)``."""
    start, apex = path.sweeps.start[axis], path.sweeps.apex[axis]
    # where the command goes in turn, and how far an operator that gets there may be from it
    ends = np.column_stack([start, apex]).ravel()
    low, high = ends[:, None] - radii, ends[:, None] + radii
    # one limit after another is again a limit, so that they are joined in steps that double
    step = 1
    while step < ends.size:
        low[step:], high[step:] = (
            np.minimum(np.maximum(earlier, low[step:]), high[step:]) for earlier in (low[:-step], high[:-step])
        )
        step *= 2
    return np.asarray(np.minimum(np.maximum(state, low), high)[::2])
