"""The least-squares core against certified regressions of NIST, peers, and its own promises."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from calib.arithmetic.solve import Blocks, Solution, solve
from calib.errors import ModelError

Float = NDArray[np.float64]
NIST = Path(__file__).parent / "data" / "nist"


# --- NIST Statistical Reference Datasets, nonlinear -----------------------------------------------


def misra1a(b: Float, x: Float) -> tuple[Float, Float]:
    decay = np.exp(-b[1] * x)
    return b[0] * (1 - decay), np.column_stack([1 - decay, b[0] * x * decay])


def gauss1(b: Float, x: Float) -> tuple[Float, Float]:
    decay = np.exp(-b[1] * x)
    value, columns = b[0] * decay, [decay, -b[0] * x * decay]
    for amplitude, middle, width in (b[2:5], b[5:8]):
        away = (x - middle) / width
        peak = np.exp(-(away**2))
        value = value + amplitude * peak
        columns += [peak, 2 * amplitude * peak * away / width, 2 * amplitude * peak * away**2 / width]
    return value, np.column_stack(columns)


def enso(b: Float, x: Float) -> tuple[Float, Float]:
    year = 2 * np.pi * x / 12
    value, columns = b[0] + b[1] * np.cos(year) + b[2] * np.sin(year), [np.ones_like(x), np.cos(year), np.sin(year)]
    for period, in_phase, quadrature in (b[3:6], b[6:9]):
        phase = 2 * np.pi * x / period
        cos, sin = np.cos(phase), np.sin(phase)
        value = value + in_phase * cos + quadrature * sin
        columns += [(in_phase * sin - quadrature * cos) * phase / period, cos, sin]
    return value, np.column_stack(columns)


def eckerle4(b: Float, x: Float) -> tuple[Float, Float]:
    away = (x - b[2]) / b[1]
    peak = np.exp(-0.5 * away**2)
    value = b[0] / b[1] * peak
    return value, np.column_stack([peak / b[1], value * (away**2 - 1) / b[1], value * away / b[1]])


def mgh09(b: Float, x: Float) -> tuple[Float, Float]:
    above, below = x**2 + x * b[1], x**2 + x * b[2] + b[3]
    value = b[0] * above / below
    return value, np.column_stack([above / below, b[0] * x / below, -value * x / below, -value / below])


def thurber(b: Float, x: Float) -> tuple[Float, Float]:
    powers = x[:, None] ** np.arange(4)
    below = 1 + powers[:, 1:] @ b[4:]
    value = powers @ b[:4] / below
    return value, np.column_stack([powers / below[:, None], -(value / below)[:, None] * powers[:, 1:]])


NONLINEAR: dict[str, Callable[[Float, Float], tuple[Float, Float]]] = {
    "Misra1a": misra1a,
    "Gauss1": gauss1,
    "ENSO": enso,
    "Eckerle4": eckerle4,
    "MGH09": mgh09,
    "Thurber": thurber,
}
NONLINEAR_DIGITS = 7


def read_nonlinear(name: str) -> tuple[Float, Float, Float, Float]:
    """Read starts (2, p), certified values and standard deviations (2, p), x and y of a data file of NIST."""
    lines = (NIST / f"{name}.dat").read_text("ascii").splitlines()
    rows = [re.split("=", line)[1].split() for line in lines[40:60] if re.match(r"\s*b\d+ =", line)]
    table = np.array(rows, dtype=float).T
    data = np.array([line.split() for line in lines[60:] if line.strip()], dtype=float)
    return table[:2], table[2:], data[:, 1], data[:, 0]


def digits(ours: Any, certified: Any) -> float:
    """Count the digits that agree in the worst of several numbers: log relative error, as NIST counts."""
    ours, certified = np.asarray(ours), np.asarray(certified)
    return float(-np.log10(np.max(np.abs(ours - certified) / np.abs(certified)) + 1e-16))


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("name", NONLINEAR)
def test_nist_nonlinear(name: str, start: int) -> None:
    """From both published starting points, the far one and the near one."""
    starts, (certified, certified_sd), x, y = read_nonlinear(name)

    def blocks(b: Float) -> Iterator[tuple[Float, Float]]:
        value, jacobian = NONLINEAR[name](b, x)
        yield value - y, jacobian

    solution = solve(blocks, starts[start], sigma="from_residuals", damping=1e-3, tolerance=1e-10)
    assert digits(solution.x, certified) >= NONLINEAR_DIGITS
    assert digits(solution.standard_uncertainties, certified_sd) >= NONLINEAR_DIGITS
    assert solution.dof == len(y) - certified.size
    assert len(solution.undetermined) == 0


# --- NIST Statistical Reference Datasets, linear --------------------------------------------------

WAMPLER_X = np.arange(21.0)
HALF = np.array([759, -2048, 2048, -2048, 2523, -2048, 2048, -2048, 1838, -2048, 2048]) * 1e4
WAMPLER_ERROR = np.concatenate([HALF, HALF[-2::-1]])
WAMPLER_SD = [
    21523262.4678170,
    23635517.3469681,
    7793435.24331583,
    1014755.07550350,
    56456.6512170752,
    1123.24854679312,
]
LONGLEY = """
    60323  83.0 234289 2356 1590 107608 1947
    61122  88.5 259426 2325 1456 108632 1948
    60171  88.2 258054 3682 1616 109773 1949
    61187  89.5 284599 3351 1650 110929 1950
    63221  96.2 328975 2099 3099 112075 1951
    63639  98.1 346999 1932 3594 113270 1952
    64989  99.0 365385 1870 3547 115094 1953
    63761 100.0 363112 3578 3350 116219 1954
    66019 101.2 397469 2904 3048 117388 1955
    67857 104.6 419180 2822 2857 118734 1956
    68169 108.4 442769 2936 2798 120445 1957
    66513 110.8 444546 4681 2637 121950 1958
    68655 112.6 482704 3813 2552 123366 1959
    69564 114.2 502601 3931 2514 125368 1960
    69331 115.7 518173 4806 2572 127852 1961
    70551 116.9 554894 4007 2827 130081 1962
