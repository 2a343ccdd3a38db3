"""The command that writes scans in another format."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.cli.running import (
    AsJson,
    Channel,
    Force,
    Given,
    check_output,
    complain,
    examples,
    given,
    outcome,
    say,
    say_json,
    sentence,
)
from calib.errors import CalibError, FileError

if TYPE_CHECKING:
    from calib.scan import Scan

CONVERT_EXAMPLES = examples(
    "calib convert sample.nc -o sample.tif",
    "calib convert sample.tif --set unit=nm --set pixel_size='50 nm' -o sample.nc",
    "calib convert trace.txt --retrace retrace.txt -o both.nc",
    "calib convert *.nc --to .sdf --channel height --pass trace -o exported",
)


def convert(
    scans: Annotated[list[Path], typer.Argument(metavar="IN", show_default=False, help="Scan files.")],
    output: Annotated[
        Path, typer.Option("-o", "--output", metavar="OUT", help="The new file; with --to the folder of the new files.")
    ],
    ending: Annotated[
        str | None,
        typer.Option("--to", metavar="ENDING", help="Convert each scan to OUT/<name> with this ending, such as .tif."),
    ] = None,
    retrace: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The retrace of the scan, if it stands in a file of its own.")
    ] = None,
    one_pass: Annotated[
        str | None, typer.Option("--pass", metavar="PASS", help="Write this pass alone: trace or retrace.")
    ] = None,
    channel: Channel = None,
    given_by_hand: Given = None,
    write_by_hand: Annotated[
        list[str] | None,
        typer.Option("--write", metavar="KEY=VALUE", help="An option of the new format, such as unit=nm. Repeatable."),
    ] = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Write scans in another format, with all that it can hold, and list what is lost.

    Each new file is read back and compared. With --channel, this channel alone is written. Exit code 4 if some scans
    could not be converted, 2 if none could.
    """
    from calib.formats.converting import convert as write
    from calib.plan import read_scan_as

    if ending is None and len(scans) > 1:
        raise FileError("Several scans need a folder: add --to with the ending of the new files, such as --to .tif.")
    if retrace is not None and len(scans) > 1:
        raise FileError("--retrace belongs to one scan: convert one scan at a time.")
    keys = given(given_by_hand)
    if retrace is not None:
        keys["retrace"] = str(retrace.resolve())
    options, refused = given(write_by_hand), 0
    told: list[dict[str, Any]] = []
    taken: dict[Path, Path] = {}
    for path in scans:
        try:
            target = output if ending is None else _inside(output, path, ending)
            if target in taken:
                raise FileError(
                    f"{path}: {target} is taken by {taken[target]} already; convert it into another folder."
                )
            if target.exists() and path.exists() and target.samefile(path):
                raise FileError(f"{path} would be overwritten by its own conversion: name another file.")
            check_output(target, force)
            taken[target] = path
            gone = write(
                _part(read_scan_as(path, keys, channel=channel), channel, one_pass),
                target,
                force=force,
                options=options,
            )
        except (CalibError, OSError) as error:
            refused += 1
            complain(sentence(error))
            told.append({"file": str(path), "error": sentence(error)})
            continue
        told.append({"file": str(path), "output": str(target), "lost": gone})
        if not as_json:
            say(f"{path} -> {target}", *(f"  lost: {one}" for one in gone))
    if as_json:
        say_json(told)
    raise typer.Exit(outcome(len(scans) - refused, refused))


def _inside(folder: Path, path: Path, ending: str) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    name = path.name[:-3] if path.name.lower().endswith(".gz") else path.name
    return folder / f"{Path(name).stem}.{ending.removeprefix('.')}"


def _part(scan: Scan, channel: str | None, one_pass: str | None) -> Scan:
    """Return what is asked for of a scan."""
    if channel is not None:
        scan = scan.replace(channels={channel: scan.channels[channel]}, units={channel: scan.units[channel]})
    if one_pass is None:
        return scan
    if one_pass not in scan.passes:
        raise FileError(f"--pass {one_pass}: the scan has {' and '.join(scan.passes)}.")
    number = scan.passes.index(one_pass)
    return scan.replace(
        channels={name: values[number : number + 1] for name, values in scan.channels.items()}, passes=(one_pass,)
    )
