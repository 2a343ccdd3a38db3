"""Check of clipped values: they pile up at one end of the range, or are far quieter there than the noise."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from calib.findings import text
from calib.findings.finding import Finding, Severity
from calib.findings.samples import Statistics

_PILED_UP = 3.0  # clipped values are this many times as frequent as those just within
_FEWEST_CLIPPED = 1e-3  # of the points: fewer are the tops of some dust
_QUIET = 0.35  # of the noise: range of three neighbours on a rail; of white noise 3 % of all threes are so quiet
_MOSTLY = 0.6  # of the points at the very end of the range are quiet if it is a rail
_RAIL = 2.0  # times the noise: how near to the extreme value is at the end of the range
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
    values = sheet.values[at_rail]
    clipped = values == rail
    count, points = int(clipped.sum()), each.share.sum() * sheet.values.shape[1]
    if count < max(_FEWEST_CLIPPED * points, 16):
        return None
    # without clipping values get rarer towards the end of the range
    margin = max(1.5 * quantum, 0.25 * each.noise)
    nearly = np.abs(values - rail) <= margin
    if count < _PILED_UP * (int(nearly.sum()) - count):
        return None
    if not (clipped[:, 1:] & clipped[:, :-1]).sum() > 0.3 * count:
        return None  # what is clipped is clipped for some points on end
    columns = np.flatnonzero(clipped.any(axis=0))
    return count / points, sheet.rows[at_rail], columns, rail


def _noisy_rail(each: Statistics, high: bool) -> tuple[float, np.ndarray, np.ndarray, float] | None:
    """The same where clipped values differ by some noise that is added behind the limit: they are far too quiet."""
    sheet = each.sheet
    bends = np.abs(np.diff(each.sample, 2, axis=1))
    bends = bends[bends > 0]
    if not bends.size or each.quantum > 0.1 * each.noise:
        return None
    # edges and roughness look like noise as well; the quietest fifth tells noise where most of the surface is steep
    noise = min(each.noise, float(np.quantile(bends, 0.2)) / (0.2533 * np.sqrt(6)))
    values = np.asarray(sheet.values, dtype=np.float64)
    rail = float(np.nanquantile(values, 0.9995 if high else 0.0005))
    near = values > rail - _RAIL * noise if high else values < rail + _RAIL * noise
    inner = near[:, 1:-1] & near[:, :-2] & near[:, 2:]
    threes = np.stack([values[:, :-2], values[:, 1:-1], values[:, 2:]])
    quiet = inner & (np.ptp(threes, axis=0) < _QUIET * noise)
    points = each.share.sum() * values.shape[1]
    count = int(quiet.sum())
    if count < max(_FEWEST_CLIPPED * points, 16) or count < _MOSTLY * int(inner.sum()):
        return None
    rows = np.flatnonzero(quiet.any(axis=1))
    return count / points, sheet.rows[rows], np.flatnonzero(quiet.any(axis=0)) + 1, rail
