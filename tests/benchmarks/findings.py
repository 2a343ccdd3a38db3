"""How often faults are found, and how often clean scans are blamed: ``python -m tests.benchmarks.findings --help``.

Each fault (see :mod:`tests.benchmarks.spoilt`) is put into scans that are clean otherwise (see
:mod:`tests.benchmarks.scenes`), at the size that is stated.
Results are kept in a file and added to it, so that the whole may be run in parts.
"""

from __future__ import annotations

import argparse
import json
import re
import time
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from calib.findings import Finding, inspect_scan
from tests.benchmarks.scenes import clean
from tests.benchmarks.spoilt import FAULTS

COUNTED = 60_000
"""First seed of the scans that the table counts. Thresholds are tuned on those before it, and on no others."""

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "findings.md"


# --- counting ------------------------------------------------------------------------------------


def serious(findings: tuple[Finding, ...]) -> list[Finding]:
    return [finding for finding in findings if finding.severity != "note"]


def blamed(seed: int) -> list[str]:
    """Kinds of warnings and errors that a clean scan raises, with its standard and without."""
    scene = clean(seed)
    found = serious(inspect_scan(scene.scan, scene.standard))
    return sorted({finding.kind for finding in found})


def found(name: str, seed: int) -> bool:
    """Whether a fault is found."""
    wanted = FAULTS[name]
    number = list(FAULTS).index(name)
    scan, standard = wanted.spoil(np.random.default_rng((seed, 50, number)), 1_000_000 * (number + 1) + seed)
    findings = inspect_scan(scan, standard)
    if not wanted.notes:
        findings = tuple(serious(findings))
    return any(finding.kind in wanted.kinds for finding in findings)


def run(
    state: dict[str, Any], clean_scans: int, each: int, seconds: float, only: str | None = None, first: int = COUNTED
) -> bool:
    """Go on counting until the numbers are reached or time is up; True when all is done."""
    end = time.monotonic() + seconds
    tasks: list[tuple[str, int]] = [("clean", clean_scans)] + [(name, each) for name in FAULTS]
    for name, wanted in tasks:
        if only not in (None, name):
            continue
        done = state.setdefault(name, {"count": 0, "missed": []} if name != "clean" else {"count": 0, "blamed": {}})
        while done["count"] < wanted:
            if time.monotonic() > end:
                return False
            seed = first + done["count"]
            if name == "clean":
                kinds = blamed(seed)
                if kinds:
                    done["blamed"][str(seed)] = kinds
            elif not found(name, seed):
                done["missed"].append(seed)
            done["count"] += 1
    return True


def table(state: dict[str, Any]) -> str:
    """The results as the page of the documentation shows them."""
    rows = ["| fault | size | found as | scans | found |", "| --- | --- | --- | --- | --- |"]
    for name, wanted in FAULTS.items():
        if state.get(name, {}).get("count"):
            count = state[name]["count"]
            hit = count - len(state[name]["missed"])
            kinds = ", ".join(wanted.kinds) + (" (a note will do)" if wanted.notes else "")
            rows.append(f"| {name} | {wanted.size} | {kinds} | {count} | {100 * hit / max(count, 1):.1f} % |")
    done = state.get("clean", {"count": 0, "blamed": {}})
    kinds = Counter(kind for each in done["blamed"].values() for kind in each)
    part = 100 * len(done["blamed"]) / max(done["count"], 1)
    words = ", ".join(f"{kind} ({number})" for kind, number in kinds.most_common()) or "nothing"
    rows += [
        "",
        f"Clean scans: {done['count']}; {len(done['blamed'])} of them ({part:.1f} %) raised a warning or an error: ",
    ]
    rows[-1] += f"{words}."
    return "\n".join(rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("state", type=Path, help="JSON file that keeps the counts; begun if it does not exist")
    parser.add_argument("--clean", type=int, default=600)
    parser.add_argument("--each", type=int, default=200)
    parser.add_argument("--seconds", type=float, default=100, help="stop after this time; run again to go on")
    parser.add_argument("--only", help="one fault, or 'clean'")
    parser.add_argument("--first", type=int, default=COUNTED, help="first seed; others than those counted to tune by")
    parser.add_argument("--write", action="store_true", help=f"put the table into {PAGE.name}")
    options = parser.parse_args()
    state = json.loads(options.state.read_text("utf-8")) if options.state.exists() else {}
    done = run(state, options.clean, options.each, options.seconds, options.only, options.first)
    options.state.write_text(json.dumps(state), "utf-8")
    print(table(state))
    print("done" if done else "not done yet: run again")
    if options.write:
        words = f"\\1\n{table(state)}\n\nMeasured {datetime.now(UTC):%Y-%m-%d}.\n\n\\2"
        page = PAGE.read_text("utf-8")
        PAGE.write_text(re.sub(r"(<!-- measured -->\n).*?(<!-- end -->)", words, page, flags=re.DOTALL), "utf-8")


if __name__ == "__main__":
    main()
