"""Checks of edges: undersampled ones, a double tip, a blunt tip.

Edges are found along the lines. Laid over each other at their middles they give the profile of an edge between the
pixels (the principle of the slanted edge, ISO 12233:2017; from memory). A probe with two ends meets every falling edge
twice, or every rising one, but not both. A blunt probe draws flanks that are round at the top and sharp at the foot.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.findings.finding import Finding
from calib.findings.samples import Statistics
from calib.findings.sheet import Bool, Float, Int, Sheet
from calib.units import show

_LINES = 128  # that are searched
_HALF = 3  # points on either side of an edge whose means are compared
_REACH = 24  # points to either side of an edge that its profile shows
_FEWEST = 24  # edges
_NOISE = 5.0  # deviations that an edge must exceed
_LOW = 0.15  # of the common height; lower ones are no edges
_CLEAR = 8.0  # deviations that edges must exceed for their steepness to be told
_STEEP = 0.78  # of an edge lies between two neighbouring points: it is narrower than 1.4 points
_PAIRED = 0.35  # of the edges of one sign come in pairs
_SINGLE = 0.5  # of that part of those of the other sign do
_SAME_DISTANCE = 1.5  # points, median departure of the distances in pairs
_ROUND = 1.5  # curvature at the foot over that at the top; it is 1 for even edges
_LAGS = (4, 6, 9)  # half points, over which curvatures are taken


@dataclass(frozen=True, eq=False)
class Edges:
    """Edges along the lines of a sheet, line by line from left to right; arrays have shape ``(edges,)``."""

    sheet: Sheet
    lines: Float
    row: Int
    column: Int
    """The edge lies between this column and the one before."""
    size: Float
    """Mean of some points after the edge less that of some before it."""
    slope: float
    """Of the plane along the lines, a point."""
    noise: float

    @classmethod
    def of(cls, statistics: Statistics, *, across: bool = False) -> Edges:
        """Find the edges of a sheet along its lines, or along its columns."""
        from scipy import ndimage

        sheet = statistics.sheet
        values = sheet.values.T if across else sheet.values
        count = values.shape[0]
        rows = np.unique(np.linspace(0, count - 1, min(count, _LINES)).round().astype(int))
        lines = np.asarray(values[rows][:, sheet.middle[0 if across else 1]], dtype=np.float64)
        total = np.cumsum(np.pad(np.nan_to_num(lines), ((0, 0), (1, 0))), axis=1)
        means = (total[:, _HALF:] - total[:, :-_HALF]) / _HALF
        step = means[:, _HALF:] - means[:, :-_HALF]
        if not step.size:
            return cls(sheet, lines, np.zeros(0, np.intp), np.zeros(0, np.intp), np.zeros(0), 0.0, 0.0)
        tilt = float(np.median(step))
        step = step - tilt
        size = np.abs(step)
        noise = statistics.noise * np.sqrt(2 / _HALF)
        top = (size == ndimage.maximum_filter1d(size, 2 * _HALF + 1, axis=1)) & (size > _NOISE * noise)
        common = float(np.quantile(size[top], 0.8)) if top.any() else np.inf
        row, column = np.nonzero(top & (size > _LOW * common))
        return cls(sheet, lines, row, column + _HALF, step[row, column], tilt / _HALF, noise)

    @cached_property
    def windows(self) -> tuple[Float, Float, Bool]:
        """Points about each edge, rising; where they lie from its middle; whether the window is whole.

        The arrays have shapes ``(edges, points)``, ``(edges, points)`` and ``(edges,)``.
        """
        offset = np.arange(-_REACH, _REACH)
        at = self.column[:, None] + offset
        whole = (at[:, 0] >= 0) & (at[:, -1] < self.lines.shape[1])
        values = self.lines[self.row[:, None], np.clip(at, 0, self.lines.shape[1] - 1)] - self.slope * offset
        values = values * np.sign(self.size)[:, None]
        before, after = values[:, _REACH - 1], values[:, _REACH]
        half = values[:, _REACH - _HALF : _REACH + _HALF].mean(axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            part = np.where(after > before, (half - before) / (after - before), 0.5)
        place = np.clip(np.nan_to_num(part, nan=0.5), 0, 1) - 1
        whole &= np.isfinite(values).all(axis=1)
        return values - half[:, None], offset[None, :] - place[:, None], whole

    def profile(self, which: Bool) -> Float | None:
        """Mean profile of some edges, rising, in half points; shape ``(4 * _REACH - 3,)`` with the edge in its middle."""
        values, way, whole = self.windows
        use = which & whole
        if use.sum() < _FEWEST // 2:
            return None
        cells = np.rint(2 * way[use]).astype(np.int64) + 2 * _REACH - 2
        inside = (cells >= 0) & (cells < 4 * _REACH - 3)
        number = np.bincount(cells[inside], minlength=4 * _REACH - 3)
        total = np.bincount(cells[inside], values[use][inside], minlength=4 * _REACH - 3)
        known = np.flatnonzero(number)
        return np.asarray(np.interp(np.arange(number.size), known, total[known] / number[known]))


def edge_checks(all_statistics: Sequence[Statistics]) -> Iterator[Finding]:
    """Yield what is wrong with the edges of all sheets."""
    live = [each for each in all_statistics if not each.empty and not each.alike]
    along = [edges for each in live if (edges := Edges.of(each)).row.size >= _FEWEST]
    # every other line of a serpentine belongs to the other sheet
    raster = [each for each in live[:1] if each.sheet.line_step == 1]
    across = [edges for each in raster if (edges := Edges.of(each, across=True)).row.size >= _FEWEST]
    yield from _undersampled(along, across)
    yield from _double_tip(along)
    yield from _blunt_tip(along)


def _undersampled(along: Sequence[Edges], across: Sequence[Edges]) -> Iterator[Finding]:
    steep = [max(map(steepness, group), default=0.0) for group in (along, across)]
    axes = [name for name, part in zip(("fast", "slow"), steep, strict=True) if part > _STEEP]
    if axes:
        yield Finding(
            kind="undersampled edges",
            severity="warning",
            message=f"Along the {' and the '.join(axes)} axis {max(steep):.0%} of an edge's height lies between two "
            "neighbouring pixels: edges are narrower than the pixels resolve.",
            advice="Scan with more points, or a smaller field.",
            effect="Where an edge lies between the pixels is lost, up to a fraction of a pixel, and lines along the pixels "
            "are displaced systematically.",
        )


def steepness(edges: Edges) -> float:
    """Part of an edge that lies between two neighbouring points, median of all; zero if they hardly exceed the noise."""
    values, _, _ = edges.windows
    if float(np.median(np.abs(edges.size))) < _CLEAR * edges.noise:
        return 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        rise = values[:, _REACH + 1] - values[:, _REACH - 2]
        part = (values[:, _REACH] - values[:, _REACH - 1]) / rise
    part = part[np.isfinite(part)]
    return float(np.median(part)) if part.size else 0.0


def _double_tip(along: Sequence[Edges]) -> Iterator[Finding]:
    found = [doubled(edges) for edges in along]
    if not found or not all(pair is not None for pair in found):
        return
    pairs = [pair for pair in found if pair is not None]
    if len({falling for falling, _ in pairs}) > 1:
        return
    sheet = along[0].sheet
    falling, pixels = pairs[0][0], float(np.mean([distance for _, distance in pairs]))
    yield Finding(
        kind="double tip",
        severity="warning",
        message=f"{'Falling' if falling else 'Rising'} edges (towards +fast) come twice, {pixels:.1f} pixels "
        f"({show(pixels * sheet.scan.spacing[0])}) apart, the others once: the probe seems to have two ends.",
        advice="Clean or exchange the probe, and scan again.",
        effect="Features are too wide and steps have two levels. Pitches suffer little, edges and widths much.",
        passes=tuple(sheet.scan.passes),
    )


def doubled(edges: Edges) -> tuple[bool, float] | None:
    """Whether falling rather than rising edges come in pairs, and how far apart, in points; None if neither do."""
    gap = edges.column[1:] - edges.column[:-1]
    rising = edges.size > 0
    close = (edges.row[1:] == edges.row[:-1]) & (gap <= _REACH)
    pairs = {sign: close & (rising[1:] == sign) & (rising[:-1] == sign) for sign in (True, False)}
    parts = {sign: 2 * float(pair.sum()) / max(int((rising == sign).sum()), 1) for sign, pair in pairs.items()}
    sign = max(parts, key=lambda each: parts[each])
    if parts[sign] < _PAIRED or parts[not sign] > _SINGLE * parts[sign] or not (rising != sign).any():
        return None
    distances = gap[pairs[sign]]
    distance = float(np.median(distances))
    if float(np.median(np.abs(distances - distance))) > _SAME_DISTANCE:
        return None
    return not sign, distance


def _blunt_tip(along: Sequence[Edges]) -> Iterator[Finding]:
    found = [shape for edges in along if (shape := roundness(edges)) is not None]
    if not found:
        return
    ratio = float(np.mean(found))
    if ratio > _ROUND:
        yield Finding(
            kind="blunt tip",
            severity="note",
            message=f"Flanks are {ratio:.1f} times sharper at the foot than at the top, as a blunt probe draws them.",
            advice="Take a sharper probe if widths or steep steps matter.",
            effect="Features are too wide and grooves too narrow. Pitches do not suffer.",
            passes=tuple(along[0].sheet.scan.passes),
        )


def roundness(edges: Edges) -> float | None:
    """Curvature of the flanks at the foot over that at the top, the largest at any scale; None if it can't be seen."""
    ratios = []
    for sign in (1, -1):
        profile = edges.profile(edges.size * sign > 0)
        if profile is None:
            return None
        # falling edges were turned upside down; turned round as well, they rise from the same foot
        profile = np.convolve(profile if sign > 0 else -profile[::-1], np.full(3, 1 / 3), mode="same")[1:-1]
        middle = profile.size // 2
        part = []
        for lag in _LAGS:
            bend = profile[2 * lag :] - 2 * profile[lag:-lag] + profile[: -2 * lag]
            bend = bend[max(middle - lag - 2 * _LAGS[-1], 0) : middle - lag + 2 * _LAGS[-1] + 1]
            part.append(bend.max() / max(-float(bend.min()), 1e-300))
        ratios.append(part)
    return float(np.mean(ratios, axis=0).max())
