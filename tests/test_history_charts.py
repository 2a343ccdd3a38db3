"""Charts and trends of a history: false alarms as often as designed, with uncertain points and common certificates."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.history.control import Limits, control
from calib.history.due import drift, leaving
from calib.history.series import Series

DAY = 86400.0
START = datetime(2026, 1, 1, tzinfo=UTC)


def series(values: Any, own: Any, common: Any = None) -> Series:
    """Return a series of points a day apart; the models behind them don't matter here."""
    values = np.asarray(values, dtype=np.float64)
    n = values.size
    times = START.timestamp() + DAY * np.arange(n)
    shared = np.zeros((n, 0)) if common is None else np.asarray(common, dtype=np.float64).reshape(n, -1)
    models: Any = tuple(range(n))  # only counted
    return Series("scale x", "1", "", models, times, values, np.broadcast_to(np.asarray(own, float), (n,)), shared)


def simulated(rng: np.random.Generator, n: int, sigma: float, common: Any, drift_of: float = 0.0) -> Series:
    """Return a process in control: its own scatter, unequal uncertainties, certificates wrong for all alike."""
    own = rng.choice([0.3, 1.0, 1.7], n)
    common = np.asarray(common, dtype=np.float64)
    values = (
        5 + drift_of * np.arange(n) + rng.normal(0, np.hypot(sigma, own)) + common @ rng.normal(size=common.shape[1])
    )
    return series(values, own, common)


