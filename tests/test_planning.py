"""Plans: which scans, what to expect of them, their file, and how far a plan has got."""

from __future__ import annotations

import dataclasses
import itertools
import json
import math
import re
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from calib import simulate, write_scan
from calib.cli import app
from calib.errors import CalibError, PlanError
from calib.fit import fit_lateral
from calib.observe.planned import observe_planned, reciprocal
from calib.observe.step import StepObservation
from calib.path import Path as ScanPath
from calib.path import Samples
from calib.plan import read_plan
from calib.planning import expect, judge, most_useful, observe_all, propose, remarks
from calib.planning.plan_file import write_plan
from calib.planning.planned import PlannedScan
from calib.planning.so_far import SoFar, so_far
from calib.simulate.scanner import ScannerPhysics, scanner_physics
from calib.standard import Flat, Grating, Grid, Standard, Step, Value
from tests.foreign import ForeignInstrument
from tests.instruments import rigid_rest

TRAVEL = (20e-6, 20e-6, 4e-6)
POINTS = 96
NAME = "bench-1 chip 7"


def length(value: float, u: float = 0.0) -> Value:
    return Value(value, u, "m")


def a_grid(pitch: float = 2e-6, name: str = "Grid P-1") -> Grid:
    return Grid(
        name=name,
        pitch_x=length(pitch, 5e-4 * pitch),
        pitch_y=length(pitch, 5e-4 * pitch),
        angle=Value(np.pi / 2, 1e-4, "rad"),
    )


GRID = a_grid()
FINE = a_grid(0.5e-6)
LINES = Grating(name="Lines P-2", pitch=length(2e-6, 1e-9))
STEP = Step(name="Step P-3", height=length(100e-9, 0.3e-9), width=length(5e-6, 0.1e-6))
FLAT = Flat(name="Flat P-4", flatness=length(20e-9, 10e-9), area=(5e-3, 5e-3))


def plan_of(*standards: Standard, scans: int = 9) -> tuple[PlannedScan, ...]:
    return _plan_of(standards, scans)  # so that no way of calling makes it again


@cache
def _plan_of(standards: tuple[Standard, ...], scans: int) -> tuple[PlannedScan, ...]:
    return tuple(propose(TRAVEL, standards, scans=scans, points=POINTS))


def lateral(planned: tuple[PlannedScan, ...]) -> list[PlannedScan]:
    return [one for one in planned if isinstance(one.standard, (Grid, Grating))]


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], prog_name="calib")


# --- the proposal ----------------------------------------------------------------------------------


def test_default_plan_has_what_no_plan_should_lack() -> None:
    planned = plan_of(GRID, STEP)
    assert len(planned) == 9
    assert [one.title[:7] for one in planned] == [f"scan-{k:02d}" for k in range(1, 10)]
    assert [(one.size, one.frame, one.rotation) for one in planned[:2]] == [(20e-6, "up", 0.0), (20e-6, "down", 0.0)]
    assert isinstance(planned[-1].standard, Step)
    scans = lateral(planned)
    assert len(scans) == 8
    for rotation in (0.0, np.pi / 2):
        sizes = {one.size for one in scans if one.rotation == rotation and not one.turned}
        # loops of several sizes along either axis
        assert len(sizes) >= 3
        assert max(sizes) == 20e-6
        assert min(sizes) < 11.5e-6
    assert {one.line_period for one in scans} >= {1.0, 0.2}
    assert all(one.why for one in planned)
    assert len({one.file for one in planned}) == 9


@pytest.mark.parametrize(
    ("standards", "scans"), [((GRID, STEP), 9), ((LINES,), 6), ((FINE,), 7), ((GRID, a_grid(0.7e-6, "fine"), STEP), 7)]
)
def test_every_scan_can_be_taken_and_shows_enough_periods(standards: tuple[Standard, ...], scans: int) -> None:
    planned = plan_of(*standards, scans=scans)
    assert len(planned) <= scans
    for one in lateral(planned):
        pitches = [value.value for name, value in one.standard.values().items() if name.startswith("pitch")]
        assert one.size >= 5 * max(pitches)
        assert one.size / (one.points - 1) <= min(pitches) / 5
        reach = np.abs(np.array(one.centre)) + one.size / 2
        assert np.all(reach <= 10e-6 * (1 + 1e-9))
    for before, after in itertools.pairwise(lateral(planned)):
        if before.standard is after.standard:
            assert (before.turned, -before.size) <= (after.turned, -after.size)  # large before small
            assert before.frame != after.frame


