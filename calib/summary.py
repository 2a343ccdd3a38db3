"""The numbers of a model that people ask for, each at named conditions and with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from calib.frames import lattice, line_period, middle, middle_speed, reference_frame
from calib.locate import spread
from calib.model import Model
from calib.path import Path, Samples
from calib.scanner.effect import AXES, Float
from calib.units import format_quantity, show

_POINTS = 64
_SETTLED = 4  # first lines of a frame that are left out, where what went before still shows


@dataclass(frozen=True)
class Quantity:
    """One number with its uncertainty.

    Attributes
    ----------
    name, value, u, unit
        With the standard uncertainty, SI.
    about
        The conditions under which it holds, in plain words.
    """

    name: str
    value: float
    u: float
    unit: str
    about: str

    def to_dict(self) -> dict[str, Any]:
        """Return the quantity as a JSON object, with its expanded uncertainty."""
        return {
            "name": self.name,
            "value": self.value,
            "unit": self.unit,
            "u": self.u,
            "U": 2 * self.u,
            "k": 2,
            "about": self.about,
        }

    def __str__(self) -> str:
        return format_quantity(self.value, self.unit, u=self.u)


def quantities(model: Model) -> tuple[Quantity, ...]:
    """Return scales, skew and height gain, so far as the scans tell anything of them."""
    found = []
    if lateral(model):
        size, speed = model.domain.sizes[1], middle_speed(model.domain)
        at = f"over {show(size)}" + (f" at {show(speed, 'm/s')}" if speed else "")
        for axis, role in enumerate(("fast", "slow")):
            value, u = model.scale(axis, size)
            about = f"true over commanded, as the {role} axis, {at}"
            found.append(Quantity(f"scale {AXES[axis]}", value, u, "1", about))
        skew = model["skew"]
        found.append(Quantity("skew", skew.value, skew.u, "rad", "of y from the normal to x, towards +x"))
    if model.height.determined:
        gain = model["z_gain"]
        found.append(
            Quantity("z gain", gain.value, gain.u, "1", "true over indicated height, in the middle of the range")
        )
    return tuple(found)


def effects(model: Model) -> tuple[Quantity, ...]:
    """Return how far each effect moves the probe, beside scale, skew and shift, in a frame of the largest size.

    Two numbers an axis, which is the fast axis of the frame: the largest displacement of the mean of both passes, and
    the largest distance of the passes. What is zero is left out.
    """
    if not lateral(model):
        return ()
    about = f"in a frame of {show(model.domain.sizes[1])}, along its fast axis"
    found = []
    first = 3  # behind scales and skew
    for effect in model.motion.effects:
        part = slice(first, first + len(effect.coefficients))
        first = part.stop
        for axis in (0, 1):
            mine = np.array([c.axis == axis for c in effect.coefficients], dtype=bool)
            if not mine.any():
                continue
            path, samples = _frame(model, axis * np.pi / 2)
            basis = _beside_straight(effect.basis(path, samples)[mine], samples) * abs(model.values[axis])
            trace, retrace = basis.reshape(len(basis), 2, -1).swapaxes(0, 1)
            values, covariance = model.values[part][mine], model.covariance[part, part][np.ix_(mine, mine)]
            for what, rows in (
                ("moves by up to", (trace + retrace) / 2),
                ("parts the passes by up to", trace - retrace),
            ):
                moved = np.abs(values @ rows)
                row = rows[:, int(np.argmax(moved))]
                if moved.max() > 1e-15:
                    u = float(np.sqrt(max(row @ covariance @ row, 0.0)))
                    name = f"{effect.name} {AXES[axis]} {what}"
                    found.append(Quantity(name, float(moved.max()), u, "m", about))
    return tuple(found)


def position_budget(model: Model) -> dict[str, tuple[float, float]]:
    """Return what the uncertainty of a position in a frame of the largest size is made of.

    Returns
    -------
    Name of the contribution to its standard uncertainty along x and y, m (mean square over the frame, relative to the
    frame as a whole); the last is ``together``.
    """
    path, samples = _frame(model, 0.0)
    unknown = spread(model.replace(covariance=np.zeros_like(model.covariance)), path, samples)
    both = spread(model, path, samples)
    of_scan, of_both = (np.mean(np.sum(root**2, axis=1), axis=1) for root in (unknown, both))
    parts = {
        "certificates, noise and coverage of the scans": np.maximum(of_both - of_scan, 0),
        "drift and what went before the frame": of_scan,
        f"model error ({model.misfit.source})": np.full(2, model.misfit.lateral**2),
    }
    parts["together"] = np.sum(list(parts.values()), axis=0)
    return {name: (float(np.sqrt(x)), float(np.sqrt(y))) for name, (x, y) in parts.items()}


def lateral(model: Model) -> bool:
    """Whether the scans told anything of x and y."""
    return model.misfit.source != "assumed"


def _frame(model: Model, rotation: float) -> tuple[Path, Samples]:
    """Return a frame of the largest size in the middle of the calibrated area, and samples: trace, then retrace."""
    size, domain = model.domain.sizes[1], model.domain
    path = Path(
        reference_frame(
            size,
            _POINTS,
            centre=middle(domain.area),
            rotation=rotation,
            line_period=line_period(size, middle_speed(domain)),
        )
    )
    return path, lattice(path, np.arange(_SETTLED, _POINTS, 4), np.arange(0, _POINTS, 3))[0]


def _beside_straight(basis: Float, samples: Samples) -> Float:
    """Without what a shift, a scale and a shear would do."""
    plane = np.column_stack([np.ones(samples.size), *(samples.position / np.abs(samples.position).max())])
    return np.asarray(basis - (plane @ np.linalg.lstsq(plane, basis.T, rcond=None)[0]).T)
