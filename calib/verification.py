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
from typing import Any

import numpy as np

from calib.errors import ModelError, ScanError
from calib.files import write_atomically
from calib.heights import repeatability
from calib.locate import positions, spread
from calib.model import Model
from calib.model_error import error_covariance
from calib.observe.lateral import LateralObservation, observe_again, observe_lateral
from calib.observe.step import StepObservation, observe_step
from calib.scan import Scan
from calib.scanner.effect import Float
from calib.standard import Grating, Grid, Standard, Step, Value
from calib.units import format_quantity, show

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

    @property
    def deviation(self) -> float:
        """Measured less certified."""
        return self.measured - self.reference

    @property
    def normalised_error(self) -> float:
        """E_n: deviation over both expanded uncertainties (ISO/IEC 17043)."""
        from calib.budget import coverage_factor, normalised_error

        return normalised_error(self.measured, self.u, self.reference, self.u_reference, k=coverage_factor(_LEVEL))

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
        observation = _observe(model, scan, warm, turned)
        found = _lateral(model, observation)
        notes += observation.notes
        blind = _lateral_blindness(warm)
    elif isinstance(warm, Step):
        step = observe_step(scan, warm)
        found = [_height(model, step)]
        notes += step.notes
        blind = (
            "shift and tilt of the scan, and everything lateral",
            f"heights far from the {show(step.indicated)} between the plateaus",
        )
    else:
        raise ScanError(f"A {warm.kind} can't be verified yet; take a grating, a grid or a step.")
    results = []
    for name, unit, measured, parts, certified in found:
        u = float(np.sqrt(sum(part**2 for part in parts.values())))
        results.append(Result(name, unit, measured, u, k * u, certified.value, certified.u, k * certified.u, parts))
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


def _verdict(results: list[Result]) -> str:
    conform = [result.conforms for result in results]
    if any(fine is False for fine in conform):
        return FAILS
    return UNDECIDED if any(fine is None for fine in conform) else CONFORMS


_Found = tuple[str, str, float, dict[str, float], Value]


def _observe(model: Model, scan: Scan, standard: Grating | Grid, turned: float | None) -> LateralObservation:
    """Observe, then once more with the pattern moved as the model expects, so that the border counts as well."""
    first = observe_lateral(scan, standard, turned=turned)
    _, solve = _fit_lattice(model, first)
    plane = solve @ first.periods
    everywhere = np.tensordot(_stretch(first), positions(model.motion, model.values, first.path), 1)
    expected = np.tensordot(plane[:2].T, everywhere, 1) + plane[2][:, None, None, None]
    return observe_again(scan, first, expected)


def _stretch(observation: LateralObservation) -> Float:
    """What lies on a tilted standard is longer than what is seen from above."""
    gx, gy = observation.slope or (0.0, 0.0)
    return np.eye(2) + 0.5 * np.array([[gx * gx, gx * gy], [gx * gy, gy * gy]])


def _fit_lattice(model: Model, observation: LateralObservation) -> tuple[Float, Float]:
    """True positions on the standard, ``(2, nodes)``, and the matrix that takes periods to the plane that fits."""
    path = observation.path
    samples = path.samples(observation.pass_index, observation.row, observation.fast)
    position = _stretch(observation) @ model.motion.position(path, samples, model.values)
    design = np.column_stack([position.T, np.ones(observation.size)])
    weight = _weights(observation, model.misfit.lateral)
    scaled = design * weight[:, None]
    size = np.linalg.norm(scaled, axis=0)
    return position, np.linalg.pinv(scaled / size) / size[:, None] * weight[None, :]


