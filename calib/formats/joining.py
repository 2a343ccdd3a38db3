"""Trace and retrace in files of their own: two scans become one with both passes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from calib.errors import FileError, ScanError
from calib.files import sha256
from calib.formats._beside import naming
from calib.formats._settings import text_of
from calib.scan import PASSES, Scan

__all__ = ["join_passes", "with_retrace"]

_SAME = 1e-6  # of a pixel: what the coordinates of the two may differ


def join_passes(trace: Scan, retrace: Scan) -> Scan:
    """Make one scan of the two passes of a frame.

    Parameters
    ----------
    trace, retrace
        Scans of one pass each, on the same pixels. Whatever they are called on their own, the first is the trace.

    Returns
    -------
    Scan
        All channels that both have. What was said of the trace holds for both.

    Raises
    ------
    ScanError
        If either has two passes already, or they differ in their pixels, or have no channel in common.
    """
    for scan, name in ((trace, PASSES[0]), (retrace, PASSES[1])):
        if len(scan.passes) != 1:
            raise ScanError(f"{scan.label} can't be joined as {name}, since it has both passes already.")
    (_, rows, columns), (_, other_rows, other_columns) = trace.shape, retrace.shape
    if (rows, columns) != (other_rows, other_columns):
        raise ScanError(
            f"Trace and retrace differ in size: {rows} x {columns} and {other_rows} x {other_columns} numbers."
        )
    for one, other, step in zip((trace.fast, trace.slow), (retrace.fast, retrace.slow), trace.spacing, strict=True):
        if np.abs(one - other).max() > _SAME * step:
            raise ScanError("Trace and retrace lie on different pixels: their coordinates are not the same.")
    shared = [name for name in trace.channels if name in retrace.channels]
    if not shared:
        raise ScanError(
            f"Trace and retrace have no channel in common: {', '.join(trace.channels)}; {', '.join(retrace.channels)}."
        )
    for name in shared:
        if trace.units[name] != retrace.units[name]:
            raise ScanError(f"The channel {name!r} is in {trace.units[name]!r} in the trace, but not in the retrace.")
    channels = {}
    for name in shared:
        both = np.concatenate([trace.channels[name], retrace.channels[name]])
        both.flags.writeable = False
        channels[name] = both
    observed = trace.channel if trace.channel in shared else ""
    units = {name: trace.units[name] for name in shared}
    return trace.replace(channels=channels, units=units, channel=observed, passes=PASSES)


def with_retrace(
    path: Path,
    settings: Mapping[str, Any],
    channel: str | None,
    read: Callable[[dict[str, Any]], Scan],
    *,
    named: bool = True,
) -> Scan:
    """Read a scan, and the retrace that ``settings`` name beside it, in the same way.

    ``named`` tells whether the reader has to be told which pass a file holds.

    Raises
    ------
    FileError
        If either can't be read, or they don't belong together.
    """
    from calib.formats import read_scan

    given = dict(settings)
    with naming(path):
        name = text_of(given, "retrace")
    given.pop("retrace", None)
    if not name:
        return read(given)
    if (path.parent / name).exists() and path.samefile(path.parent / name):
        raise FileError(f"{path} is said to be its own retrace: give the name of another file, or leave it out.")
    first, second = ({"passes": [one]} if named else {} for one in PASSES)
    trace = read({**given, **first})
    own = {key: value for key, value in given.items() if key not in ("channel", "passes")}
    asked = channel if channel is not None else text_of(given, "channel")
    # Whatever the file beside the retrace says: files that name each other would be read for ever.
    back = read_scan(path.parent / name, channel=asked, **own, **second, retrace="")
    try:
        joined = join_passes(trace, back)
    except ScanError as error:
        raise FileError(f"{path} and {name}: {error}") from error
    origin = {"retrace_file": Path(name).name, "retrace_sha256": sha256(path.parent / name)}
    return joined.replace(attributes={**joined.attributes, **origin})
