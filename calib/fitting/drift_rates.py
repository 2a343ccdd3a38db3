"""How the sample drifted in each scan of a session, as a joint fit found it."""

from __future__ import annotations

import numpy as np

from calib.fitting.problem import Problem
from calib.model import DriftRate
from calib.scanner.effect import AXES, Float


def rows_of(problem: Problem) -> dict[int, Float]:
    """For each scan that bears a drift, by its index, what takes the unknowns to its rates along x and y, m/s.

    Returns
    -------
    Arrays of shape ``(2, unknowns)``, in the order of the observations.
    """
    rows: dict[int, Float] = {}
    for name, (place, factor) in problem.remembered.items():
        axis = next((a for a in (0, 1) if name == f"drift_{AXES[a]}"), None)
        if axis is not None:
            for k in np.nonzero(np.any(factor != 0, axis=1))[0]:
                row = rows.setdefault(int(k), np.zeros((2, len(problem.unknowns))))
                row[axis, place] = factor[k]
    return dict(sorted(rows.items()))


def drift_rates(problem: Problem, x: Float, covariance: Float) -> tuple[DriftRate, ...]:
    """Rates of drift with their standard uncertainties, scan by scan.

    Parameters
    ----------
    x, covariance
        Unknowns of the problem, shapes ``(unknowns,)`` and ``(unknowns, unknowns)``.
    """
    found = []
    for k, row in rows_of(problem).items():
        rate, u = row @ x, np.sqrt(np.einsum("ij,jk,ik->i", row, covariance, row))
        label = problem.observations[k].label
        found.append(DriftRate(label, (float(rate[0]), float(rate[1])), (float(u[0]), float(u[1]))))
    return tuple(found)
