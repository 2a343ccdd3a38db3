"""One quantity of a standard: as measured with a model, and as certified."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from calib.statistics.decision import CONFORMS, FAILS, UNDECIDED, Decision, agree
from calib.units import format_quantity

if TYPE_CHECKING:
    from calib.budget import Budget

__all__ = ["CONFORMS", "FAILS", "LEVEL", "UNDECIDED", "Result", "budget_of"]

LEVEL = 0.95
"""Of confidence of every expanded uncertainty here."""

_USEFUL = 0.05  # an expanded uncertainty above this part of the value decides nothing


@dataclass(frozen=True)
class Result:
    """One quantity, measured with the model and certified.

    Attributes
    ----------
    name, unit
        What it is.
    measured, u
        With its standard uncertainty, SI.
    U
        Expanded uncertainty for a level of confidence of 95 %.
    reference, u_reference, U_reference
        The certificate's value with its uncertainties.
    contributions
        Standard uncertainties that make up `u`, by name.
    dof
        Degrees of freedom of those that have not infinitely many, by name.
    reference_contributions
        Standard uncertainties that make up `u_reference`: of the certificate, and of its change with temperature.
    covariance
        Of measured and certified value, where the calibration used this standard: what both owe to its certificate.
    """

    name: str
    unit: str
    measured: float
    u: float
    U: float
    reference: float
    u_reference: float
    U_reference: float
    contributions: Mapping[str, float] = field(default_factory=dict)
    dof: Mapping[str, float] = field(default_factory=dict)
    reference_contributions: Mapping[str, float] = field(default_factory=dict)
    covariance: float = 0.0

    def budget(self) -> Budget:
        """Return the uncertainty budget of the measured value."""
        return budget_of(self.name, self.unit, self.measured, self.contributions, self.dof)

    @property
    def deviation(self) -> float:
        """Measured less certified."""
        return self.measured - self.reference

    @property
    def u_deviation(self) -> float:
        """Standard uncertainty of the deviation; what both values owe to one certificate is no part of it."""
        variance = self.u**2 + self.u_reference**2 - 2 * self.covariance
        return math.sqrt(max(variance, 0.0))

    @property
    def decision(self) -> Decision:
        """Whether measured and certified value agree, by E_n (ISO/IEC 17043)."""
        from calib.budget import coverage_factor

        usual = coverage_factor(LEVEL)
        k = self.U / self.u if self.u else usual
        return agree(
            self.measured,
            self.u,
            self.reference,
            self.u_reference,
            k=k,
            k_reference=usual,
            covariance=self.covariance,
        )

    @property
    def normalised_error(self) -> float:
        """E_n: deviation over its expanded uncertainty (ISO/IEC 17043)."""
        error = self.decision.normalised_error
        assert error is not None
        return error

    @property
    def verdict(self) -> str:
        """By E_n; ``can't be decided`` where agreement means nothing, since the uncertainty is too large."""
        if self.decision.verdict == FAILS:
            return FAILS
        return UNDECIDED if _USEFUL * abs(self.reference) < self.U else CONFORMS

    @property
    def conforms(self) -> bool | None:
        """Whether abs(E_n) is at most 1; None where the uncertainty is too large for that to mean anything."""
        return {CONFORMS: True, FAILS: False}.get(self.verdict)

    def to_dict(self) -> dict[str, Any]:
        """Return the result as a JSON object."""
        return {
            "name": self.name,
            "unit": self.unit,
            "measured": self.measured,
            "u": self.u,
            "U": self.U,
            "reference": self.reference,
            "u_reference": self.u_reference,
            "U_reference": self.U_reference,
            "deviation": self.deviation,
            "normalised_error": self.normalised_error,
            "conforms": self.conforms,
            "contributions": dict(self.contributions),
            "reference_contributions": dict(self.reference_contributions),
            "covariance": self.covariance,
            "u_deviation": self.u_deviation,
            "budget": self.budget().to_dict(),
        }

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> Result:
        """Make a result of what :meth:`to_dict` returned."""
        from calib.budget import Budget

        # files of version 1.0 may lack the budget, which holds the degrees of freedom
        parts = Budget.from_dict(content["budget"]).contributions if content.get("budget") else ()
        of_reference = content.get("reference_contributions", {})
        plain = ("measured", "u", "U", "reference", "u_reference", "U_reference")
        return cls(
            str(content["name"]),
            str(content["unit"]),
            **{name: float(content[name]) for name in plain},
            contributions={str(name): float(u) for name, u in content["contributions"].items()},
            dof={part.name: part.dof for part in parts if math.isfinite(part.dof)},
            reference_contributions={str(name): float(u) for name, u in of_reference.items()},
            covariance=float(content.get("covariance", 0.0)),
        )

    def __str__(self) -> str:
        measured = format_quantity(self.measured, self.unit, u=self.u, k=self.U / self.u if self.u else 2.0)
        reference = format_quantity(
            self.reference,
            self.unit,
            u=self.u_reference,
            k=self.U_reference / self.u_reference if self.u_reference else 2.0,
        )
        return f"{self.name}: {measured}, certified {reference}, E_n = {self.normalised_error:+.2f}"


def budget_of(name: str, unit: str, value: float, parts: Mapping[str, float], dof: Mapping[str, float]) -> Budget:
    """Return a budget of contributions that are in the unit of the value."""
    from calib.budget import Budget, Contribution, kind_of

    return Budget(
        name.replace("_", " "),
        value,
        [
            Contribution(
                part,
                0.0,
                u,
                dof=dof.get(part, math.inf),
                kind=kind_of(part),
                distribution="rectangular" if part in ("cosine error", "repeatability") else "normal",
            )
            for part, u in parts.items()
        ],
        unit=unit,
    )
