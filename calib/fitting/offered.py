"""Which effects scans can tell anything of: what is offered to the joint fit, and why the rest is left out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calib.observe.lateral import LateralObservation
from calib.scanner.backlash import Backlash
from calib.scanner.creep import Creep, spread_times
from calib.scanner.creep_before import CreepBefore
from calib.scanner.drift import Drift
from calib.scanner.effect import Effect
from calib.scanner.hysteresis import Hysteresis
from calib.scanner.lag import Lag
from calib.scanner.periodic import Periodic
from calib.scanner.squareness import Squareness

Periods = tuple[tuple[float, ...], tuple[float, ...]]

_DRIFT_RATE = 1.2e-10  # m/s, prior: ambient instruments drift 0.5 to 20 nm/min, rms 7 (common practice, no source)
_PLAY = 1e-3  # of the travel, prior of the half-width of a play (common practice, no source)
_TILTS = np.deg2rad(0.5)  # between scans, below which no squareness of z can be told


def offered_effects(
    observations: Sequence[LateralObservation],
    travel: tuple[float, float],
    periods: Periods = ((), ()),
    play: tuple[float, float] | None = None,
) -> tuple[list[Effect], tuple[str, ...]]:
    """Effects beside the axes and nonlinearity that these scans can tell anything of, and why others are left out.

    Parameters
    ----------
    travel
        Of x and y, m.
    periods
        Of the drives of x and of y, m.
    play
        Half-width of the play, as far as it is known, m.
    """
    play = play or (1e-4 * travel[0], 1e-4 * travel[1])
    effects: list[Effect] = [Periodic(periods)] if any(periods) else []
    left_out = []
    tilts = np.array([observation.slope for observation in observations if observation.slope is not None]).reshape(
        -1, 2
    )
    if len(tilts) > 1 and np.ptp(tilts, axis=0).max() > _TILTS:
        effects.append(Squareness())
    else:
        left_out.append(
            "squareness of z is left out: no sample was scanned with different tilts; turn one by 180 degrees"
        )
    both_ways = any(len(observation.path.passes) == 2 or observation.path.serpentine for observation in observations)
    paths = [observation.path for observation in observations]
    if both_ways:
        amplitude = [float(max(np.abs(path.sweeps.apex[axis]).max() for path in paths)) for axis in (0, 1)]
        effects.append(Hysteresis((amplitude[0], amplitude[1])))
        effects.append(Backlash(play, (_PLAY * travel[0], _PLAY * travel[1])))
    else:
        left_out.append("hysteresis and backlash are left out: no scan has both trace and retrace to tell them by")
    timed = [path for path in paths if path.timed]
    if timed:
        if both_ways:
            shortest = min(path.sweep_time for path in timed)
            longest = max(path.frame_time for path in timed)
            creep = Creep(spread_times(shortest, longest), travel)
            effects.append(creep)
            if any(path.history for path in timed):
                effects.append(CreepBefore(creep.times.tolist(), creep.per_decade, creep.strength))
        else:
            left_out.append("creep is left out: it can't be told from nonlinearity by one pass")
        speeds = [path.speed for path in timed]
        if both_ways and max(speeds) > 1.5 * min(speeds):
            effects.append(Lag())
        else:
            left_out.append("lag of the recording is left out: it can't be told from hysteresis at one speed")
        effects.append(Drift(_DRIFT_RATE))
    else:
        left_out.append("creep and drift are left out: no scan says its line period")
    return effects, tuple(left_out)
