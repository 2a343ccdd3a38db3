"""Correcting a frame while it is being recorded: what ``calib correct --follow`` does."""

from __future__ import annotations

import contextlib
import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from calib.cli.running import Exit, check_output, complain, progress, say
from calib.errors import CalibError

if TYPE_CHECKING:
    from calib.cli.histories import Models
    from calib.live import TrueLine
    from calib.resample import Interpolation


def follow(
    source: Path,
    frame_file: Path,
    models: Models,
    folder: Path,
    *,
    patience: float,
    uncertainty: bool,
    interpolation: Interpolation,
    any_scanner: bool,
    force: bool,
    as_json: bool,
) -> Exit:
    """Correct lines as they appear, write the scan at the end, and return the exit code."""
    from calib import __version__
    from calib.archive.sources import stem_of
    from calib.formats import write_scan
    from calib.live_folder import Follower, read_recording

    if patience <= 0:
        raise CalibError("--timeout must be more than nothing.")
    recording = read_recording(frame_file)
    output = folder / f"{source.name if source.is_dir() else stem_of(source)}.nc"
    if output.exists() and source.exists() and output.samefile(source):
        raise CalibError(f"{source} would be overwritten by its own correction; name another folder.")
    if folder.is_dir():
        check_output(output, force)
    model, choice = models.model_for(recording.frame)
    lines = Follower(source, recording, patience)
    live = model.correct_lines(
        lines, recording.frame, uncertainty=uncertainty, interpolation=interpolation, any_scanner=any_scanner
    )
    total = live.grid.slow.size * len(recording.frame.passes)
    stopped, told = False, 0
    with progress("waiting for lines") as tell:
        try:
            for true_line in live:
                told += 1
                if tell:
                    tell(f"line {told} of {total}", told / total)
                if as_json:
                    _say(_as_dict(true_line))
        except KeyboardInterrupt:
            stopped = True
            for true_line in live.finish():
                if as_json:
                    _say(_as_dict(true_line))
    for name, problem in sorted(lines.unreadable.items()):
        complain(f"{source}: {name} could not be used: {problem.rstrip('.')}.")
    if len(live.missing) == recording.turns:
        raise CalibError(f"No line of the frame came from {source} within {patience:g} s.")
    scan = live.scan
    marks = {"calib_version": __version__, **({"model_choice": choice} if choice else {})}
    scan = scan.replace(attributes={**scan.attributes, **marks})
    folder.mkdir(parents=True, exist_ok=True)
    write_scan(output, scan, force=force)
    if as_json:
        missing = [{"pass": passed, "row": row} for passed, row in live.missing]
        notes = "; ".join(live.notes)
        _say({"file": str(source), "outputs": [str(output)], "notes": notes, "missing": missing})
    else:
        say(f"{source} -> {output}", *([f"  model: {choice}"] if choice else []))
        say(*(f"  note: {note}" for note in live.notes))
    if stopped:
        return Exit.STOPPED
    return Exit.PARTLY if live.missing else Exit.FINE


def _as_dict(line: TrueLine) -> dict[str, Any]:
    values = {
        name: [value if math.isfinite(value) else None for value in array.tolist()]
        for name, array in line.values.items()
    }
    return {"pass": line.passed, "row": line.row, "values": values}


def _say(content: dict[str, Any]) -> None:
    """Print one JSON object on a line of its own, at once."""
    typer.echo(json.dumps(content, ensure_ascii=False))
    with contextlib.suppress(AttributeError):
        typer.get_text_stream("stdout").flush()
