"""Solving all scans of a model, and half of them, with the effects that the model has.

Both halves take the standards as all scans together found them, since a wrong certificate would be wrong in both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calib.arithmetic.solve import solve
from calib.fit import LateralFit, Noise, fit_lateral
from calib.fitting.problem import Problem
from calib.model import Model
from calib.observe.lateral import LateralObservation
from calib.scanner.nonlinearity import Nonlinearity
from calib.standard import Grating

FEWEST = 4
"""Scans that are needed: two for each half."""

_NEGLIGIBLE = 1e-9  # relative uncertainty of a standard that counts as exact


class Whole:
    """All scans at once, with the effects that the model has; nothing is chosen or judged again."""

    def __init__(self, model: Model, lateral: Sequence[LateralObservation]) -> None:
        self.problem = problem = Problem(model.motion, lateral)
        problem.set_noise(float(model.quality["misfit"]))
        zero = np.zeros(len(problem.unknowns))
        x = problem.start.copy()
        x[problem.shared] = np.linalg.solve(problem.factor, model.values - model.motion.rest_values)
        for tolerance in (1e-2, 1e-3):
            self.solution = solve(
                problem.blocks, x, prior_mean=zero, prior_sd=problem.prior_sd, tolerance=tolerance, finish=False
            )
            x = self.solution.x
            problem.reweigh(x)


def solve_half(model: Model, observations: Sequence[LateralObservation]) -> LateralFit:
    """Solve some scans alone, as the model was solved for.

    Raises
    ------
    ModelError
        If they can't be solved.
    """
    bending = model.motion.effects[0]
    assert isinstance(bending, Nonlinearity)
    options = model.provenance.get("options", {})
    noise: Noise = "known" if options.get("noise") == "known" else "from residuals"
    periods = next((effect.settings()["periods"] for effect in model.motion.effects if effect.name == "periodic"), None)
    return fit_lateral(
        observations,
        bending.travel,
        bending.centre,
        degree=int(model.quality["degree"]),
        noise=noise,
        periods=periods or ((), ()),
    )


def with_found_standards(whole: Whole, observations: Sequence[LateralObservation]) -> list[LateralObservation]:
    """The observations, with standards that are exactly what all scans found them to be."""
    exact = {}
    for identity, (standard, place) in whole.problem.standards.items():
        names = ["pitch"] if isinstance(standard, Grating) else ["pitch_x", "pitch_y", "angle"]
        changes = {}
        for name, departure in zip(names, whole.solution.x[place], strict=True):
            value = getattr(standard, name)
            found = value.value + value.u * float(departure)
            changes[name] = replace(value, value=found, u=min(value.u, abs(found) * _NEGLIGIBLE))
        exact[identity] = replace(standard, **changes)
    return [replace(one, standard=exact[one.standard.identity]) for one in observations]


def half_model(model: Model, fit: LateralFit) -> Model:
    """The model that half of the scans give; with too few of them, errors are judged by all if that is surer."""
    misfit = fit.judged
    if len(fit.problem.observations) < FEWEST and model.misfit.lateral < misfit.lateral:
        misfit = model.misfit
    return model.replace(
        motion=fit.motion, values=fit.values, covariance=fit.covariance, origins=fit.origins, misfit=misfit
    )
