"""Observations without images: nodes of a grid from the true positions of a foreign instrument, with noise."""

from __future__ import annotations

import numpy as np

from calib.model import Misfit, Model
from calib.observe.lateral import LateralObservation
from calib.observe.lattice import grid_reciprocal
from calib.path import Path
from calib.scan import Scan
from tests.foreign import ForeignInstrument
from tests.instruments import calibrated, grid


def observed(
    instrument: ForeignInstrument,
    scan: Scan,
    *,
    seed: int = 0,
    pitch: float = 2e-6,
    noise: float = 2e-4,
    spacing: float = 1e-6,
    scale: float = 1.0,
) -> LateralObservation:
    """Return the nodes of a grid in a scan.

    Parameters
    ----------
    noise
        Of each lattice coordinate, periods.
    spacing
        Between nodes, m.
    scale
        By which the scanner moves further than the instrument does.
    """
    path = Path(scan)
    standard = grid(pitch)
    count = max(8, int(np.ptp(path.fast) / spacing))
    fast = np.linspace(path.fast[0] + pitch / 8, path.fast[-1] - pitch / 8, count)
    edges = (1, path.slow.size - 1) if path.upwards else (0, path.slow.size - 2)
    rows = np.unique(np.linspace(*edges, count).round().astype(np.int64))
    index, row, place = np.meshgrid(np.arange(len(path.passes)), rows, fast, indexing="ij")
    true = scale * instrument.physics.motion(path, path.samples(index, row, place), instrument.instrument.clock(scan))
    cos, sin = np.cos(instrument.theta), np.sin(instrument.theta)
    periods = (grid_reciprocal(pitch, pitch, np.pi / 2) @ np.array([[cos, sin], [-sin, cos]]) @ true).T
    periods = periods + noise * np.random.default_rng(seed).standard_normal(periods.shape)
    return LateralObservation(
        label=scan.title,
        path=path,
        standard=standard,
        angle=instrument.theta,
        pass_index=index.ravel(),
        row=row.ravel(),
        fast=place.ravel(),
        periods=periods,
        covariance=np.broadcast_to(np.eye(2) * noise**2, (len(periods), 2, 2)).copy(),
        slope=(0.0, 0.0),
        contrast=1.0,
        outliers=0.0,
        started=scan.started,
    )


def frames(instrument: ForeignInstrument) -> list[Scan]:
    """Return ten frames: large and small, both directions, straight and turned, at two speeds."""
    session, size = instrument.session(), instrument.travel
    turned, quarter, off = np.pi / 2, size / 4, 0.15 * size
    return [
        session.frame(size, frame="up", title="1"),
        session.frame(size, frame="down", title="2"),
        session.frame(size, rotation=turned, frame="up", title="3"),
        session.frame(size, rotation=turned, line_period=0.3, frame="down", title="4"),
        session.frame(size / 2, centre=(-quarter, quarter), frame="up", title="5"),
        session.frame(size / 2, centre=(quarter, -quarter), rotation=turned, frame="down", title="6"),
        session.frame(0.7 * size, line_period=0.3, centre=(off, off), frame="down", title="7"),
        session.frame(0.7 * size, centre=(-off, -off), rotation=turned, frame="up", title="8"),
        session.frame(size, frame="up", line_period=0.3, title="9"),
        session.frame(size, rotation=turned, frame="up", title="10"),
    ]


def model_of(observations: list[LateralObservation], degree: int = 5) -> Model:
    """Return a model that holds these observations; its coefficients are those of another instrument."""
    _, other = calibrated(0, 0.06)
    return other.replace(
        observations=tuple(observations), quality={**other.quality, "degree": degree}, misfit=Misfit(10e-9, "assumed")
    )
