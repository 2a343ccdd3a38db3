"""Model + scan + standard: whether the corrected scan says what the certificate says.

The model is frozen. Pitch, angle or step height is estimated from the corrected positions of what was seen; nothing
else is fitted but where the standard lay. Drift and creep from before the frame are not fitted either: what they may
have done enters the uncertainty.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path as FilePath
from typing import TYPE_CHECKING, Any

import numpy as np

from calib.errors import ScanError
from calib.files import write_atomically
from calib.measure.lattice_fit import fit_lattice, lattice_errors, observe_corrected, unknown_tilt
from calib.measure.resolution import of_mean
from calib.measure.step_height import straightened, true_step
from calib.model import Model
from calib.model_error import error_dof
from calib.observe.lateral import LateralObservation
from calib.observe.step import StepObservation, observe_step
from calib.origins import NOISE, of_value
from calib.scan import Scan
from calib.standard import Grating, Grid, Standard, Step, Value
from calib.units import format_quantity, show

if TYPE_CHECKING:
    from calib.budget import Budget

CONFORMS, FAILS, UNDECIDED = "conforms", "does not conform", "can't be decided"

_LEVEL = 0.95
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

    def budget(self) -> Budget:
        """Return the uncertainty budget of the measured value."""
        return _budget(self.name, self.unit, self.measured, self.contributions, self.dof)

    @property
    def deviation(self) -> float:
        """Measured less certified."""
        return self.measured - self.reference

    @property
    def normalised_error(self) -> float:
        """E_n: deviation over both expanded uncertainties (ISO/IEC 17043)."""
        from calib.budget import coverage_factor, normalised_error

        usual = coverage_factor(_LEVEL)
        k = self.U / self.u if self.u else usual
        return normalised_error(self.measured, self.u, self.reference, self.u_reference, k=k, k_reference=usual)

    @property
    def conforms(self) -> bool | None:
        """Whether abs(E_n) is at most 1; None where the uncertainty is too large for that to mean anything."""
        too_vague = _USEFUL * abs(self.reference) < self.U
        fine = abs(self.normalised_error) <= 1
        return None if fine and too_vague else fine

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
            "budget": self.budget().to_dict(),
        }

    def __str__(self) -> str:
        measured = format_quantity(self.measured, self.unit, u=self.u, k=self.U / self.u if self.u else 2.0)
        reference = format_quantity(
            self.reference,
            self.unit,
            u=self.u_reference,
            k=self.U_reference / self.u_reference if self.u_reference else 2.0,
        )
        return f"{self.name}: {measured}, certified {reference}, E_n = {self.normalised_error:+.2f}"


@dataclass(frozen=True)
class Verification:
    """What a check of a model against a standard found.

    Attributes
    ----------
    results
        One a quantity.
    verdict
        ``conforms``, ``does not conform`` or ``can't be decided``.
    independent
        Whether the calibration did without this standard.
    blind_to
        What the check can't see, in plain words.
    notes
        What else a user should know.
    scan, standard, standard_identity, scanner, model_sha256
        What was checked against what.
    created
        When, ISO 8601.
    """

    results: tuple[Result, ...]
    verdict: str
    independent: bool
    blind_to: tuple[str, ...]
    notes: tuple[str, ...]
    scan: str
    standard: str
    standard_identity: str
    scanner: str
    model_sha256: str
    created: str

    def summary(self) -> list[str]:
        """Return lines for people: the verdict first."""
        lines = [f"{self.scan} against {self.standard}: {self.verdict}"]
        lines += [f"  {result}" for result in self.results]
        if not self.independent:
            lines.append(
                "  not independent: the calibration used this standard, so an error of its certificate stays unseen"
            )
        lines += [f"  note: {note}" for note in self.notes]
        lines += [f"  blind to {what}" for what in self.blind_to]
        return lines

    def to_dict(self) -> dict[str, Any]:
        """Return the verification as a JSON object."""
        return {
            "format": "calib verification",
            "version": "1.0",
            "created": self.created,
            "scan": self.scan,
            "standard": self.standard,
            "standard_identity": self.standard_identity,
            "scanner": self.scanner,
            "model_sha256": self.model_sha256,
            "verdict": self.verdict,
            "independent": self.independent,
            "results": [result.to_dict() for result in self.results],
            "blind_to": list(self.blind_to),
            "notes": list(self.notes),
        }

    def save(self, path: str | FilePath, *, force: bool = False) -> None:
        """Write the verification as JSON.

        Raises
        ------
        OutputExistsError
            If the file exists, without `force`.
        """
        text = json.dumps(self.to_dict(), ensure_ascii=False, allow_nan=False, indent=1)
        with write_atomically(path, force) as temporary:
            temporary.write_text(text + "\n", encoding="utf-8")


def verify(
    model: Model, scan: Scan, standard: Standard, *, turned: float | None = None, any_scanner: bool = False
) -> Verification:
    """Check a model against a standard.

    Parameters
    ----------
    model
        Stays as it is.
    scan
        Of the standard, as recorded, with the model's scanner.
    standard
        Grating, grid or step; best one that the calibration did not use.
    turned
        Angle to which the standard was turned on the stage, rad; see :func:`calib.observe.lateral.observe_lateral`.
    any_scanner
        Check the model even if the scan names another scanner or other controller settings.

    Raises
    ------
    CalibError
        If the scan is no usable image of the standard, or of another scanner.
    """
    from calib.budget import coverage_factor

    notes = list(model.check(scan, any_scanner=any_scanner))
    warm = standard.at(scan.temperature)
    k = coverage_factor(_LEVEL)
    if isinstance(warm, (Grating, Grid)):
        observation = observe_corrected(model, scan, warm, turned)
        found = _lateral(model, observation)
        notes += observation.notes
        blind = _lateral_blindness(warm)
    elif isinstance(warm, Step):
        step = observe_step(straightened(model, scan), warm)
        found = [_height(model, step, scan)]
        notes += step.notes
        blind = (
            "shift and tilt of the scan, and everything lateral",
            f"heights far from the {show(step.indicated)} between the plateaus",
        )
    else:
        raise ScanError(f"A {warm.kind} can't be verified yet; take a grating, a grid or a step.")
    results = []
    for name, unit, measured, parts, certified in found:
        few = error_dof(model)
        dof = {"noise": step.dof} if name == "height" else {"model error": few, NOISE: few}
        budget = _budget(name, unit, measured, parts, dof)
        U = budget.expanded(_LEVEL).U
        known = (certified.value, certified.u, k * certified.u)
        of_reference = {origin: certified.u * part**0.5 for origin, part in of_value(warm, name).items()}
        results.append(Result(name, unit, measured, budget.u, U, *known, parts, dof, of_reference))
    used = {observation.standard.identity for observation in model.observations}
    return Verification(
        results=tuple(results),
        verdict=_verdict(results),
        independent=standard.identity not in used,
        blind_to=blind,
        notes=tuple(notes),
        scan=scan.label,
        standard=standard.name,
        standard_identity=standard.identity,
        scanner=model.scanner,
        model_sha256=model.sha256,
        created=datetime.now(UTC).isoformat(timespec="seconds"),
    )


def _budget(name: str, unit: str, value: float, parts: Mapping[str, float], dof: Mapping[str, float]) -> Budget:
    from calib.budget import Budget, Contribution, kind_of

    return Budget(
        name.replace("_", " "),
        value,
        [
            Contribution(
                part,
                0.0,
                u,
                dof=dof.get(part, np.inf),
                kind=kind_of(part),
                distribution="rectangular" if part in ("cosine error", "repeatability") else "normal",
            )
            for part, u in parts.items()
        ],
        unit=unit,
    )


def _verdict(results: list[Result]) -> str:
    conform = [result.conforms for result in results]
    if any(fine is False for fine in conform):
        return FAILS
    return UNDECIDED if any(fine is None for fine in conform) else CONFORMS


_Found = tuple[str, str, float, dict[str, float], Value]


def _lateral(model: Model, observation: LateralObservation) -> list[_Found]:
    """Pitches and angle of the lattice that fits the corrected nodes, with what makes up their uncertainty."""
    standard = observation.standard
    lattice = fit_lattice(model, observation)
    (error,) = lattice_errors(model, observation, [lattice.derivatives])
    found = []
    for k, (name, unit) in enumerate(zip(lattice.names, lattice.units, strict=True)):
        value = float(lattice.values[k])
        parts = error.parts(k)
        if name != "angle":
            parts |= _of_standard(standard)
            tilt = unknown_tilt(observation, value)
            if tilt is not None:
                parts["cosine error"] = tilt
        found.append((name, unit, value, parts, getattr(standard, name)))
    return found


def _lateral_blindness(standard: Grating | Grid) -> tuple[str, ...]:
    if isinstance(standard, Grating):
        return (
            "shift and rotation of the scan, which the pose of the grating absorbs",
            "scale along the lines of the grating, skew, and everything about heights",
        )
    return (
        "shift and rotation of the scan, which the pose of the grid absorbs",
        "mirror images, and everything about heights",
    )


def _height(model: Model, step: StepObservation, scan: Scan) -> _Found:
    measured, parts = true_step(model, step)
    if resolution := measured / step.indicated * of_mean(scan) * float(np.sqrt(2)):
        parts["resolution"] = resolution
    return ("height", "m", measured, parts | _of_standard(step.standard), step.standard.height)


def _of_standard(standard: Standard) -> dict[str, float]:
    """What is unsure of a standard besides its certificate."""
    listed = {"unevenness of the standard": standard.unevenness, "mounting": standard.mounting}
    return {name: value.u for name, value in listed.items() if value is not None}
