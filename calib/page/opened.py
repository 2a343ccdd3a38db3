"""A scan that is looked at, with its model and standard, and what was computed of them."""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, TypeVar

import numpy as np

from calib.correct import on_true_grid
from calib.errors import MeasurementError, ScanError
from calib.locate import bow_uncertainty_at, indicated_heights, position_uncertainty, true_height
from calib.measure.places import true_positions
from calib.model import Model
from calib.path import Path
from calib.scan import Scan
from calib.scanner.effect import Float
from calib.standard import Grating, Grid, Standard

MOST = 1024
"""Points along either axis of a picture; of larger scans every second, third … point is drawn."""

_CHUNK = 40_000
_ROUNDS = 12  # each takes the error to a few per cent of what it was, as a scanner is nearly straight
LARGEST = 9_000_000
"""Values of a channel; what can be had at single points of a larger scan is computed there only."""

T = TypeVar("T")


def _mean(heights: np.ndarray) -> float:
    """Of what is known; zero if nothing is."""
    known = np.isfinite(heights)
    return float(np.mean(heights, where=known, dtype=np.float64)) if known.any() else 0.0


@dataclass(eq=False)
class Opened:
    """One scan on the page.

    Parameters
    ----------
    name
        What it is called on the page.
    scan
        As recorded.
    model
        That corrects it; None if none was given.
    standard, turned
        What it shows, and how that was turned on the stage, rad.
    any_scanner
        Apply the model even to scans of another scanner.

    Raises
    ------
    CalibError
        If the model does not fit the scan.
    """

    name: str
    scan: Scan
    model: Model | None = None
    standard: Standard | None = None
    turned: float | None = None
    any_scanner: bool = False
    notes: tuple[str, ...] = ()
    _kept: dict[Hashable, Any] = field(default_factory=dict, repr=False)
    _locks: dict[Hashable, threading.Lock] = field(default_factory=dict, repr=False)
    _lock: Any = field(default_factory=threading.Lock, repr=False)

    def __post_init__(self) -> None:
        if self.model is not None:
            self.notes = tuple(self.model.check(self.scan, any_scanner=self.any_scanner))
            if self.too_large:
                said = (
                    "the scan is very large, and in its model a height depends on all heights before it, which would"
                    " take gigabytes here: hysteresis and creep of z are not corrected, and height differences and"
                    " bands are left out; calib correct and calib measure do all of it"
                )
                self.notes += (said,)

    def kept(self, key: Hashable, compute: Callable[[], T]) -> T:
        """Return what was computed under this key before, or compute it: once, and without holding up others."""
        with self._lock:
            own = self._locks.setdefault(key, threading.Lock())
        with own:
            if key not in self._kept:
                self._kept[key] = compute()
            found: T = self._kept[key]
            return found

    @cached_property
    def path(self) -> Path:
        """Its commanded path."""
        return Path(self.scan)

    @property
    def thinned(self) -> tuple[int, int]:
        """Of how many rows and columns one is drawn."""
        _, rows, columns = self.scan.shape
        return -(-rows // MOST), -(-columns // MOST)

    @property
    def too_large(self) -> bool:
        """Whether it is large, and its true heights are not those of its points alone."""
        model = self.model
        return self.large and self.scan.has_height and model is not None and model.height.history is not None

    @property
    def large(self) -> bool:
        """Whether it is too large for what is computed of every point."""
        return self.scan.values.size > LARGEST

    @property
    def patterned(self) -> bool:
        """Whether a grating or a grid is said to be seen."""
        return isinstance(self.standard, Grating | Grid)

    def pass_index(self, name: str) -> int:
        """Index of a pass by its name.

        Raises
        ------
        ScanError
            If there is no such pass.
        """
        if name not in self.scan.passes:
            raise ScanError(f"{self.name} has no pass {name!r}, only {' and '.join(self.scan.passes)}.")
        return self.scan.passes.index(name)

    def channel(self, name: str) -> str:
        """Return the name of a channel if it exists.

        Raises
        ------
        ScanError
            If there is no such channel.
        """
        if name not in self.scan.channels:
            raise ScanError(f"{self.name} has no channel {name!r}, only {', '.join(self.scan.channels)}.")
        return name

    # --- what the model says -----------------------------------------------------------------------

    def corrected(self) -> Scan:
        """The scan on a true grid, from as many points as are drawn."""
        return self.kept("corrected", self._corrected)

    def _corrected(self) -> Scan:
        model, scan = self._model(), self.scan
        if self.thinned == (1, 1):
            return model.correct(scan, any_scanner=self.any_scanner)
        rows, columns = (slice(None, None, step) for step in self.thinned)
        thin = scan.replace(
            channels={name: values[:, rows, columns] for name, values in scan.channels.items()},
            fast=scan.fast[columns],
            slow=scan.slow[rows],
        )
        channels = {
            name: (np.asarray(values, dtype=np.float64), scan.units[name]) for name, values in thin.channels.items()
        }
        if scan.has_height:
            channels["height"] = (self._surface(rows, columns), "m")
        fast = np.asarray(thin.fast, dtype=np.float64)
        position = np.stack(
            [self.positions(index, np.arange(scan.slow.size)[rows], fast) for index in range(len(scan.passes))], 1
        )
        return on_true_grid(thin, position, channels, {"model_sha256": model.sha256}, self.notes)

    def positions(self, index: int, rows: np.ndarray, fast: Float) -> Float:
        """True positions of some lines at some fast coordinates, m; shape ``(2, rows, fast)``."""
        model, found = self._model(), np.empty((2, rows.size, fast.size))
        heights = None
        if any(effect.name == "squareness" for effect in model.motion.effects):
            heights = self.kept("indicated", lambda: indicated_heights(self.scan))
        columns = np.searchsorted(self.scan.fast, fast).clip(0, self.scan.fast.size - 1)
        step = max(1, _CHUNK // fast.size)
        for first in range(0, rows.size, step):
            some = rows[first : first + step]
            height = None if heights is None else heights[index][np.ix_(some, columns)].ravel()
            lines, along = np.repeat(some, fast.size), np.tile(fast, some.size)
            samples = self.path.samples(np.full(lines.size, index), lines, along, height)
            found[:, first : first + step] = model.motion.position(self.path, samples, model.values).reshape(
                2, some.size, fast.size
            )
        return found

    def _surface(self, rows: slice, columns: slice) -> Float:
        """True heights of the points that are drawn."""
        if not self.large:
            return self.true_heights()[0][:, rows, columns]
        heights, path = np.asarray(self.scan.height[:, rows, columns], dtype=np.float64), self.path
        found = np.empty_like(heights)
        slow = path.slow[rows]
        step = max(1, _CHUNK // heights.shape[2])
        for first in range(0, slow.size, step):
            some = slice(first, first + step)
            fast, across = np.meshgrid(path.fast[columns], slow[some])
            found[:, some] = self.levels(heights[:, some], fast, across)
        return found

    def levels(self, indicated: Float, fast: Float, slow: Float) -> Float:
        """True heights of indicated ones at some places, m, without hysteresis and creep of z."""
        scan, height = self.scan, self._model().height
        position = self.path.at(fast, slow)
        return height.true(indicated + (scan.z_centre or 0.0), scan.z_centre is not None, position)

    def true_heights(self, uncertainty: bool = False) -> tuple[Float, Float]:
        """Height of the surface and its standard uncertainty, as :func:`calib.locate.true_height` gives them."""
        return self.kept(("heights", uncertainty), lambda: true_height(self._model(), self.scan, uncertainty))

    def level_uncertainties(self, index: int, indicated: Float, fast: Float, slow: Float) -> Float:
        """Standard uncertainties of what :meth:`levels` gives, above the mean of the pass, m."""
        scan, model = self.scan, self._model()
        centred, middle = scan.z_centre is not None, scan.z_centre or 0.0
        mean = self.kept(("mean", index), lambda: _mean(scan.height[index]))
        level = model.height.uncertainty(indicated + middle, mean + middle, centred)
        return np.hypot(level, bow_uncertainty_at(model, self.path, fast, slow))

    def position_uncertainties(self) -> Float:
        """Standard uncertainties of x and y of the points that are drawn, shape ``(2, pass, slow, fast)``."""
        thin = [slice(None, None, step) for step in self.thinned]
        return self.kept("position", lambda: position_uncertainty(self._model(), self.path, *thin))

    # --- places ------------------------------------------------------------------------------------

    def to_true(self, index: int, at: Float) -> Float:
        """True places of places in the image of a pass, m, along the scan's axes from its commanded centre.

        Parameters
        ----------
        at
            Fast and slow coordinate, shape ``(2, n)``.
        """
        axes = np.stack([self.path.fast_axis, self.path.slow_axis])
        true = true_positions(self._model(), self.path, np.full(at.shape[1], index), at)
        return np.asarray(axes @ (true - self.path.centre[:, None]))

    def to_commanded(self, index: int, true: Float) -> Float:
        """Places in the image of a pass that show true places: the inverse of :meth:`to_true`, NaN beyond the edge."""
        scan = self.scan
        low = np.array([scan.fast[0], scan.slow[0]])[:, None]
        high = np.array([scan.fast[-1], scan.slow[-1]])[:, None]
        pixel = np.array(scan.spacing)[:, None]
        at = np.clip(true, low, high)
        for _ in range(_ROUNDS):
            miss = true - self.to_true(index, at)
            at = np.clip(at + miss, low, high)
            if np.all(np.abs(miss) < 1e-4 * pixel):
                break
        lost = np.any(np.abs(true - self.to_true(index, at)) > 0.05 * pixel, axis=0)
        return np.where(lost, np.nan, at)

    def place(self, index: int, point: tuple[float, float], frame: str) -> Float:
        """Place in the image of a pass of a point that was set in the recorded or in the corrected picture."""
        at = np.array(point, dtype=np.float64)[:, None]
        if not np.all(np.isfinite(at)):
            raise MeasurementError("Coordinates of points must be finite numbers.")
        if frame != "true":
            return at[:, 0]
        found = self.to_commanded(index, at)[:, 0]
        if not np.all(np.isfinite(found)):
            raise MeasurementError(f"This point lies outside of what the {self.scan.passes[index]} shows.")
        return found

    def _model(self) -> Model:
        if self.model is None:
            raise MeasurementError("No model was given: start the page with --model MODEL.json to see this.")
        return self.model
