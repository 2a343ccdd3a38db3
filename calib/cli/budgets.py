"""How an uncertainty budget is printed; imported when there is one to print."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from calib.arithmetic.monte_carlo import Sample
    from calib.budget import Budget


def budget_lines(budget: Budget, *, level: float = 0.95, sample: Sample | None = None) -> list[str]:
    """Return a budget as a table, the largest contribution first, with what follows from it.

    Parameters
    ----------
    budget
        Its `unit` says how numbers are printed.
    level
        Level of confidence of the expanded uncertainty.
    sample
        What draws values of the result, see :func:`calib.arithmetic.monte_carlo.validate`.

    Returns
    -------
    list of str
        A heading, one line a contribution, the combined and the expanded uncertainty with effective degrees of
        freedom and coverage factor, and the sentence of the Monte Carlo propagation.
    """
    from calib.arithmetic.monte_carlo import validate
    from calib.units import show

    table = [("contribution", "u", "kind", "distribution", "dof", "part of u²")]
    for row in budget.to_rows():
        part = abs(row["component"])
        table.append(
            (
                row["name"],
                show(part, budget.unit, 3),
                row["kind"],
                row["distribution"],
                degrees(row["dof"]),
                _percent(row["share"]),
            )
        )
    expanded = budget.expanded(level)
    table.append(("together", show(budget.u, budget.unit, 3), "", "", degrees(expanded.dof), ""))
    width = [max(len(line[i]) for line in table) for i in range(len(table[0]))]
    flush_right = (False, True, False, False, True, True)
    lines = [f"Budget of {budget.quantity}:"]
    for line in table:
        cells = [
            f"{cell:>{size}}" if right else f"{cell:<{size}}"
            for cell, size, right in zip(line, width, flush_right, strict=True)
        ]
        lines.append(f"  {'  '.join(cells)}".rstrip())
    lines.append(
        f"  expanded uncertainty U = {show(expanded.U, budget.unit, 3)}"
        f" (level of confidence {100 * level:g} %, k = {expanded.k:.3g}, effective degrees of freedom"
        f" {degrees(expanded.dof)})"
    )
    if budget.u > 0:
        lines.append(f"  {validate(budget, sample=sample, level=level).sentence()}")
    return lines


def degrees(dof: float) -> str:
    """Degrees of freedom for people."""
    return "∞" if math.isinf(dof) or dof > 1e5 else f"{dof:.3g}" if dof < 100 else f"{dof:.0f}"


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %"
