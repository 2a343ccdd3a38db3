"""What is found after a fit, in which scan and lines; how often is measured in `tests.benchmarks.findings_of_fits`."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from calib.findings.residual import inspect_model, told
from calib.path import Path
from calib.simulate import faults, raster
from tests.benchmarks.findings_of_fits import Bench
from tests.instruments import calibrated


@cache
def bench() -> Bench:
    return Bench(312, points=128)


def along(path: Path, axis: int, size: float) -> tuple[float, float]:
    x, y = size * (path.fast_axis, path.slow_axis)[axis]
    return float(x), float(y)


def test_displacements_in_time() -> None:
    path = Path(raster(10e-6, 16, line_period=1.0))
    line = np.arange(16)
    samples = path.samples(0, line, np.full(16, path.fast[3]))
    since = samples.time / path.frame_time
    jump = faults.slipped(0.5, (1e-9, -2e-9))(path, samples)
    np.testing.assert_allclose(jump, np.outer([1e-9, -2e-9], since >= 0.5))
    ramp = faults.slipping(0.5, (4e-9, 0.0))(path, samples)
    np.testing.assert_allclose(ramp[0], 4e-9 * np.maximum(since - 0.5, 0) / 0.5)
    wave = faults.vibrating(3.3, (1e-9, 0.0))(path, samples)
    np.testing.assert_allclose(wave[0], 1e-9 * np.sin(2 * np.pi * 3.3 * samples.time))
    assert not wave[1].any()


@pytest.mark.parametrize("axis", [0, 1])
def test_jump_names_lines_and_size(axis: int) -> None:
    misfit, path = bench().fit.misfit, bench().observations[1].path  # frame down
    size = (8, 20)[axis] * misfit
    findings = bench().with_fault(1, faults.slipped(0.4, along(path, axis, size)))
    (jump,) = [finding for finding in findings if finding.kind == "sideways jump"]
    row = 0.6 * path.slow.size
    assert jump.lines is not None
    assert jump.lines[0] - 8 <= row <= jump.lines[1] + 8
    assert jump.severity == "error"
    assert ("along the fast axis", "along the slow axis")[axis] in jump.message


def test_vibration_names_its_frequency() -> None:
    misfit, path = bench().fit.misfit, bench().observations[0].path
    findings = bench().with_fault(0, faults.vibrating(50.3, along(path, 0, 3 * misfit)))
    (wave,) = [finding for finding in findings if finding.kind == "vibration"]
    assert "at 50.3 Hz" in wave.message
    assert wave.lines is not None
    assert wave.lines[1] - wave.lines[0] > 0.8 * path.slow.size


def test_slip_that_begins_in_mid_frame() -> None:
    misfit, path = bench().fit.misfit, bench().observations[0].path
    findings = bench().with_fault(0, faults.slipping(0.5, along(path, 0, 30 * misfit)))
    (drift,) = [finding for finding in findings if finding.kind == "uneven drift"]
    assert drift.lines is not None
    assert 0.25 * path.slow.size < drift.lines[0] < 0.75 * path.slow.size
    assert "s into the frame" in drift.message


def test_scans_of_a_model() -> None:
    instrument, model = calibrated(0)
    scans = [case.scan for case in instrument.standard_session()]
    found = inspect_model(model, scans)
    assert not [finding for those in found.values() for finding in those if finding.severity == "error"]
    assert inspect_model(model, scans[::-1]) == found
    assert len(told(found)) == sum(map(len, found.values()))
