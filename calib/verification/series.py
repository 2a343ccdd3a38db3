"""Answers of a series of interim checks, by Wald's sequential test.

Each quantity is tested alone. What the model, its error and the certificate leave unsure is common to all scans of a
series, and no number of them averages it. The quantities share the probability of a false alarm.
"""

from __future__ import annotations

import json
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calib.files import write_atomically
from calib.statistics.sequential import Answer, Float, Judgement, SequentialTest
from calib.units import format_quantity, show

_WIDTH = 110

FORMAT, VERSION = "calib interim check", "1.0"
WORDS = {
    "amplification_x": "scale x",
    "amplification_y": "scale y",
    "perpendicularity": "skew",
    "ratio": "scale x over scale y",
}
YES: Answer = "yes"
NO: Answer = "no"
MORE: Answer = "need more"


@dataclass(frozen=True)
class Look:
    """What one scan of a series said.

    Attributes
    ----------
    scan, created
        Its name, and when it was looked at, ISO 8601.
    content
        Hash of what it holds, so that none counts twice.
    deviation, sd, u_common
        By name of the quantity: from the model; its standard deviation in this scan alone; what scans have in common.
    """

    scan: str
    created: str
    content: str
    deviation: Mapping[str, float]
    sd: Mapping[str, float]
    u_common: Mapping[str, float]

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> Look:
        """Make it of what a file says."""
        numbers = {
            key: {str(name): float(number) for name, number in content[key].items()}
            for key in ("deviation", "sd", "u_common")
        }
        names = set(numbers["deviation"])
        if not names or not names <= set(WORDS) or any(set(one) != names for one in numbers.values()):
            raise ValueError("its quantities are not those of an interim check")
        if (
            not np.all(np.isfinite([list(one.values()) for one in numbers.values()]))
            or min(numbers["sd"].values()) <= 0
        ):
            raise ValueError("its numbers make no sense")
        return cls(str(content["scan"]), str(content["created"]), str(content["content"]), **numbers)


