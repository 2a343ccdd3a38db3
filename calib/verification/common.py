"""What a check and the model have in common: an error of a certificate that both rest on.

A model remembers by how much its coefficients move with one standard deviation of each certified value. A quantity that
is measured with the model moves along, and so does the reference value it is compared with; in their deviation the
common part cancels.
"""

from __future__ import annotations

import numpy as np

from calib.measure.step_height import by_coefficients
from calib.origins import CERTIFICATE, of_value
from calib.scanner.effect import Float
from calib.standard import Standard
from calib.verification.seen import Seen


def with_lattice(seen: Seen, by_position: Float) -> Float:
    """Return by how much quantities move with one standard deviation of each certified value of a grating or grid.

    Only what both certificates owe to one calibration counts; their changes with temperature are taken for
    independent, which makes a deviation look rather less sure than it is.

    Parameters
    ----------
    by_position
        Derivative of the quantities by the corrected positions of the nodes, shape ``(q, 2, nodes)``.

    Returns
    -------
    Array of shape ``(q, values)``; zero for a standard that the calibration did without.
    """
    observation, model = seen.lateral, seen.model
    assert observation is not None
    names = tuple(name for name in ("pitch", "pitch_x", "pitch_y", "angle") if name in seen.standard.values())
    moved = model.certificates.get(seen.standard.identity)
    if moved is None or moved.shape != (len(model.values), len(names)):
        return np.zeros((len(by_position), len(names)))
    path = observation.path
    samples = path.samples(observation.pass_index, observation.row, observation.fast)
    J = model.motion.jacobian(samples, model.values, model.motion.shared(path, samples))
    by_values = np.einsum("qcn,cpn->qp", by_position, J)
    return np.asarray(by_values @ moved * [_common(seen, name) for name in names])


def with_step(seen: Seen) -> float:
    """Return by how much the height of a step moves with one standard deviation of its certified value, m."""
    assert seen.step is not None
    moved = seen.model.height.certificates.get(seen.standard.identity)
    if moved is None or len(moved) != seen.model.height.values.size:
        return 0.0
    return float(by_coefficients(seen.model, seen.step) @ moved[:, 0]) * _common(seen, "height")


def _common(seen: Seen, name: str) -> float:
    """Part of the standard uncertainties of a value, of the model's standard and of this one, that is common."""
    here, model = seen.standard, seen.model
    used: Standard = next(one.standard for one in model.observations if one.standard.identity == here.identity)
    return float(np.sqrt(of_value(used, name)[CERTIFICATE] * of_value(here, name)[CERTIFICATE]))
