"""Commands that ask whether a model still holds: verify and interim."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calib.cli.histories import HistoryOf, file_result, filed_line, in_history
from calib.cli.running import (
    AnyScanner,
    AsJson,
    Channel,
    Despite,
    Exit,
    Force,
    Given,
    ModelOption,
    check_findings,
    check_output,
    examples,
    given,
    progress,
    say,
    say_json,
)

if TYPE_CHECKING:
    from calib.calibration import Pair

Turned = Annotated[
    str | None, typer.Option(metavar="ANGLE", help="How the standard was turned on the stage, such as '90 deg'.")
]

# --- verify ----------------------------------------------------------------------------------------

VERIFY_EXAMPLES = examples(
    "calib verify --model model.json check.nc --standard grating.toml",
    "calib verify --model model.json checks.toml -o verification.json",
    "calib verify --model model.json checks.toml --limits limits.toml",
)


def verify(
    scans_or_plan: Annotated[
        list[Path],
        typer.Argument(
            metavar="SCAN...|PLAN.toml",
            show_default=False,
            help="Scans of one standard, or a plan that names scans of several.",
        ),
    ],
    model_file: ModelOption,
    standard: Annotated[
        str | None,
        typer.Option(metavar="STD", help="What the scans show: a standard's file, or the name of a packaged one."),
    ] = None,
    turned: Turned = None,
    limits: Annotated[
        Path | None,
        typer.Option(metavar="LIMITS.toml", help="What quantities and characteristics may be; by default E_n decides."),
    ] = None,
    output: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="FILE.json", help="Save the verification as JSON.")
    ] = None,
    budget: Annotated[
        bool, typer.Option("--budget", help="List what the uncertainty of each quantity is made of.")
    ] = False,
    history: HistoryOf = None,
    any_scanner: AnyScanner = False,
    channel: Channel = None,
    given_by_hand: Given = None,
    despite: Despite = False,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Check a model against standards, best ones that the calibration did not use.

    Exit code 0: conforms, 1: does not conform, 3: can't be decided; of several, the worst.
    """
    from calib.model import load_model
    from calib.verification import read_limits, verify_all

    check_output(output, force)
    stated = None if limits is None else read_limits(limits)
    model = load_model(model_file)
    pairs = _pairs(scans_or_plan, standard, turned, channel, given_by_hand)
    for pair in pairs:
        check_findings(pair.scan.label, pair.scan, despite, pair.standard)
    with progress("verifying") as tell:
        found = verify_all(model, pairs, limits=stated, any_scanner=any_scanner, progress=tell)
    if output is not None:
        found.save(output, force=force)
    filed = file_result(history, found)
    if as_json:
        say_json({**found.to_dict(), **in_history(filed)})
    else:
        say(*found.summary())
        if budget:
            from calib.cli.budgets import budget_lines

            for check in found.checks:
                for result in check.results:
                    say("", *budget_lines(result.budget()))
            for one in found.characteristics:
                say("", *budget_lines(one.budget))
        if output is not None:
            say("", f"Saved as {output}.")
        say(*filed_line(filed))
    raise typer.Exit(_code([found.verdict]))


def _pairs(
    paths: list[Path], standard: str | None, turned: str | None, channel: str | None, by_hand: list[str] | None
) -> list[Pair]:
    from calib import units
    from calib.calibration import Pair
    from calib.errors import PlanError
    from calib.kinds import PLAN, SCAN, refuse_other
    from calib.plan import read_plan, read_scan_as
    from calib.standard import load_standard

    for path in paths:
        if path.suffix.lower() != ".toml":
            continue
        refuse_other(path, SCAN, PLAN)
        if standard is not None or turned is not None or channel is not None or by_hand:
            raise PlanError(
                f"{path} is taken for a plan, which says by itself what each scan shows: leave out --standard,"
                " --turned, --channel and --set, or name a scan."
            )
        if len(paths) > 1:
            raise PlanError(f"{path} is taken for a plan, which names all scans itself: give nothing beside it.")
        return list(read_plan(path).pairs)
    if standard is None:
        shows = f"{paths[0]} shows" if len(paths) == 1 else "these scans show"
        raise PlanError(f"Say what {shows}: --standard with a standard's file, or the name of a packaged one.")
    angle = None if turned is None else units.parse(turned, "angle", "--turned", error=PlanError)
    shown = load_standard(standard)
    return [Pair(read_scan_as(path, given(by_hand), channel=channel), shown, angle) for path in paths]


def _code(verdicts: list[str]) -> Exit:
    from calib.verification import CONFORMS, FAILS

    if FAILS in verdicts:
        return Exit.DOES_NOT_CONFORM
    return Exit.FINE if all(verdict == CONFORMS for verdict in verdicts) else Exit.UNDECIDED


# --- interim ---------------------------------------------------------------------------------------

INTERIM_EXAMPLES = examples(
    "calib interim quick.nc --standard grid.toml --model model.json -o interim-1.json",
    "calib interim more.nc --standard grid.toml --model model.json --before interim-1.json",
    "calib interim quick.nc --standard grid.toml --model model.json --matters 0.3%",
)


def interim(
    scan: Annotated[Path, typer.Argument(metavar="SCAN", show_default=False, help="A quick scan of a grid.")],
    standard: Annotated[
        str, typer.Option(metavar="STD", help="What the scan shows: a standard's file, or the name of a packaged one.")
    ],
    model_file: ModelOption,
    before: Annotated[
        list[Path] | None,
        typer.Option(
            "--before",
            metavar="INTERIM.json",
            help="An earlier check of the same model, whose scans count too. May be repeated.",
        ),
    ] = None,
    matters: Annotated[
        str, typer.Option(metavar="SHARE", help="Deviation of scales, as a part of them, that must be found.")
    ] = "0.1 %",
    turned: Turned = None,
    output: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="INTERIM.json", help="Save the check as JSON.")
    ] = None,
    any_scanner: AnyScanner = False,
    channel: Channel = None,
    given_by_hand: Given = None,
    despite: Despite = False,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Ask by a quick scan of a grid whether the scanner is where the model says.

    Exit code 0: yes, 1: no, 3: more scans are needed to tell.
    """
    from calib import units
    from calib.errors import StatisticsError
    from calib.kinds import SCAN, refuse_other
    from calib.model import load_model
    from calib.verification import interim as ask
    from calib.verification import load_interim

    check_output(output, force)
    part = units.parse(matters, "ratio", "--matters", error=StatisticsError)
    if not 0 < part < 0.1:
        raise StatisticsError(f"--matters must be more than zero and less than 10 %, not {matters!r}.")
    if scan.suffix.lower() == ".toml":
        refuse_other(scan, SCAN)
    earlier = [load_interim(path) for path in before or ()]
    model = load_model(model_file)
    (pair,) = _pairs([scan], standard, turned, channel, given_by_hand)
    check_findings(pair.scan.label, pair.scan, despite, pair.standard)
    found = ask(model, pair.scan, pair.standard, earlier, matters=part, turned=pair.turned, any_scanner=any_scanner)
    if output is not None:
        found.save(output, force=force)
    if as_json:
        say_json(found.to_dict())
    else:
        say(*found.summary(), *([] if output is None else ["", f"Saved as {output}."]))
    raise typer.Exit({"yes": Exit.FINE, "no": Exit.DOES_NOT_CONFORM}.get(found.answer, Exit.UNDECIDED))
