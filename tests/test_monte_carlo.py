"""Monte Carlo propagation against the worked examples of JCGM 101:2008, exact distributions, and the linear result.

Values of the supplement are from memory, recomputed with four million trials of another program where that was done.
"""

from __future__ import annotations

import math
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.arithmetic.monte_carlo import (
    Distribution,
    Validation,
    numerical_tolerance,
    propagate,
    shortest_interval,
    symmetric_interval,
    validate,
)
from calib.budget import Budget, Contribution, coverage_factor
from calib.errors import CalibError
from tests.published import Check, each
from tests.test_budget import end_gauge
from tests.test_straight_line import thermometer

S1 = "JCGM 101:2008"


def normal(name: str, value: float, u: float, c: float = 1.0, dof: float = math.inf) -> Contribution:
    return Contribution(name, value, u, c, dof)


def limits(name: str, value: float, half: float, c: float = 1.0, **options: Any) -> Contribution:
    return Contribution.from_limits(name, value, half, sensitivity=c, **options)


def total(*parts: np.ndarray) -> np.ndarray:
    return np.sum(parts, axis=0)


# --- the examples of clause 9 -----------------------------------------------------------------------


@cache
def additive(kind: str) -> Validation:
    """9.2: the sum of four inputs, normal, rectangular, or rectangular with one ten times as wide."""
    half = math.sqrt(3)
    parts = {
        "normal": [normal(f"X{i}", 0, 1) for i in range(4)],
        "rectangular": [limits(f"X{i}", 0, half) for i in range(4)],
        "one wider": [limits(f"X{i}", 0, half * (10 if i == 3 else 1)) for i in range(4)],
    }[kind]
    return validate(Budget("Y", 0.0, parts), total)


def buoyancy(m_r: Any, dm_r: Any, air: Any, weight: Any, reference: Any) -> Any:
    """Deviation of a weight from 100 g, mg; densities in kg/m³."""
    return (m_r + dm_r) * (1 + (air - 1.2) * (1 / weight - 1 / reference)) - 100_000


@cache
def mass() -> Validation:
    """9.3: to first order densities do not count, as the air's is 1.2 kg/m³ on the mean."""
    parts = [
        normal("m_R", 100_000.0, 0.050),
        normal("δm_R", 1.234, 0.020),
        limits("ρ_a", 1.2, 0.1, c=0.0),
        limits("ρ_W", 8000.0, 1000.0, c=0.0),
        limits("ρ_R", 8000.0, 50.0, c=0.0),
    ]
    return validate(Budget("δm", 1.234, parts), buoyancy)


@cache
def comparison_loss(x1: float, r: float) -> tuple[Distribution, Budget]:
    """9.4: δY = X1² + X2², unit 1e-6; a voltage reflection coefficient near zero."""
    parts = [normal("X1", x1, 0.005, 2e6 * x1), normal("X2", 0.0, 0.005, 0.0)]
    correlations = {("X1", "X2"): r} if r else {}
    found = propagate(
        lambda a, b: 1e6 * (a**2 + b**2),
        parts,
        correlations=correlations,
        interval="shortest",
        digits=3,
        most=3_000_000,
    )
    return found, Budget("δY", 1e6 * x1**2, parts, correlations)


@cache
def gauge_block() -> Distribution:
    """9.5: GUM H.1 with its model and distributions; nm. Inexact limits are rectangles times rectangles."""

    def length(standard: Any, d0: Any, d1: Any, d2: Any, a: Any, t0: Any, delta: Any, *unsure: Any) -> Any:
        da, da_wide, dt, dt_wide = unsure
        d_alpha, d_theta = da * (1e-6 + 0.1e-6 * da_wide), dt * (0.05 + 0.025 * dt_wide)
        d = d0 + d1 + d2
        return standard + d - standard * (d_alpha * (t0 + delta) + a * d_theta) - 50_000_000

    parts = [
        normal("l_S", 50_000_623.0, 25.0, dof=18),
        normal("d0", 215.0, 6.0, dof=24),
        normal("d1", 0.0, 4.0, dof=5),
        normal("d2", 0.0, 7.0, dof=8),
        limits("α_S", 11.5e-6, 2e-6),
        normal("θ", -0.1, 0.2),
        limits("Δ", 0.0, 0.5, distribution="arcsine"),
        *[limits(name, 0.0, 1.0) for name in ("δα", "width of δα", "δθ", "width of δθ")],
    ]
    return propagate(length, parts, level=0.99, interval="shortest", most=3_000_000)


