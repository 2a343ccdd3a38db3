r"""Scans taken between two calibrations: the value to give them, and the uncertainty to put on it.

Let p and q be what the models before and after say of a position, d = q - p. The scanner was in the one state, in the
other, or somewhere on the way; nobody knows when it changed. The true value is p + λ d with λ between 0 and 1. Of all
distributions of λ with mean 1/2 none has a larger variance than that which puts one half on each end (Popoviciu 1935):
the variance of λ is at most 1/4. That one is also right for a jump at an unknown moment, such as a service that nobody
wrote down. So

    value = (p + q) / 2 ,   u² = u²(mean of both models) + d² / 4 .

A rectangular distribution would say d² / 12. It presumes that every state in between is equally probable, which a jump
is not, and so is not used.

If the change was steady (asked for), λ is the part of the time between the calibrations that had gone by when the scan
was taken: value = p + λ d, with no more than the uncertainty of that mean.

Shift and rotation of a whole scan are nobody's, and taken out of d. Uncertainty of the mean: certificates of the same
standard move both models alike, the rest of the fits is independent; the models' errors and what is unknown of the scan
itself (drift) are the same scanner's and the same scan's, so that a mean is no surer than its parts.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np

from calib.between.mean import joint_root
from calib.between.said import Said, Value
from calib.compared import refuse_other_scanner
from calib.comparing import in_common
from calib.correct import on_true_grid
from calib.errors import ModelError
from calib.locate import indicated_heights, own_spread, positions, take_out_rigid, true_height
from calib.mesh import Mesh
from calib.model import Model
from calib.model_error import error_covariance, error_sd
from calib.path import Path, Samples
from calib.scan import Scan
from calib.scanner.effect import Float
from calib.units import show

_LENGTH, _HEIGHT = 10e-6, 100e-9
_LINES = 11  # lines in the middle of a scan over which a distance is taken


@dataclass(frozen=True)
class Between:
    """Two models of one scanner, and what they say together of scans taken between them.

    Attributes
    ----------
    before, after
        The models.
    steady
        Whether the scanner is taken to have changed steadily in time.
    any_scanner
        Whether models and scans may name different scanners.

    Raises
    ------
    ModelError
        If the models are of different scanners, have no dates, or the second was not made from later scans.
    """

    before: Model
    after: Model
    steady: bool = False
    any_scanner: bool = False

    def __post_init__(self) -> None:
        if not self.any_scanner:
            refuse_other_scanner(self.before, self.after)
        for model, name in ((self.before, "before"), (self.after, "after")):
            if not model.domain.last:
                raise ModelError(f"The model from {name} does not say when its scans were taken: nothing lies between.")
        if not _earlier(self.since, self.until):
            raise ModelError(
                f"The scans of the model from after begin at {_said(self.until)}, those of the model from before end at"
                f" {_said(self.since)}: give the earlier model first."
            )

    @property
    def since(self) -> datetime:
        """When the last scan of the calibration before was taken."""
        return datetime.fromisoformat(self.before.domain.last)

    @property
    def until(self) -> datetime:
        """When the first scan of the calibration after was taken."""
        return datetime.fromisoformat(self.after.domain.first)

    def sentence(self) -> str:
        """Say what is presumed."""
        how = (
            "changed steadily in time: values are interpolated at each scan's date"
            if self.steady
            else "may have changed at any moment, all at once or bit by bit: values are the mean of both models, and"
            " half their difference is added to the standard uncertainty"
        )
        return f"Between {_said(self.since)} and {_said(self.until)} the scanner {how}."

    def part(self, scan: Scan) -> float:
        """Return the weight of the later model for a scan.

        Raises
        ------
        ModelError
            If the scan has no date, or was not taken between the two calibrations.
        """
        if scan.started is None:
            raise ModelError(f"{scan.label} does not say when it was taken: give --set started='2026-03-01T10:00:00'.")
        if _earlier(scan.started, self.since) or _earlier(self.until, scan.started):
            which = "before" if _earlier(scan.started, self.since) else "after"
            raise ModelError(
                f"{scan.label} was taken at {_said(scan.started)}, not between {_said(self.since)} and"
                f" {_said(self.until)}: correct it with the model from {which}, if its clock is right."
            )
        if not self.steady:
            return 0.5
        return float((scan.started - self.since) / (self.until - self.since))

    def said(self, scan: Scan, *, length: float | None = None, height: float = _HEIGHT) -> Said:
        """Say how sure scale, a distance and a step in a scan are.

        Parameters
        ----------
        length
            Of the distance, m; by default 10 µm, or half the scan where that is shorter.
        height
            Of the step, m.

        Raises
        ------
        ModelError
            If the scan can't be taken, or the distance is longer than it.
        """
        late, path = self.part(scan), Path(scan)
        notes = self._notes(scan)
        size = min(float(np.ptp(path.fast)), float(np.ptp(path.slow)))
        length = (_LENGTH if size >= _LENGTH else size / 2) if length is None else length
        if not 0 < length <= size:
            raise ModelError(
                f"A distance of {show(length)} does not fit into {scan.label}, which is {show(size)} wide."
            )
        found = []
        rows = np.unique(np.linspace(4, path.slow.size - 1, 2 * _LINES).clip(0, None).round().astype(np.int64))
        fast = np.linspace(path.fast[0], path.fast[-1], 2 * _LINES)
        samples = path.samples(*_mesh(path, rows, fast))
        plane = np.stack([np.ones(samples.size), *(samples.position - samples.position.mean(axis=1, keepdims=True))])
        slopes = np.linalg.pinv(plane.T)[1:]
        for axis, name in enumerate("xy"):
            weights = np.zeros((2, samples.size))
            weights[axis] = slopes[axis]
            found.append(self._value(f"scale {name}", "1", path, samples, weights, late))
        middle = len(path.slow) // 2 + np.arange(-(_LINES // 2), _LINES // 2 + 1)
        lines = np.unique(np.clip(middle, 0, len(path.slow) - 1))
        ends = np.array([-length / 2, length / 2])
        along = path.samples(*_mesh(path, lines, ends))
        outer = np.abs(path.slow[:, None] - ends).argmin(axis=0)
        across = path.samples(*_mesh(path, outer, path.fast[:: max(1, path.fast.size // _LINES)]))
        for name, points, direction, upper in (
            ("fast", along, path.fast_axis, _upper(along, path.fast_axis)),
            ("slow", across, path.slow_axis, _upper(across, path.slow_axis)),
        ):
            signs = np.where(upper, 1 / upper.sum(), -1 / (~upper).sum())
            one = self._value(f"distance along the {name} axis", "m", path, points, direction[:, None] * signs, late)
            # by so much the rows are not exactly that far apart
            commanded = float(signs @ (direction @ points.position))
            to = length / commanded
            found.append(replace(one, before=one.before * to, after=one.after * to, value=one.value * to))
        if self.before.height.determined and self.after.height.determined:
            found.append(self._step(height, late))
        else:
            notes = (*notes, "of a step nothing can be said, since a model was made without one")
        return Said(scan.label, late, length, height, tuple(found), notes)

    def correct(self, scan: Scan) -> Scan:
        """Return the scan on a regular grid of true coordinates, with channels ``u_x``, ``u_y`` and ``u_height``.

        Raises
        ------
        ModelError
            If the scan can't be taken, or a model does not apply to it.
        """
        late, path = self.part(scan), Path(scan)
        notes = self._notes(scan)
        heights = indicated_heights(scan)
        first, second = (positions(model.motion, model.values, path, heights) for model in (self.before, self.after))
        place = (1 - late) * first + late * second
        mesh = Mesh(path)
        u = mesh.of_passes(self._position_uncertainty(path, mesh.samples, late))
        channels: dict[str, tuple[Float, str]] = {
            name: (np.asarray(values, dtype=np.float64), scan.units[name]) for name, values in scan.channels.items()
        }
        if scan.has_height:
            (z1, u1), (z2, u2) = (true_height(model, scan, True) for model in (self.before, self.after))
            apart = z2 - z1
            apart = apart - np.nanmean(apart, axis=(1, 2), keepdims=True)
            own = (1 - late) * u1 + late * u2  # as if both erred alike
            channels["height"] = ((1 - late) * z1 + late * z2, "m")
            channels["u_height"] = (np.hypot(own, self._spread * apart), "m")
        channels["u_x"], channels["u_y"] = (u[0], "m"), (u[1], "m")
        attributes = {"model_sha256": self.before.sha256, "model_after_sha256": self.after.sha256}
        note = f"between two models, weight of the later {late:.3g}. {self.sentence()}"
        return on_true_grid(scan, place, channels, attributes, (note, *notes))

    @property
    def _spread(self) -> float:
        """Standard deviation of where between the models the scanner was, as a part of their difference."""
        return 0.0 if self.steady else 0.5

    def _notes(self, scan: Scan) -> tuple[str, ...]:
        found = [model.check(scan, any_scanner=self.any_scanner) for model in (self.before, self.after)]
        return tuple(dict.fromkeys([*found[0], *found[1]]))

    def _position_uncertainty(self, path: Path, samples: Samples, late: float) -> Float:
        """Standard uncertainty of x and y at samples, m, shift and rotation taken out; shape ``(2, samples)``."""
        root = self._root(path, samples, late)
        take_out_rigid(root, samples.position)
        own = np.zeros((2, samples.size))
        for model, part in ((self.before, 1 - late), (self.after, late)):
            of_scan = own_spread(model, path, samples)
            take_out_rigid(of_scan, samples.position)
            own += part * np.sqrt(np.sum(of_scan**2, axis=1) + error_sd(model, path, samples) ** 2)
        apart = self._apart(path, samples)[:, None, :]
        take_out_rigid(apart, samples.position)
        return np.asarray(np.sqrt(np.sum(root**2, axis=1) + own**2 + (self._spread * apart[:, 0]) ** 2))

    def _apart(self, path: Path, samples: Samples) -> Float:
        first, second = (m.motion.position(path, samples, m.values) for m in (self.before, self.after))
        return np.asarray(second - first)

    def _root(self, path: Path, samples: Samples, late: float) -> Float:
        """Root of the covariance that the fits leave to the mean of both models, shape ``(2, roots, samples)``."""
        common = in_common(self.before.certificates, self.after.certificates)
        return joint_root((self.before, self.after), (1 - late, late), common, path, samples)

    def _value(self, name: str, unit: str, path: Path, samples: Samples, weights: Float, late: float) -> Value:
        """A weighted sum of positions, with the weights' shape ``(2, samples)``."""
        true = [m.motion.position(path, samples, m.values) for m in (self.before, self.after)]
        first, second = (float(np.sum(weights * one)) for one in true)
        root = np.einsum("irn,in->r", self._root(path, samples, late), weights)
        own = 0.0
        for model, part in ((self.before, 1 - late), (self.after, late)):
            of_scan = np.einsum("irn,in->r", own_spread(model, path, samples), weights)
            errors = error_covariance(model, path, samples)
            of_model = sum(float(w @ one @ w) for w, one in zip(weights, errors, strict=True))
            own += part * float(np.sqrt(of_scan @ of_scan + of_model))
        return self._between(name, unit, first, second, float(np.hypot(np.linalg.norm(root), own)), late)

    def _step(self, height: float, late: float) -> Value:
        """A step about the middle of the z range."""
        models = (self.before.height, self.after.height)
        rows = [np.zeros(one.values.size) for one in models]
        for row in rows:
            row[0], row[2] = height, height**3 / 4
        first, second = (float(row @ one.values) for row, one in zip(rows, models, strict=True))
        parts = (1 - late, late)
        variance = sum(p**2 * float(r @ one.covariance @ r) for p, r, one in zip(parts, rows, models, strict=True))
        if common := in_common(models[0].certificates, models[1].certificates):
            moved = [row @ part for row, part in zip(rows, common, strict=True)]
            variance += 2 * parts[0] * parts[1] * float(moved[0] @ moved[1])
        gain = [np.hypot(one.scatter, 0.0 if one.placed else one.unknown_gain()) for one in models]
        own = height * float(parts[0] * gain[0] + parts[1] * gain[1])
        return self._between("step", "m", first, second, float(np.hypot(np.sqrt(variance), own)), late)

    def _between(self, name: str, unit: str, first: float, second: float, u_mean: float, late: float) -> Value:
        u_change = self._spread * abs(second - first)
        value = (1 - late) * first + late * second
        return Value(name, unit, first, second, value, u_mean, u_change, float(np.hypot(u_mean, u_change)))


def between(before: Model, after: Model, *, steady: bool = False, any_scanner: bool = False) -> Between:
    """Return what two models say together of scans taken between them, see :class:`Between`."""
    return Between(before, after, steady, any_scanner)


def _mesh(path: Path, rows: Any, fast: Float) -> tuple[Any, Any, Any]:
    return tuple(np.meshgrid(np.arange(len(path.passes)), rows, fast, indexing="ij"))


def _upper(samples: Samples, direction: Float) -> Any:
    along = direction @ samples.position
    return along > (along.min() + along.max()) / 2


def _earlier(one: datetime, other: datetime) -> bool:
    """Whether one time lies before another.

    Raises
    ------
    ModelError
        If only one of them says its time zone.
    """
    if (one.tzinfo is None) != (other.tzinfo is None):
        raise ModelError(
            f"Of the times {_said(one)} and {_said(other)} only one names its time zone, so that nobody knows which was"
            " first: name it in both."
        )
    return one < other


def _said(time: datetime) -> str:
    return time.isoformat(" ", "minutes")
