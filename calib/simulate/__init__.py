"""Virtual instruments: surfaces, the recording of scans, and the physics between them.

>>> from calib.simulate import Flaws, Grid, raster, record
>>> surface = Grid(pitch_x=2e-6, pitch_y=2e-6, height=100e-9, theta=0.03)
>>> def motion(path, samples):
...     return 1.02 * samples.position
>>> scan, truth = record(surface, motion, raster(20e-6, 64), flaws=Flaws(noise=1e-9), seed=1)
>>> truth.shape
(2, 2, 64, 64)
"""

from calib.simulate.instrument import BEGAN, Physics, Session, VirtualInstrument
from calib.simulate.recording import Flaws, Motion, Recording, Relief, Response, raster, record, true_positions
from calib.simulate.surface import Flat, Grating, Grid, Lit, Step, Surface

__all__ = [
    "BEGAN",
    "Flat",
    "Flaws",
    "Grating",
    "Grid",
    "Lit",
    "Motion",
    "Physics",
    "Recording",
    "Relief",
    "Response",
    "Session",
    "Step",
    "Surface",
    "VirtualInstrument",
    "raster",
    "record",
    "true_positions",
]
