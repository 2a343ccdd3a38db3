"""The quantities that people care about, as what a frame would show; each is linear in the unknowns of the fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from calib.observability.linearised import Linearised
from calib.path import Path
from calib.scan import Scan
from calib.scanner.effect import AXES, Float
from calib.units import show

_POINTS = 48  # lines of a frame to which the next number belongs
_SETTLED = 6  # first lines of a frame that are left out, where what went before still shows
_TOLD = 3.0  # how much surer than beforehand a quantity must be from the data alone to count as determined


@dataclass(frozen=True)
class Observable:
    """One quantity, and how surely it is known.

    Attributes
    ----------
    name
        For people.
    kind
        What it is, whatever the axis: ``fast scale``, ``slow scale``, ``skew``, ``size``, ``loop``, ``creep``,
        ``bending``, ``bow``, ``drift``, ``z gain``, ``z curvature``.
    axis
        0 for x, 1 for y, 2 for z.
    unit
        SI unit, as for :func:`calib.units.show`.
    u_data, u_prior, u
        Standard uncertainty from the data alone, from what is assumed beforehand, and from both.
    about
        What it is, in plain words.
    """

    name: str
    kind: str
    axis: int
    unit: str
    u_data: float
    u_prior: float
    u: float
    about: str

    @property
    def known_by(self) -> str:
        """``data``, ``data in part``, or ``assumption only``."""
        if self.u_data * _TOLD <= self.u_prior:
            return "data"
        return "data in part" if self.u_data <= self.u_prior else "assumption only"

    def to_dict(self) -> dict[str, Any]:
        """Return the quantity as a JSON object, SI units."""
        return {
            "name": self.name,
            "unit": self.unit,
            "u_data": self.u_data,
            "u_prior": self.u_prior,
            "u": self.u,
            "known_by": self.known_by,
            "about": self.about,
        }


@dataclass(frozen=True)
class Row:
    """A quantity as a function of the unknowns: its value is ``row @ x``."""

    name: str
    kind: str
    axis: int
    unit: str
    about: str
    row: Float


def lateral_rows(linear: Linearised, paths: Sequence[Path]) -> list[Row]:
    """Return all quantities of x and y that the motion has effects for, looked at in frames like the scans."""
    motion = linear.motion
    names = {effect.name for effect in motion.effects}
    rows: list[Row] = []

    def add(name: str, kind: str, axis: int, unit: str, about: str, shared: Float) -> None:
        row = np.zeros(linear.size)
        row[linear.problem.shared] = shared @ linear.problem.factor
        rows.append(Row(name, kind, axis, unit, about, row))

    frames = [_Frames(linear, paths, axis) for axis in (0, 1)]
    for axis, frame in enumerate(frames):
        about = f"mean true over commanded, {AXES[axis]} as the fast axis, over {show(frame.size)}"
        add(f"scale {AXES[axis]}", "fast scale", axis, "1", about, frame.slope(frame.largest, axis))
    for axis, frame in enumerate(frames[::-1]):  # the slow axis of the other's frame
        about = f"mean true over commanded, {AXES[axis]} as the slow axis, over {show(frame.size)}"
        name = f"scale {AXES[axis]}, slow axis"
        add(name, "slow scale", axis, "1", about, frame.slope(frame.largest, axis))
    skew = np.zeros(len(motion.coefficients))
    skew[motion.names.index("skew")] = 1.0
    add("skew", "skew", 1, "rad", "of y from the normal to x", skew)
    for axis, frame in enumerate(frames):
        if "hysteresis" in names:
            small = frame.smaller
            about = f"change of the scale from scans of {show(frame.size)} to {show(float(np.ptp(small.fast)))}"
            change = frame.slope(frame.largest, axis) - frame.slope(small, axis)
            add(f"gain change with size {AXES[axis]}", "size", axis, "1", about, change)
            about = f"distance of trace and retrace in the middle of a line of {show(frame.size)}"
            add(f"loop {AXES[axis]}", "loop", axis, "m", about, frame.loop(axis))
        if "creep" in names and frame.largest.timed:
            slow, fast = frame.speeds
            decades = float(np.log10(slow.line_period / fast.line_period))
            change = (frame.slope(slow, axis) - frame.slope(fast, axis)) / decades
            about = f"change of the scale for a tenfold line period, {AXES[axis]} as the fast axis"
            add(f"creep per decade {AXES[axis]}", "creep", axis, "1", about, change)
        about = f"how far the middle of a line of {show(frame.size)} lies from the middle of its ends"
        add(f"bending {AXES[axis]}", "bending", axis, "m", about, frame.sag(axis))
        about = f"how far a line of {show(frame.size)} along {AXES[axis]} is bowed sideways"
        add(f"bow of lines along {AXES[axis]}", "bow", 1 - axis, "m", about, frame.sag(1 - axis))
    for name, items in linear.drift_rows().items():
        axis = next((a for a in (0, 1) if name.endswith(f"_{AXES[a]}")), 0)
        for _, row in items:
            about = "rate, of the scan of which it is known worst"
            rows.append(Row(f"drift {AXES[axis]}", "drift", axis, "m/s", about, row))
    return rows


class _Frames:
    """Frames with an axis as the fast one in which quantities are looked at: like those of the scans, where there are.

    Parameters
    ----------
    axis
        0 for x, 1 for y.
    """

    def __init__(self, linear: Linearised, paths: Sequence[Path], axis: int) -> None:
        self.linear, self.axis = linear, axis
        mine = [path for path in paths if abs(path.fast_axis[axis]) > 0.7]
        pool = mine or list(paths)
        timed = [path for path in pool if path.timed] or [path for path in paths if path.timed]
        big = max(pool, key=lambda path: float(np.ptp(path.fast)))
        like = [path for path in pool if np.ptp(path.fast) > 0.95 * np.ptp(big.fast)]
        # of the largest the one at the most usual speed
        like.sort(key=lambda path: path.line_period if path.timed else 0.0)
        big = like[len(like) // 2]
        self.size = float(np.ptp(big.fast))
        rotation = big.rotation if mine else big.rotation + np.pi / 2
        self._like = big
        self._rotation = rotation
        self.largest = self._frame(self.size, big.line_period if big.timed else None)
        small = min(float(np.ptp(path.fast)) for path in pool)
        self.smaller = self._frame(small if small < 0.85 * self.size else self.size / 2, self._period(big))
        speeds = [path.speed for path in timed]
        self._speeds = (min(speeds), max(speeds)) if speeds else None

    @property
    def speeds(self) -> tuple[Path, Path]:
        """The largest frame at the slowest and at the fastest speed; ten times apart if all scans have one speed."""
        assert self._speeds is not None
        slow, fast = self._speeds
        if fast < 1.5 * slow:
            slow, fast = slow / np.sqrt(10), fast * np.sqrt(10)
        period, speed = self.largest.line_period, self.largest.speed
        return self._frame(self.size, period * speed / slow), self._frame(self.size, period * speed / fast)

    def _period(self, path: Path) -> float | None:
        return path.line_period if path.timed else None

    def _frame(self, size: float, line_period: float | None) -> Path:
        like = self._like
        part = like.turnaround / like.line_period if like.timed else 0.0
        points = like.slow.size
        scan = Scan(
            channels={"height": np.broadcast_to(np.float64(0), (2, points, points))},
            fast=np.linspace(-size / 2, size / 2, points),
            slow=np.linspace(-size / 2, size / 2, points),
            passes=("trace", "retrace"),
            centre_x=float(like.centre[0]),
            centre_y=float(like.centre[1]),
            rotation=self._rotation,
            frame="up" if like.upwards else "down",
            line_period=line_period,
            turnaround=None if line_period is None else part * line_period,
            previous_x=float(like.rest[0]) if like.rest is not None else float(like.centre[0]),
            previous_y=float(like.rest[1]) if like.rest is not None else float(like.centre[1]),
        )
        return Path(scan)

    def _moved(self, path: Path, row: np.ndarray, fast: Float) -> tuple[Float, Float]:
        """Derivative of true position by the coefficients, and commanded position, at places of both passes."""
        index, row, fast = np.broadcast_arrays(np.arange(2)[:, None, None], row[None, :, None], fast[None, None, :])
        samples = path.samples(index, row, fast)
        motion, linear = self.linear.motion, self.linear
        values = linear.problem.values(linear.x)
        J = motion.jacobian(samples, values, motion.shared(path, samples))
        return J.reshape(2, -1, *index.shape), samples.position.reshape(2, *index.shape)

    def slope(self, path: Path, axis: int) -> Float:
        """Mean slope of true over commanded along an axis, by the coefficients."""
        rows = self._rows_of(path)
        J, commanded = self._moved(path, rows, np.linspace(path.fast[0], path.fast[-1], 13))
        centred = commanded[axis] - commanded[axis].mean()
        return np.asarray(np.einsum("cpij,pij->c", J[axis], centred) / float(np.sum(centred**2)))

    def _rows_of(self, path: Path) -> np.ndarray:
        count = path.slow.size
        first = max(1, round(count * _SETTLED / _POINTS))
        return np.unique(np.linspace(first, count - 1 - first, 13).round().astype(np.int64))

    def _middle(self, path: Path) -> np.ndarray:
        return np.array([path.slow.size // 2])

    def loop(self, axis: int) -> Float:
        """Distance of the passes in the middle of a line."""
        J, _ = self._moved(self.largest, self._middle(self.largest), np.zeros(1))
        return np.asarray(J[axis, :, 0, 0, 0] - J[axis, :, 1, 0, 0])

    def sag(self, axis: int) -> Float:
        """How far the middle of a line lies from the middle of its ends, mean of both passes."""
        path = self.largest
        ends = np.array([0.95 * path.fast[0], 0.0, 0.95 * path.fast[-1]])
        J, _ = self._moved(path, self._middle(path), ends)
        return np.asarray(J[axis, :, :, 0].mean(axis=1) @ np.array([-0.5, 1.0, -0.5]))