def test_plan_is_the_same_every_time() -> None:
    assert propose(TRAVEL, [GRID], scans=5, points=POINTS) == list(plan_of(GRID, scans=5))


def test_search_is_better_than_a_set_by_hand_and_more_scans_than_fewer() -> None:
    def hand(size: float, **how: object) -> PlannedScan:
        return PlannedScan(standard=GRID, size=size, points=POINTS, **how)  # type: ignore[arg-type]

    by_hand = [
        hand(20e-6),
        hand(20e-6, frame="down"),
        hand(20e-6, rotation=np.pi / 2),
        hand(20e-6, frame="down", line_period=0.2),
        hand(11e-6, centre=(-4.5e-6, 4.5e-6)),
        hand(11e-6, centre=(4.5e-6, -4.5e-6), frame="down"),
        hand(12e-6),
        hand(14e-6, frame="down"),
    ]
    conditions = {"smallest": TRAVEL[0] / 3, "shortest_line": 0.2}
    found = {n: expect(plan_of(GRID, scans=n), TRAVEL, **conditions) for n in (3, 5, 8)}
    assert found[8].position < 0.8 * expect(by_hand, TRAVEL, **conditions).position
    assert found[8].position < found[5].position < found[3].position
    assert found[8].worst < found[3].worst
    assert found[8].observability["gain change with size y"].known_by == "data"
    assert found[8].observability["loop y"].u < 20e-9
    assert found[8].duration == pytest.approx(sum(one.duration + 30 for one in plan_of(GRID, scans=8)))


def test_grating_alone_is_turned_to_three_orientations() -> None:
    planned = plan_of(LINES, scans=6)
    angles = {round(math.degrees(one.turned)) for one in planned}
    assert len(angles) >= 3
    found = expect(planned, TRAVEL).observability
    for name in ("scale x", "scale y"):
        assert found[name].known_by == "data"
    assert found["skew"].u < 0.05 * found["skew"].u_prior
    assert found["skew"].u_data < found["skew"].u_prior
    assert any("turned on the stage" in remark for remark in remarks(planned, TRAVEL, [LINES]))
    # fewer scans than orientations: said, not hidden
    two = expect(plan_of(LINES, scans=2), TRAVEL).observability
    assert two["skew"].known_by == "assumption only"
    assert "orientations" in " ".join(two.confounded)


def test_steps_and_flats_find_their_place() -> None:
    planned = plan_of(GRID, STEP, FLAT)
    kinds = [one.standard.kind for one in planned]
    assert kinds == ["grid"] * 7 + ["flat", "step"]
    assert planned[-2].size == 20e-6
    assert planned[-1].size >= 3 * 5e-6
    many = propose(TRAVEL, [GRID, STEP], scans=12, points=POINTS)
    assert [one.z_centre for one in many if one.standard is STEP] == pytest.approx([0.0, -1.56e-6, 1.56e-6])
    z = expect(many, TRAVEL).observability["z gain change over the range"]
    assert z.known_by == "data"
    assert not any("changes over the range" in remark for remark in remarks(many, TRAVEL, [GRID, STEP]))
    alone = propose(TRAVEL, [STEP], points=POINTS)
    assert [one.standard for one in alone] == [STEP]
    assert any("positions stay as they are" in remark for remark in remarks(alone, TRAVEL, [STEP]))


def test_what_is_lacking_is_said_with_the_standard_that_would_mend_it() -> None:
    said = " / ".join(remarks(plan_of(GRID, scans=8), TRAVEL, [GRID], smallest=4e-6))
    assert "the height gain will be undetermined, since there is no step" in said
    assert re.search(r"for 4 µm take a pitch of 0?\.?7\d* ?(µm|nm)|for 4 µm take a pitch of 7\d0 nm", said)
    assert "not calibrated" not in " ".join(remarks(plan_of(FINE, scans=7), TRAVEL, [FINE]))
    assert "'Flat P-4' is not used" in " ".join(remarks(plan_of(GRID, scans=3), TRAVEL, [GRID, FLAT]))


