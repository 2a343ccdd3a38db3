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
from calib.measure import pitches, relief
from calib.measure.geometry import angle_of, angles, area_of, areas, distance_of, distances
from calib.measure.lattice_fit import observe_corrected
from calib.measure.measured import Measured
from calib.measure.points import REPEATABILITY, RESOLUTION, Point, Points, Which, only, temperature_note
from calib.measure.resolution import of_mean
from calib.measure.step_height import straightened, true_step
from calib.model import Model
from calib.observe.step import observe_step, rough_height
from calib.scan import Scan
from calib.standard import Step, Value

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
    horizontal = points.measure("horizontal distance", "m", distance_of, distances, level)
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
    found = points.measure("angle", "rad", angle_of, angles, level)
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
    return points.measure("area of the polygon", "m^2", area_of, areas, level)


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
    observation = observe_corrected(model, scan, pitches.structure(kind, nominal, nominal_angle), turned)
    notes += [*observation.notes, *temperature_note(scan)]
    return pitches.measured(model, scan, observation, notes, level)


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
    gain = value / observation.indicated
    apart = parts.pop(REPEATABILITY, 0.0)
    resolution = gain * of_mean(scan) * float(np.sqrt(2))
    listed: dict[str, float | Contribution] = {
        "noise": noise,
        **parts,
        REPEATABILITY: Contribution(REPEATABILITY, 0.0, apart, distribution="rectangular"),
        RESOLUTION: Contribution(RESOLUTION, 0.0, resolution),
    }
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
