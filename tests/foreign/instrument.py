"""Foreign instruments, the session that calibrates one, and the scans that check it."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.path import Path
from calib.scan import Scan
from calib.simulate import Flaws, Grating, Grid, Recording, Session, Step, Surface, VirtualInstrument, true_positions
from tests.foreign.physics import ForeignPhysics

Float = NDArray[np.float64]

PITCH = 2e-6
GRID_HEIGHT = 100e-9
STEP_HEIGHT = 100e-9


class Case(NamedTuple):
    """A scan, what it shows (``grid``, ``grating``, ``step``, or ``motion`` for an empty scan), and the truth."""

    scan: Scan
    kind: str
    truth: Float


class ForeignInstrument:
    """An instrument of foreign physics, drawn at random around what a bench-top microscope does.

    Parameters
    ----------
    seed
        Which instrument; the same seed gives the same scans.
    loop, creep, bending, drift
        See :mod:`tests.foreign`.
    travel
        m, of both axes, about the centre.
    noise
        Standard deviation of indicated heights, m.
    bow
        Peak of a bow of the height over the travel, m.
    flaws
        In place of `noise`.
    points
        Along both axes of each scan.
    """

    def __init__(
        self,
        seed: int = 0,
        *,
        loop: float = 0.06,
        creep: float = 0.012,
        bending: float = 0.01,
        drift: float = 0.03e-9,
        travel: float = 20e-6,
        noise: float = 1e-9,
        bow: float = 0.0,
        flaws: Flaws | None = None,
        points: int = 256,
    ) -> None:
        self.seed = seed
        self.points = points
        self.travel = travel
        self.physics = ForeignPhysics(
            seed, loop=loop, creep=creep, bending=bending, drift=drift, travel=travel, bow=bow
        )
        self.instrument = VirtualInstrument(
            physics=self.physics, flaws=flaws or Flaws(noise=noise), scanner=f"foreign {seed}"
        )
        rng = np.random.default_rng((seed, 21))
        self.theta = float(np.deg2rad(rng.uniform(-4, 4)))
        self.origin = (float(rng.uniform(0, PITCH)), float(rng.uniform(0, PITCH)))

    @property
    def scale_x(self) -> float:
        """True over commanded distance along x at full travel."""
        return self.physics.scale_x

    @property
    def scale_y(self) -> float:
        """True over commanded distance along y at full travel."""
        return self.physics.scale_y

    @property
    def skew(self) -> float:
        """Departure of y from the normal to x, towards +x, rad."""
        return float(self.physics.skew)

    @property
    def gain_z(self) -> float:
        """True over indicated height, for small heights."""
        return self.physics.gain_z

    # --- standards -------------------------------------------------------------------------------

    def grid(self, pitch: float = PITCH, theta: float | None = None) -> Grid:
        """Return the square grid of this instrument's session, or another."""
        theta = self.theta if theta is None else theta
        return Grid(pitch_x=pitch, pitch_y=pitch, height=GRID_HEIGHT, theta=theta, origin=self.origin)

    def grating(self, pitch: float = 3e-6, theta: float | None = None) -> Grating:
        """Return a grating, by default turned a little."""
        theta = self.theta if theta is None else theta
        return Grating(pitch=pitch, height=GRID_HEIGHT, theta=theta, origin=self.origin)

    def step(self, height: float = STEP_HEIGHT, width: float | None = None, theta: float = 0.0) -> Step:
        """Return a ridge with a third of the travel for its width."""
        return Step(height=height, width=width or self.travel / 3, theta=theta)

    # --- scans -----------------------------------------------------------------------------------

    def session(self) -> Session:
        """Return a session of this instrument that has yet to begin."""
        return Session(scanner=f"foreign {self.seed}", points=self.points)

    def record(self, surface: Surface, scan: Scan, seed: int = 0) -> Recording:
        """Record an empty scan (see :func:`calib.simulate.raster`); another seed gives other noise."""
        return self.instrument.record(surface, scan, seed=1000 * self.seed + seed)

    def remember(self, scan: Scan) -> None:
        """Let creep go on from this scan in later ones, as it does in scans in direct succession."""
        self.physics.remember(Path(scan), self.instrument.clock(scan))

    def true_positions(self, scan: Scan) -> Float:
        """Return the true position of every pixel without recording, m; shape ``(2, passes, slow, fast)``."""
        return true_positions(partial(self.physics.motion, clock=self.instrument.clock(scan)), scan)

    def standard_session(self, step: bool = True) -> list[Case]:
        """Seven scans of a grid and one of a step, in succession."""
        session = self.session()
        full, part, quarter = self.travel, 0.6 * self.travel, self.travel / 4
        frames = [
            session.frame(full, frame="up", title="grid up"),
            session.frame(full, frame="down", title="grid down"),
            session.frame(full / 2, centre=(-quarter, quarter), frame="up", title="grid upper left"),
            session.frame(full / 2, centre=(quarter, -quarter), frame="down", title="grid lower right"),
            session.frame(full, rotation=np.pi / 2, frame="up", title="grid, scan turned"),
            session.frame(full, line_period=0.2, frame="down", title="grid, fast"),
            session.frame(part, frame="up", title="grid, small"),
        ]
        cases = [Case(*self._recorded(self.grid(), "grid", scan, k)) for k, scan in enumerate(frames)]
        if step:
            scan = session.frame(full, frame="up", title="step")
            cases.append(Case(*self._recorded(self.step(), "step", scan, len(frames))))
        return cases

    def check_frames(self, seed: int = 0) -> Iterator[Scan]:
        """Empty scans of other sizes, offsets, speeds and directions within what the session covers."""
        rng = np.random.default_rng((self.seed, seed, 22))
        session = self.session()
        session.frame(self.travel)
        for k, size in enumerate((8e-6, 14e-6, 17e-6, 8e-6, 14e-6, 17e-6)):
            size *= self.travel / 20e-6
            room = (self.travel - size) / 2
            yield session.frame(
                size,
                centre=(float(rng.uniform(-room, room)), float(rng.uniform(-room, room))),
                rotation=float(rng.choice([0.0, np.pi / 2])),
                frame="up" if k % 2 == 0 else "down",
                line_period=float(rng.choice([0.2, 0.4, 0.7, 1.0])),
                title=f"check {k + 1}",
            )

    def check_scans(self, seed: int = 0) -> list[Case]:
        """Motions for the position error, then a 3 µm grating over the full field (along x, then y) and a step."""
        cases = [Case(scan, "motion", self.true_positions(scan)) for scan in self.check_frames(seed)]
        session = self.session()
        session.frame(self.travel)
        for k, name in enumerate(("grating along x", "grating along y")):
            scan = session.frame(self.travel, line_period=0.7, frame="down", title=name)
            grating = self.grating(theta=self.theta + k * np.pi / 2)
            cases.append(Case(*self._recorded(grating, "grating", scan, 100 + 3 * seed + k)))
        scan = session.frame(0.7 * self.travel, frame="up", title="step check")
        cases.append(Case(*self._recorded(self.step(width=self.travel / 5), "step", scan, 102 + 3 * seed)))
        return cases

    def _recorded(self, surface: Surface, kind: str, scan: Scan, seed: int) -> tuple[Scan, str, Float]:
        recorded, truth = self.record(surface, scan, seed)
        return recorded, kind, truth


def standard_session(seed: int = 0, *, loop: float = 0.06) -> list[Case]:
    """Seven scans of a grid and one of a step by a foreign instrument."""
    return ForeignInstrument(seed, loop=loop).standard_session()
