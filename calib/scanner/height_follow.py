"""Hysteresis and creep of z while a frame is being recorded: line by line, with the state carried on.

The same operators as in :mod:`.height_history`, and the same numbers: they only ever look back.
"""

from __future__ import annotations

import numpy as np

from calib.path import Path
from calib.scanner.effect import Float
from calib.scanner.height_history import _MEDIAN, _PLATEAU, HeightHistory, History


class HeightFollower:
    """Follows the operators through the sweeps of a frame.

    Parameters
    ----------
    operators
        Which they are.
    path
        Of the frame.
    z_centre
        What heights are about, m from the middle of the z range; None if unknown.
    weights
        Of the operators.
    """

    def __init__(self, operators: HeightHistory, path: Path, z_centre: float | None, weights: Float) -> None:
        self._operators, self._path, self._weights = operators, path, weights
        self._z_centre = z_centre
        self._last = np.nan  # last height that was seen, m
        self._reference = np.nan  # the first, m
        self._waited = False
        self._played = np.zeros(operators.widths and operators.radii.size)
        self._relaxed = np.zeros(len(operators.times))

    def sweep(self, heights: Float, direction: int) -> History | None:
        """Return what they have made of the next sweep, arrays of shape ``(…, fast)``; None before the first height.

        Parameters
        ----------
        heights
            Indicated, m, by place; NaN where there is no data.
        direction
            +1 or -1, as the sweep ran.
        """
        met = self._met(heights[::direction])
        if met is None:  # nothing was seen yet, so nothing has moved
            return None
        played = self._play(met)
        followed = self._follow(met)
        first = np.nan if self._z_centre is None else self._z_centre + self._reference
        return History(self._operators, played[..., ::direction], followed[..., ::direction], "", first)

    def added(self, history: History | None) -> Float:
        """What they add to the true height in a sweep, m, shape ``(fast,)``."""
        return np.zeros(self._path.fast.size) if history is None else history.added(self._weights)

    def _met(self, heights: Float) -> Float | None:
        """Heights above the first in the order of time, free of spikes and gaps."""
        from scipy import ndimage

        good = np.isfinite(heights)
        if not good.any() and np.isnan(self._last):
            self._waited = True
            return None
        begun = not np.isnan(self._last)
        if not begun:
            self._last = float(heights[int(np.argmax(good))])
        last = np.maximum.accumulate(np.where(good, np.arange(heights.size), -1))
        filled = np.where(last < 0, self._last, heights[np.maximum(last, 0)])
        if good.any():
            first_seen, self._last = self._last, float(heights[last[-1]])
        met = np.asarray(ndimage.median_filter(filled, _MEDIAN, mode="nearest"))
        if not begun:
            self._reference = first_seen if self._waited else float(met[0])
        return met - self._reference

    def _play(self, met: Float) -> Float:
        """Play operators along the sweep, shape ``(widths, fast)``."""
        radii = self._operators.radii if self._operators.widths else np.zeros(0)
        low, high = met[:, None] - radii, met[:, None] + radii
        found = np.empty((met.size, radii.size))
        state = self._played
        for k in range(met.size):
            state = np.minimum(np.maximum(state, low[k]), high[k])
            found[k] = state
        self._played = state
        return found.T

    def _follow(self, met: Float) -> Float:
        """What each gain of creep adds, m, shape ``(times, fast)``; see `relax`, which this is one sweep of."""
        from scipy.signal import lfilter

        o, path = self._operators, self._path
        found = np.zeros((len(o.times), met.size))
        if not (o.times and path.timed):
            return found
        x = _PLATEAU * o.sweep / (2 * np.array(o.times))
        usual = 1 - np.tanh(x) / x
        pixel = path.sweep_time / met.size
        for k, tau in enumerate(o.times):
            decay, half, over = (float(np.exp(-time / tau)) for time in (pixel, pixel / 2, path.turnaround))
            alone = lfilter([1 - decay], [1.0, -decay], met)
            left = decay ** np.arange(met.size + 1)
            before = np.concatenate([[0.0], alone[:-1]]) + self._relaxed[k] * left[:-1]
            found[k] = met + (before - met) * half - usual[k] * met
            self._relaxed[k] = met[-1] + (alone[-1] + self._relaxed[k] * left[-1] - met[-1]) * over
        return found
