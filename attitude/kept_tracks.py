"""What was measured of clips before, kept beside the history: what did not change is not measured again.

Of a clip with a horizon that is its looks, into which nothing of the surroundings enters; of a plumb or level
line its track. It is known by the clip's content, by all that the measuring was told, and by the code that
measured it; where any of that changed, the clip is measured anew. Nothing but numbers and words is read back,
and a file that is damaged counts as none. An interrupted check finds the clips that were done.
"""

from __future__ import annotations

import json
import os
import sys
import time
import zipfile
import zlib
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import fields
from functools import lru_cache
from hashlib import blake2b
from importlib.metadata import version
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryFile
from types import ModuleType
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import pandas as pd
from platformdirs import user_cache_path

import horizon
from attitude.files import write_whole
from attitude.recording import content_digest
from horizon import TRACK_COLUMNS
from horizon.cone import KeptLine
from horizon.looks import ClipLooks, ClipTrack
from horizon.small import Sizing, SmallPictures

if TYPE_CHECKING:
    from horizon.clip import ClipFacts

__all__ = [
    "CACHE_VARIABLE",
    "code_digest",
    "keep",
    "keep_looks",
    "kept",
    "kept_looks",
    "key_of",
    "read_kept",
    "room_for",
    "track_key",
    "write_kept",
]

CACHE_VARIABLE = "HORIZON_DRIFT_CACHE"
# The looks at an hour of footage take 18 MB: room for a season's archive.
MOST_BYTES, UNUSED_DAYS = 1 << 30, 400
# What reading a damaged archive raises.
SPOILT = (OSError, ValueError, KeyError, TypeError, EOFError, RuntimeError, zipfile.BadZipFile, zlib.error)
WORDS = ("clip", "reason", "claims")
LOOKS = (
    *("frame", "t_s", "is_key", "reason", "width_rad", "quality", "brighter_grey", "sky_odds"),
    *("turned_deg", "since_s", "turned_sd_deg"),
)
Whole = TypeVar("Whole")
PAN_COLUMNS = ("t_s", "yaw_rate_dps", "yaw_rate_sd_dps")


def _folder() -> Path:
    named = os.environ.get(CACHE_VARIABLE, "")
    return Path(named) if named else user_cache_path("horizon-drift", appauthor=False) / "tracks"


def track_key(facts: ClipFacts, told: Mapping[str, Any]) -> str:
    """What a track is known by.

    facts : of the clip. told : everything else that its measuring depends on; what stands there must show all
    of itself as text. "" where the clip cannot be read: then nothing is kept.
    """
    try:
        stat = facts.path.stat()
        content = content_digest(facts.path)
    except OSError:
        return ""
    # The digest samples a long file; whoever changes a byte between the samples changes the time.
    told = {**told, "file": f"{content.hex()} {stat.st_mtime_ns}", "code": code_digest(horizon)}
    return key_of(*(f"{key}={told[key]!r}" for key in sorted(told)))


def room_for(sizing: Sizing) -> SmallPictures | None:
    """Small pictures in a file that is gone with the process; None where there is no room for one."""
    try:
        _folder().mkdir(parents=True, exist_ok=True)
        return SmallPictures(sizing, TemporaryFile(dir=_folder()))
    except OSError:
        return None


def key_of(*parts: str) -> str:
    """What stands for all of these texts."""
    return blake2b("\n".join(parts).encode("utf-8", "surrogateescape"), digest_size=20).hexdigest()


@lru_cache(maxsize=4)
def code_digest(*packages: ModuleType) -> str:
    """Digest of what measures: these of this project's packages, and the libraries that decide on numbers."""
    found = blake2b(digest_size=20)
    for package in packages:
        folder = Path(package.__path__[0])
        for path in sorted(path for ending in ("*.py", "*.json") for path in folder.rglob(ending)):
            found.update(path.relative_to(folder).as_posix().encode() + path.read_bytes())
    for name in ("numpy", "scipy", "opencv-python", "av"):
        found.update(f"{name} {version(name)}".encode())
    found.update(sys.version.encode())
    return found.hexdigest()


def kept(key: str, facts: ClipFacts) -> ClipTrack | None:
    """The track of this key, as of ``facts``; None where there is none or it cannot be read."""
    return read_kept(key, lambda held: _whole(held, facts))


def kept_looks(key: str, facts: ClipFacts) -> ClipLooks | None:
    """The looks of this key, as of ``facts``; None where there are none or they cannot be read."""
    return read_kept(key, lambda held: _whole_looks(held, facts))


