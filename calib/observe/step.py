"""Scan of a step + standard -> indicated step height, after ISO 5436-1 (profiles) and the same for areas.

Two parallel lines are fitted to the plateaus of every line, with what lies near an edge left out: of a groove or ridge
of width w its central third is used, and outside it what lies from w/3 to w beyond an edge (ISO 5436-1:2000, type A1,
from memory). A single edge, and a row of features, are treated by the same rule. Every line gives a value; their
spread, with its correlation from line to line, gives the noise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from calib.errors import ScanError, StandardError
from calib.observe.image import Image
from calib.observe.levels import Levels, levels_of_masks
from calib.path import Path
from calib.scan import Scan
from calib.scanner.effect import Float
from calib.standard import Standard, Step, Value

_MOST_EDGES = 60


@dataclass(frozen=True, eq=False)
class StepObservation:
    """The height of a step as the instrument indicates it.

    Attributes
    ----------
    label
        Name of the scan.
    path
        Its commanded path.
    standard
        What was scanned.
    indicated
        Height of the step, normal to the plateaus, m; positive.
    u
        Its standard uncertainty by the noise of the lines, m.
    dof
        Degrees of freedom of that.
    by_pass
        The same for each pass alone, m.
    area
        Height by one fit to the whole image, m.
    low, high
        Mean indicated heights of the two plateaus about the middle of the z range, m; NaN if that is unknown.
    tilt
        Angle between the plateaus and the scanner's x-y plane, as indicated, rad.
    width
        Width w of the features, m.
    edges
        How many edges there are.
    lines
        How many lines gave a value, over all passes.
    levels
        Heights of the plateaus all over the image; None in files before version 1.1 of models.
    started
        When the frame began.
    notes
        What a user should know of it.
    """

    label: str
    path: Path
    standard: Step
    indicated: float
    u: float
    dof: float
    by_pass: tuple[float, ...]
    area: float
    low: float
    high: float
    tilt: float
    width: float
    edges: int
    lines: int
    levels: Levels | None = None
    started: datetime | None = None
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the observation as a JSON object, SI units."""
        plain = {name: getattr(self, name) for name in _PLAIN}
        return {
            "kind": "step",
            **{name: None if isinstance(v, float) and np.isnan(v) else v for name, v in plain.items()},
            "path": self.path.to_dict(),
            "standard": self.standard.to_dict(),
            "by_pass": list(self.by_pass),
            "levels": None if self.levels is None else self.levels.to_dict(),
            "started": None if self.started is None else self.started.isoformat(),
            "notes": list(self.notes),
        }

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> StepObservation:
        """Return the observation that :meth:`to_dict` described."""
        standard = Standard.from_dict(content["standard"])
        if not isinstance(standard, Step):
            raise StandardError(f"{standard.name!r} is no step.")
        plain: dict[str, Any] = {name: np.nan if content[name] is None else content[name] for name in _PLAIN}
        return cls(
            **plain,
            path=Path.from_dict(content["path"]),
            standard=standard,
            by_pass=tuple(float(v) for v in content["by_pass"]),
            levels=None if content.get("levels") is None else Levels.from_dict(content["levels"]),
            started=None if content["started"] is None else datetime.fromisoformat(content["started"]),
            notes=tuple(content["notes"]),
        )


_PLAIN = ("label", "indicated", "u", "dof", "area", "low", "high", "tilt", "width", "edges", "lines")


@dataclass(frozen=True)
class _Layout:
    """Where the plateaus are: which pixels count, and which of them are high."""

    use: np.ndarray
    high: np.ndarray
    width: float
    edges: int
    along_fast: bool


