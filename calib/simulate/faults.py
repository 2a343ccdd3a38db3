"""What can go wrong with a recording, put into a scan afterwards: each function returns a spoilt copy.

They serve to measure how well faults are found (see `docs/reference/findings.md`). What happens in time happens along
the path of the probe: towards +fast in the trace, towards -fast in the retrace and in every other line of a serpentine.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from calib.errors import ScanError
from calib.path import Path, Samples
from calib.scan import Scan
from calib.simulate.instrument import Physics
from calib.simulate.recording import Relief, all_pixels

Float = NDArray[np.float64]


def pixel_times(scan: Scan) -> Float:
    """Time of every pixel, s, of the shape of the scan; of a scan without timing, in line periods."""
    timed = scan if scan.line_period is not None else scan.replace(line_period=1.0, turnaround=0.05)
    return all_pixels(Path(timed)).time.reshape(scan.shape)


def clipped(scan: Scan, low: float = -np.inf, high: float = np.inf) -> Scan:
    """Cut the signal at the ends of a range."""
    return _with(scan, np.clip(scan.values, low, high))


def without_lines(
    scan: Scan, rows: Sequence[int], how: Literal["nothing", "zero", "repeated"] = "nothing", part: float = 1.0
) -> Scan:
    """Lose lines, or the later part of them, of every pass.

    Parameters
    ----------
    rows
        Which.
    how
        What stands there instead: no data, zeros, or the line below.
    part
        How much of each line.
    """
    values = np.array(scan.values)
    begin = round((1 - part) * scan.fast.size)
    for row in rows:
        if how == "repeated":
            values[:, row, begin:] = values[:, row - 1 if row else row + 1, begin:]
        else:
            values[:, row, begin:] = np.nan if how == "nothing" else 0.0
    return _with(scan, values)


def jumped(scan: Scan, when: float, by: float) -> Scan:
    """Add an offset from a moment on, given as a part of the frame's duration."""
    time = pixel_times(scan)
    return _with(scan, scan.values + by * (time >= when * float(time.max())))


def dead(scan: Scan, which: int, noise: float, seed: int = 0) -> Scan:
    """Replace one pass by its mean and noise."""
    values = np.array(scan.values)
    mean = float(np.nanmean(values[which]))
    values[which] = mean + np.random.default_rng(seed).normal(0, noise, values.shape[1:])
    return _with(scan, values)


def swapped(scan: Scan) -> Scan:
    """Take the trace for the retrace and the other way round."""
    return _with(scan, scan.values[::-1])


def mirrored(scan: Scan, which: int) -> Scan:
    """Store one pass in the order of time, or against it: its lines are mirrored."""
    values = np.array(scan.values)
    values[which] = values[which, :, ::-1]
    return _with(scan, values)


def lagging(scan: Scan, pixels: float) -> Scan:
    """Record every value some pixels late on the way of the probe."""
    columns = np.arange(scan.fast.size)

    def late(lines: Float) -> Float:
        at = np.clip(columns - pixels, 0, columns[-1])
        low = np.minimum(at.astype(np.int64), columns[-1] - 1)
        return np.asarray(lines[:, low] * (1 - (at - low)) + lines[:, low + 1] * (at - low))

    return _along_the_way(scan, late)


def ringing(scan: Scan, period: float, damping: float) -> Scan:
    """Let the feedback ring: a resonance of second order after every change.

    Parameters
    ----------
    period
        Of the ringing, in pixels.
    damping
        Of critical; 0.2 overshoots by half of a step.
    """
    from scipy import signal

    # the bilinear transform at this rate keeps the step response of a slow resonance
    omega = 2 * np.pi / period / np.sqrt(1 - damping**2)
    b, a = signal.bilinear([omega**2], [1, 2 * damping * omega, omega**2], fs=1.0)

    def ring(lines: Float) -> Float:
        rest = lines[:, :1]
        filled = np.where(np.isfinite(lines), lines, rest) - rest
        return np.asarray(signal.lfilter(b, a, filled, axis=1) + rest)

    return _along_the_way(scan, ring)


def disturbed(scan: Scan, frequency: float, amplitude: float, phase: float = 0.0) -> Scan:
    """Add a periodic interference of a frequency, Hz.

    Raises
    ------
    ScanError
        If the scan has no timing.
    """
    if scan.line_period is None:
        raise ScanError("A frequency means nothing to a scan without line_period: give it one.")
    return _with(scan, scan.values + amplitude * np.sin(2 * np.pi * frequency * pixel_times(scan) + phase))


def quantised(scan: Scan, quantum: float) -> Scan:
    """Round to multiples of a quantum."""
    return _with(scan, np.rint(scan.values / quantum) * quantum)


