"""The command line: it parses, calls the library, and prints.

Commands import what they need when they run, so that help appears at once.
"""

from __future__ import annotations

import contextlib
import os
import sys
import traceback
from typing import Annotated

import typer

import calib
from calib.cli import (
    comparisons,
    converting,
    correcting,
    crosschecks,
    histories,
    measures,
    models,
    others,
    planning,
    reporting,
    scans,
    verifying,
    viewing,
)
from calib.cli.running import Commands, Exit, examples, say

__all__ = ["app", "main"]

app = typer.Typer(
    cls=Commands,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog=examples(
        "calib demo                                  see the whole job on made-up scans",
        "calib inspect grid-up.nc",
        "calib calibrate plan.toml -o model.json",
        "calib correct sample.nc --model model.json -o corrected",
        "calib verify --model model.json check.nc --standard grating.toml",
    ),
)


def _version(wanted: bool) -> None:
    if wanted:
        say(f"calib {calib.__version__}")
        raise typer.Exit


@app.callback()
def _calib(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and leave.")
    ] = False,
) -> None:
    """Calibrate scanning instruments from scans of standards, correct later scans, and state every uncertainty.

    Exit codes: 0 fine, 1 does not conform, 2 input can't be used, 3 can't be decided, 4 partly done.
    """


_COMMANDS = (
    (others.demo, others.DEMO_EXAMPLES, "Run the whole job on made-up scans."),
    (scans.inspect, scans.INSPECT_EXAMPLES, "Say what is in scans, and what is wrong with them."),
    (planning.plan, planning.PLAN_EXAMPLES, "Propose which scans to take, and judge them as they come."),
    (models.calibrate, models.CALIBRATE_EXAMPLES, "Make a model of a scanner from scans of standards."),
    (correcting.correct, correcting.CORRECT_EXAMPLES, "Correct scans with a model."),
    (converting.convert, converting.CONVERT_EXAMPLES, "Write scans in another format."),
    (verifying.verify, verifying.VERIFY_EXAMPLES, "Check a model against standards, with limits or without."),
    (verifying.interim, verifying.INTERIM_EXAMPLES, "Ask by a quick scan whether the scanner is where the model says."),
    (crosschecks.crosscheck, crosschecks.CROSSCHECK_EXAMPLES, "Check a model against itself, by halves of its scans."),
    (histories.history, histories.HISTORY_EXAMPLES, "Tell what was valid when, drift, control, and what is due."),
    (comparisons.compare, comparisons.COMPARE_EXAMPLES, "Compare two models: what changed, and what it means."),
    (comparisons.between, comparisons.BETWEEN_EXAMPLES, "Say how sure scans are that were taken between two models."),
    (viewing.view, viewing.VIEW_EXAMPLES, "Look at scans in the browser, and measure in them."),
    (models.show, models.SHOW_EXAMPLES, "Show and draw what a model, scan, check, comparison or standard says."),
    (reporting.report, reporting.REPORT_EXAMPLES, "Write a report of a model, a check, a comparison or a history."),
    (others.standards, others.STANDARDS_EXAMPLES, "List the standards that come along, or show one."),
)
for _command, _examples, _short in _COMMANDS:
    app.command(epilog=_examples, short_help=_short)(_command)
app.add_typer(measures.measure, name="measure", short_help="Measure in a corrected scan, with uncertainty.")


def main() -> None:
    """Run the command line; what is no user's fault leaves a traceback and an exit code of its own."""
    # Matrices here are small: on two busy cores a calibration took 18 s with one thread of BLAS, and 124 s with two,
    # which wait for each other. They are counted when numpy is first imported, which is after this.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(AttributeError):
            stream.reconfigure(errors="replace")  # type: ignore[union-attr]
    try:
        app(prog_name="calib")
    except Exception:
        traceback.print_exc()
        print("This is a defect of calib, not of your input: please report it with the lines above.", file=sys.stderr)
        sys.exit(Exit.DEFECT)
