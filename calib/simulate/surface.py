"""Standards and samples as surfaces: true height as a function of the true lateral position.

A surface is called with true coordinates x, y (m, scanner axes, arrays of one shape) and returns heights (m) of the
same shape. Edges have a finite width, so that a pixel may stand for a point.

What is left out: the relief of a tilted surface is raised along z and not along its normal, so that a flank of
height h is out of place by h times the slope; and a tip reaches into a corner between two flanks as far as it
would into the nearer flank alone (exact for lines, pits and grooves, approximate at the corners of bumps).
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calib.errors import StandardError

Float = NDArray[np.float64]
Feature = Literal["bumps", "pits", "lines"]

_TABLE = 2048
_LOTS = 4096


@dataclass(frozen=True, kw_only=True)
class Surface(ABC):
    """What all surfaces share: how the object lies on the stage.

    Parameters
    ----------
    theta
        The object's own x axis, counter-clockwise from the scanner's, rad.
    origin
        Where the object's own origin lies, (x, y) in m.
    slope
        Slope of its plane along the scanner's x and y, dimensionless (tangent of the angle of tilt).
    """

    theta: float = 0.0
    origin: tuple[float, float] = (0.0, 0.0)
    slope: tuple[float, float] = (0.0, 0.0)

    def __call__(self, x: Float, y: Float) -> Float:
        """Height at true coordinates x, y, m."""
        x, y = np.asarray(x) - self.origin[0], np.asarray(y) - self.origin[1]
        slope_x, slope_y = self.slope
        along = slope_x * x + slope_y * y
        # a tilted surface is longer than its projection, along the slope only
        secant = float(np.sqrt(1 + slope_x**2 + slope_y**2))
        stretch = along / (secant + 1)
        own_x, own_y = x + slope_x * stretch, y + slope_y * stretch
        cos, sin = np.cos(self.theta), np.sin(self.theta)
        relief = self.relief(cos * own_x + sin * own_y, cos * own_y - sin * own_x)
        return np.asarray(secant * relief + along)

    @abstractmethod
    def relief(self, x: Float, y: Float) -> Float:
        """Height above the object's plane at the object's own coordinates, m."""


@dataclass(frozen=True, kw_only=True)
class Flat(Surface):
    """A plane with a slight waviness.

    Parameters
    ----------
    waviness
        Standard deviation of the height over a large area, m.
    wavelength
        Typical length of a wave, m.
    seed
        Which waves.
    """

    waviness: float = 0.0
    wavelength: float = 10e-6
    seed: int = 0

    def relief(self, x: Float, y: Float) -> Float:
        """Return the height of the waves, m."""
        if self.waviness == 0:
            return np.zeros(np.shape(x))
        return self.waviness * _waves(x, y, self.wavelength, self.seed)


@dataclass(frozen=True, kw_only=True)
class Step(Surface):
    """One edge, ridge or groove whose edges run along the object's own y.

    Parameters
    ----------
    height
        From the lower to the upper plateau, m; positive also for a groove.
    width
        Between the middles of the two edges, m; None for a single edge that rises towards +x. Centred on the origin.
    groove
        Whether the feature lies below the surface around it; a single edge rises either way.
    edge
        Lateral extent of an edge from one plateau to the other, m.
    tip_radius
        Radius of the probe at its end, m; the probe is taken as a paraboloid.
    """

    height: float
    width: float | None = None
    groove: bool = False
    edge: float = 0.2e-6
    tip_radius: float = 0.0

    def __post_init__(self) -> None:
        _check_positive(height=self.height, edge=self.edge)
        if self.width is not None and self.width <= self.edge:
            raise StandardError(f"A step of width {self.width:g} m has no room for edges of {self.edge:g} m: widen it.")

    def relief(self, x: Float, y: Float) -> Float:
        """Return the height above the lower plateau, of a groove above the upper one, m."""
        way, rise = _rise(self.height, self.edge, self.tip_radius)
        if self.width is None:
            return np.interp(x, way, rise)
        half = self.width / 2
        if self.groove:
            return np.interp(np.abs(x) - half, way, rise) - self.height
        return np.interp(half - np.abs(x), way, rise)


@dataclass(frozen=True, kw_only=True)
class _Periodic(Surface):
    """What gratings and grids share: the profile of their lines, and how evenly they are placed.

    Parameters
    ----------
    height
        From the lower to the upper plateau, m.
    duty
        Width of a feature in spacings, at half height.
    edge
        Lateral extent of an edge in spacings, from one plateau to the other.
    tip_radius
        Radius of the probe at its end, m; the probe is taken as a paraboloid.
    wander
        Standard deviation of the slow departure of features from their places, m.
    wander_length
        Typical wavelength of that departure, m.
    jitter
        Standard deviation of the departure of each edge of each line, independent of its neighbours, m.
    seed
        Which departures.
    """

    height: float
    duty: float = 0.5
    edge: float = 0.1
    tip_radius: float = 0.0
    wander: float = 0.0
    wander_length: float = 20e-6
    jitter: float = 0.0
    seed: int = 0

    def __post_init__(self) -> None:
        _check_positive(height=self.height, edge=self.edge)
        if not self.edge <= self.duty <= 1 - self.edge:
            raise StandardError(
                f"A duty of {self.duty:g} with edges of {self.edge:g} leaves no plateau: "
                "both the duty and what it leaves must be at least one edge."
            )

    def _displaced(self, x: Float, y: Float) -> tuple[Float, Float]:
        if self.wander == 0:
            return x, y
        return (
            x - self.wander * _waves(x, y, self.wander_length, self.seed),
            y - self.wander * _waves(x, y, self.wander_length, self.seed + 1),
        )

    def _lines(self, phase: Float, spacing: float, duty: float, family: int) -> Float:
        """Ridges of width ``duty`` at whole phases."""
        line = np.rint(phase)
        offset = phase - line
        if self.jitter:
            lots = np.random.default_rng((self.seed, family)).standard_normal(_LOTS)
            which = (2 * line.astype(np.int64) + (offset > 0)) % _LOTS
            # plateaus are flat, so that the halves of a line may move apart without a seam
            offset = offset - self.jitter / spacing * lots[which]
        return np.interp(offset, *_ridge(spacing, self.height, duty, self.edge, self.tip_radius))


@dataclass(frozen=True, kw_only=True)
class Grating(_Periodic):
    """Parallel ridges along the object's own y, one of them centred on the origin.

    Parameters
    ----------
    pitch
        Distance of neighbouring lines, along the object's own x, m.
    """

    pitch: float

    def __post_init__(self) -> None:
        super().__post_init__()
        _check_positive(pitch=self.pitch)

    def relief(self, x: Float, y: Float) -> Float:
        """Return the height above the lower plateau, m."""
        x, _ = self._displaced(x, y)
        return self._lines(x / self.pitch, self.pitch, self.duty, 0)


@dataclass(frozen=True, kw_only=True)
class Grid(_Periodic):
    """Features on a lattice, one of them centred on the origin.

    Parameters
    ----------
    pitch_x, pitch_y
        Lengths of the lattice vectors, m; the first lies along the object's own x.
    angle
        From the first lattice vector to the second, counter-clockwise, rad.
    feature
        ``bumps``, ``pits`` or crossed ``lines``; all are bounded by lines along the lattice vectors.
    """

    pitch_x: float
    pitch_y: float
    angle: float = np.pi / 2
    feature: Feature = "bumps"

    def __post_init__(self) -> None:
        super().__post_init__()
        _check_positive(pitch_x=self.pitch_x, pitch_y=self.pitch_y)
        if not 0 < self.angle < np.pi:
            raise StandardError(f"The angle between lattice vectors must lie between 0 and pi, not {self.angle:g}.")
        if self.feature not in ("bumps", "pits", "lines"):
            raise StandardError(f"A grid has 'bumps', 'pits' or 'lines', not {self.feature!r}.")

    def relief(self, x: Float, y: Float) -> Float:
        """Return the height above the lower plateau, m."""
        x, y = self._displaced(x, y)
        sin, cos = float(np.sin(self.angle)), float(np.cos(self.angle))
        phases = (x - y * cos / sin) / self.pitch_x, y / (self.pitch_y * sin)
        spacings = self.pitch_x * sin, self.pitch_y * sin
        half, duty = (0.5, 1 - self.duty) if self.feature == "pits" else (0.0, self.duty)
        first, second = (
            self._lines(phase + half, spacing, duty, family)
            for family, (phase, spacing) in enumerate(zip(phases, spacings, strict=True))
        )
        return np.minimum(first, second) if self.feature == "bumps" else np.maximum(first, second)


@dataclass(frozen=True, kw_only=True)
class Lit:
    """An intensity image of a surface: its high parts bright, under uneven light.

    Parameters
    ----------
    surface
        What is seen.
    height
        The relief that makes full contrast, m.
    contrast
        Brightness of high parts over low parts, minus one.
    centre, reach
        Where the light falls, and the distance from there at which it has fallen by ``fall``, m.
    fall
        Loss of light at that distance.
    """

    surface: Surface
    height: float
    contrast: float = 2.0
    centre: tuple[float, float] = (0.0, 0.0)
    reach: float = 15e-6
    fall: float = 0.6

    def __call__(self, x: Float, y: Float) -> Float:
        """Brightness at true coordinates x, y, arbitrary unit."""
        bright = 1 + self.contrast * self.surface(x, y) / self.height
        square = ((x - self.centre[0]) ** 2 + (y - self.centre[1]) ** 2) / self.reach**2
        return np.asarray(bright / (1 + self.fall / (1 - self.fall) * square))


def _check_positive(**values: float) -> None:
    for name, value in values.items():
        if not (np.isfinite(value) and value > 0):
            raise StandardError(f"{name} of a surface must be positive, not {value!r}.")


def _edge(way: Float) -> Float:
    """Return a smooth edge from 0 to 1 with its middle at 0 and an extent of 1."""
    return np.asarray(0.5 + 0.5 * np.sin(np.pi * np.clip(way, -0.5, 0.5)))


@lru_cache(maxsize=64)
def _ridge(spacing: float, height: float, duty: float, edge: float, tip_radius: float) -> tuple[Float, Float]:
    """One period of a line's profile as a table: phase from -1/2 to 1/2, and height."""
    phase = np.linspace(-0.5, 0.5, _TABLE + 1)
    profile = height * _edge((duty / 2 - np.abs(phase)) / edge)
    dilated = _dilated(profile[:-1], spacing / _TABLE, height, tip_radius)
    return _frozen(phase), _frozen(np.append(dilated, dilated[0]))


