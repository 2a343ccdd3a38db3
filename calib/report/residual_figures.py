"""Residuals in small figures: all of them, those of one scan, and how well left-out scans are predicted."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from calib.fitting.residuals import NodeResiduals
from calib.model import Model
from calib.report import style
from calib.report.figures import draw_prediction, draw_residuals
from calib.units import show

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_ROOM = 0.58  # of the extent to either side of its middle: arrows at the border need some
_OUTLIER = 0.3  # weight below which the fit hardly heeded a node
_ARROW = 0.08  # of the extent: an arrow of the length that 95 % of them don't exceed


def spread_figure(model: Model, left: Sequence[NodeResiduals]) -> Figure:
    """Draw the histogram of all residuals."""
    with style.settings():
        figure = style.new_figure(4.4, 3.4)
        draw_residuals(figure.add_subplot(), model, tuple(left))
        return figure


def prediction_figure(model: Model) -> Figure:
    """Draw how well the other scans predict each scan."""
    with style.settings():
        figure = style.new_figure(4.4, max(2.4, 0.9 + 0.27 * len(model.misfit.by_scan)))
        draw_prediction(figure.add_subplot(), model)
        return figure


def of_scan(part: NodeResiduals) -> Figure:
    """Draw the residuals of one scan as arrows from the commanded places of its nodes."""
    with style.settings():
        figure = style.new_figure(4.6, 4.2)
        axes = figure.add_subplot()
        size, unit = style.unit_for(float(np.abs(part.position).max()))
        used = part.weight > _OUTLIER
        lengths = np.hypot(*part.vectors)[used]
        longest = float(np.percentile(lengths, 95)) if lengths.size else 0.0
        longest = longest or 1e-12
        reach = float(np.ptp(part.position, axis=1).max()) / size
        names = [name for name in ("trace", "retrace") if np.any(used & (part.passes == name))]
        for name in names:
            mine = (part.passes == name) & used
            ink = style.FIRST if name == "trace" else style.SECOND
            arrows = axes.quiver(
                *(part.position[:, mine] / size), *(part.vectors[:, mine] / longest * reach * _ARROW), color=ink,
                angles="xy", scale_units="xy", scale=1, width=0.005, headwidth=3 if name == "trace" else 6, label=name,
            )  # fmt: skip
            if name == names[0]:
                axes.quiverkey(arrows, 0.78, 1.03, reach * _ARROW, show(longest, digits=2), labelpos="E", color="black")
        if not used.all():
            place = part.position[:, ~used] / size
            axes.plot(*place, "x", ms=4, color=style.THIRD, label="taken for an outlier")
        low, high = part.position.min(axis=1) / size, part.position.max(axis=1) / size
        middle, room = (low + high) / 2, _ROOM * reach
        axes.set_xlim(middle[0] - room, middle[0] + room)
        axes.set_ylim(middle[1] - room, middle[1] + room)
        axes.set_aspect("equal")
        axes.set_xlabel(f"commanded x ({unit})")
        axes.set_ylabel(f"commanded y ({unit})")
        axes.set_title("Residuals", pad=12)
        figure.legend(loc="outside lower center", ncols=3)
        return figure
