"""The command about scans as they are: inspect them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.cli.running import (
    AsJson,
    Channel,
    Force,
    Given,
    check_output,
    complain,
    examples,
    given,
    outcome,
    say,
    say_json,
    sentence,
)
from calib.errors import CalibError, FileError

if TYPE_CHECKING:
    from calib.findings import Finding
    from calib.scan import Scan

Scans = Annotated[list[Path], typer.Argument(metavar="SCAN", show_default=False, help="Scan files.")]

INSPECT_EXAMPLES = examples(
    "calib inspect grid-up.nc grid-down.nc",
    "calib inspect heights.csv --set pixel_size='50 nm' --set unit=nm",
    "calib inspect grid-up.nc --standard grid-2um --json",
    "calib inspect grid-up.nc -o findings.png",
)


def inspect(
    scans: Scans,
    standard: Annotated[
        str | None, typer.Option(metavar="STD", help="What the scans show, if known: a file, or a packaged standard.")
    ] = None,
    channel: Channel = None,
    given_by_hand: Given = None,
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", metavar="PICTURE", help="Draw the scan with its findings: PNG, SVG or PDF."),
    ] = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Say what is in scan files, what is missing, and what is wrong with them.

    Exit code 2 if a file can't be read or an error is found in a scan, 4 if others are fine.
    """
    from calib.cli import wording
    from calib.findings import inspect_scan
    from calib.plan import read_scan_as
    from calib.standard import load_standard

    if output is not None and len(scans) > 1:
        raise FileError(f"{output} takes the picture of one scan, and {len(scans)} are given: name one of them.")
    check_output(output, force)
    shown = None if standard is None else load_standard(standard)
    keys, bad = given(given_by_hand), 0
    told: list[dict[str, Any]] = []
    for number, path in enumerate(scans):
        try:
            scan = read_scan_as(path, keys, channel=channel)
            found = inspect_scan(scan, shown)
            if output is not None:
                _draw_findings(scan, found, path.name, output, force)
        except (CalibError, OSError) as error:
            bad += 1
            complain(sentence(error))
            told.append({"file": str(path), "error": sentence(error)})
            continue
        bad += any(finding.severity == "error" for finding in found)
        told.append({"file": str(path), **wording.scan_dict(scan), "findings": [one.to_dict() for one in found]})
        if not as_json:
            if number:
                say("")
            say(str(path), *wording.scan_lines(scan), *wording.finding_lines(found))
    if as_json:
        say_json(told)
    raise typer.Exit(outcome(len(scans) - bad, bad))


def _draw_findings(scan: Scan, found: tuple[Finding, ...], name: str, output: Path, force: bool) -> None:
    from calib.report.findings_figure import findings_figure
    from calib.report.style import save_figure

    save_figure(findings_figure(scan, found, name), output, force=force)
