"""Distances, angles, areas, pitches and step heights off a scan, corrected by a model, with their uncertainty.

Points are places in the image, (fast, slow) in m relative to the scan's centre, as commanded: what the axes of an image
show. A feature lies at different pixels of trace and retrace, so points belong to one pass; in the other one they are
found again by the picture around them, and that comparison is a check of the model. Uncertainties come from one joint
covariance of all points, so what they share cancels: a short distance is surer than a long one.

Lengths are horizontal, in the plane of the scanner's x and y; the distance in space is given beside, where the scan
holds heights. They are those at the temperature of the scan: the sample's expansion is nobody's to know.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from calib.budget import Contribution
from calib.errors import MeasurementError
from calib.measure import relief
from calib.measure.geometry import angle_of, area_of, distance_of
from calib.measure.lattice_fit import fit_lattice, lattice_errors, observe_corrected, unknown_tilt
from calib.measure.measured import Measured
from calib.measure.points import APART, DRIFT, FIT, MODEL, Point, Points, Which, compared, only, temperature_note
from calib.measure.step_height import straightened, true_step
from calib.model import Model
from calib.model_error import error_dof
from calib.observe.step import observe_step, rough_height
from calib.scan import Scan
from calib.standard import Grating, Grid, Step, Value
from calib.units import show

__all__ = ["Measured", "angle", "area", "distance", "pitch", "step"]

# --- from points -----------------------------------------------------------------------------------


def distance(
    model: Model,
    scan: Scan,
    start: Point,
    end: Point,
    *,
    reading: float | None = None,
    which: Which = "both",
    level: float = 0.95,
    any_scanner: bool = False,
) -> Measured:
    """Measure the horizontal distance of two points, and where there are heights, their difference and 3-D distance.

    Parameters
    ----------
    start, end
        (fast, slow) in m relative to the scan's centre, in the image of the first pass that is used.
    reading
        A point is read to within ± this, m, along either axis; by default half a pixel.
    which
        ``trace`` or ``retrace``: use that pass only. ``both``: the points are read in the first pass, and found again
        in the other one if the picture allows it.
    level
        Level of confidence of U.
    any_scanner
        Apply the model even if the scan names another scanner or other controller settings.

    Raises
    ------
    CalibError
        If points are the same or outside the scan, or the model can't be applied.
    """
    points = Points.of(model, scan, [start, end], reading, which, any_scanner)
    horizontal = points.measure("horizontal distance", "m", distance_of, level)
    if not points.scan.has_height:
        return horizontal
    also = relief.between(horizontal, points, level)
    notes = horizontal.notes
    if not also:
        notes += ("there is no height at one of the points, so height difference and distance in space are unknown",)
    return replace(horizontal, also=also, notes=notes)


def angle(
    model: Model,
    scan: Scan,
    at: Point,
    start: Point,
    end: Point,
    *,
    reading: float | None = None,
    which: Which = "both",
    level: float = 0.95,
    any_scanner: bool = False,
) -> Measured:
    """Measure the angle at a point between the directions to two others, 0 to pi rad, seen from above.

    Parameters
    ----------
    at
        The vertex.
    start, end, reading, which, level, any_scanner
        As for :func:`distance`.
    """
    points = Points.of(model, scan, [start, at, end], reading, which, any_scanner)
    found = points.measure("angle", "rad", angle_of, level)
    if min(found.value, np.pi - found.value) < 2 * found.u:
        said = "the angle is that close to 0° or 180° that its uncertainty reaches beyond; it holds to one side only"
        found = replace(found, notes=(*found.notes, said))
    return found


def area(
    model: Model,
    scan: Scan,
    corners: Sequence[Point],
    *,
    reading: float | None = None,
    which: Which = "both",
    level: float = 0.95,
    any_scanner: bool = False,
) -> Measured:
    """Measure the area of a polygon, as seen from above.

    Parameters
    ----------
    corners
        Three points or more, in the order of the edge, either way round.
    reading, which, level, any_scanner
        As for :func:`distance`.
    """
    points = Points.of(model, scan, corners, reading, which, any_scanner)
    return points.measure("area of the polygon", "m^2", area_of, level)


# --- from structures -------------------------------------------------------------------------------


def pitch(
    model: Model,
    scan: Scan,
    nominal: float | tuple[float, float],
    *,
    kind: Literal["grating", "grid"] = "grating",
    nominal_angle: float = np.pi / 2,
    turned: float | None = None,
    which: Which = "both",
    level: float = 0.95,
    any_scanner: bool = False,
) -> Measured:
    """Measure the mean pitch of a grating, or the pitches and the angle of a grid, along the surface of the sample.

    Parameters
    ----------
    nominal
        Pitch to look for, m; of a grid, that of both directions, or one for each. It does not enter the result.
    kind
        ``grating`` or ``grid``.
    nominal_angle
        Of a grid, rad.
    turned
        Angle to which the structure was turned on the stage, rad, to within 45 degrees.
    which, level, any_scanner
        As for :func:`distance`.

    Raises
    ------
    CalibError
        If there is no such structure in the scan, or the model can't be applied.
    """
    notes = list(model.check(scan, any_scanner=any_scanner))
    scan = only(scan, which)
    observation = observe_corrected(model, scan, _structure(kind, nominal, nominal_angle), turned)
    notes += [*observation.notes, *temperature_note(scan)]
    joint = fit_lattice(model, observation)
    single = [fit_lattice(model, observation, index) for index in range(len(scan.passes))]
    wanted = [(joint.by_periods, joint.by_position)]
    if len(single) == 2:
        one, other = single
        wanted.append((one.by_periods - other.by_periods, one.by_position - other.by_position))
        wanted += [(fit.by_periods, fit.by_position) for fit in single]
    errors = lattice_errors(model, observation, wanted)
    found = []
    for k, (name, unit) in enumerate(zip(joint.names, joint.units, strict=True)):
        value = float(joint.values[k])
        parts: dict[str, float | Contribution] = {
            "noise": float(errors[0].noise[k]),
            FIT: float(errors[0].fit[k]),
            DRIFT: float(errors[0].scan[k]),
            MODEL: Contribution(MODEL, 0.0, float(errors[0].misfit[k]), dof=error_dof(model)),
        }
        tilt = unknown_tilt(observation, value) if unit == "m" else None
        if tilt is not None:
            parts["cosine error"] = Contribution("cosine error", 0.0, tilt, distribution="rectangular")
        told: tuple[str, ...] = ()
        said = name.replace("_", " ")
        values = np.array([fit.values[k] for fit in single])
        if len(single) == 2:
            # as for points: the model's errors in the two passes are not known to be alike
            apart = errors[1].noise[k] ** 2 + errors[1].fit[k] ** 2 + errors[1].scan[k] ** 2
            apart += sum(error.misfit[k] ** 2 for error in errors[2:])
            told = compared(parts, said, unit, values, float(apart))
        by_pass = dict(zip(scan.passes, map(float, values), strict=True))
        about = tuple(notes) if k == 0 else ()
        found.append(Measured.of(said, value, unit, parts, level=level, by_pass=by_pass, notes=about + told))
    return replace(found[0], also=tuple(found[1:]))


def _structure(kind: str, nominal: float | tuple[float, float], nominal_angle: float) -> Grating | Grid:
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


def step(
    model: Model,
    scan: Scan,
    *,
    nominal: float | None = None,
    which: Which = "both",
    level: float = 0.95,
    any_scanner: bool = False,
) -> Measured:
    """Measure the height of a step, ridge or groove after ISO 5436-1, normal to its plateaus.

    Parameters
    ----------
    nominal
        Height to look for, m, to within a factor of two; by default that of the step most to be seen.
    which, level, any_scanner
        As for :func:`distance`.

    Raises
    ------
    CalibError
        If there is no such step in the scan, or the model can't be applied.
    """
    notes = list(model.check(scan, any_scanner=any_scanner))
    scan = only(scan, which)
    if nominal is not None and not (np.isfinite(nominal) and nominal > 0):
        raise MeasurementError("A nominal height must be a length above zero.")
    straight = straightened(model, scan)
    height = rough_height(straight) if nominal is None else nominal
    observation = observe_step(straight, Step(name="the step", height=Value(height, 0.0)))
    value, parts = true_step(model, observation)
    noise = Contribution("noise", 0.0, parts.pop("noise"), dof=observation.dof, kind="A")
    apart = parts.pop("repeatability", 0.0)
    listed: dict[str, float | Contribution] = {
        "noise": noise,
        **parts,
        APART: Contribution(APART, 0.0, apart, distribution="rectangular"),
    }
    gain = value / observation.indicated
    if not model.height.determined:
        notes.append("no step was among the calibration scans, so the height gain is only presumed")
    return Measured.of(
        "step height",
        value,
        "m",
        listed,
        level=level,
        by_pass={name: gain * one for name, one in zip(scan.passes, observation.by_pass, strict=True)},
        notes=(*notes, *observation.notes, *temperature_note(scan)),
    )