@dataclass(frozen=True)
class Interim:
    """The answer after the scans of a series so far.

    Attributes
    ----------
    looks
        One a scan, in the order taken.
    matters
        Deviation that must be found: of scales and their ratio as a part of them, of the skew in rad.
    false_alarm, missed
        Probability of ``no`` although nothing has changed, for all quantities together; of ``yes`` although one has
        changed by `matters`.
    standard, standard_identity, scanner, model_sha256
        What was scanned by what.
    independent
        Whether the calibration did without this standard.
    notes
        What else a user should know.
    """

    looks: tuple[Look, ...]
    matters: float
    false_alarm: float
    missed: float
    standard: str
    standard_identity: str
    scanner: str
    model_sha256: str
    independent: bool
    notes: tuple[str, ...] = ()

    @property
    def judgements(self) -> dict[str, Judgement]:
        """Answer on each quantity."""
        names = list(self.looks[0].deviation)
        test = SequentialTest(self.matters, self.false_alarm / len(names), self.missed)
        found = {}
        for name in names:
            columns = [(look.deviation[name], look.sd[name], look.u_common[name]) for look in self.looks]
            found[name] = _judged(test, *np.array(columns).T)
        return found

    @property
    def answer(self) -> str:
        """``no`` if any quantity says so, ``yes`` if all do, else ``need more``.

        The ratio of scales may say no, where the certificate leaves the scales themselves unsure; with both scales
        found right it need not be found so again.
        """
        judged = self.judgements
        if NO in (one.answer for one in judged.values()):
            return NO
        return YES if all(one.answer == YES for name, one in judged.items() if name != "ratio") else MORE

    @property
    def hopeless(self) -> bool:
        """Whether more such scans are unlikely to tell."""
        return self.answer == MORE and any(one.hopeless for name, one in self.judgements.items() if name != "ratio")

    def summary(self) -> list[str]:
        """Return lines for people: the answer first."""
        count = "1 scan" if len(self.looks) == 1 else f"{len(self.looks)} scans"
        matters = show(self.matters, "%")
        words: dict[str, str] = {
            YES: f"yes: the scanner is where the model says, to {matters}",
            NO: "no: the scanner is not where the model says; calibrate it anew",
            MORE: f"need more: {count} can't tell whether the scanner is where the model says, to {matters}",
        }
        lines = [f"{words[self.answer]} ({count} of {self.standard})."]
        for name, one in self.judgements.items():
            number = format_quantity(one.mean, "rad" if name == "perpendicularity" else "%", u=one.u, k=2.0)
            lines.append(f"  {WORDS[name]}: off by {number}: {one.answer}")
        if self.hopeless:
            unsure = show(2 * max(max(look.u_common.values()) for look in self.looks), "%", 2)
            lines.append(
                f"  More scans like these will hardly help: the model, its error and the certificate leave {unsure}"
                " unsure (k = 2). Turn the scan by 90°, ask for less with --matters, calibrate with more scans, or take"
                " a better standard."
            )
        elif self.answer == MORE:
            lines.append("  Take another scan, turned by 90° if this one was not, and name this check with --before.")
        if self.independent is False:
            lines.append(
                "  The calibration used this standard too: what its certificate has wrong is in both, and cancels."
            )
        skew, alarm, miss = show(self.matters, "rad"), show(self.false_alarm, "%"), show(self.missed, "%")
        lines.append(
            f"  Tested: deviations of {matters} ({skew} of skew); a false alarm has {alarm} for all"
            f" quantities together, a miss {miss}."
        )
        lines += [f"  note: {note}" for note in self.notes]
        return [part for line in lines for part in textwrap.wrap(line, _WIDTH, subsequent_indent="    ")]

    def to_dict(self) -> dict[str, Any]:
        """Return the check as a JSON object."""
        return {
            "format": FORMAT,
            "version": VERSION,
            "created": self.looks[-1].created,
            "answer": self.answer,
            "hopeless": self.hopeless,
            "scanner": self.scanner,
            "model_sha256": self.model_sha256,
            "standard": self.standard,
            "standard_identity": self.standard_identity,
            "independent": self.independent,
            "matters": self.matters,
            "false_alarm": self.false_alarm,
            "missed": self.missed,
            "quantities": {
                name: {
                    "answer": one.answer,
                    "deviation": one.mean,
                    "u": one.u,
                    "log_ratio": float(one.log_ratio[-1]),
                    "scans_used": one.used,
                    "hopeless": one.hopeless,
                }
                for name, one in self.judgements.items()
            },
            "looks": [
                {**vars(look), **{key: dict(getattr(look, key)) for key in ("deviation", "sd", "u_common")}}
                for look in self.looks
            ],
            "notes": list(self.notes),
        }

    def save(self, path: str | Path, *, force: bool = False) -> None:
        """Write the check as JSON; :func:`load_interim` reads it."""
        text = json.dumps(self.to_dict(), ensure_ascii=False, allow_nan=False, indent=1)
        with write_atomically(path, force) as temporary:
            temporary.write_text(text + "\n", encoding="utf-8")


def _judged(test: SequentialTest, values: Float, sd: Float, u_common: Float) -> Judgement:
    """Judge values that have not all as much in common; see :meth:`SequentialTest.judge`.

    The mean of the values so far is as unsure in common as the mean of what each has, weighted alike, if all of that
    goes the same way, which is the worst that it can do.
    """
    lower, upper = test.bounds
    weight = 1 / sd**2
    ratio = np.zeros(values.size)
    answer: Answer = MORE
    used = values.size
    for n in range(1, values.size + 1):
        common = float(weight[:n] @ u_common[:n] / weight[:n].sum())
        ratio[n - 1] = test.log_ratio(values[:n], sd[:n], common)[-1]
        if answer == MORE and not lower < ratio[n - 1] < upper:
            answer, used = (YES if ratio[n - 1] <= lower else NO), n
    common = float(weight[:used] @ u_common[:used] / weight[:used].sum())
    mean = float(weight[:used] @ values[:used] / weight[:used].sum())
    u = float(np.sqrt(1 / weight[:used].sum() + common**2))
    return Judgement(answer, used, ratio, mean, u, answer == MORE and not test.decidable(common))
