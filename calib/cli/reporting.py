"""The command that writes reports."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.cli.histories import ValidFor
from calib.cli.running import AnyScanner, AsJson, Exit, Force, Given, check_output, examples, given, say, say_json

if TYPE_CHECKING:
    from calib.model import Model
    from calib.report.document import Document
    from calib.report.formal import Given as Stated

REPORT_EXAMPLES = examples(
    "calib report model.json -o model.html",
    "calib report model.json -o model.html --scan sample.nc --lab 'Workshop' --by 'E. Muster'",
    "calib report verification.json -o check.html --pdf check.pdf",
    "calib report models -o history.html --valid-for '180 d'",
)


def report(
    source: Annotated[
        Path,
        typer.Argument(
            metavar="FILE|DIR",
            show_default=False,
            help="MODEL.json, VERIFICATION.json, COMPARISON.json, or the folder of a history.",
        ),
    ],
    output: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="REPORT.html", help="Write the report as one HTML file.")
    ] = None,
    pdf: Annotated[
        Path | None, typer.Option("--pdf", metavar="REPORT.pdf", help="Write the report as PDF, too or instead.")
    ] = None,
    scan: Annotated[
        list[Path] | None,
        typer.Option(
            "--scan",
            metavar="SCAN",
            help="Show this scan: of the calibration with its findings, another before and after its correction."
            " May be repeated.",
        ),
    ] = None,
    lab: Annotated[str, typer.Option(metavar="TEXT", help="Name and address of the laboratory.")] = "",
    place: Annotated[str, typer.Option(metavar="TEXT", help="Where the work was done, if elsewhere.")] = "",
    customer: Annotated[str, typer.Option(metavar="TEXT", help="Name and contact of the customer.")] = "",
    item: Annotated[str, typer.Option(metavar="TEXT", help="The instrument: type, serial number, state.")] = "",
    received: Annotated[str, typer.Option(metavar="DATE", help="When the item came in.")] = "",
    method: Annotated[str, typer.Option(metavar="TEXT", help="Procedure that was followed.")] = "",
    by: Annotated[str, typer.Option(metavar="TEXT", help="Who authorised the report.")] = "",
    number: Annotated[
        str, typer.Option(metavar="TEXT", help="Identification of the report; by default from the file's hash.")
    ] = "",
    issued: Annotated[str | None, typer.Option(metavar="DATE", help="Date of issue; by default today.")] = None,
    at: Annotated[str | None, typer.Option("--at", metavar="DATE", help="Of a history: tell as of this date.")] = None,
    valid_for: ValidFor = None,
    tolerance: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=VALUE", help="Of a history: by how much a quantity may change. May be repeated."),
    ] = None,
    any_scanner: AnyScanner = False,
    given_by_hand: Given = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Write a report that is read without calib: HTML in one file, PDF, or both.

    Exit code 4 if a file of a history could not be used, which is named then.
    """
    from calib.errors import CalibError, FileError
    from calib.report.formal import Given as Stated
    from calib.report.recognise import HISTORY, MODEL, kind_of

    if output is None and pdf is None:
        raise CalibError("Say where the report goes: -o REPORT.html, --pdf REPORT.pdf, or both.")
    for path, endings in ((output, (".html", ".htm")), (pdf, (".pdf",))):
        if path is not None and path.suffix.lower() not in endings:
            raise FileError(f"{path} can't be written: end its name with {endings[0]}.")
        check_output(path, force)
    date = _date(issued)
    stated = Stated(
        lab=lab, place=place, customer=customer, item=item, by=by, method=method, received=received, number=number,
        issued=date,
    )  # fmt: skip
    kind = kind_of(source)
    if scan and kind != MODEL:
        raise CalibError(f"--scan goes with a model, and {source} is a {kind}: leave it out.")
    if kind != HISTORY and (at, valid_for, tolerance) != (None, None, None):
        raise CalibError(f"--at, --valid-for and --tolerance go with a history, and {source} is a {kind}.")
    if given_by_hand and kind != MODEL:
        raise CalibError(f"--set says how scans of a model are read, and {source} is a {kind}: leave it out.")
    incomplete = False
    if kind == HISTORY:
        made, incomplete = _of_history(source, stated, at, valid_for, tolerance)
    else:
        made = _of_file(source, stated, _Scans(tuple(scan or ()), given(given_by_hand), any_scanner))
    written = _write(made, output, pdf, force)
    if as_json:
        say_json(
            {
                "kind": kind,
                "title": made.title,
                "subject": made.subject,
                "number": made.number,
                "issued": made.issued,
                "verdict": made.headline.verdict,
                "sentence": made.headline.sentence,
                "outputs": written,
            }
        )
    else:
        say(f"{made.subject}: {made.headline.verdict}.", *(f"Written as {path}." for path in written))
    if incomplete:
        raise typer.Exit(Exit.PARTLY)


