"""Reference frames: scans without heights, under named conditions, on which a model is evaluated."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from calib.path import Int, Path, Samples
from calib.scan import PASSES, Scan

if TYPE_CHECKING:
    from calib.model import Domain

TURN = 0.05
"""Part of the line period that a turn takes in a reference frame."""


def reference_frame(
    size: float,
    points: int,
    *,
    centre: tuple[float, float] = (0.0, 0.0),
    rotation: float = 0.0,
    passes: tuple[str, ...] = PASSES,
    line_period: float | None = None,
    turn: float = TURN,
) -> Scan:
    """Return a square frame, scanned upwards, before which the scanner rested at its centre.

    Parameters
    ----------
    size
        Distance of the outermost pixel centres, m.
    points
        Pixels along each side.
    centre, rotation
        As in :class:`calib.Scan`, m and rad.
    passes
        Which passes are recorded.
    line_period
        s; None for a frame of unknown timing.
    turn
        Part of the line period that a turn takes.
    """
    grid = np.linspace(-size / 2, size / 2, points)
    return Scan(
        channels={"height": np.broadcast_to(np.float64(0), (len(passes), points, points))},
        fast=grid,
        slow=grid,
        passes=passes,
        centre_x=centre[0],
        centre_y=centre[1],
        rotation=rotation,
        frame="up",
        line_period=line_period,
        turnaround=None if line_period is None else turn * line_period,
        previous_x=centre[0],
        previous_y=centre[1],
    )


def lattice(path: Path, rows: Sequence[int] | Int, columns: Sequence[int] | Int) -> tuple[Samples, tuple[int, ...]]:
    """Return the pixels where some rows and columns cross, in every pass, and their shape ``(pass, row, column)``."""
    index, row, fast = np.meshgrid(
        np.arange(len(path.passes)), np.asarray(rows), path.fast[np.asarray(columns)], indexing="ij"
    )
    return path.samples(index, row, fast), index.shape


def middle(area: tuple[float, float, float, float]) -> tuple[float, float]:
    """Return the middle of an area ``(low_x, high_x, low_y, high_y)``, m."""
    low_x, high_x, low_y, high_y = area
    return (low_x + high_x) / 2, (low_y + high_y) / 2


def middle_speed(domain: Domain) -> float | None:
    """Return the geometric mean of the slowest and the fastest calibrated speed, m/s; None if speeds are unknown."""
    return None if domain.speeds is None else float(np.sqrt(domain.speeds[0] * domain.speeds[1]))


def line_period(size: float, speed: float | None, turn: float = TURN) -> float | None:
    """Return the line period of a frame that is scanned at a speed, s.

    Parameters
    ----------
    size
        Of the frame, m.
    speed
        Of the sweeps, m/s; None if unknown.
    turn
        Part of the line period that a turn takes; there are two.
    """
    return None if speed is None else 2 * size / speed / (1 - 2 * turn)
