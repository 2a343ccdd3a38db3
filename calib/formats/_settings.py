"""How the words and lengths are read that options, or a TOML file beside a scan, say of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib import units
from calib.errors import FileError

Array = NDArray[Any]


# --- plain values --------------------------------------------------------------------------------


def text_of(settings: Mapping[str, Any], key: str) -> str | None:
    """Return a text, or None if it is not said."""
    value = settings.get(key)
    if value is not None and not isinstance(value, (str, Path)):
        raise FileError(f"{key} must be a text, not {value!r}.")
    return None if value is None else str(value)


def one_of(settings: Mapping[str, Any], key: str, allowed: Sequence[str], default: str) -> str:
    """Return one of a few words."""
    value = settings.get(key)
    if value is None:
        return default
    if not isinstance(value, str) or value not in allowed:
        raise FileError(f"{key} must be {' or '.join(map(repr, allowed))}, not {value!r}.")
    return value


def whole_number(settings: Mapping[str, Any], key: str) -> int:
    """Return a whole number, zero if it is not said."""
    value = settings.get(key, 0)
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise FileError(f"{key} must be a whole number, not {value!r}.")
    return value


# --- size ----------------------------------------------------------------------------------------


def coordinates(settings: Mapping[str, Any], shape: tuple[int, int], lacking: list[str]) -> tuple[Array, Array] | None:
    """Return the coordinates along fast and slow, m."""
    listed = [_list_of_lengths(settings, axis, count) for axis, count in zip(("fast", "slow"), shape, strict=True)]
    if listed[0] is not None and listed[1] is not None:
        return listed[0], listed[1]
    if settings.get("pixel_size") is not None and settings.get("range") is not None:
        raise FileError("give pixel_size or range, not both.")
    if settings.get("pixel_size") is not None:
        steps = _two_lengths(settings, "pixel_size")
    elif settings.get("range") is not None:
        counts = one_of(settings, "range_counts", ("pixels", "centres"), "")
        if not counts:
            raise FileError(
                'say what the range counts: range_counts = "pixels" for whole pixels (n of them), or "centres" for the '
                "way from the first to the last pixel's centre (n - 1 steps)."
            )
        lengths, whole = _two_lengths(settings, "range"), counts == "pixels"
        steps = [length / max(count if whole else count - 1, 1) for length, count in zip(lengths, shape, strict=True)]
    else:
        lacking.insert(0, 'its size is not known: give pixel_size = "50 nm", or range = "20 µm" with range_counts')
        return None
    fast, slow = (
        np.float64(step) * (np.arange(count) - (count - 1) / 2) if own is None else own
        for own, count, step in zip(listed, shape, steps, strict=True)
    )
    return fast, slow


def _two_lengths(settings: Mapping[str, Any], key: str) -> list[float]:
    """Return the lengths along fast and slow; one alone serves for both."""
    given = settings[key]
    texts = list(given) if isinstance(given, (list, tuple)) else [given, given]
    if len(texts) != 2:
        raise FileError(f"{key} must be one length, or two: along the fast and along the slow axis.")
    lengths = [units.parse(text, "length", key, error=FileError) for text in texts]
    if min(lengths) <= 0:
        raise FileError(f"{key} must be more than zero.")
    return lengths


def _list_of_lengths(settings: Mapping[str, Any], key: str, count: int) -> Array | None:
    given = settings.get(key)
    if given is None or isinstance(given, np.ndarray):
        if given is not None and given.shape != (count,):
            raise FileError(f"its coordinates along {key} are {given.size}, where its image has {count}.")
        return given
    if not isinstance(given, (list, tuple)) or len(given) != count:
        raise FileError(f"{key} must be a list of {count} lengths, one for each pixel along the {key} axis.")
    return np.array([units.parse(text, "length", key, error=FileError) for text in given])
