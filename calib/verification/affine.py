"""Amplification coefficients and perpendicularity: how the corrected lattice lies to the certified one.

A lattice with the certified vectors V₀, turned by some angle, is seen with the vectors V = A R V₀. The rotation R is
nobody's. A is upper triangular, since x defines the direction: α_x, α_y and the departure κ of y from the normal to x
follow from A Aᵀ = V V₀⁻¹ (V V₀⁻¹)ᵀ.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.measure.lattice_fit import lattice_errors
from calib.observe.lateral import unknown_cosine
from calib.scanner.effect import Float
from calib.standard import Grating, Grid
from calib.units import show
from calib.verification.characteristic import Characteristic, positive
from calib.verification.common import with_lattice
from calib.verification.seen import Seen, of_standard

_ALONG = np.deg2rad(10.0)  # a grating nearer than this to an axis tells that axis
_TINY = 1e-6


@dataclass(frozen=True, eq=False)
class Affine:
    """What a grid or grating says of scales and skew after correction.

    Attributes
    ----------
    names
        ``amplification_x``, ``amplification_y`` and ``perpendicularity``; of a grating one of the first two.
    values
        Shape ``(q,)``.
    noise, drift
        Covariances by the pixels, and by what is unknown of this scan alone, shape ``(q, q)``.
    of_model
        The same by the model's own coefficients and error, the common part of certificates left in.
    reference
        By what the values move with one standard deviation of each certified value, shape ``(q, values)``.
    common
        By what they move, through the model, with the same, where the calibration rests on this certificate.
    scale
        Standard uncertainties that all scales of the standard have in common, by name.
    """

    names: tuple[str, ...]
    values: Float
    noise: Float
    drift: Float
    of_model: Float
    reference: Float
    common: Float
    scale: dict[str, float]

    @property
    def by_scale(self) -> Float:
        """Derivative of the values by a change of all scales of the standard, shape ``(q,)``."""
        return np.array([0.0 if name == "perpendicularity" else 1.0 for name in self.names])

    @property
    def systematic(self) -> Float:
        """Covariance of what further scans of the same standard would repeat, shape ``(q, q)``.

        The model's coefficients and error, the certificate, and what the two have in common; unevenness and mounting.
        """
        crossed = self.common @ self.reference.T
        scale = np.outer(self.by_scale, self.by_scale) * sum(u**2 for u in self.scale.values())
        whole = self.of_model + self.reference @ self.reference.T + crossed + crossed.T + scale
        return np.asarray((whole + whole.T) / 2)


def affine_of(seen: Seen) -> Affine | None:
    """Return what a grid or grating says; None for a grating that lies along neither axis."""
    observation, lattice, standard = seen.lateral, seen.lattice, seen.standard
    assert observation is not None
    assert isinstance(standard, (Grating, Grid))
    if isinstance(standard, Grating):
        direction = float(np.arctan2(lattice.frequency[0, 1], lattice.frequency[0, 0]))
        axis = axis_of(direction)
        if axis is None:
            return None
        names: tuple[str, ...] = (f"amplification_{axis}",)
        certified = np.array([standard.pitch.value])
        sure = np.array([standard.pitch.u])
    else:
        names = ("amplification_x", "amplification_y", "perpendicularity")
        certified = np.array([standard.pitch_x.value, standard.pitch_y.value, standard.angle.value])
        sure = np.array([standard.pitch_x.u, standard.pitch_y.u, standard.angle.u])
    shape = lattice.frequency.shape
    flat = lattice.frequency.ravel()
    by_frequency = _derivative(lambda f: values(f.reshape(shape), certified), flat, float(np.abs(flat).max()))
    by_certified = _derivative(lambda c: values(lattice.frequency, c), certified, None)
    by_periods, by_position = (np.tensordot(by_frequency, one, 1) for one in lattice.derivatives_of_frequency)
    (error,) = lattice_errors(seen.model, observation, [(by_periods, by_position)])
    pitch = float(certified[0])
    scale = {name: u / pitch for name, u in of_standard(standard).items()}
    if cosine := unknown_cosine(observation):
        scale["cosine error"] = float(cosine)
    return Affine(
        names,
        values(lattice.frequency, certified),
        error.noise,
        error.scan,
        np.asarray(error.misfit + sum(error.fit.values())),
        by_certified * sure,
        with_lattice(seen, by_position),
        scale,
    )


def axis_of(direction: float) -> str | None:
    """Return the axis along which a direction lies, to within 10 degrees."""
    if abs(np.sin(direction)) < np.sin(_ALONG):
        return "x"
    return "y" if abs(np.cos(direction)) < np.sin(_ALONG) else None


def values(frequency: Float, certified: Float) -> Float:
    """Return (α_x, α_y, κ) of reciprocal vectors ``(2, 2)``, or α of one ``(1, 2)``."""
    if len(frequency) == 1:
        return np.array([1 / np.linalg.norm(frequency[0]) / certified[0]])
    pitch_x, pitch_y, angle = certified
    known = np.array([[pitch_x, pitch_y * np.cos(angle)], [0.0, pitch_y * np.sin(angle)]])
    moved = np.linalg.inv(frequency) @ np.linalg.inv(known)
    (xx, xy), (_, yy) = moved @ moved.T
    skewed = xy / yy
    return np.array([np.sqrt(xx - xy * skewed), np.sqrt(yy + xy * skewed), np.arctan(skewed)])


def amplification(seen: Seen, found: Affine) -> list[Characteristic]:
    """Return amplification coefficients and perpendicularity as characteristics."""
    told = []
    for k, name in enumerate(found.names):
        parts = {
            "noise": float(np.sqrt(found.noise[k, k])),
            "drift": float(np.sqrt(found.drift[k, k])),
            "certificate": float(np.linalg.norm(found.reference[k])),
        }
        angle = name == "perpendicularity"
        quantities = tuple(seen.standard.values())
        told.append(
            Characteristic(
                name,
                float(found.values[k]),
                positive(parts if angle else {**parts, **found.scale}),
                (seen.label,),
                (seen.standard.name,),
                seen.independent,
                of_model=float(np.sqrt(found.of_model[k, k])),
                conditions=conditions(seen),
                of_quantities=tuple(q for q in quantities if (q == "angle") == angle),
            )
        )
    return told


def conditions(seen: Seen) -> str:
    """Say where and how a scan was taken, since scales depend on it."""
    scan = seen.scan
    size = " x ".join(show(side) for side in scan.size)
    speed = seen.lateral.path.speed if seen.lateral is not None else float("nan")
    centred = scan.centre_x == scan.centre_y == 0
    where = "the centre of travel" if centred else f"{show(scan.centre_x)}, {show(scan.centre_y)}"
    said = f"{size} about {where}"
    said += f", scan turned by {show(scan.rotation, 'rad')}" if scan.rotation else ""
    return said + (f", {show(speed, 'm/s')}" if np.isfinite(speed) else "")


def _derivative(function, at: Float, size: float | None) -> Float:  # type: ignore[no-untyped-def]
    """Central differences of a smooth function, shape ``(values, arguments)``."""
    columns = []
    for k in range(at.size):
        step = np.zeros(at.size)
        step[k] = _TINY * (abs(at[k]) if size is None else size)
        columns.append((function(at + step) - function(at - step)) / (2 * step[k]))
    return np.stack(columns, axis=1)
