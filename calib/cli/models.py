"""Commands about models: make one, look at it, verify it."""

from __future__ import annotations

import json
import shlex
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

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
    progress,
    say,
    say_json,
)

if TYPE_CHECKING:
    from calib.calibration import Pair

ModelFile = Annotated[Path, typer.Argument(metavar="MODEL.json", show_default=False, help="Made by calib calibrate.")]


class NoiseOf(StrEnum):
    """Where the noise of observations is taken from."""

    RESIDUALS = "residuals"
    KNOWN = "known"


# --- calibrate -------------------------------------------------------------------------------------

CALIBRATE_EXAMPLES = examples(
    "calib calibrate plan.toml -o model.json",
    "calib calibrate plan.toml -o model.json --degree 3 --force",
)


def calibrate(
    plan_file: Annotated[
        Path, typer.Argument(metavar="PLAN.toml", show_default=False, help="Names scans and standards.")
    ],
    output: Annotated[Path, typer.Option("-o", "--output", metavar="MODEL.json", help="Where the model goes.")],
    degree: Annotated[
        int | None,
        typer.Option(
            min=1, max=12, help="Highest degree of the bending; by default chosen by scans that are left out."
        ),
    ] = None,
    noise: Annotated[
        NoiseOf,
        typer.Option(help="Scale the noise of the observations to the residuals, or take it as known from the images."),
    ] = NoiseOf.RESIDUALS,
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
    if as_json:
        findings = {label: [finding.to_dict() for finding in findings] for label, findings in found.items()}
        say_json({"model": str(output), **wording.model_dict(model), "findings": findings})
    else:
        say(*wording.model_head(model), *wording.model_open(model), "", f"Saved as {output}.")


def _command(name: str, plan: Path, output: Path, degree: int | None, noise: NoiseOf, despite: bool) -> str:
    words = ["calib", name, str(plan), "-o", str(output)]
    words += [] if degree is None else ["--degree", str(degree)]
    words += [] if noise is NoiseOf.RESIDUALS else ["--noise", noise.value]
    words += ["--despite-findings"] if despite else []
    return shlex.join(words)


# --- verify ----------------------------------------------------------------------------------------

VERIFY_EXAMPLES = examples(
    "calib verify --model model.json check.nc --standard grating.toml",
    "calib verify --model model.json checks.toml -o verification.json",
)


def verify(
    scan_or_plan: Annotated[
        Path,
        typer.Argument(metavar="SCAN|PLAN.toml", show_default=False, help="A scan, or a plan that names several."),
    ],
    model_file: Annotated[Path, typer.Option("--model", metavar="MODEL.json", help="Made by calib calibrate.")],
    standard: Annotated[
        str | None,
        typer.Option(metavar="STD", help="What the scan shows: a standard's file, or the name of a packaged one."),
    ] = None,
    turned: Annotated[
        str | None, typer.Option(metavar="ANGLE", help="How the standard was turned on the stage, such as '90 deg'.")
    ] = None,
    output: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="FILE.json", help="Save the verification as JSON.")
    ] = None,
    budget: Annotated[
        bool, typer.Option("--budget", help="List what the uncertainty of each quantity is made of.")
    ] = False,
    any_scanner: AnyScanner = False,
    channel: Channel = None,
    given_by_hand: Given = None,
    despite: Despite = False,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Check a model against a standard, best one that the calibration did not use.

    Exit code 0: conforms, 1: does not conform, 3: can't be decided; of several, the worst.
    """
    from calib.model import load_model
    from calib.verification import verify as check

    check_output(output, force)
    model = load_model(model_file)
    pairs = _pairs(scan_or_plan, standard, turned, channel, given_by_hand)
    checks = []
    with progress("verifying") as tell:
        for number, pair in enumerate(pairs):
            if tell:
                tell(f"verifying {pair.scan.label}", number / len(pairs))
            check_findings(pair.scan.label, pair.scan, despite, pair.standard)
            checks.append(check(model, pair.scan, pair.standard, turned=pair.turned, any_scanner=any_scanner))
    told: Any = [one.to_dict() for one in checks]
    if standard is not None:
        told = told[0]
    if output is not None:
        _save(told, output, force)
    if as_json:
        say_json(told)
    else:
        for number, one in enumerate(checks):
            if number:
                say("")
            say(*one.summary())
            if budget:
                from calib.cli.budgets import budget_lines

                for result in one.results:
                    say("", *budget_lines(result.budget()))
        if output is not None:
            say("", f"Saved as {output}.")
    raise typer.Exit(_code([one.verdict for one in checks]))


def _pairs(
    path: Path, standard: str | None, turned: str | None, channel: str | None, by_hand: list[str] | None
) -> list[Pair]:
    from calib import units
    from calib.calibration import Pair
    from calib.errors import PlanError
    from calib.plan import read_plan, read_scan_as
    from calib.standard import load_standard

    if path.suffix.lower() == ".toml":
        if standard is not None or turned is not None or channel is not None or by_hand:
            raise PlanError(
                f"{path} is taken for a plan, which says by itself what each scan shows: leave out --standard,"
                " --turned, --channel and --set, or name a scan."
            )
        return list(read_plan(path).pairs)
    if standard is None:
        raise PlanError(f"Say what {path} shows: --standard with a standard's file, or the name of a packaged one.")
    angle = None if turned is None else units.parse(turned, "angle", "--turned", error=PlanError)
    shown = load_standard(standard)
    return [Pair(read_scan_as(path, given(by_hand), channel=channel), shown, angle)]


def _save(told: Any, output: Path, force: bool) -> None:
    from calib.files import write_atomically

    text = json.dumps(told, ensure_ascii=False, allow_nan=False, indent=1)
    with write_atomically(output, force) as temporary:
        temporary.write_text(text + "\n", encoding="utf-8")


def _code(verdicts: list[str]) -> Exit:
    from calib.verification import CONFORMS, FAILS

    if FAILS in verdicts:
        return Exit.DOES_NOT_CONFORM
    return Exit.FINE if all(verdict == CONFORMS for verdict in verdicts) else Exit.UNDECIDED


# --- show ------------------------------------------------------------------------------------------

SHOW_EXAMPLES = examples(
    "calib show model.json",
    "calib show model.json --parameters",
    "calib show model.json --observability",
    "calib show model.json --controller --remaining after.json",
    "calib show model.json -o model.png",
)
_PICTURES = (".png", ".svg", ".pdf")


def show(
    model_file: ModelFile,
    output: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="PICTURE", help="Draw the model: .png, .svg or .pdf.")
    ] = None,
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
    points: Annotated[int, typer.Option(min=2, max=201, help="Of the table, along each side.")] = 11,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Show what a model says of its scanner, how sure that is, where it holds, and what it can't tell."""
    from calib.cli import wording
    from calib.errors import FileError, PlanError
    from calib.model import load_model

    if output is not None and output.suffix.lower() not in _PICTURES:
        raise FileError(f"{output} can't be drawn: end its name with {', '.join(_PICTURES)}.")
    for file in (output, remaining, table):
        check_output(file, force)
    if not controller and (size, remaining, table) != (None, None, None):
        raise PlanError("--size, --remaining and --table belong to --controller; add it.")
    model = load_model(model_file)
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
        from calib.report.figures import model_figure
        from calib.report.style import save_figure

        save_figure(model_figure(model), output, force=force)
        if not as_json:
            say("", f"Drawn as {output}.")
