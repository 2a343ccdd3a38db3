"""Histories: reading and filing, what was valid when, choosing a model, doubtful scans."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calib.errors import FileError, ModelError
from calib.history import file_into, read_history
from calib.history.doubtful import judge
from calib.history.timeline import AGE, FAILED, NEXT, warnings
from calib.model import Model
from calib.scan import Scan
from tests.instruments import calibrated

START = datetime(2026, 1, 5, 9, tzinfo=UTC)
DAY = 86400.0


def day(number: float) -> datetime:
    return START + timedelta(days=number)


def small() -> Model:
    """Return a model without the observations that make files large."""
    _, model = calibrated(0, 0.06)
    return model.replace(observations=model.observations[:1])


def dated(number: float, **changes: Any) -> Model:
    model = small()
    domain = replace(model.domain, first=day(number - 0.1).isoformat(), last=day(number).isoformat())
    changes = {"scanner": "bench", "created": day(number + 0.1).isoformat(), **changes}
    # every model has a hash of its own
    return model.replace(domain=domain, quality={**model.quality, "number": number}, **changes)


def check(model: Model, number: float, verdict: str = "does not conform") -> dict[str, Any]:
    return {
        "format": "calib verification",
        "version": "1.0",
        "created": day(number).isoformat(),
        "standard": "grating",
        "scanner": model.scanner,
        "model_sha256": model.sha256,
        "verdict": verdict,
    }


def scan(number: float | None, **fields: Any) -> Scan:
    grid = np.linspace(-5e-6, 5e-6, 8)
    started = None if number is None else day(number)
    given = {"scanner": "bench", "started": started, "title": "sample", **fields}
    return Scan(channels={"height": np.zeros((1, 8, 8))}, fast=grid, slow=grid, **given)


# --- reading ---------------------------------------------------------------------------------------


def test_what_cannot_be_read_is_named_and_what_is_foreign_is_passed_over(tmp_path: Path) -> None:
    model = dated(0)
    good = file_into(tmp_path / "below", model)
    (tmp_path / "foreign.json").write_text('{"format": "something else"}')
    (tmp_path / "list.json").write_text("[1, 2]")
    (tmp_path / ".hidden.json").write_text("{")
    (tmp_path / "half.part").write_text("{")
    (tmp_path / "short.json").write_bytes(good.read_bytes()[:1000])
    (tmp_path / "damaged.json").write_text('{"format": "calib verification", "verdict": "conforms"}')
    (tmp_path / "copy.json").write_bytes(good.read_bytes())
    found = read_history(tmp_path)
    assert [record.sha256 for record in found.models] == [model.sha256]
    assert [one.path.name for one in found.unreadable] == ["damaged.json", "short.json"]
    assert all(str(one.path) in one.reason and one.reason.endswith(".") for one in found.unreadable)
    assert len(found.copies) == 1


def test_a_model_whose_content_was_changed_is_left_out(tmp_path: Path) -> None:
    path = file_into(tmp_path, dated(0))
    body = json.loads(path.read_text())
    body["created"] = day(5).isoformat()  # no part of the hash
    path.write_text(json.dumps(body))
    assert len(read_history(tmp_path).models) == 1
    body["parameters"][0]["value"] *= 1.001
    path.write_text(json.dumps(body))
    found = read_history(tmp_path)
    assert found.models == ()
    assert "was changed after it was written" in found.unreadable[0].reason


def test_a_folder_that_is_none_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="no folder"):
        read_history(tmp_path / "nowhere")


# --- filing ----------------------------------------------------------------------------------------


def test_filing_never_writes_over_a_file(tmp_path: Path) -> None:
    model = dated(0)
    path = file_into(tmp_path, model)
    assert path.name == f"bench_2026-01-05_model_{model.sha256[:12]}.json"
    assert file_into(tmp_path, model) == path
    other = file_into(tmp_path, model.replace(created=day(9).isoformat()))
    assert other != path
    assert path.is_file()
    assert sorted(tmp_path.iterdir()) == sorted([path, other])
    with pytest.raises(FileError, match="Only models and verifications"):
        file_into(tmp_path, {"format": "else"})


WRITER = """
import sys
from calib.history import file_into
for k in range(25):
    # the first ten are the same for all writers, the others are their own
    who = "all" if k < 10 else sys.argv[2]
    file_into(sys.argv[1], {"format": "calib verification", "created": "2026-01-05T09:00:00+00:00", "scanner": "bench",
        "model_sha256": f"{who} {k}", "verdict": "conforms", "filling": "x" * 200_000})
