"""Clean scans of all sorts, drawn at random: what the checks of :mod:`calib.findings` must stay silent about.

Every draw is honest about what a careful user records: edges two pixels or more wide, eight points a period, five
periods, tilt up to 1.5 degrees, noise, a little dust, drifting line offsets. Half of the instruments have foreign
physics (see :mod:`tests.foreign`), half the library's own effects; loops reach 6 % of the travel.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.path import Path, Samples
from calib.scan import Scan
from calib.scanner.creep import relax
from calib.scanner.hysteresis import play_at
from calib.simulate import Flat, Flaws, Grating, Grid, Lit, Session, Step, Surface, VirtualInstrument, faults
from calib.standard import Grating as GratingStandard
from calib.standard import Grid as GridStandard
from calib.standard import Standard, Value
from tests.foreign.physics import ForeignPhysics

Float = NDArray[np.float64]
TRAVEL = 20e-6


class OwnPhysics:
    """The library's own effects: axes, quadratic bending, play operators, relaxations, steady drift."""

    def __init__(self, seed: int, loop: float) -> None:
        rng = np.random.default_rng((seed, 30))
        self.scale = rng.uniform(0.95, 1.05, 2)
        self.skew = np.deg2rad(rng.uniform(-1.5, 1.5))
        self.bend = rng.uniform(-0.01, 0.01, (2, 3)) * TRAVEL / 2
        self.drift = rng.uniform(-0.05e-9, 0.05e-9, 3)
        self.radii = np.linspace(0.05, 0.95, 10) * TRAVEL / 2
        # the loop of n equal weights over half-widths up to A opens to A times their sum / 2, roughly
        self.weight = 2 * loop / self.radii.size * rng.uniform(0.8, 1.2, 2)
        self.times = np.logspace(-2, 3, 8)
        self.creep = rng.uniform(0, 0.012, 2) * 5 / 8
        self.gain = 1 / rng.uniform(0.93, 1.07)

    def motion(self, path: Path, samples: Samples, clock: float) -> Float:
        u, v = 2 * samples.position / TRAVEL
        moved = samples.position.copy()
        for axis in (0, 1):
            moved[axis] += self.bend[axis] @ np.stack([u * u, u * v, v * v])
            moved[axis] += self.weight[axis] * (play_at(path, samples, axis, self.radii) - samples.position[axis]).sum(
                axis=0
            )
            if path.timed:
                moved[axis] += self.creep[axis] * relax(path, samples, axis, self.times).sum(axis=0)
        time = np.nan_to_num(samples.time)
        return np.stack(
            [
                self.scale[0] * moved[0] + np.sin(self.skew) * self.scale[1] * moved[1] + self.drift[0] * time,
                np.cos(self.skew) * self.scale[1] * moved[1] + self.drift[1] * time,
            ]
        )

    def indicate(self, height: Float, path: Path, samples: Samples, clock: float) -> Float:
        return self.gain * (height - self.drift[2] * np.nan_to_num(samples.time))


@dataclass(frozen=True)
class Rough:
    """A random surface, Gaussian or self-affine, on a table with periodic borders, read by smooth interpolation."""

    rms: float
    length: float
    hurst: float | None
    seed: int
    slope: tuple[float, float] = (0.0, 0.0)

    def __call__(self, x: Float, y: Float) -> Float:
        from scipy.ndimage import map_coordinates

        side = 32e-6
        table = _rough_table(self.length / side, self.hurst, self.seed)
        at = np.stack([np.ravel(y), np.ravel(x)]) / side * len(table)
        relief = map_coordinates(table, at, order=3, mode="grid-wrap", prefilter=False).reshape(np.shape(x))
        return np.asarray(self.rms * relief + self.slope[0] * x + self.slope[1] * y)


@lru_cache(maxsize=8)
def _rough_table(length: float, hurst: float | None, seed: int, points: int = 768) -> Float:
    from scipy.ndimage import spline_filter

    rng = np.random.default_rng((seed, 31))
    k = np.hypot(np.fft.fftfreq(points)[:, None], np.fft.rfftfreq(points)[None, :]) * points
    gaussian = hurst is None
    size = (
        np.exp(-((np.pi * length * k) ** 2) / 4) if gaussian else (1 + (length * k) ** 2) ** (-((hurst or 0) + 1) / 2)
    )
    size[0, 0] = 0
    table = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((points, points))) * size, (points, points))
    return np.asarray(spline_filter(table / table.std(), order=3, mode="grid-wrap"))


@dataclass(frozen=True)
class Scene:
    """A clean scan with what made it, so that a fault can be put in before or after recording."""

    kind: str
    scan: Scan
    surface: Any
    structure: float
    """Height (or brightness) from plateau to plateau, or twice the standard deviation of a rough surface."""
    noise: float
    standard: Standard | None
    again: Callable[..., Scan]
    """``again(surface=..., noise=..., displacement=...)`` records the same frame with something changed."""

    @property
    def pitch(self) -> float:
        """Of a grating or of the rows of a grid, m."""
        return float(self.surface.pitch if isinstance(self.surface, Grating) else self.surface.pitch_x)

    def changed(self, **changes: Any) -> Any:
        """Return the surface with something changed."""
        return replace(self.surface, **changes)


