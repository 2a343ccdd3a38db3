"""How close to what theory allows pitch and position are read off an image, in white noise.

    python -m tests.benchmarks.efficiency [--trials 200] [--json FILE]

Images of 256 x 256 points of gratings and grids whose edges take a tenth of a period. The Cramér-Rao bound follows from
the full Fisher matrix of the actual waveform: reciprocal vectors, position, offset and amplitude are unknown, and, in
the bound that everything is compared with, all other harmonics of the waveform, too. Beside calib's refined nodes
stand its coarse phases alone and a naive figure: the peak of the spectrum under a Hann window, by a parabola through
the logarithms.

Position is that of the crest of the fundamental at the middle of the image. Where the waveform is unknown, only the
fundamental says where that is; in pitch, all harmonics count.

Where all periods are sampled alike, the Fisher matrix is singular: pixels show of each harmonic only its sum with
those that look the same. The crest of the fundamental is then no estimable quantity. That of the fundamental as
sampled is, and position is judged by it.
"""

from __future__ import annotations

import argparse
import itertools
import json
import os
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path as FilePath
from typing import Any

# before NumPy is loaded: small matrices, on which threads only wait for each other
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np  # noqa: E402

from calib.observe.image import Image  # noqa: E402
from calib.observe.lateral import LateralObservation, observe_again, observe_lateral  # noqa: E402
from calib.observe.lattice import Lattice, find_lattice  # noqa: E402
from calib.observe.phase import phase_maps  # noqa: E402
from calib.observe.refine import refine  # noqa: E402
from calib.scan import Scan  # noqa: E402
from calib.simulate import Grating, Grid, raster, record  # noqa: E402
from tests import instruments  # noqa: E402

POINTS, PIXEL, HEIGHT = 256, 0.1e-6, 100e-9
ORIGIN = (0.273e-6, -0.181e-6)
_WAVEFORM_ORDERS = 40
_COARSE_TRIALS = 40  # what is off by bias needs no more
_UNKNOWN_ORDERS = {1: 20, 2: 10}  # of the waveform


