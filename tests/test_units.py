"""Quantities as people write and read them."""

import math
import sys
from contextlib import suppress
from subprocess import run

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.errors import CalibError, StandardError
from calib.units import exact, factor_of, format_quantity, is_length, parse, rounded_to, show


@pytest.mark.parametrize(
    ("text", "dimension", "expected"),
    [
        ("2.0000 µm", "length", 2e-6),  # micro sign
        ("2.0000 μm", "length", 2e-6),  # Greek mu
        ("2 um", "length", 2e-6),
        ("2µm", "length", 2e-6),
        ("2e-6 m", "length", 2e-6),
        ("  -1.5   nm ", "length", -1.5e-9),
        ("−1.5 nm", "length", -1.5e-9),  # typographic minus
        (".5 mm", "length", 0.5e-3),
        ("0.1 Å", "length", 0.1e-10),
        ("1 inch", "length", 0.0254),  # exact by definition
        ("90.000 deg", "angle", math.pi / 2),
        ("90°", "angle", math.pi / 2),
        ("1 arcmin", "angle", math.pi / 180 / 60),
        ("3 mrad", "angle", 3e-3),
        ("3 s", "time", 3.0),
        ("2 min", "time", 120.0),
        ("20 degC", "temperature", 293.15),
        ("20 °C", "temperature", 293.15),
        ("68 degF", "temperature", 293.15),
        ("293.15 K", "temperature", 293.15),
        ("0.5 K", "temperature difference", 0.5),
        ("0.5 degC", "temperature difference", 0.5),
        ("2.6e-6 / K", "thermal expansion", 2.6e-6),
        ("2.6e-6 1/K", "thermal expansion", 2.6e-6),
        ("2.6e-6 K^-1", "thermal expansion", 2.6e-6),
        ("2.6e-6 K⁻¹", "thermal expansion", 2.6e-6),
        ("2.6 µm/m/K", "thermal expansion", 2.6e-6),
        ("2.6 ppm/degC", "thermal expansion", 2.6e-6),
        ("10 µm / s", "speed", 1e-5),
        ("0.1 %", "ratio", 1e-3),
    ],
)
def test_parse(text: str, dimension: str, expected: float) -> None:
    assert parse(text, dimension) == pytest.approx(expected, rel=1e-13)  # type: ignore[arg-type]


def test_decimal_units_lose_no_digit() -> None:
    assert parse("2.0013 µm", "length") == 2.0013e-6
    assert parse("0.3 nm", "length") == 0.3e-9
    assert parse("123456.789 pm", "length") == 123456.789e-12


@pytest.mark.parametrize(
    ("text", "dimension", "words"),
    [
        ("2.0", "length", "has no unit"),
        ("", "length", "is not a number with a unit"),
        ("µm", "length", "is not a number with a unit"),
        (2.0, "length", "must be a text with a unit"),
        (None, "length", "must be a text with a unit"),
        (True, "length", "must be a text with a unit"),
        ("3 s", "length", "is no length"),
        ("1 m^2", "length", "is no length"),
        ("100 ppm", "angle", "is no angle"),  # both have no dimension
        ("0.1 rad", "ratio", "is no ratio"),
        ("20 C", "temperature", "is no temperature"),  # coulomb
        ("-300 degC", "temperature", "below absolute zero"),
        ("2 parsnips", "length", "'parsnips' is unknown"),
        ("2,0 µm", "length", "is not a number"),
        ("nan m", "length", "is not a number"),
        ("inf m", "length", "is not a number"),
        ("1e999 m", "length", "too large"),
        ("1_000 nm", "length", "unknown"),
        ("٣ nm", "length", "is not a number"),
        ("2 µm extra words", "length", "unknown"),
        ("1 m**9**9**9**9", "length", "unknown"),  # pint would compute it for ever
        ("1 9**9**9**9", "length", "unknown"),
        ("2 " + "m*" * 1000 + "m", "length", "unknown"),
        ("1 dBm", "length", "is no length"),
    ],
)
def test_bad_quantity_is_one_sentence_with_its_key(text: object, dimension: str, words: str) -> None:
    with pytest.raises(StandardError, match=words) as caught:
        parse(text, dimension, "pitch.value", error=StandardError)  # type: ignore[arg-type]
    message = str(caught.value)
    assert message.startswith("pitch.value")
    assert message.endswith(".")
    assert "\n" not in message
    assert len(message) < 200


