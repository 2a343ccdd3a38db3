"""Observations -> Model: one joint weighted least-squares solution, and how rich it may be."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from calib.arithmetic.side_by_side import side_by_side
from calib.arithmetic.solve import Solution, solve
from calib.errors import ModelError, ScanError
from calib.fitting.choice import Prediction, covariance_at, honest_factor, predict
from calib.fitting.drift_rates import drift_rates
from calib.fitting.judged import judge, learned
from calib.fitting.offered import Periods, offered_effects
from calib.fitting.problem import Prepared, Problem
from calib.model import ASSUMED, DriftRate, Misfit
from calib.observe.lateral import LateralObservation
from calib.origins import Origins, of_certificates, of_lateral
from calib.scanner.effect import Float
from calib.scanner.motion import Motion
from calib.scanner.nonlinearity import Nonlinearity

Noise = Literal["from residuals", "known"]
Progress = Callable[[str, float], None]

_HIGHEST_DEGREE = 8
_FEWEST_SCANS = 4  # from so many on, whole scans are left out; with fewer, patches of them
_PATCHES = 3
_WORTH = (
    0.02  # by how much the mean logarithm of prediction errors has to fall for an effect to be worth its coefficients
)
# what went before imitates other slow changes a little even in scanners that have settled; there it does harm
_WORTHS = {"creep_before": 0.1}
_SAID = {
    "lag": "a lag of the recording",
    "backlash": "backlash",
    "periodic": "the periodic error of the drive",
    "squareness": "squareness of z",
    "creep_before": "creep left by the scans before",
}
_FIRST_MISFIT = 0.002  # of a pitch, to begin with


@dataclass(frozen=True)
class LateralFit:
    """What the lateral fit found.

    Attributes
    ----------
    motion, values, covariance
        The scanner's motion and its coefficients.
    problem, solution
        The joint problem at its solution.
    misfit
        Standard deviation of what the model does not follow, by which nodes are weighed, m.
    residual
        Rms residual of the nodes along one direction, m.
    degree
        Of the nonlinearity.
    factor
        By which the noise of nodes was raised for the covariance, so that left-out scans are predicted as well as it
        claims.
    judged
        The model's error beyond that.
    left_out
        Effects that were left out, and why.
    drift
        Rates of drift, scan by scan.
    origins
        Parts of the covariance by where they come from, see :mod:`calib.origins`; empty if that is not known.
    certificates
        By standard, what the coefficients move by with its certified values, see
        :func:`calib.origins.of_certificates`.
    """

    motion: Motion
    values: Float
    covariance: Float
    problem: Problem
    solution: Solution
    misfit: float
    residual: float
    degree: int
    factor: float
    judged: Misfit
    left_out: tuple[str, ...]
    drift: tuple[DriftRate, ...] = ()
    origins: Origins = field(default_factory=dict)
    certificates: Origins = field(default_factory=dict)


def fit_lateral(
    observations: Sequence[LateralObservation],
    travel: tuple[float, float],
    centre: tuple[float, float],
    *,
    degree: int | None = None,
    noise: Noise = "from residuals",
    before: LateralFit | None = None,
    judging: bool = True,
    periods: Periods = ((), ()),
    progress: Progress | None = None,
) -> LateralFit:
    """Solve for the scanner's motion from all observations at once.

    Parameters
    ----------
    observations
        At least one.
    travel, centre
        The box over which nonlinearity is described, m.
    degree
        Of the nonlinearity; by default it is chosen by prediction of left-out scans.
    before
        A solution for the same scans, to begin with.
    periods
        Of the drives of x and of y, m, if they are screws or gears.
    judging
        Whether the covariance is to be judged by left-out scans; not needed where the solution is a step on the way.
    noise
        ``from residuals``: nodes are weighed by their noise and a common misfit, at which chi-squared agrees with its
        degrees of freedom, or with which left-out scans are predicted, whichever is larger. ``known``: by their noise
        alone.

    Raises
    ------
    ModelError
        If the solution does not converge, or folds.
    """
    say = progress or (lambda stage, part: None)
    whole = len(observations) >= _FEWEST_SCANS
    effects, left_out = offered_effects(observations, travel, periods, _play(before, travel))
    choosing = before is None or judging
    if not choosing and before is not None:  # what was chosen is kept until the last
        kept = {effect.name for effect in before.motion.effects}
        effects = [effect for effect in effects if effect.name in kept]
    nodes = sum(observation.periods.size for observation in observations)
    highest = _HIGHEST_DEGREE
    while highest > 1 and (highest + 1) * (highest + 2) - 6 > nodes / 4:
        highest -= 1
    richest = degree if degree is not None else highest
    motion = Motion([Nonlinearity(travel, centre, richest), *effects])
    problem = Problem(motion, observations, 1 if whole else _PATCHES)
    say("solving", 0.1)
    solution, misfit = _settle(problem, *_begin(problem, before), noise)
    own = problem.own_unknowns(whole)
    chosen = richest
    dropped: list[str] = []
    if choosing:
        say("choosing how rich the model may be", 0.5)
        lowest = 1 if degree is None else richest
        chosen, dropped = _choose(problem, solution, own, range(lowest, richest + 1), whole)
        left_out = (
            *left_out,
            *(f"{_SAID[name]} is left out: the scans are predicted as well without" for name in dropped),
        )
    if chosen != richest or dropped:
        effects = [effect for effect in effects if effect.name not in dropped]
        motion = Motion([Nonlinearity(travel, centre, chosen), *effects])
        richer, leaner = problem, Problem(motion, observations, 1 if whole else _PATCHES)
        for old, new in zip(problem.prepared, leaner.prepared, strict=True):
            new.weight = old.weight
        problem = leaner
        say("solving", 0.7)
        solution, misfit = _settle(problem, _carried(problem, richer, solution), misfit, noise)
        own = problem.own_unknowns(whole)
    everything = np.ones(solution.x.size, dtype=bool)
    if noise != "known":
        # what no model follows is alike from node to node, so that many nodes are not as good as their residuals look:
        # they are worth what they are worth in predicting other scans
        predicted = _predicted(problem, predict(solution, own, everything))
        misfit = max(misfit, float(np.sqrt(np.mean(np.square(predicted)))))
        solution = _weighed(problem, solution.x, misfit)
    full, judged, factor = solution.covariance, Misfit(misfit, ASSUMED), 1.0
    if judging:
        say("judging the model by left-out scans", 0.8)
        factor = 1.0 if noise == "known" else honest_factor(solution, own)
        full = covariance_at(solution, factor)
        judged = judge(problem, solution, own, factor, _labels(observations), whole)
        motion = Motion(learned(motion.effects, problem, solution, factor))
    shared = problem.shared
    values = problem.values(solution.x)
    covariance = problem.factor @ full[shared, shared] @ problem.factor.T
    say("solving", 1.0)
    return LateralFit(
        motion=motion,
        values=values,
        covariance=(covariance + covariance.T) / 2,
        problem=problem,
        solution=solution,
        misfit=misfit,
        residual=_residual(problem, solution),
        degree=chosen,
        factor=factor,
        judged=judged,
        left_out=left_out,
        drift=drift_rates(problem, solution.x, full),
        origins=of_lateral(problem, solution, full),
        certificates=of_certificates(problem, solution, full),
    )


def _play(before: LateralFit | None, travel: tuple[float, float]) -> tuple[float, float] | None:
    """Half-width of the play in a solution; its shape must have some width, and a negative one is none."""
    if before is None or "backlash_x" not in before.motion.names:
        return None
    found = [before.values[before.motion.names.index(f"backlash_{axis}")] for axis in ("x", "y")]
    x, y = (float(np.clip(width, 1e-5 * side, 0.1 * side)) for width, side in zip(found, travel, strict=True))
    return x, y


def _begin(problem: Problem, before: LateralFit | None) -> tuple[Float, float | None]:
    if before is None or len(before.problem.observations) != len(problem.observations):
        return problem.start, None
    for old, new in zip(before.problem.prepared, problem.prepared, strict=True):
        if old.weight.size == new.observation.size:
            new.weight = old.weight
    return _carried(problem, before.problem, before.solution), before.misfit


def _carried(problem: Problem, other: Problem, solution: Solution) -> Float:
    """Values of the unknowns that two problems have in common."""
    known = {unknown.name: value for unknown, value in zip(other.unknowns, solution.x, strict=True)}
    return np.array(
        [known.get(u.name, start) for u, start in zip(problem.unknowns, problem.start, strict=True)], dtype=np.float64
    )


def _settle(problem: Problem, x: Float, misfit: float | None, noise: Noise) -> tuple[Solution, float]:
    """Solve, with outliers losing weight and (unless noise is known) the common misfit taken from the residuals."""
    pitch = min(_pitch(observation) for observation in problem.observations)
    known = noise == "known"
    misfit = 0.0 if known else (misfit or _FIRST_MISFIT * pitch)
    zero = np.zeros(len(problem.unknowns))
    solution = None
    for round_ in range(6):
        problem.set_noise(misfit)
        solution = solve(problem.blocks, x, prior_mean=zero, prior_sd=problem.prior_sd, tolerance=1e-3, finish=False)
        x = solution.x
        if solution.dof <= 0:
            raise ModelError(
                "There are fewer observations than unknowns, so nothing can be solved for: take more or larger scans."
            )
        factor = solution.chi2 / solution.dof
        if known:
            if round_ > 1:
                break
        else:
            new = misfit * np.sqrt(factor)
            if round_ > 1 and abs(new / misfit - 1) < 0.03:
                break
            misfit = max(new, 1e-6 * pitch)
            problem.set_noise(misfit)
        problem.reweigh(x)
    assert solution is not None
    return solution, misfit


def _weighed(problem: Problem, x: Float, misfit: float) -> Solution:
    """Solve with a given misfit."""
    zero = np.zeros(len(problem.unknowns))
    problem.set_noise(misfit)
    problem.reweigh(x)
    return solve(problem.blocks, x, prior_mean=zero, prior_sd=problem.prior_sd, tolerance=1e-4)


def _residual(problem: Problem, solution: Solution) -> float:
    """Rms residual along one direction over the nodes that count, m."""
    total, count = 0.0, 0.0
    for prepared in problem.prepared:
        rest = problem.residual(solution.x, prepared) * _pitch(prepared.observation)
        total += float(np.sum(prepared.weight[:, None] * rest**2))
        count += float(prepared.weight.sum()) * rest.shape[1]
    return float(np.sqrt(total / max(count, 1e-300)))


def _pitch(observation: LateralObservation) -> float:
    standard = observation.standard
    return min(value.value for name, value in standard.values().items() if name.startswith("pitch"))


def _choose(
    problem: Problem, solution: Solution, own: list[np.ndarray | None], degrees: Sequence[int], whole: bool
) -> tuple[int, list[str]]:
    """Degree of the nonlinearity, and the effects without which left-out scans are predicted as well."""
    places = _places(problem.motion)
    nonlinearity = problem.motion.effects[0]
    assert isinstance(nonlinearity, Nonlinearity)
    totals = np.array([i + j for i, j in nonlinearity.exponents] * 2)
    candidates: list[tuple[int, np.ndarray, float]] = []
    for degree in degrees:
        free = np.ones(solution.x.size, dtype=bool)
        free[places["nonlinearity"]] = totals <= degree
        candidates.append((degree, free, predict(solution, own, free).score))
    best = min(score for _, _, score in candidates)
    # the leanest of those that predict as well: within a few per cent of the best
    degree, free, score = next(one for one in candidates if one[2] <= best + 0.06)
    dropped = []
    for name in _SAID:
        if name not in places:
            continue
        without = free.copy()
        without[places[name]] = False
        leaner = predict(solution, own, without).score if whole else score
        if leaner <= score + _WORTHS.get(name, _WORTH):
            free, score = without, leaner
            dropped.append(name)
    return degree, dropped


def _places(motion: Motion) -> dict[str, slice]:
    """Where the coefficients of each effect are among the unknowns."""
    found, first = {}, 3
    for effect in motion.effects:
        found[effect.name] = slice(first, first + len(effect.coefficients))
        first = found[effect.name].stop
    return found


def _predicted(problem: Problem, prediction: Prediction) -> list[float]:
    """Rms error along one direction with which each scan is predicted, m."""
    owners = np.array(problem.owners)
    result = []
    for k, observation in enumerate(problem.observations):
        noise = float(np.mean(np.einsum("nii->ni", observation.covariance))) * _pitch(observation) ** 2
        result.append(float(np.sqrt(prediction.errors[owners == k].mean() * (noise + problem.misfit**2))))
    return result


def _labels(observations: Sequence[LateralObservation]) -> list[str]:
    """Names of the scans, no two alike."""
    found: list[str] = []
    for observation in observations:
        name, count = observation.label, 2
        while name in found:
            name, count = f"{observation.label} ({count})", count + 1
        found.append(name)
    return found


def refine_all(
    fit: LateralFit,
    observations: Sequence[LateralObservation],
    again: Callable[[LateralObservation, Float], LateralObservation],
    progress: Progress | None = None,
) -> list[LateralObservation]:
    """Observe every scan once more, with the template moved by the model.

    Parameters
    ----------
    again
        Function of an observation and the lattice coordinates of all its pixels, shape ``(m, pass, slow, fast)``.
    """
    say = progress or (lambda stage, part: None)

    def refine(pair: tuple[Prepared, LateralObservation]) -> LateralObservation:
        prepared, observation = pair
        try:
            return again(observation, fit.problem.lattice_of_pixels(fit.solution.x, prepared))
        except ScanError:
            return dataclasses.replace(observation)

    refined = []
    for k, one in enumerate(side_by_side(refine, list(zip(fit.problem.prepared, observations, strict=True)))):
        say("refining on the pixels", (k + 1) / len(observations))
        refined.append(one)
    return refined