@dataclass(frozen=True)
class Case:
    """A standard of so many pixels a period, turned by so much, with the noise of a pixel.

    ``ratio`` is the amplitude of the fundamental over the noise.
    """

    kind: str
    period: float
    degrees: float
    ratio: float

    def __str__(self) -> str:
        return f"{self.kind}, {self.period:g} px, {self.degrees:g}°, A/σ = {self.ratio:g}"

    @property
    def pitch(self) -> float:
        return self.period * PIXEL

    @cached_property
    def surface(self) -> Grating | Grid:
        shared: dict[str, Any] = {"height": HEIGHT, "theta": np.deg2rad(self.degrees), "origin": ORIGIN}
        if self.kind == "grating":
            return Grating(pitch=self.pitch, **shared)
        return Grid(pitch_x=self.pitch, pitch_y=self.pitch, **shared)

    @property
    def standard(self) -> Any:
        return instruments.grating(self.pitch) if self.kind == "grating" else instruments.grid(self.pitch)

    @cached_property
    def clean(self) -> Scan:
        empty = raster((POINTS - 1) * PIXEL, points=POINTS, passes=("trace",), line_period=None)
        return record(self.surface, lambda path, samples: samples.position, empty).scan

    @cached_property
    def frequency(self) -> np.ndarray:
        """True reciprocal vectors, rows, cycles/m."""
        cos, sin = np.cos(np.deg2rad(self.degrees)), np.sin(np.deg2rad(self.degrees))
        both = np.array([[cos, sin], [-sin, cos]]) / self.pitch
        return both[:1] if self.kind == "grating" else both

    @property
    def phase(self) -> np.ndarray:
        """True lattice coordinates at the middle of the image, to whole periods."""
        return np.asarray(-self.frequency @ np.array(ORIGIN))

    @property
    def sampled_alike(self) -> bool:
        """Whether pixels fall on the same places of every period."""
        return self.degrees == 0 and self.period == int(self.period)

    @cached_property
    def aliases(self) -> list[list[tuple[tuple[int, ...], complex, bool]]]:
        """Of each fundamental, the orders that pixels can't tell from it, itself included.

        Each with the factor by which its coefficient, or the conjugate of that, enters the fundamental as sampled.
        """
        m, cells = len(self.frequency), int(self.period)
        first = self.frequency @ np.array([self.clean.fast[0], self.clean.slow[0]]) + self.phase
        found = []
        for own in np.eye(m, dtype=int):
            if not self.sampled_alike:
                found.append([(tuple(own.tolist()), 1 + 0j, False)])
                continue
            last = self.harmonics.shape[0] // 2 - 1
            most = last // cells
            alike: list[tuple[tuple[int, ...], complex, bool]] = []
            for away in itertools.product(range(-most * cells, most * cells + 1, cells), repeat=m):
                order = tuple((own + away).tolist())
                if max(map(abs, order)) > last:
                    continue
                # half of all orders are the conjugates of the others
                turned = order < (0,) * m
                factor = complex(np.exp(2j * np.pi * (np.array(away) @ first)))
                alike.append((tuple(-n for n in order) if turned else order, factor, turned))
            found.append(alike)
        return found

    @cached_property
    def seen(self) -> np.ndarray:
        """Where pixels show the crests of the fundamentals: lattice coordinates at the middle; shape ``(m,)``."""
        own = [self.harmonics[tuple(one)] for one in np.eye(len(self.frequency), dtype=int)]
        moved = [np.angle(whole / one) for whole, one in zip(self._sampled(self.harmonics), own, strict=True)]
        return self.phase + np.array(moved) / (2 * np.pi)

    def _sampled(self, coefficients: np.ndarray) -> list[complex]:
        """Fundamentals as sampled, of a waveform with such coefficients."""
        found = []
        for alike in self.aliases:
            parts = [(coefficients[order], factor, turned) for order, factor, turned in alike]
            found.append(sum(factor * (np.conj(one) if turned else one) for one, factor, turned in parts))
        return found

    @cached_property
    def harmonics(self) -> np.ndarray:
        """Fourier coefficients of the waveform over one period, shape ``(n,)`` or ``(n, n)``, order zero first."""
        n = 512 if self.kind == "grating" else 256
        at = np.arange(n) / n * self.pitch
        flat = type(self.surface)(**{**vars(self.surface), "theta": 0.0, "origin": (0.0, 0.0)})
        if self.kind == "grating":
            return np.fft.fft(flat.relief(at, 0 * at)) / n
        y, x = np.meshgrid(at, at)
        return np.fft.fft2(flat.relief(x, y)) / n**2

    @property
    def amplitude(self) -> float:
        first = self.harmonics[1] if self.kind == "grating" else self.harmonics[1, 0]
        return float(2 * abs(first))

    @property
    def noise(self) -> float:
        return self.amplitude / self.ratio

    def noisy(self, seed: int) -> Scan:
        values = self.clean.values + np.random.default_rng((seed, 12)).normal(0, self.noise, self.clean.shape)
        return self.clean.replace(channels={"height": values})


# --- the bound -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Bound:
    """Standard deviations that no unbiased estimate undercuts: of relative pitch, and of position in periods."""

    pitch: float
    position: float


