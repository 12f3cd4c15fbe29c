"""Entry point of the ``horizon-drift`` command, before anything else of it is loaded."""

import gc
import sys

from attitude.cores import share_cores
from attitude.stopping import STATUS, STOPPED, StopsAtOnce

__all__ = ["run"]


def run() -> None:
    """Load the command line and run it."""
    share_cores()
    # Libraries are looked through for garbage again and again while they load, and hold none; see `starting`.
    gc.disable()
    try:
        with StopsAtOnce():
            from attitude.cli import run as run_command
        run_command()
    except KeyboardInterrupt:
        sys.stderr.write(f"horizon-drift: {STOPPED}\n")
        raise SystemExit(STATUS) from None
