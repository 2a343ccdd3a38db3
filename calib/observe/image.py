"""One pass of a scan as an image on an even grid: what the observers look at."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.errors import ScanError
from calib.scan import Scan
from calib.scanner.effect import Float


@dataclass(frozen=True)
class Image:
    """One pass, with its grid.

    Attributes
    ----------
    values
        Shape ``(slow, fast)``, float64; NaN where there is no data.
    fast, slow
        Coordinates of the pixel centres, m.
    rows
        Row of the scan that each row of the image is, shape ``(slow,)``.
    label
        For messages.
    """

    values: Float
    fast: Float
    slow: Float
    rows: np.ndarray
    label: str

    @classmethod
    def of(cls, scan: Scan, pass_index: int, rows: slice = slice(None), bins: tuple[int, int] = (1, 1)) -> Image:
        """Take one pass of the observed channel, or some rows of it.

        Parameters
        ----------
        bins
            How many rows and columns are averaged into one pixel; odd numbers, so that each has a middle.

        Raises
        ------
        ScanError
            If there is too little data, or the grid is uneven.
        """
        values = np.asarray(scan.values[pass_index, rows], dtype=np.float64)
        label = f"{scan.label} ({scan.passes[pass_index]})" if len(scan.passes) > 1 else scan.label
        if min(values.shape) < 8:
            raise ScanError(f"{label}: {values.shape[1]} x {values.shape[0]} points are too few to see a standard in.")
        good = np.isfinite(values)
        if not good.any():
            raise ScanError(f"{label}: it holds no data at all; choose another channel or scan again.")
        if good.mean() < 0.5:
            raise ScanError(f"{label}: {1 - good.mean():.0%} of its points hold no data; scan again.")
        if np.ptp(values[good]) == 0:
            raise ScanError(f"{label}: every point has the same value; choose another channel or scan again.")
        for name, grid in (("fast", scan.fast), ("slow", scan.slow[rows])):
            steps = np.diff(grid)
            if np.ptp(steps) > 1e-3 * steps.mean():
                raise ScanError(f"{label}: its {name} coordinates are not evenly spaced, as a standard needs them.")
        whole = cls(values, np.asarray(scan.fast), np.asarray(scan.slow[rows]), np.arange(scan.slow.size)[rows], label)
        return whole if bins == (1, 1) else whole._binned(*bins)

    def _binned(self, rows: int, columns: int) -> Image:
        tall, wide = self.values.shape[0] // rows, self.values.shape[1] // columns
        blocks = self.values[: tall * rows, : wide * columns].reshape(tall, rows, wide, columns)
        seen = np.isfinite(blocks)
        count = seen.sum(axis=(1, 3))
        total = np.where(seen, blocks, 0.0).sum(axis=(1, 3))
        # half a block of missing pixels makes its mean lie elsewhere
        values = np.where(2 * count > rows * columns, total / np.maximum(count, 1), np.nan)
        middle_row = np.arange(tall) * rows + rows // 2
        middle_column = np.arange(wide) * columns + columns // 2
        return Image(values, self.fast[middle_column], self.slow[middle_row], self.rows[middle_row], self.label)

    @property
    def step_fast(self) -> float:
        """Distance of pixel centres along the fast axis, m."""
        return float(self.fast[-1] - self.fast[0]) / (self.fast.size - 1)

    @property
    def step_slow(self) -> float:
        """Distance of pixel centres along the slow axis, m."""
        return float(self.slow[-1] - self.slow[0]) / (self.slow.size - 1)

    @property
    def width(self) -> float:
        """Along the fast axis, edge to edge, m."""
        return self.step_fast * self.fast.size

    @property
    def length(self) -> float:
        """Along the slow axis, edge to edge, m."""
        return self.step_slow * self.slow.size

    @cached_property
    def good(self) -> np.ndarray:
        """Where there is data; shape ``(slow, fast)``, bool."""
        return np.isfinite(self.values)

    @cached_property
    def limits(self) -> tuple[float, float]:
        """Values beyond which a pixel is dust or a spike rather than structure."""
        values = self._flat[self.good]
        low, middle, high = np.percentile(values, [2, 50, 98])
        margin = 1.0 * (high - low)
        return float(min(low, middle) - margin), float(max(high, middle) + margin)

    def flat(self, clip: bool = True) -> Float:
        """Values less a smooth background of degree 2; zero where there is no data, spikes cut."""
        return np.clip(self._flat, *self.limits) if clip else self._flat

    @cached_property
    def _flat(self) -> Float:
        return _level(self.values, self.good)


def _level(values: Float, good: np.ndarray) -> Float:
    rows = np.linspace(-1, 1, values.shape[0])[:, None]
    columns = np.linspace(-1, 1, values.shape[1])[None, :]
    # a coarse subset determines six numbers as well as all pixels do
    step = max(1, int(np.sqrt(values.size / 40000)))
    thin = (slice(None, None, step), slice(None, None, step))
    use = good[thin]
    row, column = (part[use] for part in np.broadcast_arrays(rows[thin[0]], columns[:, thin[1]]))
    design = np.stack([np.ones(row.size), row, column, row * column, row**2, column**2], axis=1)
    data = values[thin][use]
    weights = np.ones(row.size)
    fit = np.zeros(6)
    for _ in range(3):
        fit = np.linalg.lstsq(design * weights[:, None], data * weights, rcond=None)[0]
        rest = data - design @ fit
        spread = np.median(np.abs(rest)) + 1e-300
        weights = np.sqrt(1 / (1 + (rest / (6 * spread)) ** 2))
    along_rows, along_columns = fit[0] + fit[1] * rows + fit[4] * rows**2, fit[2] * columns + fit[5] * columns**2
    return np.where(good, values - along_rows - along_columns - fit[3] * rows * columns, 0.0)
