"""One log around the blocks that use it: its motion on an even grid, and every column on that grid.

Columns are complex, r_pitch - j r_roll in degrees per unit of the unknown, as in :mod:`attitude.filter`. A
sparse matrix averages grid samples over the frames of each block, so that the average is of what the frames
saw and not of the block's mean pose.

Where the accelerometer is logged, its raw reading tells when a filter with a gate does not pull, and, without
logged ground velocity, how far acceleration takes the level along in turns.

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
from attitude.filter import FREE_FALL_MPS2, Drive, FilterKind, Motion
from attitude.log import AttitudeLog, attitude_at
from horizon.angles import rolled

__all__ = [
    "AXES",
    "TURNS",
    "UNFILTERED",
    "WARM_UP_S",
    "Setting",
    "Stretch",
    "grid_columns",
    "settled_temperature_c",
    "skyline_columns",
    "stretch_of",
    "turning_g",
]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

DEG_PER_RAD = 180 / np.pi
GRID_HZ = (10.0, 25.0)
BACK_S = 200.0  # filter history before a clip that still matters for any time constant on the grid
START_MATTERS_S = 60.0
WARM_UP_S = 300.0
AXES = ("sideways", "vertical", "along_lens")
TURNS = ("pitch", "yaw", "roll")  # about camera right, down, forward
COLD_C = 10.0  # what a unit of a temperature error stands for
FELT_S = 1.0
UNFILTERED = "unfiltered "
LATE_S = 10.0


@dataclass(frozen=True)
class Setting:
    """What the model is not linear in, tried value by value: the filter, and how fast the sensor warms up."""

    kind: FilterKind
    warm_up_s: float = WARM_UP_S


@dataclass(frozen=True)
class Stretch:
    """One log around the blocks that use it: its motion, and the average of grid samples over each block.

    felt : shape (n,), acceleration that the level may be taken along by, r_pitch - j r_roll in g. colder :
    how far the sensor is below its last temperature, in units of ``COLD_C``. None: not logged.
    """

    motion: Motion
    t_s: Array
    felt: Complex | None
    since_power_on_s: Array | None
    colder: Array | None
    block_of_grid: csr_array  # (blocks of the model, grid samples)
    starts: tuple[int, ...]  # runs whose unknown start still matters
    name: str

    def fading(self, warm_up_s: float) -> Array | None:
        """What is left of the warming up at grid times, 1 at power-on; None where that is not known."""
        return None if self.since_power_on_s is None else np.exp(-self.since_power_on_s / warm_up_s)


def stretch_of(
    log: AttitudeLog,
    frames: pd.DataFrame,
    rows: NDArray[np.int_],
    block_count: int,
    pans: Mapping[str, pd.DataFrame],
    warm_c: float | None = None,
) -> Stretch:
    """The log from ``BACK_S`` before its first used frame to the last, on an even grid.

    Parameters
    ----------
    frames, rows : used frames of this log as in ``Residuals.frames``, and the block that each belongs to.
    pans : clip -> pan rate off the picture, t_s, yaw_rate_dps; asked only where the log has no heading.
    warm_c : temperature at which the sensor counts as warm; None where it is not known.
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
    turned_rad = np.deg2rad(float(frames["log_turned_deg"].iloc[0]))
    angles["roll"] = angles["roll"] - turned_rad
    if not log.has_yaw:
        angles["yaw"] = np.zeros(len(t_s))
        for clip, part in frames.groupby("clip", sort=False):
            inside = (t_s >= part["log_t_s"].min()) & (t_s <= part["log_t_s"].max())
            if inside.any():
                angles["yaw"][inside] = _panned_rad(pans.get(str(clip)), part, t_s[inside])
                run[np.argmax(inside) :] += 1
    accel = _on_grid(log, ("accel_right_g", "accel_down_g", "accel_forward_g"), t_s)
    velocity = _on_grid(log, ("velocity_north_mps", "velocity_east_mps"), t_s)
    felt_g = None
    if accel is not None:
        accel = rolled(accel, turned_rad)
        felt_g = np.linalg.norm(accel, axis=1)
    elif velocity is not None:
        pushed = np.gradient(velocity, 1 / rate_hz, axis=0) / FREE_FALL_MPS2
        felt_g = np.sqrt(1 + np.sum(pushed**2, axis=1))
    motion = Motion(1 / rate_hz, angles["roll"], angles["pitch"], angles["yaw"], run.astype(np.intp), felt_g)
    felt = None
    if velocity is not None:
        drive = sensor_filter.acceleration_drive(motion, velocity[:, 0] + 1j * velocity[:, 1])
        felt = None if drive.target is None else drive.target[:, 0]
    elif accel is not None:
        # The believed level has no part in it but its own error, which is small beside a turn's.
        felt = np.sum(motion.level * accel, axis=1)
    warmth = _on_grid(log, ("temperature_c",), t_s)
    colder = None if warmth is None or warm_c is None else (warm_c - warmth[:, 0]) / COLD_C
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
    return Stretch(motion, t_s, felt, since_s, colder, mean, starts, log.name)


