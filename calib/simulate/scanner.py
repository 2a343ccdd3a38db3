"""A virtual scanner whose physics is that of the library's own effects, as strong as is asked for.

For demonstrations and planning. It flatters the model, which here can be right in every detail: claims of accuracy are
tested on other physics.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.path import Path, Samples
from calib.scanner.creep import Creep, spread_times
from calib.scanner.hysteresis import Hysteresis
from calib.scanner.motion import Motion
from calib.scanner.nonlinearity import Nonlinearity
from calib.simulate.recording import all_pixels, raster

Float = NDArray[np.float64]

_CHUNK = 40_000  # samples at a time, so that a frame fits into little memory
_POINTS = 65


@dataclass(frozen=True)
class ScannerPhysics:
    """Physics of a scanner, for :class:`calib.simulate.VirtualInstrument`.

    Attributes
    ----------
    scanner
        Axes and effects.
    values
        Their coefficients, shape ``(n,)``.
    height
        g1, g2, g3 of :mod:`calib.scanner.height`; g1 must not be zero.
    drift
        Rate along x and y, m/s.
    """

    scanner: Motion
    values: Float
    height: tuple[float, float, float] = (1.0, 0.0, 0.0)
    drift: tuple[float, float] = (0.0, 0.0)

    def motion(self, path: Path, samples: Samples, clock: float) -> Float:
        """Return the true position of samples, m; shape ``(2, samples)``."""
        moved = np.empty((2, samples.size))
        for first in range(0, samples.size, _CHUNK):
            part = slice(first, first + _CHUNK)
            moved[:, part] = self.scanner.position(path, _part(samples, part), self.values)
        if path.timed:
            moved += np.asarray(self.drift)[:, None] * (clock + samples.time)
        return moved

    def indicate(self, height: Float, path: Path, samples: Samples, clock: float) -> Float:
        """Return the indicated height, m, of true heights; shape ``(samples,)``."""
        g1, g2, g3 = self.height
        indicated = height / g1
        for _ in range(8):  # Newton; the curvature is slight, so that this is more than enough
            excess = indicated * (g1 + indicated * (g2 + indicated * g3)) - height
            indicated = indicated - excess / (g1 + indicated * (2 * g2 + indicated * 3 * g3))
        return np.asarray(indicated)


def scanner_physics(
    travel: tuple[float, float],
    *,
    scale: tuple[float, float] = (1.0, 1.0),
    skew: float = 0.0,
    bending: float = 0.0,
    loop: float = 0.0,
    creep: float = 0.0,
    drift: tuple[float, float] = (0.0, 0.0),
    height: tuple[float, float, float] = (1.0, 0.0, 0.0),
    line_period: float = 1.0,
    seed: int = 0,
) -> ScannerPhysics:
    """Return a scanner that errs as much as is asked for.

    Parameters
    ----------
    travel
        Of x and y, m, about the centre.
    scale
        True over commanded along x and y, as the mean slope over a frame of full travel with that axis as the fast one.
    skew
        Departure of y from the normal to x, towards +x, rad.
    bending
        Largest displacement of each axis by static nonlinearity, over the travel.
    loop
        Distance of trace and retrace in mid-line in such a frame, over the travel, by hysteresis alone.
    creep
        Growth per decade of time after a jump, over the jump.
    drift
        Rate along x and y, m/s.
    height
        See :class:`ScannerPhysics`.
    line_period
        Of the frame at which scale and loop are as asked for, s.
    seed
        Which scanner; the same seed gives the same one.
    """
    rng = np.random.default_rng((seed, 31))
    bent = Nonlinearity(travel, degree=5)
    loops = Hysteresis((travel[0] / 2, travel[1] / 2))
    slow = Creep(spread_times(0.05, 1000.0), travel)
    bends = _bends(bent, rng, bending)
    gains = np.full(len(slow.coefficients), creep / slow.per_decade)
    weights = _weights(loops, rng)
    scales = np.ones(2)
    for axis in (0, 1):
        turned = axis * np.pi / 2
        path = Path(raster(travel[axis], _POINTS, rotation=turned, line_period=line_period, previous=(0.0, 0.0)))
        samples = all_pixels(path)
        commanded = samples.position[axis]
        others = sum(_moved(effect, c, path, samples, axis) for effect, c in ((bent, bends), (slow, gains)))
        slope = 1 + _slope(commanded, np.asarray(others))
        looped = _moved(loops, weights, path, samples, axis)
        wide, steep = _width(looped, path), _slope(commanded, looped)
        # loops lower the gain, which the scale makes up for, which widens the loops: solved for all at once
        factor = loop * travel[axis] * slope / (scale[axis] * wide - loop * travel[axis] * steep)
        weights[_of_axis(loops, axis)] *= factor
        scales[axis] = scale[axis] / (slope + factor * steep)
    values = np.concatenate([scales, [skew], bends, weights, gains])
    return ScannerPhysics(Motion([bent, loops, slow]), values, height, drift)


def _bends(effect: Nonlinearity, rng: np.random.Generator, peak: float) -> Float:
    """Coefficients that fall with their degree, with the largest displacement that is asked for."""
    totals = np.array([i + j for i, j in effect.exponents])
    parts = []
    for axis in (0, 1):
        drawn = rng.normal(size=totals.size) * 0.5 ** (totals - 2.0)
        path = Path(raster(effect.travel, _POINTS))
        everywhere = effect.basis(path, all_pixels(path))[: totals.size]
        parts.append(drawn * peak * effect.travel[axis] / np.abs(drawn @ everywhere).max())
    return np.concatenate(parts)


def _weights(effect: Hysteresis, rng: np.random.Generator) -> Float:
    """Weights of a density that leans somewhat over half-width and mean position."""
    widths = np.diff(effect.radii(0), prepend=0.0)
    weights = np.empty(len(effect.coefficients))
    for n, c in enumerate(effect.coefficients):
        k, cell = (int(part) for part in c.name.split("_")[-2:])
        leaning = 0.3 * (2 * k / effect.cells - 1) + 0.2 * (2 * cell / effect.cells - 1)
        weights[n] = widths[k] * (1 + leaning) * rng.uniform(0.9, 1.1)
    return weights


def _of_axis(effect: Nonlinearity | Hysteresis | Creep, axis: int) -> NDArray[np.bool_]:
    return np.array([c.axis == axis for c in effect.coefficients])


def _moved(effect: Nonlinearity | Hysteresis | Creep, values: Float, path: Path, samples: Samples, axis: int) -> Float:
    mine = _of_axis(effect, axis)
    return np.asarray(values[mine] @ effect.basis(path, samples)[mine])


def _slope(commanded: Float, moved: Float) -> float:
    centred = commanded - commanded.mean()
    return float(centred @ moved / (centred @ centred))


def _width(moved: Float, path: Path) -> float:
    """Distance of trace and retrace in mid-line, the first lines left out."""
    frame = moved.reshape(path.scan_shape)
    return float(np.abs(frame[0] - frame[1])[_POINTS // 4 :, _POINTS // 2].mean())


def _part(samples: Samples, part: slice) -> Samples:
    return Samples(
        sweep=samples.sweep[part],
        position=samples.position[:, part],
        time=samples.time[part],
        elapsed=samples.elapsed[part],
        height=samples.height[part],
    )
