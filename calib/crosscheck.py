"""Cross-check: two halves of the scans, solved apart, must agree within what they claim.

The split is the one in which the worse half is best determined. It is found without fitting: near the solution the
normal equations of the scans add up, so that the covariance of any half follows at once. Each half is then solved for
itself. Both take the standards as all scans together found them, since a wrong certificate would be wrong in both.
Positions that the two models predict under named conditions are laid upon each other (shift and rotation are nobody's),
and the difference is compared with its covariance: that of both fits and of both models' errors.

The mean square of the ratio is a weighted sum of chi-squared variables, since what is seen at neighbouring points is
alike; its distribution comes from the eigenvalues of the ratios' correlation, by drawing from it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np
from scipy.linalg import cholesky, solve_triangular

from calib.determined import undetermined
from calib.errors import ModelError
from calib.fit import LateralFit, Noise, fit_lateral
from calib.locate import take_out_rigid
from calib.model import Model
from calib.model_error import error_covariance
from calib.observe.lateral import LateralObservation
from calib.path import Path, Samples
from calib.problem import Problem
from calib.scan import Scan
from calib.scanner.effect import Float
from calib.scanner.motion import Motion
from calib.scanner.nonlinearity import Nonlinearity
from calib.solve import solve
from calib.standard import Grating

WORSE = 4.0
"""How many times less sure than all scans a half may be, at its worst place, to count as determined."""

_FEWEST = 4  # scans: two for each half
_MOST_SPLITS = 2048  # all splits of 12 scans; of more scans, as many at random
_SIDE = 11  # points along each side of a map
_STRIDE = 7  # of the points of the maps, those at which splits are compared
_DRAWS = 20_000
_NEGLIGIBLE = 1e-9  # relative uncertainty of a standard that counts as exact
_LEVEL = 0.95

BLIND = (
    "blind to whatever all scans share: the certificates of their standards, and errors that every scan makes alike;"
    " shift and rotation are taken out"
)

Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Frame:
    """The difference of the two halves under one condition.

    Attributes
    ----------
    condition
        In words.
    passes
        Names, one for each entry of the arrays below.
    position
        Commanded, m; shape ``(2, pass, slow, fast)``.
    difference
        First less second half, shift and rotation taken out, m; the same shape.
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
class CrossCheck:
    """What a cross-check found.

    Attributes
    ----------
    agree
        Whether the halves agree; None if there are no two determined halves.
    rms
        Of the difference over its predicted standard uncertainty; about 1 is expected. NaN if undecided.
    range
        Where `rms` lies in 95 % of the cases, if the stated uncertainties are right.
    points
        How many independent numbers the maps are worth.
    sizes
        Rms of the difference itself, m, and of its predicted standard uncertainty, m.
    halves
        Labels of the scans of each half; empty if undecided.
    worse
        How many times less sure than all scans each half is at its worst place.
    frames
        The maps.
    reason
        Why nothing can be decided; empty otherwise.
    """

    agree: bool | None
    rms: float = float("nan")
    range: tuple[float, float] = (float("nan"), float("nan"))
    points: float = float("nan")
    sizes: tuple[float, float] = (float("nan"), float("nan"))
    halves: tuple[tuple[str, ...], ...] = ()
    worse: tuple[float, ...] = ()
    frames: tuple[Frame, ...] = ()
    reason: str = ""

    def sentence(self) -> str:
        """Return the result in one sentence."""
        if self.agree is None:
            return f"No cross-check is possible: {self.reason}."
        low, high = self.range
        said = f"{self.rms:.2f} times its predicted uncertainty ({low:.2f} to {high:.2f} expected in 95 % of cases)"
        if not self.agree:
            verdict = "The two halves differ by more than predicted"
        elif self.rms < low:
            verdict = "The two halves agree, better than predicted"
        else:
            verdict = "The two halves agree"
        return f"{verdict}: their difference is {said}; this is {BLIND}."

    def to_dict(self) -> dict[str, Any]:
        """Return the result as a JSON object, SI units; without the maps."""
        return {
            "agree": self.agree,
            "rms_ratio": self.rms,
            "range": list(self.range),
            "level": _LEVEL,
            "independent_numbers": self.points,
            "rms_difference": self.sizes[0],
            "rms_predicted": self.sizes[1],
            "halves": [list(half) for half in self.halves],
            "times_less_sure": list(self.worse),
            "conditions": [frame.condition for frame in self.frames],
            "reason": self.reason,
            "blind_to": BLIND,
            "sentence": self.sentence(),
        }


