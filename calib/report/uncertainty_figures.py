"""How sure positions are: maps over the field, and tables of distances and steps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calib.frames import line_period, middle, middle_speed, reference_frame
from calib.locate import joint_covariance, position_uncertainty, positions
from calib.model import Model
from calib.path import Path
from calib.report import style
from calib.report.figures import without_rigid
from calib.scanner.effect import AXES, Float
from calib.units import show

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_POINTS = 64
_SETTLED = 2  # first lines, where what went before still shows
_NICE = (1.0, 2.0, 5.0)


@dataclass(frozen=True, eq=False)
class Field:
    """A frame of the largest calibrated size, scanned upwards at a middle speed.

    Attributes
    ----------
    place
        Commanded positions, m, shape ``(2, slow, fast)``.
    u
        Standard uncertainties of x and y, rms of the passes, m; the same shape.
    error
        What a scan has wrong that is not corrected, but for a shift and a rotation, m; shape ``(2, pass, slow, fast)``.
    """

    place: Float
    u: Float
    error: Float

    @classmethod
    def of(cls, model: Model) -> Field:
        """Evaluate a model on it."""
        path = _path(model)
        rows = slice(_SETTLED, None)
        commanded = path.at(*np.meshgrid(path.fast, path.slow))[:, rows]
        true = positions(model.motion, model.values, path)[:, :, rows]
        u = position_uncertainty(model, path)[:, :, rows]
        error = without_rigid(true, np.broadcast_to(commanded[:, None], true.shape))
        return cls(commanded, np.asarray(np.sqrt(np.mean(u**2, axis=1))), error)

    def largest(self) -> tuple[float, float]:
        """Largest uncorrected error, m, and its standard uncertainty along its direction."""
        length = np.hypot(*self.error)
        at = np.unravel_index(int(length.argmax()), length.shape)
        dx, dy = self.error[:, at[0], at[1], at[2]] / length[at]
        ux, uy = self.u[:, at[1], at[2]]
        return float(length[at]), float(np.hypot(dx * ux, dy * uy))

    def rms(self) -> float:
        """Root mean square of the length of the uncorrected error, m."""
        return float(np.sqrt(np.mean(np.sum(self.error**2, axis=0))))


def uncertainty_figure(model: Model, axis: int, field: Field | None = None) -> Figure:
    """Draw the expanded uncertainty (k = 2) of positions along an axis over the field."""
    field = field or Field.of(model)
    U = 2 * field.u[axis]
    size, unit = style.unit_for(float(np.abs(field.place).max()))
    fine, fine_unit = style.unit_for(float(U.max()))
    with style.settings():
        figure = style.new_figure(4.4, 3.7)
        axes = figure.add_subplot()
        x, y = field.place / size
        image = axes.pcolormesh(x, y, U / fine, cmap=style.HEIGHTS, vmin=0, shading="nearest", rasterized=True)
        lines = axes.contour(x, y, U / fine, levels=5, colors="white", linewidths=0.6)
        axes.clabel(lines, fontsize=7)
        style.colour_bar(figure, image, axes, f"U of {AXES[axis]}, k = 2 ({fine_unit})")
        axes.set_aspect("equal")
        axes.set_title(f"Uncertainty along {AXES[axis]}")
        axes.set_xlabel(f"commanded x ({unit})")
        axes.set_ylabel(f"commanded y ({unit})")
        return figure


def distances(model: Model) -> list[tuple[float, float, float]]:
    """Return lengths of distances about the middle of the field with their standard uncertainties along x and y, m.

    Both ends lie on the same pass, each distance along an axis.
    """
    path = _path(model)
    most = model.domain.sizes[1]
    lengths = _round_lengths(0.02 * most, 0.8 * most)[-4:]
    found = []
    for length in lengths:
        at = np.array([-length / 2, length / 2])
        row = np.argmin(np.abs(path.slow))
        rows = [int(np.argmin(np.abs(path.slow - one))) for one in at]
        both = []
        for axis, samples in (
            (0, path.samples(np.zeros(2, dtype=np.int64), np.full(2, row), at)),
            (1, path.samples(np.zeros(2, dtype=np.int64), np.array(rows), np.zeros(2))),
        ):
            covariance = joint_covariance(model, path, samples)[axis, :, axis]
            both.append(float(np.sqrt(max(covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1], 0.0))))
        found.append((length, both[0], both[1]))
    return found


def steps(model: Model) -> list[tuple[float, float]]:
    """Return heights of steps with their standard uncertainties, m: within the calibrated heights, without noise."""
    height = model.height
    top = max((abs(one) for one in model.domain.heights or ()), default=height.span / 2)
    found = []
    for step in _round_lengths(0.05 * top, 1.05 * top)[-3:]:
        indicated = np.array([step / height.values[0]])
        u = float(height.uncertainty(indicated, 0.0, True)[0])
        found.append((step, float(np.hypot(u, height.misfit))))
    return found


def said(values: Float) -> str:
    """Say of a map of uncertainties how small and how large they are (k = 2)."""
    low, half, high = (2 * float(one) for one in np.percentile(values, [0, 50, 100]))
    return f"from {show(low, digits=2)} to {show(high, digits=2)}, half of the field below {show(half, digits=2)}"


def _path(model: Model) -> Path:
    size, domain = model.domain.sizes[1], model.domain
    frame = reference_frame(
        size, _POINTS, centre=middle(domain.area), line_period=line_period(size, middle_speed(domain))
    )
    return Path(frame)


def _round_lengths(low: float, high: float) -> list[float]:
    start = int(np.floor(np.log10(low)))
    every = [nice * 10.0**power for power in range(start, start + 6) for nice in _NICE]
    return [one for one in every if low <= one <= high]
