"""HDF5 files, opened only if the HDF5 library survives them.

The library checks little of what a file says of its own structure: a few wrong bytes make it crash, go round in a
circle for ever, or fill the memory, and none of this can be caught from Python. So a copy of this process, which costs
a few milliseconds, walks through the file first, as far as the readers do: all of the structure, all that is small, and
the first and the last piece of what is large. It may take only so much time and memory. If the copy dies of it, the
file is refused. That needs ``fork`` as Linux has it; elsewhere files are opened as they are.
"""

from __future__ import annotations

import os
import signal
import sys
import warnings
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.errors import FileError

if TYPE_CHECKING:
    import h5py

    from calib.formats._hdf5_guard import Guard

_MOST_MEMBERS = 20_000
_MOST_ATTRIBUTES = 10_000
_LARGEST_ATTRIBUTE = 2**20  # bytes
_SMALL = 2**22  # bytes of a data set that are read whole
_LARGEST_PIECE = 2**26  # bytes of a chunk that is read
_MEMORY = 2**29  # bytes that a walk may take
_SECONDS = 3  # of computing; a walk takes a few thousandths
_WAIT = 120  # seconds by the clock
_DEADLY = ("SIGSEGV", "SIGBUS", "SIGABRT", "SIGFPE", "SIGILL", "SIGALRM", "SIGXCPU", "SIGTERM")

_REFUSED, _TOO_MANY = 3, 4  # exit codes of the copy

_walked: dict[tuple[int, ...], int] = {}  # how walks ended, by what tells files apart
_MOST_WALKED = 4096
_guard: Guard | None = None


@contextmanager
def open_hdf5(path: Path) -> Iterator[h5py.File]:
    """Open an HDF5 file for reading.

    Raises
    ------
    FileError
        If the library does not survive it. Whatever else is wrong with it, h5py raises as it likes.
    """
    import h5py

    check(path)
    with h5py.File(path, "r") as file:
        yield file


def guard_many() -> None:
    """Prepare for many files: have them walked through by a process that stays, which takes a quarter of the time."""
    global _guard
    if sys.platform == "linux" and _guard is None:
        from calib.formats._hdf5_guard import Guard

        _guard = Guard()


def check(path: Path) -> None:
    """Refuse a file that the HDF5 library does not survive.

    Raises
    ------
    FileError
        If a copy of this process died, or did not come back, when it walked through the file.
    """
    if sys.platform != "linux":
        return
    about = os.stat(path)
    key = (about.st_dev, about.st_ino, about.st_size, about.st_mtime_ns)
    if key not in _walked:
        while len(_walked) >= _MOST_WALKED:
            del _walked[next(iter(_walked))]
        _walked[key] = 0 if _guard is not None and _guard.bears(path) else _code_of_walk(path)
    if _walked[key] == _TOO_MANY:
        raise FileError(
            f"{path} has more than {_MOST_MEMBERS} members, or something in it more than {_MOST_ATTRIBUTES} "
            "attributes, which no scan file needs."
        )
    if _walked[key]:
        raise FileError(f"{path} is broken in a way that the HDF5 library can't bear: get the file again.")


def _code_of_walk(path: Path) -> int:
    """Return 0 if a copy of this process comes back from the file, else the code that it ended with."""
    import h5py  # noqa: F401 (before the copy is made, which must not wait for another thread's import)

    try:
        with warnings.catch_warnings():
            # Newer Pythons warn of threads: the copy calls nothing but h5py, which is prepared for this.
            warnings.simplefilter("ignore", DeprecationWarning)
            copy = os.fork()
    except OSError:
        return 0  # no room for a copy: as on other systems
    if not copy:
        code = 0  # what Python can catch is told of when the file is read
        try:
            give_up_in_time()
            limit_the_next()
            _walk(path)
        except _Broken:
            code = _REFUSED
        except _TooMany:
            code = _TOO_MANY
        finally:
            os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(copy, 0)[1])


def walks_well(path: Path) -> bool:
    """Whether nothing was wrong with a file that matters here; this process may die of it."""
    try:
        _walk(path)
    except (_Broken, _TooMany):
        return False
    except Exception:  # as above, told of when the file is read
        return True
    return True


