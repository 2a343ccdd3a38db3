"""Optimal design: which of many possible scans make later positions surest, given so many of them.

Candidates are all sensible combinations of standard, size, place, direction of the fast axis, speed and orientation of
the standard. Each is worth the information that its nodes would carry, by the linearised fit
(:mod:`calib.observability.linearised`).
Places that no set should lack come first (the full field up, down, and turned; the smallest size along either axis).
Then one candidate after the other is added, always the one that lowers the mean variance of positions in later scans
the most, and at last each choice is reconsidered given all others (exchange, Fedorov 1972; from memory). Later scans
have other sizes, places, directions and speeds; what is unknown of them alone (their own drift) is left out, since no
calibration can know it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from calib.errors import PlanError
from calib.observability import plausible
from calib.observability.linearised import Linearised
from calib.observe.lateral import LateralObservation
from calib.observe.planned import observe_planned
from calib.path import Path, Samples
from calib.planning.planned import PlannedScan
from calib.scanner.effect import Float
from calib.scanner.motion import Motion
from calib.simulate import Session, raster
from calib.standard import Grating, Grid, Standard
from calib.units import show

LEAST_PERIODS = 5
"""Of a pattern in a scan, for its pitch to be sure."""

LEAST_POINTS = 6
"""In a period of a pattern, for it to be seen."""

MARGIN = 1.07
"""A scanner may go some per cent less far than it is told."""

MISFIT = 5e-4
"""What no model follows, as a part of the travel, where it is not known yet (common practice, no source)."""

_FINE = 2.5e-4  # the same in the search; on foreign instruments this gave the best plans

_SIZES = 4  # between the smallest and the full field
_CHECKS = 16  # later scans by which a set is judged
_EXCHANGES = 2  # rounds in which every choice is reconsidered
_REMOUNT = 0.9  # a scan that needs the standard turned must make the variance so much smaller
_ASIDE = 0.95  # so must one away from the middle; on foreign instruments scans in the middle gave the better plans
_UNTOLD = 1e-2  # information, in units of the prior's, below which all candidates together say nothing

Progress = Callable[[str, float], None]


# --- what is wished for ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Wish:
    """What a plan is to be for, checked; see :func:`calib.planning.propose`."""

    travel: tuple[float, ...]
    standards: tuple[Standard, ...]
    scans: int
    smallest: float
    line_period: float | None
    shortest_line: float | None
    points: int

    @classmethod
    def of(
        cls,
        travel: Sequence[float],
        standards: Sequence[Standard],
        scans: int,
        smallest: float | None,
        line_period: float | None,
        shortest_line: float | None,
        points: int,
    ) -> Wish:
        """Check what is wished for.

        Raises
        ------
        PlanError
            If it makes no sense.
        """
        if not 2 <= len(travel) <= 3 or not all(math.isfinite(side) and side > 0 for side in travel):
            raise PlanError("The travel is two or three lengths of more than zero: of x, y and perhaps z.")
        if not standards:
            raise PlanError("There is no standard to scan: name at least one grating, grid or step.")
        if scans < 1:
            raise PlanError("A plan needs at least one scan.")
        if points < 32:
            raise PlanError(f"{points} points are too few to see a pattern in: take 32 or more.")
        side = min(travel[:2])
        smallest = side / 3 if smallest is None else smallest
        if not 0 < smallest <= side:
            raise PlanError(
                f"The smallest scan of {show(smallest)} does not fit the travel of {show(side)}: name a smaller one."
            )
        for name, period in (("line period", line_period), ("shortest line period", shortest_line)):
            if period is not None and not (math.isfinite(period) and period > 0):
                raise PlanError(f"The {name} must be more than zero.")
        if line_period is not None:
            shortest_line = min(shortest_line or line_period / 5, line_period)
        return cls(tuple(travel), tuple(standards), scans, smallest, line_period, shortest_line, points)

    @property
    def side(self) -> float:
        """Side of the largest square field, m."""
        return min(self.travel[:2])

    @property
    def periods(self) -> list[float | None]:
        """Line periods of the candidates."""
        return list(dict.fromkeys([self.line_period, self.shortest_line]))

    @cached_property
    def patterns(self) -> list[Grating | Grid]:
        """Standards of which enough periods fit, and enough points a period."""
        return [s for s in self.standards if isinstance(s, (Grating, Grid)) and self.sizes(s)]

    def sizes(self, standard: Grating | Grid) -> list[float]:
        """Sizes at which a standard can be scanned, the largest first."""
        pitches = [value.value for name, value in standard.values().items() if name.startswith("pitch")]
        least = max(LEAST_PERIODS * MARGIN * max(pitches), self.smallest)
        most = min(self.side, min(pitches) / LEAST_POINTS * (self.points - 1))
        if most < least:
            # a fine pattern in small fields only, or a coarse one in the full field only
            if most < max(LEAST_PERIODS * MARGIN * max(pitches), self.smallest / 2):
                return []
            least = most
        count = 1 if least > 0.9 * most else _SIZES if least < 0.6 * most else 3
        return list(dict.fromkeys(rounded(size) for size in np.geomspace(most, least, count)))


def rounded(value: float) -> float:
    """To three digits, so that people can set it."""
    return float(f"{value:.3g}")


# --- the search ------------------------------------------------------------------------------------


class Checks:
    """Later scans, by whose positions a set of scans is judged.

    Parameters
    ----------
    travel
        Of x and y, m.
    smallest
        Side of the smallest of them, m.
    line_period, shortest_line
        Their slowest and fastest, s; None without timing.
    """

    def __init__(
        self, travel: tuple[float, float], smallest: float, line_period: float | None, shortest_line: float | None
    ) -> None:
        rng = np.random.default_rng(5)
        side = min(travel)
        largest = max(0.9 * side, smallest)
        self.places: list[tuple[Path, Samples]] = []
        for k in range(_CHECKS):
            size = largest * (smallest / largest) ** ((k // 2 % 4) / 3)
            room = [(t - size) / 2 for t in travel]
            period = line_period
            if line_period is not None and shortest_line is not None:
                period = line_period * (shortest_line / line_period) ** float(rng.uniform())
            scan = raster(
                size,
                64,
                centre=(float(rng.uniform(-room[0], room[0])), float(rng.uniform(-room[1], room[1]))),
                rotation=0.0 if k % 2 == 0 else np.pi / 2,
                frame="up" if k // 8 == 0 else "down",
                line_period=period,
                previous=(0.0, 0.0),
            )
            path = Path(scan)
            rows = np.linspace(3, 60, 9).round().astype(np.int64)
            columns = np.linspace(scan.fast[0], scan.fast[-1], 9)
            index, row, fast = np.meshgrid(np.arange(2), rows, columns, indexing="ij")
            self.places.append((path, path.samples(index, row, fast)))

    @classmethod
    def like(
        cls,
        travel: Sequence[float],
        paths: Sequence[Path],
        smallest: float | None = None,
        shortest_line: float | None = None,
    ) -> Checks:
        """Scans of the sizes and speeds of these."""
        periods = [path.line_period for path in paths if path.timed]
        longest, shortest = (max(periods), min(periods)) if periods else (None, None)
        least = min(smallest or math.inf, *(float(np.ptp(path.fast)) for path in paths))
        return cls((travel[0], travel[1]), least, longest, shortest_line or shortest)

    def roots(self, motion: Motion) -> list[Float]:
        """Derivatives of positions by the shared unknowns, one array a scan, shape ``(2, samples, unknowns)``.

        The shift and turn that all positions of a scan share are taken out.
        """
        factor = np.linalg.cholesky(motion.prior_covariance)
        found = []
        for path, samples in self.places:
            J = motion.jacobian(samples, motion.rest_values, motion.shared(path, samples))
            root = np.einsum("acn,cu->anu", J, factor)
            place = samples.position - samples.position.mean(axis=1, keepdims=True)
            root -= root.mean(axis=1, keepdims=True)
            turn = np.einsum("n,nu->u", place[0], root[1]) - np.einsum("n,nu->u", place[1], root[0])
            turn /= float(np.sum(place**2))
            root[0] += place[1][:, None] * turn
            root[1] -= place[0][:, None] * turn
            found.append(root)
        return found

    def variances(self, motion: Motion, linear: Linearised) -> Float:
        """Variance of the position (both coordinates) at every sample of every scan, m^2."""
        shared = linear.covariance_root()[linear.problem.shared]
        return np.concatenate([np.sum((root @ shared) ** 2, axis=(0, 2)) for root in self.roots(motion)])


class Search:
    """The search among all candidates.

    Parameters
    ----------
    wish
        With at least one pattern.
    """

    def __init__(self, wish: Wish, progress: Progress | None) -> None:
        self.wish = wish
        say = progress or (lambda stage, part: None)
        travel = (wish.travel[0], wish.travel[1])
        self.candidates = list(_candidates(wish))
        observations = []
        paths: dict[tuple[object, ...], Path] = {}
        for k, one in enumerate(self.candidates):
            assert isinstance(one.standard, (Grating, Grid))
            scan = one.raster(Session(), title=f"candidate {k}")
            observation = observe_planned(scan, one.standard, turned=one.turned)
            # the history of the commands is the same whatever the scan shows, and costs most of the time
            how = (one.size, one.centre, one.rotation, one.frame, one.line_period)
            observations.append(replace(observation, path=paths.setdefault(how, observation.path)))
        motion = plausible(observations, travel)
        layout = _layout(wish, len(motion.coefficients))
        roots = []
        for k, observation in enumerate(observations):
            say("judging candidates", k / len(observations))
            roots.append(_information(motion, observation, layout, _FINE * max(travel)))
        checks = Checks(travel, min(wish.smallest, wish.side), wish.line_period, wish.shortest_line)
        total = sum(root.T @ root for root in roots)
        values, vectors = np.linalg.eigh(total)
        basis = vectors[:, values > _UNTOLD]
        self.information = [(root @ basis).T @ (root @ basis) for root in roots]
        n = len(motion.coefficients)
        wanted = [root.reshape(-1, n) @ basis[:n] for root in checks.roots(motion)]
        self.wanted = np.asarray(sum(part.T @ part for part in wanted))
        self.cost = np.array(
            [(1 / _REMOUNT if c.turned else 1.0) * (1 / _ASIDE if any(c.centre) else 1.0) for c in self.candidates]
        )

    def choose(self, count: int) -> list[PlannedScan]:
        """Choose so many scans: first those that no set should lack, then whatever helps most."""
        places = self._needed()[:count]
        anything = np.ones(len(self.candidates), dtype=bool)
        places += [anything] * (count - len(places))
        chosen: list[int] = []
        for place in places:
            chosen.append(self._best(chosen, place))
        for _ in range(_EXCHANGES):
            before = list(chosen)
            for k, place in enumerate(places):
                chosen[k] = self._best(chosen[:k] + chosen[k + 1 :], place)
            if chosen == before:
                break
        return [replace(self.candidates[k], why=_reason(self.candidates[k], self.wish)) for k in chosen]

    def _best(self, others: Sequence[int], place: np.ndarray) -> int:
        """Of the candidates for a place, the one that together with the others lowers the mean variance most."""
        base = np.eye(len(self.wanted)) + sum(self.information[k] for k in others)
        choice = np.nonzero(place)[0]
        scores = [float(np.trace(np.linalg.solve(base + self.information[k], self.wanted))) for k in choice]
        return int(choice[int(np.argmin(np.array(scores) * self.cost[choice]))])

    def _needed(self) -> list[np.ndarray]:
        """Candidates for each place that no set should lack, the most important first.

        The full field up and down, with the other axis fast, and the smallest size along either axis, since no smooth
        law is sure to hold beyond the sizes that were scanned. With gratings alone, three orientations come first.
        """
        grids = [s for s in self.wish.patterns if isinstance(s, Grid)]
        pool = grids or self.wish.patterns
        first = max(pool, key=lambda standard: self.wish.sizes(standard)[0])
        large = self.wish.sizes(first)[0]
        small = min(self.wish.sizes(standard)[-1] for standard in pool)

        def places(**wanted: Any) -> np.ndarray:
            return np.array(
                [
                    all(
                        np.isclose(getattr(one, key), v) if key != "frame" else one.frame == v
                        for key, v in wanted.items()
                    )
                    for one in self.candidates
                ]
            )

        usual = {} if self.wish.line_period is None else {"line_period": self.wish.line_period}
        middle = np.array([one.standard is first and not any(one.centre) for one in self.candidates])
        up = middle & places(size=large, rotation=0.0, turned=0.0, frame="up", **usual)
        down = middle & places(size=large, rotation=0.0, turned=0.0, frame="down", **usual)
        quarter = np.pi / 2
        if grids:
            centred = np.array([not any(one.centre) for one in self.candidates])
            either = centred & places(size=small, turned=0.0)
            needed = [up, down, middle & places(size=large, rotation=quarter, turned=0.0)]
            if small < 0.95 * large:
                needed += [either & places(rotation=0.0), either & places(rotation=quarter)]
            return needed
        turned = [middle & places(size=large, turned=angle) for angle in (quarter, quarter / 2)]
        return [up, turned[0], turned[1], down]


def _candidates(wish: Wish) -> list[PlannedScan]:
    found = []
    for standard in wish.patterns:
        sizes = wish.sizes(standard)
        orientations: tuple[float, ...] = (0.0, np.pi / 2)
        if isinstance(standard, Grating):
            orientations = (0.0, np.deg2rad(45.0), np.pi / 2, np.deg2rad(135.0))
        for size, rotation, turned in itertools.product(sizes, (0.0, np.pi / 2), orientations):
            large = size == sizes[0]
            if turned and isinstance(standard, Grid) and not large:
                continue  # what turning a grid tells, it tells best in the largest field
            for centre, period in itertools.product(_centres(wish, size), wish.periods):
                one = PlannedScan(
                    standard=standard,
                    size=size,
                    centre=centre,
                    rotation=rotation,
                    frame="up",
                    line_period=period,
                    points=wish.points,
                    turned=float(turned),
                )
                found.append(one)
                if large and not rotation and not turned and period == wish.line_period and not any(centre):
                    found.append(one.replace(frame="down"))
    return found


def _centres(wish: Wish, size: float) -> list[tuple[float, float]]:
    """The middle and the corners that the field can reach."""
    rooms = [math.floor((side - size) / 2 * 1e9 / 10) * 10 / 1e9 for side in wish.travel[:2]]
    x, y = ([-rounded(room), rounded(room)] if room > 0.02 * size else [0.0] for room in rooms)
    places: list[tuple[float, float]] = [(0.0, 0.0), *((left, low) for left in x for low in y)]
    return list(dict.fromkeys(places))


def _layout(wish: Wish, shared: int) -> dict[str, slice]:
    """Places of the standards' unknowns behind the shared ones."""
    found: dict[str, slice] = {}
    at = shared
    for standard in wish.patterns:
        count = 1 if isinstance(standard, Grating) else 3
        found[standard.identity] = slice(at, at + count)
        at += count
    return found


