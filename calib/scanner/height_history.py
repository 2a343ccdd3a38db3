r"""Hysteresis and creep of z: the same operators as for x and y, with the history of indicated heights as their path.

    true height = g1 m + g2 m^2 + g3 m^3 + B + H + C ,
    H = sum over (r, s) of w_rs ramp_s(p_r[m]) ,     C = sum over k of c_k (q_k[m] - f_k m) .

p_r: play operators of fixed half-widths, ramp_s: rises over cell s of mean positions (see :mod:`.hysteresis`); q_k:
relaxations of fixed time constants and unit gain. Both are driven by all heights that the scanner was seen to take, in
the order of time. Linear in the weights w and c. Play does not answer to heights that change by less than its width, so
the gain g1 is that of small steps, and H adds what larger ones have beyond it where they are: density at heights that
no scan has reached moves nothing. f_k is the part of a step that a relaxation has followed on the mean over a plateau a
third of a sweep long, so that creep hardly touches the gain of usual scans.

What went before the frame is not known: everything is settled at the first height.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from calib.path import Path
from calib.scanner.effect import Float

_WIDTHS = 6  # cells of half-width up to the largest half amplitude
_MEANS = 12  # cells of mean position over the range
_TIMES = (0.1, 1.0, 10.0)  # time constants of the relaxations, in sweeps: a decade apart
_PLATEAU = 1 / 3  # of a sweep: a step of usual width
_HYSTERESIS = 0.1  # prior of the sum of the weights along a loop of the largest amplitude (common practice, no source)
_CREEP = 0.02  # prior of the creep per decade, as for x and y
_LIKENESS = 0.9  # prior correlation of the gains of different time constants
# variance and reach (in half ranges) of the trend and of the unevenness of the density, as for x and y, and variance of
# what is finer than the cells: few steps would else be followed too closely
_TREND = (0.1, 0.7)
_UNEVEN = (0.1, 0.2)
_ROUGH = 0.1
_MEDIAN = 5  # pixels: spikes and noise of the detector are no movement of the scanner


@dataclass(frozen=True)
class HeightHistory:
    """Operators on the history of height.

    Attributes
    ----------
    amplitude
        Largest half amplitude of height in the calibration, m.
    reach
        Largest distance of a height from the middle of the z range in it, m.
    widths
        How many play operators there are; their half-widths are less than the amplitude. None: no hysteresis.
    means
        How many cells of mean position each of them has.
    times
        Time constants of relaxations, s. None: no creep.
    sweep
        Duration of a usual sweep, s; NaN if unknown.
    strength
        Prior standard deviation of the sum of the weights along a loop of the largest amplitude.
    """

    amplitude: float
    reach: float
    widths: int = _WIDTHS
    means: int = _MEANS
    times: tuple[float, ...] = ()
    sweep: float = np.nan
    strength: float = _HYSTERESIS

    @classmethod
    def usual(cls, amplitude: float, reach: float, sweep: float) -> HeightHistory:
        """Operators that suit an amplitude and a reach, m, and a duration of sweeps, s (NaN: no creep)."""
        times = () if np.isnan(sweep) else tuple(part * sweep for part in _TIMES)
        return cls(float(amplitude), float(max(reach, amplitude)), times=times, sweep=float(sweep))

    def only(self, *, hysteresis: bool, creep: bool) -> HeightHistory:
        """Return these operators without those that are not asked for."""
        return replace(self, widths=self.widths if hysteresis else 0, times=self.times if creep else ())

    @property
    def plays(self) -> int:
        """How many weights of play there are; those of relaxations come after them."""
        return self.widths * self.means

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Names of the weights, which are plain numbers."""
        play = (f"z_hysteresis_{k}_{cell}" for k in range(self.widths) for cell in range(self.means))
        return (*play, *(f"z_creep_{k}" for k in range(len(self.times))))

    @cached_property
    def radii(self) -> Float:
        """Half-widths of the play operators, m."""
        return np.asarray((self._limits[1:] + self._limits[:-1]) / 2 * self.amplitude)

    @property
    def _limits(self) -> Float:
        """Of the cells of half-width, relative: fine where small steps are told apart from large ones."""
        return np.linspace(0, 1, self.widths + 1) ** 2

    @cached_property
    def edges(self) -> Float:
        """Of the cells of mean position, about the middle of the z range, m."""
        return np.linspace(-self.reach, self.reach, self.means + 1)

    def missing(self, path: Path) -> str:
        """Why these operators can't be followed along a path; empty if they can."""
        if self.times and not path.timed:
            return "creep of z is taken as usual, since the scan does not say its line period"
        return ""

    def unknown_creep(self, weights: Float) -> float:
        """Standard uncertainty of a gain where times are unknown: creep is anywhere between not begun and done."""
        return float(abs(weights[self.plays :].sum())) / float(np.sqrt(12))

    def prior(self) -> Float:
        """Covariance of the weights before any scan, shape ``(weights, weights)``; their mean is zero."""
        covariance = np.zeros((len(self.names),) * 2)
        if self.widths:
            r = np.repeat(self.radii, self.means) / self.reach
            s = np.tile((self.edges[1:] + self.edges[:-1]) / 2, self.widths) / self.reach
            apart2 = (r[:, None] - r) ** 2 + (s[:, None] - s) ** 2
            like = 1 + sum(size * np.exp(-0.5 * apart2 / far**2) for size, far in (_TREND, _UNEVEN))
            share = self.strength * np.repeat(np.diff(self._limits), self.means)
            one = share[:, None] * share * like
            covariance[: self.plays, : self.plays] = one + _ROUGH * np.diag(share**2)
        count = len(self.times)
        covariance[self.plays :, self.plays :] = _CREEP**2 * (_LIKENESS + (1 - _LIKENESS) * np.eye(count))
        return covariance

    def as_strong_as(self, weights: Float, covariance: Float) -> HeightHistory:
        """Return these operators with the strength that weights of this covariance have, mean over all places."""
        if not self.widths:
            return self
        mean = np.concatenate([np.full(self.plays, 1 / self.means), np.zeros(len(self.times))])
        size = float(np.sqrt((mean @ weights) ** 2 + mean @ covariance @ mean))
        return replace(self, strength=min(size, self.strength))

    def history(self, heights: Float, path: Path, z_centre: float | None) -> History:
        """Follow the operators through all heights of a scan.

        Parameters
        ----------
        heights
            Indicated, m, shape ``(pass, slow, fast)``; where they are NaN the scanner is taken to stay where it was.
        path
            Of the scan, which says in which order and when the heights were met. Without times, relaxations are as at
            usual conditions, which is zero.
        z_centre
            What the heights are about, m from the middle of the z range. If None, the weights of all mean positions
            count alike.
        """
        met = in_time(heights, path)
        met = met - met[0, 0]
        p = (
            in_scan(play(met.ravel(), self.radii).reshape(-1, *met.shape), path)
            if self.widths
            else np.zeros((0, *path.scan_shape))
        )
        followed = np.zeros((len(self.times), *met.shape))
        if self.times and path.timed:
            # mean over half a period of a square wave of the response of a relaxation to it
            x = _PLATEAU * self.sweep / (2 * np.array(self.times))
            usual = 1 - np.tanh(x) / x
            pixel = path.sweep_time / met.shape[1]
            for k, tau in enumerate(self.times):
                followed[k] = relax(met, tau, pixel, path.turnaround) - usual[k] * met
        first = np.nan if z_centre is None else z_centre + _first(heights, path)
        return History(self, p, in_scan(followed, path), self.missing(path), first)

    def settings(self) -> dict[str, Any]:
        """Return what rebuilds these operators, SI units."""
        return {
            "amplitude": self.amplitude,
            "reach": self.reach,
            "widths": self.widths,
            "means": self.means,
            "times": list(self.times),
            "sweep": None if np.isnan(self.sweep) else self.sweep,
            "strength": self.strength,
        }

    @classmethod
    def from_settings(cls, content: Mapping[str, Any]) -> HeightHistory:
        """Return the operators that :meth:`settings` described."""
        return cls(
            amplitude=float(content["amplitude"]),
            reach=float(content["reach"]),
            widths=int(content["widths"]),
            means=int(content["means"]),
            times=tuple(float(t) for t in content["times"]),
            sweep=np.nan if content["sweep"] is None else float(content["sweep"]),
            strength=float(content["strength"]),
        )


