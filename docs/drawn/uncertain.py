"""What uncertainty is made of, and how it decides."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from matplotlib.figure import Figure

from calib.report import style
from calib.statistics.decision import decide
from calib.statistics.risk import Limits, conformance_probability
from drawn.common import NM, Float, curves, figure

_NODES = np.linspace(-1, 1, 60)
_NOISE = 1 * NM
_BLOCKS = np.arange(_NODES.size) // 6  # neighbours are left out together, as the nodes of one scan are
_DEGREE = 4


def _bends(rng: np.random.Generator, number: int) -> Float:
    """Smooth bendings that no polynomial is: shapes of tanh and cosine in random places, m, at the nodes."""
    place, width = rng.uniform(-1, 1, (number, 1)), rng.uniform(0.3, 0.8, (number, 1))
    wave, phase = rng.uniform(2, 5, (number, 1)), rng.uniform(0, 6.28, (number, 1))
    return np.asarray(40 * NM * np.tanh((_NODES - place) / width) + 8 * NM * np.cos(wave * _NODES + phase))


def _fits(seen: Float) -> tuple[Float, Float, Float]:
    """Polynomials through rows of nodes: the fits, their formal u, and the rms error of nodes that were left out."""
    basis = np.polynomial.legendre.legvander(_NODES, _DEGREE)
    solver = np.linalg.pinv(basis)
    formal = _NOISE * np.linalg.norm(basis @ solver, axis=1)
    missed = np.empty_like(seen)
    for block in range(_BLOCKS.max() + 1):
        out = block == _BLOCKS
        missed[:, out] = seen[:, out] - seen[:, ~out] @ np.linalg.pinv(basis[~out]).T @ basis[out].T
    inner = (_BLOCKS > 0) & (_BLOCKS.max() > _BLOCKS)  # beyond the ends a polynomial tells nothing
    return seen @ solver.T @ basis.T, formal, np.sqrt(np.mean(missed[:, inner] ** 2, axis=1))


def left_out() -> Figure:
    """Formal covariance is too small where the model is not the scanner; left-out data tell by how much."""
    rng = np.random.default_rng(11)
    true = _bends(rng, 400)
    fitted, formal, missed = _fits(true + rng.normal(0, _NOISE, true.shape))
    both = np.sqrt(formal**2 + np.maximum(missed**2 - _NOISE**2, 0)[:, None])
    made, (one, two) = figure(2, height=3.0)
    x, error = 10 * _NODES, (fitted - true)[0] / NM
    for u, hatch, colour, label in (
        (both[0], "", "0.85", "± U by left-out data"),
        (formal, "///", style.SECOND, "± U by noise alone"),
    ):
        one.fill_between(
            x,
            -2 * u / NM,
            2 * u / NM,
            facecolor="none" if hatch else colour,
            hatch=hatch,
            edgecolor=colour,
            label=label,
            linewidth=0.5,
        )
    one.plot(x, error, color=style.FIRST, label="error of the fit")
    one.set(title="One scanner", xlabel="x (µm)", ylabel="fitted − true (nm)")
    one.set_ylim(-4.2, 2.4)
    one.legend(loc="lower center", ncols=2)
    k = np.linspace(0.2, 3, 40)
    lines = [
        (k, np.array([100 * np.mean(np.abs(fitted - true) <= factor * u) for factor in k]), label)
        for u, label in ((both, "by left-out data"), (formal, "by noise alone"))
    ]
    from scipy.stats import norm

    lines.append((k, 100 * (2 * norm.cdf(k) - 1), "what k promises"))
    curves(two, lines, "400 scanners", "coverage factor k", "errors within k u (%)")
    return made


def decision() -> Figure:
    """Three answers: conforms, can't be decided, does not conform."""
    limits = Limits(-20 * NM, 20 * NM)
    values = np.linspace(-45, 45, 721) * NM
    made, panels = figure(3, height=3.0)
    for panel, U in zip(panels, (2 * NM, 8 * NM, 25 * NM), strict=True):
        chance = np.array([conformance_probability(limits, float(value), U / 2) for value in values])
        verdicts = np.array([decide(limits, float(value), U / 2, k=2.0).verdict for value in values])
        panel.plot(values / NM, 100 * chance, color=style.FIRST)
        for verdict, hatch, colour in (
            ("conforms", "", "0.85"),
            ("can't be decided", "////", "0.6"),
        ):
            panel.fill_between(
                values / NM,
                0,
                100,
                where=verdicts == verdict,
                facecolor="none" if hatch else colour,
                hatch=hatch,
                edgecolor=colour,
                linewidth=0,
                label=verdict,
            )
        for limit in (-20, 20):
            panel.axvline(limit, color=style.SECOND, linestyle="--", linewidth=1)
        panel.set(title=f"U = {U / NM:.0f} nm", xlabel="measured deviation (nm)", ylim=(0, 100))
    panels[0].set_ylabel("probability to be within limits (%)")
    handles, labels = panels[1].get_legend_handles_labels()
    made.legend(handles, labels, loc="outside lower center", ncols=2)
    return made


FIGURES: dict[str, Callable[[], Figure]] = {"left-out": left_out, "decision": decision}
