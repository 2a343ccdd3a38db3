"""Maps of a grating or grid: where its lines were seen, and what of that the model does not explain."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from calib.errors import CalibError, ScanError
from calib.observe.image import Image
from calib.observe.lattice import find_lattice, reciprocal
from calib.observe.phase import PhaseMap, phase_maps
from calib.page.opened import Opened
from calib.scanner.effect import Float
from calib.standard import Grating, Grid

_SEEN = 0.25  # of the median amplitude; weaker is dust or the border
_FINE = 24  # pixels a period; more only cost time
_ROUNDS = 8


@dataclass(frozen=True, eq=False)
class Map:
    """Along one reciprocal vector, in one pass; shapes ``(slow, fast)``, m, NaN where the pattern is lost.

    Attributes
    ----------
    phase
        Displacement of the lines from the even lattice that fits them best, from the phase.
    residual
        Their displacement from where the model and the certificate expect them; None without a model.
    fast, slow
        Commanded coordinates, m.
    """

    phase: Float
    residual: Float | None
    fast: Float
    slow: Float


@dataclass(frozen=True, eq=False)
class Maps:
    """All maps of a scan, by the name of the pass and then the direction."""

    passes: Mapping[str, tuple[Map, ...]]
    notes: tuple[str, ...] = ()


def find_maps(opened: Opened, tell: Callable[[str, float], None]) -> Maps:
    """Make the maps of a scan of a grating or grid.

    Parameters
    ----------
    tell
        Called with what is done and the part that is done.

    Raises
    ------
    CalibError
        If the scan is no usable image of the standard.
    """
    standard = opened.standard
    if not isinstance(standard, Grating | Grid):
        raise ScanError("Maps of phase need the grating or grid that is seen: start the page with --standard STANDARD.")
    if opened.scan.pattern == "serpentine":
        raise ScanError("Maps of phase are made of scans whose lines all run one way; this one is serpentine.")
    standard = standard.at(opened.scan.temperature)
    scan = opened.scan
    relative = None if opened.turned is None and isinstance(standard, Grating) else (opened.turned or 0.0)
    if relative is not None:
        relative -= scan.rotation
    pitch = float(1 / np.linalg.norm(reciprocal(standard), axis=1).max())
    fast, slow = (max(1, int(pitch / step / _FINE)) if step else 1 for step in scan.spacing)
    bins = (slow - 1 + slow % 2, fast - 1 + fast % 2)
    found: dict[str, tuple[Map, ...]] = {}
    count = len(scan.passes)
    for index, name in enumerate(scan.passes):
        tell(f"looking for the pattern in the {name}", index / count)
        image = Image.of(scan, index, bins=bins)
        lattice = find_lattice(image, standard, relative)
        tell(f"phase of the {name}", (index + 0.3) / count)
        phases = phase_maps(image, lattice)
        tell(f"what the model expects of the {name}", (index + 0.7) / count)
        found[name] = _maps(opened, index, standard, lattice.frequency, phases)
    notes = [
        "within a period of the border and beside dust the phase is less sure; calib calibrate looks closer there",
        "the tilt of the sample is not taken into account here",
    ]
    if opened.model is None:
        notes.append("without a model there is no residual")
    return Maps(found, tuple(notes))


def _maps(
    opened: Opened, index: int, standard: Grating | Grid, frequency: Float, phases: list[PhaseMap]
) -> tuple[Map, ...]:
    fast, slow = phases[0].fast, phases[0].slow
    u, v = np.meshgrid(fast, slow)
    seen = np.all([one.weight > _SEEN for one in phases], axis=0)
    expected = None
    if opened.model is not None:
        rows = np.searchsorted(opened.scan.slow, slow).clip(0, opened.scan.slow.size - 1)
        true = opened.positions(index, rows, fast)
        scan_axes = np.stack([opened.path.fast_axis, opened.path.slow_axis])
        along = np.tensordot(scan_axes, true - opened.path.centre[:, None, None], 1)
        expected = _expected(np.stack([one.periods for one in phases]), along, reciprocal(standard), frequency, seen)
    maps = []
    for k, one in enumerate(phases):
        pitch = 1 / float(np.linalg.norm(reciprocal(standard)[k]))
        design = np.stack([np.ones(int(seen.sum())), u[seen], v[seen]], 1)
        a, b, c = np.linalg.lstsq(design, one.periods[seen], rcond=None)[0]
        even = np.where(seen, one.periods - a - b * u - c * v, np.nan)
        rest = None if expected is None else np.where(seen, one.periods - expected[k], np.nan) * pitch
        maps.append(Map(even * pitch, rest, fast, slow))
    return tuple(maps)


def _expected(periods: Float, true: Float, nominal: Float, seen: Float, good: np.ndarray) -> Float:
    """Periods of a lattice as certified, in the pose that suits best; only its angle and origin are free.

    Gauss-Newton on the angle, from that at which the lattice was seen.
    """
    theta = float(np.arctan2(seen[0, 1], seen[0, 0]) - np.arctan2(nominal[0, 1], nominal[0, 0]))
    origin = np.zeros(len(nominal))
    for _ in range(_ROUNDS):
        cos, sin = np.cos(theta), np.sin(theta)
        turned = nominal @ np.array([[cos, sin], [-sin, cos]])
        slope = nominal @ np.array([[-sin, cos], [-cos, -sin]])
        rest = periods - np.tensordot(turned, true, 1)
        by_angle = np.tensordot(slope, true, 1)[:, good]
        origin = rest[:, good].mean(axis=1)
        left = rest[:, good] - origin[:, None]
        centred = by_angle - by_angle.mean(axis=1, keepdims=True)
        step = float(np.sum(centred * left) / np.sum(centred**2))
        theta += step
        if abs(step) < 1e-12:
            break
    cos, sin = np.cos(theta), np.sin(theta)
    expected = np.tensordot(nominal @ np.array([[cos, sin], [-sin, cos]]), true, 1)
    origin = (periods - expected)[:, good].mean(axis=1)
    return np.asarray(expected + origin[:, None, None])


State = Literal["none", "running", "done", "failed"]


class Job:
    """Maps that are made in a thread of their own, with how far that is."""

    def __init__(self, opened: Opened) -> None:
        self._opened = opened
        self._lock = threading.Lock()
        self.state: State = "none"
        self.said = ""
        self.part = 0.0
        self.maps: Maps | None = None

    def start(self) -> None:
        """Begin, unless it runs or is done."""
        with self._lock:
            if self.state in ("running", "done"):
                return
            self.state, self.said, self.part = "running", "starting", 0.0
        threading.Thread(target=self._run, daemon=True, name="maps").start()

    def to_dict(self) -> dict[str, Any]:
        """Return how far it is, for the browser."""
        return {"state": self.state, "said": self.said, "part": self.part}

    def _tell(self, said: str, part: float) -> None:
        self.said, self.part = said, part

    def _run(self) -> None:
        try:
            self.maps = find_maps(self._opened, self._tell)
        except CalibError as error:
            self.said, self.state = str(error), "failed"
        except Exception:  # a thread that dies unheard would leave the page waiting for ever
            self.said, self.state = "The maps can't be made: this is a defect of calib, not of your scan.", "failed"
            raise
        else:
            self.said, self.part, self.state = "done", 1.0, "done"
