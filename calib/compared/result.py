"""What a comparison of two models found, in numbers and in words."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import Any

import numpy as np

from calib.comparing import Comparison, Frame
from calib.scanner.effect import AXES, Float
from calib.units import format_quantity, show

SAME, CHANGED, UNDECIDED = "no significant change", "changed", "can't be decided"
"""Verdicts."""

FINDS_NONE = 0.05
"""Probability to find any change at all, in quantities or map, where there is none; half of it is for each of them."""

MATTERS = 0.02
"""Relative change of a distance or step below which a change is taken not to matter, unless said otherwise."""


@dataclass(frozen=True)
class Named:
    """A model, as it is spoken of.

    Attributes
    ----------
    scanner, sha256, created
        As in the model.
    first, last
        When its scans were taken, ISO 8601; empty if unknown.
    """

    scanner: str
    sha256: str
    created: str
    first: str
    last: str

    def __str__(self) -> str:
        when = f"scans of {self.first[:16].replace('T', ' ')}" if self.first else "scans without a date"
        if self.first and self.last[:10] != self.first[:10]:
            when += f" to {self.last[:16].replace('T', ' ')}"
        return f"{self.scanner or 'an unnamed scanner'}, {when}, {self.sha256[:12]}"


@dataclass(frozen=True)
class Compared:
    """One quantity by both models.

    Attributes
    ----------
    name, unit, about
        As in :class:`calib.compared.quantities.Quantity`.
    first, u_first, second, u_second
        By each model, with standard uncertainties, SI.
    difference, u
        Second less first, and its standard uncertainty without what both have in common.
    p
        Probability of such a difference by chance, all quantities tested at once; NaN if it is not one of those tested.
    changed
        Whether it changed significantly.
    """

    name: str
    unit: str
    about: str
    first: float
    u_first: float
    second: float
    u_second: float
    difference: float
    u: float
    p: float = float("nan")
    changed: bool = False

    @property
    def z(self) -> float:
        """Difference over its standard uncertainty; zero where there is no difference."""
        return self.difference / self.u if self.difference else 0.0


@dataclass(frozen=True)
class ModelComparison:
    """How a second model differs from a first.

    Attributes
    ----------
    first, second
        The models.
    map
        Displacement of the second from the first, shift and rotation taken out.
    quantities
        Those that both models know.
    not_compared
        Those that one of them does not know, and why, in words.
    distances
        A distance along x, and along y.
    step
        A step; None if a model knows no gain of z.
    length, height
        Of these, m.
    matters
        Relative change of a distance or step below which a change does not matter.
    chi2, rank, p_all
        Of all quantities together, see :class:`calib.statistics.significance.Change`; `chi2` may be infinite.
    notes
        What a user should know, in plain words.
    """

    first: Named
    second: Named
    map: Comparison
    quantities: tuple[Compared, ...]
    not_compared: tuple[str, ...]
    distances: tuple[Compared, ...]
    step: Compared | None
    length: float
    height: float
    matters: float
    chi2: float
    rank: int
    p_all: float
    notes: tuple[str, ...] = ()

    # --- verdict -----------------------------------------------------------------------------------

    @property
    def changed(self) -> bool:
        """Whether a quantity changed significantly, or the map differs by more than expected."""
        return any(one.changed for one in self.quantities) or not self.map.agree

    @property
    def unsure(self) -> tuple[Compared, ...]:
        """Distances and step of which a change that matters could hide in the uncertainty (k = 2)."""
        sizes = [*((one, self.length) for one in self.distances), *([(self.step, self.height)] if self.step else [])]
        return tuple(one for one, size in sizes if 2 * one.u > self.matters * size)

    @property
    def verdict(self) -> str:
        """``no significant change``, ``changed`` or ``can't be decided``."""
        if self.changed:
            return CHANGED
        return UNDECIDED if self.unsure else SAME

    # --- map ---------------------------------------------------------------------------------------

    def largest(self) -> tuple[float, float]:
        """Largest displacement of all maps, m, and its standard uncertainty along its direction."""
        found = [_largest(frame) for frame in self.map.frames]
        return max(found)

    def rms(self) -> float:
        """Root mean square of the length of the displacement, m."""
        return float(np.sqrt(np.mean(np.concatenate([_length(frame).ravel() ** 2 for frame in self.map.frames]))))

    # --- words -------------------------------------------------------------------------------------

    def sentence(self) -> str:
        """Return the result in one sentence."""
        if self.verdict == CHANGED:
            names = [one.name for one in self.quantities if one.changed]
            what = f"in {_listed(names)}" if names else "in the map of displacements, though in no single quantity"
            return f"The second model differs significantly from the first, {what}."
        if self.verdict == UNDECIDED:
            names = [_spoken(one) for one in self.unsure]
            return (
                f"It can't be decided whether anything changed: a change of {show(self.matters, '%')} of"
                f" {_listed(names)} could hide in the uncertainty of the models."
            )
        return "Nothing changed significantly from the first model to the second."

    def lines(self) -> list[str]:
        """Return the whole result for people."""
        largest, u = self.largest()
        low, high = self.map.range
        found = [self.sentence(), "", f"  First:  {self.first}", f"  Second: {self.second}", ""]
        found += ["What it means (second model less first):", *(f"  {line}" for line in self.means()), ""]
        found += [
            "Map of displacements over the common field:",
            f"  rms {show(self.rms(), digits=2)}, largest {format_quantity(largest, 'm', u=u)};"
            f" {self.map.rms:.2f} times its standard uncertainty ({low:.2f} to {high:.2f} expected if nothing changed)",
            "",
            f"Quantities, all tested at once ({FINDS_NONE / 2:.1%} to find a change where there is none):",
        ]
        wide = max((len(one.name) for one in self.quantities), default=0)
        for one in self.quantities:
            said = "CHANGED" if one.changed else "no significant change"
            number = format_quantity(one.difference, "%" if one.unit == "1" else one.unit, u=one.u).removesuffix(
                " (k = 2)"
            )
            found.append(f"  {one.name:<{wide}}  {number}   {said} ({_p(one.p)})")
        found += ["  All ± with k = 2."] if self.quantities else []
        found += [f"  Not compared: {one}." for one in self.not_compared]
        found += ["", *(f"Note: {note}" for note in self.notes)] if self.notes else []
        return found

    def means(self) -> list[str]:
        """Say what the difference means for a distance and a step."""
        said = []
        for one, axis in zip(self.distances, AXES[:2], strict=True):
            said.append(f"a distance of {show(self.length)} along {axis} is {_longer(one, 'longer', 'shorter')}")
        if self.step is None:
            said.append(f"of a step of {show(self.height)} nothing can be said: see what is not compared")
        else:
            said.append(f"a step of {show(self.height)} is {_longer(self.step, 'higher', 'lower')}")
        return said

    # --- files -------------------------------------------------------------------------------------

    def to_dict(self) -> dict[str, Any]:
        """Return the comparison as a JSON object, SI units."""
        from calib.compared.file import content

        return content(self)

    def save(self, path: str | FilePath, *, force: bool = False) -> None:
        """Write the comparison as JSON.

        Raises
        ------
        OutputExistsError
            If the file exists, without `force`.
        """
        from calib.compared.file import save

        save(self, path, force=force)


