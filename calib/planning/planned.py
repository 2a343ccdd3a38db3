"""One scan that is planned: how it is to be taken, in a plan file and on the instrument."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from calib import units
from calib.errors import PlanError
from calib.files import unknown_key
from calib.scan import Frame, Scan
from calib.standard import Standard
from calib.units import Dimension, show

if TYPE_CHECKING:
    from calib.simulate import Session

_KEYS = ("size", "centre", "rotation", "frame", "line_period", "points", "z_centre")
_NEEDED = ("size", "frame", "points")
_ALIKE = 0.02  # of the size or the line period: what counts as taken as planned


@dataclass(frozen=True, kw_only=True)
class PlannedScan:
    """How one scan is to be taken.

    Attributes
    ----------
    standard
        What it shows.
    size
        Side of the square field, m.
    centre
        Commanded centre, (x, y) in m.
    rotation
        Angle of the fast axis, rad.
    frame
        ``up`` or ``down``.
    line_period
        s; None for an instrument without one.
    points
        Along both axes.
    turned
        Angle to which the standard is turned on the stage, rad.
    z_centre
        Where in the range of height it is to be taken, m; None: anywhere.
    title
        Its name, or that of its file.
    why
        What it is for, in plain words.
    """

    standard: Standard
    size: float
    centre: tuple[float, float] = (0.0, 0.0)
    rotation: float = 0.0
    frame: Frame = "up"
    line_period: float | None = 1.0
    points: int = 256
    turned: float = 0.0
    z_centre: float | None = None
    title: str = ""
    why: str = ""

    @property
    def duration(self) -> float:
        """How long the frame takes, s; NaN if the line period is not known."""
        return np.nan if self.line_period is None else self.line_period * self.points

    @property
    def file(self) -> str:
        """Name of the file that it is to be saved as."""
        return self.title if "." in self.title else f"{self.title}.nc"

    def raster(self, session: Session, **options: Any) -> Scan:
        """Return the empty scan, as the next frame of a session (see :class:`calib.simulate.Session`)."""
        how: dict[str, Any] = {
            "points": self.points,
            "centre": self.centre,
            "rotation": self.rotation,
            "frame": self.frame,
            "line_period": self.line_period,
            "title": self.title,
        }
        if self.z_centre is not None:
            how["z_centre"] = self.z_centre
        return session.frame(self.size, **{**how, **options})

    def replace(self, **changes: Any) -> PlannedScan:
        """Return a planned scan with some fields changed."""
        return replace(self, **changes)

    # --- for people --------------------------------------------------------------------------------

    def words(self) -> str:
        """How it is to be taken, in a few words."""
        parts = [show(self.size)]
        if any(self.centre):
            parts.append(f"at {show(self.centre[0])}, {show(self.centre[1])}")
        if self.rotation:
            parts.append(f"scan turned by {show(self.rotation, 'rad')}")
        parts.append(f"frame {self.frame}")
        if self.line_period is not None:
            parts.append(f"{show(self.line_period, 's')} a line")
        if self.turned:
            parts.append(f"standard turned by {show(self.turned, 'rad')}")
        if self.z_centre is not None:
            parts.append(f"z at {show(self.z_centre)}")
        return ", ".join(parts)

    def departures(self, scan: Scan) -> list[str]:
        """Say where a scan is not what was planned."""
        said = []
        for name, side in zip(("fast", "slow"), scan.size, strict=True):
            # whole pixels are counted as well as distances of their middles
            if abs(side - self.size) > _ALIKE * self.size:
                said.append(f"is {show(side)} wide along its {name} axis, and {show(self.size)} was planned")
        place = np.hypot(scan.centre_x - self.centre[0], scan.centre_y - self.centre[1])
        if place > _ALIKE * self.size:
            said.append(
                f"lies at {show(scan.centre_x)}, {show(scan.centre_y)},"
                f" and {show(self.centre[0])}, {show(self.centre[1])} was planned"
            )
        if abs(np.angle(np.exp(1j * (scan.rotation - self.rotation)))) > np.deg2rad(1):
            said.append(f"is turned by {show(scan.rotation, 'rad')}, and {show(self.rotation, 'rad')} was planned")
        if scan.frame is not None and scan.frame != self.frame:
            said.append(f"is a frame {scan.frame}, and a frame {self.frame} was planned")
        if (
            scan.line_period is not None
            and self.line_period is not None
            and abs(scan.line_period - self.line_period) > 5 * _ALIKE * self.line_period
        ):
            said.append(f"took {show(scan.line_period, 's')} a line, and {show(self.line_period, 's')} was planned")
        if min(scan.slow.size, scan.fast.size) < 0.8 * self.points:
            said.append(f"has {scan.fast.size} x {scan.slow.size} points, and {self.points} were planned")
        return said

    def to_dict(self) -> dict[str, Any]:
        """Return it as a JSON object, SI units."""
        return {
            "file": self.file,
            "standard": self.standard.name,
            "size": self.size,
            "centre": list(self.centre),
            "rotation": self.rotation,
            "frame": self.frame,
            "line_period": self.line_period,
            "points": self.points,
            "turned": self.turned,
            "z_centre": self.z_centre,
            "duration": self.duration,
            "why": self.why,
        }

    # --- for a plan file ---------------------------------------------------------------------------

    def to_toml(self) -> str:
        """Return it as an inline table."""
        entries = [f'size = "{show(self.size)}"']
        entries.append(f'centre = ["{show(self.centre[0])}", "{show(self.centre[1])}"]')
        entries.append(f'rotation = "{show(self.rotation, "rad")}"')
        entries.append(f'frame = "{self.frame}"')
        if self.line_period is not None:
            entries.append(f'line_period = "{show(self.line_period, "s")}"')
        entries.append(f"points = {self.points}")
        if self.z_centre is not None:
            entries.append(f'z_centre = "{show(self.z_centre)}"')
        return f"{{ {', '.join(entries)} }}"

    @classmethod
    def from_toml(cls, table: object, standard: Standard, turned: float | None, title: str) -> PlannedScan:
        """Return what :meth:`to_toml` wrote.

        Raises
        ------
        PlanError
            If it is something else.
        """
        if not isinstance(table, Mapping):
            raise PlanError('planned is a table such as { size = "20 µm", frame = "up", points = 256 }.')
        for key in table:
            if key not in _KEYS:
                raise PlanError(f"planned: there is no key {key!r}: {unknown_key(key, _KEYS)}")
        for key in _NEEDED:
            if key not in table:
                raise PlanError(f"planned: it has no {key}.")

        def quantity(key: str, dimension: Dimension, missing: float | None) -> float | None:
            return units.parse(table[key], dimension, f"planned: {key}", error=PlanError) if key in table else missing

        centre = table.get("centre", ["0 m", "0 m"])
        if not isinstance(centre, list) or len(centre) != 2:
            raise PlanError('planned: centre is a list of two lengths such as ["0 µm", "-5 µm"].')
        x, y = (units.parse(text, "length", "planned: centre", error=PlanError) for text in centre)
        frame, points = table["frame"], table["points"]
        if frame not in ("up", "down"):
            raise PlanError(f"planned: frame must be 'up' or 'down', not {frame!r}.")
        if type(points) is not int or not 8 <= points <= 65536:
            raise PlanError(f"planned: points must be a whole number of 8 or more, not {points!r}.")
        size, line_period = quantity("size", "length", None), quantity("line_period", "time", None)
        for name, value in (("size", size), ("line_period", line_period)):
            if value is not None and value <= 0:
                raise PlanError(f"planned: {name} must be more than zero.")
        return cls(
            standard=standard,
            size=cast(float, size),
            centre=(x, y),
            rotation=cast(float, quantity("rotation", "angle", 0.0)),
            frame=cast(Frame, frame),
            line_period=line_period,
            points=points,
            turned=turned or 0.0,
            z_centre=quantity("z_centre", "length", None),
            title=title,
        )
