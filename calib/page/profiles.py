"""What two points on a picture tell: distance, height difference, and the profile along the line between them."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from typing import Any

import numpy as np

from calib.errors import MeasurementError
from calib.measure import Measured, distance
from calib.measure.points import Point
from calib.page.opened import Opened
from calib.scan import Scan
from calib.scanner.effect import Float
from calib.units import format_quantity, show

K = 2.0
"""Coverage factor of bands."""

_MOST = 1024  # points of a profile


def measured(opened: Opened, pass_name: str, ends: tuple[Point, Point], level: float) -> Measured:
    """Distance of two points of the image of a pass, as ``calib measure distance`` gives it.

    Points of the first pass are found again in the other one; those of another pass stay in it.

    Raises
    ------
    CalibError
        If there is no model, or the points can't be used.
    """
    if opened.model is None:
        raise MeasurementError("Without a model it is unknown how sure a distance is: start with --model MODEL.json.")
    which: Any = "both" if opened.pass_index(pass_name) == 0 else pass_name
    scan = _without_heights(opened.scan) if opened.too_large else opened.scan
    return distance(opened.model, scan, *ends, which=which, level=level, any_scanner=opened.any_scanner)


def _without_heights(scan: Scan) -> Scan:
    """Return a scan whose heights are a picture only: for distances, without what takes gigabytes."""
    if not scan.has_height:
        return scan
    renamed = {("picture" if name == "height" else name): values for name, values in scan.channels.items()}
    return scan.replace(channels=renamed, units={}, channel="picture")


def as_said(one: Measured) -> dict[str, Any]:
    """Return a quantity for the browser: as people read it, and as numbers."""
    return {**one.to_dict(), "text": str(one).split(": ", 1)[1], "passes": one.passes()}


@dataclass(frozen=True, eq=False)
class Profile:
    """Values along a straight line in the image of a pass.

    Attributes
    ----------
    along
        Horizontal distance from the start, m: true with a model, else commanded.
    fast, slow
        Places in the image of the pass, m.
    values, other
        In that pass, and in the other one at the same place (None if there is none).
    U
        Expanded uncertainty (k = 2) of the height above the mean of the pass, m; None if unknown.
    channel, unit
        What the values are.
    passes
        Names of the passes of `values` and `other`.
    true
        Whether lengths and heights are corrected.
    notes
        In plain words.
    """

    along: Float
    fast: Float
    slow: Float
    values: Float
    other: Float | None
    U: Float | None
    channel: str
    unit: str
    passes: tuple[str, ...]
    true: bool
    notes: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return it as a JSON object, SI units."""

        def numbers(values: Float | None) -> list[float | None] | None:
            return None if values is None else [float(v) if np.isfinite(v) else None for v in values]

        return {
            "channel": self.channel,
            "unit": self.unit,
            "length_unit": "m",
            "k": K,
            "true": self.true,
            "passes": list(self.passes),
            "along": numbers(self.along),
            "fast": numbers(self.fast),
            "slow": numbers(self.slow),
            "values": numbers(self.values),
            "other": numbers(self.other),
            "U": numbers(self.U),
            "notes": list(self.notes),
        }

    def to_csv(self) -> str:
        """Return it as a table, SI units, with a head that names them."""
        unit = f" ({self.unit})" if self.unit else ""
        columns: dict[str, Float] = {
            f"{'true' if self.true else 'commanded'} distance from start (m)": self.along,
            "commanded fast (m)": self.fast,
            "commanded slow (m)": self.slow,
            f"{self.channel}, {self.passes[0]}{unit}": self.values,
        }
        if self.U is not None:
            columns[f"U of {self.channel}, k = {K:g} (m)"] = self.U
        if self.other is not None:
            columns[f"{self.channel}, {self.passes[1]}{unit}"] = self.other
        return table(list(columns), zip(*columns.values(), strict=True))


def profile(opened: Opened, pass_name: str, channel: str, ends: tuple[Point, Point]) -> Profile:
    """Read the values along a line, from all points of the scan."""
    scan, index = opened.scan, opened.pass_index(pass_name)
    opened.channel(channel)
    start, end = (np.array(one, dtype=np.float64) for one in ends)
    if not np.all(np.isfinite([start, end])):
        raise MeasurementError("Coordinates of points must be finite numbers.")
    check_inside(opened, start, end)
    length = float(np.hypot(*((end - start) / np.array(scan.spacing))))
    if not length > 0:
        raise MeasurementError("The two points are the same: there is no line between them.")
    share = np.linspace(0, 1, int(np.clip(np.ceil(length) + 1, 2, _MOST)))
    at = start[:, None] + (end - start)[:, None] * share
    notes: list[str] = []
    band = None
    other_at, place = at, at
    model = opened.model is not None
    if model:
        place = opened.to_true(index, at)
        if channel == "height" and not opened.too_large:
            band = K * true_heights_at(opened, index, at)[1]
            notes.append(
                "band: U of the height above the mean of the pass (k = 2) by what is not known of the scanner; noise of"
                " the scan is what you see in the curve"
            )
    else:
        notes.append("no model: lengths and heights are as commanded and indicated, and how sure they are is unknown")

    def values_at(which: int, places: Float) -> Float:
        if model and channel == "height":
            return true_heights_at(opened, which, places)[0]
        return read(opened, np.asarray(scan.channels[channel])[which], places)

    other = None
    passes: tuple[str, ...] = (pass_name,)
    if len(scan.passes) > 1:
        second = 1 - index
        if model:
            other_at = opened.to_commanded(second, place)
        other = values_at(second, other_at)
        passes = (pass_name, scan.passes[second])
    along = np.hypot(*(place - place[:, :1]))
    unit = scan.units.get(channel, "")
    return Profile(along, at[0], at[1], values_at(index, at), other, band, channel, unit, passes, model, tuple(notes))


