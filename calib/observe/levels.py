"""Heights on plateaus: where a flat, the two levels of a step, or the tops and bottoms of a grating are seen to lie.

The image is cut into blocks. In each block the pixels well inside a plateau give one height a level. What they are
worth together (bow, gain, the height of a step) is for the joint fit of heights to say.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

import numpy as np

from calib.errors import ScanError, StandardError
from calib.observe.image import Image
from calib.path import Path
from calib.scan import Scan
from calib.scanner.effect import Float
from calib.standard import Flat, Grating, Grid, Standard

_BLOCKS = 16  # along each side
_LEAST_PART = 0.1  # of a block's pixels for a level to count


@dataclass(frozen=True, eq=False)
class Pixels:
    """The pixels behind the nodes of a scan, kept only while a calibration is solved.

    Attributes
    ----------
    heights
        Indicated, m, shape ``(pass, slow, fast)``.
    node
        To which node each pixel belongs, of the same shape; -1 for none.
    z_centre
        What the heights are about, m from the middle of the z range; None if unknown.
    """

    heights: Float
    node: np.ndarray
    z_centre: float | None

    def means(self, images: Callable[[np.ndarray], Iterable[Float]]) -> Float:
        """Mean over the pixels of each node of images that are given at some pixels; shape ``(images, nodes)``."""
        used = self.node >= 0
        node = self.node[used]
        count = np.maximum(np.bincount(node), 1)
        return np.stack([np.bincount(node, image) / count for image in images(used)])


@dataclass(frozen=True, eq=False)
class Levels:
    """Mean indicated heights of plateaus, one node a block and level; all arrays have shape ``(nodes,)``.

    Attributes
    ----------
    pass_index
        Index of the pass.
    fast, slow
        Mean scan coordinates of the pixels, m.
    height
        Indicated, m; about the middle of the z range if `centred`.
    sd
        Standard deviation by the noise of the pixels, m.
    high
        Whether the node lies on the upper level, 0 or 1.
    centred
        Whether the place in the z range is known.
    history
        What each operator on the history of heights adds at the nodes, m, shape ``(weights, nodes)``; None where the
        model of the scanner has none.
    pixels
        Behind the nodes, where they are still at hand; they are not stored in files.
    """

    pass_index: np.ndarray
    fast: Float
    slow: Float
    height: Float
    sd: Float
    high: np.ndarray
    centred: bool
    history: Float | None = None
    pixels: Pixels | None = field(default=None, repr=False)

    @property
    def size(self) -> int:
        """How many nodes there are."""
        return int(self.height.size)

    def to_dict(self) -> dict[str, Any]:
        """Return the nodes as a JSON object, SI units."""
        return {
            "pass": self.pass_index.tolist(),
            "fast": self.fast.tolist(),
            "slow": self.slow.tolist(),
            "height": self.height.tolist(),
            "sd": self.sd.tolist(),
            "high": self.high.astype(int).tolist(),
            "centred": self.centred,
            **({} if self.history is None else {"history": self.history.tolist()}),
        }

    def settled(self, history: Float | None) -> Levels:
        """Return the nodes as a model keeps them: with their history, without the pixels behind them."""
        return replace(self, history=history, pixels=None)

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> Levels:
        """Return the nodes that :meth:`to_dict` described."""
        history = content.get("history")
        return cls(
            pass_index=np.array(content["pass"], dtype=np.int64),
            fast=np.array(content["fast"], dtype=np.float64),
            slow=np.array(content["slow"], dtype=np.float64),
            height=np.array(content["height"], dtype=np.float64),
            sd=np.array(content["sd"], dtype=np.float64),
            high=np.array(content["high"], dtype=np.int64),
            centred=bool(content["centred"]),
            history=None if history is None else np.array(history, dtype=np.float64).reshape(len(history), -1),
        )


@dataclass(frozen=True, eq=False)
class FlatObservation:
    """A flat as the instrument shows it.

    Attributes
    ----------
    label, path, standard, started, notes
        As of other observations.
    levels
        Its heights.
    """

    label: str
    path: Path
    standard: Flat
    levels: Levels
    started: datetime | None = None
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the observation as a JSON object, SI units."""
        return {
            "kind": "flat",
            "label": self.label,
            "path": self.path.to_dict(),
            "standard": self.standard.to_dict(),
            "levels": self.levels.to_dict(),
            "started": None if self.started is None else self.started.isoformat(),
            "notes": list(self.notes),
        }

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> FlatObservation:
        """Return the observation that :meth:`to_dict` described."""
        standard = Standard.from_dict(content["standard"])
        if not isinstance(standard, Flat):
            raise StandardError(f"{standard.name!r} is no flat.")
        return cls(
            label=content["label"],
            path=Path.from_dict(content["path"]),
            standard=standard,
            levels=Levels.from_dict(content["levels"]),
            started=None if content["started"] is None else datetime.fromisoformat(content["started"]),
            notes=tuple(content["notes"]),
        )


