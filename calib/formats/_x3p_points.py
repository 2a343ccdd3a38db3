"""The points of an X3P file: binary members or text of its description, put on a grid piece by piece."""

from __future__ import annotations

import hashlib
import math
from array import array
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from calib.errors import FileError
from calib.formats import MAX_POINTS, _iso
from calib.formats._xml import Element
from calib.formats._zip import Archive

TYPES = {"I": "<i2", "L": "<i4", "F": "<f4", "D": "<f8"}
_RANGES = {"I": 2**15, "L": 2**31}

Array = np.ndarray[Any, np.dtype[Any]]


@dataclass(frozen=True)
class Axis:
    """One of CX, CY, CZ: ``offset + increment · (number or index)``, m."""

    name: str
    absolute: bool
    kind: str
    increment: float
    offset: float

    @property
    def dtype(self) -> np.dtype[Any]:
        """Little-endian type of the numbers."""
        return np.dtype(TYPES[self.kind])


class _Checked:
    """Pieces of a member, checked at the end against its check sum."""

    def __init__(self, archive: Archive, name: str, said: str, checked: bool) -> None:
        self.archive, self.name, self.said, self.checked = archive, name, said, checked
        self.wrong = False

    def pieces(self, length: int) -> Iterator[bytes]:
        digest = hashlib.md5(usedforsecurity=False)
        for piece in self.archive.pieces(self.name, length):
            digest.update(piece)
            yield piece
        if not self.said or digest.hexdigest() == self.said.lower():
            return
        if self.checked:
            raise FileError(
                f"the MD5 check sum of {self.name!r} does not agree with its data: get the file again, or read it with "
                "checksum = false if you must."
            )
        self.wrong = True


