"""What to type into the controller, so that the instrument itself is nearly right, and the model of what is left.

A controller that multiplies what it is told by a factor takes the scale out of an axis: where the probe went s times
as far as it was told, it has to be told 1 / s of the way. The rest of what the scanner does (bending, loops, creep)
stays, and is described by the same model on other scales: every effect knows what it looks like there.

A scan with other factors is a scan of another scanner. So the remaining model bears the new settings, and refuses
scans with any others; the old one refuses scans that state the new ones.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from calib.errors import ModelError
from calib.frames import lattice, line_period, middle, middle_speed, reference_frame
from calib.locate import mean_scale
from calib.model import Domain, Misfit, Model
from calib.path import Path
from calib.scanner.effect import Factors, Float, over
from calib.scanner.height import Height
from calib.scanner.motion import Motion

SETTINGS = ("drive_factor_x", "drive_factor_y", "height_factor")
"""What the factors are called among the settings of a controller, in scan files and models."""

_DIGITS = 6  # significant, of the factors: what is typed in is what the remaining model stands on
_POINTS = 64
_SETTLED = 4  # first lines of a frame, which are like no other
_ROUNDS = 20
_SCALE_ROUNDS = 4


@dataclass(frozen=True)
class Factor:
    """One number to type in.

    Attributes
    ----------
    setting
        What it is called among the settings.
    value, u
        By which what the controller has now is to be multiplied, with its standard uncertainty.
    before, after
        The setting itself, if the model knows it (else 1), and what to type in.
    about
        What it multiplies, and the conditions it is for, in plain words.
    """

    setting: str
    value: float
    u: float
    before: float
    after: float
    about: str

    def to_dict(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return dict(vars(self))


@dataclass(frozen=True)
class Settings:
    """What to type into a controller.

    Attributes
    ----------
    factors
        Of the axes that were calibrated.
    shear, u_shear
        For a controller that can add a part of y to x: what to add to x for each unit of y, with its standard
        uncertainty. No factor does it, so the remaining model still has it. None without lateral scans.
    size
        Of the frame that the factors are for, m; None without lateral scans.
    remaining
        The model for scans with the new factors.
    """

    factors: tuple[Factor, ...]
    shear: float | None
    u_shear: float | None
    size: float | None
    remaining: Model

    def to_dict(self) -> dict[str, Any]:
        """Return it as a JSON object, without the remaining model."""
        return {
            "factors": [factor.to_dict() for factor in self.factors],
            "shear": self.shear,
            "u_shear": self.u_shear,
            "size": self.size,
            "controller": dict(self.remaining.controller or {}),
        }


def settings(model: Model, size: float | None = None) -> Settings:
    """Work out the factors that take scales and the gain of height out of a scanner.

    Parameters
    ----------
    size
        Of the frame for which they shall be right, m, as gain depends on it: x is its fast axis. By default the
        geometric mean of the smallest and the largest size that was calibrated.

    Raises
    ------
    ModelError
        If the scans told nothing that a factor could take out.
    """
    from calib.summary import lateral
    from calib.units import show

    now = {name: _number(model.controller, name) for name in SETTINGS}
    found: list[Factor] = []
    was_over_is = [1.0, 1.0, 1.0]
    if lateral(model):
        low, high = model.domain.sizes
        size = float(np.sqrt(low * high)) if size is None else float(size)
        if not 0.5 * low <= size <= 2 * high:
            raise ModelError(
                f"Factors for frames of {show(size)} can't be told by scans of {show(low)} to {show(high)};"
                " choose a size among these."
            )
        told = _unit_scales(model, size)
        for axis, role in ((0, "fast"), (1, "slow")):
            was_over_is[axis], u = told[axis]
            about = f"the drive of {'xy'[axis]}, as the {role} axis of frames of {show(size)}"
            found.append(_factor(SETTINGS[axis], was_over_is[axis], u, now, about))
    else:
        size = None
    if model.height.determined:
        gain = model["z_gain"]
        rounded = _rounded(gain.value)
        was_over_is[2] = 1 / rounded
        found.append(_factor(SETTINGS[2], rounded, gain.u, now, "heights, in the middle of the z range"))
    if not found:
        raise ModelError("The model has neither scales nor a gain of height that a factor could take out.")
    shear = u_shear = None
    if size is not None:
        skew = model["skew"]
        shear, u_shear = float(-np.tan(skew.value)), float(skew.u / np.cos(skew.value) ** 2)
    new = {**(model.controller or {}), **{factor.setting: factor.after for factor in found}}
    x, y, z = was_over_is
    return Settings(tuple(found), shear, u_shear, size, remaining(model, (x, y, z), new))


def _unit_scales(model: Model, size: float) -> list[tuple[float, float]]:
    """Factors of x and y, with their uncertainties, with which the remaining scales are one.

    Scales depend on how far the scanner is told to go, and that on the factors, so it takes a few rounds.
    """
    factors, u = [1.0, 1.0], [0.0, 0.0]
    for _ in range(_SCALE_ROUNDS):
        left = remaining(model, (factors[0], factors[1], 1.0), {})
        for axis in (0, 1):
            scale, u_scale = mean_scale(left, axis, size, None, 0.0)
            factors[axis] /= scale
            u[axis] = factors[axis] * u_scale / scale
    return [(_rounded(value), one) for value, one in zip(factors, u, strict=True)]


def _factor(setting: str, value: float, u: float, now: Mapping[str, float], about: str) -> Factor:
    return Factor(setting, value, float(u), now[setting], _rounded(now[setting] * value), about)


def _rounded(value: float) -> float:
    return float(f"{value:.{_DIGITS}g}")


def _number(controller: Mapping[str, Any] | None, name: str) -> float:
    value = (controller or {}).get(name, 1.0)
    if isinstance(value, bool) or not isinstance(value, (int, float, np.number)) or not float(value) > 0:
        raise ModelError(
            f"The model's controller setting {name!r} is {value!r}, not a factor above zero; calibrate with scans that"
            " state it as a number."
        )
    return float(value)


# --- the model of what is left --------------------------------------------------------------------


def remaining(model: Model, factors: Factors, controller: Mapping[str, Any]) -> Model:
    """Return the model of the same scanner where positions are commanded, and heights indicated, on other scales.

    Exact: of a scan whose coordinates and heights are divided by the factors it tells the same true positions and
    heights. The nodes that it was made from are not kept, since they were commanded on the old scales.

    Parameters
    ----------
    factors
        Of x, y and z: a commanded position as it was, and an indicated height, over what it is now.
    controller
        Settings under which it holds.
    """
    rescaled = [effect.rescaled(factors) for effect in model.motion.effects]
    change = np.concatenate([[factors[0], factors[1], 1.0], *(by for _, by in rescaled)])
    middle_factor = float(np.sqrt(factors[0] * factors[1]))
    domain = model.domain
    low_x, high_x, low_y, high_y = domain.area
    note = "Made by calculation, for the factors named among its controller settings; check it against a standard."
    return model.replace(
        travel=(*over(model.travel[:2], factors[:2]), model.travel[2] / factors[2]),
        controller=dict(controller),
        motion=Motion([effect for effect, _ in rescaled]),
        values=model.values * change,
        covariance=model.covariance * np.outer(change, change),
        height=_height(model.height, factors),
        misfit=_misfit(model.misfit, factors, middle_factor),
        domain=Domain(
            area=(low_x / factors[0], high_x / factors[0], low_y / factors[1], high_y / factors[1]),
            sizes=over(domain.sizes, (middle_factor, middle_factor)),
            speeds=None if domain.speeds is None else over(domain.speeds, (middle_factor, middle_factor)),
            heights=None if domain.heights is None else over(domain.heights, (factors[2], factors[2])),
            first=domain.first,
            last=domain.last,
        ),
        notes=(*model.notes, note),
        observations=(),
        provenance={**model.provenance, "made_from": model.sha256, "factors": list(factors)},
        origins=_rows(model.origins, change),
        certificates=_rows(model.certificates, change),
    )


def _rows(parts: Mapping[str, Float], change: Float) -> dict[str, Float]:
    return {name: part * change[:, None] for name, part in parts.items()}


def _height(height: Height, factors: Factors) -> Height:
    z = factors[2]
    bow, history = height.bow, height.history
    change = np.array([z, z**2, z**3])
    if bow is not None:
        bow = replace(bow, travel=over(bow.travel, factors), centre=over(bow.centre, factors))
        change = np.concatenate([change, np.ones(len(bow.names))])
    if history is not None:
        history = replace(history, amplitude=history.amplitude / z, reach=history.reach / z)
        change = np.concatenate([change, np.full(len(history.names), z)])
    return replace(
        height,
        values=height.values * change,
        covariance=height.covariance * np.outer(change, change),
        span=height.span / z,
        bow=bow,
        history=history,
        origins=_rows(height.origins, change),
        certificates=_rows(height.certificates, change),
    )


def _misfit(misfit: Misfit, factors: Factors, middle_factor: float) -> Misfit:
    scans = tuple(
        replace(
            one,
            size=one.size / middle_factor,
            speed=None if one.speed is None else one.speed / middle_factor,
            centre=over(one.centre, factors),
        )
        for one in misfit.scans
    )
    return replace(misfit, scans=scans)


# --- a table --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Table:
    """Where to send the probe so that it arrives where it is wanted.

    Attributes
    ----------
    wanted, told
        True position about the centre of the area, and the position to command, m; shape ``(2, n, n)``, rows by y.
    u
        Standard uncertainty of where it then arrives, m; the same shape.
    about
        The conditions it is for, in plain words.
    """

    wanted: Float
    told: Float
    u: Float
    about: str

    def csv(self) -> str:
        """Return the table as text with commas, a line a point, in µm."""
        text = io.StringIO()
        text.write(f"# {self.about}\n")
        rows = csv.writer(text, lineterminator="\n")
        rows.writerow([f"{name} / µm" for name in ("x wanted", "y wanted", "x told", "y told", "u of x", "u of y")])
        for values in np.concatenate([self.wanted, self.told, self.u]).reshape(6, -1).T:
            rows.writerow([f"{value * 1e6:.5f}" for value in values])
        return text.getvalue()


def table(model: Model, points: int = 11) -> Table:
    """Work out a table of positions for a controller that takes one.

    It holds for the mean of both passes in a frame of the calibrated area, at the middle speed; loops and creep make
    other frames differ, and are no matter of position alone.

    Parameters
    ----------
    points
        Along each side, 2 to 201.

    Raises
    ------
    ModelError
        If the model has no lateral scans, or the table is of another size.
    """
    from calib.locate import spread
    from calib.model_error import error_sd
    from calib.summary import lateral
    from calib.units import show

    if not lateral(model):
        raise ModelError("The model tells nothing lateral, so there is no table of positions.")
    if not 2 <= points <= 201:
        raise ModelError(f"A table has 2 to 201 points along each side, not {points}.")
    low_x, high_x, low_y, high_y = model.domain.area
    size, speed = min(high_x - low_x, high_y - low_y), middle_speed(model.domain)
    scan = reference_frame(size, _POINTS, centre=middle(model.domain.area), line_period=line_period(size, speed))
    path = Path(scan)
    rows, columns = np.arange(_SETTLED, _POINTS), np.arange(_POINTS)
    samples, shape = lattice(path, rows, columns)
    true = model.motion.position(path, samples, model.values).reshape(2, *shape).mean(axis=1)
    told = samples.position.reshape(2, *shape).mean(axis=1)
    root = spread(model, path, samples)
    u = np.sqrt(np.sum(root**2, axis=1) + error_sd(model, path, samples) ** 2).reshape(2, *shape).mean(axis=1)
    true -= true[:, shape[1] // 2, shape[2] // 2][:, None, None]
    # the largest square that the frame covers
    half = float(min(-true[0, :, 0].max(), true[0, :, -1].min(), -true[1, 0].max(), true[1, -1].min()))
    grid = np.linspace(-half, half, points)
    wanted = np.stack(np.meshgrid(grid, grid, indexing="xy"))
    return Table(
        wanted,
        *_inverse(told, true, u, wanted),
        f"Mean of both passes of a frame of {show(size)}" + (f" at {show(speed, 'm/s')}" if speed else ""),
    )


def _inverse(told: Float, true: Float, u: Float, wanted: Float) -> tuple[Float, Float]:
    """Commanded positions at which the wanted ones are reached, by smooth fields over the commanded ones."""
    from scipy.interpolate import RectBivariateSpline

    x, y = told[0, 0], told[1, :, 0]
    fields = [RectBivariateSpline(y, x, field) for field in (*true, *u)]
    slope = [np.polyfit(told[a].ravel(), true[a].ravel(), 1)[0] for a in (0, 1)]
    found = np.stack([wanted[a] / slope[a] + told[a].mean() for a in (0, 1)])
    for _ in range(_ROUNDS):
        reached = np.stack([field(found[1], found[0], grid=False) for field in fields[:2]])
        found += (wanted - reached) / np.array(slope)[:, None, None]
    return found, np.stack([field(found[1], found[0], grid=False) for field in fields[2:]])
