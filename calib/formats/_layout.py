"""From named variables with dimensions to a scan: the layout of the native file, whatever library read it.

Packing and missing values are those of the CF conventions (1.11, sections 2.5.1 and 8.1).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib import units
from calib.errors import FileError
from calib.formats import MAX_POINTS
from calib.formats._fields import from_attributes, plain
from calib.scan import PASSES, Scan

DIMENSIONS = ("pass", "slow", "fast")
PACKING = ("_FillValue", "missing_value", "scale_factor", "add_offset", "valid_range", "valid_min", "valid_max")

Array = NDArray[Any]


@dataclass(frozen=True)
class Variable:
    """An array with named dimensions; ``load`` reads it when it is wanted."""

    dims: tuple[str, ...]
    shape: tuple[int, ...]
    dtype: np.dtype[Any]
    load: Callable[[], Array]
    attributes: Mapping[str, Any]

    @property
    def size(self) -> int:
        """Number of points, without overflow."""
        points = 1
        for length in self.shape:
            points *= int(length)
        return points


def assemble(
    variables: Mapping[str, Variable],
    attributes: Mapping[str, Any],
    *,
    channel: str | None = None,
    passes: Sequence[str] | None = None,
) -> Scan:
    """Make a scan of the variables and global attributes of a file.

    Parameters
    ----------
    variables
        Those named ``fast``, ``slow`` and ``pass`` are coordinates; others that have the first two as dimensions are
        channels.
    attributes
        Global attributes.
    channel
        The channel that is observed.
    passes
        Names of the passes, for files that don't give them.

    Raises
    ------
    FileError
        If something is missing or wrong.
    """
    channels = {name: variable for name, variable in variables.items() if _is_channel(name, variable, variables)}
    if not channels:
        found = [f"{name} ({', '.join(map(str, variable.dims))})" for name, variable in variables.items()]
        raise FileError(
            "There is no scan in it: no variable has the dimensions slow and fast"
            + (f", only {'; '.join(found[:8])}." if found else ".")
        )
    if sum(variable.size for variable in channels.values()) > MAX_POINTS:
        raise FileError(f"It declares more than {MAX_POINTS} points, which no scan needs.")
    fast, fast_order = _coordinate(variables, "fast")
    slow, slow_order = _coordinate(variables, "slow")
    has_passes = any("pass" in variable.dims for variable in channels.values())
    names = _pass_names(variables, channels, passes) if has_passes else _one_pass(variables, passes)
    arrays, channel_units = {}, {}
    for name, variable in channels.items():
        values, unit = _channel(name, variable, (len(names), slow.size, fast.size))
        arrays[name] = values[:, ::slow_order, ::fast_order]
        channel_units[name] = unit
    return Scan(
        channels=arrays,
        fast=fast,
        slow=slow,
        passes=names,
        channel=channel or "",
        units=channel_units,
        **from_attributes(attributes),
    )


def _is_channel(name: str, variable: Variable, variables: Mapping[str, Variable]) -> bool:
    if name in DIMENSIONS or variable.dtype.kind not in "fiub" or not set(variable.dims) <= set(DIMENSIONS):
        return False
    # A coordinate that is a single number is no dimension: the scan is one line, or one column.
    single = {axis for axis in ("slow", "fast") if axis in variables and variables[axis].shape == ()}
    wanted = {"slow", "fast"} - single
    return len(set(variable.dims)) == len(variable.dims) and wanted <= set(variable.dims) and variable.dims != ("pass",)


def _coordinate(variables: Mapping[str, Variable], name: str) -> tuple[Array, int]:
    """Return increasing coordinates in m, and the step (1 or -1) that brings data into their order."""
    if name not in variables:
        raise FileError(f"It has no variable {name!r} with the coordinates of the pixels in m.")
    variable = variables[name]
    if variable.dims not in ((name,), ()) or variable.dtype.kind not in "fiu":
        raise FileError(f"The variable {name!r} is no list of coordinates.")
    if variable.size > MAX_POINTS:
        raise FileError(f"It declares more than {MAX_POINTS} coordinates, which no scan needs.")
    values = unpack(variable).astype(np.float64).reshape(-1)
    values = values * _metres(name, variable)
    order = -1 if values.size > 1 and values[0] > values[-1] else 1
    return values[::order], order


def _metres(name: str, variable: Variable) -> float:
    unit = _unit(variable)
    if not unit:
        raise FileError(f'The variable {name!r} has no units: give it the attribute units = "m", or what they are.')
    return 1.0 if unit == "m" else units.factor_of(unit, "length", f"The units of {name!r}", error=FileError)


def _unit(variable: Variable) -> str:
    return str(plain(variable.attributes.get("units", ""))).strip()


def _pass_names(
    variables: Mapping[str, Variable], channels: Mapping[str, Variable], given: Sequence[str] | None
) -> tuple[str, ...]:
    count = next(
        variable.shape[variable.dims.index("pass")] for variable in channels.values() if "pass" in variable.dims
    )
    if given is not None:
        names = tuple(given)
    elif "pass" in variables and variables["pass"].dtype.kind in "OSUT":
        names = _texts(variables["pass"])
    elif count == 1:
        return (PASSES[0],)
    else:
        names = ()
    if len(names) != count or any(name not in PASSES for name in names):
        raise FileError(
            f"It has {count} passes" + (f" named {', '.join(map(repr, names))}" if names else " without names")
            + ": name them 'trace' and 'retrace' in its variable 'pass', or by the option passes."
        )  # fmt: skip
    return names


def _one_pass(variables: Mapping[str, Variable], given: Sequence[str] | None) -> tuple[str, ...]:
    if given is not None:
        return tuple(given)
    # Selecting one pass of a data set leaves its name behind as a single text.
    if "pass" in variables and variables["pass"].dtype.kind in "OSUT":
        names = _texts(variables["pass"])
        if len(names) == 1:
            return names
    return (PASSES[0],)


def _texts(variable: Variable) -> tuple[str, ...]:
    if variable.size > 64:
        raise FileError("The variable 'pass' is no list of 'trace' and 'retrace'.")
    values = np.asarray(variable.load())
    if values.dtype.kind == "S" and values.dtype.itemsize == 1 and values.ndim == variable.dims.count("pass") + 1:
        rows = values.reshape(-1, values.shape[-1])
        return tuple(b"".join(row.tolist()).decode("utf-8", "replace").strip("\0 ").lower() for row in rows)
    return tuple(str(plain(text)).strip().lower() for text in values.reshape(-1).tolist())


def _channel(name: str, variable: Variable, shape: tuple[int, int, int]) -> tuple[Array, str]:
    expected = dict(zip(DIMENSIONS, shape, strict=True))
    for dim, length in zip(variable.dims, variable.shape, strict=True):
        if length != expected[dim]:
            raise FileError(f"{name!r} has {length} entries along {dim!r}, where its coordinates make {expected[dim]}.")
    values, unit = unpack(variable), _unit(variable)
    present = [dim for dim in DIMENSIONS if dim in variable.dims]
    values = values.transpose([variable.dims.index(dim) for dim in present])
    values = values.reshape([expected[dim] if dim in present else 1 for dim in DIMENSIONS])
    if name == "height" or (unit not in ("", "1", "m", "V") and units.is_length(unit)):
        factor = _metres(name, variable)
        values, unit = (values if factor == 1 else values.astype(np.float64) * factor), "m"
    return np.broadcast_to(values, shape), unit


def unpack(variable: Variable) -> Array:
    """Return the numbers that stored ones stand for: float32 or float64, NaN where there is no data."""
    stored, attributes = np.asarray(variable.load()), variable.attributes
    if str(plain(attributes.get("_Unsigned", ""))).lower() == "true" and stored.dtype.kind == "i":
        stored = stored.view(stored.dtype.str.replace("i", "u"))
    kept = stored.dtype.kind == "f" and stored.dtype.itemsize == 4
    # A large image must not stand in the memory twice.
    values = stored.astype(np.float32 if kept else np.float64, copy=False)
    missing = ~np.isfinite(values)
    with np.errstate(invalid="ignore"):
        for name in ("_FillValue", "missing_value"):
            for number in _numbers(attributes, name, stored.dtype):
                missing |= stored == number
        low = [*_numbers(attributes, "valid_min", stored.dtype), *_numbers(attributes, "valid_range", stored.dtype)[:1]]
        high = [
            *_numbers(attributes, "valid_max", stored.dtype),
            *_numbers(attributes, "valid_range", stored.dtype)[1:],
        ]
        for number in low:
            missing |= stored < number
        for number in high:
            missing |= stored > number
    scale, offset = attributes.get("scale_factor"), attributes.get("add_offset")
    if scale is not None or offset is not None:
        factor, shift = _number(attributes, "scale_factor", 1.0), _number(attributes, "add_offset", 0.0)
        try:
            with np.errstate(over="raise", invalid="ignore"):  # infinity is no data here
                values = values.astype(np.float64) * factor + shift
        except FloatingPointError:
            raise FileError(f"Its scale_factor {factor!r} makes numbers that are too large.") from None
    missing &= ~np.isnan(values)
    if missing.any():
        values = values.copy() if values is stored or not values.flags.writeable else values
        values[missing] = np.nan
    return values


def _number(attributes: Mapping[str, Any], name: str, default: float) -> float:
    value = plain(attributes[name]) if attributes.get(name) is not None else default
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not np.isfinite(value):
        raise FileError(f"The attribute {name} must be one finite number, not {value!r}.")
    return float(value)


def _numbers(attributes: Mapping[str, Any], name: str, dtype: np.dtype[Any]) -> list[Any]:
    """Return the numbers of an attribute, in the type of the stored data."""
    found = attributes.get(name)
    if found is None:
        return []
    numbers = np.asarray(found).reshape(-1)
    if numbers.dtype.kind not in "fiub":
        raise FileError(f"The attribute {name} holds no number.")
    if dtype.kind == "u" and numbers.dtype.kind == "i" and numbers.dtype.itemsize == dtype.itemsize:
        numbers = numbers.view(dtype.newbyteorder("="))
    return [number for number in numbers if not np.isnan(number)]
