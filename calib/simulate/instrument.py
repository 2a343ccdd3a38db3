"""A virtual instrument: any physics of motion and height, and a session in which scan follows scan."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from calib.path import Path, Samples
from calib.scan import Scan
from calib.simulate.recording import Flaws, Recording, Relief, raster, record

Float = NDArray[np.float64]

BEGAN = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


class Physics(Protocol):
    """What an instrument does; `clock` is the time from the start of the session to that of the frame, s."""

    def motion(self, path: Path, samples: Samples, clock: float) -> Float:
        """Return the true position of samples, m; shape ``(2, samples)``."""

    def indicate(self, height: Float, path: Path, samples: Samples, clock: float) -> Float:
        """Return the indicated height, m, of true heights; shape ``(samples,)``."""


@dataclass(frozen=True, kw_only=True)
class VirtualInstrument:
    """An instrument that follows some physics.

    Parameters
    ----------
    physics
        Its motion and height response.
    flaws
        Noise, dust and the like of every scan.
    scanner, probe
        Names that its scans bear.
    began
        When its session began.
    iterations
        More than one if the motion depends on the indicated height.
    """

    physics: Physics
    flaws: Flaws = field(default_factory=Flaws)
    scanner: str | None = "virtual"
    probe: str | None = None
    began: datetime = BEGAN
    iterations: int = 1

    def clock(self, scan: Scan) -> float:
        """Time from the start of the session to that of the scan, s; zero if the scan has no time."""
        return 0.0 if scan.started is None else (scan.started - self.began).total_seconds()

    def record(
        self, surface: Relief, scan: Scan, *, seed: int = 0, channel: str = "height", unit: str = "m"
    ) -> Recording:
        """Record one scan; see :func:`calib.simulate.record`. Only heights pass through the height response."""
        clock = self.clock(scan)

        def motion(path: Path, samples: Samples) -> Float:
            return self.physics.motion(path, samples, clock)

        def indicate(height: Float, path: Path, samples: Samples) -> Float:
            return self.physics.indicate(height, path, samples, clock)

        return record(
            surface,
            motion,
            scan,
            indicate=indicate if channel == "height" else None,
            flaws=self.flaws,
            channel=channel,
            unit=unit,
            iterations=self.iterations,
            seed=seed,
        )


class Session:
    """Frames in direct succession: each starts where and when the one before ended.

    Parameters
    ----------
    began
        When the first frame starts.
    rest
        Where the scanner rests before it, (x, y) in m.
    pause
        Time between frames, s.
    options
        What :func:`calib.simulate.raster` is told for each frame, unless :meth:`frame` says otherwise.
    """

    def __init__(
        self, *, began: datetime = BEGAN, rest: tuple[float, float] = (0.0, 0.0), pause: float = 5.0, **options: Any
    ) -> None:
        self.began = began
        self.rest = rest
        self.pause = pause
        self.options = options
        self._elapsed = 0.0

    def frame(self, size: float | tuple[float, float], **options: Any) -> Scan:
        """Return the next frame as an empty scan, to be recorded by an instrument."""
        given = {"previous": self.rest, "started": self.began + timedelta(seconds=self._elapsed)}
        scan = raster(size, **{**self.options, **given, **options})
        path = Path(scan)
        x, y = path.sweeps.end[:, -1]
        self.rest = float(x), float(y)
        self._elapsed += self.pause + (path.frame_time if path.timed else 0.0)
        return scan
