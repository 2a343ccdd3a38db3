"""What commands print for people; imported when there is something to print."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from calib.path import Path
from calib.scan import Scan
from calib.standard import Standard
from calib.summary import Quantity, effects, lateral, position_budget, quantities
from calib.units import format_quantity, show

if TYPE_CHECKING:
    from calib.findings import Finding
    from calib.model import Model

_WIDTH = 110


def rows(table: Mapping[str, str]) -> list[str]:
    """Return a table of names and values, without the empty ones."""
    kept = {name: value for name, value in table.items() if value}
    width = max(map(len, kept), default=0)
    return [f"  {name:<{width}}  {value}" for name, value in kept.items()]


def bullets(head: str, items: Iterable[str]) -> list[str]:
    """Return a headed list, or nothing."""
    lines = [
        line for item in items for line in textwrap.wrap(item, _WIDTH, initial_indent="  - ", subsequent_indent="    ")
    ]
    return ["", head, *lines] if lines else []


# --- scans -----------------------------------------------------------------------------------------


def scan_lines(scan: Scan) -> list[str]:
    """Return what a scan is and how it was taken, in units that people use."""
    _, slow, fast = scan.shape
    path = Path(scan)
    timing = ""
    if path.timed:
        timing = f"{show(path.line_period, 's')}, of which {show(path.turnaround, 's')} at each end"
        timing += f"; a frame takes {_duration(path.frame_time)}, the probe moves at {show(path.speed, 'm/s')}"
    pixel_fast, pixel_slow = scan.spacing
    return rows(
        {
            "title": scan.title,
            "channels": ", ".join(f"{name} ({unit})" if unit else name for name, unit in scan.units.items()),
            "passes": " and ".join(scan.passes) + ("" if scan.pattern == "raster" else f", {scan.pattern}"),
            "points": f"{fast} x {slow} (fast x slow)",
            "size": f"{show(scan.size[0])} x {show(scan.size[1])}, pixels of {show(pixel_fast)} x {show(pixel_slow)}",
            "centre": f"{show(scan.centre_x)}, {show(scan.centre_y)} from the centre of travel",
            "rotation": show(scan.rotation, "rad"),
            "frame": scan.frame or "",
            "line period": timing,
            "rested before": _place(scan.previous_x, scan.previous_y),
            "started": "" if scan.started is None else scan.started.isoformat(sep=" ", timespec="seconds"),
            "scanner": scan.scanner or "",
            "probe": scan.probe or "",
            "controller": ", ".join(f"{key} = {value}" for key, value in (scan.controller or {}).items()),
            "temperature": "" if scan.temperature is None else show(scan.temperature, "degC"),
            "z centre": "" if scan.z_centre is None else show(scan.z_centre),
            "coordinates": "true: this scan is corrected" if scan.frame_of_reference == "true" else "as commanded",
            scan.channel: _range(scan),
        }
    )


def scan_dict(scan: Scan) -> dict[str, Any]:
    """Return the same as a JSON object, in the words and units of a native scan file."""
    from calib.formats._fields import to_attributes

    finite = scan.values[np.isfinite(scan.values)]
    return {
        "channels": dict(scan.units),
        "channel": scan.channel,
        "passes": list(scan.passes),
        "points": [scan.shape[2], scan.shape[1]],
        "size": list(scan.size),
        "range": [float(finite.min()), float(finite.max())] if finite.size else None,
        "missing_points": int(scan.values.size - finite.size),
        "metadata": to_attributes(scan),
    }


def finding_lines(findings: Sequence[Finding]) -> list[str]:
    """Return what the inspection found."""
    if not findings:
        return ["  no findings"]
    lines = []
    for finding in findings:
        lines += textwrap.wrap(f"{finding} {finding.effect}", _WIDTH, initial_indent="  ", subsequent_indent="      ")
    if any("when you read the file" in finding.advice for finding in findings):
        lines.append('  What a file lacks is given with --set KEY=VALUE, or as KEY = "VALUE" below [[scan]] in a plan.')
    return lines


def _range(scan: Scan) -> str:
    finite = scan.values[np.isfinite(scan.values)]
    if not finite.size:
        return "no data at all"
    unit = scan.units[scan.channel] or "1"
    lost = scan.values.size - finite.size
    text = f"{show(float(finite.min()), unit)} to {show(float(finite.max()), unit)}"
    return text + (f", {lost / scan.values.size:.2g} of the points without data" if lost else "")


def _place(x: float | None, y: float | None) -> str:
    return "" if x is None or y is None else f"at {show(x)}, {show(y)}"


def _duration(seconds: float) -> str:
    if seconds < 120:
        return show(seconds, "s", 3)
    return f"{seconds / 60:.3g} min" if seconds < 7200 else f"{seconds / 3600:.3g} h"


# --- models ----------------------------------------------------------------------------------------


def model_head(model: Model) -> list[str]:
    """Return the verdict and the numbers that matter."""
    standards = {observation.standard.identity for observation in model.observations}
    lines = [
        f"{model.scanner or 'A scanner without a name'}: calibrated from {_count(len(model.observations), 'scan')}"
        f" of {_count(len(standards), 'standard')}."
    ]
    if lateral(model):
        x, y = position_budget(model)["together"]
        part = 2 * max(x, y) / max(model.travel[:2])
        lines += textwrap.wrap(
            f"Expect positions in a corrected scan to be right to ± {show(2 * x, 'm', 2)} along x and"
            f" ± {show(2 * y, 'm', 2)} along y (k = 2; {part:.1%} of the travel), relative to the rest of the scan.",
            _WIDTH,
        )
        lines += textwrap.wrap(_judged(model), _WIDTH)
    else:
        lines.append("Nothing is known of x and y, so positions are left as they are.")
    return [*lines, "", *quantity_rows(quantities(model))]


def model_open(model: Model) -> list[str]:
    """Return what is not determined, and what else is to be known."""
    return bullets("Not determined:", map(_capital, model.undetermined)) + bullets("Notes:", model.notes)


def model_lines(model: Model) -> list[str]:
    """Return all that is worth knowing of a model."""
    domain, travel = model.domain, [show(side) for side in model.travel if np.isfinite(side)]
    low_x, high_x, low_y, high_y = domain.area
    where = {
        "made": f"{model.created}, with calib {model.provenance.get('versions', {}).get('calib', 'unknown')}",
        "scans taken": f"{domain.first} to {domain.last}" if domain.first else "",
        "travel": f"{' x '.join(travel)}, {'declared' if model.travel_from == 'declared' else 'as far as scans reach'}",
        "controller": ", ".join(f"{key} = {value}" for key, value in (model.controller or {}).items()),
        "holds for x": f"{show(low_x)} to {show(high_x)}",
        "holds for y": f"{show(low_y)} to {show(high_y)}",
        "scan sizes": " to ".join(show(size) for size in domain.sizes),
        "speeds": " to ".join(show(speed, "m/s") for speed in domain.speeds or ()),
        "heights": " to ".join(show(height, "m", 3) for height in domain.heights or ()),
        "sha256": model.sha256,
    }
    lines = [*model_head(model), "", *rows(where)]
    if lateral(model):
        moves = {quantity.name: str(quantity) for quantity in effects(model)}
        lines += [
            "",
            f"Beside scale and skew, in a frame of {show(domain.sizes[1])} along its fast axis:",
            *rows(moves),
        ]
        lines += [
            "",
            "What the uncertainty of a position is made of (k = 1, mean square over a frame of the largest size):",
        ]
        lines += rows(
            {
                name: f"{show(x, 'm', 2)} along x, {show(y, 'm', 2)} along y"
                for name, (x, y) in position_budget(model).items()
            }
        )
        lines += ["", "How well the other scans predict each (rms):"]
        lines += rows({name: show(error, "m", 2) for name, error in model.misfit.by_scan.items()})
    for content in model.provenance.get("standards", ()):
        lines += ["", *Standard.from_dict(content).summary()]
    return lines + model_open(model)


def parameter_lines(model: Model) -> list[str]:
    """Return every parameter with its uncertainty, and that before any scan was taken."""
    table = {}
    for p in model.parameters:
        unit = p.unit or "1"
        before = show(2 * p.prior_u, unit, 2)
        table[p.name] = f"{format_quantity(p.value, unit, u=p.u)}, before the scans ± {before}"
    return ["", "All parameters:", *rows(table)]


def quantity_rows(found: Sequence[Quantity]) -> list[str]:
    """Return quantities as a table, with the conditions they hold at."""
    width = max((len(str(quantity)) for quantity in found), default=0)
    return rows({quantity.name: f"{quantity!s:<{width}}  {quantity.about}" for quantity in found})


def model_dict(model: Model) -> dict[str, Any]:
    """Return the summary as a JSON object; the model file holds the rest."""
    return {
        "scanner": model.scanner,
        "sha256": model.sha256,
        "created": model.created,
        "travel": list(model.travel),
        "travel_from": model.travel_from,
        "quantities": [quantity.to_dict() for quantity in quantities(model)],
        "effects": [quantity.to_dict() for quantity in effects(model)],
        "misfit": {
            "lateral": model.misfit.lateral,
            "source": model.misfit.source,
            "by_scan": dict(model.misfit.by_scan),
        },
        "domain": vars(model.domain),
        "quality": dict(model.quality),
        "undetermined": list(model.undetermined),
        "notes": list(model.notes),
    }


def _judged(model: Model) -> str:
    error = show(2 * model.misfit.lateral, "m", 2)
    if model.misfit.source == "left-out scans":
        errors = list(model.misfit.by_scan.values()) or [model.misfit.lateral]
        predicted = show(2 * float(np.sqrt(np.mean(np.square(errors)))), "m", 2)
        return f"Scans that were left out of the fit are predicted by the others to ± {predicted} (k = 2)."
    return (
        f"Of this, ± {error} (k = 2) are for the error of the model, judged by parts of scans that were left out, with"
        " an allowance, since nothing tells of other sizes, speeds and directions."
    )


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _capital(text: str) -> str:
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else f"{text}."
