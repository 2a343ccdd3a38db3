"""Cross-check by halves: it agrees where it should, notices a scanner that changed, and says when it can't tell."""

from __future__ import annotations

import json
from functools import cache

import numpy as np
import pytest
from typer.testing import CliRunner

from calib.cli import app
from calib.comparing import expected_range
from calib.crosscheck import WORSE, CrossCheck, cross_check
from calib.errors import ModelError
from calib.observe.lateral import LateralObservation
from calib.report.crosscheck_figure import crosscheck_figure
from calib.report.style import save_figure
from tests.foreign import ForeignInstrument
from tests.instruments import calibrated
from tests.nodes import frames, model_of, observed


@cache
def session() -> tuple[LateralObservation, ...]:
    instrument = ForeignInstrument(1, loop=0.06)
    return tuple(observed(instrument, scan, seed=k, spacing=2e-6) for k, scan in enumerate(frames(instrument)))


@cache
def healthy() -> CrossCheck:
    return cross_check(model_of(list(session())))


def changed(labels: tuple[str, ...]) -> list[LateralObservation]:
    """Return the session, with some frames by a scanner that moves 1 % further."""
    instrument = ForeignInstrument(1, loop=0.06)
    return [
        observed(instrument, scan, seed=k, spacing=2e-6, scale=1.01 if scan.title in labels else 1.0)
        for k, scan in enumerate(frames(instrument))
    ]


def test_healthy_session_agrees() -> None:
    check = healthy()
    assert check.agree
    assert 0 < check.rms <= check.range[1]
    assert check.range[0] < 1 < check.range[1]
    assert max(check.worse) < WORSE
    assert sorted(label for half in check.halves for label in half) == sorted(one.label for one in session())
    assert "certificates" in check.sentence()


def test_rigid_motion_is_taken_out() -> None:
    for frame in healthy().frames:
        difference = frame.difference.reshape(2, -1)
        x, y = frame.position.reshape(2, -1) - frame.position.reshape(2, -1).mean(axis=1, keepdims=True)
        scale = np.abs(difference).sum()
        assert np.abs(difference.sum(axis=1)).max() < 1e-9 * scale
        assert abs(x @ difference[1] - y @ difference[0]) < 1e-6 * scale * np.abs(x).max()


def test_foreign_instrument_agrees_from_its_model_file(tmp_path) -> None:
    _, model = calibrated(0, 0.06)
    path = tmp_path / "model.json"
    model.save(path)
    picture = tmp_path / "halves.svg"
    result = CliRunner().invoke(app, ["crosscheck", str(path), "-o", str(picture), "--json"])
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["agree"] is True
    assert told["rms_ratio"] < told["range"][1]
    assert len(told["halves"][0]) + len(told["halves"][1]) == 7
    assert picture.stat().st_size > 10_000


def test_changed_scanner_is_noticed() -> None:
    check = cross_check(model_of(changed(healthy().halves[1])))
    assert check.halves == healthy().halves
    assert check.agree is False
    assert check.rms > 1.5 * check.range[1]
    # 1 % of a straight frame: the difference is that of the scales
    frame = check.frames[0]
    slope = np.polyfit(frame.position[0].ravel(), frame.difference[0].ravel(), 1)[0]
    assert slope == pytest.approx(-0.01, abs=0.002)
    assert "more than predicted" in check.sentence()


def test_swapping_the_halves_changes_the_sign_alone() -> None:
    first = [k for k, one in enumerate(session()) if one.label in healthy().halves[1]]
    swapped = cross_check(model_of(list(session())), first=first)
    assert swapped.halves == healthy().halves[::-1]
    assert swapped.rms == pytest.approx(healthy().rms, rel=1e-9)
    assert swapped.range == pytest.approx(healthy().range, rel=1e-9)
    for one, other in zip(swapped.frames, healthy().frames, strict=True):
        np.testing.assert_allclose(one.difference, -other.difference, rtol=1e-9, atol=1e-18)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_too_few_scans(count: int, tmp_path) -> None:
    model = model_of(list(session()[:count]))
    check = cross_check(model)
    assert check.agree is None
    assert ("is one scan" if count == 1 else f"are {count} scans") in check.reason
    assert "add" in check.sentence()
    path = tmp_path / "model.json"
    model.save(path)
    result = CliRunner().invoke(app, ["crosscheck", str(path), "-o", str(tmp_path / "none.png")])
    assert result.exit_code == 3
    assert not (tmp_path / "none.png").exists()
    with pytest.raises(ModelError, match="no picture"):
        crosscheck_figure(check)


def test_half_without_large_scans_is_not_determined() -> None:
    check = cross_check(model_of(list(session())), first=[4, 5])  # two small frames in opposite corners
    assert check.agree is None
    assert max(check.worse) > WORSE
    assert "not determined" in check.reason


def test_bad_halves_are_refused() -> None:
    model = model_of(list(session()))
    for first in ([], list(range(10)), [10]):
        with pytest.raises(ModelError, match="first half"):
            cross_check(model, first=first)
    with pytest.raises(ModelError, match="nothing to split"):
        cross_check(model.replace(observations=()))


def test_range_of_independent_and_of_common_ratios() -> None:
    """Quantiles of chi-squared (NIST/SEMATECH e-Handbook, 1.3.6.7.4: 1 dof 0.001, 5.024; 10 dof 3.247, 20.483)."""
    low, high = expected_range(np.full(10, 0.1))
    assert (low, high) == pytest.approx((np.sqrt(0.3247), np.sqrt(2.0483)), rel=0.01)
    low, high = expected_range(np.array([1.0, 0.0, 0.0]))
    assert high == pytest.approx(np.sqrt(5.024), rel=0.02)
    assert low == pytest.approx(np.sqrt(0.001), abs=0.005)


def test_figure_says_what_the_check_says(tmp_path) -> None:
    import matplotlib.text

    figure = crosscheck_figure(healthy())
    words = "\n".join(text.get_text() for text in figure.findobj(matplotlib.text.Text))
    assert f"{healthy().rms:.2f} times" in words.replace("\n", " ")
    assert "x, trace" in words
    assert "y, retrace" in words
    save_figure(figure, tmp_path / "halves.png")


def test_command_refuses_what_it_cannot_use(tmp_path) -> None:
    run = CliRunner().invoke
    path = tmp_path / "model.json"
    model_of(list(session()[:2])).save(path)
    assert run(app, ["crosscheck", str(tmp_path / "nothing.json")]).exit_code == 2
    assert run(app, ["crosscheck", str(path), "--first-half", "a"]).exit_code == 2
    assert run(app, ["crosscheck", str(path), "--first-half", "7"]).exit_code == 2
    assert run(app, ["crosscheck", str(path), "-o", str(tmp_path / "a.txt")]).exit_code == 2
