"""What a set of scans can tell of a scanner, from the numbers: before the scans are taken, or after.

For each quantity that people care about: how surely the data alone give it, how surely it is known without them, how
surely both together, and with what else it is confounded. Method: the joint problem is linearised
(:mod:`calib.observability.linearised`). "The data alone" means that all that is assumed of the scanner is weakened a
thousandfold, while the certificates of the standards stay, since without them no length is known at all. Two
quantities are confounded where both are unsure then and their errors go together: some movement of both leaves every
scan as it is.

Quantities are what a frame would show (the mean slope along an axis, the distance of the passes), never coefficients,
since many sets of coefficients say the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from calib.fitting.offered import offered_effects
from calib.observability.confounded import NOTHING, Confounded, groups
from calib.observability.linearised import WEAK, Linearised
from calib.observability.observables import Observable, lateral_rows
from calib.observability.vertical import as_fitted, vertical
from calib.observe.lateral import LateralObservation
from calib.observe.levels import FlatObservation
from calib.observe.planned import flat_planned, observe_planned, step_planned
from calib.observe.step import StepObservation
from calib.scanner.effect import Effect, Float
from calib.scanner.motion import Motion
from calib.scanner.nonlinearity import Nonlinearity
from calib.units import show

if TYPE_CHECKING:
    from calib.model import Model

__all__ = [
    "Confounded",
    "Observability",
    "Observable",
    "flat_planned",
    "observability",
    "observe_planned",
    "step_planned",
]

Observation = LateralObservation | StepObservation | FlatObservation

_DEGREE = 5  # of the bending, where no fit has chosen it


@dataclass(frozen=True)
class Observability:
    """What a set of scans can tell.

    Attributes
    ----------
    quantities
        With their uncertainties.
    groups
        What is confounded, with the names of the quantities.
    correlation
        Of the quantities' errors, from the data alone, shape ``(lateral quantities, lateral quantities)``.
    scans
        How many scans it is about.
    """

    quantities: tuple[Observable, ...]
    groups: tuple[Confounded, ...]
    correlation: Float
    scans: int

    @property
    def confounded(self) -> tuple[str, ...]:
        """One sentence for all that can't be told apart."""
        return tuple(dict.fromkeys(group.sentence for group in self.groups))

    def __getitem__(self, name: str) -> Observable:
        """Return a quantity by name."""
        for quantity in self.quantities:
            if quantity.name == name:
                return quantity
        raise KeyError(name)

    def lines(self) -> list[str]:
        """Return a table of all quantities (k = 2), and what is confounded, as lines for people."""
        head = ("", "data alone", "beforehand", "together", "known by")
        rows = [
            (
                q.name,
                _margin(q.u_data, q.unit) if q.u_data < NOTHING * q.u_prior else "nothing",
                *(_margin(u, q.unit) for u in (q.u_prior, q.u)),
                q.known_by,
            )
            for q in self.quantities
        ]
        widths = [max(map(len, column)) for column in zip(head, *rows, strict=True)]
        table = [
            "  " + "  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip()
            for row in (head, *rows)
        ]
        said = [f"  - {sentence[:1].upper()}{sentence[1:]}." for sentence in self.confounded]
        return table + (["", "What these scans can't tell apart:", *said] if said else [])

    def margins(self) -> dict[str, str]:
        """Return each quantity's expanded uncertainty (k = 2) by data and assumptions together, for people."""
        return {
            q.name: _margin(q.u, q.unit) + ("" if q.known_by != "assumption only" else " (by assumption only)")
            for q in self.quantities
        }

    def to_dict(self) -> dict[str, Any]:
        """Return all of it as a JSON object, SI units."""
        return {
            "scans": self.scans,
            "quantities": [quantity.to_dict() for quantity in self.quantities],
            "confounded": [{"quantities": list(group.names), "sentence": group.sentence} for group in self.groups],
        }


def observability(
    observations: Sequence[Observation],
    motion: Motion | Sequence[Effect] | None = None,
    *,
    travel: tuple[float, ...] | None = None,
    values: Float | None = None,
    misfit: float = 0.0,
    covariance: Float | None = None,
) -> Observability:
    """Tell what a set of scans determines.

    Parameters
    ----------
    observations
        Real ones, or those of :func:`observe_planned` and :func:`step_planned`.
    motion
        Axes and effects, or the effects alone; by default the effects that the fit would choose for these scans.
    travel
        Of x, y and (if known) z, m; by default what the scans cover.
    values
        Coefficients at which to linearise; by default those of a perfect scanner.
    misfit
        Standard deviation of what no model follows, m; nodes are weighed by it beside their noise.
    covariance
        Of the motion's coefficients, if a fit has found a better one than the linearised problem gives.
    """
    lateral = [o for o in observations if isinstance(o, LateralObservation)]
    steps = [o for o in observations if isinstance(o, StepObservation)]
    found: list[Observable] = []
    correlation = np.zeros((0, 0))
    if lateral:
        found, correlation = _lateral(lateral, _motion(motion, lateral, travel), values, misfit, covariance)
    others = [o for o in observations if not isinstance(o, StepObservation)]
    if travel is None:
        travel = covered(observations)
    found += vertical(steps, others, travel)
    both_frames = len({o.path.upwards for o in lateral}) > 1
    said = groups(found, correlation, both_frames)
    return Observability(tuple(found), tuple(said), correlation, len(observations))


