"""From residuals to estimates, to causes, to what stays open.

Numbers come from one linear Gaussian model with every unknown free within its *wide* prior
(:mod:`attitude.causes`, :mod:`attitude.solution`). Reported uncertainty: u_report^2 = (1.4 u)^2 + floor^2,
with two floors. ``PICTURE_SD_DEG`` in what turns with the camera: the horizon's own error (lens, rolling
shutter) and the log's rounding. ``OFFSET_SD_DEG`` between offset and mounting: plate sag and play change sign
upside down and look like an offset; it leaves their sum, the lean, untouched. The error of the line that
frames of one heading share is among the unknowns; the picture's own lean carries it undiminished.

Log and footage belong together only for the camera's own sensor; for other bodies no cause is claimed, and
where log and picture are unrelated, or the picture was turned afterwards, only what the footage shows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from attitude.belongs import VERIFIED
from attitude.causes import CULPRIT_DEG, HEALTHY_DEG, observation_model
from attitude.evidence import cause_probabilities
from attitude.filter import FREE_FALL_MPS2
from attitude.findings import Causes, Estimate, Terms
from attitude.log import AttitudeLog
from attitude.lookalikes import undetermined_sums
from attitude.picture import footage_roll, log_roll, mean_lean, out_of_tolerance
from attitude.residuals import Residuals
from attitude.sheet import Shoot
from attitude.solution import INFLATE, Solution, solve
from attitude.stretch import WARM_UP_S
from attitude.surroundings import lens_axis_sd_rad, line_height_sd_rad

if TYPE_CHECKING:
    import pandas as pd

    from attitude.clock import ClockFit
    from horizon.measure import ClipTrack

__all__ = ["MG_PER_DEG", "OTHER_BODIES", "infer", "infer_without_log", "picture_lean"]

Array = NDArray[np.float64]

MG_PER_DEG = 1000 * np.pi / 180
PICTURE_SD_DEG = 0.04
OFFSET_SD_DEG = 0.05
LEAST_COVER = 0.5  # of the measured frames, for a mean of the log to stand beside theirs
FOCAL_SD = 0.012
LEAN_PER_LEAK = 180 / np.pi / FREE_FALL_MPS2  # deg per m/s2, if all of it reaches the level
OTHER_BODIES = {"airframe", "joints"}
STABILISED = "the picture may have been turned afterwards (stabilised): only the delivered lean is known"
OTHER_BODY = "the log is of another body than the camera (attitude_of): it says nothing of the picture"
NO_LOG = "without the log of the camera's own sensor the cause stays open: record it with the next shot"


def infer(
    found: Residuals,
    logs: Sequence[AttitudeLog],
    tracks: Sequence[ClipTrack],
    clocks: Sequence[ClockFit],
    shoot: Shoot,
    *,
    focal_sd: float = FOCAL_SD,
) -> Causes:
    """What the footage and the log together show.

    focal_sd : sd of the focal length as a share of it (0.012 for a stated field of view).
    """
    refusal = _refusal(found, shoot, logs)
    if refusal:
        return replace(infer_without_log(tracks, shoot, found), notes=(*found.notes, refusal))
    # Where the lens looks within the picture moves every pitch alike, so no footage can average it out.
    axis_sd_deg = float(np.rad2deg(max(lens_axis_sd_rad(shoot, clip) for clip in shoot.clips)))
    model = observation_model(
        found,
        logs,
        clocks,
        shoot,
        tracks,
        focal_sd=focal_sd,
        pitch_zero_sd_deg=axis_sd_deg,
        dip_sd_deg=float(np.rad2deg(line_height_sd_rad(shoot.horizon))),
    )
    if not len(model.blocks):
        note = (
            "no stretch of the footage can be compared with the log: too quick in roll and pitch, or a turn "
            "without logged ground velocity"
        )
        return replace(infer_without_log(tracks, shoot, found), notes=(*found.notes, note))
    rounding_deg = max(logs[i].rounding_deg for i in model.blocks["log_index"].unique())
    floor_deg = float(np.hypot(PICTURE_SD_DEG, rounding_deg / 12**0.5))
    solution = solve(model, floor_deg)

    frames = footage_roll(tracks, shoot, found)
    picture = picture_lean(frames)
    known = _known_lean(found, shoot, rounding_deg, len(frames))
    causes = Causes(
        picture_lean=picture,
        known_lean=known,
        lean=solution.estimate(_lean_vector(solution), floor=floor_deg, limit=np.inf),
        pitch_offset=solution.estimate(
            _pitch_vector(solution), floor=float(np.hypot(floor_deg, axis_sd_deg)), limit=np.inf
        ),
        out_of_tolerance=out_of_tolerance(frames, shoot.tolerance_deg),
        shots=frozenset(found.blocks["shot"]),
        notes=found.notes,
    )
    attitude_of = _bodies(model.blocks, shoot)
    if attitude_of != {"camera_sensor"}:
        whose = ", ".join(sorted(attitude_of)).replace("_", " ")
        note = f"the log is of: {whose}; causes are read only from the camera sensor's own attitude"
        return replace(causes, notes=(*causes.notes, note))
    return _with_causes(causes, solution, found, shoot, axis_sd_deg)


def infer_without_log(tracks: Sequence[ClipTrack], shoot: Shoot, found: Residuals | None = None) -> Causes:
    """What the footage alone shows: picture lean and time out of tolerance; the cause stays open.

    found : where there is a log, though not one to compare with: it may still tell which half is sky.
    """
    frames = footage_roll(tracks, shoot, found)
    foreign = bool(shoot.logs) and all(log.attitude_of in OTHER_BODIES for log in shoot.logs)
    return Causes(
        picture_lean=picture_lean(frames),
        known_lean=None,
        lean=None,
        pitch_offset=None,
        out_of_tolerance=out_of_tolerance(frames, shoot.tolerance_deg),
        shots=frozenset(clip.shot for clip in shoot.clips),
        notes=(STABILISED if shoot.stabilised else OTHER_BODY if foreign else NO_LOG,),
    )


def _refusal(found: Residuals, shoot: Shoot, logs: Sequence[AttitudeLog]) -> str:
    """Why log and footage must not be compared; empty when they may be."""
    if not logs:
        return NO_LOG
    if shoot.stabilised:
        return STABILISED
    if not found.log_fits:
        return found.belongs
    if found.frames.empty:
        return "no measured frame has attitude in the log"
    bodies = _bodies(found.frames, shoot)
    if bodies & OTHER_BODIES:
        return OTHER_BODY
    if bodies & {"gimbal_frame", "unknown"} and found.belongs != VERIFIED:
        return (
            "the log may be of another body (attitude_of), and nothing rolled by more than 3 deg to prove "
            "that it moves with the picture"
        )
    return ""


def _bodies(rows: pd.DataFrame, shoot: Shoot) -> set[str]:
    """Whose attitude the logs hold that frames or blocks are compared with."""
    return {shoot.logs[i].attitude_of for i in rows["log_index"].unique()}


def _lean_vector(solution: Solution) -> Array:
    """Settled, warm roll of the footage when the log says level."""
    return solution.vector(offset_sideways=1.0, mounting_roll=1.0, gyro_roll=1.0)


def _pitch_vector(solution: Solution) -> Array:
    return solution.vector(offset_along_lens=-1.0, mounting_pitch=1.0, gyro_pitch=1.0)


def picture_lean(frames: pd.DataFrame) -> Estimate | None:
    """Mean lean over the visible skyline of the upright frames, of all where none is upright."""
    if frames.empty:
        return None
    value, sd = mean_lean(frames)
    # More frames of one skyline do not tell more of what they share.
    floor = max(PICTURE_SD_DEG, float(np.sqrt(np.mean(frames["shared_roll_sd_deg"] ** 2))))
    return Estimate(value, float(np.hypot(INFLATE * sd, floor)))


def _known_lean(found: Residuals, shoot: Shoot, rounding_deg: float, filmed: int) -> Estimate | None:
    """Mean of what the log shows on the frames that make up the picture's lean, trim included."""
    frames = log_roll(found)
    bodies = _bodies(found.frames, shoot)
    # A command says what was wanted, not what was reached; a short log says little of a long clip.
    if frames.empty or "commanded" in bodies or len(frames) < LEAST_COVER * filmed:
        return None
    trim_deg = 0.0 if shoot.trim_in_log else shoot.trim_deg
    value, sd = mean_lean(frames)
    return Estimate(value + trim_deg, float(np.sqrt(rounding_deg**2 / 12 + 0.005**2 + sd**2)))


