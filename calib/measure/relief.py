"""Height difference and distance in space of two points of a scan.

A height difference is against the scanner's own x-y plane: the tilt of the sample is in it, and so is what heights
drifted by from one line to the other, which no single frame tells.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from calib.budget import Contribution
from calib.locate import true_height
from calib.measure.geometry import distance_of, distances
from calib.measure.measured import Measured
from calib.measure.points import REPEATABILITY, RESOLUTION, Points
from calib.measure.resolution import of_height
from calib.scan import Scan
from calib.scanner.effect import Float

NOISE, BOW, PLACE = "noise", "bow of the scanner and what is left of it", "place in the z range"

Pixel = tuple[int, int, int]

_NEAR = 2  # pixels to either side of a point from which its slope is taken


def between(horizontal: Measured, points: Points, level: float) -> tuple[Measured, ...]:
    """Measure height difference and distance in space of the two points of a horizontal distance.

    Returns
    -------
    tuple of Measured
        Empty if there is no height at a point.
    """
    model, scan = points.model, points.scan
    count = len(points.at)
    indicated = _at_points(scan.height.__getitem__, scan, points.at)
    if not np.all(np.isfinite(indicated)):
        return ()
    true = _true_at_points(points)
    rises = true[:, 1] - true[:, 0]
    rise = float(rises.mean())
    # along fast and slow axis, (2, n): of misreading a point, and of taking the wrong pixel of the other pass
    slopes = np.stack([np.stack([_slope_at(scan, k, place) for place in points.at[k].T], axis=1) for k in range(count)])
    sign = np.array([-1.0, 1.0])
    gain = abs(float(model.height.values[0]))
    response, bow = _response(points, indicated)
    by_height = {NOISE: gain * _noise(scan, points.at, count), **response, BOW: bow}
    by_height[RESOLUTION] = gain * of_height(scan) * float(np.sqrt(2))
    by_reading = gain * slopes.mean(axis=0) * sign
    by_reading_u = by_reading * points.reading[:, None] / np.sqrt(3)
    by_pass = dict(zip(points.passes, map(float, rises), strict=True))

    def rise_of(misread: Float, rng: np.random.Generator) -> Float:
        other = float(np.linalg.norm(list(by_height.values())))
        return np.asarray(rise + np.tensordot(by_reading, misread, 2) + other * rng.standard_normal(misread.shape[-1]))

    difference = Measured.of(
        "height difference",
        rise,
        "m",
        {**by_height, RESOLUTION: float(np.hypot(by_height[RESOLUTION], np.linalg.norm(by_reading_u)))},
        level=level,
        by_pass=by_pass,
        notes=(
            "the height difference is against the scanner's x-y plane: the sample's tilt, and drift of height between"
            " the lines of the two points, are in it",
        ),
        sample=lambda rng, size: rise_of(points.draw(rng, size)[1], rng),
    )
    space = _in_space(horizontal, difference, points, by_height, by_reading_u, level)

    def sample(rng: np.random.Generator, size: int) -> Float:
        moved, misread = points.draw(rng, size)
        across = np.mean([distances(one) for one in moved], axis=0)
        apart = sum(part.u for part in horizontal.budget.contributions if part.name == REPEATABILITY)
        return np.asarray(np.hypot(across + apart * rng.standard_normal(size), rise_of(misread, rng)))

    return difference, replace(space, sample=sample)


def _in_space(
    horizontal: Measured,
    difference: Measured,
    points: Points,
    by_height: dict[str, float],
    by_reading_u: Float,
    level: float,
) -> Measured:
    across, up = horizontal.value, difference.value
    whole = float(np.hypot(across, up))
    parts: dict[str, float | Contribution] = {
        part.name: replace(part, sensitivity=part.sensitivity * across / whole)
        for part in horizontal.budget.contributions
        if part.name != RESOLUTION
    }
    for name, u in by_height.items():
        along = parts.get(name)
        # laterally and in height the standards are not the same ones
        before = abs(along.component) if isinstance(along, Contribution) else 0.0
        parts[name] = float(np.hypot(before, u * abs(up) / whole))
    # misreading a point moves it along and up at once
    gradient = np.mean([distance_of(true)[1] for true in points.true], axis=0)
    axes = np.stack([points.path.fast_axis, points.path.slow_axis])
    along_u = axes @ gradient * points.reading[:, None] / np.sqrt(3)
    by_reading = float(np.linalg.norm(along_u * across / whole + by_reading_u * up / whole))
    parts[RESOLUTION] = float(np.hypot(by_height[RESOLUTION] * up / whole, by_reading))
    by_pass = {name: float(np.hypot(horizontal.by_pass[name], difference.by_pass[name])) for name in points.passes}
    return Measured.of("distance in space", whole, "m", parts, level=level, by_pass=by_pass)


def _pixel(scan: Scan, place: Float) -> tuple[float, float]:
    """Row and column of a place, with fractions."""
    column = float(np.interp(place[0], scan.fast, np.arange(scan.fast.size)))
    return float(np.interp(place[1], scan.slow, np.arange(scan.slow.size))), column


def _at_points(image: Callable[[Pixel], Any], scan: Scan, at: Float) -> Float:
    """Values of images, by pass, row and column, at points ``(passes, 2, n)``, each in its pass; shape ``(passes, n)``.

    Linear between the pixels around a point; NaN if one of those that count is missing.
    """
    found = np.zeros((len(at), at.shape[2]))
    for k, places in enumerate(at):
        for n, place in enumerate(places.T):
            row, column = _pixel(scan, place)
            r, c = int(row), int(column)
            for i, share_r in ((r, 1 - (row - r)), (r + 1, row - r)):
                for j, share_c in ((c, 1 - (column - c)), (c + 1, column - c)):
                    if share_r * share_c > 1e-9:
                        found[k, n] += share_r * share_c * float(image((k, i, j)))
    return found


def _true_at_points(points: Points) -> Float:
    """True heights at the points, m, shape ``(passes, n)``; of a whole frame only if its history is needed."""
    model, scan, path = points.model, points.scan, points.path
    if model.height.history is not None:
        return _at_points(true_height(model, scan, uncertainty=False)[0].__getitem__, scan, points.at)

    def at_pixel(pixel: Pixel) -> float:
        _, row, column = pixel
        indicated = np.array([float(scan.height[pixel]) + (scan.z_centre or 0.0)])
        position = path.at(path.fast[[column]], path.slow[[row]])
        return float(model.height.true(indicated, scan.z_centre is not None, position)[0])

    return _at_points(at_pixel, scan, points.at)


def _slope_at(scan: Scan, pass_index: int, place: Float) -> Float:
    """Slope of the indicated heights around a place, (dz/dfast, dz/dslow), by a plane through a few pixels."""
    row, column = (round(part) for part in _pixel(scan, place))
    rows = slice(max(row - _NEAR, 0), row + _NEAR + 1)
    columns = slice(max(column - _NEAR, 0), column + _NEAR + 1)
    values = np.asarray(scan.height[pass_index, rows, columns], dtype=np.float64)
    fast, slow = np.meshgrid(scan.fast[columns], scan.slow[rows])
    good = np.isfinite(values)
    size = max(*scan.spacing, 1e-300)
    design = np.stack([(fast[good] - place[0]) / size, (slow[good] - place[1]) / size, np.ones(int(good.sum()))], 1)
    return np.asarray(np.linalg.lstsq(design, values[good], rcond=None)[0][:2] / size)


def _noise(scan: Scan, at: Float, count: int) -> float:
    """Standard uncertainty of a height difference by the scatter of neighbouring pixels, m, mean of the passes.

    Roughness that is finer than three pixels counts as noise, which errs on the safe side.
    """
    variance = 0.0
    for k in range(count):
        values = np.asarray(scan.height[k], dtype=np.float64)
        along, across = _scatter(values, 1), _scatter(values, 0)
        # points on one line don't feel what differs from line to line
        one_line = abs(at[k, 1, 1] - at[k, 1, 0]) < scan.spacing[1] / 2
        variance += 2 * (along if one_line else max(along, across)) ** 2
    return float(np.sqrt(variance)) / count


def _scatter(values: Float, axis: int) -> float:
    """Standard deviation of white noise that the second differences show; robust against edges."""
    if values.shape[axis] < 3:
        return 0.0
    bent = np.diff(values, 2, axis=axis)
    bent = bent[np.isfinite(bent)]
    return float(1.4826 * np.median(np.abs(bent)) / np.sqrt(6)) if bent.size else 0.0


def _response(points: Points, indicated: Float) -> tuple[dict[str, float], float]:
    """Standard uncertainties of a mean height difference by the height response, by name, and by the bow, m."""
    height, scan = points.model.height, points.scan
    centred = scan.z_centre is not None
    absolute = indicated + (scan.z_centre or 0.0)
    commanded = np.stack([points.path.at(*at) for at in points.at], axis=1)  # (2, passes, n)
    images = None
    if height.history is not None:
        history = height.history.history(np.asarray(scan.height, dtype=np.float64), points.path, scan.z_centre)
        images = np.stack([_at_points(image.__getitem__, scan, points.at) for image in history.images(slice(None))])
    basis = height.basis(absolute, centred, commanded, images)  # (terms, passes, 2)
    by_values = (basis[..., 1] - basis[..., 0]).mean(axis=1)
    level, shape = height.of_level, np.arange(height.values.size)[height.of_bow]
    of_level = np.zeros_like(by_values)
    of_level[level] = by_values[level]
    response = height.split(of_level)
    if not (centred and height.placed):  # somewhere in the range: the gain there is not known as well as in its middle
        response[PLACE] = height.unknown_gain() * abs(float(np.mean(absolute[:, 1] - absolute[:, 0])))
    bow2 = by_values[shape] @ height.covariance[np.ix_(shape, shape)] @ by_values[shape] + 2 * height.misfit**2
    return response, float(np.sqrt(max(bow2, 0.0)))