@cache
def logarithm() -> Distribution:
    return propagate(np.log, [limits("x", 0.6, 0.5)], interval="shortest", most=3_000_000)


def thermometer_at_30() -> Budget:
    """GUM H.3: the correction at 30 °C from intercept and slope, which are correlated."""
    line = thermometer()
    u = np.sqrt(np.diag(line.covariance))
    r = float(line.covariance[0, 1] / (u[0] * u[1]))
    parts = [
        Contribution("y1", line.intercept, float(u[0]), 1.0, 9, "A"),
        Contribution("y2", line.slope, float(u[1]), 10.0, 9, "A"),
    ]
    return Budget("b", line.intercept + 10 * line.slope, parts, {("y1", "y2"): r})


def checks() -> list[Check]:
    result = []
    noise = "trials scatter"
    for kind, clause, u, end, linear in (
        ("normal", "9.2.2", "2.0", "3.92", "3.92"),
        ("rectangular", "9.2.3", "2.0", "3.88", "3.92"),
        ("one wider", "9.2.4 (from memory)", "10.1", "17.0", "19.9"),
    ):
        source, case = f"{S1}, {clause}", additive(kind)
        result += [
            Check(source, "u(Y)", u, case.found.u, units=1.0, note=noise),
            Check(source, "upper end of 95 %", end, case.found.symmetric[1], units=1.0, note=noise),
            Check(source, "upper end by the GUM", linear, case.linear.U),
        ]
    source, case = f"{S1}, 9.3 (from memory)", mass()
    result += [
        Check(source, "δm / mg", "1.234", case.found.estimate),
        Check(source, "u / mg", "0.0754", case.found.u, units=1.5, note=noise),
        Check(source, "lower end / mg", "1.083", case.found.shortest[0], units=2.0, note="flat minimum of the length"),
        Check(source, "upper end / mg", "1.382", case.found.shortest[1], units=2.0, note="flat minimum of the length"),
        Check(source, "lower end by the GUM", "1.1285", case.value - case.linear.U),
        Check(source, "upper end by the GUM", "1.3395", case.value + case.linear.U),
        Check(source, "d_low / mg", "0.045", case.d_low, units=2.0, note="of the symmetric interval"),
        Check(source, "d_high / mg", "0.043", case.d_high, units=2.0, note="of the symmetric interval"),
    ]
    source = f"{S1}, 9.4 (from memory), unit 1e-6"
    for x1, r, estimate, u, low, high, linear in (
        (0.0, 0.0, "50", "50", "0", "150", "0"),
        (0.010, 0.0, "150", "112", "0", "367", "100"),
        (0.050, 0.0, "2551", "502", "1590", "3543", "500"),
        (0.0, 0.9, "50", "67", "0", "185", "0"),
        (0.010, 0.9, "150", "121", "13", "398", "100"),
        (0.050, 0.9, "2551", "505", "1628", "3555", "500"),
    ):
        found, budget = comparison_loss(x1, r)
        large = 10.0 if x1 == 0.05 else 2.0
        what = f"x1 = {x1:g}, r = {r:g}"
        result += [
            Check(source, f"{what}: δy", estimate, found.estimate, units=2.0, note="theirs scatter, too"),
            Check(source, f"{what}: u", u, found.u, units=1.0, note=noise),
            Check(source, f"{what}: lower end", low, found.shortest[0], units=large, note=noise),
            Check(source, f"{what}: upper end", high, found.shortest[1], units=large, note=noise),
            Check(source, f"{what}: u by the GUM", linear, budget.u),
        ]
    source, block = f"{S1}, 9.5 (from memory)", gauge_block()
    result += [
        Check(source, "δL / nm", "838", block.estimate),
        Check(source, "u / nm", "36", block.u),
        Check(source, "lower end of 99 % / nm", "745", block.shortest[0], units=1.5, note=noise),
        Check(source, "upper end of 99 % / nm", "932", block.shortest[1], units=1.5, note=noise),
        Check(source, "u by the GUM / nm", "32", end_gauge().u),
    ]
    source, log = "NPL report DEM-ES-011, 9.2: ln of a rectangle", logarithm()
    result += [
        Check(source, "y", "-0.665", log.estimate, units=1.0, note=noise),
        Check(source, "u", "0.606", log.u, units=1.0, note=noise),
        Check(source, "lower end of 95 %", "-1.895", log.shortest[0], units=6.0, note=noise),
        Check(source, "upper end of 95 %", "0.095", log.shortest[1], units=1.0, note=noise),
    ]
    line, h3 = thermometer_at_30(), "JCGM 100:2008, H.3 as a budget"
    result += [Check(h3, "u(b) at 30 °C", "0.0041", line.u), Check(h3, "ν", "9", line.dof)]
    return result


