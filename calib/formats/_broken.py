"""What libraries say of broken files is of no use to their owners: one sentence in place of it."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

from calib.errors import CalibError, FileError
from calib.formats._beside import naming


@contextlib.contextmanager
def one_sentence(path: Path) -> Iterator[None]:
    """Turn whatever a library raises at a broken file into a `FileError` that names it."""
    try:
        with naming(path):
            yield
    except CalibError:
        raise
    except MemoryError:
        raise FileError(f"{path} is too large for the memory of this computer.") from None
    except Exception as error:  # it may be anything
        raise FileError(f"{path} is broken or was cut short: get the file again.") from error
