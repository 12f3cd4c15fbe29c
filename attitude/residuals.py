"""Log minus footage at the frame times, and its averages over blocks of two seconds or more.

Residual of a frame: r = u_log - u_footage in the tangent plane, so that it stays a small vector at any
attitude: r_roll = cos(pitch) (roll_log - roll_footage), r_pitch = pitch_log - pitch_footage.

Frames follow each other too closely to count as separate measurements: intervals from single frames covered
the truth 35 times in 100 in simulation. Blocks of max(2 s, 2 x correlation time) restore honest counting;
what correlation is left between blocks is left to the inference. Of the line's uncertainty only what frames
of one heading do not share is averaged; the shared part goes along undiminished. Blocks do not reach across
breaks, and those in which the camera rolls or tilts faster than ``MOVING_DPS`` are left out later, because
there a clock error of 20 ms already weighs 0.08 deg.

Where the sheet does not tell the shot of a clip, the motion does, frame by frame (:mod:`attitude.moves`).

Known turns are taken off the footage first: the camera's meant turn in its mount, and the turn that the
camera gave the picture itself. A horizon trim that the log does not contain is added to the log's roll.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.belongs import NOT_VERIFIED, VERIFIED, belongs, middle_deg
from attitude.log import AttitudeLog, attitude_at
from attitude.moves import ORDINARY, move_words, moves
from attitude.sheet import ClipSheet, Shoot
from attitude.takes import counted, of_file
from horizon.angles import other_reading_deg, wrap_deg

if TYPE_CHECKING:
    from attitude.clock import ClockFit
    from horizon.measure import ClipTrack

__all__ = [
    "FRAME_COLUMNS",
    "MOVING_DPS",
    "SD_COLUMNS",
    "Residuals",
    "as_played",
    "blocks_of",
    "clip_sheet_of",
    "residuals",
]

Array = NDArray[np.float64]

SD_COLUMNS = ["line_roll_sd_deg", "line_pitch_sd_deg", "shared_roll_sd_deg", "shared_pitch_sd_deg"]
MOVING_DPS = 4.0
ROLLED_DEG, LEAST_POWER = 5.0, 1e-9  # within a window; the pitch of a single line is the log's own
BLOCK_S = 2.0
WINDOW_S, LAG_S = 20.0, 1.0
ODD_AROUND, ODD_DEG, ODD_TIMES, LATE_S = 7, 0.3, 6.0, 0.1
LONGEST_BLOCK_S = 6.0  # a 20 s hold must still give three

FRAME_COLUMNS = [
    "clip",
    "frame",
    "t_s",
    "log_index",
    "log_t_s",
    "roll_deg",
    "pitch_deg",
    "log_roll_deg",
    "log_pitch_deg",
    "log_yaw_deg",
    "log_turned_deg",
    "r_roll_deg",
    "r_pitch_deg",
    *SD_COLUMNS,
    "shot",
    "segment",
    "block",
]

BLOCK_COLUMNS = [
    "clip", "segment", "t_s", "log_t_s", "log_index", "n", "r_roll_deg", "r_pitch_deg", "roll_sd_deg",
    "pitch_sd_deg", "shared_roll_sd_deg", "shared_pitch_sd_deg", "log_roll_deg", "log_pitch_deg",
    "log_yaw_deg", "rate_dps", "correlation_s", "shot",
]  # fmt: skip


@dataclass(frozen=True)
class Residuals:
    """Log minus footage.

    frames : one row per measured frame that has log attitude and is not excluded, ``FRAME_COLUMNS``.
        shot: as told, or as found.
        roll_deg, pitch_deg are the footage's after known turns; log_roll_deg is as logged, but for the
        camera's meant turn in its mount, log_turned_deg, taken off where the log contains it; trim not
        added. line_*, shared_*: as in the track. block: index into ``blocks``.
    blocks : one row per block: clip, segment (unbroken run), t_s, log_t_s, log_index, n, r_roll_deg,
        r_pitch_deg, roll_sd_deg, pitch_sd_deg (of these two, as far as frames differ), shared_roll_sd_deg,
        shared_pitch_sd_deg (what all frames of one heading share), log_roll_deg, log_pitch_deg,
        log_yaw_deg, rate_dps (mean roll and pitch rate), correlation_s, shot (of most of its frames).
    belongs : ``VERIFIED``, ``NOT_VERIFIED`` or, when the log is not of this picture, why.
    notes : what was chosen by fitting rather than told, one sentence each.
    turned_over : clips of which the log chose the reading upside down to the track's.
    """

    frames: pd.DataFrame
    blocks: pd.DataFrame
    belongs: str
    notes: tuple[str, ...] = ()
    turned_over: frozenset[str] = frozenset()

    @property
    def log_fits(self) -> bool:
        """Whether an inference from log and footage together is allowed."""
        return self.belongs in (VERIFIED, NOT_VERIFIED)


def residuals(
    tracks: Sequence[ClipTrack],
    logs: Sequence[AttitudeLog],
    clocks: Sequence[ClockFit],
    shoot: Shoot,
) -> Residuals:
    """Residuals of every clip that has a clock; clips without one are left out.

    tracks : with slowed-down footage already brought to the time in which it was filmed, which is the log's;
    what the sheet excludes is in the clip's own time.
    """
    clock_of = {clock.clip: clock for clock in clocks}
    parts: list[pd.DataFrame] = []
    notes: list[str] = []
    turned_over: set[str] = set()
    for track in tracks:
        clock = clock_of.get(track.clip)
        if clock is None:
            continue
        if clock.offset_s is None:
            notes.append(f"{track.clip} is not compared with the log: {clock.note}")
            continue
        part, said = _clip_frames(track, logs, clock, shoot)
        notes += said
        if not part.empty:
            parts.append(part)
            turned_over |= {track.clip} if part["turned_over"].iloc[0] else set()
    if not parts:
        empty = pd.DataFrame(columns=FRAME_COLUMNS)
        return Residuals(empty, _blocks(empty, BLOCK_S, 0.0), NOT_VERIFIED, tuple(notes))
    frames = pd.concat(parts, ignore_index=True)
    frames["segment"] = _segments(frames)
    sheets = {clip: clip_sheet_of(clip, shoot) for clip in frames["clip"].unique()}
    fits = belongs(frames, logs, clock_of, sheets)
    notes += fits.notes
    frames = frames[fits.kept].reset_index(drop=True)
    frames["segment"] = _segments(frames)
    if fits.verdict in (VERIFIED, NOT_VERIFIED):
        notes += _shots_found(frames, sheets)
    frames, blocks = blocks_of(frames, _correlation_s(frames))
    return Residuals(frames[FRAME_COLUMNS], blocks, fits.verdict, tuple(notes), frozenset(turned_over))


def blocks_of(frames: pd.DataFrame, correlation_s: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The frames with the number of their block, from 0, and the blocks, as in ``Residuals``.

    frames : ``FRAME_COLUMNS`` but for block, index 0 to n - 1. correlation_s : of the residual's noise.
    """
    block_s = float(np.clip(2 * correlation_s, BLOCK_S, LONGEST_BLOCK_S))
    frames = frames.assign(block=_block_index(frames, block_s))
    return frames, _blocks(frames, block_s, correlation_s)


