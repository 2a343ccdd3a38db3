"""The command that opens a local page to look at scans and try things."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.running import AnyScanner, Channel, Given, examples, given, say

VIEW_EXAMPLES = examples(
    "calib view sample.nc --model model.json",
    "calib view grid-up.nc grid-down.nc --model model.json --standard grid.toml",
    "calib view sample.nc --no-browser --port 8123",
)


def view(
    scans: Annotated[list[Path], typer.Argument(metavar="SCAN...", show_default=False, help="As recorded.")],
    model_file: Annotated[
        Path | None, typer.Option("--model", metavar="MODEL.json", help="Corrects them; made by calib calibrate.")
    ] = None,
    standard_file: Annotated[
        str | None,
        typer.Option("--standard", metavar="STANDARD", help="What they show: a file, or the name of a packaged one."),
    ] = None,
    turned: Annotated[
        str | None,
        typer.Option(metavar="ANGLE", help="How the standard was turned on the stage, such as '90 deg'."),
    ] = None,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port of the page; 0 takes a free one.")] = 0,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open the browser, or print the address only.")
    ] = True,
    any_scanner: AnyScanner = False,
    channel: Channel = None,
    given_by_hand: Given = None,
) -> None:
    """Look at scans in the browser: before and after, distances, profiles, findings, maps of a grating.

    The page is served to this machine only, and to nobody without its address. Nothing else than the given files can
    be seen through it, and nothing is written.
    """
    from calib.model import load_model
    from calib.page.serving import check_installed, serve

    check_installed()
    from calib.errors import ScanError
    from calib.page.opened import Opened
    from calib.plan import read_scan_as
    from calib.standard import load_standard
    from calib.units import parse

    model = None if model_file is None else load_model(model_file)
    standard = None if standard_file is None else load_standard(standard_file)
    angle = None if turned is None else parse(turned, "angle", "--turned")
    opened = []
    for path in scans:
        scan = read_scan_as(path, given(given_by_hand), channel=channel)
        if min(scan.shape[1:]) < 2:
            raise ScanError(f"{path} holds a single line of points: a picture needs two or more along either axis.")
        opened.append(Opened(path.name, scan, model, standard, angle, any_scanner))
    serve(opened, port=port, browser=browser, tell=say)
