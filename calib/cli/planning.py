"""The command that plans scans, and judges them as they come."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.cli.running import AsJson, Exit, Force, check_output, examples, progress, say, say_json

if TYPE_CHECKING:
    from calib.planning import Expected, PlannedScan

PLAN_EXAMPLES = examples(
    "calib plan --scanner 'bench-1 chip 7' --travel '20 um, 20 um, 4 um' --standard grid-2um --standard step-100nm"
    " -o plan.toml",
    "calib plan --travel '20 um, 20 um' --standard my-grid.toml --scans 6 --smallest '5 um' --line-period '2 s'",
    "calib plan --so-far plan.toml",
)


def plan(
    so_far: Annotated[
        Path | None,
        typer.Option("--so-far", metavar="PLAN.toml", help="Judge the scans of a plan that have been taken so far."),
    ] = None,
    scanner: Annotated[
        str | None, typer.Option(metavar="NAME", help="Name of the scanner; a chip is a scanner.")
    ] = None,
    travel: Annotated[
        str | None, typer.Option(metavar="LENGTHS", help="Travel of x, y and z, such as '20 um, 20 um, 4 um'.")
    ] = None,
    standard: Annotated[
        list[str] | None,
        typer.Option(
            metavar="STD", help="A standard at hand: its file, or the name of a packaged one. May be repeated."
        ),
    ] = None,
    scans: Annotated[int, typer.Option(min=1, max=40, metavar="N", help="How many scans there may be.")] = 9,
    smallest: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help="Smallest scan that will be corrected; by default a third of the travel."),
    ] = None,
    line_period: Annotated[
        str, typer.Option(metavar="TIME", help="Usual time from line to line, or 'none' if there is no such thing.")
    ] = "1 s",
    shortest_line: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="The same of the fastest scans; by default a fifth of the usual."),
    ] = None,
    points: Annotated[int, typer.Option(min=32, max=8192, metavar="N", help="Points along both axes of a scan.")] = 256,
    controller: Annotated[
        str | None, typer.Option(metavar="TEXT", help="Settings of the controller that change the motion.")
    ] = None,
    output: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="PLAN.toml", help="Where the plan goes.")
    ] = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Propose which scans to take with the standards at hand, and say what they will tell; or how far a plan has got.

    The file becomes the plan of calib calibrate as soon as its scans are taken.
    """
    if so_far is not None:
        others = (scanner, travel, standard, smallest, shortest_line, controller, output)
        _so_far(so_far, any(other is not None for other in others), as_json)
        return
    from calib import planning, units
    from calib.errors import PlanError
    from calib.planning.plan_file import write_plan
    from calib.standard import load_standard

    check_output(output, force)
    if travel is None:
        raise PlanError("Say how far the scanner goes: --travel '20 um, 20 um, 4 um' (z may be left out).")
    if not standard:
        raise PlanError(
            "Say which standards are at hand: --standard with a file, or a name that calib standards lists."
        )
    lengths = tuple(
        units.parse(text.strip(), "length", "--travel", error=PlanError) for text in travel.replace(";", ",").split(",")
    )
    least = None if smallest is None else units.parse(smallest, "length", "--smallest", error=PlanError)
    usual = None
    if line_period != "none":
        usual = units.parse(line_period, "time", "--line-period", error=PlanError)
    shortest = None if shortest_line is None else units.parse(shortest_line, "time", "--shortest-line", error=PlanError)
    standards = {name: load_standard(name) for name in dict.fromkeys(standard)}
    with progress("planning") as tell:
        planned = planning.propose(
            lengths,
            list(standards.values()),
            scans=scans,
            smallest=least,
            line_period=usual,
            shortest_line=shortest,
            points=points,
            progress=tell,
        )
        expected = planning.expect(planned, lengths, smallest=least, shortest_line=shortest)
    notes = planning.remarks(planned, lengths, list(standards.values()), least)
    if output is not None:
        named = {one.identity: name for name, one in standards.items()}
        write_plan(output, planned, named, scanner=scanner or "", travel=lengths, controller=controller, force=force)
    if as_json:
        say_json(_told(planned, expected, notes, output))
        return
    say(*_lines(scanner, planned, expected, notes))
    if output is not None:
        say("", f"Saved as {output}. Take the scans into its folder, and after each: calib plan --so-far {output}")


def _so_far(path: Path, more: bool, as_json: bool) -> None:
    from calib.errors import PlanError
    from calib.plan import read_plan
    from calib.planning.so_far import so_far

    if more:
        raise PlanError("--so-far goes by what the plan says: leave the other options out.")
    unfinished = read_plan(path, unfinished=True)
    with progress("reading") as tell:
        found = so_far(unfinished, tell)
    if as_json:
        say_json(found.to_dict())
    else:
        say(*found.lines())
    raise typer.Exit(Exit.UNUSABLE if found.usable is False else Exit.FINE)


def _lines(scanner: str | None, planned: list[PlannedScan], expected: Expected, notes: list[str]) -> list[str]:
    import math

    from calib.cli.wording import bullets, rows
    from calib.units import show

    count = f"{len(planned)} scan{'' if len(planned) == 1 else 's'}"
    lasts = f", about {_duration(expected.duration)} with pauses" if math.isfinite(expected.duration) else ""
    lines = [f"{scanner or 'A scanner'}: {count}{lasts}, in this order:", ""]
    table = [
        (str(k), one.standard.name, one.words(), _duration(one.duration), one.why) for k, one in enumerate(planned, 1)
    ]
    widths = [max(map(len, column)) for column in zip(*table, strict=True)]
    lines += [
        "  " + "  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip() for row in table
    ]
    lines += ["", "To expect, if the scanner does no other than what the model describes (U, k = 2):"]
    told = {}
    if math.isfinite(expected.position):
        told["positions in later scans"] = (
            f"± {show(2 * expected.position, 'm', 2)} rms, ± {show(2 * expected.worst, 'm', 2)} at most;"
            " their own drift comes on top"
        )
    told |= expected.observability.margins()
    lines += rows(told)
    if math.isfinite(expected.position):
        lines.append(
            f"  It is taken for granted that the model leaves {show(expected.misfit, 'm', 2)} (k = 1) of every node."
        )
    return lines + bullets("To know:", [*map(_capital, [*notes, *_also(expected, notes)])])


def _also(expected: Expected, notes: list[str]) -> list[str]:
    """What stays confounded, so far as no remark has said it."""
    height = any("height gain" in note for note in notes)
    return [s for s in expected.observability.confounded if not (height and "height gain" in s)]


def _told(planned: list[PlannedScan], expected: Expected, notes: list[str], output: Path | None) -> dict[str, Any]:
    return {
        "plan": None if output is None else str(output),
        "scans": [one.to_dict() for one in planned],
        "expected": expected.to_dict(),
        "notes": notes,
    }


def _duration(seconds: float) -> str:
    import math

    from calib.units import show

    if not math.isfinite(seconds):
        return ""
    if seconds < 90:
        return show(seconds, "s", 2)
    return f"{seconds / 60:.2g} min" if seconds < 5400 else f"{seconds / 3600:.2g} h"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:] + "."
