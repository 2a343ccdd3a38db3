"""What is seen, as files: pictures for a report, numbers with units and uncertainties for a table or a script."""

from __future__ import annotations

import io
import json
import threading
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

import calib
from calib.errors import CalibError, MeasurementError
from calib.measure import Measured
from calib.measure.points import Point
from calib.page import profiles
from calib.page.opened import Opened
from calib.page.pictures import Picture
from calib.report import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

KINDS = {
    "picture.png": "image/png",
    "picture.svg": "image/svg+xml",
    "profile.csv": "text/csv; charset=utf-8",
    "profile.json": "application/json",
    "points.csv": "text/csv; charset=utf-8",
    "points.json": "application/json",
}

_DRAWING = threading.Lock()  # the settings of matplotlib are one for all threads


def picture(
    opened: Opened,
    front: Picture,
    behind: Picture | None,
    wipe: float,
    points: Sequence[Point],
    pass_name: str,
    ending: str,
) -> bytes:
    """Draw what is seen.

    Parameters
    ----------
    front, behind
        Left and right of the wipe; None if there is one picture only.
    wipe
        Where one ends and the other begins, 0 to 1 of the width.
    points
        Marked with A and B, places in the image of the pass.
    ending
        ``png`` or ``svg``.
    """
    both = [front] if behind is None else [front, behind]
    edges = np.array([one.edges for one in both])
    left, right = float(edges[:, 0].min()), float(edges[:, 1].max())
    low, high = float(edges[:, 2].min()), float(edges[:, 3].max())
    size, unit = style.unit_for(max(map(abs, (left, right, low, high))))
    with _DRAWING, style.settings():
        figure = style.new_figure(6.4, 5.6)
        axes = figure.add_subplot()
        at = left + wipe * (right - left)
        image: Any = None
        for k, one in enumerate(both):
            x0, x1, y0, y1 = (edge / size for edge in one.edges)
            image = axes.imshow(
                one.values / one.size, extent=(x0, x1, y0, y1), cmap=one.colours,
                vmin=one.low / one.size, vmax=one.high / one.size, aspect="equal",
            )  # fmt: skip
            if behind is not None:
                from matplotlib.patches import Rectangle

                ends = ((left, at), (at, right))[k]
                part = Rectangle((ends[0] / size, low / size), (ends[1] - ends[0]) / size, (high - low) / size)
                part.set_transform(axes.transData)
                image.set_clip_path(part)
        if behind is not None:
            axes.axvline(at / size, color="black", lw=0.8)
        axes.set_xlim(left / size, right / size)
        axes.set_ylim(low / size, high / size)
        axes.set_title("  |  ".join(one.title for one in both))
        frame = "commanded | true" if behind is not None else front.frame
        axes.set_xlabel(f"along the fast axis, {frame} ({unit})")
        axes.set_ylabel(f"along the slow axis, {frame} ({unit})")
        style.colour_bar(figure, image, axes, front.label)
        _mark(axes, opened, both, points, pass_name, at, size)
        figure.suptitle(opened.name.replace("$", r"\$"), x=0.01, ha="left", fontsize=10, fontweight="bold")
        figure.supxlabel("; ".join(front.notes), fontsize=6.5, x=0.01, ha="left", wrap=True)
        out = io.BytesIO()
        figure.savefig(out, format=ending, dpi=160, metadata={"Date": None} if ending == "svg" else None)
    return out.getvalue()


def _mark(
    axes: Axes, opened: Opened, both: list[Picture], points: Sequence[Point], pass_name: str, at: float, size: float
) -> None:
    if not points:
        return
    commanded = np.array(points, dtype=np.float64).T
    profiles.check_inside(opened, *commanded.T)
    true = opened.to_true(opened.pass_index(pass_name), commanded) if opened.model is not None else commanded
    shown = []
    for k in range(commanded.shape[1]):
        # where it is seen: each side of the wipe has coordinates of its own
        in_true = both[0].frame == "true" or (len(both) > 1 and true[0, k] >= at)
        shown.append((true if in_true else commanded)[:, k] / size)
    for letter, place in zip("AB", shown, strict=False):
        axes.plot(*place, "o", ms=7, mfc="none", mec="black", mew=2.2)
        axes.plot(*place, "o", ms=7, mfc="none", mec="white", mew=1.0)
        axes.annotate(letter, tuple(place), (6, 6), textcoords="offset points", color="white", fontweight="bold",
                      bbox={"boxstyle": "round,pad=0.15", "fc": "black", "ec": "none"})  # fmt: skip
    if len(shown) == 2:
        axes.plot(*np.array(shown).T, color="black", lw=1.8)
        axes.plot(*np.array(shown).T, color="white", lw=0.8)


def numbers(
    opened: Opened, kind: str, ending: str, pass_name: str, channel: str, points: Sequence[Point], level: float
) -> bytes:
    """Write the profile between two points, or the points and what was measured between them.

    Raises
    ------
    CalibError
        If there are too few points, or they can't be used.
    """
    about = {
        "made_by": f"calib {calib.__version__}",
        "scan": opened.name,
        "scan_sha256": opened.scan.attributes.get("sha256"),
        "model_sha256": None if opened.model is None else opened.model.sha256,
        "pass": pass_name,
        "channel": channel,
    }
    if kind == "profile":
        if len(points) < 2:
            raise MeasurementError("A profile needs two points: set them in the picture first.")
        found = profiles.profile(opened, pass_name, channel, (points[0], points[1]))
        return found.to_csv().encode() if ending == "csv" else _json({**about, **found.to_dict()})
    if not points:
        raise MeasurementError("No points are set: set them in the picture first.")
    places = [
        profiles.place_of(opened, pass_name, channel, letter, point)
        for letter, point in zip("AB", points, strict=False)
    ]
    quantities: list[Measured] = []
    unknown = None
    if len(points) == 2:
        try:
            one = profiles.measured(opened, pass_name, (points[0], points[1]), level)
            quantities = [one, *one.also]
        except CalibError as error:
            unknown = str(error)
    if ending == "csv":
        return profiles.points_csv(opened, places, quantities).encode()
    return _json({**about, "points": places, "quantities": [m.to_dict() for m in quantities], "unknown": unknown})


def _json(content: Any) -> bytes:
    return json.dumps(_known(content), ensure_ascii=False, allow_nan=False, indent=1).encode()


def _known(content: Any) -> Any:
    if isinstance(content, dict):
        return {str(key): _known(item) for key, item in content.items()}
    if isinstance(content, (list, tuple)):
        return [_known(item) for item in content]
    return None if isinstance(content, float) and not np.isfinite(content) else content