@each(checks())
def test_published_value(check: Check) -> None:
    assert check.agrees, check.row()


def test_verdicts_of_the_examples() -> None:
    assert additive("normal").holds is True
    assert additive("rectangular").holds is True
    assert additive("one wider").holds is False
    assert mass().holds is False
    assert mass().found.tolerance == pytest.approx(0.0005)


def test_sum_of_rectangles_is_known_exactly() -> None:
    """9.2.3: the distribution is the Irwin-Hall one, its 97.5 % quantile 2√3 (2 - (3/5)^¼)."""
    case = additive("rectangular").found
    exact = 2 * math.sqrt(3) * (2 - 0.6**0.25)
    for end, sd in zip(case.symmetric, case.noise[2:], strict=True):
        assert abs(end) == pytest.approx(exact, abs=4 * sd)
    assert case.settled


def test_end_gauge_of_the_gum_at_its_level() -> None:
    """With degrees of freedom as few as H.1 has, the scaled t distributions are wider than the linear result."""
    case = validate(end_gauge(), level=0.99, digits=1)
    assert case.holds is True
    assert case.found.u > end_gauge().u


def test_thermometer_line_keeps_its_correlation() -> None:
    """Two inputs of the same nine degrees of freedom share their scale, so that the sum is t-distributed exactly."""
    budget = thermometer_at_30()
    case = validate(budget, lambda a, b: a + 10 * b)
    assert case.linear.k == pytest.approx(2.262, abs=5e-4)
    for d, sd in zip((case.d_low, case.d_high), case.found.noise[2:], strict=True):
        assert d < 4 * sd
    assert case.found.u == pytest.approx(budget.u * math.sqrt(9 / 7), rel=0.01)


# --- properties ---------------------------------------------------------------------------------------


LINEAR = st.lists(st.tuples(st.floats(0.1, 10), st.floats(0.2, 5), st.booleans()), min_size=1, max_size=5)


@settings(max_examples=15, deadline=None)
@given(LINEAR, st.sampled_from([0.68, 0.9, 0.95]), st.floats(-0.9, 0.9), st.integers(0, 2**32))
def test_a_linear_function_of_normals_gives_what_the_gum_does(
    parts: list[tuple[float, float, bool]], level: float, r: float, seed: int
) -> None:
    inputs = [normal(f"x{i}", 1.0 + i, u, c if sign else -c) for i, (u, c, sign) in enumerate(parts)]
    budget = Budget("y", 7.0, inputs, {("x0", "x1"): r} if len(inputs) > 1 else {})
    if budget.u < 0.05 * abs(inputs[0].component):
        return
    case = validate(budget, level=level, digits=1, seed=seed, most=60_000)
    root = math.sqrt(case.found.trials)
    assert case.found.estimate == pytest.approx(7.0, abs=5 * budget.u / root)
    assert case.found.u == pytest.approx(budget.u, rel=5 / root)
    k = coverage_factor(level)
    density = math.exp(-0.5 * k**2) / math.sqrt(2 * math.pi)
    sd = math.sqrt((1 - level**2) / 4) / density / root * budget.u
    assert case.d_low < 5.5 * sd
    assert case.d_high < 5.5 * sd
    assert case.holds is not False


