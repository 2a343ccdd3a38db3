"""Uncertainty budgets against the worked examples of the GUM and against an independent library."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.budget import Budget, Contribution, coverage_factor, normalised_error
from calib.errors import CalibError
from tests.published import Check, each

GUM = "JCGM 100:2008"


def end_gauge() -> Budget:
    """JCGM 100:2008 H.1, in nm: the length of an end gauge by comparison with a standard.

    Inputs as quoted in the documentation of the GTC library; the degrees of freedom of the result and U from memory.
    """
    expansion, length = 11.5e-6, 50_000_623.0
    difference = Budget(
        "d",
        215.0,
        [
            Contribution("mean", 215.0, 13 / math.sqrt(5), dof=24, kind="A"),
            Contribution("comparator, random", 0.0, 10 / 2.57, dof=5),
            Contribution("comparator, systematic", 0.0, 20 / 3, dof=8),
        ],
    )
    gradient = Contribution.from_limits("δθ", 0.0, 0.05, sensitivity=-length * expansion, dof=2)
    thermal = Contribution.from_limits("δα", 0.0, 1e-6, sensitivity=-length * -0.1, dof=50)
    return Budget(
        "l",
        length + difference.value,
        [
            Contribution("l_S", length, 75 / 3, dof=18),
            Contribution("d", difference.value, difference.u, dof=difference.dof),
            thermal,
            gradient,
            Contribution.from_limits("α_S", expansion, 2e-6, sensitivity=0.0),
            Contribution("θ", -0.1, 0.41, sensitivity=0.0),
        ],
    )


def impedance(quantity: str) -> Budget:
    """JCGM 100:2008 H.2: resistance, reactance or impedance from correlated means of five simultaneous readings."""
    volt = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    ampere = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
    phase = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    data = np.array([volt, ampere, phase])
    v, i, f = data.mean(axis=1)
    u = data.std(axis=1, ddof=1) / math.sqrt(5)
    r = np.corrcoef(data)
    cos, sin = math.cos(f), math.sin(f)
    value, slopes = {
        "R": (v / i * cos, [cos / i, -v / i**2 * cos, -v / i * sin]),
        "X": (v / i * sin, [sin / i, -v / i**2 * sin, v / i * cos]),
        "Z": (v / i, [1 / i, -v / i**2, 0.0]),
    }[quantity]
    parts = [
        Contribution(name, m, s, sensitivity=c, dof=4, kind="A")
        for name, m, s, c in zip("VIφ", (v, i, f), u, slopes, strict=True)
    ]
    pairs = {("V", "I"): r[0, 1], ("V", "φ"): r[0, 2], ("I", "φ"): r[1, 2]}
    return Budget(quantity, value, parts, pairs)


# Table G.2, from memory but for a dozen cells: degrees of freedom, then t for the levels of the first row.
LEVELS = [0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973]
TABLE_G2 = {
    1: "1.84 6.31 12.71 13.97 63.66 235.80",
    2: "1.32 2.92 4.30 4.53 9.92 19.21",
    3: "1.20 2.35 3.18 3.31 5.84 9.22",
    4: "1.14 2.13 2.78 2.87 4.60 6.62",
    5: "1.11 2.02 2.57 2.65 4.03 5.51",
    6: "1.09 1.94 2.45 2.52 3.71 4.90",
    8: "1.07 1.86 2.31 2.37 3.36 4.28",
    10: "1.05 1.81 2.23 2.28 3.17 3.96",
    16: "1.03 1.75 2.12 2.17 2.92 3.54",
    20: "1.03 1.72 2.09 2.13 2.85 3.42",
    50: "1.01 1.68 2.01 2.05 2.68 3.16",
    100: "1.005 1.660 1.984 2.025 2.626 3.077",
    math.inf: "1.000 1.645 1.960 2.000 2.576 3.000",
}


def checks() -> list[Check]:
    length = end_gauge()
    parts = {part.name: part for part in length.contributions}
    h1 = f"{GUM}, H.1"
    result = [
        Check(h1, "l / nm", "50000838", length.value),
        Check(h1, "u(d) / nm", "9.7", parts["d"].u),
        Check(h1, "ν(d)", "25.6", parts["d"].dof, units=2, note="GUM uses the rounded 9.7 nm"),
        Check(h1, "component of δα / nm", "2.9", abs(parts["δα"].component)),
        Check(h1, "component of δθ / nm", "16.6", abs(parts["δθ"].component)),
        Check(h1, "u_c / nm", "32", length.u),
        Check(f"{h1} (from memory)", "ν_eff", "16.7", length.dof, units=0.6, note="GUM rounds inputs"),
        Check(f"{h1} (from memory)", "t_99 for it", "2.92", length.expanded(0.99).k),
        Check(f"{h1} (from memory)", "U_99 / nm", "93", length.expanded(0.99).U, units=0.6, note="GUM: 2.92 × 32"),
    ]
    h2, memory = f"{GUM}, H.2", f"{GUM}, H.2 (from memory)"
    for name, value, u in (
        ("R", "127.732", "0.071"),
        ("X", "219.847", "0.295"),
        ("Z", "254.260", "0.236"),
    ):
        budget = impedance(name)
        off = 1.0 if name == "X" else 0.5
        result.append(Check(h2, f"{name} / Ω", value, budget.value))
        result.append(
            Check(h2, f"u({name}) / Ω", u, budget.u, units=off, note="GUM rounds inputs" if off > 0.5 else "")
        )
    result.append(Check(memory, "ν of R", "4", impedance("R").dof))
    three = Budget(
        "Y",
        1.0,
        [Contribution(f"X{n}", 1.0, percent, dof=n - 1) for n, percent in ((10, 0.25), (5, 0.57), (15, 0.82))],
    )
    g4 = f"{GUM}, G.4.1 (from memory)"
    result += [
        Check(g4, "u_c / %", "1.03", three.u),
        Check(g4, "ν_eff", "19.0", three.dof),
        Check(g4, "U_95 / %", "2.2", coverage_factor(0.95, 19) * three.u),
    ]
    return result


def table_g2() -> list[Check]:
    result = []
    for dof, line in TABLE_G2.items():
        for level, printed in zip(LEVELS, line.split(), strict=True):
            off = 2.0 if printed == "235.80" else 0.5
            note = "0.9973 is itself rounded" if off > 0.5 else ""
            result.append(
                Check(
                    f"{GUM}, table G.2 (partly from memory)",
                    f"t, ν = {'∞' if math.isinf(dof) else dof}, p = {100 * level:.4g} %",
                    printed,
                    coverage_factor(level, dof),
                    units=off,
                    note=note,
                )
            )
    return result


@each(checks() + table_g2())
def test_published_value(check: Check) -> None:
    assert check.agrees, check.row()


def test_degrees_of_freedom_are_truncated_only_for_the_factor() -> None:
    assert coverage_factor(0.95, 16.75) == coverage_factor(0.95, 16)
    assert coverage_factor(0.95, 17) < coverage_factor(0.95, 16.999)
    assert coverage_factor(0.95, 17 - 1e-12) == coverage_factor(0.95, 17)
    assert end_gauge().expanded(0.95).dof == pytest.approx(end_gauge().dof)
    assert end_gauge().dof % 1 > 0.1


@pytest.mark.parametrize(
    ("distribution", "variance"),
    [("rectangular", 1 / 3), ("triangular", 1 / 6), ("arcsine", 1 / 2)],
)
def test_limits(distribution: Any, variance: float) -> None:
    part = Contribution.from_limits("a", 1.0, 2.0, distribution=distribution)
    assert part.u**2 == pytest.approx(4 * variance)


PARTS = st.lists(
    st.tuples(
        st.floats(0.1, 10),
        st.floats(-5, 5).filter(lambda c: abs(c) > 0.01),
        st.one_of(st.floats(2, 100), st.just(math.inf)),
    ),
    min_size=1,
    max_size=6,
)


@given(PARTS)
def test_agrees_with_gtc(parts: list[tuple[float, float, float]]) -> None:
    """Peer: GTC, a general-purpose library of uncertain numbers."""
    from GTC import dof, uncertainty, ureal

    inputs = [ureal(1.0, u, df) for u, _, df in parts]
    result = sum(c * x for (_, c, _), x in zip(parts, inputs, strict=True))
    ours = Budget("y", 0.0, [Contribution(str(i), 1.0, u, c, df) for i, (u, c, df) in enumerate(parts)])
    assert ours.u == pytest.approx(uncertainty(result), rel=1e-12)
    theirs = dof(result)
    assert ours.dof == pytest.approx(theirs, rel=1e-9) or (ours.dof > 1e5 and theirs > 1e5)


def test_correlated_inputs_agree_with_gtc() -> None:
    from GTC import set_correlation, uncertainty, ureal

    x, y, z = (ureal(1.0, u, independent=False) for u in (0.3, 0.4, 0.5))
    set_correlation(0.6, x, y)
    set_correlation(-0.2, y, z)
    ours = Budget(
        "w",
        0.0,
        [Contribution("x", 1, 0.3, 2.0), Contribution("y", 1, 0.4, -1.0), Contribution("z", 1, 0.5, 0.5)],
        {("x", "y"): 0.6, ("z", "y"): -0.2},
    )
    assert ours.u == pytest.approx(uncertainty(2 * x - y + 0.5 * z), rel=1e-12)


def test_fully_correlated_contributions_add_up_linearly() -> None:
    parts = [Contribution("a", 0, 3.0, dof=9), Contribution("b", 0, 4.0, dof=5), Contribution("c", 0, 1.0)]
    budget = Budget("y", 0.0, parts, {("a", "b"): 1.0})
    assert budget.u == pytest.approx(math.hypot(7, 1))
    # As one contribution of 7 with the fewer degrees of freedom.
    assert budget.dof == pytest.approx(50**2 / (49**2 / 5))


def test_rows() -> None:
    rows = Budget("y", 0.0, [Contribution("a", 0, 3.0), Contribution("b", 0, 2.0, sensitivity=-2.0)]).to_rows()
    assert [row["name"] for row in rows] == ["b", "a"]
    assert [row["component"] for row in rows] == [-4.0, 3.0]
    assert [row["share"] for row in rows] == pytest.approx([16 / 25, 9 / 25])


def test_share_is_what_would_go_if_the_contribution_were_exact() -> None:
    parts = [Contribution("a", 0, 3.0), Contribution("b", 0, 1.0)]
    a, b = Budget("y", 0.0, parts, {("a", "b"): -0.5}).to_rows()
    total = 9 + 1 - 3
    assert (a["share"], b["share"]) == pytest.approx((1 - 1 / total, 1 - 9 / total))


def test_round_trip_through_json() -> None:
    import json

    budget = Budget(
        "y", 1.5, [Contribution("a", 1.0, 0.3, 2.0, 7.5, "A", "t"), Contribution("b", 2.0, 0.1)], {("a", "b"): 0.25}
    )
    again = Budget.from_dict(json.loads(json.dumps(budget.to_dict(), allow_nan=False)))
    assert again == budget
    with pytest.raises(CalibError, match="can't be read"):
        Budget.from_dict({"quantity": "y"})


def test_nothing_uncertain() -> None:
    budget = Budget("y", 1.0, [Contribution("a", 1.0, 0.0, dof=3)])
    assert budget.u == 0
    assert math.isinf(budget.dof)
    assert budget.expanded().U == 0


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Contribution("a", 0, -1.0), "zero or more"),
        (lambda: Contribution("a", 0, math.inf), "finite"),
        (lambda: Contribution("a", math.nan, 1.0), "finite"),
        (lambda: Contribution("a", 0, 1.0, dof=0), "positive"),
        (lambda: Contribution("a", 0, 1.0, kind="C"), "kind A or B"),
        (lambda: Contribution.from_limits("a", 0, 1.0, distribution="normal"), "has limits"),
        (lambda: Budget("y", 0, []), "needs contributions"),
        (lambda: Budget("y", 0, [Contribution("a", 0, 1), Contribution("a", 0, 1)]), "name of its own"),
        (lambda: Budget("y", 0, [Contribution("a", 0, 1)], {("a", "b"): 0.1}), "no pair"),
        (lambda: Budget("y", 0, [Contribution("a", 0, 1), Contribution("b", 0, 1)], {("a", "b"): 1.1}), "between"),
        (
            lambda: Budget(
                "y",
                0,
                [Contribution(n, 0, 1) for n in "abc"],
                {("a", "b"): 0.9, ("b", "c"): 0.9, ("a", "c"): -0.9},
            ),
            "contradict",
        ),
        (lambda: coverage_factor(95), "between 0 and 1"),
        (lambda: coverage_factor(0.95, 0), "positive"),
        (lambda: normalised_error(1, 0, 1, 0), "not zero"),
    ],
)
def test_refused(make: Any, words: str) -> None:
    with pytest.raises(CalibError, match=words):
        make()


@pytest.mark.parametrize(
    ("x", "big_u", "reference", "big_u_reference", "expected"),
    [
        # Published measurements of one object, all with k = 2; E_n of ISO/IEC 17043 and ISO 13528, formula from memory.
        (212.69, 0.010, 212.7705, 0.0098, -5.75),  # pitch of a laser-focused grating in nm, by microscope and by theory
        (304.0, 8.0, 313.56, 0.0, -1.195),  # a single silicon (111) step in pm, against the lattice
        (312.0, 12.0, 313.56, 0.0, -0.13),
    ],
)
def test_normalised_error(x: float, big_u: float, reference: float, big_u_reference: float, expected: float) -> None:
    value = normalised_error(x, big_u / 2, reference, big_u_reference / 2)
    assert value == pytest.approx(expected, abs=0.005)


def test_normalised_error_against_a_mean_that_contains_the_result() -> None:
    """The denominator becomes k √(u² − u_ref²) (ISO 13528, from memory)."""
    x, u = np.array([10.1, 9.8, 10.3]), np.array([0.1, 0.2, 0.1])
    weight = 1 / u**2
    mean, u_mean = np.sum(weight * x) / weight.sum(), weight.sum() ** -0.5
    for value, uncertainty in zip(x, u, strict=True):
        ours = normalised_error(value, uncertainty, mean, u_mean, covariance=u_mean**2)
        assert ours == pytest.approx((value - mean) / (2 * math.sqrt(uncertainty**2 - u_mean**2)))


def test_normalised_error_with_two_coverage_factors() -> None:
    assert normalised_error(1.0, 0.1, 0.0, 0.2, k=3.0, k_reference=2.0) == pytest.approx(1 / 0.5)
