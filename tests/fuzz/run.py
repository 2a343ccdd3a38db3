"""Fuzz a reader, guided by coverage: ``python -m tests.fuzz.run sdf -max_total_time=600 -rss_limit_mb=1024``.

Names of targets are in `tests.fuzz.readers.TARGETS`; further arguments are those of libFuzzer. Needs atheris, which is
installed by hand, since nothing else does: ``pip install atheris``.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["calib.formats", "zipfile"]):
    from tests.fuzz.readers import TARGETS


def main() -> None:
    """Run libFuzzer with seeds of our own writers."""
    seeds, target = TARGETS[sys.argv[1]]
    with tempfile.TemporaryDirectory() as folder:
        for number, data in enumerate(seeds()):
            Path(folder, f"{number}").write_bytes(data)
        arguments = [
            "-timeout=10",
            "-rss_limit_mb=1024",
            "-max_len=20000",
            "-print_final_stats=1",
            *sys.argv[2:],
            folder,
        ]
        atheris.Setup([sys.argv[0], *arguments], target)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
