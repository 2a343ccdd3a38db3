"""The whole way from scans and standards to a model."""

from __future__ import annotations

import dataclasses
import platform
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np

from calib.arithmetic.side_by_side import side_by_side
from calib.errors import PlanError, ScanError
from calib.fit import LateralFit, Noise, fit_lateral, refine_all
from calib.fitting.determined import undetermined
from calib.fitting.fold import check_fold
from calib.fitting.succession import histories, rests
from calib.heights import fit_height, settled
from calib.model import ASSUMED, Domain, Misfit, Model
from calib.observe.lateral import LateralObservation, observe_again, observe_lateral
from calib.observe.levels import FlatObservation, observe_flat
from calib.observe.step import StepObservation, observe_step
from calib.path import Path, Stretch
from calib.scan import Scan
from calib.scanner.effect import Float
from calib.scanner.height import Height
from calib.scanner.motion import Motion
from calib.standard import Flat, Grating, Grid, Standard, Step, load_standard

Observation = LateralObservation | StepObservation | FlatObservation
Progress = Callable[[str, float], None]
_REFINEMENTS = 2


@dataclass(frozen=True)
class Scanner:
    """What is declared of a scanner.

    Attributes
    ----------
    name
        One chip is one scanner.
    travel
        Of x, y and (if known) z, m.
    controller
        Settings that change the motion.
    periods
        Travel of x, and of y, per turn of their screws and gears, m; either may be empty.
    """

    name: str = ""
    travel: tuple[float, ...] | None = None
    controller: Mapping[str, Any] | None = None
    periods: tuple[tuple[float, ...], tuple[float, ...]] = ((), ())


@dataclass(frozen=True)
class Pair:
    """A scan, the standard that it shows, and how that was turned on the stage (rad, None: not)."""

    scan: Scan
    standard: Standard
    turned: float | None = None


def calibrate(
    pairs: Iterable[Any],
    *,
    scanner: Scanner | str | Mapping[str, Any] | None = None,
    degree: int | None = None,
    noise: Noise = "from residuals",
    refinements: int = _REFINEMENTS,
    progress: Progress | None = None,
    options: Mapping[str, Any] | None = None,
) -> Model:
    """Calibrate a scanner from scans of standards, all in one solution.

    Parameters
    ----------
    pairs
        Scans with their standards: ``(scan, standard)``, ``(scan, standard, turned)`` or :class:`Pair`. A scan may be a
        path, a standard the path or name of one; ``turned`` is the angle to which the standard was turned on the
        stage, rad.
    scanner
        Its name, or all that is declared of it; by default what the scans say.
    degree
        Highest degree of the static nonlinearity; by default chosen by the prediction of scans that were left out.
    noise
        ``from residuals`` or ``known``, see :func:`calib.fit.fit_lateral`.
    refinements
        How often the nodes are refined on the pixels with the model's help.
    progress
        Called with the name of a stage and the part of it that is done.
    options
        For the record only: kept in the provenance.

    Raises
    ------
    CalibError
        With the sentence that says which scan can't be used and why.
    """
    say = progress or (lambda stage, part: None)
    declared = _scanner(scanner)
    items = ordered([_pair(item) for item in pairs])
    if not items:
        raise PlanError("There are no scans to calibrate from: name at least one, with its standard.")
    name, controller = _identity(declared, items)
    scans = [item.scan for item in items]
    tasks = list(zip(items, rests(scans), histories(scans), strict=True))
    found: list[Observation] = []
    for k, observation in enumerate(side_by_side(lambda task: observe(*task), tasks)):
        say("observing", (k + 1) / len(items))
        found.append(observation)
    lateral = [o for o in found if isinstance(o, LateralObservation)]
    lateral_items = [item for item, o in zip(items, found, strict=True) if isinstance(o, LateralObservation)]
    others = [o for o in found if not isinstance(o, LateralObservation)]
    lateral = _named_apart(lateral)
    travel, centre, travel_from = _travel(declared, found)
    fit = None
    if lateral:
        judging = refinements == 0
        given: dict[str, Any] = {"noise": noise, "periods": declared.periods, "progress": progress}
        fit = fit_lateral(lateral, travel, centre, degree=degree, judging=judging, **given)
        for k in range(refinements):
            lateral = refine_all(fit, lateral, _again(lateral_items, lateral), progress)
            # how rich the model may be is chosen anew only from the final nodes
            last = k + 1 == refinements
            fixed = degree if last else fit.degree
            fit = fit_lateral(lateral, travel, centre, degree=fixed, before=fit, judging=last, **given)
        check_fold(fit.motion, fit.values, lateral)
    height = fit_height(
        [*others, *lateral],
        declared.travel[2] if declared.travel and len(declared.travel) > 2 else None,
        (travel, centre),
        fit.motion if fit else None,
        fit.values if fit else None,
    )
    say("done", 1.0)
    observed = settled([*lateral, *others], height)
    return _model(items, declared, name, controller, travel, travel_from, observed, fit, height, options or {})


