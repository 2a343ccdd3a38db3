"""What the scans before usually leave in a later scan, of which it is not known what went before.

Later scans are taken to follow one another as scans do: each anywhere in the area of the calibration, of any size and
speed that was calibrated, with the usual pause between them. What creep then leaves in them is computed.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np

from calib.fitting.succession import histories
from calib.frames import lattice, reference_frame
from calib.path import Path
from calib.scan import Scan
from calib.scanner.creep import Creep
from calib.scanner.creep_before import CreepBefore
from calib.scanner.effect import Float

_SCANS = 32
_LINES = 24  # by which a frame stands for one of more


def usual_start(creep: Creep, before: CreepBefore, gains: Float, paths: Sequence[Path]) -> float:
    """Rms of what scans before leave, as far as it looks like an unknown start, over that unknown's prior.

    Parameters
    ----------
    creep, before
        The effects, as they were fitted.
    gains
        Coefficients of `before`, shape ``(2,)``.
    paths
        Of the calibration.
    """
    shares = []
    scans = _scans(paths)
    for scan, history in zip(scans, histories(scans), strict=True):
        path = Path(scan)
        path.history = history
        samples, _ = lattice(path, np.arange(1, _LINES), [0, _LINES - 1])
        moved = gains[:, None] * before.basis(path, samples)
        unknown = creep.nuisances(path, samples)
        for coefficient, shape, sd in zip(unknown.terms.coefficients, unknown.terms.basis, unknown.sd, strict=True):
            # where all is moved alike, nobody sees it
            one, other = (part - part.mean() for part in (shape, moved[coefficient.axis]))
            shares.append(float(one @ other / (one @ one)) / float(sd))
    return float(np.sqrt(np.mean(np.square(shares))))


def _scans(paths: Sequence[Path]) -> list[Scan]:
    """Scans one after the other, at random within what was calibrated; always the same."""
    rng = np.random.default_rng(0)
    timed = [path for path in paths if path.timed]
    sizes = [float(np.ptp(path.fast)) for path in timed]
    corners = np.concatenate([path.at(path.fast[[0, -1, 0, -1]], path.slow[[0, 0, -1, -1]]) for path in timed], axis=1)
    low, high = corners.min(axis=1), corners.max(axis=1)
    pauses = [path.history[-1].begin for path in timed if path.history]
    found: list[Scan] = []
    now, rest = datetime(2000, 1, 1, tzinfo=UTC), (low + high) / 2
    for _ in range(_SCANS):
        size = rng.uniform(min(sizes), max(sizes))
        room = np.maximum(high - low - size, 0.0) / 2
        centre = (low + high) / 2 + rng.uniform(-room, room)
        time = timed[rng.integers(len(timed))].frame_time
        scan = reference_frame(
            size,
            _LINES,
            centre=(float(centre[0]), float(centre[1])),
            rotation=float(rng.choice([0.0, np.pi / 2])),
            line_period=time / _LINES,
        ).replace(
            frame=str(rng.choice(["up", "down"])), started=now, previous_x=float(rest[0]), previous_y=float(rest[1])
        )
        found.append(scan)
        rest = np.array(Path(scan).last)
        now += timedelta(seconds=time + float(np.median(pauses)))
    return found
