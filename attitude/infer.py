"""From residuals to estimates, to causes, to what stays open.

Numbers come from one linear Gaussian model with every unknown free within its *wide* prior
(:mod:`attitude.causes`, :mod:`attitude.solution`). Reported uncertainty: u_report^2 = (1.4 u)^2 + floor^2,
floor = ``PICTURE_SD_DEG`` in what turns with the camera: the horizon's own error (lens, rolling shutter) and
the log's rounding. Play, which looks like an offset upside down, and the error of the line that frames of one
heading share are among the unknowns; the picture's own lean carries the latter undiminished.

Log and footage belong together only for the camera's own sensor; for other bodies no cause is claimed, and
where log and picture are unrelated, or the picture was turned afterwards, only what the footage shows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from attitude.belongs import VERIFIED
from attitude.bench import Hold
from attitude.causes import UPRIGHT, ObservationModel, observation_model
from attitude.entries import OTHER_BODIES
from attitude.evidence import cause_probabilities
from attitude.exact import at_level_deg
from attitude.filter import FREE_FALL_MPS2
from attitude.findings import Causes, Estimate
from attitude.log import AttitudeLog
from attitude.lookalikes import undetermined_sums
from attitude.picture import footage_roll, log_roll, mean_lean, out_of_tolerance, with_parts
from attitude.progress import Progress
from attitude.residuals import Residuals
from attitude.sheet import Shoot
from attitude.solution import Columns, Solution, resized, solve
from attitude.surroundings import lens_axis_sd_rad, line_height_sd_rad
from attitude.terms import (
    lean_vector,
    parts_deg,
    pitch_vector,
    seat_vector,
    shown_by,
    terms_of,
    warming_vector,
)
from attitude.unknowns import CULPRIT_DEG, FLEX_DEG, HEALTHY_DEG, INFLATE

if TYPE_CHECKING:
    import pandas as pd

    from attitude.clock import ClockFit
    from horizon.measure import ClipTrack

__all__ = ["MG_PER_DEG", "Witnesses", "infer", "infer_without_log", "model_of"]
__all__ += ["moment_lean", "picture_lean", "solution_of"]

Array = NDArray[np.float64]

MG_PER_DEG = 1000 * np.pi / 180
PICTURE_SD_DEG = 0.03
LEAST_COVER = 0.5  # of the measured frames, for a mean of the log to stand beside theirs
FOCAL_SD = 0.012
LEAN_PER_LEAK = 180 / np.pi / FREE_FALL_MPS2  # deg per m/s2, if all of it reaches the level
STABILISED = "the picture may have been turned afterwards (stabilised): only the delivered lean is known"
OTHER_BODY = "the log is of another body than the camera (attitude_of): it says nothing of the picture"
NO_LOG = "without the log of the camera's own sensor the cause stays open: record it with the next shot"


@dataclass(frozen=True)
class Witnesses:
    """All that speaks of one shoot's errors.

    focal_sd : sd of the focal length as a share of it (0.012 for a stated field of view). holds : of the
    sensor on the bench.
    """

    found: Residuals
    logs: Sequence[AttitudeLog]
    tracks: Sequence[ClipTrack]
    clocks: Sequence[ClockFit]
    focal_sd: float = FOCAL_SD
    holds: Sequence[Hold] = ()


def model_of(witnesses: Witnesses, shoot: Shoot) -> ObservationModel:
    """The observation model with the sizes that the sheet tells of lens and surface."""
    return observation_model(
        witnesses.found,
        witnesses.logs,
        witnesses.clocks,
        shoot,
        witnesses.tracks,
        focal_sd=witnesses.focal_sd,
        pitch_zero_sd_deg=_axis_sd_deg(shoot),
        dip_sd_deg=float(np.rad2deg(line_height_sd_rad(shoot.horizon))),
        holds=witnesses.holds,
    )


def solution_of(
    witnesses: Witnesses,
    shoot: Shoot,
    progress: Progress | None = None,
    *,
    columns: Columns = ObservationModel.columns,
) -> Solution | None:
    """The model fitted; None where log and footage must not be compared, or nothing of them can be.

    columns, progress : as of :func:`attitude.solution.solve`.
    """
    if _refusal(witnesses.found, shoot, witnesses.logs):
        return None
    model = model_of(witnesses, shoot)
    if not len(model.blocks):
        return None
    floor_deg = float(np.hypot(PICTURE_SD_DEG, _rounding_deg(witnesses, model) / 12**0.5))
    return _sized(solve(model, floor_deg, progress, columns=columns))


def _axis_sd_deg(shoot: Shoot) -> float:
    # Where the lens looks within the picture moves every pitch alike, so no footage can average it out.
    return float(np.rad2deg(max(lens_axis_sd_rad(shoot, clip) for clip in shoot.clips)))


def _rounding_deg(witnesses: Witnesses, model: ObservationModel) -> float:
    return float(max(witnesses.logs[i].rounding_deg for i in model.blocks["log_index"].unique()))


def infer(witnesses: Witnesses, shoot: Shoot, solution: Solution | None) -> Causes:
    """What the footage and the log together show; ``solution`` as :func:`solution_of` gives it."""
    found, logs, tracks = witnesses.found, witnesses.logs, witnesses.tracks
    if solution is None:
        refusal = _refusal(found, shoot, logs)
        note = refusal or (
            "no stretch of the footage can be compared with the log: too quick in roll and pitch, or a turn "
            "without logged ground velocity"
        )
        return replace(infer_without_log(tracks, shoot, found), notes=(*found.notes, note))
    model, floor_deg, axis_sd_deg = solution.model, solution.floor_deg, _axis_sd_deg(shoot)
    rounding_deg = _rounding_deg(witnesses, model)
    best = solution.best
    values = dict(zip(model.names, solution.fits[best].mean.tolist(), strict=True))
    more_roll_deg, more_pitch_deg = at_level_deg(solution.settings[best], values)
    lean = solution.estimate(lean_vector(solution.model.names), floor=floor_deg, limit=np.inf)
    pitch = solution.estimate(
        pitch_vector(solution.model.names), floor=float(np.hypot(floor_deg, axis_sd_deg)), limit=np.inf
    )

    frames = footage_roll(tracks, shoot, found)
    picture = picture_lean(frames)
    known = _known_lean(found, shoot, rounding_deg, len(frames))
    attitude_of = _bodies(model.blocks, shoot)
    sensed = attitude_of == {"camera_sensor"}
    if sensed:
        frames = with_parts(frames, found.frames, parts_deg(solution, found.frames))
    causes = Causes(
        picture_lean=picture,
        known_lean=known,
        lean=replace(lean, value=lean.value + more_roll_deg),
        pitch_offset=replace(pitch, value=pitch.value + more_pitch_deg) if solution.tells_pitch else None,
        out_of_tolerance=out_of_tolerance(frames, shoot.tolerance_deg),
        shots=frozenset(found.blocks["shot"]),
        notes=found.notes,
    )
    if not sensed:
        whose = ", ".join(sorted(attitude_of)).replace("_", " ")
        note = f"the log is of: {whose}; causes are read only from the camera sensor's own attitude"
        return replace(causes, notes=(*causes.notes, note))
    return _with_causes(causes, solution, found, shoot)


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


def _sized(solution: Solution) -> Solution:
    """The same with sizes that the footage itself suggests, for what it shows in sum only.

    The play of a camera turned by hand: as large as its seat by hand differs from the one in flight. The
    warming up of accelerometer and gyro, of which a level camera shows the sum: no larger than that sum, for
    two large drifts that cancel are no finding.
    """
    model = solution.model
    sizes: dict[str, float] = {}
    hand = model.blocks["clip"].isin(model.by_hand)
    upright = np.cos(np.deg2rad(model.blocks["log_roll_deg"])) > UPRIGHT
    if np.any(hand & upright) and np.any(~hand & upright):
        play_deg = _size(solution, FLEX_DEG, hand_roll=1.0)
        sizes |= {name: play_deg for name in model.names if name.startswith("hand_flex_")}
    if "warm_up_sideways" in model.names:
        for level, gyro, sign in (("sideways", "roll", 1.0), ("along_lens", "pitch", -1.0)):
            names = (f"warm_up_{level}", f"warm_up_gyro_{gyro}")
            size = _size(solution, HEALTHY_DEG, **dict(zip(names, (1.0, sign), strict=True)))
            sizes |= {name: min(size, CULPRIT_DEG) for name in names}
    return resized(solution, sizes) if sizes else solution


def _size(solution: Solution, healthy_deg: float, **weights: float) -> float:
    """Root mean square of a sum of unknowns, with a healthy one added."""
    mean, cov = solution.joint([solution.vector(**weights)])
    return float(np.sqrt(healthy_deg**2 + mean[0] ** 2 + cov[0, 0]))


def picture_lean(frames: pd.DataFrame) -> Estimate | None:
    """Mean lean over the visible skyline of the upright frames, of all where none is upright."""
    if frames.empty:
        return None
    value, sd = mean_lean(frames)
    # More frames of one skyline do not tell more of what they share.
    floor = max(PICTURE_SD_DEG, float(np.sqrt(np.mean(frames["shared_roll_sd_deg"] ** 2))))
    return Estimate(value, float(np.hypot(INFLATE * sd, floor)))


def moment_lean(tilt_deg: float, sd_deg: float) -> Estimate:
    """Lean at one moment, from the tilt of a frame and its sd, deg: what all frames share is added."""
    return Estimate(tilt_deg, float(np.hypot(sd_deg, PICTURE_SD_DEG)))


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


def _with_causes(causes: Causes, solution: Solution, found: Residuals, shoot: Shoot) -> Causes:
    """Estimates per cause, evidence, and what cannot be told apart."""
    tolerance, axis_sd_deg = shoot.tolerance_deg, _axis_sd_deg(shoot)
    limit = min(0.5 * CULPRIT_DEG, tolerance / 3)
    told = "half_turn" in causes.shots or solution.model.still is not None
    split = told and _gyro_is_split(solution, limit)
    gyro = 0.0 if split else 1.0

    offset = {
        axis: solution.estimate(
            solution.vector(**{f"offset_{axis}": 1.0}), floor=0.0, limit=limit, scale=MG_PER_DEG
        )
        for axis in ("sideways", "vertical", "along_lens")
    }
    mounting = {
        turn: solution.estimate(
            solution.vector(**{f"mounting_{turn}": 1.0, f"gyro_{turn}": gyro}),
            floor=float(np.hypot(solution.floor_deg, axis_sd_deg)) if turn == "pitch" else solution.floor_deg,
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
        warm_up = solution.estimate(warming_vector(solution.model.names), floor=0.0, limit=limit)
    terms = terms_of(causes, solution, found, shoot, limit)
    return replace(
        causes,
        causes=cause_probabilities(
            solution,
            held_deg=float(dict(zip(terms.names, terms.mean, strict=True)).get("not_held", 0.0)),
            gyro_split=split,
            skyline_open=shoot.horizon.surface != "sea",
        ),
        offset_mg=offset,
        mounting_deg=mounting,
        skyline_deg=skyline,
        turns=turns,
        warm_up=warm_up,
        warm_up_s=solution.settings[solution.best].warm_up_s if warm_up else None,
        undetermined=undetermined_sums(solution, offset, mounting, skyline, warm_up, gyro_split=split),
        offset_lean=solution.estimate(solution.vector(offset_sideways=1.0), floor=0.0, limit=limit),
        after_recalibration=(
            solution.estimate(seat_vector(solution.model.names), floor=solution.floor_deg, limit=np.inf)
            if offset["sideways"].determined
            else None
        ),
        terms=terms,
        offset_shown_by=shown_by(solution.model),
        gyro_split=split,
        time_constant_s=solution.time_constant(),
    )


def _gyro_is_split(solution: Solution, limit: float) -> bool:
    return solution.estimate(solution.vector(gyro_roll=1.0), floor=0.0, limit=limit).determined
