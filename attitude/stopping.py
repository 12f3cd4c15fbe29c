"""Ctrl-C while libraries load: the end at once, in one line.

A library that is interrupted while it loads may turn that into another error, or print where it was. Nothing
is under way then that would have to be brought to an end.
"""

import os
import signal
from types import FrameType, TracebackType

__all__ = ["STATUS", "STOPPED", "StopsAtOnce"]

STATUS, STOPPED = 1, "stopped; files that were finished before are whole"
# Back to the start of the line, which is emptied; the cursor is shown again.
CLEARED = "\r\x1b[2K\x1b[?25h"


def _stop(_number: int, _frame: FrameType | None) -> None:
    # Past what the interpreter does at its end: that, too, may be half loaded.
    os.write(2, f"{CLEARED if os.isatty(2) else ''}horizon-drift: {STOPPED}\n".encode())
    os._exit(STATUS)


class StopsAtOnce:
    """While it lasts, Ctrl-C ends the program, unless whoever started it had it ignore that."""

    def __enter__(self) -> None:
        self._mine = signal.getsignal(signal.SIGINT) is signal.default_int_handler
        if self._mine:
            signal.signal(signal.SIGINT, _stop)

    def __exit__(self, _kind: type[BaseException] | None, _error: object, _at: TracebackType | None) -> None:
        if self._mine:
            signal.signal(signal.SIGINT, signal.default_int_handler)