def _with_causes(
    causes: Causes, solution: Solution, found: Residuals, shoot: Shoot, axis_sd_deg: float
) -> Causes:
    """Estimates per cause, evidence, and what cannot be told apart."""
    tolerance = shoot.tolerance_deg
    limit = min(0.5 * CULPRIT_DEG, tolerance / 3)
    split = "half_turn" in causes.shots and _gyro_is_split(solution, limit)
    gyro = 0.0 if split else 1.0
    offset_floor, seat_floor = OFFSET_SD_DEG, float(np.hypot(OFFSET_SD_DEG, solution.floor_deg))

    offset = {
        axis: solution.estimate(
            solution.vector(**{f"offset_{axis}": 1.0}), floor=offset_floor, limit=limit, scale=MG_PER_DEG
        )
        for axis in ("sideways", "vertical", "along_lens")
    }
    mounting = {
        turn: solution.estimate(
            solution.vector(**{f"mounting_{turn}": 1.0, f"gyro_{turn}": gyro}),
            floor=float(np.hypot(seat_floor, axis_sd_deg)) if turn == "pitch" else seat_floor,
            limit=limit,
        )
        for turn in ("roll", "pitch", "yaw")
    }
    skyline = {}
    for k in ("north", "east"):
        if f"skyline_{k}" in solution.model.names:
            prior = solution.model.unknowns[solution.model.names.index(f"skyline_{k}")].wide_sd
            bound = tolerance / 3 if prior < tolerance / 6 else min(0.5 * prior, tolerance / 3)
            skyline[k] = solution.estimate(solution.vector(**{f"skyline_{k}": 1.0}), floor=0.0, limit=bound)
    turns = warm_up = None
    if "turns" in solution.model.names:
        turns = solution.estimate(solution.vector(turns=1.0), floor=0.0, limit=0.1, scale=LEAN_PER_LEAK)
    if "warm_up_sideways" in solution.model.names:
        warm_up = solution.estimate(solution.vector(warm_up_sideways=1.0), floor=0.0, limit=limit)
    seat = solution.vector(mounting_roll=1.0, gyro_roll=1.0)
    terms = _terms(causes, solution, found, shoot, limit)
    return replace(
        causes,
        causes=cause_probabilities(
            solution,
            held_deg=0.0 if causes.known_lean is None else causes.known_lean.value - shoot.trim_deg,
            gyro_split=split,
            skyline_open=shoot.horizon.surface != "sea",
        ),
        offset_mg=offset,
        mounting_deg=mounting,
        skyline_deg=skyline,
        turns=turns,
        warm_up=warm_up,
        warm_up_s=WARM_UP_S if warm_up else None,
        undetermined=undetermined_sums(solution, offset, mounting, skyline, warm_up, gyro_split=split),
        offset_lean=solution.estimate(solution.vector(offset_sideways=1.0), floor=offset_floor, limit=limit),
        after_recalibration=(
            solution.estimate(seat, floor=seat_floor, limit=np.inf) if offset["sideways"].determined else None
        ),
        terms=terms,
        offset_shown_by=_shown_by(solution.model.blocks),
        gyro_split=split,
        time_constant_s=solution.time_constant(),
    )


