"""Medians and quantiles of the checks of a scan: those of NumPy to the last digit."""

from __future__ import annotations

import numpy as np
import pytest

from calib.findings.ranks import median, medians, nanmedian, nanquantiles, quantiles, quantiles_of_lines

PLACES = (0.0, 0.01, 0.2, 0.37, 0.5, 0.98, 1.0)


@pytest.mark.filterwarnings("ignore:All-NaN|Mean of empty|invalid value:RuntimeWarning")
@pytest.mark.parametrize("size", [0, 1, 2, 3, 8, 9, 100, 1001, 5000])
@pytest.mark.parametrize("content", ["plain", "rounded", "gaps"])
def test_numbers_are_those_of_numpy(size: int, content: str) -> None:
    rng = np.random.default_rng(size)
    values = rng.standard_normal(size) * 1e-8
    if content == "rounded":
        values = np.round(values, 8)
    if content == "gaps":
        values[rng.random(size) < 0.2] = np.nan
    assert np.array_equal(median(values), np.median(values), equal_nan=True)
    assert np.array_equal(nanmedian(values), np.nanmedian(values), equal_nan=True)
    if not size:
        assert np.isnan(quantiles(values, *PLACES)).all()
        return
    for places in (PLACES, PLACES[1:3]):  # by a sort, and by partitions
        assert np.array_equal(quantiles(values, *places), np.quantile(values, places), equal_nan=True)
        if np.isfinite(values).any():
            assert np.array_equal(nanquantiles(values, *places), np.nanquantile(values, places), equal_nan=True)
    lines = np.stack([values, values[::-1], rng.standard_normal(size)])
    assert np.array_equal(medians(lines), np.median(lines, axis=1), equal_nan=True)
    assert np.array_equal(quantiles_of_lines(lines, *PLACES), np.quantile(lines, PLACES, axis=1), equal_nan=True)
