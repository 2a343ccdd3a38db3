"""Distance, angle and area of points in a plane, with their derivatives by every coordinate."""

from __future__ import annotations

import numpy as np

from calib.errors import MeasurementError
from calib.scanner.effect import Float


def distance_of(points: Float) -> tuple[float, Float]:
    """Distance of two points.

    Parameters
    ----------
    points
        Shape ``(2, 2)``: coordinate, point.

    Returns
    -------
    value, gradient
        In the unit of the points; the gradient has their shape.

    Raises
    ------
    MeasurementError
        If the points are the same.
    """
    apart = points[:, 1] - points[:, 0]
    distance = float(np.hypot(*apart))
    if distance == 0:
        raise MeasurementError("Both points are the same: a distance needs two.")
    along = apart / distance
    return distance, np.stack([-along, along], axis=1)


def angle_of(points: Float) -> tuple[float, Float]:
    """Angle between the directions from the second point to the first and to the third, 0 to pi rad.

    Parameters
    ----------
    points
        Shape ``(2, 3)``; the second point is the vertex.

    Raises
    ------
    MeasurementError
        If an arm has no length.
    """
    one, other = points[:, 0] - points[:, 1], points[:, 2] - points[:, 1]
    size2, other2 = float(one @ one), float(other @ other)
    if size2 == 0 or other2 == 0:
        raise MeasurementError("A point is the same as the vertex: an angle needs three points.")
    cross = float(one[0] * other[1] - one[1] * other[0])
    sign = 1.0 if cross >= 0 else -1.0
    by_one = sign * np.array([one[1], -one[0]]) / size2
    by_other = sign * np.array([-other[1], other[0]]) / other2
    return float(np.arctan2(abs(cross), one @ other)), np.stack([by_one, -by_one - by_other, by_other], axis=1)


def area_of(points: Float) -> tuple[float, Float]:
    """Area of the polygon whose corners are given in order, either way round (the shoelace formula).

    Parameters
    ----------
    points
        Shape ``(2, n)``, three or more.

    Raises
    ------
    MeasurementError
        If there are fewer than three points, two of them are the same, the edges cross, or all lie on one line.
    """
    n = points.shape[1]
    if n < 3:
        raise MeasurementError(f"A polygon needs three points or more, not {n}.")
    for i in range(n):
        for j in range(i):
            if np.array_equal(points[:, i], points[:, j]):
                raise MeasurementError(f"Points {j + 1} and {i + 1} are the same: name each corner once.")
    # about the first point, so that no digits are lost far from the origin
    x, y = points - points[:, :1]
    signed = 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))
    extent = float(np.ptp(x) * np.ptp(y)) or float(np.ptp(x) + np.ptp(y)) ** 2
    if abs(signed) <= 1e-12 * extent and not _crosses(points):
        raise MeasurementError("All points lie on one line, so they enclose no area.")
    if _crosses(points):
        raise MeasurementError("The edges of the polygon cross each other: name its corners in the order of its edge.")
    sign = 1.0 if signed > 0 else -1.0
    by_x = 0.5 * sign * (np.roll(y, -1) - np.roll(y, 1))
    by_y = 0.5 * sign * (np.roll(x, 1) - np.roll(x, -1))
    return abs(signed), np.stack([by_x, by_y])


def distances(points: Float) -> Float:
    """Distances of many pairs of points ``(2, 2, trials)``, shape ``(trials,)``."""
    return np.asarray(np.hypot(*(points[:, 1] - points[:, 0])))


def angles(points: Float) -> Float:
    """Angles of many sets of points ``(2, 3, trials)`` as :func:`angle_of` has them, rad, shape ``(trials,)``."""
    one, other = points[:, 0] - points[:, 1], points[:, 2] - points[:, 1]
    return np.asarray(np.arctan2(np.abs(one[0] * other[1] - one[1] * other[0]), np.sum(one * other, axis=0)))


def areas(points: Float) -> Float:
    """Areas of many polygons ``(2, n, trials)``, shape ``(trials,)``."""
    x, y = points - points[:, :1]
    return np.asarray(0.5 * np.abs(np.sum(x * np.roll(y, -1, axis=0) - y * np.roll(x, -1, axis=0), axis=0)))


def _crosses(points: Float) -> bool:
    """Whether two edges that share no corner cross."""
    n = points.shape[1]

    def side(a: int, b: int, c: int) -> float:
        (ax, ay), (bx, by), (cx, cy) = points[:, a], points[:, b], points[:, c]
        return float(np.sign((bx - ax) * (cy - ay) - (by - ay) * (cx - ax)))

    for i in range(n):
        for j in range(i + 2, n):
            if (j + 1) % n == i:
                continue
            a, b, c, d = i, (i + 1) % n, j, (j + 1) % n
            if side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0:
                return True
    return False
