"""Checks of a scan against the standard that it is said to show: size, number of periods, points a period."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from calib.errors import CalibError
from calib.findings import text
from calib.findings.finding import Finding
from calib.scan import FloatArray, Scan
from calib.standard import Grating, Grid, Standard
from calib.units import show

_FEWEST_PERIODS = 3.0  # the observers refuse less
_FEW_PERIODS = 5.0  # fewer leave less than four nodes a line, too few to tell bending from scale
_MOST_PERIODS = 2000.0  # a slip of the unit rather than a frame
_FEWEST_POINTS = 3.0  # a period; the observers refuse less
_FEW_POINTS = 6.0  # a period; the second harmonic needs more than four, and edges more than that

_LOOKED_AT = 1024  # points along a side, in which a pattern is looked for
_POINTS_LOOKED_AT = 8.0  # a period, at least, where not every point is taken
_RIGHT = 0.01  # rad
_STRETCHED, _STRETCHED_TRUE = 0.03, 0.01  # length along one axis over that along the other, less one; or skew, rad
_UNSURE = 0.3  # of a period over the frame: what the place of a peak in a spectrum may be off


def against_standard(scan: Scan, standard: Standard) -> Iterator[Finding]:
    """Yield what makes a scan unfit for a standard, by its numbers alone and then by its picture."""
    if not isinstance(standard, Grating | Grid):
        return
    found = list(_by_numbers(scan, standard))
    yield from found
    if not any(finding.severity == "error" for finding in found):
        yield from _by_picture(scan, standard)


def _by_numbers(scan: Scan, standard: Grating | Grid) -> Iterator[Finding]:
    from calib.observe.lattice import reciprocal

    nominal = reciprocal(standard)
    pitches = 1 / np.linalg.norm(nominal, axis=1)
    finest, coarsest = float(pitches.min()), float(pitches.max())
    size = max(scan.size)
    steps = [step for step in scan.spacing if step > 0]
    pixel = max(steps) if steps else 0.0
    name = repr(standard.name)
    if size / finest > _MOST_PERIODS and pixel > finest / _FEWEST_POINTS:
        yield Finding(
            kind="nonsense size",
            severity="error",
            message=f"The frame is {show(size)} wide, {size / finest:.3g} times the {show(finest)} pitch of {name}, "
            f"with pixels {show(pixel)} apart.",
            advice="Check the unit of the frame's size (metres for micrometres?) and the pitch of the standard.",
            effect="Every length that is measured in it is wrong.",
        )
    elif pixel > finest / _FEWEST_POINTS:
        yield _too_many(finest, pixel, name, severe=True)
    elif pixel > finest / _FEW_POINTS:
        yield _too_many(finest, pixel, name, severe=False)
    if size < _FEWEST_PERIODS * coarsest:
        tiny = size < 1e-2 * coarsest
        yield Finding(
            kind="nonsense size" if tiny else "too few periods",
            severity="error",
            message=f"The frame of {show(size)} holds {size / coarsest:.2g} periods of {name} (pitch {show(coarsest)})"
            f"; {_FEWEST_PERIODS:g} are needed.",
            advice="Check the unit of the frame's size." if tiny else "Scan a larger field, or take a finer standard.",
            effect="The pitch can't be observed.",
        )
    elif size < _FEW_PERIODS * coarsest:
        yield Finding(
            kind="too few periods",
            severity="warning",
            message=f"The frame of {show(size)} holds {size / coarsest:.2g} periods of {name} (pitch {show(coarsest)})"
            f"; {_FEW_PERIODS:g} or more are better.",
            advice="Scan a larger field, or take a finer standard.",
            effect="The scale is uncertain, and bending within the frame can hardly be told from it.",
        )


def _too_many(pitch: float, pixel: float, name: str, *, severe: bool) -> Finding:
    needed = _FEWEST_POINTS if severe else _FEW_POINTS
    return Finding(
        kind="too many periods",
        severity="error" if severe else "warning",
        message=f"Pixels {show(pixel)} apart make {pitch / pixel:.2g} of a period of {name} (pitch {show(pitch)}); "
        f"{needed:g} or more are {'needed' if severe else 'better'}.",
        advice="Scan with more points, scan a smaller field, or take a coarser standard.",
        effect="The pitch can't be observed."
        if severe
        else "Harmonics of the pattern mix, and the pitch is less certain.",
    )


def _by_picture(scan: Scan, standard: Grating | Grid) -> Iterator[Finding]:
    from calib.observe.image import Image
    from calib.observe.lattice import find_lattice

    words = ""
    image = Image.of(_smaller(scan, standard), 0)
    # a grid may lie at any angle in the scan, and is looked for to within 45 degrees of a direction
    for turned in (None,) if isinstance(standard, Grating) else (0.0, np.pi / 4):
        try:
            lattice = find_lattice(image, standard, turned)
        except CalibError as problem:
            words = words or str(problem)
        else:
            if isinstance(standard, Grid):
                yield from _stretched(scan, standard, lattice.frequency)
            return
    if words:
        yield Finding(
            kind="no such pattern",
            severity="error",
            message=words,
            advice="Compare the picture with the standard; name the standard that was scanned.",
            effect="The scan can't be used with this standard.",
            passes=scan.passes[:1],
        )


def _smaller(scan: Scan, standard: Grating | Grid) -> Scan:
    """The first pass of a large scan in fewer points: every so many of them, and the middle if that is not enough."""
    from calib.observe.lattice import reciprocal

    finest = 1 / float(np.linalg.norm(reciprocal(standard), axis=1).max())
    chosen = []
    for grid, spacing in ((scan.slow, scan.spacing[1]), (scan.fast, scan.spacing[0])):
        most = max(int(finest / (_POINTS_LOOKED_AT * spacing)), 1) if spacing > 0 else 1
        step = min(-(-grid.size // _LOOKED_AT), most)
        begin = max((grid.size - step * _LOOKED_AT) // 2, 0)
        chosen.append(slice(begin, begin + step * _LOOKED_AT, step))
    rows, columns = chosen
    values = np.array(scan.values[:1, rows, columns])
    return scan.replace(
        channels={scan.channel: values}, slow=scan.slow[rows], fast=scan.fast[columns], passes=scan.passes[:1]
    )


def _stretched(scan: Scan, standard: Grid, frequency: FloatArray) -> Iterator[Finding]:
    """Yield that the lattice is longer along one axis of the scan, or askew: what a steady drift does to it."""
    if abs(standard.angle.value - np.pi / 2) > _RIGHT:
        return  # which diagonal is the longer one is not known
    # a grid that stands across the scan may have been found with its pitches exchanged: the better fit is right
    exchanged = frequency[::-1] * np.array([[1.0], [-1.0]])
    longer, skew = min(
        (_deformation(standard, each) for each in (frequency, exchanged)), key=lambda one: max(map(abs, one))
    )
    periods = min(scan.size) * float(np.linalg.norm(frequency, axis=1).min())
    corrected = scan.frame_of_reference == "true"
    limit = max(_STRETCHED_TRUE if corrected else _STRETCHED, _UNSURE / periods)
    if max(abs(longer), abs(skew)) < limit:
        return
    yield Finding(
        kind="stretched pattern",
        severity="warning" if corrected else "note",
        message=f"Against {standard.name!r}, lengths along the slow axis look {text.percent(abs(longer))} "
        f"{'longer' if longer > 0 else 'shorter'} than along the fast axis, and the axes stand "
        f"{show(abs(skew), 'rad', 2)} off a right angle.",
        advice="The model of the scanner no longer holds, or the sample drifted within the frame: let it settle, and "
        "scan again."
        if corrected
        else "Scan up and down: what changes its sign is a steady drift within the frame, what stays are the scanner's "
        "own scales and skew, which a calibration finds.",
        effect="Lengths and angles are wrong by that much until it is corrected; drift differs from scan to scan, and "
        "no correction takes it away.",
        passes=scan.passes[:1],
    )


def _deformation(standard: Grid, frequency: FloatArray) -> tuple[float, float]:
    """How much longer the slow axis is than the fast one, and how far from a right angle they stand, rad."""
    from calib.observe.lattice import reciprocal

    # positions in the picture are those on the standard times a matrix; its symmetric part is free of their turn
    matrix = np.linalg.solve(frequency, reciprocal(standard))
    values, vectors = np.linalg.eigh(matrix @ matrix.T)
    stretch = (vectors * np.sqrt(values)) @ vectors.T
    return float(stretch[1, 1] / stretch[0, 0]) - 1, float(4 * stretch[0, 1] / (stretch[0, 0] + stretch[1, 1]))
