"""Log time against clip time: ``log_t = clip_t + offset_s``.

A start given in the sheet wins. Where it does not matter, because all that the logs hold is one pose to
0.2 deg, the middle window is taken and said to be unknown. Else the clip's motion is looked for in every
log (:mod:`attitude.match`), those of the camera's own sensor first: a log of another body of the same
flight is no rival to them. If it is not found with the log's own scale, any scale and sign are tried, so that
a log of another body, or one with a sign turned, can be laid against the picture and recognised. At last the
turns alone are tried: an aircraft shares no more than those with a camera that is held level. Such a place
counts only where the log's roll tells the two bodies apart.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from attitude.match import MatchError, Signal, find_place
from attitude.smooth import LogAngles, log_angles, unwrapped_deg
from attitude.takes import counted, of_file, part_starts_s
from horizon.angles import wrap_deg

if TYPE_CHECKING:
    from attitude.log import AttitudeLog
    from attitude.sheet import ClipSheet, Shoot
    from horizon.measure import ClipTrack

__all__ = ["BANKS_DEG", "LEAST_PAN_SD_DPS", "LEAST_SD_DEG", "LEVEL_SHARE", "MOTION"]
__all__ += ["ClockError", "ClockFit", "align", "in_real_time"]

Array = NDArray[np.float64]

SAME_POSE_DEG = 0.2
CONTRADICTION_S = 0.5
FEWEST_FRAMES = 10
# Of what a single frame shows: below it, something else than the picture sets what a clock is good to.
LEAST_SD_DEG, LEAST_PAN_SD_DPS = 0.1, 1.0
BANKS_DEG, LEVEL_SHARE = 8.0, 0.3
PART_SD_S = 0.05  # a camera loses up to a frame or two where it cuts a take
BODIES = ("camera_sensor", "gimbal_frame", "unknown", "airframe", "joints", "commanded")
FOLDED = "folded_roll_deg"
GIVEN, MOTION, NOT_NEEDED = "given", "motion", "not needed and not known"


class ClockError(ValueError):
    """A clip cannot be laid against the logs; the text names the clip and what to add to the sheet."""


_Angles = Callable[[int, "AttitudeLog"], LogAngles]


@dataclass(frozen=True)
class ClockFit:
    """Where one clip lies in which log.

    offset_s : log time of the clip's time 0; None when too few of its frames were measured to need it.
    sd_s : its standard uncertainty; None when the offset is not known.
    how : "given", "motion" or "not needed and not known".
    note : what a reader should know about it, or "".
    own_scale : False where it was found only with the log's angles scaled or turned.
    """

    clip: str
    log: str
    offset_s: float | None
    sd_s: float | None
    how: str
    log_index: int
    note: str = ""
    own_scale: bool = True


def align(tracks: Sequence[ClipTrack], logs: Sequence[AttitudeLog], shoot: Shoot) -> tuple[ClockFit, ...]:
    """Lay every clip against the logs, in the order of ``tracks``; empty without logs.

    Raises
    ------
    ClockError
        A clip whose place in the logs is needed, not given and not found, or given outside every log.
    """
    if not logs:
        return ()
    fits: dict[str, ClockFit] = {}
    unplaced: dict[str, ClockError] = {}
    angles = _once()
    for track in tracks:
        try:
            fits[track.clip] = _align(track, tracks, logs, shoot, angles)
        except ClockError as error:
            unplaced[track.clip] = error
    for clip, reason in unplaced.items():
        fits[clip] = _from_the_same_take(clip, fits, tracks, shoot, reason)
    return tuple(fits[track.clip] for track in tracks)


def in_real_time(track: ClipTrack, time_scale: float) -> ClipTrack:
    """Slowed-down footage brought to the time in which it was filmed, which is the log's."""
    if time_scale == 1.0:
        return track
    yaw_rate = track.yaw_rate.assign(
        t_s=track.yaw_rate["t_s"] * time_scale,
        yaw_rate_dps=track.yaw_rate["yaw_rate_dps"] / time_scale,
        yaw_rate_sd_dps=track.yaw_rate["yaw_rate_sd_dps"] / time_scale,
    )
    return replace(track, track=track.track.assign(t_s=track.track["t_s"] * time_scale), yaw_rate=yaw_rate)


