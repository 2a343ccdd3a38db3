"""What steps and flats tell of heights, from few numbers: gain, its change over the range, bow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calib.observability.linearised import WEAK
from calib.observability.observables import Observable
from calib.observe.lateral import LateralObservation
from calib.observe.levels import FlatObservation
from calib.observe.step import StepObservation
from calib.scanner.bow import Bow
from calib.scanner.effect import Float
from calib.scanner.height import Height
from calib.units import show

_SUBSTRATE = 5e-5  # of half the field, by which a grating or step may be curved (as in the fit of heights)


def vertical(
    steps: Sequence[StepObservation],
    others: Sequence[LateralObservation | FlatObservation],
    travel: Sequence[float],
) -> list[Observable]:
    """Gain, its change over the range, and bow.

    Parameters
    ----------
    steps
        Their indicated heights, each with the noise of its lines, against their certificates.
    others
        Whatever else shows a plane: flats by their certificate, gratings by how flat such things are.
    travel
        Of x, y and (if known) z, m.
    """
    return [*_gains(steps, travel[2] if len(travel) > 2 else None), _bow(steps, others, travel)]


def as_fitted(quantities: Sequence[Observable], height: Height) -> tuple[Observable, ...]:
    """Quantities with the uncertainties that a height response has, where it is one of heights.

    What the data tell alone is what they must have told to get from the assumption to the result.
    """
    half = height.span / 2
    rows = {"z gain": np.array([1.0]), "z curvature": np.array([0.0, 2 * half, 3 * half**2])}
    if height.bow is not None:
        rows["height bow"] = np.concatenate([np.zeros(3), _sag(height.bow)])
    found = []
    for quantity in quantities:
        row = rows.get(quantity.kind)
        if row is not None:
            u = float(np.sqrt(max(row @ height.covariance[: row.size, : row.size] @ row, 0.0)))
            quantity = replace(quantity, u=u, u_data=_told(u, quantity.u_prior))
        found.append(quantity)
    return tuple(found)


def _told(u: float, u_prior: float) -> float:
    """What data must have told to get from an assumption to a result."""
    told = 1 / u**2 - 1 / u_prior**2 if u > 0 else np.inf
    return float(1 / np.sqrt(max(told, 1 / (WEAK * u_prior) ** 2)))


def _sag(bow: Bow) -> Float:
    """Middle of the field over the middles of its edges, by the coefficients of a bow."""
    at = np.array([[0.0, -0.5, 0.5, 0.0, 0.0], [0.0, 0.0, 0.0, -0.5, 0.5]]) * np.array(bow.travel)[:, None]
    return np.asarray(bow.basis(at + np.array(bow.centre)[:, None]) @ np.array([1.0, -0.25, -0.25, -0.25, -0.25]))


def _bow(
    steps: Sequence[StepObservation],
    others: Sequence[LateralObservation | FlatObservation],
    travel: Sequence[float],
) -> Observable:
    """How far a plane looks curved: middle of the field over the middles of its edges."""
    field = float(max(travel[:2]))
    bow = Bow((float(travel[0]), float(travel[1])))
    prior = float(np.linalg.norm(_sag(bow) * bow.prior_sd()))
    told = []
    for observation in [*steps, *others]:
        part = float(np.ptp(observation.path.fast)) / field
        if isinstance(observation, FlatObservation):
            area = max(observation.standard.area)
            shape = observation.standard.flatness.u * float(np.sqrt(min(1.0, field / area)))
        else:
            shape = _SUBSTRATE * field / 2
        # a curvature seen over a part of the field counts by its square over the whole
        told.append(shape / part**2)
    data = min(told, default=WEAK * prior)
    both = data * prior / float(np.hypot(data, prior))
    about = f"how far a plane of {show(field)} looks curved in the middle"
    return Observable("bow of heights", "height bow", 2, "m", data, prior, both, about)


def _gains(steps: Sequence[StepObservation], travel: float | None) -> list[Observable]:
    """Gain and its change over the range, from calibration lines through certified heights."""
    from calib.heights import repeatability

    reach = [abs(level) for step in steps for level in (step.low, step.high) if np.isfinite(level)]
    largest = max([step.indicated for step in steps], default=1e-6)
    half = (travel or 2 * max([*reach, largest])) / 2
    sd = np.sqrt(np.diag(Height.prior(2 * half).covariance))
    heights = {step.standard.identity: step.standard.height for step in steps}
    names = list(heights)
    data = np.zeros((len(steps), 3 + len(names)))
    for k, step in enumerate(steps):
        certified = heights[step.standard.identity]
        low, high = step.low, step.high
        terms = [step.indicated, 0.0, 0.0]
        if np.isfinite(low) and high > low:
            terms = [step.indicated * (high**n - low**n) / (high - low) for n in (1, 2, 3)]
        data[k, :3] = np.array(terms) * sd
        data[k, 3 + names.index(step.standard.identity)] = -max(certified.u, 1e-6 * certified.value)
        data[k] /= repeatability(step)
    gain, ends = np.zeros(data.shape[1]), np.zeros(data.shape[1])
    gain[0] = sd[0]
    # gain at the upper end less that in the middle: 2 g2 m + 3 g3 m^2
    ends[1:3] = sd[1:] * [2 * half, 3 * half**2]
    found = []
    for name, kind, row, about in (
        ("z gain", "z gain", gain, "true over indicated height in the middle of the range"),
        ("z gain change over the range", "z curvature", ends, "gain at the end of the range less that in the middle"),
    ):
        # with the change over the range left wholly open, one step at one height would tell nothing of the gain
        u, u_prior = _u_of(row, data), float(np.linalg.norm(row[:3]))
        found.append(Observable(name, kind, 2, "1", _told(u, u_prior), u_prior, u, about))
    return found


def _u_of(row: Float, data: Float) -> float:
    root = np.asarray(np.linalg.qr(np.concatenate([data, np.eye(row.size)]), mode="r"))
    return float(np.linalg.norm(np.linalg.solve(root.T, row)))
