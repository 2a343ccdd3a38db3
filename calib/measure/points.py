"""Points of an image: whether they can be used, where they truly were, and the uncertainty of what is made of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from calib.arithmetic.monte_carlo import Sample
from calib.arithmetic.roots import root_of
from calib.budget import Contribution
from calib.errors import MeasurementError, ScanError
from calib.measure.drawn import joint_normal
from calib.measure.measured import Measured
from calib.measure.places import Covariances, Seen, covariances, find_again, true_positions
from calib.model import Model
from calib.model_error import error_dof
from calib.observe.lateral import sample_slope
from calib.origins import NOISE
from calib.path import Path
from calib.scan import Scan
from calib.scanner.effect import Float
from calib.units import parse, show

Which = Literal["trace", "retrace", "both"]
Point = tuple[float, float]
Geometry = Callable[[Float], tuple[float, Float]]
Drawn = Callable[[Float], Float]

DRIFT = "drift"
MODEL = "model error"
RESOLUTION = "resolution"
FINDING = "finding the points in the other pass"
REPEATABILITY = "repeatability"
COSINE = "cosine error"

_TILTED = np.deg2rad(0.5)  # less matters to nobody


@dataclass(frozen=True, eq=False)
class Points:
    """Points in one pass, and the same in the other if they were found there."""

    model: Model
    scan: Scan
    path: Path
    at: Float  # (passes, 2, n)
    true: Float  # (passes, 2, n)
    covariances: Covariances  # of all passes, one after the other
    seen: Seen | None
    reading: Float  # limits along fast and slow axis, m
    notes: tuple[str, ...]

    @classmethod
    def of(
        cls,
        model: Model,
        scan: Scan,
        points: Sequence[Point],
        reading: float | None,
        which: Which,
        any_scanner: bool,
    ) -> Points:
        """Check points, and find out where they were."""
        notes = list(model.check(scan, any_scanner=any_scanner))
        scan = only(scan, which)
        at = np.array(points, dtype=np.float64).reshape(-1, 2).T
        _check_points(scan, at)
        path = Path(scan)
        seen = None
        if len(scan.passes) > 1:
            seen = find_again(model, scan, path, at, 0, 1)
            if seen is None:
                notes.append(
                    f"the points can't be found again in the {scan.passes[1]}, as there is too little structure around"
                    f" them or they lie beyond its edge; the value is that of the {scan.passes[0]} alone"
                )
        everywhere = np.stack([at] if seen is None else [at, seen.at])
        n = at.shape[1]
        index = np.repeat(np.arange(len(everywhere)), n)
        joined = everywhere.transpose(1, 0, 2).reshape(2, -1)
        true = true_positions(model, path, index, joined).reshape(2, -1, n).transpose(1, 0, 2)
        limits = np.array(scan.spacing) / 2 if reading is None else np.full(2, reading)
        if not (np.all(np.isfinite(limits)) and np.all(limits >= 0)):
            raise MeasurementError(f"Points can't be read to within {_said(limits[0])}: give zero or more.")
        notes += _missing(scan, at)
        notes += _surroundings(scan)
        all_covariances = covariances(model, path, index, joined)
        return cls(model, scan, path, everywhere, true, all_covariances, seen, limits, tuple(notes))

    @property
    def passes(self) -> tuple[str, ...]:
        """Names of the passes in which the points are known."""
        return self.scan.passes[: len(self.at)]

    def measure(self, name: str, unit: str, geometry: Geometry, drawn: Drawn, level: float) -> Measured:
        """Evaluate something of the points' true positions in each pass: the mean, with its uncertainty.

        Parameters
        ----------
        geometry, drawn
            Value and gradient of points ``(2, n)``, and values of many sets of points ``(2, n, trials)``.
        """
        values, gradients = zip(*(geometry(true) for true in self.true), strict=True)
        parts, notes = self.uncertainty(name, unit, np.array(values), np.stack(gradients))
        return Measured.of(
            name,
            float(np.mean(values)),
            unit,
            parts,
            level=level,
            by_pass=dict(zip(self.passes, map(float, values), strict=True)),
            notes=self.notes + notes,
            sample=self._sampler(drawn, parts.get(REPEATABILITY)),
        )

    def _sampler(self, drawn: Drawn, apart: float | Contribution | None) -> Sample:
        """Return what draws values of the mean over the passes, from the positions of all points."""
        more = apart.u if isinstance(apart, Contribution) else 0.0

        def sample(rng: np.random.Generator, size: int) -> Float:
            moved, _ = self.draw(rng, size)
            mean = np.mean([drawn(one) for one in moved], axis=0)
            return np.asarray(mean + more * rng.standard_normal(size))

        return sample

    def draw(self, rng: np.random.Generator, size: int) -> tuple[Float, Float]:
        """Draw true positions of the points, ``(passes, 2, n, size)``, and by how much they were misread in the image.

        The latter along fast and slow axis, m, shape ``(2, n, size)``: the same for all passes.
        """
        passes, _, n = self.true.shape
        moved = self.true[..., None] + self._move(rng, size).reshape(2, passes, n, size).transpose(1, 0, 2, 3)
        misread = self.reading[:, None, None] * rng.uniform(-1, 1, (2, n, size))
        moved += np.tensordot(np.stack([self.path.fast_axis, self.path.slow_axis], axis=1), misread, 1)
        if self.seen is not None:
            for k, one in enumerate(self.seen.covariance):
                find = root_of(one)
                moved[1, :, k] += find @ rng.standard_normal((find.shape[1], size))
        return moved, misread

    @cached_property
    def _move(self) -> Sample:
        """What draws errors of all positions, one coordinate after the other."""
        known, size = self.covariances, 2 * self.true.shape[0] * self.true.shape[2]
        fit, scan, misfit = (part.reshape(size, size) for part in (known.fit, known.scan, known.misfit))
        by_values = known.jacobian.transpose(0, 2, 1).reshape(size, -1)
        noise = self.model.split(by_values, fit).get(NOISE, np.zeros_like(fit))
        return joint_normal(fit - noise + scan, noise + misfit, self.dof)

    def _part(self, name: str, variance: float) -> Contribution:
        # how large the noise of nodes counts is told by as few scans as the model's error
        return Contribution(name, 0.0, float(np.sqrt(max(variance, 0.0))), dof=self.dof if name == NOISE else np.inf)

    @property
    def dof(self) -> float:
        """Degrees of freedom of the model's error."""
        return error_dof(self.model)

    def uncertainty(
        self, name: str, unit: str, values: Float, gradients: Float
    ) -> tuple[dict[str, float | Contribution], tuple[str, ...]]:
        """Contributions to the mean over the passes, with notes.

        Parameters
        ----------
        values
            By each pass, shape ``(passes,)``.
        gradients
            By the true positions of that pass, shape ``(passes, 2, n)``.
        """
        count = len(values)
        gradient = np.concatenate(gradients, axis=1) / count
        fit, scan, misfit = self.covariances.variance(gradient)
        by_values = np.einsum("in,ipn->p", gradient, self.covariances.jacobian)
        by_origin = self.model.split(by_values[None], np.array([[fit]]))
        # whoever misreads a point does so for both passes, since it is found again from where it was read
        axes = np.stack([self.path.fast_axis, self.path.slow_axis])
        by_reading = axes @ gradients.mean(axis=0)
        parts: dict[str, float | Contribution] = {
            **{name: self._part(name, part[0, 0]) for name, part in by_origin.items()},
            DRIFT: float(np.sqrt(scan)),
            MODEL: Contribution(MODEL, 0.0, float(np.sqrt(misfit)), dof=self.dof),
            RESOLUTION: float(np.sqrt(np.sum((by_reading * self.reading[:, None]) ** 2) / 3)),
        }
        if self.seen is None:
            return parts, ()
        found = float(np.einsum("in,nij,jn", gradients[1], self.seen.covariance, gradients[1]))
        parts[FINDING] = float(np.sqrt(found)) / 2
        # the model's errors in the two passes are not known to be alike (memory acts on them the other way round)
        alone = [
            np.concatenate([gradients[0], 0 * gradients[1]], 1),
            np.concatenate([0 * gradients[0], gradients[1]], 1),
        ]
        fit, scan, _ = self.covariances.variance(alone[0] - alone[1])
        expected2 = fit + scan + found + sum(self.covariances.variance(one)[2] for one in alone)
        return parts, compared(parts, name, unit, values, expected2)


