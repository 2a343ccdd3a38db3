"""Standards: what their files say, what is refused, and the constants of nature that serve as such."""

import dataclasses
import hashlib
import json
import math
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from calib.errors import StandardError
from calib.standard import (
    Certificate,
    Flat,
    Grating,
    Grid,
    Standard,
    Step,
    Value,
    load_standard,
    packaged_standards,
)
from calib.standard_file import standard_from_table

GRID = """
kind = "grid"
name = "Grid G2"
pitch_x = { value = "2.0000 µm", U = "2.0 nm", k = 2 }
pitch_y = { value = "2.0000 µm", U = "2.0 nm", k = 2 }
angle   = { value = "90.000 deg", U = "0.010 deg", k = 2 }
thermal_expansion = "2.6e-6 / K"
[certificate]
number = "C 123"
date = 2026-03-01
laboratory = "a laboratory"
next_due = "2027-03-01"
"""
GRATING = 'kind = "grating"\nname = "g"\npitch = { value = "3 µm", U = "1 nm", k = 2 }\n'
STEP = 'kind = "step"\nname = "s"\nheight = { value = "100 nm", u = "0.3 nm" }\n'
FLAT = 'kind = "flat"\nname = "f"\nflatness = "20 nm"\narea = ["5 mm", "3 mm"]\n'


def made(text: str) -> Any:
    return standard_from_table(tomllib.loads(text), "g.toml")


# --- what files say ------------------------------------------------------------------------------


def test_grid_with_a_certificate() -> None:
    grid = made(GRID)
    assert isinstance(grid, Grid)
    assert (grid.kind, grid.name) == ("grid", "Grid G2")
    assert grid.pitch_x.value == 2e-6
    assert grid.pitch_x.u == pytest.approx(1e-9, rel=1e-15)
    assert grid.angle.value == pytest.approx(math.pi / 2, rel=1e-15)
    assert grid.angle.u == pytest.approx(math.radians(0.005), rel=1e-15)
    assert (grid.angle.unit, grid.pitch_y.unit, grid.pitch_y.distribution) == ("rad", "m", "normal")
    assert grid.certificate == Certificate("C 123", date(2026, 3, 1), "a laboratory", date(2027, 3, 1))
    assert grid.thermal_expansion is not None
    assert grid.thermal_expansion.value == 2.6e-6
    assert grid.reference_temperature == 293.15  # ISO 1: 20 °C where nothing else is said
    assert list(grid.values()) == ["pitch_x", "pitch_y", "angle"]


def test_other_ways_to_say_an_uncertainty() -> None:
    # JCGM 100:2008, 4.3.7: limits ± a with equal probability make u = a / sqrt 3.
    pitch = made(GRATING.replace('U = "1 nm", k = 2', 'tolerance = "3 nm", source = "maker"')).pitch
    assert pitch.u == pytest.approx(3e-9 / math.sqrt(3), rel=1e-15)
    assert (pitch.distribution, pitch.source) == ("rectangular", "maker")
    assert made(STEP).height.u == 0.3e-9
    assert made(GRATING.replace("k = 2", "k = 1.65")).pitch.u == pytest.approx(1e-9 / 1.65, rel=1e-15)


def test_step_and_flat() -> None:
    step = made(STEP + 'width = { value = "5 µm", tolerance = "1 µm" }\nperiod = "10 µm"\nmounting = { u = "0.2 nm" }')
    assert isinstance(step, Step)
    assert step.width is not None
    assert step.width.value == 5e-6
    assert step.period is not None
    assert step.period.u == pytest.approx(1e-6 / math.sqrt(3))  # nominal: 10 % as limits
    assert "within ± 10% (assumed)" in str(step.period)
    assert step.mounting == Value(0.0, 0.2e-9)
    flat = made(FLAT)
    assert isinstance(flat, Flat)
    assert flat.flatness.value == 20e-9
    assert flat.flatness.u == pytest.approx(20e-9 / math.sqrt(3), rel=1e-15)
    assert flat.area == pytest.approx((5e-3, 3e-3))
    wider = made(FLAT.replace('"20 nm"', '{ value = "20 nm", U = "4 nm", k = 2 }')).flatness
    assert wider.u == pytest.approx(24e-9 / math.sqrt(3), rel=1e-15)


