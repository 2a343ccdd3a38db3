"""Model files: what is written comes back, what is damaged is refused, and the hash says what a model is."""

from __future__ import annotations

import copy
import dataclasses
import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from calib import calibrate, load_model
from calib.errors import FileError, ModelError, OutputExistsError
from calib.model import Model
from calib.model_file import _tight, schema
from calib.observe.lateral import LateralObservation
from calib.observe.step import StepObservation
from calib.path import Path as Commanded
from calib.scan import Scan
from calib.simulate import Flaws, Grid, Session, Step, record
from tests.instruments import grid, step

ROOT = Path(__file__).parent.parent


def motion(path: Commanded, samples: Any) -> np.ndarray:
    u, v = samples.position
    return np.stack([1.03 * u + 0.01 * v + 3e2 * u**2, 0.98 * v])


def scans(noise: float = 1e-9, passes: tuple[str, ...] = ("trace", "retrace")) -> list[tuple[Scan, Any]]:
    session = Session(points=96, passes=passes)
    flaws = Flaws(noise=noise)
    lattice = Grid(pitch_x=2e-6, pitch_y=2e-6, height=100e-9, theta=0.03)
    first = record(lattice, motion, session.frame(20e-6, title="up", rotation=0.3), flaws=flaws, seed=1).scan
    ridge = Step(height=100e-9, width=8e-6)
    second = record(ridge, motion, session.frame(20e-6, title="ridge"), flaws=flaws, seed=2).scan
    return [(first, grid()), (second, step())]


@pytest.fixture(scope="module")
def model() -> Model:
    return calibrate(scans(), scanner="bench", degree=2, refinements=0)


@pytest.fixture(scope="module")
def small() -> Model:
    """A model without hysteresis and creep, which are most of the numbers."""
    return calibrate(scans(passes=("trace",)), scanner="bench", degree=2, refinements=0)


