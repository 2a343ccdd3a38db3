"""Uncertainty budgets after the GUM (JCGM 100:2008), and the comparison of a result with a reference.

A budget lists what a result owes its uncertainty to: standard uncertainties, sensitivities and degrees of freedom. The
combined uncertainty follows from them (5.1.2, 5.2.2), its effective degrees of freedom after Welch and Satterthwaite
(G.4), and the coverage factor from the t distribution (G.3).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from calib.errors import CalibError

Kind = Literal["A", "B"]
Distribution = Literal["normal", "t", "rectangular", "triangular", "arcsine"]

# Half the width of a distribution over its standard deviation (4.3.7, 4.3.9; the arcsine of H.1.3.4).
_DIVISORS: dict[str, float] = {"rectangular": math.sqrt(3), "triangular": math.sqrt(6), "arcsine": math.sqrt(2)}
_DISTRIBUTIONS = ("normal", "t", *_DIVISORS)


def kind_of(name: str) -> Kind:
    """Return the kind of a contribution that calib lists by a name: noise is seen as scatter of observations."""
    return "A" if name.startswith("noise") else "B"


@dataclass(frozen=True)
class Contribution:
    """One input to a result, with what it adds to the uncertainty.

    Attributes
    ----------
    name
        What it is, for people.
    value
        Its estimate.
    u
        Its standard uncertainty, in the unit of the value.
    sensitivity
        Derivative of the result with respect to it.
    dof
        Degrees of freedom of `u`; infinite if `u` is certain.
    kind
        ``A`` if `u` comes from the scatter of observations, ``B`` if from anything else (4.2, 4.3).
    distribution
        What `u` was taken from; for people, since the sum tends to normal whatever its parts.
    """

    name: str
    value: float
    u: float
    sensitivity: float = 1.0
    dof: float = math.inf
    kind: Kind = "B"
    distribution: Distribution = "normal"

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and math.isfinite(self.sensitivity)):
            raise CalibError(f"Value and sensitivity of {self.name!r} must be finite numbers.")
        if not 0 <= self.u < math.inf:
            raise CalibError(f"The standard uncertainty of {self.name!r} must be finite, zero or more, not {self.u!r}.")
        if not (self.dof > 0):
            raise CalibError(f"The degrees of freedom of {self.name!r} must be positive, not {self.dof!r}.")
        if self.kind not in ("A", "B") or self.distribution not in _DISTRIBUTIONS:
            raise CalibError(
                f"{self.name!r} must be of kind A or B and its distribution one of {', '.join(_DISTRIBUTIONS)}."
            )

    @classmethod
    def from_limits(
        cls,
        name: str,
        value: float,
        half_width: float,
        *,
        sensitivity: float = 1.0,
        dof: float = math.inf,
        distribution: Distribution = "rectangular",
    ) -> Contribution:
        """Make a contribution of which only limits are known, ``value ± half_width`` (4.3.7).

        Parameters
        ----------
        name, value, sensitivity, dof
            As for the class.
        half_width
            Half the distance of the limits.
        distribution
            ``rectangular``, ``triangular`` or ``arcsine``.
        """
        if distribution not in _DIVISORS:
            raise CalibError(f"Limits of {name!r} need a distribution that has limits: {', '.join(_DIVISORS)}.")
        u = half_width / _DIVISORS[distribution]
        return cls(name, value, u, sensitivity=sensitivity, dof=dof, kind="B", distribution=distribution)

    @property
    def component(self) -> float:
        """What it adds to the uncertainty of the result, with the sign of the sensitivity."""
        return self.sensitivity * self.u


@dataclass(frozen=True)
class Expanded:
    """An expanded uncertainty with all that belongs to it.

    Attributes
    ----------
    U
        Expanded uncertainty, ``k`` times the standard one.
    k
        Coverage factor.
    level
        Level of confidence.
    dof
        Effective degrees of freedom, not rounded.
    """

    U: float
    k: float
    level: float
    dof: float


@dataclass(frozen=True)
class Budget:
    """The uncertainty budget of one quantity.

    Attributes
    ----------
    quantity
        What the budget is of, for people.
    value
        Its estimate.
    contributions
        Its inputs.
    correlations
        Correlation coefficients of pairs of contributions, by their names; those not listed are independent.
    unit
        SI unit of the quantity, as :func:`calib.units.show` takes it.
    """

    quantity: str
    value: float
    contributions: Sequence[Contribution]
    correlations: Mapping[tuple[str, str], float] = field(default_factory=dict)
    unit: str = "1"

    def __post_init__(self) -> None:
        object.__setattr__(self, "contributions", tuple(self.contributions))
        object.__setattr__(self, "correlations", dict(self.correlations))
        names = [part.name for part in self.contributions]
        if not names or len(set(names)) != len(names):
            raise CalibError(f"The budget of {self.quantity!r} needs contributions, each with a name of its own.")
        for (one, other), r in self.correlations.items():
            if one not in names or other not in names or one == other:
                raise CalibError(f"The budget of {self.quantity!r} has no pair of contributions {one!r}, {other!r}.")
            if not abs(r) <= 1:
                raise CalibError(f"The correlation of {one!r} with {other!r} must lie between -1 and 1, not {r!r}.")
        if np.linalg.eigvalsh(self.correlation)[0] < -1e-9:
            raise CalibError(f"The correlations in the budget of {self.quantity!r} contradict each other.")

    @property
    def u(self) -> float:
        """Combined standard uncertainty."""
        components = self._components
        return math.sqrt(max(float(components @ self.correlation @ components), 0.0))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom after Welch and Satterthwaite, not rounded (G.4.1).

        The formula holds for independent contributions. Correlated ones enter together, as one contribution with the
        fewest degrees of freedom among them: exact if they come from the same observations, else on the safe side.
        """
        total = self.u
        if total == 0:
            return math.inf
        components, correlation = self._components, self.correlation
        share = 0.0
        for group in self._groups():
            dof = min(self.contributions[i].dof for i in group)
            variance = float(components[group] @ correlation[np.ix_(group, group)] @ components[group])
            share += (max(variance, 0.0) / total**2) ** 2 / dof
        return 1.0 / share if share > 0 else math.inf

    def expanded(self, level: float = 0.95) -> Expanded:
        """Return the expanded uncertainty at a level of confidence.

        Parameters
        ----------
        level
            Probability that the interval ``value ± U`` is to contain the quantity.
        """
        dof = self.dof
        k = coverage_factor(level, dof)
        return Expanded(U=k * self.u, k=k, level=level, dof=dof)

    def to_rows(self) -> list[dict[str, Any]]:
        """Return the budget as rows for printing, the largest contribution first, without the total.

        Each row holds `name`, `kind`, `distribution`, `value`, `u`, `dof`, `sensitivity`, `component` (the
        sensitivity times u) and `share`: the part of the combined variance that would go if the contribution were
        exact. Shares add up to one only where nothing is correlated.
        """
        components, total = self._components, self.u**2
        rows = []
        for i in np.argsort(-np.abs(components), kind="stable"):
            part = self.contributions[i]
            rest = np.delete(components, i)
            without = float(rest @ np.delete(np.delete(self.correlation, i, 0), i, 1) @ rest)
            rows.append(
                {
                    "name": part.name,
                    "kind": part.kind,
                    "distribution": part.distribution,
                    "value": part.value,
                    "u": part.u,
                    "dof": part.dof,
                    "sensitivity": part.sensitivity,
                    "component": part.component,
                    "share": 1.0 - without / total if total > 0 else 0.0,
                }
            )
        return rows

    def to_dict(self) -> dict[str, Any]:
        """Return the budget as plain data for JSON; infinite degrees of freedom become None."""
        return {
            "quantity": self.quantity,
            "value": self.value,
            "unit": self.unit,
            "contributions": [
                {
                    "name": part.name,
                    "value": part.value,
                    "u": part.u,
                    "sensitivity": part.sensitivity,
                    "dof": part.dof if math.isfinite(part.dof) else None,
                    "kind": part.kind,
                    "distribution": part.distribution,
                }
                for part in self.contributions
            ],
            "correlations": [[one, other, r] for (one, other), r in self.correlations.items()],
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Budget:
        """Make a budget from what :meth:`to_dict` returned."""
        try:
            contributions = [
                Contribution(**{**part, "dof": math.inf if part["dof"] is None else part["dof"]})
                for part in data["contributions"]
            ]
            correlations = {(one, other): r for one, other, r in data["correlations"]}
            return cls(data["quantity"], data["value"], contributions, correlations, data.get("unit", "1"))
        except (KeyError, TypeError) as error:
            raise CalibError(f"An uncertainty budget can't be read: {error}.") from None

    @property
    def _components(self) -> NDArray[np.float64]:
        return np.array([part.component for part in self.contributions])

    @property
    def correlation(self) -> NDArray[np.float64]:
        """Correlation matrix of the contributions, in their order."""
        index = {part.name: i for i, part in enumerate(self.contributions)}
        matrix = np.eye(len(index))
        for (one, other), r in self.correlations.items():
            matrix[index[one], index[other]] = matrix[index[other], index[one]] = r
        return matrix

    def _groups(self) -> list[list[int]]:
        """Group the contributions that are correlated with each other, directly or through others."""
        linked = np.linalg.matrix_power(self.correlation != 0, len(self.contributions))
        return [list(np.flatnonzero(row)) for i, row in enumerate(linked) if np.flatnonzero(row)[0] == i]


def coverage_factor(level: float, dof: float = math.inf) -> float:
    """Return the coverage factor k of an interval at a level of confidence (G.3.2).

    The two-sided quantile of the t distribution. Degrees of freedom that are not whole are truncated, as G.4.1 asks;
    less than one are used as they are.

    Parameters
    ----------
    level
        Level of confidence, between 0 and 1.
    dof
        Effective degrees of freedom.
    """
    if not 0 < level < 1:
        raise CalibError(f"A level of confidence lies between 0 and 1, not at {level!r}.")
    if not dof > 0:
        raise CalibError(f"Degrees of freedom must be positive, not {dof!r}.")
    # The quantile function of scipy.stats takes a second to import.
    from scipy.special import ndtri, stdtrit

    if math.isinf(dof):
        return float(ndtri((1 + level) / 2))
    # A whole number that rounding has left a little short must not lose one.
    whole = math.floor(dof * (1 + 1e-9))
    return float(stdtrit(whole if whole >= 1 else dof, (1 + level) / 2))


def normalised_error(
    x: float,
    u_x: float,
    reference: float,
    u_reference: float,
    *,
    k: float = 2.0,
    k_reference: float | None = None,
    covariance: float = 0.0,
) -> float:
    """Return E_n, a difference in units of its expanded uncertainty (ISO/IEC 17043, ISO 13528).

    Result and reference agree if ``abs(E_n) <= 1``.

    Parameters
    ----------
    x, u_x
        Result and its standard uncertainty.
    reference, u_reference
        Reference value and its standard uncertainty.
    k, k_reference
        Coverage factors of the two at about 95 %; the same for both unless `k_reference` is given.
    covariance
        Covariance of result and reference, for those that share a standard or where the reference was computed from
        the result, too.

    Raises
    ------
    CalibError
        If nothing is uncertain: then there is nothing to compare the difference with.
    """
    k_reference = k if k_reference is None else k_reference
    variance = (k * u_x) ** 2 + (k_reference * u_reference) ** 2 - 2 * k * k_reference * covariance
    if not (u_x >= 0 and u_reference >= 0 and variance > 0):
        raise CalibError("A normalised error needs an uncertainty of the result or the reference that is not zero.")
    return (x - reference) / math.sqrt(variance)