"""


def wampler(error_share: float) -> tuple[Float, Float]:
    powers = WAMPLER_X[:, None] ** np.arange(6)
    return powers, powers.sum(axis=1) + error_share * WAMPLER_ERROR


@dataclass(frozen=True)
class Linear:
    """A certified linear regression; `sd` is None where the data are exact."""

    design: Float
    y: Float
    estimates: list[float]
    sd: list[float] | None
    digits: float
    digits_sd: int = 9


# The certified values of Longley, NoInt1, NoInt2 and Wampler1 to 4, and the data of Longley, are from memory.
NORRIS = np.array((NIST / "Norris.dat").read_text("ascii").split("x\n")[-1].split(), dtype=float).reshape(36, 2)
LONGLEY_TABLE = np.array(LONGLEY.split(), dtype=float).reshape(16, 7)
TENTHS = 0.1 ** np.arange(6)
LINEAR = {
    "Norris": Linear(
        np.column_stack([np.ones(36), NORRIS[:, 1]]),
        NORRIS[:, 0],
        [-0.262323073774029, 1.00211681802045],
        [0.232818234301152, 0.429796848199937e-03],
        11,
    ),
    "NoInt1": Linear(
        np.arange(60.0, 71.0)[:, None],
        np.arange(130.0, 141.0),
        [2.07438016528926],
        [0.0165289256198347],
        13,
    ),
    "NoInt2": Linear(
        np.array([[4.0], [5.0], [6.0]]),
        np.array([3.0, 4.0, 4.0]),
        [0.727272727272727],
        [0.0420827318078432],
        13,
    ),
    "Longley": Linear(
        np.column_stack([np.ones(16), LONGLEY_TABLE[:, 1:]]),
        LONGLEY_TABLE[:, 0],
        [
            -3482258.63459582,
            15.0618722713733,
            -0.0358191792925910,
            -2.02022980381683,
            -1.03322686717359,
            -0.0511041056535807,
            1829.15146461355,
        ],
        [
            890420.383607373,
            84.9149257747669,
            0.0334910077722432,
            0.488399681651699,
            0.214274163161675,
            0.226073200069370,
            455.478499142212,
        ],
        9,
    ),
    "Wampler1": Linear(*wampler(0), [1.0] * 6, None, 9),
    "Wampler2": Linear(wampler(0)[0], (WAMPLER_X[:, None] / 10) ** np.arange(6) @ np.ones(6), list(TENTHS), None, 9),
    "Wampler3": Linear(*wampler(1e-4), [1.0] * 6, [sd * 1e-4 for sd in WAMPLER_SD], 9),
    # 7.76 to 8.3 digits, depending on the processor for which BLAS has been written
    "Wampler4": Linear(*wampler(1e-2), [1.0] * 6, [sd * 1e-2 for sd in WAMPLER_SD], 7.5),
    "Wampler5": Linear(*wampler(1), [1.0] * 6, WAMPLER_SD, 6),
}


@pytest.mark.parametrize("name", LINEAR)
def test_nist_linear(name: str) -> None:
    case = LINEAR[name]
    # Exact to rounding, not only to a small share of the standard uncertainties, which are huge here.
    start = np.zeros(case.design.shape[1])
    solution = solve(linear(case.design, case.y), start, sigma="from_residuals", tolerance=0.0)
    assert digits(solution.x, case.estimates) >= case.digits
    if case.sd is None:
        assert np.all(solution.standard_uncertainties < 1e-9 * np.abs(case.estimates))
    else:
        assert digits(solution.standard_uncertainties, case.sd) >= case.digits_sd
    assert len(solution.undetermined) == 0


# --- what it promises -----------------------------------------------------------------------------


def linear(design: Float, y: Float, parts: int = 1) -> Blocks:
    def blocks(x: Float) -> Iterator[tuple[Float, Float]]:
        for rows in np.array_split(np.arange(len(y)), parts):
            yield design[rows] @ x - y[rows], design[rows]

    return blocks


def example(seed: int = 0, n: int = 40, p: int = 4) -> tuple[Float, Float]:
    rng = np.random.default_rng(seed)
    return rng.normal(size=(n, p)), rng.normal(size=n)


def decay(y: Float, t: Float) -> Blocks:
    def blocks(x: Float) -> Iterator[tuple[Float, Float]]:
        value = np.exp(-x[1] * t)
        yield x[0] * value - y, np.column_stack([value, -x[0] * t * value])

    return blocks


def test_priors_are_observations() -> None:
    design, y = example()
    mean, sd = np.array([1.0, 0.0, -2.0, 5.0]), np.array([0.1, np.inf, 0.02, 3.0])
    held = np.isfinite(sd)
    ours = solve(linear(design, y), np.zeros(4), prior_mean=mean, prior_sd=sd)
    rows = np.vstack([design, np.diag(1 / sd)[held]])
    expected = np.linalg.lstsq(rows, np.concatenate([y, (mean / sd)[held]]), rcond=None)[0]
    np.testing.assert_allclose(ours.x, expected, rtol=1e-10)
    np.testing.assert_allclose(ours.covariance, np.linalg.inv(rows.T @ rows), rtol=1e-9, atol=1e-14)
    assert ours.chi2_prior == pytest.approx(np.sum(((expected - mean) / sd)[held] ** 2))
    hat = design @ np.linalg.inv(rows.T @ rows) @ design.T
    assert ours.dof == pytest.approx(40 - np.trace(hat))


def test_peer_on_a_nonlinear_problem_with_priors() -> None:
    """Peer: scipy.optimize.least_squares."""
    from scipy.optimize import least_squares

    rng = np.random.default_rng(3)
    t = np.linspace(0, 4, 30)
    y = 3 * np.exp(-0.7 * t) + 0.05 * rng.normal(size=30)
    blocks = decay(y, t)
    ours = solve(blocks, [1.0, 1.0], prior_mean=[2.9, 0.5], prior_sd=[0.01, 0.2])

    def residual(x: Float) -> Float:
        return np.concatenate([next(iter(blocks(x)))[0], (x - [2.9, 0.5]) / [0.01, 0.2]])

    theirs = least_squares(residual, [1.0, 1.0], xtol=1e-15, ftol=1e-15, gtol=1e-15)
    np.testing.assert_allclose(ours.x, theirs.x, rtol=1e-7)
    np.testing.assert_allclose(ours.covariance, np.linalg.inv(theirs.jac.T @ theirs.jac), rtol=1e-4)


@given(st.lists(st.floats(1e-9, 1e9), min_size=4, max_size=4), st.integers(1, 7))
def test_units_and_blocks_do_not_matter(units: list[float], parts: int) -> None:
    design, y = example()
    one = solve(linear(design, y), np.zeros(4))
    other = solve(linear(design / units, y, parts), np.zeros(4))
    np.testing.assert_allclose(other.x / units, one.x, rtol=1e-9)
    np.testing.assert_allclose(other.covariance / np.outer(units, units), one.covariance, rtol=1e-8, atol=1e-16)
    assert len(other.normal_blocks) == parts
    np.testing.assert_allclose(sum(block.gradient for block in other.normal_blocks), 0, atol=1e-9 / min(units))
    assert sum(block.chi2 for block in other.normal_blocks) == pytest.approx(one.chi2)


@given(st.integers(0, 10_000))
def test_a_richer_model_never_fits_worse(seed: int) -> None:
    design, y = example(seed, n=12, p=8)
    sums = [solve(linear(design[:, :p], y), np.zeros(p)).chi2 for p in range(1, 9)]
    assert all(richer <= leaner * (1 + 1e-12) for leaner, richer in pairwise(sums))


def test_what_cannot_be_told_apart_is_listed_and_not_inverted() -> None:
    rng = np.random.default_rng(1)
    a, b = rng.normal(size=(2, 50))
    design, y = np.column_stack([a, 1e-6 * a, b]), 2 * a + 3 * b + 0.1 * rng.normal(size=50)
    solution = solve(linear(design, y), np.zeros(3))
    assert solution.undetermined.shape == (1, 3)
    assert solution.name_undetermined(["gain", "certificate", "other"]) in (
        [["gain", "certificate"]],
        [["certificate", "gain"]],
    )
    u = solution.standard_uncertainties
    assert np.isinf(u[:2]).all()
    assert u[2] == pytest.approx(solve(linear(design[:, [0, 2]], y), np.zeros(2)).standard_uncertainties[1])
    # Moving along the direction changes nothing, and what doesn't change along it is known.
    np.testing.assert_allclose(design @ (solution.undetermined[0] / solution.scale), 0, atol=1e-10)
    alone = solve(linear(design[:, [0, 2]], y), np.zeros(2))
    known, unknown, partly = solution.uncertainty([[1.0, 1e-6, 0.0], [1.0, 0.0, 0.0], [0.001, 0.0, 1.0]])
    assert known == pytest.approx(alone.standard_uncertainties[0], rel=1e-6)
    assert np.isinf(unknown)
    assert np.isinf(partly)
    assert np.isinf(solution.condition)
    assert np.isnan(solution.covariance[0, 1])


def test_a_prior_holds_what_observations_do_not() -> None:
    design = np.column_stack([np.ones(9), np.ones(9)])
    solution = solve(linear(design, np.full(9, 5.0)), [0.0, 0.0], prior_mean=[0.0, 2.0], prior_sd=[np.inf, 0.1])
    np.testing.assert_allclose(solution.x, [3.0, 2.0])
    np.testing.assert_allclose(solution.standard_uncertainties, [np.hypot(1 / 3, 0.1), 0.1])
    assert len(solution.undetermined) == 0


def test_a_parameter_of_no_observation_is_undetermined() -> None:
    design, y = example()
    padded = np.column_stack([design, np.zeros(40)])
    solution = solve(linear(padded, y), [0, 0, 0, 0, 7.0])
    assert solution.x[4] == 7.0
    assert np.isinf(solution.standard_uncertainties[4])
    np.testing.assert_allclose(solution.x[:4], solve(linear(design, y), np.zeros(4)).x, rtol=1e-10)


def test_more_parameters_than_observations() -> None:
    solution = solve(linear(np.array([[1.0, 2.0, 0.0]]), np.array([5.0])), np.zeros(3))
    assert len(solution.undetermined) == 2
    assert solution.x[0] + 2 * solution.x[1] == pytest.approx(5.0)


@pytest.mark.parametrize("sigma", ["known", "from_residuals"])
def test_leaving_blocks_out_is_a_fit_of_the_rest(sigma: Any) -> None:
    design, y = example(n=60)
    design[:15, 3] = 0  # what only the last block but one holds
    design[30:, 3] = 0
    prior: dict[str, Any] = {"prior_mean": np.ones(4), "prior_sd": [0.3, np.inf, np.inf, np.inf]}
    whole = solve(linear(design, y, parts=4), np.zeros(4), sigma=sigma, **prior)
    keep = np.r_[0:15, 30:60]
    x, covariance = whole.leave_out([1])
    # With the factor of the whole: the noise is that of the instrument, not of the scans kept.
    root = np.sqrt(whole.variance_factor)
    rest = solve(linear(design[keep] / root, y[keep] / root), np.zeros(4), **prior)
    np.testing.assert_allclose(x[:3], rest.x[:3], rtol=1e-9)
    np.testing.assert_allclose(covariance[:3, :3], rest.covariance[:3, :3], rtol=1e-9)
    assert x[3] == whole.x[3]
    assert np.isinf(covariance[3, 3])


def test_noise_from_residuals_does_not_depend_on_the_unit_of_the_weights() -> None:
    design, y = example()
    prior: dict[str, Any] = {"prior_mean": np.ones(4), "prior_sd": np.full(4, 0.1), "sigma": "from_residuals"}
    one = solve(linear(design, y), np.zeros(4), **prior)
    other = solve(linear(design * 1e3, y * 1e3), np.zeros(4), **prior)
    np.testing.assert_allclose(other.x, one.x, rtol=1e-7)
    np.testing.assert_allclose(other.covariance, one.covariance, rtol=1e-6)
    assert other.variance_factor == pytest.approx(1e6 * one.variance_factor, rel=1e-7)
    assert one.chi2 / one.dof == pytest.approx(one.variance_factor, rel=1e-7)


def test_noise_from_residuals_in_an_ill_conditioned_problem_with_priors() -> None:
    """The factor enters the prior rows of the QR decomposition, too."""
    rng = np.random.default_rng(5)
    a = rng.normal(size=(60, 3))
    design = np.column_stack([a[:, 0], a[:, 0] + 1e-5 * a[:, 1], a[:, 2]])
    y = design @ [1.0, 2.0, 3.0] + 0.01 * rng.normal(size=60)
    mean, sd = np.array([1.1, 0.0, 0.0]), np.array([5.0, np.inf, np.inf])
    solution = solve(linear(design, y), np.zeros(3), prior_mean=mean, prior_sd=sd, sigma="from_residuals")
    root = np.sqrt(solution.variance_factor)
    rows = np.vstack([design / root, [1 / 5, 0, 0]])
    expected = np.linalg.lstsq(rows, np.append(y / root, 1.1 / 5), rcond=None)[0]
    assert solution.condition > 1e7
    np.testing.assert_allclose(solution.x, expected, rtol=1e-8)
    triangle = np.linalg.inv(np.linalg.qr(rows, mode="r"))
    np.testing.assert_allclose(solution.covariance, triangle @ triangle.T, rtol=1e-7)
    np.testing.assert_allclose(solution.uncertainty(np.eye(3)), solution.standard_uncertainties)


def test_without_priors_the_noise_scales_the_covariance_only() -> None:
    design, y = example()
    known, scaled = (solve(linear(design, y), np.zeros(4), sigma=sigma) for sigma in ("known", "from_residuals"))
    np.testing.assert_allclose(scaled.x, known.x, rtol=1e-10)
    np.testing.assert_allclose(scaled.covariance, known.covariance * known.chi2 / 36, rtol=1e-10)


@pytest.mark.parametrize("sigma", ["known", "from_residuals"])
def test_covariance_is_what_repeated_measurements_scatter(sigma: Any) -> None:
    """Monte Carlo: noise and certificates drawn anew each time, 250 times; the scatter is then known to 4.5 %."""
    rng = np.random.default_rng(11)
    t, truth, prior_sd = np.linspace(0, 4, 25), np.array([3.0, 0.7]), np.array([0.02, np.inf])
    unit = 1.0 if sigma == "known" else 0.05
    found: list[Solution] = []
    for _ in range(250):
        y = truth[0] * np.exp(-truth[1] * t) + 0.05 * rng.normal(size=25)
        mean = truth + np.array([0.02 * rng.normal(), 0.0])
        blocks = decay(y, t)

        def whitened(x: Float, blocks: Blocks = blocks) -> Iterator[tuple[Float, Float]]:
            for residual, jacobian in blocks(x):
                yield residual * unit / 0.05, jacobian * unit / 0.05

        found.append(solve(whitened, [2.5, 1.0], prior_mean=mean, prior_sd=prior_sd, sigma=sigma))
    scatter = np.std([solution.x for solution in found], axis=0)
    stated = np.sqrt(np.mean([np.diag(solution.covariance) for solution in found], axis=0))
    np.testing.assert_allclose(scatter, stated, rtol=0.13)
    ratio = np.mean([solution.chi2 / solution.dof / solution.variance_factor for solution in found])
    assert ratio == pytest.approx(1.0, abs=0.05)


def test_covariance_of_an_ill_conditioned_problem() -> None:
    """Powers up to the ninth: the normal matrix alone, condition 1e13, would leave three digits; here six or more."""
    from fractions import Fraction

    p = 10
    t = [Fraction(i, 64) for i in range(65)]
    normal = [[sum(s ** (i + j) for s in t) for j in range(p)] for i in range(p)]
    inverse = exact_inverse(normal)
    design = np.array([[float(s**i) for i in range(p)] for s in t])
    solution = solve(linear(design, design @ np.ones(p)), np.zeros(p))
    assert solution.condition > 1e12
    assert digits(np.diag(solution.covariance), np.array([float(inverse[i][i]) for i in range(p)])) >= 6


def exact_inverse(matrix: list[list[Any]]) -> list[list[Any]]:
    n = len(matrix)
    rows = [list(row) + [type(row[0])(int(i == j)) for j in range(n)] for i, row in enumerate(matrix)]
    for i in range(n):
        rows[i] = [value / rows[i][i] for value in rows[i]]
        for k in range(n):
            if k != i:
                rows[k] = [a - rows[k][i] * b for a, b in zip(rows[k], rows[i], strict=True)]
    return [row[n:] for row in rows]


def test_a_step_into_nowhere_is_shortened() -> None:
    """A full first step makes the logarithm undefined."""

    def blocks(x: Float) -> Iterator[tuple[Float, Float]]:
        yield np.log(x) - np.log(0.01), 1 / x[:, None]

    assert solve(blocks, [10.0]).x[0] == pytest.approx(0.01)


def test_linear_problems_take_one_step() -> None:
    design, y = example()
    assert solve(linear(design, y), np.full(4, 100.0)).iterations == 2


def bad_jacobian(x: Float) -> Iterator[tuple[Float, Float]]:
    yield x - 1.0, -np.eye(x.size)


def not_finite(x: Float) -> Iterator[tuple[Float, Float]]:
    yield x / 0.0, np.eye(x.size)


def wrong_shape(x: Float) -> Iterator[tuple[Float, Float]]:
    yield x, np.eye(x.size + 1)


def identity(x: Float) -> Iterator[tuple[Float, Float]]:
    yield x - 1.0, np.eye(x.size)


@pytest.mark.parametrize(
    ("blocks", "options", "words"),
    [
        (bad_jacobian, {}, "did not converge"),
        (not_finite, {}, "not finite"),
        (wrong_shape, {}, "Jacobian of shape"),
        (lambda x: [], {}, "no observations"),
        (identity, {"sigma": "from_residuals"}, "no more observations"),
        (identity, {"x0": [np.nan]}, "finite numbers"),
        (identity, {"x0": []}, "finite numbers"),
        (identity, {"prior_sd": [0.0, 1.0]}, "positive standard deviation"),
        (identity, {"prior_sd": [1.0]}, "all 2 parameters"),
        (identity, {"prior_sd": [1.0, 1.0], "prior_mean": [np.nan, 1.0]}, "finite mean"),
    ],
)
def test_refused(blocks: Blocks, options: dict[str, Any], words: str) -> None:
    with pytest.raises(ModelError, match=words):
        solve(blocks, **{"x0": [0.0, 0.0], **options})


def test_too_few_iterations_are_said() -> None:
    starts, _, x, y = read_nonlinear("Thurber")

    def blocks(b: Float) -> Iterator[tuple[Float, Float]]:
        value, jacobian = thurber(b, x)
        yield value - y, jacobian

    with pytest.raises(ModelError, match=r"after 3 iterations .* standard uncertainties long"):
        solve(blocks, starts[0], sigma="from_residuals", max_iterations=3)