def rates(limits: Limits, n: int, common: Any, trials: int, sigma: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """Return in how many of the trials' judged points each chart signals, trial by trial, and of how many points."""
    rng = np.random.default_rng(7)
    found = []
    for _ in range(trials):
        told = control(simulated(rng, n, sigma, common), limits)
        assert told.individuals is not None
        assert told.ewma is not None
        points = n - told.first
        found.append([len(told.individuals.signals) / points, len(told.ewma.signals) / points])
    parts = np.array(found)
    return parts.mean(axis=0), parts.std(axis=0) / math.sqrt(trials)


ONE = np.full((30, 1), 4.0)  # the same standard for all, its certificate worse than everything else
EXCHANGED = np.zeros((30, 2))
EXCHANGED[:15, 0] = EXCHANGED[15:, 1] = 2.0


@pytest.mark.parametrize("common", [ONE, EXCHANGED], ids=["one standard", "standard exchanged"])
@pytest.mark.parametrize("chance", [0.0027, 0.05])
def test_given_spread_signals_by_mistake_as_often_as_designed(common: np.ndarray, chance: float) -> None:
    found, u = rates(Limits(sd=1.0, models=10, false_alarms=chance), 30, common, 1500)
    # points of one trial share the centre, so the scatter of trials gives the statistical error
    assert np.all(np.abs(found - chance) < 4 * u)
    assert np.all(u < 0.5 * chance)


def test_given_centre_and_spread_signal_by_mistake_as_often_as_designed() -> None:
    found, u = rates(Limits(target=5.0, sd=1.0, false_alarms=0.0027), 30, np.full((30, 1), 1.0), 1500)
    assert np.all(np.abs(found - 0.0027) < 4 * u)


def test_limits_from_few_points_err_on_the_safe_side() -> None:
    # the uncertainties of the baseline are a floor for those of later points, so that chance is less than designed
    found, u = rates(Limits(models=6, false_alarms=0.05), 30, ONE, 1500, sigma=2.0)
    assert np.all(found < 0.05 * 1.2 + 4 * u)
    assert np.all(found > 0.05 * 0.3)
    rare, u = rates(Limits(models=6, false_alarms=0.0027), 30, ONE, 1500, sigma=2.0)
    assert np.all(rare < 0.0027 + 4 * u)


def test_uncertainties_that_count_the_certificate_twice_would_hide_a_change() -> None:
    values = np.r_[np.tile([-1.0, 1.0], 10), np.full(10, 6.0)]
    told = control(series(values, 1.0, np.full((30, 1), 50.0)), Limits(sd=0.0, models=20))
    assert {index for index, kind, _ in told.signals if kind == "individuals"} == set(range(20, 30))
    # of an exchanged standard such a change may come from its certificate
    apart = np.zeros((30, 2))
    apart[:20, 0], apart[20:, 1] = 50.0, 50.0
    assert not control(series(values, 1.0, apart), Limits(sd=0.0, models=20)).signals


def test_too_few_models_are_told_and_not_judged() -> None:
    told = control(series([1.0, 2.0, 3.0], 1.0))
    assert told.in_control is None
    assert "need 4" in told.said
    assert control(series([1.0], 1.0), Limits(target=1.0, sd=1.0)).in_control
    same = control(series([1.0] * 6, 0.0))
    assert same.in_control is None
    assert "spread" in same.said


@settings(deadline=None, max_examples=30)
@given(shift=st.floats(0, 50), more=st.floats(0, 50), sign=st.sampled_from([-1, 1]))
def test_signals_only_grow_with_the_shift(shift: float, more: float, sign: int) -> None:
    values = np.array([0.0, 1.0, -1.0, 0.5, -0.5, 0.2, 0.0])

    def signals(by: float) -> int:
        moved = values.copy()
        moved[-1] += sign * by
        return len(control(series(moved, 1.0), Limits(sd=1.0)).signals)

    assert signals(shift) <= signals(shift + more)


@settings(deadline=None, max_examples=30)
@given(st.lists(st.floats(-3, 3), min_size=6, max_size=12), st.floats(-100, 100))
def test_an_error_of_a_common_certificate_changes_nothing(values: list[float], by: float) -> None:
    common = np.ones((len(values), 1))
    one, other = (control(series(np.array(values) + add, 0.5, common), Limits(sd=0.5)) for add in (0.0, by))
    assert one.individuals is not None
    assert other.individuals is not None
    for name in ("lower", "upper", "statistic"):
        np.testing.assert_allclose(
            getattr(other.individuals, name), getattr(one.individuals, name) + by, rtol=1e-9, atol=1e-9
        )


# --- drift -----------------------------------------------------------------------------------------


def test_a_drift_is_found_and_its_uncertainty_leaves_the_certificate_out() -> None:
    rng = np.random.default_rng(3)
    ratios = []
    for _ in range(300):
        told = simulated(rng, 12, 0.0, np.full((12, 1), 30.0), drift_of=0.2)
        found = drift(told)
        assert found is not None
        ratios.append((found.rate * DAY - 0.2) / (found.u * DAY))
    # the uncertainty may only be inflated by chance, so the scatter is at most 1 but for statistics
    assert 0.75 < np.std(ratios) < 1.12
    assert abs(np.mean(ratios)) < 4 / math.sqrt(300)


def test_leaving_counts_from_what_the_model_in_use_says() -> None:
    told = series([1.0, 1.001, 1.002, 1.003], 1e-5, np.full((4, 1), 0.01))
    found = leaving(told, 0.002, START + timedelta(days=3))
    assert found is not None
    assert (found.lower, found.upper) == pytest.approx((1.001, 1.005))
    assert found.likely is not None
    assert found.likely.timestamp() == pytest.approx((START + timedelta(days=5)).timestamp(), abs=0.2 * DAY)
    assert found.earliest is not None
    assert found.latest is not None
    assert found.earliest < found.likely < found.latest
    # a target is absolute: then the certificate counts, and nobody can say that the value is within
    absolute = leaving(told, 0.002, START + timedelta(days=3), target=1.003)
    assert absolute is not None
    assert absolute.earliest == START + timedelta(days=3)


def test_no_drift_leaves_never_and_one_model_says_nothing() -> None:
    found = leaving(series([1.0, 1.0, 1.0], 1e-4), 0.5, START)
    assert found is not None
    assert found.likely is None
    assert found.latest is None
    assert drift(series([1.0], 0.1)) is None
    assert leaving(series([1.0], 0.1), 0.5, START) is None


@settings(deadline=None, max_examples=25)
@given(st.floats(1e-3, 1.0), st.floats(1.0, 5.0))
def test_a_wider_tolerance_is_never_left_sooner(tolerance: float, wider: float) -> None:
    told = series([1.0, 1.01, 1.015, 1.03], 0.004)
    dates = [leaving(told, part, START + timedelta(days=3)) for part in (tolerance, tolerance * wider)]
    for name in ("earliest", "likely", "latest"):
        one, other = (getattr(found, name) for found in dates)
        assert other is None or (one is not None and one <= other + timedelta(seconds=1))
