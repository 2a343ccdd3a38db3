"""What an instrument records of a surface: the surface at the true position of every pixel, with all that spoils it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.path import Path, Samples
from calib.scan import Frame, Pattern, Scan

Float = NDArray[np.float64]
Motion = Callable[[Path, Samples], Float]
"""True position of samples on a path: ``motion(path, samples) -> (2, samples)``, m."""
Response = Callable[[Float, Path, Samples], Float]
"""Indicated height of samples: ``indicate(true_height, path, samples) -> (samples,)``, m."""
Relief = Callable[[Float, Float], Float]
"""True height, or another quantity, at true coordinates: ``surface(x, y)``."""


class Recording(NamedTuple):
    """A scan, and the truth that an instrument never tells.

    Attributes
    ----------
    scan
        What was recorded.
    truth
        True position of every pixel, m; shape ``(2, passes, slow, fast)``.
    """

    scan: Scan
    truth: Float


@dataclass(frozen=True, kw_only=True)
class Flaws:
    """What comes on top of the signal.

    Parameters
    ----------
    noise
        Standard deviation of white noise, in the unit of the channel.
    flicker
        Standard deviation of an offset of each sweep whose power falls as 1/f through the frame.
    dust
        Number of particles on the surface, somewhere in the frame.
    dust_size, dust_height
        Typical radius and height of a particle, m.
    streaks
        Fraction of the sweeps on which a stretch is displaced in height.
    streak_height
        Standard deviation of that displacement.
    quantum
        Least step of the recorded values; zero for none.
    """

    noise: float = 0.0
    flicker: float = 0.0
    dust: int = 0
    dust_size: float = 0.3e-6
    dust_height: float = 150e-9
    streaks: float = 0.0
    streak_height: float = 60e-9
    quantum: float = 0.0


def raster(
    size: float | tuple[float, float],
    points: int | tuple[int, int] = 256,
    *,
    centre: tuple[float, float] = (0.0, 0.0),
    rotation: float = 0.0,
    frame: Frame = "up",
    line_period: float | None = 1.0,
    turnaround: float | None = None,
    previous: tuple[float, float] | None = None,
    passes: tuple[str, ...] = ("trace", "retrace"),
    pattern: Pattern = "raster",
    started: datetime | None = None,
    scanner: str | None = None,
    probe: str | None = None,
    controller: Mapping[str, Any] | None = None,
    temperature: float | None = None,
    z_centre: float | None = None,
    title: str = "",
) -> Scan:
    """Return an empty scan, which says where the scanner is to go and when.

    Parameters
    ----------
    size
        Distance from the first to the last pixel centre along (fast, slow), m, so that n points are
        ``size / (n - 1)`` apart; one number for both.
    points
        Number of points along (fast, slow); one number for both.
    centre
        Commanded centre, (x, y) in m.
    turnaround
        s; by default a twentieth of the line period.
    previous
        Where the scanner rested before, (x, y) in m.
    rotation, frame, line_period, passes, pattern, started, scanner, probe, controller, temperature, z_centre, title
        As in :class:`calib.scan.Scan`.
    """
    size_fast, size_slow = size if isinstance(size, tuple) else (size, size)
    points_fast, points_slow = points if isinstance(points, tuple) else (points, points)
    if turnaround is None and line_period is not None:
        turnaround = line_period / 20
    shape = (len(passes), points_slow, points_fast)
    return Scan(
        channels={"height": np.broadcast_to(np.float32(0), shape)},
        fast=np.linspace(-size_fast / 2, size_fast / 2, points_fast),
        slow=np.linspace(-size_slow / 2, size_slow / 2, points_slow),
        passes=passes,
        title=title,
        centre_x=centre[0],
        centre_y=centre[1],
        rotation=rotation,
        frame=frame,
        line_period=line_period,
        turnaround=turnaround,
        previous_x=None if previous is None else previous[0],
        previous_y=None if previous is None else previous[1],
        started=started,
        scanner=scanner,
        probe=probe,
        controller=controller,
        temperature=temperature,
        z_centre=z_centre,
        pattern=pattern,
    )


def all_pixels(path: Path, height: Float | None = None) -> Samples:
    """Return the samples of every pixel of a scan, in the order of its array ``[pass, slow, fast]``."""
    which = np.arange(len(path.passes))[:, None, None]
    line = np.arange(path.slow.size)[None, :, None]
    return path.samples(which, line, path.fast[None, None, :], height)


def true_positions(motion: Motion, scan: Scan) -> Float:
    """Return where the scanner was at every pixel, m; shape ``(2, passes, slow, fast)``."""
    path = Path(scan)
    return motion(path, all_pixels(path)).reshape(2, *scan.shape)


def record(
    surface: Relief,
    motion: Motion,
    scan: Scan,
    *,
    indicate: Response | None = None,
    flaws: Flaws | None = None,
    channel: str = "height",
    unit: str = "m",
    iterations: int = 1,
    seed: int = 0,
) -> Recording:
    """Record a scan of a surface.

    Parameters
    ----------
    surface
        True height at true coordinates, or another quantity (see `channel`).
    motion
        Where the scanner truly goes.
    scan
        Where it is told to go: see :func:`raster`. Its channels are replaced.
    indicate
        What the instrument makes of the true height; by default the height itself.
    flaws
        Noise, dust and the like; by default none.
    channel, unit
        What is recorded.
    iterations
        How often the motion is evaluated; more than once if it depends on the indicated height.
    seed
        Of everything random in `flaws`: the same seed gives the same scan.
    """
    flaws = flaws or Flaws()
    rng = np.random.default_rng(seed)
    path = Path(scan)
    samples = all_pixels(path)
    signal = np.zeros(samples.size)
    for _ in range(iterations):
        samples = replace(samples, height=signal)
        x, y = truth = motion(path, samples)
        # a generator of its own: the same particles in every iteration
        true_height = surface(x, y) + _dust(x, y, flaws, np.random.default_rng((seed, 1)))
        signal = true_height if indicate is None else indicate(true_height, path, samples)
    values = signal.reshape(scan.shape) + _flicker(path, scan, flaws, rng) + _streaks(scan, flaws, rng)
    if flaws.noise:
        values = values + rng.normal(0, flaws.noise, scan.shape)
    if flaws.quantum:
        values = np.rint(values / flaws.quantum) * flaws.quantum
    recorded = scan.replace(channels={channel: values}, units={channel: unit}, channel=channel)
    return Recording(recorded, truth.reshape(2, *scan.shape))


def _dust(x: Float, y: Float, flaws: Flaws, rng: np.random.Generator) -> Float:
    """Height that particles add; they are round and lie where the scanner really passes."""
    height = np.zeros(x.size)
    for _ in range(flaws.dust):
        at = int(rng.integers(x.size))
        radius = flaws.dust_size * rng.uniform(0.5, 1.5)
        square = ((x - x[at]) ** 2 + (y - y[at]) ** 2) / radius**2
        height = np.maximum(height, flaws.dust_height * rng.uniform(0.5, 1.5) * np.sqrt(np.clip(1 - square, 0, None)))
    return height


def _flicker(path: Path, scan: Scan, flaws: Flaws, rng: np.random.Generator) -> Float:
    """Offset of each sweep, of shape ``(passes, slow, 1)``."""
    offset = np.zeros(path.sweeps.line.size)
    if flaws.flicker and offset.size > 1:
        spectrum = np.fft.rfft(rng.standard_normal(offset.size))
        spectrum[1:] /= np.sqrt(np.arange(1, spectrum.size))
        spectrum[0] = 0
        offset = np.fft.irfft(spectrum, offset.size)
        offset *= flaws.flicker / offset.std()
    passes, slow, _ = scan.shape
    sweep = path.samples(np.arange(passes)[:, None], np.arange(slow)[None, :], path.fast[0]).sweep
    return offset[sweep].reshape(passes, slow, 1)


def _streaks(scan: Scan, flaws: Flaws, rng: np.random.Generator) -> Float:
    """Displaced stretches, of the shape of the scan."""
    passes, slow, fast = scan.shape
    streaked = np.zeros((passes * slow, fast))
    count = int(np.rint(flaws.streaks * passes * slow))
    for sweep in rng.choice(passes * slow, count, replace=False):
        length = int(rng.integers(max(fast // 10, 1), fast + 1))
        begin = int(rng.integers(0, fast - length + 1))
        streaked[sweep, begin : begin + length] = rng.normal(0, flaws.streak_height)
    return streaked.reshape(passes, slow, fast)
