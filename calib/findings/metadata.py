"""What a scan says about itself: what is missing, and what can't be true."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from calib.findings.finding import Finding, Severity
from calib.path import Path
from calib.scan import Scan
from calib.units import show

# Limits beyond which a value is a slip of the unit. They are wide (our choice, no source): every one leaves a factor of
# ten at least to what instruments do, and stays a factor of ten at least within a slip by a thousand.
_LONGEST = 10.0  # m; a frame
_SHORTEST = 1e-13  # m; from pixel to pixel
_FASTEST = 30.0  # m/s; the spot of a fast mirror scanner makes some m/s
_SHORTEST_PIXEL = 2e-8  # s; detectors that count single photons make some tens of ns
_LONGEST_FRAME = 2 * 86400.0  # s
_FARTHEST = 300.0  # sizes of the frame, from its centre to its rest position or to the centre of travel
_STRETCHED = 30.0  # pixels this many times longer than wide
_STEEPEST = 3.0  # range of heights over the size of the frame
_FLATTEST = 1e-8
_FIRST_YEAR = 1980


def missing(scan: Scan) -> Iterator[Finding]:
    """Yield a note for everything that a scan leaves out and that switches something off."""
    if scan.line_period is None:
        yield _note(
            "no timing",
            "The scan does not say how long a line took.",
            "Give line_period (and turnaround) when you read the file.",
            "Creep, drift and lag can't be modelled or corrected for this scan, and no frequency can be told.",
        )
    elif scan.turnaround is None:
        yield _note(
            "no turnaround",
            "The scan does not say how long the turn at each end of a line took; none is assumed.",
            "Give turnaround when you read the file.",
            "Times within a line are a little off, and hysteresis near the ends of the lines with them.",
        )
    if scan.frame is None:
        yield _note(
            "no frame direction",
            "The scan does not say whether the slow axis went up or down; up is assumed.",
            "Give frame when you read the file.",
            "Hysteresis, creep and drift of the slow axis get the wrong sign if it went down.",
        )
    if scan.scanner is None:
        yield _note(
            "no scanner name",
            "The scan does not name its scanner.",
            "Give scanner when you read the file; an exchanged chip is another scanner.",
            "Nothing can guard against a model that belongs to another scanner.",
        )
    if scan.previous_x is None or scan.previous_y is None:
        yield _note(
            "no rest position",
            "The scan does not say where the scanner rested before the frame.",
            "Give previous_x and previous_y when you read the file, or calibrate frames in succession.",
            "Creep and hysteresis of the first lines can't be predicted; their uncertainty is larger.",
        )
    if not scan.has_height:
        yield _note(
            "no heights",
            f"The scan holds no heights, but {', '.join(map(repr, scan.channels))}.",
            "Nothing, if only lateral distances matter.",
            "It serves the lateral axes only. Its tilt is unknown, and a tilted standard looks shortened.",
        )
    if gathered := scan.attributes.get("points_binned"):
        yield Finding(
            kind="gathered points",
            severity="warning",
            message=f"The file is a list of points that lie on no grid: {gathered}.",
            advice="Export the image itself, or give pixel_size for the cells when you read the file.",
            effect="Positions within a cell are lost, and the mean over a cell rounds edges.",
        )
    yield from _about_the_file(scan)
    if scan.frame_of_reference == "true":
        yield _note(
            "corrected",
            "The scan was corrected already.",
            "Calibrate from the scan as it was recorded.",
            "It serves measuring and checking, not calibrating.",
        )


def _about_the_file(scan: Scan) -> Iterator[Finding]:
    """Yield what a reader could not put right, and has left in the attributes of the scan."""
    if wrong := scan.attributes.get("wrong_checksum"):
        yield Finding(
            kind="checksum",
            severity="warning",
            message=f"The check sum of {str(wrong)[:200]} does not agree: the file was changed or damaged after it was "
            "written.",
            advice="Get the file once more from where it came from, or ask what it was changed with.",
            effect="Heights, sizes or what the file says of them may not be what was recorded.",
        )
    tilt = scan.attributes.get("frame_tilt")
    if isinstance(tilt, float) and math.isfinite(tilt) and tilt:
        yield _note(
            "leaning frame",
            f"The file says that its frame leans by {show(tilt, 'rad', 3)} out of the plane of the scan.",
            "Export the data in the axes of the instrument, if their tilt matters.",
            "Heights are those along the frame's own z, so that the tilt of the sample is not seen in them.",
        )


def nonsense(scan: Scan) -> Iterator[Finding]:
    """Yield what can't be true."""
    yield from _size(scan)
    yield from _place(scan)
    yield from _time(scan)
    yield from _grid(scan)


def heights(scan: Scan, low: float, high: float) -> Iterator[Finding]:
    """Yield what can't be true of the range of heights, from one robust extreme to the other, m."""
    size, span = max(scan.size), high - low
    if size <= 0 or span <= 0:
        return
    if span > _STEEPEST * size:
        yield _nonsense(
            f"The heights range over {show(span)} in a frame of {show(size)}, steeper than a probe can follow.",
            "Check the units of height and of size, and the scaling of the file.",
            "Heights, tilt and all that follows from them are meaningless.",
            kind="nonsense heights",
        )
    elif span < _FLATTEST * size:
        yield _nonsense(
            f"The heights range over no more than {show(span)} in a frame of {show(size)}, less than any noise.",
            "Check the units of height and of size, and the scaling of the file.",
            "Heights and all that follows from them are meaningless.",
            kind="nonsense heights",
        )


