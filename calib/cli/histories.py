"""The command that tells the history of scanners, and what other commands need of histories."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.cli.running import AsJson, Exit, Force, check_output, complain, examples, say, say_json

if TYPE_CHECKING:
    from calib.history import History
    from calib.history.filing import Item
    from calib.model import Model
    from calib.scan import Scan

HistoryOf = Annotated[
    Path | None,
    typer.Option("--history", metavar="DIR", help="Also file the result in this folder, which is the history."),
]
HistoryFor = Annotated[
    Path | None,
    typer.Option("--history", metavar="DIR", help="Take the model of this history that is valid for each scan."),
]
ValidFor = Annotated[
    str | None, typer.Option("--valid-for", metavar="TIME", help="How long a model may be used, such as '180 d'.")
]

HISTORY_EXAMPLES = examples(
    "calib history models",
    "calib history models --valid-for '180 d' --tolerance scale='0.2 %' -o chart.svg",
    "calib history models --scanner 'bench-1 chip 7' --scans corrected --json",
)


def history(
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", show_default=False, help="Holds model and verification files.")
    ],
    scanner: Annotated[str | None, typer.Option(metavar="NAME", help="Only this scanner.")] = None,
    valid_for: ValidFor = None,
    tolerance: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=VALUE", help="By how much a quantity may change, such as scale='0.2 %'. May be repeated."
        ),
    ] = None,
    target: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=VALUE", help="Centre of a control chart, such as 'scale x'=1.05. May be repeated."),
    ] = None,
    sd: Annotated[
        list[str] | None,
        typer.Option(
            "--sd",
            metavar="NAME=VALUE",
            help="Standard deviation of a quantity in control, beside the models' uncertainties. May be repeated.",
        ),
    ] = None,
    baseline: Annotated[
        int | None,
        typer.Option(min=2, metavar="N", help="How many of the first models the limits come from; by default half."),
    ] = None,
    false_alarms: Annotated[
        str, typer.Option("--false-alarms", metavar="RATIO", help="Chance of a point to lie outside by mistake.")
    ] = "0.27 %",
    size: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="Over which size scales and loops are told.")
    ] = None,
    scans: Annotated[
        list[Path] | None,
        typer.Option(metavar="DIR", help="List the corrected scans in this folder by model. May be repeated."),
    ] = None,
    at: Annotated[
        str | None, typer.Option("--at", metavar="DATE", help="Tell as of this date; by default now.")
    ] = None,
    output: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="PICTURE", help="Draw it: .png, .svg or .pdf.")
    ] = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Tell what was valid when, how the scanner drifts, whether it is in control, and when calibration is due.

    Exit code 4 if a file could not be used, which is named then; 2 if nothing could.
    """
    from calib import units
    from calib.errors import FileError
    from calib.history import read_history
    from calib.history.overview import overview
    from calib.history.text import lines_of
    from calib.history.wishes import Wishes

    if output is not None and output.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise FileError(f"{output} can't be drawn: end its name with .png, .svg, .pdf.")
    check_output(output, force)
    chance = units.parse(false_alarms, "ratio", "--false-alarms")
    wishes: dict[str, Any] = {
        "valid_for": seconds(valid_for),
        "tolerances": named(tolerance, "--tolerance", "scale='0.2 %'"),
        "targets": named(target, "--target", "'scale x'=1.05"),
        "sds": named(sd, "--sd", "scale='0.01 %'"),
        "baseline": baseline,
        "false_alarms": chance,
        "size": None if size is None else units.parse(size, "length", "--size"),
    }
    if at is not None:
        wishes["at"] = moment_of(at)
    read = read_history(folder)
    found = overview(read, Wishes(**wishes), scanner=scanner, scans=scans)
    told_of(found.unreadable)
    if not read.models and not read.checks:
        raise FileError(f"There is no usable model or verification in {folder}.")
    if as_json:
        say_json(found.to_dict())
    else:
        say(*lines_of(found))
    if output is not None:
        from calib.report.history_figure import history_figure
        from calib.report.style import save_figure

        save_figure(history_figure(found), output, force=force)
        if not as_json:
            say("", f"Drawn as {output}.")
    if found.unreadable:
        raise typer.Exit(Exit.PARTLY)


