"""One log around the blocks that use it: its motion on an even grid, and every column on that grid.

Columns are complex, r_pitch - j r_roll in degrees per unit of the unknown, as in :mod:`attitude.filter`. A
sparse matrix averages grid samples over the frames of each block, so that the average is of what the frames
saw and not of the block's mean pose.

A log without a heading gets the pan rate that the picture shows, added up within each clip from 0; how the
camera turned between clips is not known then, so that the filter starts anew with every clip.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.sparse import csr_array

from attitude import filter as sensor_filter
from attitude.filter import Motion
from attitude.log import AttitudeLog, attitude_at

__all__ = ["AXES", "TURNS", "WARM_UP_S", "Stretch", "grid_columns", "stretch_of"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

DEG_PER_RAD = 180 / np.pi
GRID_HZ = (10.0, 50.0)
BACK_S = 200.0  # filter history before a clip that still matters for any time constant on the grid
START_MATTERS_S = 60.0
WARM_UP_S = 300.0
AXES = ("sideways", "vertical", "along_lens")
TURNS = ("pitch", "yaw", "roll")  # about camera right, down, forward


@dataclass(frozen=True)
class Stretch:
    """One log around the blocks that use it: its motion, and the average of grid samples over each block."""

    motion: Motion
    t_s: Array
    velocity_mps: Complex | None
    since_power_on_s: Array | None
    block_of_grid: csr_array  # (blocks of the model, grid samples)
    starts: tuple[int, ...]  # runs whose unknown start still matters
    name: str


def stretch_of(
    log: AttitudeLog,
    frames: pd.DataFrame,
    rows: NDArray[np.int_],
    block_count: int,
    pans: Mapping[str, pd.DataFrame],
) -> Stretch:
    """The log from ``BACK_S`` before its first used frame to the last, on an even grid.

    Parameters
    ----------
    frames, rows : used frames of this log as in ``Residuals.frames``, and the block that each belongs to.
    pans : clip -> pan rate off the picture, t_s, yaw_rate_dps; asked only where the log has no heading.
    """
    logged_s = log.table["t_s"].to_numpy(float)
    first_s, last_s = float(frames["log_t_s"].min()), float(frames["log_t_s"].max())
    start_s = max(logged_s[0], first_s - BACK_S)
    rate_hz = float(np.clip(1 / np.median(np.diff(logged_s)), *GRID_HZ)) if len(logged_s) > 1 else GRID_HZ[0]
    t_s = start_s + np.arange(int(np.ceil((last_s - start_s) * rate_hz - 1e-6)) + 1) / rate_hz
    pose = attitude_at(log, np.minimum(t_s, logged_s[-1]))
    known = np.isfinite(pose["roll_deg"].to_numpy(float))
    at = np.flatnonzero(known)
    held = at[np.clip(np.searchsorted(at, np.arange(len(t_s)), side="right") - 1, 0, None)]
    # A hole longer than a second hides motion that the filter felt: its state is unknown after it.
    gap = np.diff(at, prepend=at[0]) > rate_hz
    run = np.zeros(len(t_s), int)
    run[at[gap]] = 1
    run = np.cumsum(run)
    angles = {k: np.deg2rad(pose[f"{k}_deg"].to_numpy(float)[held]) for k in ("roll", "pitch", "yaw")}
    angles["roll"] = angles["roll"] - np.deg2rad(float(frames["log_turned_deg"].iloc[0]))
    if not log.has_yaw:
        angles["yaw"] = np.zeros(len(t_s))
        for clip, part in frames.groupby("clip", sort=False):
            inside = (t_s >= part["log_t_s"].min()) & (t_s <= part["log_t_s"].max())
            if inside.any():
                angles["yaw"][inside] = _panned_rad(pans.get(str(clip)), part, t_s[inside])
                run[np.argmax(inside) :] += 1
    motion = Motion(1 / rate_hz, angles["roll"], angles["pitch"], angles["yaw"], run.astype(np.intp))

    velocity = None
    if "velocity_north_mps" in log.table:
        north, east = (log.table[f"velocity_{k}_mps"].to_numpy(float) for k in ("north", "east"))
        fine = np.isfinite(north) & np.isfinite(east)
        if np.count_nonzero(fine) > 1:
            velocity = np.interp(t_s, logged_s[fine], north[fine]) + 1j * np.interp(
                t_s, logged_s[fine], east[fine]
            )
    since_s = None if log.powered_on_s is None else np.maximum(t_s - log.powered_on_s, 0.0)

    place = np.clip((frames["log_t_s"].to_numpy(float) - start_s) * rate_hz, 0, len(t_s) - 1)
    below = np.minimum(place.astype(int), max(len(t_s) - 2, 0))
    share = place - below
    above = np.minimum(below + 1, len(t_s) - 1)
    # Next to a hole only one neighbour is logged.
    share = np.where(~known[above], 0.0, np.where(~known[below], 1.0, share))
    weight = 1.0 / np.bincount(rows, minlength=block_count)[rows]
    mean = csr_array(
        (
            np.concatenate([weight * (1 - share), weight * share]),
            (np.concatenate([rows, rows]), np.concatenate([below, above])),
        ),
        shape=(block_count, len(t_s)),
    )
    first_seen = {int(k): np.min(below[run[below] == k]) for k in np.unique(run[below])}
    starts = tuple(
        k for k, seen in first_seen.items() if seen - np.argmax(run == k) < START_MATTERS_S * rate_hz
    )
    return Stretch(motion, t_s, velocity, since_s, mean, starts, log.name)


def _panned_rad(pan: pd.DataFrame | None, frames: pd.DataFrame, log_t_s: Array) -> Array:
    """Heading since the clip's first frame at log times, from the picture's pan rate; 0 without one."""
    pan = None if pan is None else pan.dropna()
    if pan is None or len(pan) < 2:
        return np.zeros(len(log_t_s))
    clip_t_s = np.interp(log_t_s, frames["log_t_s"], frames["t_s"])
    t_s, rate_dps = pan["t_s"].to_numpy(float), pan["yaw_rate_dps"].to_numpy(float)
    turned = np.concatenate([[0.0], np.cumsum(np.diff(t_s) * (rate_dps[1:] + rate_dps[:-1]) / 2)])
    return np.asarray(np.deg2rad(np.interp(clip_t_s, t_s, turned)))


def grid_columns(stretch: Stretch, tau_s: float, names: Sequence[str]) -> dict[str, Complex]:
    """Columns of one log's grid, residual per unit of each unknown, as r_pitch - j r_roll."""
    motion = stretch.motion
    offset = sensor_filter.offset_response(motion, tau_s)
    turned = sensor_filter.turned_camera(motion)
    gyro = sensor_filter.gyro_bias_response(motion, tau_s)
    skyline = sensor_filter.skyline_tilt(motion)
    out: dict[str, Complex] = {}
    for k in range(3):
        out[f"offset_{AXES[k]}"] = offset[:, k]
        out[f"mounting_{TURNS[k]}"] = turned[:, k]
        out[f"gyro_{TURNS[k]}"] = gyro[:, k]
    out["skyline_north"], out["skyline_east"] = skyline[:, 0], skyline[:, 1]
    for name in names:
        if name.startswith("skyline_cos"):
            out[name] = -1j * np.cos(int(name[11:]) * motion.yaw_rad)
        elif name.startswith("skyline_sin"):
            out[name] = -1j * np.sin(int(name[11:]) * motion.yaw_rad)
    if "gyro_turned_roll" in names:
        gyro_turned = sensor_filter.gyro_turned_response(motion, tau_s)
        gyro_scale = DEG_PER_RAD * sensor_filter.gyro_scale_response(motion, tau_s)
        for k in range(3):
            out[f"gyro_turned_{TURNS[k]}"] = gyro_turned[:, k]
            out[f"gyro_scale_{TURNS[k]}"] = gyro_scale[:, k]
    for run in stretch.starts:
        start = sensor_filter.start_response(motion, run, tau_s)
        out[f"start_north:{stretch.name}:{run}"] = start[:, 0]
        out[f"start_east:{stretch.name}:{run}"] = start[:, 1]
    if stretch.velocity_mps is not None and "turns" in names:
        out["turns"] = DEG_PER_RAD * sensor_filter.acceleration_response(motion, stretch.velocity_mps, tau_s)
    if stretch.since_power_on_s is not None and "warm_up_sideways" in names:
        fading = np.exp(-stretch.since_power_on_s / WARM_UP_S)[:, np.newaxis]
        # The offset fades far more slowly than the filter forgets, so fading and filter change places.
        for k in (0, 2):
            out[f"warm_up_{AXES[k]}"] = fading[:, 0] * offset[:, k]
    # r_pitch = log - footage: a horizon that lies deeper than assumed makes the footage read too low.
    out["dip"] = np.ones(len(motion.yaw_rad), complex)
    out["focal"] = np.rad2deg(np.sin(motion.pitch_rad) * np.cos(motion.pitch_rad)) + 0j
    return out
