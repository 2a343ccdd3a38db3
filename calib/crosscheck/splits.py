"""Which halves: the split in which the worse half is best determined.

It is found without fitting: near the solution the normal equations of the scans add up, so that the covariance of any
half follows at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import Any

import numpy as np
from scipy.linalg import cholesky, solve_triangular

from calib.comparing import Condition, fitted_spread
from calib.crosscheck.halves import Whole
from calib.fitting.determined import undetermined
from calib.model import Model
from calib.observe.lateral import LateralObservation
from calib.scanner.effect import Float

WORSE = 4.0
"""How many times less sure than all scans a half may be, at its worst place, to count as determined."""

_MOST_SPLITS = 2048  # all splits of 12 scans; of more scans, as many at random
_STRIDE = 7  # of the points of the maps, those at which splits are compared


def best_split(
    whole: Whole, conditions: Sequence[Condition], first: Sequence[int] | None
) -> tuple[tuple[tuple[int, ...], tuple[int, ...]], tuple[float, float]]:
    """The split whose worse half is best determined, and how many times less sure than all scans its halves are."""
    problem = whole.problem
    count = len(problem.observations)
    blocks = _reduced(whole)
    size = problem.shared.stop - problem.shared.start
    prior = np.eye(blocks[0].shape[0])  # every unknown that is left has a prior of unit variance
    maps = [
        fitted_spread(problem.motion, problem.values(whole.solution.x), condition, np.asarray(problem.factor))
        for condition in conditions
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


def why_not(
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


def _reduced(whole: Whole) -> list[Float]:
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
