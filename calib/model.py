"""The correction model: what the scanner does, how well that is known, where it holds and where it came from."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path as FilePath
from typing import TYPE_CHECKING, Any

import numpy as np

from calib.scan import Scan
from calib.scanner.effect import Float
from calib.scanner.height import Height
from calib.scanner.motion import Motion

if TYPE_CHECKING:
    import lmfit

    from calib.live import Line, LiveCorrection
    from calib.locate import Located
    from calib.observe.lateral import LateralObservation
    from calib.observe.levels import FlatObservation
    from calib.observe.step import StepObservation
    from calib.resample import Interpolation


@dataclass(frozen=True)
class Parameter:
    """One number of a model.

    Attributes
    ----------
    name, value, u, unit
        With its standard uncertainty; SI units.
    prior_u
        Standard uncertainty before any scan was taken. Where `u` is hardly less, the scans said nothing of it.
    """

    name: str
    value: float
    u: float
    unit: str
    prior_u: float


@dataclass(frozen=True)
class Domain:
    """Where and when a model holds.

    Attributes
    ----------
    area
        ``(x low, x high, y low, y high)``, commanded, m.
    sizes
        Shortest and longest side of the scans, m.
    speeds
        Slowest and fastest fast-axis speed, m/s; None if no timing was known.
    heights
        Lowest and highest indicated height of the steps, m; None without steps.
    first, last
        When the scans were taken, ISO 8601; empty if unknown.
    """

    area: tuple[float, float, float, float]
    sizes: tuple[float, float]
    speeds: tuple[float, float] | None = None
    heights: tuple[float, float] | None = None
    first: str = ""
    last: str = ""


LEFT_OUT_SCANS, LEFT_OUT_PARTS, ASSUMED = "left-out scans", "left-out parts of scans", "assumed"
"""Where the size of the model's error comes from."""


@dataclass(frozen=True)
class DriftRate:
    """How the sample moved past the probe in one scan.

    Attributes
    ----------
    label
        Name of the scan.
    rate, u
        Along x and y, m/s, with standard uncertainties.
    """

    label: str
    rate: tuple[float, float]
    u: tuple[float, float]


@dataclass(frozen=True)
class Conditions:
    """How a scan of the calibration was taken, and how wrong the model was there when it had to do without that scan.

    Attributes
    ----------
    size
        Geometric mean of the sides, m.
    direction
        Of the fast axis from scanner x, rad, between 0 and pi.
    speed
        Along the fast axis, m/s; None if unknown.
    centre
        Commanded, m.
    fast_error, slow_error
        Standard deviation of the model's error along the fast and the slow axis, m.
    """

    size: float
    direction: float
    speed: float | None
    centre: tuple[float, float]
    fast_error: float = 0.0
    slow_error: float = 0.0


@dataclass(frozen=True)
class Misfit:
    """How far the model is from being the scanner, as seen from scans that were left out of the fit.

    Attributes
    ----------
    lateral
        Standard deviation of a position along x or y, m: the rms over all scans.
    source
        ``left-out scans``, ``left-out parts of scans``, or ``assumed``.
    by_scan
        Label of each scan to the rms error with which the others predict it, m; what the covariance says of it is in
        that.
    scans
        The model's error under the conditions of each scan, without what the covariance says; empty if it is one
        number for all.
    rings
        Relative size of the error in rings of the frame, from its middle to its border (edges at 0, 0.4, 0.7, 0.9 and
        1 of the half side); empty if it is the same everywhere.
    """

    lateral: float
    source: str
    by_scan: Mapping[str, float] = field(default_factory=dict)
    scans: tuple[Conditions, ...] = ()
    rings: tuple[float, ...] = ()


