"""How often a comparison of two models finds a change of the scale, and how often it finds one where there is none.

    python -m tests.benchmarks.changes [--trials 500] [--scans 9] [--change 0.003] [--processes 1] [--json FILE]

A trial is one instrument of foreign physics, drawn anew, that is calibrated twice: nodes of one grid from its true
positions, with noise, in two sessions of nine frames each. Drift, mounting of the grid, places and sizes of the frames
and noise are drawn anew for each session; the certificate of the grid is the same, and its error too. Both fits choose
their effects and judge their own error as a calibration does. Comparing the two tells the false alarms. For the power,
the scanner of the second session moves along x, and only along x, further by the change.

There are no images and no steps, so quantities of height are not among those tested.
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

from dataclasses import replace  # noqa: E402
from functools import lru_cache  # noqa: E402

import numpy as np  # noqa: E402

from calib.calibration import _domain  # noqa: E402
from calib.compared import ModelComparison, compare  # noqa: E402
from calib.fit import fit_lateral  # noqa: E402
from calib.model import Model  # noqa: E402
from calib.observe.lateral import LateralObservation  # noqa: E402
from calib.scan import Scan  # noqa: E402
from calib.scanner.bow import Bow  # noqa: E402
from calib.scanner.height import Height  # noqa: E402
from tests.foreign import ForeignInstrument  # noqa: E402
from tests.instruments import grid  # noqa: E402
from tests.nodes import observed  # noqa: E402

PITCH, U_PITCH = 2e-6, 1e-9
"""Of the grid, m; its certificate alone leaves the scales open by 0.05 %, in both sessions alike."""


def frames(instrument: ForeignInstrument, rng: np.random.Generator, count: int) -> list[Scan]:
    """Return frames of a session, in succession: large and small, both directions, straight and turned, two speeds."""
    session, size = instrument.session(), instrument.travel
    turned = np.pi / 2
    asked = [
        (1.0, 0.0, "up", None),
        (1.0, 0.0, "down", None),
        (1.0, turned, "up", None),
        (1.0, turned, "down", 0.3),
        (1.0, 0.0, "up", 0.3),
        (0.7, turned, "down", None),
        (0.7, 0.0, "down", 0.3),
        (0.5, 0.0, "up", None),
        (0.5, turned, "up", None),
        (0.35, 0.0, "down", None),
        (0.35, turned, "down", None),
    ]
    found = []
    for k, (part, rotation, frame, period) in enumerate(asked[:count]):
        side = part * size * rng.uniform(0.95, 1.0)
        room = (size - side) / 2
        centre = tuple(rng.uniform(-room, room, 2)) if part < 1 else (0.0, 0.0)
        options = {} if period is None else {"line_period": period * rng.uniform(0.9, 1.1)}
        found.append(session.frame(side, centre=centre, rotation=rotation, frame=frame, title=str(k + 1), **options))
    return found


@lru_cache(maxsize=4)
def calibrated(seed: int, session: int, *, scans: int = 9, change: float = 0.0, spacing: float = 2e-6) -> Model:
    """Return the model that one session of an instrument gives.

    Parameters
    ----------
    change
        By which the scanner moves further along x than it did.
    """
    rng = np.random.default_rng((seed, session, 40))
    instrument = ForeignInstrument(seed)
    physics = instrument.physics
    physics.drift = np.abs(physics.drift) * rng.choice([-1.0, 1.0], 3)
    physics.drift_time = rng.uniform(2000, 4000, 3)
    physics.scale_x *= 1 + change
    instrument.theta = float(np.deg2rad(rng.uniform(-4, 4)))
    certified = grid(PITCH, u=U_PITCH)
    # the true pitches are not those of the certificate; in units of the certificate all lengths are too long or short
    wrong = 1 + np.random.default_rng((seed, 41)).normal(0, U_PITCH / PITCH)
    observations: list[LateralObservation] = []
    for k, scan in enumerate(frames(instrument, rng, scans)):
        one = observed(instrument, scan, seed=int(rng.integers(2**31)), spacing=spacing, scale=wrong)
        observations.append(replace(one, standard=certified, label=str(k + 1)))
    travel = (instrument.travel, instrument.travel)
    fit = fit_lateral(observations, travel, (0.0, 0.0))
    return Model(
        scanner=f"foreign {seed}",
        travel=(*travel, np.nan),
        travel_from="declared",
        controller=None,
        motion=fit.motion,
        values=fit.values,
        covariance=fit.covariance,
        origins=fit.origins,
        certificates=fit.certificates,
        height=Height.prior(4e-6, Bow(travel)),
        misfit=fit.judged,
        domain=_domain(observations),
        quality={"degree": fit.degree},
        undetermined=(),
        notes=(),
        observations=tuple(observations),
        provenance={},
    )


def trial(seed: int, scans: int = 9, change: float = 0.003) -> tuple[ModelComparison, ModelComparison]:
    """Return the comparison of two sessions without a change, and with one."""
    before, after = (calibrated(seed, session, scans=scans) for session in (0, 1))
    # Lengths scale with the axis, so that the changed scanner's fit is the same one with another scale (its drift and
    # noise along x are longer by the same part, which is nothing); checked in tests/test_compared.py.
    values = after.values.copy()
    values[0] *= 1 + change
    return compare(before, after), compare(before, after.replace(values=values))


def numbers(seed: int, scans: int, change: float) -> dict[str, object]:
    """Return what is kept of a trial."""
    same, changed = trial(seed, scans, change)
    scale = changed.quantities[0]
    return {
        "seed": seed,
        "false": same.changed,
        "false_in": [one.name for one in same.quantities if one.changed],
        "false_map": not same.map.agree,
        "z": {one.name: one.z for one in same.quantities},
        "map": same.map.rms,
        "map_limit": same.map.range[1],
        "found": changed.changed,
        "found_scale": scale.changed,
        "u_scale": scale.u,
        "z_scale": scale.z,
        "p_scale": scale.p,
        "changed_in": [one.name for one in changed.quantities if one.changed],
    }


def interval(count: int, of: int) -> tuple[float, float]:
    """Limits of a proportion with 95 % confidence (Clopper and Pearson 1934)."""
    from scipy.stats import beta

    low = beta.ppf(0.025, count, of - count + 1) if count else 0.0
    high = beta.ppf(0.975, count + 1, of - count) if count < of else 1.0
    return float(low), float(high)


def table(found: list[dict], change: float, scans: int) -> list[str]:
    """Return the result as a table."""
    n = len(found)
    lines = [f"{n} instruments, two sessions of {scans} scans each, change of the scale of x by {change:.2%}", ""]
    for name, key in (
        ("change found", "found"),
        ("... in the scale of x itself", "found_scale"),
        ("false alarms", "false"),
        ("... of the map", "false_map"),
    ):
        count = sum(bool(one[key]) for one in found)
        low, high = interval(count, n)
        lines.append(f"{name:<30} {count:>4} of {n}: {count / n:.1%} ({low:.1%} to {high:.1%})")
    alarms = sum(bool(one["false_in"]) for one in found)
    lines.append(f"{'... of a quantity':<30} {alarms:>4} of {n}")
    lines += ["", "difference over its standard uncertainty without a change, rms and largest:"]
    for name in dict.fromkeys(name for one in found for name in one["z"]):
        z = np.array([one["z"][name] for one in found if name in one["z"]])
        lines.append(f"  {name:<22} {np.sqrt(np.mean(z**2)):5.2f} {np.abs(z).max():6.2f}  ({z.size})")
    maps = np.array([one["map"] for one in found])
    u = np.array([one["u_scale"] for one in found])
    lines.append(f"  {'map, rms ratio':<22} {np.sqrt(np.mean(maps**2)):5.2f} {maps.max():6.2f}")
    lines.append(f"u of the change of scale x: median {np.median(u):.3%}, largest {u.max():.3%}")
    return lines


def main() -> None:
    """Run the trials and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=500)
    parser.add_argument("--first", type=int, default=1000, help="seed of the first instrument")
    parser.add_argument("--scans", type=int, default=9)
    parser.add_argument("--change", type=float, default=0.003)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--json", type=FilePath, help="what is kept of each trial, a line each, as they are done")
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.trials)
    began = time.time()
    found: list[dict] = []

    def keep(one: dict) -> None:
        found.append(one)
        if options.json:
            with options.json.open("a") as stream:
                stream.write(json.dumps(one) + "\n")

    if options.processes > 1:
        from concurrent.futures import ProcessPoolExecutor, as_completed

        with ProcessPoolExecutor(options.processes) as pool:
            for done in as_completed([pool.submit(numbers, k, options.scans, options.change) for k in seeds]):
                keep(done.result())
    else:
        for seed in seeds:
            keep(numbers(seed, options.scans, options.change))
    print("\n".join(table(found, options.change, options.scans)))
    print(f"{time.time() - began:.0f} s")


if __name__ == "__main__":
    main()
