"""A taste of fuzzing in every run of the tests: the same mutations each time, no coverage."""

import pytest

from tests.fuzz.readers import TARGETS, mutated


@pytest.mark.parametrize("name", TARGETS)
def test_readers_take_anything(name: str) -> None:
    seeds, target = TARGETS[name]
    found = list(seeds())
    assert len(found) >= 9
    for data in (*found, *mutated(found, 150)):
        target(data)
