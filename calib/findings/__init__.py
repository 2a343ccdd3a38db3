"""What is wrong with a scan: :func:`inspect_scan` looks for it and says how bad it is and what to do.

Every check is one function that yields findings; a family of checks is one module. The kinds of findings, what they
are found by, and how often they are found or raised for nothing, are in ``docs/reference/findings.md``.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence

import numpy as np

from calib.findings import (
    clipping,
    edges,
    feedback,
    lines,
    metadata,
    passes,
    past,
    pattern,
    pickup,
    samples,
    shape,
    steps,
    streaks,
)
from calib.findings.finding import SEVERITIES, Finding, Severity, worst
from calib.findings.sheet import sheets
from calib.scan import Scan
from calib.standard import Standard

__all__ = ["SEVERITIES", "Finding", "Severity", "inspect_scan", "worst"]


def inspect_scan(scan: Scan, standard: Standard | None = None) -> tuple[Finding, ...]:
    """Look for everything that makes a scan unfit for use, or less fit.

    Parameters
    ----------
    scan
        Heights or any other channel, one pass or two, raster or serpentine, with or without gaps. Checks that a scan
        can't serve (it has one pass, no timing, no heights) are left out.
    standard
        What it shows, if that is known.

    Returns
    -------
    tuple of Finding
        The worst first. It is the same for the same scan.
    """
    # lines without data have no median, and values may be anything: what comes of them is not finite, and is left out
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore", RuntimeWarning)
        found = list(_inspect(scan, standard))
    return tuple(sorted(found, key=lambda finding: -SEVERITIES.index(finding.severity)))


def _inspect(scan: Scan, standard: Standard | None) -> Iterator[Finding]:
    yield from metadata.missing(scan)
    yield from metadata.nonsense(scan)
    yield from samples.impossible(scan)
    scan = samples.possible(scan)
    parts = [samples.Statistics.of(sheet) for sheet in sheets(scan)]
    nothing = list(samples.no_data(parts))
    yield from nothing
    if nothing:
        return
    if scan.channel == "height":
        limits = [each.limits for each in parts if not each.empty]
        yield from metadata.heights(scan, min(low for low, _ in limits), max(high for _, high in limits))
    yield from samples.missing_lines(parts)
    yield from clipping.saturation(parts)
    yield from steps.quantised(parts)
    yield from _line_by_line(parts)
    waves = list(pickup.interference(parts))
    yield from waves
    yield from pattern.sideways(parts)
    yield from passes.pass_checks(parts, disturbed=bool(waves))
    yield from feedback.ringing(parts)
    yield from edges.edge_checks(parts)
    yield from shape.tilt(parts)
    yield from past.levelled(parts)
    yield from past.filtered(parts)
    if standard is not None:
        from calib.findings.against import against_standard

        yield from against_standard(scan, standard)


def _line_by_line(parts: Sequence[samples.Statistics]) -> Iterator[Finding]:
    profiles = [lines.Profile(each) for each in parts if not each.empty and not each.alike]
    yield from streaks.streaks(profiles)
    yield from lines.jumps(profiles)
