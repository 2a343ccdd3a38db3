"""How often faults in motion are found after a fit: ``python -m tests.benchmarks.findings_of_fits --help``.

Sessions of foreign instruments (see :mod:`tests.foreign`): each is solved as it is, which counts false alarms, and
again with one of its scans spoilt by a displacement of the probe. Sizes are in units of the clean session's misfit.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path as FilePath
from typing import Any

import numpy as np

from calib.errors import ScanError
from calib.findings.finding import Finding
from calib.findings.residual import inspect_fit
from calib.fit import LateralFit, fit_lateral
from calib.observe.lateral import LateralObservation, observe_lateral
from calib.path import Path
from calib.scan import Scan
from calib.simulate import Flaws, faults
from tests.foreign import ForeignInstrument
from tests.instruments import TRAVEL, grid

PAGE = FilePath(__file__).parents[2] / "docs" / "reference" / "findings.md"

Rng = np.random.Generator
Found = Callable[[Finding], bool]


class Bench:
    """One instrument, its seven scans of a grid, and their fit."""

    def __init__(self, seed: int, points: int = 256) -> None:
        rng = np.random.default_rng((seed, 60))
        # a little dust and some streaks in every other session, as they occur
        dirty = seed % 2 == 1
        flaws = Flaws(noise=1e-9, dust=3 if dirty else 0, streaks=0.005 if dirty else 0.0)
        self.instrument = ForeignInstrument(seed, loop=float(rng.uniform(0.02, 0.06)), flaws=flaws, points=points)
        self.scans = [case.scan for case in self.instrument.standard_session(step=False)]

    @cached_property
    def observations(self) -> list[LateralObservation]:
        return [observe_lateral(scan, grid()) for scan in self.scans]

    @cached_property
    def fit(self) -> LateralFit:
        return fit_lateral(self.observations, TRAVEL[:2], (0.0, 0.0))

    def blamed(self) -> dict[str, list[str]]:
        """Findings in the clean session, by scan."""
        fit = self.fit
        found = inspect_fit(fit.problem, fit.solution, fit.misfit, self.scans)
        return {label: [finding.kind for finding in those] for label, those in found.items()}

    def with_fault(self, k: int, displacement: faults.Displacement) -> tuple[Finding, ...]:
        """Findings in scan `k` where it is spoilt, after a fit of all."""
        whole = self.instrument.instrument
        scan = self.scans[k]
        empty = scan.replace(channels={"height": np.zeros(scan.shape)})
        self.instrument.instrument = dataclasses.replace(
            whole, physics=faults.Disturbed(self.instrument.physics, displacement)
        )
        try:
            spoilt = self.instrument.record(self.instrument.grid(), empty, k).scan
        finally:
            self.instrument.instrument = whole
        observations = list(self.observations)
        observations[k] = observe_lateral(spoilt, grid())
        fit = fit_lateral(observations, TRAVEL[:2], (0.0, 0.0), degree=self.fit.degree, before=self.fit, judging=False)
        scans: list[Scan | None] = [spoilt if j == k else None for j in range(len(self.scans))]
        return inspect_fit(fit.problem, fit.solution, fit.misfit, scans).get(spoilt.label, ())


@dataclass(frozen=True)
class Fault:
    """A displacement to be drawn: its size in words, and how it is drawn from (generator, path, misfit)."""

    size: str
    draw: Callable[[Rng, Path, float], tuple[faults.Displacement, Found]]


def _along(path: Path, axis: int, size: float) -> tuple[float, float]:
    x, y = size * (path.fast_axis, path.slow_axis)[axis]
    return float(x), float(y)


def _jump(axis: int, low: float, high: float) -> Callable[[Rng, Path, float], tuple[faults.Displacement, Found]]:
    def draw(rng: Rng, path: Path, misfit: float) -> tuple[faults.Displacement, Found]:
        when = float(rng.uniform(0.2, 0.8))
        by = _along(path, axis, misfit * float(rng.uniform(low, high)) * float(rng.choice([-1, 1])))
        rows = path.slow.size
        row = when * rows if path.upwards else (1 - when) * rows

        def found(finding: Finding) -> bool:
            near = finding.lines is not None and finding.lines[0] - 0.05 * rows < row < finding.lines[1] + 0.05 * rows
            return finding.kind == "sideways jump" and near

        return faults.slipped(when, by), found

    return draw


def _vibration(low: float, high: float, mains: bool) -> Callable[[Rng, Path, float], tuple[faults.Displacement, Found]]:
    def draw(rng: Rng, path: Path, misfit: float) -> tuple[faults.Displacement, Found]:
        rate = 1 / path.line_period
        # not a multiple of the line rate, unless it is the mains'
        frequency = 50.0 if mains else float(rate * (round(rng.uniform(3, 100) / rate) + rng.uniform(0.15, 0.85)))
        axis = int(rng.integers(2))
        amplitude = _along(path, axis, misfit * float(rng.uniform(low, high)))

        def found(finding: Finding) -> bool:
            told = re.search(r"at ([\d.]+) (m|k)?Hz", finding.message)
            if finding.kind != "vibration" or told is None:
                return False
            value = float(told[1]) * {"m": 1e-3, "k": 1e3, None: 1.0}[told[2]]
            return abs(value - frequency) < max(0.01 * frequency, 3 / path.frame_time)

        return faults.vibrating(frequency, amplitude, float(rng.uniform(0, 2 * np.pi))), found

    return draw


def _slip(low: float, high: float) -> Callable[[Rng, Path, float], tuple[faults.Displacement, Found]]:
    def draw(rng: Rng, path: Path, misfit: float) -> tuple[faults.Displacement, Found]:
        by = _along(path, 0, misfit * float(rng.uniform(low, high)) * float(rng.choice([-1, 1])))
        displacement = faults.slipping(float(rng.uniform(0.3, 0.7)), by)
        return displacement, lambda finding: finding.kind in ("uneven drift", "sideways jump")

    return draw


FAULTS = {
    "jump along the fast axis": Fault("3 to 10 misfits, 20 to 80 % through the frame", _jump(0, 3, 10)),
    "jump along the slow axis": Fault("3 to 10 misfits, the same", _jump(1, 3, 10)),
    "large jump along the slow axis": Fault("10 to 25 misfits, the same", _jump(1, 10, 25)),
    "vibration": Fault("amplitude 3 to 6 misfits, 3 to 100 Hz, no multiple of the line rate", _vibration(3, 6, False)),
    "vibration of the mains": Fault(
        "amplitude 3 to 6 misfits at 50 Hz, a multiple of the line rate", _vibration(3, 6, True)
    ),
    "slip": Fault("a ramp of 15 to 40 misfits along the fast axis that begins in mid-frame", _slip(15, 40)),
}


def run(state: dict[str, Any], first: int, sessions: int, seconds: float, points: int) -> bool:
    """Go on counting until all sessions are counted or time is up; True when all is done."""
    end = time.monotonic() + seconds
    state.setdefault("first", first)
    state.setdefault("clean", {"scans": 0, "blamed": []})
    for seed in range(state["first"] + state.setdefault("sessions", 0), state["first"] + sessions):
        if time.monotonic() > end:
            return False
        bench = Bench(seed, points)
        try:
            _ = bench.observations
        except ScanError as error:  # refused before any fit: nothing to be counted here, but told
            state.setdefault("refused", []).append([seed, str(error)])
            state["sessions"] += 1
            continue
        state["clean"]["scans"] += len(bench.scans)
        state["clean"]["blamed"] += [[seed, label, kinds] for label, kinds in bench.blamed().items()]
        for number, (name, fault) in enumerate(FAULTS.items()):
            rng = np.random.default_rng((seed, 61, number))
            k = int(rng.integers(len(bench.scans)))
            displacement, wanted = fault.draw(rng, bench.observations[k].path, bench.fit.misfit)
            done = state.setdefault(name, {"count": 0, "missed": []})
            done["count"] += 1
            try:
                hit = any(wanted(finding) for finding in bench.with_fault(k, displacement))
            except ScanError:  # the observation refuses the scan, which says so as well
                hit = True
            if not hit:
                done["missed"].append([seed, bench.scans[k].label])
        state["sessions"] += 1
    return True


def table(state: dict[str, Any]) -> str:
    """The results as the page of the documentation shows them."""
    from scipy.stats import binomtest

    def share(hit: int, count: int) -> str:
        low, high = binomtest(hit, count).proportion_ci(0.95)
        return f"{100 * hit / count:.1f} % ({100 * low:.0f} to {100 * high:.0f} %)"

    rows = ["| fault | size | scans | found (95 % limits) |", "| --- | --- | --- | --- |"]
    for name, fault in FAULTS.items():
        if name in state:
            count = state[name]["count"]
            rows.append(f"| {name} | {fault.size} | {count} | {share(count - len(state[name]['missed']), count)} |")
    clean = state["clean"]
    kinds = sorted({kind for _, _, those in clean["blamed"] for kind in those})
    words = f": {', '.join(kinds)}" if kinds else ""
    rows += ["", f"Clean scans: {clean['scans']}; {share(len(clean['blamed']), clean['scans'])} blamed{words}."]
    return "\n".join(rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("state", type=FilePath, help="JSON file that keeps the counts; begun if it does not exist")
    parser.add_argument("--sessions", type=int, default=40)
    parser.add_argument("--first", type=int, default=5000, help="seed of the first session")
    parser.add_argument("--points", type=int, default=256)
    parser.add_argument("--seconds", type=float, default=500, help="stop after this time; run again to go on")
    parser.add_argument("--write", action="store_true", help=f"put the table into {PAGE.name}")
    options = parser.parse_args()
    state = json.loads(options.state.read_text("utf-8")) if options.state.exists() else {}
    done = run(state, options.first, options.sessions, options.seconds, options.points)
    options.state.write_text(json.dumps(state), "utf-8")
    print(table(state))
    print("done" if done else "not done yet: run again")
    if options.write:
        words = f"\\1\n{table(state)}\n\nMeasured {datetime.now(UTC):%Y-%m-%d}.\n\n\\2"
        page = PAGE.read_text("utf-8")
        pattern = r"(<!-- measured after fits -->\n).*?(<!-- end after fits -->)"
        PAGE.write_text(re.sub(pattern, words, page, flags=re.DOTALL), "utf-8")


if __name__ == "__main__":
    main()
