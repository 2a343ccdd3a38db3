"""The calibration line against ISO/TS 28037, the GUM and other published lines."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.arithmetic.straight_line import StraightLine, fit_straight_line
from calib.errors import ModelError
from tests.published import Check, each

TS = "ISO/TS 28037:2010"

SIX = np.arange(1.0, 7.0)
GDR_X, GDR_Y = [1.2, 1.9, 2.9, 4.0, 4.7, 5.9], [3.4, 4.4, 7.2, 8.5, 10.8, 13.5]
GDR_UY = np.array([0.2, 0.2, 0.2, 0.4, 0.4, 0.4])
MARKOV_X = np.arange(1.0, 11.0)
MARKOV_Y = np.array([1.3, 4.1, 6.9, 7.5, 10.2, 12.0, 14.5, 17.1, 19.5, 21.0])
MARKOV_U = np.eye(10) + np.kron(np.diag([1.0, 4.0]), np.ones((5, 5)))


def ts_known_equal() -> StraightLine:
    return fit_straight_line(SIX, [3.3, 5.6, 7.1, 9.3, 10.7, 12.1], covariance_y=0.5**2)


def ts_known_unequal() -> StraightLine:
    y = [3.2, 4.3, 7.6, 8.6, 11.7, 12.8]
    return fit_straight_line(SIX, y, covariance_y=np.square([0.5, 0.5, 0.5, 1, 1, 1]))


def ts_both_axes() -> StraightLine:
    return fit_straight_line(GDR_X, GDR_Y, covariance_x=0.2**2, covariance_y=GDR_UY**2)


def ts_unknown() -> StraightLine:
    return fit_straight_line(SIX, [3.014, 5.225, 7.004, 9.061, 11.201, 12.762], sigma="from_residuals")


def ts_general() -> StraightLine:
    x = [50.4, 99.0, 149.9, 200.4, 248.5, 299.7, 349.1]
    y = [52.3, 97.8, 149.7, 200.1, 250.4, 300.9, 349.2]
    u_x = [
        [0.5, 0, 0.25, 0, 0.25, 0, 0.25],
        [0, 1.25, 1, 0, 0, 1, 1],
        [0.25, 1, 1.5, 0, 0.25, 1, 1.25],
        [0, 0, 0, 1.25, 1, 1, 1],
        [0.25, 0, 0.25, 1, 1.5, 1, 1.25],
        [0, 1, 1, 1, 1, 2.25, 2],
        [0.25, 1, 1.25, 1, 1.25, 2, 2.5],
    ]
    return fit_straight_line(x, y, covariance_x=u_x, covariance_y=4 * np.eye(7) + 1)


def pearson_york() -> StraightLine:
    x = [0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
    y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]
    w_x = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1])
    w_y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])
    return fit_straight_line(x, y, covariance_x=1 / w_x, covariance_y=1 / w_y)


def gas_analysis() -> StraightLine:
    """ISO 6143:2001 B.2.1: content as a function of response."""
    x, u_x = [0.1969, 0.7874, 2.0228], np.array([0.003938, 0.015748, 0.040456])
    y, u_y = [4.5, 18.75, 50], np.array([0.045, 0.1875, 0.5])
    return fit_straight_line(x, y, covariance_x=u_x**2, covariance_y=u_y**2)


def pressure_gauge() -> StraightLine:
    """Palenčár et al., Energies 2022: both axes with a random and a common error."""
    x = [4.0030, 6.7160, 9.3710, 12.053, 15.266, 17.351, 20.036, 17.369, 14.718, 12.039, 9.3760, 6.6970, 4.0080]
    y = [0, 10.191, 20.102, 30.170, 42.230, 50.050, 60.070, 50.080, 40.115, 30.089, 20.095, 10.070, 0]
    u_x = 1.444e-5 * np.eye(13) + 0.0014**2
    u_y = 3.6e-5 * np.eye(13) + 3.6e-5
    return fit_straight_line(x, y, covariance_x=u_x, covariance_y=u_y)


THERMOMETER_T = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
THERMOMETER_B = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])


def thermometer(t0: float = 20.0) -> StraightLine:
    """JCGM 100:2008 H.3: corrections of a thermometer, noise from the residuals."""
    return fit_straight_line(THERMOMETER_T - t0, THERMOMETER_B, sigma="from_residuals")


def parameters(source: str, line: StraightLine, a: str, b: str, u_a: str, u_b: str, cov: str) -> list[Check]:
    result = [Check(source, "a", a, line.intercept), Check(source, "b", b, line.slope)]
    result.append(Check(source, "u(a)", u_a, float(np.sqrt(line.covariance[0, 0]))))
    result.append(Check(source, "u(b)", u_b, float(np.sqrt(line.covariance[1, 1]))))
    if cov:
        result.append(Check(source, "cov(a, b)", cov, float(line.covariance[0, 1])))
    return result


def checks() -> list[Check]:
    first, second, both, general = ts_known_equal(), ts_known_unequal(), ts_both_axes(), ts_general()
    unknown, york, gas, gauge = ts_unknown(), pearson_york(), gas_analysis(), pressure_gauge()
    six_1, six_2, seven, ten, annex = (f"{TS}, {part}" for part in ("6.3 ex. 1", "6.3 ex. 2", "7", "10", "annex E"))
    result = parameters(six_1, first, "1.867", "1.757", "0.465", "0.120", "-0.050")
    result += [Check(six_1, "χ²", "1.665", first.chi2), Check(six_1, "χ² limit, 95 %", "9.488", first.chi2_limit())]
    x, u_x = first.inverse(10.5, 0.5)
    y, u_y = first.value(3.5, 0.2)
    clause_11 = f"{TS}, 11"
    result += [
        Check(clause_11, "x for y = 10.5, line of 6.3 ex. 1", "4.913", float(x)),
        Check(clause_11, "u(x), u(y) = 0.5", "0.322", float(u_x)),
        Check(clause_11, "y for x = 3.5", "8.017", float(y)),
        Check(clause_11, "u(y), u(x) = 0.2", "0.406", float(u_y)),
    ]
    result += parameters(six_2, second, "0.885", "2.057", "0.530", "0.178", "-0.082")
    result.append(Check(six_2, "χ²", "4.131", second.chi2))
    x, u_x = second.inverse(10.5, 1.0)
    result += [
        Check(clause_11, "x for y = 10.5, line of 6.3 ex. 2", "4.674", float(x)),
        Check(clause_11, "u(x), u(y) = 1", "0.533", float(u_x)),
    ]
    result += parameters(seven, both, "0.5788", "2.1597", "0.4764", "0.1355", "-0.0577")
    result.append(Check(seven, "χ²", "2.743", both.chi2))
    result += parameters(ten, general, "0.3424", "1.0012", "2.0569", "0.0090", "-0.0129")
    result += [Check(ten, "χ²", "1.772", general.chi2), Check(ten, "χ² limit, 95 %", "11.070", general.chi2_limit())]
    result += parameters(annex, unknown, "1.172", "1.964", "0.159", "0.041", "-0.006")
    result.append(Check(annex, "σ", "0.171", float(np.sqrt(unknown.chi2 / unknown.dof))))
    pearson = "Pearson's data, York's weights"
    covariance = york.covariance
    result += [
        Check(f"{pearson} (Neri et al. 1989)", "a", "5.47991022", york.intercept),
        Check(f"{pearson} (Neri et al. 1989)", "b", "-0.480533407", york.slope),
        Check(pearson, "χ²/ν", "1.4833", york.chi2 / york.dof),
        Check(f"{pearson} (formula of York et al. 2004)", "u(a)", "0.29497", float(np.sqrt(covariance[0, 0]))),
        Check(f"{pearson} (formula of York et al. 2004)", "u(b)", "0.057985", float(np.sqrt(covariance[1, 1]))),
    ]
    iso = "ISO 6143:2001, B.2.1"
    result += [Check(iso, "b0", "-0.35747", gas.intercept), Check(iso, "b1", "24.612", gas.slope)]
    values, uncertainties = gas.value([0.258, 0.6, 1.8], [0.00516, 0.012, 0.036])
    printed = [("5.9923", "0.16377"), ("14.409", "0.35599"), ("43.943", "1.1631")]
    for response, value, u, (p_value, p_u) in zip((0.258, 0.6, 1.8), values, uncertainties, printed, strict=True):
        near = "from a slightly other covariance" if p_u != "0.16377" else ""
        result.append(Check(iso, f"content at {response}", p_value, float(value)))
        result.append(Check(iso, f"u at {response}", p_u, float(u), units=2.5 if near else 0.5, note=near))
    gauge_source = "Palenčár et al., Energies 2022"
    result += parameters(gauge_source, gauge, "-15.0167", "3.7481", "0.0133", "0.00084567", "-0.0000081970")
    y, u_y = gauge.value(7.4970, np.hypot(0.0038, 0.015))
    result += [Check(gauge_source, "y at 7.4970", "13.0829", float(y)), Check(gauge_source, "u", "0.0588", float(u_y))]
    h3 = "JCGM 100:2008, H.3"
    line = thermometer()
    result += parameters(h3, line, "-0.1712", "0.00218", "0.0029", "0.00067", "")
    b, u_b = line.value(10.0)
    centred = thermometer(24.0085)
    result += [
        Check(h3, "r(y1, y2)", "-0.930", correlation(line)),
        Check(h3, "s", "0.0035", float(np.sqrt(line.chi2 / line.dof))),
        Check(h3, "b(30 °C)", "-0.1494", float(b)),
        Check(h3, "u of it", "0.0041", float(u_b)),
        Check(h3, "y1 at t0 = 24.0085 °C", "-0.1625", centred.intercept),
        Check(h3, "s(y1) there", "0.0011", float(np.sqrt(centred.covariance[0, 0]))),
        Check(h3, "r(y1, y2) there", "0", correlation(centred), units=0.001),
    ]
    common = fit_straight_line(
        THERMOMETER_T - 20, THERMOMETER_B, covariance_y=line.chi2 / line.dof * np.eye(11) + 0.005**2
    )
    source = "GTC documentation, GUM H.3 with a common error"
    result.append(Check(source, "u(y1)", "0.00576893", float(np.sqrt(common.covariance[0, 0]))))
    return result


def correlation(line: StraightLine) -> float:
    return float(line.covariance[0, 1] / np.sqrt(line.covariance[0, 0] * line.covariance[1, 1]))


@each(checks())
def test_published_value(check: Check) -> None:
    assert check.agrees, check.row()


def test_a_line_that_does_not_fit_is_seen() -> None:
    """χ² = 25.8 of 11 degrees of freedom exceeds the limit of 19.675 (Palenčár et al.)."""
    gauge = pressure_gauge()
    assert gauge.chi2 == pytest.approx(25.785, abs=0.001)
    assert gauge.chi2_limit() == pytest.approx(19.675, abs=0.001)


def test_common_error_leaves_the_slope_alone() -> None:
    common = fit_straight_line(THERMOMETER_T, THERMOMETER_B, covariance_y=1e-5 * np.eye(11) + 0.005**2)
    alone = fit_straight_line(THERMOMETER_T, THERMOMETER_B, covariance_y=1e-5)
    assert common.slope == pytest.approx(alone.slope, rel=1e-9)
    assert common.covariance[1, 1] == pytest.approx(alone.covariance[1, 1], rel=1e-9)


def test_correlated_ordinates_agree_with_the_closed_form() -> None:
    """Data of ISO/TS 28037, clause 9 (Gauss-Markov), against generalised least squares written out."""
    line = fit_straight_line(MARKOV_X, MARKOV_Y, covariance_y=MARKOV_U)
    design = np.column_stack([np.ones(10), MARKOV_X])
    weight = np.linalg.inv(MARKOV_U)
    covariance = np.linalg.inv(design.T @ weight @ design)
    expected = covariance @ design.T @ weight @ MARKOV_Y
    rest = MARKOV_Y - design @ expected
    np.testing.assert_allclose([line.intercept, line.slope], expected, rtol=1e-10)
    np.testing.assert_allclose(line.covariance, covariance, rtol=1e-10)
    assert line.chi2 == pytest.approx(rest @ weight @ rest, rel=1e-10)


def test_correlated_coordinates_minimise_the_distance() -> None:
    """Data of ISO/TS 28037, clause 8: cov(x, y) = 0.036 at each point, against a general minimiser.

    The shortest distance of a point from the line, in units of its covariance, is known in closed form.
    """
    from scipy.optimize import minimize

    line = fit_straight_line(GDR_X, GDR_Y, covariance_x=0.04, covariance_y=GDR_UY**2, covariance_xy=0.036)
    x, y = np.array(GDR_X), np.array(GDR_Y)

    def chi2(parameters: Any) -> float:
        a, b = parameters
        return float(np.sum((y - a - b * x) ** 2 / (GDR_UY**2 + b**2 * 0.04 - 2 * b * 0.036)))

    best = minimize(chi2, [0.5, 2.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-13})
    np.testing.assert_allclose([line.intercept, line.slope], best.x, atol=1e-6)
    assert line.chi2 == pytest.approx(best.fun, abs=1e-9)


def test_covariance_is_what_repeated_measurements_scatter() -> None:
    """Monte Carlo of the line of ISO/TS 28037, clause 7: 400 repetitions, uncertain to 3.5 %."""
    rng = np.random.default_rng(7)
    x, y = SIX, 1.0 + 2.0 * SIX
    lines = []
    for _ in range(400):
        noisy_x, noisy_y = x + 0.1 * rng.normal(size=6), y + GDR_UY * rng.normal(size=6)
        lines.append(fit_straight_line(noisy_x, noisy_y, covariance_x=0.01, covariance_y=GDR_UY**2))
    found = np.array([[line.intercept, line.slope] for line in lines])
    stated = np.mean([line.covariance for line in lines], axis=0)
    np.testing.assert_allclose(found.std(axis=0), np.sqrt(np.diag(stated)), rtol=0.11)
    assert np.mean([line.chi2 for line in lines]) == pytest.approx(4, abs=0.45)


def test_exact_abscissae_among_uncertain_ones() -> None:
    """A vanishing variance and none at all give the same line."""
    variances = np.array([0.0, 0.04, 0.0, 0.04, 0.04, 0.04])
    exact = fit_straight_line(GDR_X, GDR_Y, covariance_x=variances, covariance_y=GDR_UY**2)
    nearly = fit_straight_line(GDR_X, GDR_Y, covariance_x=variances + 1e-12, covariance_y=GDR_UY**2)
    assert exact.slope == pytest.approx(nearly.slope, rel=1e-8)
    np.testing.assert_allclose(exact.covariance, nearly.covariance, rtol=1e-7)
    assert exact.x[0] == GDR_X[0]
    assert exact.x[1] != GDR_X[1]


@given(st.floats(1e-9, 1e3), st.floats(1e-9, 1e3), st.floats(-100, 100))
def test_units_and_origin_do_not_matter(unit_x: float, unit_y: float, origin: float) -> None:
    base = ts_both_axes()
    x = (np.array(GDR_X) + origin) * unit_x
    line = fit_straight_line(
        x, np.array(GDR_Y) * unit_y, covariance_x=(0.2 * unit_x) ** 2, covariance_y=(GDR_UY * unit_y) ** 2
    )
    assert line.slope * unit_x / unit_y == pytest.approx(base.slope, rel=1e-6)
    value, u = line.value((3.0 + origin) * unit_x)
    expected, expected_u = base.value(3.0)
    assert float(value) / unit_y == pytest.approx(float(expected), rel=1e-6)
    assert float(u) / unit_y == pytest.approx(float(expected_u), rel=1e-5)
    assert line.chi2 == pytest.approx(base.chi2, rel=1e-6)


@given(st.floats(-5, 5), st.floats(0.1, 10), st.floats(-10, 10))
def test_inverse_undoes_value(intercept: float, slope: float, x: float) -> None:
    line = fit_straight_line(SIX, intercept + slope * SIX, covariance_y=0.01)
    y, u_y = line.value(x)
    back, u_x = line.inverse(y)
    assert float(back) == pytest.approx(x, abs=1e-8)
    assert float(u_x) * slope == pytest.approx(float(u_y), rel=1e-6)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"x": [1.0], "y": [2.0]}, "two points"),
        ({"x": [1.0, 2.0], "y": [2.0]}, "two points"),
        ({"x": [1.0, np.nan], "y": [2.0, 3.0]}, "two points"),
        ({"x": [1.0, 1.0], "y": [2.0, 3.0]}, "two different"),
        ({"x": [1.0, 2.0], "y": [2.0, 3.0], "covariance_y": 0.0}, "positive definite"),
        ({"x": [1.0, 2.0], "y": [2.0, 3.0], "covariance_y": [[1.0, 2.0], [2.0, 1.0]]}, "positive definite"),
        ({"x": [1.0, 2.0], "y": [2.0, 3.0], "covariance_y": [[1.0, 0.2], [0.1, 1.0]]}, "symmetric"),
        ({"x": [1.0, 2.0], "y": [2.0, 3.0], "covariance_y": [1.0, 2.0, 3.0]}, "covariance_y must hold"),
        ({"x": [1.0, 2.0], "y": [2.0, 3.0], "sigma": "from_residuals"}, "no more observations"),
    ],
)
def test_refused(arguments: dict[str, Any], words: str) -> None:
    with pytest.raises(ModelError, match=words):
        fit_straight_line(**arguments)


def test_a_level_line_has_no_inverse() -> None:
    line = StraightLine(1.0, 0.0, np.eye(2), 0.0, 1, SIX)
    with pytest.raises(ModelError, match="level"):
        line.inverse(2.0)