def _size(scan: Scan) -> Iterator[Finding]:
    fast, slow = scan.size
    if max(fast, slow) > _LONGEST:
        yield _nonsense(
            f"The frame is {show(fast)} x {show(slow)} large.",
            "Check the unit of its size.",
            "Every length that is measured in it is wrong.",
            kind="nonsense size",
        )
    steps = [step for step in scan.spacing if step > 0]
    if steps and min(steps) < _SHORTEST:
        yield _nonsense(
            f"Neighbouring pixels are {show(min(steps))} apart, less than a thousandth of an atom.",
            "Check the unit of the frame's size.",
            "Every length that is measured in it is wrong.",
            kind="nonsense size",
        )
    if len(steps) == 2 and max(steps) > _STRETCHED * min(steps):
        yield _nonsense(
            f"Pixels are {show(scan.spacing[0])} wide and {show(scan.spacing[1])} long.",
            "Check whether both sides of the frame have the same unit.",
            "One axis is wrong by a large factor if they have not.",
            kind="nonsense size",
        )


def _place(scan: Scan) -> Iterator[Finding]:
    size = max(*scan.size, 1e-12)
    away = math.hypot(scan.centre_x, scan.centre_y)
    if away > _FARTHEST * size and away > 1e-3:
        yield _nonsense(
            f"The frame of {show(size)} lies {show(away)} from the centre of travel.",
            "Check the unit of centre_x and centre_y.",
            "Effects that depend on the place in the travel are evaluated in the wrong place.",
            kind="nonsense position",
        )
    if scan.previous_x is not None and scan.previous_y is not None:
        rest = math.hypot(scan.previous_x - scan.centre_x, scan.previous_y - scan.centre_y)
        if rest > max(_FARTHEST * size, 10 * away):
            yield _nonsense(
                f"The scanner is said to have rested {show(rest)} from the centre of a frame of {show(size)}.",
                "Check the unit of previous_x and previous_y; leave them out if they are not known.",
                "Creep of the first lines, and with it the slow axis, is predicted wrongly.",
                kind="nonsense rest position",
            )


def _time(scan: Scan) -> Iterator[Finding]:
    if scan.line_period is not None:
        path = Path(scan)
        pixel = path.sweep_time / scan.fast.size
        if path.speed > _FASTEST or pixel < _SHORTEST_PIXEL:
            yield _nonsense(
                f"A line period of {show(scan.line_period, 's')} means {show(path.speed, 'm/s')} and "
                f"{show(pixel, 's')} a pixel.",
                "Check the unit of line_period, and the size of the frame.",
                "Creep, drift and lag are modelled at the wrong speed.",
                kind="nonsense speed",
            )
        if path.frame_time > _LONGEST_FRAME:
            days = path.frame_time / 86400
            yield _nonsense(
                f"A line period of {show(scan.line_period, 's')} means that the frame took {days:.3g} days.",
                "Check the unit of line_period.",
                "Creep, drift and lag are modelled at the wrong speed.",
                kind="nonsense speed",
            )
    if scan.started is not None and scan.started.year < _FIRST_YEAR:
        yield _nonsense(
            f"The scan is said to have begun in {scan.started.year}.",
            "Set the instrument's clock, and give started when you read the file.",
            "The age of a calibration, and drift from scan to scan, can't be told.",
            kind="nonsense date",
        )
    if scan.temperature is not None and (scan.temperature <= 0 or 10 <= scan.temperature <= 40):
        celsius = scan.temperature > 0
        yield _nonsense(
            f"The temperature is said to be {show(scan.temperature, 'K')}.",
            "Temperatures are in kelvin here: was it meant in °C?" if celsius else "Give it in °C with its unit.",
            "The standard's thermal expansion is taken at the wrong temperature.",
            kind="nonsense temperature",
        )


def _grid(scan: Scan) -> Iterator[Finding]:
    for name, grid in (("fast", scan.fast), ("slow", scan.slow)):
        steps = np.diff(grid)
        if steps.size and np.ptp(steps) > 1e-3 * steps.mean():
            yield Finding(
                kind="uneven spacing",
                severity="warning",
                message=f"The {name} coordinates are not evenly spaced: steps from {show(float(steps.min()))} to "
                f"{show(float(steps.max()))}.",
                advice="Read the scan on the grid that was commanded.",
                effect="Standards can't be observed on an uneven grid.",
            )


def _note(kind: str, message: str, advice: str, effect: str) -> Finding:
    return Finding(kind=kind, severity="note", message=message, advice=advice, effect=effect)


def _nonsense(message: str, advice: str, effect: str, *, kind: str) -> Finding:
    # without sizes and heights nothing can be had; the rest spoils one effect
    severity: Severity = "error" if kind in ("nonsense size", "nonsense heights") else "warning"
    return Finding(kind=kind, severity=severity, message=message, advice=advice, effect=effect)