def _from_the_same_take(
    clip: str, fits: dict[str, ClockFit], tracks: Sequence[ClipTrack], shoot: Shoot, error: ClockError
) -> ClockFit:
    """Place of a part of a take by another part whose motion was found; the error where there is none."""
    length_s = {track.clip: track.facts.duration_s for track in tracks}
    for sheet in shoot.clips:
        starts_s = part_starts_s(sheet, length_s)
        for name in starts_s if clip in starts_s else ():
            fit = fits.get(name)
            if fit is not None and fit.how == MOTION and fit.offset_s is not None and fit.sd_s is not None:
                offset_s = fit.offset_s + sheet.time_scale * (starts_s[clip] - starts_s[name])
                sd_s = float(np.hypot(fit.sd_s, PART_SD_S))
                note = f"placed by {name}, a part of the same take"
                return ClockFit(clip, fit.log, offset_s, sd_s, MOTION, fit.log_index, note)
    raise error


def _once() -> _Angles:
    """Angles of logs made ready once, however many clips are laid against them; the logs have to stay."""
    ready: dict[int, LogAngles] = {}

    def angles(index: int, log: AttitudeLog) -> LogAngles:
        if id(log) not in ready:
            ready[id(log)] = _log_angles(log)
        return replace(ready[id(log)], index=index)

    return angles


def _align(
    track: ClipTrack,
    tracks: Sequence[ClipTrack],
    logs: Sequence[AttitudeLog],
    shoot: Shoot,
    angles: _Angles,
) -> ClockFit:
    """One clip."""
    named = (clip for clip in shoot.clips if any(file.name == track.clip for file in clip.files))
    sheet = next((of_file(clip, track.clip) for clip in named), None)
    readings = _readings(track, sheet)
    given_s = _given_s(track, tracks, sheet)
    if given_s is not None:
        return _given(track, given_s, readings, logs, shoot, angles)
    if not readings:
        note = "too few of its frames were measured to need a clock"
        return ClockFit(track.clip, logs[0].name, None, None, NOT_NEEDED, 0, note)
    if (middle := _one_pose(track, logs, angles)) is not None:
        return middle
    try:
        return _by_motion(track, readings, logs, angles)
    except MatchError as error:
        if (aircraft := _by_turns(track, readings, logs, angles)) is not None:
            return aircraft
        raise ClockError(
            f"{shoot.path.name}: clip {track.clip}: {error}; add log_start_s = (log time of its first frame, "
            "in seconds) to its [[clip]], or mend [[log]]: wrong columns, order, unit or signs, or a log "
            "of another body or shoot"
        ) from error


def _given_s(track: ClipTrack, tracks: Sequence[ClipTrack], sheet: ClipSheet | None) -> float | None:
    """Log time of the clip's start by the sheet; a later part of a take starts where the one before ends."""
    if sheet is None or sheet.log_start_s is None:
        return None
    length_s = {other.clip: other.facts.duration_s for other in tracks}
    into_s = part_starts_s(sheet, length_s).get(track.clip)
    return None if into_s is None else sheet.log_start_s + sheet.time_scale * into_s


def _given(
    track: ClipTrack,
    given_s: float,
    readings: list[tuple[Signal, ...]],
    logs: Sequence[AttitudeLog],
    shoot: Shoot,
    angles: _Angles,
) -> ClockFit:
    """The sheet's start, in the log that covers most of the clip.

    A motion that says otherwise is noted, not obeyed: the user may know what the matcher cannot.
    """
    ends_s = [_ends_s(log) for log in logs]
    covered_s = [min(last, given_s + _length_s(track)) - max(first, given_s) for first, last in ends_s]
    if max(covered_s) <= 0:
        spans = ", ".join(f"{log.name}: {a:g} to {b:g} s" for log, (a, b) in zip(logs, ends_s, strict=True))
        raise ClockError(
            f"{shoot.path.name}: clip {track.clip}: log_start_s = {given_s:g} is in no log ({spans}); "
            "give the log time of its first frame, in seconds"
        )
    # Logs that each start at 0 all cover it: then the camera's own sensor goes first.
    index = max(_in_order(logs), key=lambda i: covered_s[i])
    frame_s = 1 / track.facts.fps if track.facts.fps > 0 else 0.0
    sd_s = max(_period_s(logs[index]), frame_s)
    note = ""
    try:
        found = _by_motion(track, readings, [logs[index]], angles, scalings=("own",), told_s=given_s)
    except MatchError:
        pass
    else:
        if found.offset_s is not None and abs(found.offset_s - given_s) > CONTRADICTION_S:
            note = f"log_start_s = {given_s:g} is given, but the motion fits {found.offset_s:.2f}"
    return ClockFit(track.clip, logs[index].name, given_s, sd_s, GIVEN, index, note)


