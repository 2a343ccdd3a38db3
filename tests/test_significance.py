"""Tests of changed parameters and sequential tests: published factors, and false alarms and power by simulation."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from calib.budget import coverage_factor
from calib.errors import StatisticsError
from calib.statistics.sequential import SequentialTest
from calib.statistics.significance import Change, compare, holm
from tests.published import Check, each

CHI2 = "NIST/SEMATECH e-Handbook, 1.3.6.7.4 (from memory)"
T = "NIST/SEMATECH e-Handbook, 1.3.6.7.2 (from memory)"

# Upper critical values: degrees of freedom, level, value.
CHI2_TABLE = [
    (1, 0.05, "3.841"),
    (2, 0.05, "5.991"),
    (4, 0.05, "9.488"),
    (5, 0.05, "11.070"),
    (8, 0.05, "15.507"),
    (10, 0.05, "18.307"),
    (20, 0.05, "31.410"),
    (100, 0.05, "124.342"),
    (1, 0.01, "6.635"),
    (5, 0.01, "15.086"),
    (10, 0.01, "23.209"),
    (10, 0.10, "15.987"),
]
T_TABLE = [
    (1, 0.975, "12.706"),
    (2, 0.975, "4.303"),
    (5, 0.975, "2.571"),
    (10, 0.975, "2.228"),
    (30, 0.975, "2.042"),
    (100, 0.975, "1.984"),
    (5, 0.99, "3.365"),
    (10, 0.95, "1.812"),
]


def critical(function: Callable[[float], float], level: float, high: float) -> float:
    """Find where a falling probability passes a level."""
    from scipy.optimize import brentq

    return float(brentq(lambda x: function(x) - level, 1e-3, high, xtol=1e-10))


def chi2_of(dof: int, level: float) -> float:
    def p_all(x: float) -> float:
        difference = np.full(dof, math.sqrt(x / dof))
        return compare(np.zeros(dof), np.eye(dof), difference, np.zeros((dof, dof)), method="Holm").p_all

    return critical(p_all, level, 200.0)


def t_of(dof: int, level: float) -> float:
    def p(x: float) -> float:
        return float(compare([0.0], [[1.0]], [x], [[0.0]], dof=dof).p[0])

    return critical(p, 2 * (1 - level), 50.0)


def checks() -> list[Check]:
    found = [
        Check(CHI2, f"χ², {dof} degrees, {level:.0%}", text, chi2_of(dof, level)) for dof, level, text in CHI2_TABLE
    ]
    found += [Check(T, f"t, {dof} degrees, {level:.1%}", text, t_of(dof, level)) for dof, level, text in T_TABLE]
    return found


@each(checks())
def test_published_factor(check: Check) -> None:
    assert check.agrees, check


def test_coverage_factors_are_the_same_quantiles() -> None:
    for dof, level, text in T_TABLE:
        assert coverage_factor(2 * level - 1, dof) == pytest.approx(float(text), abs=5e-4)


# --- which parameters changed --------------------------------------------------------------------


def correlated(n: int, seed: int) -> np.ndarray:
    root = np.random.default_rng(seed).normal(size=(n, n + 2))
    covariance = root @ root.T
    scale = 10.0 ** np.linspace(-9, 0, n) / np.sqrt(np.diag(covariance))
    return np.asarray(covariance * np.outer(scale, scale))


def test_an_estimate_compared_with_itself_is_no_change() -> None:
    covariance = correlated(6, 0)
    for common in (None, covariance):
        found = compare(np.ones(6), covariance, np.ones(6), covariance, common=common)
        assert not found.difference.any()
        assert not found.changed.any()
        assert not found.any_changed
        assert np.all(found.p == 1)
        assert found.rank == (6 if common is None else 0)
        assert np.allclose(found.u, 0 if common is not None else np.sqrt(2 * np.diag(covariance)))


def test_what_both_have_in_common_is_in_neither_difference() -> None:
    own, shared = correlated(5, 1), correlated(5, 2)
    apart = compare(np.zeros(5), own, np.sqrt(np.diag(own)), own)
    together = compare(np.zeros(5), own + shared, np.sqrt(np.diag(own)), own + shared, common=shared)
    assert together.z == pytest.approx(apart.z, rel=1e-6)
    assert together.chi2 == pytest.approx(apart.chi2, rel=1e-6)


def test_swapping_two_estimates_flips_signs_only() -> None:
    a, b, first, second = np.arange(4.0), np.array([0.0, 2, 2, 4]), correlated(4, 3), correlated(4, 4)
    one, other = compare(a, first, b, second), compare(b, second, a, first)
    assert one.difference == pytest.approx(-other.difference)
    assert one.z == pytest.approx(-other.z)
    assert one.p_adjusted == pytest.approx(other.p_adjusted, abs=1e-9)
    assert one.chi2 == pytest.approx(other.chi2)


def test_global_test_is_the_quadratic_form() -> None:
    covariance = correlated(5, 5)
    difference = np.sqrt(np.diag(covariance)) * [1, -2, 0.5, 1, 0]
    found = compare(np.zeros(5), covariance, difference, np.zeros((5, 5)))
    # Scaled: inverting it as it is would lose all digits.
    sd = np.sqrt(np.diag(covariance))
    scaled = difference / sd
    expected = scaled @ np.linalg.solve(covariance / np.outer(sd, sd), scaled)
    assert found.chi2 == pytest.approx(expected, rel=1e-9)
    assert found.p_all == pytest.approx(stats.chi2.sf(expected, 5), rel=1e-9)
    few = compare(np.zeros(5), covariance, difference, np.zeros((5, 5)), dof=12)
    assert few.p_all == pytest.approx(stats.f.sf(expected / 5, 5, 12), rel=1e-9)


def test_a_change_that_no_parameter_shows_alone_is_seen_together() -> None:
    covariance = np.array([[1.0, 0.999], [0.999, 1.0]])
    found = compare([0, 0], covariance, [1.0, -1.0], np.zeros((2, 2)))
    assert not found.changed.any()
    assert found.any_changed


def test_directions_that_can_not_differ_are_not_counted() -> None:
    root = np.random.default_rng(6).normal(size=(6, 3))
    covariance = root @ root.T
    difference = root @ [0.5, 1.0, -1.0]
    found = compare(np.zeros(6), covariance, difference, np.zeros((6, 6)))
    assert found.rank == 3
    assert found.chi2 == pytest.approx(0.25 + 1 + 1)
    # Off that plane by a part in a hundred: nothing explains it.
    off = compare(np.zeros(6), covariance, difference + 0.01 * np.linalg.svd(root)[0][:, 5], np.zeros((6, 6)))
    assert off.p_all == 0
    assert off.to_dict()["chi2"] is None


def test_a_parameter_that_both_hold_fixed() -> None:
    covariance = np.diag([1.0, 0.0])
    same = compare([0.0, 5.0], covariance, [0.5, 5.0], covariance)
    assert same.z[1] == 0
    assert same.rank == 1
    assert not same.changed.any()
    other = compare([0.0, 5.0], covariance, [0.5, 6.0], covariance)
    assert other.changed.tolist() == [False, True]
    assert other.p_all == 0


def test_holm_steps_down() -> None:
    # By hand: 4 × 0.01, 3 × 0.015, 2 × 0.03 and 0.05, which may not be less than those before.
    assert holm([0.03, 0.01, 0.05, 0.015]) == pytest.approx([0.06, 0.04, 0.06, 0.045])
    assert holm([0.9, 0.8]) == pytest.approx([1, 1])


def test_simultaneous_probability_of_independent_parameters() -> None:
    found = compare(np.zeros(10), np.eye(10), np.append(2.5, np.zeros(9)), np.zeros((10, 10)))
    expected = 1 - (1 - 2 * stats.norm.sf(2.5)) ** 10
    # Statistical error of the draws 0.001.
    assert found.p_adjusted[0] == pytest.approx(expected, abs=0.004)


def test_simultaneous_probability_of_fully_correlated_parameters_is_that_of_one() -> None:
    found = compare(np.zeros(5), np.ones((5, 5)), np.full(5, 2.2), np.zeros((5, 5)))
    assert found.p_adjusted == pytest.approx(found.p, abs=0.002)
    assert found.changed.all()
    assert not compare(np.zeros(5), np.ones((5, 5)), np.full(5, 2.2), np.zeros((5, 5)), method="Holm").changed.any()


def test_simultaneous_probability_agrees_with_scipy() -> None:
    r, z = 0.7, 2.1
    correlation = np.full((3, 3), r) + (1 - r) * np.eye(3)
    inside = stats.multivariate_normal(np.zeros(3), correlation).cdf([z, z, z], lower_limit=[-z, -z, -z])
    found = compare(np.zeros(3), correlation, [z, z, z], np.zeros((3, 3)))
    assert found.p_adjusted[0] == pytest.approx(1 - inside, abs=0.003)


def test_few_degrees_of_freedom_widen_the_simultaneous_test() -> None:
    difference = [3.0, 0.0, 0.0]
    known = compare(np.zeros(3), np.eye(3), difference, np.zeros((3, 3)))
    few = compare(np.zeros(3), np.eye(3), difference, np.zeros((3, 3)), dof=4)
    assert few.p_adjusted[0] > 5 * known.p_adjusted[0]


def test_family_wise_false_alarms_and_power() -> None:
    rng = np.random.default_rng(7)
    n, trials, level = 8, 1500, 0.05
    first, second, shared = correlated(n, 8), correlated(n, 9), correlated(n, 10)
    covariance = first + second
    root = np.linalg.cholesky(covariance)
    p = np.empty((trials, n))
    moved = np.zeros(n)
    moved[2] = 5.5 * math.sqrt(covariance[2, 2])
    alarms, found, wrong = 0, 0, 0

    def test(difference: np.ndarray) -> Change:
        return compare(np.zeros(n), first + shared, difference, second + shared, common=shared, method="Holm")

    for i in range(trials):
        change = test(root @ rng.normal(size=n))
        p[i] = change.p
        alarms += change.any_changed
        with_change = test(moved + root @ rng.normal(size=n))
        found += with_change.changed[2]
        wrong += np.delete(with_change.changed, 2).any()
    # Statistical error 0.006 of each share.
    holms = np.mean([np.any(holm(row) <= level) for row in p])
    assert holms <= level + 0.015
    assert alarms / trials == pytest.approx(level, abs=0.02)
    assert found / trials > 0.99
    assert wrong / trials <= level + 0.015
    # Correlated parameters: the simultaneous test uses its level fully. One call gives its critical probability, since
    # all trials share a covariance.
    z = np.abs(stats.norm.ppf(p / 2)).max(axis=1)
    threshold = np.quantile(z, 1 - level)
    sd = np.sqrt(np.diag(covariance))
    one = compare(np.zeros(n), covariance, np.append(threshold * sd[0], np.zeros(n - 1)), np.zeros((n, n)))
    assert one.p_adjusted[0] == pytest.approx(level, abs=0.02)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=8))
def test_holm_never_lowers_and_keeps_the_order(p: list[float]) -> None:
    adjusted = holm(p)
    assert np.all(adjusted >= p)
    assert np.all(np.diff(adjusted[np.argsort(p, kind="stable")]) >= 0)


@given(st.floats(0, 4), st.floats(0, 4), st.integers(0, 3))
def test_a_larger_difference_is_never_less_significant(one: float, other: float, which: int) -> None:
    near, far = sorted([one, other])
    covariance, unit = correlated(4, 11), np.eye(4)[which]
    sd = math.sqrt(covariance[which, which])
    p = [compare(np.zeros(4), covariance, z * sd * unit, np.zeros((4, 4)), method="Holm") for z in (near, far)]
    assert p[1].p_adjusted[which] <= p[0].p_adjusted[which]
    assert p[1].chi2 >= p[0].chi2


def test_change_as_plain_data() -> None:
    found = compare([0, 0], np.eye(2), [0, 9], np.eye(2), names=["scale", "skew"]).to_dict()
    assert [row["changed"] for row in found["parameters"]] == [False, True]
    assert found["parameters"][1]["name"] == "skew"
    assert found["rank"] == 2


# --- sequential ----------------------------------------------------------------------------------


def outcomes(test: SequentialTest, deviation: float, sd: float, trials: int, most: int = 1000) -> tuple[float, float]:
    """Return the share of yes and the mean number of values of simulated tests, all of which must end."""
    rng = np.random.default_rng(12)
    values = deviation + rng.normal(0, sd, (trials, most))
    ratio = test.log_ratio(values, sd)
    lower, upper = test.bounds
    crossed = (ratio <= lower) | (ratio >= upper)
    assert crossed.any(axis=1).all()
    first = crossed.argmax(axis=1)
    yes = ratio[np.arange(trials), first] <= lower
    return float(yes.mean()), float(first.mean() + 1)


@pytest.mark.parametrize("deviation", [0.0, 0.25, 0.5, 0.75, 1.0])
def test_one_sided_test_has_the_characteristics_that_wald_gives(deviation: float) -> None:
    sd = 3.0
    test = SequentialTest(1.0, 0.05, 0.1, both_sides=False)
    yes, number = outcomes(test, deviation, sd, 3000)
    # Wald's formulas take the last value to meet its bound. In truth it passes by 0.583 standard deviations of a step
    # on average (D. Siegmund, Sequential Analysis, 1985), as if the bounds were that much further apart.
    lower, upper = (bound + math.copysign(0.583 / sd, bound) for bound in test.bounds)
    alarm = math.expm1(-lower) / (math.exp(upper - lower) - 1)
    moved = SequentialTest(1.0, alarm, math.exp(lower) * (1 - alarm), both_sides=False)
    assert moved.bounds == pytest.approx((lower, upper))
    # Statistical errors 0.009 and 1.5 %.
    assert yes == pytest.approx(moved.accepted(deviation), abs=0.025)
    assert number == pytest.approx(moved.expected_number(sd, deviation), rel=0.04)
    # As they stand they err by that: fewer wrong answers, and up to a fifth more values.
    assert yes == pytest.approx(test.accepted(deviation), abs=0.03)
    assert 1 < number / test.expected_number(sd, deviation) < 1.2


def test_wald_formulas_at_their_ends() -> None:
    test = SequentialTest(2.0, 0.01, 0.05, both_sides=False)
    assert test.accepted(0.0) == pytest.approx(0.99)
    assert test.accepted(2.0) == pytest.approx(0.05)
    lower, upper = test.bounds
    assert test.accepted(1.0) == pytest.approx(upper / (upper - lower))
    assert test.accepted(1.0 + 1e-6) == pytest.approx(test.accepted(1.0), rel=1e-4)
    assert test.expected_number(1.0, 1.0 + 1e-6) == pytest.approx(test.expected_number(1.0, 1.0), rel=1e-3)
    # Fewer values than the fixed test of the same risks needs: (z_α + z_β)² σ²/δ² (Wald 1947).
    fixed = (stats.norm.ppf(0.99) + stats.norm.ppf(0.95)) ** 2 / 4
    assert test.expected_number(1.0, 0.0) < 0.6 * fixed


@pytest.mark.parametrize("sd", [0.5, 2.0])
def test_two_sided_errors_stay_within_walds_bounds(sd: float) -> None:
    test = SequentialTest(1.0, 0.05, 0.05)
    right, _ = outcomes(test, 0.0, sd, 4000, 300)
    missed, number = outcomes(test, 1.0, sd, 4000, 300)
    mirrored, _ = outcomes(test, -1.0, sd, 4000, 300)
    # Statistical error 0.003.
    assert 1 - right <= 0.05 / 0.95 + 0.01
    assert missed <= 0.05 / 0.95 + 0.01
    assert mirrored <= 0.05 / 0.95 + 0.01
    # To tell one of two sides takes what a one-sided test of half the false alarms takes.
    assert number == pytest.approx(SequentialTest(1.0, 0.025, 0.05, False).expected_number(sd, 1.0), rel=0.2, abs=1)


def test_false_alarms_stay_within_their_bound_with_a_common_error() -> None:
    test = SequentialTest(1.0, 0.05, 0.05)
    rng = np.random.default_rng(13)
    values = rng.normal(0, 1, (4000, 200)) + 0.25 * rng.normal(size=(4000, 1))
    lower, upper = test.bounds
    for u_common, low, high in ((0.25, 0.0, 0.06), (0.0, 0.07, 1.0)):
        ratio = test.log_ratio(values, 1.0, u_common)
        crossed = (ratio <= lower) | (ratio >= upper)
        first = crossed.argmax(axis=1)
        alarms = np.mean(crossed.any(axis=1) & (ratio[np.arange(4000), first] >= upper))
        # Forgetting the common error cries wolf too often. Statistical error 0.004.
        assert low <= alarms <= high


def test_answers() -> None:
    test = SequentialTest(1.0)
    assert test.judge(np.zeros(50), 1.0).answer == "yes"
    found = test.judge(np.full(50, -1.0), 1.0)
    assert found.answer == "no"
    assert found.used < 50
    assert found.mean == pytest.approx(-1)
    assert found.u == pytest.approx(1 / math.sqrt(found.used))
    early = test.judge([0.2], 1.0)
    assert early.answer == "need more"
    assert not early.hopeless
    assert test.judge(np.zeros(50), 1.0, u_common=1.0).hopeless


def test_precise_values_count_for_more() -> None:
    test = SequentialTest(1.0)
    assert test.judge([0.0], 0.3).answer == "yes"
    mixed = test.judge([3.0, 0.0], [30.0, 0.3])
    assert mixed.answer == "yes"
    assert mixed.mean == pytest.approx(3 * 0.3**2 / (30**2 + 0.3**2))


@given(st.lists(st.floats(-3, 3), min_size=1, max_size=10), st.floats(0.2, 3), st.floats(0, 1))
def test_two_sided_answer_is_the_same_for_the_mirror(values: list[float], sd: float, u_common: float) -> None:
    test = SequentialTest(1.0)
    one, other = test.judge(values, sd, u_common), test.judge(np.negative(values), sd, u_common)
    assert (one.answer, one.used) == (other.answer, other.used)
    assert one.log_ratio == pytest.approx(other.log_ratio)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: compare([], np.zeros((0, 0)), [], np.zeros((0, 0))), "one at least"),
        (lambda: compare([0, 1], np.eye(2), [0], np.eye(2)), "same parameters"),
        (lambda: compare([0], [[math.nan]], [0], [[1]]), "must be finite"),
        (lambda: compare([0], [[-1.0]], [0], [[1]]), "no variance negative"),
        (lambda: compare([0, 0], [[1, 0.5], [0, 1]], [0, 0], np.eye(2)), "symmetric"),
        (lambda: compare([0], [[1]], [0], [[1]], common=[[2]]), "common part is wrong"),
        (lambda: compare([0], [[1]], [0], [[1]], common=[1]), "matrix of 1 x 1"),
        (lambda: compare([0], [[1]], [0], [[1]], names=["a", "b"]), "a name for each"),
        (lambda: compare([0], [[1]], [0], [[1]], level=1.0), "between 0 and 1"),
        (lambda: compare([0], [[1]], [0], [[1]], dof=0), "must be positive"),
        (lambda: compare([0], [[1]], [0], [[1]], method="none"), "no way"),  # type: ignore[arg-type]
        (lambda: holm([1.5]), "between 0 and 1"),
        (lambda: SequentialTest(0.0), "must be positive"),
        (lambda: SequentialTest(-1.0), "must be positive"),
        (lambda: SequentialTest(1.0, 0.6, 0.6), "less probable than 1"),
        (lambda: SequentialTest(1.0, 0.0), "between 0 and 1"),
        (lambda: SequentialTest(1.0).judge([], 1.0), "one at least"),
        (lambda: SequentialTest(1.0).judge([0.0], 0.0), "must be positive"),
        (lambda: SequentialTest(1.0).judge([math.nan], 1.0), "must be finite"),
        (lambda: SequentialTest(1.0).judge([0.0], 1.0, -1.0), "zero or positive"),
        (lambda: SequentialTest(1.0).accepted(0.0), "one side"),
    ],
)
def test_refusals_are_one_sentence(call: Callable[[], object], words: str) -> None:
    with pytest.raises(StatisticsError, match=words) as refusal:
        call()
    assert str(refusal.value).endswith(".")
    assert "\n" not in str(refusal.value)
