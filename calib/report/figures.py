"""Figures: what the scanner does, what the model leaves over, and what a correction moved."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calib.fitting.residuals import NodeResiduals, residuals
from calib.frames import line_period, middle, middle_speed, reference_frame
from calib.locate import positions
from calib.model import Model
from calib.path import Path
from calib.report import style
from calib.scan import Scan
from calib.scanner.effect import Float
from calib.units import show

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_POINTS = 96
_NOTHING = 1e-9  # of the field; smaller displacements are rounding


def model_figure(model: Model) -> Figure:
    """Draw a model: displacement field, loops, residuals, how well left-out scans are predicted, and what is open."""
    with style.settings():
        lines = _open_questions(model).count("\n") + 1
        figure = style.new_figure(10.4, 8.4 + 0.14 * lines)
        grid = figure.add_gridspec(3, 2, height_ratios=(4.6, 3.2, 0.15 * lines + 0.1))
        name = model.scanner or "unnamed scanner"
        figure.suptitle(f"Correction model of {name}", x=0.01, ha="left", fontsize=12, fontweight="bold")
        field = figure.add_subplot(grid[0, 0])
        _draw_field(figure, field, model, Displaced.of(model))
        _draw_loops(figure.add_subplot(grid[0, 1]), model)
        left = residuals(model)
        draw_residuals(figure.add_subplot(grid[1, 0]), model, left)
        draw_prediction(figure.add_subplot(grid[1, 1]), model)
        words = figure.add_subplot(grid[2, :])
        words.axis("off")
        said = _open_questions(model)
        text = words.text(0, 1, said, va="top", fontsize=7.5, transform=words.transAxes)
        text.set_in_layout(False)
        return figure


@dataclass(frozen=True, eq=False)
class Displaced:
    """Where a frame of the whole calibrated area puts the probe, m, shapes ``(2, slow, fast)``; the mean of its passes.

    Attributes
    ----------
    commanded, true
        Positions.
    said
        Its size, and what of it is straight, in words.
    """

    commanded: Float
    true: Float
    said: str

    @classmethod
    def of(cls, model: Model) -> Displaced:
        """Evaluate a model."""
        scan, path = frame_of(model, 1.0)
        true = positions(model.motion, model.values, path).mean(axis=1)[:, 2:]
        scale_x, scale_y, skew = model.scale(0, scan.size[0]), model.scale(1, scan.size[1]), model["skew"]
        said = (
            f"straight part, {show(scan.size[0], digits=3)}, mean of passes, k = 2:"
            f"\nscale x {_pm(*scale_x)}, y {_pm(*scale_y)}, skew {_pm(np.rad2deg(skew.value), np.rad2deg(skew.u))}°"
        )
        return cls(np.stack(scan.commanded())[:, 2:], true, said)


def field_figure(model: Model, *, straight: bool = False, displaced: Displaced | None = None) -> Figure:
    """Draw the displacement field alone; with `straight`, what scale and skew do is left in it."""
    with style.settings():
        figure = style.new_figure(4.6, 4.5)
        _draw_field(figure, figure.add_subplot(), model, displaced or Displaced.of(model), straight)
        return figure


def residual_figure(model: Model) -> Figure:
    """Draw the residuals at the nodes as arrows over the field, one panel a scan."""
    with style.settings():
        left = residuals(model)
        columns = min(4, max(1, len(left)))
        rows = max(1, -(-len(left) // columns))
        figure = style.new_figure(max(4.4, 2.9 * columns), 2.9 * rows + 0.4)
        axes = figure.subplots(rows, columns, squeeze=False).ravel()
        if not left:
            _say_nothing(axes[0], "no grating or grid was scanned")
            return figure
        longest = max(float(np.percentile(np.hypot(*part.vectors), 95)) for part in left) or 1e-12
        size, unit = style.unit_for(max(float(np.abs(part.position).max()) for part in left))
        for one, part in zip(axes, left, strict=False):
            reach = float(np.ptp(part.position, axis=1).max()) / size
            for index, (name, colour) in enumerate(zip(("trace", "retrace"), (style.FIRST, style.SECOND), strict=True)):
                mine = part.passes == name
                arrows = one.quiver(
                    *(part.position[:, mine] / size),
                    *(part.vectors[:, mine] / longest * reach * 0.08),
                    color=colour,
                    angles="xy",
                    scale_units="xy",
                    scale=1,
                    width=0.006,
                    headwidth=3 if index == 0 else 6,
                )
                if index == 0:
                    key = show(longest, digits=2)
                    one.quiverkey(arrows, 0.78, 1.03, reach * 0.08, key, labelpos="E", fontproperties={"size": 7})
            one.set_title(textwrap.shorten(part.label, 26, placeholder="…"), fontsize=8)
            one.set_aspect("equal")
            for limits, middle in zip((one.set_xlim, one.set_ylim), _middle(part.position), strict=True):
                limits(middle / size - 0.6 * reach, middle / size + 0.6 * reach)
            one.set_xlabel(f"x ({unit})")
            one.set_ylabel(f"y ({unit})")
        for one in axes[len(left) :]:
            one.axis("off")
        figure.suptitle("Residuals at the nodes, seen less expected", x=0.01, ha="left", fontsize=9, fontweight="bold")
        both = {str(name) for part in left for name in part.passes}
        said = "narrow heads: trace, wide heads: retrace" if len(both) > 1 else f"{both.pop()} only"
        figure.supxlabel(f"arrows begin at the commanded position; {said}", fontsize=8, x=0.01, ha="left")
        return figure


def correction_figure(scan: Scan, corrected: Scan) -> Figure:
    """Draw a scan before and after its correction, and the difference at the same place.

    The difference takes the commanded coordinates of the scan as they stand: it shows what the correction moved.
    """
    name = corrected.channel
    before, after = np.asarray(scan.channels[name][0]), np.asarray(corrected.channels[name][0])
    heights = name == "height"
    if heights:
        before, after = levelled(before), levelled(after)
    moved = moved_by(scan, corrected)
    with style.settings():
        figure = style.new_figure(12.6, 3.9)
        axes = figure.subplots(1, 3)
        low, high = np.nanpercentile(np.concatenate([before.ravel(), after.ravel()]), [0.5, 99.5])
        unit, label = (style.unit_for(float(high - low) * 2)) if heights else (1.0, corrected.units.get(name, ""))
        said = f"height ({label})" if heights else f"{name} ({label})" if label else name
        for one, values, owner, title in (
            (axes[0], before, scan, "as recorded"),
            (axes[1], after, corrected, "corrected"),
        ):
            image = _draw_image(one, values / unit, owner, style.HEIGHTS, float(low / unit), float(high / unit))
            one.set_title(f"{title}, {owner.passes[0]}")
            style.colour_bar(figure, image, one, said)
        most = float(np.nanpercentile(np.abs(moved), 99.5)) if np.isfinite(moved).any() else 1.0
        image = _draw_image(axes[2], moved / unit, corrected, style.DIFFERENCES, -most / unit, most / unit)
        axes[2].set_title("difference at the same place")
        style.colour_bar(figure, image, axes[2], f"corrected - recorded ({label})" if label else "corrected - recorded")
        note = "mean plane taken off; " if heights else ""
        figure.suptitle(f"{scan.label}", x=0.01, ha="left", fontsize=10, fontweight="bold")
        figure.supxlabel(
            f"{note}coordinates from the middle of each scan; light grey: no data", fontsize=7.5, x=0.01, ha="left"
        )
        return figure


def moved_by(scan: Scan, corrected: Scan) -> Float:
    """What a correction changed in the first pass at the same place, on the grid of the corrected scan.

    Heights are taken less their planes; NaN where one of the two has no data.
    """
    from scipy import ndimage

    name = corrected.channel
    before, after = np.asarray(scan.channels[name][0]), np.asarray(corrected.channels[name][0])
    if name == "height":
        before, after = levelled(before), levelled(after)
    # where the points of the true grid lie among the commanded pixels
    u, v = corrected.commanded()
    (fx, fy), (sx, sy) = scan.axes
    u, v = u - scan.centre_x, v - scan.centre_y
    step_fast, step_slow = (step or 1.0 for step in scan.spacing)
    at = ((sx * u + sy * v - scan.slow[0]) / step_slow, (fx * u + fy * v - scan.fast[0]) / step_fast)
    filled = np.where(np.isfinite(before), before, np.nanmedian(before))
    there = ndimage.map_coordinates(np.isfinite(before).astype(np.float64), at, order=1, cval=0.0) > 0.999
    return np.where(there, after - ndimage.map_coordinates(filled, at, order=1, cval=np.nan), np.nan)


# --- panels ----------------------------------------------------------------------------------------


def frame_of(model: Model, part: float, rotation: float = 0.0) -> tuple[Scan, Path]:
    """An empty scan over a part of the calibrated area, at a middle speed."""
    low_x, high_x, low_y, high_y = model.domain.area
    size = part * min(high_x - low_x, high_y - low_y, model.domain.sizes[1] * 1.001)
    both = any(len(o.path.passes) == 2 or o.path.serpentine for o in model.observations)
    scan = reference_frame(
        size,
        _POINTS,
        centre=middle(model.domain.area),
        rotation=rotation,
        passes=("trace", "retrace") if both else ("trace",),
        line_period=line_period(size, middle_speed(model.domain), turn=0.0),
        turn=0.0,
    )
    # at rest where the frame begins, so that no jump to its start is seen
    u, v = Path(scan).sweeps.start[:, 0]
    scan = scan.replace(previous_x=float(u), previous_y=float(v))
    return scan, Path(scan)


def _draw_field(figure: Figure, axes: Axes, model: Model, displaced: Displaced, straight: bool = False) -> None:
    commanded, true = displaced.commanded, displaced.true
    flat = commanded.reshape(2, -1)
    design = np.column_stack([flat.T, np.ones(flat.shape[1])])
    affine = np.linalg.lstsq(design, true.reshape(2, -1).T, rcond=None)[0]
    bent = without_rigid(true, commanded) if straight else true - (design @ affine).T.reshape(true.shape)
    size, unit = style.unit_for(float(np.abs(commanded).max()))
    magnitude = np.hypot(*bent)
    most = float(magnitude.max())
    x, y = commanded / size
    if most > _NOTHING * float(np.ptp(commanded)):
        fine, fine_unit = style.unit_for(most)
        image = axes.pcolormesh(x, y, magnitude / fine, cmap=style.HEIGHTS, shading="nearest", rasterized=True, vmin=0)
        style.colour_bar(figure, image, axes, f"displacement ({fine_unit})")
        # far enough from the edge for arrows to end inside
        thin = np.ix_(*(np.linspace(0.11 * count, 0.89 * count - 1, 9).round().astype(np.int64) for count in x.shape))
        longest = float(magnitude[thin].max())
        length = 0.1 * float(np.ptp(x))
        arrows = axes.quiver(
            x[thin], y[thin], *(bent[:, thin[0], thin[1]] / longest * length), angles="xy", scale_units="xy", scale=1,
            color="white", edgecolor="black", linewidth=0.3, width=0.006,
        )  # fmt: skip
        key = show(longest, digits=2)
        axes.quiverkey(arrows, 0.86, 1.04, length, key, labelpos="E", coordinates="axes", color="black")
    else:
        axes.set_xlim(float(x.min()), float(x.max()))
        axes.set_ylim(float(y.min()), float(y.max()))
        said = "straight" if model.motion.effects else "no effects of the motion are known"
        axes.text(0.5, 0.5, said, ha="center", transform=axes.transAxes)
    axes.set_aspect("equal")
    axes.set_ylabel(f"commanded y ({unit})")
    without = "shift and rotation" if straight else "the straight part"
    axes.set_title(f"Displacement, mean of passes,\nwithout {without}", pad=8)
    axes.set_xlabel(f"commanded x ({unit})\n{displaced.said}", fontsize=8)


def without_rigid(true: Float, commanded: Float) -> Float:
    """True less commanded positions, shape ``(2, ...)``, after the shift and turn that suit them best (Kabsch 1976)."""
    a, b = commanded.reshape(2, -1), true.reshape(2, -1)
    a, b = a - a.mean(axis=1, keepdims=True), b - b.mean(axis=1, keepdims=True)
    angle = np.arctan2(np.sum(a[0] * b[1] - a[1] * b[0]), np.sum(a * b))
    cos, sin = np.cos(angle), np.sin(angle)
    return np.asarray((np.array([[cos, sin], [-sin, cos]]) @ b - a).reshape(true.shape))


def _middle(position: Float) -> Float:
    return np.asarray((position.min(axis=1) + position.max(axis=1)) / 2)


def _say_nothing(axes: Axes, why: str) -> None:
    axes.text(0.5, 0.5, why, ha="center", va="center", transform=axes.transAxes)
    axes.set_axis_off()


def _pm(value: float, u: float) -> str:
    digits = int(np.clip(1 - np.floor(np.log10(max(2 * u, 1e-9))), 1, 7))
    return f"{value:.{digits}f} ± {2 * u:.{digits}f}"


def _draw_loops(axes: Axes, model: Model) -> None:
    axes.set_title("Loops along the fast axis, without the straight part")
    curves = []
    for axis, colour in ((0, style.FIRST), (1, style.SECOND)):
        for part, line in ((1.0, "-"), (0.5, "--")):
            _, path = frame_of(model, part, rotation=axis * np.pi / 2)
            row = np.full(path.fast.size, path.slow.size // 2)
            for index, name in enumerate(path.passes):
                samples = path.samples(index, row, path.fast)
                true = model.motion.position(path, samples, model.values)[axis]
                command = samples.position[axis]
                curves.append((axis, part, name, colour, line, command, true))
    moved = []
    for axis, part, name, colour, line, command, true in curves:
        same = [c for c in curves if c[0] == axis and c[1] == part]
        slope, offset = np.polyfit(np.concatenate([c[5] for c in same]), np.concatenate([c[6] for c in same]), 1)
        moved.append((axis, part, name, colour, line, command, true - slope * command - offset))
    size, unit = style.unit_for(max(float(np.abs(m[5]).max()) for m in moved))
    single = len({c[2] for c in curves}) == 1
    most = max(float(np.abs(m[6]).max()) for m in moved)
    if most < _NOTHING * max(float(np.ptp(m[5])) for m in moved):
        seen = "one pass only: loops can't be seen" if single else "no loops"
        _say_nothing(axes, f"straight;\n{seen}" if model.motion.effects else "no effects of the motion are known")
        return
    fine, fine_unit = style.unit_for(most)
    for axis, part, name, colour, line, command, rest in moved:
        label = f"{'xy'[axis]}, {'full' if part == 1 else 'half'} size" if name == "trace" else None
        axes.plot(command / size, rest / fine, line, color=colour, label=label, lw=1.3 if name == "trace" else 0.8)
    axes.axhline(0, color=style.THIRD, lw=0.5)
    axes.set_xlabel(f"commanded position ({unit})")
    axes.set_ylabel(f"displacement ({fine_unit})")
    axes.legend(loc="upper left", bbox_to_anchor=(0.0, -0.12), ncols=2, columnspacing=1.5, handlelength=2.4)
    said = "one pass only: loops can't be seen" if single else "thick: trace, thin: retrace"
    axes.text(0.98, 0.99, said, transform=axes.transAxes, va="top", ha="right", fontsize=7.5)
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.07 * (high - low))


def draw_residuals(axes: Axes, model: Model, left: tuple[NodeResiduals, ...]) -> None:
    """Draw a histogram of residuals."""
    axes.set_title("Residuals at the nodes")
    if not left:
        _say_nothing(axes, "no grating or grid was scanned")
        return
    grids = [part.vectors for part in left if part.along.shape[1] == 2]
    gratings = [part.along[:, 0] for part in left if part.along.shape[1] == 1]
    kinds = []
    if grids:
        x, y = np.concatenate(grids, axis=1)
        kinds += [(x, "along x", style.FIRST, "-"), (y, "along y", style.SECOND, "--")]
    if gratings:
        kinds.append((np.concatenate(gratings), "across lines", style.THIRD, "-."))
    reach = float(np.percentile(np.abs(np.concatenate([kind[0] for kind in kinds])), 99)) or 1e-12
    fine, unit = style.unit_for(reach)
    bins = np.linspace(-1.2 * reach, 1.2 * reach, 41) / fine
    for values, name, colour, line in kinds:
        axes.hist(
            np.clip(values / fine, bins[0], bins[-1]),
            bins.tolist(),
            histtype="step",
            color=colour,
            linestyle=line,
            label=f"{name}: rms {show(float(np.sqrt(np.mean(values**2))), digits=2)}",
            lw=1.3,
        )
    axes.set_xlabel(f"seen less expected ({unit}); outermost: all beyond")
    axes.set_ylabel("nodes")
    axes.legend(loc="upper right")
    axes.set_ylim(0, 1.25 * axes.get_ylim()[1])
    count = sum(part.passes.size for part in left)
    said = f"{count} nodes of {len(left)} scans" if len(left) > 1 else f"{count} nodes of one scan"
    if "degree" in model.quality:
        said += f"\nbending of degree {model.quality['degree']}"
    axes.text(0.02, 0.98, said, transform=axes.transAxes, va="top", fontsize=7.5)


def draw_prediction(axes: Axes, model: Model) -> None:
    """Draw how well the other scans predict each scan."""
    axes.set_title("How well others predict each scan")
    names, errors = list(model.misfit.by_scan), np.array(list(model.misfit.by_scan.values()))
    if not names:
        said = f"no scans to leave out;\n{show(model.misfit.lateral, digits=2)} along x or y is {model.misfit.source}"
        _say_nothing(axes, said)
        return
    fine, unit = style.unit_for(float(errors.max()))
    place = np.arange(len(names))[::-1]
    axes.barh(place, errors / fine, color=style.FIRST, height=0.62)
    for at, error in zip(place, errors, strict=True):
        axes.text(error / fine, at, f" {show(float(error), digits=2)}", va="center", fontsize=7.5)
    axes.set_yticks(place, [textwrap.shorten(name, 28, placeholder="…") for name in names])
    axes.set_xlim(0, 1.25 * float(errors.max()) / fine)
    room = max(0.6, (5 - len(names)) / 2)  # few bars are no thicker than many
    axes.set_ylim(-room, len(names) - 1 + room)
    axes.set_xlabel(f"rms error along x or y ({unit}), {model.misfit.source}")


def _open_questions(model: Model) -> str:
    lines = ["What these scans could not determine, and the stated uncertainties carry:"]
    for sentence in model.undetermined:
        lines += textwrap.wrap(f"- {sentence}", 165, subsequent_indent="  ")
    if not model.undetermined:
        lines.append("- nothing that was asked")
    return "\n".join(lines)


def _draw_image(axes: Axes, values: Float, scan: Scan, colours: str, low: float, high: float) -> object:
    size, unit = style.unit_for(max(scan.size))
    dx, dy = (float(step) / size / 2 for step in scan.spacing)
    left, right, bottom, top = (float(end) / size for axis in (scan.fast, scan.slow) for end in axis[[0, -1]])
    extent = (left - dx, right + dx, bottom - dy, top + dy)
    image = axes.imshow(values, cmap=colours, vmin=low, vmax=high, extent=extent, origin="lower")
    axes.set_facecolor("0.9")
    axes.set_xlabel(f"fast axis ({unit})")
    axes.set_ylabel(f"slow axis ({unit})")
    return image


def levelled(values: Float) -> Float:
    """Values less their mean plane."""
    rows, columns = np.indices(values.shape)
    good = np.isfinite(values)
    if not good.any():
        return values
    design = np.column_stack([np.ones(values.size), rows.ravel(), columns.ravel()])
    plane = np.linalg.lstsq(design[good.ravel()], values[good], rcond=None)[0]
    return np.asarray(values - (design @ plane).reshape(values.shape))