def _lateral(model: Model, observation: LateralObservation) -> list[_Found]:
    """Pitches and angle of the lattice that fits the corrected nodes, with what makes up their uncertainty."""
    path, standard = observation.path, observation.standard
    samples = path.samples(observation.pass_index, observation.row, observation.fast)
    _, solve = _fit_lattice(model, observation)
    m = observation.periods.shape[1]
    frequency = (solve @ observation.periods)[:2].T
    if m == 2 and not np.linalg.det(frequency) > 0:
        raise ModelError(f"{observation.label}: the corrected grid is mirrored, so the model can't be of this scanner.")
    quantities, by_frequency = _quantities(frequency)
    # how the quantities follow an error of the lattice coordinates, and through these one of position
    by_periods = np.einsum("qka,an->qkn", by_frequency, solve[:2])
    by_position = -np.einsum("qkn,kc->qcn", by_periods, frequency)
    noise = np.einsum("qkn,nkl,qln->q", by_periods, observation.covariance, by_periods)
    root = np.einsum("qcn,cpn->qp", by_position, spread(model, path, samples, gauge=False))
    misfit = np.einsum("qcn,cnm,qcm->q", by_position, error_covariance(model, path, samples), by_position)
    names = (
        [("pitch", "m")] if isinstance(standard, Grating) else [("pitch_x", "m"), ("pitch_y", "m"), ("angle", "rad")]
    )
    found = []
    for k, (name, unit) in enumerate(names):
        parts = {
            "noise": float(np.sqrt(noise[k])),
            "fit": float(np.linalg.norm(root[k])),
            "model error": float(np.sqrt(misfit[k])),
        }
        if name != "angle":
            uneven = [value.u for value in (standard.unevenness, standard.mounting) if value is not None]
            if uneven:
                parts["place on the standard"] = float(np.hypot.reduce(uneven))
            if observation.slope is None:
                # nobody knows how the standard lay: within two degrees of level, as a rectangular limit of the cosine
                parts["tilt"] = float(quantities[k]) * (1 - np.cos(np.deg2rad(2.0))) / np.sqrt(3)
        found.append((name, unit, float(quantities[k]), parts, getattr(standard, name)))
    return found


def _weights(observation: LateralObservation, misfit: float) -> Float:
    pitch = 1.0 / np.mean([v.value for name, v in observation.standard.values().items() if name.startswith("pitch")])
    variance = np.einsum("nii->n", observation.covariance) / observation.periods.shape[1] + (misfit * pitch) ** 2
    return np.asarray(1 / np.sqrt(variance))


def _quantities(frequency: Float) -> tuple[Float, Float]:
    """Pitches and angle of reciprocal vectors, and their derivatives; shapes ``(q,)`` and ``(q, m, 2)``."""
    if len(frequency) == 1:
        length = float(np.linalg.norm(frequency[0]))
        return np.array([1 / length]), (-frequency / length**3)[None]
    vectors = np.linalg.inv(frequency)  # columns are the lattice vectors
    a, b = vectors[:, 0], vectors[:, 1]
    la, lb = np.linalg.norm(a), np.linalg.norm(b)
    cross = a[0] * b[1] - a[1] * b[0]
    angle = float(np.arctan2(cross, a @ b))
    # the inverse changes by -V dF V
    by_vectors = np.zeros((3, 2, 2))  # (quantity, component, which vector)
    by_vectors[0, :, 0] = a / la
    by_vectors[1, :, 1] = b / lb
    by_vectors[2, :, 0] = np.array([a[1], -a[0]]) / la**2
    by_vectors[2, :, 1] = np.array([-b[1], b[0]]) / lb**2
    by_frequency = -np.einsum("qck,cr,sk->qrs", by_vectors, vectors, vectors)
    return np.array([la, lb, angle]), by_frequency


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


def _height(model: Model, step: StepObservation) -> _Found:
    height = model.height
    centred = bool(np.isfinite(step.low))
    low, high = (step.low, step.high) if centred else (0.0, step.indicated)
    shrink = step.indicated / (high - low) if high > low else 1.0
    measured = shrink * float(height.true(np.array(high), centred) - height.true(np.array(low), centred))
    gain = measured / step.indicated
    parts = {
        "noise and repeatability": abs(gain) * repeatability(step),
        "height response": shrink * float(height.uncertainty(np.array(high), low, centred)),
    }
    if step.standard.unevenness is not None:
        parts["place on the standard"] = step.standard.unevenness.u
    if step.standard.mounting is not None:
        parts["mounting"] = step.standard.mounting.u
    return ("height", "m", measured, parts, step.standard.height)
