"""Amplification and linearity of heights, and their repeatability, from scans of steps."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calib.arithmetic.straight_line import fit_straight_line
from calib.units import show
from calib.verification.characteristic import Characteristic, positive
from calib.verification.extremes import without_noise
from calib.verification.seen import Seen

Group = list[Seen]


def groups(steps: Sequence[Seen]) -> list[Group]:
    """Return the scans of each standard."""
    found: dict[str, Group] = {}
    for seen in steps:
        found.setdefault(seen.standard.identity, []).append(seen)
    return list(found.values())


def amplification_z(steps: Sequence[Seen]) -> list[Characteristic]:
    """Return α_z and, of three certified heights or more, l_z.

    Corrected heights are regressed on certified ones (ISO/TS 28037, with uncertainty in both); of one height, α_z is
    their ratio. Scans of one standard are averaged first.
    """
    by_standard = groups(steps)
    if not by_standard:
        return []
    x = np.array([_certified(group)[0] for group in by_standard])
    u_x = np.array([_certified(group)[1] for group in by_standard])
    y = np.array([np.mean([seen.height[0] for seen in group]) for group in by_standard])
    parts = [_of_mean(group) for group in by_standard]
    u_y = np.array([max(float(np.linalg.norm(list(one.values()))), 1e-15) for one in parts])
    of_model = np.array([np.mean([seen.of_the_model for seen in group]) for group in by_standard])
    if np.ptp(x) < 0.05 * x.max():  # a slope between nearly equal heights tells nothing
        return [_ratio(by_standard, x, u_x, y, parts, of_model)]
    line = fit_straight_line(x, y, covariance_x=u_x**2, covariance_y=u_y**2)
    # what the measured heights alone would leave unsure of the slope; certificates are the rest
    measured = float(np.sqrt(fit_straight_line(x, y, covariance_y=u_y**2).covariance[1, 1]))
    whole = float(np.sqrt(line.covariance[1, 1]))
    split = {"measured heights": min(measured, whole), "certificate": float(np.sqrt(max(whole**2 - measured**2, 0.0)))}
    notes = []
    if line.dof and line.chi2 > line.chi2_limit():
        notes.append("the heights lie further from their line than their uncertainties explain")
    slope_model = float(np.max(of_model / y))
    told = [_told(by_standard, "amplification_z", line.slope, split, ("height",), notes, slope_model)]
    if x.size >= 3:
        told.append(_linearity(by_standard, x, y, np.hypot(u_y, line.slope * u_x)))
    return told


def _ratio(by_standard: list[Group], x, u_x, y, parts, of_model) -> Characteristic:  # type: ignore[no-untyped-def]
    """α_z of heights that are all alike: the mean of their ratios."""
    n = x.size
    names = dict.fromkeys(name for one in parts for name in one)
    split = {
        name: float(np.linalg.norm([one.get(name, 0.0) / h for one, h in zip(parts, x, strict=True)])) / n
        for name in names
    }
    split["certificate"] = float(np.linalg.norm(y * u_x / x**2)) / n
    dof = {"noise": min(seen.step.dof for group in by_standard for seen in group if seen.step is not None)}
    notes = ["of one height only, so that it holds for that height"]
    ratio = float(np.mean(y / x))
    return _told(by_standard, "amplification_z", ratio, split, ("height",), notes, float(np.max(of_model / x)), dof)


def _linearity(by_standard: list[Group], x: np.ndarray, y: np.ndarray, u: np.ndarray) -> Characteristic:
    """Largest departure from the line, between heights that are certified."""
    weight = 1 / u
    design = np.column_stack([np.ones(x.size), x / x.max()])
    rest = np.eye(x.size) - design @ np.linalg.pinv(design * weight[:, None]) * weight
    value, parts = without_noise(lambda numbers: np.abs(numbers).max(axis=-1), rest @ y, np.zeros(x.size), (rest * u).T)
    # all of it enters through the roots, since the residuals of a line are not independent
    parts = {"measured heights and certificates": parts["drift"]}
    return _told(by_standard, "linearity_z", value, parts)


def repeatability(steps: Sequence[Seen]) -> Characteristic | None:
    """Return the standard deviation of heights in scans of one step that were commanded alike, pooled over steps."""
    alike: dict[tuple[object, ...], Group] = {}
    for seen in steps:
        alike.setdefault((seen.standard.identity, *seen.frame), []).append(seen)
    repeated = [group for group in alike.values() if len(group) > 1]
    if not repeated:
        return None
    squares = sum(float(np.var([seen.height[0] for seen in group])) * len(group) for group in repeated)
    dof = sum(len(group) - 1 for group in repeated)
    value = float(np.sqrt(squares / dof))
    # of an estimated standard deviation: s / sqrt(2 dof) (ISO/IEC Guide 98-3, E.4.3)
    split = {"number of scans": value / float(np.sqrt(2 * dof))}
    note = f"of {sum(map(len, repeated))} scans, {dof} {'degree' if dof == 1 else 'degrees'} of freedom"
    return _told(repeated, "repeatability", value, split, (), [note], None, {"number of scans": float(dof)})


def _certified(group: Group) -> tuple[float, float]:
    """Height by certificate at the mean temperature of the scans, with its standard uncertainty, m."""
    heights = [seen.standard.values()["height"] for seen in group]
    return float(np.mean([one.value for one in heights])), float(np.mean([one.u for one in heights]))


def _of_mean(group: Group) -> dict[str, float]:
    """Standard uncertainties of the mean of a standard's scans, by name, without the model's part.

    Noise is another in every scan. All else may be the same in each.
    """
    names = dict.fromkeys(name for seen in group for name in seen.of_the_step)
    found = {}
    for name in names:
        each = [seen.of_the_step.get(name, 0.0) for seen in group]
        found[name] = float(np.linalg.norm(each)) / len(each) if name == "noise" else float(np.mean(each))
    return found


def _told(
    by_standard: list[Group],
    name: str,
    value: float,
    parts: dict[str, float],
    of_quantities: tuple[str, ...] = (),
    notes: Sequence[str] = (),
    of_model: float | None = None,
    dof: dict[str, float] | None = None,
) -> Characteristic:
    scans = [seen for group in by_standard for seen in group]
    heights = sorted(_certified(group)[0] for group in by_standard)
    between = show(heights[0]) if len(heights) == 1 else f"{show(heights[0])} to {show(heights[-1])}"
    return Characteristic(
        name,
        value,
        positive(parts),
        tuple(seen.label for seen in scans),
        tuple(dict.fromkeys(seen.standard.name for seen in scans)),
        all(seen.independent for seen in scans),
        dof=dof or {},
        of_model=of_model,
        conditions=f"heights of {between}",
        of_quantities=of_quantities,
        notes=tuple(notes),
    )
