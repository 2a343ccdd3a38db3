"""Pitches and angle of a lattice, from what was seen of it in a scan and where the model says that this was.

The model is frozen: nothing is fitted but the lattice and where it lay. What drift, creep from before the frame and the
model's own error may have done enters the uncertainty.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calib.arithmetic.monte_carlo import Sample
from calib.errors import ModelError
from calib.locate import own_spread, positions
from calib.measure.drawn import joint_normal
from calib.model import Model
from calib.model_error import error_covariance
from calib.observe.lateral import LateralObservation, observe_again, observe_lateral, unknown_cosine
from calib.origins import NOISE
from calib.path import Samples
from calib.scan import Scan
from calib.scanner.effect import Float
from calib.standard import Grating, Grid

Derivatives = tuple[Float, Float]
"""Of something by what was seen and by where it was, shapes ``(q, m, nodes)`` and ``(q, 2, nodes)``."""


@dataclass(frozen=True)
class LatticeFit:
    """The lattice that fits corrected nodes.

    Attributes
    ----------
    names, units
        Of the quantities: ``pitch``, or ``pitch_x``, ``pitch_y`` and ``angle``.
    values
        Shape ``(q,)``, m and rad.
    samples
        The nodes on the path.
    frequency, by_frequency
        Reciprocal vectors as rows, 1/m, shape ``(m, 2)``, and the derivative of the quantities by them, ``(q, m, 2)``.
    plane
        Derivative of a reciprocal vector by its lattice coordinates at the nodes, shape ``(2, nodes)``.
    """

    names: tuple[str, ...]
    units: tuple[str, ...]
    values: Float
    samples: Samples
    frequency: Float
    by_frequency: Float
    plane: Float

    @property
    def derivatives(self) -> Derivatives:
        """Of the quantities."""
        by_periods = np.einsum("qka,an->qkn", self.by_frequency, self.plane)
        return by_periods, -np.einsum("qkn,kc->qcn", by_periods, self.frequency)

    @property
    def derivatives_of_frequency(self) -> Derivatives:
        """Of the entries of the reciprocal vectors, row by row."""
        m = len(self.frequency)
        by_periods = np.einsum("kl,an->kaln", np.eye(m), self.plane).reshape(2 * m, m, -1)
        return by_periods, -np.einsum("qkn,kc->qcn", by_periods, self.frequency)


@dataclass(frozen=True)
class LatticeError:
    """Covariances of the quantities of a lattice, by what they come from; each of shape ``(q, q)``.

    Attributes
    ----------
    noise
        Of the pixels.
    fit
        Of the model's parameters, by what their covariance comes from (:mod:`calib.origins`).
    scan
        Of what is unknown of this scan alone: drift, and what went before.
    misfit
        Of the model's own error.
    """

    noise: Float
    fit: Mapping[str, Float]
    scan: Float
    misfit: Float

    @property
    def sure(self) -> Float:
        """All of it but the model's own error."""
        return np.asarray(self.noise + self.scan + np.sum(list(self.fit.values()), axis=0))

    def parts(self, k: int) -> dict[str, float]:
        """Standard uncertainties of one quantity, by name."""
        listed = {"noise": self.noise, **self.fit, "drift": self.scan, "model error": self.misfit}
        return {name: float(np.sqrt(max(part[k, k], 0.0))) for name, part in listed.items()}


def observe_corrected(model: Model, scan: Scan, standard: Grating | Grid, turned: float | None) -> LateralObservation:
    """Observe, then once more with the pattern moved as the model expects, so that the border counts as well.

    Parameters
    ----------
    turned
        See :func:`calib.observe.lateral.observe_lateral`.

    Raises
    ------
    ScanError
        If the scan is no usable image of the standard.
    """
    first = observe_lateral(scan, standard, turned=turned)
    _, solve = _solve(model, first, np.ones(first.size))
    plane = solve @ first.periods
    everywhere = np.tensordot(_stretch(first), positions(model.motion, model.values, first.path), 1)
    expected = np.tensordot(plane[:2].T, everywhere, 1) + plane[2][:, None, None, None]
    return observe_again(scan, first, expected)


def fit_lattice(model: Model, observation: LateralObservation, pass_index: int | None = None) -> LatticeFit:
    """Fit a lattice to the corrected nodes.

    Parameters
    ----------
    pass_index
        Only this pass; by default all.

    Raises
    ------
    ModelError
        If the corrected grid is mirrored.
    """
    used = np.ones(observation.size) if pass_index is None else (observation.pass_index == pass_index).astype(float)
    samples, solve = _solve(model, observation, used)
    frequency = (solve @ observation.periods)[:2].T
    if len(frequency) == 2 and not np.linalg.det(frequency) > 0:
        raise ModelError(f"{observation.label}: the corrected grid is mirrored, so the model can't be of this scanner.")
    values, by_frequency = quantities(frequency)
    single = len(frequency) == 1
    return LatticeFit(
        names=("pitch",) if single else ("pitch_x", "pitch_y", "angle"),
        units=("m",) if single else ("m", "m", "rad"),
        values=values,
        samples=samples,
        frequency=frequency,
        by_frequency=by_frequency,
        plane=solve[:2],
    )


