"""The same work on a cluster that exists: Dask distributed, an optional extra."""

from __future__ import annotations

import queue
import secrets
import threading
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from calib.archive.process import Worker
from calib.archive.task import Job, Outcome, Settings, refused
from calib.errors import CalibError, FileError
from calib.files import reason

_PATIENCE = 10  # s for an address to answer
_DESERTED = 60.0  # s without any worker after which nobody is waited for
_LOOK = 1.0  # s between two looks


class Carried:
    """Brings the settings to each worker of a cluster once, also to those that join later or start again.

    There each scan is corrected by a process beside the worker: if one dies of it, the cluster loses nothing.
    """

    def __init__(self, name: str, settings: Settings) -> None:
        self.name = name
        self.settings = settings
        self.idle: queue.SimpleQueue[Worker] = queue.SimpleQueue()
        self.over = False

    def setup(self, worker: Any) -> None:
        """Nothing has to be prepared: processes are started when they are needed, one for each thread."""

    def correct(self, job: Job) -> Outcome:
        """Have a scan corrected."""
        try:
            process = self.idle.get_nowait()
        except queue.Empty:
            process = Worker(self.settings)
        try:
            return process.correct(job)
        finally:
            self.idle.put(process)
            if self.over:
                self.teardown(None)

    def teardown(self, worker: Any) -> None:
        """End the processes; one that is at a scan ends when it is done with it."""
        self.over = True
        with suppress(queue.Empty):
            while True:
                self.idle.get_nowait().leave()


def outcomes_of(address: str, jobs: Sequence[Job], settings: Settings) -> Iterator[Outcome]:
    """Have scans corrected by the workers of a cluster, and yield the outcomes as they come.

    Parameters
    ----------
    address
        Of the scheduler, such as ``tcp://10.0.0.5:8786``.

    Raises
    ------
    CalibError
        If Dask distributed is not installed, the address does not answer, there are no workers, or they don't see the
        same files.
    """
    try:
        import distributed
    except ImportError:
        raise CalibError(
            "A cluster needs Dask distributed, which is not installed: pip install 'calib-raster[cluster]'."
        ) from None
    try:
        client: Any = distributed.Client(address, timeout=_PATIENCE, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, TimeoutError, ValueError) as error:
        raise CalibError(
            f"The scheduler {address} does not answer: check the address, and that it is running ({_brief(error)})."
        ) from None
    there, settings = _absolute(jobs, settings)
    carried = _as_plugin(distributed, settings)
    try:
        _check_workers(client, address, there, settings)
        client.register_plugin(carried, name=carried.name)
        for number, outcome in _outcomes(distributed, client, there, carried.name):
            job = jobs[number]
            yield replace(outcome, source=job.source, outputs=job.outputs if outcome.outputs else ())
    finally:
        with suppress(Exception):
            client.unregister_worker_plugin(carried.name)
        client.close()


def _as_plugin(distributed: Any, settings: Settings) -> Any:
    # the class is made here, since the library is imported only where a cluster is asked for
    carried = type("CarriedPlugin", (Carried, distributed.WorkerPlugin), {"__reduce__": _rebuild})
    return carried(f"calib-{secrets.token_hex(8)}", settings)


def _rebuild(carried: Carried) -> tuple[Any, ...]:
    return _made, (carried.name, carried.settings)


def _made(name: str, settings: Settings) -> Any:
    import distributed

    plugin = _as_plugin(distributed, settings)
    plugin.name = name
    return plugin


def _outcomes(distributed: Any, client: Any, jobs: Sequence[Job], name: str) -> Iterator[tuple[int, Outcome]]:
    """Yield the index of each job and its outcome."""
    futures = {client.submit(_correct_there, job, name, pure=False): k for k, job in enumerate(jobs)}
    done = threading.Event()
    watch = threading.Thread(target=_call_off_if_deserted, args=(client, list(futures), done), daemon=True)
    watch.start()
    try:
        for future in distributed.as_completed(list(futures), loop=client.loop):
            number = futures.pop(future)
            source = jobs[number].source
            if future.status == "finished":
                yield number, future.result()
            elif future.status == "error":  # the function lets nothing through: the worker has died, more than once
                words = f"the workers at it died ({_brief(future.exception())})"
                yield number, refused(source, f"{source} was left out: {words}.")
            else:
                yield number, refused(source, f"Nothing is known of {source}: the cluster has no workers any more.")
    finally:
        done.set()
        client.cancel(list(futures))


def _call_off_if_deserted(client: Any, futures: Sequence[Any], done: threading.Event) -> None:
    """Cancel what nobody is left to do, which would be waited for for ever."""
    alone = 0.0
    while not done.wait(_LOOK):
        try:
            alone = 0.0 if client.nthreads() else alone + _LOOK
        except Exception:  # the scheduler does not answer: the client itself gives up then
            continue
        if alone >= _DESERTED:
            client.cancel(list(futures), force=True)
            return


def _correct_there(job: Job, name: str) -> Outcome:
    from distributed import get_worker

    carried: Any = get_worker().plugins[name]
    outcome: Outcome = carried.correct(job)
    return outcome


# --- do they see the same files? ---------------------------------------------------------------------


def _check_workers(client: Any, address: str, jobs: Sequence[Job], settings: Settings) -> None:
    from calib import __version__

    root = settings.root
    root.mkdir(parents=True, exist_ok=True)
    token = root / f".{secrets.token_hex(8)}.seen"
    try:
        token.write_text(token.name, "utf-8")
        seen = client.run(_look, str(token), next((str(job.source) for job in jobs if job.source.exists()), ""))
    except OSError as error:
        raise FileError(f"{root} can't be written to: {reason(error)}.") from None
    except Exception as error:
        raise CalibError(
            f"The workers of {address} can't run calib ({_brief(error)}): install version {__version__} there, too."
        ) from None
    finally:
        token.unlink(missing_ok=True)
    if not seen:
        raise CalibError(f"The scheduler {address} has no workers: start some, then try again.")
    for worker, (version, problem) in sorted(seen.items()):
        if version != __version__:
            raise CalibError(f"The worker {worker} runs calib {version}, and here it is {__version__}: use the same.")
        if problem:
            raise FileError(
                f"The worker {worker} does not see {problem}: workers need the same files at the same place."
            )


def _look(token: str, source: str) -> tuple[str, str]:
    """Run by each worker: the version of calib there, and which of the files it does not see."""
    from calib import __version__

    try:
        if Path(token).read_text("utf-8") != Path(token).name:
            return __version__, str(Path(token).parent)
    except OSError:
        return __version__, str(Path(token).parent)
    return __version__, source if source and not Path(source).exists() else ""


def _absolute(jobs: Sequence[Job], settings: Settings) -> tuple[list[Job], Settings]:
    """Return the same with whole paths, since workers have folders of their own."""
    there = [Job(job.source.absolute(), tuple(one.absolute() for one in job.outputs)) for job in jobs]
    return there, replace(settings, root=settings.root.absolute())


def _brief(error: BaseException) -> str:
    text = str(error).strip().splitlines()
    return f"{type(error).__name__}: {text[0]}".rstrip(".") if text else type(error).__name__
