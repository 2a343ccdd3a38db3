"""A metrological characteristic (ISO 25178-600) of a corrected instrument, with its uncertainty.

Its uncertainty is that of this measurement of it: noise, drift of these scans, and the standards. What the model says
of its own error is no part of it, since that error is what is measured; it is given beside it, for comparison.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from calib.budget import Budget, Expanded
from calib.units import format_quantity
from calib.verification.result import LEVEL, budget_of

KINDS: dict[str, tuple[str, str, str]] = {
    "amplification_x": ("α_x", "1", "amplification coefficient x"),
    "amplification_y": ("α_y", "1", "amplification coefficient y"),
    "amplification_z": ("α_z", "1", "amplification coefficient z"),
    "perpendicularity": ("Δ_PERxy", "rad", "perpendicularity deviation"),
    "linearity_x": ("l_x", "m", "linearity deviation x"),
    "linearity_y": ("l_y", "m", "linearity deviation y"),
    "linearity_z": ("l_z", "m", "linearity deviation z"),
    "mapping_rms": ("Δ_xy rms", "m", "x-y mapping deviation, rms"),
    "mapping_largest": ("Δ_xy max", "m", "x-y mapping deviation, largest"),
    "straightness_x": ("s_x", "m", "straightness of rows along x"),
    "straightness_y": ("s_y", "m", "straightness of rows along y"),
    "flatness": ("z_FLT", "m", "flatness deviation"),
    "noise": ("N_M", "m", "measurement noise"),
    "repeatability": ("s_z", "m", "repeatability of step heights"),
    "passes_lateral": ("P_xy", "m", "trace against retrace, lateral"),
    "passes_height": ("P_z", "m", "trace against retrace, height"),
}
"""By name: symbol, SI unit, and what people call it; ``docs/reference/verification.md`` defines them."""

SIGNED = ("amplification_x", "amplification_y", "amplification_z", "perpendicularity")
"""Those that may lie to either side of their nominal value; the others can't be negative."""


@dataclass(frozen=True, eq=False)
class Map:
    """A field of deviations in cells of the scanned area.

    Attributes
    ----------
    passes
        Name of the pass of each cell.
    place
        Middle of the nodes of each cell, true, m, shape ``(2, cells)``.
    deviation, u
        Mean deviation of the nodes along x and y with its standard uncertainty by noise, m, shape ``(2, cells)``.
    nodes
        How many there are in each cell.
    """

    passes: tuple[str, ...]
    place: tuple[tuple[float, ...], tuple[float, ...]]
    deviation: tuple[tuple[float, ...], tuple[float, ...]]
    u: tuple[tuple[float, ...], tuple[float, ...]]
    nodes: tuple[int, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the map as a JSON object."""
        rows = {name: [list(row) for row in getattr(self, name)] for name in ("place", "deviation", "u")}
        return {"passes": list(self.passes), **rows, "nodes": list(self.nodes)}

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> Map:
        """Make a map of what :meth:`to_dict` returned."""

        def pair(name: str) -> tuple[tuple[float, ...], tuple[float, ...]]:
            x, y = content[name]
            return tuple(map(float, x)), tuple(map(float, y))

        return cls(
            tuple(map(str, content["passes"])),
            pair("place"),
            pair("deviation"),
            pair("u"),
            tuple(map(int, content["nodes"])),
        )


@dataclass(frozen=True)
class Characteristic:
    """One characteristic.

    Attributes
    ----------
    name
        One of :data:`KINDS`.
    value
        SI.
    contributions
        Standard uncertainties that make up its own, by name.
    dof
        Degrees of freedom of those that have not infinitely many.
    of_model
        Standard deviation that the model itself states of it; None where it states none.
    made_from
        Names of scans.
    standards
        Names of standards.
    independent
        Whether the calibration did without these standards.
    conditions
        In words: where and how the scans were taken.
    of_quantities
        Quantities of the same scans that say the same otherwise.
    notes
        What else a user should know.
    field
        The map behind it, if it has one.
    """

    name: str
    value: float
    contributions: Mapping[str, float]
    made_from: tuple[str, ...]
    standards: tuple[str, ...]
    independent: bool
    dof: Mapping[str, float] = field(default_factory=dict)
    of_model: float | None = None
    conditions: str = ""
    of_quantities: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    field: Map | None = None

    @property
    def symbol(self) -> str:
        """Of ISO 25178-600 where it has one."""
        return KINDS[self.name][0]

    @property
    def unit(self) -> str:
        """SI unit; ``1`` for a ratio."""
        return KINDS[self.name][1]

    @property
    def words(self) -> str:
        """What people call it."""
        return KINDS[self.name][2]

    @property
    def nominal(self) -> float:
        """What it is of a perfect instrument."""
        return 1.0 if self.unit == "1" else 0.0

    @cached_property
    def budget(self) -> Budget:
        """Its uncertainty budget."""
        return budget_of(self.words, self.unit, self.value, self.contributions, self.dof)

    @property
    def u(self) -> float:
        """Standard uncertainty."""
        return self.budget.u

    @cached_property
    def expanded(self) -> Expanded:
        """Expanded uncertainty for 95 %, with k and effective degrees of freedom."""
        return self.budget.expanded(LEVEL)

    def __str__(self) -> str:
        return f"{self.symbol} = {format_quantity(self.value, self.unit, u=self.u, k=self.expanded.k)}"

    def to_dict(self) -> dict[str, Any]:
        """Return the characteristic as a JSON object; infinite degrees of freedom are null."""
        expanded = self.expanded
        return {
            "name": self.name,
            "words": self.words,
            "symbol": self.symbol,
            "unit": self.unit,
            "value": self.value,
            "u": self.u,
            "U": expanded.U,
            "k": expanded.k,
            "dof": expanded.dof if math.isfinite(expanded.dof) else None,
            "contributions": dict(self.contributions),
            "dof_of_contributions": {name: dof for name, dof in self.dof.items() if math.isfinite(dof)},
            "of_model": self.of_model,
            "made_from": list(self.made_from),
            "standards": list(self.standards),
            "independent": self.independent,
            "conditions": self.conditions,
            "of_quantities": list(self.of_quantities),
            "notes": list(self.notes),
            "field": None if self.field is None else self.field.to_dict(),
        }

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> Characteristic:
        """Make a characteristic of what :meth:`to_dict` returned."""
        if content["name"] not in KINDS:
            raise ValueError(f"there is no characteristic {content['name']!r}")
        words = ("made_from", "standards", "of_quantities", "notes")
        return cls(
            name=content["name"],
            value=float(content["value"]),
            contributions={str(name): float(u) for name, u in content["contributions"].items()},
            dof={str(name): float(dof) for name, dof in content["dof_of_contributions"].items()},
            of_model=None if content["of_model"] is None else float(content["of_model"]),
            independent=bool(content["independent"]),
            conditions=str(content["conditions"]),
            field=None if content["field"] is None else Map.from_dict(content["field"]),
            **{word: tuple(map(str, content[word])) for word in words},
        )


def positive(parts: Mapping[str, float]) -> dict[str, float]:
    """Return the contributions that there are; a tiny one if there are none, since nothing is exact."""
    return {name: float(u) for name, u in parts.items() if u > 0} or {"rounding": 1e-15}