@given(st.text(max_size=12))
def test_no_text_raises_anything_else(text: str) -> None:
    for candidate in (text, "1 " + text):
        with suppress(CalibError):
            assert math.isfinite(parse(candidate, "length"))


def test_factor_of_a_unit() -> None:
    assert factor_of("nm", "length") == pytest.approx(1e-9, rel=1e-15)
    assert factor_of("um", "length") == pytest.approx(1e-6, rel=1e-15)
    assert factor_of("deg", "angle") == math.pi / 180
    with pytest.raises(CalibError, match="unit: 's' is no unit of length"):
        factor_of("s", "length", "unit")
    with pytest.raises(CalibError, match="no unit of temperature"):
        factor_of("degC", "temperature")
    assert is_length("micrometer")
    assert not is_length("V")
    assert not is_length("hyper space")


_NUMBERS = st.floats(1e-13, 1e3) | st.floats(-1e3, -1e-13) | st.just(0.0)


@given(_NUMBERS)
def test_exact_text_gives_the_same_number(value: float) -> None:
    assert parse(exact(value), "length") == value
    assert parse(exact(value, "s"), "time") == value
    assert parse(exact(value, "rad"), "angle") == value
    assert parse(exact(abs(value), "K"), "temperature") == abs(value)


def test_exact_text_reads_well() -> None:
    assert exact(2.0013e-6) == "2.0013 µm"
    assert exact(0.0) == "0 m"
    assert exact(math.pi / 2, "rad") == "90 deg"
    assert exact(293.15, "K") == "20 degC"
    assert exact(0.5, "s") == "500 ms"


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (2.0013e-6, "m", "2.001 µm"),
        (20e-6, "m", "20 µm"),
        (0.0, "m", "0 m"),
        (-3.2e-10, "m", "-320 pm"),
        (0.12, "m", "120 mm"),
        (1234.0, "m", "1234 m"),
        (999.99999e-9, "m", "1 µm"),
        (0.5, "s", "500 ms"),
        (math.radians(1.3), "rad", "1.3°"),
        (293.15, "degC", "20 °C"),
        (293.15, "K", "293.1 K"),
        (0.0123, "%", "1.23 %"),
        (0.0123, "1", "0.0123"),
        (2.6e-6, "1/K", "2.6 ppm/K"),
        (1e-5, "m/s", "10 µm/s"),
        (0.02, "V", "20 mV"),
        (3.1e4, "1/m", "31000 1/m"),
        (3.1e7, "1/m", "31 × 10^6 1/m"),
        (math.nan, "m", "unknown"),
        (math.inf, "s", "unknown"),
        (1e300, "m", "1 × 10^300 m"),
        (-1.7e308, "V", "-170 × 10^306 V"),
        (1e-300, "m", "1 × 10^-300 m"),
        (5e-324, "m", "0 m"),
        (1e300, "rad", "57.3 × 10^300 °"),
        (1.7e308, "rad", "unknown"),  # more degrees than a double holds
    ],
)
def test_show(value: float, unit: str, expected: str) -> None:
    assert show(value, unit) == expected


