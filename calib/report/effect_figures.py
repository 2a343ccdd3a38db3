"""One small figure an effect: what the model says that each does to a scan, with its uncertainty."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calib.frames import lattice
from calib.model import Model
from calib.path import Samples
from calib.report import style
from calib.report.figures import frame_of
from calib.scanner.effect import AXES, Effect, Float
from calib.scanner.motion import axes_matrix
from calib.units import format_quantity, show

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

TITLES = {
    "nonlinearity": "Static bending",
    "hysteresis": "Loop (hysteresis)",
    "backlash": "Backlash",
    "creep": "Creep",
    "lag": "Lag of the recording",
    "periodic": "Periodic error",
}
"""Effects that show in a frame by itself, with their names for people; others show in none that begins at rest."""

_SIDE = 61  # points along each side of a map
_LEAST = 1e-12  # m; less is rounding


@dataclass(frozen=True, eq=False)
class Curve:
    """What an effect does along one line.

    Attributes
    ----------
    axis
        0 for x, 1 for y.
    name
        ``trace``, ``retrace``, or ``both`` for their mean along the slow axis.
    place, moved, u
        Commanded coordinate along the axis, displacement along it with its standard uncertainty, m; shape ``(n,)``.
    """

    axis: int
    name: str
    place: Float
    moved: Float
    u: Float


def effects_shown(model: Model) -> tuple[str, ...]:
    """Names of the effects of a model of which there is something to draw."""
    return tuple(
        effect.name for effect, _, _ in _effects(model) if effect.name in TITLES and _moves(model, effect.name)
    )


def effect_figure(model: Model, name: str) -> Figure:
    """Draw what one effect does: a map for static bending, else curves along the fast and the slow axis."""
    if name == "nonlinearity":
        return _map_figure(model, name)
    fast, slow = (curves(model, name, slow=which) for which in (False, True))
    with style.settings():
        figure = style.new_figure(4.4, 4.4)
        axes = figure.subplots(2, 1, sharex=True)
        most = max(float(np.abs(one.moved).max()) for one in (*fast, *slow))
        for one, lines, title in zip(axes, (fast, slow), ("along the fast axis", "along the slow axis"), strict=True):
            _draw_curves(one, lines, most)
            one.set_title(f"{TITLES[name]}, {title}")
        axes[0].legend(loc="best", ncols=2, fontsize=7)
        unit = style.unit_for(max(float(np.abs(one.place).max()) for one in fast))[1]
        axes[1].set_xlabel(f"commanded x or y ({unit})")
        return figure


def curves(model: Model, name: str, *, slow: bool = False) -> tuple[Curve, ...]:
    """Return what an effect does along the middle line of a frame of full size, the straight part taken out.

    Parameters
    ----------
    slow
        Along the slow axis, the mean of the passes, in place of the fast axis.
    """
    found = []
    for effect, values, covariance in _effects(model):
        if effect.name != name:
            continue
        for axis in (0, 1):
            mine = np.array([c.axis == axis for c in effect.coefficients], dtype=bool)
            if not mine.any():
                continue
            path = frame_of(model, 1.0, rotation=(axis if not slow else 1 - axis) * np.pi / 2)[1]
            rows, columns = np.arange(path.slow.size), np.arange(path.fast.size)
            middle = [path.slow.size // 2]
            samples = lattice(path, *((rows, middle) if slow else (middle, columns)))[0]
            basis = effect.basis(path, samples)[mine] * axes_matrix(model.values)[axis, axis]
            place = samples.position[axis].reshape(len(path.passes), -1)
            basis = basis.reshape(len(basis), *place.shape)
            if slow:
                basis, place = basis.mean(axis=1, keepdims=True), place[:1]
            basis = _beside_line(basis.reshape(len(basis), -1), place.ravel()).reshape(basis.shape)
            own = covariance[np.ix_(mine, mine)]
            for k, pass_name in enumerate(("both",) if slow else path.passes):
                rows_of = basis[:, k]
                u = np.sqrt(np.maximum(np.einsum("in,ij,jn->n", rows_of, own, rows_of), 0))
                found.append(Curve(axis, pass_name, place[k], values[mine] @ rows_of, u))
    return tuple(found)


def drift_figure(model: Model) -> Figure:
    """Draw how fast the sample drifted in each scan of the calibration, with U (k = 2)."""
    rates = np.array([one.rate for one in model.drift]).T * 60
    u = np.array([one.u for one in model.drift]).T * 60
    size, unit = style.unit_for(float((np.abs(rates) + 2 * u).max(initial=1e-12)))
    with style.settings():
        figure = style.new_figure(4.4, 1.6 + 0.3 * len(model.drift))
        axes = figure.add_subplot()
        place = np.arange(len(model.drift))[::-1].astype(np.float64)
        for axis, (ink, mark) in enumerate(((style.FIRST, "o"), (style.SECOND, "s"))):
            axes.errorbar(
                rates[axis] / size, place + 0.14 - 0.28 * axis, xerr=2 * u[axis] / size, fmt=mark, ms=4, color=ink,
                capsize=2, elinewidth=0.9, ls="none", label=f"along {AXES[axis]}",
            )  # fmt: skip
        axes.axvline(0, color=style.THIRD, lw=0.6)
        axes.set_yticks(place, [textwrap.shorten(one.label, 24, placeholder="…") for one in model.drift])
        axes.set_ylim(-1.6, len(model.drift) - 0.3)  # with room for the legend
        axes.set_xlabel(f"rate of drift ({unit}/min), bars: ± U (k = 2)")
        axes.set_title("Drift of the sample in each scan")
        axes.legend(loc="lower right", fontsize=7)
        return figure


def height_figure(model: Model) -> Figure:
    """Draw true less indicated height over the indicated one, with U (k = 2)."""
    height = model.height
    low, high = model.domain.heights or (-height.span / 2, height.span / 2)
    low, high = min(low, 0.0), max(high, 0.0)
    pad = 0.3 * (high - low)
    indicated = np.linspace(low - pad, high + pad, 201)
    added = height.true(indicated, True) - indicated
    U = 2 * height.uncertainty(indicated, 0.0, True)
    size, unit = style.unit_for(high + pad)
    fine, fine_unit = style.unit_for(float((np.abs(added) + U).max()))
    with style.settings():
        figure = style.new_figure(4.4, 3.6)
        axes = figure.add_subplot()
        inside = (indicated >= low) & (indicated <= high)
        axes.fill_between(
            indicated / size, (added - U) / fine, (added + U) / fine, color="#c9d6e4", lw=0, label="± U (k = 2)"
        )
        axes.plot(indicated / size, added / fine, "--", color=style.FIRST, lw=1.0)
        axes.plot(
            indicated[inside] / size, added[inside] / fine, "-", color=style.FIRST, lw=1.8, label="calibrated heights"
        )
        axes.axhline(0, color=style.THIRD, lw=0.6)
        axes.plot([], [], "--", color=style.FIRST, lw=1.0, label="beyond them")
        axes.set_xlabel(f"indicated height ({unit})")
        axes.set_ylabel(f"true less indicated height ({fine_unit})")
        axes.set_title("Height response")
        axes.legend(loc="best")
        return figure


def bow_figure(model: Model) -> Figure:
    """Draw what is added to heights over the field because the scanner moves on a bowl."""
    bow, (low_x, high_x, low_y, high_y) = model.height.bow, model.domain.area
    assert bow is not None
    x, y = np.meshgrid(np.linspace(low_x, high_x, _SIDE), np.linspace(low_y, high_y, _SIDE))
    added = model.height.bowed(np.stack([x, y]))
    with style.settings():
        figure = style.new_figure(4.4, 3.7)
        _draw_level(figure, figure.add_subplot(), x, y, added, "Bow", "added to heights")
        return figure


def said(model: Model, name: str) -> tuple[str, ...]:
    """Say in numbers what an effect does in a frame of the largest size."""
    from calib.summary import effects

    return tuple(
        f"{quantity.name.removeprefix(name + ' ')} {format_quantity(quantity.value, 'm', u=quantity.u)}"
        for quantity in effects(model)
        if quantity.name.startswith(f"{name} ")
    )


# --- panels ----------------------------------------------------------------------------------------


def _effects(model: Model) -> Iterator[tuple[Effect, Float, Float]]:
    first = 3  # behind scales and skew
    for effect in model.motion.effects:
        part = slice(first, first + len(effect.coefficients))
        first = part.stop
        yield effect, model.values[part], model.covariance[part, part]


def _moves(model: Model, name: str) -> bool:
    found = (*curves(model, name), *curves(model, name, slow=True))
    return any(float(np.abs(one.moved).max()) > _LEAST for one in found) or (
        name == "nonlinearity" and any(e.name == name and np.any(v) for e, v, _ in _effects(model))
    )


def _beside_line(basis: Float, place: Float) -> Float:
    design = np.column_stack([np.ones(place.size), place / max(float(np.abs(place).max()), 1e-300)])
    return np.asarray(basis - (design @ np.linalg.lstsq(design, basis.T, rcond=None)[0]).T)


def _draw_curves(axes: Axes, found: tuple[Curve, ...], most: float) -> None:
    size, _ = style.unit_for(max(float(np.abs(one.place).max()) for one in found))
    fine, unit = style.unit_for(most)
    for one in found:
        ink = (style.FIRST, style.SECOND)[one.axis]
        order = np.argsort(one.place)
        place, moved, U = one.place[order] / size, one.moved[order] / fine, 2 * one.u[order] / fine
        axes.fill_between(place, moved - U, moved + U, color=ink, alpha=0.18, lw=0)
        line = "--" if one.axis else "-"
        width = 0.8 if one.name == "retrace" else 1.5
        label = AXES[one.axis] if one.name == "both" else f"{AXES[one.axis]}, {one.name}"
        axes.plot(place, moved, line, color=ink, lw=width, label=label)
    axes.axhline(0, color=style.THIRD, lw=0.5)
    axes.set_ylabel(f"displacement ({unit})")


def _map_figure(model: Model, name: str) -> Figure:
    effect, values, _ = next(one for one in _effects(model) if one[0].name == name)
    path = frame_of(model, 1.0)[1]
    place = np.linspace(0, path.fast.size - 1, _SIDE).round().astype(np.int64)
    samples, shape = lattice(path, place, place)
    moved = np.stack(
        [
            values @ (effect.basis(path, samples) * (np.array([c.axis for c in effect.coefficients]) == axis)[:, None])
            for axis in (0, 1)
        ]
    )
    moved = _beside_plane(axes_matrix(model.values) @ moved, samples).reshape(2, *shape).mean(axis=1)
    x, y = samples.position.reshape(2, *shape)[:, 0]
    with style.settings():
        figure = style.new_figure(4.4, 3.9)
        axes = figure.add_subplot()
        draw_field(figure, axes, x, y, moved)
        axes.set_title(f"{TITLES[name]},\nwithout the straight part", pad=8)
        return figure


def _beside_plane(moved: Float, samples: Samples) -> Float:
    plane = np.column_stack([np.ones(samples.size), *(samples.position / np.abs(samples.position).max())])
    return np.asarray(moved - (plane @ np.linalg.lstsq(plane, moved.T, rcond=None)[0]).T)


def draw_field(figure: Figure, axes: Axes, x: Float, y: Float, moved: Float) -> None:
    """Draw displacements ``(2, rows, columns)`` at commanded places: length by colour, direction by arrows."""
    size, unit = style.unit_for(float(max(np.abs(x).max(), np.abs(y).max())))
    length = np.hypot(*moved)
    fine, fine_unit = style.unit_for(max(float(length.max()), _LEAST))
    image = axes.pcolormesh(
        x / size, y / size, length / fine, cmap=style.HEIGHTS, vmin=0, shading="nearest", rasterized=True
    )
    style.colour_bar(figure, image, axes, f"displacement ({fine_unit})")
    inner = np.ix_(*(np.linspace(0.1 * n, 0.9 * n - 1, 8).round().astype(np.int64) for n in x.shape))
    longest = max(float(length[inner].max()), _LEAST)
    reach = 0.11 * float(np.ptp(x)) / size
    arrows = axes.quiver(
        x[inner] / size, y[inner] / size, *(moved[:, inner[0], inner[1]] / longest * reach), angles="xy",
        scale_units="xy", scale=1, color="white", edgecolor="black", linewidth=0.3, width=0.007,
    )  # fmt: skip
    axes.quiverkey(arrows, 0.8, 1.04, reach, show(longest, digits=2), labelpos="E", coordinates="axes", color="black")
    axes.set_aspect("equal")
    axes.set_xlabel(f"commanded x ({unit})")
    axes.set_ylabel(f"commanded y ({unit})")


def _draw_level(figure: Figure, axes: Axes, x: Float, y: Float, values: Float, title: str, label: str) -> None:
    size, unit = style.unit_for(float(max(np.abs(x).max(), np.abs(y).max())))
    most = max(float(np.abs(values).max()), _LEAST)
    fine, fine_unit = style.unit_for(most)
    image = axes.pcolormesh(
        x / size, y / size, values / fine, cmap=style.DIFFERENCES, vmin=-most / fine, vmax=most / fine,
        shading="nearest", rasterized=True,
    )  # fmt: skip
    lines = axes.contour(x / size, y / size, values / fine, levels=6, colors="black", linewidths=0.5)
    axes.clabel(lines, fontsize=6.5)
    style.colour_bar(figure, image, axes, f"{label} ({fine_unit})")
    axes.set_aspect("equal")
    axes.set_title(title)
    axes.set_xlabel(f"commanded x ({unit})")
    axes.set_ylabel(f"commanded y ({unit})")
