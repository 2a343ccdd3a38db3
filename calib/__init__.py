"""Calibrate scanning instruments from images of standards, correct later scans, and say how sure the numbers are."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_PUBLIC = {
    "CalibError": "calib.errors",
    "Located": "calib.locate",
    "Model": "calib.model",
    "Pair": "calib.calibration",
    "Scan": "calib.scan",
    "Scanner": "calib.calibration",
    "Verification": "calib.verification",
    "calibrate": "calib.calibration",
    "load_model": "calib.model",
    "load_standard": "calib.standard",
    "read_scan": "calib.formats",
    "verify": "calib.verification",
    "write_scan": "calib.formats",
}

if TYPE_CHECKING:
    from calib.calibration import Pair, Scanner, calibrate
    from calib.errors import CalibError
    from calib.formats import read_scan, write_scan
    from calib.locate import Located
    from calib.model import Model, load_model
    from calib.scan import Scan
    from calib.standard import load_standard
    from calib.verification import Verification, verify

__all__ = [
    "CalibError",
    "Located",
    "Model",
    "Pair",
    "Scan",
    "Scanner",
    "Verification",
    "__version__",
    "calibrate",
    "load_model",
    "load_standard",
    "read_scan",
    "verify",
    "write_scan",
]


def __getattr__(name: str) -> Any:
    if name in _PUBLIC:
        value = getattr(importlib.import_module(_PUBLIC[name]), name)
        globals()[name] = value
        return value
    raise AttributeError(f"module 'calib' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(set(globals()) | set(__all__))
