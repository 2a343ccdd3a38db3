"""Checks of a scan against the standard that it is said to show: size, number of periods, points a period."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from calib.errors import CalibError
from calib.findings.finding import Finding
from calib.scan import Scan
from calib.standard import Grating, Grid, Standard
from calib.units import show

_FEWEST_PERIODS = 3.0  # the observers refuse less
_FEW_PERIODS = 5.0  # fewer leave less than four nodes a line, too few to tell bending from scale
_MOST_PERIODS = 2000.0  # a slip of the unit rather than a frame
_FEWEST_POINTS = 3.0  # a period; the observers refuse less
_FEW_POINTS = 6.0  # a period; the second harmonic needs more than four, and edges more than that


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

    image, words = Image.of(scan, 0), ""
    # a grid may lie at any angle in the scan, and is looked for to within 45 degrees of a direction
    for turned in (None,) if isinstance(standard, Grating) else (0.0, np.pi / 4):
        try:
            find_lattice(image, standard, turned)
        except CalibError as problem:
            words = words or str(problem)
        else:
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
