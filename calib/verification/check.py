"""What a check of a model with one scan of one standard found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import Any

from calib.statistics.decision import CONFORMS, FAILS, UNDECIDED
from calib.verification.result import Result

FORMAT, VERSION = "calib verification", "1.1"
VERDICTS = (CONFORMS, FAILS, UNDECIDED)


@dataclass(frozen=True)
class Verification:
    """What a check of a model against a standard found.

    Attributes
    ----------
    results
        One a quantity.
    verdict
        ``conforms``, ``does not conform`` or ``can't be decided``.
    independent
        Whether the calibration did without this standard.
    blind_to
        What the check can't see, in plain words.
    notes
        What else a user should know.
    scan, standard, standard_identity, scanner, model_sha256
        What was checked against what.
    created
        When, ISO 8601.
    started
        When the scan was taken, ISO 8601; empty if unknown.
    """

    results: tuple[Result, ...]
    verdict: str
    independent: bool
    blind_to: tuple[str, ...]
    notes: tuple[str, ...]
    scan: str
    standard: str
    standard_identity: str
    scanner: str
    model_sha256: str
    created: str
    started: str = ""

    def summary(self) -> list[str]:
        """Return lines for people: the verdict first."""
        lines = [f"{self.scan} against {self.standard}: {self.verdict}"]
        lines += [f"  {result}" for result in self.results]
        if not self.independent:
            lines.append(
                "  not independent: the calibration used this standard, so an error of its certificate stays unseen"
            )
        lines += [f"  note: {note}" for note in self.notes]
        lines += [f"  blind to {what}" for what in self.blind_to]
        return lines

    def _repr_html_(self) -> str:
        from calib.report.notebook import verification_html

        return verification_html(self)

    def to_dict(self) -> dict[str, Any]:
        """Return the verification as a JSON object."""
        return {
            "format": FORMAT,
            "version": VERSION,
            "created": self.created,
            **({"started": self.started} if self.started else {}),
            "scan": self.scan,
            "standard": self.standard,
            "standard_identity": self.standard_identity,
            "scanner": self.scanner,
            "model_sha256": self.model_sha256,
            "verdict": self.verdict,
            "independent": self.independent,
            "results": [result.to_dict() for result in self.results],
            "blind_to": list(self.blind_to),
            "notes": list(self.notes),
        }

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> Verification:
        """Make a check of what :meth:`to_dict` returned."""
        words = ("scan", "standard", "standard_identity", "scanner", "model_sha256", "created")
        if not isinstance(content["independent"], bool):
            raise TypeError("whether it is independent is not said")
        return cls(
            results=tuple(Result.from_dict(one) for one in content["results"]),
            verdict=verdict_in(content),
            independent=content["independent"],
            blind_to=tuple(map(str, content["blind_to"])),
            notes=tuple(map(str, content["notes"])),
            started=str(content.get("started", "")),
            **{word: str(content[word]) for word in words},
        )

    def save(self, path: str | FilePath, *, force: bool = False) -> None:
        """Write the verification as JSON.

        Raises
        ------
        OutputExistsError
            If the file exists, without `force`.
        """
        from calib.verification.collected import collect

        collect([self]).save(path, force=force)


def verdict_in(content: Mapping[str, Any]) -> str:
    """Return the verdict that a JSON object holds."""
    verdict = str(content["verdict"])
    if verdict not in VERDICTS:
        raise ValueError(f"{verdict!r} is no verdict")
    return verdict