def _one_pose(track: ClipTrack, logs: Sequence[AttitudeLog], angles: _Angles) -> ClockFit | None:
    """The middle window, if all that the logs of the first body hold is one pose."""
    index = _in_order(logs)[0]
    members = [log for log in logs if _body(log) == _body(logs[index])]
    for column in ["roll_deg", "pitch_deg"] + ["yaw_deg"] * all(log.has_yaw for log in members):
        poses = []
        for log in members:
            dense = angles(0, log)
            angle_deg, row_s = dense.angle_deg[column], float(np.median(np.diff(dense.t_s)))
            # Means over half a second: a pose is where the camera points, not each shake about it.
            size = max(1, min(len(angle_deg), round(0.5 / row_s)))
            poses.append(np.convolve(angle_deg, np.ones(size) / size, mode="valid"))
        first_deg = poses[0][0]
        poses = [pose - pose[0] + wrap_deg(pose[0] - first_deg) for pose in poses]
        if np.ptp(np.concatenate(poses)) > SAME_POSE_DEG:
            return None
    middle_s = (sum(_ends_s(logs[index])) - _length_s(track)) / 2
    return ClockFit(track.clip, logs[index].name, middle_s, None, NOT_NEEDED, index)


def _readings(track: ClipTrack, sheet: ClipSheet | None) -> list[tuple[Signal, ...]]:
    """Roll, pitch and pan rate of the footage, in each way it may be read; empty with too few frames.

    Where the picture does not tell which half is sky it may be upside down: that adds 180 deg to the roll,
    which is free here anyhow, and turns pitch and pan rate round.
    """
    table = track.track.dropna(subset=["roll_deg", "pitch_deg"])
    if sheet is not None:
        table = table[counted(sheet, table["t_s"].to_numpy(float))]
    if len(table) < FEWEST_FRAMES:
        return []
    t_s = table["t_s"].to_numpy(float)
    roll_deg, pitch_deg = unwrapped_deg(table["roll_deg"].to_numpy(float)), table["pitch_deg"].to_numpy(float)
    roll_sd, pitch_sd = (
        np.fmax(table[name].to_numpy(float), LEAST_SD_DEG) for name in ("roll_sd_deg", "pitch_sd_deg")
    )
    signals = [Signal("roll_deg", t_s, roll_deg, roll_sd, small=0.2, gain=1.0, gain_sd=0.02)]
    if not track.tells_pitch:
        signals = [replace(signals[0], column=FOLDED, value=_folded_deg(roll_deg))]
    else:
        signals.append(Signal("pitch_deg", t_s, pitch_deg, pitch_sd, small=0.2, gain=1.0, gain_sd=0.15))
    pans = track.yaw_rate.dropna()
    if len(pans) >= FEWEST_FRAMES:
        t_s, rate_dps = pans["t_s"].to_numpy(float), pans["yaw_rate_dps"].to_numpy(float)
        span_s = float(np.median(np.diff(t_s)))
        rate_sd = np.fmax(pans["yaw_rate_sd_dps"].to_numpy(float), LEAST_PAN_SD_DPS)
        signals.append(
            Signal("yaw_deg", t_s, rate_dps, rate_sd, small=1.0, gain=1.0, gain_sd=0.2, width_s=span_s)
        )
    if track.sky != "unknown" or not track.tells_pitch:
        return [tuple(signals)]
    return [
        tuple(signals),
        tuple(s if s.column == "roll_deg" else replace(s, value=-s.value) for s in signals),
    ]