def bounds(case: Case, rows: slice = slice(None)) -> tuple[Bound, Bound]:
    """Bounds with the waveform unknown, and with it known but for offset and amplitude, from some rows."""
    x, y = np.meshgrid(case.clean.fast, case.clean.slow[rows])
    x, y = x.ravel(), y.ravel()
    m = len(case.frequency)
    periods = case.frequency @ np.stack([x, y]) + case.phase[:, None]
    most = _UNKNOWN_ORDERS[m]
    size = case.harmonics.shape[0]
    orders: list[tuple[int, ...]] = [(k,) for k in range(1, most + 1)]
    if m == 2:
        orders = [(k, j) for k in range(most + 1) for j in range(-most, most + 1) if k > 0 or j > 0]
    # unknown: three numbers a lattice coordinate, offset, and amplitudes of the cosine and sine of every order
    columns = 3 * m + 1 + 2 * len(orders)
    normal = np.zeros((columns, columns))
    short = np.zeros((3 * m + 2, 3 * m + 2))
    coefficients = np.fft.fftshift(case.harmonics)
    kept = np.arange(-(size // 2), size // 2)
    # of edges this wide, nothing worth mention lies beyond, save where all of it adds up on the same few places
    low = np.abs(kept) <= (size // 2 - 1 if case.sampled_alike else _WAVEFORM_ORDERS)
    kept, coefficients = kept[low], coefficients[low] if m == 1 else coefficients[np.ix_(low, low)]
    for part in np.array_split(np.arange(x.size), max(1, x.size // 8192)):
        place = np.stack([x[part], y[part], np.full(part.size, case.clean.fast[-1])])
        slopes, wave = _waveform(case, coefficients, kept, periods[:, part])
        unknown = [slope * row for slope in slopes for row in place]
        known = np.stack([*unknown, np.ones(part.size), wave])
        short += known @ known.T
        waves = []
        for order in orders:
            angle = 2 * np.pi * (np.array(order) @ periods[:, part])
            waves += [np.cos(angle), np.sin(angle)]
        table = np.stack([*unknown, np.ones(part.size), *waves])
        normal += table @ table.T
    return _bound(case, normal, _crests(case, orders)), _bound(case, short)


def _crests(case: Case, orders: list[tuple[int, ...]]) -> np.ndarray:
    """How each unknown moves the crests of the fundamentals as pixels show them; shape ``(m, columns)``.

    It is the shift of all harmonics, and what the cosines and sines of the fundamental and its aliases add to it.
    """
    m = len(case.frequency)
    table = np.zeros((m, 3 * m + 1 + 2 * len(orders)))
    for k, (alike, whole) in enumerate(zip(case.aliases, case._sampled(case.harmonics), strict=True)):
        for order, factor, turned in alike:
            own = case.harmonics[order]
            # by the shift along each coordinate, the cosine and the sine
            changes = [2j * np.pi * n * own for n in order]
            columns = [3 * one + 2 for one in range(m)]
            if order in orders:
                changes += [0.5, -0.5j]
                columns += [3 * m + 1 + 2 * orders.index(order) + one for one in range(2)]
            for column, change in zip(columns, changes, strict=True):
                moved = factor * (np.conj(change) if turned else change)
                table[k, column] += np.imag(moved / whole) / (2 * np.pi)
    # the waveform is that of crests at zero
    table[:, 2 : 3 * m : 3] *= case.clean.fast[-1]
    return table


def _waveform(
    case: Case, coefficients: np.ndarray, kept: np.ndarray, periods: np.ndarray
) -> tuple[list[np.ndarray], np.ndarray]:
    """Slopes by each lattice coordinate and values (without the mean) at pixels, from all harmonics."""
    waves = np.exp(2j * np.pi * kept[:, None] * periods[0])
    if len(periods) == 1:
        slope = (coefficients * 2j * np.pi * kept) @ waves
        return [slope.real], (coefficients @ waves).real - case.harmonics[0].real
    other = np.exp(2j * np.pi * kept[:, None] * periods[1])
    inner = coefficients @ other
    by_second = (coefficients * 2j * np.pi * kept) @ other
    first = np.sum(2j * np.pi * kept[:, None] * waves * inner, axis=0).real
    second = np.sum(waves * by_second, axis=0).real
    return [first, second], np.sum(waves * inner, axis=0).real - case.harmonics[0, 0].real


def _bound(case: Case, normal: np.ndarray, crests: np.ndarray | None = None) -> Bound:
    m = len(case.frequency)
    scale = np.sqrt(np.diag(normal))
    # singular where pixels fall on few places of the period
    unit = normal / np.outer(scale, scale)
    inverse = np.linalg.pinv(unit, rcond=1e-9, hermitian=True)
    projection = inverse @ unit
    covariance = inverse / np.outer(scale, scale) * case.noise**2
    pitches, positions = [], []
    for k in range(m):
        block = covariance[3 * k : 3 * k + 3, 3 * k : 3 * k + 3]
        along = case.frequency[k] * case.pitch
        pitches.append(along @ block[:2, :2] @ along * case.pitch**2)
        at = np.zeros(len(normal))
        at[3 * k + 2] = case.clean.fast[-1]
        if crests is not None:
            at = crests[k]
            # what the Fisher matrix says nothing of has no bound
            lost = at / scale - projection @ (at / scale)
            assert np.linalg.norm(lost) < 1e-3 * np.linalg.norm(at / scale), f"{case}: position can't be estimated"
        positions.append(at @ covariance @ at)
    return Bound(float(np.sqrt(np.mean(pitches))), float(np.sqrt(np.mean(positions))))


def same_noise(case: Case, trials: int) -> float:
    """Mean square error of pitch over the bound's variance, of the best estimate in the same trials.

    It knows the waveform but for offset and amplitude, which makes next to no difference for pitch, and is linearised
    at the truth. What it departs from one by is chance.
    """
    x, y = (part.ravel() for part in np.meshgrid(case.clean.fast, case.clean.slow[1:]))
    m, last = len(case.frequency), _WAVEFORM_ORDERS
    periods = case.frequency @ np.stack([x, y]) + case.phase[:, None]
    orders = np.arange(-last, last + 1)
    coefficients = case.harmonics[np.ix_(*[orders] * m)]
    parts = []
    for part in np.array_split(np.arange(x.size), max(1, x.size // 8192)):
        slopes, wave = _waveform(case, coefficients, orders, periods[:, part])
        place = (x[part], y[part], np.full(part.size, case.clean.fast[-1]))
        parts.append(np.stack([*(slope * row for slope in slopes for row in place), np.ones(part.size), wave]))
    table = np.concatenate(parts, axis=1)
    best = np.linalg.solve(table @ table.T, table)
    along = [case.frequency[k] / (case.frequency[k] @ case.frequency[k]) @ best[3 * k : 3 * k + 2] for k in range(m)]
    noise = [(case.noisy(seed).values - case.clean.values)[0, 1:].ravel() for seed in range(trials)]
    return float(np.mean([(np.array(along) @ one) ** 2 for one in noise])) / bounds(case)[0].pitch ** 2


# --- estimates: reciprocal vectors (m, 2), lattice coordinates at the middle (m,), and their stated covariance ------


Estimate = tuple[np.ndarray, np.ndarray, np.ndarray | None]


def by_nodes(found: LateralObservation, zero: np.ndarray | None = None) -> Estimate:
    """The plane that fits nodes, each with its covariance; `zero` is what the nodes of the pass share, ``(m, m)``."""
    samples = found.path.samples(found.pass_index, found.row, found.fast)
    m = found.periods.shape[1]
    place = np.column_stack([samples.position.T, np.full(found.size, 1e-5)])
    weight = np.linalg.inv(found.covariance)
    normal = np.einsum("ni,nkl,nj->kilj", place, weight, place).reshape(3 * m, 3 * m)
    right = np.einsum("ni,nkl,nl->ki", place, weight, found.periods).ravel()
    covariance = np.linalg.inv(normal)
    plane = (covariance @ right).reshape(m, 3)
    if zero is not None:
        covariance[2::3, 2::3] += zero / 1e-5**2
    return plane[:, :2], plane[:, 2] * 1e-5, covariance


def again(scan: Scan, found: LateralObservation) -> LateralObservation:
    """Observe from where the plane through an observation's nodes puts the pattern: so a calibration ends.

    There, a model stands in place of the plane.
    """
    return observe_again(scan, found, _expected(scan, found)[:, None])


def common_zero(scan: Scan, found: LateralObservation) -> np.ndarray:
    """Covariance of the zero that the nodes of :func:`again` share, shape ``(m, m)``."""
    image, (frequency, _, _) = Image.of(scan, 0), by_nodes(found)
    use = image.rows != found.path.sweeps.line[0]
    lattice = Lattice(frequency, np.ones(len(frequency)))
    return refine(image, lattice, _expected(scan, found), use, rounds=1, known=True).zero


def _expected(scan: Scan, found: LateralObservation) -> np.ndarray:
    frequency, phase, _ = by_nodes(found)
    x, y = np.meshgrid(scan.fast, scan.slow)
    return np.asarray(frequency[:, 0, None, None] * x + frequency[:, 1, None, None] * y + phase[:, None, None])


def by_phase(scan: Scan, case: Case) -> Estimate:
    """The plane that fits the coarse phases."""
    image = Image.of(scan, 0)
    lattice = find_lattice(image, case.standard, None if case.kind == "grating" else 0.0)
    planes = []
    for phase in phase_maps(image, lattice):
        fast, slow = np.meshgrid(phase.fast, phase.slow)
        use = phase.weight > 0.25
        design = np.stack([fast[use], slow[use], np.full(int(use.sum()), 1e-5)], axis=1)
        planes.append(np.linalg.lstsq(design, phase.periods[use], rcond=None)[0])
    table = np.array(planes)
    return table[:, :2], table[:, 2] * 1e-5, None


def by_spectrum(scan: Scan, case: Case) -> Estimate:
    """The highest bin near each reciprocal vector, a parabola through logarithms, and the phase found there."""
    values = scan.values[0] - scan.values[0].mean()
    window = np.hanning(POINTS)
    spectrum = np.abs(np.fft.fft2(values * np.outer(window, window)))
    frequency, phases = [], []
    for true in case.frequency:
        at = np.rint(true * POINTS * PIXEL).astype(int)
        near = [(i, j) for i in range(at[0] - 1, at[0] + 2) for j in range(at[1] - 1, at[1] + 2)]
        i, j = max(near, key=lambda bins: spectrum[bins[1] % POINTS, bins[0] % POINTS])

        def height(i: int, j: int) -> float:
            return float(np.log(spectrum[j % POINTS, i % POINTS]))

        def peak(low: float, middle: float, high: float) -> float:
            return 0.5 * (low - high) / (low - 2 * middle + high)

        f = np.array(
            [
                i + peak(height(i - 1, j), height(i, j), height(i + 1, j)),
                j + peak(height(i, j - 1), height(i, j), height(i, j + 1)),
            ]
        ) / (POINTS * PIXEL)
        carrier = np.exp(-2j * np.pi * (f[0] * scan.fast[None, :] + f[1] * scan.slow[:, None]))
        frequency.append(f)
        phases.append(np.angle(np.sum(values * np.outer(window, window) * carrier)) / (2 * np.pi))
    return np.array(frequency), np.array(phases), None


def errors(case: Case, estimate: Estimate) -> tuple[np.ndarray, np.ndarray]:
    """Errors of relative pitch and of position in periods, each of shape ``(m,)``."""
    frequency, phase, _ = estimate
    if np.sum(frequency[0] * case.frequency[0]) < 0:
        frequency, phase = -frequency, -phase
    away = phase - case.seen
    # along the reciprocal vector itself, so that the two of a grid are judged one by one
    along = np.sum(frequency * case.frequency, axis=1) / np.sum(case.frequency**2, axis=1)
    return 1 / along - 1, away - np.rint(away)


def stated(case: Case, estimate: Estimate) -> tuple[np.ndarray, np.ndarray]:
    """Standard deviations that the estimate states of the same."""
    covariance = estimate[2]
    assert covariance is not None
    pitch, position = [], []
    for k, true in enumerate(case.frequency):
        block = covariance[3 * k : 3 * k + 3, 3 * k : 3 * k + 3]
        pitch.append(np.sqrt(true @ block[:2, :2] @ true) / (true @ true))
        position.append(np.sqrt(block[2, 2]) * 1e-5)
    return np.array(pitch), np.array(position)


@cache
def node_covariance(case: Case, trials: int) -> dict[str, float]:
    """Whether nodes scatter as they say, and whether neighbours do so together.

    Returns
    -------
    Mean square of scatter over stated variance, correlation of neighbours along either axis, correlation of all pairs,
    and sum over all pairs as part of the variance of the mean.
    """
    periods, variance = [], []
    shape = None
    first = observe_lateral(case.noisy(0), case.standard)
    for seed in range(1, trials + 1):
        found = again(case.noisy(seed), first)
        if shape is not None and found.periods.shape != shape:
            continue
        shape = found.periods.shape
        # nodes lie a pixel to one side now and then
        place = found.path.samples(found.pass_index, found.row, found.fast).position
        away = found.periods[:, 0] - case.frequency[0] @ place - case.phase[0]
        periods.append(away - np.rint(np.median(away)))
        variance.append(found.covariance[:, 0, 0])
    table = np.array(periods)
    table = table - table.mean(axis=0)
    scaled = table / np.sqrt(np.mean(variance, axis=0))
    wide = int(np.flatnonzero(np.diff(found.fast) < 0)[0]) + 1
    grid = scaled[:, : scaled.shape[1] // wide * wide].reshape(len(scaled), -1, wide)
    own = float(np.sum(grid**2)) / (grid.size - grid[0].size)

    def together(a: np.ndarray, b: np.ndarray) -> float:
        return float(np.mean(a * b) / np.mean(grid**2))

    count = scaled.shape[1]
    summed = float(np.mean(scaled.sum(axis=1) ** 2) / np.mean(scaled**2))
    return {
        "scatter over stated": own,
        "next along fast": together(grid[:, :, 1:], grid[:, :, :-1]),
        "next along slow": together(grid[:, 1:], grid[:, :-1]),
        "any pair": (summed / count - 1) / (count - 1),
        "nodes": float(count),
    }


# --- the table ------------------------------------------------------------------------------------------


def trial(case: Case, seed: int) -> dict[str, Any]:
    scan = case.noisy(seed)
    first = observe_lateral(scan, case.standard, rounds=2)
    nodes = by_nodes(again(scan, first), common_zero(scan, first))
    result = {"refined": errors(case, nodes), "stated": stated(case, nodes)}
    if seed < _COARSE_TRIALS:
        result["phase"] = errors(case, by_phase(scan, case))
        result["spectrum"] = errors(case, by_spectrum(scan, case))
    return result


def measure(case: Case, trials: int) -> dict[str, Any]:
    """Mean squares of errors over the bound's variances, and of errors over stated standard deviations."""
    # the first line of a frame isn't used
    (bound, known), (used, _) = bounds(case), bounds(case, slice(1, None))
    found = [trial(case, seed) for seed in range(trials)]
    result: dict[str, Any] = {"case": str(case), "trials": trials, "m": len(case.frequency)}
    result["aliased"] = float(np.sqrt(np.mean((case.seen - case.phase) ** 2)))
    for index, (what, limit, usable, sharp) in enumerate(
        (
            ("pitch", bound.pitch, used.pitch, known.pitch),
            ("position", bound.position, used.position, known.position),
        )
    ):
        table: dict[str, Any] = {"bound": limit, "known": (sharp / limit) ** 2, "used": (usable / limit) ** 2}
        for way in ("refined", "phase", "spectrum"):
            table[way] = float(np.mean([one[way][index] ** 2 for one in found if way in one])) / limit**2
        ratio = [one["refined"][index] / one["stated"][index] for one in found]
        table["error over stated"] = float(np.sqrt(np.mean(np.square(ratio))))
        table["bias"] = float(np.mean([one["refined"][index] for one in found])) / limit
        result[what] = table
    result["pitch"]["best"] = same_noise(case, trials)
    return result


CASES = [
    Case("grating", 8.0, 7.0, 10.0),
    Case("grating", 11.3, 7.0, 10.0),
    Case("grating", 16.0, 33.0, 10.0),
    Case("grating", 24.0, 7.0, 10.0),
    Case("grating", 11.3, 0.0, 10.0),
    Case("grating", 16.0, 0.0, 10.0),
    Case("grating", 11.3, 7.0, 3.0),
    Case("grid", 8.0, 11.0, 10.0),
    Case("grid", 11.3, 7.0, 10.0),
    Case("grid", 16.0, 7.0, 10.0),
    Case("grid", 24.0, 7.0, 10.0),
    Case("grid", 11.3, 7.0, 3.0),
    # its tangent is close to 1/8: pixels fall on few places of the period, and these drift slowly over the image
    Case("grid", 8.0, 7.0, 10.0),
    Case("grid", 16.0, 0.0, 10.0),
    Case("grating", 16.0, 7.0, 10.0),
]


def lines(results: list[dict[str, Any]]) -> list[str]:
    """Return the table of the docs."""
    made = [
        "| image | trials | quantity | bound | known waveform | refined nodes | best, same noise | error over stated |"
        " phase only | spectrum |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for result in results:
        for what, unit, scale in (("pitch", "ppm", 1e6), ("position", "10⁻⁴ periods", 1e4)):
            row = result[what]
            best = f"{row['best']:.2f}" if "best" in row else ""
            what += " as sampled" if what == "position" and result["aliased"] else ""
            made.append(
                f"| {result['case']} | {result['trials']} | {what} | {row['bound'] * scale:.3g} {unit} |"
                f" {row['known']:.2f} | **{row['refined']:.2f}** | {best} | {row['error over stated']:.2f} |"
                f" {row['phase']:.1f} | {row['spectrum']:.3g} |"
            )
    return made


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--cases", type=int, nargs="*", help="numbers of cases, from 0")
    parser.add_argument("--nodes", action="store_true", help="covariance of nodes instead")
    parser.add_argument("--json", type=FilePath)
    options = parser.parse_args()
    cases = CASES if options.cases is None else [CASES[k] for k in options.cases]
    results: list[dict[str, Any]] = []
    for case in cases:
        if options.nodes:
            results.append({"case": str(case), **node_covariance(case, options.trials)})
            print(results[-1], flush=True)
        else:
            results.append(measure(case, options.trials))
            print("\n".join(lines(results[-1:])[2:]), flush=True)
    if options.json:
        options.json.write_text(json.dumps(results, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
