"""Model + scan + standard: whether the corrected scan says what the certificate says.

The model is frozen. Pitch, angle or step height is estimated from the corrected positions of what was seen; nothing
else is fitted but where the standard lay. Drift and creep from before the frame are not fitted either: what they may
have done enters the uncertainty.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

from calib.measure.lattice_fit import lattice_errors, unknown_tilt
from calib.model import Model
from calib.model_error import error_dof
from calib.origins import NOISE, of_value
from calib.scan import Scan
from calib.standard import Grating, Standard, Value
from calib.statistics.decision import CONFORMS, FAILS, UNDECIDED
from calib.units import show
from calib.verification.check import Verification
from calib.verification.common import with_lattice, with_step
from calib.verification.result import LEVEL, Result, budget_of
from calib.verification.seen import Seen, look, of_standard


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
        Best one that the calibration did not use. A flat is only looked at: its flatness is compared with limits, by
        :func:`calib.verify_all`.
    turned
        Angle to which the standard was turned on the stage, rad; see :func:`calib.observe.lateral.observe_lateral`.
    any_scanner
        Check the model even if the scan names another scanner or other controller settings.

    Raises
    ------
    CalibError
        If the scan is no usable image of the standard, or of another scanner.
    """
    return check_of(look(model, scan, standard, turned=turned, any_scanner=any_scanner))


def check_of(seen: Seen) -> Verification:
    """Return the check of what was seen: each quantity of the standard against its certificate."""
    model = seen.model
    results: list[Result] = []
    notes = list(seen.notes)
    if seen.lateral is not None:
        results = _lateral(seen)
    elif seen.step is not None:
        results = [_height(seen)]
    else:
        notes.append("a flat has no value to agree with: state limits of its flatness, or of the noise, to decide")
    return Verification(
        results=tuple(results),
        verdict=_verdict(results),
        independent=seen.independent,
        blind_to=_blindness(seen),
        notes=tuple(notes),
        scan=seen.label,
        standard=seen.standard.name,
        standard_identity=seen.standard.identity,
        scanner=model.scanner,
        model_sha256=model.sha256,
        created=datetime.now(UTC).isoformat(timespec="seconds"),
        started="" if seen.scan.started is None else seen.scan.started.isoformat(),
    )


def _verdict(results: list[Result]) -> str:
    verdicts = [result.verdict for result in results]
    if FAILS in verdicts:
        return FAILS
    return UNDECIDED if UNDECIDED in verdicts or not verdicts else CONFORMS


def _lateral(seen: Seen) -> list[Result]:
    """Pitches and angle of the lattice that fits the corrected nodes."""
    model, observation, lattice = seen.model, seen.lateral, seen.lattice
    assert observation is not None
    (error,) = lattice_errors(model, observation, [lattice.derivatives])
    shared = with_lattice(seen, lattice.derivatives[1])
    few = error_dof(model)
    found = []
    for k, (name, unit) in enumerate(zip(lattice.names, lattice.units, strict=True)):
        value = float(lattice.values[k])
        parts = error.parts(k)
        if name != "angle":
            parts |= of_standard(seen.standard)
            tilt = unknown_tilt(observation, value)
            if tilt is not None:
                parts["cosine error"] = tilt
        certified: Value = getattr(seen.standard, name)
        dof = {"model error": few, NOISE: few}
        found.append(_result(name, unit, value, parts, dof, certified, seen.standard, float(shared[k, k])))
    return found


def _height(seen: Seen) -> Result:
    assert seen.step is not None
    measured, parts = seen.height
    certified: Value = getattr(seen.standard, "height")  # noqa: B009  (only a step has it)
    return _result("height", "m", measured, parts, {"noise": seen.step.dof}, certified, seen.standard, with_step(seen))


def _result(
    name: str,
    unit: str,
    measured: float,
    parts: dict[str, float],
    dof: Mapping[str, float],
    certified: Value,
    standard: Standard,
    common: float,
) -> Result:
    from calib.budget import coverage_factor

    budget = budget_of(name, unit, measured, parts, dof)
    return Result(
        name,
        unit,
        measured,
        budget.u,
        budget.expanded(LEVEL).U,
        certified.value,
        certified.u,
        coverage_factor(LEVEL) * certified.u,
        parts,
        dof,
        {origin: certified.u * part**0.5 for origin, part in of_value(standard, name).items()},
        _possible(common * certified.u, budget.u * certified.u),
    )


def _possible(covariance: float, most: float) -> float:
    """Keep rounding from making two values more alike than they can be."""
    return max(-most, min(covariance, most))


def _blindness(seen: Seen) -> tuple[str, ...]:
    if isinstance(seen.standard, Grating):
        return (
            "shift and rotation of the scan, which the pose of the grating absorbs",
            "scale along the lines of the grating, skew, and everything about heights",
        )
    if seen.lateral is not None:
        return (
            "shift and rotation of the scan, which the pose of the grid absorbs",
            "mirror images, and everything about heights",
        )
    if seen.step is not None:
        return (
            "shift and tilt of the scan, and everything lateral",
            f"heights far from the {show(seen.step.indicated)} between the plateaus",
        )
    return (
        "tilt of the scan, the gain of heights, and everything lateral",
        "a form of the flat that its certificate does not tell",
    )
