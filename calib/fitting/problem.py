"""The joint problem: all observations of a scanner as functions of one vector of unknowns.

Unknowns, all scaled so that their prior standard deviation is one (or their natural size, where they have no prior):

- coefficients of the scanner's motion, through a factor of their prior covariance;
- departures of the standards from their certificates, one set for all scans of the same standard;
- of each scan alone: the standard's pose, and what the effects leave open (drift, what went before the frame).

A node of a grid at true position r has lattice coordinates ``F R(-theta) r - q0`` (F: reciprocal vectors as rows).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property

import numpy as np

from calib.observe.lateral import LateralObservation, unknown_cosine
from calib.observe.lattice import grid_reciprocal
from calib.path import Samples
from calib.scanner.effect import Float
from calib.scanner.motion import Motion, axes_matrix
from calib.standard import Grating, Grid

_MEDIAN_CHI2 = 0.6  # of chi-squared over its degrees of freedom, between 0.45 (one) and 0.69 (two)


@dataclass(frozen=True)
class Unknown:
    """One entry of the vector: what it is called, and its value per unit of the vector.

    Attributes
    ----------
    name
        For people; of a scan's own unknowns with the scan's label.
    scale
        Physical size of one unit.
    prior
        Whether it has a prior of unit standard deviation about zero.
    """

    name: str
    scale: float
    prior: bool


@dataclass
class Prepared:
    """An observation with everything that does not depend on the unknowns."""

    observation: LateralObservation
    shared: Float
    position: Float
    standard: slice
    own: slice
    nuisance_basis: list[tuple[bool, np.ndarray, Float]]
    nuisance_map: Float
    stretch: Float
    fold: np.ndarray
    whiten: Float = field(default_factory=lambda: np.zeros(0))
    weight: Float = field(default_factory=lambda: np.ones(0))


class Problem:
    """All lateral observations of one scanner.

    Parameters
    ----------
    motion
        Axes and effects.
    observations
        In any order.
    patches
        Into how many patches a side each scan is cut, for leaving parts of scans out; 1: scans stay whole.
    """

    def __init__(self, motion: Motion, observations: Sequence[LateralObservation], patches: int = 1) -> None:
        self.patches = patches
        self.motion = motion
        self.observations = tuple(observations)
        self.unknowns: list[Unknown] = []
        self.shared = self._add([Unknown(c.name, 1.0, True) for c in motion.coefficients])
        self.factor = np.linalg.cholesky(motion.prior_covariance)
        self.standards: dict[str, tuple[Grating | Grid, slice]] = {}
        for observation in self.observations:
            standard = observation.standard
            if standard.identity not in self.standards:
                names = ["pitch"] if isinstance(standard, Grating) else ["pitch_x", "pitch_y", "angle"]
                entries = [Unknown(f"{standard.name}: {name}", getattr(standard, name).u, True) for name in names]
                self.standards[standard.identity] = (standard, self._add(entries))
        self.remembered = self._add_shared_in_part()
        self.prepared = [self._prepare(k, observation) for k, observation in enumerate(self.observations)]
        self.misfit = 0.0
        self.set_noise(0.0)

    def _add(self, entries: Sequence[Unknown]) -> slice:
        begin = len(self.unknowns)
        self.unknowns.extend(entries)
        return slice(begin, len(self.unknowns))

    # --- set-up ----------------------------------------------------------------------------------

    @cached_property
    def start(self) -> Float:
        """Where to begin: a perfect scanner, the certificates' values, the standards as they are seen to lie."""
        x = np.zeros(len(self.unknowns))
        for prepared in self.prepared:
            observation = prepared.observation
            angle = prepared.own.start
            x[angle] = observation.angle
            turned = self._lattice(x, prepared)[0] @ prepared.position
            x[angle + 1 : angle + 1 + turned.shape[0]] = np.median(turned.T - observation.periods, axis=0)
        return x

    @property
    def prior_sd(self) -> Float:
        """Prior standard deviation of each unknown: one or infinite."""
        return np.array([1.0 if unknown.prior else np.inf for unknown in self.unknowns])

    def _add_shared_in_part(self) -> dict[str, tuple[slice, Float]]:
        """Unknowns that scans in succession share in part: one vector over scans for each, with its factor."""
        families: dict[str, tuple[float, list[int], list[float]]] = {}
        for k, observation in enumerate(self.observations):
            probe = observation.path.samples(0, np.zeros(1, dtype=np.int64), np.zeros(1))
            for _, nuisances in self.motion.nuisances(observation.path, probe):
                if nuisances.memory > 0:
                    for coefficient, sd in zip(nuisances.terms.coefficients, nuisances.sd, strict=True):
                        memory, scans, sds = families.setdefault(coefficient.name, (nuisances.memory, [], []))
                        scans.append(k)
                        sds.append(float(sd))
        result = {}
        for name, (memory, scans, sds) in families.items():
            apart = _apart([self.observations[k].started for k in scans])
            covariance = np.exp(-apart / memory) * np.outer(sds, sds)
            covariance += 1e-6 * np.diag(np.diag(covariance))
            place = self._add([Unknown(f"{self.observations[k].label}: {name}", 1.0, True) for k in scans])
            rows = np.zeros((len(self.observations), len(scans)))
            rows[scans] = np.linalg.cholesky(covariance)
            result[name] = (place, rows)
        return result

    def _prepare(self, index: int, observation: LateralObservation) -> Prepared:
        path, m = observation.path, observation.periods.shape[1]
        samples = path.samples(observation.pass_index, observation.row, observation.fast)
        pose = [Unknown(f"{observation.label}: angle of the standard", 1.0, False)]
        pose += [Unknown(f"{observation.label}: origin {k + 1}", 1.0, False) for k in range(m)]
        place = self._add([*pose, *self._unevenness(observation)])
        bases: list[tuple[bool, np.ndarray, Float]] = []
        rows: list[Float] = []
        for acts_on, nuisances in self.motion.nuisances(path, samples):
            axes = np.array([c.axis for c in nuisances.terms.coefficients])
            bases.append((acts_on == "actuator", axes, nuisances.terms.basis))
            for coefficient, sd in zip(nuisances.terms.coefficients, nuisances.sd, strict=True):
                row = np.zeros(0)
                if coefficient.name in self.remembered:
                    where, factor = self.remembered[coefficient.name]
                    row = np.zeros(where.stop)
                    row[where] = factor[index]
                else:
                    own = self._add([Unknown(f"{observation.label}: {coefficient.name}", float(sd), True)])
                    place = slice(place.start, own.stop)
                    row = np.zeros(own.stop)
                    row[own.start] = sd
                rows.append(row)
        width = max((row.size for row in rows), default=0)
        table = np.zeros((len(rows), width))
        for k, row in enumerate(rows):
            table[k, : row.size] = row
        gx, gy = observation.slope or (0.0, 0.0)
        # a tilted standard looks shortened: what lies on it is longer than what is seen from above
        stretch = np.eye(2) + 0.5 * np.array([[gx * gx, gx * gy], [gx * gy, gy * gy]])
        return Prepared(
            observation=observation,
            shared=self.motion.shared(path, samples),
            position=samples.position,
            standard=self.standards[observation.standard.identity][1],
            own=place,
            nuisance_basis=bases,
            nuisance_map=table,
            stretch=stretch,
            fold=_folds(observation, self.patches),
        )

    def _unevenness(self, observation: LateralObservation) -> list[Unknown]:
        """How far the pitch at this place, in this mounting, may be from the certificate's."""
        standard = observation.standard
        relative = place_to_place(observation)
        names = ["pitch"] if isinstance(standard, Grating) else ["pitch_x", "pitch_y"]
        if not relative:
            return []
        return [Unknown(f"{observation.label}: {name} at this place", relative, True) for name in names]

    # --- weights ---------------------------------------------------------------------------------

    def set_noise(self, misfit: float) -> None:
        """Weigh nodes by their noise and a common misfit.

        Parameters
        ----------
        misfit
            Standard deviation of what no model follows, m.
        """
        self.misfit = misfit
        for prepared in self.prepared:
            observation = prepared.observation
            pitch = 1 / np.linalg.norm(self._reciprocal(observation.standard), axis=1)
            covariance = observation.covariance + np.diag((misfit / pitch) ** 2 + 1e-12)[None]
            prepared.whiten = np.linalg.inv(np.linalg.cholesky(covariance))
            if prepared.weight.size != observation.size:
                prepared.weight = np.ones(observation.size)

    def reweigh(self, x: Float, reach: float = 5.0) -> None:
        """Give outlying nodes less weight (Tukey's biweight on the distance in standard deviations).

        While the solution is still far, typical distances are large: outliers are those far beyond the typical.
        """
        for prepared in self.prepared:
            rest = np.einsum("kij,kj->ki", prepared.whiten, self.residual(x, prepared))
            distance2 = np.sum(rest**2, axis=1) / rest.shape[1]
            typical2 = max(1.0, float(np.median(distance2)) / _MEDIAN_CHI2)
            prepared.weight = np.clip(1 - distance2 / (typical2 * reach**2), 0, None) ** 2

    # --- observation equation --------------------------------------------------------------------

    def values(self, x: Float) -> Float:
        """Coefficients of the motion."""
        return self.motion.rest_values + self.factor @ x[self.shared]

    @staticmethod
    def _reciprocal(standard: Grating | Grid) -> Float:
        if isinstance(standard, Grating):
            return np.array([[1 / standard.pitch.value, 0.0]])
        return grid_reciprocal(standard.pitch_x.value, standard.pitch_y.value, standard.angle.value)

    def _lattice(self, x: Float, prepared: Prepared) -> tuple[Float, Float, Float]:
        """``F R(-theta) S``, its derivative by theta, and (for a grid) by the standard's angle; each ``(m, 2)``."""
        standard, departure = prepared.observation.standard, x[prepared.standard]
        theta = x[prepared.own.start]
        cos, sin = np.cos(theta), np.sin(theta)
        turn = np.array([[cos, sin], [-sin, cos]])
        by_theta = np.array([[-sin, cos], [-cos, -sin]])
        if isinstance(standard, Grating):
            F = np.array([[1 / (standard.pitch.value + standard.pitch.u * departure[0]), 0.0]])
            by_angle = np.zeros((1, 2))
        else:
            pitch_x = standard.pitch_x.value + standard.pitch_x.u * departure[0]
            pitch_y = standard.pitch_y.value + standard.pitch_y.u * departure[1]
            gamma = standard.angle.value + standard.angle.u * departure[2]
            F = grid_reciprocal(pitch_x, pitch_y, gamma)
            s, c = np.sin(gamma), np.cos(gamma)
            by_angle = np.array([[0.0, 1 / s**2], [0.0, -c / s**2]]) / np.array([[pitch_x], [pitch_y]])
        return F @ turn @ prepared.stretch, F @ by_theta @ prepared.stretch, by_angle @ turn @ prepared.stretch

    def lattice(self, x: Float, prepared: Prepared) -> Float:
        """Matrix from true position to lattice coordinates, cycles/m; shape ``(m, 2)``."""
        return self._lattice(x, prepared)[0]

    def _actuator(self, x: Float, values: Float, prepared: Prepared) -> tuple[Float, Float]:
        """Actuator position of the nodes, and what is added to their true position; both ``(2, nodes)``."""
        actuator = prepared.position.copy()
        axis = self.motion.axis
        for a in (0, 1):
            actuator[a] += values[3:][axis == a] @ prepared.shared[axis == a]
        added = np.zeros_like(actuator)
        amounts = prepared.nuisance_map @ x[: prepared.nuisance_map.shape[1]]
        at = 0
        for in_actuator, axes, basis in prepared.nuisance_basis:
            target = actuator if in_actuator else added
            for k, a in enumerate(axes):
                target[a] += amounts[at + k] * basis[k]
            at += len(axes)
        return actuator, added

    def _place(self, x: Float, values: Float, prepared: Prepared) -> Float:
        """True position of the nodes, shape ``(2, nodes)``."""
        actuator, added = self._actuator(x, values, prepared)
        return np.asarray(axes_matrix(values) @ actuator + added)

    def _uneven(self, x: Float, prepared: Prepared) -> Float:
        """Relative departure of the pitches at this place, shape ``(m,)``; zeros where the standard is even."""
        m = prepared.observation.periods.shape[1]
        first = prepared.own.start + 1 + m
        relative = place_to_place(prepared.observation)
        return relative * x[first : first + m] if relative else np.zeros(m)

    def residual(self, x: Float, prepared: Prepared) -> Float:
        """Seen less expected lattice coordinates, periods; shape ``(nodes, m)``."""
        observation = prepared.observation
        m = observation.periods.shape[1]
        lattice = self._lattice(x, prepared)[0]
        expected = lattice @ self._place(x, self.values(x), prepared) * (1 - self._uneven(x, prepared))[:, None]
        origin = x[prepared.own.start + 1 : prepared.own.start + 1 + m]
        return np.asarray(observation.periods - (expected.T - origin))

    def lattice_of_pixels(self, x: Float, prepared: Prepared) -> Float:
        """Expected lattice coordinates of every pixel, shape ``(m, pass, slow, fast)``.

        Computed on a coarse grid and interpolated: the map is smooth along lines and across all lines swept alike.
        """
        from scipy.interpolate import RectBivariateSpline

        path = prepared.observation.path
        passes, slow, fast = path.scan_shape
        m = prepared.observation.periods.shape[1]
        result = np.empty((m, passes, slow, fast))
        columns = np.unique(np.linspace(0, fast - 1, min(fast, 65)).round().astype(np.int64))
        first = path.sweeps.line[0]
        for index in range(passes):
            for start, step in ((0, 2), (1, 2)) if path.serpentine else ((0, 1),):
                rows = np.arange(start, slow, step)
                # the first line of the frame is like no other
                usual = rows[rows != first]
                chosen = np.unique(usual[np.linspace(0, usual.size - 1, min(usual.size, 65)).round().astype(np.int64)])
                samples = path.samples(index, chosen[:, None], path.fast[columns][None, :])
                expected = self._expected_at(x, prepared, samples).reshape(m, chosen.size, columns.size)
                for k in range(m):
                    spline = RectBivariateSpline(path.slow[chosen], path.fast[columns], expected[k])
                    inside = np.clip(path.slow[rows], path.slow[chosen[0]], path.slow[chosen[-1]])
                    result[k, index, rows] = spline(inside, path.fast)
        return result

    def _expected_at(self, x: Float, prepared: Prepared, samples: Samples) -> Float:
        """Expected lattice coordinates at any samples of a scan, shape ``(m, samples)``."""
        path = prepared.observation.path
        bases = [
            (acts_on == "actuator", np.array([c.axis for c in nuisances.terms.coefficients]), nuisances.terms.basis)
            for acts_on, nuisances in self.motion.nuisances(path, samples)
        ]
        elsewhere = replace(
            prepared,
            shared=self.motion.shared(path, samples),
            position=samples.position,
            nuisance_basis=bases,
        )
        m = prepared.observation.periods.shape[1]
        r = self._place(x, self.values(x), elsewhere)
        origin = x[prepared.own.start + 1 : prepared.own.start + 1 + m]
        return self._lattice(x, prepared)[0] @ r * (1 - self._uneven(x, prepared))[:, None] - origin[:, None]

    def blocks(self, x: Float) -> Iterator[tuple[Float, Float]]:
        """Whitened residuals and Jacobian, one block an observation (the solver's interface)."""
        values = self.values(x)
        for prepared in self.prepared:
            residual, jacobian = self.block(x, values, prepared)
            if self.patches == 1:
                yield residual, jacobian
                continue
            fold = np.repeat(prepared.fold, prepared.observation.periods.shape[1])
            for part in np.unique(fold):
                yield residual[fold == part], jacobian[fold == part]

    @property
    def owners(self) -> list[int]:
        """Index of the observation that each block of :meth:`blocks` belongs to."""
        return [k for k, prepared in enumerate(self.prepared) for _ in np.unique(prepared.fold)]

    def own_unknowns(self, whole: bool = True) -> list[np.ndarray | None]:
        """For each block the unknowns that belong to its scan alone, bool; None where parts of scans are left out.

        Of what scans in succession share in part, a scan owns what none before it had.
        """
        if not whole:
            return [None] * len(self.owners)
        found: list[np.ndarray | None] = []
        for k in self.owners:
            mine = np.zeros(len(self.unknowns), dtype=bool)
            mine[self.prepared[k].own] = True
            for place, factor in self.remembered.values():
                mine[place] |= factor[k] == np.abs(factor[k]).max() if np.any(factor[k]) else False
            found.append(mine)
        return found

    def block(self, x: Float, values: Float, prepared: Prepared) -> tuple[Float, Float]:
        """Whitened residuals and Jacobian of one observation."""
        observation = prepared.observation
        n, m = observation.periods.shape
        lattice, by_theta, by_angle = self._lattice(x, prepared)
        actuator, added = self._actuator(x, values, prepared)
        r = axes_matrix(values) @ actuator + added
        uneven = self._uneven(x, prepared)
        expected = lattice @ r
        J = np.zeros((m, n, len(self.unknowns)))
        J[:, :, self.shared] = self._by_values(values, prepared, lattice, actuator) @ self.factor
        first = prepared.standard.start
        if isinstance(observation.standard, Grating):
            pitch = observation.standard.pitch
            J[0, :, first] = -expected[0] * pitch.u / (pitch.value + pitch.u * x[first])
        else:
            for k, pitch in enumerate((observation.standard.pitch_x, observation.standard.pitch_y)):
                J[k, :, first + k] = -expected[k] * pitch.u / (pitch.value + pitch.u * x[first + k])
            J[:, :, first + 2] = observation.standard.angle.u * (by_angle @ r)
        angle = prepared.own.start
        J[:, :, angle] = by_theta @ r
        J *= (1 - uneven)[:, None, None]
        for k in range(m):
            J[k, :, angle + 1 + k] = -1.0
            if relative := place_to_place(observation):
                J[k, :, angle + 1 + m + k] = -relative * expected[k]
        if prepared.nuisance_basis:
            through = lattice @ axes_matrix(values)
            by_amount = np.concatenate(
                [
                    (through if in_actuator else lattice)[:, axes][:, :, None] * basis[None]
                    for in_actuator, axes, basis in prepared.nuisance_basis
                ],
                axis=1,
            )
            width = prepared.nuisance_map.shape[1]
            by_amount *= (1 - uneven)[:, None, None]
            J[:, :, :width] += by_amount.transpose(0, 2, 1) @ prepared.nuisance_map
        rest = self.residual(x, prepared)
        white = prepared.whiten * np.sqrt(prepared.weight)[:, None, None]
        whitened = np.einsum("nij,nj->ni", white, rest).ravel()
        jacobian = np.zeros((n, m, len(self.unknowns)))
        for i in range(m):
            for j in range(i + 1):  # whitening matrices are lower triangles
                jacobian[:, i] -= white[:, i, j, None] * J[j]
        return whitened, jacobian.reshape(n * m, -1)

    def _by_values(self, values: Float, prepared: Prepared, lattice: Float, actuator: Float) -> Float:
        """Derivative of the lattice coordinates by those of the motion, shape ``(m, nodes, coefficients)``."""
        scale_y, skew = values[1], values[2]
        axis = self.motion.axis
        X, Y = actuator
        sin, cos = np.sin(skew), np.cos(skew)
        m = lattice.shape[0]
        result = np.empty((m, X.size, 3 + len(axis)))
        result[:, :, 0] = lattice[:, :1] * X
        result[:, :, 1] = (lattice[:, :1] * sin + lattice[:, 1:] * cos) * Y
        result[:, :, 2] = (lattice[:, :1] * cos - lattice[:, 1:] * sin) * scale_y * Y
        result[:, :, 3:] = (lattice @ axes_matrix(values))[:, axis][:, None, :] * prepared.shared.T[None]
        return result


