"""The raw accelerometer of still stretches: the level that it reads itself, without the filter in between.

In a block in which the camera neither turns nor is pushed about, the mean reading points along the up vector,
but for the accelerometer's own errors. Beside the log it shows what the filter adds: a steady gyro bias above
all, which looks like a turned camera to everything else.

Still is what turns no quicker than a slow pan and, where ground velocity is logged, stands. What is left of
flying shows as blocks that differ from the others of their pose, and is left out with them.

The logged reading may be older than the calibration that the filter applies: then a constant stands between
the two, which does not pass through the filter and turns over with the sensor, as no gyro bias does. So it
takes a sensor that was turned over to tell the one from the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.log import AttitudeLog
from attitude.unknowns import RAW_DEG, UNCALIBRATED_DEG, Unknown
from horizon.angles import angles_from_up, wrap_deg

__all__ = ["Still", "still_blocks"]

Array = NDArray[np.float64]

COLUMNS = ["accel_right_g", "accel_down_g", "accel_forward_g"]
STILL_DPS, PANNED_DPS, STANDS_MPS = 1.0, 10.0, 0.5
SHAKEN_G, OFF_DEG, PUSHED_DEG = 0.05, 1.0, 5.0
FEWEST_READINGS = 4
OTHER_CONSTANTS_DEG = 1.0


@dataclass(frozen=True)
class Still:
    """Log minus raw accelerometer, deg, roll shortened by cos(pitch) as all residuals of roll.

    block : shape (k,), rows of the model's blocks. unknowns : by how much the logged reading may differ from
    what the filter is fed.
    """

    block: NDArray[np.intp]
    roll_deg: Array
    pitch_deg: Array
    unknowns: tuple[Unknown, ...]


def still_blocks(
    blocks: pd.DataFrame, frames: pd.DataFrame, rows: NDArray[np.int_], logs: Sequence[AttitudeLog]
) -> Still | None:
    """Blocks in which the accelerometer was logged and the camera was still; None where there are none.

    frames, rows : used frames as in ``Residuals.frames``, and the block that each belongs to.
    """
    if all(COLUMNS[0] not in log.table for log in logs):
        return None
    found: list[tuple[int, float, float, float]] = []
    for k in np.unique(rows):
        part, block = frames[rows == k], blocks.iloc[int(k)]
        log = logs[int(block["log_index"])]
        if (
            COLUMNS[0] not in log.table
            or block["shot"] in ("turns", "wiggle")
            or not _stands(part, block, log)
        ):
            continue
        reading = _within(log, part, COLUMNS)
        if len(reading) < FEWEST_READINGS or np.linalg.norm(reading.std(axis=0)) > SHAKEN_G:
            continue
        roll_rad, pitch_rad = angles_from_up(reading.mean(axis=0))
        turned_deg = float(part["log_turned_deg"].iloc[0])
        slope = np.cos(np.deg2rad(block["log_pitch_deg"]))
        roll_deg = slope * wrap_deg(block["log_roll_deg"] - (np.rad2deg(roll_rad) - turned_deg))
        pitch_deg = block["log_pitch_deg"] - np.rad2deg(pitch_rad)
        pose = 90.0 * round(float(block["log_roll_deg"]) / 90.0) % 360.0
        found.append((int(k), float(roll_deg), float(pitch_deg), pose))
    if not found:
        return None
    block_of, roll, pitch, poses = (np.array(one) for one in zip(*found, strict=True))
    usual = np.ones(len(poses), bool)
    for pose in np.unique(poses):
        own = poses == pose
        off = np.hypot(roll - np.median(roll[own]), pitch - np.median(pitch[own]))
        usual &= ~own | (off < OFF_DEG)
    if not usual.any():
        return None
    block_of, roll, pitch = block_of[usual], roll[usual], pitch[usual]
    apart_deg = float(np.median(np.hypot(roll, pitch)))
    if apart_deg > PUSHED_DEG:
        return None  # a circle, flown without a log of it: every block is pushed alike
    sd = RAW_DEG if apart_deg < OTHER_CONSTANTS_DEG else UNCALIBRATED_DEG
    unknowns = tuple(
        Unknown(f"raw_offset_{axis}", "", sd, sd) for axis in ("sideways", "vertical", "along_lens")
    )
    return Still(block_of.astype(np.intp), roll, pitch, unknowns)


def _stands(part: pd.DataFrame, block: pd.Series, log: AttitudeLog) -> bool:
    """Whether a block holds its attitude, pans slowly at most, and stands where ground velocity is logged."""
    yaw = np.unwrap(part["log_yaw_deg"].to_numpy(float), period=360.0)
    lasts_s = float(np.ptp(part["log_t_s"]))
    if block["rate_dps"] > STILL_DPS or lasts_s <= 0 or abs(yaw[-1] - yaw[0]) / lasts_s > PANNED_DPS:
        return False
    velocity = ["velocity_north_mps", "velocity_east_mps"]
    if velocity[0] not in log.table:
        return True
    return bool(np.nanmax(np.abs(_within(log, part, velocity)), initial=0.0) < STANDS_MPS)


def _within(log: AttitudeLog, part: pd.DataFrame, columns: Sequence[str]) -> Array:
    """Rows of a log between the first and the last frame of a block."""
    t_s = log.table["t_s"].to_numpy(float)
    inside = slice(*np.searchsorted(t_s, [part["log_t_s"].min(), part["log_t_s"].max()]))
    return log.table[list(columns)].to_numpy(float)[inside]