def compared(
    parts: dict[str, float | Contribution], name: str, unit: str, values: Float, expected2: float
) -> tuple[str, ...]:
    """Add to the contributions what two passes differ by beyond what is expected, and say so where it is much."""
    apart = abs(float(values[1] - values[0]))
    parts[REPEATABILITY] = Contribution(REPEATABILITY, 0.0, float(np.sqrt(max(apart**2 - expected2, 0.0))) / 2)
    expected = float(np.sqrt(expected2))
    if apart <= 2 * expected:
        return ()
    said = [show(part / 1e-12, "µm²", 2) if unit == "m^2" else show(part, unit, 2) for part in (apart, expected)]
    return (
        f"the {name} by trace and by retrace differ by {said[0]}, {apart / expected:.1f} times the {said[1]} that are"
        " expected: the scanner has changed, the sample moved, or disturbed lines deceive; the uncertainty was raised",
    )


def only(scan: Scan, which: Which) -> Scan:
    """Return one pass of a scan, or all of it."""
    if which == "both":
        return scan
    if which not in scan.passes:
        raise MeasurementError(f"{scan.label} has no {which}, only {' and '.join(scan.passes)}.")
    index = scan.passes.index(which)
    channels = {name: values[index : index + 1] for name, values in scan.channels.items()}
    return scan.replace(channels=channels, passes=(which,))