@lru_cache(maxsize=64)
def _rise(height: float, edge: float, tip_radius: float) -> tuple[Float, Float]:
    """Return a rising edge as a table: way and height."""
    reach = edge + float(np.sqrt(2 * tip_radius * height))
    way = np.linspace(-reach, edge, _TABLE)
    profile = height * _edge(way / edge)
    # the roll of the dilation must not carry the top round to the foot
    padded = np.concatenate([np.zeros(_TABLE), profile, np.full(_TABLE, height)])
    dilated = _dilated(padded, float(way[1] - way[0]), height, tip_radius)
    return _frozen(way), _frozen(dilated[_TABLE : 2 * _TABLE])


def _dilated(profile: Float, step: float, height: float, tip_radius: float) -> Float:
    """Return a periodic profile as a paraboloid with this radius at its end traces it (grey-scale dilation)."""
    traced = profile.copy()
    if tip_radius <= 0:
        return traced
    reach = min(int(np.sqrt(2 * tip_radius * height) / step) + 1, profile.size // 2)
    for shift in range(1, reach + 1):
        lifted = profile - (shift * step) ** 2 / (2 * tip_radius)
        np.maximum(traced, np.roll(lifted, shift), out=traced)
        np.maximum(traced, np.roll(lifted, -shift), out=traced)
    return traced


def _waves(x: Float, y: Float, wavelength: float, seed: int, count: int = 8) -> Float:
    """Return a smooth random field of unit variance: plane waves of several directions, lengths and phases."""
    rng = np.random.default_rng((seed, 77))
    number = 2 * np.pi / (wavelength * rng.uniform(0.7, 1.6, count))
    direction, phase = rng.uniform(0, 2 * np.pi, (2, count))
    field = np.zeros(np.shape(x))
    for k, a, p in zip(number, direction, phase, strict=True):
        field += np.sin(k * (np.cos(a) * x + np.sin(a) * y) + p)
    return np.asarray(field * np.sqrt(2 / count))


def _frozen(array: Float) -> Float:
    array.flags.writeable = False
    return array
