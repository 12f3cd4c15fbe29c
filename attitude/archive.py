"""Many shoots at once: which sheets are meant, and how each of them ended."""

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from attitude.sheet import SHEET_NAME

__all__ = ["Ended", "sheets_of"]

DEEPEST = 8  # folders below the one that was given


@dataclass(frozen=True)
class Ended:
    """How the check of one sheet ended.

    title : of the shoot, or where its sheet is. lean : in words. action : of the verdict. refused : why it
    was not checked, one line; "" where it was.
    """

    title: str
    lean: str = ""
    action: str = ""
    refused: str = ""


def sheets_of(given: Sequence[Path]) -> list[Path]:
    """The sheets that are meant: those given, and all below a folder that holds none itself.

    In order, each once. What holds no sheet at all is handed on as it is: reading it says so.
    """
    found: list[Path] = []
    for path in given:
        found += _below(path) if path.is_dir() and not (path / SHEET_NAME).is_file() else [path]
    seen: dict[Path, Path] = {}
    for path in found:
        sheet = path / SHEET_NAME if path.is_dir() else path
        seen.setdefault(sheet.resolve(), path)
    return list(seen.values())


def _below(folder: Path) -> list[Path]:
    """Folders with a sheet below one, links not followed: they may lead round in a circle."""
    found: list[Path] = []
    for where, folders, files in os.walk(folder):
        place = Path(where)
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        if len(place.relative_to(folder).parts) >= DEEPEST:
            folders.clear()
        if SHEET_NAME in files:
            found.append(place)
    return found or [folder]