class Binary:
    """Points in binary: records of the absolute axes."""

    def __init__(
        self, archive: Archive, link: Element | None, folder: str, axes: Sequence[Axis], count: int, checked: bool
    ) -> None:
        assert link is not None
        self.names = [axis.name for axis in axes if axis.absolute]
        self.record = np.dtype([(axis.name, axis.dtype) for axis in axes if axis.absolute])
        self.count, self.archive = count, archive
        self.data = self._member(link, folder, "PointDataLink", "MD5ChecksumPointData", checked)
        wanted = count * self.record.itemsize
        if (held := archive.size(self.data.name)) != wanted:
            raise FileError(f"its {self.data.name!r} has {held} bytes, where its size and types make {wanted}.")
        self.valid: _Checked | None = None
        if link.said("ValidPointsLink"):
            self.valid = self._member(link, folder, "ValidPointsLink", "MD5ChecksumValidPoints", checked)
            if (held := archive.size(self.valid.name)) != (count + 7) // 8:
                raise FileError(
                    f"its {self.valid.name!r} has {held} bytes, where {count} points need {(count + 7) // 8}."
                )

    def _member(self, link: Element, folder: str, key: str, sum_key: str, checked: bool) -> _Checked:
        name = link.said(key).removeprefix("./")
        if name.startswith("/") or "\\" in name or ":" in name or ".." in name.split("/"):
            raise FileError(f"its {key} {name[:60]!r} leads out of the file, which is refused for safety.")
        if folder + name not in self.archive.names:
            raise FileError(f"its {key} names {name[:60]!r}, which is not in the file.")
        return _Checked(self.archive, folder + name, link.said(sum_key), checked)

    @property
    def wrong(self) -> list[str]:
        """Members that were read, but do not agree with their check sums."""
        return [member.name for member in (self.data, self.valid) if member is not None and member.wrong]

    def blocks(self, length: int) -> Iterator[Mapping[str, Array]]:
        """Yield ``length`` points at a time, by axis; z is NaN where it is not valid."""
        length = -(-length // 8) * 8
        valid = None if self.valid is None else self.valid.pieces(length // 8)
        for piece in self.data.pieces(length * self.record.itemsize):
            points = np.frombuffer(piece, self.record)
            block = {name: _native(points[name]) for name in self.names}
            if valid is not None:
                bits = np.unpackbits(np.frombuffer(next(valid), np.uint8), count=points.size, bitorder="little")
                block["CZ"] = _iso.with_gaps(block["CZ"], bits == 0)
            yield block
        for _ in valid or ():  # to its check sum
            pass


def _native(values: Array) -> Array:
    return values.astype(np.float32 if values.dtype == "<f4" else np.float64)


class Listed:
    """Points as text in the description."""

    def __init__(self) -> None:
        self.values, self.width, self.points = array("d"), 0, 0
        self.gaps: list[int] = []

    def take(self, text: str) -> None:
        cells = text.split(";") if text.strip() else []
        if self.points >= MAX_POINTS:
            raise FileError(f"it lists more than {MAX_POINTS} points.")
        self.points += 1
        if not cells:
            self.values.extend([math.nan] * max(self.width, 1))
            if not self.width:
                self.gaps.append(1)
            return
        if not self.width:
            self.width = len(cells)
            self.values = array("d", [math.nan] * (self.width * len(self.gaps)))
        if len(cells) != self.width or self.width > 3:
            raise FileError(f"its point {self.points} has {len(cells)} numbers, where others have {self.width}.")
        for cell in cells:
            cell = cell.strip()
            if _iso.is_real(cell):
                number = float(cell)
            elif cell.lower() in ("nan", "inf", "-inf"):
                number = math.nan
            else:
                raise FileError(f"its point {self.points} holds {cell[:30]!r}, which is no number.")
            self.values.append(number)

    def table(self, axes: Sequence[Axis], count: int) -> _Table:
        names = [axis.name for axis in axes if axis.absolute]
        if self.points != count:
            raise FileError(f"it lists {self.points} points, where its size makes {count}.")
        if self.width not in (0, len(names)):
            raise FileError(f"its points have {self.width} numbers, where its axes make {len(names)}.")
        if not self.width:
            self.values = array("d", [math.nan] * (len(names) * count))
        table = np.frombuffer(self.values, dtype=np.float64).reshape(count, len(names))
        kinds = {axis.name: axis.kind for axis in axes}
        for index, name in enumerate(names):
            column = table[:, index]
            with np.errstate(invalid="ignore"):
                if kinds[name] in _RANGES and (np.abs(column) > _RANGES[kinds[name]]).any():
                    raise FileError(f"its axis {name} holds a number larger than its DataType {kinds[name]} does.")
        return _Table(names, table, kinds)


@dataclass
class _Table:
    names: Sequence[str]
    table: Array
    kinds: Mapping[str, str]
    wrong: Sequence[str] = ()

    def blocks(self, length: int) -> Iterator[Mapping[str, Array]]:
        for start in range(0, len(self.table), length):
            part = self.table[start : start + length]
            with np.errstate(over="ignore"):
                yield {
                    name: part[:, index].astype(np.float32 if self.kinds[name] == "F" else np.float64)
                    for index, name in enumerate(self.names)
                }


def grid(source: Binary | _Table, axes: Sequence[Axis], shape: tuple[int, int, int]) -> tuple[Array, Array, Array]:
    """Return the coordinates of columns and of rows, m, and the stored heights."""
    _, rows, columns = shape
    kept = np.float32 if axes[2].kind == "F" else np.float64
    heights = np.empty(shape, dtype=kept)
    flat, done = heights.reshape(-1), 0
    with np.errstate(over="ignore"):
        x, y = (
            np.full(count, np.nan) if axis.absolute else axis.offset + axis.increment * np.arange(count)
            for axis, count in zip(axes, (columns, rows), strict=False)
        )
    apart = {"CX": 0.0, "CY": 0.0}  # largest distance of a point from the grid, m
    for block in source.blocks(_iso.BLOCK):
        size = block["CZ"].size
        flat[done : done + size] = block["CZ"]
        index = np.arange(done, done + size)
        for axis, coordinates, place in ((axes[0], x, index % columns), (axes[1], y, index // columns % rows)):
            if not axis.absolute:
                continue
            with np.errstate(over="ignore", invalid="ignore"):
                values = axis.offset + axis.increment * block[axis.name].astype(np.float64)
            known = np.isfinite(values)
            place, values = place[known], values[known]
            fresh = np.isnan(coordinates[place])
            coordinates[place[fresh]] = values[fresh]
            if values.size:
                apart[axis.name] = max(apart[axis.name], float(np.abs(coordinates[place] - values).max()))
        done += size
    for axis, coordinates in ((axes[0], x), (axes[1], y)):
        step = np.abs(np.diff(coordinates)).min(initial=math.inf)
        if not np.isfinite(coordinates).all() or (axis.absolute and apart[axis.name] > _iso.EVEN * step):
            raise FileError(
                "its points lie on no grid of rows and columns: convert it to a text file of x, y and z, "
                "or let your instrument write even steps."
            )
    return x, y, heights
