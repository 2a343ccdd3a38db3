"""What `calib show` says and draws of everything that is no model."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.cli.running import say, say_json

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class Drawing:
    """A picture that is asked for: where it goes (None: nowhere), which, and whether it may replace another."""

    output: Path | None
    figure: str
    force: bool


def show_other(
    kind: str, source: Path, drawing: Drawing, keys: Mapping[str, Any], channel: str | None, as_json: bool
) -> None:
    """Say what a scan, a verification, a comparison or a standard holds, and draw it.

    Parameters
    ----------
    kind
        What the source was recognised as.
    keys, channel
        What is said of a scan by hand, and the channel to look at.
    """
    lines, content, picture = _told(kind, source, drawing, keys, channel)
    if as_json:
        say_json(content)
    else:
        say(*lines)
    if picture is not None and drawing.output is not None:
        from calib.report.style import save_figure

        save_figure(picture, drawing.output, force=drawing.force)
        if not as_json:
            say("", f"Drawn as {drawing.output}.")


def _told(
    kind: str, source: Path, drawing: Drawing, keys: Mapping[str, Any], channel: str | None
) -> tuple[list[str], Any, Figure | None]:
    """Lines for people, content for scripts, and the figure, which is refused before anything is said."""
    from calib.report import choice
    from calib.report.recognise import COMPARISON, SCAN, VERIFICATION

    drawn = drawing.output is not None
    if kind == SCAN:
        from calib.cli import wording
        from calib.plan import read_scan_as

        scan = read_scan_as(source, keys, channel=channel)
        picture = choice.scan_picture(scan, drawing.figure) if drawn else None
        return [str(source), *wording.scan_lines(scan)], wording.scan_dict(scan), picture
    if kind == VERIFICATION:
        from calib.verification import load_verification

        check = load_verification(source)
        picture = choice.verification_picture(check, drawing.figure) if drawn else None
        return check.summary(), check.to_dict(), picture
    if kind == COMPARISON:
        from calib.compared.file import load_comparison

        change = load_comparison(source)
        picture = choice.comparison_picture(change, drawing.figure) if drawn else None
        return change.lines(), change.to_dict(), picture
    from calib.standard import load_standard

    standard = load_standard(source)
    picture = choice.standard_picture(standard, drawing.figure) if drawn else None
    return standard.summary(), standard.to_dict(), picture
