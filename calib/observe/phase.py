"""Local phase of a periodic pattern: how many periods lie between here and there.

Demodulation at the carrier with a window whose zeros fall on the harmonics (a box of one period, twice, along
both lattice directions), normalised at the borders and over missing data, unwrapped in two dimensions. It is the
start of the refinement in `cells.py`, and needs to be right to a fraction of a period only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.errors import ScanError
from calib.observe.image import Image
from calib.observe.lattice import Lattice
from calib.scanner.effect import Float


@dataclass(frozen=True)
class PhaseMap:
    """Unwrapped lattice coordinate on a thinned grid.

    Attributes
    ----------
    periods
        Lattice coordinate in periods, shape ``(slow, fast)`` of the thinned grid.
    weight
        Amplitude of the pattern relative to its median there; 0 where the window saw too little.
    fast, slow
        Coordinates of the thinned grid, m.
    """

    periods: Float
    weight: Float
    fast: Float
    slow: Float


def phase_maps(image: Image, lattice: Lattice) -> list[PhaseMap]:
    """Unwrapped phase along each reciprocal vector of a lattice.

    Raises
    ------
    ScanError
        If the pattern is lost over most of the image.
    """
    from scipy import fft

    a1, a2 = lattice.vectors
    values = image.flat()
    mask = image.good.astype(np.float64)
    reach = 2 * (np.abs(a1) + np.abs(a2))
    shape = [
        fft.next_fast_len(values.shape[0] + int(np.ceil(reach[1] / image.step_slow))),
        fft.next_fast_len(values.shape[1] + int(np.ceil(reach[0] / image.step_fast))),
    ]
    f_slow = fft.fftfreq(shape[0], image.step_slow)[:, None]
    f_fast = fft.fftfreq(shape[1], image.step_fast)[None, :]
    window = np.sinc(f_fast * a1[0] + f_slow * a1[1]) ** 2 * np.sinc(f_fast * a2[0] + f_slow * a2[1]) ** 2
    rows, columns = values.shape
    thin = (
        slice(None, None, max(1, int(0.125 * np.abs([a1[1], a2[1]]).max() / image.step_slow))),
        slice(None, None, max(1, int(0.125 * np.abs([a1[0], a2[0]]).max() / image.step_fast))),
    )

    def smooth(array: np.ndarray) -> np.ndarray:
        return np.asarray(fft.ifft2(fft.fft2(array, s=shape) * window)[:rows, :columns])

    # a wider average that follows uneven light and slow drift of height
    seen = np.maximum(smooth(mask).real, 1e-6)
    local = smooth(values * mask).real / seen
    rest = np.where(seen > 0.2, values - local, 0.0) * mask
    maps = []
    for fx, fy in lattice.frequency:
        carrier = np.exp(-2j * np.pi * (fx * image.fast[None, :] + fy * image.slow[:, None]))
        beat = (smooth(rest * carrier) / seen)[thin]
        amplitude = np.abs(beat)
        middle = float(np.median(amplitude))
        weight = np.where(seen[thin] > 0.2, amplitude / (middle + 1e-300), 0.0)
        if not middle > 0 or np.mean(weight > 0.3) < 0.5:
            raise ScanError(f"{image.label}: the pattern is lost over most of the image; is it in focus?")
        fast, slow = image.fast[thin[1]], image.slow[thin[0]]
        cycles = _unwrap(np.angle(beat)) / (2 * np.pi) + fx * fast[None, :] + fy * slow[:, None]
        maps.append(PhaseMap(cycles, weight, fast, slow))
    return maps


def _unwrap(wrapped: Float) -> Float:
    from skimage.restoration import unwrap_phase

    return np.asarray(unwrap_phase(wrapped, rng=0), dtype=np.float64)  # type: ignore[no-untyped-call]