def test_spreads_about_zero() -> None:
    grating = made(GRATING + 'unevenness = { tolerance = "3 nm" }\nmounting = { U = "1 nm", k = 2 }')
    assert grating.unevenness.value == 0
    assert grating.unevenness.u == pytest.approx(3e-9 / math.sqrt(3), rel=1e-15)
    assert grating.mounting.u == pytest.approx(0.5e-9, rel=1e-15)


def test_summary_says_what_the_file_said() -> None:
    text = str(made(GRID))
    for words in (
        "Grid G2 (grid)",
        "pitch x            2.0000 µm ± 2.0 nm (k = 2)",
        "angle              90.000 deg ± 0.010 deg (k = 2)",
        "thermal expansion  2.6e-6 / K, within ± 10% (assumed)",
        "temperature        20 °C",
        "C 123, a laboratory, 2026-03-01, next due 2027-03-01",
    ):
        assert words in text
    assert "area      5 mm x 3 mm" in str(made(FLAT))
    assert "100 nm, standard uncertainty 0.3 nm" in str(made(STEP))
    tolerance = made(GRATING.replace('U = "1 nm", k = 2', 'tolerance = "3 nm"'))
    assert "pitch  3 µm, within ± 3 nm" in str(tolerance)


# --- temperature ---------------------------------------------------------------------------------


def test_lengths_follow_the_temperature() -> None:
    """JCGM 100:2008, H.1: a length at a temperature, with its uncertainty by 5.1.2."""
    alpha, u_alpha, length, u_length = 11.5e-6, 1.2e-6, 50e-3, 25e-9
    steel = Step(
        name="block",
        height=Value(length, u_length),
        thermal_expansion=Value(alpha, u_alpha, "1/K"),
        reference_temperature=293.15,
    )
    warm = steel.at(303.15, 0.41)
    assert warm.height.value == pytest.approx(length * (1 + 115e-6), rel=1e-14)
    expected = math.sqrt((u_length * (1 + 115e-6)) ** 2 + (length * 10 * u_alpha) ** 2 + (length * alpha * 0.41) ** 2)
    assert warm.height.u == pytest.approx(expected, rel=1e-12)
    # H.1.3.4: at 20 °C, only the thermometer's 0.41 °C remains: 11.5e-6 x 0.41 x 50 mm = 236 nm.
    there = steel.at(293.15, 0.41).height
    assert math.sqrt(there.u**2 - u_length**2) == pytest.approx(236e-9, rel=2e-3)


def test_angles_and_the_unknown_stay() -> None:
    grid = made(GRID)
    warm = grid.at(313.15)
    assert warm.angle == grid.angle
    assert warm.pitch_x.value == pytest.approx(2e-6 * (1 + 52e-6), rel=1e-14)
    assert warm.reference_temperature == 313.15
    assert "2.00010 µm" in f"{warm.pitch_x.value * 1e6:.5f} µm"
    assert grid.at(None) == grid
    assert made(GRATING).at(313.15) == made(GRATING)
    assert made(FLAT).at(313.15) == made(FLAT)
    glass = made(FLAT + 'thermal_expansion = "8 ppm / K"')
    assert glass.at(313.15).flatness == glass.flatness


def test_temperatures_are_counted_from_the_certificate() -> None:
    grid = made(GRID)
    assert grid.at(313.15).at(303.15) == grid.at(303.15)
    assert grid.at(313.15).at(None) == grid
    assert grid.at(313.15).identity == grid.identity


def test_celsius_taken_for_kelvin() -> None:
    with pytest.raises(StandardError, match="lies -273 K from that of its certificate"):
        made(GRID).at(20.0)


# --- one object, two descriptions ----------------------------------------------------------------


def test_identity() -> None:
    grid = made(GRID)
    assert grid.identity == "Grid G2, certificate C 123"
    assert made(GRID.replace("2.0000", "2.0001")).identity == grid.identity
    assert made(GRID.replace("C 123", "C 124")).identity != grid.identity
    plain = made(GRATING)
    assert plain.identity == dataclasses.replace(plain, file="other.toml", sha256="0").identity
    assert plain.identity != made(GRATING.replace("3 µm", "3.001 µm")).identity
    assert plain.identity != made(GRATING.replace('"g"', '"h"')).identity


