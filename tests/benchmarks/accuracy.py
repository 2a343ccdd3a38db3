"""How true corrected positions and measured standards are, on many instruments of foreign physics.

    python -m tests.benchmarks.accuracy [--instruments 20] [--loops 0.06 0.02] [--session planned] [--scans 11]

Each instrument is calibrated from scans of 256 x 256 points, both passes, of a 2 µm grid and one of a step, and checked
at other sizes, offsets, speeds and directions. Certificates are taken as true. Sessions: what ``calib plan`` proposes
(``planned``; one of the scans is of the step), or seven grid scans by hand (``short``). The floor is the same fit of
the true positions of the same scans.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from pathlib import Path as FilePath

# before NumPy is loaded: small matrices, on which threads only wait for each other
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np  # noqa: E402

from calib.calibration import Scanner, calibrate  # noqa: E402
from calib.fit import fit_lateral  # noqa: E402
from calib.model import Model  # noqa: E402
from calib.path import Path  # noqa: E402
from calib.planning import propose  # noqa: E402
from calib.standard import Step  # noqa: E402
from calib.verification import verify  # noqa: E402
from tests.foreign import ForeignInstrument  # noqa: E402
from tests.instruments import (  # noqa: E402
    TRAVEL,
    grating,
    grid,
    pairs_of,
    position_errors,
    rigid_rest,
    step,
)
from tests.nodes import observed  # noqa: E402

_PROPOSED: list = []


def planned(seed: int, loop: float, scans: int) -> tuple[ForeignInstrument, Model, float]:
    """Calibrate from proposed scans; with the rms position error of the same fit of their true positions, m."""
    if not _PROPOSED:
        _PROPOSED.extend(propose(TRAVEL, [grid(), step()], scans=scans))
    instrument = ForeignInstrument(seed, loop=loop)
    session = instrument.session()
    pairs, nodes = [], []
    for k, one in enumerate(_PROPOSED):
        frame = one.raster(session)
        surface = instrument.step() if isinstance(one.standard, Step) else instrument.grid()
        pairs.append((instrument.record(surface, frame, k)[0], one.standard))
        if not isinstance(one.standard, Step):
            nodes.append(observed(instrument, frame, seed=k))
    model = calibrate(pairs, scanner=Scanner(f"foreign {seed}", TRAVEL))
    fit = fit_lateral(nodes, TRAVEL[:2], (0.0, 0.0), judging=False)
    squares = []
    for scan in instrument.check_frames():
        path = Path(scan)
        index, row, fast = np.meshgrid(np.arange(2), np.arange(2, 254, 6), path.fast[::6], indexing="ij")
        samples = path.samples(index, row, fast)
        true = instrument.physics.motion(path, samples, instrument.instrument.clock(scan))
        rest = rigid_rest(fit.motion.position(path, samples, fit.values), true)
        squares.append(np.mean(np.sum(rest**2, axis=0)))
    return instrument, model, float(np.sqrt(np.mean(squares)))


def raw_error(instrument) -> float:
    """Rms position error without any correction, m."""
    squares = []
    for case in instrument.check_scans():
        if case.kind == "motion":
            found = np.stack(case.scan.commanded())[:, None] + np.zeros((2, 2, 1, 1))
            error = rigid_rest(found[:, :, 2:].reshape(2, -1), case.truth[:, :, 2:].reshape(2, -1))
            squares.append(np.mean(np.sum(error**2, axis=0)))
    return float(np.sqrt(np.mean(squares)))


def trial(seed: int, loop: float, session: str, scans: int) -> dict[str, float]:
    """Calibrate and check one instrument; lengths in m, ratios as such, angles in degrees."""
    began = time.perf_counter()
    floor = float("nan")
    if session == "planned":
        instrument, model, floor = planned(seed, loop, scans)
    else:
        instrument = ForeignInstrument(seed, loop=loop)
        model = calibrate(pairs_of(instrument), scanner=Scanner(f"foreign {seed}", TRAVEL))
    took = time.perf_counter() - began
    errors = position_errors(model, instrument)
    lengths = np.concatenate([np.linalg.norm(error, axis=0) for error, _ in errors])
    ratio = np.concatenate([(error / u).ravel() for error, u in errors])
    result = {
        "seed": seed,
        "loop": loop,
        "seconds": took,
        "raw": raw_error(instrument),
        "floor": floor,
        "rms": float(np.sqrt(np.mean(lengths**2))),
        "most": float(lengths.max()),
        "error over u": float(np.sqrt(np.mean(ratio**2))),
        "within 2 u": float(np.mean(np.abs(ratio) < 2)),
        "gain": float(abs(model["z_gain"].value / instrument.gain_z - 1)),
        "skew": float(abs(np.rad2deg(model["skew"].value - instrument.skew))),
        "degree": model.quality["degree"],
    }
    pitches = []
    for case in instrument.check_scans():
        if case.kind == "grating":
            turn = np.pi / 2 if case.scan.title.endswith("y") else 0.0
            check = verify(model, case.scan, grating(), turned=instrument.theta + turn).results[0]
            pitches.append(abs(check.deviation) / check.reference)
        elif case.kind == "step":
            check = verify(model, case.scan, step()).results[0]
            result["step"] = abs(check.deviation) / check.reference
    result["pitch"] = float(np.mean(pitches))
    return result


def main() -> None:
    """Run all trials and print the table of the documentation."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--instruments", type=int, default=20)
    parser.add_argument("--loops", type=float, nargs="+", default=[0.06, 0.02])
    parser.add_argument("--session", choices=["planned", "short"], default="planned")
    parser.add_argument("--scans", type=int, default=11, help="of the planned session, that of the step included")
    parser.add_argument("--json", type=FilePath)
    options = parser.parse_args()
    results = []
    for loop in options.loops:
        for seed in range(options.instruments):
            results.append(trial(seed, loop, options.session, options.scans))
            print("  ".join(f"{key} {value:.4g}" for key, value in results[-1].items()), flush=True)
    print("\n| loops | quantity | median | worst |\n| --- | --- | --- | --- |")
    for loop in options.loops:
        mine = [result for result in results if result["loop"] == loop]
        for key, unit, size in (
            ("raw", "nm rms", 1e-9),
            ("floor", "nm rms, true positions of the same scans", 1e-9),
            ("rms", "nm rms", 1e-9),
            ("most", "nm at most", 1e-9),
            ("pitch", "% of the pitch", 1e-2),
            ("step", "% of the step", 1e-2),
            ("gain", "% of the z gain", 1e-2),
            ("skew", "° of skew", 1.0),
            ("error over u", "error over stated u, rms", 1.0),
            ("within 2 u", "part within 2 u", 1.0),
            ("seconds", "s a calibration", 1.0),
        ):
            values = np.array([result[key] for result in mine]) / size
            worst = values.min() if key == "within 2 u" else values.max()
            print(f"| {loop:.0%} | {key}: {unit} | {np.median(values):.3g} | {worst:.3g} |")
    if options.json:
        options.json.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