@given(
    st.lists(st.floats(-1e6, 1e6), min_size=30, max_size=300),
    st.floats(0.5, 0.97),
)
def test_the_shortest_interval_is_never_longer(values: list[float], level: float) -> None:
    ordered = np.sort(np.array(values))
    low, high = symmetric_interval(ordered, level)
    short_low, short_high = shortest_interval(ordered, level)
    assert short_high - short_low <= high - low
    for a, b in ((low, high), (short_low, short_high)):
        inside = np.count_nonzero((ordered >= a) & (ordered <= b))
        assert inside >= math.floor(level * ordered.size + 0.5)


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 2**32), st.sampled_from(["normal", "rectangular", "triangular", "arcsine"]))
def test_the_same_seed_gives_the_same_numbers(seed: int, distribution: Any) -> None:
    inputs = [Contribution("a", 1.0, 0.1, dof=8, distribution=distribution), normal("b", 2.0, 0.2)]
    one, same, other = (
        propagate(lambda a, b: a * b, inputs, digits=1, seed=s, most=20_000) for s in (seed, seed, seed + 1)
    )
    assert one.to_dict() == same.to_dict()
    assert one.estimate != other.estimate


@pytest.mark.parametrize("distribution", ["normal", "t", "rectangular", "triangular", "arcsine"])
@pytest.mark.parametrize("linked", [False, True])
@pytest.mark.parametrize("dof", [math.inf, 12.0])
def test_draws_have_the_u_of_their_contribution(distribution: Any, linked: bool, dof: float) -> None:
    """By t for normals; by inexact limits, which are wider by 1/(6ν) in u², for the others."""
    a, b = Contribution("a", 5.0, 0.3, dof=dof, distribution=distribution), normal("b", 0.0, 1.0)
    found = propagate(
        lambda x, y: x + 0 * y, [a, b], correlations={("a", "b"): 0.7} if linked else {}, digits=1, most=200_000
    )
    grown = 1.0
    if math.isfinite(dof):
        grown = dof / (dof - 2) if distribution in ("normal", "t") else 1 + 1.5 / dof / 3
    assert found.estimate == pytest.approx(5.0, abs=5 * 0.3 / math.sqrt(found.trials))
    assert found.u == pytest.approx(0.3 * math.sqrt(grown), rel=8 / math.sqrt(found.trials))


def test_a_finite_dof_gives_the_t_distribution() -> None:
    found = propagate(lambda x: x, [normal("x", 0.0, 1.0, dof=5)], digits=1, sharper=5, most=400_000)
    assert found.symmetric[1] == pytest.approx(coverage_factor(0.95, 5), abs=4 * found.noise[3])


def test_correlated_rectangles_move_together() -> None:
    parts = [limits("a", 0, 1), limits("b", 0, 1)]
    for r, spread in ((1.0, 2.0), (-1.0, 0.0)):
        found = propagate(lambda a, b: a + b, parts, correlations={("a", "b"): r}, digits=1, most=20_000)
        assert found.symmetric[1] == pytest.approx(0.95 * spread, abs=0.02)


@given(st.floats(1e-12, 1e12), st.integers(1, 3))
def test_tolerance_is_half_a_unit_of_the_last_digit(u: float, digits: int) -> None:
    written = f"{u:.{digits - 1}e}"
    assert numerical_tolerance(u, digits) == pytest.approx(0.5 * 10 ** (int(written.split("e")[1]) - digits + 1))


def test_more_digits_take_more_trials() -> None:
    few, many = (propagate(lambda x: x, [normal("x", 0, 3.0)], digits=digits) for digits in (1, 2))
    assert few.trials < many.trials
    assert few.settled
    assert many.settled
    assert max(many.noise) * 2 <= many.tolerance


def test_agrees_with_gtc_where_a_model_is_nearly_linear() -> None:
    """Peer: GTC, which propagates u linearly."""
    from GTC import uncertainty, ureal, value

    x, y = ureal(10.0, 0.05), ureal(4.0, 0.03)
    theirs = x**2 / y
    found = propagate(lambda a, b: a**2 / b, [normal("x", 10.0, 0.05), normal("y", 4.0, 0.03)])
    assert found.estimate == pytest.approx(value(theirs), abs=0.05 * found.u)
    assert found.u == pytest.approx(uncertainty(theirs), rel=0.01)


# --- words ---------------------------------------------------------------------------------------------


