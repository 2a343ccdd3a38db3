"""Cross-check: two halves of the scans, solved apart, must agree within what they claim.

The halves are those of the split in which the worse half is best determined (`splits.py`). Each is solved for itself
(`halves.py`), and what the two models predict is compared (`calib/comparing.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from calib.comparing import Frame, common_conditions, compare
from calib.crosscheck.halves import FEWEST, Whole, half_model, solve_half, with_found_standards
from calib.crosscheck.result import BLIND, CrossCheck
from calib.crosscheck.splits import WORSE, best_split, why_not
from calib.errors import ModelError
from calib.model import Model
from calib.observe.lateral import LateralObservation
from calib.scanner.nonlinearity import Nonlinearity

__all__ = ["BLIND", "WORSE", "CrossCheck", "Frame", "Progress", "cross_check"]

Progress = Callable[[str, float], None]


def cross_check(model: Model, progress: Progress | None = None, *, first: Sequence[int] | None = None) -> CrossCheck:
    """Split the scans of a model into two halves, solve each, and compare them.

    Parameters
    ----------
    model
        With its observations.
    progress
        Called with a stage and the part that is done, 0 to 1.
    first
        Indices, from 0, of the scans of gratings and grids that make the first half; by default the split in which
        both halves are best determined.

    Raises
    ------
    ModelError
        If the model holds no scan of a grating or grid, if `first` leaves a half empty, or if all scans together can't
        be solved.
    """
    say = progress or (lambda stage, part: None)
    lateral = [one for one in model.observations if isinstance(one, LateralObservation)]
    if not lateral:
        raise ModelError("The model was made without a scan of a grating or grid: there is nothing to split.")
    if not isinstance(model.motion.effects[0] if model.motion.effects else None, Nonlinearity) or not (
        {"degree", "misfit"} <= set(model.quality)
    ):
        raise ModelError("The model does not say how it was solved for: calibrate again from its scans.")
    if first is not None and not (0 < len(set(first)) < len(lateral) and set(first) <= set(range(len(lateral)))):
        raise ModelError(
            f"The first half must name some, but not all, of the {len(lateral)} scans of gratings and grids."
        )
    if len(lateral) < FEWEST:
        many = "is one scan" if len(lateral) == 1 else f"are {len(lateral)} scans"
        return CrossCheck(
            None,
            reason=f"there {many} of gratings or grids, and each half needs two at least; add full-size frames in both"
            " directions and scans turned by 90 degrees",
        )
    say("solving all scans", 0.0)
    whole = Whole(model, lateral)
    conditions = common_conditions(model)
    halves, worse = best_split(whole, conditions, first)
    if max(worse) > WORSE:
        return CrossCheck(None, worse=worse, reason=why_not(model, lateral, halves, worse, first is not None))
    exact = with_found_standards(whole, lateral)
    found = []
    for k, half in enumerate(halves):
        say(f"solving the {('first', 'second')[k]} half", 0.3 + 0.3 * k)
        try:
            found.append(half_model(model, solve_half(model, [exact[i] for i in half])))
        except ModelError as error:
            labels = ", ".join(lateral[i].label for i in half)
            return CrossCheck(None, worse=worse, reason=f"the scans {labels} can't be solved alone ({error})")
    say("comparing", 0.9)
    result = compare(found[0], found[1], conditions)
    say("comparing", 1.0)
    return CrossCheck(
        agree=result.agree,
        rms=result.rms,
        range=result.range,
        points=result.points,
        sizes=result.sizes,
        halves=tuple(tuple(lateral[i].label for i in half) for half in halves),
        worse=worse,
        frames=result.frames,
    )
