"""What is seen as a picture: values on a grid with their place, unit and colours."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from calib.errors import ScanError
from calib.page.gratings import Maps
from calib.page.opened import Opened
from calib.report import style
from calib.scanner.effect import Float
from calib.units import show

LEVELLINGS = {
    "none": "as it is",
    "plane": "mean plane taken off",
    "median": "median of each line taken off",
    "line": "straight line taken off each line",
}
"""Ways to level a picture, which change nothing but how it looks."""

KINDS = ("recorded", "corrected", "difference", "uncertainty", "phase", "residual")

_SHADES = 128  # of the colour bar


@dataclass(frozen=True, eq=False)
class Picture:
    """Values on a grid.

    Attributes
    ----------
    values
        Shape ``(slow, fast)``, SI; NaN where there is no data.
    fast, slow
        Coordinates of the points along the scan's axes from its commanded centre, m.
    low, high
        Ends of the colour bar, SI.
    size, unit
        In which values are shown.
    title, label
        What it is; what its colours mean.
    frame
        Whether the coordinates are ``commanded`` or ``true``.
    signed
        Whether zero is the middle of the colours.
    notes
        What one should know who looks at it.
    """

    values: Float
    fast: Float
    slow: Float
    low: float
    high: float
    size: float
    unit: str
    title: str
    label: str
    frame: str
    signed: bool = False
    notes: tuple[str, ...] = ()

    @property
    def colours(self) -> str:
        """Name of its colour map."""
        return style.DIFFERENCES if self.signed else style.HEIGHTS

    @property
    def edges(self) -> tuple[float, float, float, float]:
        """Outer edges of its points: lowest and highest fast, lowest and highest slow coordinate, m."""
        half = [float(grid[-1] - grid[0]) / max(grid.size - 1, 1) / 2 for grid in (self.fast, self.slow)]
        return (
            float(self.fast[0]) - half[0], float(self.fast[-1]) + half[0],
            float(self.slow[0]) - half[1], float(self.slow[-1]) + half[1],
        )  # fmt: skip

    def to_dict(self) -> dict[str, Any]:
        """Return it for the browser: a PNG with its lowest line at the bottom, and what belongs around it."""
        return {
            "png": "data:image/png;base64," + base64.b64encode(self._png()).decode("ascii"),
            "edges": self.edges,
            "low": self.low / self.size,
            "high": self.high / self.size,
            "unit": self.unit,
            "title": self.title,
            "label": self.label,
            "frame": self.frame,
            "shades": self._shades(),
            "notes": list(self.notes),
        }

    def _map(self) -> Any:
        import matplotlib as mpl

        return mpl.colormaps[self.colours]

    def _png(self) -> bytes:
        from PIL import Image

        span = self.high - self.low
        share = (self.values - self.low) / (span if span > 0 else 1.0)
        colours = self._map()(np.where(np.isfinite(share), share, 0.0), bytes=True)
        colours[..., 3] = np.where(np.isfinite(share), 255, 0)
        out = io.BytesIO()
        Image.fromarray(np.ascontiguousarray(colours[::-1])).save(out, "PNG", compress_level=3)
        return out.getvalue()

    def _shades(self) -> list[str]:
        from matplotlib.colors import to_hex

        return [to_hex(self._map()(part)) for part in np.linspace(0, 1, _SHADES)]


def levelled(values: Float, how: str) -> Float:
    """Level an image for display, NaN left alone.

    Raises
    ------
    ScanError
        If there is no such way.
    """
    if how not in LEVELLINGS:
        raise ScanError(f"There is no levelling {how!r}: choose one of {', '.join(LEVELLINGS)}.")
    good = np.isfinite(values)
    if how == "none" or not good.any():
        return values
    rows, columns = (np.linspace(-1, 1, count) for count in values.shape)
    if how == "plane":
        y, x = np.broadcast_arrays(rows[:, None], columns[None, :])
        design = np.stack([np.ones(int(good.sum())), x[good], y[good]], 1)
        a, b, c = np.linalg.lstsq(design, values[good], rcond=None)[0]
        return np.asarray(values - a - b * x - c * y)
    filled = np.ma.masked_array(values, ~good)
    if how == "median":
        return np.asarray(values - _medians(filled)[:, None])
    x = np.ma.masked_array(np.broadcast_to(columns, values.shape), ~good)
    from_middle = x - x.mean(axis=1, keepdims=True)
    mean = filled.mean(axis=1, keepdims=True)
    size = (from_middle**2).sum(axis=1, keepdims=True)
    slope = (from_middle * (filled - mean)).sum(axis=1, keepdims=True) / np.ma.maximum(size, 1e-300)
    return np.asarray(values - np.ma.filled(mean + slope * from_middle, np.nan))


def _medians(lines: np.ma.MaskedArray) -> Float:
    return np.asarray(np.ma.filled(np.ma.median(lines, axis=1), np.nan))  # type: ignore[no-untyped-call]


def recorded(opened: Opened, pass_name: str, channel: str, level: str) -> Picture:
    """The scan as recorded; colours mean the same as in the corrected one."""
    return _pair(opened, pass_name, channel, level)[0]


def corrected(opened: Opened, pass_name: str, channel: str, level: str) -> Picture:
    """The scan as corrected by the model.

    Raises
    ------
    MeasurementError
        If there is no model.
    """
    opened.corrected()
    return _pair(opened, pass_name, channel, level)[1]


def _pair(opened: Opened, pass_name: str, channel: str, level: str) -> tuple[Picture, ...]:
    key = ("pair", opened.pass_index(pass_name), opened.channel(channel), level)
    return opened.kept(key, lambda: _draw_pair(opened, pass_name, channel, level))


def _draw_pair(opened: Opened, pass_name: str, channel: str, level: str) -> tuple[Picture, ...]:
    scan, index = opened.scan, opened.pass_index(pass_name)
    rows, columns = (slice(None, None, step) for step in opened.thinned)
    values = np.asarray(scan.channels[channel][index, rows, columns], dtype=np.float64)
    unit = scan.units.get(channel, "")
    found = [_picture(levelled(values, level), scan.fast[columns], scan.slow[rows], "as recorded", "commanded")]
    if opened.model is not None:
        true = opened.corrected()
        fast, slow = _grid(opened)
        found.append(
            _picture(levelled(np.asarray(true.channels[channel][index]), level), fast, slow, "corrected", "true")
        )
    everything = np.concatenate([one.values[np.isfinite(one.values)] for one in found])
    # a few spikes must not take all colours
    low, high = (float(part) for part in np.percentile(everything, [0.5, 99.5])) if everything.size else (0.0, 1.0)
    size, shown = style.unit_for(2 * max(abs(low), abs(high))) if unit == "m" else (1.0, unit)
    label = f"{channel} ({shown})" if shown else channel
    notes = _said(opened, level)
    return tuple(
        replace(
            one, low=low, high=high, size=size, unit=shown, title=f"{one.title}, {pass_name}", label=label, notes=notes
        )
        for one in found
    )


def difference(opened: Opened, channel: str, level: str) -> Picture:
    """Trace less retrace: at the same true place if there is a model, else at the same commanded one.

    Raises
    ------
    ScanError
        If there is one pass only.
    """
    if len(opened.scan.passes) < 2:
        raise ScanError(f"{opened.name} holds one pass only, so there is nothing to compare it with.")
    first, second = opened.scan.passes
    which = corrected if opened.model is not None else recorded
    one, other = which(opened, first, channel, level), which(opened, second, channel, level)
    where = "true" if opened.model is not None else "commanded"
    return _signed(
        replace(one, values=one.values - other.values, title=f"{first} less {second} at the same {where} place"),
        f"{first} less {second}",
        opened.scan.units.get(channel, ""),
    )


def uncertainty(opened: Opened, pass_name: str) -> Picture:
    """Standard uncertainty of the true position of each point, in any direction.

    Raises
    ------
    MeasurementError
        If there is no model.
    """
    index = opened.pass_index(pass_name)
    values = np.hypot(*opened.position_uncertainties()[:, index])
    rows, columns = (slice(None, None, step) for step in opened.thinned)
    most = float(values.max())
    size, unit = style.unit_for(2 * most)
    fast, slow = opened.path.fast[columns], opened.path.slow[rows]
    return Picture(
        values, fast, slow, 0.0, most, size, unit,
        f"uncertainty of position, {pass_name}", f"u of position, k = 1 ({unit})", "commanded",
        notes=("standard uncertainty of x and y together, relative to the middle of the frame",),
    )  # fmt: skip


def of_grating(opened: Opened, maps: Maps, kind: str, pass_name: str, direction: int) -> Picture:
    """Phase or residual of a grating, as a displacement along one of its directions.

    Raises
    ------
    ScanError
        If there is no such map.
    """
    found = maps.passes.get(pass_name)
    if found is None or not 0 <= direction < len(found):
        raise ScanError(f"There is no map of direction {direction + 1} in the {pass_name}.")
    one = found[direction]
    values = one.phase if kind == "phase" else one.residual
    if values is None:
        raise ScanError("The residual is that to a model: start the page with --model MODEL.json to see it.")
    what = "phase less an even lattice" if kind == "phase" else "residual to the model"
    # within a period of the border the phase is less sure: it shall neither take the colours nor be in the number
    inner = values[_inner(one.slow, opened), :][:, _inner(one.fast, opened)]
    rms = float(np.sqrt(np.nanmean((inner if np.isfinite(inner).any() else values) ** 2)))
    size = f"rms {show(rms, 'm', 3)} along direction {direction + 1}, a period and more from the border"
    picture = Picture(
        values, one.fast, one.slow, 0, 1, 1, "m", f"{what}, {pass_name}", "", "commanded", notes=(*maps.notes, size)
    )  # fmt: skip
    return _signed(picture, what, "m", inner)


def _inner(grid: Float, opened: Opened) -> slice:
    """Points that are more than a period of the pattern away from both ends; all if none are."""
    pitches = (getattr(opened.standard, name, None) for name in ("pitch", "pitch_x", "pitch_y"))
    period = max(one.value for one in pitches if one is not None)
    first, last = np.searchsorted(grid, [grid[0] + period, grid[-1] - period])
    return slice(int(first), int(last)) if first < last else slice(None)


def _signed(picture: Picture, label: str, unit: str, judged: Float | None = None) -> Picture:
    """Give it colours about zero that reach as far as its values do, or those that are judged."""
    judged = picture.values if judged is None or not np.isfinite(judged).any() else judged
    finite = np.abs(judged[np.isfinite(judged)])
    most = float(np.percentile(finite, 99.5)) if finite.size else 1.0
    size, shown = style.unit_for(2 * most) if unit == "m" else (1.0, unit)
    label = f"{label} ({shown})" if shown else label
    return replace(picture, low=-most, high=most, size=size, unit=shown, label=label, signed=True)


def _picture(values: Float, fast: Any, slow: Any, title: str, frame: str) -> Picture:
    return Picture(values, np.asarray(fast), np.asarray(slow), 0.0, 1.0, 1.0, "", title, "", frame)


def _grid(opened: Opened) -> tuple[Float, Float]:
    """True coordinates of the corrected grid along the scan's axes, from its commanded centre."""
    scan, true = opened.scan, opened.corrected()
    moved = np.array([true.centre_x - scan.centre_x, true.centre_y - scan.centre_y])
    fast_axis, slow_axis = scan.axes
    fast, slow = (np.asarray(grid, dtype=np.float64) for grid in (true.fast, true.slow))
    return fast + float(np.dot(fast_axis, moved)), slow + float(np.dot(slow_axis, moved))


def _said(opened: Opened, level: str) -> tuple[str, ...]:
    notes = (
        [] if level == "none" else [f"{LEVELLINGS[level]} for display only: values and measurements are not levelled"]
    )
    rows, columns = opened.thinned
    if max(rows, columns) > 1:
        _, slow, fast = opened.scan.shape
        notes.append(
            f"of {fast} × {slow} points, one in {columns} along the fast axis and one line in {rows} are drawn;"
            " values at points and along lines are read from all"
        )
    return tuple(notes)
