"""The joint problem as straight lines: what scans say of a scanner, how surely, and what is known without them.

Near its solution the problem is linear in its unknowns, and then the uncertainties follow from the path of the scans
alone, whatever was seen in them. So they can be had for scans that nobody has taken yet.

Everything is kept as square roots: ``root.T @ root`` is an information matrix. Forming such matrices would cost half
of the digits, and knowing nothing beforehand leaves none to spare.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np

from calib.fitting.problem import Prepared, Problem, place_to_place
from calib.observe.lateral import LateralObservation
from calib.scanner.effect import Float
from calib.scanner.motion import Motion

WEAK = 1e3
"""By how much what is known of a scanner beforehand is weakened to see what the data alone tell."""

_STRONG = 0.01


class Linearised:
    """The joint problem of some observations about one point.

    Parameters
    ----------
    motion
        Axes and effects.
    observations
        Real or planned.
    values
        Coefficients of the motion at which to linearise; by default those of a perfect scanner.
    misfit
        Standard deviation of what no model follows, m.
    """

    def __init__(
        self,
        motion: Motion,
        observations: Sequence[LateralObservation],
        values: Float | None = None,
        misfit: float = 0.0,
    ) -> None:
        self.motion = motion
        self.problem = Problem(motion, observations)
        self.problem.set_noise(misfit)
        self.x = self.problem.start.copy()
        if values is not None:
            self.x[self.problem.shared] = np.linalg.solve(self.problem.factor, values - motion.rest_values)

    @property
    def size(self) -> int:
        """How many unknowns there are."""
        return int(self.x.size)

    @cached_property
    def data(self) -> Float:
        """Root of the information of the observations, shape ``(rows, unknowns)``."""
        root = np.zeros((0, self.size))
        for _, jacobian in self.problem.blocks(self.x):
            root = np.asarray(np.linalg.qr(np.concatenate([root, jacobian]), mode="r"))
        return root

    def beforehand(self, weaker: float = 1.0) -> Float:
        """Root of the information that is there before any scan, shape ``(unknowns, unknowns)``.

        Parameters
        ----------
        weaker
            By how much what is known of the scanner and of each scan is weakened. Certificates keep their
            uncertainties. So do the fine structure of an effect, which is its nature, and how much scans in succession
            may differ: only what they have in common is weakened.
        """
        held = np.isfinite(self.problem.prior_sd)
        root = np.diag(np.where(held, 1.0, 0.0))
        if weaker == 1:
            return root
        own = held.copy()
        own[self.problem.shared] = False
        for _, place in self.problem.standards.values():
            own[place] = False
        for prepared in self.problem.prepared:
            own[_unevenness(prepared)] = False
        root[own, own] /= weaker
        strong = self._strong_modes()
        shared = self.problem.shared
        root[shared, shared] -= (1 - 1 / weaker) * strong @ strong.T
        for place, rows in self.problem.remembered.values():
            scans = np.nonzero(np.any(rows != 0, axis=1))[0]
            factor = rows[scans]
            common = np.linalg.solve(factor, np.linalg.norm(factor, axis=1))
            length2 = float(common @ common)
            shrunk = 1 - 1 / np.sqrt(1 + weaker**2 * length2)
            root[place, place] = np.eye(len(scans)) - shrunk * np.outer(common, common) / length2
        return root

    def _strong_modes(self) -> Float:
        """Orthonormal directions of the shared unknowns along which the prior leaves most open, as columns.

        How large an effect is, and its broad shape: modes of more than a hundredth of the strongest one's variance.
        That an effect is smooth beyond these is no guess about this scanner, but what makes it that effect.
        """
        blocks = [slice(0, 3)]
        for effect in self.motion.effects:
            blocks.append(slice(blocks[-1].stop, blocks[-1].stop + len(effect.coefficients)))
        columns = []
        for block in blocks:
            values, vectors = np.linalg.eigh(self.motion.prior_covariance[block, block])
            keep = values > _STRONG * values.max(initial=0.0)
            column = np.zeros((len(self.motion.coefficients), int(keep.sum())))
            column[block] = vectors[:, keep] * np.sqrt(values[keep])
            columns.append(column)
        return np.linalg.solve(self.problem.factor, np.concatenate(columns, axis=1))

    def covariance_root(self, weaker: float = 1.0) -> Float:
        """Matrix C, shape ``(unknowns, unknowns)``, with C Cᵀ the covariance of the unknowns.

        Directions that neither observations nor prior knowledge hold get a variance that is practically infinite.
        """
        root = np.linalg.qr(np.concatenate([self.data, self.beforehand(weaker)]), mode="r")
        size = np.linalg.norm(root, axis=0)
        size[size == 0] = 1.0
        _, singular, rows = np.linalg.svd(root / size)
        return np.asarray((rows.T / np.maximum(singular, 1e-13)) / size[:, None])

    def drift_rows(self) -> dict[str, list[tuple[int, Float]]]:
        """Rates of drift as functions of the unknowns, by their names; each with the index of its scan."""
        found: dict[str, list[tuple[int, Float]]] = {}
        for name, (place, rows) in self.problem.remembered.items():
            for scan in np.nonzero(np.any(rows != 0, axis=1))[0]:
                row = np.zeros(self.size)
                row[place] = rows[scan]
                found.setdefault(name, []).append((int(scan), row))
        return found


def _unevenness(prepared: Prepared) -> slice:
    m = prepared.observation.periods.shape[1]
    first = prepared.own.start + 1 + m
    return slice(first, first + (m if place_to_place(prepared.observation) else 0))