class _Broken(Exception):
    """The file must not be read, although the library came back from it."""


class _TooMany(Exception):
    """It would take too long to look at everything."""


def give_up_in_time() -> None:
    """Die silently of whatever happens, and of having taken too much memory."""
    import faulthandler
    import resource

    faulthandler.disable()
    for name in _DEADLY:
        signal.signal(getattr(signal, name), signal.SIG_DFL)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the one who asked, and says nothing of the file
    used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    for kind, most in {resource.RLIMIT_CORE: 0, resource.RLIMIT_AS: used + _MEMORY}.items():
        hard = resource.getrlimit(kind)[1]
        resource.setrlimit(kind, (most if hard < 0 else min(most, hard), hard))
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (1, 2):
        os.dup2(nowhere, stream)


def limit_the_next() -> None:
    """Die, too, if the next file takes too long."""
    import resource

    own = resource.getrusage(resource.RUSAGE_SELF)
    most, hard = int(own.ru_utime + own.ru_stime) + _SECONDS, resource.getrlimit(resource.RLIMIT_CPU)[1]
    resource.setrlimit(resource.RLIMIT_CPU, (most if hard < 0 else min(most, hard), hard))
    signal.setitimer(signal.ITIMER_REAL, _WAIT)


def _walk(path: Path) -> None:
    """Look at all that a reader may look at, whatever is wrong with some of it."""
    import h5py

    with h5py.File(path, "r") as file:
        pending: list[Any] = [file]
        seen: set[int] = set()
        count = 0
        while pending:
            group = pending.pop()
            _see_attributes(group)
            for name in _listed(group):
                count += 1
                if count > _MOST_MEMBERS:
                    raise _TooMany
                with _going_on():
                    if not isinstance(group.get(name, getlink=True), h5py.HardLink):
                        continue
                    item = group[name]
                    place = h5py.h5o.get_info(item.id).addr
                    if place in seen:
                        continue
                    seen.add(place)
                    if isinstance(item, h5py.Group):
                        pending.append(item)
                    elif isinstance(item, h5py.Dataset):
                        _see(item)


@contextmanager
def _going_on() -> Iterator[None]:
    try:
        yield
    except (_Broken, _TooMany):
        raise
    except Exception:
        pass


def _see(item: h5py.Dataset) -> None:
    _see_attributes(item)
    with suppress(Exception):
        _ = [one[0].name for one in item.dims if len(one)]
    if item.external or item.is_virtual:  # which readers refuse
        return
    size, piece = int(item.dtype.itemsize), int(item.dtype.itemsize)
    for length in item.shape or ():
        size *= int(length)
    for length in item.chunks or ():
        piece *= int(length)
    if size <= _SMALL:
        _take(item.dtype.hasobject, lambda: item[()])
    elif item.chunks and item.id.get_storage_size():
        item.id.chunk_iter(lambda *_: None)
        if 0 < piece <= _LARGEST_PIECE:
            for corner in (tuple(0 for _ in item.shape), tuple(length - 1 for length in item.shape)):
                item[corner]


def _see_attributes(item: h5py.Group | h5py.Dataset) -> None:
    names = _listed(item.attrs)
    if len(names) > _MOST_ATTRIBUTES:
        raise _TooMany
    for name in names:
        with _going_on():
            about = item.attrs.get_id(name)
            if about.get_storage_size() <= _LARGEST_ATTRIBUTE:
                _take(about.dtype.hasobject, lambda name=name: item.attrs[name])  # type: ignore[misc]


def _listed(names: Iterable[str]) -> list[str]:
    """Return the names of members or attributes: what can't be listed might still be asked for."""
    try:
        return list(islice(names, _MOST_MEMBERS + 1))
    except Exception as error:
        raise _Broken from error


def _take(any_length: bool, load: Callable[[], object]) -> None:
    """Read something. What is of any length says how long it is only when it is read, and may want any memory."""
    try:
        load()
    except (OSError, MemoryError) as error:
        if any_length:
            raise _Broken from error
