"""Refined nodes against the Cramér-Rao bound of the actual waveform: a small version of the benchmark.

Limits are quantiles of what mean squares of so many trials scatter by: an estimate that attains the bound, and states
its deviation as it is, fails once in ten thousand runs with other seeds.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.special import chdtri

from calib.observe.background import hold
from calib.observe.lateral import observe_lateral
from calib.observe.smooth import Surface
from tests.benchmarks.efficiency import CASES, Case, Estimate, again, bounds, by_nodes, errors, stated

TRIALS = 24
GRATING, GRID = CASES[1], CASES[8]


def quantile(probability: float, count: int) -> float:
    """Of the mean of `count` squares of standard normal numbers."""
    return float(chdtri(count, 1 - probability)) / count


@cache
def estimates(case: Case) -> list[Estimate]:
    """Refined from where one first observation puts the pattern."""
    first = observe_lateral(case.noisy(0), case.standard)
    return [by_nodes(again(case.noisy(1 + k), first)) for k in range(TRIALS)]


@pytest.mark.parametrize("case", [GRATING, GRID], ids=str)
def test_pitch_and_position_attain_the_bound(case: Case) -> None:
    bound, _ = bounds(case)
    found = np.array([errors(case, estimate) for estimate in estimates(case)])
    for index, limit in enumerate((bound.pitch, bound.position)):
        ratio = float(np.mean((found[:, index] / limit) ** 2))
        assert ratio < 1.05 * quantile(0.9999, found[:, index].size)


@pytest.mark.parametrize("case", [GRATING, GRID], ids=str)
def test_the_pitch_scatters_as_it_says(case: Case) -> None:
    ratio = [errors(case, estimate)[0] / stated(case, estimate)[0] for estimate in estimates(case)]
    square, count = float(np.mean(np.square(ratio))), np.size(ratio)
    assert quantile(0.0001, count) < square < quantile(0.9999, count)


def test_the_bound_of_a_sinusoid_is_kay_s() -> None:
    """One cosine along x: var f = 24 σ²/(4π² A² N_x N_y (N_x² - 1)), phase 2σ²/(A² N) in the middle (Kay 1993)."""

    class Sine(Case):
        @property
        def harmonics(self) -> np.ndarray:  # type: ignore[override]
            found = np.zeros(64, dtype=complex)
            found[[1, -1]] = 25e-9
            return found

    case = Sine("grating", 11.3, 0.0, 10.0)
    _, known = bounds(case)
    n = 256
    closed = np.sqrt(24 / (4 * np.pi**2 * n * n * (n**2 - 1))) / 10 * 11.3
    assert known.pitch == pytest.approx(closed, rel=0.01)
    assert known.position == pytest.approx(np.sqrt(2) / 10 / n / (2 * np.pi), rel=0.01)


def test_backgrounds_that_follow_a_surface_are_held_to_it_and_others_stay_free() -> None:
    rng = np.random.default_rng(5)
    fast, slow = (part.ravel() for part in np.meshgrid(np.linspace(0, 1, 15), np.linspace(0, 1, 15)))
    variance = np.full(fast.size, 0.1**2)
    good, box = np.ones(fast.size, dtype=bool), (0.0, 1.0, 0.0, 1.0)
    smooth = 1 + fast - 2 * slow**2
    towards, precision = hold(smooth + rng.normal(0, 0.1, fast.size), variance, good, (fast, slow), box)
    assert np.abs(towards - smooth).max() < 0.1
    assert np.median(precision) > 4 / 0.1**2
    own = smooth + rng.normal(0, 1.0, fast.size)
    _, precision = hold(own, variance, good, (fast, slow), box)
    assert precision.max() < 2.0
    # one that stands out is left alone
    own = smooth + rng.normal(0, 0.1, fast.size)
    own[7] += 3.0
    _, precision = hold(own, variance, good, (fast, slow), box)
    assert precision[7] == 0
    assert np.count_nonzero(precision) > 200


def test_a_surface_of_no_higher_degree_than_needed() -> None:
    rng = np.random.default_rng(3)
    fast, slow = rng.uniform(-1, 1, (2, 200))
    noise = rng.normal(0, 0.01, 200)
    ones, box = np.ones(200), (-1.0, 1.0, -1.0, 1.0)
    plain = Surface.fit(fast, slow, 1 + fast + noise, ones, 6, box, only_needed=True)
    assert np.count_nonzero(plain.coefficients) == 3
    bent = Surface.fit(fast, slow, fast**3 * slow + noise, ones, 6, box, only_needed=True)
    assert np.abs(bent.at(fast, slow) - fast**3 * slow).max() < 0.02
