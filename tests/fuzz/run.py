"""Fuzz a reader, guided by coverage: ``python -m tests.fuzz.run tiff --cpu=240``.

Names of targets are in `tests.fuzz.readers.TARGETS`. It stops after so many seconds of its own computing time, 240 if
nothing is said; further arguments are those of libFuzzer. Needs atheris, which is installed by hand, since nothing else
does: ``pip install atheris``. An input that shows a defect is kept as ``defects/<target>/<place in the code>``, one for
each place, and the run goes on. At the end it says how many inputs were tried in how much time.
"""

from __future__ import annotations

import os
import resource
import signal
import sys
import tempfile
import time
import traceback
import warnings
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["calib.formats", "calib.files", "calib.units", "tifffile", "zipfile"]):
    import tifffile  # noqa: F401 (it is watched, too)

    from calib.formats import _hdf5_file, _tiff_pages, _tiff_said, read_options  # noqa: F401
    from tests.fuzz.readers import TARGETS

    read_options()  # imports every format

_MEMORY = 2**30  # bytes more than it has at the start: no reader needs that for a file of 20 kB


def main() -> None:
    """Run libFuzzer with the seeds of a target."""
    name, *others = sys.argv[1:]
    cpu = next((float(one.removeprefix("--cpu=")) for one in others if one.startswith("--cpu=")), 240.0)
    others = [one for one in others if not one.startswith("--cpu=")]
    seeds, target = TARGETS[name]
    _hdf5_file._SECONDS = 1  # a circle in an HDF5 file is no less one
    # Whoever reads a file sees no warnings of libraries.
    warnings.simplefilter("error")
    warnings.filterwarnings("ignore", category=DeprecationWarning)
    found = list(seeds())
    for data in found:  # whatever is imported by and by
        target(data)
    # A reader that takes more is told so, and what it makes of that is a defect.
    used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (used + _MEMORY, resource.getrlimit(resource.RLIMIT_AS)[1]))
    tried, started = 0, time.process_time()
    defects: set[str] = set()

    def counted(data: bytes) -> None:
        nonlocal tried
        try:
            target(data)
        except Exception as error:
            _keep(name, data, error, defects)
        tried += 1
        if tried % 50 == 0 and (spent := time.process_time() + _of_children() - started) > cpu:
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
            print(f"{name}: {tried} inputs, {spent:.0f} s, at most {peak} MB, {len(defects)} defects", flush=True)
            os.kill(os.getpid(), signal.SIGTERM)

    with tempfile.TemporaryDirectory() as folder:
        for number, data in enumerate(found):
            Path(folder, f"{number}").write_bytes(data)
        arguments = ["-timeout=10", "-rss_limit_mb=2048", "-max_len=20000", "-print_final_stats=1", *others, folder]
        atheris.Setup([sys.argv[0], *arguments], counted)
        atheris.Fuzz()


def _keep(name: str, data: bytes, error: Exception, known: set[str]) -> None:
    """Keep an input that shows a defect, if none of the same place in the code is kept yet."""
    steps = traceback.extract_tb(error.__traceback__)
    ours = [step for step in steps if "/calib/" in step.filename] or steps
    place = f"{Path(ours[-1].filename).stem}-{ours[-1].lineno}-{type(error).__name__}"
    if place not in known:
        known.add(place)
        folder = Path("defects", name)
        folder.mkdir(parents=True, exist_ok=True)
        (folder / place).write_bytes(data)
        traceback.print_exception(error)
        print(f"Defect: {folder / place}", flush=True)


def _of_children() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


if __name__ == "__main__":
    main()
