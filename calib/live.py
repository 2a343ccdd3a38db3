"""Correct a frame line by line while it is still being recorded.

Where each pixel was depends on the commanded path alone, so the true grid and the map onto it are made before the
first line. A line of the true grid then needs the recorded lines that it runs through, and a few beside them: the
coefficients of a cubic B-spline depend on all lines, but by a factor of 0.268 less from line to line (its pole,
sqrt(3) - 2; Unser, IEEE Signal Process. Mag. 16 (1999) 22). With eight lines more on either side the values are those
of the finished frame to 1e-4 of its amplitude, whatever it shows. Heights are followed through hysteresis and creep of
z in the order of time.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from calib.alternate import alternates
from calib.correct import described, true_grid, true_maps
from calib.errors import CalibError, ScanError
from calib.live_lean import Lean, leans
from calib.live_uncertainty import LiveUncertainty
from calib.path import Path
from calib.resample import Interpolation, PixelMap, blocks, points_of, prepare
from calib.scan import Scan
from calib.scanner.effect import Float
from calib.scanner.height_follow import HeightFollower
from calib.true_map import TrueMap

if TYPE_CHECKING:
    from calib.model import Model

AHEAD = 8
"""Lines beside those that a true line runs through: what is beyond counts less than 3e-5."""

LATE = 2
"""Lines by which one may come after its turn."""


@dataclass(frozen=True)
class Line:
    """One recorded line.

    Attributes
    ----------
    passed
        ``trace`` or ``retrace``.
    row
        In the frame: 0 is the lowest slow coordinate, whichever way the frame runs.
    values
        Name of channel to values, shape ``(fast,)``, by increasing fast coordinate; NaN where there is no data.
    """

    passed: str
    row: int
    values: Mapping[str, Float]


@dataclass(frozen=True)
class TrueLine:
    """One line of the true grid.

    Attributes
    ----------
    passed
        ``trace`` or ``retrace``.
    row
        In the true grid.
    values
        Name of channel to values, shape ``(fast,)`` of the true grid; NaN where there is no data.
    needed
        First and last recorded line that it was made of.
    """

    passed: str
    row: int
    values: Mapping[str, Float]
    needed: tuple[int, int]


class LiveCorrection:
    """A correction that goes along with the recording.

    Iterate over it to correct the lines that it was made with, or give it lines with :meth:`add` as they come, and
    :meth:`finish` it. Each true line is told once, when the last recorded line that it needs is there, or is given up.

    Parameters
    ----------
    model
        The model.
    frame
        How the frame is recorded: grid, passes, direction, timing, names of channels. Its values don't count.
    lines
        Recorded lines, in the order in which they come; it may take its time.
    ahead
        How many lines beside those that a true line runs through it waits for, where values are interpolated by cubic
        splines. The error that is left falls by a factor of 3.7 from line to line.
    late
        By how many lines one may come after its turn before it counts as missing; its place has no data then.
    uncertainty
        Whether standard uncertainties are told, too: channels ``u_x``, ``u_y`` and ``u_height``. Those of positions are
        those of the finished frame. That of a height is for its difference from the mean of the lines so far of its
        pass; in :attr:`scan`, once it is finished, from the mean of the whole pass.
    interpolation, any_scanner
        As in :meth:`calib.Model.correct`.

    Attributes
    ----------
    frame
        The frame, without values.
    grid
        The true grid, that of the finished frame.
    missing
        Pass and row of each line that did not come.
    repeated, too_late
        How many lines came twice, or after they were given up.
    dead
        Pass and row of each line without data, with one value, or equal to the one before.

    Raises
    ------
    ModelError
        If the model does not apply to the frame, see :meth:`calib.Model.check`.

    Notes
    -----
    Where z is not square to x and y, the true grid is that of a level surface; and if the frame does not say
    `z_centre`, positions are about the first line's heights in place of the whole image's.
    """

    def __init__(
        self,
        model: Model,
        frame: Scan,
        lines: Iterable[Line] = (),
        *,
        ahead: int = AHEAD,
        late: int = LATE,
        uncertainty: bool = False,
        interpolation: Interpolation = "cubic",
        any_scanner: bool = False,
    ) -> None:
        if ahead < 1 or late < 0:
            raise CalibError(f"At least 1 line beside is needed, and no line can be early: not {ahead} and {late}.")
        # what the frame holds does not count, only what it is
        nothing = np.broadcast_to(np.float64(np.nan), frame.shape)
        self.frame = frame.replace(channels=dict.fromkeys(frame.channels, nothing))
        self.model = model
        self._lines = lines
        self._ahead, self._interpolation = ahead, interpolation
        self._notes = list(model.check(frame, any_scanner=any_scanner))
        self._path = Path(self.frame)
        self._places, self._ways = alternates(true_maps(model, self.frame), frame.pattern)
        self.grid = true_grid(self._places)
        self._fast = self.grid.fast + self.grid.middle[0]
        self._slow = self.grid.slow + self.grid.middle[1]
        self._lean = Lean(model, self.frame) if frame.has_height and leans(model) else None
        if self._lean is not None and frame.z_centre is None:
            self._notes.append(
                "z is not square to x and y, and the middle of the heights is not known before the frame is complete:"
                " positions are told about the first line's, so that the whole image may lie a little elsewhere"
            )
        self._follower: HeightFollower | None = None
        if frame.has_height and model.height.history is not None:
            weights = model.height.values[model.height.of_history]
            self._follower = HeightFollower(model.height.history, self._path, frame.z_centre, weights)

        # recorded lines in the order of time
        rows = range(frame.shape[1]) if self._path.upwards else range(frame.shape[1] - 1, -1, -1)
        order = sorted(range(len(frame.passes)), key=lambda index: frame.passes[index] == "retrace")
        self._turns = [(index, row) for row in rows for index in order]
        self._turn_of = {turn: k for k, turn in enumerate(self._turns)}
        self._late = late * len(order)
        self._next = 0
        self._waiting: dict[int, Line] = {}
        self._taken: set[int] = set()
        self.missing: list[tuple[str, int]] = []
        self.repeated = self.too_late = 0
        self._ended_after: int | None = None

        self._recorded = {name: np.full(frame.shape, np.nan) for name in frame.channels}
        self._indicated = np.full(frame.shape, np.nan) if self._lean is not None else None
        self._uncertainty = LiveUncertainty(model, self.frame, self._path) if uncertainty else None
        if self._uncertainty is not None:
            for name, images in zip(("u_x", "u_y"), self._uncertainty.positions, strict=True):
                self._recorded[name] = np.stack([self._aligned(k, 0, image) for k, image in enumerate(images)])
            if frame.has_height:
                self._recorded["u_height"] = np.full(frame.shape, np.nan)
        shape = (len(frame.passes), self._slow.size, self._fast.size)
        self._found = {name: np.full(shape, np.nan) for name in self._recorded}
        self.dead: list[tuple[str, int]] = []
        self._before: dict[int, Float] = {}
        # by the same blocks as the finished frame, since what happens at kinks depends on what is seen beside them
        self._where = [self._located(place) for place in self._places]
        self._due = self._needs()
        self._given = 0

    # --- what comes in -----------------------------------------------------------------------------

    def __iter__(self) -> Iterator[TrueLine]:
        for line in self._lines:
            yield from self.add(line)
        yield from self.finish()

    def add(self, line: Line) -> list[TrueLine]:
        """Take a recorded line, and return the true lines that can be told now.

        A line that comes twice, or too late, is counted and left alone.

        Raises
        ------
        ScanError
            If it does not fit the frame.
        """
        turn = self._checked(line)
        if turn in self._taken or turn in self._waiting:
            self.repeated += 1
        elif turn < self._next:
            self.too_late += 1
        else:
            self._waiting[turn] = line
        while self._waiting:
            if self._next not in self._waiting and max(self._waiting) - self._next <= self._late:
                break  # it may still come
            self._take()
        return list(self._ready())

    def finish(self) -> list[TrueLine]:
        """End the frame, complete or not, and return the true lines that are left."""
        while self._waiting:
            self._take()
        if self._next < len(self._turns) and self._ended_after is None:
            self._ended_after = self._next
            self.missing += [(self.frame.passes[index], row) for index, row in self._turns[self._next :]]
        self._next = len(self._turns)
        told = list(self._ready())
        if "u_height" in self._found:  # now about the mean of all
            for _, index, row, first, last in self._due:
                if last >= first:
                    self._resample(index, row, first, last, ("u_height",))
        return told

    def _checked(self, line: Line) -> int:
        frame = self.frame
        _, rows, columns = frame.shape
        if line.passed not in frame.passes:
            raise ScanError(f"{frame.label} has no pass {line.passed!r}, only {' and '.join(frame.passes)}.")
        if not 0 <= line.row < rows:
            raise ScanError(f"{frame.label} has lines 0 to {rows - 1}, and no line {line.row}.")
        for name, values in line.values.items():
            if name not in frame.channels:
                raise ScanError(f"{frame.label} has no channel {name!r}, only {', '.join(map(repr, frame.channels))}.")
            if np.shape(values) != (columns,):
                raise ScanError(
                    f"Line {line.row} has {np.size(values)} values of {name}, and the frame {columns} points."
                )
        return self._turn_of[frame.passes.index(line.passed), line.row]

    def _take(self) -> None:
        """Take the line whose turn it is, or the lack of it."""
        turn = self._next
        index, row = self._turns[turn]
        line = self._waiting.pop(turn, None)
        self._next += 1
        if line is None:
            self.missing.append((self.frame.passes[index], row))
        else:
            self._taken.add(turn)
        for name in self.frame.channels:
            values = np.full(self.frame.shape[2], np.nan)
            if line is not None and name in line.values:
                values = np.asarray(line.values[name], dtype=np.float64)
                if name == self.frame.channel:
                    self._look(index, row, values)
            if name == "height":
                if self._indicated is not None:
                    self._indicated[index, row] = values
                values = self._height(index, row, values)
            self._recorded[name][index, row] = self._aligned(index, row, values[None])[0]

    def _aligned(self, index: int, first: int, lines: Float) -> Float:
        way = self._ways[index]
        return lines if way is None else way.lines(first, lines, self._interpolation)

    def _height(self, index: int, row: int, indicated: Float) -> Float:
        path, height = self._path, self.model.height
        place = path.at(path.fast, np.full(path.fast.size, path.slow[row]))
        centred = self.frame.z_centre is not None
        true = height.true(indicated + (self.frame.z_centre or 0.0), centred, place)
        if self._follower is None:
            if self._uncertainty is not None:
                self._uncertainty.take(index, row, indicated, None)
            return true
        # a sweep that is not recorded goes over the same heights
        if path.serpentine:
            directions = [int(path.sweeps.direction[np.flatnonzero(path.sweeps.line == row)[0]])]
        elif len(path.passes) == 2:
            directions = [1 if path.passes[index] == "trace" else -1]
        else:
            directions = [1, -1]
        sweeps = {direction: self._follower.sweep(indicated, direction) for direction in directions}
        own = sweeps[directions[0] if len(directions) == 1 else (1 if path.passes[0] == "trace" else -1)]
        if self._uncertainty is not None:
            images = None if own is None else np.stack(list(own.images(slice(None))))
            self._uncertainty.take(index, row, indicated, images)
        return true + self._follower.added(own)

    def _look(self, index: int, row: int, values: Float) -> None:
        """Notice a line that can't be one of a surface."""
        good = values[np.isfinite(values)]
        before = self._before.get(index)
        alike = before is not None and np.array_equal(values, before)
        if not good.size or good.min() == good.max() or alike:
            self.dead.append((self.frame.passes[index], row))
        self._before[index] = values

    # --- what goes out -----------------------------------------------------------------------------

    def _located(self, place: TrueMap) -> PixelMap:
        """Return where the points of the true grid are in a pass."""
        parts = [points_of(place, self._fast, self._slow[a:b]) for a, b in blocks(place, self._fast, self._slow)]
        row, column = (np.concatenate([getattr(one, name) for one in parts]) for name in ("row", "column"))
        return PixelMap(row, column, sum(one.unsettled for one in parts))

    def _needs(self) -> list[tuple[int, int, int, int, int]]:
        """Turn after which each true line can be told, pass, true row, first and last line needed; by turn."""
        rows = self.frame.shape[1]
        ahead = self._ahead if self._interpolation == "cubic" else 1
        if self._lean is not None:
            ahead += self._lean.lines
        found = []
        for index, where in enumerate(self._where):
            for k, one in enumerate(where.row):
                known = one[np.isfinite(one)]
                if not known.size:
                    found.append((-1, index, k, 0, -1))
                    continue
                first = max(int(np.floor(known.min())) - ahead, 0)
                last = min(int(np.floor(known.max())) + 1 + ahead, rows - 1)
                turn = self._turn_of[index, last if self._path.upwards else first]
                found.append((turn, index, k, first, last))
        return sorted(found, key=lambda one: (one[0], one[1], one[2] if self._path.upwards else -one[2]))

    def _ready(self) -> Iterator[TrueLine]:
        while self._given < len(self._due) and self._due[self._given][0] < self._next:
            _, index, row, first, last = self._due[self._given]
            self._given += 1
            if last >= first:
                self._resample(index, row, first, last, tuple(self._found))
            values = {name: image[index, row].copy() for name, image in self._found.items()}
            yield TrueLine(self.frame.passes[index], row, values, (first, last))

    def _resample(self, index: int, row: int, first: int, last: int, names: tuple[str, ...]) -> None:
        where, one = self._where[index], slice(row, row + 1)
        inside = PixelMap(where.row[one] - first, where.column[one], 0)
        if self._lean is not None and self._indicated is not None:
            heights = self._indicated[index, first : last + 1]
            place = self._lean.moved(self._places[index], first, last + 1, heights)
            inside = points_of(place, self._fast, self._slow[one])
        for name in names:
            if name == "u_height" and self._uncertainty is not None:
                values = self._aligned(index, first, self._uncertainty.of_heights(index, first, last + 1))
            else:
                values = self._recorded[name][index, first : last + 1]
            window = prepare(values, self._interpolation)
            self._found[name][index, row] = window.at(inside, self._interpolation)[0]

    # --- what is said ------------------------------------------------------------------------------

    @property
    def notes(self) -> tuple[str, ...]:
        """What a user should know, in plain words."""
        said = list(self._notes)
        if unsettled := sum(where.unsettled for where in self._where):
            said.append(f"{unsettled} points have no data, since the map could not be inverted there")
        ended = len(self._turns) if self._ended_after is None else self._ended_after
        lost = len(self.missing) - (len(self._turns) - ended)
        if lost:
            said.append(f"{lost} lines did not come in time, and have no data")
        if ended < len(self._turns):
            said.append(f"the frame ended after {ended} of its {len(self._turns)} lines; the rest has no data")
        if self.dead:
            said.append(f"{len(self.dead)} lines hold no data, one value, or the same as the line before")
        for count, what in ((self.repeated, "came more than once; the first counts"), (self.too_late, "came too late")):
            if count:
                said.append(f"{count} lines {what}")
        return tuple(said)

    @property
    def scan(self) -> Scan:
        """What is known so far, as a corrected scan; NaN for the rest."""
        attributes: dict[str, Any] = {"model_sha256": self.model.sha256}
        if self._interpolation != "cubic":
            attributes["interpolation"] = self._interpolation
        fields = described(self.frame, self.grid, attributes, self.notes)
        units = {name: self.frame.units.get(name, "m") for name in self._found}  # uncertainties of lengths
        channels = {name: image.copy() for name, image in self._found.items()}
        return self.frame.replace(channels=channels, units=units, **fields)
