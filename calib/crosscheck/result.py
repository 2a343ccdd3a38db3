"""What a cross-check found, in numbers and in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from calib.comparing import LEVEL, Frame

BLIND = (
    "blind to whatever all scans share: the certificates of their standards, and errors that every scan makes alike;"
    " shift and rotation are taken out"
)


@dataclass(frozen=True)
class CrossCheck:
    """What a cross-check found.

    Attributes
    ----------
    agree
        Whether the halves agree; None if there are no two determined halves.
    rms
        Of the difference over its predicted standard uncertainty; about 1 is expected. NaN if undecided.
    range, points, sizes
        As in :class:`calib.comparing.Comparison`; NaN if undecided.
    halves
        Labels of the scans of each half; empty if undecided.
    worse
        How many times less sure than all scans each half is at its worst place.
    frames
        The maps.
    reason
        Why nothing can be decided; empty otherwise.
    """

    agree: bool | None
    rms: float = float("nan")
    range: tuple[float, float] = (float("nan"), float("nan"))
    points: float = float("nan")
    sizes: tuple[float, float] = (float("nan"), float("nan"))
    halves: tuple[tuple[str, ...], ...] = ()
    worse: tuple[float, ...] = ()
    frames: tuple[Frame, ...] = ()
    reason: str = ""

    def sentence(self) -> str:
        """Return the result in one sentence."""
        if self.agree is None:
            return f"No cross-check is possible: {self.reason}."
        low, high = self.range
        said = f"{self.rms:.2f} times its predicted uncertainty ({low:.2f} to {high:.2f} expected in 95 % of cases)"
        if not self.agree:
            verdict = "The two halves differ by more than predicted"
        elif self.rms < low:
            verdict = "The two halves agree, better than predicted"
        else:
            verdict = "The two halves agree"
        return f"{verdict}: their difference is {said}; this is {BLIND}."

    def to_dict(self) -> dict[str, Any]:
        """Return the result as a JSON object, SI units; without the maps."""
        return {
            "agree": self.agree,
            "rms_ratio": self.rms,
            "range": list(self.range),
            "level": LEVEL,
            "independent_numbers": self.points,
            "rms_difference": self.sizes[0],
            "rms_predicted": self.sizes[1],
            "halves": [list(half) for half in self.halves],
            "times_less_sure": list(self.worse),
            "conditions": [frame.condition for frame in self.frames],
            "reason": self.reason,
            "blind_to": BLIND,
            "sentence": self.sentence(),
        }
