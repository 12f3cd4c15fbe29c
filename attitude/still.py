"""The raw accelerometer of still stretches: the level that it reads itself, without the filter in between.

In a block in which the camera neither turns nor is pushed about, the mean reading points along the up vector,
but for the accelerometer's own errors. Beside the log it shows what the filter adds: a steady gyro bias above
all, which looks like a turned camera to everything else.

The logged reading may be older than the calibration that the filter applies. Where log and reading differ by
more than gyro terms can explain, they are taken for two different sets of constants, and only what changes
between poses is believed.
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
STILL_DPS = 1.0
SIZE_G, SHAKEN_G = 0.02, 0.05
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
    found: list[tuple[int, float, float]] = []
    sizes: list[float] = []
    for k in np.unique(rows):
        part, block = frames[rows == k], blocks.iloc[int(k)]
        log = logs[int(block["log_index"])]
        if (
            block["rate_dps"] > STILL_DPS
            or block["shot"] in ("turns", "wiggle")
            or COLUMNS[0] not in log.table
        ):
            continue
        t_s = log.table["t_s"].to_numpy(float)
        inside = slice(*np.searchsorted(t_s, [part["log_t_s"].min(), part["log_t_s"].max()]))
        reading = log.table[COLUMNS].to_numpy(float)[inside]
        if len(reading) < FEWEST_READINGS or np.linalg.norm(reading.std(axis=0)) > SHAKEN_G:
            continue
        mean = reading.mean(axis=0)
        roll_rad, pitch_rad = angles_from_up(mean)
        turned_deg = float(part["log_turned_deg"].iloc[0])
        slope = np.cos(np.deg2rad(block["log_pitch_deg"]))
        roll_deg = slope * wrap_deg(block["log_roll_deg"] - (np.rad2deg(roll_rad) - turned_deg))
        found.append((int(k), float(roll_deg), float(block["log_pitch_deg"] - np.rad2deg(pitch_rad))))
        sizes.append(float(np.linalg.norm(mean)))
    if not found:
        return None
    # Pushed along, the camera feels more than its weight; what is usual is the sensor's own scale.
    usual = np.abs(np.array(sizes) - np.median(sizes)) < SIZE_G
    block_of, roll, pitch = (np.array(one)[usual] for one in zip(*found, strict=True))
    apart_deg = float(np.median(np.hypot(roll, pitch)))
    sd = RAW_DEG if apart_deg < OTHER_CONSTANTS_DEG else UNCALIBRATED_DEG
    unknowns = tuple(
        Unknown(f"raw_offset_{axis}", "", sd, sd) for axis in ("sideways", "vertical", "along_lens")
    )
    return Still(block_of.astype(np.intp), roll, pitch, unknowns)