def keep(key: str, track: ClipTrack) -> None:
    """Keep a track. A disk that is full or may not be written to costs nothing but the next measuring."""
    table, pans = track.track, track.yaw_rate
    about = {
        "clip": track.clip,
        "frames_read": track.frames_read,
        "damage": track.damage,
        "sky": track.sky,
        "dip_rad": track.dip_rad,
        "reference": track.reference,
        "notes": list(track.notes),
    }
    arrays: dict[str, Any] = {}
    for name in TRACK_COLUMNS:
        column = table[name].astype(str) if name in WORDS else table[name]
        arrays[f"track_{name}"] = column.to_numpy(str if name in WORDS else None)
    for name in PAN_COLUMNS:
        arrays[f"pan_{name}"] = pans[name].to_numpy(float)
    if track.covered is not None:
        arrays["covered"] = track.covered
    if track.normals is not None:
        arrays["normals"] = track.normals
    write_kept(key, about, arrays)


def keep_looks(key: str, looks: ClipLooks, clip: str) -> None:
    """Keep the looks at a clip of this name; a disk that is full costs nothing but the next measuring."""
    about = {
        "clip": clip,
        "frames_read": looks.frames_read,
        "damage": looks.damage,
        "notes": list(looks.notes),
    }
    arrays = {name: getattr(looks, name) for name in LOOKS}
    arrays |= {f"line_{one.name}": getattr(looks.line, one.name) for one in fields(KeptLine)}
    if looks.covered is not None:
        arrays["covered"] = looks.covered
    write_kept(key, about, arrays)


def read_kept(key: str, whole: Callable[[Mapping[str, Any]], Whole]) -> Whole | None:
    """What ``whole`` makes of the arrays of this key and their ``about``; None where it cannot be read."""
    if not key:
        return None
    path = _folder() / f"{key}.npz"
    try:
        with np.load(BytesIO(path.read_bytes()), allow_pickle=False) as file:
            held: dict[str, Any] = {name: file[name] for name in file.files}
        found = whole(held | {"about": json.loads(str(held["about"]))})
        # Used: the next clearing takes others first.
        os.utime(path)
    except SPOILT:
        return None
    return found


def write_kept(key: str, about: Mapping[str, Any], arrays: Mapping[str, Any]) -> None:
    """Keep arrays and words; a disk that is full or may not be written to costs nothing but time later."""
    if not key:
        return
    data, folder = BytesIO(), _folder()
    np.savez_compressed(data, about=np.array(json.dumps(about)), **arrays)
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        write_whole(folder / f"{key}.npz", data.getvalue())
        _cleared(folder)


def _whole_looks(held: Mapping[str, Any], facts: ClipFacts) -> ClipLooks:
    about = held["about"]
    looks = ClipLooks(
        **{name: held[name] for name in LOOKS},
        line=KeptLine(**{one.name: held[f"line_{one.name}"] for one in fields(KeptLine)}),
        frames_read=int(about["frames_read"]),
        damage=str(about["damage"]),
        covered=held.get("covered"),
        notes=_renamed(about, facts),
    )
    rows = len(looks.t_s)
    if any(len(getattr(looks, name)) != rows for name in LOOKS) or len(looks.line.sums) != rows:
        raise ValueError("columns of unlike length")
    return looks


def _renamed(about: Mapping[str, Any], facts: ClipFacts) -> tuple[str, ...]:
    """Notes with the clip's name as it is now: its content is what it is known by."""
    return tuple(str(note).replace(about["clip"], facts.path.name) for note in about["notes"])


def _whole(held: Mapping[str, Any], facts: ClipFacts) -> ClipTrack:
    about = held["about"]
    table = pd.DataFrame({name: held[f"track_{name}"] for name in TRACK_COLUMNS})
    table = table.astype({"frame": int, **dict.fromkeys(WORDS, str)})
    table["clip"] = facts.path.name
    pans = pd.DataFrame({name: held[f"pan_{name}"] for name in PAN_COLUMNS}, dtype=float)
    return ClipTrack(
        facts.path.name,
        table,
        facts,
        int(about["frames_read"]),
        str(about["damage"]),
        str(about["sky"]),
        float(about["dip_rad"]),
        pans,
        held.get("covered"),
        str(about["reference"]),
        held.get("normals"),
        _renamed(about, facts),
    )


def _cleared(folder: Path) -> None:
    """Remove what was not used for longest, while all of it together is too much, and what is very old."""
    files = sorted(((path.stat(), path) for path in folder.glob("*.npz")), key=lambda one: -one[0].st_mtime)
    total, oldest_s = 0, time.time() - UNUSED_DAYS * 86400
    for stat, path in files:
        total += stat.st_size
        if total > MOST_BYTES or stat.st_mtime < oldest_s:
            path.unlink(missing_ok=True)
