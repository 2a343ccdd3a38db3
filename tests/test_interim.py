"""Interim checks: what a quick scan says of a scanner that has changed, or not."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from calib.errors import CalibError, FileError, ScanError
from calib.scan import Scan
from calib.verification import Interim, interim, load_interim
from calib.verification.series import Look
from tests.instruments import calibrated, grid, step

MATTERS = 0.003


@cache
def taken(seed: int, scale: float, rotation: float = 0.0) -> Scan:
    """Return a scan of the grid of the calibration, as a scanner sees it whose scales have changed."""
    instrument, _ = calibrated(0, 0.06)
    session = instrument.session()
    session.frame(20e-6)
    frame = session.frame(20e-6, line_period=0.7, rotation=rotation, title=f"quick {seed}")
    # a scanner that moves further sees a smaller grid: the same pixels show more of it
    return instrument.record(instrument.grid(pitch=2e-6 / scale), frame, seed).scan


def test_an_unchanged_scanner_is_where_the_model_says() -> None:
    """Each scan tells the axis that it sweeps fast; the slow one is as unsure as what went before the frame."""
    _, model = calibrated(0, 0.06)
    first = interim(model, taken(1, 1.0), grid(), matters=MATTERS)
    assert first.answer == "need more", first.summary()
    assert first.judgements["amplification_x"].answer == "yes"
    found = interim(model, taken(4, 1.0, np.pi / 2), grid(), [first], matters=MATTERS)
    assert found.answer == "yes", found.summary()
    assert "yes: the scanner is where the model says" in found.summary()[0]
    assert not found.independent


@pytest.mark.parametrize("scale", [1.003, 0.997])
def test_a_change_of_scale_is_found(scale: float) -> None:
    _, model = calibrated(0, 0.06)
    found = interim(model, taken(1, scale), grid(), matters=MATTERS)
    assert found.answer == "no", found.summary()
    assert found.judgements["amplification_x"].answer == "no"
    assert found.looks[0].deviation["amplification_x"] == pytest.approx(1 / scale - 1, abs=3e-4)


def test_more_scans_are_asked_for_and_count(tmp_path: Path) -> None:
    _, model = calibrated(0, 0.06)
    first = interim(model, taken(1, 1.0), grid())
    assert first.answer == "need more"
    assert first.hopeless  # of the slow axis the model itself says too little for 0.1 %
    assert any("More scans like these will hardly help" in line for line in first.summary())
    first.save(tmp_path / "1.json")
    again = load_interim(tmp_path / "1.json")
    assert again.to_dict() == first.to_dict()
    second = interim(model, taken(2, 1.0), grid(), [again])
    assert [look.scan for look in second.looks] == ["quick 1", "quick 2"]
    for name, one in second.judgements.items():
        assert first.looks[0].u_common[name] <= one.u <= first.judgements[name].u * 1.05
    third = interim(model, taken(3, 1.0), grid(), [again, second])
    assert len(third.looks) == 3  # none counts twice


def test_what_does_not_belong_together_is_refused(tmp_path: Path) -> None:
    _, model = calibrated(0, 0.06)
    first = interim(model, taken(1, 1.0), grid())
    with pytest.raises(CalibError, match="counts already"):
        interim(model, taken(1, 1.0), grid(), [first])
    with pytest.raises(CalibError, match="another model"):
        interim(model.replace(covariance=2 * model.covariance), taken(2, 1.0), grid(), [first])
    with pytest.raises(CalibError, match="keeps to one standard"):
        interim(model, taken(2, 1.0), grid(name="another"), [first])
    with pytest.raises(ScanError, match="needs a scan of a grid"):
        interim(model, taken(2, 1.0), step())
    (tmp_path / "x.json").write_text('{"format": "calib interim check", "version": "1.0"}', "utf-8")
    with pytest.raises(FileError, match="damaged interim check"):
        load_interim(tmp_path / "x.json")


def test_quantities_share_the_false_alarm() -> None:
    """One that is off by a little more than its own level allows does not alarm among four."""

    def answer(names: tuple[str, ...]) -> str:
        off = {name: (2.75e-3 if name == names[0] else 0.0) for name in names}
        look = Look("scan", "", "", off, dict.fromkeys(names, 0.6e-3), dict.fromkeys(names, 0.0))
        return Interim((look,), 3e-3, 0.05, 0.05, "grid", "grid", "", "", True).judgements[names[0]].answer

    alone = Interim(
        (Look("scan", "", "", {"ratio": 2.0e-3}, {"ratio": 0.6e-3}, {"ratio": 0.0}),),
        3e-3, 0.05, 0.05, "grid", "grid", "", "", True,
    )  # fmt: skip
    assert alone.judgements["ratio"].answer == "no"
    names = ("ratio", "amplification_x", "amplification_y", "perpendicularity")
    four = Look("scan", "", "", dict.fromkeys(names, 2.0e-3), dict.fromkeys(names, 0.6e-3), dict.fromkeys(names, 0.0))
    among = Interim((four,), 3e-3, 0.05, 0.05, "grid", "grid", "", "", True)
    assert among.judgements["ratio"].answer == "need more"
    assert answer(names) == "no"