def observability_of(model: Model) -> Observability:
    """Tell what the scans of a model determined, from the observations that it keeps.

    What both together tell is the model's own uncertainty, which is wider where scans that were left out have shown
    that it must be; what the data tell alone is widened alike.
    """
    z = model.travel[2]
    found = observability(
        model.observations,
        model.motion,
        travel=model.travel if np.isfinite(z) else model.travel[:2],
        values=model.values,
        misfit=float(model.quality.get("misfit") or model.misfit.lateral),
        covariance=model.covariance,
    )
    return replace(found, quantities=as_fitted(found.quantities, model.height))


def plausible(observations: Sequence[LateralObservation], travel: tuple[float, float], degree: int = _DEGREE) -> Motion:
    """Axes, bending and the effects that a fit of these scans would have."""
    effects, _ = offered_effects(observations, travel)
    bent = any(isinstance(effect, Nonlinearity) for effect in effects)
    return Motion([*([] if bent else [Nonlinearity(travel, degree=degree)]), *effects])


def covered(lateral: Sequence[Observation]) -> tuple[float, float]:
    """Travel of x and y about the centre that scans cover, m."""
    corners = [o.path.at(np.repeat(o.path.fast[[0, -1]], 2), np.tile(o.path.slow[[0, -1]], 2)) for o in lateral]
    reach = np.max([np.abs(corner).max(axis=1) for corner in corners], axis=0)
    return 2 * float(reach[0]), 2 * float(reach[1])


def _motion(
    given: Motion | Sequence[Effect] | None, lateral: Sequence[LateralObservation], travel: tuple[float, ...] | None
) -> Motion:
    if isinstance(given, Motion):
        return given
    if given is not None:
        return Motion(list(given))
    if travel is None:
        travel = covered(lateral)
    return plausible(lateral, (travel[0], travel[1]))


# --- x and y ---------------------------------------------------------------------------------------


def _lateral(
    lateral: Sequence[LateralObservation],
    motion: Motion,
    values: Float | None,
    misfit: float,
    covariance: Float | None,
) -> tuple[list[Observable], Float]:
    linear = Linearised(motion, lateral, values, misfit)
    rows = lateral_rows(linear, [o.path for o in lateral])
    held = np.isfinite(linear.problem.prior_sd)
    table = np.array([row.row for row in rows])
    by_data = table @ linear.covariance_root(WEAK)
    u_data = np.linalg.norm(by_data, axis=1)
    u = np.linalg.norm(table @ linear.covariance_root(), axis=1)
    u_prior = np.linalg.norm(table[:, held], axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        correlation = np.nan_to_num(by_data @ by_data.T / np.outer(u_data, u_data))
    if covariance is not None:
        shared = linear.problem.shared
        own = np.linalg.solve(linear.problem.factor.T, table[:, shared].T)
        fitted = np.sqrt(np.maximum(np.einsum("ik,ij,jk->k", own, covariance, own), 0))
        wider = np.where(np.any(own != 0, axis=0), fitted / u, 1.0)
        u, u_data = u * wider, u_data * np.maximum(wider, 1.0)
    found = [
        Observable(r.name, r.kind, r.axis, r.unit, float(a), float(p), float(b), r.about)
        for r, a, p, b in zip(rows, u_data, u_prior, u, strict=True)
    ]
    return _worst_of_drift(found, correlation)


def _worst_of_drift(found: list[Observable], correlation: Float) -> tuple[list[Observable], Float]:
    """Of the rates of all scans keep the least sure one along each axis."""
    keep = []
    for k, quantity in enumerate(found):
        alike = [j for j, q in enumerate(found) if q.name == quantity.name]
        if k == max(alike, key=lambda j: found[j].u_data):
            keep.append(k)
    return [found[k] for k in keep], correlation[np.ix_(keep, keep)]


def _margin(u: float, unit: str) -> str:
    expanded = float(f"{2 * u:.2g}")
    if unit == "m/s":  # nobody says picometres a second
        return f"± {show(60 * expanded, 'm', 2)}/min"
    if unit == "1":
        return f"± {show(expanded, '%', 2)}"
    return f"± {show(expanded, unit, 2)}"
