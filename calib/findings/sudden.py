"""Sudden displacements: the sample or the scanner jumped from one line to the next.

What a model does not follow changes slowly along a frame, and differs between lines swept one way and the other. So a
jump is told from it by being sudden and common to both: a level and a slope for either way are fitted to the lines
around every moment, and one jump that they share. How large jumps seem where there are none is taken from the scan
itself.
"""

from __future__ import annotations

import numpy as np

from calib.findings.series import LineSeries
from calib.scanner.effect import Float

_PART, _LEAST, _MOST = 1 / 20, 6, 1 / 6  # of the rows, rows, of the rows: how many on either side of a jump count
_PITCHES, _PITCHES_SEEN = 1.5, 0.6  # and pitches, where a displacement is not seen on every line, and where it is
_ALWAYS = 0.3  # what a typical line knows over what they know on average
_FEWEST_ROWS = 48
_BORDER = 0.13  # of the frame at its start and end, where scanners settle
_HELD = 0.25  # of a pitch: prior of all displacements, so that what is not seen stays finite


def jumps(series: LineSeries) -> tuple[Float, Float]:
    """Jump that fits best just before every line.

    Returns
    -------
    jump
        m, shape ``(lines, m)``; zero near the start and the end of the frame.
    u
        Standard uncertainty: how large jumps seem over the frame where there are none, and the noise; m, the same
        shape. Infinite near the start and the end.
    """
    count, m = series.right.shape
    jump, u = np.zeros((count, m)), np.full((count, m), np.inf)
    rows = np.unique(series.row).size
    border = int(_BORDER * count)
    if rows < _FEWEST_ROWS:
        return jump, u
    for k in range(m):
        # what lies along the slow axis is seen only where a line crosses an edge, once or twice a pitch; what lies
        # along the fast axis is not seen on lines between the features of a grid
        always = always_seen(series, k)
        pitches = (_PITCHES_SEEN if always else _PITCHES) * series.pitch / float(np.ptp(series.path.slow)) * rows
        reach = int(np.clip(max(_PART * rows, pitches), _LEAST, _MOST * rows)) * max(count // rows, 1)
        moments = np.arange(border, count - border)
        found, noise = _around(series, moments, reach)
        jump[moments, k] = found[:, k]
        # what is not noise is worst where little is seen, as noise is
        spread = 1.4826 * float(np.median(np.abs(found[:, k])))
        factor = 1.4826 * float(np.median(np.abs(found[:, k]) / noise[:, k]))
        u[moments, k] = np.maximum(noise[:, k] * max(factor, 1.0), spread)
    return jump, u


def always_seen(series: LineSeries, k: int) -> bool:
    """Whether nearly every line tells of a displacement along direction `k`."""
    own = series.matrix[:, k, k]
    return bool(np.median(own) > _ALWAYS * own.mean())


def _around(series: LineSeries, moments: np.ndarray, reach: int) -> tuple[Float, Float]:
    """Jumps just before some lines, from so many lines on either side, and their noise; shape ``(moments, m)``."""
    count, m = series.right.shape
    near = moments[:, None] + np.arange(-reach, reach)[None, :]
    outside = (near < 0) | (near >= count)
    near = np.clip(near, 0, count - 1)
    t = (np.arange(-reach, reach) + 0.5) / reach
    groups = series.passes
    basis = np.zeros((moments.size, 2 * reach, 2 * groups + 1))
    of = series.group[near]
    for g in range(groups):
        basis[:, :, 2 * g] = of == g
        basis[:, :, 2 * g + 1] = (of == g) * t
    basis[:, :, -1] = np.where(t > 0, 0.5, -0.5)
    basis[outside] = 0.0
    found, covariance = _solve(basis, series.matrix[near], series.right[near], series.pitch)
    return found[:, -1], np.sqrt(np.diagonal(covariance, axis1=1, axis2=2)[:, -m:])


def _solve(basis: Float, matrix: Float, right: Float, pitch: float) -> tuple[Float, Float]:
    """Coefficients of some functions of the lines, in m, and their covariance by the noise of pixels.

    Parameters
    ----------
    basis
        Shape ``(problems, lines, functions)``.
    matrix, right
        Of the lines, ``(problems, lines, m, m)`` and ``(problems, lines, m)``.

    Returns
    -------
    Arrays of shape ``(problems, functions, m)`` and ``(problems, functions * m, functions * m)``.
    """
    problems, _, functions = basis.shape
    m = right.shape[-1]
    weighted = np.einsum("plk,plab->plkab", basis, matrix)
    normal = np.einsum("plkab,plj->pkajb", weighted, basis).reshape(problems, functions * m, functions * m)
    normal = normal + np.eye(functions * m) / (_HELD * pitch) ** 2
    b = np.einsum("plk,pla->pka", basis, right).reshape(problems, functions * m)
    covariance = np.linalg.inv(normal)
    return np.einsum("pij,pj->pi", covariance, b).reshape(problems, functions, m), covariance
