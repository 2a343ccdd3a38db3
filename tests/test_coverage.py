"""Whether intervals of 95 % hold the truth: a small version of ``tests/benchmarks/coverage.py``."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from tests.benchmarks.coverage import BAND, Trial, binomial_interval, lines, table, trials

INSTRUMENTS = 2


def test_binomial_interval_of_no_and_all_successes() -> None:
    # closed forms of Clopper and Pearson's limits: (alpha/2)^(1/n) and one less that
    low, high = binomial_interval(0.0, 10)
    assert (low, high) == (0.0, pytest.approx(1 - 0.025**0.1))
    low, high = binomial_interval(1.0, 10)
    assert (low, high) == (pytest.approx(0.025**0.1), 1.0)


@pytest.mark.parametrize(("hits", "count"), [(1, 10), (9, 20), (186, 200), (199, 200)])
def test_binomial_interval_leaves_the_tails_that_it_says(hits: int, count: int) -> None:
    # what defines it: at either limit, a result as extreme as this one or more so has a probability of 2.5 %
    low, high = binomial_interval(hits / count, count)
    assert binom.sf(hits - 1, count, low) == pytest.approx(0.025)
    assert binom.cdf(hits, count, high) == pytest.approx(0.025)


def test_table_counts_instruments_and_not_values() -> None:
    found = [
        Trial(instrument, "pitch", "", value, 1.0, 2.0, 5.0)
        for instrument, value in [(0, 5.5), (0, 6.5), (1, 2.5), (1, 4.5)]
    ]
    (row,) = table(found)
    assert (row.instruments, row.values, row.share) == (2, 4, 0.75)
    assert (row.low, row.high) == binomial_interval(0.75, 2)
    assert row.mean == pytest.approx(-0.25)
    assert row.rms == pytest.approx(np.sqrt((0.25 + 2.25 + 6.25 + 0.25) / 4))
    assert row.meets
    assert "| pitch | 2 | 4 | 75.0 |" in lines([row])[2]


def test_intervals_of_foreign_instruments_hold_the_truth() -> None:
    found = [trial for seed in range(INSTRUMENTS) for trial in trials(seed, refinements=0)]
    rows = table(found)
    assert len(rows) == 9
    assert all(row.instruments == INSTRUMENTS for row in rows)
    # One quantity of one instrument is one trial, since its values are alike. Fewer would hold the truth in one of a
    # thousand runs if their probability were the least of the band.
    pairs = len(rows) * INSTRUMENTS
    share = float(np.mean([row.share for row in rows]))
    assert share * pairs >= binom.ppf(1e-3, pairs, BAND[0])
    # and they are not just wide: uncertainties three times too large would leave a third
    ratio = np.array([(trial.value - trial.truth) / trial.u for trial in found])
    assert 0.5 < np.sqrt(np.mean(ratio**2)) < 1.5