@pytest.mark.parametrize("text", [GRID, GRATING, STEP, FLAT])
def test_json_and_back(text: str) -> None:
    standard = made(text)
    again = Standard.from_dict(json.loads(json.dumps(standard.to_dict())))
    assert again == standard
    assert str(again) == str(standard)
    assert again.identity == standard.identity
    warm = standard.at(300.0, 0.1)
    again = Standard.from_dict(json.loads(json.dumps(warm.to_dict())))
    assert again == warm
    assert again.at(None) == standard


_VALUES = st.builds(
    Value,
    st.floats(1e-10, 1),
    st.floats(0, 1e-3),
    source=st.text(max_size=5),
    stated=st.dictionaries(st.sampled_from(["value", "U"]), st.text(max_size=5)),
)
_TEXTS = st.text(max_size=8)


@given(
    st.builds(
        Grid,
        name=_TEXTS.filter(bool),
        pitch_x=_VALUES,
        pitch_y=_VALUES,
        angle=_VALUES,
        certificate=st.none() | st.builds(Certificate, _TEXTS, st.none() | st.dates(), _TEXTS, st.none() | st.dates()),
        reference_temperature=st.none() | st.floats(200, 400),
        unevenness=st.none() | _VALUES,
        notes=_TEXTS,
    )
)
def test_any_standard_comes_back_from_json(standard: Grid) -> None:
    again = Standard.from_dict(json.loads(json.dumps(standard.to_dict())))
    assert again == standard
    assert isinstance(again, Grid)
    assert again.pitch_x.stated == standard.pitch_x.stated


def test_keys_of_a_newer_version_are_passed_over() -> None:
    content = made(GRATING).to_dict()
    assert Standard.from_dict({**content, "colour": "red"}) == made(GRATING)
    for broken in ({}, {**content, "kind": "ruler"}, {"kind": "grating"}, {**content, "pitch": {"value": "x"}}):
        with pytest.raises(StandardError, match="no description of a standard"):
            Standard.from_dict(broken)


