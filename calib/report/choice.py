"""Figures on their own: which there are of a model, a verification, a comparison or a scan."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calib.errors import CalibError
from calib.model import Model
from calib.scan import Scan

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FIGURES = (
    *("all", "field", "whole", "residuals", "prediction", "uncertainty-x", "uncertainty-y"),
    *("height", "bow", "drift"),
)
"""Of a model, beside the names of its effects."""


def check_figure(model: Model, name: str) -> None:
    """See that a model has a figure.

    Raises
    ------
    CalibError
        If there is no such figure, or the model holds nothing to draw in it.
    """
    from calib.report.effect_figures import effects_shown
    from calib.summary import lateral

    shown = effects_shown(model) if lateral(model) else ()
    if name in shown:
        return
    if name not in FIGURES:
        raise CalibError(f"There is no figure {name!r} of this model: take one of {', '.join((*FIGURES, *shown))}.")
    told = {
        **dict.fromkeys(("field", "whole", "uncertainty-x", "uncertainty-y"), lateral(model)),
        "prediction": bool(model.misfit.by_scan),
        "height": model.height.determined,
        "bow": model.height.bow is not None and model.height.bow_determined,
        "drift": bool(model.drift),
    }
    if not told.get(name, True):
        raise CalibError(f"The scans of this model tell nothing of what the figure {name!r} shows: take another.")


def model_picture(model: Model, name: str) -> Figure:
    """Draw one figure of a model.

    Parameters
    ----------
    name
        One of :data:`FIGURES`, or the name of an effect of the model.

    Raises
    ------
    CalibError
        See :func:`check_figure`.
    """
    from calib.report import effect_figures as effects
    from calib.report import figures, residual_figures, uncertainty_figures

    check_figure(model, name)
    if name not in FIGURES:
        return effects.effect_figure(model, name)
    if name in ("uncertainty-x", "uncertainty-y"):
        return uncertainty_figures.uncertainty_figure(model, "xy".index(name[-1]))
    if name in ("field", "whole"):
        return figures.field_figure(model, straight=name == "whole")
    make = {
        "all": figures.model_figure,
        "residuals": figures.residual_figure,
        "height": effects.height_figure,
        "bow": effects.bow_figure,
        "drift": effects.drift_figure,
        "prediction": residual_figures.prediction_figure,
    }
    return make[name](model)


def scan_picture(scan: Scan) -> Figure:
    """Draw the first pass of a scan."""
    from calib.report.scan_figures import scan_figure

    return scan_figure(scan, title=f"{scan.label}, {scan.passes[0]}")
