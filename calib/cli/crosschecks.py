"""The command that checks a model against itself."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.running import AsJson, Exit, Force, check_output, examples, progress, say, say_json

CROSSCHECK_EXAMPLES = examples(
    "calib crosscheck model.json",
    "calib crosscheck model.json -o halves.png",
    "calib crosscheck model.json --first-half 1,2,5   scans before noon against the others",
)

_PICTURES = (".png", ".svg", ".pdf")


def crosscheck(
    model_file: Annotated[
        Path, typer.Argument(metavar="MODEL.json", show_default=False, help="Made by calib calibrate.")
    ],
    output: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="PICTURE", help="Draw the maps: .png, .svg or .pdf.")
    ] = None,
    first_half: Annotated[
        str | None,
        typer.Option(
            "--first-half",
            metavar="1,2,…",
            help="Numbers of the scans of gratings and grids that make the first half, in the model's order; by"
            " default the split in which both halves are best determined.",
        ),
    ] = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Solve two halves of a model's scans apart, and compare what they predict.

    Exit codes: 0 the halves agree, 1 they differ by more than predicted, 3 there are no two determined halves.
    """
    from calib.errors import CalibError, FileError
    from calib.model import load_model

    first = None
    if first_half is not None:
        try:
            first = [int(number) - 1 for number in first_half.split(",")]
        except ValueError:
            raise CalibError(
                f"--first-half {first_half!r} is no list of numbers: write for example --first-half 1,2,5."
            ) from None
    if output is not None and output.suffix.lower() not in _PICTURES:
        raise FileError(f"{output} can't be drawn: end its name with {', '.join(_PICTURES)}.")
    check_output(output, force)
    model = load_model(model_file)

    from calib.crosscheck import cross_check

    with progress("solving all scans") as tell:
        check = cross_check(model, tell, first=first)
    if as_json:
        say_json(check.to_dict())
    else:
        say(check.sentence())
        if check.agree is not None:
            from calib.units import show

            for name, half, worse in zip(("First", "Second"), check.halves, check.worse, strict=True):
                say(
                    f"  {name} half: {'; '.join(half)} ({worse:.1f} times less sure than all scans, at its worst place)"
                )
            say(
                f"  Difference {show(check.sizes[0], digits=2)} rms along x or y; predicted"
                f" {show(check.sizes[1], digits=2)}; the maps are worth {check.points:.0f} independent numbers."
            )
    if output is not None and check.agree is not None:
        from calib.report.crosscheck_figure import crosscheck_figure
        from calib.report.style import save_figure

        save_figure(crosscheck_figure(check), output, force=force)
        if not as_json:
            say(f"Drawn as {output}.")
    if check.agree is None:
        raise typer.Exit(Exit.UNDECIDED)
    if not check.agree:
        raise typer.Exit(Exit.DOES_NOT_CONFORM)
