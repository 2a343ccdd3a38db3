"""What a worker process does: read the settings once, then correct one scan after the other until there are no more."""

from __future__ import annotations

import os
import pickle
import signal
import sys


def serve() -> None:
    """Answer each job on standard input with its outcome on what was standard output."""
    # The one who started it says when to stop: a Ctrl-C is for that one, who lets the files be finished.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _leave)
    # Whatever prints must not get between the answers.
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    jobs = sys.stdin.buffer
    try:
        from calib.archive.task import correct_one
        from calib.formats._hdf5_file import guard_many

        guard_many()
        settings = pickle.load(jobs)
        _send(None, answers)
        while True:
            _send(correct_one(pickle.load(jobs), settings), answers)
    except (EOFError, BrokenPipeError):  # there are no more, or nobody is left who wants to know
        pass


def _send(content: object, stream: object) -> None:
    pickle.dump(content, stream)  # type: ignore[arg-type]
    stream.flush()  # type: ignore[attr-defined]


def _leave(*_: object) -> None:
    raise SystemExit(143)  # so that a file that is being written is removed