def clip_sheet_of(clip: str, shoot: Shoot) -> ClipSheet:
    """The sheet's entry for a clip file name, as it holds for that file.

    Raises
    ------
    ValueError
        No entry names that file.
    """
    for sheet in shoot.clips:
        if any(file.name == clip for file in sheet.files):
            return of_file(sheet, clip)
    raise ValueError(f"{shoot.path.name}: no [[clip]] names {clip}; add one with file = {clip!r}")


def as_played(table: pd.DataFrame, shoot: Shoot, columns: Sequence[str] = ("t_s",)) -> pd.DataFrame:
    """Times, as filmed, of a table with a ``clip`` column brought to the time that a player shows."""
    if table.empty:
        return table
    scales = {clip: clip_sheet_of(clip, shoot).time_scale for clip in table["clip"].unique()}
    scale = table["clip"].map(scales)
    return table.assign(**{column: table[column] / scale for column in columns})


def _clip_frames(
    track: ClipTrack, logs: Sequence[AttitudeLog], clock: ClockFit, shoot: Shoot
) -> tuple[pd.DataFrame, list[str]]:
    """Frames of one clip beside the log, and what was decided on the way."""
    sheet = clip_sheet_of(track.clip, shoot)
    log = logs[clock.log_index]
    table = track.track.dropna(subset=["roll_deg", "pitch_deg"])
    table = table[counted(sheet, table["t_s"].to_numpy(float))]
    if table.empty:
        return pd.DataFrame(columns=FRAME_COLUMNS), []

    log_t_s = table["t_s"].to_numpy(float) + (clock.offset_s or 0.0)
    logged = attitude_at(log, log_t_s)
    seen = np.isfinite(logged["roll_deg"].to_numpy(float)) & np.isfinite(logged["pitch_deg"].to_numpy(float))
    table, logged = table[seen], logged[seen]
    if table.empty:
        return pd.DataFrame(columns=FRAME_COLUMNS), [f"{track.clip}: no frame lies within {log.name}"]

    notes: list[str] = []
    mount_deg = float(shoot.camera.mount_roll_deg)
    log_roll = wrap_deg(logged["roll_deg"].to_numpy(float))
    roll = wrap_deg(table["roll_deg"].to_numpy(float) + sheet.picture_turned_deg - mount_deg)
    pitch = table["pitch_deg"].to_numpy(float)
    turned_over, log_turned_deg = False, 0.0
    if track.sky == "unknown":
        if abs(middle_deg(roll + 180.0 - log_roll)) < abs(middle_deg(roll - log_roll)):
            roll, pitch = other_reading_deg(roll, pitch, track.dip_rad)
            turned_over = True
        notes.append(f"{track.clip}: the picture does not tell which half is sky; the log settled it")
    if mount_deg and abs(middle_deg(roll + mount_deg - log_roll)) < abs(middle_deg(roll - log_roll)):
        log_roll, log_turned_deg = wrap_deg(log_roll - mount_deg), mount_deg
        notes.append(f"{track.clip}: {log.name} contains the camera's {mount_deg:g} deg turn in its mount")

    trim_deg = 0.0 if shoot.trim_in_log else shoot.trim_deg
    log_pitch = logged["pitch_deg"].to_numpy(float)
    slope = np.cos(np.deg2rad((pitch + log_pitch) / 2))
    frames = pd.DataFrame(
        {
            "clip": track.clip,
            "frame": table["frame"].to_numpy(),
            "t_s": table["t_s"].to_numpy(float),
            "log_index": clock.log_index,
            "log_t_s": log_t_s[seen],
            "roll_deg": roll,
            "pitch_deg": pitch,
            "log_roll_deg": log_roll,
            "log_pitch_deg": log_pitch,
            "log_yaw_deg": logged["yaw_deg"].to_numpy(float),
            "log_turned_deg": log_turned_deg,
            "turned_over": turned_over,
            "r_roll_deg": slope * wrap_deg(log_roll + trim_deg - roll),
            "r_pitch_deg": log_pitch - pitch,
            **{column: table[column].to_numpy(float) for column in SD_COLUMNS},
        }
    )
    frames["shot"] = moves(frames, log, track.yaw_rate) if sheet.shot == ORDINARY else sheet.shot
    odd = _odd_ones(frames)
    if odd.any():
        share = 100 * float(odd.mean())
        notes.append(f"{track.clip}: {share:.1g} % of the frames are left out: they jump off the rest")
    return frames[~odd], notes