def test_expected_uncertainty_hangs_on_the_certificate() -> None:
    planned = plan_of(GRID, scans=5)
    rough = dataclasses.replace(GRID, pitch_x=length(2e-6, 20e-9), pitch_y=length(2e-6, 20e-9))
    worse = [one.replace(standard=rough) for one in planned]
    found, found_worse = expect(planned, TRAVEL), expect(worse, TRAVEL)
    assert found.observability["scale x"].u == pytest.approx(5e-4, rel=0.2)
    assert found_worse.observability["scale x"].u > 5e-3
    assert found_worse.position > 3 * found.position


def test_most_useful_scan_is_the_one_that_tells_something_new() -> None:
    full = PlannedScan(standard=GRID, size=20e-6, points=POINTS)
    taken = observe_all([full.replace(title="a"), full.replace(title="b", frame="down")])
    again, turned = full, full.replace(rotation=np.pi / 2)
    step = PlannedScan(standard=STEP, size=16e-6, points=POINTS)
    assert most_useful(taken, [step, again, turned], TRAVEL) == 2
    assert most_useful(taken, [step], TRAVEL) is None
    assert most_useful([], [again, turned], TRAVEL) in (0, 1)


def test_planned_scans_calibrate_foreign_instruments() -> None:
    """The floor of the plan: fits to true positions of other physics, loops of 6 %, checked at other conditions.

    Over sixteen instruments the seven scans by hand of the accuracy page leave 28 nm (median) by this measure, the plan
    11 nm and at most 15 nm. Proposed for scans of fewer points, it is as good to a nanometre.
    """
    planned = [one.replace(points=256) for one in plan_of(GRID, scans=8)]
    exact = dataclasses.replace(GRID, pitch_x=length(2e-6, 1e-12), pitch_y=length(2e-6, 1e-12))
    rms = []
    for seed in (0, 1):
        instrument = ForeignInstrument(seed, loop=0.06)
        session, rng, seen = instrument.session(), np.random.default_rng(seed), []
        for one in planned:
            turned = instrument.theta + one.turned
            scan = one.raster(session)
            node = observe_planned(scan, exact, 2e-4, turned=turned)
            samples = node.path.samples(node.pass_index, node.row, node.fast)
            true = instrument.physics.motion(node.path, samples, instrument.instrument.clock(scan))
            turn = np.array([[np.cos(turned), np.sin(turned)], [-np.sin(turned), np.cos(turned)]])
            periods = (reciprocal(exact) @ turn @ true).T + 2e-4 * rng.normal(size=node.periods.shape)
            seen.append(dataclasses.replace(node, periods=periods))
        fit = fit_lateral(seen, TRAVEL[:2], (0.0, 0.0), judging=False)
        squares = []
        for scan in instrument.check_frames():
            path = ScanPath(scan)
            rows = np.arange(2, 254, 12)
            samples = path.samples(np.arange(2)[:, None, None], rows[None, :, None], scan.fast[None, None, ::12])
            true = instrument.physics.motion(path, samples, instrument.instrument.clock(scan))
            squares.append(np.sum(rigid_rest(fit.motion.position(path, samples, fit.values), true) ** 2, axis=0))
        rms.append(float(np.sqrt(np.mean(np.concatenate(squares)))))
    assert max(rms) < 20e-9


BAD_WISHES = {
    "no standards": ({"standards": []}, "no standard to scan"),
    "no scans": ({"scans": 0}, "at least one scan"),
    "one travel": ({"travel": [20e-6]}, "two or three lengths"),
    "no travel": ({"travel": [20e-6, 0.0]}, "more than zero"),
    "endless travel": ({"travel": [20e-6, math.inf]}, "more than zero"),
    "few points": ({"points": 16}, "32 or more"),
    "too large a smallest scan": ({"smallest": 30e-6}, "does not fit the travel"),
    "no time": ({"line_period": 0.0}, "more than zero"),
    "coarse grid": ({"standards": [a_grid(5e-6)]}, "None of these patterns can be used"),
    "fine grid": ({"standards": [a_grid(5e-9)]}, "None of these patterns can be used"),
    "step too high": (
        {"standards": [Step(name="high", height=length(5e-6))]},
        "None of these standards fits",
    ),
    "small flat": (
        {"standards": [Flat(name="f", flatness=length(1e-8, 1e-8), area=(1e-6, 1e-6))]},
        "None of these standards fits",
    ),
}