def cross_check(model: Model, progress: Progress | None = None, *, first: Sequence[int] | None = None) -> CrossCheck:
    """Split the scans of a model into two halves, solve each, and compare them.

    Parameters
    ----------
    model
        With its observations.
    progress
        Called with a stage and the part that is done, 0 to 1.
    first
        Indices, from 0, of the scans of gratings and grids that make the first half; by default the split in which
        both halves are best determined.

    Raises
    ------
    ModelError
        If the model holds no scan of a grating or grid, if `first` leaves a half empty, or if all scans together can't
        be solved.
    """
    say = progress or (lambda stage, part: None)
    lateral = [one for one in model.observations if isinstance(one, LateralObservation)]
    if not lateral:
        raise ModelError("The model was made without a scan of a grating or grid: there is nothing to split.")
    if not isinstance(model.motion.effects[0] if model.motion.effects else None, Nonlinearity) or not (
        {"degree", "misfit"} <= set(model.quality)
    ):
        raise ModelError("The model does not say how it was solved for: calibrate again from its scans.")
    if first is not None and not (0 < len(set(first)) < len(lateral) and set(first) <= set(range(len(lateral)))):
        raise ModelError(
            f"The first half must name some, but not all, of the {len(lateral)} scans of gratings and grids."
        )
    if len(lateral) < _FEWEST:
        many = "is one scan" if len(lateral) == 1 else f"are {len(lateral)} scans"
        return CrossCheck(
            None,
            reason=f"there {many} of gratings or grids, and each half needs two at least; add full-size frames in both"
            " directions and scans turned by 90 degrees",
        )
    say("solving all scans", 0.0)
    whole = _Whole(model, lateral)
    rasters = _rasters(model)
    halves, worse = _best_split(whole, rasters, first)
    if max(worse) > WORSE:
        return CrossCheck(None, worse=worse, reason=_why(model, lateral, halves, worse, first is not None))
    exact = _with_found_standards(whole, lateral)
    found = []
    for k, half in enumerate(halves):
        say(f"solving the {('first', 'second')[k]} half", 0.3 + 0.3 * k)
        try:
            found.append(_half_model(model, _solve(model, [exact[i] for i in half])))
        except ModelError as error:
            labels = ", ".join(lateral[i].label for i in half)
            return CrossCheck(None, worse=worse, reason=f"the scans {labels} can't be solved alone ({error})")
    say("comparing", 0.9)
    result = _compare(
        found[0], found[1], rasters, tuple(tuple(lateral[i].label for i in half) for half in halves), worse
    )
    say("comparing", 1.0)
    return result


class _Whole:
    """All scans at once, with the effects that the model has; nothing is chosen or judged again."""

    def __init__(self, model: Model, lateral: Sequence[LateralObservation]) -> None:
        self.problem = problem = Problem(model.motion, lateral)
        problem.set_noise(float(model.quality["misfit"]))
        zero = np.zeros(len(problem.unknowns))
        x = problem.start.copy()
        x[problem.shared] = np.linalg.solve(problem.factor, model.values - model.motion.rest_values)
        for tolerance in (1e-2, 1e-3):
            self.solution = solve(
                problem.blocks, x, prior_mean=zero, prior_sd=problem.prior_sd, tolerance=tolerance, finish=False
            )
            x = self.solution.x
            problem.reweigh(x)


