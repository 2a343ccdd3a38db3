"""The page of checks shows what the tests compute. ``python -m tests.test_checks_page`` writes it anew."""

from __future__ import annotations

from pathlib import Path

from tests import (
    test_budget,
    test_charts,
    test_decision,
    test_monte_carlo,
    test_significance,
    test_solve,
    test_straight_line,
)

PAGE = Path(__file__).parent.parent / "docs" / "checks.md"


def published() -> str:
    modules = (test_budget, test_monte_carlo, test_straight_line, test_decision, test_charts, test_significance)
    rows = [check.row() for module in modules for check in module.checks()]
    return "\n".join(["| source | quantity | published | ours | note |", "| --- | --- | --- | --- | --- |", *rows])


def certified() -> str:
    rows = [
        f"| {name} | {case.digits} | {case.digits_sd if case.sd is not None else 'exact data'} | linear |"
        for name, case in test_solve.LINEAR.items()
    ]
    rows += [
        f"| {name} | {test_solve.NONLINEAR_DIGITS} | {test_solve.NONLINEAR_DIGITS} | nonlinear, from both starts |"
        for name in test_solve.NONLINEAR
    ]
    return "\n".join(["| set | digits of estimates | digits of deviations | |", "| --- | --- | --- | --- |", *rows])


def written(page: str) -> str:
    for name, table in (("published", published()), ("certified", certified())):
        before, opening, rest = page.partition(f"<!-- {name} -->\n")
        _, closing, after = rest.partition("<!-- end -->")
        assert opening
        assert closing
        page = f"{before}{opening}\n{table}\n\n{closing}{after}"
    return page


def test_page_is_up_to_date() -> None:
    page = PAGE.read_text("utf-8")
    assert written(page) == page, "run python -m tests.test_checks_page"


if __name__ == "__main__":
    PAGE.write_text(written(PAGE.read_text("utf-8")), "utf-8")