KINDS = ("grid", "grating", "step", "flat", "rough", "lit")


def clean(seed: int, kind: str | None = None, **fixed: Any) -> Scene:
    """Draw a clean scan.

    Parameters
    ----------
    seed
        Which.
    kind
        One of :data:`KINDS`; by default drawn too.
    fixed
        ``points``, ``passes``, ``pattern``, ``line_period``, ``loop``, ``gaps``, ``quantum``, ``feature`` in place of
        drawn ones; ``coarse`` for a pitch of 24 pixels or more; ``aligned`` for a raster along the lines of the
        surface, within a few degrees.
    """
    rng = np.random.default_rng((seed, 40))
    kind = kind or str(rng.choice(KINDS, p=[0.3, 0.22, 0.16, 0.08, 0.14, 0.1]))
    points = fixed.get("points") or int(rng.choice([128, 192, 256, 256, 320]))
    points_slow = points if rng.uniform() < 0.8 else int(rng.choice([96, 160, 256]))
    size = float(rng.uniform(6e-6, TRAVEL))
    size_slow = size if rng.uniform() < 0.8 else size * float(rng.uniform(0.6, 1.0))
    pattern = fixed.get("pattern") or ("serpentine" if rng.uniform() < 0.1 else "raster")
    two = bool(fixed["passes"] == 2 if "passes" in fixed else rng.uniform() < 0.75)
    passes = ("trace", "retrace") if two and pattern == "raster" else ("trace",)
    room = (TRAVEL - size) / 2
    timed = bool("line_period" in fixed or rng.uniform() < 0.9)
    gaps = float(fixed.get("gaps", rng.choice([0, 0, 0, 0, 0, 0.002, 0.02])))
    line_period = fixed.get("line_period", float(rng.choice([0.25, 0.5, 0.7, 1.0, 1.3, 2.0])))
    session = Session(scanner="bench")
    session.frame(TRAVEL, points=8)
    empty = session.frame(
        (size, size_slow),
        points=(points, points_slow),
        centre=tuple(rng.uniform(-room, room, 2)),
        rotation=float(rng.choice([0, 0, np.pi / 2, rng.uniform(-np.pi, np.pi)])) if not fixed.get("aligned") else 0.0,
        frame=str(rng.choice(["up", "down"])),
        line_period=line_period,
        turnaround=line_period * float(rng.uniform(0.02, 0.1)),
        passes=passes,
        pattern=pattern,
    )
    pixel = max(empty.spacing)
    surface, structure, standard = _surface(kind, rng, pixel, min(size, size_slow), bool(fixed.get("coarse")))
    if "feature" in fixed and kind == "grid":
        surface = replace(surface, feature=fixed["feature"])
    if fixed.get("aligned"):
        surface = replace(surface, theta=float(np.deg2rad(rng.uniform(-6, 6))))
    noise = structure * float(10 ** rng.uniform(-2.3, -1.0)) if kind != "flat" else float(10 ** rng.uniform(-10, -8.7))
    if kind == "rough":
        noise = structure * float(10 ** rng.uniform(-1.7, -0.8))
    dusty = kind != "flat" and rng.uniform() < 0.4
    flaws = Flaws(
        noise=noise,
        flicker=noise * float(rng.uniform(0, 0.5)),
        dust=int(rng.integers(1, 6)) if dusty and kind != "lit" else 0,
        dust_size=float(rng.uniform(3, 6)) * pixel,
        dust_height=structure,
        quantum=noise * float(rng.uniform(0.05, 0.4)) if rng.uniform() < 0.3 else 0.0,
    )
    if "quantum" in fixed:
        flaws = replace(flaws, quantum=float(fixed["quantum"]))
    loop = float(fixed.get("loop", rng.choice([0.0, 0.01, 0.03, 0.06, 0.06])))
    bow = float(rng.choice([0.0, 0.05])) * structure
    physics: ForeignPhysics | OwnPhysics
    physics = _foreign(int(rng.integers(12)), loop, bow) if rng.uniform() < 0.5 else OwnPhysics(seed, loop)
    single = bool(rng.uniform() < 0.3)

    def again(
        surface: Any = surface, noise: float | None = None, displacement: faults.Displacement | None = None
    ) -> Scan:
        changed = flaws if noise is None else replace(flaws, noise=noise)
        moved = physics if displacement is None else faults.Disturbed(physics, displacement)
        instrument = VirtualInstrument(physics=moved, flaws=changed)
        channel, unit = ("intensity", "V") if kind == "lit" else ("height", "m")
        scan = instrument.record(surface, empty, seed=seed, channel=channel, unit=unit).scan
        values = np.array(scan.values, dtype=np.float32 if single else np.float64)
        values[_gaps(values.shape, gaps, seed)] = np.nan
        timing = {} if timed else {"line_period": None, "turnaround": None}
        return scan.replace(channels={channel: values}, **timing)

    return Scene(kind, again(), surface, structure, noise, standard, again)


