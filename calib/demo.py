"""The whole job on made-up scans: a workshop microscope is calibrated, a sample corrected, the calibration checked.

The scenario is invented. A workshop ablates small pits into the faces of seal rings with a laser and looks at them
with a bench-top microscope, ``bench-1``, whose scanner sits on an exchangeable chip. Everything passes through files
and through the commands that a user would type. The virtual instrument knows the truth, which no real one tells.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib import simulate
from calib.errors import FileError, OutputExistsError
from calib.files import write_atomically
from calib.formats import write_scan
from calib.locate import mean_scale
from calib.model import Model, load_model
from calib.scan import Scan
from calib.simulate.scanner import ScannerPhysics, scanner_physics
from calib.standard import Grating, Grid, Step, load_standard
from calib.units import format_quantity, show

Float = NDArray[np.float64]
Run = Callable[[list[str]], int]
"""Runs a command of calib, given its words, and returns its exit code."""
Say = Callable[..., None]

NAME = "bench-1 chip 7"
TRAVEL = 20e-6
POINTS = 256
_TEMPERATURE = 294.65
_LATER = timedelta(days=9)

_STANDARDS = {
    "grid.toml": """\
# An invented grid. Its true pitches differ from these values, within their uncertainty.
kind = "grid"
name = "Grid D-1"
pitch_x = { value = "2.0000 µm", U = "2.0 nm", k = 2 }
pitch_y = { value = "2.0000 µm", U = "2.0 nm", k = 2 }
angle = { value = "90.000 deg", U = "0.010 deg", k = 2 }
thermal_expansion = { value = "2.56e-6 / K", tolerance = "0.05e-6 / K" }
source = "invented for the demo"
certificate = { number = "demo 1", date = 2026-01-12, laboratory = "invented" }
""",
    "step.toml": """\
kind = "step"
name = "Step D-2"
height = { value = "100.0 nm", U = "0.6 nm", k = 2 }
width = { value = "6.5 µm", tolerance = "0.5 µm" }
source = "invented for the demo"
certificate = { number = "demo 2", date = 2026-01-12, laboratory = "invented" }
""",
    "grating.toml": """\
# A second standard, which the calibration never sees.
kind = "grating"
name = "Grating D-3"
pitch = { value = "3.0000 µm", U = "1.5 nm", k = 2 }
thermal_expansion = { value = "2.56e-6 / K", tolerance = "0.05e-6 / K" }
source = "invented for the demo"
certificate = { number = "demo 3", date = 2026-01-20, laboratory = "invented" }
""",
    "low-step.toml": """\
