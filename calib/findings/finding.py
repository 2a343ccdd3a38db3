"""A finding: one thing that is wrong with a scan, or missing from it."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, Literal, get_args

Severity = Literal["note", "warning", "error"]

SEVERITIES: tuple[Severity, ...] = get_args(Severity)
"""From the least to the worst."""


@dataclass(frozen=True, kw_only=True)
class Finding:
    """What was found, where, how bad it is, what to do and what it does to the result.

    Parameters
    ----------
    kind
        One of the names in ``docs/reference/findings.md``.
    severity
        ``note``: good to know, nothing is wrong. ``warning``: results are worse than they could be, or one kind of
        result can't be had. ``error``: the scan doesn't serve its purpose.
    message, advice, effect
        One or two sentences each: what was found and where, what to do, what it does to the result.
    lines
        First and last row of the scan concerned; None if it is the whole frame or no place at all.
    runs
        The rows concerned as runs of first and last row, where `lines` is no more than their span.
    area
        First and last row, first and last column concerned.
    passes
        The passes concerned; empty if it is not about a pass.
    """

    kind: str
    severity: Severity
    message: str
    advice: str
    effect: str
    lines: tuple[int, int] | None = None
    runs: tuple[tuple[int, int], ...] = ()
    area: tuple[int, int, int, int] | None = None
    passes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the finding as a JSON object."""
        content = dataclasses.asdict(self)
        content["runs"] = [list(run) for run in self.runs]
        for name in ("lines", "area", "passes"):
            content[name] = None if content[name] is None else list(content[name])
        return content

    def __str__(self) -> str:
        return f"{self.severity}: {self.message} {self.advice}"


def worst(findings: tuple[Finding, ...] | list[Finding]) -> Severity | None:
    """Return the worst severity among findings; None if there are none."""
    found = {finding.severity for finding in findings}
    return next((severity for severity in reversed(SEVERITIES) if severity in found), None)