def _odd_ones(frames: pd.DataFrame) -> NDArray[np.bool_]:
    """Frames whose residual jumps away from the median of those around it.

    Something else was taken for the horizon there. Against scatter of its own size (median of the
    deviations around) nothing is odd, nor within ``ODD_DEG`` and what a late clock makes of the motion.
    """
    moves_dps = np.hypot(*(_speed_dps(frames, axis) for axis in ("roll", "pitch")))
    odd = np.zeros(len(frames), bool)
    for axis in ("roll", "pitch"):
        residual = frames[f"r_{axis}_deg"]
        off = (residual - residual.rolling(ODD_AROUND, center=True, min_periods=1).median()).abs()
        usual = 1.4826 * off.rolling(5 * ODD_AROUND, center=True, min_periods=1).median()
        odd |= (off > np.maximum(ODD_DEG, ODD_TIMES * usual) + LATE_S * moves_dps).to_numpy(bool)
    return odd


def _speed_dps(frames: pd.DataFrame, axis: str) -> Array:
    """How fast the log turns about one axis, deg/s."""
    if len(frames) < 2:
        return np.zeros(len(frames))
    angle = np.unwrap(frames[f"log_{axis}_deg"].to_numpy(float), period=360.0)
    return np.asarray(np.abs(np.gradient(angle, frames["log_t_s"].to_numpy(float))))


