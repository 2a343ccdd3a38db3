"""Line by line, how far the probe was from where a solution has it: what the checks after a fit look at.

Nodes lie about a pitch apart, and a tile of one averages over as much. What happens in time - a jump, a slip, a
vibration - is seen on the pixels: each line is compared with the standard's own mean profile at the lattice coordinates
that the solution expects there. A small displacement changes a pixel by the slope of the profile, so that every line
gives normal equations for its displacement, its own offset and tilt taken out. They are kept as such: along a line of
a grid's plateau nothing is known of one direction, and lines are only ever averaged with what they know.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.errors import ScanError
from calib.fitting.problem import Prepared, Problem
from calib.observe.image import Image
from calib.observe.template import Template
from calib.path import Path
from calib.scan import Scan
from calib.scanner.effect import Float

_LINEAR = 0.12  # of a pitch: a displacement beyond which the slope of the profile says nothing more
_SPIKE = 5.0  # standard deviations of a pixel
_MARGIN = 2  # pixels around a spike that are not used
_NEIGHBOURS, _STREAK = 21, 0.02  # lines, and part of a line
# degrees along the fast and the slow axis of what a model does not follow: the richest that the nodes allow
_FIELD = ((6, 3), (5, 3), (4, 3), (3, 2), (2, 2), (1, 1))


@dataclass(frozen=True, eq=False)
class LineSeries:
    """The lines of one scan in the order of time.

    Attributes
    ----------
    label
        Name of the scan.
    path
        Its commanded path.
    names
        Of the directions in which a displacement is told: of a grid along the fast and the slow axis, of a grating
        across its lines.
    sweep, row, pass_index
        Which each line is; shape ``(lines,)``.
    time
        Of the middle of each line, s; in line periods where timing is unknown.
    matrix, right
        Normal equations of each line's displacement, per square of the noise of a pixel: ``matrix @ d = right``; shapes
        ``(lines, m, m)`` in m^-2 and ``(lines, m)`` in m^-1.
    signal
        Slope times residual of every pixel in the order of time, so that its mean over some pixels is proportional to
        their displacement; shape ``(m, lines, fast)``, m^-1.
    power
        Slope squared, likewise, m^-2.
    pitch
        Shortest of the standard, m.
    """

    label: str
    path: Path
    names: tuple[str, ...]
    sweep: np.ndarray
    row: np.ndarray
    pass_index: np.ndarray
    time: Float
    matrix: Float
    right: Float
    signal: Float
    power: Float
    pitch: float

    @property
    def passes(self) -> int:
        """How many groups of lines are swept alike."""
        return int(self.group.max()) + 1

    @property
    def group(self) -> np.ndarray:
        """Which lines are swept alike, and so share what a model does not follow; shape ``(lines,)``."""
        if self.path.serpentine:
            return np.asarray((self.path.sweeps.direction[self.sweep] < 0).astype(np.int64))
        return self.pass_index


def line_series(problem: Problem, x: Float, prepared: Prepared, scan: Scan) -> LineSeries | None:
    """Compare every line of a scan with what a solution expects of it.

    Parameters
    ----------
    problem, x
        A joint problem and its solution.
    prepared
        Which of its scans.
    scan
        The same, with its pixels.

    Returns
    -------
    LineSeries or None
        None if a scan can't be compared.
    """
    path = prepared.observation.path
    periods = problem.lattice_of_pixels(x, prepared) + _not_followed(problem, x, prepared)
    lattice = problem.lattice(x, prepared)
    # of a grating only what lies across its lines is seen
    grid = len(lattice) == 2
    axes = np.stack([path.fast_axis, path.slow_axis], axis=1) if grid else lattice.T / np.linalg.norm(lattice)
    names = ("along the fast axis", "along the slow axis") if grid else ("across the lines of the grating",)
    pitch = float(1 / np.linalg.norm(lattice, axis=1).max())
    parts = []
    order = _sweeps(path)
    for index in range(len(path.passes)):
        for rows in (slice(0, None, 2), slice(1, None, 2)) if path.serpentine else (slice(None),):
            try:
                image = Image.of(scan, index, rows)
            except ScanError:
                continue
            sweep = order[index, image.rows]
            expected = periods[:, index, rows]
            parts.append(
                (sweep, image.rows, np.full(sweep.size, index), *_compare(image, expected, lattice @ axes, pitch))
            )
    if not parts:
        return None
    sweep, row, pass_index = (np.concatenate([part[k] for part in parts]) for k in range(3))
    matrix, right, signal, power = (np.concatenate([part[k] for part in parts]) for k in range(3, 7))
    back = path.sweeps.direction[sweep] < 0
    for pixels in (signal, power):
        pixels[back] = pixels[back][:, :, ::-1]
    first = path.sweeps.line[0]  # carries what went before
    use = np.argsort(sweep)
    use = use[row[use] != first]
    time = path.sweeps.time[sweep] + path.sweep_time / 2 if path.timed else sweep / (1.0 if path.serpentine else 2.0)
    return LineSeries(
        label=prepared.observation.label,
        path=path,
        names=names,
        sweep=sweep[use],
        row=row[use],
        pass_index=pass_index[use],
        time=np.asarray(time, dtype=np.float64)[use],
        matrix=matrix[use],
        right=right[use],
        signal=np.moveaxis(signal[use], 1, 0),
        power=np.moveaxis(power[use], 1, 0),
        pitch=pitch,
    )


def _not_followed(problem: Problem, x: Float, prepared: Prepared) -> Float:
    """What the model does not follow, as a smooth field of each pass, periods; shape ``(m, pass, slow, fast)``.

    Lines show it at other places from line to line, as edges lie, which would look like jumps. A jump itself is too
    sudden for it.
    """
    observation, path = prepared.observation, prepared.observation.path
    rest = problem.residual(x, prepared)
    result = np.zeros((rest.shape[1], *path.scan_shape))
    group = observation.pass_index * 2 + (observation.row % 2 if path.serpentine else 0)
    for g in np.unique(group):
        mine = group == g
        possible = [(a, b) for a, b in _FIELD if 2 * (a + 1) * (b + 1) <= mine.sum()]
        if not possible:
            continue
        across, up = possible[0]
        u, v = legendre(path.fast, path.fast, across), legendre(path.slow, path.slow, up)
        along = legendre(observation.fast[mine], path.fast, across)
        design = (along[:, :, None] * v[observation.row[mine]][:, None, :]).reshape(len(along), -1)
        root = np.sqrt(prepared.weight[mine])[:, None]
        fit = np.linalg.lstsq(design * root, rest[mine] * root, rcond=1e-6)[0]
        rows = slice(int(g) % 2, None, 2) if path.serpentine else slice(None)
        result[:, g // 2, rows] = np.einsum("fi,ijm,sj->msf", u, fit.reshape(across + 1, up + 1, -1), v[rows])
    return result


def along_axes(periods: Float, lattice: Float, path: Path) -> Float:
    """Differences of lattice coordinates as displacements, m: along fast and slow axis, of a grating across its lines.

    Shape ``(nodes, m)``, as that of `periods`.
    """
    if len(lattice) == 1:
        return np.asarray(periods / float(np.linalg.norm(lattice)))
    axes = np.stack([path.fast_axis, path.slow_axis], axis=1)
    return np.asarray(periods @ np.linalg.inv(lattice @ axes).T)


def legendre(values: Float, grid: Float, degree: int) -> Float:
    """Legendre polynomials over the span of a grid, shape ``(values, degree + 1)``."""
    place = 2 * (values - grid[0]) / (grid[-1] - grid[0]) - 1
    return np.asarray(np.polynomial.legendre.legvander(place, degree))


def _sweeps(path: Path) -> np.ndarray:
    """Index of the sweep by pass and row."""
    passes, slow, _ = path.scan_shape
    index, row = np.meshgrid(np.arange(passes), np.arange(slow), indexing="ij")
    return np.asarray(path.samples(index, row, np.full(index.shape, path.fast[0])).sweep.reshape(passes, slow))


def _compare(image: Image, periods: Float, lattice: Float, pitch: float) -> tuple[Float, Float, Float, Float]:
    """Normal equations of all lines of an image, and the signal and power of its pixels, ``(lines, m, fast)``."""
    values = image.flat(clip=False)
    low, high = image.limits
    weight = (image.good & (values > low) & (values < high)).astype(np.float64)
    count, width = values.shape
    flat = periods.reshape(len(periods), -1)
    x = np.linspace(-1, 1, width)
    background = np.zeros((count, width))
    for _ in range(2):
        template = Template.fold(flat, (values - background).ravel(), weight.ravel())
        profile, slopes = template.at(flat)
        slope = np.einsum("ka,kp->ap", lattice, np.stack(slopes)).reshape(-1, count, width)
        rest = values - profile.reshape(count, width)
        background = _line_by_line(rest, weight, x)
        rest = rest - background
        some = np.abs(rest[weight > 0])
        noise = 1.4826 * float(np.median(some)) if some.size else 0.0
        noise = max(noise, 1e-9 * float(high - low), 1e-300)
        steep = np.sqrt(np.sum(slope**2, axis=0))
        # a displaced edge is no spike: what is allowed grows with the slope
        weight = weight * (np.abs(rest) < _SPIKE * noise + _LINEAR * pitch * steep)
    weight = weight * _unspoilt(weight > 0, image.good)
    rest = rest * weight / noise
    slope = np.stack([each - _line_by_line(each, weight, x) for each in slope]) * weight / noise
    matrix = np.einsum("asp,bsp->sab", slope, slope)
    right = np.einsum("asp,sp->sa", slope, rest)
    return matrix, right, np.moveaxis(slope * rest, 0, 1), np.moveaxis(slope**2, 0, 1)


def _unspoilt(used: np.ndarray, good: np.ndarray) -> np.ndarray:
    """Pixels away from spikes and dust, and on no streak: a line that lost far more of them than its neighbours."""
    from scipy import ndimage

    spoilt = good & ~used
    lost = spoilt.mean(axis=1)
    usual = ndimage.median_filter(lost, size=_NEIGHBOURS, mode="nearest")
    streak = lost > 2 * usual + _STREAK
    return np.asarray(~ndimage.binary_dilation(spoilt, iterations=_MARGIN) & ~streak[:, None])


def _line_by_line(values: Float, weight: Float, x: Float) -> Float:
    """Weighted straight line through every line."""
    s0, s1, s2 = weight.sum(axis=1), weight @ x, weight @ x**2
    v0, v1 = (weight * values).sum(axis=1), (weight * values) @ x
    det = s0 * s2 - s1**2
    good = det > 1e-6 * np.maximum(s0, 1) ** 2
    det = np.where(good, det, 1.0)
    offset = np.where(good, (s2 * v0 - s1 * v1) / det, 0.0)
    tilt = np.where(good, (s0 * v1 - s1 * v0) / det, 0.0)
    return np.asarray(offset[:, None] + tilt[:, None] * x[None, :])
