"""Control charts and trends against the NIST/SEMATECH e-Handbook, published run lengths, and simulation."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.arithmetic.straight_line import fit_straight_line
from calib.errors import StatisticsError
from calib.statistics.baseline import D2, D3, Baseline, estimate_baseline
from calib.statistics.charts import BEYOND, RunRule, Signal, ewma, individuals, moving_range, runs
from calib.statistics.risk import Limits
from calib.statistics.run_length import ewma_run_length, ewma_width, individuals_run_length
from calib.statistics.trend import fit_trend
from tests.published import Check, each

HANDBOOK = "NIST/SEMATECH e-Handbook, {} (from memory)"
LUCAS = "Lucas and Saccucci, Technometrics 1990 (from memory): run length of EWMA"
CHAMP = "Champ and Woodall, Technometrics 1987 (from memory)"

FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
AVERAGED = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, *FLOW]
# The sixth, of which memory is not sure, is left out.
EWMA = (
    "50.60 49.52 50.56 50.18 50.16 ? 49.75 49.85 50.26 50.33 50.11 49.36 49.52 50.05 49.38 49.92 50.73 51.23 "
    "51.94 51.99"
)
DAY = 86400.0


def checks() -> list[Check]:
    source = HANDBOOK.format("6.3.2.2, flow rate of ten batches")
    chart = individuals(FLOW)
    found = [
        Check(HANDBOOK.format("6.3.2"), "d2 for n = 2", "1.128", D2),
        Check(HANDBOOK.format("6.3.2"), "d3 for n = 2", "0.853", D3),
        Check(HANDBOOK.format("6.3.2"), "3 / d2", "2.66", 3 / D2),
        Check(HANDBOOK.format("6.3.2"), "D4 for n = 2", "3.267", 1 + 3 * D3 / D2),
        Check(source, "mean", "50.81", chart.baseline.centre),
        Check(source, "mean moving range", "1.8778", chart.baseline.sigma * D2),
        Check(source, "upper limit", "55.8041", float(chart.upper[0]), 20, "theirs with d2 = 1.128"),
        Check(source, "lower limit", "45.8159", float(chart.lower[0]), 20, "theirs with d2 = 1.128"),
    ]
    source = HANDBOOK.format("6.3.2.4, λ = 0.3")
    chart = ewma(AVERAGED, baseline=Baseline(50.0, 2.0539), weight=0.3, steady=True)
    found += [
        Check(source, "upper limit", "52.5884", float(chart.upper[0])),
        Check(source, "lower limit", "47.4115", float(chart.lower[0]), 1, "theirs with a rounded factor of 0.4201"),
    ]
    found += [
        Check(source, f"average {i}", text, float(ours))
        for i, (text, ours) in enumerate(zip(EWMA.split(), chart.statistic, strict=True), 1)
        if text != "?"
    ]
    found += [
        Check(CHAMP, f"run length at 3 standard deviations, shift {shift} σ", text, individuals_run_length(3.0, shift))
        for shift, text in {0: "370.40", 1: "43.89", 2: "6.30", 3: "2.00"}.items()
    ]
    table = {
        (0.40, 3.054): {0: "500", 0.5: "71.2", 1: "14.3", 2: "3.5", 3: "2.0"},
        (0.25, 2.998): {0: "500", 0.25: "170", 1: "11.1", 1.5: "5.5", 2: "3.6"},
        (0.20, 2.962): {0: "500", 0.25: "150", 0.5: "41.8", 1: "10.5", 2: "3.7"},
        (0.10, 2.814): {0: "500", 0.25: "106", 0.5: "31.3", 1: "10.3", 2: "4.4"},
        (0.05, 2.615): {0: "500", 0.5: "28.8", 0.75: "16.4", 1: "11.4", 2: "5.2"},
    }
    found += [
        Check(LUCAS, f"λ = {weight:.2f}, L = {width}, shift {shift} σ", text, ewma_run_length(weight, width, shift))
        for (weight, width), row in table.items()
        for shift, text in row.items()
    ]
    return found


@each(checks())
def test_published_chart(check: Check) -> None:
    assert check.agrees, check


# --- individuals ---------------------------------------------------------------------------------


def test_worked_example_is_in_control() -> None:
    assert individuals(FLOW).in_control
    assert moving_range(FLOW).in_control
    assert ewma(AVERAGED, baseline=Baseline(50.0, 2.0539), weight=0.3).in_control


def test_a_point_beyond_its_limits_signals() -> None:
    chart = individuals([0.0, 2.9, -3.1, 3.1], baseline=Baseline(0.0, 1.0))
    assert chart.signals == (Signal(2, BEYOND, "below"), Signal(3, BEYOND, "above"))
    assert chart.to_dict()["signals"][0] == {"index": 2, "rule": BEYOND, "side": "below"}


def test_an_uncertain_point_has_wider_limits() -> None:
    chart = individuals([0.0, 4.0, 4.0], [0.0, 0.0, 1.0], baseline=Baseline(0.0, 1.0))
    assert chart.upper == pytest.approx([3, 3, 3 * math.sqrt(2)])
    assert [signal.index for signal in chart.signals] == [1]


def test_limits_from_the_data_hold_equal_uncertainties_already() -> None:
    assert individuals(FLOW, 1.0).upper == pytest.approx(individuals(FLOW).upper, rel=1e-9)
    base = estimate_baseline(FLOW, 1.0)
    assert base.sigma == pytest.approx(math.sqrt((17 / 9 - 0.1 / 9) ** 2 / D2**2 - 1), rel=1e-2)


def test_uncertainties_that_explain_all_scatter_leave_none_to_the_process() -> None:
    base = estimate_baseline([1.0, 1.1, 0.9, 1.0], 1.0)
    assert base.sigma == 0
    assert individuals([1.0, 1.1, 0.9, 1.0], 1.0).upper == pytest.approx(np.full(4, 4.0))
    # Then the centre is the weighted mean, with its usual uncertainty.
    unequal = estimate_baseline([1.0, 1.3, 0.9], [1.0, 2.0, 3.0])
    assert unequal.sigma == 0
    assert unequal.centre == pytest.approx((1 + 1.3 / 4 + 0.9 / 9) / (1 + 1 / 4 + 1 / 9))
    assert unequal.u_centre == pytest.approx(1 / math.sqrt(1 + 1 / 4 + 1 / 9))


def test_baseline_of_unequal_points_is_unbiased() -> None:
    rng = np.random.default_rng(1)
    u = np.tile([0.2, 1.5, 0.7], 1000)
    values = 5 + rng.normal(0, np.hypot(1.0, u))
    base = estimate_baseline(values, u)
    # Statistical errors: 0.03 of σ (moving ranges of 3000 points), 0.025 of the mean.
    assert base.sigma == pytest.approx(1.0, abs=0.1)
    assert base.centre == pytest.approx(5.0, abs=4 * base.u_centre)


def test_relative_variance_of_a_mean_moving_range() -> None:
    rng = np.random.default_rng(2)
    n, trials = 8, 20_000
    ranges = np.abs(np.diff(rng.normal(size=(trials, n)), axis=1)).mean(axis=1) / D2
    # The variance of 20 000 trials has a statistical error of 1 to 2 %.
    dof = Baseline(0.0, 1.0, n=n).dof
    # Of χ over its mean, by the exact moments.
    mean = math.sqrt(2) * math.exp(math.lgamma((dof + 1) / 2) - math.lgamma(dof / 2))
    assert dof / mean**2 - 1 == pytest.approx(ranges.var(), rel=0.05)


# --- false alarms --------------------------------------------------------------------------------


def test_false_alarms_of_individuals_are_what_the_limits_are_for() -> None:
    rng = np.random.default_rng(3)
    u = rng.uniform(0.1, 2.0, 400_000)
    values = 7 + rng.normal(0, np.hypot(0.5, u))
    share = len(individuals(values, u, baseline=Baseline(7.0, 0.5)).signals) / u.size
    # Statistical error 0.00008.
    assert share == pytest.approx(0.0027, abs=0.0003)


def test_false_alarms_of_time_varying_ewma_limits_are_the_same_at_each_point() -> None:
    rng = np.random.default_rng(4)
    trials, u = 3000, np.array([0.1, 2.0, 0.5, 1.0, 0.1, 0.1])
    width = 2.0  # 4.55 % of points, whichever
    counts = np.zeros(u.size)
    for values in rng.normal(0, np.hypot(0.5, u), (trials, u.size)):
        for signal in ewma(values, u, baseline=Baseline(0.0, 0.5), width=width).signals:
            counts[signal.index] += 1
    # Statistical error 0.004 each.
    assert counts / trials == pytest.approx(np.full(u.size, 0.0455), abs=0.014)


def test_an_estimated_centre_widens_the_limits_of_later_points_by_what_it_is_unsure() -> None:
    rng = np.random.default_rng(14)
    trials, n = 2500, 4
    counts = np.zeros(8)
    for past, later in zip(rng.normal(size=(trials, n)), rng.normal(size=(trials, 8)), strict=True):
        base = Baseline(float(past.mean()), 1.0, 1 / math.sqrt(n))
        for signal in ewma(later, baseline=base, width=2.0).signals:
            counts[signal.index] += 1
    # Statistical error 0.004 each. Without the centre's uncertainty it would be 0.25 in the end.
    assert counts / trials == pytest.approx(np.full(8, 0.0455), abs=0.014)


def test_simulated_run_length_of_ewma() -> None:
    rng = np.random.default_rng(5)
    weight, width = 0.2, 2.0
    expected = ewma_run_length(weight, width)
    half = width * math.sqrt(weight / (2 - weight))
    average, alive, steps, lengths = np.zeros(20_000), np.full(20_000, True), 0, np.zeros(20_000)
    while alive.any() and steps < 2000:
        steps += 1
        average = weight * rng.normal(size=average.size) + (1 - weight) * average
        gone = alive & (np.abs(average) > half)
        lengths[gone] = steps
        alive &= ~gone
    assert not alive.any()
    # Statistical error 0.7 %.
    assert lengths.mean() == pytest.approx(expected, rel=0.03)


def test_limits_from_few_points_with_their_width_keep_the_false_alarm_rate() -> None:
    rng = np.random.default_rng(6)
    trials, n = 100_000, 10
    past, later = rng.normal(size=(trials, n)), rng.normal(size=trials)
    sigma = np.abs(np.diff(past, axis=1)).mean(axis=1) / D2
    z = np.abs(later - past.mean(axis=1)) / (sigma * math.sqrt(1 + 1 / n))
    base = estimate_baseline(past[0])
    assert base.u_centre == pytest.approx(sigma[0] / math.sqrt(n))
    chart = individuals(later[:1], baseline=base, width=base.width(0.05))
    assert (chart.upper[0] - base.centre) == pytest.approx(base.width(0.05) * sigma[0] * math.sqrt(1 + 1 / n))
    # Statistical errors: 0.0004, 0.0007 and 0.0001. Limits at three standard deviations alarm six times too often.
    assert np.mean(z > 3) == pytest.approx(0.0188, abs=0.002)
    assert np.mean(z > base.width(0.05)) == pytest.approx(0.05, abs=0.004)
    # Far out, a mean range is a little less scattered than its t distribution says: on the safe side.
    assert 0.001 < np.mean(z > base.width(0.0027)) <= 0.0027


@pytest.mark.parametrize(
    ("rules", "published"),
    [
        (("2 of 3",), 225.44),
        (("4 of 5",), 166.05),
        (("8 in a row",), 152.73),
        (("2 of 3", "4 of 5", "8 in a row"), 91.75),
    ],
)
def test_run_rules_have_the_published_run_lengths(rules: tuple[RunRule, ...], published: float) -> None:
    # C. W. Champ and W. H. Woodall, Technometrics 29 (1987), table of the Western Electric rules, from memory; the
    # e-Handbook, 6.3.2, quotes the last.
    rng = np.random.default_rng(7)
    trials, block = 4000, 1500
    z = rng.normal(size=(trials, block))
    signal = np.abs(z) > 3
    for rule in rules:
        above, below = runs(z, rule)
        signal |= above | below
    found = signal.any(axis=1)
    # Runs longer than the block are counted by the mean of an exponential tail: events over time observed.
    length = np.where(found, signal.argmax(axis=1) + 1, block)
    mean = length.sum() / found.sum()
    # Statistical error 1.6 %.
    assert mean == pytest.approx(published, rel=0.05)


def test_run_rules_signal_at_the_newest_point_of_a_run() -> None:
    above, below = runs([0, 2.1, 0, 2.1, 0, -2.1, -2.5, 0], "2 of 3")
    assert np.flatnonzero(above).tolist() == [3]
    assert np.flatnonzero(below).tolist() == [6]
    chart = individuals(np.full(9, 0.1), baseline=Baseline(0.0, 1.0), rules=["8 in a row"])
    assert [signal.index for signal in chart.signals] == [7, 8]


def test_ewma_finds_a_small_lasting_change_that_single_points_hide() -> None:
    values = np.concatenate([np.tile([-1.0, 1.0], 10), np.tile([0.0, 2.0], 10)])
    base = Baseline(0.0, 1.0)
    assert individuals(values, baseline=base).in_control
    signals = ewma(values, baseline=base, weight=0.1, width=2.7).signals
    assert signals
    assert min(signal.index for signal in signals) >= 20


def test_ewma_width_is_the_inverse_of_its_run_length() -> None:
    assert ewma_width(1.0) == pytest.approx(3.0, abs=1e-4)
    assert ewma_run_length(0.15, ewma_width(0.15, 200.0)) == pytest.approx(200.0, rel=1e-4)


@given(st.floats(-3, 3), st.floats(0.05, 1), st.lists(st.floats(-5, 5), min_size=2, max_size=12))
def test_charts_follow_a_shift_and_a_mirror(shift: float, weight: float, values: list[float]) -> None:
    base, moved = Baseline(0.0, 1.0, 0.1), Baseline(shift, 1.0, 0.1)
    one = ewma(values, baseline=base, weight=weight)
    assert ewma(np.add(values, shift), baseline=moved, weight=weight).statistic == pytest.approx(one.statistic + shift)
    mirrored = ewma(np.negative(values), baseline=base, weight=weight)
    assert mirrored.statistic == pytest.approx(-one.statistic)
    assert len(mirrored.signals) == len(one.signals)


@given(st.floats(0.01, 1), st.lists(st.floats(-5, 5), min_size=1, max_size=12))
def test_no_weight_but_of_the_newest_point_is_an_individuals_chart(u: float, values: list[float]) -> None:
    base = Baseline(0.0, 1.0, 0.2)
    averaged, single = ewma(values, u, baseline=base, weight=1.0), individuals(values, u, baseline=base)
    assert averaged.upper == pytest.approx(single.upper)
    assert averaged.statistic == pytest.approx(single.statistic)


# --- trends --------------------------------------------------------------------------------------


def test_trend_is_the_line_of_the_technical_specification() -> None:
    # ISO/TS 28037:2010, 6.3, example 1, with seconds that are large as those of dates are.
    y = [3.3, 5.6, 7.1, 9.3, 10.7, 12.1]
    start = 1.7e9
    trend = fit_trend(start + DAY * np.arange(1, 7), y, 0.5)
    rate, u_rate = trend.rate
    assert rate * DAY == pytest.approx(1.757, abs=5e-4)
    assert u_rate * DAY == pytest.approx(0.120, abs=5e-4)
    value, u = trend.value(start + 3.5 * DAY)
    line = fit_straight_line(np.arange(1, 7), y, covariance_y=0.25)
    assert (value, u) == pytest.approx(tuple(map(float, line.value(3.5))), rel=1e-6)
    assert trend.consistent
    assert trend.inflation == 1


def test_when_a_trend_leaves_is_where_its_interval_meets_the_limit() -> None:
    times = DAY * np.array([0.0, 30, 60, 90])
    trend = fit_trend(times, [0.0, 1.1, 1.9, 3.0], [0.1, 0.3, 0.1, 0.2])
    found = trend.leaving(Limits(-5, 5), times[-1])
    assert times[-1] < found.earliest < found.likely < found.latest < math.inf
    k = 1.959964
    for date, factor in ((found.earliest, k), (found.likely, 0), (found.latest, -k)):
        value, u = trend.value(date)
        assert value + factor * u == pytest.approx(5.0, abs=1e-6)


def test_a_level_trend_may_leave_but_need_not() -> None:
    trend = fit_trend(DAY * np.arange(4.0), [0.0, 0.1, 0.1, 0.0], 0.1)
    found = trend.leaving(Limits(-1, 1), 3 * DAY)
    assert 3 * DAY < found.earliest < math.inf
    assert found.latest == math.inf
    sure = fit_trend(DAY * np.arange(4.0), [0.0, 1.0, 2.0, 3.0], 1e-3)
    assert sure.leaving(Limits(lower=-1), 3 * DAY).earliest == math.inf


def test_a_trend_that_is_outside_has_left_already() -> None:
    trend = fit_trend(DAY * np.arange(3.0), [0.0, 1.0, 2.0], 0.01)
    found = trend.leaving(Limits(upper=1.5), 2 * DAY)
    assert (found.earliest, found.likely, found.latest) == (2 * DAY, 2 * DAY, 2 * DAY)


def test_points_that_scatter_more_than_they_should_make_the_trend_less_sure() -> None:
    rng = np.random.default_rng(8)
    times = DAY * np.arange(12.0)
    values = rng.normal(0, 1, 12)
    honest, proud = fit_trend(times, values, 1.0), fit_trend(times, values, 0.01)
    assert not proud.consistent
    assert proud.dof == 10
    assert proud.rate[1] == pytest.approx(honest.rate[1] * math.sqrt(honest.line.chi2 / 10), rel=1e-6)
    told = fit_trend(times, values, 0.01, process_sd=1.0)
    assert told.consistent
    assert told.rate[1] == pytest.approx(honest.rate[1], rel=1e-3)


def test_what_all_values_have_in_common_does_not_blur_the_rate() -> None:
    times, values = DAY * np.arange(5.0), [0.0, 0.1, 0.2, 0.3, 0.5]
    alone = fit_trend(times, values, 0.1)
    shared = fit_trend(times, values, 0.01 * np.eye(5) + 1.0)
    assert shared.rate == pytest.approx(alone.rate, rel=1e-6)
    assert shared.value(2 * DAY)[1] > 1


def test_coverage_of_the_earliest_and_latest_date() -> None:
    rng = np.random.default_rng(9)
    times, rate, limit = np.arange(8.0), 1.0, 20.0
    outside = 0
    trials = 400
    for values in rate * times + rng.normal(0, 1.0, (trials, 8)):
        trend = fit_trend(times, values, 1.0)
        # The true date is 20. Taken with the known scatter, the interval covers it in 95 of 100.
        found = type(trend)(trend.line, trend.origin, trend.scale, 1.0, math.inf, True).leaving(
            Limits(upper=limit), 7.0
        )
        outside += not found.earliest <= limit / rate <= found.latest
    # Statistical error 0.011.
    assert outside / trials == pytest.approx(0.05, abs=0.035)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: individuals([1.0]), "two points"),
        (lambda: individuals([]), "list of points"),
        (lambda: individuals([1.0, 1.0]), "no spread"),
        (lambda: individuals([1.0, math.nan]), "must be finite"),
        (lambda: individuals([1.0, 2.0], -0.1), "zero or positive"),
        (lambda: individuals([1.0, 2.0], [0.1, 0.1, 0.1]), "one for each"),
        (lambda: individuals([1.0, 2.0], width=0), "must be positive"),
        (lambda: individuals([1.0, 2.0], baseline=Baseline(1.0, 0.0)), "no limits"),
        (lambda: individuals([1.0, 2.0], rules=["3 of 3"]), "no run rule"),  # type: ignore[list-item]
        (lambda: Baseline(0.0, -1.0), "zero or positive"),
        (lambda: Baseline(math.nan, 1.0), "must be finite"),
        (lambda: Baseline(0.0, 1.0).width(0.0), "between 0 and 1"),
        (lambda: ewma([1.0, 2.0], weight=0.0), "weight"),
        (lambda: ewma_run_length(1.5, 3.0), "weight"),
        (lambda: ewma_width(0.2, 0.5), "run length"),
        (lambda: fit_trend([0.0], [1.0], 1.0), "two different dates"),
        (lambda: fit_trend([1.0, 1.0], [1.0, 2.0], 1.0), "two different dates"),
        (lambda: fit_trend([0.0, 1.0], [1.0, 2.0], 0.0), "must be positive"),
        (lambda: fit_trend([0.0, math.nan], [1.0, 2.0], 1.0), "must be finite"),
        (lambda: fit_trend([0.0, 1.0], [1.0, 2.0], [1.0, 1.0, 1.0]), "covariance matrix"),
        (lambda: fit_trend([0.0, 1.0], [1.0, 2.0], 1.0).leaving(Limits(0, 1), math.nan), "must be finite"),
    ],
)
def test_refusals_are_one_sentence(call: Callable[[], object], words: str) -> None:
    with pytest.raises(StatisticsError, match=words) as refusal:
        call()
    assert str(refusal.value).endswith(".")
    assert "\n" not in str(refusal.value)