# --- what is refused -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (GRID.replace("pitch_x", "pich_x"), "there is no key pich_x: did you mean 'pitch_x'"),
        (GRID.replace("number", "nummer"), "there is no key certificate.nummer: did you mean 'number'"),
        (GRID.replace("k = 2", "K = 2", 1), "there is no key pitch_x.K: did you mean 'k'"),
        (GRATING.replace("pitch", "height"), "there is no key height"),
        (GRID.replace("2.0000 µm", "2.0000", 1), "pitch_x.value: '2.0000' has no unit"),
        (GRID.replace('"2.0000 µm"', "2.0", 1), "pitch_x.value must be a text with a unit, not 2.0"),
        (GRID.replace("2.0 nm", "2.0 K", 1), "pitch_x.U: '2.0 K' is no length"),
        (GRID.replace("90.000 deg", "90 nm"), "angle.value: '90 nm' is no angle"),
        (GRID.replace(", k = 2", "", 1), "pitch_x.U has no k: give the coverage factor"),
        (GRID.replace('U = "2.0 nm", ', "", 1), "pitch_x.k belongs to U, which is not given"),
        (GRID.replace(', U = "2.0 nm", k = 2', "", 1), "pitch_x has no uncertainty: give U and k, or tolerance"),
        (
            GRID.replace('{ value = "2.0000 µm", U = "2.0 nm", k = 2 }', '"2 µm"', 1),
            "pitch_x needs a value and its unc",
        ),
        (GRID.replace("k = 2", 'k = 2, u = "1 nm"', 1), "pitch_x has both U and u: give one of them"),
        (GRID.replace("k = 2", 'tolerance = "1 nm"', 1), "pitch_x has both U and tolerance"),
        (GRID.replace("2.0000 µm", "-2.0000 µm", 1), "pitch_x must be more than zero, not -2.0000 µm"),
        (GRID.replace("2.0000 µm", "0 µm", 1), "pitch_x must be more than zero"),
        (GRID.replace("k = 2", "k = 0", 1), "pitch_x.k must be a number more than zero, not 0"),
        (GRID.replace("k = 2", "k = -2", 1), "pitch_x.k must be a number more than zero"),
        (GRID.replace("k = 2", 'k = "2"', 1), "pitch_x.k must be a number more than zero"),
        (GRID.replace("k = 2", "k = true", 1), "pitch_x.k must be a number more than zero"),
        (GRID.replace("k = 2", "k = nan", 1), "pitch_x.k must be a number more than zero"),
        (GRID.replace("2.0 nm", "-2.0 nm", 1), "pitch_x.U must be more than zero, not -2.0 nm"),
        (GRID.replace("2.0 nm", "0 nm", 1), "pitch_x.U must be more than zero"),
        (GRID.replace("2.0 nm", "20 µm", 1), "pitch_x is no larger than its own uncertainty: check their units"),
        (GRID.replace("90.000 deg", "180 deg"), "angle must lie between 0 and 180 deg, not at 180 deg"),
        (GRID.replace("90.000 deg", "270 deg"), "angle must lie between 0 and 180 deg"),
        (GRID.replace("90.000 deg", "-90 deg"), "angle must be more than zero"),
        (GRID.replace('"grid"', '"ruler"'), "kind must be 'grating' or 'grid' or 'step' or 'flat', not 'ruler'"),
        (GRID.replace('kind = "grid"', ""), "kind must be 'grating'"),
        (GRID.replace('"Grid G2"', '" "'), "name is missing"),
        (GRID.replace('"Grid G2"', "2"), "name must be a text, not 2"),
        ('kind = "grid"\nname = "x"', "pitch_x is missing: a grid needs it, for example pitch_x = {"),
        (GRID.replace('value = "2.0000 µm", ', "", 1), "pitch_x.value is missing"),
        (GRID.replace('"2.6e-6 / K"', '"2.6e-6"'), "thermal_expansion: '2.6e-6' has no unit"),
        (GRID.replace('"2.6e-6 / K"', '"2.6 µm"'), "thermal_expansion: '2.6 µm' is no thermal expansion"),
        (GRATING + 'reference_temperature = "20"', "reference_temperature: '20' has no unit"),
        (GRID.replace("2026-03-01", '"last year"'), "certificate.date must be a date such as 2026-03-01"),
        (GRID.replace("2026-03-01", "2026"), "certificate.date must be a date"),
        (GRID.replace('"C 123"', "[1]"), r"certificate.number must be a text"),
        (GRATING + "certificate = 3", "certificate must be a table"),
        (GRATING + 'unevenness = "1 nm"', "unevenness is a spread about zero"),
        (GRATING + 'unevenness = { value = "1 nm", u = "1 nm" }', "there is no key unevenness.value"),
        (GRATING + "mounting = { k = 2 }", "mounting.k belongs to U"),
        (FLAT.replace('"20 nm"', "20"), "flatness must be a length"),
        (FLAT.replace('"20 nm"', '"-20 nm"'), "flatness must be more than zero"),
        (FLAT.replace('"20 nm"', '{ value = "20 nm", U = "1 nm" }'), "flatness.U has no k"),
        (FLAT.replace('area = ["5 mm", "3 mm"]', ""), "area must be two sides"),
        (FLAT.replace('"3 mm"', '"0 mm"'), "area must have sides of more than zero"),
        (FLAT + 'unevenness = { u = "1 nm" }', "there is no key unevenness"),
    ],
)
def test_bad_files_are_one_sentence(text: str, words: str) -> None:
    with pytest.raises(StandardError, match=words.replace("{", r"\{")) as caught:
        made(text)
    message = str(caught.value)
    assert message.startswith("g.toml: ")
    assert message.endswith((".", "?"))
    assert "\n" not in message


@pytest.mark.parametrize(("value", "u"), [(math.nan, 1.0), (math.inf, 1.0), (1.0, -1.0), (1.0, math.nan)])
def test_values_are_numbers(value: float, u: float) -> None:
    with pytest.raises(StandardError, match="must be a finite number"):
        Value(value, u)


# --- where they are found ------------------------------------------------------------------------


