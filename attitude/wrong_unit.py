"""Degrees read as radians, or the reverse, noticed beside the footage.

Numbers alone tell the unit only where they are large or wrap. Where the camera moved, the picture tells: its
angles then go with the log's, and 180 / pi times as far, or as little.
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from attitude.clock import ClockFit
from attitude.entries import OTHER_BODIES
from attitude.log import AttitudeLog, attitude_at
from attitude.mapping import LogError
from attitude.sheet import Shoot
from horizon.angles import wrap_deg
from horizon.measure import ClipTrack

__all__ = ["refuse_wrong_unit"]

Array = NDArray[np.float64]

DEG_PER_RAD = 180 / math.pi
# Motion that tells: so many looks, so alike, and beyond what waves, noise and play amount to.
FEWEST, ALIKE, MOVED_DEG = 20, 0.8, 0.5
RANGED_DEG = 4.0  # what a clip must cover where it has no place in the log
NEAR = 1.5  # factor within which the ratio of the motions is that of the units
# What the log's angles are read as -> what they are, and how much farther the picture then moves.
MISREAD = {"deg": ("rad", DEG_PER_RAD), "rad": ("deg", 1 / DEG_PER_RAD)}


def refuse_wrong_unit(
    tracks: Sequence[ClipTrack], logs: Sequence[AttitudeLog], clocks: Sequence[ClockFit], shoot: Shoot
) -> None:
    """Refuse a log whose angles move with the picture, but in the other unit.

    Raises
    ------
    LogError
        The log, the clip that tells, and the entry that mends it.
    """
    clock_of = {} if shoot.stabilised else {clock.clip: clock for clock in clocks}
    for track in tracks:
        clock = clock_of.get(track.clip)
        if clock is None:
            continue
        sheet, log = shoot.logs[clock.log_index], logs[clock.log_index]
        if sheet.attitude_of in OTHER_BODIES:
            continue
        if sheet.quaternion is not None or not isinstance(sheet.angle_unit, str):
            continue
        right, expected = MISREAD[sheet.angle_unit]
        for name in ("pitch_deg", "roll_deg") if track.tells_pitch else ("roll_deg",):
            picture_deg = track.track[name].to_numpy(float)
            if clock.offset_s is None or clock.sd_s is None:
                # Only a log that is the camera's own must move as far as the picture, wherever it lies.
                if sheet.attitude_of != "camera_sensor":
                    continue
                times = _range_as_far(picture_deg, log.table[name].to_numpy(float))
            else:
                there = attitude_at(log, track.track["t_s"].to_numpy(float) + clock.offset_s)
                times = _times_as_far(picture_deg, there[name].to_numpy(float))
            if times is not None and expected / NEAR < times < expected * NEAR:
                part = f"{times:.0f} times as far as" if times > 1 else f"1 / {1 / times:.0f} as far as"
                raise LogError(
                    f"{log.name}: the picture of {track.clip} moves {part} the angles read from it in "
                    f'{sheet.angle_unit}; write angle_unit = "{right}" in its [[log]]'
                )


def _range_as_far(picture_deg: Array, log_deg: Array) -> float | None:
    """The same of all that the log holds, for a clip that found no place in a log that hardly moves."""
    seen_deg = picture_deg[np.isfinite(picture_deg)]
    if len(seen_deg) < FEWEST:
        return None
    ranges = [float(np.ptp(wrap_deg(one - np.median(one)))) for one in (seen_deg, log_deg)]
    return ranges[0] / ranges[1] if ranges[0] > RANGED_DEG and ranges[1] > 0 else None


def _times_as_far(picture_deg: Array, log_deg: Array) -> float | None:
    """How many times as far as the log's an angle moves in the picture; None where nothing tells."""
    both = np.isfinite(picture_deg) & np.isfinite(log_deg)
    if np.count_nonzero(both) < FEWEST:
        return None
    seen, told = (wrap_deg(one[both] - np.median(one[both])) for one in (picture_deg, log_deg))
    seen, told = seen - np.mean(seen), told - np.mean(told)
    sizes = float(np.std(seen)), float(np.std(told))
    if sizes[0] < MOVED_DEG or sizes[1] == 0.0:
        return None
    alike = float(np.mean(seen * told)) / (sizes[0] * sizes[1])
    return sizes[0] / sizes[1] if abs(alike) >= ALIKE else None
