from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner, Result

import calib
from calib import read_scan, write_scan
from calib.cli import app, main, verifying
from calib.cli.running import given
from calib.errors import CalibError
from calib.scan import Scan
from calib.simulate import Flat, Flaws, Grid, raster, record
from tests.demonstration import demonstrated

COMMANDS = (
    *("plan", "demo", "inspect", "calibrate", "crosscheck", "correct", "convert", "verify", "interim", "show"),
    "standards",
)
HEAVY = ("numpy", "scipy", "matplotlib", "lmfit", "pint", "h5py", "skimage", "xarray", "jsonschema")


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], prog_name="calib")


def refused(result: Result) -> str:
    """Check that input was refused as it has to be, and return the sentence."""
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    lines = [line for line in result.stderr.splitlines() if ": warning: " not in line]
    assert len(lines) == 1, result.stderr
    assert "Traceback" not in result.stderr
    assert re.search(r"[.?)]$", lines[0])
    return lines[0]


@pytest.fixture(scope="module")
def done() -> Path:
    """Return the folder of the demo, with its scans and its model."""
    return demonstrated().folder


def snapshot(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


# --- help, version, start-up -------------------------------------------------------------------------


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_examples(command: str) -> None:
    result = run(command, "--help")
    assert result.exit_code == 0
    head, _, tail = result.stdout.partition("Examples:")
    assert f"Usage: calib {command}" in head
    assert "--json" in head
    assert f"\n    calib {command}" in tail  # one example a line, not run together
    assert ("--force" in head) == (command != "standards")


@pytest.mark.parametrize("command", COMMANDS)
def test_options_in_examples_exist(command: str) -> None:
    head, _, tail = run(command, "--help").stdout.partition("Examples:")
    used = set(re.findall(r"(?<= )--?[a-z][a-z-]*", tail))
    assert used <= set(re.findall(r"--?[a-z][a-z-]*", head)), used


def test_help_of_the_whole_names_commands_and_exit_codes() -> None:
    result = run("-h")
    assert all(command in result.stdout for command in COMMANDS)
    assert "4 partly done" in " ".join(result.stdout.split())
    assert "..." not in result.stdout.partition("Commands:")[2]  # no summary is cut off


def test_version() -> None:
    assert run("--version").stdout == f"calib {calib.__version__}\n"


@pytest.mark.parametrize("words", [(), ("calib.cli",), ("calib.cli", "--help"), ("calib.cli", "show", "--help")])
def test_starting_imports_nothing_heavy(words: tuple[str, ...]) -> None:
    code = f"""
import sys
if {words!r}:
    import calib.cli
    sys.argv = ["calib", *{words[1:]!r}]
    try:
        if sys.argv[1:]:
            calib.cli.main()
    except SystemExit as stop:
        assert not stop.code, stop.code
print(*(set({HEAVY!r}) & set(sys.modules)), file=sys.stderr)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr.strip()) == (0, "")


def test_no_command_shows_help_and_is_a_mistake() -> None:
    result = run()
    assert result.exit_code == 2
    assert "Usage: calib" in result.output


@pytest.mark.parametrize("words", [("nothing",), ("calibrate",), ("show", "--nothing"), ("calibrate", "a.toml")])
def test_wrong_use_is_exit_code_2(words: tuple[str, ...]) -> None:
    result = run(*words)
    assert result.exit_code == 2
    assert "Usage:" in result.stderr


def test_shell_completion_knows_the_commands() -> None:
    env = {**os.environ, "_CALIB_COMPLETE": "complete_bash", "COMP_WORDS": "calib ins", "COMP_CWORD": "1"}
    done = subprocess.run(
        [sys.executable, "-c", "from calib.cli import main; main()"],
        env=env,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stdout.split() == ["inspect"]


# --- what commands find, for people and for scripts --------------------------------------------------


def as_json(*words: str | Path, code: int = 0) -> Any:
    result = run(*words, "--json")
    assert result.exit_code == code, result.output
    return json.loads(result.stdout)


def test_inspect(done: Path) -> None:
    result = run("inspect", done / "grid-up.nc", done / "sample.nc")
    assert result.exit_code == 0
    for words in ("20 µm x 20 µm", "96 x 96", "bench-1 chip 7", "21.5 °C", "44.9", "2026-03-02 09:00:00", "up"):
        assert words in result.stdout, words
    first, second = as_json("inspect", done / "grid-up.nc", done / "sample.nc")
    assert first["file"] == str(done / "grid-up.nc")
    assert first["metadata"]["line_period"] == 1.0
    assert first["points"] == [96, 96]
    assert isinstance(second["findings"], list)


def test_inspect_says_what_is_missing_and_how_to_give_it(tmp_path: Path) -> None:
    bare = tmp_path / "heights.csv"
    np.savetxt(bare, np.random.default_rng(0).normal(size=(32, 32)), delimiter=",")
    assert "unit" in refused(run("inspect", bare))
    size = ("--set", "pixel_size=50 nm", "--set", "unit=nm")
    result = run("inspect", bare, *size)
    assert result.exit_code == 0
    assert "how long a line took" in " ".join(result.stdout.split())
    assert "--set KEY=VALUE" in result.stdout
    kinds = {finding["kind"] for finding in as_json("inspect", bare, *size)[0]["findings"]}
    timed = {
        finding["kind"]
        for finding in as_json("inspect", bare, *size, "--set", "line_period=1 s", "--set", "turnaround=0 s")[0][
            "findings"
        ]
    }
    assert kinds - timed == {"no timing"}


def test_inspect_knows_the_standard(done: Path) -> None:
    fine = as_json("inspect", done / "grid-up.nc", "--standard", done / "grid.toml")
    wrong = as_json("inspect", done / "grid-up.nc", "--standard", "grid-5mm", code=2)
    assert all(finding["severity"] != "error" for finding in fine[0]["findings"])
    assert any(finding["severity"] == "error" for finding in wrong[0]["findings"])


def test_calibrate_and_show_agree(done: Path) -> None:
    shown = as_json("show", done / "model.json", "--parameters")
    assert shown["scanner"] == "bench-1 chip 7"
    assert {q["name"] for q in shown["quantities"]} == {"scale x", "scale y", "skew", "z gain"}
    assert len(shown["parameters"]) == len(calib.load_model(done / "model.json").parameters)
    text = run("show", done / "model.json").stdout
    for words in (
        "scale x",
        "± ",
        "(k = 2)",
        "Not determined:",
        "Grid D-1",
        "20 µm x 20 µm x 4 µm",
        "relative to the rest",
    ):
        assert words in text, words
    assert "All parameters:" not in text
    assert "hysteresis_x_0_" in run("show", done / "model.json", "--parameters").stdout


def test_no_number_is_shown_without_its_uncertainty(done: Path) -> None:
    for quantity in as_json("show", done / "model.json")["quantities"]:
        assert quantity["U"] == pytest.approx(2 * quantity["u"])
        assert quantity["u"] > 0


def test_calibrating_twice_gives_the_same_model(done: Path, tmp_path: Path) -> None:
    text = (done / "plan.toml").read_text("utf-8").replace('file = "', f'file = "{done.as_posix()}/')
    blocks = text.replace('standard = "', f'standard = "{done.as_posix()}/').split("\n\n")
    (tmp_path / "plan.toml").write_text("\n\n".join(blocks[:2]), "utf-8")
    found = [
        as_json("calibrate", tmp_path / "plan.toml", "-o", tmp_path / f"{name}.json", "--degree", "3", "--noise", noise)
        for name, noise in (("a", "residuals"), ("b", "residuals"), ("c", "known"))
    ]
    assert found[0]["sha256"] == found[1]["sha256"] != found[2]["sha256"]
    assert found[0]["quality"]["degree"] == 3
    model = json.loads((tmp_path / "a.json").read_text("utf-8"))
    assert model["provenance"]["command"].startswith("calib calibrate ")
    assert model["provenance"]["options"]["degree"] == 3
    assert len(model["provenance"]["options"]["plan_sha256"]) == 64
    assert all(len(item["sha256"]) == 64 for item in model["provenance"]["inputs"])


def test_correct_writes_scans_uncertainties_and_figures(done: Path, tmp_path: Path) -> None:
    words = (done / "sample.nc", "--model", done / "model.json", "-o", tmp_path / "new", "--uncertainty", "--figures")
    (told,) = as_json("correct", *words)
    assert told["outputs"] == [str(tmp_path / "new" / "sample.nc"), str(tmp_path / "new" / "sample.png")]
    corrected = read_scan(tmp_path / "new" / "sample.nc")
    assert corrected.frame_of_reference == "true"
    assert set(corrected.channels) == {"height", "u_x", "u_y", "u_height"}
    assert (tmp_path / "new" / "sample.png").read_bytes().startswith(b"\x89PNG")
    source = read_scan(done / "sample.nc")
    assert corrected.passes == source.passes
    assert corrected.attributes["source_sha256"] == calib.files.sha256(done / "sample.nc")
    assert "corrected already" in refused(
        run("correct", tmp_path / "new" / "sample.nc", "--model", done / "model.json", "-o", tmp_path / "again")
    )


def test_verify_one_scan_saves_what_it_says(done: Path, tmp_path: Path) -> None:
    words = ("verify", "--model", done / "model.json", done / "check-step.nc", "--standard", done / "low-step.toml")
    told = as_json(*words, "-o", tmp_path / "v.json")
    assert told["verdict"] == "conforms"
    saved = json.loads((tmp_path / "v.json").read_text("utf-8"))
    assert {**saved, "created": 0} == {**told, "created": 0}
    assert "conforms" in run(*words).stdout.splitlines()[0]
    budget = run(*words, "--budget").stdout
    assert "Budget of height:" in budget
    assert "Monte Carlo propagation (JCGM 101" in budget


@pytest.fixture
def plain_figure(monkeypatch: pytest.MonkeyPatch) -> None:
    """Draw an empty figure, where only its file matters: the demo has drawn a real one."""
    from matplotlib.figure import Figure

    monkeypatch.setattr("calib.report.figures.model_figure", lambda model: Figure())


@pytest.mark.usefixtures("plain_figure")
def test_show_draws(done: Path, tmp_path: Path) -> None:
    for name, begins in (("m.png", b"\x89PNG"), ("m.svg", b"<?xml"), ("m.pdf", b"%PDF")):
        assert run("show", done / "model.json", "-o", tmp_path / name).exit_code == 0
        assert (tmp_path / name).read_bytes().startswith(begins)
    assert "end its name with .png" in refused(run("show", done / "model.json", "-o", tmp_path / "m.gif"))


def test_standards(tmp_path: Path) -> None:
    listed = run("standards").stdout
    assert all(name in listed for name in ("grid-2um", "si111-step"))
    assert set(as_json("standards")) == set(calib.standard.packaged_standards())
    assert "312 pm ± 12 pm (k = 2)" in run("standards", "si111-step").stdout
    assert as_json("standards", "grid-2um")["pitch_x"]["value"] == 2e-6
    assert "did you mean 'grid-2um'" in refused(run("standards", "grid-2umm"))


def test_demo_refuses_a_folder_that_holds_something(tmp_path: Path) -> None:
    (tmp_path / "mine").write_text("mine")
    assert "--force" in run("demo", tmp_path).stderr
    assert run("demo", tmp_path).exit_code == 2
    assert [path.name for path in tmp_path.iterdir()] == ["mine"]


def test_demo_passes_words_on_and_shows_them(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def short(folder: Path, run, say, *, force: bool) -> dict[str, Any]:
        say("one", "two")
        codes = [run(["standards", "grid-2um"]), run(["standards", "no-such"])]
        return {"folder": str(folder), "exit_codes": codes, "force": force}

    monkeypatch.setattr("calib.demo.run_demo", short)
    result = run("demo", tmp_path / "new")
    assert "one\ntwo\n\n$ calib standards grid-2um\nExample grid" in result.stdout
    assert result.exit_code == 2  # the worst of its commands
    expected = {"folder": str(tmp_path / "new"), "exit_codes": [0, 2], "force": False}
    assert as_json("demo", tmp_path / "new", code=2) == expected


# --- exit codes --------------------------------------------------------------------------------------


def test_code_1_does_not_conform(done: Path, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.toml"
    wrong.write_text((done / "low-step.toml").read_text("utf-8").replace("62.0 nm", "65.0 nm"), "utf-8")
    result = run("verify", "--model", done / "model.json", done / "check-step.nc", "--standard", wrong)
    assert result.exit_code == 1
    assert "does not conform" in result.stdout


def test_code_3_cannot_be_decided(done: Path, tmp_path: Path) -> None:
    vague = json.loads((done / "model.json").read_text("utf-8"))
    vague["misfit"].update(lateral=3e-6, scans=[], rings=[])
    (tmp_path / "vague.json").write_text(json.dumps(vague), "utf-8")
    words = ("verify", "--model", tmp_path / "vague.json")
    result = run(*words, done / "check-x.nc", "--standard", done / "grating.toml")
    assert result.exit_code == 3
    assert "can't be decided" in result.stdout
    assert as_json(*words, done / "checks.toml", code=3)["checks"][2]["verdict"] == "conforms"  # the worst counts


def test_worst_verdict_counts() -> None:
    conforms, fails, undecided = "conforms", "does not conform", "can't be decided"
    assert verifying._code([conforms, conforms]) == 0
    assert verifying._code([conforms, undecided]) == 3
    assert verifying._code([undecided, fails, conforms]) == 1


def test_code_4_partly_done(done: Path, tmp_path: Path) -> None:
    junk = tmp_path / "junk.nc"
    junk.write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(100))
    result = run("correct", junk, done / "sample.nc", "--model", done / "model.json", "-o", tmp_path / "new")
    assert result.exit_code == 4
    assert [path.name for path in (tmp_path / "new").iterdir()] == ["sample.nc"]
    assert "junk.nc" in result.stderr
    told = as_json("inspect", junk, done / "sample.nc", code=4)
    assert [("error" in one) for one in told] == [True, False]


def test_code_70_for_defects_of_ours(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def broken(*_: Any) -> None:
        raise ZeroDivisionError("oh")

    monkeypatch.setattr("calib.standard.packaged_standards", broken)
    monkeypatch.setattr(sys, "argv", ["calib", "standards"])
    with pytest.raises(SystemExit) as stop:
        main()
    assert stop.value.code == 70
    assert "ZeroDivisionError" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("error", "code", "words"),
    [
        (KeyboardInterrupt(), 130, "Stopped."),
        (MemoryError(), 2, "not enough memory"),
        (PermissionError(13, "Permission denied", "/x/y"), 2, "/x/y can't be used: Permission denied."),
        (CalibError("A sentence."), 2, "A sentence."),
    ],
)
def test_what_stops_a_command(monkeypatch: pytest.MonkeyPatch, error: BaseException, code: int, words: str) -> None:
    def stop(*_: Any) -> None:
        raise error

    monkeypatch.setattr("calib.standard.packaged_standards", stop)
    result = run("standards")
    assert result.exit_code == code
    assert words in result.stderr
    assert "Traceback" not in result.output


@pytest.mark.skipif(sys.platform == "win32", reason="pipes differ")
def test_reader_that_leaves_is_no_failure_of_a_check() -> None:
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(
        [sys.executable, "-c", "from calib.cli import main; main()", "standards"],
        stdout=writer,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
    )
    os.close(writer)
    assert (done.returncode, done.stderr) == (141, "")


# --- progress ----------------------------------------------------------------------------------------


@pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo-terminals")
@pytest.mark.parametrize("terminal", [False, True])
def test_terminal_sees_progress_and_a_pipe_gets_none(done: Path, tmp_path: Path, terminal: bool) -> None:
    import pty

    words = ["correct", str(done / "step.nc"), "--model", str(done / "model.json"), "-o", str(tmp_path), "--json"]
    code = [sys.executable, "-c", "from calib.cli import main; main()", *words]
    ours, theirs = pty.openpty() if terminal else os.pipe()
    result = subprocess.run(
        code, stdout=subprocess.PIPE, stderr=theirs, text=True, check=False, env={**os.environ, "TERM": "xterm"}
    )
    os.close(theirs)
    told = b""
    try:
        while chunk := os.read(ours, 4096):
            told += chunk
    except OSError:  # how a pseudo-terminal says that it ends
        pass
    os.close(ours)
    assert result.returncode == 0, told
    assert json.loads(result.stdout)[0]["file"] == str(done / "step.nc")
    assert (b"correcting step.nc" in told) == terminal
    assert (b"\x1b[" in told) == terminal


# --- bad input: one clear sentence, exit code 2, nothing written --------------------------------------

STANDARD = """
kind = "grid"
name = "Grid"
pitch_x = {{ value = "{pitch} µm", U = "2 nm", k = 2 }}
pitch_y = {{ value = "{pitch} µm", U = "2 nm", k = 2 }}
angle = {{ value = "90 deg", U = "0.01 deg", k = 2 }}
"""


def grid_scan(size: float = 20e-6, points: int = 96) -> Scan:
    surface = Grid(pitch_x=2e-6, pitch_y=2e-6, height=100e-9, theta=0.03)
    scan = raster(size, points, previous=(0.0, 0.0))
    return record(surface, lambda path, samples: 1.02 * samples.position, scan, flaws=Flaws(noise=1e-9)).scan


def flat_scan() -> Scan:
    flat = Flat(waviness=1e-9)
    return record(flat, lambda path, samples: samples.position, raster(20e-6, 96), flaws=Flaws(noise=1e-9)).scan


def broken_files(folder: Path) -> dict[str, tuple[Path, float]]:
    """Return scans that can't be used, and the pitch in µm that they are said to have."""
    write_scan(folder / "good.nc", grid_scan())
    (folder / "text.nc").write_text("Dear Sir or Madam,\nthis is no scan.\n")
    (folder / "picture.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(64))
    (folder / "truncated.nc").write_bytes((folder / "good.nc").read_bytes()[:3000])
    (folder / "empty.nc").write_bytes(b"")
    nothing = grid_scan()
    write_scan(folder / "nothing.nc", nothing.replace(channels={"height": np.full(nothing.shape, np.nan)}))
    write_scan(folder / "flat.nc", flat_scan())
    write_scan(folder / "few.nc", grid_scan(size=5e-6))
    good = grid_scan()
    write_scan(folder / "metres.nc", good.replace(fast=1e6 * good.fast, slow=1e6 * good.slow))
    cases = {
        name: (folder / f"{name}.nc", 2.0)
        for name in ("text", "truncated", "empty", "nothing", "flat", "few", "metres")
    }
    cases["picture"] = (folder / "picture.png", 2.0)
    cases["missing"] = (folder / "missing.nc", 2.0)
    cases |= {f"pitch {pitch}": (folder / "good.nc", pitch) for pitch in (0.2, 1.0, 4.0, 20.0)}
    return cases


SAYS = {
    "text": "text.nc",
    "picture": "picture.png",
    "missing": "no file",
    "truncated": "truncated.nc is broken or was cut short",
    "empty": "empty.nc is empty",
    "nothing": "no data",
    "flat": "",
    "few": "period",
    "metres": "",
    "pitch 0.2": "pitch",
    "pitch 1.0": "",
    "pitch 4.0": "",
    "pitch 20.0": "",
}


@pytest.fixture(scope="module")
def bad(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, float]]:
    return broken_files(tmp_path_factory.mktemp("bad"))


@pytest.mark.parametrize("case", list(SAYS))
def test_calibrate_refuses(bad: dict[str, tuple[Path, float]], case: str, tmp_path: Path) -> None:
    scan, pitch = bad[case]
    (tmp_path / "grid.toml").write_text(STANDARD.format(pitch=pitch), "utf-8")
    plan = f'[[scan]]\nfile = "{scan.as_posix()}"\nstandard = "grid.toml"\n'
    (tmp_path / "plan.toml").write_text(plan, "utf-8")
    before = snapshot(tmp_path)
    sentence = refused(run("calibrate", tmp_path / "plan.toml", "-o", tmp_path / "model.json"))
    assert SAYS[case] in sentence
    assert snapshot(tmp_path) == before


@pytest.mark.parametrize("case", ["text", "picture", "missing", "truncated", "empty", "nothing"])
@pytest.mark.parametrize("command", ["inspect", "correct", "verify"])
def test_other_commands_refuse(
    bad: dict[str, tuple[Path, float]], done: Path, case: str, command: str, tmp_path: Path
) -> None:
    scan, _ = bad[case]
    model = ("--model", done / "model.json")
    more = {"inspect": (), "correct": (*model, "-o", tmp_path / "new"), "verify": (*model, "--standard", "grid-2um")}
    result = run(command, scan, *more[command])
    if command == "inspect" and case == "nothing":  # it is a scan, and said to be no good
        assert result.exit_code == 2
        assert "error: " in result.stdout
    else:
        assert SAYS[case] in refused(result)
    assert not list(tmp_path.iterdir())


def test_good_scan_is_not_refused(bad: dict[str, tuple[Path, float]], tmp_path: Path) -> None:
    # the same plan as above, with nothing wrong in it
    (tmp_path / "grid.toml").write_text(STANDARD.format(pitch=2.0), "utf-8")
    scan = bad["pitch 1.0"][0].as_posix()
    (tmp_path / "plan.toml").write_text(f'[[scan]]\nfile = "{scan}"\nstandard = "grid.toml"\n', "utf-8")
    result = run("calibrate", tmp_path / "plan.toml", "-o", tmp_path / "model.json")
    assert result.exit_code == 0, result.output
    assert "Not determined:" in result.stdout


def test_model_of_a_newer_version(done: Path, tmp_path: Path) -> None:
    newer = json.loads((done / "model.json").read_text("utf-8"))
    newer["version"] = "99.0"
    (tmp_path / "newer.json").write_text(json.dumps(newer), "utf-8")
    for words in (
        ("show", tmp_path / "newer.json"),
        ("correct", done / "sample.nc", "--model", tmp_path / "newer.json", "-o", tmp_path / "new"),
        ("verify", done / "check-x.nc", "--model", tmp_path / "newer.json", "--standard", done / "grating.toml"),
    ):
        assert "newer version" in refused(run(*words))
    assert [path.name for path in tmp_path.iterdir()] == ["newer.json"]


@pytest.mark.parametrize("name", ["sample.nc", "plan.toml", "missing.json"])
def test_what_is_no_model(done: Path, name: str) -> None:
    assert name in refused(run("crosscheck", done / name))


_KINDS = {
    "scan": ("grid-up.nc", "calib inspect"),
    "plan": ("plan.toml", "calib calibrate"),
    "model": ("model.json", "calib show"),
    "standard": ("grid.toml", "calib standards"),
    "verification": ("check.json", "calib report"),
    "comparison": ("change.json", "calib report"),
    "interim check": ("interim.json", "calib interim"),
    "folder": ("corrected", "calib history"),
}
_TAKES: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    # kinds that a command takes, and its words with FILE for what it is given
    "inspect": (("scan",), ("FILE",)),
    "inspect --standard": (("standard",), ("sample.nc", "--standard", "FILE")),
    "calibrate": (("plan",), ("FILE", "-o", "new.json")),
    "plan": (("plan",), ("--so-far", "FILE")),
    "convert": (("scan",), ("FILE", "-o", "new.tif")),
    "correct": (("scan", "folder"), ("FILE", "--model", "model.json", "-o", "new")),
    "correct --model": (("model",), ("sample.nc", "--model", "FILE", "-o", "new")),
    "correct --history": (("folder",), ("sample.nc", "--history", "FILE", "-o", "new")),
    "verify": (("scan", "plan"), ("FILE", "--model", "model.json", "--standard", "grid.toml")),
    "verify --limits": ((), ("sample.nc", "--model", "model.json", "--standard", "grid.toml", "--limits", "FILE")),
    "interim": (("scan",), ("FILE", "--model", "model.json", "--standard", "grid.toml")),
    "interim --before": (
        ("interim check",),
        ("sample.nc", "--model", "model.json", "--standard", "grid.toml", "--before", "FILE"),
    ),
    "crosscheck": (("model",), ("FILE",)),
    "compare": (("model",), ("FILE", "model.json")),
    "between": (("model",), ("FILE", "model.json", "sample.nc")),
    "history": (("folder",), ("FILE",)),
    "show": (("scan", "model", "standard", "verification", "comparison"), ("FILE",)),
    "report": (("model", "verification", "comparison", "folder"), ("FILE", "-o", "new.html")),
    "standards": (("standard",), ("FILE",)),
    "measure": (("scan",), ("step", "FILE", "--model", "model.json")),
}