def told_of(unreadable: Iterable[Any]) -> None:
    """Name the files that were left out, and count them."""
    left = list(unreadable)
    for one in left:
        complain(f"left out: {one.reason}")
    if left:
        complain(f"{len(left)} file{' was' if len(left) == 1 else 's were'} left out.")


def seconds(text: str | None) -> float | None:
    """Return what --valid-for says, s."""
    from calib import units
    from calib.errors import CalibError

    if text is None:
        return None
    found = units.parse(text, "time", "--valid-for", example="180 d")
    if found <= 0:
        raise CalibError(f"--valid-for: {text!r} must be more than nothing: write for example '180 d'.")
    return found


def named(pairs: list[str] | None, option: str, example: str) -> dict[str, str]:
    """Return NAME=VALUE pairs."""
    from calib.errors import CalibError

    found: dict[str, str] = {}
    for pair in pairs or []:
        name, equals, value = pair.partition("=")
        if not (equals and name.strip() and value.strip()):
            raise CalibError(f"{option} {pair!r} is not of the form NAME=VALUE: write for example {option} {example}.")
        found[name.strip()] = value.strip()
    return found


def moment_of(text: str) -> Any:
    """Return what --at says."""
    from calib.errors import CalibError
    from calib.history.dates import moment

    found = moment(text)
    if found is None:
        raise CalibError(f"--at: {text!r} is no date: write for example --at 2026-03-02 or --at 2026-03-02T12:00.")
    return found[0]


# --- for other commands ----------------------------------------------------------------------------


def file_result(folder: Path | None, item: Item) -> Path | None:
    """File a result in a history, if there is one."""
    if folder is None:
        return None
    from calib.history import file_into

    return file_into(folder, item)


def filed_line(filed: Path | None) -> list[str]:
    """Return what is said of it."""
    return [] if filed is None else [f"Filed as {filed}."]


def in_history(filed: Path | None) -> dict[str, str]:
    """Return the same for JSON."""
    return {} if filed is None else {"filed": str(filed)}


class Models:
    """Where `correct` takes its models from: one that was named, or a history."""

    def __init__(self, model_file: Path | None, folder: Path | None, valid_for: str | None, any_scanner: bool) -> None:
        from calib.errors import CalibError
        from calib.model import load_model

        if model_file is None and folder is None:
            raise CalibError("Say which model to use: --model MODEL.json, or --history DIR to have it chosen.")
        if any_scanner and model_file is None:
            raise CalibError("A history is chosen from by scanner: with --any-scanner, name the model with --model.")
        if valid_for is not None and folder is None:
            raise CalibError("--valid-for goes with --history: a model that is named is used whatever its age.")
        self._name = None if model_file is None else model_file.name
        self._model = None if model_file is None else load_model(model_file)
        self._valid_for = seconds(valid_for)
        self.history: History | None = None
        if folder is not None:
            from calib.history import read_history  # brings much along that a named model does without

            self.history = read_history(folder)
            told_of(self.history.unreadable)

    @property
    def incomplete(self) -> bool:
        """Whether files of the history were left out: one of them might have been the right one."""
        return self.history is not None and bool(self.history.unreadable)

    @property
    def only(self) -> Model | None:
        """The model, if it is the same for all scans and needs no words."""
        return self._model if self.history is None else None

    def model_for(self, scan: Scan) -> tuple[Model, str]:
        """Return the model for a scan, and which it is and why; nothing to say of the only one there is.

        Raises
        ------
        ModelError
            If the history has none that is valid, and none was named.
        """
        from calib.errors import ModelError

        if self.history is None:
            assert self._model is not None
            return self._model, ""
        try:
            choice = self.history.model_for(scan, valid_for=self._valid_for)
        except ModelError as error:
            if self._model is None:
                raise
            return self._model, f"{self._name}, named by hand although the history has none that is valid: {error}"
        if self._model is None:
            return choice.record.model, "; ".join((choice.why, *choice.notes))
        if self._model.sha256 in choice.record.hashes:
            return self._model, f"named by hand, and the history agrees: {choice.why}"
        return self._model, f"{self._name}, named by hand in place of the history's choice: {choice.why}"
