"""Two models compared: nothing differs from itself, swapping flips signs, what is common drops out."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

import calib
from calib.cli import app
from calib.compared import CHANGED, SAME, UNDECIDED, compare
from calib.errors import CalibError, FileError, ModelError
from calib.model import Model
from tests.benchmarks.changes import calibrated as calibrated_again
from tests.benchmarks.changes import trial
from tests.instruments import calibrated


def model() -> Model:
    return calibrated(0, 0.06)[1]


def moved(relative: tuple[float, ...], bending: float = 0.0) -> Model:
    """Return the model with scale x, scale y, skew and z gain changed, and all the rest of it a little."""
    values, height = model().values.copy(), model().height
    values[:2] *= 1 + np.array(relative[:2])
    values[2] += relative[2]
    values[3:] *= 1 + bending
    gain = height.values.copy()
    gain[0] *= 1 + relative[3]
    return model().replace(values=values, height=replace(height, values=gain))


small = st.floats(-0.01, 0.01)


@settings(max_examples=2, deadline=None)
@given(small, small, small)
def test_a_model_does_not_differ_from_itself(x: float, y: float, bending: float) -> None:
    one = moved((x, y, 0.0, x), bending)
    found = compare(one, one)
    assert found.verdict != CHANGED
    assert [q.difference for q in (*found.quantities, *found.distances, found.step)] == [0.0] * (
        len(found.quantities) + 3
    )
    assert all(q.p == 1 for q in found.quantities)
    assert found.largest()[0] == found.rms() == 0
    assert any("same model" in note for note in found.notes)


@settings(max_examples=2, deadline=None)
@given(small, small, small, small, small)
def test_swapping_flips_signs_only(x: float, y: float, skew: float, gain: float, bending: float) -> None:
    other = moved((x, y, skew, gain), bending)
    there, back = compare(model(), other), compare(other, model())
    assert there.verdict == back.verdict
    assert there.not_compared
    pairs = [
        *zip(there.quantities, back.quantities, strict=True),
        *zip(there.distances, back.distances, strict=True),
        (there.step, back.step),
    ]
    for one, opposite in pairs:
        assert one.difference == -opposite.difference
        assert one.u == pytest.approx(opposite.u, rel=1e-9)
        assert (one.first, one.second) == (opposite.second, opposite.first)
        assert one.p == pytest.approx(opposite.p, rel=1e-3, abs=1e-12, nan_ok=True)
        assert one.changed == opposite.changed
    assert there.map.rms == pytest.approx(back.map.rms, rel=1e-6)
    for one, opposite in zip(there.map.frames, back.map.frames, strict=True):
        np.testing.assert_allclose(one.difference, -opposite.difference, rtol=1e-6, atol=1e-17)


def test_quantities_are_those_that_a_model_shows() -> None:
    found = {one.name: one for one in compare(model(), model()).quantities}
    for axis, name in enumerate("xy"):
        value, _ = model().scale(axis, model().domain.sizes[1], rotation=axis * np.pi / 2)
        assert found[f"scale {name}"].first == pytest.approx(value, abs=1e-3)
    assert found["skew"].first == pytest.approx(model()["skew"].value, abs=3e-3)
    assert found["z gain"].first == model()["z_gain"].value
    # its scans don't say where in the z range they were taken
    u = np.hypot(model()["z_gain"].u, model().height.unknown_gain())
    assert found["z gain"].u_first == pytest.approx(u, rel=1e-6)
    assert found["loop x"].first == pytest.approx(-0.06 * 20e-6, rel=0.15)


def test_a_change_of_one_scale_is_found_there_and_said_in_words() -> None:
    found = compare(model(), moved((0.006, 0.0, 0.0, 0.0)))
    assert found.verdict == CHANGED
    assert [one.name for one in found.quantities if one.changed] == ["scale x"]
    longer = found.distances[0]
    # nearly: creep and bending make the local scale another than the mean one
    assert longer.difference == pytest.approx(0.006 * 10e-6, rel=0.1)
    assert "longer" in found.means()[0]
    assert found.distances[1].difference == pytest.approx(0, abs=0.05 * longer.difference)
    assert "scale x" in found.sentence()
    frame = found.map.frames[0]
    slope = np.polyfit(frame.position[0].ravel(), frame.difference[0].ravel(), 1)[0]
    assert slope == pytest.approx(0.006, rel=0.1)


def test_a_step_that_became_higher() -> None:
    found = compare(model(), moved((0.0, 0.0, 0.0, 0.1)), height=200e-9)
    assert [one.name for one in found.quantities if one.changed] == ["z gain"]
    assert found.step is not None
    assert found.step.difference == pytest.approx(0.1 * 200e-9 * model()["z_gain"].value, rel=1e-6)
    assert "higher" in found.means()[2]


def test_what_rounds_to_zero_has_no_direction_and_small_p_no_equals_sign() -> None:
    found = compare(model(), moved((0.006, 0.0, 0.0, 0.0)))
    hardly = replace(found, distances=tuple(replace(one, difference=-1e-14, u=4e-9) for one in found.distances))
    assert hardly.means()[0].endswith("along x is the same (± 8 nm, k = 2)")
    text = "\n".join(found.lines())
    assert "(p < 0.001)" in text
    assert "= <" not in text


def test_what_the_same_certificate_leaves_open_drops_out() -> None:
    # half of the covariance is the certificate's
    root = np.linalg.cholesky(model().covariance + 1e-30 * np.eye(len(model().values)))
    part = root[:, :3] / np.sqrt(2)
    (identity,) = model().certificates
    bound = model().replace(certificates={identity: part})
    free = model().replace(certificates={})
    tight, loose = compare(bound, bound), compare(free, free)
    for one, other in zip(tight.quantities[:2], loose.quantities[:2], strict=True):
        assert one.u < other.u
        assert one.u_first == pytest.approx(other.u_first, rel=1e-9)
    assert tight.map.sizes[1] < loose.map.sizes[1]
    assert any("drops out" in note for note in tight.notes)
    assert any("counted in both" in note for note in loose.notes)


def test_what_matters_decides_whether_nothing_found_is_nothing_there() -> None:
    assert compare(model(), model(), matters=0.05).verdict == SAME
    found = compare(model(), model(), matters=1e-4)
    assert found.verdict == UNDECIDED
    assert len(found.unsure) == 3
    assert "could hide" in found.sentence()


def test_models_that_cannot_be_compared() -> None:
    other = model().replace(scanner="another")
    with pytest.raises(ModelError, match="different scanners"):
        compare(model(), other)
    assert any("different scanners" in note for note in compare(model(), other, any_scanner=True).notes)
    settings_ = [model().replace(controller={"gain": value}) for value in (1.0, 2.0)]
    assert any("gain: 2.0 in place of 1.0" in note for note in compare(*settings_).notes)
    with pytest.raises(ModelError, match="does not fit"):
        compare(model(), model(), length=1e-3)
    with pytest.raises(ModelError, match="larger than zero"):
        compare(model(), model(), height=-1.0)
    height = replace(model().height, determined=False)
    found = compare(model(), model().replace(height=height))
    assert found.step is None
    assert "nothing can be said" in found.means()[2]
    assert any(one.startswith("z gain, since") for one in found.not_compared)


def test_file_and_command(tmp_path) -> None:
    a, b = tmp_path / "a.json", tmp_path / "b.json"
    model().save(a)
    moved((0.006, 0.0, 0.0, 0.0)).save(b)
    saved, picture = tmp_path / "change.json", tmp_path / "change.svg"
    command = ["compare", str(a), str(b), "--save", str(saved), "-o", str(picture), "--json"]
    result = CliRunner().invoke(app, command)
    assert result.exit_code == 1, result.output
    told = json.loads(result.stdout)
    assert told["verdict"] == CHANGED
    assert calib.load_comparison(saved).to_dict() == told
    assert "scale x" in picture.read_text()
    assert CliRunner().invoke(app, ["compare", str(a), str(a), "--matters", "5 %"]).exit_code == 0
    assert CliRunner().invoke(app, ["compare", str(a), str(a), "--matters", "0.01 %"]).exit_code == 3
    assert CliRunner().invoke(app, ["compare", str(a), str(a), "--distance", "10"]).exit_code == 2
    assert CliRunner().invoke(app, ["compare", str(a), str(a), "-o", str(tmp_path / "x.txt")]).exit_code == 2
    with pytest.raises(FileError, match="no comparison"):
        calib.load_comparison(a)
    saved.write_text(json.dumps({**told, "map": None}))
    with pytest.raises(CalibError, match="damaged"):
        calib.load_comparison(saved)


def test_a_changed_chip_is_found_and_an_unchanged_one_is_not() -> None:
    # the same in small as tests/benchmarks/changes.py does on 500 instruments
    same, changed = trial(3)
    assert not same.changed
    assert changed.quantities[0].changed
    # the scanner that really moves further gives what the scaled model does
    really = compare(calibrated_again(3, 0), calibrated_again(3, 1, change=0.003))
    assert really.quantities[0].changed
    assert really.quantities[0].difference == pytest.approx(changed.quantities[0].difference, abs=1e-4)