def _gyro_is_split(solution: Solution, limit: float) -> bool:
    return solution.estimate(solution.vector(gyro_roll=1.0), floor=0.0, limit=limit).determined


def _shown_by(blocks: pd.DataFrame) -> str:
    """The shot that turned the sensor over under the same horizon, whatever it was called."""
    roll_rad = np.deg2rad(blocks["log_roll_deg"].to_numpy(float))
    up, side = np.cos(roll_rad), np.sin(roll_rad)
    if np.count_nonzero(up > 0.8) >= 2 and np.count_nonzero(up < -0.8) >= 2:
        return "upside_down"
    if np.count_nonzero(side > 0.8) >= 2 and np.count_nonzero(side < -0.8) >= 2:
        return "portrait both ways"
    return ""


def _terms(causes: Causes, solution: Solution, found: Residuals, shoot: Shoot, limit: float) -> Terms:
    """Parts of the lean in each condition filmed."""
    names = ["sensor_offset", "mounting"]
    vectors = [solution.vector(offset_sideways=1.0), solution.vector(mounting_roll=1.0, gyro_roll=1.0)]
    conditions: dict[str, tuple[str, ...]] = {"settled": ("sensor_offset", "mounting")}
    n = len(solution.model.blocks)
    best = solution.best_columns[:n]
    for name, unknown in (("turns", "turns"), ("warm_up", "warm_up_sideways")):
        if unknown in solution.model.names:
            seen = best[:, solution.model.names.index(unknown)]
            worst = -float(seen[np.argmax(np.abs(seen))])  # what leans the footage by + lowers log - footage
            names.append(name)
            vectors.append(solution.vector(**{unknown: worst}))
            conditions[name] = ("sensor_offset", "mounting", name)
    mean, cov = solution.joint(vectors)
    # The horizon's error turns with the camera, as a mounting does; play moves between offset and mounting.
    cov[1, 1] += solution.floor_deg**2
    cov[:2, :2] += OFFSET_SD_DEG**2 * np.array([[1.0, -1.0], [-1.0, 1.0]])
    determined = {name for k, name in enumerate(names) if np.sqrt(cov[k, k]) <= limit}
    held_deg = _held_deg(found, shoot)
    if held_deg is not None and causes.known_lean is not None:
        names.append("not_held")
        mean = np.append(mean, held_deg)
        cov = np.pad(cov, (0, 1))
        cov[-1, -1] = causes.known_lean.sd**2
        determined.add("not_held")
        if abs(held_deg) > HEALTHY_DEG:
            conditions["as held"] = ("sensor_offset", "mounting", "not_held")
    return Terms(tuple(names), mean, cov, conditions, frozenset(determined))


def _held_deg(found: Residuals, shoot: Shoot) -> float | None:
    """How far the log's roll is off level beyond the trim for all but a twentieth of the upright time.

    The end of the middle 90 % that lies farther out: a gimbal that wanders to and fro does not hold either.
    """
    frames = log_roll(found)
    frames = frames[frames["pose_deg"] == 0]
    if frames.empty:
        return None
    trim_deg = shoot.trim_deg if shoot.trim_in_log else 0.0
    ends = np.quantile(frames["tilt_deg"].to_numpy(float) - trim_deg, [0.05, 0.95])
    return float(ends[np.argmax(np.abs(ends))])