def observe_flat(scan: Scan, standard: Flat, *, rest: tuple[float, float] | None = None) -> FlatObservation:
    """Observe a flat in a scan.

    Raises
    ------
    ScanError
        If the scan holds no heights.
    """
    if not scan.has_height:
        raise ScanError(
            f"{scan.label}: it holds no heights, only {', '.join(map(repr, scan.channels))}, so the flat"
            f" {standard.name!r} can't be measured in it."
        )
    scan = scan.with_channel("height")
    parts = []
    for index in range(len(scan.passes)):
        image = Image.of(scan, index)
        parts.append(_nodes(image, index, image.good, np.zeros(image.values.shape, dtype=bool)))
    notes = [] if scan.z_centre is not None else ["the scan does not say where in the z range it was taken (z_centre)"]
    beyond = [side for side, area in zip(sorted(scan.size), sorted(standard.area), strict=True) if side > 1.001 * area]
    if beyond:
        notes.append(f"the scan is larger than the area for which the flatness of {standard.name!r} is certified")
    return FlatObservation(scan.label, Path(scan, rest), standard, _joined(parts, scan), scan.started, tuple(notes))


def plateaus_of_pattern(scan: Scan, standard: Grating | Grid) -> Levels | None:
    """Heights of the tops and bottoms of a grating or grid; None if the scan shows no heights or no two levels."""
    if not scan.has_height:
        return None
    scan = scan.with_channel("height")
    pitch = min(value.value for name, value in standard.values().items() if name.startswith("pitch"))
    parts = []
    for index in range(len(scan.passes)):
        image = Image.of(scan, index)
        masks = _two_levels(image, pitch)
        if masks is None:
            return None
        parts.append(_nodes(image, index, *masks))
    levels = _joined(parts, scan)
    return levels if min(np.sum(levels.high == 1), np.sum(levels.high == 0)) >= 8 else None


def levels_of_masks(scan: Scan, masks: list[tuple[np.ndarray, np.ndarray]]) -> Levels:
    """Heights where pixels are known to lie on one of two levels.

    Parameters
    ----------
    masks
        For each pass which pixels count, and which of them are high; bool, shape ``(slow, fast)``.
    """
    parts = [_nodes(Image.of(scan, index), index, *mask) for index, mask in enumerate(masks)]
    return _joined(parts, scan)


def _joined(parts: list[dict[str, np.ndarray]], scan: Scan) -> Levels:
    node, count = np.full(scan.shape, -1, dtype=np.int32), 0
    for index, part in enumerate(parts):
        inside = part.pop("node")
        node[index, part.pop("rows")] = np.where(inside >= 0, inside + count, -1)
        count += part["height"].size
    joined = {key: np.concatenate([part[key] for part in parts]) for key in parts[0]}
    if scan.z_centre is not None:
        joined["height"] = joined["height"] + scan.z_centre
    pixels = Pixels(np.asarray(scan.height), node, scan.z_centre)
    return Levels(**joined, centred=scan.z_centre is not None, pixels=pixels)


