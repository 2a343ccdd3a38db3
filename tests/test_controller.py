"""Factors for the controller, and the model of what is left: the same scanner on other scales."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib import controller
from calib.errors import ModelError
from calib.fitting.succession import histories
from calib.frames import lattice, reference_frame
from calib.model import Model
from calib.path import Path
from calib.scan import Scan
from calib.scanner.backlash import Backlash
from calib.scanner.creep_before import CreepBefore
from calib.scanner.effect import Factors
from calib.scanner.lag import Lag
from calib.scanner.motion import Motion
from calib.scanner.nonlinearity import Nonlinearity
from calib.scanner.periodic import Periodic
from calib.scanner.squareness import Squareness
from tests.instruments import calibrated

SIZE = 14e-6


def scaled(scan: Scan, factors: Factors) -> Scan:
    """The same movement, commanded on other scales; of a straight scan."""
    x, y, z = factors
    heights = {name: channel / z for name, channel in scan.channels.items()}
    return scan.replace(
        fast=scan.fast / x,
        slow=scan.slow / y,
        centre_x=scan.centre_x / x,
        centre_y=scan.centre_y / y,
        previous_x=None if scan.previous_x is None else scan.previous_x / x,
        previous_y=None if scan.previous_y is None else scan.previous_y / y,
        channels=heights,
        z_centre=None if scan.z_centre is None else scan.z_centre / z,
    )


@pytest.fixture(scope="module")
def model() -> Model:
    return calibrated()[1]


@pytest.mark.parametrize("factors", [(1.02, 0.97, 1.1), (0.84375, 1.0, 1.0), (1.0, 1.3, 0.9)])
def test_remaining_model_tells_the_same_of_the_same_movement(factors: Factors) -> None:
    """Every effect that a calibration finds, on other scales."""
    _, model = calibrated()
    frame = reference_frame(SIZE, 40, centre=(1e-6, -0.5e-6), line_period=0.5)
    frame = frame.replace(channels={"height": 1e-7 * np.sin(np.arange(3200).reshape(2, 40, 40))}, z_centre=3e-7)
    left = controller.remaining(model, factors, {})
    before, after = model.locate(frame, any_scanner=True), left.locate(scaled(frame, factors), any_scanner=True)
    for name in ("x", "y", "z"):
        # at the kinks of operators rounding shows
        assert getattr(after, name) == pytest.approx(getattr(before, name), rel=1e-6, abs=5e-12), name
    # the conditions of a frame are told by one size and one speed, which see factors that differ as their mean
    ratio = [np.median(getattr(after, name) / getattr(before, name)) for name in ("u_x", "u_y", "u_z")]
    assert ratio == pytest.approx([1.0] * 3, rel=0.1)


@given(st.tuples(*[st.floats(0.5, 2.0)] * 3))
@settings(max_examples=20, deadline=None)
def test_every_effect_knows_itself_on_other_scales(factors: Factors) -> None:
    effects = [
        Nonlinearity((2e-5, 3e-5), (1e-6, 0.0), 3),
        Backlash((1e-7, 2e-7), (1e-7, 1e-7)),
        Periodic(((3e-6,), (2e-6, 5e-6))),
        Lag(),
        Squareness(),
        CreepBefore([1.0, 10.0, 100.0], 1.0),
    ]
    motion = Motion(effects)
    rescaled = [effect.rescaled(factors) for effect in effects]
    other = Motion([effect for effect, _ in rescaled])
    rng = np.random.default_rng(1)
    values = motion.rest_values + 1e-2 * np.sqrt(np.diag(motion.prior_covariance)) * rng.standard_normal(
        len(motion.coefficients)
    )
    change = np.concatenate([[factors[0], factors[1], 1.0], *(by for _, by in rescaled)])
    frame = reference_frame(SIZE, 24, centre=(1e-6, -0.5e-6), line_period=0.5).replace(z_centre=0.0)
    before, after = Path(frame), Path(scaled(frame, factors))
    samples, _ = lattice(before, np.arange(24), np.arange(24))
    heights = 1e-6 * rng.standard_normal(samples.size)
    moved, _ = lattice(after, np.arange(24), np.arange(24))
    one = motion.position(before, replace(samples, height=heights), values)
    two = other.position(after, replace(moved, height=heights / factors[2]), values * change)
    assert two == pytest.approx(one, rel=1e-9, abs=1e-15)


def test_what_creep_has_left_is_the_same_on_other_scales() -> None:
    from datetime import UTC, datetime, timedelta

    factors: Factors = (0.97, 1.02, 1.0)
    began = datetime(2026, 1, 1, tzinfo=UTC)
    scans = [
        reference_frame(SIZE, 16, centre=(k * 2e-6, -k * 1e-6), line_period=2.0).replace(
            started=began + timedelta(seconds=40.0 * k)
        )
        for k in range(2)
    ]
    effect = CreepBefore([1.0, 10.0, 100.0], 1.0)
    found = []
    for those in (scans, [scaled(scan, factors) for scan in scans]):
        path = Path(those[1])
        path.history = histories(those)[1]
        samples, _ = lattice(path, np.arange(16), np.arange(16))
        found.append(effect.basis(path, samples))
    assert np.ptp(found[0], axis=1).min() > 1e-9
    assert found[1] * np.array([[0.97], [1.02]]) == pytest.approx(found[0], rel=1e-9)


def test_factors_take_the_scales_out(model: Model) -> None:
    found = controller.settings(model, SIZE)
    left = found.remaining
    for axis in (0, 1):
        scale, u = left.scale(axis, SIZE)
        assert scale == pytest.approx(1.0, abs=1e-5)
        # but for what the scale itself changes with the distance that is commanded
        assert found.factors[axis].value == pytest.approx(1 / model.scale(axis, SIZE)[0], rel=0.003)
        assert found.factors[axis].u == pytest.approx(u, rel=0.05)
    assert left["z_gain"].value == pytest.approx(1.0, abs=2e-6)
    assert found.factors[2].value == pytest.approx(model["z_gain"].value, rel=2e-6)
    assert left["skew"].value == model["skew"].value
    assert found.shear == pytest.approx(-np.tan(model["skew"].value))


def test_settings_are_part_of_the_scanner(model: Model) -> None:
    stated = model.replace(controller={"gain": 2, "drive_factor_x": 1.1})
    found = controller.settings(stated)
    assert found.factors[0].before == 1.1
    assert found.factors[0].after == pytest.approx(1.1 * found.factors[0].value, rel=1e-5)
    left = found.remaining
    assert left.controller is not None
    assert left.controller["gain"] == 2
    scan = reference_frame(SIZE, 16, line_period=0.5)
    now = scan.replace(controller=dict(left.controller), scanner=model.scanner)
    left.check(now)
    with pytest.raises(ModelError, match="other controller settings"):
        stated.check(now)
    with pytest.raises(ModelError, match="other controller settings"):
        left.check(now.replace(controller={"gain": 2, "drive_factor_x": 1.1}))


def test_remaining_model_is_saved_and_read(model: Model, tmp_path) -> None:  # type: ignore[no-untyped-def]
    from calib.model import load_model

    left = controller.settings(model).remaining
    left.save(tmp_path / "left.json")
    again = load_model(tmp_path / "left.json")
    assert again.sha256 == left.sha256
    assert again.controller == left.controller


def test_table_sends_the_probe_where_it_is_wanted(model: Model) -> None:
    table = controller.table(model, 9)
    low, high = model.domain.area[:2]
    # what a frame of the calibrated area makes of the positions that are told, by interpolation of its pixels
    from scipy.interpolate import RegularGridInterpolator

    from calib.frames import line_period, middle_speed

    frame = reference_frame(high - low, 64, line_period=line_period(high - low, middle_speed(model.domain)))
    path = Path(frame)
    samples, shape = lattice(path, np.arange(64), np.arange(64))
    true = model.motion.position(path, samples, model.values).reshape(2, *shape).mean(axis=1)
    arrived = np.stack(
        [
            RegularGridInterpolator((path.slow, path.fast), field, method="cubic")(
                np.stack([table.told[1], table.told[0]], axis=-1)
            )
            for field in true
        ]
    )
    error = arrived - table.wanted
    error -= error.mean(axis=(1, 2), keepdims=True)
    assert np.sqrt(np.mean(error[:, 1:] ** 2)) < 3e-9  # the first lines of the frame curl
    uncorrected = table.told - table.wanted
    assert np.abs(uncorrected).max() > 1e-7
    assert np.all(table.u > 0)


def test_table_as_text(model: Model) -> None:
    lines = controller.table(model, 5).csv().splitlines()
    assert lines[0].startswith("# Mean of both passes of a frame of 20")
    rows = list(csv.reader(io.StringIO("\n".join(lines[1:]))))
    assert rows[0][0] == "x wanted / µm"
    assert len(rows) == 26
    assert np.array(rows[1:], dtype=float).shape == (25, 6)


def test_what_is_no_use_is_refused(model: Model) -> None:
    with pytest.raises(ModelError, match="choose a size"):
        controller.settings(model, 1e-3)
    with pytest.raises(ModelError, match="not a factor above zero"):
        controller.settings(model.replace(controller={"drive_factor_y": "high"}))
    with pytest.raises(ModelError, match="2 to 201 points"):
        controller.table(model, 1)
    bare = model.replace(observations=(), height=replace(model.height, determined=False))
    assert controller.settings(bare).factors