@pytest.mark.parametrize(
    ("value", "u", "unit", "expected"),
    [
        (2.0013e-6, 1.0e-9, "m", "2.0013 µm ± 0.0020 µm (k = 2)"),
        (2.00131e-6, 0.0499e-9, "m", "2.00131 µm ± 0.00010 µm (k = 2)"),  # 0.0998 nm rounds to two digits
        (100.04e-9, 0.3e-9, "m", "100.04 nm ± 0.60 nm (k = 2)"),
        (3e-12, 1e-9, "m", "0.0 nm ± 2.0 nm (k = 2)"),
        (-1e-13, 1e-9, "m", "0.0 nm ± 2.0 nm (k = 2)"),
        (0.0, 1e-9, "m", "0.0 nm ± 2.0 nm (k = 2)"),
        (1234e-9, 0.6e-6, "m", "1.2 µm ± 1.2 µm (k = 2)"),
        (1.0, 123.0, "1", "0 ± 250 (k = 2)"),
        (math.radians(90), math.radians(0.005), "rad", "90.000° ± 0.010° (k = 2)"),
        (293.15, 0.25, "degC", "20.00 °C ± 0.50 °C (k = 2)"),
        (0.0123, 0.001, "%", "1.23 % ± 0.20 % (k = 2)"),
        (2.56e-6, 0.02e-6, "1/K", "2.560 ppm/K ± 0.040 ppm/K (k = 2)"),
        (2e-6, None, "m", "2 µm ± unknown"),
        (2e-6, math.nan, "m", "2 µm ± unknown"),
        (2e-6, 0.0, "m", "2 µm (exact)"),
        (math.nan, 1.0, "m", "unknown"),
        (1.0, math.inf, "m", "1 m ± unknown"),
        (1.0, 1.7e308, "m", "1 m ± unknown"),
        (1.0, 1e-300, "m", "1 m ± 2 × 10^-300 m (k = 2)"),
        (1e300, 1e299, "m", "1.00 × 10^300 m ± 0.20 × 10^300 m (k = 2)"),
        (5e-324, 5e-324, "m", "0 m ± 0 m (k = 2)"),
    ],
)
def test_digits_follow_the_uncertainty(value: float, u: float | None, unit: str, expected: str) -> None:
    assert format_quantity(value, unit, u=u) == expected


def test_another_coverage_factor_is_used_and_named() -> None:
    assert format_quantity(2e-6, "m", u=1e-9, k=2.5) == "2.0000 µm ± 0.0025 µm (k = 2.5)"


@given(_NUMBERS, st.floats(1e-14, 1e3))
def test_printed_numbers_mean_what_they_say(value: float, u: float) -> None:
    for unit, dimension in (("m", "length"), ("rad", "angle")):
        number, margin = format_quantity(value, unit, u=u).removesuffix(" (k = 2)").split(" ± ")
        # Two digits: the margin is rounded by at most 0.5 of 10, the value by that much of the margin.
        assert parse(margin, dimension) == pytest.approx(2 * u, rel=0.051)  # type: ignore[arg-type]
        assert parse(number, dimension) == pytest.approx(value, abs=0.11 * u, rel=1e-13)  # type: ignore[arg-type]


def test_printing_needs_no_unit_registry() -> None:
    code = (
        "import sys, calib.units as units; units.show(2e-6); units.format_quantity(2e-6, u=1e-9); units.exact(2e-6);"
        "print('pint' in sys.modules); units.parse('1 m', 'length'); print('pint' in sys.modules)"
    )
    result = run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert result.stdout.split() == ["False", "True"]


@pytest.mark.parametrize(
    ("value", "expanded", "said"),
    [
        (7.19894e-6, 46e-9, "7.199 µm"),
        (-213.619e-9, 7.5e-9, "-213.6 nm"),
        (61.9742e-9, 14e-9, "62 nm"),
        (1.23456e-6, 0.0, "1.235 µm"),
        (1.23456e-6, math.inf, "1.235 µm"),
        (math.nan, 1e-9, "unknown"),
    ],
)
def test_numbers_are_rounded_to_an_uncertainty_that_stands_elsewhere(value: float, expanded: float, said: str) -> None:
    assert rounded_to(value, expanded) == said
