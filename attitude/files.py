"""Writing files whole or not at all: under a name or in a folder that waits, then renamed into place.

What a run that was killed left waiting is removed by the next one. A link that lies where something is to
wait is removed too, never followed: files go where they were asked for and nowhere else.
"""

import os
import shutil
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TextIO

__all__ = ["guarded", "is_pipe_or_device", "waiting_folder", "whole_file", "write_whole"]

# What begins a formula, in wide letters too; the apostrophe, so that one that was there before is kept.
RISKY = frozenset("=+-@\t\r\n'\uff1d\uff0b\uff0d\uff20")

WAITING, LOCK = ".waiting-", "lock"
# A waiting folder gets its lock at once: one without, older than this, has nobody.
WITHOUT_LOCK_S = 60.0


def is_pipe_or_device(path: Path) -> bool:
    """Whether what stands there is neither file nor folder: a pipe nobody writes to would be waited for."""
    with suppress(OSError):
        return path.exists() and not (path.is_file() or path.is_dir())
    return False


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """A name to write to, which becomes ``path`` at the end; an interruption leaves what was there before."""
    waiting = path.with_name(f".{path.name}.part")
    waiting.unlink(missing_ok=True)
    try:
        yield waiting
        os.replace(waiting, path)
    except BaseException:
        waiting.unlink(missing_ok=True)
        raise


def write_whole(path: Path, data: bytes) -> None:
    """Write ``data`` to ``path``, as :func:`whole_file` does; an OSError names ``path``."""
    with whole_file(path) as waiting:
        try:
            with waiting.open("xb") as file:
                file.write(data)
        except OSError as error:
            raise OSError(error.errno, error.strerror, str(path)) from None


@contextmanager
def waiting_folder(folder: Path) -> Iterator[Path]:
    """A folder in ``folder`` to make results ready in, gone at the end with what is still in it.

    Those that runs left which were killed are removed; one that another run is using is left alone.
    """
    for left in folder.glob(f"{WAITING}*"):
        if not left.is_symlink() and _abandoned(left):
            shutil.rmtree(left, ignore_errors=True)
    with (
        TemporaryDirectory(dir=folder, prefix=WAITING, ignore_cleanup_errors=True) as place,
        (Path(place) / LOCK).open("w") as lock,
    ):
        _hold(lock)
        yield Path(place)


def guarded(text: str) -> str:
    """Text for a cell of a table: behind an apostrophe where a spreadsheet would take it for a formula."""
    risky = not RISKY.isdisjoint((text[:1], text.lstrip()[:1]))
    return f"'{text}" if risky else text


if sys.platform == "win32":

    def _hold(lock: TextIO) -> None:
        """An open file cannot be removed there: that is the lock."""

    def _held(lock: Path) -> bool:
        try:
            lock.unlink()
        except OSError:
            return True
        return False

else:
    import fcntl

    def _hold(lock: TextIO) -> None:
        # Some network disks have no locks; then others see the file as held, and leave it.
        with suppress(OSError):
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def _held(lock: Path) -> bool:
        try:
            with lock.open("r") as file:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return True
        return False


def _abandoned(waiting: Path) -> bool:
    lock = waiting / LOCK
    if lock.is_file():
        return not _held(lock)
    try:
        return time.time() - waiting.stat().st_mtime > WITHOUT_LOCK_S
    except OSError:
        return False