@dataclass(frozen=True, eq=False)
class Model:
    """The correction model of one scanner.

    Attributes
    ----------
    scanner
        Its name; empty if unknown.
    travel
        Travel of x, y and z, m; NaN for z if unknown.
    travel_from
        ``declared``, or ``scans``: the box that the calibration scans cover.
    controller
        Settings that change the motion, None if not stated.
    motion
        Axes and effects.
    values, covariance
        Coefficients of the motion, shapes ``(n,)`` and ``(n, n)``.
    height
        Height response.
    misfit
        What the covariance does not know.
    domain
        Where and when it holds.
    quality
        Numbers that say how the fit went.
    undetermined
        What the data could not determine, in plain words.
    notes
        What a user should know, in plain words.
    observations
        Nodes and steps that it was made from.
    provenance
        Inputs with their hashes and metadata, versions, options.
    created
        When it was made, ISO 8601; not part of :attr:`sha256`.
    drift
        How the sample drifted in each scan of the calibration, where that could be told; it says nothing of later ones.
    origins
        Parts of the covariance by where they come from, see :mod:`calib.origins`; empty if that is not known.
    certificates
        By identity of the standard, what the coefficients move by with one standard deviation of each certified value,
        shape ``(terms, values)``: what models of the same standard have in common. Empty if that is not known.
    extra
        Keys of a newer version of the file, kept as they are.
    """

    scanner: str
    travel: tuple[float, float, float]
    travel_from: str
    controller: Mapping[str, Any] | None
    motion: Motion
    values: Float
    covariance: Float
    height: Height
    misfit: Misfit
    domain: Domain
    quality: Mapping[str, Any]
    undetermined: tuple[str, ...]
    notes: tuple[str, ...]
    observations: tuple[LateralObservation | StepObservation | FlatObservation, ...]
    provenance: Mapping[str, Any]
    created: str = ""
    drift: tuple[DriftRate, ...] = ()
    origins: Mapping[str, Float] = field(default_factory=dict)
    certificates: Mapping[str, Float] = field(default_factory=dict)
    extra: Mapping[str, Any] = field(default_factory=dict)

    # --- parameters --------------------------------------------------------------------------------

    @cached_property
    def parameters(self) -> tuple[Parameter, ...]:
        """All parameters with their uncertainties: scales and skew, effects, height."""
        u, prior = (np.sqrt(np.diag(one)) for one in (self.covariance, self.motion.prior_covariance))
        lateral = [
            Parameter(c.name, float(v), float(s), c.unit, float(p))
            for c, v, s, p in zip(self.motion.coefficients, self.values, u, prior, strict=True)
        ]
        height = self.height
        known = Height.prior(height.span, height.bow, height.history)
        before, after = (np.sqrt(np.diag(one.covariance)) for one in (known, height))
        vertical = [
            Parameter(name, float(v), float(s), unit, float(p))
            for name, unit, v, s, p in zip(height.names, height.units, height.values, after, before, strict=True)
        ]
        return tuple(lateral + vertical)

    def __getitem__(self, name: str) -> Parameter:
        """Return a parameter by name."""
        return {parameter.name: parameter for parameter in self.parameters}[name]

    def to_lmfit(self) -> lmfit.Parameters:
        """Return values, standard errors and correlations as `lmfit.Parameters`, for reports and other programs."""
        from lmfit import Parameters

        found = Parameters()
        u = np.sqrt(np.diag(self.covariance))
        names = self.motion.names
        for parameter in self.parameters:
            found.add(parameter.name, value=parameter.value)
            found[parameter.name].stderr = parameter.u
        with np.errstate(invalid="ignore", divide="ignore"):
            correlation = self.covariance / np.outer(u, u)
        for i, name in enumerate(names):
            strong = np.nonzero(np.abs(correlation[i]) > 0.1)[0]
            found[name].correl = {names[j]: float(correlation[i, j]) for j in strong if j != i}
        return found

    def report(self) -> str:
        """Return a table of all parameters (lmfit's fit report)."""
        from lmfit import fit_report

        return str(fit_report(self.to_lmfit(), min_correl=0.5))

    def split(self, derivative: Float, total: Float) -> dict[str, Float]:
        """Split covariances of quantities by what the covariance of the motion's coefficients comes from.

        Parameters
        ----------
        derivative
            Of the quantities by the coefficients, shape ``(quantities, n)``.
        total
            Of the quantities by the coefficients, shape ``(quantities, quantities)``.

        Returns
        -------
        dict
            Covariances by name, see :func:`calib.origins.split`.
        """
        from calib.origins import split

        return split(self.origins, derivative, self.covariance, self.motion.prior_covariance, total)

    # --- use ---------------------------------------------------------------------------------------

    def check(self, scan: Scan, *, any_scanner: bool = False) -> tuple[str, ...]:
        """Say where a scan lies outside the domain of the model.

        Raises
        ------
        ModelError
            If the model can't be applied at all: the scan is of another scanner, was taken with other controller
            settings, or is corrected already.
        """
        from calib.domain import check_scan

        return check_scan(self, scan, any_scanner=any_scanner)

    def locate(self, scan: Scan, *, uncertainty: bool = True, any_scanner: bool = False) -> Located:
        """Return the true position of every pixel and pass, with standard uncertainties.

        Parameters
        ----------
        scan
            In the commanded frame of reference, of this scanner.
        uncertainty
            Whether uncertainties are wanted; without them it is faster.
        any_scanner
            Apply the model even if the scan names another scanner or other controller settings.

        Returns
        -------
        Located
            Arrays ``x, y, z, u_x, u_y, u_z`` of shape ``(pass, slow, fast)``.
        """
        from calib.locate import locate

        return locate(self, scan, uncertainty=uncertainty, any_scanner=any_scanner)

    def correct(
        self,
        scan: Scan,
        *,
        uncertainty: bool = False,
        any_scanner: bool = False,
        interpolation: Interpolation = "cubic",
        step: float | None = None,
    ) -> Scan:
        """Return the scan on a regular grid of true coordinates, heights corrected, both passes kept.

        Parameters
        ----------
        uncertainty
            Add channels ``u_x, u_y, u_height``.
        interpolation
            ``cubic`` (B-splines), ``linear``, or ``nearest`` for channels whose values must not be mixed.
        step
            Between the points of the grid, m; by default the pixels' mean true distances. Where it is larger than
            these, values are averaged over as much before, so that nothing finer than the grid is folded into it.

        Raises
        ------
        ModelError
            See :meth:`check`; or if the step does not suit the scan.
        """
        from calib.correct import correct

        return correct(
            self, scan, uncertainty=uncertainty, any_scanner=any_scanner, interpolation=interpolation, step=step
        )

    def correct_lines(self, lines: Iterable[Line], frame: Scan, **options: Any) -> LiveCorrection:
        """Correct a frame line by line while it is recorded, see :class:`calib.live.LiveCorrection`."""
        from calib.live import LiveCorrection

        return LiveCorrection(self, frame, lines, **options)

    # --- files -------------------------------------------------------------------------------------

    @cached_property
    def sha256(self) -> str:
        """Hash of the content, the same for the same inputs whenever it was made."""
        from calib.model_file import content_hash

        return content_hash(self)

    def save(self, path: str | FilePath, *, force: bool = False) -> None:
        """Write the model as JSON.

        Raises
        ------
        OutputExistsError
            If the file exists, without `force`.
        """
        from calib.model_file import save

        save(self, path, force=force)

    def replace(self, **changes: Any) -> Model:
        """Return a model with some fields changed."""
        return replace(self, **changes)

    def scale(
        self, axis: int, size: float, line_period: float | None = None, rotation: float = 0.0
    ) -> tuple[float, float]:
        """Mean scale (true over commanded) along a scanner axis, with its standard uncertainty, at named conditions.

        Parameters
        ----------
        axis
            0 for x, 1 for y.
        size
            Side of a square scan about the centre, m. Gain depends on it.
        line_period
            s; by default the geometric middle of the model's speeds.
        rotation
            Of the scan, rad: 0 makes x the fast axis.
        """
        from calib.locate import mean_scale

        return mean_scale(self, axis, size, line_period, rotation)

    def _repr_html_(self) -> str:
        from calib.report.notebook import model_html as shown

        return shown(self)

    def __repr__(self) -> str:
        whose, count = self.scanner or "an unnamed scanner", len(self.observations)
        return f"<Model of {whose}: {len(self.parameters)} parameters, {count} scans>"


def load_model(path: str | FilePath) -> Model:
    """Read a model file of this or any earlier version.

    Raises
    ------
    FileError
        If it is no model.
    ModelError
        If it is of a newer major version.
    """
    from calib.model_file import load

    return load(path)
