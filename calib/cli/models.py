"""Commands about models: make one, look at it."""

from __future__ import annotations

import shlex
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from calib.cli.histories import HistoryOf, file_result, filed_line, in_history
from calib.cli.running import (
    AsJson,
    Channel,
    Despite,
    Force,
    Given,
    check_findings,
    check_output,
    complain,
    examples,
    given,
    progress,
    say,
    say_json,
)

ModelFile = Annotated[Path, typer.Argument(metavar="MODEL.json", show_default=False, help="Made by calib calibrate.")]


class NoiseOf(StrEnum):
    """Where the noise of observations is taken from."""

    RESIDUALS = "residuals"
    KNOWN = "known"


# --- calibrate -------------------------------------------------------------------------------------

CALIBRATE_EXAMPLES = examples(
    "calib calibrate plan.toml -o model.json",
    "calib calibrate plan.toml -o model.json --degree 3 --force",
    "calib calibrate plan.toml -o model.json --history models",
)


def calibrate(
    plan_file: Annotated[
        Path, typer.Argument(metavar="PLAN.toml", show_default=False, help="Names scans and standards.")
    ],
    output: Annotated[Path, typer.Option("-o", "--output", metavar="MODEL.json", help="Where the model goes.")],
    degree: Annotated[
        int | None,
        typer.Option(
            min=1,
            max=12,
            metavar="N",
            help="Highest degree of the bending, 1 to 12; by default chosen by scans that are left out.",
        ),
    ] = None,
    noise: Annotated[
        NoiseOf,
        typer.Option(help="Scale the noise of the observations to the residuals, or take it as known from the images."),
    ] = NoiseOf.RESIDUALS,
    history: HistoryOf = None,
    despite: Despite = False,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Calibrate a scanner from the scans that a plan names, and save the model."""
    from calib import calibration
    from calib.cli import wording
    from calib.findings.residual import inspect_model, told
    from calib.plan import read_plan

    check_output(output, force)
    plan = read_plan(plan_file)
    for departure in plan.departures:
        complain(f"warning: {departure}")
    found = {pair.scan.label: check_findings(pair.scan.label, pair.scan, despite, pair.standard) for pair in plan.pairs}
    options = {"degree": degree, "noise": noise.value, "plan": plan.file, "plan_sha256": plan.sha256}
    with progress("reading") as tell:
        model = calibration.calibrate(
            plan.pairs,
            scanner=plan.scanner,
            degree=degree,
            noise="known" if noise is NoiseOf.KNOWN else "from residuals",
            progress=tell,
            options=options,
        )
    after = inspect_model(model, [pair.scan for pair in plan.pairs])
    for line in told(after):
        complain(line)
    found = {label: (*found.get(label, ()), *after.get(label, ())) for label in {**found, **after}}
    command = _command("calibrate", plan_file, output, degree, noise, despite)
    model = model.replace(provenance={**model.provenance, "command": command}, notes=(*model.notes, *told(after)))
    model.save(output, force=force)
    filed = file_result(history, model)
    if as_json:
        findings = {label: [finding.to_dict() for finding in findings] for label, findings in found.items()}
        say_json({"model": str(output), **in_history(filed), **wording.model_dict(model), "findings": findings})
    else:
        say(*wording.model_head(model), *wording.model_open(model), "", f"Saved as {output}.", *filed_line(filed))


def _command(name: str, plan: Path, output: Path, degree: int | None, noise: NoiseOf, despite: bool) -> str:
    words = ["calib", name, str(plan), "-o", str(output)]
    words += [] if degree is None else ["--degree", str(degree)]
    words += [] if noise is NoiseOf.RESIDUALS else ["--noise", noise.value]
    words += ["--despite-findings"] if despite else []
    return shlex.join(words)


# --- show ------------------------------------------------------------------------------------------

SHOW_EXAMPLES = examples(
    "calib show model.json",
    "calib show model.json --parameters",
    "calib show model.json --observability",
    "calib show model.json --controller --remaining after.json",
    "calib show model.json -o loop.pdf --figure hysteresis",
    "calib show grid-up.nc -o grid-up.png --figure findings",
    "calib show verification.json -o check.svg",
    "calib show grid-2um -o grid.pdf",
)
_PICTURES = (".png", ".svg", ".pdf")


def show(
    source: Annotated[
        Path,
        typer.Argument(
            metavar="FILE",
            show_default=False,
            help="MODEL.json, VERIFICATION.json, COMPARISON.json, a scan, or a standard's file or packaged name.",
        ),
    ],
    output: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="PICTURE", help="Draw it: .png, .svg or .pdf.")
    ] = None,
    figure: Annotated[
        str,
        typer.Option(
            metavar="NAME",
            help="With -o: which figure. Of a model: all, field, whole, residuals, prediction, uncertainty-x,"
            " uncertainty-y, height, bow, drift, or the name of an effect, such as hysteresis. Of a scan: all,"
            " findings, or a pass. Of a verification: all, agreement, limits, map-1. Of a comparison: all,"
            " quantities, map-1.",
        ),
    ] = "all",
    parameters: Annotated[bool, typer.Option("--parameters", help="List every parameter.")] = False,
    observability: Annotated[
        bool,
        typer.Option(
            "--observability", help="Tell how sure each quantity is from the scans alone, and what is confounded."
        ),
    ] = False,
    controller: Annotated[
        bool, typer.Option("--controller", help="Tell what to type into the controller to put the correction there.")
    ] = False,
    size: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help="With --controller: the size of scans to be right for."),
    ] = None,
    remaining: Annotated[
        Path | None,
        typer.Option(metavar="FILE.json", help="With --controller: save the model for scans with the new factors."),
    ] = None,
    table: Annotated[
        Path | None, typer.Option(metavar="FILE.csv", help="With --controller: save a table of positions.")
    ] = None,
    points: Annotated[int, typer.Option(min=2, max=201, metavar="N", help="Of the table, along each side.")] = 11,
    channel: Channel = None,
    given_by_hand: Given = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Show what a model says of its scanner, how sure that is, where it holds, and what it can't tell.

    Scans, verifications, comparisons and standards are shown as well, with their own figures.
    """
    from calib.cli import wording
    from calib.cli.showing import Drawing, show_other
    from calib.errors import FileError, PlanError
    from calib.model import load_model
    from calib.report.recognise import MODEL, SCAN, kind_of_one

    if output is not None and output.suffix.lower() not in _PICTURES:
        raise FileError(f"{output} can't be drawn: end its name with {', '.join(_PICTURES)}.")
    for file in (output, remaining, table):
        check_output(file, force)
    if not controller and (size, remaining, table) != (None, None, None):
        raise PlanError("--size, --remaining and --table belong to --controller; add it.")
    kind = kind_of_one(source)
    if kind != SCAN and (channel, given_by_hand) != (None, None):
        raise PlanError(f"--channel and --set go with a scan, and {source} is a {kind}: leave them out.")
    if kind != MODEL:
        if parameters or observability or controller:
            raise PlanError(
                f"--parameters, --observability and --controller go with a model, and {source} is a {kind}: leave them"
                " out."
            )
        show_other(kind, source, Drawing(output, figure, force), given(given_by_hand), channel, as_json)
        return
    model = load_model(source)
    if output is not None and figure != "all":  # before anything is printed
        from calib.report.choice import check_figure

        check_figure(model, figure)
    if controller:
        from calib.cli.controllers import tell_controller

        tell_controller(model, size, remaining, table, points, force, as_json)
        return
    told = None
    if observability:
        from calib.observability import observability_of

        told = observability_of(model)
    if as_json:
        listed: dict[str, Any] = {}
        if parameters:
            listed["parameters"] = [vars(parameter) for parameter in model.parameters]
        if told is not None:
            listed["observability"] = told.to_dict()
        say_json({**wording.model_dict(model), **listed})
    else:
        say(*wording.model_lines(model), *(wording.parameter_lines(model) if parameters else []))
        if told is not None:
            say("", "How sure each quantity is (k = 2):", *told.lines())
    if output is not None:
        from calib.report.choice import model_picture
        from calib.report.style import save_figure

        save_figure(model_picture(model, figure), output, force=force)
        if not as_json:
            say("", f"Drawn as {output}.")
