"""Model files: versioned JSON with a published schema (`calib/schemas/model-1.json`)."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
from collections.abc import Mapping
from pathlib import Path as FilePath
from typing import Any

import numpy as np

from calib.errors import FileError, ModelError
from calib.files import read_bounded, write_atomically
from calib.kinds import MODEL, refuse_other
from calib.model import Conditions, Domain, DriftRate, Misfit, Model
from calib.observe.lateral import LateralObservation
from calib.observe.levels import FlatObservation
from calib.observe.step import StepObservation
from calib.origins import Origins, fitting
from calib.scanner import registry
from calib.scanner.bow import Bow
from calib.scanner.height import NAMES, Height
from calib.scanner.height_history import HeightHistory
from calib.scanner.motion import Motion

FORMAT = "calib model"
_LONG = 104  # entries of a list of numbers that are looked at; no limit of the schema to their number is larger
VERSION = (1, 1)
_KNOWN = {
    "format", "version", "created", "sha256", "scanner", "effects", "parameters", "covariance", "height", "misfit",
    "domain", "quality", "undetermined", "notes", "observations", "provenance", "drift", "origins",
    "certificates",
}  # fmt: skip


def content(model: Model) -> dict[str, Any]:
    """Return the model as a JSON object, without date and hash."""
    lateral = len(model.motion.names)
    return {
        **model.extra,
        "format": FORMAT,
        "version": ".".join(map(str, VERSION)),
        "scanner": {
            "name": model.scanner,
            "travel": [None if np.isnan(t) else float(t) for t in model.travel],
            "travel_from": model.travel_from,
            "controller": None if model.controller is None else dict(model.controller),
        },
        "effects": [{"name": effect.name, "settings": effect.settings()} for effect in model.motion.effects],
        "parameters": [
            {"name": p.name, "value": p.value, "u": p.u, "unit": p.unit, "prior_u": p.prior_u}
            for p in model.parameters[:lateral]
        ],
        "covariance": _packed(model.covariance),
        **_origins("origins", model.origins, lateral),
        **_origins("certificates", model.certificates, lateral),
        "height": {
            "parameters": [
                {"name": p.name, "value": p.value, "u": p.u, "unit": p.unit, "prior_u": p.prior_u}
                for p in model.parameters[lateral:]
            ],
            "covariance": _packed(model.height.covariance),
            **_origins("origins", model.height.origins, len(model.height.names)),
            **_origins("certificates", model.height.certificates, len(model.height.names)),
            "span": model.height.span,
            "determined": model.height.determined,
            "bow": _bow(model.height),
            "misfit": model.height.misfit,
            "placed": model.height.placed,
            **_history(model.height),
        },
        "misfit": {
            "lateral": model.misfit.lateral,
            "source": model.misfit.source,
            "by_scan": dict(model.misfit.by_scan),
            "scans": [{**vars(scan), "centre": list(scan.centre)} for scan in model.misfit.scans],
            "rings": list(model.misfit.rings),
        },
        "domain": {
            "area": list(model.domain.area),
            "sizes": list(model.domain.sizes),
            "speeds": None if model.domain.speeds is None else list(model.domain.speeds),
            "heights": None if model.domain.heights is None else list(model.domain.heights),
            "first": model.domain.first,
            "last": model.domain.last,
        },
        "quality": dict(model.quality),
        "undetermined": list(model.undetermined),
        "notes": list(model.notes),
        "observations": [observation.to_dict() for observation in model.observations],
        "provenance": dict(model.provenance),
        **({"drift": [_rate(one) for one in model.drift]} if model.drift else {}),
    }


def _rate(one: DriftRate) -> dict[str, Any]:
    return {"label": one.label, "rate": list(one.rate), "u": list(one.u)}


def content_hash(model: Model) -> str:
    """SHA-256 of the content as canonical JSON: without the date, the same for the same input."""
    provenance = {key: item for key, item in model.provenance.items() if key != "command"}
    body = _plain({**content(model), "provenance": provenance})
    text = json.dumps(body, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def save(model: Model, path: str | FilePath, *, force: bool = False) -> None:
    """See :meth:`calib.Model.save`."""
    if not _sound(model):
        raise ModelError("The model holds numbers that are not finite, so it is not written; make it again.")
    body = {"format": FORMAT, "version": "", "created": model.created, "sha256": model.sha256, **content(model)}
    text = json.dumps(_plain(body), ensure_ascii=False, allow_nan=False, indent=1)
    with write_atomically(path, force) as temporary:
        temporary.write_text(_tight(text) + "\n", encoding="utf-8")


def load(path: str | FilePath) -> Model:
    """See :func:`calib.load_model`."""
    name = str(path)
    refuse_other(path, MODEL)
    data = read_bounded(path)
    try:
        body = json.loads(data, parse_constant=_refuse)
    except (ValueError, RecursionError):
        raise FileError(f"{name} is no model file: it is not JSON. Make one with 'calib calibrate'.") from None
    if not isinstance(body, dict) or body.get("format") != FORMAT:
        raise FileError(f"{name} is no model file. Make one with 'calib calibrate'.")
    try:
        major = int(str(body["version"]).split(".")[0])
    except (KeyError, ValueError):
        raise FileError(
            f"{name} does not say the version of its format; make it again with 'calib calibrate'."
        ) from None
    if major > VERSION[0]:
        raise ModelError(
            f"{name} was written by a newer version of calib (file version {body['version']}, this one reads up to"
            f" {VERSION[0]}.x); update calib."
        )
    _validate(body, name)
    try:
        model = _model(body)
        if not _sound(model):
            raise ValueError("its numbers are not finite, or its variances negative")
        return model
    except (KeyError, TypeError, ValueError, IndexError, AttributeError, np.linalg.LinAlgError) as problem:
        if isinstance(problem, (FileError, ModelError)):
            raise
        raise FileError(f"{name} is a damaged model file ({problem}); make it again with 'calib calibrate'.") from None


def schema() -> dict[str, Any]:
    """Return the published JSON Schema of model files."""
    from importlib.resources import files

    text = (files("calib") / "schemas" / "model-1.json").read_text("utf-8")
    return dict(json.loads(text))


def _validate(body: Mapping[str, Any], name: str) -> None:
    from jsonschema import Draft202012Validator

    error = next(iter(Draft202012Validator(schema()).iter_errors(_shortened(body))), None)
    if error is not None:
        where = "/".join(map(str, error.absolute_path)) or "its top level"
        raise FileError(f"{name} is a damaged model file: at {where}, {error.message[:200]}; make it again.")


def _shortened(content: Any) -> Any:
    """Content with long lists of numbers cut short: their entries are all alike, and to check each takes long."""
    if isinstance(content, dict):
        return {key: _shortened(item) for key, item in content.items()}
    if isinstance(content, list):
        if len(content) > _LONG and all(type(item) is float or type(item) is int for item in content):
            return content[:_LONG]
        return [_shortened(item) for item in content]
    return content


def _model(body: Mapping[str, Any]) -> Model:
    scanner, domain, height, misfit = (body[key] for key in ("scanner", "domain", "height", "misfit"))
    motion = Motion([registry.build(effect["name"], effect["settings"]) for effect in body["effects"]])
    by_name = {p["name"]: p["value"] for p in body["parameters"]}
    if sorted(by_name) != sorted(motion.names):
        raise ValueError("its parameters are not those of its effects")
    travel = [float("nan") if t is None else float(t) for t in scanner["travel"]]
    return Model(
        scanner=scanner["name"],
        travel=(travel[0], travel[1], travel[2]),
        travel_from=scanner["travel_from"],
        controller=scanner["controller"],
        motion=motion,
        values=np.array([by_name[name] for name in motion.names], dtype=np.float64),
        covariance=_whole(body["covariance"], len(motion.names)),
        height=_height(height),
        origins=_origins_from(body, "origins", len(motion.names)),
        certificates=_origins_from(body, "certificates", len(motion.names)),
        misfit=Misfit(
            misfit["lateral"],
            misfit["source"],
            dict(misfit["by_scan"]),
            tuple(_conditions(scan) for scan in misfit.get("scans", ())),
            tuple(float(ring) for ring in misfit.get("rings", ())),
        ),
        domain=Domain(
            area=tuple(domain["area"]),
            sizes=tuple(domain["sizes"]),
            speeds=None if domain["speeds"] is None else tuple(domain["speeds"]),
            heights=None if domain["heights"] is None else tuple(domain["heights"]),
            first=domain["first"],
            last=domain["last"],
        ),
        quality=dict(body["quality"]),
        undetermined=tuple(body["undetermined"]),
        notes=tuple(body["notes"]),
        observations=tuple(_observation(item) for item in body["observations"]),
        provenance=dict(body["provenance"]),
        created=str(body.get("created", "")),
        drift=tuple(
            DriftRate(one["label"], (one["rate"][0], one["rate"][1]), (one["u"][0], one["u"][1]))
            for one in body.get("drift", ())
        ),
        extra={key: item for key, item in body.items() if key not in _KNOWN},
    )


def _bow(height: Height) -> dict[str, Any] | None:
    if height.bow is None:
        return None
    bow = height.bow
    return {
        "travel": list(bow.travel),
        "centre": list(bow.centre),
        "degree": bow.degree,
        "determined": height.bow_determined,
    }


def _history(height: Height) -> dict[str, Any]:
    said = {"left_out": list(height.left_out)} if height.left_out else {}
    if height.history is None:
        return said
    return {**said, "history": {**height.history.settings(), "scatter": height.scatter}}


def _height(content: Mapping[str, Any]) -> Height:
    shape = content.get("bow")
    bow = None
    if shape is not None:
        travel, centre = shape["travel"], shape["centre"]
        bow = Bow((travel[0], travel[1]), (centre[0], centre[1]), int(shape["degree"]))
    by_name = {p["name"]: p["value"] for p in content["parameters"]}
    settings = content.get("history")
    history = None if settings is None else HeightHistory.from_settings(settings)
    names = NAMES + (tuple(bow.names) if bow else ()) + (history.names if history else ())
    return Height(
        values=np.array([by_name[name] for name in names], dtype=np.float64),
        covariance=_whole(content["covariance"], len(names)),
        span=float(content["span"]),
        determined=bool(content["determined"]),
        bow=bow,
        bow_determined=bool(shape["determined"]) if shape else False,
        misfit=float(content.get("misfit", 0.0)),
        placed=bool(content.get("placed", True)),
        history=history,
        scatter=float(settings["scatter"]) if settings else 0.0,
        left_out=tuple(content.get("left_out", ())),
        origins=_origins_from(content, "origins", len(names)),
        certificates=_origins_from(content, "certificates", len(names)),
    )


def _conditions(scan: Mapping[str, Any]) -> Conditions:
    known = {field.name: scan[field.name] for field in dataclasses.fields(Conditions)}
    return Conditions(**{**known, "centre": (float(scan["centre"][0]), float(scan["centre"][1]))})


def _sound(model: Model) -> bool:
    numbers = [model.values, model.covariance, model.height.values, model.height.covariance]
    variances = np.concatenate([np.diag(model.covariance), np.diag(model.height.covariance)])
    finite = all(bool(np.isfinite(part).all()) for part in numbers) and math.isfinite(model.misfit.lateral)
    return finite and bool(np.all(variances >= 0))


def _observation(item: Mapping[str, Any]) -> LateralObservation | StepObservation | FlatObservation:
    if item["kind"] == "step":
        return StepObservation.from_dict(item)
    if item["kind"] == "flat":
        return FlatObservation.from_dict(item)
    observation = LateralObservation.from_dict(item)
    passes, rows, _ = observation.path.scan_shape
    lengths = {
        len(part)
        for part in (
            observation.pass_index, observation.row, observation.fast, observation.periods, observation.covariance,
        )
    }  # fmt: skip
    if len(lengths) > 1 or not np.all((observation.pass_index < passes) & (observation.row < rows)):
        raise ValueError(f"the nodes of {observation.label!r} do not fit together")
    return observation


def _origins(key: str, origins: Origins, terms: int) -> dict[str, Any]:
    """Columns of each part; nothing where they are not known, or of other parameters."""
    if not fitting(origins, terms):
        return {}
    return {key: {name: part.T.tolist() for name, part in origins.items()}}


def _origins_from(content: Mapping[str, Any], key: str, terms: int) -> dict[str, np.ndarray]:
    listed = content.get(key, {})
    if any(len(column) != terms for part in listed.values() for column in part):
        raise ValueError("the parts of its covariance are not those of its parameters")
    return {name: np.array(part, dtype=np.float64).reshape(-1, terms).T for name, part in listed.items()}


def _packed(matrix: np.ndarray) -> list[float]:
    """Lower triangle, row by row."""
    return [float(v) for v in matrix[np.tril_indices(len(matrix))]]


def _whole(packed: list[float], size: int) -> np.ndarray:
    if len(packed) != size * (size + 1) // 2:
        raise ValueError("its covariance is not that of its parameters")
    matrix = np.zeros((size, size))
    matrix[np.tril_indices(size)] = packed
    return matrix + np.tril(matrix, -1).T


def _plain(value: Any) -> Any:
    """Return a value as JSON can hold it: what is not finite becomes null, and what is no number or text, text."""
    if isinstance(value, (np.ndarray, np.generic)):
        value = value.tolist()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, str):  # a file name may hold bytes that are no text
        return value.encode("utf-8", "backslashreplace").decode()
    if value is None or isinstance(value, (bool, int)):
        return value
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return str(value)


def _refuse(constant: str) -> float:
    """JSON has no NaN and no infinity."""
    raise ValueError(constant)


def _tight(text: str) -> str:
    """Put lists of plain numbers on one line, so that a person can page through the file."""
    import re

    def joined(found: re.Match[str]) -> str:
        return re.sub(r"\s*\n\s*", " ", found.group(0))

    return re.sub(r"\[[-+0-9eE.,\s]*\]", joined, text)
