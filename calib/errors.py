"""The one kind of error that a user is meant to read.

Every message is a single sentence that says what is wrong, where, and what to do about it. The command
line turns it into that sentence and exit code 2; anything else that escapes is a defect of ours.
"""

from __future__ import annotations


class CalibError(ValueError):
    """Input that can't be used, with the sentence that says why."""


class FileError(CalibError):
    """A file that is missing, broken, or not what it was taken for."""


class StandardError(CalibError):
    """A standard whose description is incomplete or contradicts itself."""


class ScanError(CalibError):
    """A scan that can't serve the purpose it was offered for."""


class PlanError(CalibError):
    """A calibration plan that can't be carried out."""


class ModelError(CalibError):
    """A model that can't be read, doesn't apply, or can't be solved for."""


class OutputExistsError(CalibError):
    """Output that would overwrite something."""


class MeasurementError(CalibError):
    """What is to be measured in a scan is not there, or not said clearly enough."""


class StatisticsError(CalibError):
    """Numbers that a decision, a control chart or a test can't be made from."""
