"""Model + scans + standards: whether corrected scans say what certificates say, and what the instrument then does.

A check of one scan compares each quantity of its standard with the certificate. Several checks together give the
metrological characteristics of ISO 25178-600 with their uncertainty, and decisions against limits that a user states.
"""

from calib.statistics.decision import CONFORMS, FAILS, UNDECIDED
from calib.verification.characteristic import Characteristic
from calib.verification.check import Verification
from calib.verification.collected import VerificationSet, verify_all
from calib.verification.file import load_verification
from calib.verification.limits import Limit, read_limits
from calib.verification.quick import interim, load_interim
from calib.verification.result import Result
from calib.verification.series import Interim
from calib.verification.single import verify

__all__ = [
    "CONFORMS",
    "FAILS",
    "UNDECIDED",
    "Characteristic",
    "Interim",
    "Limit",
    "Result",
    "Verification",
    "VerificationSet",
    "interim",
    "load_interim",
    "load_verification",
    "read_limits",
    "verify",
    "verify_all",
]
