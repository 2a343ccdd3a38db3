"""The effects there are, by the name that model files give them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from calib.errors import ModelError
from calib.scanner.backlash import Backlash
from calib.scanner.creep import Creep
from calib.scanner.creep_before import CreepBefore
from calib.scanner.drift import Drift
from calib.scanner.effect import Effect
from calib.scanner.hysteresis import Hysteresis
from calib.scanner.lag import Lag
from calib.scanner.nonlinearity import Nonlinearity
from calib.scanner.periodic import Periodic
from calib.scanner.squareness import Squareness

EFFECTS: dict[str, Callable[..., Effect]] = {
    effect.name: effect
    for effect in (Nonlinearity, Hysteresis, Creep, CreepBefore, Drift, Lag, Backlash, Periodic, Squareness)
}


def build(name: str, settings: Mapping[str, Any]) -> Effect:
    """Make an effect from its name and settings.

    Raises
    ------
    ModelError
        If this version does not know it.
    """
    try:
        make = EFFECTS[name]
    except KeyError:
        raise ModelError(f"The model holds an effect {name!r} that this version does not know; update calib.") from None
    return make(**settings)
