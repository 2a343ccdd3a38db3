"""The faults that :mod:`tests.benchmarks.findings` counts: each is put into a scan that is clean otherwise."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from calib.scan import Scan
from calib.simulate import faults
from calib.standard import Grating, Grid, Standard, Value
from tests.benchmarks.scenes import KINDS, Scene, clean

Rng = np.random.Generator
Spoilt = tuple[Scan, Standard | None]


@dataclass(frozen=True)
class Fault:
    """A way to spoil a scan.

    Attributes
    ----------
    kinds
        Findings of any of these kinds count as found.
    size
        Of the fault, in words.
    spoil
        From a generator and a seed to the spoilt scan and its standard.
    notes
        Whether a note is enough.
    """

    kinds: tuple[str, ...]
    size: str
    spoil: Callable[[Rng, int], Spoilt]
    notes: bool = False


FAULTS: dict[str, Fault] = {}


def fault(*kinds: str, size: str, notes: bool = False) -> Callable[[Callable[[Rng, int], Spoilt]], Any]:
    def enter(spoil: Callable[[Rng, int], Spoilt]) -> Any:
        FAULTS[spoil.__name__.replace("_", " ")] = Fault(kinds, size, spoil, notes)
        return spoil

    return enter


def draw(rng: Rng, seed: int, *kinds: str, **fixed: Any) -> Scene:
    """Draw a clean scene of one of some kinds."""
    return clean(seed, str(rng.choice(kinds or KINDS)), **fixed)


STRUCTURED = ("grid", "grating", "step", "rough")
PATTERNED = ("grid", "grating")


# --- values --------------------------------------------------------------------------------------


@fault("saturation", size="1 to 15 % of the points cut at one end of the range")
def saturation(rng: Rng, seed: int) -> Spoilt:
    scan = draw(rng, seed, "grid", "grating", "step", "rough", "flat", "lit").scan
    part = rng.uniform(1, 15)
    if rng.uniform() < 0.5:
        return faults.clipped(scan, low=float(np.nanpercentile(scan.values, part))), None
    return faults.clipped(scan, high=float(np.nanpercentile(scan.values, 100 - part))), None


@fault("missing lines", size="1 to 5 lines without data, zero, or stored twice")
def missing_lines(rng: Rng, seed: int) -> Spoilt:
    scan = draw(rng, seed).scan
    how = rng.choice(["nothing", "zero", "repeated"])
    rows = rng.choice(np.arange(1, scan.slow.size), rng.integers(1, 6), replace=False)
    return faults.without_lines(scan, rows.tolist(), how), None


@fault("missing lines", size="frame stopped after 50 to 95 % of the lines")
def stopped_frame(rng: Rng, seed: int) -> Spoilt:
    scan = draw(rng, seed).scan
    done = int(rng.uniform(0.5, 0.95) * scan.slow.size)
    rows = range(done, scan.slow.size) if scan.frame != "down" else range(scan.slow.size - done)
    return faults.without_lines(scan, list(rows)), None


@fault("quantised heights", size="steps of 3 to 20 times the noise, at most 1/8 of the structure")
def quantised_heights(rng: Rng, seed: int) -> Spoilt:
    return _quantised(rng, draw(rng, seed, "grid", "grating", "step"))


def _quantised(rng: Rng, scene: Scene) -> Spoilt:
    noise = min(scene.noise, scene.structure / 30)
    quantum = min(noise * float(10 ** rng.uniform(0.5, 1.3)), scene.structure / 8)
    return faults.quantised(scene.again(noise=noise), quantum), None


@fault("no data", size="all points without data")
def no_data(rng: Rng, seed: int) -> Spoilt:
    scan = draw(rng, seed).scan
    return scan.replace(channels={scan.channel: np.full(scan.shape, np.nan)}), None


# --- lines ---------------------------------------------------------------------------------------


@fault("streaks", size="1 to 5 % of the lines (3 at least) displaced over 10 % or more, by 5 times the noise or more")
def streaks(rng: Rng, seed: int) -> Spoilt:
    scene = draw(rng, seed)
    values = np.array(scene.scan.values)
    passes, slow, fast = values.shape
    height = max(5 * scene.noise, 0.3 * scene.structure)
    for _ in range(max(3, round(rng.uniform(0.01, 0.05) * passes * slow))):
        length = int(rng.uniform(0.1, 1) * fast) + 1
        begin = int(rng.integers(0, fast - length + 1))
        shift = height * rng.uniform(1, 2) * rng.choice([-1, 1])
        values[rng.integers(passes), rng.integers(1, slow - 1), begin : begin + length] += shift
    return scene.scan.replace(channels={scene.scan.channel: values}), None


@fault("jump", size="0.2 to 2 times the structure and 6 times the noise or more, at any moment in mid-frame")
def jump(rng: Rng, seed: int) -> Spoilt:
    scene = draw(rng, seed)
    by = max(6 * scene.noise, scene.structure * float(rng.uniform(0.2, 2))) * rng.choice([-1, 1])
    return faults.jumped(scene.scan, float(rng.uniform(0.1, 0.9)), by), None


# --- passes --------------------------------------------------------------------------------------


@fault("dead pass", size="one pass holds noise only")
def dead_pass(rng: Rng, seed: int) -> Spoilt:
    scene = draw(rng, seed, *STRUCTURED, passes=2, pattern="raster")
    return faults.dead(scene.scan, int(rng.integers(2)), scene.noise, seed), None


@fault("swapped passes", size="trace and retrace exchanged; loops of 6 % of the travel at full travel")
def swapped_passes(rng: Rng, seed: int) -> Spoilt:
    scene = draw(rng, seed, "grid", "rough", passes=2, pattern="raster", loop=0.06)
    return faults.swapped(scene.scan), None


@fault("mirrored pass", size="lines of one pass stored backwards; grids and rough surfaces")
def mirrored_pass(rng: Rng, seed: int) -> Spoilt:
    scene = draw(rng, seed, "grid", "rough", passes=2, pattern="raster")
    return faults.mirrored(scene.scan, int(rng.integers(2))), None


@fault("lag", size="3 to 6 pixels in each pass, less than a fifth of the pitch")
def lag(rng: Rng, seed: int) -> Spoilt:
    scene = draw(rng, seed, "grid", "rough", passes=2, pattern="raster", coarse=True)
    return faults.lagging(scene.scan, float(rng.uniform(3, 6 if scene.kind == "rough" else 4))), None


# --- feedback and pick-up ------------------------------------------------------------------------


@fault(
    "interference",
    size="amplitude 1.5 to 4 times the noise and 5 % of the structure or more; two passes; frequency 5 cycles a frame "
    "or more off whole and half multiples of the line rate",
)
def interference(rng: Rng, seed: int) -> Spoilt:
    scene = draw(rng, seed, passes=2, pattern="raster", line_period=1.0)
    return _disturbed(rng, scene), None


_OFF_BEAT = 5.0  # cycles a frame


def _disturbed(rng: Rng, scene: Scene, least: float = 1.5, part: float = 0.05) -> Scan:
    amplitude = max(scene.noise * float(rng.uniform(least, 4)), part * scene.structure)
    nyquist = scene.scan.fast.size / (scene.scan.line_period or 1.0)
    frequency = float(rng.uniform(0.15, 0.9)) * nyquist
    # in step with the lines, or with every other line, stripes stand still and may be a pattern
    period, rows = scene.scan.line_period or 1.0, scene.scan.slow.size
    beat = (frequency * period) % 0.5 * rows
    if not _OFF_BEAT < beat < rows / 2 - _OFF_BEAT:
        frequency += 2 * _OFF_BEAT / rows / period
    return faults.disturbed(scene.scan, frequency, amplitude, float(rng.uniform(0, 2 * np.pi)))


# --- against the standard, and what the scan says of itself ----------------------------------------


@fault("too few periods", size="2 to 4.5 periods in the frame")
def too_few_periods(rng: Rng, seed: int) -> Spoilt:
    return _pitched(rng, seed, lambda size, points: size / float(rng.uniform(2, 4.5)))


@fault("too many periods", size="2 to 5 points a period")
def too_many_periods(rng: Rng, seed: int) -> Spoilt:
    return _pitched(rng, seed, lambda size, points: size / points * float(rng.uniform(2, 5)))


def _pitched(rng: Rng, seed: int, pitch: Callable[[float, int], float]) -> Spoilt:
    scene = draw(rng, seed, "grating")
    scan = scene.scan
    chosen = pitch(max(scan.size), min(scan.fast.size, scan.slow.size))
    surface = scene.changed(pitch=chosen, edge=0.2, duty=0.5, tip_radius=0.0, theta=scan.rotation)
    return scene.again(surface=surface), Grating(name="grating", pitch=Value(chosen, 1e-3 * chosen))


@fault("no such pattern", size="pitch of the standard 1.8 to 5 times that of the picture, or less by as much")
def wrong_standard(rng: Rng, seed: int) -> Spoilt:
    scene = draw(rng, seed, "grating")
    factor = float(rng.uniform(1.8, 5))
    size, points = max(scene.scan.size), scene.scan.fast.size
    pitch = scene.pitch
    pitch = pitch * factor if pitch * factor < size / 3.2 else pitch / factor
    return scene.scan, Grating(name="another", pitch=Value(max(pitch, 3.2 * size / points), 1e-9))


@fault("nonsense size", "nonsense heights", size="size 1000 times too large or small, or heights a million times")
def wrong_unit(rng: Rng, seed: int) -> Spoilt:
    scene = draw(rng, seed, "grid", "grating", "step", "rough")
    scan = scene.scan
    which = rng.integers(3)
    if which == 0:
        return scan.replace(channels={"height": scan.values * 1e6}), scene.standard
    scene = draw(rng, seed, "grid", "grating")
    factor = 1000.0 if which == 1 else 0.001
    scan = scene.scan
    return scan.replace(fast=scan.fast * factor, slow=scan.slow * factor), scene.standard


@fault("nonsense speed", size="line period a thousand times too long, or a million times too short")
def wrong_timing(rng: Rng, seed: int) -> Spoilt:
    scan = draw(rng, seed, line_period=float(rng.choice([0.7, 1.0, 2.0]))).scan
    factor = float(rng.choice([1e3, 1e-6])) * (1 if scan.slow.size >= 256 else 2)
    period = (scan.line_period or 1.0) * factor
    return scan.replace(line_period=period, turnaround=period / 20), None


@fault("nonsense rest position", size="a thousand times too far")
def wrong_rest_position(rng: Rng, seed: int) -> Spoilt:
    scan = draw(rng, seed).scan
    return scan.replace(previous_x=(scan.previous_x or 1e-6) * 1e3, previous_y=1e-2), None


@fault("no timing", size="line_period left out", notes=True)
def missing_timing(rng: Rng, seed: int) -> Spoilt:
    return draw(rng, seed).scan.replace(line_period=None, turnaround=None), None


# --- values again: the order of faults draws their seeds --------------------------------------------


@fault("saturation", size="heights, 1 to 15 % of the points cut; the rail has 2 to 10 % of the noise")
def saturation_with_a_noisy_rail(rng: Rng, seed: int) -> Spoilt:
    scene = draw(rng, seed, "grid", "grating", "step", "rough", "flat")
    part, high = rng.uniform(1, 15), bool(rng.integers(2))
    limit = float(np.nanpercentile(scene.scan.values, 100 - part if high else part))
    cut = faults.clipped(scene.scan, high=limit) if high else faults.clipped(scene.scan, low=limit)
    noise = rng.normal(0, rng.uniform(0.02, 0.1) * scene.noise, cut.values.shape) * (cut.values == limit)
    return cut.replace(channels={**cut.channels, cut.channel: cut.values + noise}), None


@fault(
    "quantised heights",
    size="the same of rough surfaces, whose roughness carries the mean over the steps as noise does",
    notes=True,
)
def quantised_roughness(rng: Rng, seed: int) -> Spoilt:
    return _quantised(rng, draw(rng, seed, "rough"))


# --- lines, feedback, probe ----------------------------------------------------------------------------


@fault(
    "ringing",
    size="period of 5 to 12 pixels, damping 0.1 to 0.3 of critical (overshoot 37 to 73 %); grids and gratings across "
    "the fast axis, a fine raster (pitch of 24 pixels or more where the frame allows), noise of 5 % of the structure "
    "at most",
)
def ringing(rng: Rng, seed: int) -> Spoilt:
    scene = draw(rng, seed, "grid", "grating", aligned=True, coarse=True)
    scan = scene.again(noise=min(scene.noise, scene.structure / 20))
    return faults.ringing(scan, float(rng.uniform(5, 12)), float(rng.uniform(0.1, 0.3))), None


@fault("undersampled edges", size="edges narrower than 0.8 of a pixel")
def undersampled_edges(rng: Rng, seed: int) -> Spoilt:
    scene = draw(rng, seed, "grid", "grating")
    pixel = min(scene.scan.spacing)
    narrow = 0.8 * pixel * float(rng.uniform(0.2, 1)) / scene.pitch
    return scene.again(surface=scene.changed(edge=narrow, tip_radius=0.0)), None


@fault(
    "double tip",
    size="second end 0.2 to 0.6 of the structure higher above the plane of the sample, 0.15 to 0.3 of the pitch aside "
    "(10 pixels at least), pitch of 36 pixels or more, noise of 3 % of the structure at most",
)
def double_tip(rng: Rng, seed: int) -> Spoilt:
    scene = draw(rng, seed, "grid", "grating", feature="bumps", aligned=True, coarse=True, points=256)
    along, across = scene.scan.axes
    pitch = max(scene.pitch, 36 * scene.scan.spacing[0])
    away = max(10 * scene.scan.spacing[0], pitch * float(rng.uniform(0.15, 0.3)))
    angle = float(rng.uniform(-0.6, 0.6)) + np.pi * rng.integers(2)
    # across the lines that the fast axis meets, so that each is met twice
    offset = away * (np.cos(angle) * along + np.sin(angle) * across)
    sides = {"pitch_x": pitch, "pitch_y": pitch} if scene.kind == "grid" else {"pitch": pitch}
    surface = scene.changed(duty=0.4, edge=min(scene.surface.edge, 0.12), **sides)
    # on a tilted sample the second end is nearer to the surface, or farther away
    higher = scene.structure * float(rng.uniform(0.2, 0.6)) + float(np.dot(surface.slope, offset))
    probe = faults.DoubleTip(surface, (offset[0], offset[1]), higher)
    return scene.again(surface=probe, noise=min(scene.noise, scene.structure / 30)), None


# --- shape ---------------------------------------------------------------------------------------


@fault("tilt", size="4 to 10 degrees")
def tilt(rng: Rng, seed: int) -> Spoilt:
    scene = draw(rng, seed, "grid", "grating", "step", "flat", "rough")
    slope, way = np.tan(np.deg2rad(rng.uniform(4, 10))), rng.uniform(0, 2 * np.pi)
    return scene.again(surface=scene.changed(slope=(float(slope * np.cos(way)), float(slope * np.sin(way))))), None


# --- what was done before ------------------------------------------------------------------------


@fault("levelled lines", size="mean, median, straight line or median difference taken off each line")
def levelled_lines(rng: Rng, seed: int) -> Spoilt:
    scan = draw(rng, seed, "grid", "grating", "step", "flat", "rough").scan
    return faults.levelled(scan, rng.choice(["mean", "median", "line", "difference"])), None


@fault("levelled", size="least-squares plane or polynomial of degree 2 taken off", notes=True)
def levelled_as_a_whole(rng: Rng, seed: int) -> Spoilt:
    scan = draw(rng, seed, "grid", "grating", "step", "flat", "rough").scan
    return faults.levelled(scan, rng.choice(["plane", "bowl"])), None


@fault("filtered", size="Gaussian of 0.7 to 2 pixels, or mean over 3 or 5 pixels squared")
def smoothed(rng: Rng, seed: int) -> Spoilt:
    scan = draw(rng, seed, gaps=0.0).scan
    how = rng.choice(["gauss", "mean"])
    size = float(rng.uniform(0.7, 2)) if how == "gauss" else float(rng.choice([3, 5]))
    return faults.smoothed(scan, how, size), None


@fault(
    "filtered",
    size="median over 3, 5 or 7 pixels squared of values that are not rounded; no steps on a smooth slope, no flats",
)
def smoothed_by_medians(rng: Rng, seed: int) -> Spoilt:
    scan = draw(rng, seed, "grid", "grating", "rough", "lit", gaps=0.0, quantum=0.0).scan
    return faults.smoothed(scan, "median", float(rng.choice([3, 5, 7]))), None


@fault(
    "sideways jump",
    size="0.2 to 0.45 of the pitch across the lines of a grating that the fast axis crosses (within 6 degrees), "
    "20 to 80 % through the frame",
)
def sideways_jump(rng: Rng, seed: int) -> Spoilt:
    scene = draw(rng, seed, "grating", aligned=True)
    by, when = scene.pitch * float(rng.uniform(0.2, 0.45)), float(rng.uniform(0.2, 0.8))
    return scene.again(displacement=faults.slipped(when, _across(rng, scene, by))), None


@fault(
    "drift",
    size="15 to 30 % of the frame across the lines of a grating that the fast axis crosses (within 6 degrees), "
    "settling in 0.15 to 0.4 of the frame's time",
    notes=True,
)
def drift_that_settles(rng: Rng, seed: int) -> Spoilt:
    scene = draw(rng, seed, "grating", aligned=True)
    by = max(scene.scan.size) * float(rng.uniform(0.15, 0.3))
    return scene.again(displacement=faults.settling(_across(rng, scene, by), float(rng.uniform(0.15, 0.4)))), None


def _across(rng: Rng, scene: Scene, by: float) -> tuple[float, float]:
    """A displacement across the lines of a grating, to either side."""
    way = by * float(rng.choice([-1, 1]))
    return way * float(np.cos(scene.surface.theta)), way * float(np.sin(scene.surface.theta))


@fault(
    "stretched pattern",
    size="12 to 20 % of the frame in any direction, a grid of 8 periods or more with its standard",
    notes=True,
)
def steady_drift(rng: Rng, seed: int) -> Spoilt:
    scene = draw(rng, seed, "grid", points=256)
    pitch = min(scene.surface.pitch_x, min(scene.scan.size) / 9)
    surface = scene.changed(pitch_x=pitch, pitch_y=pitch, edge=0.2, duty=0.5, tip_radius=0.0)
    by, way = max(scene.scan.size) * float(rng.uniform(0.12, 0.2)), float(rng.uniform(0, 2 * np.pi))
    drift = faults.slipping(0.0, (by * float(np.cos(way)), by * float(np.sin(way))))
    side = Value(pitch, 1e-3 * pitch)
    standard = Grid(name="grid", pitch_x=side, pitch_y=side, angle=Value(np.pi / 2, 1e-4))
    return scene.again(surface=surface, displacement=drift), standard
