"""Two models of one scanner, before and after: what changed, how surely, and what that means for a measurement.

What both models owe to the certificate of the same standard is the same in both and drops out of every difference. So
does most of what neither of them follows: the same scanner makes much the same errors twice. How much of it is alike
was found on virtual instruments of foreign physics, each calibrated twice (`tests/benchmarks/changes.py`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from calib.compared.file import load_comparison
from calib.compared.quantities import Field, Quantity, Seen, distance, quantities, see, step
from calib.compared.result import CHANGED, FINDS_NONE, MATTERS, SAME, UNDECIDED, Compared, ModelComparison, Named
from calib.comparing import common_conditions, in_common
from calib.comparing import compare as compare_maps
from calib.errors import ModelError
from calib.model import Model
from calib.model_error import error_dof
from calib.scanner.effect import Float
from calib.statistics.significance import compare as test
from calib.units import show

__all__ = [
    "CHANGED",
    "SAME",
    "UNDECIDED",
    "Compared",
    "ModelComparison",
    "common_field",
    "compare",
    "load_comparison",
    "refuse_other_scanner",
]

_LENGTH, _HEIGHT = 10e-6, 100e-9
_ALIKE = 0.67  # of the variance of what two models of one scanner say of x and y, certificates apart


def compare(
    model_a: Model,
    model_b: Model,
    *,
    length: float | None = None,
    height: float = _HEIGHT,
    matters: float = MATTERS,
    any_scanner: bool = False,
) -> ModelComparison:
    """Compare two models of one scanner: the second less the first.

    Parameters
    ----------
    length
        Of the distance of which it is said what the difference means, m; by default 10 µm, or half the common field
        where that is shorter.
    height
        Of the step, m.
    matters
        Relative change of distance or step that matters: if a larger one could hide in the uncertainty, nothing can be
        decided.
    any_scanner
        Compare models of scanners with different names.

    Raises
    ------
    ModelError
        If the models are of different scanners, have no field in common, or say nothing of x and y; or if the distance
        does not fit into the common field.
    """
    if not any_scanner:
        refuse_other_scanner(model_a, model_b)
    for value, name in ((length, "The distance"), (height, "The height of the step"), (matters, "The change")):
        if value is not None and not (math.isfinite(value) and value > 0):
            raise ModelError(f"{name} must be larger than zero, not {value!r}.")
    conditions = common_conditions(model_a, model_b)
    seen = common_field(model_a, model_b)
    if length is None:
        length = _LENGTH if seen.size >= _LENGTH else seen.size / 2
    if length > seen.size:
        raise ModelError(
            f"A distance of {show(length)} does not fit into the {show(seen.size)} that both models have calibrated:"
            " take a shorter one."
        )
    wanted = [*quantities(seen), *(distance(seen, axis, length) for axis in (0, 1)), step(height)]
    span = min(model_a.height.span, model_b.height.span)
    both = [see(model, wanted, seen, span, height) for model in (model_a, model_b)]
    common = in_common(model_a.certificates, model_b.certificates)
    cross = _cross(both, common, in_common(model_a.height.certificates, model_b.height.certificates))
    alike = _ALIKE if model_a.scanner == model_b.scanner else 0.0
    cross += _alike(wanted, both, cross, alike)
    found = compare_maps(model_a, model_b, conditions, common, alike)
    reasons = {k: why for k, one in enumerate(wanted) if (why := _unknown(k, one, (model_a, model_b), both))}
    tested = [k for k in range(len(wanted) - 3) if k not in reasons]
    part = np.ix_(tested, tested)
    change = test(
        both[0].value[tested],
        both[0].covariance[part],
        both[1].value[tested],
        both[1].covariance[part],
        common=cross[part],
        names=[wanted[k].name for k in tested],
        dof=error_dof(model_a) + error_dof(model_b),
        level=FINDS_NONE / 2,
    )
    told = _told(wanted, both, cross)
    probability = dict(zip(tested, zip(change.p_adjusted.tolist(), change.changed.tolist(), strict=True), strict=True))
    return ModelComparison(
        first=_named(model_a),
        second=_named(model_b),
        map=replace(found, frames=tuple(replace(frame, difference=-frame.difference) for frame in found.frames)),
        quantities=tuple(replace(told[k], p=probability[k][0], changed=probability[k][1]) for k in tested),
        not_compared=tuple(f"{wanted[k].name}, since {why}" for k, why in reasons.items() if k < len(wanted) - 3),
        distances=tuple(told[-3:-1]),
        step=None if len(wanted) - 1 in reasons else told[-1],
        length=length,
        height=height,
        matters=matters,
        chi2=change.chi2,
        rank=change.rank,
        p_all=change.p_all,
        notes=tuple(_notes(model_a, model_b)),
    )


def refuse_other_scanner(model_a: Model, model_b: Model) -> None:
    """Raise unless two models are of one scanner, so far as they say.

    Raises
    ------
    ModelError
        If their names differ.
    """
    if model_a.scanner and model_b.scanner and model_a.scanner != model_b.scanner:
        raise ModelError(
            f"The models are of different scanners, {model_a.scanner!r} and {model_b.scanner!r}: take two of one"
            " scanner (--any-scanner compares them all the same)."
        )


def common_field(model_a: Model, model_b: Model) -> Field:
    """Return what two models have in common of the field, as :func:`calib.comparing.common_conditions` takes it."""
    path = common_conditions(model_a, model_b)[0].path
    low_x, high_x, low_y, high_y = np.array([model.domain.area for model in (model_a, model_b)]).T
    area = (float(low_x.max()), float(high_x.min()), float(low_y.max()), float(high_y.min()))
    speeds = [model.domain.speeds for model in (model_a, model_b)]
    slowest = max((one[0] for one in speeds if one is not None), default=0.0)
    fastest = min((one[1] for one in speeds if one is not None), default=0.0)
    timed = all(one is not None for one in speeds)
    return Field(
        area=area,
        speed=float(np.sqrt(slowest * fastest)) if timed else None,
        speeds=(slowest, fastest) if timed and fastest > slowest else None,
        passes=path.passes,
    )


def _cross(both: list[Seen], common: tuple[Float, Float] | None, of_heights: tuple[Float, Float] | None) -> Float:
    """Covariance of the first model's quantities with the second's."""
    n = both[0].value.size
    result = np.zeros((n, n))
    for shared, name in ((common, "lateral"), (of_heights, "vertical")):
        if shared is not None:
            first, second = (getattr(one, name) @ part for one, part in zip(both, shared, strict=True))
            result += first @ second.T
    return result


def _alike(wanted: list[Quantity], both: list[Seen], cross: Float, part: float) -> Float:
    """What the same scanner's errors add to the covariance of both models' quantities of x and y."""
    apart = both[0].covariance + both[1].covariance - cross - cross.T
    lateral = np.array([not one.height for one in wanted])
    return np.asarray(part / 2 * np.where(np.outer(lateral, lateral), apart, 0.0))


def _unknown(k: int, one: Quantity, models: tuple[Model, Model], both: list[Seen]) -> str:
    """Why a quantity is not known to both models, in words; empty if it is."""
    which = ("the first model", "the second model")
    without = []
    for name, model, seen in zip(which, models, both, strict=True):
        missing = one.needs and all(effect.name != one.needs for effect in model.motion.effects)
        untold = (one.height in ("gain", "step") and not model.height.determined) or (
            one.height == "bow" and not model.height.bow_determined
        )
        if missing or untold or not seen.told()[k]:
            without.append(name)
    return "" if not without else f"the scans of {' and '.join(without)} tell nothing of it"


def _told(wanted: list[Quantity], both: list[Seen], cross: Float) -> list[Compared]:
    first, second = both
    covariance = first.covariance + second.covariance - cross - cross.T
    u, u_first, u_second = (
        np.sqrt(np.maximum(np.diag(matrix), 0.0)) for matrix in (covariance, first.covariance, second.covariance)
    )
    return [
        Compared(
            name=one.name,
            unit=one.unit,
            about=one.about,
            first=float(first.value[k]),
            u_first=float(u_first[k]),
            second=float(second.value[k]),
            u_second=float(u_second[k]),
            difference=float(second.value[k] - first.value[k]),
            u=float(u[k]),
        )
        for k, one in enumerate(wanted)
    ]


def _named(model: Model) -> Named:
    return Named(model.scanner, model.sha256, model.created, model.domain.first, model.domain.last)


def _notes(a: Model, b: Model) -> list[str]:
    found = []
    if a.sha256 == b.sha256:
        found.append("both files hold the same model")
    if a.scanner != b.scanner:
        found.append(f"the models name different scanners, {a.scanner or 'none'!r} and {b.scanner or 'none'!r}")
    if any(model.height.determined and not model.height.placed for model in (a, b)):
        found.append(
            "a model's steps don't say where in the z range they were scanned: the gain of z may differ by that alone,"
            " which is in its uncertainty"
        )
    if a.domain.first and b.domain.last and a.domain.first > b.domain.last:
        found.append("the scans of the first model are the later ones")
    settings = changed_settings(a.controller, b.controller)
    if settings:
        found.append(f"the controller settings differ ({settings}), which by itself changes a model")
    inputs = [{one.get("sha256") for one in model.provenance.get("inputs", ())} - {"", None} for model in (a, b)]
    if many := len(inputs[0] & inputs[1]):
        scans = "scan is in both models" if many == 1 else "scans are in both models"
        found.append(f"{many} {scans}: the difference is surer than is stated, since it is taken as that of others")
    names = {one.standard.identity: one.standard.name for model in (a, b) for one in model.observations}
    used = [{one.standard.identity for one in model.observations} for model in (a, b)]
    known = [{*model.certificates, *model.height.certificates} for model in (a, b)]
    both = used[0] & used[1]
    if told := sorted({names[one] for one in both & known[0] & known[1]}):
        found.append(f"both were made with {', '.join(told)}: an error of its certificate is in both and drops out")
    if untold := sorted({names[one] for one in both - (known[0] & known[1])}):
        found.append(
            f"both were made with {', '.join(untold)}, but a model does not say what it owes to the certificate, which"
            " is counted in both"
        )
    if not both:
        found.append("no standard is in both models: the certificates of both are in the uncertainty")
    return found


def changed_settings(ours: Mapping[str, Any] | None, theirs: Mapping[str, Any] | None) -> str:
    """Say which controller settings differ; empty if none does, or if one side does not say."""
    if ours is None or theirs is None:
        return ""
    keys = [key for key in sorted({*ours, *theirs}) if ours.get(key) != theirs.get(key)]
    return ", ".join(f"{key}: {theirs.get(key, 'nothing')} in place of {ours.get(key, 'nothing')}" for key in keys)