def observe(item: Pair, rest: tuple[float, float] | None, history: tuple[Stretch, ...], rounds: int = 2) -> Observation:
    """See what the standard says about a scan.

    Parameters
    ----------
    rest, history
        Where the scanner rested before it, m, and what it did, so far as that is known from the scans before.
    rounds
        See :func:`calib.observe.lateral.observe_lateral`; two will do where the model refines the nodes anyway.

    Raises
    ------
    CalibError
        If it says nothing.
    """
    standard = item.standard.at(item.scan.temperature)
    observation: Observation
    if isinstance(standard, (Grating, Grid)):
        observation = observe_lateral(item.scan, standard, turned=item.turned, rest=rest, rounds=rounds)
    elif isinstance(standard, Step):
        observation = observe_step(item.scan, standard, rest=rest)
    elif isinstance(standard, Flat):
        observation = observe_flat(item.scan, standard, rest=rest)
    else:
        raise PlanError(f"{item.scan.label}: a {standard.kind} is of no use in a calibration; take it out.")
    observation.path.history = history
    return observation


def _model(
    items: Sequence[Pair],
    declared: Scanner,
    name: str,
    controller: Mapping[str, Any] | None,
    travel: tuple[float, float],
    travel_from: str,
    observed: Sequence[Observation],
    fit: LateralFit | None,
    height: Height,
    options: Mapping[str, Any],
) -> Model:
    motion = fit.motion if fit else Motion([])
    lateral = [o for o in observed if isinstance(o, LateralObservation)]
    steps = [o for o in observed if isinstance(o, StepObservation)]
    notes = [f"{o.label}: {note}" for o in observed for note in o.notes]
    z = declared.travel[2] if declared.travel and len(declared.travel) > 2 else np.nan
    return Model(
        scanner=name,
        travel=(travel[0], travel[1], z),
        travel_from=travel_from,
        controller=controller,
        motion=motion,
        values=fit.values if fit else motion.rest_values,
        covariance=fit.covariance if fit else motion.prior_covariance,
        origins=fit.origins if fit else {},
        certificates=fit.certificates if fit else {},
        height=height,
        misfit=fit.judged if fit else Misfit(0.02 * max(travel), ASSUMED),
        domain=_domain(observed),
        quality=_quality(fit, lateral),
        undetermined=tuple(undetermined(lateral, steps, height, fit.left_out if fit else ())),
        notes=tuple(notes),
        observations=tuple(observed),
        provenance={
            "inputs": [_input(item) for item in items],
            "standards": _standards(items),
            "options": dict(options),
            "versions": _versions(),
        },
        created=datetime.now(UTC).isoformat(timespec="seconds"),
        drift=fit.drift if fit else (),
    )


# --- what is given ---------------------------------------------------------------------------------


def _scanner(scanner: Scanner | str | Mapping[str, Any] | None) -> Scanner:
    if scanner is None:
        return Scanner()
    if isinstance(scanner, str):
        return Scanner(scanner)
    if isinstance(scanner, Mapping):
        unknown = set(scanner) - {"name", "travel", "controller", "periods"}
        if unknown:
            raise PlanError(f"A scanner has name, travel, controller and periods, but no {sorted(unknown)[0]!r}.")
        return Scanner(**scanner)
    return scanner


def _pair(item: Any) -> Pair:
    if isinstance(item, Pair):
        return item
    try:
        scan, standard, *rest = item
    except TypeError:
        raise PlanError(
            f"Each scan comes with its standard, as (scan, standard), not as {type(item).__name__}."
        ) from None
    if not isinstance(scan, Scan):
        from calib.formats import read_scan

        scan = read_scan(scan)
    if not isinstance(standard, Standard):
        standard = load_standard(standard)
    return Pair(scan, standard, *rest)


def ordered(items: list[Pair]) -> list[Pair]:
    """Pairs in the order of time, if all scans say when they began."""
    if all(item.scan.started is not None for item in items):
        zones = {item.scan.started.tzinfo is None for item in items if item.scan.started}
        if len(zones) == 1:
            return sorted(items, key=lambda item: item.scan.started)  # type: ignore[arg-type, return-value]
    return items


def _identity(declared: Scanner, items: Sequence[Pair]) -> tuple[str, Mapping[str, Any] | None]:
    name, controller = declared.name, declared.controller
    named_by = "the plan"
    for item in items:
        scan = item.scan
        if scan.frame_of_reference == "true":
            raise ScanError(f"{scan.label} is a corrected scan; calibrate from scans as they were recorded.")
        if scan.scanner:
            if name and scan.scanner != name:
                raise PlanError(
                    f"{scan.label} is of scanner {scan.scanner!r}, but {named_by} says {name!r};"
                    " one calibration is of one scanner."
                )
            if not name:
                name, named_by = scan.scanner, scan.label
        if scan.controller is not None:
            if controller is not None and dict(controller) != dict(scan.controller):
                raise PlanError(
                    f"{scan.label} was taken with other controller settings than {named_by}; settings are part of the"
                    " scanner, so calibrate each on its own."
                )
            controller = scan.controller if controller is None else controller
    return name, controller


