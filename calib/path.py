"""The commanded path of a raster: where the scanner was told to be, and when.

What a scanner does depends on where it has been, so effects see a scan only as this path: a sequence of
straight sweeps in time order, joined by turns. Conventions (see `docs/reference/conventions.md`):

- a line is trace (towards +fast), turn, retrace, turn; the slow axis steps after the retrace. A one-pass
  raster makes the same movement and records one of the two sweeps;
- one sweep lasts ``line_period / 2 - turnaround``, and covers its pixels edge to edge at constant speed, so
  that pixel ``i`` of ``n`` is passed at ``(i + 1/2) / n`` of it;
- a turn lasts ``turnaround`` and is made at constant deceleration, which takes the probe ``speed * turnaround / 4``
  beyond the edge (common practice, no source: the smoothest turn that a drive of limited force can make);
- alternate lines of a serpentine run the other way, one sweep and one turn a line;
- time begins with the first sweep of the frame.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.scan import Scan

Float = NDArray[np.float64]
Int = NDArray[np.int64]


@dataclass(frozen=True)
class Sweeps:
    """The sweeps of a frame in the order of time; every array has shape ``(sweeps,)``.

    Attributes
    ----------
    line
        Row of the scan that the sweep belongs to.
    direction
        +1 towards +fast, -1 towards -fast.
    time
        When the sweep begins, s; NaN if the timing is unknown.
    start, end
        Commanded position at its ends in scanner axes, m; shape ``(2, sweeps)``.
    apex
        The same at the far point of the turn that follows.
    """

    line: Int
    direction: Int
    time: Float
    start: Float
    end: Float
    apex: Float


@dataclass(frozen=True)
class Samples:
    """Points on a path at which effects are evaluated; every array has the same shape ``(samples,)``.

    Attributes
    ----------
    sweep
        Index into :attr:`Path.sweeps`.
    position
        Commanded position (u, v) in scanner axes, m; shape ``(2, samples)``.
    time
        s since the frame began; NaN if the timing is unknown.
    elapsed
        s since the sweep began; NaN if the timing is unknown.
    height
        Indicated height there, m; zero where there is none.
    """

    sweep: Int
    position: Float
    time: Float
    elapsed: Float
    height: Float

    @property
    def size(self) -> int:
        """How many points there are."""
        return int(self.sweep.size)


@dataclass(frozen=True)
class Stretch:
    """A piece of what the scanner did before a frame: its mean course, at constant speed.

    Attributes
    ----------
    begin, end
        How long before the frame, s; `end` is the smaller.
    start, finish
        Commanded position then, in scanner axes, m.
    """

    begin: float
    end: float
    start: tuple[float, float]
    finish: tuple[float, float]


class Path:
    """The commanded path of one scan.

    Parameters
    ----------
    scan
        A scan in the commanded frame of reference.
    rest
        Where the scanner rested before the frame, if something better is known than the scan says; (x, y), m.

    Attributes
    ----------
    timed
        Whether line period and so all times are known.
    rest
        (x, y) in m, or None if unknown.
    centred
        Whether heights are given about the middle of the z range.
    plane
        Mean plane of the sample as indicated, where it is known: height at the centre of the frame, m, and its slopes
        along x and y. Samples that bear no height of their own lie on it.
    history
        What the scanner did before the frame, without a gap up to its beginning; empty if that is not known.
    """

    def __init__(self, scan: Scan, rest: tuple[float, float] | None = None) -> None:
        self.scan_shape = scan.shape
        self.passes = scan.passes
        self.serpentine = scan.pattern == "serpentine"
        self.upwards = scan.frame != "down"
        self.timed = scan.line_period is not None
        self.line_period = float(scan.line_period) if scan.line_period is not None else np.nan
        self.turnaround = float(scan.turnaround or 0.0)
        self.fast = np.asarray(scan.fast, dtype=np.float64)
        self.slow = np.asarray(scan.slow, dtype=np.float64)
        self.centre = np.array([scan.centre_x, scan.centre_y])
        self.rotation = float(scan.rotation)
        self.fast_axis, self.slow_axis = scan.axes
        if scan.previous_x is not None and scan.previous_y is not None:
            rest = (scan.previous_x, scan.previous_y)
        self.rest = rest
        self.centred = scan.z_centre is not None
        self.plane: tuple[float, float, float] | None = None
        self.history: tuple[Stretch, ...] = ()
        self._memory: dict[Hashable, Float] = {}

    def remember(self, key: Hashable, compute: Callable[[], Float]) -> Float:
        """Return what was computed under this key before; states of the whole history are worth keeping."""
        if key not in self._memory:
            self._memory[key] = compute()
        return self._memory[key]

    # --- as plain values, for model files ----------------------------------------------------------

    def to_dict(self) -> dict[str, Any]:
        """Return the path as a JSON object, SI units."""
        return {
            "passes": list(self.passes),
            "fast": _brief(self.fast),
            "slow": _brief(self.slow),
            "centre": self.centre.tolist(),
            "rotation": self.rotation,
            "frame": "up" if self.upwards else "down",
            "pattern": "serpentine" if self.serpentine else "raster",
            "line_period": self.line_period if self.timed else None,
            "turnaround": self.turnaround,
            "rest": None if self.rest is None else list(self.rest),
            "centred": self.centred,
            "plane": None if self.plane is None else list(self.plane),
            **({"history": [_numbers(one) for one in self.history]} if self.history else {}),
        }

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> Path:
        """Return the path that :meth:`to_dict` described."""
        fast, slow = _whole(content["fast"]), _whole(content["slow"])
        passes = tuple(content["passes"])
        empty = np.broadcast_to(np.float64(0), (len(passes), slow.size, fast.size))
        rest = content.get("rest")
        scan = Scan(
            channels={"height": empty},
            fast=fast,
            slow=slow,
            passes=passes,
            centre_x=content["centre"][0],
            centre_y=content["centre"][1],
            rotation=content["rotation"],
            frame=content["frame"],
            pattern=content["pattern"],
            line_period=content["line_period"],
            turnaround=content["turnaround"],
            z_centre=0.0 if content.get("centred") else None,
        )
        path = cls(scan, None if rest is None else (float(rest[0]), float(rest[1])))
        if (plane := content.get("plane")) is not None:
            path.plane = (float(plane[0]), float(plane[1]), float(plane[2]))
        path.history = tuple(
            Stretch(begin, end, (u, v), (to_u, to_v)) for begin, end, u, v, to_u, to_v in content.get("history", [])
        )
        return path

    @property
    def last(self) -> tuple[float, float]:
        """Where the frame leaves the scanner, m, in scanner axes."""
        u, v = self.sweeps.end[:, -1]
        return float(u), float(v)

    @property
    def mean_course(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Where the frame begins and ends, averaged over a line; m, in scanner axes."""
        middle = (self.edges[0] + self.edges[1]) / 2
        ends = self.slow[[0, -1]] if self.upwards else self.slow[[-1, 0]]
        (u, to_u), (v, to_v) = self.at(np.full(2, middle), ends)
        return (float(u), float(v)), (float(to_u), float(to_v))

    # --- shape of the movement -------------------------------------------------------------------

    @property
    def pixel(self) -> float:
        """Distance of pixel centres along the fast axis, m."""
        return float(self.fast[-1] - self.fast[0]) / max(self.fast.size - 1, 1)

    @property
    def edges(self) -> tuple[float, float]:
        """Fast coordinates between which a sweep runs, m."""
        return float(self.fast[0]) - self.pixel / 2, float(self.fast[-1]) + self.pixel / 2

    @property
    def sweep_time(self) -> float:
        """Duration of a sweep, s; NaN if the timing is unknown."""
        sweeps_per_line = 1 if self.serpentine else 2
        return self.line_period / sweeps_per_line - self.turnaround

    @property
    def speed(self) -> float:
        """Fast-axis speed during a sweep, m/s; NaN if the timing is unknown."""
        low, high = self.edges
        return (high - low) / self.sweep_time

    @property
    def overshoot(self) -> float:
        """How far a turn takes the probe beyond the edge, m."""
        return self.speed * self.turnaround / 4 if self.timed else 0.0

    @property
    def frame_time(self) -> float:
        """Duration of the frame, s; NaN if the timing is unknown."""
        return self.line_period * self.slow.size

    @cached_property
    def sweeps(self) -> Sweeps:
        """All sweeps of the frame in time order, recorded or not."""
        lines = np.arange(self.slow.size)
        if not self.upwards:
            lines = lines[::-1]
        order = np.arange(self.slow.size)
        if self.serpentine:
            line, direction = lines, np.where(order % 2 == 0, 1, -1)
            time = order * self.line_period
        else:
            line = np.repeat(lines, 2)
            direction = np.tile([1, -1], self.slow.size)
            time = np.repeat(order * self.line_period, 2)
            time[1::2] += self.sweep_time + self.turnaround
        low, high = self.edges
        begin = np.where(direction > 0, low, high)
        finish = np.where(direction > 0, high, low)
        slow = self.slow[line]
        return Sweeps(
            line=line.astype(np.int64),
            direction=direction.astype(np.int64),
            time=np.asarray(time, dtype=np.float64),
            start=self.at(begin, slow),
            end=self.at(finish, slow),
            apex=self.at(finish + direction * self.overshoot, slow),
        )

    @cached_property
    def _sweep_of_line(self) -> Int:
        """Index of the sweep by (pass, line)."""
        sweeps = self.sweeps
        if self.serpentine:
            table = np.empty((1, self.slow.size), dtype=np.int64)
            table[0, sweeps.line] = np.arange(sweeps.line.size)
            return table
        table = np.empty((2, self.slow.size), dtype=np.int64)
        table[0, sweeps.line[0::2]] = np.arange(0, sweeps.line.size, 2)
        table[1, sweeps.line[1::2]] = np.arange(1, sweeps.line.size, 2)
        rows = [0 if name == "trace" else 1 for name in self.passes]
        return table[rows]

    # --- points on it ----------------------------------------------------------------------------

    def at(self, fast: Float, slow: Float) -> Float:
        """Commanded position (u, v) in scanner axes of scan coordinates (fast, slow); shape ``(2, ...)``."""
        u = self.centre[0] + self.fast_axis[0] * fast + self.slow_axis[0] * slow
        v = self.centre[1] + self.fast_axis[1] * fast + self.slow_axis[1] * slow
        return np.stack([u, v])

    def samples(self, pass_index: Int | int, line: Int, fast: Float, height: Float | None = None) -> Samples:
        """Points given by pass, row and fast coordinate.

        Parameters
        ----------
        pass_index, line, fast
            Index along the scan's first axis, row, and fast coordinate in m; broadcast against each other.
        height
            Indicated heights there, m, of the broadcast shape; by default those of :attr:`plane`.
        """
        pass_index, line, fast = np.broadcast_arrays(pass_index, line, fast)
        pass_index, line, fast = pass_index.ravel(), line.ravel(), np.asarray(fast, dtype=np.float64).ravel()
        sweep = self._sweep_of_line[pass_index, line]
        low, high = self.edges
        direction = self.sweeps.direction[sweep]
        way = np.where(direction > 0, fast - low, high - fast)
        elapsed = way / self.speed
        position = self.at(fast, self.slow[line])
        return Samples(
            sweep=sweep,
            position=position,
            time=self.sweeps.time[sweep] + elapsed,
            elapsed=elapsed,
            height=self._on_plane(position) if height is None else np.asarray(height, dtype=np.float64).ravel(),
        )

    def _on_plane(self, position: Float) -> Float:
        if self.plane is None:
            return np.zeros(position.shape[1])
        level, along_x, along_y = self.plane
        return np.asarray(level + np.array([along_x, along_y]) @ (position - self.centre[:, None]))

    def lines(self, pass_index: int, rows: slice, height: Float | None = None) -> Samples:
        """All pixels of some rows of one pass, row by row; with their indicated heights, if they matter."""
        line = np.arange(self.slow.size)[rows]
        return self.samples(pass_index, line[:, None], self.fast[None, :], height)

    def velocity(self, samples: Samples) -> Float:
        """Commanded velocity (u, v) at samples, m/s; shape ``(2, samples)``."""
        direction = self.sweeps.direction[samples.sweep]
        return np.asarray(self.fast_axis[:, None] * direction * self.speed)


def _numbers(one: Stretch) -> list[float]:
    return [one.begin, one.end, *one.start, *one.finish]


def _brief(grid: Float) -> dict[str, Any]:
    even = np.linspace(grid[0], grid[-1], grid.size)
    if np.allclose(grid, even, rtol=0, atol=1e-9 * float(np.ptp(grid) or 1.0)):
        return {"first": float(grid[0]), "last": float(grid[-1]), "count": int(grid.size)}
    return {"values": grid.tolist()}


def _whole(content: Mapping[str, Any]) -> Float:
    if "values" in content:
        return np.asarray(content["values"], dtype=np.float64)
    return np.linspace(content["first"], content["last"], content["count"])
