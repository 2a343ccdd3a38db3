"""The commands that measure: distance, angle, area, pitch and step height off a scan, with their uncertainty."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.cli.running import (
    AnyScanner,
    AsJson,
    Channel,
    Despite,
    Given,
    ModelOption,
    check_findings,
    examples,
    given,
    say,
    say_json,
)

if TYPE_CHECKING:
    from calib.measure.measured import Measured
    from calib.model import Model
    from calib.scan import Scan

EXAMPLES = examples(
    "calib measure distance sample.nc --model model.json --from '-3.2 um, 0 um' --to '4 um, 1.5 um'",
    "calib measure angle sample.nc --model model.json --at '0 um, 0 um' --from '3 um, 0 um' --to '0 um, 3 um'",
    "calib measure area sample.nc --model model.json --point '0,0 um' --point '3,0 um' --point '3,2 um'",
    "calib measure pitch lines.nc --model model.json --pitch '3 um'",
    "calib measure step sample.nc --model model.json --budget",
)

measure = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


@measure.callback(epilog=EXAMPLES)
def _measure() -> None:
    """Measure in a scan, corrected by a model: each value with its standard and expanded uncertainty.

    Points are places in the scan as it was recorded, from its centre along its fast and slow axis ("1.2 um, 3 um"), or
    in pixels ("12 px, 40 px": column, row, counted from 0 at the lowest coordinates).
    """


class Which(StrEnum):
    """Which pass is used."""

    TRACE = "trace"
    RETRACE = "retrace"
    BOTH = "both"


class Kind(StrEnum):
    """What has a pitch."""

    GRATING = "grating"
    GRID = "grid"


ScanFile = Annotated[Path, typer.Argument(metavar="SCAN", show_default=False, help="As recorded, not corrected.")]
PassOf = Annotated[
    Which,
    typer.Option(
        "--pass", help="Use one pass only; both: what is read in the trace is found again in the retrace and compared."
    ),
]


def _level(level: float) -> float:
    """Refuse what is no level of confidence before anything is read."""
    from calib.errors import CalibError

    if not 0 < level < 1:
        meant = f"{level / 100:g} for {level:g} %" if 1 < level < 100 else "0.95 for 95 %"
        raise CalibError(f"--level {level:g}: a level of confidence lies between 0 and 1: write for example {meant}.")
    return level


Level = Annotated[
    float,
    typer.Option("--level", metavar="P", callback=_level, help="Level of confidence of U, between 0 and 1."),
]
BudgetToo = Annotated[bool, typer.Option("--budget", help="List what the uncertainty is made of.")]
Reading = Annotated[
    str | None,
    typer.Option(metavar="LENGTH", help="Points are read to within ± this, such as '30 nm'; by default half a pixel."),
]


Find = Callable[["Model", "Scan", "dict[str, Any]"], "Measured"]
"""Measures in a scan with a model; the last argument holds what :mod:`calib.measure` takes in any case."""


@dataclass(frozen=True, kw_only=True)
class _Shared:
    """What all commands take."""

    scan_file: ScanFile
    model_file: ModelOption
    which: PassOf = Which.BOTH
    level: Level = 0.95
    budget: BudgetToo = False
    any_scanner: AnyScanner = False
    channel: Channel = None
    given_by_hand: Given = None
    despite: Despite = False
    as_json: AsJson = False


def _command(epilog: str, short_help: str) -> Callable[[Callable[..., Find]], Callable[..., Find]]:
    """Make a command of a function that takes what is the command's own and returns what measures."""

    def register(of: Callable[..., Find]) -> Callable[..., Find]:
        own = inspect.signature(of, eval_str=True).parameters
        shared = inspect.signature(_Shared, eval_str=True).parameters
        # the files come first; what all commands take comes last in their help
        every = {**{name: shared[name] for name in ("scan_file", "model_file")}, **own, **shared}

        def command(**said: Any) -> None:
            find = of(**{name: said[name] for name in own})
            _run(find, _Shared(**{name: said[name] for name in shared}))

        command.__name__, command.__doc__ = of.__name__, of.__doc__
        command.__annotations__ = {name: parameter.annotation for name, parameter in every.items()}
        keywords = [one.replace(kind=inspect.Parameter.KEYWORD_ONLY) for one in every.values()]
        command.__signature__ = inspect.Signature(keywords)  # type: ignore[attr-defined]
        measure.command(epilog=epilog, short_help=short_help)(command)
        return of

    return register


def _point(option: str, about: str) -> Any:
    return typer.Option(option, metavar="POINT", show_default=False, help=about)


Start = Annotated[str, _point("--from", "First point, such as '1.2 um, 3 um' or '12 px, 40 px'.")]
End = Annotated[str, _point("--to", "Last point.")]


# --- distance, angle, area -------------------------------------------------------------------------

DISTANCE_EXAMPLES = examples(
    "calib measure distance sample.nc --model model.json --from '-3.2 um, 0 um' --to '4 um, 1.5 um'",
    "calib measure distance sample.nc --model model.json --from '12 px, 40 px' --to '200 px, 41 px' --reading '30 nm'",
)


@_command(DISTANCE_EXAMPLES, "Distance of two points, across and in space.")
def distance(
    start: Start,
    end: End,
    reading: Reading = None,
) -> Find:
    """Measure the horizontal distance of two points; with heights also their difference and the distance in space."""

    def run(model: Model, scan: Scan, options: dict[str, Any]) -> Measured:
        from calib.measure import distance as find
        from calib.measure.points import read_point

        ends = read_point(start, scan, "--from"), read_point(end, scan, "--to")
        return find(model, scan, *ends, reading=_length(reading, "--reading"), **options)

    return run