def _panned_rad(pan: pd.DataFrame | None, frames: pd.DataFrame, log_t_s: Array) -> Array:
    """Heading since the clip's first frame at log times, from the picture's pan rate; 0 without one."""
    pan = None if pan is None else pan.dropna()
    if pan is None or len(pan) < 2:
        return np.zeros(len(log_t_s))
    clip_t_s = np.interp(log_t_s, frames["log_t_s"], frames["t_s"])
    t_s, rate_dps = pan["t_s"].to_numpy(float), pan["yaw_rate_dps"].to_numpy(float)
    turned = np.concatenate([[0.0], np.cumsum(np.diff(t_s) * (rate_dps[1:] + rate_dps[:-1]) / 2)])
    return np.asarray(np.deg2rad(np.interp(clip_t_s, t_s, turned)))


def _on_grid(log: AttitudeLog, names: Sequence[str], t_s: Array) -> Array | None:
    """Logged columns at grid times, shape (n, names); None where one is not logged."""
    if any(name not in log.table for name in names):
        return None
    logged_s = log.table["t_s"].to_numpy(float)
    out = []
    for name in names:
        values = log.table[name].to_numpy(float)
        fine = np.isfinite(values)
        if np.count_nonzero(fine) < 2:
            return None
        out.append(np.interp(t_s, logged_s[fine], values[fine]))
    return np.stack(out, axis=1)


def settled_temperature_c(logs: Sequence[AttitudeLog]) -> float | None:
    """What the sensor has settled at: mean of the last ten seconds of the last log; None where not logged."""
    if not logs or any("temperature_c" not in log.table for log in logs):
        return None
    table = logs[-1].table
    late = table["t_s"] > table["t_s"].iloc[-1] - LATE_S
    return float(table.loc[late, "temperature_c"].mean())


def turning_g(stretch: Stretch) -> float:
    """Largest acceleration that lasts a second, g; 0 where nothing tells of it."""
    if stretch.felt is None:
        return 0.0
    width = max(1, round(FELT_S / stretch.motion.step_s))
    earth = stretch.felt * stretch.motion.to_earth
    return (
        float(np.abs(np.convolve(earth, np.ones(width) / width, "valid")).max())
        if len(earth) > width
        else 0.0
    )


def grid_columns(
    stretch: Stretch, settings: Sequence[Setting], names: Sequence[str]
) -> list[dict[str, Complex]]:
    """Columns of one log's grid per setting, residual per unit of each unknown, as r_pitch - j r_roll."""
    motion = stretch.motion
    labels: list[str] = []
    drives: list[list[Drive]] = []
    for setting in settings:
        one = _drives(stretch, setting, names)
        labels = [label for named, _ in one for label in named]
        drives.append([drive for _, drive in one])
    for run in stretch.starts:
        labels += [
            f"{kind}_{k}:{stretch.name}:{run}" for kind in ("start", "learned") for k in ("north", "east")
        ]
    found = []
    kinds = [setting.kind for setting in settings]
    instant = {
        warm_up_s: _instant(stretch, names, warm_up_s)
        for warm_up_s in {setting.warm_up_s for setting in settings}
    }
    responses = sensor_filter.respond(motion, kinds, drives, stretch.starts)
    for setting, fed in zip(settings, responses, strict=True):
        out = instant[setting.warm_up_s] | {label: fed[:, k] for k, label in enumerate(labels)}
        for k, turn in enumerate(TURNS):
            # The gyro rules fast motion, the level slow: what is turned is the one less the other.
            if f"gyro_turned_{turn}" in out:
                out[f"gyro_turned_{turn}"] = motion.turned[:, k] - out[f"gyro_turned_{turn}"]
        found.append(out)
    return found


