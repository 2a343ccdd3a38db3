"""Where the covariance of a model's parameters comes from: certificates, temperature, drift, noise and so on.

In the joint solution all that is known beforehand acts as further observations: of the standards by their certificates,
of the scanner by what such scanners do. With the covariance C of all unknowns, and P the inverse covariance of
what was known of some of them, an error of that knowledge goes into the solution as C P, so that its part of C is
C P C. The parts add up to C, and what is left of it is that of the observations.

What was presumed of the scanner itself has its part by the covariance of the parameters and their prior alone, so only
the others have to be kept with a model.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

import numpy as np

from calib.observe.lateral import unknown_cosine
from calib.scanner.effect import Float
from calib.standard import Grating, Standard, Step

if TYPE_CHECKING:
    from calib.arithmetic.solve import Solution
    from calib.fitting.problem import Problem

Origins = Mapping[str, Float]
"""By name a matrix F, shape ``(terms, k)``: F Fᵀ is that part of the covariance of the parameters. Empty: not known."""

CERTIFICATE = "certificate"
TEMPERATURE = "temperature"
UNEVENNESS = "unevenness in the calibration"
MOUNTING = "mounting in the calibration"
COSINE = "cosine error in the calibration"
DRIFT = "drift in the calibration"
FORM = "form of the standards"
PRESUMED = "presumed of the scanner"
NOISE = "noise in the calibration"
CALIBRATION = "calibration"
"""All of it together, for models that do not tell its parts."""

_SMALL = 1e-6  # of the parameters' standard uncertainties: a direction that matters less counts as noise


def split(origins: Origins, derivative: Float, covariance: Float, prior: Float, total: Float) -> dict[str, Float]:
    """Split covariances of quantities that come from a model's parameters.

    Parameters
    ----------
    origins
        Of the parameters' covariance.
    derivative
        Of the quantities by the parameters, shape ``(quantities, terms)``.
    covariance, prior
        Of the parameters, after and before any scan was taken; shape ``(terms, terms)``.
    total
        Of the quantities by the parameters, shape ``(quantities, quantities)``.

    Returns
    -------
    dict
        Covariances by name, which add up to `total`; all of it is ``calibration`` if the origins are not known.
    """
    if not fitting(origins, derivative.shape[-1]):
        return {CALIBRATION: total}
    roots = {name: derivative @ part for name, part in origins.items()}
    roots[PRESUMED] = np.linalg.solve(np.linalg.cholesky(prior), covariance @ derivative.T).T
    found = {name: np.asarray(root @ root.T) for name, root in roots.items()}
    known = np.sum(list(found.values()), axis=0)
    # what only rounding makes larger than the whole must not leave a negative rest
    most, whole = np.diag(known), np.diag(total)
    fair = np.sqrt(np.divide(whole, most, out=np.ones_like(most), where=most > whole))
    found = {name: part * np.outer(fair, fair) for name, part in found.items()}
    return {**found, NOISE: total - np.sum(list(found.values()), axis=0)}


def fitting(origins: Origins, terms: int) -> bool:
    """Whether origins are known, and of so many parameters."""
    return bool(origins) and all(len(part) == terms for part in origins.values())


def gathered(moves: Iterable[tuple[str, Float]], u: Float) -> dict[str, Float]:
    """Gather what parameters move by, by where it comes from.

    Parameters
    ----------
    moves
        Pairs of a name and movements of all parameters, each by one standard deviation of something independent;
        shape ``(terms,)`` or ``(terms, k)``.
    u
        Standard uncertainties of the parameters, shape ``(terms,)``.
    """
    by_name: dict[str, list[Float]] = {CERTIFICATE: [np.zeros((u.size, 0))]}
    for name, move in moves:
        by_name.setdefault(name, []).append(move.reshape(u.size, -1))
    shortened = {name: _shortened(np.concatenate(parts, axis=1), u) for name, parts in by_name.items()}
    return {name: part for name, part in shortened.items() if part.shape[1] or name == CERTIFICATE}


def _shortened(factor: Float, u: Float) -> Float:
    """Return the fewest columns with the same F Fᵀ but for what matters to no parameter."""
    scale = np.where(u > 0, u, 1.0)[:, None]
    left, size, _ = np.linalg.svd(factor / scale, full_matrices=False)
    keep = size > _SMALL
    return np.asarray(scale * left[:, keep] * size[keep])


def of_value(standard: Standard, name: str) -> dict[str, float]:
    """Parts of the variance of a standard's value: that of the certificate, and that of its change with temperature."""
    value, certified = getattr(standard, name), standard.as_certified
    if certified is None or not value.u:
        return {CERTIFICATE: 1.0}
    before = getattr(certified, name)
    by_certificate = (value.value / before.value * before.u / value.u) ** 2 if before.value else 1.0
    return {CERTIFICATE: min(by_certificate, 1.0), TEMPERATURE: max(1.0 - by_certificate, 0.0)}