# --- conditions ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Raster:
    condition: str
    passes: tuple[str, ...]
    path: Path
    samples: Samples
    shape: tuple[int, ...]


def _rasters(model: Model) -> list[_Raster]:
    """Full-size frames about the middle of the field at middle speed: straight, and turned."""
    low_x, high_x, low_y, high_y = model.domain.area
    size = min(high_x - low_x, high_y - low_y)
    lateral = [one.path for one in model.observations if isinstance(one, LateralObservation)]
    two = any(len(path.passes) == 2 or path.serpentine for path in lateral)
    period = None
    if model.domain.speeds is not None:
        period = 2 * size / float(np.sqrt(model.domain.speeds[0] * model.domain.speeds[1]))
    passes = ("trace", "retrace") if two else (lateral[0].passes[0],)
    points = 64
    grid = np.linspace(-size / 2, size / 2, points)
    centre = ((low_x + high_x) / 2, (low_y + high_y) / 2)
    result = []
    for rotation, said in ((0.0, "full size, frame up"), (np.pi / 2, "turned by 90°")):
        scan = Scan(
            channels={"height": np.broadcast_to(np.float64(0), (len(passes), points, points))},
            fast=grid,
            slow=grid,
            passes=passes,
            centre_x=centre[0],
            centre_y=centre[1],
            rotation=rotation,
            frame="up",
            line_period=period,
            turnaround=0.0 if period is None else 0.05 * period,
            previous_x=centre[0],
            previous_y=centre[1],
        )
        path = Path(scan)
        # the first lines of a frame are like no other, and say little of the rest
        rows = np.linspace(2, points - 2, _SIDE).round().astype(np.int64)
        index, row, place = np.meshgrid(
            np.arange(len(passes)), rows, grid[np.linspace(1, points - 2, _SIDE).round().astype(int)], indexing="ij"
        )
        result.append(_Raster(said, passes, path, path.samples(index, row, place), index.shape))
    return result


def _jacobian(motion: Motion, values: Float, raster: _Raster, root: Float) -> Float:
    """Roots of the covariance of positions by that of coefficients, gauge taken out; shape ``(2, roots, samples)``."""
    shared = motion.shared(raster.path, raster.samples)
    moved = np.einsum("icn,cp->ipn", motion.jacobian(raster.samples, values, shared), root)
    take_out_rigid(moved, raster.samples.position)
    return np.asarray(moved)


# --- splits ----------------------------------------------------------------------------------------


