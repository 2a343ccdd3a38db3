"""Scans taken between two calibrations: mean of both models, and half their difference in the uncertainty."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache

import numpy as np
import pytest
from typer.testing import CliRunner

from calib.between.models import Between
from calib.cli import app
from calib.errors import ModelError
from calib.formats import read_scan, write_scan
from calib.model import Model
from calib.scan import Scan
from tests.instruments import calibrated

CHANGE = 0.004


@cache
def models() -> tuple[Model, Model]:
    _, before = calibrated(0, 0.06)
    domain = before.domain
    first, last = (
        (datetime.fromisoformat(one) + timedelta(days=10)).isoformat() for one in (domain.first, domain.last)
    )
    values = before.values.copy()
    values[0] *= 1 + CHANGE
    return before, before.replace(values=values, domain=replace(domain, first=first, last=last))


@cache
def scan(part: float = 0.25) -> Scan:
    instrument, _ = calibrated(0, 0.06)
    empty = instrument.session().frame(15e-6, title="sample")
    recorded = instrument.record(instrument.grid(), empty)[0]
    both = Between(*models())
    return recorded.replace(started=both.since + part * (both.until - both.since))


def test_value_is_the_mean_and_half_the_difference_is_unsure() -> None:
    found = {one.name: one for one in Between(*models()).said(scan()).values}
    scale = found["scale x"]
    assert scale.value == pytest.approx((scale.before + scale.after) / 2)
    assert scale.after / scale.before == pytest.approx(1 + CHANGE, rel=1e-6)
    assert scale.u_change == pytest.approx(CHANGE * scale.before / 2, rel=1e-6)
    assert scale.u == pytest.approx(np.hypot(scale.u_models, scale.u_change))
    assert found["scale y"].u_change == pytest.approx(0, abs=1e-6)
    distance = found["distance along the fast axis"]
    assert distance.u_change == pytest.approx(CHANGE * distance.value / 2, rel=0.02)
    assert found["step"].value == pytest.approx(100e-9 * models()[0]["z_gain"].value, rel=1e-3)


def test_a_mean_of_one_model_with_itself_is_no_surer_than_its_errors_allow() -> None:
    before, after = models()
    same = before.replace(domain=after.domain)
    one = before.correct(scan(), uncertainty=True)
    mean = Between(before, same).correct(scan())
    assert mean.shape == one.shape
    # the map by factors is right to 1e-5 pixel, on slopes of up to 1e-7 m a pixel
    np.testing.assert_allclose(mean.height, one.height, rtol=0, atol=1e-12)
    for name in ("u_x", "u_y", "u_height"):
        ratio = mean.channels[name] / one.channels[name]
        assert np.nanmax(ratio) <= 1 + 2e-5  # the same 1e-5 pixel, times what u changes by in one
        assert np.nanmin(ratio) >= 1 / np.sqrt(2) - 2e-5


def test_steady_change_is_interpolated_at_the_date() -> None:
    both = Between(*models(), steady=True)
    scale = both.said(scan(0.25)).values[0]
    assert scale.value == pytest.approx(0.75 * scale.before + 0.25 * scale.after)
    assert scale.u_change == 0
    loose = Between(*models()).correct(scan(0.25))
    tight = both.correct(scan(0.25))
    assert np.nanmean(tight.channels["u_x"]) < np.nanmean(loose.channels["u_x"])


def test_corrected_scan_lies_between_those_of_both_models() -> None:
    before, after = models()
    widths = [np.ptp(one.correct(scan()).fast) for one in (before, after)]
    found = Between(before, after).correct(scan())
    assert found.frame_of_reference == "true"
    step = found.fast[1] - found.fast[0]
    assert widths[0] - 2 * step < np.ptp(found.fast) < widths[1] + 2 * step
    assert {"height", "u_x", "u_y", "u_height"} <= set(found.channels)
    assert found.attributes["model_sha256"] == before.sha256
    assert found.attributes["model_after_sha256"] == after.sha256


def test_both_truths_are_covered() -> None:
    """Whichever of both models is right, the scale lies within k = 2."""
    for one in Between(*models()).said(scan()).values:
        assert abs(one.value - one.before) <= 2 * one.u
        assert abs(one.value - one.after) <= 2 * one.u


def test_what_does_not_lie_between_is_refused() -> None:
    before, after = models()
    both = Between(before, after)
    for moment, side in ((both.since - timedelta(days=1), "before"), (both.until + timedelta(days=1), "after")):
        with pytest.raises(ModelError, match=f"model from {side}"):
            both.said(scan().replace(started=moment))
    with pytest.raises(ModelError, match="does not say when"):
        both.said(scan().replace(started=None))
    with pytest.raises(ModelError, match="time zone"):
        both.said(scan().replace(started=(both.since + timedelta(days=1)).replace(tzinfo=None)))
    with pytest.raises(ModelError, match="earlier model first"):
        Between(after, before)
    with pytest.raises(ModelError, match="different scanners"):
        Between(before, after.replace(scanner="another"))
    with pytest.raises(ModelError, match="does not say when its scans"):
        Between(before.replace(domain=replace(before.domain, first="", last="")), after)
    with pytest.raises(ModelError, match="does not fit"):
        both.said(scan(), length=1e-3)


def test_command(tmp_path) -> None:
    paths = [tmp_path / name for name in ("before.json", "after.json", "sample.nc", "late.nc")]
    for model, path in zip(models(), paths[:2], strict=True):
        model.save(path)
    write_scan(paths[2], scan())
    write_scan(paths[3], scan().replace(started=scan().started + timedelta(days=100)))
    command = ["between", *map(str, paths[:3]), "-o", str(tmp_path / "out"), "--json"]
    result = CliRunner().invoke(app, command)
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["scans"][0]["values"][0]["name"] == "scale x"
    assert {"u_x", "u_y", "u_height"} <= set(read_scan(tmp_path / "out" / "sample.nc").channels)
    assert CliRunner().invoke(app, ["between", *map(str, paths)]).exit_code == 4
    assert CliRunner().invoke(app, ["between", *map(str, paths[:2]), str(paths[3])]).exit_code == 2