# A second step, which the calibration never sees either.
kind = "step"
name = "Step D-4"
height = { value = "62.0 nm", U = "0.6 nm", k = 2 }
width = { value = "4.0 µm", tolerance = "0.5 µm" }
source = "invented for the demo"
certificate = { number = "demo 4", date = 2026-01-20, laboratory = "invented" }
""",
}

_Block = dict[str, tuple[str, float, dict[str, Any]]]
"""Name of a scan: what it shows, its side, what else is told to the instrument."""

_CALIBRATION: _Block = {
    "grid-up": ("grid", TRAVEL, {"frame": "up"}),
    "grid-down": ("grid", TRAVEL, {"frame": "down"}),
    "grid-upper-left": ("grid", 0.55 * TRAVEL, {"frame": "up", "centre": (-0.22 * TRAVEL, 0.22 * TRAVEL)}),
    "grid-lower-right": ("grid", 0.55 * TRAVEL, {"frame": "down", "centre": (0.22 * TRAVEL, -0.22 * TRAVEL)}),
    "grid-turned": ("grid", TRAVEL, {"frame": "up", "rotation": np.pi / 2}),
    "grid-fast": ("grid", TRAVEL, {"frame": "down", "line_period": 0.2}),
    "grid-small": ("grid", 0.6 * TRAVEL, {"frame": "up"}),
    "step": ("step", TRAVEL, {"frame": "up"}),
}
_LATER_SCANS: _Block = {
    "sample": ("sample", 0.7 * TRAVEL, {"frame": "down", "line_period": 0.5, "centre": (1.5e-6, -2e-6)}),
    "check-x": ("grating", TRAVEL, {"frame": "up", "line_period": 0.7}),
    "check-y": ("grating", TRAVEL, {"frame": "down", "line_period": 0.7}),
    "check-step": ("low-step", 0.7 * TRAVEL, {"frame": "up", "line_period": 0.7}),
}


@dataclass(frozen=True, kw_only=True)
class AblatedPits(simulate.Surface):
    """A lapped face with scratches and a waviness, and a square pattern of laser-ablated pits with raised rims.

    Parameters
    ----------
    spacing
        Of the pits, m.
    radius, depth
        Of a pit, m.
    lapping
        Standard deviation of the height between the pits, m.
    seed
        Which scratches, and how the pits differ.
    """

    spacing: float = 4e-6
    radius: float = 1.2e-6
    depth: float = 250e-9
    lapping: float = 6e-9
    seed: int = 0

    def relief(self, x: Float, y: Float) -> Float:
        """Return the height above the lapped plane, m."""
        rough = simulate.Flat(waviness=self.lapping, wavelength=1.5e-6, seed=self.seed).relief(x, 0.15 * y)
        column, row = np.rint(x / self.spacing), np.rint(y / self.spacing)
        away = np.hypot(x - column * self.spacing, y - row * self.spacing) / self.radius
        uneven = 1 + 0.06 * np.sin(12.9898 * column + 78.233 * row + self.seed)  # each pit a little different
        pit = -self.depth * uneven * np.exp(-(away**4)) + 0.2 * self.depth * np.exp(-(((away - 1.25) / 0.18) ** 2))
        return np.asarray(rough + pit)


@dataclass(frozen=True)
class Demo:
    """What was made up, with the truth that a real instrument never tells.

    Attributes
    ----------
    folder
        Where its files are.
    physics
        What the scanner does.
    sample, truth
        The scan of the sample, and the true position of its pixels, m, shape ``(2, pass, slow, fast)``.
    pitch
        True pitch of the grating, m.
    """

    folder: Path
    physics: ScannerPhysics
    sample: Scan
    truth: Float
    pitch: float


def make_demo(folder: Path, *, points: int = POINTS, seed: int = 7, force: bool = False) -> Demo:
    """Write the scans, standards and plans of the demo.

    Parameters
    ----------
    folder
        Where to; it is made if need be.
    points
        Along both axes of each scan.
    seed
        Of everything random.
    force
        Whether a folder that holds something may be used, and its files written over.

    Raises
    ------
    CalibError
        If the folder holds something, without `force`.
    """
    check_folder(folder, force)
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in {**_STANDARDS, "plan.toml": _plan(_CALIBRATION), "checks.toml": _plan(_LATER_SCANS)}.items():
        with write_atomically(folder / name, force) as temporary:
            temporary.write_text(text, encoding="utf-8")
    physics = scanner_physics(
        (TRAVEL, TRAVEL),
        scale=(1.03, 0.98),
        skew=float(np.deg2rad(1.3)),
        bending=0.01,
        loop=0.04,
        creep=0.012,
        drift=(0.026e-9, -0.015e-9),
        height=(1.042, 1.5e3, 0.0),
        seed=seed,
    )
    surfaces = _surfaces(folder)
    scans: dict[str, simulate.Recording] = {}
    for block, began in ((_CALIBRATION, simulate.BEGAN), (_LATER_SCANS, simulate.BEGAN + _LATER)):
        flaws = simulate.Flaws(noise=1e-9, dust=3, streaks=0.01)
        instrument = simulate.VirtualInstrument(physics=physics, flaws=flaws, scanner=NAME, began=began)
        session = simulate.Session(
            began=began,
            points=points,
            scanner=NAME,
            controller={"range": "20 um", "loop": "open"},
            temperature=_TEMPERATURE,
            z_centre=0.0,
        )
        for name, (shown, size, options) in block.items():
            frame = session.frame(size, title=name, **options)
            surface = surfaces["grating-y" if name == "check-y" else shown]
            scans[name] = instrument.record(surface, frame, seed=seed + len(scans))
            write_scan(folder / f"{name}.nc", scans[name].scan, force=force)
    grating = surfaces["grating"]
    assert isinstance(grating, simulate.Grating)
    return Demo(folder, physics, *scans["sample"], grating.pitch)


def check_folder(folder: Path, force: bool) -> None:
    """Find out before anything is said whether the demo may write there.

    Raises
    ------
    CalibError
        If it is a file, or holds something, without `force`.
    """
    if folder.exists() and not folder.is_dir():
        raise FileError(f"{folder} is a file, and the demo needs a folder: name another.")
    if folder.is_dir() and any(folder.iterdir()) and not force:
        raise OutputExistsError(f"The folder {folder} holds something already: name another, or use it with --force.")


def run_demo(folder: Path, run: Run, say: Say, *, force: bool = False, points: int = POINTS) -> dict[str, Any]:
    """Make the demo's files and run everything on them.

    Parameters
    ----------
    folder, points, force
        See :func:`make_demo`.
    run
        Runs a command.
    say
        Prints lines.

    Returns
    -------
    What was found, as a JSON object.
    """
    check_folder(folder, force)
    again = ["--force"] if force else []
    here = {name: str(folder / name) for name in ("plan.toml", "checks.toml", "model.json", "model.png", "corrected")}
    scan, checks = (str(folder / name) for name in ("sample.nc", "verification.json"))
    say(
        "A workshop ablates pits into seal rings and measures them with a small microscope, bench-1. Its chip was",
        "changed, so chip 7 is a new scanner, which nobody knows yet. All this is invented, and so are the scans.",
        "",
        f"1. A virtual instrument scans a grid and a step, and later other things. The scans are in {folder}, with the",
        "   certificates and a plan that says which scan shows what. First a look at one of the scans.",
    )
    demo = make_demo(folder, force=force, points=points)
    codes = [run(["inspect", str(folder / "grid-up.nc")])]
    say("", "2. One calibration from all scans of the plan.")
    codes.append(run(["calibrate", here["plan.toml"], "-o", here["model.json"], *again]))
    say("", "3. What the model holds, and a picture of it.")
    codes.append(run(["show", here["model.json"], "-o", here["model.png"], *again]))
    say("", "4. Nine days later a seal ring is scanned, and the scan corrected.")
    figures = ["--uncertainty", "--figures"]
    codes.append(run(["correct", scan, "--model", here["model.json"], "-o", here["corrected"], *figures, *again]))
    say("", "5. Does the calibration still hold? Checked with a grating and a step that it never saw.")
    codes.append(run(["verify", "--model", here["model.json"], here["checks.toml"], "-o", checks, *again]))
    known = compare(demo, load_model(here["model.json"]))
    drawn = [here["model.png"], str(Path(here["corrected"]) / "sample.png")]
    say("", "6. Only in a demo: the virtual instrument knows the truth.", *_told(known))
    say(
        "",
        "Look at",
        *(f"  {name}" for name in drawn),
        "Then take plan.toml for a pattern, and put your own scans in it.",
    )
    return {"folder": str(folder), "exit_codes": codes, "truth": known, "figures": drawn}


def compare(demo: Demo, model: Model) -> dict[str, Any]:
    """Compare what a model says with the truth of the virtual instrument."""
    located = model.locate(demo.sample)
    commanded = np.broadcast_to(np.stack(demo.sample.commanded())[:, None], demo.truth.shape)
    first = 1 if demo.sample.frame == "up" else 0
    lines = slice(first, demo.sample.shape[1] - (1 - first))  # not the first line, where the scanner still arrives
    truth = demo.truth[:, :, lines]
    raw = _after_rigid_motion(commanded[:, :, lines], truth)
    left = _after_rigid_motion(np.stack([located.x, located.y])[:, :, lines], truth)
    U = 2 * np.stack([located.u_x, located.u_y])[:, :, lines]
    size = model.domain.sizes[1]
    true_model = model.replace(
        motion=demo.physics.scanner, values=demo.physics.values, covariance=demo.physics.scanner.prior_covariance
    )
    quantities = {
        "scale x": (*model.scale(0, size), mean_scale(true_model, 0, size, None, 0.0)[0], "1"),
        "scale y": (*model.scale(1, size), mean_scale(true_model, 1, size, None, 0.0)[0], "1"),
        "skew": (model["skew"].value, model["skew"].u, float(demo.physics.values[2]), "rad"),
        "z gain": (model["z_gain"].value, model["z_gain"].u, demo.physics.height[0], "1"),
    }
    return {
        "quantities": {
            name: {"found": value, "u": u, "true": true, "unit": unit}
            for name, (value, u, true, unit) in quantities.items()
        },
        "position_error": {
            name: {"rms": float(np.sqrt(np.mean(np.sum(e**2, axis=0)))), "largest": float(np.hypot(*e).max())}
            for name, e in (("before", raw), ("after", left))
        },
        "within_stated": float(np.mean(np.abs(left) <= U)),
        "grating_pitch": demo.pitch,
    }


def _told(known: dict[str, Any]) -> list[str]:
    lines = []
    for name, q in known["quantities"].items():
        said, true = format_quantity(q["found"], q["unit"], u=q["u"]), show(q["true"], q["unit"], 6)
        lines.append(f"  {name:<8}  found {said}, true {true}")
    before, after = known["position_error"]["before"], known["position_error"]["after"]
    return [
        *lines,
        f"  Positions in the seal ring's scan are wrong by {show(before['rms'], digits=3)} rms and"
        f" {show(before['largest'], digits=3)} at most as recorded,",
        f"  and by {show(after['rms'], digits=2)} rms and {show(after['largest'], digits=2)} at most as corrected;"
        f" {known['within_stated']:.0%} of their coordinates lie within the stated U (k = 2).",
        f"  The true pitch of the grating, at its temperature, is {show(known['grating_pitch'], digits=6)}.",
        "  This instrument errs just as the model can describe. A real one does not, so expect worse.",
    ]


def _after_rigid_motion(found: Float, true: Float) -> Float:
    """Errors of positions, m, after the shift and turn that suit them best; the shape of `found`."""
    a, b = found.reshape(2, -1), true.reshape(2, -1)
    a, b = a - a.mean(axis=1, keepdims=True), b - b.mean(axis=1, keepdims=True)
    angle = np.arctan2(np.sum(a[0] * b[1] - a[1] * b[0]), np.sum(a * b))
    cos, sin = np.cos(angle), np.sin(angle)
    return np.asarray((np.array([[cos, -sin], [sin, cos]]) @ a - b).reshape(found.shape))


def _plan(block: _Block) -> str:
    travel = ", ".join(f'"{show(side)}"' for side in (TRAVEL, TRAVEL, 4e-6))
    lines = [f'[scanner]\nname = "{NAME}"\ntravel = [{travel}]']
    lines += [
        f'[[scan]]\nfile = "{name}.nc"\nstandard = "{shown}.toml"'
        for name, (shown, *_) in block.items()
        if shown != "sample"
    ]
    return "\n\n".join(lines) + "\n"


def _surfaces(folder: Path) -> dict[str, simulate.Surface]:
    """Return what lies on the stage: standards, a little off their certificates as they always are, and the sample."""
    grid, step, grating, low = (load_standard(folder / name).at(_TEMPERATURE) for name in _STANDARDS)
    assert isinstance(grid, Grid)
    assert isinstance(grating, Grating)
    assert isinstance(step, Step)
    assert isinstance(low, Step)
    pitch = grating.pitch.value - 0.4 * grating.pitch.u
    lines = simulate.Grating(pitch=pitch, height=80e-9, theta=0.05, origin=(0.7e-6, 0.0), jitter=2e-9, tip_radius=20e-9)
    along_y = simulate.Grating(pitch=pitch, height=80e-9, theta=np.pi / 2 + 0.03, jitter=2e-9, tip_radius=20e-9)
    return {
        "grid": simulate.Grid(
            pitch_x=grid.pitch_x.value + 0.5 * grid.pitch_x.u,
            pitch_y=grid.pitch_y.value - 0.3 * grid.pitch_y.u,
            angle=grid.angle.value + 0.6 * grid.angle.u,
            height=90e-9,
            theta=0.04,
            origin=(0.3e-6, -0.5e-6),
            slope=(0.004, -0.002),
            jitter=2e-9,
            tip_radius=20e-9,
        ),
        "step": simulate.Step(
            height=step.height.value + 0.5 * step.height.u, width=6.4e-6, slope=(0.001, 0.0005), tip_radius=20e-9
        ),
        "grating": lines,
        "grating-y": along_y,
        "low-step": simulate.Step(
            height=low.height.value - 0.7 * low.height.u, width=4.1e-6, slope=(0.001, 0.0005), tip_radius=20e-9
        ),
        "sample": AblatedPits(theta=0.2, origin=(0.4e-6, 0.9e-6), slope=(0.01, 0.004), seed=3),
    }
