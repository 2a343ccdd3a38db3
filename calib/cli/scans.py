"""Commands about scans: inspect them, correct them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.cli.histories import HistoryFor, Models, ValidFor
from calib.cli.running import (
    AnyScanner,
    AsJson,
    Channel,
    Despite,
    Exit,
    Force,
    Given,
    check_findings,
    check_output,
    complain,
    examples,
    given,
    outcome,
    progress,
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


CORRECT_EXAMPLES = examples(
    "calib correct sample.nc --model model.json -o corrected",
    "calib correct *.nc --model model.json -o corrected --uncertainty --figures",
    "calib correct *.nc --history models -o corrected",
    "calib correct heights.csv --set pixel_size='50 nm' --set unit=nm --model model.json -o corrected",
)


def correct(
    scans: Scans,
    folder: Annotated[
        Path, typer.Option("-o", "--output", metavar="DIR", help="Folder for the corrected scans; made if need be.")
    ],
    model_file: Annotated[
        Path | None, typer.Option("--model", metavar="MODEL.json", help="Made by calib calibrate.")
    ] = None,
    history: HistoryFor = None,
    valid_for: ValidFor = None,
    uncertainty: Annotated[
        bool, typer.Option("--uncertainty", help="Add standard uncertainties as channels u_x, u_y and u_height.")
    ] = False,
    figures: Annotated[
        bool, typer.Option("--figures", help="Draw each scan before and after, and the difference, as DIR/<name>.png.")
    ] = False,
    any_scanner: AnyScanner = False,
    channel: Channel = None,
    given_by_hand: Given = None,
    despite: Despite = False,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Correct scans with a model: each becomes DIR/<name>.nc, on a regular grid of true coordinates.

    With --history each scan gets the model that was valid for it; --model goes before. A scan that can't be corrected
    is refused with a sentence, and the others are done: exit code 4 then, 2 if none was.
    """
    from calib.plan import read_scan_as

    models = Models(model_file, history, valid_for, any_scanner)
    keys, refused = given(given_by_hand), 0
    told: list[dict[str, Any]] = []
    taken: dict[Path, Path] = {}
    with progress("reading") as tell:
        for number, path in enumerate(scans):
            if tell:
                tell(f"correcting {path.name}", number / len(scans))
            try:
                outputs = [folder / f"{_stem(path)}{ending}" for ending in (".nc", ".png")[: 1 + figures]]
                _check_outputs(path, outputs, taken, force)
                scan = read_scan_as(path, keys, channel=channel)
                findings = check_findings(str(path), scan, despite)
                model, choice = models.model_for(scan)
                corrected = model.correct(scan, uncertainty=uncertainty, any_scanner=any_scanner)
                if choice:
                    corrected = corrected.replace(attributes={**corrected.attributes, "model_choice": choice})
                _write(scan, corrected, outputs, force)
            except (CalibError, OSError) as error:
                refused += 1
                complain(sentence(error))
                told.append({"file": str(path), "error": sentence(error)})
                continue
            notes = str(corrected.attributes.get("correction_notes", ""))
            names = [str(output) for output in outputs]
            reports = [finding.to_dict() for finding in findings]
            told.append({"file": str(path), "outputs": names, "notes": notes, "findings": reports})
            told[-1] |= {"model_sha256": model.sha256, "model_choice": choice}
            if not as_json:
                say(f"{path} -> {', '.join(names)}", *([f"  model: {choice}"] if choice else []))
                say(*([f"  note: {notes}"] if notes else []))
    if as_json:
        say_json(told)
    code = outcome(len(scans) - refused, refused)
    raise typer.Exit(Exit.PARTLY if models.incomplete and code is Exit.FINE else code)


def _stem(path: Path) -> str:
    name = path.name[:-3] if path.name.lower().endswith(".gz") else path.name
    return Path(name).stem


def _check_outputs(path: Path, outputs: list[Path], taken: dict[Path, Path], force: bool) -> None:
    """Refuse before the work what must not be written."""
    first = outputs[0]
    if first in taken:
        raise FileError(f"{path}: {first} is taken by {taken[first]} already; correct it into another folder.")
    taken[first] = path
    for output in outputs:
        # not even with --force, since nobody can take the scan again
        if output.exists() and path.exists() and output.samefile(path):
            raise FileError(f"{path} would be overwritten by its own correction; name another folder.")
        if output.parent.is_dir():
            check_output(output, force)


def _write(scan: Scan, corrected: Scan, outputs: list[Path], force: bool) -> None:
    from calib.formats import write_scan

    outputs[0].parent.mkdir(parents=True, exist_ok=True)
    write_scan(outputs[0], corrected, force=force)
    if outputs[1:]:
        from calib.report.figures import correction_figure
        from calib.report.style import save_figure

        save_figure(correction_figure(scan, corrected), outputs[1], force=force)
