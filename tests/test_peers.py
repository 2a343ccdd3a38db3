"""The same nodes given to general-purpose libraries: where the physics is theirs, too, the answers must agree."""

from __future__ import annotations

import numpy as np
import pytest

from calib.calibration import Scanner, calibrate
from calib.observe.lateral import observe_lateral
from calib.scan import Scan
from calib.simulate import Flaws, Grid, raster, record
from tests.instruments import grid

THETA = 0.04


def bend(position: np.ndarray) -> np.ndarray:
    """Scale, skew and a cubic bending: within reach of any polynomial."""
    u, v = position
    x = u + 0.12e-6 * (2 * (u / 10e-6) ** 2 - 1) / 2 + 0.05e-6 * (u / 10e-6) * (v / 10e-6)
    y = v + 0.08e-6 * (v / 10e-6) ** 3
    return np.stack([1.02 * x + 0.02 * y, 0.985 * y])


def scan_of() -> Scan:
    surface = Grid(pitch_x=2e-6, pitch_y=2e-6, height=100e-9, theta=THETA)
    empty = raster(20e-6, points=256, passes=("trace",), line_period=None, scanner="bench")
    return record(surface, lambda path, samples: bend(samples.position), empty, flaws=Flaws(noise=1e-9), seed=1).scan


def nodes(scan: Scan) -> tuple[np.ndarray, np.ndarray]:
    """Commanded places of the nodes, and where on the grid they lie, m; each of shape (nodes, 2)."""
    found = observe_lateral(scan, grid())
    samples = found.path.samples(found.pass_index, found.row, found.fast)
    return samples.position.T, found.periods * 2e-6


def aligned(found: np.ndarray, true: np.ndarray) -> np.ndarray:
    from tests.instruments import rigid_rest

    return np.linalg.norm(rigid_rest(found, true), axis=0)


def test_polynomial_transform_of_scikit_image() -> None:
    from skimage.transform import PolynomialTransform

    scan = scan_of()
    commanded, lattice = nodes(scan)
    peer = PolynomialTransform.from_estimate(commanded * 1e5, lattice * 1e5, order=3)
    model = calibrate([(scan, grid())], scanner=Scanner("bench", (20e-6, 20e-6)))
    u, v = scan.commanded()
    places = np.stack([u[4:-4:6, 4:-4:6].ravel(), v[4:-4:6, 4:-4:6].ravel()])
    theirs = peer(places.T * 1e5).T / 1e5
    located = model.locate(scan, uncertainty=False)
    ours = np.stack([located.x[0, 4:-4:6, 4:-4:6].ravel(), located.y[0, 4:-4:6, 4:-4:6].ravel()])
    assert aligned(theirs, ours).max() < 5e-9
    assert aligned(ours, bend(places)).max() < 5e-9
    assert np.sqrt(np.mean(aligned(ours, bend(places)) ** 2)) < 1.5 * np.sqrt(
        np.mean(aligned(theirs, bend(places)) ** 2)
    )


def test_affine_part_agrees_with_opencv() -> None:
    import cv2

    scan = scan_of()
    commanded, lattice = nodes(scan)
    matrix, _ = cv2.estimateAffine2D((commanded * 1e6).astype(np.float64), (lattice * 1e6).astype(np.float64))
    theirs = matrix[:, :2]
    design = np.column_stack([commanded, np.ones(len(commanded))])
    ours = np.linalg.lstsq(design, lattice, rcond=None)[0][:2].T
    # theirs drops what it takes for outliers of an affine map, and the bending is one
    assert np.linalg.svd(theirs, compute_uv=False) == pytest.approx(np.linalg.svd(ours, compute_uv=False), rel=5e-3)
