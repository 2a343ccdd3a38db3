"""A process that corrects scans and may die of one: it is given one at a time, so that it is known which one it was.

It is a program of its own rather than one by `multiprocessing`, so that a user's script needs no guard against being
run again in it, and so that Ctrl-C in a terminal does not reach it.
"""

from __future__ import annotations

import os
import pickle
import signal
import subprocess
import sys
from contextlib import suppress
from typing import Any

from calib.archive.task import Job, Outcome, Settings, refused
from calib.errors import CalibError

GRACE = 20.0
"""s that a file may take to be finished after the rest was called off."""

_PARTING = 3.0  # s to remove what is unfinished
_MEMORY = {"MALLOC_TRIM_THRESHOLD_": str(2**26), "MALLOC_MMAP_THRESHOLD_": str(2**25)}
"""For the C library: keep what one scan took for the next, in place of asking the system for it page by page."""

_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")


class Worker:
    """A worker process, started with its first job, and again with the next if it died.

    Parameters
    ----------
    settings
        Of all jobs.
    """

    def __init__(self, settings: Settings) -> None:
        self._settings = pickle.dumps(settings)
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start the process, unless it runs.

        Raises
        ------
        CalibError
            If it does not start.
        """
        if self._process is not None:
            return
        code = f"import sys; sys.path[:] = {sys.path!r}; from calib.archive.worker import serve; serve()"
        own_group: dict[str, Any] = (
            {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}  # type: ignore[attr-defined,unused-ignore]
            if sys.platform == "win32"
            else {"process_group": 0}
        )
        self._process = subprocess.Popen(
            [sys.executable, "-c", code],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            # one thread each: the processes share the cores already
            env={**_MEMORY, **os.environ, **dict.fromkeys(_THREADS, "1")},
            **own_group,
        )
        try:
            _exchange(self._process, self._settings)
        except (OSError, EOFError, pickle.UnpicklingError):
            raise CalibError(f"The worker processes don't start: {_died(self.leave())}.") from None

    def correct(self, job: Job) -> Outcome:
        """Have a scan corrected; if the process dies of it, the scan is refused.

        Raises
        ------
        CalibError
            If the process does not start.
        """
        self.start()
        assert self._process is not None
        try:
            outcome: Outcome = _exchange(self._process, pickle.dumps(job))
        except (OSError, EOFError, pickle.UnpicklingError):
            return refused(job.source, f"{job.source} was left out: {_died(self.leave())}.")
        return outcome

    def leave(self) -> int:
        """Wait for the process, which has nothing more to do or has died, and return the code that it ended with."""
        process = self._process
        if process is None:
            return 0
        for stream in (process.stdin, process.stdout):
            with suppress(OSError):
                assert stream is not None
                stream.close()
        code = _waited(process, GRACE)
        self._process = None
        return code

    def terminate(self) -> None:
        """Ask the process to end, whatever it is at; it removes what it has not finished."""
        if (process := self._process) is not None:
            with suppress(OSError):
                process.terminate()

    def wait(self) -> None:
        """Wait until the process that was asked to end has done so, and make it if it takes too long."""
        if (process := self._process) is not None:
            _waited(process, _PARTING)


def _waited(process: subprocess.Popen[bytes], longest: float) -> int:
    try:
        return process.wait(timeout=longest)
    except subprocess.TimeoutExpired:
        process.kill()
        return process.wait()


def _exchange(process: subprocess.Popen[bytes], content: bytes) -> Any:
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(content)
    process.stdin.flush()
    return pickle.load(process.stdout)


def _died(code: int) -> str:
    """Say how a process ended."""
    if code >= 0:
        return f"the process that was at it ended with code {code}"
    try:
        name = signal.Signals(-code).name
    except ValueError:
        name = f"signal {-code}"
    perhaps = ", perhaps for want of memory" if name == "SIGKILL" else ""
    return f"the process that was at it was ended by {name}{perhaps}"
