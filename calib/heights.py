"""Steps -> height response: a calibration line (or cubic) through indicated and certified heights."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calib.observe.step import StepObservation
from calib.scanner.height import Height
from calib.solve import solve


def fit_height(steps: Sequence[StepObservation], travel: float | None) -> Height:
    """Fit the height response to all observed steps at once.

    Unknowns are g1, g2, g3 with what is known of them beforehand, and the heights of the standards with their
    certificates; each standard is one unknown, however often it was scanned.

    Parameters
    ----------
    steps
        May be empty: then the answer is what is known beforehand.
    travel
        Range of height, m, if it is declared.
    """
    reach = [abs(level) for step in steps for level in (step.low, step.high) if np.isfinite(level)]
    largest = max([step.indicated for step in steps], default=1e-6)
    span = travel or 2 * max([*reach, largest])
    before = Height.prior(span)
    if not steps:
        return before
    names = list(dict.fromkeys(step.standard.identity for step in steps))
    heights = {step.standard.identity: step.standard.height for step in steps}
    sd = np.sqrt(np.diag(before.covariance))
    certified = np.array([heights[name].value for name in names])
    unsure = np.array([max(heights[name].u, 1e-6 * heights[name].value) for name in names])
    index = [names.index(step.standard.identity) for step in steps]
    design = np.zeros((len(steps), 3))
    for k, step in enumerate(steps):
        design[k, 0] = step.indicated
        if np.isfinite(step.low):
            shrink = step.indicated / (step.high - step.low) if step.high > step.low else 1.0
            design[k, 1:] = [(step.high**n - step.low**n) * shrink for n in (2, 3)]
    noise = np.array([repeatability(step) for step in steps])

    def blocks(x: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
        gains, departures = before.values + sd * x[:3], x[3:]
        found = []
        for k, row in enumerate(design):
            true = certified[index[k]] + unsure[index[k]] * departures[index[k]]
            J = np.zeros(x.size)
            J[:3] = row * sd
            J[3 + index[k]] = -unsure[index[k]]
            found.append((np.array([row @ gains - true]) / noise[k], J[None] / noise[k]))
        return found

    zero = np.zeros(3 + len(names))
    solution = solve(blocks, zero, prior_mean=zero, prior_sd=np.ones(zero.size))
    return Height(
        values=before.values + sd * solution.x[:3],
        covariance=solution.covariance[:3, :3] * np.outer(sd, sd),
        span=span,
        determined=True,
    )


def repeatability(step: StepObservation) -> float:
    """Standard uncertainty of an indicated height: noise of the lines, and how far trace and retrace are apart, m."""
    apart = float(np.ptp(step.by_pass)) / np.sqrt(12) if len(step.by_pass) > 1 else 0.0
    return float(np.hypot(max(step.u, 1e-13), apart))