def _drives(stretch: Stretch, setting: Setting, names: Sequence[str]) -> list[tuple[list[str], Drive]]:
    """Errors that go through the filter, each with the names of its columns."""
    motion, tau_s = stretch.motion, setting.kind.tau_s
    out = [
        ([f"offset_{axis}" for axis in AXES], sensor_filter.offset_drive(motion)),
        ([f"gyro_{turn}" for turn in TURNS], sensor_filter.gyro_bias_drive(motion, tau_s)),
    ]
    if "gyro_turned_roll" in names:
        scale = sensor_filter.gyro_scale_drive(motion)
        assert scale.rate_rps is not None
        out.append(([f"gyro_turned_{turn}" for turn in TURNS], Drive(target=motion.turned)))
        out.append(([f"gyro_scale_{turn}" for turn in TURNS], Drive(rate_rps=DEG_PER_RAD * scale.rate_rps)))
    if stretch.felt is not None and "turns" in names:
        out.append((["turns"], Drive(target=DEG_PER_RAD * stretch.felt[:, np.newaxis])))
    shown = (0, 2)  # what shows in roll and pitch of a level camera: sideways and along the lens
    fading = stretch.fading(setting.warm_up_s)
    if fading is not None and "warm_up_sideways" in names:
        level = Drive(target=fading[:, np.newaxis] * motion.level[:, shown])
        out.append(([f"warm_up_{AXES[k]}" for k in shown], level))
        warming = sensor_filter.gyro_bias_drive(motion, tau_s, fading)
        assert warming.rate_rps is not None
        out.append(([f"warm_up_gyro_{TURNS[k]}" for k in shown], Drive(rate_rps=warming.rate_rps[:, shown])))
    if stretch.colder is not None and "temperature_sideways" in names:
        cold = Drive(target=stretch.colder[:, np.newaxis] * motion.level[:, shown])
        out.append(([f"temperature_{AXES[k]}" for k in shown], cold))
    return out


def skyline_columns(yaw_rad: Array, names: Sequence[str]) -> dict[str, Complex]:
    """Tilt of the skyline, and of its harmonics those among ``names``, at headings (n,).

    A skyline of height h leans by dh / d heading: cos(k psi) in roll goes with -sin(k psi) / k in pitch.
    """
    tilt = sensor_filter.skyline_tilt(yaw_rad)
    out = {"skyline_north": tilt[:, 0], "skyline_east": tilt[:, 1]}
    for name in names:
        if name.startswith("skyline_cos"):
            k = int(name[11:])
            out[name] = -np.sin(k * yaw_rad) / k - 1j * np.cos(k * yaw_rad)
        elif name.startswith("skyline_sin"):
            k = int(name[11:])
            out[name] = np.cos(k * yaw_rad) / k - 1j * np.sin(k * yaw_rad)
    return out


def _instant(stretch: Stretch, names: Sequence[str], warm_up_s: float) -> dict[str, Complex]:
    """Columns that no filter delays; ``UNFILTERED`` those that the raw accelerometer shows."""
    motion = stretch.motion
    pose, fading = motion.level, stretch.fading(warm_up_s)
    out = skyline_columns(motion.yaw_rad, names)
    for k in range(3):
        out[f"mounting_{TURNS[k]}"] = motion.turned[:, k]
        # Sag and play follow the pull of gravity on the camera as an offset does, but at once.
        out[f"flex_{AXES[k]}"] = pose[:, k]
        out[f"{UNFILTERED}offset_{AXES[k]}"] = pose[:, k]
        if fading is not None:
            out[f"{UNFILTERED}warm_up_{AXES[k]}"] = fading * pose[:, k]
        if stretch.colder is not None:
            out[f"{UNFILTERED}temperature_{AXES[k]}"] = stretch.colder * pose[:, k]
    # r_pitch = log - footage: a horizon that lies deeper than assumed makes the footage read too low.
    out["dip"] = np.ones(len(motion.yaw_rad), complex)
    out["focal"] = np.rad2deg(np.sin(motion.pitch_rad) * np.cos(motion.pitch_rad)) + 0j
    return out