def _nodes(image: Image, index: int, use: np.ndarray, high: np.ndarray) -> dict[str, np.ndarray]:
    """Means over the used pixels of each block and level; spikes and dust are left out."""
    rows, columns = image.values.shape
    tall, wide = min(_BLOCKS, rows // 4), min(_BLOCKS, columns // 4)
    block = (np.arange(rows) * tall // rows)[:, None] * wide + (np.arange(columns) * wide // columns)[None, :]
    label = 2 * block + high
    values = np.where(image.good, image.values, 0.0)
    use = use & image.good
    fast, slow = np.broadcast_to(image.fast, values.shape), np.broadcast_to(image.slow[:, None], values.shape)
    per_block = rows * columns / (tall * wide)
    for _ in range(4):
        rest = values - _local_plane(values, fast, slow, label, use, 2 * tall * wide)
        spread = 1.48 * float(np.median(np.abs(rest[use]))) + 1e-300
        kept = use & (np.abs(rest) < 5 * spread)
        if kept.sum() == use.sum():
            break
        use = kept
    count = np.bincount(label[use], minlength=2 * tall * wide)
    size = np.maximum(count, 1)

    def average(what: Float) -> Float:
        return np.asarray(np.bincount(label[use], what[use], minlength=2 * tall * wide) / size)

    mean = average(values)
    rest2 = average((values - _local_plane(values, fast, slow, label, use, 2 * tall * wide)) ** 2)
    sd = np.sqrt(rest2 / size)
    enough = count > _LEAST_PART * per_block
    number = np.where(enough, np.cumsum(enough) - 1, -1)
    return {
        "pass_index": np.full(int(enough.sum()), index),
        "fast": average(fast)[enough],
        "slow": average(slow)[enough],
        "height": mean[enough],
        "sd": np.maximum(sd[enough], 1e-13),
        "high": np.arange(2 * tall * wide)[enough] % 2,
        "node": np.where(use, number[label], -1),
        "rows": image.rows,
    }


def _local_plane(values: Float, fast: Float, slow: Float, label: np.ndarray, use: np.ndarray, most: int) -> Float:
    """Plane through the used pixels of each label, so that a tilt is no noise; shape of the image."""
    size = np.maximum(np.bincount(label[use], minlength=most), 1)

    def mean(what: Float) -> Float:
        return np.asarray(np.bincount(label[use], what[use], minlength=most) / size)

    middle = mean(fast), mean(slow), mean(values)
    f, s, v = fast - middle[0][label], slow - middle[1][label], values - middle[2][label]
    ff, ss, fs = mean(f * f), mean(s * s), mean(f * s)
    det = ff * ss - fs**2
    fine = det > 1e-6 * np.maximum(ff * ss, 1e-300)
    inverse = np.where(fine, 1 / np.where(fine, det, 1.0), 0.0)
    fv, sv = mean(f * v), mean(s * v)
    along, across = inverse * (ss * fv - fs * sv), inverse * (ff * sv - fs * fv)
    return np.asarray(middle[2][label] + along[label] * f + across[label] * s)


def _two_levels(image: Image, pitch: float) -> tuple[np.ndarray, np.ndarray] | None:
    """Pixels well inside the tops and bottoms of a periodic pattern, and which are high; None without two levels."""
    from scipy import ndimage
    from skimage.filters import threshold_otsu

    periods = [max(3, int(np.rint(pitch / step)) | 1) for step in (image.step_slow, image.step_fast)]
    if min(image.values.shape) < 2 * max(periods) or max(periods) < 8:
        return None
    filled = np.where(image.good, image.flat(clip=True), 0.0)
    # the mean over a period is the background, whatever its shape
    level = filled - ndimage.uniform_filter(filled, periods, mode="nearest")
    level = ndimage.median_filter(level, 3)
    threshold = float(threshold_otsu(level))  # type: ignore[no-untyped-call]
    high = level > threshold
    low_level, high_level = float(np.median(level[~high])), float(np.median(level[high]))
    spread = 1.48 * float(np.median(np.abs(level - np.where(high, high_level, low_level))))
    if not high_level - low_level > 6 * spread:
        return None
    margin = np.ones([max(3, 2 * int(period / 12) + 1) for period in periods], dtype=bool)
    inside_high = ndimage.binary_erosion(high, margin, border_value=1)
    inside_low = ndimage.binary_erosion(~high, margin, border_value=1)
    return (inside_high | inside_low) & image.good, high