def of_place(standard: Standard, tilt: float = 0.0) -> dict[str, float]:
    """Parts of the variance by which a standard differs from place to place and from mounting to mounting.

    Parameters
    ----------
    tilt
        What an unknown tilt adds to that, m.
    """
    listed = {UNEVENNESS: standard.unevenness, MOUNTING: standard.mounting}
    squares = {name: value.u**2 for name, value in listed.items() if value is not None and value.u}
    if tilt:
        squares[COSINE] = tilt**2
    return {name: square / sum(squares.values()) for name, square in squares.items()}


def of_step(standard: Step) -> dict[str, float]:
    """Parts of the variance of the height of a step at some place, in some mounting."""
    height = standard.height.u**2
    here = sum(value.u**2 for value in (standard.unevenness, standard.mounting) if value is not None)
    if not height + here:
        return {CERTIFICATE: 1.0}
    parts = {name: part * height for name, part in of_value(standard, "height").items()}
    parts |= {name: part * here for name, part in of_place(standard).items()}
    return {name: part / (height + here) for name, part in parts.items()}


def of_certificates(problem: Problem, solution: Solution, covariance: Float) -> dict[str, Float]:
    """What a scanner's motion moves by with one standard deviation of each certified value.

    Two models that were made from the same standard move together: with A and B of that standard, A Bᵀ is their
    covariance.

    Returns
    -------
    dict
        By identity of the standard, shape ``(terms, values)``: pitch, or both pitches and the angle.
    """
    moves = _moved(problem, solution, covariance)
    if not np.all(np.isfinite(moves)):
        return {}
    return {identity: moves[:, place] for identity, (_, place) in problem.standards.items()}


def _moved(problem: Problem, solution: Solution, covariance: Float) -> Float:
    """What the motion moves by with one standard deviation of what was known of each unknown."""
    return np.asarray(problem.factor @ covariance[problem.shared] * np.sqrt(solution.prior_weight))


def of_lateral(problem: Problem, solution: Solution, covariance: Float) -> dict[str, Float]:
    """Origins of the covariance of a scanner's motion.

    Parameters
    ----------
    covariance
        Of all unknowns of the solution.

    Returns
    -------
    dict
        Empty if something is not determined.
    """
    moves = _moved(problem, solution, covariance)
    if not np.all(np.isfinite(moves)):
        return {}
    u = np.sqrt(np.einsum("ij,jk,ik->i", problem.factor, covariance[problem.shared, problem.shared], problem.factor))
    return gathered(_lateral_moves(problem, moves), u)


def _lateral_moves(problem: Problem, moves: Float) -> Iterable[tuple[str, Float]]:
    for standard, place in problem.standards.values():
        names = ("pitch",) if isinstance(standard, Grating) else ("pitch_x", "pitch_y", "angle")
        for k, name in enumerate(names):
            for origin, part in of_value(standard, name).items():
                yield origin, np.sqrt(part) * moves[:, place.start + k]
    for prepared in problem.prepared:
        m = prepared.observation.periods.shape[1]
        standard = prepared.observation.standard
        pitch = standard.pitch.value if isinstance(standard, Grating) else standard.pitch_x.value
        parts = of_place(standard, pitch * unknown_cosine(prepared.observation))
        uneven = prepared.own.start + 1 + m
        drift = uneven + (m if parts else 0)
        for origin, part in parts.items():
            yield origin, np.sqrt(part) * moves[:, uneven:drift]
        yield DRIFT, moves[:, drift : prepared.own.stop]
    for place, _ in problem.remembered.values():
        yield DRIFT, moves[:, place]