def _splits(count: int) -> Iterator[tuple[int, ...]]:
    """Halves that hold the first scan, two scans at least in either half."""
    others = range(1, count)
    if 2 ** (count - 1) <= _MOST_SPLITS:
        for size in range(1, count - 2):
            for chosen in combinations(others, size):
                yield (0, *chosen)
        return
    rng = np.random.default_rng(0)
    for _ in range(_MOST_SPLITS):
        yield (0, *(1 + np.sort(rng.choice(count - 1, count // 2 - 1, replace=False))).tolist())


def _best_split(
    whole: _Whole, rasters: Sequence[_Raster], first: Sequence[int] | None
) -> tuple[tuple[tuple[int, ...], tuple[int, ...]], tuple[float, float]]:
    """The split whose worse half is best determined, and how many times less sure than all scans its halves are."""
    problem = whole.problem
    count = len(problem.observations)
    blocks = _reduced(whole)
    size = problem.shared.stop - problem.shared.start
    prior = np.eye(blocks[0].shape[0])  # every unknown that is left has a prior of unit variance
    maps = [
        _jacobian(problem.motion, problem.values(whole.solution.x), raster, np.asarray(problem.factor))
        for raster in rasters
    ]
    # every few points will do: uncertainty is smooth, and there are many splits
    everywhere = np.concatenate([one.transpose(0, 2, 1).reshape(-1, size) for one in maps])[::_STRIDE]
    everywhere = np.pad(everywhere, ((0, 0), (0, len(prior) - size)))

    def worst(scans: Sequence[int]) -> float:
        root = cholesky(prior + sum(blocks[k] for k in scans), lower=True, check_finite=False)
        along = solve_triangular(root, everywhere.T, lower=True, check_finite=False)
        return float(np.sqrt(np.max(np.sum(along**2, axis=0))))

    reference = worst(range(count))
    best: tuple[tuple[int, ...], tuple[int, ...]] | None = None
    ratios = (np.inf, np.inf)
    for one in [tuple(sorted(set(first)))] if first is not None else _splits(count):
        other = tuple(k for k in range(count) if k not in one)
        now = (worst(one) / reference, worst(other) / reference)
        if best is None or max(now) < max(ratios):
            best, ratios = (one, other), now
    assert best is not None
    return best, ratios


def _reduced(whole: _Whole) -> list[Float]:
    """Normal matrix of each scan, over the coefficients and what scans share in part; its own unknowns eliminated.

    Standards are exact here: they are not among the unknowns.
    """
    problem, solution = whole.problem, whole.solution
    total = solution.x.size
    own = [np.arange(total)[prepared.own] for prepared in problem.prepared]
    gone = np.concatenate([*own, *(np.arange(total)[place] for _, place in problem.standards.values())])
    kept = np.setdiff1d(np.arange(total), gone)
    weight = np.diag(solution.prior_weight)
    result = []
    for block, mine in zip(solution.normal_blocks, own, strict=True):
        H = block.hessian
        inside = H[np.ix_(mine, mine)] + weight[np.ix_(mine, mine)]
        cross = H[np.ix_(mine, kept)]
        scale = 1 / np.sqrt(np.maximum(np.diag(inside), 1e-300))
        solved = scale[:, None] * (
            np.linalg.pinv(inside * np.outer(scale, scale), hermitian=True) @ (scale[:, None] * cross)
        )
        result.append(H[np.ix_(kept, kept)] - cross.T @ solved)
    return result


def _why(
    model: Model, lateral: Sequence[LateralObservation], halves: Any, worse: tuple[float, float], chosen: bool
) -> str:
    """Why a split won't do, and which scans to add."""
    open_in_all = set(undetermined(lateral, [], model.height, ()))
    missing = list(
        dict.fromkeys(
            said
            for half in halves
            for said in undetermined([lateral[k] for k in half], [], model.height, ())
            if said not in open_in_all
        )
    )
    if missing:
        what = "in one half, " + "; ".join(missing)
    else:
        what = "add full-size frames in both directions and scans turned by 90 degrees, so that each half has its own"
    which = "in this split" if chosen else "in every split of the scans"
    best = "" if chosen else ", even in the best"
    return (
        f"{which} one half is not determined: it is {max(worse):.1f} times less sure than all scans{best}"
        f" (at most {WORSE:g} times will do); {what}"
    )


# --- halves ----------------------------------------------------------------------------------------


def _solve(model: Model, observations: Sequence[LateralObservation]) -> LateralFit:
    bending = model.motion.effects[0]
    assert isinstance(bending, Nonlinearity)
    options = model.provenance.get("options", {})
    noise: Noise = "known" if options.get("noise") == "known" else "from residuals"
    periods = next((effect.settings()["periods"] for effect in model.motion.effects if effect.name == "periodic"), None)
    return fit_lateral(
        observations,
        bending.travel,
        bending.centre,
        degree=int(model.quality["degree"]),
        noise=noise,
        periods=periods or ((), ()),
    )


def _with_found_standards(whole: _Whole, observations: Sequence[LateralObservation]) -> list[LateralObservation]:
    """The observations, with standards that are exactly what all scans found them to be."""
    exact = {}
    for identity, (standard, place) in whole.problem.standards.items():
        names = ["pitch"] if isinstance(standard, Grating) else ["pitch_x", "pitch_y", "angle"]
        changes = {}
        for name, departure in zip(names, whole.solution.x[place], strict=True):
            value = getattr(standard, name)
            found = value.value + value.u * float(departure)
            changes[name] = replace(value, value=found, u=min(value.u, abs(found) * _NEGLIGIBLE))
        exact[identity] = replace(standard, **changes)
    return [replace(one, standard=exact[one.standard.identity]) for one in observations]


def _half_model(model: Model, fit: LateralFit) -> Model:
    """The model that half of the scans give; with too few of them, errors are judged by all if that is surer."""
    misfit = fit.judged
    if len(fit.problem.observations) < _FEWEST and model.misfit.lateral < misfit.lateral:
        misfit = model.misfit
    return model.replace(motion=fit.motion, values=fit.values, covariance=fit.covariance, misfit=misfit)


# --- comparison ------------------------------------------------------------------------------------


def _compare(
    one: Model, other: Model, rasters: Sequence[_Raster], halves: tuple[tuple[str, ...], ...], worse: tuple[float, ...]
) -> CrossCheck:
    differences, roots, covariances = [], [], []
    for raster in rasters:
        found = [half.motion.position(raster.path, raster.samples, half.values) for half in (one, other)]
        difference = (found[0] - found[1])[:, None, :]
        take_out_rigid(difference, raster.samples.position)
        differences.append(difference[:, 0])
        fits = [_jacobian(half.motion, half.values, raster, _root(half.covariance)) for half in (one, other)]
        roots.append(fits)
        own = sum(error_covariance(half, raster.path, raster.samples) for half in (one, other))
        covariances.append(_gauged(np.asarray(own), raster.samples.position))
    # what the fits leave open is the same in all maps, so that maps are correlated through it
    fitted = np.concatenate(
        [np.concatenate(fits, axis=1).transpose(0, 2, 1).reshape(-1, sum(f.shape[1] for f in fits)) for fits in roots]
    )
    covariance = fitted @ fitted.T
    at = 0
    for part in covariances:
        covariance[at : at + len(part), at : at + len(part)] += part
        at += len(part)
    u = np.sqrt(np.diag(covariance))
    difference = np.concatenate([part.ravel() for part in differences])
    ratio = difference / u
    eigenvalues = np.clip(np.linalg.eigvalsh(covariance / np.outer(u, u)), 0, None) / ratio.size
    low, high = _expected(eigenvalues)
    rms = float(np.sqrt(np.mean(ratio**2)))
    frames, at = [], 0
    for raster, part in zip(rasters, differences, strict=True):
        shape = (2, *raster.shape)
        frames.append(
            Frame(
                condition=raster.condition,
                passes=raster.passes,
                position=raster.samples.position.reshape(shape),
                difference=part.reshape(shape),
                u=u[at : at + part.size].reshape(shape),
            )
        )
        at += part.size
    return CrossCheck(
        agree=rms <= high,
        rms=rms,
        range=(low, high),
        points=float(eigenvalues.sum() ** 2 / np.sum(eigenvalues**2)),
        sizes=(float(np.sqrt(np.mean(difference**2))), float(np.sqrt(np.mean(u**2)))),
        halves=halves,
        worse=worse,
        frames=tuple(frames),
    )


def _root(covariance: Float) -> Float:
    eigenvalues, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.clip(eigenvalues, 0, None)))


def _gauged(own: Float, position: Float) -> Float:
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


def _expected(eigenvalues: Float) -> tuple[float, float]:
    """Range of the rms ratio in 95 % of the cases."""
    strong = np.sort(eigenvalues)[::-1]
    strong = strong[: 1 + int(np.searchsorted(np.cumsum(strong), (1 - 1e-4) * strong.sum()))]
    rng = np.random.default_rng(1)
    draws = np.zeros(_DRAWS)
    for weight in strong:
        draws += weight * rng.chisquare(1, _DRAWS)
    low, high = np.quantile(np.sqrt(draws), [(1 - _LEVEL) / 2, (1 + _LEVEL) / 2])
    return float(low), float(high)