def _shots_found(frames: pd.DataFrame, sheets: Mapping[str, ClipSheet]) -> Iterator[str]:
    """What the sheet did not tell, a sentence per clip, in the time that a player shows."""
    for clip, part in frames.groupby("clip", sort=False):
        sheet = sheets[str(clip)]
        if sheet.shot == ORDINARY:
            said = move_words(
                str(clip), part["t_s"].to_numpy(float) / sheet.time_scale, part["shot"].to_numpy(object)
            )
            if said:
                yield said


def _segments(frames: pd.DataFrame) -> NDArray[np.intp]:
    """Number of the unbroken run of each frame: a new clip, or more than a second without one, breaks it."""
    step_s = frames.groupby("clip", sort=False)["log_t_s"].diff()
    usual_s = step_s.groupby(frames["clip"]).transform("median").to_numpy(float)
    limit_s = np.fmax(1.0, 5 * usual_s)
    breaks = ~(step_s.to_numpy(float) <= limit_s)  # the first frame of a clip has no step: a break
    return np.cumsum(breaks) - 1


def _correlation_s(frames: pd.DataFrame) -> float:
    """Correlation time of the residual's noise, from its autocorrelation at 1 s.

    What the errors under search do is slow, so a parabola is taken off each window first, and the median of
    the windows leaves out those in which a filter settles. The parabola also takes correlation away; the
    time is the one whose expected autocorrelation, treated alike, is the one found.
    """
    found: list[float] = []
    for _, part in frames.groupby("segment", sort=False):
        t_s = part["log_t_s"].to_numpy(float) - part["log_t_s"].iloc[0]
        for k in range(int(t_s[-1] / WINDOW_S + 0.1)):
            inside = (t_s >= k * WINDOW_S) & (t_s < (k + 1) * WINDOW_S)
            if np.count_nonzero(inside) < 40:
                continue
            # A camera that is rolled shows what its angles cost, which no noise is.
            rolled_deg = np.unwrap(part["log_roll_deg"].to_numpy(float)[inside], period=360.0)
            if np.ptp(rolled_deg) > ROLLED_DEG:
                continue
            lag = round(LAG_S / float(np.median(np.diff(t_s[inside]))))
            for column in ("r_roll_deg", "r_pitch_deg"):
                y = part[column].to_numpy(float)[inside]
                y = y - np.polynomial.Polynomial.fit(t_s[inside], y, 2)(t_s[inside])
                power = float(y @ y)
                if power > LEAST_POWER and 0 < lag < len(y) // 2:
                    found.append(float(y[lag:] @ y[:-lag]) / power)
    return float(np.interp(np.median(found), *_expected())) if found else 0.0


@lru_cache
def _expected() -> tuple[Array, Array]:
    """Expected autocorrelation, rising, of autoregressions without their parabola, and correlation times."""
    times_s = np.arange(0.3, LONGEST_BLOCK_S / 2 + 0.01, 0.1)
    t_s = np.arange(0.0, WINDOW_S, 0.25)
    basis = np.linalg.qr(np.vander(t_s, 3))[0]
    off = np.eye(len(t_s)) - basis @ basis.T
    apart_s = np.abs(t_s[:, np.newaxis] - t_s)
    left = [off @ np.exp(-apart_s / time_s) @ off for time_s in times_s]
    lag = round(LAG_S / 0.25)
    return np.array([np.trace(one, offset=lag) / np.trace(one) for one in left]), times_s


