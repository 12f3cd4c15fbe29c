"""Which shot each frame belongs to, read off the log's motion and the picture's.

A sheet need not say what was filmed, and many people film the whole protocol in one take. Every frame of a
clip gets one of the shots of the sheet, the first of these that fits, with the bounds as constants below:

1. upside_down : log and picture both within 30 deg of upside down.
2. turns : over ground faster than 3 m/s on a course that turns. Never without logged velocity.
3. half_turn : 120 to 270 deg of heading at a stroke, more than 120 within 8 s, and the still hold after it,
   at most 25 s. What goes on turning is no half turn: a circle flown without logged velocity looks like one.
4. pan : at least 90 deg of heading at a steady 2 to 20 deg/s.
5. wiggle : three or more quick tilts to and fro, and the quick pans next to them.
6. tilt : a slow sweep of the pitch over at least 15 deg.
7. hover : nothing moves for at least 5 s, and the camera is the right way up.

The rest is "ordinary". The motion is the log's own between the clip's first and last frame, so that frames
without a horizon leave no holes. Where the log has no heading, the pan rate that the picture shows takes its
place, and where there is none of that either, shots that need a heading are not found.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.log import AttitudeLog, attitude_at
from horizon.angles import wrap_deg

__all__ = ["ORDINARY", "move_words", "moves"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

ORDINARY = "ordinary"
GRID_HZ = 10.0
NEAR_POSE_DEG = 30.0
STEEP_DEG = 60.0  # closer to the vertical a heading means little

HOVER_S, STILL_DPS, STILL_YAW_DPS = 5.0, 1.0, 2.0
PAN_DEG, PAN_DPS, STEADY = 90.0, (2.0, 20.0), (0.5, 1.5)
HALF_TURN_DEG, HALF_TURN_S, HOLD_S = (120.0, 270.0), 8.0, (3.0, 25.0)
TURNING_DPS = 5.0
FAST_MPS, COURSE_DPS, COURSE_DEG = 3.0, 5.0, 30.0
TILT_DEG, TILT_DPS = 15.0, (0.4, 10.0)
QUICK_TILT_DPS, QUICK_TILT_DEG, FEWEST_TILTS = 6.0, (5.0, 20.0), 3
QUICK_PAN_DPS, QUICK_PAN_DEG = 12.0, (15.0, 60.0)
NEXT_S = 3.0  # quick tilts and pans farther apart are not of one wiggle

WORDS = {
    "hover": "a hover",
    "pan": "a pan",
    "upside_down": "upside down",
    "half_turn": "a half turn",
    "turns": "flown in turns",
    "tilt": "a tilt",
    "wiggle": "a wiggle",
}
SHORTEST_TOLD_S, MOST_TOLD = 2.0, 8


@dataclass(frozen=True)
class _Motion:
    """What the log says of one clip on an even grid, one entry per sample.

    t_s : log time. Angles unbroken, deg; known : whether the log has an attitude there; heading : whether a
    heading is known too. speed_mps, course_dps : over ground, None where no velocity is logged.
    """

    t_s: Array
    roll_deg: Array
    pitch_deg: Array
    yaw_deg: Array
    known: Mask
    heading: Mask
    rounding_deg: float
    speed_mps: Array | None
    course_dps: Array | None


def moves(frames: pd.DataFrame, log: AttitudeLog, yaw_rate: pd.DataFrame) -> NDArray[np.object_]:
    """Shot of every frame of one clip, shape (n,).

    Parameters
    ----------
    frames : t_s, log_t_s, roll_deg (the picture's), log_turned_deg of one clip, in order of time.
    log : the log that the clip was placed in.
    yaw_rate : pan rate off the picture, columns t_s, yaw_rate_dps; used where the log has no heading.
    """
    if len(frames) < 2:
        return np.full(len(frames), ORDINARY, object)
    motion = _motion(frames, log, yaw_rate)
    labels = np.full(len(motion.t_s), ORDINARY, object)
    upright = _near(motion.roll_deg, 0.0)
    still = _still(motion)
    for shot, found in (
        ("hover", _hovers(motion, still & upright)),
        ("tilt", _tilts(motion)),
        ("wiggle", _wiggles(motion)),
        ("pan", _pans(motion)),
        ("half_turn", _half_turns(motion, still & upright)),
        ("turns", _turns(motion)),
    ):
        labels[found & motion.known] = shot
    over = _near(motion.roll_deg, 180.0)
    labels[over] = ORDINARY
    place = np.round((frames["log_t_s"].to_numpy(float) - motion.t_s[0]) * GRID_HZ).astype(int)
    place = np.clip(place, 0, len(motion.t_s) - 1)
    out = np.asarray(labels[place], object)
    seen_over = _near(frames["roll_deg"].to_numpy(float), 180.0)
    out[over[place] & motion.known[place] & seen_over] = "upside_down"
    return out


def move_words(clip: str, t_s: Array, shots: NDArray[np.object_]) -> str:
    """One sentence on which shots were found when; empty where none was.

    Parameters
    ----------
    t_s : array, shape (n,)
        Time in the clip, rising. shots : shot of each frame, shape (n,).
    """
    starts = np.flatnonzero(shots != np.roll(shots, 1))
    starts = np.union1d(starts, [0]).astype(int)
    told = []
    for start, end in zip(starts, np.append(starts[1:], len(shots)), strict=True):
        from_s, to_s = t_s[start], t_s[end - 1]
        if shots[start] != ORDINARY and to_s - from_s >= SHORTEST_TOLD_S:
            told.append(f"{from_s:.0f} to {to_s:.0f} s is {WORDS[shots[start]]}")
    if not told:
        return ""
    more = len(told) - MOST_TOLD
    return f"{clip}: {', '.join(told[:MOST_TOLD])}" + (f", and {more} more shots" if more > 0 else "")


def _near(roll_deg: Array, pose_deg: float) -> Mask:
    return np.asarray(np.abs(wrap_deg(roll_deg - pose_deg)) < NEAR_POSE_DEG)


def _motion(frames: pd.DataFrame, log: AttitudeLog, yaw_rate: pd.DataFrame) -> _Motion:
    frame_s = frames["log_t_s"].to_numpy(float)
    t_s = frame_s[0] + np.arange(int((frame_s[-1] - frame_s[0]) * GRID_HZ) + 2) / GRID_HZ
    # The grid may end a step after the log does.
    pose = attitude_at(log, np.minimum(t_s, frame_s[-1]))
    known = np.isfinite(pose["roll_deg"].to_numpy(float))
    angles = {}
    for name in ("roll_deg", "pitch_deg", "yaw_deg"):
        angle_deg = np.unwrap(pose[name].to_numpy(float)[known], period=360.0)
        angles[name] = np.interp(t_s, t_s[known], angle_deg)
    angles["roll_deg"] -= float(frames["log_turned_deg"].iloc[0])
    heading = known & (np.abs(angles["pitch_deg"]) < STEEP_DEG)
    if not log.has_yaw:
        clip_t_s = np.interp(t_s, frame_s, frames["t_s"].to_numpy(float))
        angles["yaw_deg"], panned = _panned(clip_t_s, yaw_rate)
        heading &= panned
    speed_mps, course_dps = _over_ground(t_s, log)
    return _Motion(
        t_s, **angles, known=known, heading=heading, rounding_deg=log.rounding_deg,
        speed_mps=speed_mps, course_dps=course_dps,
    )  # fmt: skip


def _panned(t_s: Array, yaw_rate: pd.DataFrame) -> tuple[Array, Mask]:
    """Heading since the first time, deg, from the picture's pan rate, and where that was read."""
    rates = yaw_rate.dropna()
    if len(rates) < 2:
        return np.zeros(len(t_s)), np.zeros(len(t_s), bool)
    known_s = rates["t_s"].to_numpy(float)
    # Two pictures that were matched wrongly stand out alone.
    rate_dps = rates["yaw_rate_dps"].rolling(5, center=True, min_periods=1).median().to_numpy(float)
    after = np.clip(np.searchsorted(known_s, t_s), 1, len(known_s) - 1)
    near_s = np.minimum(np.abs(t_s - known_s[after - 1]), np.abs(known_s[after] - t_s))
    heading_deg = np.cumsum(np.interp(t_s, known_s, rate_dps)) / GRID_HZ
    return np.asarray(heading_deg), np.asarray(near_s <= 1.0)


def _over_ground(t_s: Array, log: AttitudeLog) -> tuple[Array | None, Array | None]:
    """Speed, m/s, and how fast the course turns, deg/s: v x a / v^2 with a over two seconds."""
    names = ["velocity_north_mps", "velocity_east_mps"]
    if not set(names) <= set(log.table):
        return None, None
    table = log.table.dropna(subset=names)
    if len(table) < 2:
        return None, None
    north, east = (np.interp(t_s, table["t_s"], table[name]) for name in names)
    speed2 = north**2 + east**2
    turning = north * _rate(east, 1.0) - east * _rate(north, 1.0)
    return np.sqrt(speed2), np.rad2deg(turning / np.maximum(speed2, 0.01))


def _rate(value: Array, half_s: float) -> Array:
    """Change per second between ``half_s`` before and after each sample, fewer at the ends."""
    n, half = len(value), round(half_s * GRID_HZ)
    before, after = np.maximum(np.arange(n) - half, 0), np.minimum(np.arange(n) + half, n - 1)
    return np.asarray((value[after] - value[before]) / ((after - before) / GRID_HZ))


def _runs(mask: Mask) -> Iterator[slice]:
    """Unbroken runs of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int)))
    for start, end in edges.reshape(-1, 2).tolist():
        yield slice(start, end)


def _closed(mask: Mask, gap_s: float) -> Mask:
    """The mask with breaks of at most ``gap_s`` between its runs filled."""
    out = mask.copy()
    for gap in _runs(~mask):
        if gap.start > 0 and gap.stop < len(mask) and gap.stop - gap.start <= gap_s * GRID_HZ:
            out[gap] = True
    return out


def _lasts_s(run: slice) -> float:
    return float(run.stop - run.start) / GRID_HZ


def _still(motion: _Motion) -> Mask:
    """Where nothing moves; a rounded angle may step to and fro."""
    slow = motion.heading & (np.abs(_rate(motion.yaw_deg, 0.5)) < STILL_YAW_DPS + motion.rounding_deg)
    for angle_deg in (motion.roll_deg, motion.pitch_deg):
        slow &= np.abs(_rate(angle_deg, 0.5)) < STILL_DPS + motion.rounding_deg
    if motion.speed_mps is not None:
        slow &= motion.speed_mps < FAST_MPS
    return _closed(slow, 0.5)


def _hovers(motion: _Motion, still: Mask) -> Mask:
    out = np.zeros(len(still), bool)
    for run in _runs(still):
        out[run] = _lasts_s(run) >= HOVER_S
    return out


def _pans(motion: _Motion) -> Mask:
    rate_dps = _rate(motion.yaw_deg, 1.0)
    out = np.zeros(len(rate_dps), bool)
    for way in (1.0, -1.0):
        turning = motion.heading & (way * rate_dps >= PAN_DPS[0]) & (way * rate_dps <= PAN_DPS[1])
        for run in _runs(_closed(turning, 1.0)):
            share = way * rate_dps[run] / np.median(way * rate_dps[run])
            steady = np.zeros(len(out), bool)
            steady[run] = (share > STEADY[0]) & (share < STEADY[1])
            for part in _runs(_closed(steady, 2.0)):
                out[part] = abs(motion.yaw_deg[part.stop - 1] - motion.yaw_deg[part.start]) >= PAN_DEG
    return out


def _half_turns(motion: _Motion, still: Mask) -> Mask:
    rate_dps = _rate(motion.yaw_deg, 0.5)
    out = np.zeros(len(rate_dps), bool)
    holds = list(_runs(still))
    for way in (1.0, -1.0):
        for run in _runs(_closed(motion.heading & (way * rate_dps > TURNING_DPS), 0.5)):
            yaw = way * motion.yaw_deg[run]
            within = np.minimum(np.arange(len(yaw)) + round(HALF_TURN_S * GRID_HZ), len(yaw) - 1)
            quick = np.max(yaw[within] - yaw) > HALF_TURN_DEG[0] and np.max(way * rate_dps[run]) > PAN_DPS[1]
            if not quick or yaw[-1] - yaw[0] > HALF_TURN_DEG[1]:
                continue
            for hold in holds:
                if abs(hold.start - run.stop) <= 2 * GRID_HZ and _lasts_s(hold) >= HOLD_S[0]:
                    out[run.start : min(hold.stop, run.stop + round(HOLD_S[1] * GRID_HZ))] = True
    return out


def _turns(motion: _Motion) -> Mask:
    out = np.zeros(len(motion.t_s), bool)
    if motion.speed_mps is None or motion.course_dps is None:
        return out
    fast = motion.speed_mps > FAST_MPS
    # In a figure of eight the course stands still for a moment between the circles.
    turning = _closed(fast & (np.abs(motion.course_dps) > COURSE_DPS), 4.0) & fast
    for run in _runs(turning):
        out[run] = np.abs(motion.course_dps[run]).sum() / GRID_HZ >= COURSE_DEG
    return out


def _tilts(motion: _Motion) -> Mask:
    rate_dps = np.abs(_rate(motion.pitch_deg, 1.0))
    out = np.zeros(len(rate_dps), bool)
    slow = motion.known & (rate_dps > TILT_DPS[0]) & (rate_dps < TILT_DPS[1])
    for run in _runs(_closed(slow, 3.0)):
        out[run] = np.ptp(motion.pitch_deg[run]) >= TILT_DEG
    return out


def _wiggles(motion: _Motion) -> Mask:
    out = np.zeros(len(motion.t_s), bool)
    tilts = _strokes(motion.pitch_deg, motion.known, QUICK_TILT_DPS, QUICK_TILT_DEG)
    pans = _strokes(motion.yaw_deg, motion.heading, QUICK_PAN_DPS, QUICK_PAN_DEG)
    for group in _groups(tilts):
        if len(group) < FEWEST_TILTS:
            continue
        start, end = group[0].start, group[-1].stop
        for beside in _groups(pans):
            first, last = beside[0].start, beside[-1].stop
            if len(beside) > 1 and first - end <= NEXT_S * GRID_HZ and start - last <= NEXT_S * GRID_HZ:
                start, end = min(start, first), max(end, last)
        out[start:end] = True
    return out


def _strokes(angle_deg: Array, known: Mask, least_dps: float, swing_deg: tuple[float, float]) -> list[slice]:
    """Quick movements one way, by an angle within ``swing_deg``, in order of time."""
    rate_dps = _rate(angle_deg, 0.2)
    found = []
    for way in (1.0, -1.0):
        for run in _runs(known & (way * rate_dps > least_dps)):
            if swing_deg[0] <= abs(angle_deg[run.stop - 1] - angle_deg[run.start]) <= swing_deg[1]:
                found.append(run)
    return sorted(found, key=lambda run: int(run.start))


def _groups(strokes: list[slice]) -> list[list[slice]]:
    """Strokes that follow each other within ``NEXT_S``."""
    groups: list[list[slice]] = []
    for stroke in strokes:
        if groups and stroke.start - groups[-1][-1].stop <= NEXT_S * GRID_HZ:
            groups[-1].append(stroke)
        else:
            groups.append([stroke])
    return groups
