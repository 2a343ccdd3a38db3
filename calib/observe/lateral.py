"""Scan of a grating or grid + standard -> lattice coordinates at nodes, with their noise."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np

from calib.errors import ScanError, StandardError
from calib.observe.image import Image
from calib.observe.lattice import Lattice, find_lattice
from calib.observe.levels import Levels, plateaus_of_pattern
from calib.observe.phase import phase_maps
from calib.observe.refine import PassNodes, refine
from calib.observe.smooth import Surface
from calib.path import Path
from calib.scan import Scan
from calib.scanner.effect import Float
from calib.standard import Grating, Grid, Standard

_LEAST_CONTRAST = 0.15
_ENOUGH_PIXELS = 32  # a period; more only cost time


_LEVEL_WITHIN = np.deg2rad(2.0)
"""How far from level a sample lies of which no heights tell: limits (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class LateralObservation:
    """Where the lines of a grating or grid were seen in a scan.

    Attributes
    ----------
    label
        Name of the scan.
    path
        Its commanded path.
    standard
        What was scanned.
    angle
        Angle of the standard's x axis in scanner axes, as seen, rad.
    pass_index, row, fast
        Where each node lies: index of the pass, row of the scan, fast coordinate in m; shape ``(nodes,)``.
    periods
        Lattice coordinates of each node, shape ``(nodes, 1 or 2)``. Their zero is arbitrary, and common to the passes.
    covariance
        By the noise of the pixels, shape ``(nodes, m, m)``.
    slope
        Slope of the sample (dz/dx, dz/dy) along scanner axes, or None where the scan holds no heights.
    contrast
        Part of the image's variance that the repeated mean profile explains.
    outliers
        Part of the pixels that got no weight.
    levels
        Heights of the tops and bottoms of the pattern; None where the scan shows none.
    started
        When the frame began.
    notes
        What a user should know of it, in plain words.
    """

    label: str
    path: Path
    standard: Grating | Grid
    angle: float
    pass_index: np.ndarray
    row: np.ndarray
    fast: Float
    periods: Float
    covariance: Float
    slope: tuple[float, float] | None
    contrast: float
    outliers: float
    levels: Levels | None = None
    started: datetime | None = None
    notes: tuple[str, ...] = ()

    @property
    def size(self) -> int:
        """How many nodes there are."""
        return int(self.row.size)

    def to_dict(self) -> dict[str, Any]:
        """Return the observation as a JSON object, SI units."""
        return {
            "kind": "lateral",
            "label": self.label,
            "path": self.path.to_dict(),
            "standard": self.standard.to_dict(),
            "angle": self.angle,
            "nodes": {
                "pass": self.pass_index.tolist(),
                "row": self.row.tolist(),
                "fast": self.fast.tolist(),
                "periods": self.periods.ravel().tolist(),
                "covariance": self.covariance.ravel().tolist(),
            },
            "slope": None if self.slope is None else list(self.slope),
            "contrast": self.contrast,
            "outliers": self.outliers,
            "levels": None if self.levels is None else self.levels.to_dict(),
            "started": None if self.started is None else self.started.isoformat(),
            "notes": list(self.notes),
        }

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> LateralObservation:
        """Return the observation that :meth:`to_dict` described."""
        standard = Standard.from_dict(content["standard"])
        if not isinstance(standard, (Grating, Grid)):
            raise StandardError(f"{standard.name!r} is no grating or grid.")
        nodes, m = content["nodes"], 1 if isinstance(standard, Grating) else 2
        slope = content["slope"]
        return cls(
            label=content["label"],
            path=Path.from_dict(content["path"]),
            standard=standard,
            angle=float(content["angle"]),
            pass_index=np.array(nodes["pass"], dtype=np.int64),
            row=np.array(nodes["row"], dtype=np.int64),
            fast=np.array(nodes["fast"], dtype=np.float64),
            periods=np.array(nodes["periods"], dtype=np.float64).reshape(-1, m),
            covariance=np.array(nodes["covariance"], dtype=np.float64).reshape(-1, m, m),
            slope=None if slope is None else (float(slope[0]), float(slope[1])),
            contrast=float(content["contrast"]),
            outliers=float(content["outliers"]),
            levels=None if content.get("levels") is None else Levels.from_dict(content["levels"]),
            started=None if content["started"] is None else datetime.fromisoformat(content["started"]),
            notes=tuple(content["notes"]),
        )


def observe_lateral(
    scan: Scan,
    standard: Grating | Grid,
    *,
    turned: float | None = None,
    rest: tuple[float, float] | None = None,
    rounds: int = 3,
) -> LateralObservation:
    """Observe a grating or grid in a scan.

    Parameters
    ----------
    scan
        In the commanded frame of reference.
    turned
        Angle to which the standard was turned on the stage, counter-clockwise from scanner x, rad, to within
        45 degrees. By default 0 for a grid; the orientation of a grating is found by itself.
    rest
        Where the scanner rested before, where the scan does not say and the scan before it does.
    rounds
        How often the nodes are refined on the pixels.

    Raises
    ------
    ScanError
        If the scan is no usable image of the standard.
    """
    path = Path(scan, rest)
    images = _images(scan, path, standard)
    relative = None if turned is None and isinstance(standard, Grating) else (turned or 0.0) - scan.rotation
    lattice = find_lattice(images[0][1], standard, relative)
    found: list[tuple[int, PassNodes]] = []
    for index, image in images:
        own = _same_lattice(image, standard, lattice) if found else lattice
        found.append((index, refine(image, own, _coarse(image, own), _used_rows(image, path), rounds)))
    contrast = float(np.mean([nodes.contrast for _, nodes in found]))
    if contrast < _LEAST_CONTRAST:
        raise ScanError(
            f"{scan.label}: the mean profile of {standard.name!r} explains only {contrast:.0%} of the image;"
            " is it a scan of this standard, and in focus?"
        )
    periods = _join_passes(found)
    slope = sample_slope(scan)
    if slope is not None:
        path.plane = (float(np.nanmean(scan.channels["height"])) + (scan.z_centre or 0.0), *slope)
    return LateralObservation(
        label=scan.label,
        path=path,
        standard=standard,
        angle=_angle(lattice, standard) + scan.rotation,
        pass_index=np.concatenate([np.full(nodes.row.size, index) for index, nodes in found]),
        row=np.concatenate([nodes.row for _, nodes in found]),
        fast=np.concatenate([nodes.fast for _, nodes in found]),
        periods=periods,
        covariance=np.concatenate([nodes.covariance for _, nodes in found]),
        slope=slope,
        contrast=contrast,
        outliers=float(np.mean([nodes.outliers for _, nodes in found])),
        levels=plateaus_of_pattern(scan, standard),
        started=scan.started,
        notes=_notes(scan, lattice, images[0][1], found),
    )


def observe_again(scan: Scan, before: LateralObservation, periods: Float) -> LateralObservation:
    """Observe a scan once more, from lattice coordinates that a model expects for all its pixels.

    Parameters
    ----------
    before
        The first observation of the same scan.
    periods
        Shape ``(m, pass, slow, fast)``.
    """
    lattice = _lattice_of(periods, before.path)
    found = []
    for index, image in _images(scan, before.path, before.standard):
        grid = periods[:, index][:, image.rows][:, :, np.searchsorted(scan.fast, image.fast)]
        found.append((index, refine(image, lattice, grid, _used_rows(image, before.path), rounds=2, known=True)))
    return replace(
        before,
        pass_index=np.concatenate([np.full(nodes.row.size, index) for index, nodes in found]),
        row=np.concatenate([nodes.row for _, nodes in found]),
        fast=np.concatenate([nodes.fast for _, nodes in found]),
        # the model has joined the passes already
        periods=np.concatenate([nodes.periods for _, nodes in found]),
        covariance=np.concatenate([nodes.covariance for _, nodes in found]),
        contrast=float(np.mean([nodes.contrast for _, nodes in found])),
        outliers=float(np.mean([nodes.outliers for _, nodes in found])),
    )


def _lattice_of(periods: Float, path: Path) -> Lattice:
    """Mean reciprocal vectors of lattice coordinates over a pass."""
    fast = np.diff(periods[:, 0, :, [0, -1]], axis=0)[0].mean(axis=1) / (path.fast[-1] - path.fast[0])
    slow = (periods[:, 0, -2] - periods[:, 0, 1]).mean(axis=1) / (path.slow[-2] - path.slow[1])
    return Lattice(np.stack([fast, slow], axis=1), np.ones(len(periods)))


def _images(scan: Scan, path: Path, standard: Grating | Grid) -> list[tuple[int, Image]]:
    """Images in each of which all lines were swept the same way; very fine sampling is averaged."""
    pitch = min(value.value for name, value in standard.values().items() if name.startswith("pitch"))
    if path.serpentine:
        return [(0, Image.of(scan, 0, slice(start, None, 2))) for start in (0, 1)]
    fast, slow = (max(1, int(pitch / step / _ENOUGH_PIXELS)) if step else 1 for step in scan.spacing)
    bins = (slow - 1 + slow % 2, fast - 1 + fast % 2)
    # blocks of rows begin behind the first line of the frame, which is not used
    rows = slice(None) if bins[0] == 1 else slice(1, None) if path.upwards else slice(None, -1)
    return [(index, Image.of(scan, index, rows, bins)) for index in range(len(scan.passes))]


def _used_rows(image: Image, path: Path) -> np.ndarray:
    """All rows but the first of the frame in time, which carries what went before."""
    return np.asarray(image.rows != path.sweeps.line[0])


def _same_lattice(image: Image, standard: Grating | Grid, lattice: Lattice) -> Lattice:
    """The lattice of another pass: the peak nearest to the first pass's."""
    f = lattice.frequency
    direction = float(np.arctan2(f[0, 1], f[0, 0]))
    if isinstance(standard, Grating):
        return find_lattice(image, standard, direction)
    gamma = standard.angle.value
    return find_lattice(image, standard, direction + np.pi / 2 - gamma)


def _angle(lattice: Lattice, standard: Grating | Grid) -> float:
    """Angle of the standard's x axis from the scan's fast axis."""
    f = lattice.frequency
    direction = float(np.arctan2(f[0, 1], f[0, 0]))
    if isinstance(standard, Grating):
        return direction
    # of a grid as seen: its mean direction, since skew turns the two axes apart
    second = float(np.arctan2(f[1, 1], f[1, 0])) - np.pi / 2
    first = direction + np.pi / 2 - standard.angle.value
    return first + float(np.angle(np.exp(1j * (second - first)))) / 2


def _coarse(image: Image, lattice: Lattice) -> Float:
    """Lattice coordinates of all pixels by their phase, smoothed and continued to the border."""
    box = (float(image.fast[0]), float(image.fast[-1]), float(image.slow[0]), float(image.slow[-1]))
    degree = int(np.clip(min(image.width, image.length) / lattice.periods.max() / 2, 2, 6))
    found = []
    for phase in phase_maps(image, lattice):
        inside = phase.weight > 0.25
        fast, slow = np.meshgrid(phase.fast, phase.slow)
        weight = np.minimum(phase.weight[inside], 2.0)
        surface = Surface.fit(fast[inside], slow[inside], phase.periods[inside], weight, degree, box)
        found.append(surface.grid(image.fast, image.slow))
    return np.stack(found)


def _join_passes(found: list[tuple[int, PassNodes]]) -> Float:
    """Give all passes one count of periods: where the sweep turns, they meet.

    Trace ends and retrace begins at the far end of the fast axis, up to the little that the turn adds.
    """
    first = found[0][1]
    joined = [first.periods]
    for _, nodes in found[1:]:
        rows = min(first.at_end.shape[1], nodes.at_end.shape[1])
        gap = np.median(nodes.at_end[:, :rows] - first.at_end[:, :rows], axis=1)
        joined.append(nodes.periods - np.round(gap))
    return np.concatenate(joined)


def unknown_cosine(observation: LateralObservation) -> float:
    """Relative standard uncertainty of lengths where nobody knows how the sample lay; zero where its heights tell.

    The cosine of a tilt within 2 degrees of level, as a rectangular limit (common practice, no source).
    """
    return 0.0 if observation.slope is not None else float((1 - np.cos(_LEVEL_WITHIN)) / np.sqrt(3))


def sample_slope(scan: Scan) -> tuple[float, float] | None:
    """Slope of the sample (dz/dx, dz/dy) along scanner axes, as indicated; None where the scan holds no heights."""
    if not scan.has_height:
        return None
    image = Image.of(scan.with_channel("height"), 0)
    fast = np.broadcast_to(image.fast[None, :], image.values.shape)
    slow = np.broadcast_to(image.slow[:, None], image.values.shape)
    thin = (slice(None, None, max(1, fast.shape[0] // 64)), slice(None, None, max(1, fast.shape[1] // 64)))
    good = image.good[thin]
    plane = Surface.fit(
        fast[thin][good],
        slow[thin][good],
        image.values[thin][good],
        np.ones(int(good.sum())),
        1,
        (float(image.fast[0]), float(image.fast[-1]), float(image.slow[0]), float(image.slow[-1])),
    )
    along = plane.coefficients[1, 0] * 2 / (image.fast[-1] - image.fast[0])
    across = plane.coefficients[0, 1] * 2 / (image.slow[-1] - image.slow[0])
    (fx, fy), (sx, sy) = scan.axes
    return float(along * fx + across * sx), float(along * fy + across * sy)


def _notes(scan: Scan, lattice: Lattice, image: Image, found: list[tuple[int, PassNodes]]) -> tuple[str, ...]:
    notes = []
    periods = [max(abs(f[0]) * image.width, abs(f[1]) * image.length) for f in lattice.frequency]
    if min(periods) < 5:
        notes.append(f"only {min(periods):.1f} periods in the image: at least 5 are needed for a pitch to be sure of")
    lost = sum(len(nodes.rejected) for _, nodes in found)
    total = lost + sum(nodes.row.size for _, nodes in found)
    if lost > 0.02 * total:
        notes.append(f"{lost} of {total} patches of the image were left out, as the pattern can't be followed there")
    outliers = max(nodes.outliers for _, nodes in found)
    if outliers > 0.03:
        notes.append(f"{outliers:.0%} of the pixels were left out as dust or line artefacts")
    if scan.frame is None:
        notes.append("the scan does not say whether its frame ran up or down; up is assumed")
    if scan.line_period is None:
        notes.append("the scan does not say its line period; creep, drift and lag are left out")
    return tuple(notes)
