"""One story made into a folder, with the truth about it kept apart."""

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from .dress import LogTruth, dressed
from .flights import fixed_seed, flown
from .footage import FPS, copy_part, file_time, master, parts_of, turned_over
from .stories import Story

__all__ = ["ClipTruth", "FolderTruth", "build"]

UNSET = dt.datetime(2000, 1, 1)
COPIED = dt.datetime(2026, 9, 1, 8, 0)


@dataclass(frozen=True)
class ClipTruth:
    """One take: its files in order, the flight time of each one's first frame, and of the end."""

    files: tuple[str, ...]
    flight: str
    from_s: tuple[float, ...]
    to_s: float
    turned: bool

    @property
    def length_s(self):
        return self.to_s - self.from_s[0]


@dataclass(frozen=True)
class FolderTruth:
    """A folder as it was made."""

    story: Story
    path: Path
    clips: tuple[ClipTruth, ...]
    logs: tuple[LogTruth, ...]


def build(story, cache, root):
    """Make the folder ``root / story.name``; masters of the takes are kept in ``cache``."""
    folder = root / story.name
    folder.mkdir(parents=True)
    clips = tuple(_shot(clip, story, cache, folder) for clip in story.clips)
    logs = []
    for log in story.logs:
        text, truth = dressed(log, story.began[log.flight], story.name)
        path = folder / log.file
        path.write_text(text, encoding="utf-8", newline="")
        _last_written(path, story, log.flight, float(truth.flight_t_s[-1]))
        logs.append(truth)
    for file, kind in story.strays.items():
        _stray(folder / file, kind, story.name)
    return FolderTruth(story, folder, clips, tuple(logs))


def _last_written(path, story, flight, t_s):
    file_time(path, story.began[flight] + dt.timedelta(seconds=t_s) if story.kept_times else COPIED)


def _shot(clip, story, cache, folder):
    source = (turned_over if clip.turned else master)(cache, clip.flight, clip.take)
    begins_s = flown(clip.flight).takes[clip.take][0]
    parts = parts_of(source, len(clip.files))
    for file, (from_s, to_s) in zip(clip.files, parts, strict=True):
        starts_s = begins_s + from_s
        began = (
            UNSET if clip.created == "unset" else story.began[clip.flight] + dt.timedelta(hours=clip.zone_h)
        )
        marked_s = begins_s + to_s if clip.created == "end" else starts_s
        created = began + dt.timedelta(seconds=marked_s) if clip.created else None
        copy_part(source, folder / file, from_s, to_s, created)
        _last_written(folder / file, story, clip.flight, begins_s + to_s)
    from_s = tuple(float(begins_s + a) for a, _ in parts)
    return ClipTruth(clip.files, clip.flight, from_s, float(begins_s + parts[-1][1]), clip.turned)


def _stray(path, kind, seed):
    """What else lies about in such a folder."""
    rng = np.random.default_rng(fixed_seed("stray", seed, path.name))
    if kind == "notes":
        path.write_text("Wind 3 from the west. Battery 2 swapped after the second take.\nrig: Dunlin\n")
    elif kind == "thumbnail":
        cv2.imwrite(str(path), rng.integers(0, 255, (90, 160, 3), np.uint8))
    elif kind == "sound":
        path.write_bytes(
            b"RIFF\x24\0\0\0WAVEfmt \x10\0\0\0\1\0\1\0\x40\x1f\0\0\x80\x3e\0\0\2\0\x10\0data\0\0\0\0"
        )
    elif kind == "own result":
        path.write_text('{"format": "horizon-drift result", "version": 1}\n')
    elif kind == "own frames":  # as `check --out` into this folder leaves it
        t_s = np.arange(60) / FPS
        roll, pitch = (rng.normal(0, 0.3, 60) for _ in range(2))
        rows = [
            f"reed_nod.mp4,{k},{t:.3f},{r:.3f},{p:.3f}"
            for k, (t, r, p) in enumerate(zip(t_s, roll, pitch, strict=True))
        ]
        path.write_text("\n".join(["clip,frame,t_s,roll_deg,pitch_deg", *rows]) + "\n")
    elif kind == "battery":
        rows = [
            f"{k},{15.9 - 0.004 * k:.3f},{3.1 + rng.normal(0, 0.1):.2f},{25 + 0.02 * k:.1f}"
            for k in range(300)
        ]
        path.write_text("\n".join(["seconds,volts,amps,cell_temp", *rows]) + "\n")
    elif kind in ("bench upright", "bench inverted"):
        down_g = -1.0 if kind.endswith("upright") else 1.0
        held = np.array([0.004, down_g, 0.002]) + rng.normal(0, 0.001, (400, 3))
        rows = [f"{k / 100:.2f},{z:.4f},{x:.4f},{y:.4f}" for k, (x, y, z) in enumerate(held)]
        path.write_text("\n".join(["time_s,ax,ay,az", *rows]) + "\n")
    else:
        raise KeyError(kind)
