"""What every reader must make of files that are broken on purpose."""

from pathlib import Path
from typing import Any

from calib.errors import CalibError
from calib.formats import read_scan


def check_sentence(path: Path, **options: Any) -> None:
    """Read a file that may be broken: a scan comes of it, or one sentence that is no longer than anybody reads."""
    try:
        read_scan(path, **options)
    except CalibError as error:
        sentence = str(error)
        assert "\n" not in sentence and len(sentence) < 600, sentence  # noqa: PT018