def test_files_and_packaged_names(tmp_path: Path) -> None:
    path = tmp_path / "g2.toml"
    path.write_text(GRID, encoding="utf-8")
    standard = load_standard(path)
    assert (standard.file, standard.sha256) == ("g2.toml", hashlib.sha256(path.read_bytes()).hexdigest())
    assert load_standard("g2.toml", folder=tmp_path) == standard
    packaged = load_standard("grid-2um", folder=tmp_path)
    assert packaged.kind == "grid"
    assert packaged.file == "grid-2um.toml"
    assert len(packaged.sha256) == 64
    with pytest.raises(StandardError, match=r"no file .*grid-2m, and no packaged standard.*did you mean 'grid-2um'"):
        load_standard("grid-2m", folder=tmp_path)
    path.write_text("kind = ", encoding="utf-8")
    with pytest.raises(StandardError, match=r"g2\.toml is not valid TOML"):
        load_standard(path)


def test_every_kind_is_packaged_and_every_value_has_its_source() -> None:
    standards = [load_standard(name) for name in packaged_standards()]
    assert {standard.kind for standard in standards} == {"grating", "grid", "step", "flat"}
    for standard in standards:
        assert standard.source, standard.name
        for value in standard.values().values():
            assert 0 < value.u < value.value


def test_silicon_step_against_the_crystal() -> None:
    """The distance of (111) double layers is a / sqrt 3, a from CODATA by way of `scipy.constants`."""
    step = load_standard("si111-step")
    assert isinstance(step, Step)
    lattice, u_lattice, unit = (
        constants.value("lattice parameter of silicon"),
        constants.precision("lattice parameter of silicon"),
        constants.unit("lattice parameter of silicon"),
    )
    assert unit == "m"
    assert u_lattice < 1e-7
    layer = lattice / math.sqrt(3)
    # The same from the other tabulated constant: d220 = a / sqrt 8.
    assert layer == pytest.approx(constants.value("lattice spacing of ideal Si (220)") * math.sqrt(8 / 3), rel=1e-8)
    assert f"{layer * 1e12:.3f} pm" in step.notes
    assert abs(step.height.value - layer) < 2 * step.height.u  # measured on oxide, within its U of the crystal
    # Dixson et al.: 312 pm, U = 12 pm, k = 2
    assert step.height.value == 312e-12
    assert step.height.u == pytest.approx(6e-12, rel=1e-12)


def test_graphite_is_hexagonal() -> None:
    lattice = load_standard("graphite-lattice")
    assert isinstance(lattice, Grid)
    assert lattice.pitch_x == lattice.pitch_y
    assert lattice.angle.value == pytest.approx(math.pi / 3, rel=1e-15)
    # Bond length a / sqrt 3 = 0.142 nm and layer distance 0.335 nm (textbook values, from memory)
    assert lattice.pitch_x.value / math.sqrt(3) == pytest.approx(0.142e-9, abs=0.0005e-9)
    step = load_standard("graphite-step")
    assert isinstance(step, Step)
    assert step.height.value == pytest.approx(0.335e-9, abs=0.0005e-9)
    for standard in (lattice, step):
        assert "from memory" in standard.source


def test_examples_are_what_their_names_say() -> None:
    grating, grid = load_standard("grating-3um"), load_standard("grid-2um")
    assert isinstance(grating, Grating)
    assert isinstance(grid, Grid)
    assert (grating.pitch.value, grid.pitch_x.value, grid.pitch_y.value) == (3e-6, 2e-6, 2e-6)
    coarse, step, flat = (load_standard(name) for name in ("grid-5mm", "step-100nm", "flat-5mm"))
    assert isinstance(coarse, Grid)
    assert isinstance(step, Step)
    assert isinstance(flat, Flat)
    assert (coarse.pitch_x.value, step.height.value, flat.area) == (5e-3, 100e-9, (5e-3, 5e-3))


def test_example_of_the_reference() -> None:
    page = (Path(__file__).parent.parent / "docs" / "reference" / "standard-files.md").read_text("utf-8")
    grid = made(page.split("```toml\n")[1].split("```")[0])
    assert grid.pitch_x.u == pytest.approx(1e-9)
    assert grid.identity == "Grid G2, certificate C 123"
    for name in packaged_standards():
        assert f"`{name}`" in page
