"""What a scan of a standard shows through a model, observed once for all that is made of it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.measure.lattice_fit import LatticeFit, fit_lattice, observe_corrected
from calib.measure.resolution import of_mean
from calib.measure.step_height import straightened, true_step
from calib.model import Model
from calib.observe.lateral import LateralObservation
from calib.observe.levels import FlatObservation, observe_flat
from calib.observe.step import StepObservation, observe_step
from calib.scan import Scan
from calib.scanner.effect import Float
from calib.standard import Flat, Grating, Grid, Standard, Step

_OF_THE_STEP = ("noise", "repeatability", "resolution", "creep of z")
"""What is unsure of a measured step besides the model's own coefficients and error."""


@dataclass(frozen=True, eq=False)
class Seen:
    """A scan, its standard at the scan's temperature, and what was observed.

    Attributes
    ----------
    model
        Stays as it is.
    scan
        As recorded.
    standard
        At the temperature of the scan.
    lateral
        Of a grating or grid, else None.
    step
        Of a step, in the scan freed of bow, hysteresis and creep of z; else None.
    flat
        Of a flat, in such a scan; else None.
    notes
        Of the model about the scan, and of the observation.
    """

    model: Model
    scan: Scan
    standard: Standard
    lateral: LateralObservation | None = None
    step: StepObservation | None = None
    flat: FlatObservation | None = None
    notes: tuple[str, ...] = ()

    @property
    def label(self) -> str:
        """Name of the scan."""
        return self.scan.label

    @property
    def independent(self) -> bool:
        """Whether the calibration did without this standard."""
        used = {observation.standard.identity for observation in self.model.observations}
        return self.standard.identity not in used

    @cached_property
    def lattice(self) -> LatticeFit:
        """The lattice that fits the corrected nodes."""
        assert self.lateral is not None
        return fit_lattice(self.model, self.lateral)

    @cached_property
    def height(self) -> tuple[float, dict[str, float]]:
        """Height of the step, m, and the standard uncertainties that make up its own, by name."""
        assert self.step is not None
        measured, parts = true_step(self.model, self.step)
        if resolution := measured / self.step.indicated * of_mean(self.scan) * float(np.sqrt(2)):
            parts["resolution"] = resolution
        return measured, parts | of_standard(self.standard)

    @property
    def of_the_step(self) -> dict[str, float]:
        """Of these, what the model has no part in."""
        own = (*_OF_THE_STEP, *of_standard(self.standard))
        return {name: u for name, u in self.height[1].items() if name in own}

    @property
    def of_the_model(self) -> float:
        """What the model says of its own part in the height of the step, a standard uncertainty, m."""
        return float(np.sqrt(sum(u**2 for name, u in self.height[1].items() if name not in self.of_the_step)))

    @property
    def frame(self) -> tuple[object, ...]:
        """The same for scans that were commanded alike."""
        scan = self.scan
        place = (scan.centre_x, scan.centre_y, scan.rotation, *scan.size, scan.z_centre or 0.0)
        return (scan.shape, scan.passes, scan.frame, scan.line_period, *(float(f"{number:.9e}") for number in place))

    def levels(self) -> tuple[Float, Float, Float, np.ndarray, np.ndarray] | None:
        """Corrected heights of plateaus: (fast, slow, height, sd, pass index); None of gratings and grids."""
        found = self.step.levels if self.step is not None else self.flat.levels if self.flat is not None else None
        if found is None:
            return None
        height = self.model.height.true(found.height, found.centred)
        return found.fast, found.slow, height, found.sd * abs(self.model.height.values[0]), found.pass_index


def look(
    model: Model, scan: Scan, standard: Standard, *, turned: float | None = None, any_scanner: bool = False
) -> Seen:
    """Observe a scan of a standard through a model; see :func:`calib.verify`.

    Raises
    ------
    CalibError
        If the scan is no usable image of the standard, or of another scanner.
    """
    notes = model.check(scan, any_scanner=any_scanner)
    warm = standard.at(scan.temperature)
    if isinstance(warm, (Grating, Grid)):
        lateral = observe_corrected(model, scan, warm, turned)
        return Seen(model, scan, warm, lateral=lateral, notes=(*notes, *lateral.notes))
    if isinstance(warm, Step):
        step = observe_step(straightened(model, scan), warm)
        return Seen(model, scan, warm, step=step, notes=(*notes, *step.notes))
    assert isinstance(warm, Flat)
    flat = observe_flat(straightened(model, scan), warm)
    return Seen(model, scan, warm, flat=flat, notes=(*notes, *flat.notes))


def of_standard(standard: Standard) -> dict[str, float]:
    """What is unsure of a standard besides its certificate, m."""
    listed = {"unevenness of the standard": standard.unevenness, "mounting": standard.mounting}
    return {name: value.u for name, value in listed.items() if value is not None}
