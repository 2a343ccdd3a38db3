"""The picture of a scan with its findings, and `calib inspect -o`."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from calib.cli import app
from calib.errors import ScanError
from calib.findings import inspect_scan
from calib.formats import write_scan
from calib.report.findings_figure import findings_figure
from calib.scan import Scan
from calib.simulate import faults

RUN = CliRunner()


def spoilt() -> Scan:
    rng = np.random.default_rng(0)
    y, x = np.meshgrid(np.arange(96), np.arange(96), indexing="ij")
    relief = 50e-9 * ((x // 12 + y // 12) % 2) + rng.normal(0, 1e-9, (2, 96, 96))
    steps = np.arange(96) * 1e-7
    scan = Scan(channels={"height": relief}, fast=steps, slow=steps, passes=("trace", "retrace"))
    values = np.array(scan.values)
    values[0, 70, 20:60] += 300e-9
    return faults.without_lines(scan.replace(channels={"height": values}), [20, 21, 22, 50])


def test_lines_are_marked_with_the_number_of_the_finding() -> None:
    scan = spoilt()
    found = inspect_scan(scan)
    figure = findings_figure(scan, found, "spoilt.nc")
    trace, retrace = (axes for axes in figure.axes if axes.get_title(loc="left"))
    number = 1 + next(k for k, each in enumerate(found) if each.kind == "missing lines")
    for axes in (trace, retrace):
        assert str(number) in {text.get_text() for text in axes.texts}
        bars = [np.asarray(line.get_ydata(), dtype=float) for line in axes.lines if not line.get_clip_on()]
        assert any(np.allclose(bar, [19.5, 22.5]) for bar in bars)
        assert any(np.allclose(bar, [49.5, 50.5]) for bar in bars)
    listed = "".join(text.get_text() for axes in figure.axes for text in axes.texts)
    assert f"{number} WARNING: Lines 20 to 22, 50" in listed


def test_scan_without_findings_and_without_data() -> None:
    scan = spoilt()
    assert any("No findings." in text.get_text() for axes in findings_figure(scan, ()).axes for text in axes.texts)
    empty = scan.replace(channels={"height": np.full(scan.shape, np.nan)})
    with pytest.raises(ScanError, match="no picture"):
        findings_figure(empty, inspect_scan(empty))


def test_inspect_draws_one_scan(tmp_path: Path) -> None:
    file, picture = tmp_path / "spoilt.nc", tmp_path / "picture.png"
    write_scan(file, spoilt())
    result = RUN.invoke(app, ["inspect", str(file), "-o", str(picture)])
    assert result.exit_code == 0, result.output
    assert picture.read_bytes().startswith(b"\x89PNG")
    again = RUN.invoke(app, ["inspect", str(file), "-o", str(picture)])
    assert again.exit_code == 2
    both = RUN.invoke(app, ["inspect", str(file), str(file), "-o", str(tmp_path / "other.png")])
    assert both.exit_code == 2