@dataclass(frozen=True, eq=False)
class History:
    """What the operators have made of one scan.

    Attributes
    ----------
    operators
        Which they are.
    played
        Play operators of indicated heights above the first, m, shape ``(widths, pass, slow, fast)``.
    followed
        What each gain of creep adds to the true height, m, shape ``(times, pass, slow, fast)``.
    missing
        Why something could not be followed; empty if all was.
    first
        The first height about the middle of the z range, m; NaN if unknown.
    """

    operators: HeightHistory
    played: Float
    followed: Float
    missing: str
    first: float

    def added(self, weights: Float) -> Float:
        """What hysteresis and creep add to the true height, m, shape ``(pass, slow, fast)``."""
        o = self.operators
        total = np.tensordot(weights[o.plays :], self.followed, 1)
        for k, p in enumerate(self.played):
            mine = weights[k * o.means : (k + 1) * o.means]
            if np.isnan(self.first):
                total += mine.mean() * p
                continue
            # the outermost cells go on for ever
            knots = o.edges.copy()
            knots[[0, -1]] = knots[[0, -1]] * 1e3
            height = np.concatenate([[0.0], np.cumsum(mine * np.diff(knots))])
            total += np.interp(p + self.first, knots, height) - np.interp(self.first, knots, height)
        return np.asarray(total)

    def images(self, part: Any) -> Iterator[Float]:
        """What each weight adds to the true height at some pixels, m: one array a weight.

        Parameters
        ----------
        part
            Index into ``(pass, slow, fast)``.
        """
        o = self.operators
        low, high = o.edges[:-1].copy(), o.edges[1:].copy()
        low[0], high[-1] = low[0] * 1e3, high[-1] * 1e3
        for p in self.played:
            level = p[part]
            for cell in range(o.means):
                if np.isnan(self.first):
                    yield level / o.means
                else:
                    ends = low[cell], high[cell]
                    yield np.clip(level + self.first, *ends) - np.clip(self.first, *ends)
        for followed in self.followed:
            yield followed[part]


