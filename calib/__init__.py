"""Calibrate scanning instruments from images of standards, correct later scans, and say how sure the numbers are."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_PUBLIC = {
    "CalibError": "calib.errors",
    "Interim": "calib.verification",
    "History": "calib.history",
    "Located": "calib.locate",
    "Model": "calib.model",
    "Pair": "calib.calibration",
    "Scan": "calib.scan",
    "Scanner": "calib.calibration",
    "Verification": "calib.verification",
    "VerificationSet": "calib.verification",
    "ModelComparison": "calib.compared",
    "between": "calib.between.models",
    "calibrate": "calib.calibration",
    "compare": "calib.compared",
    "correct_many": "calib.archive",
    "load_comparison": "calib.compared",
    "interim": "calib.verification",
    "load_interim": "calib.verification",
    "load_model": "calib.model",
    "load_standard": "calib.standard",
    "read_history": "calib.history",
    "load_verification": "calib.verification",
    "read_limits": "calib.verification",
    "read_scan": "calib.formats",
    "verify": "calib.verification",
    "verify_all": "calib.verification",
    "write_scan": "calib.formats",
}

if TYPE_CHECKING:
    from calib.archive import correct_many
    from calib.between.models import between
    from calib.calibration import Pair, Scanner, calibrate
    from calib.compared import ModelComparison, compare, load_comparison
    from calib.errors import CalibError
    from calib.formats import read_scan, write_scan
    from calib.history import History, read_history
    from calib.locate import Located
    from calib.model import Model, load_model
    from calib.scan import Scan
    from calib.standard import load_standard
    from calib.verification import (
        Interim,
        Verification,
        VerificationSet,
        interim,
        load_interim,
        load_verification,
        read_limits,
        verify,
        verify_all,
    )

__all__ = [
    "CalibError",
    "History",
    "Interim",
    "Located",
    "Model",
    "ModelComparison",
    "Pair",
    "Scan",
    "Scanner",
    "Verification",
    "VerificationSet",
    "__version__",
    "between",
    "calibrate",
    "compare",
    "correct_many",
    "interim",
    "load_comparison",
    "load_interim",
    "load_model",
    "load_standard",
    "load_verification",
    "read_history",
    "read_limits",
    "read_scan",
    "verify",
    "verify_all",
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
