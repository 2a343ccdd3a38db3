"""Quantities that people know, as functionals of what a model predicts: two models need not have the same effects.

Each quantity of x and y is a weighted sum of the true positions of a few frames that both models are asked for: a scale
is the mean slope of true over commanded, a loop the distance of the passes, and so on. Its derivative by the
coefficients follows from that of the positions. Quantities of height are sums of a height response's coefficients.

A model's error enters by its covariance between places. Whether it is alike in trace and retrace is not known, so each
quantity gets the larger of both answers; the errors of different frames count as independent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from calib.frames import lattice, line_period, reference_frame
from calib.model import Model
from calib.model_error import error_covariance
from calib.path import Path, Samples
from calib.scanner.effect import AXES, Float
from calib.scanner.height import Height
from calib.units import show

_POINTS = 64  # along each side of a frame
_SETTLED = 4  # of these, the first lines are left out, where what went before still shows
_SIDE = 21  # points along each side at which a frame is looked at: as close as the fine structure of errors is wide
_MIDDLE = 1 / 6  # of a line: so far from its middle a loop is looked at
_SEVERAL = 1.5  # times faster must be the fastest than the slowest speed for creep to be told
_TOLD = 0.8  # of the standard uncertainty beforehand: a quantity that is hardly surer is told by no scan


@dataclass(frozen=True)
class View:
    """Points of one frame: rows and columns in every pass; samples ordered ``(pass, row, column)``."""

    path: Path
    samples: Samples
    shape: tuple[int, ...]


@dataclass(frozen=True)
class Quantity:
    """One quantity.

    Attributes
    ----------
    name, unit
        Unit as for :func:`calib.units.show`.
    about
        The conditions under which it holds, in plain words.
    parts
        Views with the weights of their true positions, shape ``(2, samples)``; empty for a quantity of heights.
    angle
        Whether it is an angle: each coordinate's sum counts over the scale of the other axis.
    height
        Which quantity of heights: ``gain``, ``curvature``, ``bow``, ``step``; empty for one of x and y.
    needs
        Name of an effect that a model must have to know it.
    """

    name: str
    unit: str
    about: str
    parts: tuple[tuple[View, Float], ...] = ()
    angle: bool = False
    height: str = ""
    needs: str = ""


@dataclass
class Field:
    """What the models have in common of the field, and the frames in which both are looked at.

    Attributes
    ----------
    area
        ``(x low, x high, y low, y high)``, commanded, m.
    speed
        m/s, at the middle of the common speeds; None if unknown.
    speeds
        Slowest and fastest common speed, m/s; None if there is no range of them.
    passes
        Of the frames.
    """

    area: tuple[float, float, float, float]
    speed: float | None
    speeds: tuple[float, float] | None
    passes: tuple[str, ...]
    _paths: dict[tuple[int, float | None], Path] = field(default_factory=dict)
    _views: dict[tuple[int, float | None], View] = field(default_factory=dict)

    @property
    def size(self) -> float:
        """Side of the largest square frame, m."""
        low_x, high_x, low_y, high_y = self.area
        return min(high_x - low_x, high_y - low_y)

    @property
    def centre(self) -> tuple[float, float]:
        """Middle of the area, m."""
        low_x, high_x, low_y, high_y = self.area
        return (low_x + high_x) / 2, (low_y + high_y) / 2

    def path(self, axis: int, speed: float | None) -> Path:
        """Return the largest frame with an axis as its fast one."""
        if (axis, speed) not in self._paths:
            self._paths[axis, speed] = Path(
                reference_frame(
                    self.size,
                    _POINTS,
                    centre=self.centre,
                    rotation=axis * np.pi / 2,
                    passes=self.passes,
                    line_period=line_period(self.size, speed),
                )
            )
        return self._paths[axis, speed]

    def view(self, axis: int, speed: float | None, fast: Float | None = None) -> View:
        """Return points all over a frame, or at given places along the lines in its middle."""
        path = self.path(axis, speed)
        if fast is None:
            if (axis, speed) not in self._views:
                rows = np.linspace(_SETTLED, _POINTS - 1, _SIDE).round().astype(np.int64)
                columns = np.linspace(0, _POINTS - 1, _SIDE).round().astype(np.int64)
                self._views[axis, speed] = View(path, *lattice(path, rows, columns))
            return self._views[axis, speed]
        rows = np.linspace(_POINTS / 4, 3 * _POINTS / 4, _SIDE).round().astype(np.int64)
        index, row, place = np.meshgrid(np.arange(len(path.passes)), rows, fast, indexing="ij")
        return View(path, path.samples(index, row, place), index.shape)


def quantities(seen: Field) -> list[Quantity]:
    """Return the quantities by which models are compared, whether or not both know them."""
    found: list[Quantity] = []
    size, at = show(seen.size), f" at {show(seen.speed, 'm/s')}" if seen.speed else ""
    for axis, name in enumerate(AXES[:2]):
        view = seen.view(axis, seen.speed)
        about = f"mean true over commanded, {name} as the fast axis, over {size}{at}"
        found.append(Quantity(f"scale {name}", "1", about, ((view, _slope(view, axis, axis)),)))
    view = seen.view(0, seen.speed)
    shear = _slope(view, 0, 1) + _slope(view, 1, 0)
    found.append(Quantity("skew", "rad", "of y from the normal to x, towards +x", ((view, shear),), angle=True))
    if len(seen.passes) == 2:
        for axis, name in enumerate(AXES[:2]):
            reach = seen.size * _MIDDLE
            view = seen.view(axis, seen.speed, np.linspace(-reach, reach, 5))
            weights = np.zeros((2, *view.shape))
            weights[axis, 0], weights[axis, 1] = 1 / view.samples.size * 2, -1 / view.samples.size * 2
            about = f"distance of trace and retrace in the middle of lines of {size} along {name}{at}"
            one = ((view, weights.reshape(2, -1)),)
            found.append(Quantity(f"loop {name}", "m", about, one, needs="hysteresis"))
    if seen.speeds is not None and seen.speeds[1] > _SEVERAL * seen.speeds[0]:
        decades = float(np.log10(seen.speeds[1] / seen.speeds[0]))
        for axis, name in enumerate(AXES[:2]):
            slow, fast = (seen.view(axis, speed) for speed in seen.speeds)
            parts = ((slow, _slope(slow, axis, axis) / decades), (fast, -_slope(fast, axis, axis) / decades))
            about = f"change of the scale for a tenfold line period, {name} as the fast axis"
            found.append(Quantity(f"creep per decade {name}", "1", about, parts, needs="creep"))
    return [
        *found,
        Quantity("z gain", "1", "true over indicated height, in the middle of the range", height="gain"),
        Quantity("z curvature", "1", "gain at the end of the z range less that in its middle", height="curvature"),
        Quantity("bow", "m", f"middle of {size} over the middles of its edges, as a flat shows it", height="bow"),
    ]


def distance(seen: Field, axis: int, length: float) -> Quantity:
    """Return a distance along an axis, about the middle of the field, in the mean of trace and retrace."""
    view = seen.view(axis, seen.speed, np.array([-length / 2, length / 2]))
    weights = np.zeros((2, *view.shape))
    weights[axis, ..., 0], weights[axis, ..., 1] = -2 / view.samples.size, 2 / view.samples.size
    about = f"{show(length)} commanded along {AXES[axis]}, about the middle of the field"
    return Quantity(f"distance {AXES[axis]}", "m", about, ((view, weights.reshape(2, -1)),))


def step(height: float) -> Quantity:
    """Return a step about the middle of the z range."""
    return Quantity("step", "m", f"{show(height)} indicated, about the middle of the z range", height="step")


@dataclass(frozen=True)
class Seen:
    """Quantities as one model has them.

    Attributes
    ----------
    value, u_before
        And what the standard uncertainty would be before any scan; shape ``(n,)``.
    lateral, vertical
        Derivatives by the coefficients of motion and height, shapes ``(n, terms)``.
    errors
        Covariance of the model's error, and of what else has nothing to do with coefficients, shape ``(n, n)``.
    covariance
        All of it together.
    """

    value: Float
    u_before: Float
    lateral: Float
    vertical: Float
    errors: Float
    covariance: Float

    def told(self) -> np.ndarray:
        """Which quantities the scans of the model tell anything of."""
        return np.asarray(np.sqrt(np.diag(self.covariance)) < _TOLD * self.u_before)


def see(model: Model, wanted: Sequence[Quantity], seen: Field, span: float, height: float) -> Seen:
    """Evaluate quantities by a model.

    Parameters
    ----------
    span
        Range of height that models have in common, m.
    height
        Of a step, m.
    """
    n = len(wanted)
    value = np.zeros(n)
    lateral = np.zeros((n, model.values.size))
    vertical = np.zeros((n, model.height.values.size))
    errors = np.zeros((n, n))
    views: dict[int, tuple[View, dict[int, Float]]] = {}
    for k, one in enumerate(wanted):
        if one.height:
            vertical[k], own = _height_row(model.height, one.height, seen, span, height)
            value[k] = vertical[k] @ model.height.values
            errors[k, k] = own
            continue
        for view, given in one.parts:
            shared = model.motion.shared(view.path, view.samples)
            true = model.motion.position(view.path, view.samples, model.values)
            weights, part = given, float(np.sum(given * true))
            if one.angle:
                weights, part = _angle(view, given, true)
            value[k] += part
            jacobian = model.motion.jacobian(view.samples, model.values, shared)
            lateral[k] += np.einsum("in,icn->c", weights, jacobian)
            views.setdefault(id(view), (view, {}))[1][k] = weights
    for view, weighed in views.values():
        _add_errors(errors, model, view, weighed)
    of_fit = lateral @ model.covariance @ lateral.T + vertical @ model.height.covariance @ vertical.T
    prior = Height.prior(model.height.span, model.height.bow, model.height.history).covariance
    before = lateral @ model.motion.prior_covariance @ lateral.T + vertical @ prior @ vertical.T
    return Seen(value, np.sqrt(np.diag(before)), lateral, vertical, errors, of_fit + errors)


def _slope(view: View, coordinate: int, along: int) -> Float:
    """Weights of the mean slope of a true coordinate along a commanded one."""
    position = view.samples.position
    plane = np.stack([np.ones(view.samples.size), *(position - position.mean(axis=1, keepdims=True))])
    weights = np.zeros_like(position)
    weights[coordinate] = np.linalg.pinv(plane.T)[1 + along]
    return weights


def _angle(view: View, shear: Float, true: Float) -> tuple[Float, float]:
    """Derivative of an angle by true positions, and the angle: each slope over the scale of the axis it runs along."""
    scales = [_slope(view, 1, 1), _slope(view, 0, 0)]  # x leans over along y, y along x
    derivative, angle = np.zeros_like(shear), 0.0
    for axis, weights in enumerate(scales):
        leans, scale = float(shear[axis] @ true[axis]), float(np.sum(weights * true))
        derivative[axis] += shear[axis] / scale
        derivative -= leans / scale**2 * weights
        angle += leans / scale
    return derivative, angle


def _add_errors(errors: Float, model: Model, view: View, weighed: dict[int, Float]) -> None:
    """Add what the model's error in one view does to each quantity."""
    which = list(weighed)
    weights = np.stack([weighed[k] for k in which], axis=1)  # (axis, quantity, sample)
    apart = np.arange(view.samples.size) // (view.samples.size // view.shape[0])
    alike, own = (np.zeros((len(which),) * 2) for _ in range(2))
    for axis, covariance in enumerate(error_covariance(model, view.path, view.samples)):
        w = weights[axis]
        alike += w @ covariance @ w.T
        own += w @ np.where(apart[:, None] == apart[None, :], covariance, 0.0) @ w.T
    errors[np.ix_(which, which)] += alike + np.diag(np.maximum(np.diag(own) - np.diag(alike), 0.0))


def _height_row(height: Height, what: str, seen: Field, span: float, size: float) -> tuple[Float, float]:
    """Derivative of a quantity of heights by the coefficients, and the variance that does not come from these."""
    row = np.zeros(height.values.size)
    half = span / 2
    unplaced = 0.0 if height.placed else height.unknown_gain() ** 2
    if what == "gain":
        row[0] = 1.0
        return row, unplaced
    if what == "step":  # from h/2 below the middle to h/2 above
        row[0], row[2] = size, size**3 / 4
        return row, size**2 * unplaced
    if what == "curvature":
        row[1:3] = 2 * half, 3 * half**2
        return row, 0.0
    if height.bow is None:
        return row, 0.0
    at = np.array([[0.0, -0.5, 0.5, 0.0, 0.0], [0.0, 0.0, 0.0, -0.5, 0.5]]) * seen.size
    of_points = np.array([1.0, -0.25, -0.25, -0.25, -0.25])
    row[height.of_bow] = height.bow.basis(at + np.array(seen.centre)[:, None]) @ of_points
    return row, float(of_points @ of_points) * height.misfit**2
