"""Writing files whole or not at all: to a temporary name, then renamed into place."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["whole_file", "write_whole"]


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """A name to write to, which becomes ``path`` at the end; an interruption leaves what was there before."""
    waiting = path.with_name(f".{path.name}.part")
    try:
        yield waiting
        os.replace(waiting, path)
    except BaseException:
        waiting.unlink(missing_ok=True)
        raise


def write_whole(path: Path, data: bytes) -> None:
    """Write ``data`` to ``path``, as :func:`whole_file` does."""
    with whole_file(path) as waiting:
        waiting.write_bytes(data)