def _travel(
    declared: Scanner, observations: Sequence[Observation]
) -> tuple[tuple[float, float], tuple[float, float], str]:
    boxes = [_box(observation.path) for observation in observations]
    low = np.min([box[:, 0] for box in boxes], axis=0)
    high = np.max([box[:, 1] for box in boxes], axis=0)
    if declared.travel is not None:
        x, y = declared.travel[:2]
        for axis, (given, name) in enumerate(((x, "x"), (y, "y"))):
            reach = 2 * max(abs(low[axis]), abs(high[axis]))
            if reach > 1.05 * given:
                raise PlanError(
                    f"The scans reach {reach / 2 * 1e6:.4g} µm from the centre along {name}, but half the declared"
                    f" travel is {given / 2 * 1e6:.4g} µm; correct the travel, or the size or centre of the scans."
                )
        return (float(x), float(y)), (0.0, 0.0), "declared"
    size = high - low
    middle = (high + low) / 2
    return (float(size[0]), float(size[1])), (float(middle[0]), float(middle[1])), "scans"


def _box(path: Path) -> Float:
    low, high = path.edges
    corners = path.at(np.array([low, high, low, high]), path.slow[[0, 0, -1, -1]])
    return np.stack([corners.min(axis=1), corners.max(axis=1)], axis=1)


def _named_apart(observations: list[LateralObservation]) -> list[LateralObservation]:
    seen: dict[str, int] = {}
    result = []
    for observation in observations:
        seen[observation.label] = seen.get(observation.label, 0) + 1
        count = seen[observation.label]
        label = observation.label if count == 1 else f"{observation.label} ({count})"
        result.append(dataclasses.replace(observation, label=label))
    return result


def _again(
    items: Sequence[Pair], observations: Sequence[LateralObservation]
) -> Callable[[LateralObservation, Float], LateralObservation]:
    scans = {observation.label: item.scan for observation, item in zip(observations, items, strict=True)}
    return lambda observation, periods: observe_again(scans[observation.label], observation, periods)


# --- what is told ----------------------------------------------------------------------------------


def _domain(observed: Sequence[Observation]) -> Domain:
    used = [o for o in observed if isinstance(o, LateralObservation)] or observed
    paths = [observation.path for observation in used]
    boxes = [_box(path) for path in paths]
    low = np.min([box[:, 0] for box in boxes], axis=0)
    high = np.max([box[:, 1] for box in boxes], axis=0)
    sizes = [size for path in paths for size in (float(np.ptp(path.fast)), float(np.ptp(path.slow)))]
    speeds = [path.speed for path in paths if path.timed]
    steps = [o for o in observed if isinstance(o, StepObservation)]
    levels = [level for step in steps for level in (step.low, step.high) if np.isfinite(level)]
    times = sorted(o.started.isoformat() for o in observed if o.started is not None)
    return Domain(
        area=(float(low[0]), float(high[0]), float(low[1]), float(high[1])),
        sizes=(min(sizes), max(sizes)),
        speeds=(float(min(speeds)), float(max(speeds))) if speeds else None,
        heights=(min(levels), max(levels)) if levels else None,
        first=times[0] if times else "",
        last=times[-1] if times else "",
    )


def _quality(fit: LateralFit | None, lateral: Sequence[LateralObservation]) -> dict[str, Any]:
    if fit is None:
        return {"nodes": 0}
    return {
        "nodes": sum(observation.size for observation in lateral),
        "residual": fit.residual,
        "misfit": fit.misfit,
        "noise_factor": fit.factor,
        "chi2": fit.solution.chi2,
        "dof": fit.solution.dof,
        "degree": fit.degree,
        "condition": fit.solution.condition,
        "iterations": fit.solution.iterations,
        "unknowns": int(fit.solution.x.size),
    }


def _input(item: Pair) -> dict[str, Any]:
    from calib.formats._fields import to_attributes

    return {
        "scan": item.scan.label,
        "file": str(item.scan.attributes.get("file", "")),
        "sha256": str(item.scan.attributes.get("sha256", "")),
        "standard": item.standard.name,
        "turned": item.turned,
        "metadata": to_attributes(item.scan),
    }


def _standards(items: Sequence[Pair]) -> list[dict[str, Any]]:
    return list({item.standard.identity: item.standard.to_dict() for item in items}.values())


def _versions() -> dict[str, str]:
    from importlib.metadata import version

    import calib

    packages = {name: version(name) for name in ("numpy", "scipy", "scikit-image")}
    return {"calib": calib.__version__, "python": platform.python_version(), **packages}
