"""Residuals of a model's own scans, node by node: where they were seen, less where the model expects them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calib.fitting.problem import Prepared, Problem
from calib.observe.lateral import LateralObservation
from calib.scanner.effect import Float

if TYPE_CHECKING:
    from calib.model import Model

_MOST_STEPS = 20
_SETTLED = 1e-6  # of a step, in the units of the unknowns' priors or (without one) of their uncertainty


@dataclass(frozen=True, eq=False)
class NodeResiduals:
    """Residuals of one scan.

    Attributes
    ----------
    label
        Name of the scan.
    passes
        Name of the pass of each node, shape ``(nodes,)``.
    position
        Commanded position in scanner axes, m; shape ``(2, nodes)``.
    along
        Residual along each direction of the lattice (normal to the lines), m; shape ``(nodes, 1 or 2)``. Positive where
        the feature lies further along that direction than the model has it.
    vectors
        The same as vectors in true x and y, m; shape ``(2, nodes)``. For a grating along its one direction: what lies
        along the lines is not seen.
    weight
        Between 0 and 1; 0 for nodes that the fit took for outliers; shape ``(nodes,)``.
    """

    label: str
    passes: np.ndarray
    position: Float
    along: Float
    vectors: Float
    weight: Float

    @property
    def rms(self) -> float:
        """Weighted rms residual along one direction, m."""
        total = float(self.weight.sum()) * self.along.shape[1]
        return float(np.sqrt(np.sum(self.weight[:, None] * self.along**2) / max(total, 1e-300)))


def residuals(model: Model) -> tuple[NodeResiduals, ...]:
    """Return the residuals of all grating and grid scans that a model was made from.

    What all scans share (the scanner's motion) is held at the model's values. What each scan has of its own (pose of
    the standard, drift, what went before) is not part of a model, so it is settled anew by Gauss-Newton steps.

    Returns
    -------
    tuple
        One entry a scan; empty for a model without grating and grid scans.
    """
    found = settled(model)
    if found is None:
        return ()
    problem, x = found
    return tuple(_of_scan(problem, x, prepared) for prepared in problem.prepared)


def settled(model: Model) -> tuple[Problem, Float] | None:
    """Return the joint problem of a model's own scans, and its unknowns; None without grating and grid scans."""
    lateral = [observation for observation in model.observations if isinstance(observation, LateralObservation)]
    if not lateral:
        return None
    problem = Problem(model.motion, lateral)
    x = problem.start.copy()
    x[problem.shared] = np.linalg.solve(problem.factor, model.values - model.motion.rest_values)
    problem.set_noise(float(model.quality.get("misfit") or model.misfit.lateral))
    for _ in range(2):
        _settle(problem, x)
        problem.reweigh(x)
    _settle(problem, x)
    return problem, x


def _settle(problem: Problem, x: Float) -> None:
    """Solve for all unknowns but the shared ones, in place."""
    free = np.ones(x.size, dtype=bool)
    free[problem.shared] = False
    weight = np.where(np.isfinite(problem.prior_sd), 1.0, 0.0)[free]
    values = problem.values(x)
    for _ in range(_MOST_STEPS):
        normal, gradient = np.diag(weight), weight * x[free]
        for prepared in problem.prepared:
            rest, jacobian = problem.block(x, values, prepared)
            J = jacobian[:, free]
            normal += J.T @ J
            gradient += J.T @ rest
        size = np.sqrt(np.diag(normal))
        size[size == 0] = 1.0
        step = np.linalg.lstsq(normal / np.outer(size, size), -gradient / size, rcond=1e-13)[0]
        x[free] += step / size
        if np.abs(step).max(initial=0.0) < _SETTLED:
            return


def _of_scan(problem: Problem, x: Float, prepared: Prepared) -> NodeResiduals:
    observation = prepared.observation
    lattice = problem._lattice(x, prepared)[0]
    rest = problem.residual(x, prepared)
    along = rest / np.linalg.norm(lattice, axis=1)
    return NodeResiduals(
        label=observation.label,
        passes=np.asarray(observation.path.passes)[observation.pass_index],
        position=prepared.position,
        along=along,
        # of a grating the shortest vector: what lies along the lines is not seen
        vectors=np.asarray(np.linalg.pinv(lattice) @ rest.T, dtype=np.float64),
        weight=prepared.weight,
    )
