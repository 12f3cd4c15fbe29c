"""What lies in a folder: clips, tables that may be logs, and what is neither, with the reason.

Looked at are the folder and one level of folders in it, where people keep copies of their cards. Hidden
files, this program's own results and folders with a sheet of their own are passed over. Of copies one
counts: the same file twice, or a smaller picture of the same take beside it.
"""

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from attitude.sheet import SHEET_NAME
from attitude.table import TEXT_SUFFIXES
from horizon.clip import ClipError, ClipFacts

__all__ = ["CLIP_ENDINGS", "Aside", "Survey", "shown_path", "survey"]

CLIP_ENDINGS = (".mp4", ".mov", ".mkv", ".avi", ".m4v", ".ts", ".mts", ".webm")
OTHER_LOGS = (".log", ".parquet", ".xlsx", ".xls", ".ods", ".json", ".bin", ".dat")
OWN_RESULT = "result.json"
SAME_LENGTH_S = 0.1
COMPARED_BYTES = 1 << 20


@dataclass(frozen=True)
class Aside:
    """A file that is not used, and why."""

    path: Path
    why: str


@dataclass(frozen=True)
class Survey:
    """What a folder holds; every list in the order of names."""

    folder: Path
    clips: tuple[ClipFacts, ...]
    tables: tuple[Path, ...]
    aside: tuple[Aside, ...]


def survey(folder: Path, probe: Callable[[Path], ClipFacts]) -> Survey:
    """Look through a folder; ``probe`` gives the facts of a clip or raises ClipError."""
    files = sorted(_files(folder), key=lambda path: (path.parent != folder, str(path).lower()))
    aside: list[Aside] = []
    clips: list[ClipFacts] = []
    for path in files:
        if path.suffix.lower() in CLIP_ENDINGS:
            try:
                clips.append(probe(path))
            except ClipError as error:
                aside.append(Aside(path, str(error).removeprefix(f"{path.name}: ")))
        elif path.suffix.lower() in OTHER_LOGS:
            aside.append(Aside(path, "a log is read from .csv, .tsv or .txt; export it as .csv if it is one"))
    kept = _one_of_each(clips, aside)
    tables = _tables([path for path in files if path.suffix.lower() in TEXT_SUFFIXES], aside)
    return Survey(folder, tuple(kept), tuple(tables), tuple(aside))


def shown_path(path: Path, folder: Path) -> str:
    """A path as the sheet in a folder writes it."""
    path, folder = path.resolve(), folder.resolve()
    return (path.relative_to(folder) if path.is_relative_to(folder) else path).as_posix()


def _files(folder: Path) -> Iterator[Path]:
    for path in folder.iterdir():
        if path.name.startswith("."):
            continue
        if path.is_file():
            yield path
        elif path.is_dir() and not (path / OWN_RESULT).exists() and not (path / SHEET_NAME).exists():
            yield from (one for one in path.iterdir() if one.is_file() and not one.name.startswith("."))


def _one_of_each(clips: Sequence[ClipFacts], aside: list[Aside]) -> list[ClipFacts]:
    """Clips without the copies; of the same take the larger picture stays."""
    kept: list[ClipFacts] = []
    # The larger first, so that whatever comes later is the copy.
    for clip in sorted(clips, key=lambda one: -one.width_px * one.height_px):
        others = [other for other in kept if abs(other.duration_s - clip.duration_s) <= SAME_LENGTH_S]
        same = next((other for other in others if _same_bytes(other.path, clip.path)), None)
        smaller = next((other for other in others if _smaller_copy(clip, other)), None)
        namesake = next((other for other in kept if other.path.name == clip.path.name), None)
        if same is not None:
            aside.append(Aside(clip.path, f"the same file as {_shown(same.path, clip.path)}"))
        elif smaller is not None:
            aside.append(Aside(clip.path, f"a smaller copy of {_shown(smaller.path, clip.path)}"))
        elif namesake is not None:
            place = _shown(namesake.path, clip.path)
            aside.append(Aside(clip.path, f"has the name of {place}: rename one of them and start anew"))
        else:
            kept.append(clip)
    return [clip for clip in clips if clip in kept]


def _smaller_copy(clip: ClipFacts, other: ClipFacts) -> bool:
    """Whether a clip is a reduced copy of another of the same length: its name or its time says so."""
    if clip.width_px * clip.height_px >= other.width_px * other.height_px:
        return False
    names = clip.path.stem.lower(), other.path.stem.lower()
    like = names[0] in names[1] or names[1] in names[0]
    return like or (clip.created is not None and clip.created == other.created)


def _tables(paths: Sequence[Path], aside: list[Aside]) -> list[Path]:
    kept: list[Path] = []
    for path in paths:
        same = next((other for other in kept if _same_bytes(other, path)), None)
        if same is None:
            kept.append(path)
        else:
            aside.append(Aside(path, f"the same file as {_shown(same, path)}"))
    return kept


def _same_bytes(one: Path, other: Path) -> bool:
    """Whether two files are copies, by size and beginning."""
    if one.stat().st_size != other.stat().st_size:
        return False
    with one.open("rb") as first, other.open("rb") as second:
        return first.read(COMPARED_BYTES) == second.read(COMPARED_BYTES)


def _shown(path: Path, beside: Path) -> str:
    return path.name if path.parent == beside.parent else os.path.relpath(path, beside.parent)
