"""What is said of one scan that was taken between two calibrations."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from calib.units import format_quantity, show


@dataclass(frozen=True)
class Value:
    """One number of a scan between two calibrations.

    Attributes
    ----------
    name, unit
        SI unit.
    before, after, value
        By the model before, by that after, and what to take.
    u_models, u_change, u
        Standard uncertainties: of the models, of what may have changed when, and both together.
    """

    name: str
    unit: str
    before: float
    after: float
    value: float
    u_models: float
    u_change: float
    u: float


@dataclass(frozen=True)
class Said:
    """What is said of one scan.

    Attributes
    ----------
    label
        Of the scan.
    late
        Weight of the later model.
    length, height
        Of the distance and the step, m.
    values
        Scales, distances and, if both models know the gain of z, a step.
    notes
        What a user should know, in plain words.
    """

    label: str
    late: float
    length: float
    height: float
    values: tuple[Value, ...]
    notes: tuple[str, ...]

    def lines(self) -> list[str]:
        """Return what is said, for people."""
        found = []
        for one in self.values:
            size = {"d": f" ({show(self.length)} commanded)", "s": f" ({show(self.height)} indicated)"}
            about = "" if one.unit == "1" else size[one.name[0]]
            said = format_quantity(one.value, one.unit, u=one.u)
            models, change = (show(2 * u, one.unit, 2) for u in (one.u_models, one.u_change))
            found.append(f"{one.name}{about}: {said}; models ± {models}, change in between ± {change}")
        return [*found, *(f"note: {note}" for note in self.notes)]

    def to_dict(self) -> dict[str, Any]:
        """Return what is said as a JSON object, SI units."""
        return {
            "scan": self.label,
            "weight_of_after": self.late,
            "length": self.length,
            "height": self.height,
            "values": [vars(one) for one in self.values],
            "notes": list(self.notes),
        }
