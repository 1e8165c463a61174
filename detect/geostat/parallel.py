"""Independent pieces of work on all cores, or on a cluster that is asked for by its address."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, ThreadPoolExecutor, wait
from contextlib import AbstractContextManager, contextmanager, nullcontext
from functools import cache
from typing import Any, TypeVar

from threadpoolctl import ThreadpoolController

Job = TypeVar("Job")
Result = TypeVar("Result")


def cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@cache
def _libraries() -> ThreadpoolController:
    """Linear algebra libraries of this process: finding them takes some milliseconds."""
    import scipy.linalg  # noqa: F401  (brings its own)

    return ThreadpoolController()


def one_thread() -> AbstractContextManager[Any]:
    """Hold linear algebra to one thread."""
    limited: AbstractContextManager[Any] = _libraries().limit(limits=1, user_api="blas")
    return limited


def threads(size: int) -> AbstractContextManager[Any]:
    """Let linear algebra of matrices of a side of ``size`` use one thread, or all where it pays.

    A factorisation of 3,000 takes a quarter of a second on one core, and threads that spin for
    each other on a busy machine take longer than that.
    """
    return one_thread() if size < 3000 else nullcontext()


def run(
    function: Callable[[Job], Result], jobs: Sequence[Job], workers: int | None = None
) -> Iterator[tuple[int, Result]]:
    """Apply a function to each job in a pool of threads; yield (number of the job, result).

    Results come as they are ready, at most two jobs a worker ahead of whoever takes them, so that
    memory stays that of a few jobs. Matrix products inside a job use one thread: the pool holds
    the cores already. One job alone, or one worker, runs in the caller's thread and leaves the
    cores to the linear algebra.

    Parameters
    ----------
    function : callable
        Must release the interpreter for its heavy part (numpy, scipy and compiled kernels do).
    jobs : sequence
        Arguments.
    workers : int, optional
        Threads; by default all cores.
    """
    workers = min(workers or cores(), len(jobs))
    if workers <= 1:
        for number, job in enumerate(jobs):
            yield number, function(job)
        return
    with one_thread(), ThreadPoolExecutor(workers) as pool:
        waiting = iter(enumerate(jobs))
        running = {}
        for number, job in waiting:
            running[pool.submit(function, job)] = number
            if len(running) < 2 * workers:
                continue
            yield from _finished(running)
        while running:
            yield from _finished(running)


def _finished(running: dict[Any, int]) -> Iterator[tuple[int, Any]]:
    """Take what is done, at least one job, out of those that run."""
    done, _ = wait(running, return_when=FIRST_COMPLETED)
    for future in done:
        number = running.pop(future)
        try:
            yield number, future.result()
        except BaseException:
            for other in running:
                other.cancel()
            raise


@contextmanager
def cluster(client: Any) -> Iterator[Any]:
    """Return a dask client: the one that is given, or a new one for an address.

    Raises
    ------
    ImportError
        An address was given and the extra ``cluster`` is not installed.
    """
    if not isinstance(client, str):
        yield client
        return
    try:
        from distributed import Client
    except ImportError as error:
        raise ImportError(
            "a cluster needs dask.distributed: install the extra 'cluster'"
        ) from error
    with Client(client) as connected:
        yield connected


def run_on(
    client: Any, function: Callable[[Any, Job], Result], shared: Any, jobs: Sequence[Job]
) -> Iterator[tuple[int, Result]]:
    """Apply ``function(shared, job)`` to each job on a dask cluster, as `run` does at home.

    ``shared`` is sent once to each worker. The scheduler decides what runs where; nothing here
    does.
    """
    from distributed import as_completed

    everywhere = client.scatter(shared, broadcast=True, hash=False)
    futures = {
        client.submit(_alone, function, everywhere, job, pure=False): number
        for number, job in enumerate(jobs)
    }
    with client.as_current():  # it need not be the default of this process
        finished = as_completed(futures)
    for future in finished:
        yield futures[future], future.result()


def _alone(function: Callable[[Any, Job], Result], shared: Any, job: Job) -> Result:
    """Run one job on a worker, whose other threads have jobs of their own."""
    with one_thread():
        return function(shared, job)