@pytest.mark.parametrize("case", BAD_WISHES)
def test_nonsense_is_refused_in_one_sentence(case: str) -> None:
    changes, words = BAD_WISHES[case]
    wish = {"travel": TRAVEL, "standards": [GRID], **changes}
    travel, standards = wish.pop("travel"), wish.pop("standards")
    with pytest.raises(PlanError, match=words) as caught:
        propose(travel, standards, **wish)
    assert "\n" not in str(caught.value)


# --- the file --------------------------------------------------------------------------------------

GRID_FILE = """\
kind = "grid"
name = "Grid P-1"
pitch_x = { value = "2.0000 µm", U = "2.0 nm", k = 2 }
pitch_y = { value = "2.0000 µm", U = "2.0 nm", k = 2 }
angle = { value = "90.000 deg", U = "0.010 deg", k = 2 }
"""


@dataclass(frozen=True)
class Decaying:
    """A scanner whose drift dies away."""

    physics: ScannerPhysics
    rate: float
    memory: float

    def motion(self, path: ScanPath, samples: Samples, clock: float) -> np.ndarray:
        moved = self.physics.motion(path, samples, clock)
        time = clock + samples.time
        return np.asarray(
            moved + np.array([[1.0], [0.6]]) * self.rate * self.memory * (1 - np.exp(-time / self.memory))
        )

    def indicate(self, height: np.ndarray, path: ScanPath, samples: Samples, clock: float) -> np.ndarray:
        return self.physics.indicate(height, path, samples, clock)


class Bench:
    """A virtual instrument at which the scans of a plan file are taken, one after the other."""

    def __init__(self, folder: Path, rate: float = 0.0, memory: float = 300.0, noise: float = 1e-9) -> None:
        self.folder, self.file = folder, folder / "plan.toml"
        physics = scanner_physics(
            TRAVEL[:2], scale=(1.02, 0.99), skew=0.02, bending=0.008, loop=0.03, creep=0.01, height=(1.04, 0.0, 0.0)
        )
        self.instrument = simulate.VirtualInstrument(
            physics=Decaying(physics, rate, memory), flaws=simulate.Flaws(noise=noise), scanner=NAME
        )
        self.session = simulate.Session(pause=30.0, scanner=NAME)
        self.surfaces = {
            "grid": simulate.Grid(pitch_x=2e-6, pitch_y=2e-6, height=100e-9, theta=0.03),
            "step": simulate.Step(height=100e-9, width=5e-6),
        }

    def take(self, count: int, **changes: object) -> list[str]:
        names = []
        for one in read_plan(self.file, unfinished=True).to_take[:count]:
            scan = self.instrument.record(
                self.surfaces[one.standard.kind], one.raster(self.session, **changes), seed=len(one.file)
            ).scan
            write_scan(self.folder / one.file, scan)
            names.append(one.file)
        return names

    def so_far(self) -> SoFar:
        return so_far(read_plan(self.file, unfinished=True))


def bench(folder: Path, planned: tuple[PlannedScan, ...] | None = None, **options: float) -> Bench:
    (folder / "grid.toml").write_text(GRID_FILE, encoding="utf-8")
    made = Bench(folder, **options)
    named = {GRID.identity: str(folder / "grid.toml"), STEP.identity: "step-100nm"}
    write_plan(made.file, planned or plan_of(GRID, STEP), named, scanner=NAME, travel=TRAVEL)
    return made


@pytest.fixture
def at_bench(tmp_path: Path) -> Bench:
    return bench(tmp_path)


def test_plan_file_says_what_was_proposed(at_bench: Bench) -> None:
    found = read_plan(at_bench.file, unfinished=True)
    assert found.scanner.name == NAME
    assert found.scanner.travel == pytest.approx(TRAVEL)
    assert found.pairs == ()
    for one, read in zip(plan_of(GRID, STEP), found.to_take, strict=True):
        assert read.file == one.file
        assert (read.frame, read.points, read.line_period) == (one.frame, one.points, one.line_period)
        assert read.size == pytest.approx(one.size, rel=1e-3)
        assert read.centre == pytest.approx(one.centre, abs=1e-9)
        assert read.rotation == pytest.approx(one.rotation)
        assert read.turned == pytest.approx(one.turned)
        assert read.standard.kind == one.standard.kind
    text = at_bench.file.read_text(encoding="utf-8")
    assert tomllib.loads(text)["scan"][0]["standard"] == "grid.toml"  # relative to the plan
    for words in ("drift has settled", "fragile", "high voltage", "laser", "--so-far plan.toml", "calibrate plan.toml"):
        assert words in text
    assert max(map(len, text.splitlines())) < 200
    with pytest.raises(CalibError, match="exists already"):
        write_plan(at_bench.file, plan_of(GRID, STEP), {GRID.identity: "grid.toml", STEP.identity: "step-100nm"})