"""


def test_processes_that_write_at_once_lose_nothing_and_show_nothing_unfinished(tmp_path: Path) -> None:
    writers = [subprocess.Popen([sys.executable, "-c", WRITER, str(tmp_path), str(k)]) for k in range(4)]
    seen = 0
    while any(writer.poll() is None for writer in writers):
        found = read_history(tmp_path)
        assert found.unreadable == ()
        assert len(found.checks) >= seen
        seen = len(found.checks)
    assert [writer.returncode for writer in writers] == [0, 0, 0, 0]
    named = {one.model_sha256 for one in read_history(tmp_path).checks}
    assert named == {f"all {k}" for k in range(10)} | {f"{who} {k}" for who in range(4) for k in range(10, 25)}
    assert len(list(tmp_path.iterdir())) == 70  # and no rubbish


# --- what was valid when ---------------------------------------------------------------------------


def test_a_model_ends_with_the_next_with_a_failed_check_or_with_its_age(tmp_path: Path) -> None:
    models = [dated(0), dated(100), dated(200)]
    for model in models:
        file_into(tmp_path, model)
    file_into(tmp_path, check(models[1], 130))
    file_into(tmp_path, check(models[2], 210, "conforms"))
    (line,) = read_history(tmp_path).lines(valid_for=60 * DAY)
    assert [one.ended_by for one in line.validities] == [AGE, FAILED, AGE]
    assert [one.until for one in line.validities] == [day(60), day(130), day(260)]
    (line,) = read_history(tmp_path).lines()
    assert [one.ended_by for one in line.validities] == [NEXT, FAILED, ""]
    assert line.in_use(day(150)) is None
    assert line.in_use(day(999)) is line.validities[2]


def test_models_with_other_settings_or_scanners_do_not_end_each_other(tmp_path: Path) -> None:
    for model in (dated(0), dated(10, scanner="other"), dated(20, controller={"gain": 2}), dated(30)):
        file_into(tmp_path, model)
    found = read_history(tmp_path)
    assert found.scanners == ("bench", "other")
    assert [len(line.validities) for line in found.lines()] == [2, 1, 1]


def test_clocks_that_go_backwards_are_told(tmp_path: Path) -> None:
    early = dated(50, created=day(10).isoformat())
    file_into(tmp_path, early)
    file_into(tmp_path, check(early, 20, "conforms"))
    file_into(tmp_path, check(dated(7), 20, "conforms"))
    said = " ".join(warnings(read_history(tmp_path)))
    assert "before its last scan" in said
    assert "before the last scan of its model" in said
    assert "is not in the history" in said
    assert warnings(read_history(file_into(tmp_path / "fine", dated(0)).parent)) == ()


# --- choosing --------------------------------------------------------------------------------------


def test_the_model_that_was_valid_is_chosen_and_why(tmp_path: Path) -> None:
    models = [dated(0), dated(100)]
    for model in models:
        file_into(tmp_path, model)
    history = read_history(tmp_path)
    for number, model in ((0, models[0]), (99.9, models[0]), (100, models[1]), (5000, models[1])):
        choice = history.model_for(scan(number))
        assert choice.record.sha256 == model.sha256
        assert choice.record.path.name in choice.why


@pytest.mark.parametrize(
    ("number", "fields", "said"),
    [
        (-1, {}, "holds only from"),
        (70, {}, "reached the end of its time"),
        (None, {}, "does not say when"),
        (1, {"scanner": "another"}, "is of 'bench'"),
        (1, {"controller": {"gain": 3}}, "other controller settings"),
        (1, {"centre_x": 1e-3}, "smaller area"),
        (1, {"frame_of_reference": "true"}, "corrected already"),
    ],
)
def test_a_scan_for_which_no_model_is_valid_is_refused(
    tmp_path: Path, number: float | None, fields: dict[str, Any], said: str
) -> None:
    file_into(tmp_path, dated(0, controller={"gain": 1}))
    with pytest.raises(ModelError, match=said) as refused:
        read_history(tmp_path).model_for(scan(number, **fields), valid_for=60 * DAY)
    assert str(refused.value).endswith(".")


def test_what_has_to_be_assumed_is_told(tmp_path: Path) -> None:
    file_into(tmp_path, dated(0, controller={"gain": 1}))
    notes = " ".join(read_history(tmp_path).model_for(scan(1, scanner=None)).notes)
    assert "does not name its scanner" in notes
    assert "controller settings" in notes
    file_into(tmp_path, dated(0, controller={"gain": 2}))
    with pytest.raises(ModelError, match="several with different controller settings"):
        read_history(tmp_path).model_for(scan(1))


# --- doubtful scans --------------------------------------------------------------------------------


def test_scans_since_the_last_good_check_are_in_doubt_after_a_failed_one(tmp_path: Path) -> None:
    model = dated(0)
    file_into(tmp_path, model)
    for number, verdict in ((20, "conforms"), (30, "can't be decided"), (40, "does not conform"), (50, "conforms")):
        file_into(tmp_path, check(model, number, verdict))
    ((validity,),) = [line.validities for line in read_history(tmp_path).lines()]
    standing = {number: judge(validity, day(number))[0] for number in (-1, 10, 25, 35, 45)}
    assert standing == {-1: "not valid then", 10: "fine", 25: "doubtful", 35: "doubtful", 45: "doubtful"}
    assert judge(validity, None)[0] == "doubtful"
    assert judge(None, day(1))[0] == "unknown model"
