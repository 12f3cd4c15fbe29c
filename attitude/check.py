"""The main job on one sheet: measure, align, compare, infer, decide, write.

Everything is worked out before the first file is written, and files are renamed into place: bad input
leaves the folder as it was and an interruption leaves no half-written file.
"""

import json
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.assumptions import assumptions_of
from attitude.bench import read_holds
from attitude.clock import ClockError, ClockFit, align
from attitude.corrections import corrections
from attitude.entries import OTHER_BODIES
from attitude.files import write_whole
from attitude.findings import Causes
from attitude.flagged import flagged
from attitude.infer import Witnesses, infer, infer_without_log, solution_of
from attitude.log import AttitudeLog, attitude_at, read_logs
from attitude.optics import KnownLens, lens_of
from attitude.picture import footage_roll
from attitude.readings import Reading, Settled, contradiction, settle
from attitude.report import Material, Picture, write_report
from attitude.residuals import Residuals, clip_sheet_of, residuals
from attitude.result import UNTOLD_SKY, build_result
from attitude.sheet import ClipSheet, Shoot, read_sheet
from attitude.solution import Solution
from attitude.surroundings import surroundings_of, visible_dip_rad
from attitude.verdict import judge
from horizon import TRACK_COLUMNS
from horizon.angles import other_reading_deg, up_from_angles, wrap_deg
from horizon.clip import probe, read_frames, read_pictures
from horizon.draw import draw_horizon
from horizon.measure import ClipTrack, measure_clip
from horizon.selfcheck import Sample, fits_in, self_check

__all__ = ["Examined", "check", "examine", "write_frames"]

Progress = Callable[[str, float], None]

SELF_CHECKED, SAMPLED_S = 4, 60.0
# What a look tells of the horizon, empty where there was none.
MEASURED = [name for name in TRACK_COLUMNS if name not in ("clip", "frame", "t_s", "reason", "claims")]


@dataclass(frozen=True)
class _Footage:
    tracks: tuple[ClipTrack, ...]
    lenses: dict[str, KnownLens]
    paths: dict[str, Path]


@dataclass(frozen=True)
class Examined:
    """One shoot measured, aligned and explained. witnesses, solution : None without a log to compare with."""

    shoot: Shoot
    logs: tuple[AttitudeLog, ...]
    clocks: tuple[ClockFit, ...]
    readings: tuple[Reading, ...]
    footage: _Footage
    found: Residuals | None
    witnesses: Witnesses | None
    solution: Solution | None
    causes: Causes


def examine(sheet: Path, *, executor: Executor | None = None, progress: Progress | None = None) -> Examined:
    """Measure one shoot and infer its causes, writing nothing; arguments and errors as for :func:`check`."""
    shoot = read_sheet(sheet)
    logs = read_logs(shoot)
    holds = read_holds(shoot)
    footage = _measure(shoot, executor, progress)
    shoot = _dated(shoot, footage.tracks)
    settled = _aligned(footage.tracks, logs, shoot)
    shoot, logs, clocks = settled.shoot, settled.logs, settled.clocks
    found = residuals(footage.tracks, logs, clocks, shoot) if clocks else None
    if found is not None and (misread := contradiction(settled.readings)):
        found = replace(found, belongs=misread)
    witnesses = solution = None
    if found is None:
        causes = infer_without_log(footage.tracks, shoot)
    else:
        focal_sd = max(lens.focal_sd for lens in footage.lenses.values())
        witnesses = Witnesses(found, logs, footage.tracks, clocks, focal_sd, holds)
        solution = solution_of(witnesses, shoot)
        causes = infer(witnesses, shoot, solution)
    causes = replace(causes, notes=(*causes.notes, *_remarks(logs, clocks)))
    return Examined(shoot, logs, clocks, settled.readings, footage, found, witnesses, solution, causes)