def observe_step(scan: Scan, standard: Step, *, rest: tuple[float, float] | None = None) -> StepObservation:
    """Observe a step in a scan.

    Raises
    ------
    ScanError
        If the scan holds no heights, or no step like the standard's.
    """
    if scan.channel != "height":
        scan = scan.with_channel("height") if scan.has_height else _refuse(scan, standard)
    path = Path(scan, rest)
    values, areas, noises, plateaus = [], [], [], []
    masks: list[tuple[np.ndarray, np.ndarray]] = []
    tilt, count, layout = 0.0, 0, None
    for index in range(len(scan.passes)):
        image = Image.of(scan, index)
        layout = _find(image, standard)
        masks.append((layout.use, layout.high))
        heights = _by_line(image, layout)
        if heights.size < 8:
            raise ScanError(f"{image.label}: too few lines cross the step of {standard.name!r}; scan a larger field.")
        area, slope, levels = _by_area(image, layout)
        tilt = float(np.arctan(np.hypot(*slope)))
        value, u, dof = _mean(heights)
        values.append(value * np.cos(tilt))
        noises.append((u * np.cos(tilt), dof))
        areas.append(area * np.cos(tilt))
        plateaus.append(levels)
        count += heights.size
    assert layout is not None
    indicated = float(np.mean(values))
    u = float(np.sqrt(sum(noise**2 for noise, _ in noises))) / len(noises)
    dof = u**4 / sum((noise / len(noises)) ** 4 / d for noise, d in noises) if u > 0 else 1e6
    if not 0.4 < indicated / standard.height.value < 2.5:
        raise ScanError(
            f"{scan.label}: the step in it is {indicated * 1e9:.4g} nm high as indicated, but {standard.name!r} is"
            f" {standard.height.value * 1e9:.4g} nm; name the right standard, or correct the unit of the heights."
        )
    low, high = (float(level) for level in np.mean(plateaus, axis=0))
    centre = np.nan if scan.z_centre is None else scan.z_centre
    return StepObservation(
        label=scan.label,
        path=path,
        standard=standard,
        indicated=indicated,
        u=u,
        dof=float(dof),
        by_pass=tuple(float(v) for v in values),
        area=float(np.mean(areas)),
        low=low + centre,
        high=high + centre,
        tilt=tilt,
        width=layout.width,
        edges=layout.edges,
        lines=count,
        levels=levels_of_masks(scan, masks),
        started=scan.started,
        notes=_notes(scan, layout, values, u, tilt),
    )


def rough_height(scan: Scan) -> float:
    """Height of whatever step is most to be seen in a scan, as indicated, m: good enough for a nominal height.

    Raises
    ------
    ScanError
        If the scan holds no heights, or no step.
    """
    unknown = Step(name="a step", height=Value(0.0, 0.0))
    image = Image.of(scan.with_channel("height") if scan.has_height else _refuse(scan, unknown), 0)
    return abs(_by_area(image, _find(image, unknown))[0])


def _refuse(scan: Scan, standard: Step) -> Scan:
    raise ScanError(
        f"{scan.label}: it holds no heights, only {', '.join(map(repr, scan.channels))},"
        f" so the step {standard.name!r} can't be measured in it."
    )


