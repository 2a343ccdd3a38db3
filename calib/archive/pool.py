"""Worker processes that may die: each is given one scan at a time, so that it is known which one ended it.

They are started as programs of their own rather than by `multiprocessing`, so that a user's script needs no guard
against being run again in each of them, and so that Ctrl-C in a terminal does not reach them.
"""

from __future__ import annotations

import os
import pickle
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import suppress
from typing import Any

from calib.archive.task import Job, Outcome, Settings, refused
from calib.errors import CalibError

_GRACE = 20.0  # s that a file may take to be finished after the rest was called off
_TICK = 0.5  # s
_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")


class Pool:
    """Worker processes for jobs with the same settings.

    Parameters
    ----------
    jobs
        What is to be done.
    settings
        Are sent to each process once.
    workers
        How many processes.
    """

    def __init__(self, jobs: Sequence[Job], settings: Settings, workers: int) -> None:
        self._jobs: queue.SimpleQueue[Job] = queue.SimpleQueue()
        for job in jobs:
            self._jobs.put(job)
        self._settings = pickle.dumps(settings)
        self._answers: queue.SimpleQueue[Outcome | CalibError | None] = queue.SimpleQueue()
        self._stopped = threading.Event()
        self._processes: set[subprocess.Popen[bytes]] = set()
        self._threads = [threading.Thread(target=self._serve, daemon=True) for _ in range(min(workers, len(jobs)))]
        self._running = len(self._threads)

    def outcomes(self) -> Iterator[Outcome]:
        """Yield outcomes as they come.

        Raises
        ------
        CalibError
            If no process can be started.
        """
        for thread in self._threads:
            thread.start()
        yield from self._answered()

    def stop(self) -> Iterator[Outcome]:
        """Call off what was not begun, and yield the outcomes of what was, each whole."""
        self._stopped.set()
        timer = threading.Timer(_GRACE, self.end)
        timer.daemon = True
        timer.start()
        try:
            yield from self._answered()
        finally:
            timer.cancel()

    def end(self) -> None:
        """End all processes, whatever they are at; what they have not finished is removed by them."""
        self._stopped.set()
        for process in list(self._processes):
            with suppress(OSError):
                process.terminate()

    def _answered(self) -> Iterator[Outcome]:
        while self._running:
            try:
                answer = self._answers.get(timeout=_TICK)  # not for ever: then Ctrl-C would not be seen everywhere
            except queue.Empty:
                continue
            if answer is None:
                self._running -= 1
            elif isinstance(answer, CalibError):
                self._stopped.set()
                raise answer
            else:
                yield answer

    # --- in the thread of each process ---------------------------------------------------------------

    def _serve(self) -> None:
        process: subprocess.Popen[bytes] | None = None
        try:
            while not self._stopped.is_set():
                process = process or self._start()
                try:
                    job = self._jobs.get_nowait()
                except queue.Empty:
                    break
                try:
                    _send(process, pickle.dumps(job))
                    self._answers.put(_receive(process))
                except (OSError, EOFError, pickle.UnpicklingError):
                    code = self._leave(process)
                    process = None
                    if not self._stopped.is_set():
                        self._answers.put(refused(job.source, f"{job.source} was left out: {_died(code)}."))
        except CalibError as error:
            self._answers.put(error)
        finally:
            if process is not None:
                self._leave(process)
            self._answers.put(None)

    def _start(self) -> subprocess.Popen[bytes]:
        code = f"import sys; sys.path[:] = {sys.path!r}; from calib.archive.worker import serve; serve()"
        own_group: dict[str, Any] = (
            {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}  # type: ignore[attr-defined,unused-ignore]
            if sys.platform == "win32"
            else {"process_group": 0}
        )
        process = subprocess.Popen(
            [sys.executable, "-c", code],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            # one thread each: the processes share the cores already
            env={**os.environ, **dict.fromkeys(_THREADS, "1")},
            **own_group,
        )
        self._processes.add(process)
        try:
            _send(process, self._settings)
            _receive(process)
        except (OSError, EOFError, pickle.UnpicklingError):
            code_ = self._leave(process)
            raise CalibError(f"The worker processes don't start: {_died(code_)}; try --workers 1.") from None
        return process

    def _leave(self, process: subprocess.Popen[bytes]) -> int:
        """Wait for a process that has nothing more to do, or has died."""
        for stream in (process.stdin, process.stdout):
            with suppress(OSError):
                assert stream is not None
                stream.close()
        try:
            code = process.wait(timeout=_GRACE)
        except subprocess.TimeoutExpired:
            process.kill()
            code = process.wait()
        self._processes.discard(process)
        return code


def _send(process: subprocess.Popen[bytes], content: bytes) -> None:
    assert process.stdin is not None
    process.stdin.write(content)
    process.stdin.flush()


def _receive(process: subprocess.Popen[bytes]) -> Any:
    assert process.stdout is not None
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
