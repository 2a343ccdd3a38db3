"""A taste of fuzzing in every run of the tests: the same mutations each time, no coverage."""

import tracemalloc

import pytest

from tests.fuzz.readers import TARGETS, mutated

MEMORY = 2**26  # bytes that no reader needs for a file of some kilobytes


@pytest.mark.parametrize("name", TARGETS)
def test_readers_take_anything(name: str) -> None:
    seeds, target = TARGETS[name]
    found = list(seeds())
    assert len(found) >= 6
    for data in found:
        target(data)
    tracemalloc.start()
    try:
        for data in mutated(found, 60 if name in ("native", "hdf5") else 120):
            target(data)
        assert tracemalloc.get_traced_memory()[1] < MEMORY
    finally:
        tracemalloc.stop()