def test_unfinished_plan_is_no_calibration_yet(at_bench: Bench) -> None:
    at_bench.take(1)
    result = run("calibrate", at_bench.file, "-o", at_bench.folder / "model.json")
    assert result.exit_code == 2
    (line,) = result.stderr.splitlines()
    assert "8 of its 9 scans are still to be taken (scan-02" in line
    assert "calib plan --so-far" in line
    assert not (at_bench.folder / "model.json").exists()


def test_finished_plan_is_accepted_as_it_is(tmp_path: Path) -> None:
    planned = plan_of(GRID, STEP)
    at_bench = bench(tmp_path, (*planned[:4], planned[-1]))
    at_bench.take(5)
    found = read_plan(at_bench.file)
    assert len(found.pairs) == 5
    assert found.to_take == ()
    assert found.departures == ()
    whole = at_bench.so_far()
    assert whole.following is None
    assert whole.lines()[-1].startswith("All scans are taken")
    assert whole.observability is not None
    for name in ("scale x", "scale y", "skew", "loop y", "z gain"):
        assert whole.observability[name].known_by == "data"


def test_scan_that_is_not_as_planned_is_used_with_a_warning(at_bench: Bench) -> None:
    one, two, *_ = read_plan(at_bench.file, unfinished=True).to_take
    scan = at_bench.instrument.record(at_bench.surfaces["grid"], one.raster(at_bench.session)).scan
    write_scan(at_bench.folder / one.file, scan)
    wrong = two.replace(size=15e-6, frame="up", line_period=2.0, rotation=0.1, points=64, centre=(2e-6, 0.0))
    scan = at_bench.instrument.record(at_bench.surfaces["grid"], wrong.raster(at_bench.session)).scan
    write_scan(at_bench.folder / two.file, scan)
    departures = read_plan(at_bench.file, unfinished=True).departures
    assert all(departure.startswith(two.file) for departure in departures)
    said = " / ".join(departures)
    for words in (
        "15 µm wide",
        "20 µm was planned",
        "frame up",
        "2 s a line",
        "turned by 5.73°",
        "64 x 64",
        "lies at 2 µm",
    ):
        assert words in said
    text = at_bench.file.read_text(encoding="utf-8")
    short = "\n[[scan]]".join(text.split("\n[[scan]]")[:3])
    (at_bench.folder / "short.toml").write_text(short, encoding="utf-8")
    result = run("calibrate", at_bench.folder / "short.toml", "-o", at_bench.folder / "model.json", "--degree", "2")
    assert f"warning: {two.file} is a frame up, and a frame down was planned" in result.stderr
    assert result.exit_code == 0, result.output


BAD_PLANS = {
    "no table": ("planned = 3", "planned is a table"),
    "unknown key": ('planned = { size = "1 µm", frame = "up", points = 64, sise = "1 µm" }', "did you mean 'size'"),
    "no size": ('planned = { frame = "up", points = 64 }', "planned: it has no size"),
    "no unit": ('planned = { size = "20", frame = "up", points = 64 }', "has no unit"),
    "frame": ('planned = { size = "1 µm", frame = "left", points = 64 }', "'up' or 'down'"),
    "points": ('planned = { size = "1 µm", frame = "up", points = 6.5 }', "whole number"),
    "centre": ('planned = { size = "1 µm", frame = "up", points = 64, centre = "0 µm" }', "list of two lengths"),
    "negative size": ('planned = { size = "-1 µm", frame = "up", points = 64 }', "more than zero"),
    "no time": ('planned = { size = "1 µm", frame = "up", points = 64, line_period = "0 s" }', "more than zero"),
}


