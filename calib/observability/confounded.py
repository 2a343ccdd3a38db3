"""What can't be told apart, in plain words with the remedy; found from correlations, not from rules about scans."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from calib.observability.observables import Observable
from calib.scanner.effect import AXES, Float

NOTHING = 10.0
"""How much less sure than beforehand a quantity is from the data alone if they say nothing of it."""

_TOGETHER = 0.7  # correlation from which on two quantities can't be told apart


@dataclass(frozen=True)
class Confounded:
    """What can't be told apart, or not at all, and what would mend it.

    Attributes
    ----------
    names
        Of the quantities concerned.
    sentence
        What it is, with the remedy.
    """

    names: tuple[str, ...]
    sentence: str


_Pair = frozenset[str]


def _pairs() -> dict[_Pair, Callable[[Observable, Observable], str]]:
    """Sentence for each pair of kinds that may look alike."""

    def axis(a: Observable) -> str:
        return AXES[a.axis]

    return {
        frozenset({"slow scale", "drift"}): lambda a, b: (
            f"slow-axis scale and drift along {axis(a)} can't be told apart: add a frame in the other direction right"
            " after, or a scan turned by 90 degrees"
        ),
        frozenset({"skew", "drift"}): lambda a, b: (
            "skew and drift along the fast axis can't be told apart: add a frame in the other direction right after"
        ),
        frozenset({"creep", "slow scale"}): lambda a, b: (
            f"creep and slow-axis scale of {axis(a)} can't be told apart: add a scan several times faster, or one"
            " turned by 90 degrees"
        ),
        frozenset({"creep", "fast scale"}): lambda a, b: (
            f"creep and scale of {axis(a)} can't be told apart: add a scan several times faster"
        ),
        frozenset({"creep", "drift"}): lambda a, b: (
            f"creep and drift along {axis(a)} can't be told apart: add scans at another speed, and a frame in the"
            " other direction"
        ),
        frozenset({"creep", "loop"}): lambda a, b: (
            f"creep and hysteresis of {axis(a)} can't be told apart: add a scan several times faster"
        ),
        frozenset({"creep", "size"}): lambda a, b: (
            f"creep and the change of gain with size along {axis(a)} can't be told apart: add a scan several times"
            " faster, and one of another size"
        ),
        frozenset({"loop", "bending"}): lambda a, b: (
            f"hysteresis and bending along {axis(a)} can't be told apart: record both passes, and scans of other sizes"
        ),
        frozenset({"size", "bending"}): lambda a, b: (
            f"the change of gain with size and bending along {axis(a)} can't be told apart: add scans of other sizes"
            " in other places"
        ),
        frozenset({"z gain", "z curvature"}): lambda a, b: (
            "z gain and its change over the range can't be told apart: add steps of other heights, or the same step at"
            " other heights of the z range"
        ),
    }


_NOTHING_OF = (
    "nothing tells what {axis} does: add a scan of a grid, or of a grating with its lines across {axis} (turn it by 90"
    " degrees), and one in between for the skew"
)

_ALONE: Mapping[str, str] = {
    "fast scale": "the scale of {axis} is not determined: add a scan of a grid, or of a grating with its lines across"
    " {axis}, with {axis} as the fast axis",
    "slow scale": "what {axis} does as the slow axis is not determined: add a scan of a grid, or of a grating with its"
    " lines across {axis}, with {axis} as the slow axis",
    "skew": "the skew is not determined: add a grid, or a grating in at least three orientations",
    "size": "how the scale of {axis} depends on the size of the scan is not determined: add scans of other sizes with"
    " {axis} as the fast axis",
    "loop": "the distance of trace and retrace along {axis} is not determined: add a scan with {axis} as the fast axis"
    " and both passes",
    "creep": "how the scale of {axis} depends on speed is not determined: add a scan several times faster or slower",
    "bending": "bending along {axis} is not determined: add a scan of the full travel along {axis}",
    "bow": "how far lines bow along {axis} is not determined: add a scan of a grid, or of a grating with its lines"
    " across {axis}, over the full travel",
    "drift": "the drift along {axis} is not determined: add frames up and down in direct succession",
    "height bow": "the bow of heights is not determined: add a scan of a flat, or of a grating, over the full travel",
    "z gain": "the height gain is not determined: add a scan of a step",
    "z curvature": "whether the height gain changes over the range is not determined: add steps of other heights, or"
    " the same step at other heights of the z range",
}


def groups(found: Sequence[Observable], correlation: Float, both_frames: bool = False) -> list[Confounded]:
    """Pairs that go together where the data alone leave both open, then what is left open by itself."""
    pairs = _pairs()
    found_groups: list[Confounded] = []
    explained: set[str] = set()
    open_ = [k for k, q in enumerate(found) if q.u_data > q.u_prior]
    for axis in (0, 1):
        mine = [k for k in open_ if found[k].axis == axis and found[k].kind in ("fast scale", "slow scale")]
        if len(mine) == 2 and all(found[k].u_data > NOTHING * found[k].u_prior for k in mine):
            names = tuple(found[k].name for k in mine)
            found_groups.append(Confounded(names, _NOTHING_OF.format(axis=AXES[axis])))
            open_ = [k for k in open_ if found[k].axis != axis or found[k].kind == "skew"]
    for i, j in itertools.combinations(open_, 2):
        a, b = found[i], found[j]
        make = pairs.get(frozenset({a.kind, b.kind}))
        both_lateral = max(i, j) < len(correlation)
        along = a.axis == b.axis or {a.kind, b.kind} == {"skew", "drift"}
        if make is None or not both_lateral or not along or abs(correlation[i, j]) < _TOGETHER:
            continue
        first, second = (a, b) if a.kind != "drift" else (b, a)
        found_groups.append(Confounded((first.name, second.name), make(first, second)))
        explained |= {a.name, b.name}
    if both_frames:  # more can hardly be done for drift
        open_ = [k for k in open_ if found[k].kind != "drift"]
    if any(found[k].kind == "z gain" for k in open_):
        open_ = [k for k in open_ if found[k].kind != "z curvature"]
    for k in open_:
        quantity = found[k]
        if quantity.name not in explained:
            sentence = _ALONE[quantity.kind].format(axis=AXES[quantity.axis])
            found_groups.append(Confounded((quantity.name,), sentence))
    return found_groups