def _length(frame: Frame) -> Float:
    return np.asarray(np.hypot(*frame.difference))


def _largest(frame: Frame) -> tuple[float, float]:
    length = _length(frame).ravel()
    at = int(length.argmax())
    (dx, dy), (ux, uy) = (part.reshape(2, -1)[:, at] for part in (frame.difference, frame.u))
    most = float(length[at])
    return most, float(np.hypot(dx * ux, dy * uy)) / most if most else float(max(ux, uy))


def _longer(one: Compared, more: str, less: str) -> str:
    """Say a difference in words: longer, shorter, or the same so far as can be told."""
    said = format_quantity(abs(one.difference), "m", u=one.u)
    # what rounds to zero has no direction
    if one.difference == 0 or not said.split(" ± ")[0].strip(" 0.mµnp"):
        return f"the same (± {show(2 * one.u, digits=2)}, k = 2)"
    word = more if one.difference > 0 else less
    doubtful = "" if abs(one.difference) > 2 * one.u else ": no more than its uncertainty"
    return f"{said} {word}{doubtful}"


def _spoken(one: Compared) -> str:
    return f"the {one.name}" if one.name == "step" else f"the distance along {one.name[-1]}"


def _p(p: float) -> str:
    return "p < 0.001" if p < 1e-3 else f"p = {p:.2g}"


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