ANGLE_EXAMPLES = examples(
    "calib measure angle sample.nc --model model.json --at '0 um, 0 um' --from '3 um, 0 um' --to '0 um, 3 um'",
)


@_command(ANGLE_EXAMPLES, "Angle at a point between two others.")
def angle(
    at: Annotated[str, _point("--at", "The vertex.")],
    start: Start,
    end: End,
    reading: Reading = None,
) -> Find:
    """Measure the angle at a point between the directions to two others, as seen from above."""

    def run(model: Model, scan: Scan, options: dict[str, Any]) -> Measured:
        from calib.measure import angle as find
        from calib.measure.points import read_point

        points = (read_point(text, scan, key) for text, key in ((at, "--at"), (start, "--from"), (end, "--to")))
        return find(model, scan, *points, reading=_length(reading, "--reading"), **options)

    return run


AREA_EXAMPLES = examples(
    "calib measure area sample.nc --model model.json --point '0,0 um' --point '3,0 um' --point '3,2 um'",
)


@_command(AREA_EXAMPLES, "Area of a polygon.")
def area(
    points: Annotated[list[str], _point("--point", "A corner; three or more, in the order of the edge.")],
    reading: Reading = None,
) -> Find:
    """Measure the area of a polygon, as seen from above, with straight edges between its corners."""

    def run(model: Model, scan: Scan, options: dict[str, Any]) -> Measured:
        from calib.measure import area as find
        from calib.measure.points import read_point

        corners = [read_point(text, scan, f"--point {number}") for number, text in enumerate(points, 1)]
        return find(model, scan, corners, reading=_length(reading, "--reading"), **options)

    return run


# --- pitch, step -----------------------------------------------------------------------------------

PITCH_EXAMPLES = examples(
    "calib measure pitch lines.nc --model model.json --pitch '3 um'",
    "calib measure pitch holes.nc --model model.json --pitch '2 um, 1 um' --kind grid --grid-angle '60 deg'",
)


@_command(PITCH_EXAMPLES, "Mean pitch of a grating or grid.")
def pitch(
    nominal: Annotated[
        str,
        typer.Option(
            "--pitch",
            metavar="LENGTH",
            show_default=False,
            help="What pitch to look for, such as '3 um', or '2 um, 1 um' along the two axes of a grid.",
        ),
    ],
    kind: Annotated[Kind, typer.Option(help="Lines, or a structure that repeats in two directions.")] = Kind.GRATING,
    grid_angle: Annotated[
        str, typer.Option(metavar="ANGLE", help="Of a grid: about how far its axes are apart.")
    ] = "90 deg",
    turned: Annotated[
        str | None, typer.Option(metavar="ANGLE", help="How the structure was turned on the stage, such as '90 deg'.")
    ] = None,
) -> Find:
    """Measure the mean pitch of a grating, or the pitches and the angle of a grid. No certificate is needed."""

    def run(model: Model, scan: Scan, options: dict[str, Any]) -> Measured:
        import numpy as np

        from calib.errors import MeasurementError
        from calib.measure import pitch as find
        from calib.units import parse

        said = [parse(part.strip(), "length", "--pitch", error=MeasurementError) for part in nominal.split(",")]
        if len(said) > 2:
            raise MeasurementError(f"--pitch {nominal!r} names {len(said)} lengths: give one, or two for a grid.")
        apart = parse(grid_angle, "angle", "--grid-angle", error=MeasurementError)
        angles: dict[str, Any] = {
            "nominal_angle": apart if kind is Kind.GRID else np.pi / 2,
            "turned": None if turned is None else parse(turned, "angle", "--turned", error=MeasurementError),
        }
        return find(model, scan, (said[0], said[-1]), kind=kind.value, **angles, **options)

    return run


STEP_EXAMPLES = examples(
    "calib measure step sample.nc --model model.json",
    "calib measure step sample.nc --model model.json --height '100 nm' --budget",
)


@_command(STEP_EXAMPLES, "Height of a step.")
def step(
    nominal: Annotated[
        str | None,
        typer.Option("--height", metavar="LENGTH", help="About how high it is; by default the step most to be seen."),
    ] = None,
) -> Find:
    """Measure the height of a step, ridge or groove between its plateaus, after ISO 5436-1."""

    def run(model: Model, scan: Scan, options: dict[str, Any]) -> Measured:
        from calib.measure import step as find

        return find(model, scan, nominal=_length(nominal, "--height"), **options)

    return run


# --- what they share -------------------------------------------------------------------------------


def _length(text: str | None, key: str) -> float | None:
    from calib.errors import MeasurementError
    from calib.units import parse

    return None if text is None else parse(text, "length", key, error=MeasurementError)


def _run(find: Find, shared: _Shared) -> None:
    from calib.model import load_model
    from calib.plan import read_scan_as

    model = load_model(shared.model_file)
    scan = read_scan_as(shared.scan_file, given(shared.given_by_hand), channel=shared.channel)
    check_findings(str(shared.scan_file), scan, shared.despite)
    options = {"which": shared.which.value, "level": shared.level, "any_scanner": shared.any_scanner}
    found = find(model, scan, options)
    if shared.as_json:
        about = {"file": str(shared.scan_file), "scanner": model.scanner, "model_sha256": model.sha256}
        say_json({**about, **found.to_dict()})
        return
    everything = (found, *found.also)
    for one in everything:
        say(f"{one}, level of confidence {100 * one.level:g} %", *([f"  {passes}"] if (passes := one.passes()) else []))
    for note in dict.fromkeys(note for one in everything for note in one.notes):
        say(f"  note: {note}")
    if shared.budget:
        from calib.cli.budgets import budget_lines

        for one in everything:
            say("", *budget_lines(one.budget_for_people(), level=one.level, sample=one.sample_for_people()))
