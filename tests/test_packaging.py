"""What is built and installed: the standards must be found wherever the library is."""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
STANDARDS = sorted(path.relative_to(ROOT).as_posix() for path in (ROOT / "standards").rglob("*.toml"))

LOAD_ALL = """
import calib.standard
print(calib.standard.__file__)
for name in calib.standard.packaged_standards():
    print(name, calib.standard.load_standard(name).name, sep="|")
"""


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from hatchling.builders.wheel import WheelBuilder

    folder = tmp_path_factory.mktemp("wheel")
    return Path(next(WheelBuilder(str(ROOT)).build(directory=str(folder), versions=["standard"])))


def load_all(path: Path, elsewhere: Path) -> tuple[Path, list[str]]:
    """Load every packaged standard in a fresh interpreter that finds calib in a given place only."""
    run = subprocess.run(
        [sys.executable, "-P", "-c", LOAD_ALL],
        cwd=elsewhere,
        env={**os.environ, "PYTHONPATH": str(path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    first, *standards = run.stdout.splitlines()
    return Path(first), standards


def test_there_are_standards() -> None:
    assert STANDARDS


def test_wheel_holds_code_types_and_standards(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    assert {f"calib/{name}" for name in STANDARDS} <= set(names)
    assert "calib/py.typed" in names
    modules = {path.relative_to(ROOT).as_posix() for path in (ROOT / "calib").rglob("*.py")}
    assert modules <= set(names)
    # Nothing else may land at the top of somebody's environment.
    assert {name.split("/")[0] for name in names} == {"calib", wheel.name.rsplit("-", 3)[0] + ".dist-info"}


def test_wheel_says_what_it_is(wheel: Path) -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    with zipfile.ZipFile(wheel) as archive:
        folder = wheel.name.rsplit("-", 3)[0] + ".dist-info"
        metadata = archive.read(f"{folder}/METADATA").decode()
        assert f"Name: {project['name']}\nVersion: {project['version']}\n" in metadata
        assert "calib = calib.cli:main" in archive.read(f"{folder}/entry_points.txt").decode()
        assert f"{folder}/licenses/LICENSE" in archive.namelist()


def test_standards_are_found_from_checkout_and_wheel(wheel: Path, tmp_path: Path) -> None:
    unpacked = tmp_path / "site"
    zipfile.ZipFile(wheel).extractall(unpacked)
    found, from_wheel = load_all(unpacked, tmp_path)
    assert found.is_relative_to(unpacked)
    found, from_checkout = load_all(ROOT, tmp_path)
    assert found.is_relative_to(ROOT)
    assert len(from_wheel) == len(STANDARDS)
    assert from_wheel == from_checkout


def test_source_distribution_builds_the_same_wheel(wheel: Path, tmp_path: Path) -> None:
    from hatchling.builders.sdist import SdistBuilder
    from hatchling.builders.wheel import WheelBuilder

    archive = Path(next(SdistBuilder(str(ROOT)).build(directory=str(tmp_path), versions=["standard"])))
    with tarfile.open(archive) as source:
        source.extractall(tmp_path, filter="data")
    folder = tmp_path / archive.name.removesuffix(".tar.gz")
    again = Path(next(WheelBuilder(str(folder)).build(directory=str(tmp_path), versions=["standard"])))
    assert sorted(zipfile.ZipFile(again).namelist()) == sorted(zipfile.ZipFile(wheel).namelist())
