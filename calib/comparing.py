"""Two models against each other: where they put the same pixels differently, and how surely.

Both predict the true positions of the same pixels under named conditions. The predictions are laid upon each other
(shift and rotation are nobody's), and the difference is compared with its covariance: that of both fits and of both
models' errors. What both owe to the certificate of the same standard moves both alike, and is taken out of it if asked.

The mean square of the ratio is a weighted sum of chi-squared variables, since what is seen at neighbouring points is
alike; its distribution comes from the eigenvalues of the ratios' correlation, by drawing from it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from calib.arithmetic.roots import root_of
from calib.errors import ModelError
from calib.frames import lattice, line_period, middle, reference_frame
from calib.locate import take_out_rigid
from calib.model import Model
from calib.model_error import error_covariance
from calib.observe.lateral import LateralObservation
from calib.path import Path, Samples
from calib.scanner.effect import Float
from calib.scanner.motion import Motion

LEVEL = 0.95
"""Of the range in which the rms ratio is expected."""

_POINTS = 64  # pixels along each side of a frame
_SIDE = 11  # of these, points along each side of a map
_SETTLED = 2  # the first lines of a frame are like no other, and say little of the rest
_DRAWS = 20_000


@dataclass(frozen=True)
class Condition:
    """A frame under which models are compared.

    Attributes
    ----------
    said
        In words.
    path
        Its commanded path.
    samples, shape
        The points of its map, and their shape ``(pass, slow, fast)``.
    """

    said: str
    path: Path
    samples: Samples
    shape: tuple[int, ...]


@dataclass(frozen=True)
class Frame:
    """The difference of two models under one condition.

    Attributes
    ----------
    condition
        In words.
    passes
        Names, one for each entry of the arrays below.
    position
        Commanded, m; shape ``(2, pass, slow, fast)``.
    difference
        First less second model, shift and rotation taken out, m; the same shape.
    u
        Its predicted standard uncertainty, m; the same shape.
    """

    condition: str
    passes: tuple[str, ...]
    position: Float
    difference: Float
    u: Float

    @property
    def ratio(self) -> Float:
        """Difference over its predicted standard uncertainty, shape ``(2, pass, slow, fast)``."""
        return np.asarray(self.difference / self.u)


@dataclass(frozen=True)
class Comparison:
    """How far two models differ.

    Attributes
    ----------
    rms
        Of the difference over its predicted standard uncertainty; about 1 is expected.
    range
        Where `rms` lies in 95 % of the cases, if the stated uncertainties are right.
    points
        How many independent numbers the maps are worth.
    sizes
        Rms of the difference itself, m, and of its predicted standard uncertainty, m.
    frames
        The maps, one for each condition.
    """

    rms: float
    range: tuple[float, float]
    points: float
    sizes: tuple[float, float]
    frames: tuple[Frame, ...]

    @property
    def agree(self) -> bool:
        """Whether the models differ by no more than predicted."""
        return self.rms <= self.range[1]


def common_conditions(*models: Model) -> tuple[Condition, ...]:
    """Return the frames under which models are compared: full-size, straight and turned, within what all have seen.

    They lie about the middle of the area that all models have calibrated, at the middle of their common speeds (of the
    gap, if they have none in common), and have both passes if all models have seen both.

    Raises
    ------
    ModelError
        If a model was made without a grating or grid, or if the models have no area in common.
    """
    lateral = [[one.path for one in model.observations if isinstance(one, LateralObservation)] for model in models]
    if not all(lateral):
        raise ModelError("A model was made without a scan of a grating or grid: it says nothing of x and y to compare.")
    low_x, high_x, low_y, high_y = np.array([model.domain.area for model in models]).T
    area = (float(low_x.max()), float(high_x.min()), float(low_y.max()), float(high_y.min()))
    size = min(area[1] - area[0], area[3] - area[2])
    if size <= 0:
        raise ModelError("The models were calibrated in areas that do not overlap: there is no place to compare them.")
    speeds = [model.domain.speeds for model in models if model.domain.speeds is not None]
    speed = None
    if len(speeds) == len(models):
        speed = float(np.sqrt(max(slow for slow, _ in speeds) * min(fast for _, fast in speeds)))
    two = all(any(len(path.passes) == 2 or path.serpentine for path in paths) for paths in lateral)
    result = []
    for rotation, said in ((0.0, "full size, frame up"), (np.pi / 2, "turned by 90°")):
        path = Path(
            reference_frame(
                size,
                _POINTS,
                centre=middle(area),
                rotation=rotation,
                passes=("trace", "retrace") if two else (lateral[0][0].passes[0],),
                line_period=line_period(size, speed),
            )
        )
        rows, columns = (np.linspace(first, _POINTS - 2, _SIDE).round().astype(np.int64) for first in (_SETTLED, 1))
        result.append(Condition(said, path, *lattice(path, rows, columns)))
    return tuple(result)


def in_common(one: Mapping[str, Float], other: Mapping[str, Float]) -> tuple[Float, Float] | None:
    """What the coefficients of two models move by together: one standard deviation of each value certified for both.

    Parameters
    ----------
    one, other
        Of each, by identity of the standard, as :attr:`calib.Model.certificates` has them.

    Returns
    -------
    tuple or None
        Matrices A and B of as many columns; A Bᵀ is the covariance of the one's coefficients with the other's. None if
        no standard is known to be common.
    """
    both = [name for name in one if name in other and one[name].shape[1] == other[name].shape[1]]
    if not both:
        return None
    return np.concatenate([one[name] for name in both], axis=1), np.concatenate([other[name] for name in both], axis=1)


def compare(
    one: Model,
    other: Model,
    conditions: Sequence[Condition],
    common: tuple[Float, Float] | None = None,
    alike: float = 0.0,
) -> Comparison:
    """Compare what two models predict.

    Parameters
    ----------
    conditions
        For example :func:`common_conditions` of both.
    common
        What the coefficients of both move by together, from :func:`in_common`. Without it the models are taken as
        independent: if they share standards whose certificates matter, less than the stated difference is then to be
        expected.
    alike
        Part of the variance that remains which both have in common all the same, since one scanner makes the same
        errors twice.
    """
    differences, roots, covariances = [], [], []
    parts_in_common = (np.zeros((1, 1)),) * 2 if common is None else common
    own = [(m, root_of(m.covariance - part @ part.T)) for m, part in zip((one, other), parts_in_common, strict=True)]
    for condition in conditions:
        path, samples = condition.path, condition.samples
        found = [model.motion.position(path, samples, model.values) for model in (one, other)]
        difference = (found[0] - found[1])[:, None, :]
        take_out_rigid(difference, samples.position)
        differences.append(difference[:, 0])
        fits = [fitted_spread(model.motion, model.values, condition, root) for model, root in own]
        if common is not None:
            moved = [
                fitted_spread(m.motion, m.values, condition, part) for (m, _), part in zip(own, common, strict=True)
            ]
            fits.append(moved[0] - moved[1])
        roots.append(np.concatenate(fits, axis=1).transpose(0, 2, 1).reshape(2 * samples.size, -1))
        errors = sum(error_covariance(model, path, samples) for model in (one, other))
        covariances.append(_without_rigid(np.asarray(errors), samples.position))
    # what the fits leave open is the same in all maps, so that maps are correlated through it
    fitted = np.concatenate(roots)
    covariance = fitted @ fitted.T
    ends = np.cumsum([0, *(len(part) for part in covariances)])
    parts = [slice(begin, end) for begin, end in pairwise(ends)]
    for part, errors in zip(parts, covariances, strict=True):
        covariance[part, part] += errors
    covariance *= 1 - alike
    u = np.sqrt(np.diag(covariance))
    difference = np.concatenate([part.ravel() for part in differences])
    ratio = difference / u
    eigenvalues = np.clip(np.linalg.eigvalsh(covariance / np.outer(u, u)), 0, None) / ratio.size
    frames = []
    for condition, part in zip(conditions, parts, strict=True):
        shape = (2, *condition.shape)
        frames.append(
            Frame(
                condition=condition.said,
                passes=condition.path.passes,
                position=condition.samples.position.reshape(shape),
                difference=difference[part].reshape(shape),
                u=u[part].reshape(shape),
            )
        )
    return Comparison(
        rms=float(np.sqrt(np.mean(ratio**2))),
        range=expected_range(eigenvalues),
        points=float(eigenvalues.sum() ** 2 / np.sum(eigenvalues**2)),
        sizes=(float(np.sqrt(np.mean(difference**2))), float(np.sqrt(np.mean(u**2)))),
        frames=tuple(frames),
    )


def fitted_spread(motion: Motion, values: Float, condition: Condition, root: Float) -> Float:
    """What is unknown of the coefficients, as seen at the points of a map; shift and rotation taken out, m.

    Parameters
    ----------
    values, root
        The coefficients, and a root of their covariance: ``root @ root.T`` is the covariance.

    Returns
    -------
    Array of shape ``(2, roots, samples)``.
    """
    shared = motion.shared(condition.path, condition.samples)
    moved = np.einsum("icn,cp->ipn", motion.jacobian(condition.samples, values, shared), root)
    take_out_rigid(moved, condition.samples.position)
    return np.asarray(moved)


def expected_range(eigenvalues: Float) -> tuple[float, float]:
    """Range of the rms ratio in 95 % of the cases.

    Parameters
    ----------
    eigenvalues
        Of the correlation of the ratios, over how many they are.
    """
    strong = np.sort(eigenvalues)[::-1]
    strong = strong[: 1 + int(np.searchsorted(np.cumsum(strong), (1 - 1e-4) * strong.sum()))]
    rng = np.random.default_rng(1)
    draws = np.zeros(_DRAWS)
    for weight in strong:
        draws += weight * rng.chisquare(1, _DRAWS)
    low, high = np.quantile(np.sqrt(draws), [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    return float(low), float(high)


def _without_rigid(own: Float, position: Float) -> Float:
    """Covariance of both coordinates, shape ``(2 n, 2 n)``, of independent errors of x and y without rigid motion."""
    n = position.shape[1]
    x = position - position.mean(axis=1, keepdims=True)
    rigid = np.zeros((2 * n, 3))
    rigid[:n, 0] = rigid[n:, 1] = 1.0
    rigid[:n, 2], rigid[n:, 2] = -x[1], x[0]
    rigid /= np.linalg.norm(rigid, axis=0)
    full = np.zeros((2 * n, 2 * n))
    full[:n, :n], full[n:, n:] = own
    half = full - rigid @ (rigid.T @ full)
    return np.asarray(half - (half @ rigid) @ rigid.T)
