"""Which scans to take: a set that makes later positions as sure as so many scans can.

The search is in :mod:`calib.planning.design`; here it gets its order, its steps and flats, and what to expect of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np

from calib.errors import PlanError
from calib.observability import Observability, Observation, observability, plausible
from calib.observability.linearised import Linearised
from calib.observe.lateral import LateralObservation
from calib.observe.planned import flat_planned, observe_planned, step_planned
from calib.planning.design import LEAST_PERIODS, LEAST_POINTS, MARGIN, MISFIT, Checks, Progress, Search, Wish, rounded
from calib.planning.planned import PlannedScan
from calib.scan import Frame
from calib.simulate import Session
from calib.standard import Flat, Grating, Grid, Standard, Step
from calib.units import show

__all__ = ["Expected", "PlannedScan", "expect", "judge", "most_useful", "propose", "remarks"]

_PAUSE = 30.0  # s, between scans
_ENOUGH = 4  # scans, for one of them to be of a flat
_SPARE = 12  # from so many scans on, a lone step is shown at three heights of the range


@dataclass(frozen=True)
class Expected:
    """What to expect of a set of scans.

    Attributes
    ----------
    position
        Rms of the uncertainty (k = 1) of a position in later scans, both coordinates together and relative to the rest
        of its scan, m. What is unknown of the later scan alone, and what no model follows, come on top.
    worst
        The largest in any of them, m.
    observability
        Of all quantities.
    misfit
        What is taken to be left by the model, m.
    duration
        Of all frames with pauses, s.
    """

    position: float
    worst: float
    observability: Observability
    misfit: float
    duration: float

    def to_dict(self) -> dict[str, Any]:
        """Return it as a JSON object, SI units."""
        return {
            "position": self.position,
            "worst": self.worst,
            "misfit": self.misfit,
            "duration": self.duration,
            "observability": self.observability.to_dict(),
        }


def propose(
    travel: Sequence[float],
    standards: Sequence[Standard],
    *,
    scans: int = 9,
    smallest: float | None = None,
    line_period: float | None = 1.0,
    shortest_line: float | None = None,
    points: int = 256,
    progress: Progress | None = None,
) -> list[PlannedScan]:
    """Propose a set of scans, in the order in which they should be taken.

    Parameters
    ----------
    travel
        Of x, y and (if known) z, m.
    standards
        Those at hand: gratings, grids, steps.
    scans
        How many there may be.
    smallest
        Side of the smallest scans that will be corrected later, m; by default a third of the travel.
    line_period
        The usual one, s; None for an instrument without.
    shortest_line
        Line period of the fastest scans, s; by default a fifth of the usual one.
    points
        Along both axes of each scan.

    Raises
    ------
    PlanError
        If nothing can be calibrated with these standards.
    """
    wish = Wish.of(travel, standards, scans, smallest, line_period, shortest_line, points)
    heights = [*_flats(wish), *_steps(wish)]
    lateral: list[PlannedScan] = []
    if wish.patterns:
        lateral = Search(wish, progress).choose(max(1, wish.scans - len(heights)))
    if not lateral and not heights:
        raise PlanError(_nothing(wish))
    return _named([*_ordered(lateral), *heights[: max(0, wish.scans - len(lateral))]])


def expect(
    planned: Sequence[PlannedScan],
    travel: Sequence[float],
    *,
    smallest: float | None = None,
    shortest_line: float | None = None,
    misfit: float | None = None,
) -> Expected:
    """Tell how sure a scanner will be known from planned scans, by the whole linearised fit of all of them.

    Parameters
    ----------
    planned
        In the order in which they will be taken.
    travel
        Of x, y and (if known) z, m.
    smallest, shortest_line
        As for :func:`propose`; by default the least of the plan.
    misfit
        Standard deviation of what no model follows, m; by default 0.05 % of the travel.
    """
    misfit = MISFIT * max(travel[:2]) if misfit is None else misfit
    observations = observe_all(planned)
    duration = sum(scan.duration for scan in planned) + _PAUSE * len(planned)
    return judge(observations, travel, smallest=smallest, shortest_line=shortest_line, misfit=misfit, duration=duration)


def judge(
    observations: Sequence[Observation],
    travel: Sequence[float],
    *,
    smallest: float | None = None,
    shortest_line: float | None = None,
    misfit: float,
    duration: float = math.nan,
) -> Expected:
    """Tell how sure a scanner is known from observations, real or planned; see :func:`expect`."""
    lateral = [o for o in observations if isinstance(o, LateralObservation)]
    position = worst = math.nan
    motion = None
    if lateral:
        motion = plausible(lateral, (travel[0], travel[1]))
        checks = Checks.like(travel, [o.path for o in lateral], smallest, shortest_line)
        variance = checks.variances(motion, Linearised(motion, lateral, misfit=misfit))
        position, worst = float(np.sqrt(variance.mean())), float(np.sqrt(variance.max()))
    seen = observability(observations, motion, travel=tuple(travel), misfit=misfit)
    return Expected(position, worst, seen, misfit, duration)


def observe_all(planned: Sequence[PlannedScan], session: Session | None = None) -> list[Observation]:
    """Return the observations that planned scans would give, one after the other in a session."""
    session = session or Session(pause=_PAUSE)
    found: list[Observation] = []
    for number, one in enumerate(planned, start=1):
        scan = one.raster(session, title=one.title or f"scan {number}")
        if isinstance(one.standard, (Grating, Grid)):
            found.append(observe_planned(scan, one.standard, turned=one.turned))
        elif isinstance(one.standard, Step):
            found.append(step_planned(scan, one.standard))
        elif isinstance(one.standard, Flat):
            found.append(flat_planned(scan, one.standard))
    return found


def most_useful(
    taken: Sequence[LateralObservation],
    left: Sequence[PlannedScan],
    travel: Sequence[float],
    *,
    misfit: float | None = None,
) -> int | None:
    """Return the index of the planned scan that would make later positions surest; None if none is lateral.

    Parameters
    ----------
    taken
        What has been observed so far.
    left
        What is still planned.
    travel
        Of x and y at least, m.
    """
    misfit = MISFIT * max(travel[:2]) if misfit is None else misfit
    rest = taken[-1].path.last if taken else (0.0, 0.0)
    lateral = [k for k, one in enumerate(left) if isinstance(one.standard, (Grating, Grid))]
    if not lateral:
        return None
    began = taken[-1].started if taken else None
    coming: dict[int, LateralObservation] = {}
    for k in lateral:
        session = Session(rest=rest) if began is None else Session(rest=rest, began=began + timedelta(seconds=_PAUSE))
        observation = observe_all([left[k].replace(title=f"to come {k}")], session)[0]
        assert isinstance(observation, LateralObservation)
        coming[k] = observation
    everything = [*taken, *coming.values()]
    motion = plausible(everything, (travel[0], travel[1]))
    checks = Checks.like(travel, [o.path for o in everything])

    def mean_variance(k: int) -> float:
        linear = Linearised(motion, [*taken, coming[k]], misfit=misfit)
        return float(checks.variances(motion, linear).mean())

    return min(lateral, key=mean_variance)


def remarks(
    planned: Sequence[PlannedScan],
    travel: Sequence[float],
    standards: Sequence[Standard],
    smallest: float | None = None,
) -> list[str]:
    """Say what a plan leaves undetermined, and which standard would mend it."""
    said = []
    used = [scan for scan in planned if isinstance(scan.standard, (Grating, Grid))]
    asked = smallest or min(travel[:2]) / 3
    if not used:
        said.append("positions stay as they are, since there is no grating or grid that fits: add one")
    else:
        least = min(scan.size for scan in used)
        if least > 1.05 * asked:
            said.append(
                f"scans smaller than {show(least, digits=3)} are not calibrated, since {LEAST_PERIODS} periods of the"
                f" pattern don't fit into them; for {show(asked, digits=3)} take a pitch of"
                f" {show(asked / LEAST_PERIODS / MARGIN, digits=2)} or less"
            )
        if all(isinstance(scan.standard, Grating) for scan in used):
            said.append(
                "a grating gives one direction at a time, so it is turned on the stage; a grid would need fewer scans"
            )
        elif not any(scan.turned for scan in used):
            said.append(
                "the grid stays as it lies; to tell the skew of the scanner from the angle of the grid better than its"
                " certificate, turn the grid by 90 degrees for one more scan"
            )
    steps = [scan for scan in planned if isinstance(scan.standard, Step)]
    if not steps:
        said.append("the height gain will be undetermined, since there is no step: add one")
    elif len({(scan.standard.identity, scan.z_centre) for scan in steps}) < 2:
        said.append(
            "whether the height gain changes over the range will be undetermined: add steps of other heights, or show"
            " the same step at other heights of the range"
        )
    for standard in standards:
        if not any(scan.standard.identity == standard.identity for scan in planned):
            said.append(f"{standard.name!r} is not used, and serves for checks; with more scans it may find a use")
    return said


def _nothing(wish: Wish) -> str:
    pitches = [
        value.value
        for standard in wish.standards
        if isinstance(standard, (Grating, Grid))
        for name, value in standard.values().items()
        if name.startswith("pitch")
    ]
    if not pitches:
        return "None of these standards fits, so nothing can be calibrated: add a grating, a grid or a step."
    coarse = wish.side / LEAST_PERIODS / MARGIN
    fine = min(wish.smallest / 2 / (wish.points - 1) * LEAST_POINTS, coarse)
    return (
        f"None of these patterns can be used: a field of {show(wish.side)} with {wish.points} points a line needs a"
        f" pitch of {show(fine, digits=2)} to {show(coarse, digits=2)}, so that {LEAST_PERIODS} periods fit and each"
        f" has {LEAST_POINTS} points."
    )


def _flats(wish: Wish) -> list[PlannedScan]:
    """One flat over the full field, if there are scans for it."""
    flats = [s for s in wish.standards if isinstance(s, Flat) and min(s.area) >= wish.side]
    if not flats or wish.scans < _ENOUGH:
        return []
    best = min(flats, key=lambda flat: flat.flatness.u)
    return [
        PlannedScan(
            standard=best,
            size=rounded(wish.side),
            line_period=wish.line_period,
            points=wish.points,
            why="bow of heights",
        )
    ]


def _steps(wish: Wish) -> list[PlannedScan]:
    """Scans of steps: each step once, or one step at several heights where there are scans to spare."""
    steps = sorted((s for s in wish.standards if isinstance(s, Step)), key=lambda step: step.height.value, reverse=True)
    z = wish.travel[2] if len(wish.travel) > 2 else math.inf
    steps = [step for step in steps if step.height.value < 0.9 * z]
    most = wish.scans if not wish.patterns else max(1, wish.scans // 4)
    found = []
    for step in steps[:most]:
        size = wish.side
        if step.width is not None:
            # three widths hold a feature with its sides (ISO 5436-1); more of them serve as well
            size = min(wish.side, rounded(max(3.2 * step.width.value, wish.side / 2)))
        places: list[float | None] = [None]
        if len(steps) == 1 and math.isfinite(z) and wish.scans >= _SPARE:
            room = 0.8 * (z - step.height.value) / 2
            places = [rounded(part * room) for part in (0.0, -1.0, 1.0)]
        for place in places:
            found.append(
                PlannedScan(
                    standard=step,
                    size=rounded(size),
                    frame="up",
                    line_period=wish.line_period,
                    points=wish.points,
                    z_centre=place,
                    why="height gain" if place is None or place == 0 else "height gain over the range",
                )
            )
    return found


# --- the order -------------------------------------------------------------------------------------


def _ordered(chosen: Sequence[PlannedScan]) -> list[PlannedScan]:
    """Large before small, as the standard lies, frames up and down by turns."""
    standards = list(dict.fromkeys(id(one.standard) for one in chosen))

    def key(one: PlannedScan) -> tuple[Any, ...]:
        place = (round(one.centre[0] * 1e12), round(one.centre[1] * 1e12))
        usual = -(one.line_period or 0.0)
        return (
            standards.index(id(one.standard)),
            one.turned,
            -one.size,
            one.rotation,
            usual,
            place,
            one.frame == "down",
        )

    ordered = sorted(chosen, key=key)
    # a frame after one in the other direction: together they show the drift; alone, one direction is as good
    frames: tuple[Frame, Frame] = ("up", "down")
    return [one.replace(frame=frames[k % 2]) for k, one in enumerate(ordered)]


def _named(scans: Sequence[PlannedScan]) -> list[PlannedScan]:
    usual = max((one.line_period or 0.0 for one in scans), default=0.0)
    found = []
    for number, one in enumerate(scans, start=1):
        words = [f"scan-{number:02d}", one.standard.kind]
        if isinstance(one.standard, (Grating, Grid)):
            words.append(show(one.size).replace(" ", "").replace("µ", "u").replace(".", "p"))
            words += ["turned"] if one.rotation else []
            words.append(one.frame)
            words += ["fast"] if one.line_period is not None and one.line_period < 0.9 * usual else []
            words += ["standard-turned"] if one.turned else []
        found.append(one.replace(title="-".join(words)))
    return found
