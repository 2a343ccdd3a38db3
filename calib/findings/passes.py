"""Checks of trace against retrace: dead, copied, mirrored, swapped passes, and lag.

Between the passes lies the loop of the hysteresis, which is widest in mid-line and closes at the turns, and whose
sign is always the same: an actuator that lags behind its command shows a feature later on its way, which is further
towards +fast in the trace. A lag of the recording has the same sign but does not close at the turns. So the
displacement between the passes is followed from column to column; its sign tells swapped passes, and what is left
of it at the turns tells the lag.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from calib.findings.alignment import WINDOW, Pair, follow
from calib.findings.finding import Finding
from calib.findings.ranks import nanquantiles
from calib.findings.samples import Statistics
from calib.findings.sheet import row_blocks
from calib.path import Path
from calib.scan import FloatArray
from calib.units import show

_COLUMNS = 256  # of the pictures that are compared; finer ones are averaged
_NO_STRUCTURE = 0.1  # correlation of neighbouring lines of a dead pass
_STRUCTURE = 0.4  # and of a live one
_ALIKE = 0.35  # correlation of passes that show the same
_BETTER = 0.15
_MORE_THAN_A_WAVE = 4.0  # times the noise
# of the comparison's pixels; loops of uneven hysteresis seem open by up to 2.7 pixels, or a quarter of their width
_LEAST_LOOP = 0.8
_LEAST_LAG = 3.2
_OPEN = 0.3
_APART = 0.6  # rows between the passes, where the slow axis never rests
_APART_SERPENTINE = 1.0  # its lines lie between each other


def pass_checks(all_statistics: Sequence[Statistics], *, disturbed: bool = False) -> Iterator[Finding]:
    """Yield what is wrong between the two sheets of a scan.

    Parameters
    ----------
    all_statistics
        Of its sheets.
    disturbed
        Whether there is a wave in time, which matches its own mirror image in the other pass.
    """
    if len(all_statistics) != 2:
        return
    one, other = all_statistics
    dead = list(_dead(one, other))
    yield from dead
    if dead:
        return
    first, second = (each.sheet for each in (one, other) if each is not None)
    if first.direction < 0:
        first, second = second, first
    pair = Pair.of(first, second)
    if pair is None:
        return
    # nobody scans with a wave of several times the noise: what matches so well is the surface
    if disturbed and pair.structure < _MORE_THAN_A_WAVE * max(one.noise, other.noise):
        return
    mirrored = list(_mirrored(pair))
    yield from mirrored
    if not mirrored and not disturbed:
        yield from _displaced(pair)


def _dead(one: Statistics, other: Statistics) -> Iterator[Finding]:
    scan = one.sheet.scan
    serpentine = scan.pattern == "serpentine"
    names = [
        ("even" if each.sheet.rows[0] == 0 else "odd") + " lines" if serpentine else each.sheet.name
        for each in (one, other)
    ]
    effect = "Without the second pass hysteresis and lag can't be told from bending."
    if not serpentine and _copied(one.sheet.values, other.sheet.values):
        yield Finding(
            kind="copied pass",
            severity="error",
            message="Trace and retrace hold the same numbers.",
            advice="Export both passes, or keep one of them.",
            effect=effect + " A copy makes hysteresis look like nothing.",
            passes=tuple(scan.passes),
        )
        return
    empty = [each.empty or each.alike for each in (one, other)]
    words = "holds no data" if any(each.empty for each in (one, other)) else "has one value everywhere"
    if not any(empty):
        words = "shows nothing but noise, while the other one shows structure"
        structure = [_structure(each) for each in (one, other)]
        for k in (0, 1):
            empty[k] = structure[k][0] < _NO_STRUCTURE and structure[1 - k][0] > _STRUCTURE
            empty[k] &= structure[k][1] < 0.5 * structure[1 - k][1]
    for k in (0, 1):
        if empty[k]:
            yield Finding(
                kind="dead pass",
                severity="error",
                message=f"One pass ({names[k]}) {words}.",
                advice="Leave this pass out, or scan again with both recorded.",
                effect=effect,
                passes=() if serpentine else (names[k],),
            )


def _copied(one: FloatArray, other: FloatArray) -> bool:
    return all(np.array_equal(one[part], other[part], equal_nan=True) for part in row_blocks(one))


def _structure(each: Statistics) -> tuple[float, float]:
    """Correlation of neighbouring lines, and the standard deviation of the picture."""
    values = each.sheet.picture[:, :: max(each.sheet.picture.shape[1] // _COLUMNS, 1)]
    values = np.clip(values - np.nanmean(values), *(np.array(nanquantiles(values, 0.01, 0.99)) - np.nanmean(values)))
    values = np.nan_to_num(values)
    total = float(np.mean(values**2))
    return (float(np.mean(values[1:] * values[:-1])) / total if total > 0 else 0.0), float(np.sqrt(total))


def _mirrored(pair: Pair) -> Iterator[Finding]:
    """Yield whether one pass matches the other only, or better, when its lines are turned round."""
    straight = float(np.median(pair.straight[0].max(axis=1)))
    turned = float(np.median(pair.match(pair.retrace[:, ::-1])[0].max(axis=1)))
    # a pattern may be its own mirror image; the slope of its plane is not
    one, other = pair.slopes
    opposite = one * other < 0 and abs(one + other) < 0.15 * abs(one - other)
    tilted = min(abs(one), abs(other)) > 0.2 * pair.structure
    better = turned > _ALIKE and turned > straight + _BETTER
    as_good = turned > 2 * _ALIKE and turned > straight - _BETTER and opposite and tilted
    if not (better or as_good):
        return
    scan = pair.first.scan
    yield Finding(
        kind="mirrored pass",
        severity="error",
        message="One pass shows the mirror image of the other: its lines are stored in the order of time.",
        advice="Store both passes in the order of increasing fast coordinate; turn the lines of the retrace round."
        if scan.pattern == "raster"
        else "Store all lines in the order of increasing fast coordinate; turn every other line round.",
        effect="Both passes together can't be used, and distortion is taken for its mirror image.",
        passes=tuple(scan.passes),
    )


def _displaced(pair: Pair) -> Iterator[Finding]:
    """Yield swapped passes, or a lag, from how far the passes lie apart along the lines."""
    displacement, correlation = follow(*pair.straight)
    good = correlation > _ALIKE
    if good.sum() < 9:
        return
    scan = pair.first.scan
    place = np.linspace(-1, 1, displacement.size) * (1 - WINDOW)
    path = Path(scan)
    turn = 1 + (path.overshoot / (scan.size[0] / 2) if path.timed else 0.03)
    # a loop closes at the turns, a lag does not
    loop = 1 - (place / turn) ** 2
    design = np.stack([np.ones_like(place), loop, loop * place], axis=1)[good]
    fit, *_ = np.linalg.lstsq(design, displacement[good], rcond=None)
    rest = displacement[good] - design @ fit
    u = np.sqrt(np.diag(np.linalg.inv(design.T @ design)) * (float(rest @ rest) / (rest.size - 3) + 0.01))
    constant, width = float(fit[0]), float(fit[1])
    # what lies along the lines seems displaced along them if the passes lie apart across them
    apart = (_APART if scan.pattern == "raster" else _APART_SERPENTINE) * pair.oblique
    if max(abs(constant), abs(width)) < apart:
        return
    if width < -max(_LEAST_LOOP, apart, 4 * float(u[1]), abs(constant) / 3):
        yield Finding(
            kind="swapped passes",
            severity="error",
            message=f"In mid-line the trace lies {-width * pair.binning:.1f} pixels behind the retrace, against the "
            "sense of every hysteresis: "
            + ("trace and retrace are swapped." if scan.pattern == "raster" else "the first line ran the other way."),
            advice="Exchange the passes when you read the file."
            if scan.pattern == "raster"
            else "Check the frame direction, or mirror the picture along the fast axis if it is upside down.",
            effect="Hysteresis gets the wrong sign, and the correction doubles it.",
            passes=tuple(scan.passes),
        )
        return
    ends = bool(good.sum() >= 12 and good[:2].any() and good[-2:].any())
    if ends and constant > max(_LEAST_LAG, apart, _OPEN * abs(width), 4 * float(u[0])):
        pixels = constant * pair.binning / 2
        delay = pair.first.pixel_time * pixels
        words = f", {show(delay, 's')}" if np.isfinite(delay) else ""
        yield Finding(
            kind="lag",
            severity="warning",
            message=f"The passes lie {2 * pixels:.1f} pixels apart even where the probe turns: each is recorded about "
            f"{pixels:.1f} pixels{words} late.",
            advice="Scan more slowly or with faster feedback. Calibrate at two speeds at least, which tells lag from "
            "hysteresis.",
            effect="At one speed lag looks like hysteresis; a correction holds at that speed only.",
            passes=tuple(scan.passes),
        )
