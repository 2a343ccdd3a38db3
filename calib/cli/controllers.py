"""What to type into the controller: the part of `calib show` that tells it."""

from __future__ import annotations

from pathlib import Path

from calib.cli.running import say, say_json
from calib.controller import Settings, settings
from calib.controller import table as table_of
from calib.errors import PlanError
from calib.files import write_atomically
from calib.model import Model
from calib.units import parse, show


def tell_controller(
    model: Model, size: str | None, remaining: Path | None, table: Path | None, points: int, force: bool, as_json: bool
) -> None:
    """Print factors, and save the remaining model and the table where they are asked for."""
    found = settings(model, None if size is None else parse(size, "length", "--size", error=PlanError))
    text = None if table is None else table_of(model, points).csv()
    if table is not None and text is not None:
        with write_atomically(table, force) as temporary:
            temporary.write_text(text, encoding="utf-8")
    if remaining is not None:
        found.remaining.save(remaining, force=force)
    if as_json:
        files = {"remaining": remaining, "table": table}
        say_json({**found.to_dict(), **{name: str(file) for name, file in files.items() if file is not None}})
        return
    say(*lines(found))
    if remaining is not None:
        say("", f"The model for scans with these settings is saved as {remaining}.")
    if table is not None:
        say(
            "",
            f"A table of positions is saved as {table}: where to send the probe so that it arrives where it is wanted.",
        )
        say("It is for a controller without these factors; with a table in place, calibrate anew.")


def lines(found: Settings) -> list[str]:
    """Factors, and what follows from setting them."""
    text = ["Type into the controller (U: k = 2):", ""]
    for factor in found.factors:
        was = "" if factor.before == 1.0 else f", in place of {factor.before:g}"
        text.append(f"  {factor.setting:<15} {factor.after:<9.6g} ± {2 * factor.u:.2g}{was}")
        text.append(f"  {'':<15} multiply {factor.about} by {factor.value:g}")
    if found.size is not None and found.shear is not None and found.u_shear is not None:
        text += [
            "",
            f"If it can add a part of y to x, {found.shear:+.5f} ± {2 * found.u_shear:.2g} takes out the skew; the"
            " remaining model is for a controller without.",
            "A controller that scales the size of the image, not the drive, takes the reciprocals of the factors of x"
            " and y.",
        ]
    text += [
        "",
        "From then on it is another scanner to calib: scans must state these settings as `controller`, this model"
        " refuses them, and the remaining one takes its place. Verify it with a standard before you rely on it.",
        "Caution: larger drive factors raise the voltage on the scanner; stay within its maker's limits, and change"
        " settings with the probe withdrawn.",
    ]
    if found.size is not None:
        text.append(
            f"Loops, creep and bending stay as they are, so other sizes than {show(found.size)} still need the"
            " remaining model."
        )
    return text