def levelled(scan: Scan, how: Literal["mean", "median", "line", "difference", "plane", "bowl"]) -> Scan:
    """Level a scan as people do before they look at it.

    Parameters
    ----------
    how
        Take off the ``mean`` or ``median`` of each line, a straight ``line`` through each line, the median
        ``difference`` from the line before, a ``plane``, or a ``bowl`` (polynomial of degree 2).
    """
    values = np.array(scan.values, dtype=np.float64)
    if how == "mean":
        values -= np.nanmean(values, axis=2, keepdims=True)
    elif how == "median":
        values -= np.nanmedian(values, axis=2, keepdims=True)
    elif how == "difference":
        change = np.nanmedian(np.diff(values, axis=1), axis=2)
        values[:, 1:] -= np.cumsum(np.nan_to_num(change), axis=1)[..., None]
    elif how == "line":
        x = np.linspace(-1, 1, values.shape[2])
        for lines in values:
            for row in lines:
                good = np.isfinite(row)
                if good.sum() > 2:
                    row -= np.polyval(np.polyfit(x[good], row[good], 1), x)
    else:
        y, x = np.meshgrid(*(np.linspace(-1, 1, n) for n in values.shape[1:]), indexing="ij")
        terms = [np.ones_like(x), x, y] + ([x * x, x * y, y * y] if how == "bowl" else [])
        design = np.stack([term.ravel() for term in terms], axis=1)
        for image in values:
            good = np.isfinite(image).ravel()
            image -= (design @ np.linalg.lstsq(design[good], image.ravel()[good], rcond=None)[0]).reshape(image.shape)
    return _with(scan, values)


def smoothed(scan: Scan, how: Literal["gauss", "mean", "median"], size: float) -> Scan:
    """Filter a scan: a Gaussian of standard deviation `size`, or a mean or median over `size` by `size` points."""
    from scipy import ndimage

    def smooth(image: Float) -> Float:
        if how == "gauss":
            return np.asarray(ndimage.gaussian_filter(image, size))
        if how == "mean":
            return np.asarray(ndimage.uniform_filter(image, int(size)))
        return np.asarray(ndimage.median_filter(image, int(size)))

    return _with(scan, np.stack([smooth(np.asarray(image, dtype=np.float64)) for image in scan.values]))


@dataclass(frozen=True)
class DoubleTip:
    """A surface as a probe with two ends feels it.

    Parameters
    ----------
    surface
        What is scanned.
    offset
        From the first end to the second, (x, y) in m.
    higher
        How much higher the second end lies, m.
    """

    surface: Relief
    offset: tuple[float, float]
    higher: float

    def __call__(self, x: Float, y: Float) -> Float:
        """Height at true coordinates of the first end, m."""
        second = self.surface(x + self.offset[0], y + self.offset[1]) - self.higher
        return np.maximum(self.surface(x, y), second)


Displacement = Callable[[Path, Samples], Float]
"""How far the probe is displaced against the sample, (x, y) in m, shape ``(2, samples)``, along a path."""


@dataclass(frozen=True)
class Disturbed:
    """The physics of an instrument (see :class:`calib.simulate.Physics`) whose probe is displaced in addition.

    Parameters
    ----------
    physics
        Of the instrument without it.
    displacement
        Such as :func:`vibrating`, :func:`slipped` or :func:`slipping`.
    """

    physics: Physics
    displacement: Displacement

    def motion(self, path: Path, samples: Samples, clock: float) -> Float:
        """True position of samples, m."""
        return np.asarray(self.physics.motion(path, samples, clock) + self.displacement(path, samples))

    def indicate(self, height: Float, path: Path, samples: Samples, clock: float) -> Float:
        """Indicated height, m."""
        return self.physics.indicate(height, path, samples, clock)


def vibrating(frequency: float, amplitude: tuple[float, float], phase: float = 0.0) -> Displacement:
    """Vibration along x and y, m, at a frequency, Hz."""
    return lambda path, samples: np.outer(amplitude, np.sin(2 * np.pi * frequency * samples.time + phase))


def slipped(when: float, by: tuple[float, float]) -> Displacement:
    """Jump of the sample or the scanner along x and y, m, at a moment given as a part of the frame's duration."""
    return lambda path, samples: np.outer(by, samples.time >= when * path.frame_time)


def slipping(when: float, by: tuple[float, float]) -> Displacement:
    """Creep of the sample at a constant rate from a moment on; by so much along x and y, m, at the frame's end."""
    return lambda path, samples: np.outer(by, np.clip((samples.time / path.frame_time - when) / (1 - when), 0, None))


def settling(by: tuple[float, float], frames: float) -> Displacement:
    """Drift that settles with a time constant in frames; by so much along x and y, m, in the end."""
    return lambda path, samples: np.outer(by, 1 - np.exp(-samples.time / (frames * path.frame_time)))


def _with(scan: Scan, values: NDArray[np.floating[Any]]) -> Scan:
    dtype = scan.values.dtype
    return scan.replace(channels={**scan.channels, scan.channel: np.asarray(values, dtype=dtype)})


def _along_the_way(scan: Scan, change: Callable[[Float], Float]) -> Scan:
    """Apply a change of lines in the order of time to every sweep; a change sees lines of shape ``(lines, fast)``."""
    values = np.array(scan.values, dtype=np.float64)
    path = Path(scan)
    for k, image in enumerate(values):
        sweep = path.samples(k, np.arange(scan.slow.size), scan.fast[0]).sweep
        back = path.sweeps.direction[sweep] < 0
        image[~back] = change(image[~back])
        image[back] = change(image[back][:, ::-1])[:, ::-1]
    return _with(scan, values)