def check(
    sheet: Path,
    out: Path | None = None,
    *,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> tuple[Material, Path]:
    """Check one shoot and write its results; returns what was found and the folder it was written to.

    ``sheet``: a sheet or the folder that holds one. ``out``: folder for the results, beside the sheet by
    default. ``progress`` is told a clip's name and the share of it that is done.

    Raises
    ------
    SheetError, LogError, BenchError, ClipError, LensError, ClockError, DipError
        What was given cannot be used; the text names the file, the place and the mend.
    """
    seen = examine(sheet, executor=executor, progress=progress)
    shoot, logs, clocks, footage, found = seen.shoot, seen.logs, seen.clocks, seen.footage, seen.found
    checked = self_check(_samples(footage), executor=executor)
    distrust = (f"the measuring fails its self-check, do not rely on it: {why}" for why in checked.defects)
    causes = replace(seen.causes, notes=(*distrust, *seen.causes.notes))
    verdict = judge(causes, shoot)
    assumptions = assumptions_of(shoot, logs, footage.tracks, clocks, found, causes, readings=seen.readings)
    frames = _frames(footage.tracks, logs, clocks, found, shoot)
    kept = footage_roll(footage.tracks, shoot, found)
    material = Material(
        shoot=shoot,
        tracks=footage.tracks,
        residuals=found,
        causes=causes,
        verdict=verdict,
        result=build_result(shoot, footage.tracks, clocks, found, causes, verdict, assumptions, checked),
        frames=frames,
        corrections=_in_clip_time(corrections(footage.tracks, shoot, found), shoot, ("from_s", "to_s")),
        flagged=_in_clip_time(flagged(kept, verdict.tolerance_deg), shoot, ("from_s", "to_s")),
        pictures=_pictures(footage, shoot, found),
        self_check=checked,
    )
    folder = out if out is not None else shoot.folder / "result"
    _write(material, folder)
    return material, folder


def _measure(shoot: Shoot, executor: Executor | None, progress: Progress | None) -> _Footage:
    tracks: list[ClipTrack] = []
    lenses: dict[str, KnownLens] = {}
    paths: dict[str, Path] = {}
    for clip in shoot.clips:
        for path in clip.files:
            told = None if progress is None else partial(progress, path.name)
            track, lenses[path.name] = _measure_file(path, clip, shoot, executor, told)
            paths[path.name] = path
            tracks.append(_in_real_time(track, clip.time_scale))
    return _Footage(tuple(tracks), lenses, paths)


def _measure_file(
    path: Path,
    clip: ClipSheet,
    shoot: Shoot,
    executor: Executor | None,
    progress: Callable[[float], None] | None,
) -> tuple[ClipTrack, KnownLens]:
    facts = probe(path)
    known = lens_of(facts, shoot.camera, clip)
    track = measure_clip(
        facts,
        known.lens,
        dip_rad=visible_dip_rad(shoot.horizon),
        surroundings=surroundings_of(shoot, clip, known),
        executor=executor,
        progress=progress,
    )
    return track, known


def _dated(shoot: Shoot, tracks: Sequence[ClipTrack]) -> Shoot:
    """The shoot with the day its first clip was filmed, when the sheet names none and the clip does."""
    made = [track.facts.created for track in tracks if track.facts.created is not None]
    return replace(shoot, date=min(made).date()) if shoot.date is None and made else shoot


def _aligned(tracks: Sequence[ClipTrack], logs: Sequence[AttitudeLog], shoot: Shoot) -> Settled:
    """Logs as the footage wants them read, and clocks; none where log and picture are not compared anyhow."""
    if not (shoot.stabilised or all(log.attitude_of in OTHER_BODIES for log in logs)):
        return settle(tracks, logs, shoot)
    try:
        return Settled(shoot, tuple(logs), align(tracks, logs, shoot))
    except ClockError:
        return Settled(shoot, tuple(logs), ())


def _remarks(logs: Sequence[AttitudeLog], clocks: Sequence[ClockFit]) -> list[str]:
    """What was mended or noticed while reading and aligning."""
    said = [f"{log.name}: {note}" for log in logs for note in log.notes]
    return [*said, *(f"{clock.clip}: {clock.note}" for clock in clocks if clock.note)]


def _in_real_time(track: ClipTrack, time_scale: float) -> ClipTrack:
    """Slowed-down footage brought to the time in which it was filmed, which is the log's."""
    if time_scale == 1.0:
        return track
    yaw_rate = track.yaw_rate.assign(
        t_s=track.yaw_rate["t_s"] * time_scale,
        yaw_rate_dps=track.yaw_rate["yaw_rate_dps"] / time_scale,
        yaw_rate_sd_dps=track.yaw_rate["yaw_rate_sd_dps"] / time_scale,
    )
    return replace(track, track=track.track.assign(t_s=track.track["t_s"] * time_scale), yaw_rate=yaw_rate)


def _in_clip_time(table: pd.DataFrame, shoot: Shoot, columns: Sequence[str]) -> pd.DataFrame:
    """Times of a table with a ``clip`` column back in the time a player shows."""
    scale = np.array([clip_sheet_of(str(clip), shoot).time_scale for clip in table["clip"]])
    return table.assign(**{column: table[column] / scale for column in columns}) if len(table) else table


def _frames(
    tracks: Sequence[ClipTrack],
    logs: Sequence[AttitudeLog],
    clocks: Sequence[ClockFit],
    found: Residuals | None,
    shoot: Shoot,
) -> pd.DataFrame:
    """Every frame looked at, with the log's roll and pitch at its time (NaN where there is none)."""
    clock_of = {clock.clip: clock for clock in clocks}
    parts = []
    for track in tracks:
        part = _settled(track, found).assign(log_roll_deg=np.nan, log_pitch_deg=np.nan)
        clock = clock_of.get(track.clip)
        if clock is not None and clock.offset_s is not None:
            there = attitude_at(logs[clock.log_index], part["t_s"].to_numpy(float) + clock.offset_s)
            part["log_roll_deg"] = there["roll_deg"].to_numpy(float)
            part["log_pitch_deg"] = there["pitch_deg"].to_numpy(float)
        parts.append(part)
    return _in_clip_time(pd.concat(parts, ignore_index=True), shoot, ("t_s",))


def _settled(track: ClipTrack, found: Residuals | None) -> pd.DataFrame:
    """The track in the reading (which half is sky) that was settled on; not measured where none was."""
    table = track.track
    if track.sky == "unknown" and found is None:
        measured = table["roll_deg"].notna()
        table = table.assign(reason=table["reason"].mask(measured, UNTOLD_SKY))
        return table.assign(**dict.fromkeys(MEASURED, np.nan), claims="")
    if found is not None and track.clip in found.turned_over:
        roll_deg, pitch_deg = other_reading_deg(table["roll_deg"], table["pitch_deg"], track.dip_rad)
        # The interval keeps its sides: a ridge raises the line towards the sky, whichever way up that is.
        moved = {f"pitch_{end}_deg": table[f"pitch_{end}_deg"] for end in ("low", "high")}
        moved = {name: bound + (pitch_deg - table["pitch_deg"]) for name, bound in moved.items()}
        return table.assign(roll_deg=roll_deg, pitch_deg=pitch_deg, **moved)
    return table


def _samples(footage: _Footage) -> Iterator[Sample]:
    """A few measured frames for the self-check, spread over the clips, their time and the roll."""
    parts = []
    for track in footage.tracks:
        table = track.track.dropna(subset=["roll_deg", "pitch_deg"])
        roll_deg, pitch_deg = (table[name].to_numpy(float) for name in ("roll_deg", "pitch_deg"))
        inside = fits_in(footage.lenses[track.clip].lens, roll_deg, pitch_deg, track.dip_rad)
        table = table.loc[inside, ["clip", "frame", "t_s", "roll_deg"]]
        if len(table):
            # Finding a frame means decoding up to it.
            parts.append(table[table["t_s"] <= table["t_s"].min() + SAMPLED_S])
    if not parts:
        return
    able = pd.concat(parts, ignore_index=True)
    chosen = able.loc[_spread(able, SELF_CHECKED)]
    track_of = {track.clip: track for track in footage.tracks}
    for clip, rows in chosen.groupby("clip", sort=False):
        wanted = dict(zip(rows["frame"].tolist(), rows[["t_s", "roll_deg"]].to_numpy(float), strict=True))
        lens, dip_rad = footage.lenses[str(clip)].lens, track_of[str(clip)].dip_rad
        for frame in read_frames(footage.paths[str(clip)]):
            if frame.index in wanted:
                t_s, its_roll_deg = wanted.pop(frame.index).tolist()
                yield Sample(str(clip), t_s, frame.luma, lens, its_roll_deg, dip_rad)
            if not wanted:
                break


def _spread(frames: pd.DataFrame, count: int) -> list[int]:
    """Rows that lie far apart: each the one farthest from those already taken."""
    t_s = frames["t_s"].to_numpy(float) / SAMPLED_S
    roll = np.deg2rad(frames["roll_deg"].to_numpy(float))
    clip = pd.factorize(frames["clip"])[0]
    taken: list[int] = []
    nearest = np.full(len(frames), np.inf)
    while len(taken) < min(count, len(frames)):
        k = int(np.argmax(nearest))
        taken.append(k)
        apart = np.abs(t_s - t_s[k]) + 2 * np.abs(np.sin((roll - roll[k]) / 2)) + (clip != clip[k])
        nearest = np.minimum(nearest, apart)
    return taken


def _pictures(footage: _Footage, shoot: Shoot, found: Residuals | None) -> tuple[Picture, ...]:
    """The worst frame, a typical one and, where there is one, an upside-down one, horizon drawn."""
    table = footage_roll(footage.tracks, shoot, found).reset_index(drop=True)
    if table.empty:
        return ()
    tilt = table["tilt_deg"].to_numpy(float)
    over = np.abs(wrap_deg(table["pose_deg"].to_numpy(float))) > 90
    upright = np.flatnonzero(~over) if (~over).any() else np.arange(len(table))

    def typical(rows: NDArray[np.intp]) -> int:
        return int(rows[np.argmin(np.abs(tilt[rows] - np.median(tilt[rows])))])

    # Worst over about a second: a single frame is more often a jolt or a camera being turned over.
    steady = table.groupby("clip")["tilt_deg"].transform(lambda part: part.rolling(5, center=True).median())
    worst = np.nan_to_num(np.abs(steady.to_numpy(float)))
    chosen = [
        (int(upright[np.argmax(worst[upright])]), "The frame that leans most"),
        (typical(upright), "A typical frame"),
    ]
    if over.any() and (~over).any():
        chosen.append((typical(np.flatnonzero(over)), "Upside down"))
    else:
        chosen.append((int(upright[0]), "The first frame measured"))
    # One frame may be chosen twice: its first caption stays.
    captions: dict[int, str] = {}
    for index, caption in chosen:
        captions.setdefault(index, caption)
    clips, times_s = table["clip"].tolist(), table["t_s"].tolist()
    track_of = {track.clip: track for track in footage.tracks}
    rows = {
        index: int(np.argmin(np.abs(track_of[clips[index]].track["t_s"].to_numpy(float) - times_s[index])))
        for index in captions
    }
    # Finding a frame means decoding up to it: each clip is gone through once for all that is wanted of it.
    images = {
        clip: read_pictures(
            footage.paths[clip],
            [int(track_of[clip].track["frame"].iloc[rows[i]]) for i in captions if clips[i] == clip],
        )
        for clip in {clips[index] for index in captions}
    }
    drawn = []
    for index, caption in captions.items():
        track, lens = track_of[clips[index]], footage.lenses[clips[index]].lens
        at = {name: track.track[name].tolist()[rows[index]] for name in ("frame", "roll_deg", "pitch_deg")}
        image = images[clips[index]].get(at["frame"])
        if image is not None:
            up = up_from_angles(np.radians(at["roll_deg"]), np.radians(at["pitch_deg"]))
            image = draw_horizon(image, lens, up, dip_rad=track.dip_rad)
            drawn.append(Picture(caption, clips[index], times_s[index], image))
    return tuple(drawn)


def _write(material: Material, folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    write_frames(material.frames, folder)
    table = material.corrections.round({"from_s": 2, "to_s": 2, "turn_deg": 2, "crop_percent": 1})
    _write_text(folder / "corrections.csv", table.to_csv(index=False, lineterminator="\n"))
    write_report(material, folder)
    # Last, so that whoever waits for the result finds the rest beside it.
    text = json.dumps(material.result, indent=1, ensure_ascii=False, allow_nan=False)
    _write_text(folder / "result.json", text + "\n")


def write_frames(frames: pd.DataFrame, folder: Path) -> None:
    """Write ``frames.csv``: the track, angles to 0.0001 deg."""
    _write_text(folder / "frames.csv", frames.to_csv(index=False, float_format="%.4f", lineterminator="\n"))


def _write_text(path: Path, text: str) -> None:
    """Write a file whole or not at all."""
    write_whole(path, text.encode("utf-8"))
