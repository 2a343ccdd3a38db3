"""Virtual instruments whose physics is not the library's own, on which every claim of accuracy is tested.

The library models hysteresis by play operators with polynomial weights, creep by evenly spaced relaxations of equal
gain, bending by Legendre polynomials and drift by a constant rate. Here hysteresis is a dense plane of relays of
uneven density (the Preisach model), creep comes from relaxations of uneven gain and place, bending from sines,
steps and bumps, and drift decays.

What the parameters mean:

- `loop`: distance of trace and retrace in mid-line, over the travel, for a frame of full travel with the default
  turnaround and the fast axis along the axis in question. The scale of an axis is the one at that amplitude: the mean
  slope of that loop is taken out;
- `creep`: growth per decade of time after a jump, over the jump;
- `bending`: largest displacement along either axis within the travel, over the travel, straight part taken out;
- `drift`: rate at the start of the session along either axis, m/s.
"""

from tests.foreign.instrument import GRID_HEIGHT, PITCH, STEP_HEIGHT, Case, ForeignInstrument, standard_session

__all__ = ["GRID_HEIGHT", "PITCH", "STEP_HEIGHT", "Case", "ForeignInstrument", "standard_session"]
