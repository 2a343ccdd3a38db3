"""How far a fitted model is from its scanner, judged by scans that were left out of the fit.

What is left when a left-out scan is compared with its prediction, beyond what the covariance of the other scans claims,
is the model's error under the conditions of that scan.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.linalg import block_diag

from calib.arithmetic.normal import Spectrum
from calib.arithmetic.solve import Solution
from calib.fitting.choice import claimed, predict
from calib.fitting.problem import Problem
from calib.fitting.usual_start import usual_start
from calib.model import LEFT_OUT_PARTS, LEFT_OUT_SCANS, Conditions, Misfit
from calib.model_error import RINGS, conditions_of, ring_of
from calib.scanner.creep import Creep
from calib.scanner.creep_before import CreepBefore
from calib.scanner.drift import Drift
from calib.scanner.effect import Effect, Float

_DOUBT = 1.0  # weight, in scans, of what is taken for granted beforehand
_STEPS = 6


def judge(
    problem: Problem,
    solution: Solution,
    own: Sequence[np.ndarray | None],
    factor: float,
    labels: Sequence[str],
    whole: bool,
) -> Misfit:
    """Put the errors of left-out scans together.

    Parameters
    ----------
    own
        See :func:`calib.fitting.choice.predict`.
    factor
        By which the noise of nodes is raised, see :func:`calib.fitting.choice.honest_factor`.
    labels
        Name of each observation.
    whole
        Whether whole scans are left out, or parts of them. Parts say nothing of other sizes, speeds and directions, so
        that twice their error and a thousandth of the field are taken.
    """
    x = solution.x
    steps = predict(solution, own, np.ones(x.size, dtype=bool), factor).steps
    told = claimed(solution, own, factor)
    inside = np.array([block.chi2 / max(block.count, 1) for block in solution.normal_blocks])
    owners = np.array(problem.owners)
    by_scan: dict[str, float] = {}
    scans: list[Conditions] = []
    errors: list[tuple[float, float]] = []
    ring_sum, ring_count = np.zeros(len(RINGS) - 1), np.zeros(len(RINGS) - 1)
    for k, (prepared, label) in enumerate(zip(problem.prepared, labels, strict=True)):
        path, observation = prepared.observation.path, prepared.observation
        mine = np.nonzero(owners == k)[0]
        folds = np.unique(prepared.fold)
        along = np.zeros_like(observation.periods)
        lattice = problem.lattice(x, prepared)
        for block, fold in zip(mine, folds, strict=True):
            rest = problem.residual(x + steps[block], prepared) / np.linalg.norm(lattice, axis=1)
            along[prepared.fold == fold] = rest[prepared.fold == fold]
        normal = lattice / np.linalg.norm(lattice, axis=1, keepdims=True)
        squares = along**2 * prepared.weight[:, None]
        total = float(prepared.weight.sum())
        mean = float(squares.sum()) / max(total * along.shape[1], 1e-300)
        by_scan[label] = float(np.sqrt(mean))
        # what the covariance claims is told by the covariance; never less is left than the residual in the fit
        beyond = float(np.clip(1 - problem.misfit**2 * np.mean(told[mine]) / max(mean, 1e-300), 0.0, 1.0))
        axes = []
        for axis in (path.fast_axis, path.slow_axis):
            share = (normal @ axis) ** 2
            size = float(np.sum(squares * share)) / max(total * float(share.sum()), 1e-300)
            axes.append(size if share.sum() > 0.1 else mean)
        floor = problem.misfit**2 * float(np.mean(inside[mine]))
        errors.append((max(axes[0] * beyond, floor), max(axes[1] * beyond, floor)))
        scans.append(conditions_of(path))
        ring = ring_of(path, prepared.position)
        relative = squares.mean(axis=1) / max(mean, 1e-300)
        ring_sum += np.bincount(ring, relative, 4)
        ring_count += np.bincount(ring, prepared.weight, 4)
    # a ring with few nodes says little: it is drawn to the mean
    few = 0.1 * ring_count.sum() / 4
    rings = (ring_sum + few) / (ring_count + few)
    lateral = float(np.sqrt(np.mean(errors)))
    if not whole:
        field = max(float(np.ptp(p.observation.path.fast)) for p in problem.prepared)
        return Misfit(float(np.hypot(2 * lateral, 1e-3 * field)), LEFT_OUT_PARTS, by_scan)
    return Misfit(
        lateral=lateral,
        source=LEFT_OUT_SCANS,
        by_scan=by_scan,
        scans=tuple(
            replace(one, fast_error=float(np.sqrt(fast)), slow_error=float(np.sqrt(slow)))
            for one, (fast, slow) in zip(scans, errors, strict=True)
        ),
        rings=tuple(float(np.sqrt(ring)) for ring in rings),
    )


def learned(effects: Sequence[Effect], problem: Problem, solution: Solution, factor: float) -> list[Effect]:
    """Effects as they are to be taken for later scans: what is unknown of a scan alone is as large as it was found.

    Before the fit only the usual size of drift, and of what went before a frame, is known. The scans of the calibration
    are a sample of both. Their variance is estimated together with the prior's (empirical Bayes by expectation and
    maximisation, Dempster, Laird and Rubin 1977; the prior counts as one scan).

    Parameters
    ----------
    factor
        By which the noise of nodes is raised, see :func:`calib.fitting.choice.honest_factor`.
    """
    found: list[Effect] = []
    for effect in effects:
        if isinstance(effect, Creep):
            mine = [k for k, u in enumerate(problem.unknowns) if "start_creep" in u.name]
            known = all(prepared.observation.path.rest is not None for prepared in problem.prepared)
            if mine and known:
                unknown = _ratio(solution, factor, mine, np.eye(len(mine)), float(len(mine)))
                # of a later scan it is not known either what the scans before it have left
                ratio = float(np.hypot(unknown, _left_before(effect, problem, solution)))
                effect = Creep(**{**effect.settings(), "start": effect.start * ratio})
        elif isinstance(effect, Drift) and problem.remembered:
            mine = [k for place, _ in problem.remembered.values() for k in range(place.start, place.stop)]
            used = [root[np.any(root != 0, axis=1)] / effect.rate for _, root in problem.remembered.values()]
            scans = max(len(root) for root in used)
            independent = _independent(problem, effect.memory, scans)
            ratio = _ratio(solution, factor, mine, block_diag(*used), independent * len(used))
            effect = Drift(**{**effect.settings(), "rate": effect.rate * ratio})
        found.append(effect)
    return found


def _ratio(solution: Solution, factor: float, mine: list[int], to_amounts: Float, count: float) -> float:
    """Standard deviation of amounts, over that of their prior.

    Parameters
    ----------
    mine
        Unknowns from which the amounts come.
    to_amounts
        Matrix that takes them to amounts in units of the prior's standard deviation, shape ``(amounts, unknowns)``.
    count
        How many independent amounts there are.
    """
    blocks = solution.normal_blocks
    data = sum(block.hessian for block in blocks) / factor**2
    pull = sum(block.gradient for block in blocks) / factor**2
    weight = solution.variance_factor * solution.prior_weight
    ratio2 = 1.0
    for _ in range(_STEPS):
        prior = weight.copy()
        prior[mine] /= ratio2
        spectrum = Spectrum.of_normal(data + np.diag(prior), pull + prior * solution.x)
        covariance = spectrum.covariance(solution.variance_factor)[np.ix_(mine, mine)]
        amounts = to_amounts @ (solution.x + spectrum.step(0.0))[mine]
        squares = amounts**2 + np.einsum("ij,jk,ik->i", to_amounts, covariance, to_amounts)
        ratio2 = (_DOUBT + count * float(np.mean(squares))) / (_DOUBT + count)
    return float(np.sqrt(ratio2))


def _left_before(creep: Creep, problem: Problem, solution: Solution) -> float:
    """See :func:`calib.fitting.usual_start.usual_start`; zero where the scans show no creep of those before."""
    motion, paths = problem.motion, [observation.path for observation in problem.observations]
    for effect in motion.effects:
        if isinstance(effect, CreepBefore):
            first = motion.names.index(effect.coefficients[0].name)
            return usual_start(creep, effect, problem.values(solution.x)[first : first + 2], paths)
    return 0.0


def _independent(problem: Problem, memory: float, scans: int) -> float:
    """How many independent rates of drift a session shows."""
    times = [o.started.timestamp() for o in problem.observations if o.started is not None]
    return 1 + (max(times) - min(times)) / memory if len(times) == scans and times else float(scans)
