"""Work on several scans side by side: arrays are large enough for threads to keep more than one core busy."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

_MOST = 4  # more scans at a time would only need more memory


def side_by_side(work: Callable[[Item], Result], items: Sequence[Item]) -> Iterator[Result]:
    """Yield what `work` makes of each item, in their order; the first error stops the rest."""
    threads = min(_MOST, os.cpu_count() or 1, len(items))
    if threads < 2:
        yield from map(work, items)
        return
    with ThreadPoolExecutor(threads) as pool:
        waiting = [pool.submit(work, item) for item in items]
        try:
            for future in waiting:
                yield future.result()
        finally:
            for future in waiting:
                future.cancel()
