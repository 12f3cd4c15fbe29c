"""One clip as it is drawn: its looks in the time that a player shows, and what was measured at any time."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.infer import moment_lean
from attitude.picture import tilt_about_pose
from attitude.words import lean_words
from horizon.angles import angles_from_up, apart_rad, up_from_angles, wrap_deg
from horizon.lens import Lens
from horizon.measure import ClipTrack

__all__ = ["CLOSE_S", "Place", "View", "part_of", "place_at", "view_of"]

Array = NDArray[np.float64]

# Looks between which the line is drawn: so close in time, and not turned over by the camera in between.
CLOSE_S, CLOSE_RAD, SAME_S = 0.6, math.radians(60), 1e-3
POSES = {0: "", 180: ", upside down", 90: ", sideways"}


@dataclass(frozen=True)
class Place:
    """What was measured at one time of a clip: up vector (None: not), roll that counts as level, words.

    normal : of the plumb or level line that stands for the horizon; None where it is the horizon itself.
    """

    up_cam: Array | None
    level_rad: float
    words: str
    normal: Array | None = None


@dataclass(frozen=True)
class View:
    """One clip: its looks (n rows) in the time that a player shows, and stretches left out."""

    track: ClipTrack
    lens: Lens
    t_s: Array
    frame: NDArray[np.int64]
    up_cam: Array
    level_deg: Array
    roll_sd_deg: Array
    reason: tuple[str, ...]
    left_out: tuple[tuple[float, float], ...]

    @property
    def seen_px(self) -> tuple[int, int]:
        """Width and height as a player shows it."""
        facts = self.track.facts
        stored = (facts.width_px, facts.height_px)
        return stored[::-1] if round(facts.rotation_deg / 90) % 2 else stored


def place_at(view: View, t_s: float) -> Place:
    """What was measured at a time of the clip: a look's own, or between two that are close together."""
    after = int(np.searchsorted(view.t_s, t_s - SAME_S))
    if after == len(view.t_s):
        return Place(None, 0.0, "")
    before = after if view.t_s[after] - t_s <= SAME_S else max(after - 1, 0)
    reason = view.reason[before] or view.reason[after]
    if reason:
        return Place(None, 0.0, f"not measured: {reason}")
    apart_s = float(view.t_s[after] - view.t_s[before])
    turned_rad = float(apart_rad(view.up_cam[before], view.up_cam[after]))
    if apart_s > CLOSE_S or turned_rad > CLOSE_RAD:
        return Place(None, 0.0, "")
    share = (t_s - view.t_s[before]) / apart_s if after > before else 0.0
    up = _between(view.up_cam[before], view.up_cam[after], share)
    normals = view.track.normals
    normal = None if normals is None else _between(normals[before], normals[after], share)
    level_deg = float(view.level_deg[before])
    tilt_deg = float(wrap_deg(np.degrees(angles_from_up(up)[0]) - level_deg))
    sd_deg = float((1 - share) * view.roll_sd_deg[before] + share * view.roll_sd_deg[after])
    seen_deg = abs(int(wrap_deg(level_deg + view.track.facts.rotation_deg)))
    words = lean_words(moment_lean(tilt_deg, sd_deg)) + POSES.get(seen_deg, "")
    return Place(up, math.radians(level_deg), words, normal)


def part_of(view: View, from_s: float, to_s: float) -> View:
    """What :func:`place_at` needs of a view for times from one to another: it goes to other processes."""
    ends = np.searchsorted(view.t_s, [from_s - SAME_S, to_s - SAME_S])
    rows = slice(max(int(ends[0]) - 1, 0), int(ends[1]) + 1)
    track = view.track
    normals = None if track.normals is None else track.normals[rows]
    return replace(
        view,
        track=replace(track, track=track.track[:0], yaw_rate=track.yaw_rate[:0], normals=normals),
        t_s=view.t_s[rows],
        frame=view.frame[rows],
        up_cam=view.up_cam[rows],
        level_deg=view.level_deg[rows],
        roll_sd_deg=view.roll_sd_deg[rows],
        reason=view.reason[rows],
    )


def _between(one: Array, other: Array, share: float) -> Array:
    """Unit vector between two; of a plane's normal the other sign is the same plane."""
    way = np.copysign(1.0, one @ other)
    vector = (1 - share) * one + share * way * other
    return np.asarray(vector / np.linalg.norm(vector))


def view_of(
    track: ClipTrack,
    lens: Lens,
    frames: pd.DataFrame,
    left_out: Sequence[tuple[float, float]],
) -> View:
    """A clip's view; ``frames`` and ``left_out`` (of the clip) as of :func:`attitude.review.look_through`."""
    looks = frames[frames["clip"] == track.clip]
    roll_deg, pitch_deg = looks["roll_deg"].to_numpy(float), looks["pitch_deg"].to_numpy(float)
    measured = np.isfinite(roll_deg)
    level_deg = np.full(len(looks), np.nan)
    if measured.any():
        tilt_deg, _ = tilt_about_pose(roll_deg[measured])
        level_deg[measured] = wrap_deg(np.round((roll_deg[measured] - tilt_deg) / 90) * 90)
    return View(
        track,
        lens,
        looks["t_s"].to_numpy(float),
        looks["frame"].to_numpy(np.int64),
        up_from_angles(np.radians(roll_deg), np.radians(pitch_deg)),
        level_deg,
        looks["roll_sd_deg"].to_numpy(float),
        tuple(looks["reason"]),
        tuple(left_out),
    )
