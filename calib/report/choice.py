"""Figures on their own: which there are of a model, a scan, a verification, a comparison or a standard."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calib.errors import CalibError
from calib.model import Model
from calib.scan import Scan

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from calib.compared.result import ModelComparison
    from calib.standard import Standard
    from calib.verification.collected import VerificationSet

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


def scan_picture(scan: Scan, name: str) -> Figure:
    """Draw a scan: ``all`` its passes, one of them by its name, or all with the ``findings`` of an inspection.

    Raises
    ------
    CalibError
        If there is no such pass, or nothing to draw.
    """
    if name == "findings":
        from calib.findings import inspect_scan
        from calib.report.findings_figure import findings_figure

        return findings_figure(scan, inspect_scan(scan), scan.label)
    from calib.report.scan_figures import passes_figure

    _check(name, ("all", *scan.passes, "findings"), "scan")
    return passes_figure(scan, () if name == "all" else (name,))


def verification_picture(found: VerificationSet, name: str) -> Figure:
    """Draw a verification: ``all``, ``agreement``, ``limits``, or a map of deviations, ``map-1`` and so on.

    Raises
    ------
    CalibError
        If it has no such figure.
    """
    from calib.report import verification_figures as figures

    limits = figures.limits_figure(found)
    maps = [
        (one, passed)
        for one in found.characteristics
        if one.field is not None
        for passed in dict.fromkeys(one.field.passes)
    ]
    named = {f"map-{number}": one for number, one in enumerate(maps, start=1)}
    _check(name, ("all", "agreement", *(["limits"] if limits is not None else []), *named), "verification")
    if name in named:
        return figures.map_figure(*named[name])
    if name == "limits" and limits is not None:
        return limits
    return figures.agreement_figure(found) if name == "agreement" else figures.verification_figure(found)


def comparison_picture(found: ModelComparison, name: str) -> Figure:
    """Draw a comparison: ``all``, ``quantities``, or a map of displacements, ``map-1`` and so on.

    Raises
    ------
    CalibError
        If it has no such figure.
    """
    from calib.report import compare_figure as figures

    named = {f"map-{number}": frame for number, frame in enumerate(found.map.frames, start=1)}
    _check(name, ("all", "quantities", *named), "comparison")
    if name in named:
        return figures.map_of(named[name])
    return figures.quantities_of(found) if name == "quantities" else figures.compare_figure(found)


def standard_picture(standard: Standard, name: str) -> Figure:
    """Draw a standard: there is one figure, ``all``.

    Raises
    ------
    CalibError
        If another is asked for.
    """
    from calib.report.standard_figure import standard_figure

    _check(name, ("all",), "standard")
    return standard_figure(standard)


def _check(name: str, known: tuple[str, ...], what: str) -> None:
    if name not in known:
        raise CalibError(
            f"There is no figure {name!r} of this {what}: take {'one of ' * (len(known) > 1)}{', '.join(known)}."
        )
