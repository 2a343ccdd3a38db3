"""Checks of a model with any set of scans and standards, the characteristics they give, and what is decided."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path as FilePath
from typing import Any

from calib.calibration import Pair
from calib.errors import CalibError
from calib.files import write_atomically
from calib.model import Model
from calib.scan import Scan
from calib.standard import Standard
from calib.verification import flats, passes, vertical
from calib.verification.affine import affine_of, amplification
from calib.verification.characteristic import Characteristic
from calib.verification.check import FORMAT, VERSION, Verification
from calib.verification.deciding import Decided, decisions, outvoted, overall, risk_of
from calib.verification.limits import Limit
from calib.verification.mapping import field_of, mapping
from calib.verification.seen import Seen, look
from calib.verification.single import check_of


@dataclass(frozen=True)
class VerificationSet:
    """What checks of a model with several scans found together.

    Attributes
    ----------
    checks
        One a scan.
    characteristics
        Metrological characteristics after correction.
    decisions
        On quantities and characteristics.
    verdict
        Of all together: the worst counts.
    risk
        Bound of the probability that the verdict is wrong; None where nothing can be said.
    notes
        What else a user should know, in plain words.
    scanner, model_sha256
        What was checked.
    created
        When, ISO 8601.
    """

    checks: tuple[Verification, ...]
    characteristics: tuple[Characteristic, ...]
    decisions: tuple[Decided, ...]
    verdict: str
    risk: float | None
    notes: tuple[str, ...]
    scanner: str
    model_sha256: str
    created: str

    def summary(self) -> list[str]:
        """Return lines for people: the verdict first, then each check, then a table."""
        from calib.verification.told import lines

        return lines(self)

    def _repr_html_(self) -> str:
        from calib.report.notebook import verification_html

        return verification_html(self)

    def to_dict(self) -> dict[str, Any]:
        """Return all of it as a JSON object; that of a single check has the keys of the check as well."""
        single = self.checks[0].to_dict() if len(self.checks) == 1 else {}
        notes = [*single.get("notes", ()), *self.notes]
        return {
            **single,
            "format": FORMAT,
            "version": VERSION,
            "created": self.created,
            "scanner": self.scanner,
            "model_sha256": self.model_sha256,
            "verdict": self.verdict,
            "risk": self.risk,
            "checks": [check.to_dict() for check in self.checks],
            "characteristics": [one.to_dict() for one in self.characteristics],
            "decisions": [one.to_dict() for one in self.decisions],
            "notes": notes,
            "notes_of_all": list(self.notes),
        }

    def save(self, path: str | FilePath, *, force: bool = False) -> None:
        """Write it as JSON; :func:`calib.load_verification` reads it.

        Raises
        ------
        OutputExistsError
            If the file exists, without `force`.
        """
        text = json.dumps(self.to_dict(), ensure_ascii=False, allow_nan=False, indent=1)
        with write_atomically(path, force) as temporary:
            temporary.write_text(text + "\n", encoding="utf-8")


def verify_all(
    model: Model,
    pairs: Iterable[Pair | tuple[Scan, Standard]],
    *,
    limits: Mapping[str, Limit] | None = None,
    any_scanner: bool = False,
    progress: Callable[[str, float], None] | None = None,
) -> VerificationSet:
    """Check a model with any set of scans and standards.

    Parameters
    ----------
    model
        Stays as it is.
    pairs
        Scans with the standards that they show; repeated scans of a flat tell the noise, of a step the repeatability.
    limits
        See :func:`calib.read_limits`. Without them only agreement with certificates decides.
    any_scanner
        Check the model even if a scan names another scanner or other controller settings.
    progress
        Called with the name of a stage and the part of it that is done.

    Raises
    ------
    CalibError
        If there is no scan, or one is no usable image of its standard, or of another scanner.
    """
    whole = [pair if isinstance(pair, Pair) else Pair(*pair) for pair in pairs]
    if not whole:
        raise CalibError("There is nothing to verify with: give at least one scan of a standard.")
    seen = []
    for number, pair in enumerate(whole):
        if progress:
            progress(f"verifying {pair.scan.label}", number / len(whole))
        seen.append(look(model, pair.scan, pair.standard, turned=pair.turned, any_scanner=any_scanner))
    found, missing = characteristics_of(seen)
    return collect([check_of(one) for one in seen], found, limits or {}, missing)


def collect(
    checks: Sequence[Verification],
    characteristics: Sequence[Characteristic] = (),
    limits: Mapping[str, Limit] | None = None,
    notes: Sequence[str] = (),
) -> VerificationSet:
    """Put checks of one model and their characteristics together, and decide."""
    decided = decisions(checks, characteristics, limits or {})
    told = [f"a limit is stated for {one.name}, but no scan tells it" for one in decided if one.decision is None]
    return VerificationSet(
        checks=tuple(checks),
        characteristics=tuple(characteristics),
        decisions=tuple(decided),
        verdict=overall(decided),
        risk=risk_of(decided),
        notes=(*notes, *told, *outvoted(checks, decided)),
        scanner=checks[0].scanner,
        model_sha256=checks[0].model_sha256,
        created=datetime.now(UTC).isoformat(timespec="seconds"),
    )


def characteristics_of(seen: Sequence[Seen]) -> tuple[list[Characteristic], list[str]]:
    """Return all characteristics that scans tell, and in words which they don't."""
    found: list[Characteristic] = []
    for one in seen:
        if one.lateral is not None:
            affine, field = affine_of(one), field_of(one)
            found += [] if affine is None else amplification(one, affine)
            found += [] if field is None else mapping(one, field)
            found += [] if field is None or (told := passes.lateral(one, field)) is None else [told]
        else:
            found += [] if (told := passes.height(one)) is None else [told]
    steps = [one for one in seen if one.step is not None]
    flat = [one for one in seen if one.flat is not None]
    found += vertical.amplification_z(steps)
    found += [flats.flatness(one) for one in flat]
    found += [one for one in (vertical.repeatability(steps), flats.noise(flat)) if one is not None]
    missing = []
    if flat and not any(one.name == "noise" for one in found):
        missing.append("noise is not told: it needs two scans of one flat that were commanded alike")
    return found, missing