def _check_points(scan: Scan, at: Float) -> None:
    if not np.all(np.isfinite(at)):
        raise MeasurementError("Coordinates of points must be finite numbers.")
    half = np.array(scan.spacing) / 2
    for fast, slow in at.T:
        for value, grid, margin in ((fast, scan.fast, half[0]), (slow, scan.slow, half[1])):
            if not grid[0] - 1.001 * margin <= value <= grid[-1] + 1.001 * margin:
                raise MeasurementError(
                    f"The point ({_said(fast)}, {_said(slow)}) lies outside of {scan.label}, which reaches from"
                    f" ({_said(scan.fast[0])}, {_said(scan.slow[0])}) to ({_said(scan.fast[-1])},"
                    f" {_said(scan.slow[-1])}) about its centre."
                )


def _said(length: float) -> str:
    return show(float(length), "m", 4)


def _missing(scan: Scan, at: Float) -> list[str]:
    """Say where a point lies in a gap of the image."""
    columns = np.interp(at[0], scan.fast, np.arange(scan.fast.size)).round().astype(int)
    rows = np.interp(at[1], scan.slow, np.arange(scan.slow.size)).round().astype(int)
    gone = ~np.isfinite(scan.values[0, rows, columns])
    return [
        f"there is no data ({scan.channel}) at the point ({_said(fast)}, {_said(slow)})" for fast, slow in at.T[gone]
    ]


def _surroundings(scan: Scan) -> list[str]:
    """Say how the sample lay and how warm it was."""
    notes = []
    try:
        slope = sample_slope(scan)
    except ScanError:  # too few points, or an uneven grid
        slope = None
    if slope is not None:
        tilt = float(np.arctan(np.hypot(*slope)))
        if tilt > _TILTED:
            notes.append(
                f"the sample is tilted by {show(tilt, 'rad', 2)}: along its surface lengths are up to"
                f" {show(1 / np.cos(tilt) - 1, '%', 2)} longer than seen from above, as given here"
            )
    return notes + temperature_note(scan)


def temperature_note(scan: Scan) -> list[str]:
    """Say at which temperature lengths hold, if it is known."""
    if scan.temperature is None:
        return []
    return [f"lengths are those at the temperature of the scan, {show(scan.temperature, 'degC')}"]


def read_point(text: str, scan: Scan, key: str = "The point") -> Point:
    """Read a point as people write it.

    Parameters
    ----------
    text
        ``"1.2 um, 3 um"``: along the fast and the slow axis from the scan's centre; one unit at the
        end serves for both.
        Or ``"12 px, 40 px"``: column and row, fractions allowed, counted from 0 at the lowest coordinates.
    scan
        For its pixels.
    key
        What the point is called where it was written, for the message.

    Raises
    ------
    MeasurementError
        If it can't be read.
    """
    parts = [part.strip() for part in text.split(",")]
    if len(parts) != 2 or not all(parts):
        raise MeasurementError(
            f"{key}: {text!r} is not two coordinates: write for example '1.2 um, 3 um' or '12 px, 40 px'."
        )
    fast, slow = parts
    unit = slow.lstrip("+-0123456789.eE\u2212 ")
    if unit and not fast.lstrip("+-0123456789.eE\u2212 "):
        fast = f"{fast} {unit}"
    found = (
        _coordinate(one, grid, name, key)
        for one, grid, name in (
            (fast, np.asarray(scan.fast, dtype=np.float64), "columns"),
            (slow, np.asarray(scan.slow, dtype=np.float64), "rows"),
        )
    )
    return next(found), next(found)


def _coordinate(text: str, grid: Float, name: str, key: str) -> float:
    if not text.endswith(("px", "pixel", "pixels")):
        return parse(text, "length", key, error=MeasurementError)
    number = text.removesuffix("s").removesuffix("pixel").removesuffix("px")
    try:
        place = float(number)
    except ValueError:
        raise MeasurementError(f"{key}: {text!r} is not a number of pixels: write for example '12 px'.") from None
    if not 0 <= place <= grid.size - 1:
        raise MeasurementError(
            f"{key}: {text!r} lies outside of the image, whose {name} count from 0 to {grid.size - 1}."
        )
    return float(np.interp(place, np.arange(grid.size), grid))