def lattice_errors(model: Model, observation: LateralObservation, derivatives: list[Derivatives]) -> list[LatticeError]:
    """Propagate what is uncertain of seen and corrected nodes.

    Parameters
    ----------
    derivatives
        As a :class:`LatticeFit` gives them; of a difference of two fits, their difference.
    """
    path = observation.path
    samples = path.samples(observation.pass_index, observation.row, observation.fast)
    root = own_spread(model, path, samples)
    error = error_covariance(model, path, samples)
    J = model.motion.jacobian(samples, model.values, model.motion.shared(path, samples))
    found = []
    for by_periods, by_position in derivatives:
        noise = np.einsum("qkn,nkl,rln->qr", by_periods, observation.covariance, by_periods)
        by_values = np.einsum("qcn,cpn->qp", by_position, J)
        fit = model.split(by_values, by_values @ model.covariance @ by_values.T)
        by_own = np.einsum("qcn,cpn->qp", by_position, root)
        misfit = sum(by_position[:, c] @ error[c] @ by_position[:, c].T for c in (0, 1))
        found.append(LatticeError(noise, fit, by_own @ by_own.T, np.asarray(misfit)))
    return found


def sampler(fit: LatticeFit, error: LatticeError, dof: float, k: int) -> Sample:
    """Return what draws values of one quantity of a lattice, from reciprocal vectors and through the true function.

    Parameters
    ----------
    error
        Of the :attr:`~LatticeFit.derivatives_of_frequency`.
    dof
        Degrees of freedom of the model's own error, and of noise in the calibration.
    """
    noise = error.fit.get(NOISE, np.zeros_like(error.misfit))
    draw = joint_normal(error.sure - noise, error.misfit + noise, dof)

    def sample(rng: np.random.Generator, size: int) -> Float:
        frequency = fit.frequency[..., None] + draw(rng, size).reshape(*fit.frequency.shape, size)
        return np.asarray(_drawn_quantities(frequency)[k])

    return sample


def _drawn_quantities(frequency: Float) -> Float:
    """Pitches and angle of many sets of reciprocal vectors ``(m, 2, trials)``, shape ``(q, trials)``."""
    if len(frequency) == 1:
        return np.asarray(1 / np.linalg.norm(frequency, axis=1))
    (a, b), (c, d) = frequency
    det = a * d - b * c
    first, second = np.stack([d, -c]) / det, np.stack([-b, a]) / det
    cross = first[0] * second[1] - first[1] * second[0]
    along = np.sum(first * second, axis=0)
    return np.stack([np.hypot(*first), np.hypot(*second), np.arctan2(cross, along)])


def unknown_tilt(observation: LateralObservation, pitch: float) -> float | None:
    """Standard uncertainty of a pitch where nobody knows how the sample lay; None where its heights tell."""
    return pitch * unknown_cosine(observation) or None


def quantities(frequency: Float) -> tuple[Float, Float]:
    """Pitches and angle of reciprocal vectors, and their derivatives; shapes ``(q,)`` and ``(q, m, 2)``."""
    if len(frequency) == 1:
        length = float(np.linalg.norm(frequency[0]))
        return np.array([1 / length]), (-frequency / length**3)[None]
    vectors = np.linalg.inv(frequency)  # columns are the lattice vectors
    a, b = vectors[:, 0], vectors[:, 1]
    la, lb = np.linalg.norm(a), np.linalg.norm(b)
    cross = a[0] * b[1] - a[1] * b[0]
    angle = float(np.arctan2(cross, a @ b))
    # the inverse changes by -V dF V
    by_vectors = np.zeros((3, 2, 2))  # (quantity, component, which vector)
    by_vectors[0, :, 0] = a / la
    by_vectors[1, :, 1] = b / lb
    by_vectors[2, :, 0] = np.array([a[1], -a[0]]) / la**2
    by_vectors[2, :, 1] = np.array([-b[1], b[0]]) / lb**2
    by_frequency = -np.einsum("qck,cr,sk->qrs", by_vectors, vectors, vectors)
    return np.array([la, lb, angle]), by_frequency


def _solve(model: Model, observation: LateralObservation, used: Float) -> tuple[Samples, Float]:
    """Nodes on the path, and the matrix that takes their periods to the plane that fits."""
    path = observation.path
    samples = path.samples(observation.pass_index, observation.row, observation.fast)
    position = _stretch(observation) @ model.motion.position(path, samples, model.values)
    design = np.column_stack([position.T, np.ones(observation.size)])
    weight = used * _weights(observation, model.misfit.lateral)
    scaled = design * weight[:, None]
    size = np.linalg.norm(scaled, axis=0)
    return samples, np.linalg.pinv(scaled / size) / size[:, None] * weight[None, :]


def _stretch(observation: LateralObservation) -> Float:
    """What lies on a tilted standard is longer than what is seen from above."""
    gx, gy = observation.slope or (0.0, 0.0)
    return np.eye(2) + 0.5 * np.array([[gx * gx, gx * gy], [gx * gy, gy * gy]])


def _weights(observation: LateralObservation, misfit: float) -> Float:
    pitch = 1.0 / np.mean([v.value for name, v in observation.standard.values().items() if name.startswith("pitch")])
    variance = np.einsum("nii->n", observation.covariance) / observation.periods.shape[1] + (misfit * pitch) ** 2
    return np.asarray(1 / np.sqrt(variance))
