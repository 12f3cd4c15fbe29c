"""Processes that measure beside this one, as many as there are cores."""

import os
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager, suppress
from multiprocessing import active_children, get_context, parent_process
from multiprocessing.connection import wait
from threading import Thread
from typing import ParamSpec, TypeVar

from attitude.cores import share_cores

__all__ = ["at_hand", "workers"]

P = ParamSpec("P")
T = TypeVar("T")

# More would wait for the disk, and starting them takes longer than a second check.
MOST = 16


def _begin() -> None:
    """What a worker does first."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # A copy has the handlers of whoever it is a copy of.
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """End this worker when its parent is gone: one that is killed tells nobody, and workers would stay."""
    parent = parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)


class _WhenNeeded(Executor):
    """Starts its processes with the first task: a check that measures nothing has no use for them.

    Where they can be had as copies of this process they cost next to nothing, and are started at once: later
    it will have threads.
    """

    def __init__(self, count: int) -> None:
        self._count = count
        self._pool = _started(count) if _may_fork() else None

    @property
    def running(self) -> bool:
        """Whether there are processes."""
        return self._pool is not None

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        if self._pool is None:
            self._pool = _started(self._count)
        return self._pool.submit(fn, *args, **kwargs)

    def drop(self) -> None:
        """End the processes at once, whatever they are at."""
        # One that is ended in the middle of its answer would have its reader wait for the rest for ever, as
        # long as anybody, and be it this process, may write it.
        with suppress(AttributeError, OSError):
            self._pool._result_queue._writer.close()  # type: ignore[union-attr]
        for worker in active_children():
            worker.terminate()

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        if self._pool is not None:
            self._pool.shutdown(wait, cancel_futures=cancel_futures)


def _may_fork() -> bool:
    """Whether this process has a single thread: what others hold would stay held in a copy for ever."""
    try:
        return len(os.listdir("/proc/self/task")) == 1
    except OSError:
        return False


def _started(count: int) -> ProcessPoolExecutor:
    share_cores()
    # Copies have every library loaded already.
    pool = ProcessPoolExecutor(count, get_context("fork" if _may_fork() else "spawn"), _begin)
    # Ctrl-C reaches every process of a terminal, and only this one has to answer it. Where the system lets
    # them, workers inherit it ignored: they cannot see to it themselves before they are up. One is started
    # for each task that finds none idle.
    answered = signal.signal(signal.SIGINT, signal.SIG_IGN)
    for _ in range(count):
        pool.submit(int)
    signal.signal(signal.SIGINT, answered)
    return pool


def at_hand(executor: Executor | None) -> Executor | None:
    """The executor if it is one of processes that run already: small work is not worth starting any for."""
    return executor if isinstance(executor, _WhenNeeded) and executor.running else None


@contextmanager
def workers(scheduler: str | None = None) -> Iterator[Executor | None]:
    """An executor while it lasts; None where a single core would only be shared.

    ``scheduler``: address of a Dask cluster's, whose workers do it instead. To be used by the main thread.
    Ended by an error or by Ctrl-C, it drops what the workers are at.
    """
    if scheduler is not None:
        from attitude.cluster import cluster_workers

        with cluster_workers(scheduler) as executor:
            yield executor
        return
    count = min(os.cpu_count() or 1, MOST)
    if count < 2:
        yield None
        return
    with _WhenNeeded(count) as executor:
        try:
            yield executor
        except BaseException:
            executor.drop()
            raise
