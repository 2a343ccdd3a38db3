"""A process that stays and walks through HDF5 files before they are opened, for those who open many.

A copy of a process costs more than the walk that it is made for, see :mod:`._hdf5_file`. So whoever opens many files
has this process walk through them. Only its word that a file is well is taken: of all others, and of those that it
died of, a copy decides as ever.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from contextlib import suppress
from pathlib import Path

_FEW = 8  # files in which the process would not earn its own start
_WELL, _UNWELL = b"+", b"-"


class Guard:
    """Walks through files in a process beside this one, from some files on."""

    def __init__(self) -> None:
        self._asked = 0
        self._process: subprocess.Popen[bytes] | None = None
        self._one_at_a_time = threading.Lock()

    def bears(self, path: Path) -> bool:
        """Whether the process came back well from a file; false also where that is not known."""
        name = os.fsencode(path.absolute())
        with self._one_at_a_time:
            self._asked += 1
            if self._asked <= _FEW:
                return False
            try:
                process = self._process or self._start()
                assert process.stdin is not None
                assert process.stdout is not None
                process.stdin.write(len(name).to_bytes(4, "little") + name)
                process.stdin.flush()
                answer = process.stdout.read(1)
            except OSError:
                answer = b""
            except BaseException:  # its answer must not be taken for that to another question
                self.end()
                raise
            if answer not in (_WELL, _UNWELL):
                self.end()
            return answer == _WELL

    def _start(self) -> subprocess.Popen[bytes]:
        code = f"import sys; sys.path[:] = {sys.path!r}; from calib.formats._hdf5_guard import serve; serve()"
        self._process = subprocess.Popen(
            [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        )
        return self._process

    def end(self) -> None:
        """End the process; the next file has another one started."""
        process, self._process = self._process, None
        if process is None:
            return
        for stream in (process.stdin, process.stdout):
            with suppress(OSError):
                assert stream is not None
                stream.close()
        process.kill()
        process.wait()


def serve() -> None:
    """Answer the names of files on standard input, each by whether it was walked through well."""
    import signal

    import h5py  # noqa: F401 (before the memory is limited)

    from calib.formats._hdf5_file import give_up_in_time, limit_the_next, walks_well

    asked, answers = sys.stdin.buffer, os.fdopen(os.dup(1), "wb", buffering=0)
    give_up_in_time()
    while len(size := asked.read(4)) == 4:
        path = Path(os.fsdecode(asked.read(int.from_bytes(size, "little"))))
        limit_the_next()
        well = walks_well(path)
        signal.setitimer(signal.ITIMER_REAL, 0)
        answers.write(_WELL if well else _UNWELL)
