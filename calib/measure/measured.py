"""A value with all that belongs to it, for people and for scripts."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from calib.arithmetic.monte_carlo import Sample
from calib.budget import Budget, Contribution, kind_of
from calib.units import format_quantity, rounded_to

_AREAS = ((1e-4, "cm²"), (1e-6, "mm²"), (1e-12, "µm²"), (1e-18, "nm²"))


@dataclass(frozen=True)
class Measured:
    """One quantity, measured in a corrected scan.

    Attributes
    ----------
    name, unit
        What it is, in SI units.
    value, u
        With its standard uncertainty.
    U, k, level
        Expanded uncertainty, coverage factor and level of confidence.
    budget
        What makes up `u`.
    by_pass
        Value by each pass alone.
    notes
        What a user should know of it, in plain words.
    also
        What else came of the same points or the same image.
    sample
        What draws values from the joint distribution of all that is uncertain, through the true function; None where
        the function is linear.
    """

    name: str
    value: float
    u: float
    unit: str
    U: float
    k: float
    level: float
    budget: Budget
    by_pass: Mapping[str, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    also: tuple[Measured, ...] = ()
    sample: Sample | None = field(default=None, repr=False, compare=False)

    @classmethod
    def of(
        cls,
        name: str,
        value: float,
        unit: str,
        parts: Mapping[str, float | Contribution],
        *,
        level: float,
        by_pass: Mapping[str, float],
        notes: tuple[str, ...] = (),
        sample: Sample | None = None,
    ) -> Measured:
        """Put a quantity together from what it owes its uncertainty to.

        Parameters
        ----------
        parts
            Standard uncertainties by name, or whole contributions; those of zero are left out.
        """
        listed = [
            part if isinstance(part, Contribution) else Contribution(about, 0.0, part, kind=kind_of(about))
            for about, part in parts.items()
        ]
        budget = Budget(name, value, [part for part in listed if part.component] or listed[:1], unit=unit)
        expanded = budget.expanded(level)
        about = (dict(by_pass), notes)
        return cls(name, value, budget.u, unit, expanded.U, expanded.k, level, budget, *about, sample=sample)

    def to_dict(self) -> dict[str, Any]:
        """Return the quantity as a JSON object."""
        return {
            "name": self.name,
            "value": self.value,
            "u": self.u,
            "unit": self.unit,
            "U": self.U,
            "k": self.k,
            "level": self.level,
            "by_pass": dict(self.by_pass),
            "notes": list(self.notes),
            "budget": self.budget.to_dict(),
            "also": [other.to_dict() for other in self.also],
        }

    def __str__(self) -> str:
        factor, unit = self._people()
        return f"{self.name}: {format_quantity(self.value / factor, unit, u=self.u / factor, k=self.k)}"

    def passes(self) -> str:
        """Return the value of each pass for people, to the digits that U supports; empty if there is one pass only."""
        if len(self.by_pass) < 2:
            return ""
        factor, unit = self._people()
        U = self.U / factor
        return ", ".join(f"{name} {rounded_to(value / factor, U, unit)}" for name, value in self.by_pass.items())

    def budget_for_people(self) -> Budget:
        """Return the budget in a unit that people read; lengths and angles are printed so in any case."""
        factor, unit = self._people()
        if factor == 1:
            return self.budget
        parts = [dataclasses.replace(part, sensitivity=part.sensitivity / factor) for part in self.budget.contributions]
        return dataclasses.replace(self.budget, value=self.value / factor, contributions=parts, unit=unit)

    def sample_for_people(self) -> Sample | None:
        """Return :attr:`sample` in that unit."""
        sample, (factor, _) = self.sample, self._people()
        return None if sample is None else lambda rng, size: np.asarray(sample(rng, size) / factor)

    def _people(self) -> tuple[float, str]:
        if self.unit != "m^2":
            return 1.0, self.unit
        return next(((factor, unit) for factor, unit in _AREAS if abs(self.value) >= 0.1 * factor), _AREAS[-1])
