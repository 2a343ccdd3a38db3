"""Reports: that they say what the results say, are whole, and let nothing of a file become mark-up."""

from __future__ import annotations

import dataclasses
import itertools
import json
import re
from pathlib import Path

import html5lib
import pytest
from typer.testing import CliRunner, Result

from calib.cli import app
from calib.formats import read_scan
from calib.model import load_model
from calib.report import recognise
from calib.report.budgets import budgets
from calib.report.choice import model_picture
from calib.report.formal import CAUTIONS, Given
from calib.report.html import clean, escaped, to_html
from calib.report.model_report import model_report
from calib.summary import quantities
from calib.verification import load_verification
from tests.demonstration import demonstrated

EVIL = '<script>alert(1)</script>"onerror="x\'><img src=http://evil.example/x>'


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], prog_name="calib")


@pytest.fixture(scope="module")
def folder() -> Path:
    return demonstrated().folder


@pytest.fixture(scope="module")
def page(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    out = tmp_path_factory.mktemp("report") / "model.html"
    result = run("report", folder / "model.json", "-o", out, "--scan", folder / "sample.nc", "--issued", "2026-03-20")
    assert result.exit_code == 0, result.output
    return out.read_text("utf-8")


def parsed(page: str):
    return html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(page)


def test_the_page_is_valid_whole_and_fetches_nothing(page: str) -> None:
    tree = parsed(page)
    for one in tree.iter():
        for name, value in one.attrib.items():
            assert not name.startswith("on"), (one.tag, name)
            assert name != "style"
            if name in ("src", "href"):
                assert value.startswith(("data:", "#")), value[:60]
    text = re.sub(r"data:image/[^\"]*", "", page)
    assert "http://" not in text
    assert "https://" not in text
    policy = next(one for one in tree.iter("meta") if one.get("http-equiv"))
    assert "default-src 'none'" in policy.get("content")
    assert len(page) < 2e6


def test_the_page_can_be_heard(page: str) -> None:
    """Landmarks, headings without gaps, an alternative for each picture, captions and scopes of tables."""
    tree = parsed(page)
    for landmark in ("header", "main", "nav", "footer"):
        assert len(list(tree.iter(landmark))) == 1
    levels = [int(one.tag[1]) for one in tree.iter() if re.fullmatch(r"h[1-6]", str(one.tag))]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    assert all(len(one.get("alt")) > 10 for one in tree.iter("img"))
    for table in tree.iter("table"):
        assert table.find("caption") is not None
        assert all(cell.get("scope") in ("col", "row") for cell in table.iter("th"))
    names = [one.get("id") for one in tree.iter() if one.get("id")]
    assert len(names) == len(set(names))
    links = {one.get("href")[1:] for one in tree.iter("a")}
    assert links <= set(names)


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, WCAG 2.1, 1.4.3 (formula from memory)."""

    def luminance(colour: str) -> float:
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))

    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_words_are_seen_in_the_light_and_in_the_dark(page: str) -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    style = re.search("<style>(.*?)</style>", page, re.DOTALL)[1]
    themes = [
        dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", part)) for part in re.findall(r":root \{(.*?)\}", style, re.DOTALL)
    ]
    assert len(themes) == 3  # on a screen in the light and in the dark, and on paper
    for theme in themes:
        for ink in ("ink", "quiet", "link", "good", "bad", "open", "plain"):
            for paper in ("page", "raised"):
                assert contrast(theme[ink], theme[paper]) >= 4.5, (ink, paper, theme)
    assert ":focus-visible" in style


def test_cells_of_tables_say_their_columns_where_a_phone_shows_them_as_cards(page: str) -> None:
    tree = parsed(page)
    assert tree.get("lang") == "en-GB"
    tables = list(tree.iter("table"))
    assert len(tables) > 8
    for table in tables:
        names = ["".join(cell.itertext()) for cell in table.find("thead").iter("th")]
        for row in table.find("tbody").iter("tr"):
            assert [cell.get("data-head") for cell in row.iter("td")] == names[1:]
            assert row.find("th").get("scope") == "row"


def test_the_page_says_the_results_of_the_model(page: str, folder: Path) -> None:
    model = load_model(folder / "model.json")
    text = "".join(parsed(page).itertext())
    for one in quantities(model):
        assert str(one).removesuffix(" (k = 2)") in text
    for said in (*model.undetermined, *CAUTIONS):
        assert said[1:] in text
    for one in model.provenance["inputs"]:
        assert one["sha256"] in text
    for standard in model.provenance["standards"]:
        assert standard["certificate"]["number"] in text
    assert "not an accredited certificate" in text
    assert "Not given: laboratory" in text
    assert "As recorded" in page
    assert text.count("the same file was found again") == len(model.provenance["inputs"])


def test_budgets_add_up_to_what_the_model_says(folder: Path) -> None:
    model = load_model(folder / "model.json")
    size = model.domain.sizes[1]
    by_name = {budget.quantity: budget for budget in budgets(model)}
    for axis, name in enumerate(("scale x", "scale y")):
        value, u = model.scale(axis, size)
        assert by_name[name].value == pytest.approx(value, rel=1e-9)
        assert by_name[name].u == pytest.approx(u, rel=1e-6)
    assert by_name["skew"].u == pytest.approx(model["skew"].u, rel=1e-6)
    assert by_name["height gain"].u == pytest.approx(model["z_gain"].u, rel=1e-6)


def hostile(content: object) -> object:
    """Put mark-up into every text of a JSON object that may hold any text."""
    fixed = {
        "format", "version", "kind", "verdict", "unit", "source", "travel_from", "distribution", "effects",
        "parameters", "height", "covariance", "origins", "certificates", "path", "rule", "symbol", "words",
    }  # fmt: skip
    if isinstance(content, dict):
        return {key: item if key in fixed else hostile(item) for key, item in content.items()}
    if isinstance(content, list):
        return [hostile(item) for item in content]
    if isinstance(content, str) and not re.fullmatch(r"[a-z_]+(_[xyz])?|trace|retrace|[\d.:T+-]+", content):
        return content + EVIL
    return content


def safe(page: str) -> None:
    tree = parsed(page)
    assert len(list(tree.iter("script"))) == 1
    assert all(one.get("src").startswith("data:") for one in tree.iter("img"))
    assert not [name for one in tree.iter() for name in one.attrib if name.startswith("on")]
    assert "<script>alert" not in page


def test_nothing_of_a_model_file_becomes_mark_up(folder: Path, tmp_path: Path) -> None:
    body = json.loads((folder / "model.json").read_text("utf-8"))
    body["scanner"]["name"] = EVIL
    body["scanner"]["controller"] = {EVIL: EVIL}
    body["provenance"] = hostile(body["provenance"])
    for key in ("undetermined", "notes"):
        body[key] = [EVIL, *body[key]]
    body["drift"] = hostile(body["drift"])
    for one in body["observations"]:
        one["label"] = EVIL
    body["misfit"]["by_scan"] = {EVIL: 1e-9}
    path, out = tmp_path / "evil.json", tmp_path / "evil.html"
    path.write_text(json.dumps(body), "utf-8")
    result = run("report", path, "-o", out, "--lab", EVIL, "--by", EVIL, "--number", EVIL, "--customer", EVIL)
    assert result.exit_code == 0, result.output
    page = out.read_text("utf-8")
    safe(page)
    assert page.count(escaped(EVIL)) > 15


def test_nothing_of_a_verification_becomes_mark_up(folder: Path, tmp_path: Path) -> None:
    body = json.loads((folder / "verification.json").read_text("utf-8"))
    evil = hostile(body)
    path, out = tmp_path / "evil.json", tmp_path / "evil.html"
    path.write_text(json.dumps(evil), "utf-8")
    result = run("report", path, "-o", out)
    assert result.exit_code == 0, result.output
    safe(out.read_text("utf-8"))
    assert escaped(EVIL) in out.read_text("utf-8")


def test_a_verification_is_reported_with_its_decisions(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "check.html"
    result = run("report", folder / "verification.json", "-o", out, "--json")
    found = load_verification(folder / "verification.json")
    told = json.loads(result.stdout)
    assert told["kind"] == "verification"
    assert told["outputs"] == [str(out)]
    text = "".join(parsed(out.read_text("utf-8")).itertext())
    for check in found.checks:
        for result in check.results:
            assert f"{result.normalised_error:+.2f}" in text
    assert "Decision rule" in text
    assert {"conforms": "Conforms"}.get(found.verdict, found.verdict) in text


def test_a_comparison_and_a_history_are_reported(folder: Path, tmp_path: Path) -> None:
    other = load_model(folder / "model.json")
    second = other.replace(
        values=other.values * 1.0001, domain=dataclasses.replace(other.domain, last="2026-04-02T09:00:00")
    )
    home = tmp_path / "history"
    home.mkdir()
    second.save(home / "b.json")
    (home / "a.json").write_bytes((folder / "model.json").read_bytes())
    run("compare", folder / "model.json", home / "b.json", "--save", tmp_path / "c.json")
    compared = run("report", tmp_path / "c.json", "-o", tmp_path / "c.html")
    assert compared.exit_code == 0, compared.output
    assert "What it means" in (tmp_path / "c.html").read_text("utf-8")
    for figure, said in (("all", "First:"), ("quantities", "second less first"), ("map-1", "displacement")):
        drawn = run("show", tmp_path / "c.json", "-o", tmp_path / f"{figure}.svg", "--figure", figure)
        assert drawn.exit_code == 0, drawn.output
        assert said in (tmp_path / f"{figure}.svg").read_text("utf-8")
    told = run("report", home, "-o", tmp_path / "h.html", "--at", "2026-05-01", "--valid-for", "10 d")
    assert told.exit_code == 0, told.output
    safe((tmp_path / "h.html").read_text("utf-8"))
    assert "Calibrate." in told.stdout  # older than it may be


def test_the_same_input_makes_the_same_page_and_pdf(folder: Path, tmp_path: Path) -> None:
    pytest.importorskip("fpdf")
    for name in ("a", "b"):
        words = ("-o", tmp_path / f"{name}.html", "--pdf", tmp_path / f"{name}.pdf", "--issued", "2026-03-20")
        assert run("report", folder / "verification.json", *words).exit_code == 0
    for ending in ("html", "pdf"):
        assert (tmp_path / f"a.{ending}").read_bytes() == (tmp_path / f"b.{ending}").read_bytes()
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF-")


@pytest.mark.parametrize(
    ("content", "said"),
    [("{", "broken"), ("[]", "no model"), ('{"format": "other"}', "no model"), ("hello", "no model"), ("", "empty")],
)
def test_other_files_are_refused_in_one_sentence(content: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "some.json"
    path.write_text(content)
    result = run("report", path, "-o", tmp_path / "x.html")
    assert result.exit_code == 2
    assert said in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert not (tmp_path / "x.html").exists()


def test_nothing_is_written_over_without_being_told(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "x.html"
    out.write_text("mine")
    assert run("report", folder / "verification.json", "-o", out).exit_code == 2
    assert out.read_text() == "mine"
    assert run("report", folder / "verification.json", "-o", out, "--force").exit_code == 0
    assert run("report", folder / "verification.json").exit_code == 2
    assert run("report", folder / "verification.json", "-o", tmp_path / "x.txt").exit_code == 2
    assert run("report", folder / "verification.json", "-o", tmp_path / "y.html", "--scan", "s.nc").exit_code == 2


def test_a_pdf_without_its_library_is_refused_in_one_sentence(folder: Path, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "fpdf", None)
    result = run("report", folder / "verification.json", "--pdf", tmp_path / "x.pdf")
    assert result.exit_code == 2
    assert "calib-raster[report]" in result.stderr


def test_a_scan_is_shown_as_its_plan_reads_it_or_it_is_said_why_not(folder: Path, tmp_path: Path) -> None:
    """A bare matrix of heights says neither size nor unit: the plan of the calibration does, while it is the same."""
    from calib.files import sha256
    from calib.report.beside import Inputs, Reading, beside
    from calib.report.model_tables import not_shown

    matrix, plan = tmp_path / "bare.csv", tmp_path / "plan.toml"
    matrix.write_text("\n".join(",".join(str((i * j) % 5) for j in range(8)) for i in range(8)))
    plan.write_text('[[scan]]\nfile = "bare.csv"\nstandard = "grid-2um"\npixel_size = "50 nm"\nunit = "nm"\n')
    inputs = [{"scan": "bare", "file": "bare.csv", "sha256": sha256(matrix)}]
    model = load_model(folder / "model.json")
    model = model.replace(provenance={**model.provenance, "inputs": inputs})

    def why(found: Inputs) -> str:
        return " ".join(item for block in not_shown(model, found) for item in getattr(block, "items", ()))

    read = beside(inputs, [tmp_path], reading=Reading("plan.toml", sha256(plan)))
    assert read.found[sha256(matrix)].size[0] == pytest.approx(350e-9)
    assert not why(read)
    alone = beside(inputs, [tmp_path])
    assert not alone.found
    assert "bare: its file can't be read by itself" in why(alone)
    plan.write_text(plan.read_text() + "\n")
    assert not beside(inputs, [tmp_path], reading=Reading("plan.toml", "0" * 64)).found
    by_hand = Reading(given={"pixel_size": "50 nm", "unit": "nm"})
    assert beside(inputs, [tmp_path], reading=by_hand).found
    matrix.write_text("1,2\n3,4\n")
    assert "was changed since" in why(beside(inputs, [tmp_path]))
    matrix.unlink()
    assert "not found" in why(beside(inputs, [tmp_path]))


def test_figures_stand_alone(folder: Path, tmp_path: Path) -> None:
    model = load_model(folder / "model.json")
    for name in ("height", "hysteresis", "uncertainty-x"):
        assert model_picture(model, name).axes
    out = tmp_path / "x.svg"
    assert run("show", folder / "model.json", "-o", out, "--figure", "drift").exit_code == 0
    assert "rate of drift" in out.read_text("utf-8")
    refused = run("show", folder / "model.json", "-o", tmp_path / "y.svg", "--figure", "none")
    assert (refused.exit_code, refused.stdout) == (2, "")
    assert "hysteresis" in refused.stderr
    assert not (tmp_path / "y.svg").exists()


@pytest.mark.parametrize(
    ("source", "words", "said"),
    [
        (
            "grid-up.nc",
            (),
            ("trace, less its plane", "retrace, less its plane", "fast axis (µm)", "height (nm)", "5 µm"),
        ),
        ("grid-up.nc", ("--figure", "findings"), ("WARNING", "column")),
        ("verification.json", (), ("Measured against certified", "bench-1 chip 7")),
        ("grid.toml", (), ("Grid D-1 (grid)", "pitch x 2.0000 µm ± 2.0 nm (k = 2)", "demo 1")),
        ("grating.toml", (), ("pitch 3.0000 µm ± 1.5 nm (k = 2)",)),
        ("step.toml", (), ("height 100.0 nm ± 0.6 nm (k = 2)", "width 6.5 µm")),
        ("flat-5mm", (), ("flatness 20 nm", "x (mm)")),
    ],
)
def test_all_that_has_a_picture_is_drawn(
    folder: Path, tmp_path: Path, source: str, words: tuple[str, ...], said: tuple[str, ...]
) -> None:
    path = folder / source
    given = path if path.exists() else source
    result = run("show", given, "-o", tmp_path / "x.svg", *words)
    assert result.exit_code == 0, result.output
    assert f"Drawn as {tmp_path / 'x.svg'}." in result.stdout
    drawn = (tmp_path / "x.svg").read_text("utf-8")
    for text in said:
        assert text in drawn
    assert run("show", given, "-o", tmp_path / "x.svg", *words).exit_code == 2  # it is there already
    assert run("show", given, "-o", tmp_path / "y.svg", "--figure", "none").exit_code == 2
    assert json.loads(run("show", given, "--json").stdout)


def test_names_are_drawn_as_they_are_not_as_formulas(folder: Path) -> None:
    from calib.report.choice import scan_picture, standard_picture
    from calib.report.html import svg
    from calib.standard import load_standard

    name = "a $\\frac$ b"
    scan = read_scan(folder / "sample.nc").replace(title=name)
    standard = dataclasses.replace(load_standard("grid-2um"), name=name)
    for figure in (scan_picture(scan, "all"), scan_picture(scan, "findings"), standard_picture(standard, "all")):
        assert svg(figure).startswith(b"<?xml")


def test_what_cannot_be_shown_is_refused_in_one_sentence(folder: Path, tmp_path: Path) -> None:
    broken = tmp_path / "some.json"
    broken.write_text('{"format": "other"}')
    for words, said in (
        ((folder / "plan.toml",), "is a plan"),
        ((folder,), "is a folder"),
        ((tmp_path / "none.nc",), "no file"),
        ((broken,), "no model, verification or comparison"),
        ((folder / "grid-up.nc", "--parameters"), "go with a model"),
        ((folder / "model.json", "--channel", "height"), "go with a scan"),
    ):
        result = run("show", *words)
        assert (result.exit_code, result.stdout) == (2, "")
        assert said in result.stderr
        assert len(result.stderr.strip().splitlines()) == 1


def test_notebooks_show_numbers_and_escape_names(folder: Path) -> None:
    model = load_model(folder / "model.json").replace(scanner=EVIL)
    scan = read_scan(folder / "sample.nc").replace(title=EVIL)
    check = dataclasses.replace(load_verification(folder / "verification.json"), scanner=EVIL)
    for one in (model, scan, check, check.checks[0]):
        page = one._repr_html_()
        assert "<script" not in page
        html5lib.HTMLParser(strict=True).parseFragment(page)
    assert str(quantities(model)[0]) in model._repr_html_()
    from calib.standard import load_standard

    assert "2.0000 µm ± 2.0 nm" in load_standard(folder / "grid.toml")._repr_html_()


def test_control_characters_are_shown_as_such() -> None:
    assert clean("a\u202eb\x00c") == "a\ufffdb\ufffdc"


def test_a_scan_that_changed_since_is_named(folder: Path, tmp_path: Path) -> None:
    from calib.report.beside import beside

    (tmp_path / "grid-up.nc").write_bytes(b"other")
    model = load_model(folder / "model.json")
    found = beside(model.provenance["inputs"], [tmp_path])
    assert found.changed == ("grid-up.nc",)
    assert not found.found
    away = [{"file": "../grid-up.nc", "sha256": "0" * 64}]
    assert beside(away, [tmp_path / "deeper"]).changed == ()


def test_models_of_steps_alone_are_reported(folder: Path) -> None:
    model = load_model(folder / "model.json")
    steps = tuple(one for one in model.observations if "Step" in type(one).__name__)
    alone = model.replace(
        observations=steps, misfit=dataclasses.replace(model.misfit, source="assumed", by_scan={}), drift=()
    )
    page = to_html(model_report(alone, Given(issued="2026-03-20")))
    assert "Calibrated in part" in page
    assert "x and y are not calibrated" in page


def test_kinds_are_told_by_content(folder: Path) -> None:
    assert recognise.kind_of(folder / "model.json") == "model"
    assert recognise.kind_of(folder / "verification.json") == "verification"
    assert recognise.kind_of(folder) == "history"