def _gaps(shape: tuple[int, ...], part: float, seed: int) -> NDArray[np.bool_]:
    """Points without data: spots of a few points, as an optical instrument leaves them."""
    from scipy.ndimage import maximum_filter

    lost = np.random.default_rng((seed, 41)).uniform(size=shape) < part / 6
    return np.asarray(maximum_filter(lost, (1, 2, 3)))


@lru_cache(maxsize=64)
def _foreign(seed: int, loop: float, bow: float) -> ForeignPhysics:
    return ForeignPhysics(seed, loop=loop, creep=0.012, bending=0.01, drift=0.03e-9, travel=TRAVEL, bow=bow)


def _surface(
    kind: str, rng: np.random.Generator, pixel: float, size: float, coarse: bool = False
) -> tuple[Surface | Rough | Lit, float, Standard | None]:
    tilt = np.deg2rad(rng.uniform(0, 1.5)) * np.array([np.cos(a := rng.uniform(0, 2 * np.pi)), np.sin(a)])
    slope = (float(tilt[0]), float(tilt[1]))
    place: dict[str, Any] = {"slope": slope, "origin": tuple(rng.uniform(-3e-6, 3e-6, 2))}
    # bench-top relief: flat against its pitch
    height = float(10 ** rng.uniform(-7.7, -6.7))
    longest = size / 5.8
    pitch = float(rng.uniform(min((24 if coarse else 10) * pixel, 0.9 * longest), longest))
    edge = max(float(rng.uniform(0.06, 0.2)), 2.2 * pixel / pitch)
    about = float(rng.choice([0.0, np.pi / 2]) + np.deg2rad(rng.uniform(-6, 6)))
    tip = float(rng.choice([0, 0, rng.uniform(0.05, 1.0)])) * (0.08 * pitch) ** 2 / (2 * height)
    line = {
        "height": height,
        "edge": edge,
        "tip_radius": tip,
        "wander": 0.003 * pitch,
        "seed": int(rng.integers(1 << 30)),
    }
    surface: Surface | Rough | Lit
    if kind == "grid" or kind == "lit":
        ratio = float(rng.choice([1.0, 1.0, rng.uniform(0.85, 1.0)]))
        feature = str(rng.choice(["bumps", "pits", "lines"]))
        duty = float(rng.uniform(max(0.3, edge), min(0.6, 1 - edge)))
        surface = Grid(pitch_x=pitch, pitch_y=pitch * ratio, feature=feature, duty=duty, theta=about, **line, **place)
        standard: Standard | None = GridStandard(
            name="grid",
            pitch_x=_certified(pitch),
            pitch_y=_certified(pitch * ratio),
            angle=Value(np.pi / 2, 1e-4, "rad"),
        )
        if kind == "lit":
            surface = dataclasses.replace(surface, slope=(0.0, 0.0))
            surface = Lit(surface=surface, height=height, reach=float(rng.uniform(0.7, 2) * size))
            return surface, 2.0, standard
        return surface, height, standard
    if kind == "grating":
        theta = about if rng.uniform() < 0.6 else float(rng.uniform(-np.pi, np.pi))
        duty = float(rng.uniform(max(0.3, edge), min(0.7, 1 - edge)))
        surface = Grating(pitch=pitch, duty=duty, theta=theta, **line, **place)
        return surface, height, GratingStandard(name="grating", pitch=_certified(pitch))
    if kind == "step":
        width = float(rng.uniform(0.2, 0.45)) * size if rng.uniform() < 0.7 else None
        wide = float(rng.uniform(2.2, 6)) * pixel
        theta = about if rng.uniform() < 0.6 else float(rng.uniform(-np.pi, np.pi))
        place["origin"] = tuple(rng.uniform(-0.2, 0.2, 2) * size)
        surface = Step(height=height, width=width, groove=bool(rng.integers(2)), edge=wide, theta=theta, **place)
        return surface, height, None
    if kind == "flat":
        wavy = float(10 ** rng.uniform(-9.5, -8.5))
        return Flat(waviness=wavy, wavelength=size, seed=int(rng.integers(1 << 30)), slope=slope), wavy, None
    rms = float(10 ** rng.uniform(-8.3, -7))
    gaussian = bool(rng.uniform() < 0.5)
    length = float(rng.uniform(5, 20)) * pixel if gaussian else float(rng.uniform(0.1, 0.4)) * size
    hurst = None if gaussian else float(rng.uniform(0.6, 1.0))
    return Rough(rms, length, hurst, int(rng.integers(24)), slope), 2 * rms, None


def _certified(value: float) -> Value:
    return Value(value, 1e-3 * value)
