"""Sudden displacements: the sample or the scanner jumped from one line to the next.

What a model does not follow changes slowly along a frame, and differs between lines swept one way and the other. So a
jump is told from it by being sudden and common to both: a level and a slope for either way are fitted to the lines
around every moment, and one jump that they share. How large jumps seem where there are none is taken from the scan
itself.

Where lines see little of a direction, the nodes tell more: a smooth field of either way is fitted to their residuals,
and a jump between two rows of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.findings.series import LineSeries, along_axes, legendre
from calib.fitting.problem import Prepared, Problem
from calib.scanner.effect import Float

_PART, _LEAST, _MOST = 1 / 20, 6, 1 / 6  # of the rows, rows, of the rows: how many on either side of a jump count
_PITCHES, _PITCHES_SEEN = 1.5, 0.6  # and pitches, where a displacement is not seen on every line, and where it is
_ALWAYS = 0.3  # what a typical line knows over what they know on average
_FEWEST_ROWS = 48
_FIELD, _SMALL_FIELD, _MANY = (3, 3), (2, 2), 60  # degrees along the fast and the slow axis; nodes for the former
_SPARE = 10  # nodes more than coefficients
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


@dataclass(frozen=True)
class NodeJump:
    """A jump between rows of nodes: along which direction, m, with its standard uncertainty, and between which rows."""

    direction: int
    size: float
    u: float
    rows: tuple[int, int]


def node_jump(problem: Problem, x: Float, prepared: Prepared) -> NodeJump | None:
    """Return the jump that makes the residuals of a scan's nodes smoothest; None if there are too few of them."""
    observation, path = prepared.observation, prepared.observation.path
    rest = along_axes(problem.residual(x, prepared), problem.lattice(x, prepared), path)
    row, count = observation.row, path.slow.size
    group = observation.pass_index * 2 + (row % 2 if path.serpentine else 0)
    groups = np.unique(group)
    across, up = _FIELD if row.size >= _MANY * groups.size else _SMALL_FIELD
    along, by_row = legendre(observation.fast, path.fast, across), legendre(path.slow, path.slow, up)[row]
    field = (along[:, :, None] * by_row[:, None, :]).reshape(row.size, -1)
    design = np.concatenate([field * (group == g)[:, None] for g in groups], axis=1)
    spare = row.size - design.shape[1] - 1
    rows = np.unique(row)
    between = (rows[1:] + rows[:-1]) / 2
    inside = (between > _BORDER * count) & (between < (1 - _BORDER) * count)
    if spare < _SPARE or not inside.any():
        return None
    orthogonal = np.linalg.qr(design)[0]
    rest = rest - orthogonal @ (orthogonal.T @ rest)
    step = (row[:, None] > between[inside]).astype(np.float64)
    step -= orthogonal @ (orthogonal.T @ step)
    size2 = np.maximum(np.sum(step**2, axis=0), 1e-9)[:, None]
    jump = (step.T @ rest) / size2
    left = np.sum(rest**2, axis=0) - jump**2 * size2
    u = np.sqrt(np.maximum(left, 0) / spare / size2) + 1e-300
    at, k = (int(i) for i in np.unravel_index(np.argmax(np.abs(jump) / u), jump.shape))
    middle = int(np.flatnonzero(inside)[at])
    apart = int(rows[middle + 1] - rows[middle])
    # a tile that holds the jump lies somewhere between
    low, high = int(rows[middle]) - apart // 2, int(rows[middle + 1]) + apart // 2
    in_time = 1.0 if path.upwards else -1.0
    return NodeJump(k, in_time * float(jump[at, k]), float(u[at, k]), (max(low, 0), min(high, count - 1)))


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
