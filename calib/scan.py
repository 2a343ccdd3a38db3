"""A scan: what an instrument recorded, on the grid it was told to follow, and how it went there."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from calib.errors import ScanError

if TYPE_CHECKING:
    import xarray

FloatArray = NDArray[np.floating[Any]]
Frame = Literal["up", "down"]
Pattern = Literal["raster", "serpentine"]
FrameOfReference = Literal["commanded", "true"]

PASSES = ("trace", "retrace")


@dataclass(frozen=True, kw_only=True, eq=False)
class Scan:
    """One frame of a raster scan: channels on a commanded grid, with its timing and identity.

    Everything is in SI units and radians. Nothing of a scan can be changed; :meth:`replace` makes a new one.

    Parameters
    ----------
    channels
        Name to array of shape ``(passes, slow, fast)``; NaN where there is no data. Row 0 lies at the lowest
        slow coordinate and column 0 at the lowest fast coordinate, for either pass and either frame direction.
        A writeable array is copied, a read-only one is kept as it is.
    fast, slow
        Coordinates of the pixel centres relative to the scan's centre, m, increasing; shapes ``(fast,)``, ``(slow,)``.
    passes
        Which sweep each entry of the first axis is: ``trace`` (towards +fast) or ``retrace``.
    channel
        The channel that is observed; by default ``height``, else the only or first one.
    units
        Name of channel to its unit; ``height`` is always ``m``.
    centre_x, centre_y
        Commanded centre of the scan in scanner axes, m, relative to the centre of travel.
    rotation
        Angle of the fast axis, counter-clockwise from the scanner's x axis, rad.
    frame
        ``up`` if the slow coordinate increased with time, ``down`` if it decreased; None if unknown.
    line_period
        From the start of one line to the start of the next, s (both passes of a line, or the one there is).
    turnaround
        Time spent outside the image at each end of a line, s.
    previous_x, previous_y
        Where the scanner rested before the frame, m, in scanner axes.
    started
        When the frame began.
    scanner, probe
        Identity of the scanner (one chip is one scanner) and of the probe.
    controller
        Settings that change the motion: gain, range, linearisation, factory factors.
    temperature
        K.
    z_centre
        Height position about which ``height`` is given, m.
    pattern
        ``raster`` (every recorded sweep of a pass runs the same way) or ``serpentine`` (alternate lines reversed, one
        pass).
    frame_of_reference
        ``commanded`` for a recorded scan, ``true`` for a corrected one.
    attributes
        Whatever else came with the scan, kept for provenance.

    Raises
    ------
    ScanError
        If shapes, order of coordinates or values contradict each other.
    """

    channels: Mapping[str, FloatArray]
    fast: FloatArray
    slow: FloatArray
    passes: tuple[str, ...] = ("trace",)
    channel: str = ""
    units: Mapping[str, str] = field(default_factory=dict)
    title: str = ""
    centre_x: float = 0.0
    centre_y: float = 0.0
    rotation: float = 0.0
    frame: Frame | None = None
    line_period: float | None = None
    turnaround: float | None = None
    previous_x: float | None = None
    previous_y: float | None = None
    started: datetime | None = None
    scanner: str | None = None
    probe: str | None = None
    controller: Mapping[str, Any] | None = None
    temperature: float | None = None
    z_centre: float | None = None
    pattern: Pattern = "raster"
    frame_of_reference: FrameOfReference = "commanded"
    attributes: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "fast", _coordinates(self.fast, "fast"))
        put(self, "slow", _coordinates(self.slow, "slow"))
        put(self, "passes", tuple(str(name) for name in self.passes))
        _check_passes(self.passes, self.pattern)
        shape = (len(self.passes), self.slow.size, self.fast.size)
        if not self.channels:
            raise ScanError("The scan has no channel: give it heights or another image.")
        channels = {str(name): _frozen(values, str(name), shape) for name, values in self.channels.items()}
        put(self, "channels", MappingProxyType(channels))
        put(self, "channel", self.channel or ("height" if "height" in channels else next(iter(channels))))
        if self.channel not in channels:
            raise ScanError(f"The scan has no channel {self.channel!r}; it has {', '.join(map(repr, channels))}.")
        units = {name: str(self.units.get(name, "m" if name == "height" else "")) for name in channels}
        if units.get("height", "m") != "m":
            raise ScanError(f"Heights are kept in metres, not in {units['height']!r}: convert them first.")
        put(self, "units", MappingProxyType(units))
        put(self, "attributes", MappingProxyType(dict(self.attributes)))
        if self.controller is not None:
            put(self, "controller", MappingProxyType(dict(self.controller)))
        _check_choice("frame", self.frame, ("up", "down", None))
        _check_choice("pattern", self.pattern, ("raster", "serpentine"))
        _check_choice("frame_of_reference", self.frame_of_reference, ("commanded", "true"))
        for name in ("centre_x", "centre_y", "rotation", "previous_x", "previous_y", "z_centre", "temperature"):
            _check_finite(name, getattr(self, name))
        _check_timing(self.line_period, self.turnaround)

    # --- what is in it ---------------------------------------------------------------------------

    @property
    def shape(self) -> tuple[int, int, int]:
        """``(passes, slow, fast)``."""
        return len(self.passes), self.slow.size, self.fast.size

    @property
    def height(self) -> FloatArray:
        """Heights, m, shape ``(passes, slow, fast)``."""
        try:
            return self.channels["height"]
        except KeyError:
            raise ScanError(
                f"The scan {self.label!r} holds no heights, only {', '.join(map(repr, self.channels))}."
            ) from None

    @property
    def has_height(self) -> bool:
        """Whether there is a channel of heights."""
        return "height" in self.channels

    @property
    def values(self) -> FloatArray:
        """The observed channel, shape ``(passes, slow, fast)``."""
        return self.channels[self.channel]

    @property
    def spacing(self) -> tuple[float, float]:
        """Mean distance of pixel centres along (fast, slow), m; 0 along an axis of one pixel."""
        return _step(self.fast), _step(self.slow)

    @property
    def size(self) -> tuple[float, float]:
        """Range along (fast, slow) from first to last pixel centre, m."""
        return float(self.fast[-1] - self.fast[0]), float(self.slow[-1] - self.slow[0])

    @property
    def label(self) -> str:
        """A name for messages: the title, else the file it was read from."""
        return self.title or str(self.attributes.get("file", "")) or "scan"

    @property
    def axes(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Unit vectors of the fast and the slow axis in scanner axes, each of shape ``(2,)``."""
        cos, sin = np.cos(self.rotation), np.sin(self.rotation)
        return np.array([cos, sin]), np.array([-sin, cos])

    def commanded(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Commanded position of every pixel in scanner axes, m; two arrays of shape ``(slow, fast)``."""
        (fx, fy), (sx, sy) = self.axes
        fast, slow = self.fast[None, :], self.slow[:, None]
        return self.centre_x + fx * fast + sx * slow, self.centre_y + fy * fast + sy * slow

    # --- new scans from old ----------------------------------------------------------------------

    def replace(self, **changes: Any) -> Scan:
        """Return a scan with some fields changed."""
        return dataclasses.replace(self, **changes)

    def with_channel(self, name: str) -> Scan:
        """Return the same scan with another channel observed."""
        return self.replace(channel=name)

    def __reduce__(self) -> tuple[Any, ...]:
        """Pickle by content, so that scans travel to worker processes."""
        fields = {f.name: getattr(self, f.name) for f in dataclasses.fields(self)}
        return _rebuild, ({name: dict(v) if isinstance(v, MappingProxyType) else v for name, v in fields.items()},)

    # --- xarray ----------------------------------------------------------------------------------

    def to_xarray(self) -> xarray.Dataset:
        """Return the scan as an `xarray.Dataset` in the layout of the native file."""
        from calib.formats.native import to_dataset

        return to_dataset(self)

    @classmethod
    def from_xarray(cls, dataset: xarray.Dataset, *, channel: str | None = None) -> Scan:
        """Make a scan from an `xarray.Dataset` in the layout of the native file."""
        from calib.formats.native import from_dataset

        return from_dataset(dataset, channel=channel)

    def _repr_html_(self) -> str:
        from calib.report.notebook import scan_html

        return scan_html(self)

    def __repr__(self) -> str:
        _, slow, fast = self.shape
        width, length = self.size
        return (
            f"<Scan {self.label!r}: {'/'.join(self.passes)}, {fast} x {slow} points, "
            f"{width * 1e6:.4g} x {length * 1e6:.4g} µm, {', '.join(self.channels)}>"
        )


def _rebuild(fields: dict[str, Any]) -> Scan:
    return Scan(**fields)


def _frozen(values: FloatArray, name: str, shape: tuple[int, int, int]) -> FloatArray:
    array = np.asarray(values)
    if array.dtype.kind not in "fiub":
        raise ScanError(f"Channel {name!r} does not hold numbers.")
    if array.dtype not in (np.float32, np.float64):
        array = array.astype(np.float64)
    if array.ndim == 2 and shape[0] == 1:
        array = array[None]
    if array.shape != shape:
        raise ScanError(
            f"Channel {name!r} has shape {array.shape}, but passes, slow and fast coordinates make {shape}."
        )
    if array.flags.writeable:
        array = array.copy()
        array.flags.writeable = False
    return array


def _coordinates(values: FloatArray, name: str) -> NDArray[np.float64]:
    array = np.array(values, dtype=np.float64)
    if array.ndim != 1 or array.size < 1:
        raise ScanError(f"The {name} coordinates must be a list of at least one number.")
    if not np.all(np.isfinite(array)) or np.any(np.diff(array) <= 0):
        raise ScanError(f"The {name} coordinates must be finite and increasing.")
    array.flags.writeable = False
    return array


def _step(coordinates: FloatArray) -> float:
    if coordinates.size < 2:
        return 0.0
    return float(coordinates[-1] - coordinates[0]) / (coordinates.size - 1)


def _check_passes(passes: tuple[str, ...], pattern: str) -> None:
    if not passes or len(set(passes)) != len(passes) or any(name not in PASSES for name in passes):
        raise ScanError(f"Passes must be 'trace', 'retrace' or both, each once, not {passes!r}.")
    if pattern == "serpentine" and len(passes) != 1:
        raise ScanError("A serpentine scan has one pass, since alternate lines run the other way.")


def _check_choice(name: str, value: object, allowed: tuple[object, ...]) -> None:
    if value not in allowed:
        words = " or ".join(repr(choice) for choice in allowed if choice is not None)
        raise ScanError(f"{name} must be {words}, not {value!r}.")


def _check_finite(name: str, value: float | None) -> None:
    if value is not None and not np.isfinite(value):
        raise ScanError(f"{name} must be a finite number, not {value!r}.")


def _check_timing(line_period: float | None, turnaround: float | None) -> None:
    if line_period is not None and not (np.isfinite(line_period) and line_period > 0):
        raise ScanError(f"line_period must be a positive time in seconds, not {line_period!r}.")
    if turnaround is not None and not (np.isfinite(turnaround) and turnaround >= 0):
        raise ScanError(f"turnaround must be a time in seconds, zero or more, not {turnaround!r}.")
    if line_period is not None and turnaround is not None and turnaround >= line_period / 2:
        raise ScanError(
            f"A turnaround of {turnaround:g} s leaves no time for the sweep in a line period of {line_period:g} s."
        )
