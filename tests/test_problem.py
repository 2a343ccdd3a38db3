"""The joint problem: its derivatives, its choice of model, and how it treats what it can't explain."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from calib.arithmetic.solve import solve
from calib.errors import ModelError
from calib.fit import fit_lateral
from calib.fitting.choice import predict
from calib.fitting.fold import check_fold
from calib.fitting.problem import Problem
from calib.observe.lateral import LateralObservation
from calib.scanner.creep import Creep
from calib.scanner.drift import Drift
from calib.scanner.hysteresis import Hysteresis
from calib.scanner.motion import Motion
from calib.scanner.nonlinearity import Nonlinearity
from calib.standard import Value
from tests.instruments import calibrated, grating, grid

TRAVEL = (20e-6, 20e-6)


def observations() -> list[LateralObservation]:
    _, model = calibrated(0, 0.06)
    return [o for o in model.observations if isinstance(o, LateralObservation)]


def uneven(observation: LateralObservation) -> LateralObservation:
    return dataclasses.replace(
        observation,
        slope=(0.02, -0.01),
        standard=dataclasses.replace(observation.standard, unevenness=Value(0.0, 1e-9, "m")),
    )


def as_grating(observation: LateralObservation) -> LateralObservation:
    return dataclasses.replace(
        observation,
        standard=grating(2e-6),
        periods=observation.periods[:, :1],
        covariance=observation.covariance[:, :1, :1],
    )


@pytest.mark.parametrize("change", [lambda o: o, uneven, as_grating], ids=["grid", "uneven, tilted", "grating"])
def test_jacobian_is_the_derivative(change) -> None:
    few = [change(o) for o in (observations()[0], observations()[4])]
    few[1] = dataclasses.replace(few[1], path=type(few[1].path).from_dict({**few[1].path.to_dict(), "rest": None}))
    motion = Motion(
        [
            Nonlinearity(TRAVEL, degree=3),
            Hysteresis((11e-6, 11e-6), cells=4),
            Creep([1.0, 100.0], TRAVEL),
            Drift(2e-10),
        ]
    )
    problem = Problem(motion, few)
    problem.set_noise(5e-9)
    rng = np.random.default_rng(1)
    held = np.isfinite(problem.prior_sd)
    x = problem.start + np.where(held, rng.standard_normal(problem.start.size), 1e-3)
    for prepared in problem.prepared:
        _, J = problem.block(x, problem.values(x), prepared)
        for j, unknown in enumerate(problem.unknowns):
            h = 1e-3 if unknown.prior else 1e-6
            step = np.zeros(x.size)
            step[j] = h
            high, low = (problem.block(x + s, problem.values(x + s), prepared)[0] for s in (step, -step))
            expected = (high - low) / (2 * h)
            size = np.abs(expected).max() + 1e-3
            assert np.abs(J[:, j] - expected).max() < 2e-5 * size, unknown.name


def test_a_richer_model_never_fits_worse() -> None:
    few = observations()
    last = np.inf
    for degree in (1, 2, 4, 6):
        problem = Problem(Motion([Nonlinearity(TRAVEL, degree=degree)]), few)
        problem.set_noise(20e-9)
        zero = np.zeros(len(problem.unknowns))
        solution = solve(problem.blocks, problem.start, prior_mean=zero, prior_sd=problem.prior_sd)
        total = solution.chi2 + solution.chi2_prior
        assert total <= last * (1 + 1e-9)
        last = total


def test_leaving_out_agrees_with_solving_without() -> None:
    few = observations()[:4]
    motion = Motion([Nonlinearity(TRAVEL, degree=3)])
    problem = Problem(motion, few)
    problem.set_noise(50e-9)
    zero = np.zeros(len(problem.unknowns))
    solution = solve(problem.blocks, problem.start, prior_mean=zero, prior_sd=problem.prior_sd)
    own = []
    for prepared in problem.prepared:
        mine = np.zeros(zero.size, dtype=bool)
        mine[prepared.own] = True
        own.append(mine)
    errors = predict(solution, own, np.ones(zero.size, dtype=bool)).errors
    rest = Problem(motion, few[1:])
    rest.set_noise(50e-9)
    zero = np.zeros(len(rest.unknowns))
    without = solve(rest.blocks, rest.start, prior_mean=zero, prior_sd=rest.prior_sd)
    # now only where the standard lay is fitted to the scan left out
    held = problem.prior_sd.copy()
    x = problem.start
    shared = problem.shared

    def blocks(y):
        x[shared] = without.x[rest.shared]
        x[problem.prepared[0].own] = y
        residual, J = problem.block(x, problem.values(x), problem.prepared[0])
        return [(residual, J[:, problem.prepared[0].own])]

    del held
    alone = solve(blocks, x[problem.prepared[0].own])
    # linear against nonlinear: to the few per cent by which the standard's departures differ, too
    assert errors[0] == pytest.approx(alone.chi2 / (few[0].size * 2), rel=0.05)


def test_outlying_nodes_lose_their_weight() -> None:
    few = observations()
    spoiled = few[0].periods.copy()
    spoiled[7] += 0.2
    few[0] = dataclasses.replace(few[0], periods=spoiled)
    fit = fit_lateral(few, TRAVEL, (0.0, 0.0), degree=6)
    assert fit.problem.prepared[0].weight[7] == 0
    assert np.mean(fit.problem.prepared[0].weight > 0.5) > 0.95


def test_a_map_that_folds_is_refused() -> None:
    few = observations()
    motion = Motion([Nonlinearity(TRAVEL, degree=2)])
    values = motion.rest_values.copy()
    values[motion.names.index("nonlinearity_x_2_0")] = 5e-6
    with pytest.raises(ModelError, match="folds the image in"):
        check_fold(motion, values, few)
    values = motion.rest_values.copy()
    values[0] = -1.0
    with pytest.raises(ModelError, match="mirrors"):
        check_fold(motion, values, few)


def test_the_certificate_decides_the_scale_and_its_uncertainty() -> None:
    few = observations()
    unsure = [dataclasses.replace(o, standard=grid(u=2e-9)) for o in few]
    sure = fit_lateral(few, TRAVEL, (0.0, 0.0), degree=6)
    vague = fit_lateral(unsure, TRAVEL, (0.0, 0.0), degree=6)
    more = vague.covariance[0, 0] - sure.covariance[0, 0]
    assert np.sqrt(more) == pytest.approx(1e-3 * vague.values[0], rel=0.1)


def test_drift_of_scans_in_succession_is_alike() -> None:
    few = observations()
    fit = fit_lateral(few, TRAVEL, (0.0, 0.0), degree=6)
    places = [place for name, (place, _) in fit.problem.remembered.items() if name == "drift_x"]
    assert len(places) == 1
    factor = fit.problem.remembered["drift_x"][1]
    covariance = factor @ factor.T
    correlation = covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1])
    assert few[0].started is not None
    assert few[1].started is not None
    apart = (few[1].started - few[0].started).total_seconds()
    assert correlation == pytest.approx(np.exp(-apart / 3600), rel=1e-4)
