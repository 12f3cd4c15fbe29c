"""Plumb lines and level lines beside the log: the roll they show at the logged pitch, and their words.

A single line tells one angle: a plumb line the roll at a given pitch, a level line the roll alone. The pitch
is the log's, so the line says nothing about it: its rows stay open (:func:`attitude.solution.noise_of`).

A line looks the same in a camera that is upside down. There roll is 180 deg plus what the line shows at minus
the pitch: turning a camera over about its lens axis turns right and down round, and the lens keeps its pitch.
Which of the two it was is settled by the log, look by look, for a clip may hold both; that is a choice of
180 deg, and no lean can come of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from attitude.entries import OTHER_BODIES
from attitude.log import AttitudeLog, attitude_at
from attitude.residuals import clip_sheet_of
from attitude.sheet import HORIZON, ClipSheet, Shoot
from horizon import MEASURED_COLUMNS
from horizon.angles import other_reading_deg, wrap_deg
from horizon.reference import LEVEL_LINE, PLUMB_LINE, place_sd_rad, roll_from_line

if TYPE_CHECKING:
    import pandas as pd

    from attitude.clock import ClockFit
    from horizon.measure import ClipTrack

__all__ = ["CONTRADICTED", "LEVEL_PITCH_SD_DEG", "LOGGED_PITCH_SD_DEG", "OPEN_PITCH_DEG", "WORDS"]
__all__ += ["accuracy_deg", "at_logged_pitch", "log_tells_pose"]
__all__ += ["read_words", "reference_words", "references_words"]

Array = NDArray[np.float64]

# Sd of a pitch that nothing measured: so large that no number of looks in a block makes a measurement of it.
OPEN_PITCH_DEG = 180.0
# How well the pitch is known at which a line is read: the log's, or that of a camera taken to be level.
LOGGED_PITCH_SD_DEG, LEVEL_PITCH_SD_DEG = 1.0, 3.0
UNLOGGED = "the log has no attitude here, and the line needs it"
MOST_PITCH_OFF_DEG = 5.0
CONTRADICTED = "the two lines tell another pitch than the log: not two strings, or another log"
NOT_PLUMB = "at the logged pitch no roll makes this line plumb"
WORDS = {HORIZON: "horizon", PLUMB_LINE: "plumb line", LEVEL_LINE: "level line"}


def log_tells_pose(shoot: Shoot) -> bool:
    """Whether a log of the camera's own attitude may tell the pitch of a picture, and which way up it is."""
    own = any(log.attitude_of not in OTHER_BODIES for log in shoot.logs)
    return own and not shoot.stabilised


def at_logged_pitch(
    tracks: Sequence[ClipTrack], logs: Sequence[AttitudeLog], clocks: Sequence[ClockFit], shoot: Shoot
) -> tuple[ClipTrack, ...]:
    """The tracks, those of plumb and level lines read at the log's pitch and the way up that the log says.

    tracks : as for :func:`attitude.residuals.residuals`. logs, clocks : as settled on. Looks at which the log
    has no attitude count as not measured; clips without a place in the log stay as they are.
    """
    clock_of = {clock.clip: clock for clock in clocks}
    found = []
    for track in tracks:
        clock = clock_of.get(track.clip)
        if track.normals is None or clock is None or clock.offset_s is None or not log_tells_pose(shoot):
            found.append(track)
        else:
            found.append(_read(track, logs[clock.log_index], clock.offset_s, shoot))
    return tuple(found)


def _read(track: ClipTrack, log: AttitudeLog, offset_s: float, shoot: Shoot) -> ClipTrack:
    """One clip at the log's pitch."""
    assert track.normals is not None
    sheet, table = clip_sheet_of(track.clip, shoot), track.track
    logged = attitude_at(log, table["t_s"].to_numpy(float) + offset_s)
    log_pitch_deg = logged["pitch_deg"].to_numpy(float)
    # The roll that the stored pixels had, were there no lean.
    turned_deg = float(shoot.camera.mount_roll_deg - sheet.picture_turned_deg)
    expected_deg = logged["roll_deg"].to_numpy(float) + turned_deg
    table = _pair(track, expected_deg) if track.tells_pitch else _single(track, expected_deg, log_pitch_deg)
    if track.tells_pitch:
        off_deg = np.abs(table["pitch_deg"].to_numpy(float) - log_pitch_deg)
        table = table.assign(reason=table["reason"].mask(off_deg > MOST_PITCH_OFF_DEG, CONTRADICTED))
    return replace(track, track=_refused(table, log_pitch_deg), sky="log")