def _information(motion: Motion, observation: LateralObservation, layout: dict[str, slice], misfit: float) -> Float:
    """Root of what one scan tells of scanner and standards, whatever its own unknowns are.

    Returns
    -------
    Array of shape ``(rows, shared and standards)``.
    """
    linear = Linearised(motion, [observation], misfit=misfit)
    (_, place), *_ = linear.problem.standards.values()
    kept = np.concatenate([np.arange(linear.problem.shared.stop), np.arange(place.start, place.stop)])
    own = np.setdiff1d(np.arange(linear.size), kept)
    prior = linear.beforehand()[own]
    rows = np.concatenate([linear.data, prior])
    root = np.asarray(np.linalg.qr(rows[:, np.concatenate([own, kept])], mode="r"))[own.size :, own.size :]
    shared = linear.problem.shared.stop
    everything = np.zeros((len(root), max(part.stop for part in layout.values())))
    everything[:, :shared] = root[:, :shared]
    everything[:, layout[observation.standard.identity]] = root[:, shared:]
    return everything


def _reason(one: PlannedScan, wish: Wish) -> str:
    said = []
    if wish.line_period is not None and one.line_period is not None and one.line_period < 0.9 * wish.line_period:
        said.append("creep and speed")
    sizes = wish.sizes(one.standard) if isinstance(one.standard, (Grating, Grid)) else [one.size]
    if one.size < 0.95 * sizes[0]:
        said.append("gain that depends on size")
    if one.rotation:
        said.append("hysteresis of y")
    if one.turned:
        said.append("errors of the standard" if isinstance(one.standard, Grid) else "the other direction")
    if one.size >= 0.95 * sizes[0]:
        said.insert(0, "scale, skew, bending")
    return ", ".join(said) or "drift"