def _find(image: Image, standard: Step) -> _Layout:
    """Find the edges: their direction, where they are, and which side is high."""
    from scipy import ndimage

    fast, slow = np.meshgrid(image.fast, image.slow)
    values, good = image.values, image.good
    filled = np.where(good, values, np.median(values[good]))
    # most pixels lie on a plateau, so the middle of all differences is the slope of the plateaus
    slope_fast = float(np.median(np.diff(filled, axis=1))) / image.step_fast
    slope_slow = float(np.median(np.diff(filled, axis=0))) / image.step_slow
    level = filled - slope_fast * fast - slope_slow * slow
    level = _even_rows(level)
    smooth = ndimage.gaussian_filter(ndimage.median_filter(level, 3), [n / 100 for n in level.shape])
    g_slow, g_fast = np.gradient(smooth, image.step_slow, image.step_fast)
    # orientation of the gradient, by its structure tensor: edges of either sign agree
    direction = 0.5 * np.arctan2(2 * np.sum(g_fast * g_slow), np.sum(g_fast**2) - np.sum(g_slow**2))
    across = np.cos(direction) * fast + np.sin(direction) * slow
    step = max(image.step_fast, image.step_slow)
    bins = np.floor((across - across.min()) / step).astype(np.int64)
    count = np.bincount(bins.ravel())
    profile = np.bincount(bins.ravel(), smooth.ravel()) / np.maximum(count, 1)
    at = across.min() + (np.arange(profile.size) + 0.5) * step
    full = count > 0.25 * np.median(count)
    profile, at = profile[full], at[full]
    edges, rising = _edges(profile, at)
    if not edges.size or edges.size > _MOST_EDGES:
        raise ScanError(
            f"{image.label}: no step like {standard.name!r} is to be seen in it; is it a scan of this standard?"
        )
    limits = np.concatenate([[at[0]], edges, [at[-1]]])
    lengths = np.diff(limits)
    width = float(np.median(lengths[1:-1])) if edges.size > 1 else float(lengths.min())
    if edges.size > 2:
        width = float(min(np.median(lengths[1:-1][0::2]), np.median(lengths[1:-1][1::2])))
    nearest = np.min(np.abs(across[..., None] - edges), axis=-1) if edges.size < 8 else _nearest(across, edges)
    use = good & (nearest >= width / 3) & (nearest <= width)
    segment = np.searchsorted(edges, across)
    high = (segment % 2 == 0) != rising[0]
    return _Layout(use, high, width, int(edges.size), abs(np.cos(direction)) >= np.sqrt(0.5))


def _even_rows(level: Float) -> Float:
    """Take out offsets from row to row, which are drift and noise of the slow axis, where a step runs across rows.

    The middle of the differences between neighbouring rows is their offset, so long as most pixels are on a plateau
    in both; a step along the rows changes all pixels of a row at once and is kept.
    """
    shift = np.median(np.diff(level, axis=0), axis=1)
    typical = 6 * 1.48 * float(np.median(np.abs(shift))) + 1e-300
    shift = np.where(np.abs(shift) < typical, shift, 0.0)
    return np.asarray(level - np.concatenate([[0.0], np.cumsum(shift)])[:, None])


def _edges(profile: Float, at: Float) -> tuple[Float, np.ndarray]:
    """Crossings of the middle level, with hysteresis so that noise crosses once."""
    from skimage.filters import threshold_otsu

    threshold = float(threshold_otsu(profile))  # type: ignore[no-untyped-call]
    low, high = float(np.median(profile[profile <= threshold])), float(np.median(profile[profile > threshold]))
    swing = (high - low) / 4
    spread = 1.48 * max(
        float(np.median(np.abs(part - middle)))
        for part, middle in ((profile[profile <= threshold], low), (profile[profile > threshold], high))
    )
    if not swing > 0 or spread > swing:
        return np.zeros(0), np.zeros(0, dtype=bool)
    middle = (high + low) / 2
    state = np.where(profile > middle + swing, 1, np.where(profile < middle - swing, -1, 0))
    known = np.nonzero(state)[0]
    change = np.nonzero(np.diff(state[known]))[0]
    edges, rising = [], []
    for k in change:
        first, last = known[k], known[k + 1]
        part = slice(first, last + 1)
        order = np.argsort(profile[part])
        edges.append(float(np.interp(middle, profile[part][order], at[part][order])))
        rising.append(bool(state[last] > 0))
    return np.array(edges), np.array(rising, dtype=bool)


def _nearest(across: Float, edges: Float) -> Float:
    after = np.clip(np.searchsorted(edges, across), 1, edges.size - 1)
    return np.asarray(np.minimum(np.abs(across - edges[after - 1]), np.abs(across - edges[after])))


