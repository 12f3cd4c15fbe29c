"""Writing files whole or not at all: to a temporary name, then renamed into place."""

import os
from pathlib import Path

__all__ = ["write_whole"]


def write_whole(path: Path, data: bytes) -> None:
    """Write ``data`` to ``path``; an interruption leaves what was there before, and nothing half written."""
    waiting = path.with_name(f".{path.name}.part")
    try:
        waiting.write_bytes(data)
        os.replace(waiting, path)
    except BaseException:
        waiting.unlink(missing_ok=True)
        raise
