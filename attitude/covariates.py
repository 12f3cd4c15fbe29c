"""Each block's lean beside what it may depend on, and what the causes found make of it.

Lean of a block: footage minus log, -r_roll / cos(pitch), for r_roll is shortened by cos(pitch). Beside it
what the log tells of the moment: heading, tilt, time since power-on, acceleration to the side, temperature.

Many things change at once in real footage, and one cause would hide another. So against each covariate the
lean is also given with the doing of the others taken off, as the fitted model has it (partial residuals,
Larsen and McCleary, Technometrics 1972; from memory): the settled lean of the pose, plus the cause that goes
by that covariate, plus what the model leaves open. Taken off are turns, what the filter has not followed yet
and the gyro's part in motion, all of which are 0 at rest; of the skyline and of warming up only how they vary
within a pose, since their mean may not be told from a turned camera or an offset.

What is expected leaves out the errors of the measuring (line, clock, lens): it is what the rig does. Weighted
mixture over the filter settings as everywhere: E = sum w m, u^2 = sum w (g C g' + (m - E)^2), inflated, with
the floor added.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.filter import FREE_FALL_MPS2, pose_of_offset
from attitude.log import AttitudeLog
from attitude.picture import DELIBERATE_DEG, tilt_about_pose
from attitude.solution import Solution, at_rest
from attitude.stretch import AXES, TURNS, Setting
from attitude.unknowns import INFLATE
from horizon.angles import tangent_frame

__all__ = ["CAUSE_OF", "COLUMNS", "Covariates", "covariates"]

Array = NDArray[np.float64]

# Covariate -> the cause that goes by it; what tilt shows is in the settled lean of the pose.
CAUSE_OF = {
    "heading_deg": "ground_not_level",
    "tilt_deg": "none",
    "since_power_on_s": "warm_up",
    "sideways_mps2": "turns",
    "temperature_c": "warm_up",
}
LASTING = ("ground_not_level", "warm_up")  # not 0 at rest
VARYING = (*LASTING, "turns")
COLUMNS = ["clip", "t_s", "shot", "pose_deg", "lean_deg", "lean_sd_deg", "expected_deg", "expected_sd_deg"]
COLUMNS += CAUSE_OF
# Beginnings of the names of what the measuring does wrong, and not the rig.
MEASURING = ("line_", "lag:", "clip_", "dip", "focal", "lens_axis:", "raw_", "bench_")
STEEP_DEG = 60.0  # closer to the vertical roll and heading mean little


@dataclass(frozen=True)
class Covariates:
    """Blocks that the solution used, but for those rolled on purpose or looking steeply up or down.

    blocks : ``COLUMNS``, NaN where something is not known. t_s is that of the clip as filmed. pose_deg : 0,
    180 or +-90, about which the log is nearest. lean_deg : right side down +; lean_sd_deg : of the line, its
    shared part included. heading_deg : 0 to 360. tilt_deg : lens up +. sideways_mps2 : over ground, to the
    right +.
    alone : covariate -> lean_deg, expected_deg and expected_sd_deg of the same blocks with the doing of the
    other causes taken off.
    """

    blocks: pd.DataFrame
    alone: Mapping[str, pd.DataFrame]


def covariates(solution: Solution, logs: Sequence[AttitudeLog]) -> Covariates:
    """What the lean may depend on, block by block. logs : those that the solution was made from."""
    model = solution.model
    blocks, n = model.blocks, len(model.blocks)
    roll_deg, tilt_deg = (blocks[f"log_{axis}_deg"].to_numpy(float) for axis in ("roll", "pitch"))
    off_deg, pose_deg = np.zeros(n), np.zeros(n)
    for rows in blocks.groupby("clip", sort=False).indices.values():
        off_deg[rows], pose_deg[rows] = tilt_about_pose(roll_deg[rows])
    kept = (np.abs(tilt_deg) <= STEEP_DEG) & (np.abs(off_deg) <= DELIBERATE_DEG)
    # What leans the footage by + lowers log - footage, which is shortened by cos(pitch).
    as_lean = -1 / np.cos(np.deg2rad(tilt_deg))
    r_deg = blocks["r_roll_deg"].to_numpy(float)
    # What is not linear was taken off before the fit.
    bent_deg = (model.residual_deg - solution.y_deg)[:n]
    line_sd_deg = np.hypot(*(blocks[f"{of}roll_sd_deg"].to_numpy(float) for of in ("", "shared_")))
    whole = [_rig_columns(solution, columns) for columns in solution.columns]
    settled = [_settled(solution, one, A) for one, A in zip(solution.settings, whole, strict=True)]
    mean_deg, sd_deg = _mixed(solution, whole)
    table = blocks[["clip", "t_s", "shot"]].assign(
        pose_deg=pose_deg,
        lean_deg=as_lean * r_deg,
        lean_sd_deg=np.abs(as_lean) * line_sd_deg,
        expected_deg=as_lean * (mean_deg + bent_deg),
        expected_sd_deg=np.abs(as_lean) * sd_deg,
        **_told(solution, logs),
    )
    alone = {}
    for covariate, cause in CAUSE_OF.items():
        of = np.array([unknown.cause for unknown in model.unknowns])
        shown_too = (of == cause) | ~np.isin(of, VARYING)
        only_mean = np.isin(of, LASTING) & (of != cause)
        shown = [S * shown_too + _means_of(S * only_mean, np.abs(pose_deg)) for S in settled]
        taken_off_deg, _ = _mixed(solution, [A - G for A, G in zip(whole, shown, strict=True)])
        mean_deg, sd_deg = _mixed(solution, shown)
        alone[covariate] = pd.DataFrame(
            {
                "lean_deg": as_lean * (r_deg - taken_off_deg),
                "expected_deg": as_lean * (mean_deg + bent_deg),
                "expected_sd_deg": np.abs(as_lean) * sd_deg,
            }
        )[kept].reset_index(drop=True)
    return Covariates(table.loc[kept, COLUMNS].reset_index(drop=True), alone)


def _told(solution: Solution, logs: Sequence[AttitudeLog]) -> dict[str, Array]:
    """The covariates of each block, NaN where not known."""
    blocks = solution.model.blocks
    log_index = blocks["log_index"].to_numpy(int)
    out = {name: np.full(len(blocks), np.nan) for name in CAUSE_OF}
    out["tilt_deg"] = blocks["log_pitch_deg"].to_numpy(float)
    for k, stretch in zip(sorted(set(log_index.tolist())), solution.model.stretches, strict=True):
        own, log = log_index == k, logs[k]
        if log.has_yaw:
            out["heading_deg"][own] = blocks["log_yaw_deg"].to_numpy(float)[own] % 360.0
        if stretch.since_power_on_s is not None:
            out["since_power_on_s"][own] = (stretch.block_of_grid @ stretch.since_power_on_s)[own]
        if stretch.felt is not None:
            # In g as r_pitch - j r_roll: what pulls to the right lowers r_roll.
            out["sideways_mps2"][own] = FREE_FALL_MPS2 * (stretch.block_of_grid @ stretch.felt.imag)[own]
        if "temperature_c" in log.table and (known := log.table[["t_s", "temperature_c"]].dropna()).size:
            at_s, logged_s, logged_c = (
                part.to_numpy(float)
                for part in (blocks["log_t_s"][own], known["t_s"], known["temperature_c"])
            )
            out["temperature_c"][own] = np.interp(at_s, logged_s, logged_c)
    return out


def _rig_columns(solution: Solution, columns: Array) -> Array:
    """Roll rows of the blocks, (n, unknowns), without what the measuring does wrong."""
    rig = np.array([not name.startswith(MEASURING) for name in solution.model.names])
    return np.asarray(columns[: len(solution.model.blocks)] * rig)


def _settled(solution: Solution, setting: Setting, columns: Array) -> Array:
    """What the filter makes of everything but turns and skyline at rest in each block's pose, (n, unknowns).

    columns : the rig's. What has none at rest, as the filter's start or the gyro's scale, is 0.
    """
    model, names = solution.model, solution.model.names
    pose = [np.deg2rad(model.blocks[f"log_{axis}_deg"].to_numpy(float)) for axis in ("roll", "pitch")]
    e_roll, e_pitch = tangent_frame(*pose)
    level, turned = pose_of_offset(*pose), e_roll + 1j * e_pitch
    n = len(model.blocks)
    fading, colder = np.zeros(n), np.zeros(n)
    for one in model.stretches:
        left = one.fading(setting.warm_up_s)
        fading += 0.0 if left is None else one.block_of_grid @ left
        colder += 0.0 if one.colder is None else one.block_of_grid @ one.colder
    out = np.where(
        [unknown.cause in ("turns", "ground_not_level") for unknown in model.unknowns], columns, 0.0
    )
    for k in range(3):
        for name, column in (
            (f"offset_{AXES[k]}", level[:, k]),
            (f"flex_{AXES[k]}", level[:, k]),
            (f"warm_up_{AXES[k]}", fading * level[:, k]),
            (f"temperature_{AXES[k]}", colder * level[:, k]),
            (f"mounting_{TURNS[k]}", turned[:, k]),
            (f"gyro_{TURNS[k]}", turned[:, k]),
            (f"warm_up_gyro_{TURNS[k]}", fading * turned[:, k]),
        ):
            if name in names:
                out[:, names.index(name)] = -column.imag
    return at_rest(out, names, setting)


def _means_of(columns: Array, group: Array) -> Array:
    """Rows (n, unknowns) replaced by the mean row of their group, shape (n,)."""
    _, number, count = np.unique(group, return_inverse=True, return_counts=True)
    own = number == np.arange(len(count))[:, np.newaxis]
    return np.asarray((own @ columns / count[:, np.newaxis])[number])


def _mixed(solution: Solution, columns: Sequence[Array]) -> tuple[Array, Array]:
    """Mean and reported sd, deg, of columns (n, unknowns) times the unknowns, one set for each setting."""
    means = np.stack([G @ fit.mean for G, fit in zip(columns, solution.fits, strict=True)])
    within = [np.sum((G @ fit.cov) * G, axis=1) for G, fit in zip(columns, solution.fits, strict=True)]
    mean = np.asarray(solution.weights @ means)
    variance = solution.weights @ (np.stack(within) + (means - mean) ** 2)
    return mean, np.asarray(np.sqrt(INFLATE**2 * variance + solution.floor_deg**2))
