"""A scan between two models: the covariance of their mean, and the scan on a regular grid of true coordinates."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from calib.model import Model
from calib.path import Path, Samples
from calib.resample import invert, sample
from calib.scan import Scan
from calib.scanner.effect import Float

_COARSE = 25  # points along each axis on which uncertainties are computed; they are smooth


def joint_root(
    models: Sequence[Model],
    parts: Sequence[float],
    common: tuple[Float, Float] | None,
    path: Path,
    samples: Samples,
) -> Float:
    """Root of the covariance of a weighted mean of what models predict, so far as it comes from their coefficients.

    Parameters
    ----------
    parts
        Weights of the models.
    common
        What their coefficients move by together, see :func:`calib.comparing.in_common`.

    Returns
    -------
    Array of shape ``(2, roots, samples)``.
    """
    roots: list[Float] = []
    together: Float | None = None
    for k, (model, part) in enumerate(zip(models, parts, strict=True)):
        shared = model.motion.shared(path, samples)
        jacobian = part * model.motion.jacobian(samples, model.values, shared)
        covariance = model.covariance
        if common is not None:
            covariance = covariance - common[k] @ common[k].T
            moved = np.einsum("icn,cp->ipn", jacobian, common[k])
            together = moved if together is None else together + moved
        # coefficients have different units: of the correlation matrix, so that no direction is lost for its unit
        sd = np.sqrt(np.diag(model.covariance))
        scale = np.where(sd > 0, sd, 1.0)
        eigenvalues, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
        own = scale[:, None] * vectors * np.sqrt(np.clip(eigenvalues, 0, None))
        roots.append(np.einsum("icn,cp->ipn", jacobian, own))
    return np.concatenate(roots if together is None else [*roots, together], axis=1)


def smooth(path: Path, of: Callable[[Samples], Float]) -> Float:
    """Evaluate a smooth function of both axes on a coarse mesh; for all pixels, shape ``(2, pass, slow, fast)``."""
    from scipy import ndimage

    passes, slow, fast = path.scan_shape
    rows, columns = (
        np.unique(np.linspace(0, count - 1, min(_COARSE, count)).round().astype(np.int64)) for count in (slow, fast)
    )
    index, row, place = np.meshgrid(np.arange(passes), rows, path.fast[columns], indexing="ij")
    coarse = of(path.samples(index, row, place)).reshape(2, passes, rows.size, columns.size)
    at = np.meshgrid(
        np.interp(np.arange(slow), rows, np.arange(rows.size)),
        np.interp(np.arange(fast), columns, np.arange(columns.size)),
        indexing="ij",
    )
    return np.stack([[ndimage.map_coordinates(one, at, order=1) for one in axis] for axis in coarse])


def on_true_grid(
    scan: Scan,
    position: Float,
    channels: Mapping[str, tuple[Float, str]],
    attributes: Mapping[str, Any],
    notes: Sequence[str],
) -> Scan:
    """Return a scan on a regular grid of true coordinates, as :func:`calib.correct.correct` does.

    Parameters
    ----------
    position
        True position of all pixels, m, shape ``(2, pass, slow, fast)``.
    channels
        Values and unit of each.
    attributes, notes
        What is added to those of the scan.
    """
    (fx, fy), (sx, sy) = scan.axes
    x, y = position
    fast, slow = fx * x + fy * y, sx * x + sy * y
    grid_fast, centre_fast = _grid(fast, axis=2)
    grid_slow, centre_slow = _grid(slow, axis=1)
    maps = [invert(f, s, grid_fast + centre_fast, grid_slow + centre_slow) for f, s in zip(fast, slow, strict=True)]
    said = list(notes)
    if unsettled := sum(where.unsettled for where in maps):
        said.append(f"{unsettled} points have no data, since the map could not be inverted there")
    kept = dict(scan.attributes)
    if "sha256" in kept:
        kept["source_sha256"] = kept.pop("sha256")
    return scan.replace(
        channels={
            name: np.stack([sample(one, where) for one, where in zip(values, maps, strict=True)])
            for name, (values, _) in channels.items()
        },
        units={name: unit for name, (_, unit) in channels.items()},
        fast=grid_fast,
        slow=grid_slow,
        centre_x=fx * centre_fast + sx * centre_slow,
        centre_y=fy * centre_fast + sy * centre_slow,
        previous_x=None,
        previous_y=None,
        z_centre=None,
        frame_of_reference="true",
        attributes={**kept, **attributes, "correction_notes": "; ".join(said)},
    )


def _grid(coordinate: Float, axis: int) -> tuple[Float, float]:
    """Regular grid over all true coordinates, about their middle: (grid about zero, middle)."""
    low, high = float(np.min(coordinate)), float(np.max(coordinate))
    step = float(np.median(np.diff(coordinate, axis=axis)))
    count = int(np.floor((high - low) / step)) + 1
    half = step * (count - 1) / 2
    return np.linspace(-half, half, count), (low + high) / 2
