"""Memory and time of large scans: opened, inspected, drawn and converted, each in a process of its own.

Run: ``python -m tests.benchmarks.big_scans [SIDE…]`` (4096 and 8192 if nothing is said). The limit is 1.5 times the
memory of the heights, in the type that the file stores, and 200 MB for the programme itself.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

ALLOWED = 1.5, 200e6  # times the heights, bytes besides

CHILD = """
import resource, sys
from calib.formats import read_scan, write_scan
what, source, target, options = sys.argv[1:5]
options = eval(options)
if what == "open":
    read_scan(source, **options)
elif what == "inspect":
    from calib.findings import inspect_scan
    inspect_scan(read_scan(source, **options))
elif what == "draw":
    from pathlib import Path
    from calib.findings import inspect_scan
    from calib.report.findings_figure import findings_figure
    from calib.report.style import save_figure
    scan = read_scan(source, **options)
    save_figure(findings_figure(scan, inspect_scan(scan), "big"), Path(target), force=True)
elif what == "convert":
    from calib.formats.converting import convert
    lost = convert(read_scan(source, **options), target, force=True)
    print(lost, file=sys.stderr)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024)
"""


def make(folder: Path, side: int, kind: str) -> Path:
    """Write a scan of a made-up grid, line by line, in float32 or float64."""
    import numpy as np

    from calib.formats import write_scan
    from calib.scan import Scan

    random = np.random.default_rng(side)
    height = np.empty((1, side, side), dtype=kind)
    x = np.arange(side)
    for row in range(side):
        height[0, row] = 50e-9 * np.sign(np.sin(x / 40) * np.sin(row / 40)) + 1e-9 * random.standard_normal(side)
    height.flags.writeable = False
    axis = (x - (side - 1) / 2) * 2e-9
    scan = Scan(channels={"height": height}, fast=axis, slow=axis, frame="up", line_period=1.0)
    path = folder / f"{kind}-{side}.nc"
    write_scan(path, scan, force=True)
    return path


def measure(what: str, source: Path, target: Path, options: dict[str, object]) -> tuple[float, float]:
    """Return the peak of resident memory, bytes, and the time, s."""
    begin = time.perf_counter()
    run = subprocess.run(
        [sys.executable, "-c", CHILD, what, str(source), str(target), repr(options)],
        capture_output=True,
        text=True,
        check=False,
    )
    if run.returncode:
        raise RuntimeError(run.stderr)
    if run.stderr.strip() not in ("", "[]"):
        print(f"  {run.stderr.strip()}")
    return float(run.stdout), time.perf_counter() - begin


def main(sides: list[int]) -> None:
    """Print a table."""
    print("| scan | what | peak / MB | allowed / MB | time / s |")
    print("| --- | --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for side in sides:
            for kind, size in (("float32", 4), ("float64", 8)):
                child = (
                    "from pathlib import Path; from tests.benchmarks.big_scans import make; "
                    f"make(Path({name!r}), {side}, {kind!r})"
                )
                subprocess.run([sys.executable, "-c", child], check=True)
                source = folder / f"{kind}-{side}.nc"
                allowed = ALLOWED[0] * side * side * size + ALLOWED[1]
                steps = [("open", source, "-"), ("convert", source, "a.tif"), ("open", folder / "a.tif", "-")]
                steps += [("convert", folder / "a.tif", "b.nc"), ("inspect", source, "-")]
                steps += [("draw", source, "c.png")]
                for what, start, target in steps:
                    peak, seconds = measure(what, start, folder / target, {})
                    about = f"{what} {start.suffix}" + (f" to {Path(target).suffix}" if target != "-" else "")
                    print(
                        f"| {side}² {kind} | {about} | {peak / 1e6:.0f} | {allowed / 1e6:.0f} | {seconds:.1f} |",
                        flush=True,
                    )


if __name__ == "__main__":
    main([int(side) for side in sys.argv[1:]] or [4096, 8192])
