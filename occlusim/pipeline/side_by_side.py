"""Independent work of one run, done side by side where the machine allows it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

from occlusim.kernels.jit import set_threads, thread_count, threads_may_share

R = TypeVar("R")


def side_by_side(jobs: Iterable[Callable[[], R]]) -> list[R]:
    """Return the answers of some jobs in their order.

    The jobs must not share anything that one of them changes: the answers are then the same on
    any number of threads. Of several that fail, the first one's error is raised.
    """
    waiting = list(jobs)
    workers = min(thread_count(), len(waiting))
    if workers < 2 or not threads_may_share():
        return [job() for job in waiting]
    # Each job's kernels use its share of the threads: more teams than cores only wait.
    share = max(1, thread_count() // workers)
    with ThreadPoolExecutor(workers, initializer=set_threads, initargs=(share,)) as pool:
        return [future.result() for future in [pool.submit(job) for job in waiting]]


@contextmanager
def meanwhile(job: Callable[[], R]) -> Iterator[Callable[[], R]]:
    """Do a job beside the block's work; the value is the function that waits for its answer."""
    if thread_count() < 2 or not threads_may_share():
        yield job
        return
    with ThreadPoolExecutor(1, initializer=set_threads, initargs=(thread_count() // 2,)) as pool:
        yield pool.submit(job).result