def _by_line(image: Image, layout: _Layout) -> Float:
    """Step height of every profile across the edges, m; those that see too little of a plateau are left out."""
    values, use, high = image.values, layout.use, layout.high
    place = (image.fast - image.fast.mean()) / image.width
    if not layout.along_fast:
        values, use, high = values.T, use.T, high.T
        place = (image.slow - image.slow.mean()) / image.length
    filled = np.where(use, values, 0.0)
    weight = use.astype(np.float64)
    heights = np.full(len(values), np.nan)
    for _ in range(3):
        design = [np.broadcast_to(place, values.shape), np.ones_like(filled), high.astype(np.float64)]
        normal = np.stack([np.stack([np.sum(weight * a * b, axis=1) for b in design], -1) for a in design], -2)
        right = np.stack([np.sum(weight * a * filled, axis=1) for a in design], -1)
        seen_high = np.sum(weight * high, axis=1)
        seen_low = np.sum(weight * ~high, axis=1)
        total = use.sum(axis=1)
        fine = (seen_high > 3) & (seen_low > 3) & (total > 0.5 * np.median(total))
        fit = np.zeros((len(values), 3))
        fit[fine] = np.linalg.solve(normal[fine] + 1e-12 * np.eye(3), right[fine][..., None])[..., 0]
        rest = filled - sum(fit[:, k, None] * design[k] for k in range(3))
        if not fine.any():
            break
        spread = 1.48 * float(np.median(np.abs(rest[fine][use[fine]]))) + 1e-300
        weight = use * np.clip(1 - (rest / (6 * spread)) ** 2, 0, None) ** 2
        heights = np.where(fine, fit[:, 2], np.nan)
    return np.asarray(heights[np.isfinite(heights)])


def _by_area(image: Image, layout: _Layout) -> tuple[float, tuple[float, float], tuple[float, float]]:
    """Step height, slope (fast, slow) and mean levels (low, high) by one plane with a step."""
    use, high = layout.use, layout.high
    fast, slow = np.meshgrid(image.fast, image.slow)
    design = np.stack(
        [np.ones(int(use.sum())), fast[use] / image.width, slow[use] / image.length, high[use].astype(np.float64)], 1
    )
    data = image.values[use]
    weight = np.ones(data.size)
    fit = np.zeros(4)
    for _ in range(4):
        fit = np.linalg.lstsq(design * weight[:, None], data * weight, rcond=None)[0]
        rest = data - design @ fit
        spread = 1.48 * float(np.median(np.abs(rest))) + 1e-300
        weight = np.clip(1 - (rest / (6 * spread)) ** 2, 0, None)
    low = float(np.mean(data[~high[use]])) if np.any(~high[use]) else np.nan
    top = float(np.mean(data[high[use]])) if np.any(high[use]) else np.nan
    return float(fit[3]), (float(fit[1]) / image.width, float(fit[2]) / image.length), (low, top)


def _mean(heights: Float) -> tuple[float, float, float]:
    """Robust mean of the lines' values, its standard uncertainty and degrees of freedom.

    Neighbouring lines are alike (drift, streaks), so the noise is taken from the means of batches of lines
    (batch means, e.g. Law & Kelton, Simulation Modeling and Analysis; from memory).
    """
    middle = float(np.median(heights))
    spread = 1.48 * float(np.median(np.abs(heights - middle)))
    kept = heights[np.abs(heights - middle) <= 6 * spread + 1e-300]
    batches = min(16, kept.size // 2)
    means = np.array([batch.mean() for batch in np.array_split(kept, batches)])
    u = float(means.std(ddof=1)) / np.sqrt(batches)
    return float(kept.mean()), u, float(batches - 1)


def _notes(scan: Scan, layout: _Layout, values: list[float], u: float, tilt: float) -> tuple[str, ...]:
    notes = []
    if layout.edges == 1:
        notes.append(
            "only one edge is in the scan, so curvature of the scanner enters the height; show both edges of a ridge"
        )
    if not layout.along_fast:
        notes.append(
            "the edges run along the fast axis, so drift of height enters the step; turn the scan by 90 degrees"
        )
    if len(values) == 2 and abs(values[0] - values[1]) > 6 * u + 1e-12:
        notes.append(f"trace and retrace differ by {abs(values[0] - values[1]) * 1e9:.2g} nm")
    if tilt > np.deg2rad(3):
        notes.append(f"the step is tilted by {np.rad2deg(tilt):.1f} degrees; level it better")
    if scan.z_centre is None:
        notes.append("the scan does not say where in the z range it was taken (z_centre)")
    return tuple(notes)
