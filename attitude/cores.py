"""Cores are shared out among processes, not among the threads of each: said before any library is loaded."""

import os

__all__ = ["share_cores"]


def share_cores() -> None:
    """Have linear algebra on one thread, here and in workers: a pool in each would only wait for the others.

    The libraries read this when they are loaded, so it is for a program's very beginning.
    """
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
