"""Files of comparisons: JSON, written whole or not at all."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np

from calib.compared.result import FINDS_NONE, Compared, ModelComparison, Named
from calib.comparing import LEVEL, Comparison, Frame
from calib.errors import FileError
from calib.files import read_bounded, write_atomically
from calib.kinds import COMPARISON, refuse_other

FORMAT, VERSION = "calib comparison", "1.0"


def content(one: ModelComparison) -> dict[str, Any]:
    """Return a comparison as a JSON object, SI units."""
    largest, u = one.largest()
    return {
        "format": FORMAT,
        "version": VERSION,
        "verdict": one.verdict,
        "sentence": one.sentence(),
        "first": vars(one.first),
        "second": vars(one.second),
        "probability_of_false_change": FINDS_NONE,
        "quantities": [_plain(quantity) for quantity in one.quantities],
        "not_compared": list(one.not_compared),
        "together": {"chi2": one.chi2 if math.isfinite(one.chi2) else None, "rank": one.rank, "p": one.p_all},
        "length": one.length,
        "height": one.height,
        "matters": one.matters,
        "distances": [_plain(quantity) for quantity in one.distances],
        "step": None if one.step is None else _plain(one.step),
        "means": one.means(),
        "map": {
            "rms": one.rms(),
            "largest": largest,
            "u_largest": u,
            "rms_ratio": one.map.rms,
            "range": list(one.map.range),
            "level": LEVEL,
            "independent_numbers": one.map.points,
            "rms_difference": one.map.sizes[0],
            "rms_predicted": one.map.sizes[1],
            "frames": [
                {
                    "condition": frame.condition,
                    "passes": list(frame.passes),
                    "position": frame.position.tolist(),
                    "difference": frame.difference.tolist(),
                    "u": frame.u.tolist(),
                }
                for frame in one.map.frames
            ],
        },
        "notes": list(one.notes),
    }


def save(one: ModelComparison, path: str | Path, *, force: bool = False) -> None:
    """See :meth:`calib.compared.ModelComparison.save`."""
    text = json.dumps(content(one), ensure_ascii=False, allow_nan=False)
    with write_atomically(path, force) as temporary:
        temporary.write_text(text + "\n", encoding="utf-8")


def load_comparison(path: str | Path) -> ModelComparison:
    """Read a comparison that was saved.

    Raises
    ------
    FileError
        If it is none, or of a newer kind.
    """
    refuse_other(path, COMPARISON)
    try:
        told = json.loads(read_bounded(path))
    except (ValueError, RecursionError) as error:
        if isinstance(error, FileError):
            raise
        raise FileError(f"{path} is no comparison of models: it is not JSON.") from None
    if not isinstance(told, dict) or told.get("format") != FORMAT:
        raise FileError(f"{path} is no comparison of models: save one with calib compare --save.")
    if str(told.get("version")).split(".")[0] != VERSION.split(".")[0]:
        raise FileError(f"{path} is of version {told.get('version')}, which this calib can't read: use a newer one.")
    try:
        return _from(told)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise FileError(f"{path} is a damaged comparison of models ({error!r}): make it again.") from None


def _from(told: dict[str, Any]) -> ModelComparison:
    maps, together = told["map"], told["together"]
    frames = tuple(
        Frame(
            condition=str(frame["condition"]),
            passes=tuple(frame["passes"]),
            position=np.array(frame["position"], dtype=np.float64),
            difference=np.array(frame["difference"], dtype=np.float64),
            u=np.array(frame["u"], dtype=np.float64),
        )
        for frame in maps["frames"]
    )
    return ModelComparison(
        first=Named(**told["first"]),
        second=Named(**told["second"]),
        map=Comparison(
            rms=float(maps["rms_ratio"]),
            range=(float(maps["range"][0]), float(maps["range"][1])),
            points=float(maps["independent_numbers"]),
            sizes=(float(maps["rms_difference"]), float(maps["rms_predicted"])),
            frames=frames,
        ),
        quantities=tuple(_compared(one) for one in told["quantities"]),
        not_compared=tuple(told["not_compared"]),
        distances=tuple(_compared(one) for one in told["distances"]),
        step=None if told["step"] is None else _compared(told["step"]),
        length=float(told["length"]),
        height=float(told["height"]),
        matters=float(told["matters"]),
        chi2=math.inf if together["chi2"] is None else float(together["chi2"]),
        rank=int(together["rank"]),
        p_all=float(together["p"]),
        notes=tuple(told["notes"]),
    )


def _plain(one: Compared) -> dict[str, Any]:
    return {key: item for key, item in vars(one).items() if not (key in ("p", "changed") and math.isnan(one.p))}


def _compared(told: dict[str, Any]) -> Compared:
    return Compared(**told)
