"""Check of clipped values: they pile up at one end of the range, or are far quieter there than the noise."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from calib.findings import text
from calib.findings.finding import Finding, Severity
from calib.findings.ranks import quantiles
from calib.findings.samples import Statistics
from calib.findings.sheet import row_blocks

_PILED_UP = 3.0  # clipped values are this many times as frequent as those just within
_FEWEST_CLIPPED = 1e-3  # of the points: fewer are the tops of some dust
_QUIET = 0.35  # of the noise: range of three neighbours on a rail; of white noise 3 % of all threes are so quiet
_MOSTLY = 0.45  # of the points at the very end of the range are quiet if it is a rail
_BEYOND = 5e-4  # of all values: dust, and tails of the noise
_RAIL = 1.0  # times the noise: how near to the extreme value is at the end of the range
_BADLY_CLIPPED = 0.02  # of the points: the plateaus themselves
_COARSE = 2.0  # quantum over noise: with a finer one, noise carries the mean over the steps


def saturation(all_statistics: Sequence[Statistics]) -> Iterator[Finding]:
    """Yield values that pile up at the greatest or the least of them."""
    for end, word in (("high", "greatest"), ("low", "least")):
        rows: list[int] = []
        columns: list[int] = []
        passes: list[str] = []
        share, rail, exact = 0.0, np.nan, True
        for each in all_statistics:
            found = None if each.empty or each.alike else _clipped(each, end == "high")
            if found is None and not (each.empty or each.alike):
                found = _noisy_rail(each, end == "high")
                exact &= found is None
            if found is not None:
                part, where, across, rail = found
                share = max(share, part)
                rows.extend(where)
                columns.extend(across)
                passes.append(each.sheet.name)
        if not rows:
            continue
        scan = all_statistics[0].sheet.scan
        severe = scan.channel == "height" and share > _BADLY_CLIPPED
        severity: Severity = "error" if severe else "warning"
        limit = text.value(rail, scan.units.get(scan.channel, ""))
        yield Finding(
            kind="saturation",
            severity=severity,
            message=f"{text.percent(share)} of the points have {'' if exact else 'nearly '}the {word} value, {limit}: "
            f"the signal is "
            f"clipped in {text.lines(rows)} ({text.both(passes)}).",
            advice="Move the signal to the middle of its range, enlarge the range, or level the sample; scan again.",
            effect="Plateaus and heights there are wrong, and edges are displaced where they are cut."
            if scan.channel == "height"
            else "Edges are displaced where they are cut; distances suffer little if few points are.",
            lines=text.span(rows),
            runs=text.runs(rows),
            area=(*text.span(rows), *text.span(columns)),
            passes=tuple(dict.fromkeys(passes)),
        )


def _clipped(each: Statistics, high: bool) -> tuple[float, np.ndarray, np.ndarray, float] | None:
    sheet = each.sheet
    rail = float(np.nanmax(each.high) if high else np.nanmin(each.low))
    quantum = each.quantum
    if quantum > _COARSE * each.noise:
        return None  # a plateau may lie on one level without being clipped
    at_rail = np.flatnonzero((each.high if high else each.low) == rail)
    # without clipping values get rarer towards the end of the range
    margin = max(1.5 * quantum, 0.25 * each.noise)
    count, nearly, on_end = 0, 0, 0
    columns = np.zeros(sheet.values.shape[1], dtype=bool)
    for part in row_blocks(sheet.values):
        values = sheet.values[at_rail[(at_rail >= part.start) & (at_rail < part.stop)]]
        clipped = values == rail
        count += int(clipped.sum())
        nearly += int((np.abs(values - rail) <= margin).sum())
        on_end += int((clipped[:, 1:] & clipped[:, :-1]).sum())
        columns |= clipped.any(axis=0)
    points = each.share.sum() * sheet.values.shape[1]
    if count < max(_FEWEST_CLIPPED * points, 16) or count < _PILED_UP * (nearly - count):
        return None
    if not on_end > 0.3 * count:
        return None  # what is clipped is clipped for some points on end
    return count / points, sheet.rows[at_rail], np.flatnonzero(columns), rail


def _noisy_rail(each: Statistics, high: bool) -> tuple[float, np.ndarray, np.ndarray, float] | None:
    """The same where clipped values differ by some noise that is added behind the limit: they are far too quiet."""
    sheet = each.sheet
    bends = np.abs(np.diff(each.sample, 2, axis=1))
    bends = bends[bends > 0]
    if not bends.size or each.quantum > 0.1 * each.noise:
        return None
    # edges and roughness look like noise as well; the quietest fifth tells noise where most of the surface is steep
    noise = min(each.noise, quantiles(bends, 0.2)[0] / (0.2533 * np.sqrt(6)))
    rail = _nearly_extreme(each, high)
    rows, columns = np.zeros(sheet.values.shape[0], dtype=bool), np.zeros(sheet.values.shape[1] - 2, dtype=bool)
    count = near_count = 0
    for part, values in sheet.blocks():
        near = values > rail - _RAIL * noise if high else values < rail + _RAIL * noise
        on = np.flatnonzero(near.any(axis=1))  # few lines reach the end of the range, as a rule
        values, near = values[on], near[on]
        inner = near[:, 1:-1] & near[:, :-2] & near[:, 2:]
        left, middle, right = values[:, :-2], values[:, 1:-1], values[:, 2:]
        span = np.maximum(np.maximum(left, middle), right) - np.minimum(np.minimum(left, middle), right)
        quiet = inner & (span < _QUIET * noise)
        count, near_count = count + int(quiet.sum()), near_count + int(inner.sum())
        rows[part.start + on] = quiet.any(axis=1)
        columns |= quiet.any(axis=0)
    points = each.share.sum() * sheet.values.shape[1]
    if count < max(_FEWEST_CLIPPED * points, 16) or count < _MOSTLY * near_count:
        return None
    return count / points, sheet.rows[rows], np.flatnonzero(columns) + 1, rail


def _nearly_extreme(each: Statistics, high: bool) -> float:
    """The quantile of all values that is :data:`_BEYOND` away from the end, without sorting or copying them all."""
    width = each.sheet.values.shape[1]
    place = _BEYOND * (round(each.share.sum() * width) - 1)
    kept = int(place) + 2
    best = np.zeros(0)
    for part, values in each.sheet.blocks():
        # what can't be among the outermost is left out at once; NaN compares false
        limit = np.sort(best)[-kept] if best.size >= kept else -np.inf
        reach = each.high[part] if high else -each.low[part]
        lines = values[reach > limit]
        lines = lines if high else -lines
        best = np.concatenate([best, lines[lines > limit]])
        if best.size > kept:
            best = np.partition(best, best.size - kept)[-kept:]
    best = np.sort(best)[::-1]
    first, second = best[int(place)], best[min(int(place) + 1, best.size - 1)]
    rail = float(first + (second - first) * (place % 1))
    return rail if high else -rail