@pytest.fixture(scope="module")
def written(small: Model, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    path = tmp_path_factory.mktemp("models") / "model.json"
    small.save(path)
    content = json.loads(path.read_text("utf-8"))
    assert isinstance(content, dict)
    return content


def loaded(content: object, folder: Path) -> Model:
    path = folder / "changed.json"
    path.write_text(json.dumps(content), encoding="utf-8")
    return load_model(path)


def same(a: Any, b: Any) -> None:
    """Fail unless two things are alike to the last bit; NaN is like NaN."""
    if isinstance(a, np.ndarray):
        np.testing.assert_array_equal(a, b)
        assert a.dtype == b.dtype
    elif isinstance(a, Commanded):
        same(a.sweeps, b.sweeps)
        same(a.rest, b.rest)
        assert a.to_dict() == b.to_dict()
    elif dataclasses.is_dataclass(a):
        assert type(a) is type(b)
        for part in dataclasses.fields(a):
            same(getattr(a, part.name), getattr(b, part.name))
    elif isinstance(a, (tuple, list)):
        assert len(a) == len(b)
        for one, other in zip(a, b, strict=True):
            same(one, other)
    elif isinstance(a, float) and np.isnan(a):
        assert np.isnan(b)
    elif isinstance(a, dict):
        assert a.keys() == b.keys()
        for key in a:
            same(a[key], b[key])
    else:
        assert a == b


# --- there and back --------------------------------------------------------------------------------


def test_all_comes_back_to_the_last_bit(model: Model, tmp_path: Path) -> None:
    model.save(tmp_path / "model.json")
    again = load_model(tmp_path / "model.json")
    assert np.isnan(model.travel[2])
    assert model.observations[0].standard.certificate is None
    for part in dataclasses.fields(Model):
        if part.name == "motion":
            assert [(e.name, e.settings()) for e in again.motion.effects] == [
                (e.name, e.settings()) for e in model.motion.effects
            ]
        elif part.name == "observations":
            # the axes of a path come back evenly spaced, to within 1e-9 of their length
            for one, other in zip(model.observations, again.observations, strict=True):
                assert one.to_dict() == other.to_dict()
        else:
            same(getattr(model, part.name), getattr(again, part.name))
    again.save(tmp_path / "again.json")
    same(load_model(tmp_path / "again.json").observations, again.observations)
    assert (tmp_path / "again.json").read_bytes() == (tmp_path / "model.json").read_bytes()


def test_it_corrects_the_same(model: Model, tmp_path: Path) -> None:
    scan = scans()[0][0]
    model.save(tmp_path / "model.json")
    one, other = model.locate(scan), load_model(tmp_path / "model.json").locate(scan)
    for name in ("x", "y", "z", "u_x", "u_y", "u_z"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    assert np.isfinite(one.u_x).all()


def test_unknown_heights_stay_unknown(written: dict[str, Any], tmp_path: Path) -> None:
    assert written["scanner"]["travel"][2] is None
    assert written["domain"]["heights"] is None
    ridge = written["observations"][1]
    assert ridge["kind"] == "step"
    assert ridge["low"] is None
    observation = loaded(written, tmp_path).observations[1]
    assert isinstance(observation, StepObservation)
    assert np.isnan(observation.low)


def test_a_model_of_steps_alone_comes_back(tmp_path: Path) -> None:
    alone = calibrate(scans()[1:])
    alone.save(tmp_path / "model.json")
    again = load_model(tmp_path / "model.json")
    assert again.motion.effects == ()
    assert again.sha256 == alone.sha256
    assert again["z_gain"] == alone["z_gain"]


def test_covariance_is_that_of_its_parameters(small: Model, written: dict[str, Any]) -> None:
    n = len(small.values)
    packed = np.array(written["covariance"])
    assert packed.size == n * (n + 1) // 2
    k = 2  # skew with scale_y: row 2, column 1
    assert written["parameters"][k]["name"] == "skew"
    assert packed[k * (k + 1) // 2 + 1] == small.covariance[2, 1] != 0
    for parameter, u in zip(written["parameters"], np.sqrt(np.diag(small.covariance)), strict=True):
        assert parameter["u"] == u


# --- hash ------------------------------------------------------------------------------------------


def test_hash_is_that_of_the_input(model: Model, tmp_path: Path) -> None:
    again = calibrate(scans(), scanner="bench", degree=2, refinements=0)
    assert again.sha256 == model.sha256
    assert calibrate(scans(2e-9), scanner="bench", degree=2, refinements=0).sha256 != model.sha256
    assert calibrate(scans(), scanner="another", degree=2, refinements=0).sha256 != model.sha256
    other_day = again.replace(created="2001-01-01T00:00:00+00:00")
    other_day.save(tmp_path / "model.json")
    assert json.loads((tmp_path / "model.json").read_text("utf-8"))["sha256"] == model.sha256
    assert load_model(tmp_path / "model.json").created == "2001-01-01T00:00:00+00:00"


def test_hash_can_be_computed_from_the_file(written: dict[str, Any]) -> None:
    """As docs/reference/model-files.md says, by anybody."""
    import hashlib

    body = {key: item for key, item in written.items() if key not in ("created", "sha256")}
    body["provenance"] = {key: item for key, item in body["provenance"].items() if key != "command"}
    text = json.dumps(body, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    assert hashlib.sha256(text.encode()).hexdigest() == written["sha256"]


def test_hash_depends_on_every_number(small: Model) -> None:
    values = small.values.copy()
    values[0] = np.nextafter(values[0], 2)
    assert small.replace(values=values).sha256 != small.sha256
    covariance = small.covariance.copy()
    covariance[0, 0] = np.nextafter(covariance[0, 0], 2)
    assert small.replace(covariance=covariance).sha256 != small.sha256


def test_command_is_no_part_of_the_hash(small: Model) -> None:
    commanded = small.replace(provenance={**small.provenance, "command": "calib calibrate plan.toml"})
    assert commanded.sha256 == small.sha256
    optional = small.replace(provenance={**small.provenance, "options": {"degree": 3}})
    assert optional.sha256 != small.sha256


# --- versions --------------------------------------------------------------------------------------


def test_newer_minor_version_is_read_and_its_keys_are_kept(written: dict[str, Any], tmp_path: Path) -> None:
    newer = copy.deepcopy(written)
    newer["version"] = "1.7"
    newer["humidity"] = {"value": 0.4, "list": [1, None, "text"]}
    newer["domain"]["temperatures"] = [293.0, 295.0]
    newer["observations"][0]["nodes"]["colour"] = "any"
    model = loaded(newer, tmp_path)
    assert model.extra == {"humidity": newer["humidity"]}
    model.save(tmp_path / "kept.json")
    kept = json.loads((tmp_path / "kept.json").read_text("utf-8"))
    assert kept["humidity"] == newer["humidity"]
    assert kept["version"] == "1.1"


def test_newer_major_version_is_refused(written: dict[str, Any], tmp_path: Path) -> None:
    with pytest.raises(ModelError, match=r"newer version of calib \(file version 2\.0"):
        loaded({**written, "version": "2.0"}, tmp_path)


@pytest.mark.parametrize("version", ["", "one", None, "-1.0", "1", [1, 0]])
def test_no_version_is_refused(version: object, written: dict[str, Any], tmp_path: Path) -> None:
    with pytest.raises(FileError, match="version"):
        loaded({**written, "version": version}, tmp_path)
    with pytest.raises(FileError, match="version"):
        loaded({key: item for key, item in written.items() if key != "version"}, tmp_path)


def test_unknown_effect_is_refused(written: dict[str, Any], tmp_path: Path) -> None:
    strange = copy.deepcopy(written)
    strange["effects"][0]["name"] = "witchcraft"
    with pytest.raises(ModelError, match="witchcraft"):
        loaded(strange, tmp_path)


# --- damage ----------------------------------------------------------------------------------------


def one_sentence(problem: pytest.ExceptionInfo[FileError], name: str) -> None:
    said = str(problem.value)
    assert name in said
    assert "\n" not in said
    assert said.endswith(".")


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\x89HDF\r\n\x1a\n\x00\xff",
        b"kind = 'grid'\n",
        b"[1, 2]",
        b'"calib model"',
        b"null",
        b"{}",
        b'{"format": "something else", "version": "1.0"}',
        b"[" * 100_000,
        b'{"format": "calib model", "version": "1.0", "scanner": NaN}',
        b'{"format": "calib model", "version": ' + b"1" * 5000 + b"}",
        b'{"format": "calib model", "version": "1.0"}',
    ],
)
def test_foreign_files_are_refused(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "odd.json"
    path.write_bytes(data)
    with pytest.raises(FileError) as problem:
        load_model(path)
    one_sentence(problem, "odd.json")


def test_missing_file_and_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="no file"):
        load_model(tmp_path / "none.json")
    with pytest.raises(FileError, match="folder"):
        load_model(tmp_path)


def test_truncated_files_are_refused(small: Model, tmp_path: Path) -> None:
    small.save(tmp_path / "model.json")
    data = (tmp_path / "model.json").read_bytes()
    for length in np.linspace(1, len(data) - 3, 12).astype(int):
        (tmp_path / "short.json").write_bytes(data[:length])
        with pytest.raises(FileError) as problem:
            load_model(tmp_path / "short.json")
        one_sentence(problem, "short.json")


def _at(*keys: Any) -> Callable[[Any], tuple[Any, Any]]:
    def find(content: Any) -> tuple[Any, Any]:
        for key in keys[:-1]:
            content = content[key]
        return content, keys[-1]

    return find


@pytest.mark.parametrize(
    ("where", "value"),
    [
        (_at("covariance"), [1.0]),
        (_at("covariance", 0), -1.0),
        (_at("covariance", 0), None),
        (_at("parameters", 0, "value"), 1e999),
        (_at("parameters", 0, "name"), "scale_q"),
        (_at("height", "covariance"), [1.0, 0.0]),
        (_at("height", "parameters"), []),
        (_at("scanner", "travel"), [1e-5]),
        (_at("scanner", "travel", 0), None),
        (_at("effects", 0, "settings"), {"no such": 1}),
        (_at("effects", 0, "settings", "travel"), "wide"),
        (_at("misfit", "lateral"), -1.0),
        (_at("domain", "area"), [0.0, 1.0]),
        (_at("domain", "speeds"), [1.0]),
        (_at("observations", 0, "kind"), "song"),
        (_at("observations", 0, "path", "passes"), ["there", "back"]),
        (_at("observations", 0, "path", "fast"), {"first": 0.0, "last": 1.0}),
        (_at("observations", 0, "standard", "kind"), "flat"),
        (_at("observations", 0, "standard", "kind"), "brick"),
        (_at("observations", 0, "nodes", "periods"), [1.0]),
        (_at("observations", 0, "nodes", "row", 0), 5000),
        (_at("observations", 0, "nodes", "fast"), [0.0]),
        (_at("observations", 0, "started"), "yesterday"),
        (_at("observations", 1, "u"), "small"),
        (_at("notes"), "none"),
        (_at("undetermined"), [1]),
    ],
)
def test_damage_is_refused(where: Any, value: Any, written: dict[str, Any], tmp_path: Path) -> None:
    damaged = copy.deepcopy(written)
    container, key = where(damaged)
    container[key] = value
    with pytest.raises(FileError) as problem:
        loaded(damaged, tmp_path)
    one_sentence(problem, "changed.json")


@pytest.mark.parametrize("key", ["scanner", "effects", "covariance", "height", "observations", "provenance"])
def test_missing_key_is_refused(key: str, written: dict[str, Any], tmp_path: Path) -> None:
    with pytest.raises(FileError, match=key):
        loaded({name: item for name, item in written.items() if name != key}, tmp_path)


# --- writing ---------------------------------------------------------------------------------------


def test_nothing_is_overwritten_without_force(small: Model, tmp_path: Path) -> None:
    path = tmp_path / "model.json"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(OutputExistsError):
        small.save(path)
    assert path.read_text("utf-8") == "mine"
    small.save(path, force=True)
    assert load_model(path).sha256 == small.sha256
    assert [found.name for found in tmp_path.iterdir()] == ["model.json"]


def test_a_broken_model_is_not_written(small: Model, tmp_path: Path) -> None:
    with pytest.raises(ModelError, match="not finite"):
        small.replace(values=np.full_like(small.values, np.nan)).save(tmp_path / "model.json")
    assert not list(tmp_path.iterdir())


def test_what_json_cannot_hold_is_written_all_the_same(small: Model, tmp_path: Path) -> None:
    """Infinite condition numbers, NaN in a scan's metadata, arrays, and file names that are no text."""
    odd = small.replace(
        quality={"condition": np.inf, "steps": np.float32(2.5)},
        provenance={"inputs": [], "options": {"array": np.arange(3), "name": "a\udcff", "number": np.nan}},
    )
    odd.save(tmp_path / "model.json")
    again = load_model(tmp_path / "model.json")
    assert again.quality == {"condition": None, "steps": 2.5}
    assert again.provenance["options"] == {"array": [0, 1, 2], "name": "a\\udcff", "number": None}
    assert again.sha256 == odd.sha256


numbers = st.floats(allow_nan=False, allow_infinity=False) | st.integers()
lists = st.lists(numbers, max_size=4)


@given(st.dictionaries(st.text(), lists | st.text("[1, 2]\n.e") | st.lists(lists, max_size=3), max_size=4))
def test_short_lists_on_one_line_change_nothing(content: dict[str, Any]) -> None:
    assert json.loads(_tight(json.dumps(content, indent=1))) == content


# --- the schema ------------------------------------------------------------------------------------


def test_schema_is_one_and_holds_for_what_is_written(written: dict[str, Any]) -> None:
    Draft202012Validator.check_schema(schema())
    assert not list(Draft202012Validator(schema()).iter_errors(written))
    assert set(written) == set(schema()["properties"])


def test_schema_describes_every_key_of_the_observations(written: dict[str, Any]) -> None:
    parts = schema()["$defs"]
    for observation, kind in zip(written["observations"], ("lateral", "step"), strict=True):
        assert set(observation) == set(parts["observation"]["properties"]) | set(parts[kind]["properties"])
    path = {"history", *written["observations"][0]["path"]}  # it is written where it is known
    assert path == set(parts["path"]["properties"])
    assert isinstance(LateralObservation.from_dict(written["observations"][0]), LateralObservation)


def test_schema_allows_unknown_keys_everywhere() -> None:
    def closed(part: object) -> bool:
        if isinstance(part, dict):
            return part.get("additionalProperties") is False or any(map(closed, part.values()))
        return isinstance(part, list) and any(map(closed, part))

    assert not closed(schema())


def test_schema_is_in_the_wheel(tmp_path: Path) -> None:
    from hatchling.builders.wheel import WheelBuilder

    wheel = next(WheelBuilder(str(ROOT)).build(directory=str(tmp_path), versions=["standard"]))
    with zipfile.ZipFile(wheel) as archive:
        assert json.loads(archive.read("calib/schemas/model-1.json")) == schema()


def test_every_key_is_in_the_reference() -> None:
    page = (ROOT / "docs" / "reference" / "model-files.md").read_text("utf-8")

    def keys(part: Any) -> set[str]:
        if isinstance(part, list):
            return set().union(*map(keys, part))
        if not isinstance(part, dict):
            return set()
        own = set(part["properties"]) if isinstance(part.get("properties"), dict) else set()
        return own.union(*(keys(item) for item in part.values()))

    missing = {key for key in keys(schema()) if f"`{key}`" not in page}
    assert not missing
