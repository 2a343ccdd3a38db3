"""How far two passes lie apart along the lines, place by place: correlations of their rapid changes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.findings.ranks import nanmedian, nanquantiles
from calib.findings.sheet import Float, Sheet

_COLUMNS = 256  # of the pictures that are compared; finer ones are averaged
_ROWS = 160
_REACH = 0.16  # of the width: how far apart passes may lie
WINDOW = 0.14  # of the width


@dataclass(frozen=True, eq=False)
class Pair:
    """Both sheets on a coarse grid, rapid changes along the fast axis only, trace first."""

    trace: Float
    retrace: Float
    slopes: tuple[float, float]
    structure: float
    oblique: float
    """Columns by which the surface seems to move along the lines if it moves by a row across them."""
    binning: int
    first: Sheet
    second: Sheet

    @classmethod
    def of(cls, first: Sheet, second: Sheet) -> Pair | None:
        """Bring two sheets, trace first, on the same coarse grid; None if there is too little in them to compare."""
        count = min(first.values.shape[0], second.values.shape[0])
        rows = np.unique(np.linspace(0, count - 1, min(count, _ROWS)).round().astype(int))
        # the lines of a serpentine lie between each other: oblique edges would seem displaced
        between = int(np.sign(first.rows[0] - second.rows[0]))
        if between:
            rows = rows[(rows + between >= 0) & (rows + between < count)]
        width = first.values.shape[1]
        binning = max(width // _COLUMNS, 1)
        keep = width - width % binning
        parts, slopes = [], []
        for sheet in (first, second):
            lines = np.asarray(sheet.values[rows][:, :keep], dtype=np.float64)
            if between and sheet is second:
                lines = (lines + np.asarray(sheet.values[rows + between][:, :keep], dtype=np.float64)) / 2
            lines = lines.reshape(rows.size, keep // binning, binning).mean(axis=2)
            if not np.isfinite(lines).any():
                return None
            middle = nanmedian(lines)
            low, high = nanquantiles(lines, 0.01, 0.99)
            lines = np.clip(lines, low - (high - low), high + (high - low)) - middle
            good = np.isfinite(lines)
            lines = np.where(good, lines, 0.0)
            x = np.linspace(-1, 1, lines.shape[1])
            slopes.append(float((lines @ x).mean() / (x @ x)))
            parts.append(_rapid(lines, good))
        if parts[0].shape[1] < 32 or not all(part.any() for part in parts):
            return None
        return cls(
            parts[0],
            parts[1],
            (slopes[0], slopes[1]),
            float(np.std(parts[0])),
            _oblique(first) / binning,
            binning,
            first,
            second,
        )

    @cached_property
    def straight(self) -> tuple[Float, Float]:
        """The passes as they are, see :meth:`match`."""
        return self.match(self.retrace)

    def match(self, retrace: Float) -> tuple[Float, Float]:
        """Correlation by place and shift: ``(windows, shifts)``, and the shifts in columns."""
        width = self.trace.shape[1]
        reach = int(_REACH * width)
        shifts = np.arange(-reach, reach + 1)
        product = np.zeros((shifts.size, width))
        power = np.zeros((shifts.size, width))
        own = (self.trace**2).sum(axis=0)
        its = (retrace**2).sum(axis=0)
        every = self.trace.T @ retrace  # each column with each
        for k, shift in enumerate(shifts):
            # a feature of the trace at x lies at x - shift in the retrace
            here = slice(max(shift, 0), width + min(shift, 0))
            there = slice(max(-shift, 0), width - max(shift, 0))
            product[k, here] = every.diagonal(-shift)
            power[k, here] = its[there]
        size = int(WINDOW * width)
        begin = np.linspace(0, width - size, 15).round().astype(int)
        sums = [
            np.concatenate([np.zeros((*a.shape[:-1], 1)), np.cumsum(a, axis=-1)], axis=-1)
            for a in (product, power, own)
        ]
        product, power, own = (each[..., begin + size] - each[..., begin] for each in sums)
        # a window of which a shift leaves less than a part is not compared there
        scale = np.sqrt(np.maximum(power, 0.25 * power.max(axis=0, keepdims=True) + 1e-300) * own[None] + 1e-300)
        return (product / scale).T, shifts.astype(np.float64)


def _oblique(sheet: Sheet) -> float:
    """Typical steepness across the lines over that along them, in pixels, both without noise."""
    picture = sheet.picture
    bends = np.diff(picture, 2, axis=1)
    noise = nanmedian(np.abs(bends)) / (0.6745 * np.sqrt(6))
    across, along = (float(np.nanvar(np.diff(picture, axis=axis))) - 2 * noise**2 for axis in (0, 1))
    return float(np.sqrt(max(across, 0.0) / max(along, 0.05 * noise**2, 1e-300)))


def _rapid(lines: Float, good: np.ndarray) -> Float:
    """Lines less their moving average; zero where there is no data."""
    width = lines.shape[1]
    size = max(width // 6, 8)
    padded = np.pad(lines, ((0, 0), (size // 2 + 1, size // 2)), mode="reflect")
    total = np.cumsum(padded, axis=1)
    smooth = (total[:, size // 2 * 2 + 1 :] - total[:, : -(size // 2 * 2 + 1)]) / (size // 2 * 2 + 1)
    return np.where(good, lines - smooth[:, :width], 0.0)


def follow(match: Float, shifts: Float) -> tuple[Float, Float]:
    """The displacement by window as a smooth path through the correlations, and the correlation on it.

    Of a periodic surface several shifts match alike. The path is the one that keeps the correlation high, changes
    little from window to window, and is small where the probe turns.
    """
    count = len(match)
    bend = 0.02 * (shifts[:, None] - shifts[None, :]) ** 2
    # and has the sign of a loop rather than the other
    end = np.where(shifts < 0, 0.7, 0.5) * np.abs(shifts) / shifts[-1]
    best = match[0] - end
    back = np.zeros((count, shifts.size), dtype=np.intp)
    for k in range(1, count):
        through = best[None, :] - bend
        back[k] = through.argmax(axis=1)
        best = through.max(axis=1) + match[k]
    path = np.zeros(count, dtype=np.intp)
    path[-1] = int(np.argmax(best - end))
    for k in range(count - 1, 0, -1):
        path[k - 1] = back[k, path[k]]
    at = np.clip(path, 1, shifts.size - 2)
    rows = np.arange(count)
    low, middle, high = match[rows, at - 1], match[rows, at], match[rows, at + 1]
    curve = low - 2 * middle + high
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.where(curve < 0, 0.5 * (low - high) / curve, 0.0)
    return shifts[at] + np.clip(part, -1, 1), match[rows, path]