@pytest.mark.parametrize("command", _TAKES)
def test_file_of_another_kind_is_refused_with_the_command_that_takes_it(
    done: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    for name in ("grid-up.nc", "sample.nc", "plan.toml", "model.json", "grid.toml"):
        (tmp_path / name).symlink_to(done / name)
    for name, kind in (("check", "verification"), ("change", "comparison"), ("interim", "interim check")):
        (tmp_path / f"{name}.json").write_text(json.dumps({"format": f"calib {kind}", "version": "1.0"}))
    (tmp_path / "corrected").mkdir()
    monkeypatch.chdir(tmp_path)
    taken, words = _TAKES[command]
    before = sorted(tmp_path.iterdir())
    for kind, (file, takes_it) in _KINDS.items():
        if kind not in taken:
            sentence = refused(run(command.split()[0], *(file if word == "FILE" else word for word in words)))
            assert sentence.startswith(f"{file} is a"), sentence
            assert kind in sentence
            assert takes_it in sentence
    assert sorted(tmp_path.iterdir()) == before


def test_level_in_percent_is_refused_before_anything_is_read() -> None:
    words = ("measure", "distance", "none.nc", "--model", "none.json", "--from", "0 um, 0 um", "--to", "1 um, 0 um")
    assert "write for example 0.95 for 95 %" in refused(run(*words, "--level", "95"))
    for level in ("0", "1", "-1", "nan", "inf"):
        assert "lies between 0 and 1" in refused(run(*words, "--level", level))


def test_how_long_a_model_is_valid_is_shown_in_days(tmp_path: Path) -> None:
    for text in ("180", "6 m", "0 d"):
        assert "write for example '180 d'" in refused(run("history", tmp_path, "--valid-for", text))


def test_scan_of_another_scanner(done: Path, tmp_path: Path) -> None:
    write_scan(tmp_path / "other.nc", read_scan(done / "sample.nc").replace(scanner="bench-1 chip 8"))
    words = ("correct", tmp_path / "other.nc", "--model", done / "model.json", "-o", tmp_path / "new")
    assert "'bench-1 chip 8'" in refused(run(*words))
    assert not (tmp_path / "new").exists()
    result = run(*words, "--any-scanner")
    assert result.exit_code == 0
    assert "bench-1 chip 8" in result.stdout


@pytest.mark.usefixtures("plain_figure")
def test_output_that_exists_stays(done: Path, tmp_path: Path) -> None:
    mine = tmp_path / "mine.json"
    mine.write_text("mine")
    (tmp_path / "sample.nc").write_text("mine")
    picture = tmp_path / "mine.png"
    picture.write_text("mine")
    model = ("--model", done / "model.json")
    for words in (
        ("calibrate", done / "plan.toml", "-o", mine),
        ("correct", done / "sample.nc", *model, "-o", tmp_path),
        ("verify", *model, done / "check-x.nc", "--standard", done / "grating.toml", "-o", mine),
        ("show", done / "model.json", "-o", picture),
    ):
        sentence = refused(run(*words))
        assert "exists already" in sentence
        assert "--force" in sentence
    assert {path.read_text() for path in tmp_path.iterdir()} == {"mine"}
    assert run("show", done / "model.json", "-o", picture, "--force").exit_code == 0
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_output_without_a_folder(done: Path, tmp_path: Path) -> None:
    sentence = refused(run("calibrate", done / "plan.toml", "-o", tmp_path / "no" / "model.json"))
    assert "no folder" in sentence
    assert "is a folder" in refused(run("calibrate", done / "plan.toml", "-o", tmp_path))


def test_scan_is_never_overwritten_by_its_correction(done: Path, tmp_path: Path) -> None:
    raw = tmp_path / "sample.nc"
    raw.write_bytes((done / "sample.nc").read_bytes())
    sentence = refused(run("correct", raw, "--model", done / "model.json", "-o", tmp_path, "--force"))
    assert "by its own correction" in sentence
    assert raw.read_bytes() == (done / "sample.nc").read_bytes()


def test_two_scans_of_one_name_do_not_overwrite_each_other(done: Path, tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "step.nc").write_bytes((done / "sample.nc").read_bytes())
    words = (
        "correct",
        done / "step.nc",
        tmp_path / "a" / "step.nc",
        "--model",
        done / "model.json",
        "-o",
        tmp_path / "new",
    )
    result = run(*words, "--force")
    assert result.exit_code == 4
    assert "is taken by" in result.stderr
    assert read_scan(tmp_path / "new" / "step.nc").title == "step"


def test_errors_that_the_inspection_finds_stop_unless_they_are_to_be_ignored(done: Path, tmp_path: Path) -> None:
    scan = read_scan(done / "sample.nc")
    write_scan(tmp_path / "nothing.nc", scan.replace(channels={"height": np.full(scan.shape, np.nan)}))
    words = ("correct", tmp_path / "nothing.nc", "--model", done / "model.json", "-o", tmp_path / "new")
    assert "--despite-findings" in refused(run(*words))
    assert run(*words, "--despite-findings").exit_code == 0


def test_verify_wants_to_know_what_the_scan_shows(done: Path) -> None:
    model = ("--model", done / "model.json")
    assert "--standard" in refused(run("verify", *model, done / "check-x.nc"))
    sentence = refused(run("verify", *model, done / "checks.toml", "--standard", "grid-2um"))
    assert "is taken for a plan" in sentence


def test_turned_wants_a_unit(done: Path) -> None:
    words = ("verify", "--model", done / "model.json", done / "check-x.nc", "--standard", done / "grating.toml")
    assert "has no unit" in refused(run(*words, "--turned", "90"))


def test_values_given_by_hand() -> None:
    found = given(["pixel_size=50 nm", "passes=['trace', 'retrace']", "skip_lines = 3", "title=a = b", "delimiter=,"])
    assert found == {
        "pixel_size": "50 nm",
        "passes": ["trace", "retrace"],
        "skip_lines": 3,
        "title": "a = b",
        "delimiter": ",",
    }
    with pytest.raises(CalibError, match="KEY=VALUE"):
        given(["pixel_size"])
    assert "did you mean 'line_period'" in refused(run("inspect", "x.nc", "--set", "line_perod=1 s"))
