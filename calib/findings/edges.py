"""Checks of edges: undersampled ones, and a double tip.

Edges are found along the lines. A probe with two ends meets every falling edge twice, or every rising one, but not
both.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from calib.findings.finding import Finding
from calib.findings.ranks import median, quantiles
from calib.findings.samples import Statistics
from calib.findings.sheet import Float, Int, Sheet
from calib.units import show

_LINES = 128  # that are searched
_HALF = 3  # points on either side of an edge whose means are compared
_REACH = 24  # points between the edges of a pair, at most
_FEWEST = 24  # edges
_NOISE = 5.0  # deviations that an edge must exceed
_LOW = 0.15  # of the common height; lower ones are no edges
_CLEAR = 8.0  # deviations that edges must exceed for their steepness to be told
_WHOLE = 1.2
_STEEP = 0.78  # of an edge lies between two neighbouring points: it is narrower than 1.4 points
_PAIRED = 0.35  # of the edges of one sign come in pairs
_SINGLE = 0.5  # of that part of those of the other sign do
_SAME_DISTANCE = 1.5  # points, median departure of the distances in pairs


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
        tilt = median(step)
        step = step - tilt
        size = np.abs(step)
        noise = statistics.noise * np.sqrt(2 / _HALF)
        top = (size == ndimage.maximum_filter1d(size, 2 * _HALF + 1, axis=1)) & (size > _NOISE * noise)
        common = quantiles(size[top], 0.8)[0] if top.any() else np.inf
        row, column = np.nonzero(top & (size > _LOW * common))
        return cls(sheet, lines, row, column + _HALF, step[row, column], tilt / _HALF, noise)


def edge_checks(all_statistics: Sequence[Statistics]) -> Iterator[Finding]:
    """Yield what is wrong with the edges of all sheets."""
    live = [each for each in all_statistics if not each.empty and not each.alike]
    along = [edges for each in live if (edges := Edges.of(each)).row.size >= _FEWEST]
    # every other line of a serpentine belongs to the other sheet
    raster = [each for each in live[:1] if each.sheet.line_step == 1]
    across = [edges for each in raster if (edges := Edges.of(each, across=True)).row.size >= _FEWEST]
    yield from _undersampled(along, across)
    yield from _double_tip(along)


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
            effect="Where an edge lies between the pixels is lost, up to a fraction of a pixel, and lines along the "
            "pixels are displaced systematically.",
        )


def steepness(edges: Edges) -> float:
    """Part of an edge that lies between two neighbouring points, median of all; zero if they hardly exceed noise."""
    if median(np.abs(edges.size)) < _CLEAR * edges.noise:
        return 0.0
    at = edges.column[:, None] + np.arange(-2, 2)
    values = edges.lines[edges.row[:, None], np.clip(at, 0, edges.lines.shape[1] - 1)] - edges.slope * np.arange(-2, 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        part = (values[:, 2] - values[:, 1]) / (values[:, 3] - values[:, 0])
    part = part[np.isfinite(part)]
    typical = median(part) if part.size else 0.0
    # more than the whole lies between no two points of an edge: it is noise, or a slope
    return typical if typical < _WHOLE else 0.0


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
