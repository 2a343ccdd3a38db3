"""Time, memory and accuracy of correcting and calibrating, beside what else could resample a scan.

Run: ``python -m tests.benchmarks.correction [--sides 256 512 …] [--calibrate 128 256 …] [--scans 1000] [--json FILE]``.
Every number is the least of several runs that take turns, as other work on the machine disturbs them; ratios are within
one run. The others get the map ready-made, as full-size arrays of coordinates; here its evaluation is counted.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import re
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from calib.correct import _kept, true_grid, true_maps
from calib.model import Model
from calib.resample import points_of, resample
from calib.scan import Scan
from calib.simulate import raster
from calib.true_map import TrueMap

RUNS = 5
EDGE = 16  # pixels at the border that accuracy is not told for
SIZE = 16e-6  # m
WAVES = ((16.3, 1.0, 0.1), (8.4, 0.25, 1.1), (41.0, 1.0, -0.7))  # wavelength in pixels, amplitude, direction in rad


def model() -> Model:
    """A model with bending, loops and creep, made of scans of a virtual instrument."""
    from tests.instruments import calibrated

    return calibrated(0, 0.06)[1]


def surface(fast: np.ndarray, slow: np.ndarray, pixel: float) -> np.ndarray:
    """Heights of a band-limited surface at true coordinates, m."""
    found = np.zeros(np.broadcast_shapes(fast.shape, slow.shape))
    for length, amplitude, direction in WAVES:
        way = np.cos(direction) * fast + np.sin(direction) * slow
        found += amplitude * np.sin(2 * np.pi * way / (length * pixel))
    return 20e-9 * found


def record(given: Model, side: int) -> tuple[Scan, TrueMap]:
    """One pass of the surface as the scanner that the model describes would record it, in single precision."""
    scan = raster(SIZE, points=side, passes=("trace",), scanner=given.scanner)
    (place,) = true_maps(given, scan)
    pixel = SIZE / (side - 1)
    heights = np.empty(scan.shape, dtype=np.float32)
    for first in range(0, side, 256):
        fast, slow = place.lines(first, min(first + 256, side))
        heights[0, first : first + 256] = surface(fast, slow, pixel)
    return scan.replace(channels={"height": heights}), place


def least(cases: dict[str, Callable[[], Any]], runs: int = RUNS) -> dict[str, float]:
    """Shortest times of functions that take turns, s."""
    best = dict.fromkeys(cases, np.inf)
    for _ in range(runs):
        for name, run in cases.items():
            begin = time.perf_counter()
            run()
            best[name] = min(best[name], time.perf_counter() - begin)
    return best


def peak(run: Callable[[], Any]) -> int:
    """Most memory that arrays take while something runs, bytes."""
    tracemalloc.start()
    run()
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return most


def threads(count: int) -> None:
    """Set how many threads resampling may use, here and in OpenCV."""
    import cv2
    import numba

    numba.config.NUMBA_NUM_THREADS = count
    cv2.setNumThreads(count)


def resampling(given: Model, side: int, runs: int) -> dict[str, Any]:
    """Compare on one scan."""
    import cv2
    from scipy import ndimage
    from skimage.transform import warp

    scan, place = record(given, side)
    image = scan.height[0]
    grid = true_grid([place])
    fast, slow = grid.fast + grid.middle[0], grid.slow + grid.middle[1]
    shape = slow.size, fast.size
    where = [np.empty(shape) for _ in range(2)]
    for first in range(0, slow.size, 64):
        part = points_of(place, fast, slow[first : first + 64])
        where[0][first : first + 64], where[1][first : first + 64] = part.row, part.column
    inside = np.isfinite(where[0])
    row, column = (np.where(inside, one, 0.0) for one in where)
    row32, column32 = row.astype(np.float32), column.astype(np.float32)
    coordinates = np.stack([row, column])

    def ours(images: int = 1, anew: bool = True, **options: Any) -> np.ndarray:
        if anew:
            _kept.clear()  # the map of scans taken alike is kept
        maps = true_maps(given, scan)
        there = true_grid(maps)
        found = [np.empty(shape, dtype=np.float32) for _ in range(images)]
        at = there.fast + there.middle[0], there.slow + there.middle[1]
        resample(maps[0], *at, [image] * images, found=found, **{"compiled": True, **options})
        return found[0]

    others: dict[str, Callable[[], np.ndarray]] = {
        "map_coordinates": lambda: ndimage.map_coordinates(image, coordinates, order=3, mode="mirror"),
        "warp": lambda: warp(image, coordinates, order=3, mode="reflect"),
        "remap": lambda: cv2.remap(image, column32, row32, cv2.INTER_CUBIC),
        "copy": lambda: image.copy(),
    }
    true = surface(fast[None, :], slow[:, None], SIZE / (side - 1))
    core = inside.copy()
    core[:EDGE], core[-EDGE:], core[:, :EDGE], core[:, -EDGE:] = False, False, False, False
    away = (row > EDGE) & (row < side - EDGE) & (column > EDGE) & (column < side - EDGE)
    core &= away
    amplitude = 20e-9 * max(amplitude for _, amplitude, _ in WAVES)

    def error(found: np.ndarray) -> float:
        return float(np.sqrt(np.mean((found[core] - true[core]) ** 2)) / amplitude)

    cases: dict[str, Callable[[], Any]] = {"calib": ours, "calib, next scan": lambda: ours(anew=False), **others}
    # beside itself alone: memory that the others give back is slow to get again
    channels: dict[str, Callable[[], Any]] = {"calib, one channel": ours, "calib, two channels": lambda: ours(2)}
    result: dict[str, Any] = {"side": side, "pixels": side * side, "seconds": {}}
    for count in (1, 2):
        threads(count)
        ours(2)
        result["seconds"][count] = least(cases, runs) | least(channels, runs)
    result["seconds"][1]["true_maps"] = least({"": lambda: (_kept.clear(), true_maps(given, scan))}, runs)[""]
    plain = {"calib without numba": lambda: ours(compiled=False)} if side <= 1024 else {}
    result["seconds"][1].update(least(plain, 2))
    result["error"] = {"calib": error(ours()), **{n: error(f()) for n, f in others.items() if n != "copy"}}
    result["extra images"] = (peak(ours) - 4 * shape[0] * shape[1]) / (4 * side * side)
    result["whole correct()"] = least({"": lambda: given.correct(scan)}, min(runs, 3))[""]
    return result


def calibration(side: int) -> dict[str, Any]:
    """Time of a calibration per scan, s, and the most memory that its process took, bytes; in a process of its own."""
    code = f"import json; from tests.benchmarks.correction import calibrated; print(json.dumps(calibrated({side})))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return dict(json.loads(done.stdout))


def calibrated(side: int) -> dict[str, Any]:
    """Calibrate once, here."""
    from calib.calibration import Scanner, calibrate
    from tests.foreign import ForeignInstrument
    from tests.instruments import TRAVEL, pairs_of

    pairs = pairs_of(ForeignInstrument(0, loop=0.06, points=side))
    begin = time.perf_counter()
    calibrate(pairs, scanner=Scanner("foreign 0", TRAVEL))
    seconds = time.perf_counter() - begin
    # of this process alone; what the system's accounts say may be its parent's
    peak = re.search(r"VmHWM:\s*(\d+) kB", Path("/proc/self/status").read_text("ascii"))
    return {
        "side": side,
        "scans": len(pairs),
        "seconds per scan": seconds / len(pairs),
        "bytes of scans": sum(np.asarray(values).nbytes for scan, _ in pairs for values in scan.channels.values()),
        "most bytes": 1024 * int(peak[1]) if peak else None,
    }


def processes(given: Model, scans: int, runs: int) -> dict[str, Any]:
    """Time of whole processes, s: start-up, one scan, many scans."""
    from calib import correct_many
    from calib.formats import write_scan

    command = Path(sys.executable).with_name("calib")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        given.save(folder / "model.json")
        rng = np.random.default_rng(0)
        scan = raster(SIZE, points=256, scanner=given.scanner)
        places = true_maps(given, scan)
        heights = np.stack([surface(*place.lines(0, 256), SIZE / 255) for place in places])
        (folder / "scans").mkdir()
        for k in range(scans):
            noisy = heights + 0.3e-9 * rng.standard_normal(heights.shape)
            write_scan(
                folder / "scans" / f"{k:04d}.nc",
                scan.replace(channels={"height": noisy.astype(np.float32)}),
                force=True,
            )

        def one(*arguments: str) -> Callable[[], None]:
            return lambda: _run([str(command), *arguments])

        many = str(folder / "scans" / "0000.nc")
        found = least(
            {
                "calib --help": one("--help"),
                "calib correct, one scan of 256²": one(
                    "correct", many, "--model", str(folder / "model.json"), "-o", str(folder / "one"), "--force"
                ),
            },
            runs,
        )
        begin = time.perf_counter()
        done = correct_many([folder / "scans"], folder / "model.json", folder / "out", workers=2)
        found[f"{scans} scans of 256², 2 workers"] = time.perf_counter() - begin
        if len(done.done) != scans:
            raise RuntimeError(f"only {len(done.done)} of {scans} scans were corrected")
    return found


def _run(arguments: list[str]) -> None:
    # compiled modules are kept, as where the package is installed
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    environment["PYTHONPYCACHEPREFIX"] = str(Path(tempfile.gettempdir()) / f"calib-benchmark-{os.getuid()}")
    done = subprocess.run(arguments, capture_output=True, text=True, check=False, env=environment)
    if done.returncode:
        raise RuntimeError(done.stderr)


def machine() -> dict[str, Any]:
    """What it was measured on."""
    names = ("numpy", "scipy", "numba", "opencv-python-headless", "scikit-image")
    return {
        "processors": os.cpu_count(),
        "machine": platform.machine(),
        "python": platform.python_version(),
        **{name: version(name) for name in names},
    }


def tell(result: dict[str, Any]) -> None:
    """Print tables."""
    if result["resampling"]:
        heads = ("next scan", "2nd channel", "map_coordinates", "warp", "remap", "copy", "times remap")
        print("\n| side | threads | calib | " + " | ".join(heads) + " |")
        print("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for one in result["resampling"]:
        for count, seconds in one["seconds"].items():
            second = seconds["calib, two channels"] - seconds["calib, one channel"]
            values = [
                seconds["calib"],
                seconds["calib, next scan"],
                second,
                *(seconds[n] for n in ("map_coordinates", "warp", "remap", "copy")),
            ]
            shown = " | ".join(f"{1e3 * value:.1f} ms" for value in values)
            print(f"| {one['side']} | {count} | {shown} | {seconds['calib'] / seconds['remap']:.1f} |")
    if result["resampling"]:
        print("\n| side | rms error calib | map_coordinates | warp | remap | extra images | whole correct() |")
        print("| --- | --- | --- | --- | --- | --- | --- |")
    for one in result["resampling"]:
        errors = " | ".join(f"{one['error'][name]:.1e}" for name in ("calib", "map_coordinates", "warp", "remap"))
        print(f"| {one['side']} | {errors} | {one['extra images']:.1f} | {one['whole correct()']:.2f} s |")
    for one in result["calibration"]:
        scans, most = (f"{(one[name] or 0) / 2**20:.0f} MiB" for name in ("bytes of scans", "most bytes"))
        print(f"calibrate, {one['scans']} scans of {one['side']}² ({scans}):", end=" ")
        print(f"{one['seconds per scan']:.2f} s a scan, {most} at most")
    for name, value in result["processes"].items():
        print(f"{name}: {value:.2f} s")


def main() -> None:
    """Measure what is asked for, and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sides", type=int, nargs="*", default=[256, 512, 1024, 2048, 4096, 8192])
    parser.add_argument("--calibrate", type=int, nargs="*", default=[128, 256, 512, 1024, 2048])
    parser.add_argument("--scans", type=int, default=1000, help="how many scans are corrected by two workers; 0: none")
    parser.add_argument("--runs", type=int, default=RUNS)
    parser.add_argument("--json", type=Path, help="write the numbers there, too")
    options = parser.parse_args()
    given = model()
    result: dict[str, Any] = {
        "machine": machine(),
        "resampling": [resampling(given, side, options.runs) for side in options.sides],
        "calibration": [calibration(side) for side in options.calibrate],
        "processes": processes(given, options.scans, options.runs) if options.scans else {},
    }
    tell(result)
    if options.json:
        options.json.write_text(json.dumps(result, indent=1), "utf-8")


if __name__ == "__main__":
    main()