@dataclass(frozen=True)
class _Scans:
    """Scans that go with a model, and how they are read and corrected."""

    paths: tuple[Path, ...]
    keys: Mapping[str, Any]
    any_scanner: bool


def _of_file(source: Path, stated: Stated, scans: _Scans) -> Document:
    from calib.compared.result import ModelComparison
    from calib.files import sha256
    from calib.model import Model
    from calib.report.recognise import load_any
    from calib.verification import VerificationSet

    found = load_any(source)
    if isinstance(found, Model):
        return _of_model(found, source.parent, stated, scans)
    if isinstance(found, VerificationSet):
        from calib.report.verification_report import verification_report

        return verification_report(found, stated, sha256(source))
    assert isinstance(found, ModelComparison)
    from calib.report.comparison_report import comparison_report

    return comparison_report(found, stated, sha256(source))


def _of_model(model: Model, folder: Path, stated: Stated, scans: _Scans) -> Document:
    from calib.files import sha256
    from calib.plan import read_scan_as
    from calib.report.beside import Reading, beside
    from calib.report.model_report import model_report
    from calib.report.model_tables import inputs_of

    own = {str(one.get("sha256", "")) for one in inputs_of(model)}
    folders = list(dict.fromkeys([folder, *(path.parent for path in scans.paths)]))
    inputs = beside(inputs_of(model), folders, scans.paths, Reading.of(model, scans.keys))
    others = [read_scan_as(path, scans.keys) for path in scans.paths if sha256(path) not in own]
    pairs = [(scan, model.correct(scan, any_scanner=scans.any_scanner)) for scan in others]
    return model_report(model, stated, inputs=inputs, scans=pairs)


def _of_history(
    source: Path, stated: Stated, at: str | None, valid_for: str | None, tolerance: list[str] | None
) -> tuple[Document, bool]:
    from calib.cli.histories import moment_of, named, seconds, told_of
    from calib.errors import FileError
    from calib.history import read_history
    from calib.history.overview import overview
    from calib.history.wishes import Wishes
    from calib.report.history_report import history_report

    wishes: dict[str, Any] = {
        "valid_for": seconds(valid_for),
        "tolerances": named(tolerance, "--tolerance", "scale='0.2 %'"),
        **({} if at is None else {"at": moment_of(at)}),
    }
    read = read_history(source)
    told_of(read.unreadable)
    if not read.models and not read.checks:
        raise FileError(f"There is no usable model or verification in {source}.")
    return history_report(overview(read, Wishes(**wishes)), stated), bool(read.unreadable)


def _write(made: Document, output: Path | None, pdf: Path | None, force: bool) -> list[str]:
    from calib.files import write_atomically

    contents: list[tuple[Path, bytes]] = []
    if pdf is not None:
        from calib.report.pdf import to_pdf

        contents.append((pdf, to_pdf(made)))
    if output is not None:
        from calib.report.html import to_html

        contents.insert(0, (output, to_html(made).encode()))
    for path, content in contents:
        with write_atomically(path, force) as temporary:
            temporary.write_bytes(content)
    return [str(path) for path, _ in contents]


def _date(text: str | None) -> str:
    from calib.errors import CalibError
    from calib.history.dates import moment

    if text is None:
        return datetime.now(UTC).date().isoformat()
    if moment(text) is None:
        raise CalibError(f"--issued: {text!r} is no date: write for example --issued 2026-03-02.")
    return text