def _first(heights: Float, path: Path) -> float:
    return float(in_time(heights, path)[0, 0])


def in_time(heights: Float, path: Path) -> Float:
    """Heights in the order in which they were met, shape ``(sweeps, fast)``, free of spikes and gaps.

    A sweep that was not recorded goes back over the line that was.
    """
    from scipy import ndimage

    sweeps = path.sweeps
    met = heights[_recorded(path), sweeps.line]
    met = np.where(sweeps.direction[:, None] > 0, met, met[:, ::-1])
    flat = met.ravel()
    good = np.isfinite(flat)
    if not good.any():
        return np.zeros(met.shape)
    if not good.all():
        last = np.maximum.accumulate(np.where(good, np.arange(flat.size), -1))
        flat = flat[np.where(last < 0, int(np.argmax(good)), last)]
    return np.asarray(ndimage.median_filter(flat.reshape(met.shape), (1, _MEDIAN), mode="nearest"))


def in_scan(met: Float, path: Path) -> Float:
    """Undo the order of :func:`in_time`: ``(..., sweeps, fast)`` to ``(..., pass, slow, fast)``."""
    sweeps = path.sweeps
    turned = np.where(sweeps.direction[:, None] > 0, met, met[..., ::-1])
    result = np.empty((*met.shape[:-2], *path.scan_shape))
    # of a line of which one sweep was recorded, that sweep is the one to keep
    kept = np.ones(sweeps.line.size, dtype=bool)
    if not path.serpentine and len(path.passes) == 1:
        kept = sweeps.direction == (1 if path.passes[0] == "trace" else -1)
    result[..., _recorded(path)[kept], sweeps.line[kept], :] = turned[..., kept, :]
    return result


def _recorded(path: Path) -> np.ndarray:
    """Index of the pass in which each sweep was recorded, or else the other sweep of its line; shape ``(sweeps,)``."""
    if path.serpentine or len(path.passes) == 1:
        return np.zeros(path.sweeps.line.size, dtype=np.int64)
    trace = path.passes.index("trace")
    return np.where(path.sweeps.direction > 0, trace, 1 - trace)


def play(u: Float, radii: Float) -> Float:
    """Play operators along a sequence, settled at its first value; shape ``(radii, n)``.

    A step of the sequence clips the state, p -> min(max(p, u - r), u + r), and clips after one another are one clip. So
    the sequence is cut into blocks, the clips of all blocks are joined at once, and the states then go from block to
    block: about 2 sqrt(n) vectorised steps.
    """
    n = u.size
    width = int(np.ceil(np.sqrt(n)))
    blocks = -(-n // width)
    padded = np.concatenate([u, np.full(blocks * width - n, u[-1])]).reshape(blocks, width).T
    low = padded[:, None, :] - radii[None, :, None]  # (width, radii, blocks)
    high = padded[:, None, :] + radii[None, :, None]
    for k in range(1, width):
        floor, ceiling = low[k].copy(), high[k].copy()
        np.minimum(np.maximum(low[k - 1], floor), ceiling, out=low[k])
        np.minimum(np.maximum(high[k - 1], floor), ceiling, out=high[k])
    state = np.full(radii.size, u[0])
    states = np.empty((radii.size, blocks))
    for block in range(blocks):
        states[:, block] = state
        state = np.minimum(np.maximum(state, low[-1, :, block]), high[-1, :, block])
    p = np.minimum(np.maximum(states, low), high)
    return np.asarray(p.transpose(1, 2, 0).reshape(radii.size, -1)[:, :n])


def relax(met: Float, tau: float, pixel: float, turn: float) -> Float:
    """Relaxation of unit gain along heights in the order of time, settled at the first; shape ``(sweeps, fast)``.

    Parameters
    ----------
    met
        Heights, shape ``(sweeps, fast)``; each is held over its pixel, the last of a sweep over the turn as well.
    tau, pixel, turn
        Time constant, duration of a pixel and of a turn, s.
    """
    from scipy.signal import lfilter

    fast = met.shape[1]
    decay, half, over = (float(np.exp(-time / tau)) for time in (pixel, pixel / 2, turn))
    # at the end of each pixel, as if the sweep had begun at zero
    alone = lfilter([1 - decay], [1.0, -decay], met, axis=1)
    left = decay ** np.arange(fast + 1)
    starts = np.empty(len(met))
    state = float(met[0, 0])
    for k, (end, last) in enumerate(zip(alone[:, -1].tolist(), met[:, -1].tolist(), strict=True)):
        starts[k] = state
        state = last + (end + state * left[-1] - last) * over
    before = np.concatenate([np.zeros((len(met), 1)), alone[:, :-1]], axis=1) + starts[:, None] * left[:-1]
    return np.asarray(met + (before - met) * half)