def true_heights_at(opened: Opened, index: int, at: Float) -> tuple[Float, Float]:
    """True heights at places ``(2, n)`` of the image of a pass with their standard uncertainties, m.

    Of a large scan only what is needed is computed; the uncertainty is NaN where that is not enough.
    """
    if not opened.large:
        z, u = opened.true_heights(uncertainty=True)
        return read(opened, z[index], at), read(opened, u[index], at)
    indicated = read(opened, opened.scan.height[index], at)
    sure = np.full(indicated.shape, np.nan)
    good = np.isfinite(indicated)
    if good.any() and not opened.too_large:
        sure[good] = opened.level_uncertainties(index, indicated[good], *at[:, good])
    return opened.levels(indicated, *at), sure


def read(opened: Opened, image: np.ndarray, at: Float) -> Float:
    """Values of an image at places ``(2, n)``, linear between points; NaN beside missing ones and beyond the edge."""
    from scipy import ndimage

    scan = opened.scan
    rows = np.interp(at[1], scan.slow, np.arange(scan.slow.size), left=np.nan, right=np.nan)
    columns = np.interp(at[0], scan.fast, np.arange(scan.fast.size), left=np.nan, right=np.nan)
    known = np.isfinite(rows) & np.isfinite(columns)
    found = np.full(at.shape[1], np.nan)
    if not known.any():
        return found
    # only the part of a large image that is looked at
    r, c = (slice(int(one[known].min()), int(one[known].max()) + 2) for one in (rows, columns))
    part = np.asarray(image[r, c], dtype=np.float64)
    found[known] = ndimage.map_coordinates(
        part, [rows[known] - r.start, columns[known] - c.start], order=1, mode="nearest"
    )
    return found


def check_inside(opened: Opened, *points: Float) -> None:
    """Refuse points beyond the edge of the scan."""
    scan = opened.scan
    for fast, slow in points:
        if not (scan.fast[0] <= fast <= scan.fast[-1] and scan.slow[0] <= slow <= scan.slow[-1]):
            raise MeasurementError(f"The point ({show(fast)}, {show(slow)}) lies outside of the scan.")


def points_csv(opened: Opened, places: list[dict[str, Any]], quantities: list[Measured]) -> str:
    """Points and what was measured between them, as one table in SI units."""
    rows: list[tuple[Any, ...]] = []
    for one in places:
        for axis in ("fast", "slow"):
            rows.append((f"{one['name']}, commanded {axis}", one[axis], "", "", "", "", "m"))
            if one["true"] is not None:
                rows.append((f"{one['name']}, true {axis}", one["true"][axis], "", "", "", "", "m"))
        for value in one["values"]:
            rows.append(
                (
                    f"{one['name']}, {value['name']}",
                    value["value"],
                    value["u"],
                    value["U"],
                    value["k"],
                    "",
                    value["unit"],
                )
            )
    rows += [(m.name, m.value, m.u, m.U, m.k, m.level, m.unit) for m in quantities]
    return table(["quantity", "value", "u (k = 1)", "U", "k", "level of confidence", "unit"], rows)


def place_of(opened: Opened, pass_name: str, channel: str, name: str, point: Point) -> dict[str, Any]:
    """Say where a point is, and what is read there."""
    index = opened.pass_index(pass_name)
    at = np.array(point, dtype=np.float64)[:, None]
    check_inside(opened, at[:, 0])
    unit = opened.scan.units.get(opened.channel(channel), "")
    indicated = float(read(opened, opened.scan.channels[channel][index], at)[0])
    values = [_value("indicated" if channel == "height" else channel, indicated, None, unit)]
    true = None
    if opened.model is not None:
        true = dict(zip(("fast", "slow"), map(float, opened.to_true(index, at)[:, 0]), strict=True))
        if channel == "height":
            z, u = (float(one[0]) for one in true_heights_at(opened, index, at))
            values.append(_value("true height", z, u, unit))
    return {"name": name, "fast": float(at[0, 0]), "slow": float(at[1, 0]), "true": true, "values": values}


def _value(name: str, value: float, u: float | None, unit: str) -> dict[str, Any]:
    known = u is not None and np.isfinite(u)
    said = format_quantity(value, unit or "1", u=u if known else None, k=K)
    return {
        "name": name,
        "text": said if np.isfinite(value) else "no data",
        "value": value if np.isfinite(value) else None,
        "u": u if known else None,
        "U": K * u if known and u is not None else None,
        "k": K if known else None,
        "unit": unit,
    }


def table(head: list[str], rows: Any) -> str:
    """Write a table as CSV; what is unknown is left empty."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([_harmless(name) for name in head])
    for row in rows:
        writer.writerow(["" if v is None or (isinstance(v, float) and not np.isfinite(v)) else _plain(v) for v in row])
    return out.getvalue()


def _plain(value: Any) -> Any:
    return float(value) if isinstance(value, (float, np.floating)) else _harmless(str(value))


def _harmless(text: str) -> str:
    # a spreadsheet would take what begins so for a formula, and names of channels come from files
    return f"'{text}" if text[:1] in ("=", "+", "-", "@") else text
