"""How figures look: one place for sizes, colours and units.

Colour maps are perceptually uniform and safe for the colour-blind; colour is never the only carrier of meaning.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.errors import FileError
from calib.files import write_atomically

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import Colormap
    from matplotlib.figure import Figure

HEIGHTS = "cividis"
"""For heights and magnitudes."""

DIFFERENCES = "PuOr"
"""For what may be above or below zero; its ends differ in hue and, in print, in where the contours lie."""

FIRST, SECOND, THIRD = "#1f4e79", "#b5541c", "#4d4d4d"
"""Ink of lines, which differ in style as well."""

ENDINGS = (".png", ".svg", ".pdf")

_SETTINGS: dict[Any, Any] = {
    "font.size": 8.5,
    "axes.titlesize": 9.0,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 8.5,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.7,
    "lines.linewidth": 1.2,
    "legend.frameon": False,
    "legend.fontsize": 8.0,
    "text.parse_math": False,  # names from files are shown as they are
    "svg.fonttype": "none",
    "svg.hashsalt": "calib",
    "pdf.fonttype": 42,
    "image.origin": "lower",
    "image.interpolation": "nearest",
}


def settings() -> Any:
    """Return a context in which figures are drawn."""
    import matplotlib as mpl

    return mpl.rc_context(_SETTINGS)


def new_figure(width: float, height: float) -> Figure:
    """Return an empty figure, inches, that needs no screen."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def save_figure(figure: Figure, path: str | Path, *, force: bool = False) -> None:
    """Write a figure as PNG, SVG or PDF, by the ending of the name.

    Raises
    ------
    FileError
        If the ending is none of these.
    OutputExistsError
        If the file exists, without `force`.
    """
    path = Path(path)
    if path.suffix.lower() not in ENDINGS:
        raise FileError(f"The ending of {path} says no kind of picture: use one of {', '.join(ENDINGS)}.")
    with settings(), write_atomically(path, force) as temporary:
        metadata = {".svg": {"Date": None}, ".pdf": {"CreationDate": None}}.get(path.suffix.lower())
        figure.savefig(temporary, dpi=160, metadata=metadata)


def unit_for(largest: float) -> tuple[float, str]:
    """Size and name of the unit in which lengths up to `largest`, m, are easily read."""
    for size, name in ((1e-3, "mm"), (1e-6, "µm"), (1e-9, "nm")):
        if largest >= 2 * size:
            return size, name
    return 1e-12, "pm"


def colour_bar(figure: Figure, image: Any, axes: Axes, label: str) -> None:
    """Put a slim colour bar beside an image."""
    bar = figure.colorbar(image, ax=axes, shrink=0.85, pad=0.02, aspect=28)
    bar.set_label(label)
    bar.outline.set_linewidth(0.5)


def few(name: str, count: int) -> Colormap:
    """Return a colour map of few colours, which the eye can't tell from the whole one."""
    import matplotlib as mpl

    return mpl.colormaps[name].resampled(count)
