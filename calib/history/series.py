"""What the models of a scanner say of each quantity through time, at the same conditions for all.

The quantities are those by which models are compared (:mod:`calib.compared.quantities`). What models of the same
standard have in common stays common: it moves all points alike, so it is kept apart from what each has for itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.compared.quantities import Field, Quantity, Seen, quantities, see
from calib.errors import ModelError
from calib.history.record import ModelRecord
from calib.model import Model
from calib.observe.lateral import LateralObservation
from calib.origins import Origins, fitting
from calib.scan import PASSES
from calib.scanner.effect import Float
from calib.units import show


@dataclass(frozen=True, eq=False)
class Series:
    """One quantity through time.

    Attributes
    ----------
    name, unit, about
        What it is, in which SI unit, and under which conditions.
    models
        Which model each point comes from, in the order of time.
    times
        Of the models, s since 1970, shape ``(n,)``.
    values
        Shape ``(n,)``.
    own
        Standard uncertainty that each point has for itself, shape ``(n,)``.
    common
        What each point moves by with one standard deviation of each certified value, shape ``(n, k)``: points of models
        that share a standard move together.
    """

    name: str
    unit: str
    about: str
    models: tuple[ModelRecord, ...]
    times: Float
    values: Float
    own: Float
    common: Float

    @property
    def covariance(self) -> Float:
        """Of the values, shape ``(n, n)``."""
        return np.asarray(np.diag(self.own**2) + self.common @ self.common.T)

    @property
    def u(self) -> Float:
        """Standard uncertainty of each value, with what is common; shape ``(n,)``."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    def covariance_of_change(self, index: int) -> Float:
        """Covariance of the values if the certificates behind one of them were exact: what matters to a change."""
        apart = self.common - self.common[index]
        return np.asarray(np.diag(self.own**2) + apart @ apart.T)

    @property
    def relative(self) -> bool:
        """Whether a ratio said of it means a part of its value."""
        return self.name.startswith("scale") or self.name == "z gain"


def series_of(records: Sequence[ModelRecord], size: float | None = None) -> tuple[Series, ...]:
    """Return the quantities through time, each with those models whose scans told anything of it.

    Parameters
    ----------
    records
        Models of one scanner, in the order of time.
    size
        Side of the frames over which quantities of x and y hold, m; by default the largest that fits into what all
        models have calibrated.

    Raises
    ------
    ModelError
        If the models have no area in common, or the size does not fit into it.
    """
    flat = [record for record in records if _lateral(record.model)]
    upright = [record for record in records if record.model.height.determined]
    kept = [record for record in records if record in flat or record in upright]
    if not kept:
        return ()
    seen = _field([record.model for record in flat or kept], size)
    span = min(record.model.height.span for record in kept)
    wanted = [one for one in quantities(seen) if flat or one.height]
    looks = [see(record.model, wanted, seen, span, span / 2) for record in kept]
    found = []
    for k, one in enumerate(wanted):
        which = [i for i, record in enumerate(kept) if _knows(record, one, looks[i], k)]
        if which:
            found.append(_series(one, [kept[i] for i in which], [looks[i] for i in which], k))
    return tuple(found)


def _field(models: Sequence[Model], size: float | None) -> Field:
    low_x, high_x, low_y, high_y = np.array([model.domain.area for model in models]).T
    area = (float(low_x.max()), float(high_x.min()), float(low_y.max()), float(high_y.min()))
    largest = min(area[1] - area[0], area[3] - area[2])
    if largest <= 0:
        raise ModelError(
            "The models of this scanner were calibrated in areas that do not overlap: there is no place at which to"
            " follow them through time."
        )
    if size is not None:
        if not 0 < size <= largest * 1.001:
            raise ModelError(
                f"A size of {show(size)} does not fit into the area that all models have calibrated:"
                f" at most {show(largest)}."
            )
        x, y = (area[0] + area[1]) / 2, (area[2] + area[3]) / 2
        area = (x - size / 2, x + size / 2, y - size / 2, y + size / 2)
    speeds = [model.domain.speeds for model in models if model.domain.speeds is not None]
    timed = len(speeds) == len(models)
    slowest, fastest = max((one[0] for one in speeds), default=0.0), min((one[1] for one in speeds), default=0.0)
    paths = [[one.path for one in model.observations if isinstance(one, LateralObservation)] for model in models]
    both = all(any(len(path.passes) == 2 or path.serpentine for path in listed) for listed in paths)
    return Field(
        area=area,
        speed=float(np.sqrt(slowest * fastest)) if timed else None,
        speeds=(slowest, fastest) if timed and fastest > slowest else None,
        passes=PASSES if both else PASSES[:1],
    )


def _lateral(model: Model) -> bool:
    return any(isinstance(one, LateralObservation) for one in model.observations)


def _knows(record: ModelRecord, one: Quantity, look: Seen, k: int) -> bool:
    model = record.model
    if one.height:
        known = model.height.determined and (one.height != "bow" or model.height.bow_determined)
    else:
        known = _lateral(model) and (not one.needs or one.needs in {effect.name for effect in model.motion.effects})
    return bool(known and look.told()[k])


def _series(one: Quantity, records: Sequence[ModelRecord], looks: Sequence[Seen], k: int) -> Series:
    moved = [
        {
            **_moves("lateral", record.model.certificates, look.lateral[k]),
            **_moves("vertical", record.model.height.certificates, look.vertical[k]),
        }
        for record, look in zip(records, looks, strict=True)
    ]
    keys = list(dict.fromkeys(key for moves in moved for key in moves))
    common = np.array([[moves.get(key, 0.0) for key in keys] for moves in moved]).reshape(len(records), len(keys))
    variance = np.array([look.covariance[k, k] for look in looks])
    return Series(
        name=one.name,
        unit=one.unit,
        about=one.about,
        models=tuple(records),
        times=np.array([record.when.timestamp() for record in records]),
        values=np.array([look.value[k] for look in looks]),
        own=np.sqrt(np.maximum(variance - np.sum(common**2, axis=1), 0.0)),
        common=common,
    )


def _moves(kind: str, certificates: Origins, derivative: Float) -> dict[tuple[str, str, int], float]:
    """What a quantity moves by with one standard deviation of each certified value, by standard and number of value."""
    if not fitting(certificates, derivative.size):
        return {}
    return {
        (kind, identity, number): float(derivative @ column)
        for identity, part in certificates.items()
        for number, column in enumerate(part.T)
    }
