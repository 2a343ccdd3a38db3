"""Flatness deviation and measurement noise, from scans of flats."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from calib.locate import true_height
from calib.scanner.effect import Float
from calib.standard import Flat
from calib.units import show
from calib.verification.characteristic import Characteristic, positive
from calib.verification.extremes import without_noise
from calib.verification.seen import Seen

_BLOCKS = 16
_BATCHES = 16


def flatness(seen: Seen) -> Characteristic:
    """Return z_FLT: highest less lowest place of a corrected flat, its plane taken out.

    Heights are means over blocks of the image without spikes and dust, and over the passes. The certificate's own
    flatness is uncertainty, since nobody knows where on the flat it lies.
    """
    found, flat = seen.levels(), seen.standard
    assert found is not None
    assert isinstance(flat, Flat)
    fast, slow, height, sd, _ = found
    label = _cell(fast) * _BLOCKS + _cell(slow)
    used, label, count = np.unique(label, return_inverse=True, return_counts=True)
    mean = np.zeros((label.size, used.size))
    mean[np.arange(label.size), label] = 1 / count[label]
    fast, slow, height, sd = fast @ mean, slow @ mean, height @ mean, np.sqrt(sd**2 @ mean**2)
    size = max(float(np.ptp(fast)), float(np.ptp(slow)), 1e-300)
    design = np.column_stack([np.ones(used.size), (fast - fast.mean()) / size, (slow - slow.mean()) / size])
    rest = height - design @ np.linalg.lstsq(design, height, rcond=None)[0]
    value, parts = without_noise(lambda numbers: np.ptp(numbers, axis=-1), rest, sd, np.zeros((0, rest.size)))
    # two places of the surface, each unsure by the certificate
    parts["certificate"] = float(np.sqrt(2)) * flat.flatness.u
    bow = seen.model.height.bow_uncertainty(_positions(seen, fast, slow))
    notes = () if parts["noise"] < 0.3 * max(value, 1e-15) else ("little more than noise: scan more slowly",)
    return Characteristic(
        "flatness",
        value,
        positive(parts),
        (seen.label,),
        (flat.name,),
        seen.independent,
        of_model=float(np.sqrt(2) * np.sqrt(np.mean(bow**2))) if seen.model.height.bow is not None else None,
        conditions=" x ".join(show(side) for side in seen.scan.size),
        notes=notes,
    )


def noise(flats: Sequence[Seen]) -> Characteristic | None:
    """Return N_M by the subtraction method (ISO 25178-700): Sq of the difference of two repeated scans over √2.

    Of more than two repeated scans, successive ones are paired, and the pairs' mean square counts. A plane is taken out
    of each difference, which is drift.
    """
    pairs = [(one, other) for group in _repeated(flats) for one, other in pairwise(group)]
    if not pairs:
        return None
    batches = np.concatenate([_mean_squares(one, other) for one, other in pairs])
    square = float(batches.mean())
    value = float(np.sqrt(square / 2))
    # successive pairs share a scan, so that not every pair is news
    news = batches.size * (len(pairs) + 1) / (2 * len(pairs))
    u_square = float(batches.std(ddof=1)) / float(np.sqrt(news))
    gain = pairs[0][0].model.height
    parts = {
        "scatter from line to line": u_square / (4 * value) if value else 0.0,
        "gain of heights": value * float(np.sqrt(gain.covariance[0, 0])) / abs(float(gain.values[0])),
    }
    scans = list(dict.fromkeys(seen.label for pair in pairs for seen in pair))
    return Characteristic(
        "noise",
        value,
        positive(parts),
        tuple(scans),
        tuple(dict.fromkeys(one.standard.name for one, _ in pairs)),
        all(one.independent for one, _ in pairs),
        dof={"scatter from line to line": max(news - 1.0, 1.0)},
        conditions=f"{len(pairs)} {'pair' if len(pairs) == 1 else 'pairs'} of scans,"
        f" {' x '.join(show(side) for side in pairs[0][0].scan.size)}",
    )


def _repeated(flats: Sequence[Seen]) -> list[list[Seen]]:
    """Flats of one identity that were commanded alike, at least twice."""
    alike: dict[tuple[object, ...], list[Seen]] = {}
    for seen in flats:
        alike.setdefault((seen.standard.identity, *seen.frame), []).append(seen)
    return [group for group in alike.values() if len(group) > 1]


def _mean_squares(one: Seen, other: Seen) -> Float:
    """Mean squares of the difference of two scans in batches of lines, m², all passes together."""
    heights = [true_height(seen.model, seen.scan, False)[0] for seen in (one, other)]
    found = []
    for difference in heights[0] - heights[1]:
        good = np.isfinite(difference)
        slow, fast = np.mgrid[-1 : 1 : difference.shape[0] * 1j, -1 : 1 : difference.shape[1] * 1j]
        design = np.column_stack([np.ones(int(good.sum())), fast[good], slow[good]])
        plane = np.linalg.lstsq(design, difference[good], rcond=None)[0]
        rest = difference - plane[0] - plane[1] * fast - plane[2] * slow
        found.append([float(np.nanmean(lines**2)) for lines in np.array_split(rest, min(_BATCHES, len(rest)))])
    return np.concatenate(found)


def _cell(place: Float) -> np.ndarray:
    width = max(float(np.ptp(place)), 1e-300)
    return np.asarray(np.minimum(((place - place.min()) / width * _BLOCKS).astype(np.int64), _BLOCKS - 1))


def _positions(seen: Seen, fast: Float, slow: Float) -> Float:
    assert seen.flat is not None
    return seen.flat.path.at(fast, slow)
