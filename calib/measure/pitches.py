"""Pitches and angle of a structure that repeats, by all of a scan and by each of its passes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.arithmetic.monte_carlo import Sample
from calib.budget import Contribution
from calib.errors import MeasurementError
from calib.measure.lattice_fit import LatticeError, LatticeFit, fit_lattice, lattice_errors, sampler, unknown_tilt
from calib.measure.measured import Measured
from calib.measure.points import COSINE, MODEL, REPEATABILITY, compared
from calib.model import Model
from calib.model_error import error_dof
from calib.observe.lateral import LateralObservation
from calib.origins import NOISE
from calib.scan import Scan
from calib.scanner.effect import Float
from calib.standard import Grating, Grid, Value
from calib.units import show


@dataclass(frozen=True)
class _Lattice:
    """A lattice fitted to all nodes and to those of each pass, with the errors of its quantities.

    Errors: of the quantities, of the reciprocal vectors; where there are two passes, of their difference, and of each.
    """

    joint: LatticeFit
    single: tuple[LatticeFit, ...]
    error: LatticeError
    by_frequency: LatticeError
    of_passes: tuple[LatticeError, ...]
    dof: float

    @classmethod
    def of(cls, model: Model, scan: Scan, observation: LateralObservation) -> _Lattice:
        joint = fit_lattice(model, observation)
        single = tuple(fit_lattice(model, observation, index) for index in range(len(scan.passes)))
        wanted = [joint.derivatives, joint.derivatives_of_frequency]
        if len(single) == 2:
            one, other = (fit.derivatives for fit in single)
            wanted += [(one[0] - other[0], one[1] - other[1]), one, other]
        error, by_frequency, *of_passes = lattice_errors(model, observation, wanted)
        return cls(joint, single, error, by_frequency, tuple(of_passes), error_dof(model))

    def parts(self, k: int) -> dict[str, float | Contribution]:
        """Contributions to one quantity."""
        parts = self.error.parts(k)
        few = {name: Contribution(name, 0.0, parts[name], dof=self.dof) for name in (MODEL, NOISE) if name in parts}
        return {**parts, **few}

    def compared(self, k: int, parts: dict[str, float | Contribution], name: str) -> tuple[str, ...]:
        """Add what the passes differ by beyond what is expected; as for points, model errors count as independent."""
        if len(self.single) < 2:
            return ()
        difference, *each = self.of_passes
        expected2 = difference.sure[k, k] + sum(error.misfit[k, k] for error in each)
        values = np.array([fit.values[k] for fit in self.single])
        return compared(parts, name, self.joint.units[k], values, float(expected2))


def measured(model: Model, scan: Scan, observation: LateralObservation, notes: Sequence[str], level: float) -> Measured:
    """Measure all quantities of a lattice that was observed in a scan; the first one bears the notes and the others."""
    lattice = _Lattice.of(model, scan, observation)
    found = []
    for k, (name, unit) in enumerate(zip(lattice.joint.names, lattice.joint.units, strict=True)):
        value, said = float(lattice.joint.values[k]), name.replace("_", " ")
        parts = lattice.parts(k)
        tilt = unknown_tilt(observation, value) if unit == "m" else None
        if tilt is not None:
            parts[COSINE] = Contribution(COSINE, 0.0, tilt, distribution="rectangular")
        told = lattice.compared(k, parts, said)
        one = Measured.of(
            said,
            value,
            unit,
            parts,
            level=level,
            by_pass={name: float(fit.values[k]) for name, fit in zip(scan.passes, lattice.single, strict=True)},
            notes=(*(() if k else notes), *told),
            sample=_beside(sampler(lattice.joint, lattice.by_frequency, lattice.dof, k), parts),
        )
        found.append(one)
    return replace(found[0], also=tuple(found[1:]))


def _beside(sample: Sample, parts: Mapping[str, float | Contribution]) -> Sample:
    """Add to what draws a pitch what acts on it as it is: the cosine error, and what the passes differ by."""
    tilt, apart = (
        part.u if isinstance(part := parts.get(name), Contribution) else 0.0 for name in (COSINE, REPEATABILITY)
    )

    def both(rng: np.random.Generator, size: int) -> Float:
        added = apart * rng.standard_normal(size) + np.sqrt(3) * tilt * rng.uniform(-1, 1, size)
        return np.asarray(sample(rng, size) + added)

    return both


def structure(kind: str, nominal: float | tuple[float, float], nominal_angle: float) -> Grating | Grid:
    """A standard without a certificate: it says only what to look for."""
    both = (nominal, nominal) if isinstance(nominal, (int, float)) else nominal
    if not all(np.isfinite(one) and one > 0 for one in both):
        raise MeasurementError("A nominal pitch must be a length above zero.")
    if kind == "grating":
        if both[0] != both[1]:
            raise MeasurementError("A grating has one pitch; for two, say that it is a grid.")
        return Grating(name="the grating", pitch=Value(both[0], 0.0))
    if kind != "grid":
        raise MeasurementError(f"A pitch is measured of a grating or a grid, not of {kind!r}.")
    if not np.deg2rad(20) < nominal_angle < np.deg2rad(160):
        raise MeasurementError(f"The axes of a grid can't be {show(nominal_angle, 'rad')} apart: take 20° to 160°.")
    angle = Value(nominal_angle, 0.0, "rad")
    return Grid(name="the grid", pitch_x=Value(both[0], 0.0), pitch_y=Value(both[1], 0.0), angle=angle)
