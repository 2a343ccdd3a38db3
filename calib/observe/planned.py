"""Scans that are only planned: what would be observed in them, node by node, without any image."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calib.observe.lateral import LateralObservation
from calib.observe.lattice import grid_reciprocal
from calib.observe.levels import FlatObservation, Levels
from calib.observe.step import StepObservation
from calib.path import Path
from calib.scan import Scan
from calib.scanner.effect import Float
from calib.scanner.motion import Motion
from calib.standard import Flat, Grating, Grid, Step

NODE_NOISE = 0.002
"""Standard deviation of a node, periods: what a scan of some noise and dust gives (common practice, no source)."""

STEP_NOISE = (0.1e-9, 5e-4)
"""Repeatability of a step: metres, and part of the height (common practice, no source)."""

_MOST = 16  # nodes along each side; of more, fewer and surer ones stand for all


def observe_planned(
    scan: Scan,
    standard: Grating | Grid,
    noise: float = NODE_NOISE,
    *,
    turned: float = 0.0,
    rest: tuple[float, float] | None = None,
    motion: Motion | None = None,
    values: Float | None = None,
) -> LateralObservation:
    """Return the observation that a scan would give, with nodes about one pitch apart.

    Parameters
    ----------
    scan
        How it is to be taken; its channels may be empty (see :func:`calib.simulate.raster`).
    noise
        Standard deviation of the lattice coordinates of a node, periods.
    turned
        Angle of the standard's x axis in scanner axes, rad.
    rest
        Where the scanner will rest before, where the scan does not say.
    motion, values
        What the scanner is taken to do; by default exactly what it is told. The values need not be good: a linearised
        fit hardly depends on them.
    """
    path = Path(scan, rest)
    pitch = min(value.value for name, value in standard.values().items() if name.startswith("pitch"))
    fast, along = _places(path.edges[0], path.edges[1], pitch)
    half = path.slow[1] - path.slow[0] if path.slow.size > 1 else 0.0
    slow, across = _places(float(path.slow[0]) - half / 2, float(path.slow[-1]) + half / 2, pitch)
    rows = np.unique(np.searchsorted((path.slow[1:] + path.slow[:-1]) / 2, slow))
    rows = rows[rows != path.sweeps.line[0]]
    index, row, place = (part.ravel() for part in np.meshgrid(np.arange(len(path.passes)), rows, fast, indexing="ij"))
    samples = path.samples(index, row, place)
    true = samples.position
    if motion is not None:
        true = motion.position(path, samples, motion.rest_values if values is None else values)
    lattice = reciprocal(standard) @ np.array([[np.cos(turned), np.sin(turned)], [-np.sin(turned), np.cos(turned)]])
    m = len(lattice)
    return LateralObservation(
        label=scan.label,
        path=path,
        standard=standard,
        angle=turned,
        pass_index=index.astype(np.int64),
        row=row.astype(np.int64),
        fast=place,
        periods=np.asarray((lattice @ true).T),
        covariance=np.broadcast_to(np.eye(m) * (noise**2 * along * across), (index.size, m, m)).copy(),
        slope=(0.0, 0.0),
        contrast=1.0,
        outliers=0.0,
        started=scan.started,
        notes=(),
    )


def step_planned(scan: Scan, standard: Step, noise: Sequence[float] = STEP_NOISE) -> StepObservation:
    """Return the observation of a step that a scan would give.

    Parameters
    ----------
    scan
        How it is to be taken.
    noise
        Repeatability, in metres and as part of the height; the larger one counts most.
    """
    height = standard.height.value
    middle = np.nan if scan.z_centre is None else scan.z_centre
    return StepObservation(
        label=scan.label,
        path=Path(scan),
        standard=standard,
        indicated=height,
        u=float(np.hypot(noise[0], noise[1] * height)),
        dof=15.0,
        by_pass=(height,) * len(scan.passes),
        area=height,
        low=middle - height / 2,
        high=middle + height / 2,
        tilt=0.0,
        width=standard.width.value if standard.width is not None else min(scan.size) / 3,
        edges=2,
        lines=scan.slow.size * len(scan.passes),
        started=scan.started,
        notes=(),
    )


def flat_planned(scan: Scan, standard: Flat) -> FlatObservation:
    """Return the observation of a flat that a scan would give, without any heights."""
    nothing = np.zeros(0)
    levels = Levels(nothing.astype(np.int64), nothing, nothing, nothing, nothing, nothing.astype(np.int64), False)
    return FlatObservation(scan.label, Path(scan), standard, levels, scan.started)


def reciprocal(standard: Grating | Grid) -> Float:
    """Reciprocal vectors of a standard in its own axes, cycles/m; shape ``(1 or 2, 2)``."""
    if isinstance(standard, Grating):
        return np.array([[1 / standard.pitch.value, 0.0]])
    return np.asarray(grid_reciprocal(standard.pitch_x.value, standard.pitch_y.value, standard.angle.value))


def _places(low: float, high: float, pitch: float) -> tuple[Float, float]:
    """Middles of equal parts about one pitch long, and the variance of one relative to that of a node."""
    count = max(2, int((high - low) / pitch + 1e-9))
    kept = min(count, _MOST)
    return low + (np.arange(kept) + 0.5) * (high - low) / kept, kept / count