@pytest.mark.parametrize("case", BAD_PLANS)
def test_bad_planned_table_gets_one_sentence(tmp_path: Path, case: str) -> None:
    text, words = BAD_PLANS[case]
    path = tmp_path / "plan.toml"
    path.write_text(f'[[scan]]\nfile = "a.nc"\nstandard = "grid-2um"\n{text}\n', encoding="utf-8")
    with pytest.raises(PlanError) as caught:
        read_plan(path, unfinished=True)
    assert words in str(caught.value)
    assert str(caught.value).startswith(f"{path}, scan 1: ")


def test_missing_file_that_is_not_planned_is_still_a_mistake(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text('[[scan]]\nfile = "gone.nc"\nstandard = "grid-2um"\n', encoding="utf-8")
    with pytest.raises(PlanError, match=r"there is no file .*gone\.nc: correct the name"):
        read_plan(path, unfinished=True)


# --- so far ----------------------------------------------------------------------------------------


def test_so_far_before_the_first_scan(at_bench: Bench) -> None:
    found = at_bench.so_far()
    assert found.taken == ()
    assert found.usable is None
    assert found.following == found.left[0]
    assert found.lines()[0] == "None of the 9 planned scans has been taken yet."
    assert found.observability is None


def test_so_far_scan_by_scan(at_bench: Bench) -> None:
    at_bench.take(1)
    one = at_bench.so_far()
    assert one.usable is True
    assert one.drift is None
    assert one.observability is not None
    assert one.following is not None
    # the other direction comes next, so that drift shows
    assert (one.following.size, one.following.frame, one.following.rotation) == (20e-6, "down", 0.0)
    assert one.observability["scale y, slow axis"].known_by != "data"
    assert "drift" in " ".join(one.observability.confounded)
    at_bench.take(2)
    three = at_bench.so_far()
    assert three.taken == tuple(planned.file for planned in plan_of(GRID, STEP)[:3])
    assert len(three.left) == 6
    assert three.drift is not None
    assert three.position < 0.6 * one.position
    assert three.observability is not None
    assert three.observability["scale y, slow axis"].known_by == "data"
    assert three.following in three.left
    lines = three.lines()
    assert lines[0] == "3 of 9 planned scans have been taken."
    assert any(line.startswith("Last scan, scan-03") and line.endswith("usable.") for line in lines)
    assert any(line.startswith("Next: scan-") for line in lines)
    content = json.loads(json.dumps(three.to_dict(), allow_nan=False))
    assert content["next"] == three.following.file
    assert content["drift"]["verdict"] == three.drift.verdict


def test_one_step_determines_the_gain_but_not_its_change() -> None:
    (planned,) = observe_all([PlannedScan(standard=STEP, size=20e-6, points=POINTS)])
    assert isinstance(planned, StepObservation)
    taken = dataclasses.replace(planned, low=0.2e-6, high=0.3e-6)  # as a real scan tells, off the middle of the range
    found = judge([taken], TRAVEL, misfit=1e-9).observability
    gain, change = found["z gain"], found["z gain change over the range"]
    assert gain.known_by == "data"
    assert gain.u_data < 0.1 * gain.u_prior
    assert change.known_by == "assumption only"
    assert not any("add a scan of a step" in sentence for sentence in found.confounded)
    assert any("add steps of other heights" in sentence for sentence in found.confounded)
    none = judge(
        observe_all([PlannedScan(standard=GRID, size=20e-6, points=POINTS)]), TRAVEL, misfit=1e-9
    ).observability
    assert any("add a scan of a step" in sentence for sentence in none.confounded)


def test_next_scan_lies_as_the_standard_lies(at_bench: Bench) -> None:
    at_bench.take(4)
    found = at_bench.so_far()
    now = plan_of(GRID, STEP)[3].turned
    same = [one for one in found.left if one.standard.kind == "grid" and one.turned == now]
    assert found.following is not None
    assert not same or found.following in same


def test_drift_that_dies_away_is_noticed_and_steady_drift_is_not(tmp_path: Path) -> None:
    (tmp_path / "dying").mkdir()
    (tmp_path / "steady").mkdir()
    first = plan_of(GRID, STEP)[:3]
    dying = bench(tmp_path / "dying", first, rate=12e-9, memory=150.0)
    steady = bench(tmp_path / "steady", first, rate=0.1e-9, memory=1e6)
    verdicts = {}
    for name, one in (("dying", dying), ("steady", steady)):
        one.take(3)
        drift = one.so_far().drift
        assert drift is not None
        verdicts[name] = drift
    assert verdicts["dying"].verdict == "not settled"
    assert verdicts["steady"].verdict == "settled"
    for one in verdicts["steady"].rates:
        assert np.all(np.abs(np.array(one.rate) - [0.1e-9, 0.06e-9]) < 3 * np.array(one.u))
    assert verdicts["dying"].rates[-1].rate[0] > 10 * verdicts["steady"].rates[-1].rate[0]


def test_useless_last_scan_is_refused_at_once(at_bench: Bench) -> None:
    at_bench.take(1)
    second = read_plan(at_bench.file, unfinished=True).to_take[0]
    scan = second.raster(at_bench.session)
    noise = np.random.default_rng(1).normal(size=scan.shape) * 1e-9
    write_scan(at_bench.folder / second.file, scan.replace(channels={"height": noise}))
    found = at_bench.so_far()
    assert found.usable is False
    assert second.file in found.refused or any(finding.severity == "error" for finding in found.findings)
    assert found.observability is not None  # of the first scan
    result = run("plan", "--so-far", at_bench.file)
    assert result.exit_code == 2
    assert f"Last scan, {second.file}: NOT usable; take it again." in result.stdout


# --- the command -----------------------------------------------------------------------------------


def test_command_proposes_and_writes(tmp_path: Path) -> None:
    (tmp_path / "standards").mkdir()
    (tmp_path / "standards" / "grid.toml").write_text(GRID_FILE, encoding="utf-8")
    output = tmp_path / "plan.toml"
    words = ["plan", "--scanner", NAME, "--travel", "20 um, 20 um, 4 um", "--standard"]
    words += [str(tmp_path / "standards" / "grid.toml"), "--standard", "step-100nm", "--points", "96", "--scans", "6"]
    result = run(*words, "-o", output)
    assert result.exit_code == 0, result.output
    assert f"{NAME}: 6 scans, about" in result.stdout
    for said in ("positions in later scans", "scale x", "skew", "creep per decade y", "z gain", "min", "Saved as"):
        assert said in result.stdout
    found = read_plan(output, unfinished=True)
    assert len(found.to_take) == 6
    assert 'standard = "standards/grid.toml"' in output.read_text(encoding="utf-8")
    assert run(*words, "-o", output).exit_code == 2  # it exists
    told = json.loads(run(*words, "--json").stdout)
    assert [one["file"] for one in told["scans"]] == [one.file for one in found.to_take]
    assert told["expected"]["position"] > 0
    assert told["plan"] is None
    before = run("plan", "--so-far", output)
    assert before.exit_code == 0
    assert "None of the 6 planned scans has been taken yet." in before.stdout
    assert json.loads(run("plan", "--so-far", output, "--json").stdout)["next"] == found.to_take[0].file


BAD_COMMANDS = {
    "nothing": ([], "Say how far the scanner goes"),
    "no standard": (["--travel", "20 um, 20 um"], "Say which standards are at hand"),
    "travel without unit": (["--travel", "20, 20", "--standard", "grid-2um"], "--travel: '20' has no unit"),
    "travel along one axis": (["--travel", "20 um", "--standard", "grid-2um"], "two or three lengths"),
    "unknown standard": (["--travel", "20 um, 20 um", "--standard", "grid-7um"], "no packaged standard of that name"),
    "coarse grid": (["--travel", "8 um, 8 um", "--standard", "grid-2um"], "None of these patterns can be used"),
    "wrong unit": (["--travel", "20 s, 20 s", "--standard", "grid-2um"], "is no length"),
    "wrong time": (
        ["--travel", "20 um, 20 um", "--standard", "grid-2um", "--line-period", "fast"],
        "--line-period: 'fast' is not a number",
    ),
    "missing plan": (["--so-far", "gone.toml"], "There is no file gone.toml"),
    "both": (["--so-far", "plan.toml", "--travel", "20 um, 20 um"], "leave the other options out"),
}


@pytest.mark.parametrize("case", BAD_COMMANDS)
def test_command_refuses_nonsense_in_one_sentence(case: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    words, said = BAD_COMMANDS[case]
    result = run("plan", *words)
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    (line,) = result.stderr.splitlines()
    assert said in line
