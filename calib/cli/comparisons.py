"""Commands about two models: what changed between them, and what that means for scans taken in between."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.cli.running import (
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
    say,
    say_json,
    sentence,
)

if TYPE_CHECKING:
    from calib.between.models import Between

_PICTURES = (".svg", ".png", ".pdf")
_AnyScanner = Annotated[
    bool, typer.Option("--any-scanner", help="Go on even if the models, or scans, name different scanners.")
]
_Distance = Annotated[
    str | None,
    typer.Option(
        "--distance",
        metavar="LENGTH",
        help="A distance of which to say what it means; by default 10 µm, or half the field if that is shorter.",
    ),
]
_Height = Annotated[
    str, typer.Option("--height", metavar="LENGTH", help="A step of which to say what it means.", show_default=True)
]

# --- compare ---------------------------------------------------------------------------------------

COMPARE_EXAMPLES = examples(
    "calib compare before.json after.json",
    "calib compare before.json after.json -o change.png --save change.json",
    "calib compare before.json after.json --distance 50um --height '1 um' --matters '0.5 %'",
)


def compare(
    model_a: Annotated[Path, typer.Argument(metavar="MODEL_A", show_default=False, help="The earlier model.")],
    model_b: Annotated[Path, typer.Argument(metavar="MODEL_B", show_default=False, help="The later model.")],
    output: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="PICTURE", help="Draw it: .svg, .png or .pdf.")
    ] = None,
    save: Annotated[
        Path | None, typer.Option("--save", metavar="FILE.json", help="Save the comparison as JSON, with the maps.")
    ] = None,
    distance: _Distance = None,
    height: _Height = "100 nm",
    matters: Annotated[
        str,
        typer.Option(
            metavar="RATIO",
            help="Relative change of the distance or step that matters: if a larger one could hide in the uncertainty,"
            " nothing is decided.",
        ),
    ] = "2 %",
    any_scanner: _AnyScanner = False,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Compare two models of one scanner: what changed, how surely, and what that means for a measurement.

    Exit codes: 0 nothing changed significantly, 1 something did, 3 a change that matters could hide in the uncertainty.
    """
    from calib.compared import CHANGED, SAME
    from calib.compared import compare as compare_models
    from calib.errors import FileError
    from calib.model import load_model
    from calib.units import parse

    if output is not None and output.suffix.lower() not in _PICTURES:
        raise FileError(f"{output} can't be drawn: end its name with {', '.join(_PICTURES)}.")
    for path in (output, save):
        check_output(path, force)
    length = None if distance is None else parse(distance, "length", "--distance")
    found = compare_models(
        load_model(model_a),
        load_model(model_b),
        length=length,
        height=parse(height, "length", "--height"),
        matters=parse(matters, "ratio", "--matters"),
        any_scanner=any_scanner,
    )
    if save is not None:
        found.save(save, force=force)
    if output is not None:
        from calib.report.compare_figure import compare_figure
        from calib.report.style import save_figure

        save_figure(compare_figure(found), output, force=force)
    if as_json:
        say_json(found.to_dict())
    else:
        say(*found.lines())
        say(*(f"{done} as {path}." for done, path in (("Saved", save), ("Drawn", output)) if path is not None))
    codes = {SAME: Exit.FINE, CHANGED: Exit.DOES_NOT_CONFORM}
    raise typer.Exit(codes.get(found.verdict, Exit.UNDECIDED))


# --- between ---------------------------------------------------------------------------------------

BETWEEN_EXAMPLES = examples(
    "calib between before.json after.json sample.nc",
    "calib between before.json after.json *.nc -o corrected",
    "calib between before.json after.json sample.nc --steady    the scanner drifted steadily, without a jump",
)


def between(
    before: Annotated[Path, typer.Argument(metavar="BEFORE.json", show_default=False, help="The model from before.")],
    after: Annotated[Path, typer.Argument(metavar="AFTER.json", show_default=False, help="The model from after.")],
    scans: Annotated[
        list[Path], typer.Argument(metavar="SCAN…", show_default=False, help="Scans taken between the two.")
    ],
    folder: Annotated[
        Path | None,
        typer.Option("-o", "--output", metavar="DIR", help="Write corrected scans there, with their uncertainties."),
    ] = None,
    steady: Annotated[
        bool,
        typer.Option(
            "--steady", help="Take the change as linear in time; by default it may have come at any moment, at once."
        ),
    ] = False,
    distance: _Distance = None,
    height: _Height = "100 nm",
    any_scanner: _AnyScanner = False,
    channel: Channel = None,
    given_by_hand: Given = None,
    despite: Despite = False,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Say how sure scans are that were taken between two calibrations, when something may have changed in between.

    A scan that was not taken between them is refused with a sentence, and the others are done: exit code 4 then, 2 if
    none was.
    """
    from calib.between.models import Between
    from calib.errors import CalibError
    from calib.formats import write_scan
    from calib.model import load_model
    from calib.plan import read_scan_as
    from calib.units import parse

    length = None if distance is None else parse(distance, "length", "--distance")
    tall = parse(height, "length", "--height")
    both = Between(load_model(before), load_model(after), steady=steady, any_scanner=any_scanner)
    keys, refused = given(given_by_hand), 0
    told: list[dict[str, Any]] = []
    taken: dict[Path, Path] = {}
    if not as_json:
        say(both.sentence(), "")
    for path in scans:
        try:
            target = None if folder is None else _target(path, folder, taken, force)
            scan = read_scan_as(path, keys, channel=channel)
            check_findings(str(path), scan, despite)
            found = both.said(scan, length=length, height=tall)
            if target is not None:
                target.parent.mkdir(parents=True, exist_ok=True)
                write_scan(target, both.correct(scan), force=force)
        except (CalibError, OSError) as error:
            refused += 1
            complain(sentence(error))
            told.append({"file": str(path), "error": sentence(error)})
            continue
        told.append({"file": str(path), "output": None if target is None else str(target), **found.to_dict()})
        if not as_json:
            say(f"{path}{'' if target is None else f' -> {target}'}", *(f"  {line}" for line in found.lines()))
    if as_json:
        say_json({**_head(both), "scans": told})
    raise typer.Exit(outcome(len(scans) - refused, refused))


def _head(both: Between) -> dict[str, Any]:
    return {
        "before": both.before.sha256,
        "after": both.after.sha256,
        "since": both.since.isoformat(),
        "until": both.until.isoformat(),
        "steady": both.steady,
        "sentence": both.sentence(),
    }


def _target(path: Path, folder: Path, taken: dict[Path, Path], force: bool) -> Path:
    """Where a corrected scan goes; refused before the work if it can't."""
    from calib.errors import FileError

    name = path.name[:-3] if path.name.lower().endswith(".gz") else path.name
    target = folder / f"{Path(name).stem}.nc"
    if target in taken:
        raise FileError(f"{path}: {target} is taken by {taken[target]} already; correct it into another folder.")
    taken[target] = path
    # not even with --force, since nobody can take the scan again
    if target.exists() and path.exists() and target.samefile(path):
        raise FileError(f"{path} would be overwritten by its own correction; name another folder.")
    if folder.is_dir():
        check_output(target, force)
    return target