def _folded_deg(roll_deg: Array) -> Array:
    """Roll as a single line shows it, the same upright and upside down, and without a jump between."""
    return np.asarray(np.degrees(np.sin(2 * np.radians(roll_deg)) / 2))


def _by_motion(
    track: ClipTrack,
    readings: list[tuple[Signal, ...]],
    logs: Sequence[AttitudeLog],
    angles: _Angles,
    *,
    scalings: Sequence[str] = ("own", "free"),
    told_s: float | None = None,
) -> ClockFit:
    """The clip's place by its motion; raises the first MatchError when no way of comparing finds one."""
    first_error: MatchError | None = None
    for scaling in scalings:
        if scaling == "free":
            readings = [tuple(replace(s, gain=0.0, gain_sd=1.0) for s in r) for r in readings]
        for body in BODIES:
            members = [angles(i, log) for i, log in enumerate(logs) if _body(log) == body]
            if not members or not readings:
                continue
            try:
                place = find_place(readings, members, told_s=told_s, within_s=CONTRADICTION_S)
            except MatchError as error:
                first_error = first_error or error
                continue
            log, note = place.log, ""
            if scaling == "free":
                against = ("roll_deg" if column == FOLDED else column for column in place.against)
                turned = " and ".join(column.removesuffix("_deg") for column in against)
                unlike = (
                    f"its {turned} against the picture's" if turned else "some angle unlike the picture's"
                )
                note = f"{log.name} moves with {unlike}"
            own = scaling == "own"
            return ClockFit(track.clip, log.name, place.offset_s, place.sd_s, MOTION, log.index, note, own)
    raise first_error or MatchError("too few of its frames were measured")


def _by_turns(
    track: ClipTrack, readings: list[tuple[Signal, ...]], logs: Sequence[AttitudeLog], angles: _Angles
) -> ClockFit | None:
    """The place where only the pan rate fits, while the log rolls and the picture does not; else None."""
    turns = [tuple(signal for signal in one if signal.column == "yaw_deg") for one in readings]
    members = [angles(i, logs[i]) for i in _in_order(logs) if logs[i].has_yaw]
    if not members or not all(turns):
        return None
    try:
        place = find_place(turns, members)
    except MatchError:
        return None
    seen = next(signal for signal in readings[0] if signal.column == "roll_deg")
    logged_deg = np.interp(seen.t_s + place.offset_s, place.log.t_s, place.log.angle_deg["roll_deg"])
    rolls_deg, log_rolls_deg = (
        float(np.subtract(*np.quantile(angle, [0.99, 0.01]))) for angle in (seen.value, logged_deg)
    )
    if log_rolls_deg < BANKS_DEG or rolls_deg > LEVEL_SHARE * log_rolls_deg:
        return None
    note = f"{place.log.name} has the clip's turns, but neither its roll nor its pitch"
    name, index = place.log.name, place.log.index
    return ClockFit(track.clip, name, place.offset_s, place.sd_s, MOTION, index, note, own_scale=False)


def _log_angles(log: AttitudeLog) -> LogAngles:
    columns = ["roll_deg", "pitch_deg"] + ["yaw_deg"] * log.has_yaw
    table = log.table.dropna(subset=columns)
    angles = {column: table[column].to_numpy(float) for column in columns}
    found = log_angles(0, log.name, table["t_s"].to_numpy(float), angles)
    return replace(found, angle_deg=found.angle_deg | {FOLDED: _folded_deg(found.angle_deg["roll_deg"])})


def _body(log: AttitudeLog) -> str:
    return log.attitude_of if log.attitude_of in BODIES else "unknown"


def _in_order(logs: Sequence[AttitudeLog]) -> list[int]:
    return sorted(range(len(logs)), key=lambda i: BODIES.index(_body(logs[i])))


def _length_s(track: ClipTrack) -> float:
    return float(track.track["t_s"].max()) if len(track.track) else 0.0


def _ends_s(log: AttitudeLog) -> tuple[float, float]:
    return float(log.table["t_s"].iloc[0]), float(log.table["t_s"].iloc[-1])


def _period_s(log: AttitudeLog) -> float:
    return float(np.median(np.diff(log.table["t_s"].to_numpy(float))))