def _block_index(frames: pd.DataFrame, block_s: float) -> NDArray[np.intp]:
    """Block number of each frame, counted through all segments; a short last block joins the one before."""
    index = np.empty(len(frames), int)
    start = 0
    for _, part in frames.groupby("segment", sort=False):
        t_s = part["log_t_s"].to_numpy(float) - part["log_t_s"].iloc[0]
        count = max(1, int(t_s[-1] / block_s + 0.5))
        index[part.index] = start + np.minimum((t_s / block_s).astype(int), count - 1)
        start += count
    # A run may hold an empty block where a second without frames fell on it: renumber without holes.
    return np.unique(index, return_inverse=True)[1]


def _blocks(frames: pd.DataFrame, block_s: float, correlation_s: float) -> pd.DataFrame:
    """One row per block; angles averaged about the block's first frame, so that 180 deg is no cliff."""
    if frames.empty:
        return pd.DataFrame(columns=BLOCK_COLUMNS)
    # Frames of a block follow one another.
    number = frames["block"].to_numpy(int)
    starts = np.flatnonzero(np.diff(number, prepend=-1))
    count = np.diff(np.append(starts, len(frames)))

    def mean(values: Array) -> Array:
        return np.asarray(np.add.reduceat(values, starts) / count)

    columns = {name: frames[name].to_numpy() for name in frames}
    apart = np.maximum(1.0, np.minimum(count, block_s / max(2 * correlation_s, 1e-3)))
    # Residuals of roll are shortened by cos(pitch), and their uncertainties with them.
    shorter = {"roll": np.cos(np.deg2rad(columns["pitch_deg"].astype(float))), "pitch": 1.0}
    blocks = {name: columns[name][starts] for name in ("clip", "segment", "log_index")}
    blocks |= {"n": count, "rate_dps": mean(_rates(frames))}
    blocks["correlation_s"] = np.full(len(count), correlation_s)
    for name in ("t_s", "log_t_s", "r_roll_deg", "r_pitch_deg"):
        blocks[name] = mean(columns[name].astype(float))
    for axis, slope in shorter.items():
        # Mean squares, over the frames, of what each has to itself and of what they share.
        line, shared = (slope * columns[f"{of}_{axis}_sd_deg"].astype(float) for of in ("line", "shared"))
        blocks[f"{axis}_sd_deg"] = np.sqrt(mean(np.maximum(line**2 - shared**2, 0.0))) / apart**0.5
        blocks[f"shared_{axis}_sd_deg"] = np.sqrt(mean(shared**2))
    for name in ("log_roll_deg", "log_pitch_deg", "log_yaw_deg"):
        angle = columns[name].astype(float)
        first = angle[starts]
        blocks[name] = wrap_deg(first + mean(wrap_deg(angle - np.repeat(first, count))))
    shots, shot = np.unique(columns["shot"].astype(str), return_inverse=True)
    each = np.add.reduceat(shot[:, np.newaxis] == np.arange(len(shots)), starts, axis=0, dtype=int)
    blocks["shot"] = shots[each.argmax(axis=1)].astype(object)
    return pd.DataFrame(blocks, columns=BLOCK_COLUMNS)


def _rates(frames: pd.DataFrame) -> Array:
    """Roll and pitch rate of the log at each frame, deg/s, over half a second: logs are rounded."""
    out = np.zeros(len(frames))
    for _, part in frames.groupby("segment", sort=False):
        t_s = part["log_t_s"].to_numpy(float)
        moved = np.zeros(len(part))
        for column in ("log_roll_deg", "log_pitch_deg"):
            angle = np.unwrap(part[column].to_numpy(float), period=360.0)
            moved += (np.interp(t_s + 0.25, t_s, angle) - np.interp(t_s - 0.25, t_s, angle)) ** 2
        out[part.index] = np.sqrt(moved) / 0.5
    return out