def _pair(track: ClipTrack, expected_deg: Array) -> pd.DataFrame:
    """Two plumb lines, which tell the pitch themselves, the way up that is expected."""
    roll_deg, pitch_deg = (track.track[f"{axis}_deg"].to_numpy(float) for axis in ("roll", "pitch"))
    over = other_reading_deg(roll_deg, pitch_deg, track.dip_rad)
    far = _far(roll_deg, expected_deg)
    return track.track.assign(
        roll_deg=np.where(far, over[0], roll_deg), pitch_deg=np.where(far, over[1], pitch_deg)
    )


def _single(track: ClipTrack, expected_deg: Array, log_pitch_deg: Array) -> pd.DataFrame:
    """One line at the log's pitch, the way up that is expected, with what its place then adds to the sd."""
    assert track.normals is not None
    kind, normals, pitch_rad = track.reference, track.normals, np.radians(log_pitch_deg)
    upright_deg = np.degrees(roll_from_line(kind, normals, pitch_rad)[0])
    over_deg = 180 + np.degrees(roll_from_line(kind, normals, -pitch_rad)[0])
    far = _far(upright_deg, expected_deg)
    at_level, here = (
        np.degrees(place_sd_rad(kind, normals, pitch, pitch_sd_rad=math.radians(LOGGED_PITCH_SD_DEG)))
        for pitch in (np.zeros(len(normals)), np.where(far, -1.0, 1.0) * pitch_rad)
    )
    sds = {
        name: np.sqrt(np.maximum(track.track[name] ** 2 - at_level**2, 0.0) + here**2)
        for name in ("roll_sd_deg", "shared_roll_sd_deg")
    }
    return track.track.assign(
        roll_deg=wrap_deg(np.where(far, over_deg, upright_deg)),
        pitch_deg=log_pitch_deg,
        pitch_sd_deg=OPEN_PITCH_DEG,
        line_pitch_sd_deg=OPEN_PITCH_DEG,
        shared_pitch_sd_deg=0.0,
        pitch_low_deg=-90.0,
        pitch_high_deg=90.0,
        **sds,
    )


def _far(upright_deg: Array, expected_deg: Array) -> NDArray[np.bool_]:
    """Looks of which the upright reading is not the one that the log knows."""
    return np.asarray(np.abs(wrap_deg(upright_deg - expected_deg)) > 90)


def _refused(table: pd.DataFrame, log_pitch_deg: Array) -> pd.DataFrame:
    """The table with looks that the log does not reach, or that cannot be, counted as not measured."""
    silent = table["reason"] == ""
    unlogged = silent & ~np.isfinite(log_pitch_deg)
    odd = silent & ~unlogged & table["roll_deg"].isna()
    table = table.assign(reason=table["reason"].mask(unlogged, UNLOGGED).mask(odd, NOT_PLUMB))
    unknown = (table["reason"] != "").to_numpy()
    table.loc[unknown, MEASURED_COLUMNS] = np.nan
    return table.assign(claims=table["claims"].mask(unknown, ""))


def read_words(tracks: Sequence[ClipTrack]) -> list[str]:
    """What was taken from the log to read plumb and level lines: one sentence, or none."""
    lines = [track for track in tracks if track.sky == "log" and not track.tells_pitch]
    read = [track.clip for track in lines if track.track["roll_deg"].notna().any()]
    clips = ", ".join(read)
    return [f"{clips}: read at the log's pitch, and the way up that the log says"] if clips else []


def accuracy_deg(clip: ClipSheet) -> float:
    """Sd of the line itself from true; 0 for a string, which hangs plumb, and for a horizon."""
    return clip.level_accuracy_deg if clip.reference == LEVEL_LINE else 0.0


def reference_words(clip: ClipSheet) -> str:
    """``level line, good to 0.3 mm/m``: what roll was measured against in one clip."""
    if clip.reference == LEVEL_LINE:
        slope = 1000 * math.sin(math.radians(clip.level_accuracy_deg))
        return f"level line, good to {slope:.2g} mm/m"
    return "two plumb lines" if clip.lines == 2 else WORDS[clip.reference]


def references_words(shoot: Shoot) -> list[str]:
    """``plumb line (a.mp4, b.mp4)``, one for each reference; empty where all clips show the horizon."""
    if all(clip.reference == HORIZON for clip in shoot.clips):
        return []
    clips: dict[str, list[str]] = {}
    for clip in shoot.clips:
        clips.setdefault(reference_words(clip), []).extend(file.name for file in clip.files)
    return [f"{words} ({', '.join(names)})" for words, names in clips.items()]