def test_the_sentence_says_what_to_use_instead() -> None:
    assert "the linear result holds to 2 digits" in additive("rectangular").sentence()
    said = mass().sentence()
    assert "does not hold" in said
    assert "use the 95 % interval from 1.08" in said
    assert "no model function" not in said
    alone = validate(Budget("y", 0.0, [normal("a", 0, 1.0)]))
    assert "no model function was given" in alone.sentence()
    assert alone.shapes_only


def test_what_trials_cannot_tell_is_said() -> None:
    """The sum of four rectangles is off by 0.041, and 0.05 are allowed: too close a call for 20 000 trials."""
    parts = [limits(f"X{i}", 0, math.sqrt(3)) for i in range(4)]
    case = validate(Budget("Y", 0.0, parts), most=20_000)
    assert case.holds is None
    assert not case.found.settled
    assert "can't be told" in case.sentence()


def test_a_large_value_loses_no_digits() -> None:
    """Ends are printed to the digit that counts, also where the value is a million times the uncertainty."""
    case = validate(Budget("length", 0.123456789, [limits("a", 0.0, 1e-9)], unit="m"))
    assert case.holds is False
    assert "from 123.45678805 mm to 123.45678995 mm" in case.sentence(), case.sentence()


def test_validation_as_json() -> None:
    import json

    told = json.loads(json.dumps(mass().to_dict(), allow_nan=False))
    assert told["holds"] is False
    assert told["monte_carlo"]["trials"] == mass().found.trials


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: propagate(np.log, [normal("x", 0.1, 1.0)]), "gives no number"),
        (lambda: propagate(np.mean, [normal("x", 0.1, 1.0)]), "one value a trial"),
        (lambda: propagate(np.log, []), "needs contributions"),
        (lambda: propagate(np.log, [normal("x", 9, 1)], level=95), "between 0 and 1"),
        (lambda: propagate(np.log, [normal("x", 9, 1)], digits=0), "significant digits"),
        (lambda: propagate(np.log, [normal("x", 9, 1)], most=100), "trials are needed"),
        (lambda: validate(Budget("y", 1.0, [normal("x", 9, 0)])), "nothing to propagate"),
    ],
)
@pytest.mark.filterwarnings("ignore:invalid value")
def test_refused(make: Any, words: str) -> None:
    with pytest.raises(CalibError, match=words):
        make()


def test_draws_of_the_result_itself() -> None:
    """A distance of two points in a plane that are the same: a Rayleigh distribution, by its quantile function."""
    budget = Budget("distance", 0.0, [Contribution("position", 0.0, 1.0)])
    case = validate(budget, sample=lambda rng, size: np.hypot(*rng.standard_normal((2, size))))
    assert case.holds is False
    assert not case.shapes_only
    expected = [np.sqrt(-2 * np.log(1 - p)) for p in (0.025, 0.975)]
    assert case.found.symmetric == pytest.approx(expected, abs=0.01)
    assert "no model function" not in case.sentence()
    straight = validate(budget, sample=lambda rng, size: rng.standard_normal(size))
    assert straight.holds
    with pytest.raises(CalibError, match="one value a trial"):
        validate(budget, sample=lambda rng, size: rng.standard_normal(size - 1))


def test_a_budget_as_people_read_it() -> None:
    from calib.cli.budgets import budget_lines

    parts = [
        Contribution("noise", 0.0, 3e-10, dof=6, kind="A"),
        Contribution("certificate", 0.0, 1e-10),
        Contribution("cosine error", 0.0, 2e-10, distribution="rectangular"),
    ]
    lines = budget_lines(Budget("pitch", 2e-6, parts, unit="m"))
    assert lines[0] == "Budget of pitch:"
    assert [line.split("  ")[1] for line in lines[2:5]] == ["noise", "cosine error", "certificate"]
    assert "300 pm" in lines[2]
    assert lines[2].endswith("64.3 %")
    assert "k = 2.14" in lines[6]
    assert "effective degrees of freedom 14.5" in lines[6]
    assert "Monte Carlo propagation" in lines[7]
    exact = budget_lines(Budget("pitch", 2e-6, [Contribution("noise", 0.0, 0.0)], unit="m"))
    assert "Monte Carlo" not in exact[-1]
