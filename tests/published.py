"""Values published elsewhere, beside what this library makes of the same inputs."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

import pytest


@dataclass(frozen=True)
class Check:
    """One published value.

    ``published`` is written as it was printed. Ours must round to it: it may differ by half a unit of the last digit
    printed, or by ``units`` of them where ``note`` says why.
    """

    source: str
    quantity: str
    published: str
    ours: float
    units: float = 0.5
    note: str = ""

    @property
    def decimals(self) -> int:
        exponent = Decimal(self.published).as_tuple().exponent
        assert isinstance(exponent, int)
        return -exponent

    @property
    def agrees(self) -> bool:
        return abs(self.ours - float(self.published)) <= self.units * 10.0**-self.decimals * (1 + 1e-9)

    def row(self) -> str:
        ours = f"{self.ours:.{self.decimals + 2}f}"
        return f"| {self.source} | {self.quantity} | {self.published} | {ours} | {self.note} |"


def each(checks: list[Check]) -> pytest.MarkDecorator:
    """Run a test on every check."""
    return pytest.mark.parametrize("check", checks, ids=lambda check: f"{check.source}: {check.quantity}")
