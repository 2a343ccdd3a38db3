"""Interim check, which asks by a quick scan of a grid whether the scanner is where the model says.

Scales, skew and the ratio of scales that the scan shows after correction are compared with what the model expects; see
:mod:`calib.verification.series` for what is made of several scans.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from calib.errors import CalibError, FileError, ScanError
from calib.model import Model
from calib.scan import Scan
from calib.standard import Grating, Grid, Standard
from calib.verification.affine import affine_of
from calib.verification.file import read_versioned
from calib.verification.seen import look
from calib.verification.series import FORMAT, VERSION, Interim, Look


def load_interim(path: str | Path) -> Interim:
    """Read an interim check.

    Raises
    ------
    FileError
        If it is none, or damaged.
    """
    body = read_versioned(path, FORMAT, VERSION, "calib interim")
    try:
        looks = tuple(Look.from_dict(one) for one in body["looks"])
        if not looks:
            raise ValueError("it holds no scan")
        return Interim(
            looks,
            matters=float(body["matters"]),
            false_alarm=float(body["false_alarm"]),
            missed=float(body["missed"]),
            independent=bool(body["independent"]),
            notes=tuple(map(str, body["notes"])),
            **{key: str(body[key]) for key in ("standard", "standard_identity", "scanner", "model_sha256")},
        )
    except (KeyError, TypeError, ValueError, AttributeError) as problem:
        raise FileError(f"{path} is a damaged interim check ({problem}); make it again with 'calib interim'.") from None


def interim(
    model: Model,
    scan: Scan,
    standard: Standard,
    before: Sequence[Interim] = (),
    *,
    matters: float = 1e-3,
    false_alarm: float = 0.05,
    missed: float = 0.05,
    turned: float | None = None,
    any_scanner: bool = False,
) -> Interim:
    """Ask whether the scanner is where the model says.

    Parameters
    ----------
    model
        Stays as it is.
    scan
        Of the standard, as recorded.
    standard
        A grid; a grating along x or y tells the scale along that axis.
    before
        Earlier checks of the same model with the same standard, whose scans count too.
    matters
        Deviation of scales, of their ratio and of the skew (rad) that must be found.
    false_alarm, missed
        See :class:`Interim`.
    turned
        Angle to which the standard was turned on the stage, rad.
    any_scanner
        Look even if the scan names another scanner or other controller settings.

    Raises
    ------
    CalibError
        If the scan is no usable image of the standard, counts already, or the earlier checks are of something else.
    """
    if not isinstance(standard, (Grid, Grating)):
        raise ScanError(f"An interim check needs a scan of a grid, not of a {standard.kind}.")
    _same(model, standard, before)
    looks = {one.content: one for check in before for one in check.looks}
    content = _content(scan)
    if content in looks:
        raise CalibError(f"{scan.label} counts already in the earlier checks: take another scan.")
    seen = look(model, scan, standard, turned=turned, any_scanner=any_scanner)
    found = affine_of(seen)
    if found is None:
        raise ScanError(f"{scan.label}: the grating lies along neither x nor y; turn it, or take a grid.")
    names, combine = list(found.names), np.eye(len(found.names))
    deviation = found.values - found.by_scale
    if len(names) == 3:
        names, combine = [*names, "ratio"], np.vstack([combine, [1.0, -1.0, 0.0]])
    sd = np.sqrt(np.einsum("qa,ab,qb->q", combine, found.noise + found.drift, combine))
    u_common = np.sqrt(np.maximum(np.einsum("qa,ab,qb->q", combine, found.systematic, combine), 0.0))
    now = Look(
        scan.label,
        datetime.now(UTC).isoformat(timespec="seconds"),
        content,
        _named(names, combine @ deviation),
        _named(names, np.maximum(sd, 1e-12)),
        _named(names, u_common),
    )
    for one in looks.values():
        if set(one.deviation) != set(names):
            raise CalibError(
                f"{scan.label} tells other quantities than the earlier check of {one.scan}: take a like scan."
            )
    return Interim(
        looks=(*looks.values(), now),
        matters=matters,
        false_alarm=false_alarm,
        missed=missed,
        standard=standard.name,
        standard_identity=standard.identity,
        scanner=model.scanner,
        model_sha256=model.sha256,
        independent=seen.independent,
        notes=seen.notes,
    )


def _same(model: Model, standard: Standard, before: Sequence[Interim]) -> None:
    for check in before:
        if check.model_sha256 != model.sha256:
            raise CalibError(
                f"The earlier check of {check.looks[-1].scan} was made with another model: begin a new series."
            )
        if check.standard_identity != standard.identity:
            raise CalibError(
                f"The earlier check of {check.looks[-1].scan} is of {check.standard!r}, this one of {standard.name!r}:"
                " a series keeps to one standard."
            )


def _content(scan: Scan) -> str:
    digest = hashlib.sha256(np.ascontiguousarray(scan.values).tobytes())
    digest.update(repr((scan.shape, scan.started)).encode())
    return digest.hexdigest()


def _named(names: Sequence[str], numbers: np.ndarray) -> dict[str, float]:
    return {name: float(number) for name, number in zip(names, numbers, strict=True)}
