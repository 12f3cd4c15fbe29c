"""Workers of a Dask cluster in the place of this computer's own.

The cluster's scheduler hands out the work, and gives what a lost worker was at to another. Its workers open
the clips themselves, so these have to lie under the same path there, and they must run the same code: what
they measure is kept as measured by it.
"""

import gc
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, Executor, Future
from contextlib import contextmanager, suppress
from functools import partial
from typing import Any, ParamSpec, TypeVar

import horizon
from attitude.kept_tracks import code_digest

__all__ = ["ClusterError", "cluster_workers"]

P = ParamSpec("P")
T = TypeVar("T")

ANSWER_S = 10
INSTALL = "pip install 'horizon-drift[cluster]'"


class ClusterError(ValueError):
    """A scheduler that cannot be used, and why."""


def _code() -> str:
    return code_digest(horizon)


class _Asking(Executor):
    """Has a client's cluster do what is submitted.

    The library's own executor takes a worker that is lost just after its answer for an error of the task;
    asked for its result, a task is done again by another worker.
    """

    def __init__(self, client: Any) -> None:
        self._client = client
        # What nobody holds any more is not done.
        self._asked: set[Any] = set()

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        answer: Future[T] = Future()
        asked = self._client.submit(fn, *args, **kwargs, pure=False)
        self._asked.add(asked)
        asked.add_done_callback(partial(self._answered, answer))
        return answer

    def _answered(self, answer: Future[T], asked: Any) -> None:
        try:
            answer.set_result(asked.result())
        except BaseException as error:
            answer.set_exception(error)
        self._asked.discard(asked)


@contextmanager
def cluster_workers(address: str) -> Iterator[Executor]:
    """Executor of the Dask cluster whose scheduler has this address, while it lasts.

    Raises
    ------
    ClusterError
        The extra is not installed, no scheduler answers, it has no workers, or they run another version.
    """
    try:
        from distributed import Client
        from distributed.comm import CommClosedError
        from distributed.scheduler import KilledWorker
    except ImportError:
        raise ClusterError(f"--scheduler needs what is not installed here; {INSTALL}") from None
    client = None
    # It says of an address that cannot be in as many ways as of one where nobody answers.
    with suppress(OSError, ValueError, TypeError):
        client = Client(address, timeout=ANSWER_S, set_as_default=False)
    if client is None:
        # What is left of it ends its loop when it is collected, under a lock that the beginning of another
        # one may hold: it has to be now.
        gc.collect()
        raise ClusterError(f"--scheduler {address}: no scheduler answers there; name one as tcp://HOST:PORT")
    with client:
        workers = client.scheduler_info(n_workers=-1)["workers"]
        if not workers:
            raise ClusterError(f"--scheduler {address}: it has no workers; start some, then again")
        try:
            others = [name for name, code in client.run(_code).items() if code != _code()]
        except ImportError:
            others = list(workers)
        if others:
            raise ClusterError(
                f"--scheduler {address}: {len(others)} of {len(workers)} workers lack this version of "
                "horizon-drift or of its libraries; install the same everywhere"
            )
        try:
            yield _Asking(client)
        except (KilledWorker, CommClosedError, CancelledError):
            raise ClusterError(
                f"--scheduler {address}: its workers were lost again and again; look whether their memory "
                "runs out; what was measured is kept"
            ) from None
