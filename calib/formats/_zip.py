"""ZIP archives that others made: members are read in pieces, and never more of them than the file can be trusted for.

Nothing is ever unpacked to the disk, so that the names of members can do no harm.
"""

from __future__ import annotations

import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

from calib.errors import CalibError, FileError
from calib.files import reason

SIGNATURE = b"PK\x03\x04"

_MOST_MEMBERS = 1000
_LARGEST_DIRECTORY = 2**20  # bytes
_FREE = 2**26  # bytes that something may have however well it is packed
_MOST_PACKED = 100  # times that it may be as large as what the file holds of it
_PIECE = 2**20
_LARGEST_CLASSIC = 2**30  # bytes
_END = struct.Struct("<4s4H2LH")
_END_SIGNATURE = b"PK\x05\x06"
_BROKEN = (
    zipfile.BadZipFile,
    zlib.error,
    EOFError,
    NotImplementedError,  # ways of packing that are rare
    RuntimeError,  # locked with a password
    struct.error,
    LookupError,
    ValueError,
    OverflowError,
)


def check_packing(what: str, size: int, packed: int) -> None:
    """Refuse what declares, or turns out, to be much larger than measured heights can be by its packed bytes.

    Raises
    ------
    FileError
        Whose sentence begins with ``what``.
    """
    if size > _FREE and size > _MOST_PACKED * packed:
        raise FileError(
            f"{what} declares {size} bytes, packed in {packed}: no scan packs so well, and it may have been made to "
            "fill the memory."
        )


class Archive:
    """An archive that is open for reading.

    Raises
    ------
    FileError
        If it is broken, or has more members than it has reason to.
    """

    def __init__(self, path: Path) -> None:
        with _one_sentence():
            with open(path, "rb") as stream:
                _check_directory(stream)
            self._file = zipfile.ZipFile(path)
        self.names = self._file.namelist()

    def __enter__(self) -> Archive:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    def size(self, name: str) -> int:
        """Return how many bytes a member declares to have.

        Raises
        ------
        FileError
            If there are two of the name, it is locked, or it declares more than its packed bytes can stand for.
        """
        members = [info for info in self._file.infolist() if info.filename == name]
        if not members:
            raise FileError(f"it has no member {name!r}.")
        if len(members) > 1:
            raise FileError(f"it has two members {name!r}: which one is meant can't be known.")
        info = members[0]
        if info.flag_bits & 0x1:
            raise FileError(f"its member {name!r} is locked with a password.")
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise FileError(f"its member {name!r} is packed in a rare way: pack it by the usual one (deflate).")
        check_packing(f"its member {name!r}", info.file_size, info.compress_size)
        return info.file_size

    def read(self, name: str, largest: int) -> bytes:
        """Return a whole member.

        Raises
        ------
        FileError
            If it is missing, broken, or larger than ``largest`` bytes.
        """
        size = self.size(name)
        if size > largest:
            raise FileError(f"its member {name!r} declares {size} bytes, more than {largest}.")
        return b"".join(self.pieces(name))

    def pieces(self, name: str, length: int = _PIECE) -> Iterator[bytes]:
        """Yield a member in pieces of ``length`` bytes; the last one may be shorter."""
        left = self.size(name)
        with _one_sentence(), self._file.open(name) as member:
            while left:
                piece = member.read(min(length, left))
                if not piece:
                    raise FileError(f"its member {name!r} is shorter than it declares.")
                while len(piece) < min(length, left) and (more := member.read(min(length, left) - len(piece))):
                    piece += more
                left -= len(piece)
                yield piece
            member.read(1)  # checks what it was declared to add up to


@contextmanager
def _one_sentence() -> Iterator[None]:
    try:
        yield
    except CalibError:
        raise
    except _BROKEN as error:
        raise FileError("it is a broken ZIP archive, or was cut short: get the file again.") from error
    except OSError as error:
        raise FileError(f"it can't be read: {reason(error)}.") from error


def _check_directory(stream: BinaryIO) -> None:
    """Refuse lists of members that would take much more memory than the file."""
    size = stream.seek(0, 2)
    stream.seek(max(0, size - 2**16 - _END.size))
    tail = stream.read()
    # Where the library looks: at the very end, else for the last one of the signature.
    at = len(tail) - _END.size
    if at < 0 or tail[at : at + 4] != _END_SIGNATURE or tail[-2:] != b"\0\0":
        at = tail.rfind(_END_SIGNATURE)
    if at < 0 or len(tail) - at < _END.size:
        raise zipfile.BadZipFile
    _, _, _, _, members, directory, _, _ = _END.unpack_from(tail, at)
    if members > _MOST_MEMBERS or directory > _LARGEST_DIRECTORY or b"PK\x06\x07" in tail[max(0, at - 20) : at]:
        raise FileError(f"it has more than {_MOST_MEMBERS} members, which no scan file needs.")


# --- writing -------------------------------------------------------------------------------------


def write_archive(path: Path, fill: Callable[[Callable[[str, int, Iterator[bytes]], None]], None]) -> None:
    """Write an archive that :class:`Archive` reads; the same members give the same bytes.

    Parameters
    ----------
    path
        The file.
    fill
        Is given a function ``put(name, size, pieces)``, and calls it for each member.
    """
    for method in (zipfile.ZIP_DEFLATED, zipfile.ZIP_STORED):
        # Noise can hardly be packed, so that trying hard takes long and gains nothing.
        with zipfile.ZipFile(path, "w", method, compresslevel=1) as file:

            def put(name: str, size: int, pieces: Iterator[bytes], file: zipfile.ZipFile = file) -> None:
                # Given a name, the library takes a date that is always the same.
                with file.open(name, "w", force_zip64=size > _LARGEST_CLASSIC) as member:
                    for piece in pieces:
                        member.write(piece)

            fill(put)
            members = file.infolist()
            for info in members:
                info.create_system = 3  # on every system the same bytes
        if all(one.file_size <= _FREE or one.file_size <= _MOST_PACKED * one.compress_size for one in members):
            return
