"""The calibrations and checks of a scanner through time: a folder of model and verification files is the record."""

from __future__ import annotations

from calib.history.choose import Choice
from calib.history.filing import file_into
from calib.history.reading import read_history
from calib.history.record import CheckRecord, History, ModelRecord, Record, Unreadable

__all__ = ["CheckRecord", "Choice", "History", "ModelRecord", "Record", "Unreadable", "file_into", "read_history"]
