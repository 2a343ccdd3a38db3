"""Several worker processes for jobs with the same settings, each with a thread that gives it one after the other."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator, Sequence

from calib.archive.process import GRACE, Worker
from calib.archive.task import Job, Outcome, Settings
from calib.errors import CalibError

_TICK = 0.5  # s


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
        self._answers: queue.SimpleQueue[Outcome | CalibError | None] = queue.SimpleQueue()
        self._stopped, self._ended = threading.Event(), threading.Event()
        self._workers = [Worker(settings) for _ in range(min(workers, len(jobs)))]
        self._threads = [threading.Thread(target=self._serve, args=(one,), daemon=True) for one in self._workers]
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
        timer = threading.Timer(GRACE, self.end)
        timer.daemon = True
        timer.start()
        try:
            yield from self._answered()
        finally:
            timer.cancel()

    def end(self) -> None:
        """End all processes, whatever they are at, and wait until they have removed what they have not finished."""
        self._stopped.set()
        self._ended.set()
        for worker in self._workers:
            worker.terminate()
        for worker in self._workers:
            worker.wait()

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

    def _serve(self, worker: Worker) -> None:
        """In the thread of each process."""
        try:
            while not self._stopped.is_set():
                worker.start()  # before a job is taken, which might be called off meanwhile
                if self._stopped.is_set():
                    break
                try:
                    job = self._jobs.get_nowait()
                except queue.Empty:
                    break
                outcome = worker.correct(job)
                if not self._ended.is_set() or outcome.state != "refused":  # else it is refused for having been ended
                    self._answers.put(outcome)
        except CalibError as error:
            self._answers.put(error)
        finally:
            worker.leave()
            self._answers.put(None)
