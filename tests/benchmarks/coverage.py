"""Whether intervals of 95 % hold the truth 95 times in 100, on many instruments of foreign physics.

    python -m tests.benchmarks.coverage [--instruments 200] [--first 0] [--json FILE]

Each instrument is drawn at random, and so is each of its standards: what the standard truly is departs from its
certificate by a draw from the certificate's own uncertainty. It is calibrated from images of these standards, and then
measures other things under other conditions. Where a quantity is measured more than once on one instrument, its values
have the certificates and the model in common, so that they are no independent trials: the share of intervals that hold
the truth is that of all values, but its binomial interval counts instruments.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from pathlib import Path as FilePath

# before NumPy is loaded: small matrices, on which threads only wait for each other
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np  # noqa: E402
from scipy.stats import beta  # noqa: E402

from calib import measure  # noqa: E402
from calib.budget import coverage_factor  # noqa: E402
from calib.calibration import Scanner, calibrate  # noqa: E402
from calib.model import Model  # noqa: E402
from calib.observe.lateral import LateralObservation  # noqa: E402
from calib.path import Path  # noqa: E402
from calib.scan import Scan  # noqa: E402
from calib.simulate import Flat as FlatSurface  # noqa: E402
from calib.simulate import Grid as GridSurface  # noqa: E402
from calib.simulate import Session, raster  # noqa: E402
from calib.standard import Flat, Grid, Standard, Step, Value  # noqa: E402
from tests.foreign import GRID_HEIGHT, PITCH, ForeignInstrument  # noqa: E402

POINTS = 128
TRAVEL = 20e-6
Z_TRAVEL = 4e-6
LEVEL = 0.95
BAND = (0.93, 0.98)
STEP = 200e-9

Float = np.ndarray


@dataclass(frozen=True)
class Trial:
    """One interval and the truth; SI units."""

    instrument: int
    quantity: str
    about: str
    value: float
    u: float
    k: float
    truth: float

    @property
    def holds(self) -> bool:
        """Whether the interval holds the truth."""
        return abs(self.value - self.truth) <= self.k * self.u


# --- an instrument and its standards ---------------------------------------------------------------


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw a number whose logarithm is spread evenly."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


class Bench:
    """A foreign instrument and the standards beside it, all drawn at random.

    Loops of 1 to 6 %, creep of 0.3 to 1.5 % a decade, bending of up to 1 % of the travel, a bow of up to 35 nm, noise
    of 0.3 to 2 nm, and drift of 0.5 to 20 nm/min at first, as ambient instruments have it (common practice, no
    source).
    """

    def __init__(self, seed: int) -> None:
        rng = np.random.default_rng((seed, 31))
        self.seed = seed
        self.instrument = ForeignInstrument(
            seed,
            loop=float(rng.uniform(0.01, 0.06)),
            creep=float(rng.uniform(0.003, 0.015)),
            bending=float(rng.uniform(0.0, 0.01)),
            bow=float(rng.uniform(0.0, 35e-9)),
            drift=log_uniform(rng, 0.5e-9, 20e-9) / 60,
            noise=log_uniform(rng, 0.3e-9, 2e-9),
            travel=TRAVEL,
            points=POINTS,
        )
        u_pitch, u_angle = log_uniform(rng, 0.02e-2, 0.2e-2) / 2, np.deg2rad(0.02) / 2
        u_step = log_uniform(rng, 0.2e-2, 2e-2) / 2
        flatness = 20e-9
        self.grid, self.true_grid = self._grid(rng, PITCH, u_pitch, u_angle)
        self.fine, self.true_fine = self._grid(rng, PITCH / 2, u_pitch, u_angle)
        self.step = Step(name="step", height=Value(STEP, STEP * u_step, "m"))
        self.flat = Flat(name="flat", flatness=Value(flatness, flatness / np.sqrt(3), "m"), area=(5e-3, 5e-3))
        self.true_step = STEP * (1 + u_step * rng.standard_normal())
        self.rng = rng
        self.session = self.instrument.session()
        self._recorded = 0

    def _grid(self, rng: np.random.Generator, pitch: float, u: float, u_angle: float) -> tuple[Grid, GridSurface]:
        """A certificate, with relative uncertainty u of the pitches, and the grid that it is of."""
        certified = Grid(
            name=f"grid of {pitch * 1e6:g} µm",
            pitch_x=Value(pitch, pitch * u, "m"),
            pitch_y=Value(pitch, pitch * u, "m"),
            angle=Value(np.pi / 2, u_angle, "rad"),
        )
        true = GridSurface(
            pitch_x=pitch * (1 + u * rng.standard_normal()),
            pitch_y=pitch * (1 + u * rng.standard_normal()),
            angle=np.pi / 2 + u_angle * rng.standard_normal(),
            height=GRID_HEIGHT,
            theta=self.instrument.theta,
            origin=self.instrument.origin,
        )
        return certified, true

    def frame(self, size: float, **options: object) -> Scan:
        """Return the next frame of the session, empty; creep goes on from it in those that follow."""
        scan = self.session.frame(size, **options)
        self.instrument.remember(scan)
        return scan

    def record(self, surface: Callable[[Float, Float], Float], size: float, **frame: object) -> Scan:
        """Record the next frame of the session; heights are told about its place in the z range, where it has one."""
        scan = self.frame(size, **frame)
        place = scan.z_centre or 0.0
        self._recorded += 1
        recorded = self.instrument.record(lambda x, y: surface(x, y) + place, scan, self._recorded).scan
        return recorded.replace(channels={"height": recorded.height - place})

    def pairs(self) -> list[tuple[Scan, Standard]]:
        """Ten scans of grids, three of the step at three places of the z range, and two of the flat."""
        t, q, turned = TRAVEL, TRAVEL / 4, {"rotation": np.pi / 2}
        frames: list[tuple[float, dict[str, object]]] = [
            (t, {"frame": "up"}),
            (t, {"frame": "down"}),
            (t, {"frame": "up", **turned}),
            (t, {"frame": "down", "line_period": 0.3, **turned}),
            (t / 2, {"frame": "up", "centre": (-q, q)}),
            (t / 2, {"frame": "down", "centre": (q, -q), **turned}),
            (0.7 * t, {"frame": "down", "centre": (0.15 * t, 0.15 * t), "line_period": 0.3}),
            (0.7 * t, {"frame": "up", "centre": (-0.15 * t, -0.15 * t), **turned}),
            (0.4 * t, {"frame": "up", "centre": (q, q)}),
            (0.4 * t, {"frame": "up", "centre": (-q, -q), **turned}),
        ]
        found: list[tuple[Scan, Standard]] = [
            (self.record(surface, size, title=f"grid {k}", z_centre=0.0, **options), standard)
            for k, (size, options) in enumerate(frames)
            # of the coarse grid there would be too few periods in the smallest scans
            for surface, standard in [(self.true_fine, self.fine) if size < 5 * PITCH else (self.true_grid, self.grid)]
        ]
        step = self.instrument.step(self.true_step)
        for place in (0.0, 1e-6, -1e-6):
            scan = self.record(step, t, frame="up", title=f"step at {place * 1e6:g} µm", z_centre=place)
            found.append((scan, self.step))
        for options in ({"frame": "up"}, {"frame": "down", **turned}):
            scan = self.record(FlatSurface(), t, title="flat", z_centre=0.0, **options)
            found.append((scan, self.flat))
        return found

    def calibrated(self, **options: object) -> Model:
        """Return the model that calibration gives; see :func:`calib.calibrate`."""
        scanner = Scanner(f"foreign {self.seed}", (TRAVEL, TRAVEL, Z_TRAVEL))
        return calibrate(self.pairs(), scanner=scanner, **options)


# --- what is measured ------------------------------------------------------------------------------


def trials(seed: int, **options: object) -> list[Trial]:
    """Calibrate one instrument and measure with it; options are those of :func:`calib.calibrate`."""
    bench = Bench(seed)
    model = bench.calibrated(**options)
    return [
        *of_parameters(bench, model),
        *of_drift(bench, model),
        *of_scales(bench, model),
        *of_distances(bench, model),
        *of_pitches(bench, model),
        *of_steps(bench, model),
    ]


def of_parameters(bench: Bench, model: Model) -> Iterable[Trial]:
    """Skew, and gain of height in the middle of the range."""
    k = coverage_factor(LEVEL)
    skew, gain = model["skew"], model["z_gain"]
    yield Trial(bench.seed, "skew", "", skew.value, skew.u, k, bench.instrument.skew)
    yield Trial(bench.seed, "z gain", "", gain.value, gain.u, k, bench.instrument.gain_z)


def of_drift(bench: Bench, model: Model) -> Iterable[Trial]:
    """Rate of drift along either axis in the first, a middle and the last scan of the grid."""
    k = coverage_factor(LEVEL)
    paths = [one for one in model.observations if isinstance(one, LateralObservation)]
    for index in (0, len(paths) // 2, len(paths) - 1):
        drift, observation = model.drift[index], paths[index]
        began = (observation.started - bench.instrument.instrument.began).total_seconds()
        whole = observation.path.frame_time
        truth = bench.instrument.physics._drift(np.array([whole]), began)[:, 0] / whole
        for axis, name in enumerate("xy"):
            about = f"{name}, {drift.label}"
            yield Trial(bench.seed, "drift", about, drift.rate[axis], drift.u[axis], k, float(truth[axis]))


def of_scales(bench: Bench, model: Model) -> Iterable[Trial]:
    """Mean scale of scans at the centre of travel, that are of random size and speed, along both axes."""
    rng, k = bench.rng, coverage_factor(LEVEL)
    for axis, name in enumerate("xy"):
        for rotation in (0.0, np.pi / 2):
            bench.frame(**check_frames(bench, 1)[0])  # something goes before, as ever
            size, period = float(rng.uniform(8e-6, TRAVEL)), float(rng.choice([0.4, 0.7, 1.0]))
            value, u = model.scale(axis, size, period, rotation)
            points = 64
            scan = raster(
                size, points, rotation=rotation, line_period=period, previous=(0.0, 0.0), started=later(bench.session)
            )
            path = Path(scan)
            index, row, place = np.meshgrid(np.arange(2), np.arange(4, points - 4, 4), path.fast[::3], indexing="ij")
            samples = path.samples(index, row, place)
            true = bench.instrument.physics.motion(path, samples, bench.instrument.instrument.clock(scan))[axis]
            commanded = samples.position[axis] - samples.position[axis].mean()
            truth = float(commanded @ true / (commanded @ commanded))
            which = "fast" if (rotation == 0) == (axis == 0) else "slow"
            about = f"{name} {which}, {size * 1e6:.1f} µm, {period} s"
            yield Trial(bench.seed, f"scale of the {which} axis", about, value, u, k, truth)


def later(session: Session) -> object:
    """When the next frame of a session begins."""
    return session.frame(1e-6, points=8, line_period=0.1).started


def check_frames(bench: Bench, count: int) -> list[dict[str, object]]:
    """Sizes and options of scans at random conditions within what was calibrated."""
    rng = bench.rng
    found = []
    for k in range(count):
        size = float(rng.uniform(8e-6, 18e-6))
        room = (TRAVEL - size) / 2
        found.append(
            {
                "size": size,
                "centre": (float(rng.uniform(-room, room)), float(rng.uniform(-room, room))),
                "rotation": float(rng.choice([0.0, np.pi / 2])),
                "frame": str(rng.choice(["up", "down"])),
                "line_period": float(rng.choice([0.4, 0.7, 1.0])),
                "title": f"check {k + 1}",
            }
        )
    return found


def of_distances(bench: Bench, model: Model) -> Iterable[Trial]:
    """Distances of points that are read without error, in scans at random conditions: short ones and long ones."""
    rng = bench.rng
    for frame in check_frames(bench, 4):
        scan = bench.frame(**frame)
        path = Path(scan)
        which = str(rng.choice(["trace", "retrace"]))
        index = scan.passes.index(which)
        for quantity, low, high in (("short distance", 0.05, 0.3), ("long distance", 0.4, 1.1)):
            while True:
                columns, rows = rng.integers(0, POINTS, 2), rng.integers(0, POINTS, 2)
                ends = np.stack([path.fast[columns], path.slow[rows]])
                apart = float(np.hypot(*np.diff(ends, axis=1)[:, 0])) / float(frame["size"])
                if low <= apart <= high:
                    break
            a, b = ((float(p), float(q)) for p, q in ends.T)
            found = measure.distance(model, scan, a, b, which=which, reading=0.0, level=LEVEL)
            samples = path.samples(np.full(2, index), rows, path.fast[columns])
            true = bench.instrument.physics.motion(path, samples, bench.instrument.instrument.clock(scan))
            truth = float(np.hypot(*(true[:, 1] - true[:, 0])))
            about = f"{apart:.2f} of {float(frame['size']) * 1e6:.1f} µm, {which}"
            yield Trial(bench.seed, quantity, about, found.value, found.u, found.k, truth)


def of_pitches(bench: Bench, model: Model) -> Iterable[Trial]:
    """Pitch of gratings of about 3 µm along x and y, at random conditions."""
    rng = bench.rng
    for k, frame in enumerate(check_frames(bench, 2)):
        frame["size"] = float(rng.uniform(15e-6, TRAVEL))
        room = (TRAVEL - frame["size"]) / 2
        frame["centre"] = (float(rng.uniform(-room, room)), float(rng.uniform(-room, room)))
        pitch, theta = float(rng.uniform(2.5e-6, 3e-6)), bench.instrument.theta + k * np.pi / 2
        scan = bench.record(bench.instrument.grating(pitch, theta), **frame)
        found = measure.pitch(model, scan, 2.75e-6, turned=theta, level=LEVEL)
        about = f"{'xy'[k]}, {frame['size'] * 1e6:.1f} µm, turned {np.rad2deg(frame['rotation']):.0f}°"
        yield Trial(bench.seed, "pitch", about, found.value, found.u, found.k, pitch)


def of_steps(bench: Bench, model: Model) -> Iterable[Trial]:
    """Height of other steps, at other places of the z range."""
    rng = bench.rng
    for frame in check_frames(bench, 3):
        height, place = log_uniform(rng, 30e-9, 500e-9), float(rng.uniform(-1e-6, 1e-6))
        frame |= {"size": float(rng.uniform(10e-6, 18e-6)), "rotation": 0.0, "centre": (0.0, 0.0), "z_centre": place}
        surface = bench.instrument.step(height, width=frame["size"] * float(rng.uniform(0.25, 0.4)))
        scan = bench.record(surface, **frame)
        found = measure.step(model, scan, nominal=height, level=LEVEL)
        about = f"{height * 1e9:.0f} nm at {place * 1e6:.2f} µm"
        yield Trial(bench.seed, "step height", about, found.value, found.u, found.k, height)


# --- the table -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Row:
    """Coverage of one quantity.

    Attributes
    ----------
    instruments, values
        How many there are.
    share
        Part of the values whose interval holds the truth.
    low, high
        Two-sided binomial interval of that, 95 %.
    mean, rms
        Of the error over the standard uncertainty.
    u
        Median standard uncertainty, of the truth itself where that is a length or a scale.
    """

    quantity: str
    instruments: int
    values: int
    share: float
    low: float
    high: float
    mean: float
    rms: float
    u: float
    u_unit: str

    @property
    def meets(self) -> bool:
        """Whether the binomial interval meets the band that is asked for."""
        return self.low <= BAND[1] and self.high >= BAND[0]


def binomial_interval(share: float, count: int, level: float = 0.95) -> tuple[float, float]:
    """Interval of a probability after Clopper and Pearson (Biometrika 26, 1934, 404), from a share of `count` trials.

    The share may be that of more values than there are trials: the number of successes need not be whole.
    """
    tail, hits = (1 - level) / 2, share * count
    low = 0.0 if hits == 0 else float(beta.ppf(tail, hits, count - hits + 1))
    high = 1.0 if hits >= count else float(beta.ppf(1 - tail, hits + 1, count - hits))
    return low, high


_UNITS = {"skew": (np.pi / 180, "°"), "drift": (1e-9 / 60, "nm/min")}


def table(found: list[Trial]) -> list[Row]:
    """Sum trials up by quantity."""
    rows = []
    for quantity in dict.fromkeys(trial.quantity for trial in found):
        mine = [trial for trial in found if trial.quantity == quantity]
        instruments = len({trial.instrument for trial in mine})
        share = float(np.mean([trial.holds for trial in mine]))
        low, high = binomial_interval(share, instruments)
        ratio = np.array([(trial.value - trial.truth) / trial.u for trial in mine])
        unit, name = _UNITS.get(quantity, (0.01, "%"))
        sizes = [trial.u / unit if quantity in _UNITS else trial.u / abs(trial.truth) / unit for trial in mine]
        rms, u = float(np.sqrt(np.mean(ratio**2))), float(np.median(sizes))
        rows.append(Row(quantity, instruments, len(mine), share, low, high, float(ratio.mean()), rms, u, name))
    return rows


def lines(rows: list[Row]) -> list[str]:
    """Return the table as the documentation shows it."""
    said = [
        "| quantity | instruments | values | intervals that hold the truth, % | binomial interval, % |"
        " mean of error / u | rms of error / u | median u |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in rows:
        interval = f"{100 * row.low:.1f} to {100 * row.high:.1f}" + ("" if row.meets else " **(misses the band)**")
        said.append(
            f"| {row.quantity} | {row.instruments} | {row.values} | {100 * row.share:.1f} | {interval} |"
            f" {row.mean:+.2f} | {row.rms:.2f} | {row.u:.2g} {row.u_unit} |"
        )
    return said


def main() -> None:
    """Run all instruments and print the table of the documentation."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--instruments", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="seed of the first instrument")
    parser.add_argument("--json", type=FilePath, help="where to write every value, renewed after each instrument")
    options = parser.parse_args()
    found: list[Trial] = []
    for seed in range(options.first, options.first + options.instruments):
        began = time.perf_counter()
        mine = trials(seed)
        found += mine
        missed = [f"{t.quantity} ({t.about}) {(t.value - t.truth) / t.u:+.1f} u" for t in mine if not t.holds]
        print(f"{seed}: {time.perf_counter() - began:.1f} s; missed: {'; '.join(missed) or 'none'}", flush=True)
        if options.json:
            options.json.write_text(json.dumps([asdict(t) for t in found], indent=0) + "\n", encoding="utf-8")
    print("\n" + "\n".join(lines(table(found))))


if __name__ == "__main__":
    main()
