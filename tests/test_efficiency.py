"""Refined nodes against the Cramér-Rao bound of the actual waveform: a small version of the benchmark.

Limits are quantiles of what mean squares of so many trials scatter by: an estimate that attains the bound, and states
its deviation as it is, fails once in ten thousand runs with other seeds.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.special import chdtri

from calib.observe.background import common, hold
from calib.observe.image import Image
from calib.observe.lateral import LateralObservation, observe_lateral
from calib.observe.lattice import Lattice
from calib.observe.refine import refine
from calib.observe.smooth import Surface
from calib.observe.template import Template
from tests.benchmarks.efficiency import CASES, Case, Estimate, again, bounds, by_nodes, errors, stated

TRIALS = 24
GRATING, GRID = CASES[1], CASES[8]
SAMPLED_ALIKE, FEW_PLACES = CASES[5], CASES[12]


def quantile(probability: float, count: int) -> float:
    """Of the mean of `count` squares of standard normal numbers."""
    return float(chdtri(count, 1 - probability)) / count


@cache
def observed(case: Case) -> LateralObservation:
    """One first observation."""
    return observe_lateral(case.noisy(0), case.standard)


@cache
def estimates(case: Case) -> list[Estimate]:
    """Refined from where one first observation puts the pattern."""
    first = observed(case)
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


def known(case: Case, seed: int) -> Estimate:
    """Refined from where the pattern is in truth, with what all nodes share in the covariance."""
    scan = case.noisy(seed)
    first = observed(case)
    x, y = np.meshgrid(scan.fast, scan.slow)
    grid = np.tensordot(case.frequency, np.stack([x, y]), 1) + case.phase[:, None, None]
    image, lattice = Image.of(scan, 0), Lattice(case.frequency, np.ones(len(case.frequency)))
    use = image.rows != first.path.sweeps.line[0]
    nodes = refine(image, lattice, grid, use, rounds=2, known=True)
    found = replace(
        first,
        pass_index=np.zeros(nodes.row.size, dtype=np.int64),
        row=nodes.row,
        fast=nodes.fast,
        periods=nodes.periods,
        covariance=nodes.covariance,
    )
    return by_nodes(found, nodes.zero)


@pytest.mark.parametrize("case", [FEW_PLACES, SAMPLED_ALIKE], ids=str)
def test_high_harmonics_are_told_from_a_drift_where_it_is_known(case: Case) -> None:
    bound, _ = bounds(case)
    found = [known(case, seed) for seed in range(1, 9)]
    for index, limit in enumerate((bound.pitch, bound.position)):
        ratio = np.array([errors(case, one)[index] for one in found]) / limit
        assert float(np.mean(ratio**2)) < 1.05 * quantile(0.9999, ratio.size)
        own = [errors(case, one)[index] / stated(case, one)[index] for one in found]
        assert float(np.mean(np.square(own))) < quantile(0.9999, np.size(own))


def test_where_all_periods_are_sampled_alike_pixels_show_the_crest_of_a_sum() -> None:
    case = SAMPLED_ALIKE
    row = case.clean.values[0, 0]
    wave = np.exp(-2j * np.pi * (case.frequency[0, 0] * case.clean.fast + case.phase[0]))
    shown = float(np.angle(np.mean(row * wave))) / (2 * np.pi)
    # the waveform is tabulated: orders beyond 255 are missing from the sum
    assert case.seen[0] - case.phase[0] == pytest.approx(shown, abs=1e-5)
    assert shown > 5 * bounds(case)[0].position
    # what is folded from the image has it there, too
    periods = case.frequency[0, 0] * np.tile(case.clean.fast, 3) + case.phase[0]
    template = Template.fold(periods[None], np.tile(row, 3), np.ones(periods.size), sampling=10.0)
    assert -template.phase[0] == pytest.approx(shown, abs=1e-6)


def test_slopes_of_a_surface() -> None:
    rng = np.random.default_rng(1)
    fast, slow = rng.uniform(-1, 3, 50), rng.uniform(0, 5, 50)
    box = (-1.0, 3.0, 0.0, 5.0)
    surface = Surface.fit(fast, slow, 2 * fast**2 * slow - slow**3, np.ones(50), 3, box)
    by_fast, by_slow = surface.slopes()
    np.testing.assert_allclose(by_fast.at(fast, slow), 4 * fast * slow, atol=1e-6)
    np.testing.assert_allclose(by_slow.at(fast, slow), 2 * fast**2 - 3 * slow**2, atol=1e-6)


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

    def held(own: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        surface = common(own, variance, good, (fast, slow), box)
        assert surface is not None
        towards = surface.at(fast, slow)
        return towards, hold(own, variance, good, towards)

    towards, precision = held(smooth + rng.normal(0, 0.1, fast.size))
    assert np.abs(towards - smooth).max() < 0.1
    assert np.median(precision) > 4 / 0.1**2
    own = smooth + rng.normal(0, 1.0, fast.size)
    _, precision = held(own)
    assert precision.max() < 2.0
    # one that stands out is left alone
    own = smooth + rng.normal(0, 0.1, fast.size)
    own[7] += 3.0
    _, precision = held(own)
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
