"""A plan file for scans that nobody has taken yet, with what a person has to know to take them."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Mapping, Sequence
from pathlib import Path

import calib
from calib.files import write_atomically
from calib.planning.planned import PlannedScan
from calib.standard import Step
from calib.units import show

_HEAD = """\
# Plan for the calibration of {scanner}, proposed by calib {version}.
#
# 1. Let instrument, probe and standard come to one temperature, and wait until drift has settled (often half an hour).
#    Use the settings and the kind of probe that later scans will have. Level the standard.
# 2. Take the scans in this order, one right after the other, both passes of every line. Save each in this folder under
#    its name, or put the name it got in place of it. What a file does not say can be added below [[scan]], such as
#    line_period = "1 s", started = 2026-03-01T09:30:00, previous_x = "0 µm", previous_y = "0 µm".
# 3. After each scan:   calib plan --so-far {file}
#    It says whether the scan is usable, whether drift has settled, and what to scan next.
# 4. When all are taken:   calib calibrate {file} -o model.json
#
# Usual cautions. Probes and standards are fragile: approach with care, touch a standard at its rim only, use the lowest
# force that tracks. Piezo drives carry high voltage: switch off and discharge before you touch leads or the scanner.
# Detection lasers: don't look into the beam or its reflections. Stages pinch: keep hands out of the travel.
# The manual of the instrument and the rules of your laboratory come first. A result is no accredited certificate.
"""


def write_plan(
    path: str | Path,
    planned: Sequence[PlannedScan],
    standards: Mapping[str, str],
    *,
    scanner: str = "",
    travel: Sequence[float] = (),
    controller: str | None = None,
    force: bool = False,
) -> None:
    """Write a plan file; :func:`calib.plan.read_plan` reads it.

    Parameters
    ----------
    planned
        In the order in which they are to be taken.
    standards
        Identity of each standard to its file (relative to the current folder), or to its packaged name.
    scanner, travel, controller
        What is declared of the scanner; travel in m.

    Raises
    ------
    CalibError
        If the file exists, without `force`, or can't be written.
    """
    path = Path(path)
    text = plan_text(path, planned, standards, scanner=scanner, travel=travel, controller=controller)
    with write_atomically(path, force) as temporary:
        temporary.write_text(text, encoding="utf-8")


def plan_text(
    path: Path,
    planned: Sequence[PlannedScan],
    standards: Mapping[str, str],
    *,
    scanner: str = "",
    travel: Sequence[float] = (),
    controller: str | None = None,
) -> str:
    """Return what :func:`write_plan` writes."""
    named = " ".join(scanner.split()) or "a scanner"
    lines = [_HEAD.format(scanner=named, version=calib.__version__, file=path.name)]
    declared = []
    if scanner:
        declared.append(f"name = {_text(scanner)}")
    if travel:
        declared.append(f"travel = [{', '.join(_text(show(side, digits=9)) for side in travel)}]")
    if controller is not None:
        declared.append(f"controller = {_text(controller)}")
    if declared:
        lines += ["[scanner]", *declared, ""]
    before: PlannedScan | None = None
    for number, one in enumerate(planned, start=1):
        lines += [
            f"# {number} of {len(planned)}: {line}" if k == 0 else f"#    {line}" for k, line in _said(one, before)
        ]
        lines += [
            "[[scan]]",
            f"file = {_text(one.file)}",
            f"standard = {_text(_reference(standards[one.standard.identity], path.parent))}",
        ]
        if one.turned:
            lines.append(f"turned = {_text(show(one.turned, 'rad'))}")
        lines += [f"planned = {one.to_toml()}", ""]
        before = one
    return "\n".join(lines)


def _said(one: PlannedScan, before: PlannedScan | None) -> list[tuple[int, str]]:
    lasts = "" if math.isnan(one.duration) else f" ({show(one.duration / 60, '1', 2)} min)"
    said = [f"{one.words()}{lasts}. For: {one.why or 'the calibration'}."]
    if before is None or before.standard.identity != one.standard.identity:
        said.append(f"Put {one.standard.name} on the stage.")
        if isinstance(one.standard, Step):
            said.append("Its edges across the fast axis, level ground on both sides in the field.")
            said.append('If the instrument tells where in its z range it stands, add z_centre = "..." below.')
        elif before is not None:
            said.append("Wait for drift to settle again.")
    if one.turned != (before.turned if before is not None else 0.0):
        said.append(
            f"Turn the standard on the stage to {show(one.turned, 'rad')} counter-clockwise from how its certificate"
            " names x, within a few degrees; wait for drift to settle again."
        )
    if one.rotation and not (before is not None and before.rotation == one.rotation):
        said.append("Turn the scan (its fast axis), not the standard.")
    return list(enumerate(said))


def _reference(name: str, folder: Path) -> str:
    """Where the standard is, seen from the folder of the plan."""
    if not Path(name).is_file():
        return name
    try:
        return Path(os.path.relpath(name, folder)).as_posix()
    except ValueError:  # on another drive
        return Path(name).resolve().as_posix()


def _text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