def _folds(observation: LateralObservation, patches: int) -> np.ndarray:
    path = observation.path
    along = (observation.fast - path.edges[0]) / (path.edges[1] - path.edges[0])
    across = observation.row / path.slow.size
    column, row = (np.clip((part * patches).astype(np.int64), 0, patches - 1) for part in (along, across))
    return np.asarray(row * patches + column)


def place_to_place(observation: LateralObservation) -> float:
    """Relative standard deviation of the pitches in a scan from the certificate's: place, mounting, unknown tilt."""
    standard = observation.standard
    pitch = standard.pitch.value if isinstance(standard, Grating) else standard.pitch_x.value
    parts = [value.u / pitch for value in (standard.unevenness, standard.mounting) if value is not None]
    return float(np.hypot.reduce([*parts, unknown_cosine(observation), 0.0]))


def _apart(times: Sequence[datetime | None]) -> Float:
    """Time between scans, s; infinite where it is not known."""
    result = np.full((len(times), len(times)), np.inf)
    for i, first in enumerate(times):
        result[i, i] = 0.0
        for j, second in enumerate(times):
            if first is not None and second is not None:
                try:
                    result[i, j] = abs((first - second).total_seconds())
                except TypeError:  # one of them bears no zone
                    result[i, j] = abs((first.replace(tzinfo=None) - second.replace(tzinfo=None)).total_seconds())
    return result
