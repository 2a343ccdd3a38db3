"""Archives: many scans, in processes and on a cluster, stopped and started again, with bad ones among them."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure
from typer.testing import CliRunner, Result

import calib
from calib.archive import BatchResult, Stopped, correct_many
from calib.archive.sources import find
from calib.archive.task import Settings
from calib.cli import app
from calib.errors import CalibError
from calib.formats import _hdf5_file
from calib.formats._hdf5_guard import Guard
from calib.model import Model
from tests.demonstration import demonstrated


@cache
def small() -> calib.Scan:
    scan = calib.read_scan(demonstrated().folder / "sample.nc")
    fast, slow = scan.fast[::2], scan.slow[::2]
    return scan.replace(channels={"height": scan.height[:, ::2, ::2]}, fast=fast, slow=slow)


def model() -> Path:
    return demonstrated().folder / "model.json"


def archive(folder: Path, *names: str) -> Path:
    """Write scans under these names, each a little different."""
    for number, name in enumerate(names):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        scan = small()
        calib.write_scan(path, scan.replace(title=path.stem, channels={"height": scan.height + number * 1e-9}))
    return folder


def run(*words: str | Path, given: bytes | None = None) -> Result:
    return CliRunner().invoke(app, [str(word) for word in ("correct", *words)], prog_name="calib", input=given)


def results(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


def states(result: BatchResult) -> dict[str, str]:
    return {one.source.name: one.state for one in result.outcomes}


def times(folder: Path) -> dict[str, int]:
    return {name: (folder / name).stat().st_mtime_ns for name in results(folder)}


# --- which scans, and where to ---------------------------------------------------------------------


def test_folders_keep_their_structure_and_results_are_no_sources(tmp_path: Path) -> None:
    top = archive(tmp_path, "a/one.nc", "a/b/one.nc", "two.nc", ".hidden/three.nc")
    (top / "a" / "notes.txt").write_text("Nothing but words.\n")
    (top / "a" / "picture.png").write_bytes(b"\x89PNG")
    (top / "round").symlink_to(top, target_is_directory=True)
    for again in range(2):
        result = correct_many(top, model(), top / "out")
        assert results(top / "out") == ["a/b/one.nc", "a/one.nc", "two.nc"]
        assert (len(result.done), len(result.skipped)) == ((0, 3) if again else (3, 0))
        assert (result.passed_over, result.links) == (2, 1)


def test_results_are_those_of_the_model(tmp_path: Path) -> None:
    top = archive(tmp_path, "a.nc")
    correct_many(top / "a.nc", calib.load_model(model()), tmp_path / "out", uncertainty=True)
    found = calib.read_scan(tmp_path / "out" / "a.nc")
    expected = calib.load_model(model()).correct(calib.read_scan(top / "a.nc"), uncertainty=True)
    assert set(found.channels) == {"height", "u_x", "u_y", "u_height"}
    for name, values in expected.channels.items():
        np.testing.assert_allclose(found.channels[name], values, rtol=1e-9, atol=1e-18)


@pytest.mark.parametrize(
    ("pattern", "names"),
    [
        ("*.nc", ["a.nc"]),
        ("d*/*.nc", ["d1/b.nc", "d2/b.nc"]),
        ("**/b.nc", ["b.nc", "d1/b.nc", "d1/e/b.nc", "d2/b.nc"]),
        ("d1/**", ["b.nc", "e/b.nc"]),
        ("d?", ["d1/b.nc", "d1/e/b.nc", "d2/b.nc"]),
    ],
)
def test_patterns_keep_folders_below_the_first_wildcard(tmp_path: Path, pattern: str, names: list[str]) -> None:
    files = ["a.nc", "d1/b.nc", "d1/e/b.nc", "d2/b.nc"] + (["b.nc"] if "b.nc" in names and "**/" in pattern else [])
    for name in files:
        path = tmp_path / "in" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"\x89HDF\r\n\x1a\n")
    found = find([str(tmp_path / "in" / pattern)], tmp_path / "out", figures=False)
    assert not found.refused
    made = sorted(job.outputs[0].relative_to(tmp_path / "out").as_posix() for job in found.jobs)
    assert made == sorted(names)


def test_pattern_that_nothing_matches_and_empty_folder(tmp_path: Path) -> None:
    result = run(tmp_path / "*.nc", "--model", model(), "-o", tmp_path / "out")
    assert result.exit_code == 2
    assert "no file that matches" in result.stderr
    (tmp_path / "empty").mkdir()
    result = run(tmp_path / "empty", "--model", model(), "-o", tmp_path / "out")
    assert result.exit_code == 2
    assert "no scan among" in result.stderr


@pytest.mark.parametrize("separator", [b"\n", b"\0"])
def test_list_on_standard_input(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, separator: bytes) -> None:
    archive(tmp_path, "in/d1/a.nc", "in/d2/a.nc")
    monkeypatch.chdir(tmp_path)
    names = [b"in/d1/a.nc", os.fsencode(tmp_path / "in" / "d2" / "a.nc"), b"../elsewhere.nc"]
    result = run("-", "--model", model(), "-o", "out", given=separator.join(names))
    assert result.exit_code == 4, result.output
    assert results(tmp_path / "out") == ["a.nc", "in/d1/a.nc"]
    assert "no file ../elsewhere.nc" in result.stderr


# --- again, with something changed -----------------------------------------------------------------


def test_only_what_is_not_done_is_done(tmp_path: Path) -> None:
    top, out = archive(tmp_path / "in", "a.nc", "b.nc"), tmp_path / "out"
    assert run(top, "--model", model(), "-o", out).exit_code == 0
    before = times(out)
    archive(top, "c.nc")
    result = run(top, "--model", model(), "-o", out, "--force")
    assert result.exit_code == 0
    assert [line.split()[-1] for line in result.stdout.splitlines() if line.startswith("done before")] == ["2"]
    assert {name: when for name, when in times(out).items() if name != "c.nc"} == before


@pytest.mark.parametrize("changed", ["source", "model", "options"])
def test_changed_scan_model_or_options_need_force(tmp_path: Path, changed: str) -> None:
    top, out = archive(tmp_path / "in", "a.nc"), tmp_path / "out"
    ours: Any = calib.load_model(model())
    options: dict[str, Any] = {}
    correct_many(top, ours, out)
    before = (out / "a.nc").read_bytes()
    if changed == "source":
        calib.write_scan(top / "a.nc", small(), force=True)
    elif changed == "model":
        ours = ours.replace(values=ours.values * 1.001)
    else:
        options = {"uncertainty": True}
    (one,) = correct_many(top, ours, out, **options).outcomes
    assert one.state == "refused"
    says = {"source": "has changed", "model": "another model", "options": "other options"}
    assert says[changed] in one.sentence
    assert "--force" in one.sentence
    assert (out / "a.nc").read_bytes() == before
    assert len(correct_many(top, ours, out, force=True, **options).done) == 1
    assert (out / "a.nc").read_bytes() != before
    assert len(correct_many(top, ours, out, **options).skipped) == 1


def test_half_done_is_done_again_and_old_leftovers_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("calib.report.figures.correction_figure", lambda scan, corrected: Figure())
    top, out = archive(tmp_path / "in", "a.nc"), tmp_path / "out"
    correct_many(top, model(), out, figures=True)
    (out / "a.png").unlink()
    old, young = out / f".{'0' * 16}.nc", out / f".{'1' * 16}.nc"
    for path in (old, young):
        path.write_bytes(b"half")
    os.utime(old, (time.time() - 3600,) * 2)
    assert len(correct_many(top, model(), out, figures=True).done) == 1
    assert results(out) == [young.name, "a.nc", "a.png"]
    assert len(correct_many(out, model(), tmp_path / "again").refused) == 1  # the result; what is hidden is no scan


# --- bad ones among good ones ----------------------------------------------------------------------


def test_bad_files_do_not_stop_the_others(tmp_path: Path) -> None:
    top = archive(tmp_path / "in", "a.nc", "b.nc", "c.nc")
    (top / "junk.nc").write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(100))
    (top / "empty.nc").write_bytes(b"")
    (top / "b.nc").write_bytes((top / "b.nc").read_bytes()[:3000])
    result = run(top, "--model", model(), "-o", tmp_path / "out", "--workers", "2")
    assert result.exit_code == 4, result.output
    assert results(tmp_path / "out") == ["a.nc", "c.nc"]
    assert len(result.stderr.splitlines()) == 3
    for name in ("junk.nc", "empty.nc", "b.nc"):
        assert name in result.stderr


@dataclass(frozen=True)
class Deadly:
    """Chooses a model, and ends its process at one scan as a fault in a library would."""

    model: Model
    only: Model | None = None

    def model_for(self, scan: calib.Scan) -> tuple[Model, str]:
        if scan.title == "deadly":
            os.kill(os.getpid(), signal.SIGSEGV)
        return self.model, "by hand"


@pytest.mark.skipif(sys.platform == "win32", reason="signals differ")
@pytest.mark.parametrize("workers", [1, 2])
def test_worker_that_dies_takes_only_its_scan_with_it(tmp_path: Path, workers: int) -> None:
    top = archive(tmp_path / "in", "a.nc", "b.nc", "deadly.nc", "z.nc")
    result = correct_many(top, Deadly(calib.load_model(model())), tmp_path / "out", workers=workers)
    assert states(result) == {"a.nc": "done", "b.nc": "done", "deadly.nc": "refused", "z.nc": "done"}
    assert "SIGSEGV" in result.refused[0].sentence
    assert results(tmp_path / "out") == ["a.nc", "b.nc", "z.nc"]


@pytest.mark.skipif(sys.platform != "linux", reason="only there files are walked through first")
def test_process_that_walks_through_files_may_die(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("calib.formats._hdf5_guard._FEW", 0)
    path = archive(tmp_path, "a.nc") / "a.nc"
    guard = Guard()
    try:
        assert guard.bears(path)
        process = guard._process
        assert process is not None
        assert guard.bears(path)
        assert guard._process is process  # it stays
        process.kill()
        process.wait()
        assert not guard.bears(path)  # so that a copy of this process has to decide
        assert guard.bears(path)
        assert guard._process is not process
    finally:
        guard.end()


@pytest.mark.skipif(sys.platform != "linux", reason="only there files are walked through first")
def test_what_the_process_is_not_sure_of_is_decided_as_ever(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = archive(tmp_path, "a.nc") / "a.nc"
    asked: list[Path] = []

    class Unsure:
        def bears(self, path: Path) -> bool:
            asked.append(path)
            return False

    monkeypatch.setattr(_hdf5_file, "_guard", Unsure())
    assert calib.read_scan(path).shape == small().shape
    monkeypatch.setattr(_hdf5_file, "_code_of_walk", lambda path: -11)
    with pytest.raises(CalibError, match="can't bear"):
        _hdf5_file.check(archive(tmp_path, "b.nc") / "b.nc")
    assert len(asked) == 2


def test_nothing_is_written_outside_of_the_folder(tmp_path: Path) -> None:
    top, out = archive(tmp_path / "in", "d/a.nc", "b.nc"), tmp_path / "out"
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "b.nc").write_bytes(b"mine")
    out.mkdir()
    (out / "d").symlink_to(tmp_path / "elsewhere", target_is_directory=True)
    (out / "b.nc").symlink_to(tmp_path / "elsewhere" / "b.nc")
    result = correct_many(top, model(), out, force=True)
    assert ["leads out of" in one.sentence for one in result.outcomes] == [True, True]
    assert results(tmp_path / "elsewhere") == ["b.nc"]
    assert (tmp_path / "elsewhere" / "b.nc").read_bytes() == b"mine"


# --- stopped ---------------------------------------------------------------------------------------


@pytest.mark.skipif(sys.platform == "win32", reason="signals differ")
@pytest.mark.parametrize(
    ("signal_number", "workers", "times_asked"), [(signal.SIGINT, 2, 1), (signal.SIGTERM, 1, 1), (signal.SIGINT, 2, 2)]
)
def test_stopped_batch_leaves_whole_files_and_goes_on(
    tmp_path: Path, signal_number: int, workers: int, times_asked: int
) -> None:
    top, out = archive(tmp_path / "in", "s00.nc"), tmp_path / "out"
    for number in range(1, 20):
        shutil.copy(top / "s00.nc", top / f"s{number:02}.nc")
    words = ["correct", str(top), "--model", str(model()), "-o", str(out), "--workers", str(workers)]
    code = [sys.executable, "-c", "from calib.cli import main; main()", *words]
    process = subprocess.Popen(code, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    while process.poll() is None and not (out.exists() and len(list(out.glob("s*.nc"))) >= 3):
        time.sleep(0.01)
    for _ in range(times_asked):
        process.send_signal(signal_number)
        time.sleep(0.02)  # or the system makes one of two
    _, told = process.communicate(timeout=60)
    assert process.returncode == 130, told
    assert "of 20 scans are dealt with" in told
    assert "goes on from here" in told
    first = times(out)
    assert 3 <= len(first) < 20
    assert all(name.startswith("s") for name in first)
    for name in first:
        assert calib.read_scan(out / name).frame_of_reference == "true"
    result = correct_many(top, model(), out)
    assert (len(result.skipped), len(result.done)) == (len(first), 20 - len(first))
    assert first.items() <= times(out).items()


def test_stopped_in_python(tmp_path: Path) -> None:
    top = archive(tmp_path / "in", *(f"{letter}.nc" for letter in "abcdef"))
    seen = []

    def progress(one: calib.archive.Outcome, dealt: int, total: int) -> None:
        seen.append((one.source.name, dealt, total))
        if dealt == 2:
            raise KeyboardInterrupt

    with pytest.raises(Stopped) as stop:
        correct_many(top, model(), tmp_path / "out", progress=progress)
    assert seen[:2] == [("a.nc", 1, 6), ("b.nc", 2, 6)]
    assert len(seen) <= 3  # the one that was begun
    assert states(stop.value.result) == {name: "done" for name, _, _ in seen}
    assert stop.value.result.total == 6


# --- a cluster -------------------------------------------------------------------------------------


@contextmanager
def cluster() -> Iterator[Any]:
    """A scheduler that is reached over the network, and one worker."""
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=1,
        threads_per_worker=1,
        processes=False,  # the scans are corrected by processes beside it
        protocol="tcp",
        host="127.0.0.1",
        scheduler_kwargs={"dashboard": False},
    ) as running:
        yield running


@pytest.mark.filterwarnings("default")
def test_cluster_does_the_same_and_survives_what_ends_a_process(tmp_path: Path) -> None:
    top = archive(tmp_path / "in", "a.nc", "d/b.nc", "deadly.nc")
    (top / "bad.nc").write_bytes(b"")
    chooser = Deadly(calib.load_model(model()))
    with cluster() as running:
        for again in range(2):
            result = correct_many(top, chooser, tmp_path / "out", scheduler=running.scheduler_address)
            state = "skipped" if again else "done"
            assert states(result) == {"a.nc": state, "b.nc": state, "bad.nc": "refused", "deadly.nc": "refused"}
    assert any("SIGSEGV" in one.sentence for one in result.refused)
    assert results(tmp_path / "out") == ["a.nc", "d/b.nc"]
    correct_many(top / "a.nc", model(), tmp_path / "here")
    here, there = (calib.read_scan(tmp_path / name / "a.nc") for name in ("here", "out"))
    # one of them may be compiled by now: the same to rounding
    np.testing.assert_allclose(there.height, here.height, rtol=0, atol=1e-18)


@pytest.mark.filterwarnings("default")
def test_cluster_that_loses_its_last_worker_is_not_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("calib.archive.cluster._DESERTED", 0.1)
    monkeypatch.setattr("calib.archive.cluster._LOOK", 0.1)
    top = archive(tmp_path / "in", "a.nc", "b.nc", "c.nc")
    with cluster() as running:

        def leave(one: calib.archive.Outcome, dealt: int, total: int) -> None:
            if dealt == 1:
                running.scale(0)

        result = correct_many(top, model(), tmp_path / "out", scheduler=running.scheduler_address, progress=leave)
    assert len(result.outcomes) == 3
    assert result.outcomes[0].state == "done"
    assert result.refused
    assert all("has no workers any more" in one.sentence for one in result.refused)
    assert {one.outputs[0].name for one in result.done} <= set(results(tmp_path / "out"))


def test_missing_cluster_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    top = archive(tmp_path / "in", "a.nc")
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(CalibError, match=r"calib-raster\[cluster\]"):
        correct_many(top, model(), tmp_path / "out", scheduler="tcp://127.0.0.1:1")


@pytest.mark.filterwarnings("default")
def test_cluster_that_does_not_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("calib.archive.cluster._PATIENCE", 0.3)
    top = archive(tmp_path / "in", "a.nc")
    with pytest.raises(CalibError, match="does not answer"):
        correct_many(top, model(), tmp_path / "out", scheduler="tcp://127.0.0.1:9")


def test_settings_that_change_the_result_are_told_apart(tmp_path: Path) -> None:
    ours: Model = calib.load_model(model())
    one: Any = type("Chooser", (), {"only": ours})()
    plain = Settings(tmp_path, one)
    assert plain.text == Settings(tmp_path / "other", one, figures=True, force=True, despite=True).text
    texts = {
        Settings(tmp_path, one, **more).text
        for more in ({"uncertainty": True}, {"channel": "a"}, {"given": {"unit": "nm"}})
    }
    assert len(texts | {plain.text}) == 4
