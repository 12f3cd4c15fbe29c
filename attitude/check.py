"""The main job on one sheet: measure, align, compare, infer, decide, write.

Results wait in a folder of their own until all are there, and are renamed into place: bad input leaves what
was there as it was, and an interruption leaves no half-written file.
"""

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from attitude.assumptions import assumptions_of
from attitude.bench import Hold, read_holds
from attitude.clock import ClockError, ClockFit, align, in_real_time
from attitude.corrections import corrections
from attitude.covariates import covariates
from attitude.entries import OTHER_BODIES
from attitude.files import waiting_folder
from attitude.findings import Causes
from attitude.flagged import flagged
from attitude.infer import Witnesses, infer, infer_without_log, solution_of
from attitude.kept_clocks import settled
from attitude.kept_columns import kept_columns
from attitude.kept_tracks import keep, keep_looks, kept, kept_looks, room_for, track_key
from attitude.log import AttitudeLog, attitude_at, read_logs
from attitude.optics import KnownLens, lens_of, readout_s_of
from attitude.picture import footage_roll
from attitude.progress import Progress, Share, part, stage
from attitude.readings import Reading, Settled, contradiction
from attitude.recorded import Recorded
from attitude.recording import footage_key, recorded_of
from attitude.reference_lines import (
    LEVEL_PITCH_SD_DEG,
    LOGGED_PITCH_SD_DEG,
    accuracy_deg,
    at_logged_pitch,
    log_tells_pose,
    read_words,
)
from attitude.repeatability import learn
from attitude.report import PLOTS_OF_FOOTAGE, Material, get_ready, plots_begun
from attitude.residuals import Residuals, as_played, clip_sheet_of, residuals
from attitude.result import UNTOLD_SKY, build_result
from attitude.result_files import put_in_place, write_results
from attitude.review import SIZING, look_through
from attitude.self_checked import Looked, check_begun
from attitude.sheet import CLOCK_SET_YEAR, HORIZON, ClipSheet, Shoot, read_sheet
from attitude.solution import Solution
from attitude.surroundings import surroundings_of, visible_dip_rad
from attitude.takes import part_starts_s
from attitude.verdict import judge
from attitude.workers import at_hand
from attitude.wrong_unit import refuse_wrong_unit
from horizon import MEASURED_COLUMNS
from horizon.angles import other_reading_deg
from horizon.clip import ClipFacts, probe
from horizon.lens import Lens
from horizon.looks import ClipTrack, track_of
from horizon.measure import look_at_clip
from horizon.reference import measure_reference
from horizon.small import SmallPictures

__all__ = ["Examined", "Footage", "Placed", "check", "examine", "placed"]


@dataclass(frozen=True)
class Footage:
    """Clips as measured; lenses and paths by the clip's file name. looked : those that show a horizon."""

    tracks: tuple[ClipTrack, ...]
    lenses: dict[str, KnownLens]
    paths: dict[str, Path]
    looked: tuple[Looked, ...]


@dataclass(frozen=True)
class Placed:
    """Clips measured and laid against the logs. logs, clocks, readings : as settled on."""

    shoot: Shoot
    logs: tuple[AttitudeLog, ...]
    clocks: tuple[ClockFit, ...]
    readings: tuple[Reading, ...]
    footage: Footage
    holds: tuple[Hold, ...]


@dataclass(frozen=True)
class Examined:
    """One shoot measured, aligned and explained. witnesses, solution : None without a log to compare with."""

    shoot: Shoot
    logs: tuple[AttitudeLog, ...]
    clocks: tuple[ClockFit, ...]
    readings: tuple[Reading, ...]
    footage: Footage
    found: Residuals | None
    witnesses: Witnesses | None
    solution: Solution | None
    causes: Causes


def examine(
    sheet: Path,
    *,
    executor: Executor | None = None,
    progress: Progress | None = None,
    small: dict[str, SmallPictures] | None = None,
) -> Examined:
    """Measure one shoot and infer its causes, writing nothing; arguments and errors as for :func:`check`.

    ``small``: takes, by name, small pictures of the clips that had to be measured.
    """
    lying = placed(read_sheet(sheet), executor=executor, progress=progress, small=small)
    shoot, logs, clocks, footage = lying.shoot, lying.logs, lying.clocks, lying.footage
    found = residuals(footage.tracks, logs, clocks, shoot) if clocks else None
    if found is not None and (misread := contradiction(lying.readings)):
        found = replace(found, belongs=misread)
    witnesses = solution = None
    if found is None:
        causes = infer_without_log(footage.tracks, shoot)
    else:
        focal_sd = max(lens.focal_sd for lens in footage.lenses.values())
        witnesses = Witnesses(found, logs, footage.tracks, clocks, focal_sd, lying.holds)
        solution = solution_of(witnesses, shoot, progress, columns=kept_columns)
        causes = infer(witnesses, shoot, solution)
    causes = replace(causes, notes=(*causes.notes, *_remarks(footage.tracks, logs, clocks)))
    return Examined(shoot, logs, clocks, lying.readings, footage, found, witnesses, solution, causes)


def placed(
    shoot: Shoot,
    *,
    executor: Executor | None = None,
    progress: Progress | None = None,
    small: dict[str, SmallPictures] | None = None,
) -> Placed:
    """Measure a shoot's clips and lay them against its logs; arguments and errors as for :func:`examine`."""
    with stage(progress, "reading the logs"):
        logs = read_logs(shoot)
        holds = read_holds(shoot)
    footage = _measure(shoot, executor, progress, small)
    shoot = _divided(_dated(shoot, footage.tracks), footage.tracks)
    with stage(progress, "matching footage and log in time"):
        here = _aligned(footage.tracks, logs, shoot)
    refuse_wrong_unit(footage.tracks, here.logs, here.clocks, here.shoot)
    tracks = at_logged_pitch(footage.tracks, here.logs, here.clocks, here.shoot)
    return Placed(here.shoot, here.logs, here.clocks, here.readings, replace(footage, tracks=tracks), holds)


def check(
    sheet: Path,
    out: Path | None = None,
    *,
    past: Sequence[Recorded] = (),
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> tuple[Material, Path]:
    """Check one shoot and write its results; returns what was found and the folder it was written to.

    ``sheet``: a sheet or the folder that holds one. ``out``: folder for the results, beside the sheet by
    default. ``past``: shoots on record, of any rig; how much they differ enters the decision, and the page
    shows them. What the history is to keep of this one is ``recorded`` of the material; it is not put there
    here. ``progress`` is told the stages, as :mod:`attitude.progress` says.

    Raises
    ------
    SheetError, LogError, BenchError, ClipError, LensError, ClockError, DipError
        What was given cannot be used; the text names the file, the place and the mend.
    """
    small: dict[str, SmallPictures] = {}
    get_ready(at_hand(executor))
    try:
        seen = examine(sheet, executor=executor, progress=progress, small=small)
        return _judged(seen, small, out, past, executor, progress)
    finally:
        for pictures in small.values():
            pictures.close()


def _judged(
    seen: Examined,
    small: Mapping[str, SmallPictures],
    out: Path | None,
    past: Sequence[Recorded],
    executor: Executor | None,
    progress: Progress | None,
) -> tuple[Material, Path]:
    """What follows from what was found, and all results written; arguments as of :func:`check`."""
    logs, clocks, footage, found = seen.logs, seen.clocks, seen.footage, seen.found
    key = footage_key(footage.paths.values())
    earlier = next((one.filmed for one in past if one.key == key), "")
    past = [one for one in past if one.key != key]
    learned = learn(past, seen.shoot.rig)
    shoot = replace(seen.shoot, repeat_sd_deg=learned.sd_deg, repeat_shoots=learned.shoots)
    # Begun before the review video, so that no core waits for the other; the plots, below, too.
    checking = check_begun(footage.looked, executor=executor)
    frames = _frames(footage.tracks, logs, clocks, found, shoot)
    kept = footage_roll(footage.tracks, shoot, found)
    verdict = judge(seen.causes, shoot)
    material = Material(
        shoot=shoot,
        tracks=footage.tracks,
        residuals=found,
        causes=seen.causes,
        verdict=verdict,
        result={},
        frames=frames,
        kept=kept,
        corrections=as_played(corrections(footage.tracks, shoot, found), shoot, ("from_s", "to_s")),
        flagged=as_played(flagged(kept, verdict.tolerance_deg), shoot, ("from_s", "to_s")),
        pictures=(),
        covariates=None if seen.solution is None else covariates(seen.solution, logs),
        past=tuple(past),
    )
    plots = plots_begun(material, at_hand(executor), PLOTS_OF_FOOTAGE)
    folder = out if out is not None else shoot.folder / "result"
    lenses = {clip: known.lens for clip, known in footage.lenses.items()}
    left_out = {name: clip_sheet_of(name, shoot).exclude_s for name in lenses}
    keys_s = {one.clip: one.keys_s * clip_sheet_of(one.clip, shoot).time_scale for one in footage.looked}
    folder.mkdir(parents=True, exist_ok=True)
    # Until everything is drawn, nothing of an earlier check is touched.
    with waiting_folder(folder) as waiting:
        looked = look_through(
            footage.tracks,
            lenses,
            frames,
            kept,
            left_out,
            waiting,
            earlier=folder,
            small=small,
            keys_s=keys_s,
            executor=executor,
            progress=progress,
        )
        with stage(progress, "checking the measuring on turned frames") as told:
            turned = checking(told)
        distrust = (f"the measuring fails its self-check, do not rely on it: {why}" for why in turned.defects)
        causes = replace(seen.causes, notes=(*distrust, *seen.causes.notes))
        verdict = judge(causes, shoot)
        assumptions = assumptions_of(
            shoot, logs, footage.tracks, clocks, found, causes, readings=seen.readings
        )
        causes = replace(causes, notes=(*causes.notes, *looked.notes))
        result = build_result(shoot, footage.tracks, clocks, found, causes, verdict, assumptions, turned)
        material = replace(
            material,
            causes=causes,
            verdict=verdict,
            result=result,
            pictures=looked.pictures,
            self_check=turned,
            review=looked.review,
            worst=looked.worst,
        )
        record = recorded_of(material, key, dt.datetime.now(dt.UTC).astimezone(), earlier)
        material = replace(material, recorded=record)
        with stage(progress, "drawing the plots and writing the page"):
            write_results(material, waiting, plots, at_hand(executor))
        put_in_place(waiting, folder, stands=looked.stands)
    return material, folder


def _measure(
    shoot: Shoot,
    executor: Executor | None,
    progress: Progress | None,
    small: dict[str, SmallPictures] | None,
) -> Footage:
    # All of them first: what cannot be opened is said before minutes of measuring the others.
    files = [(clip, probe(path)) for clip in shoot.clips for path in clip.files]
    for clip, facts in files:
        readout_s_of(facts, shoot.camera, clip)
    ends_s = np.cumsum([0.0, *(max(facts.duration_s, 1.0) for _, facts in files)])
    begins, ends = ends_s[:-1] / ends_s[-1], ends_s[1:] / ends_s[-1]
    tracks: list[ClipTrack] = []
    lenses: dict[str, KnownLens] = {}
    looked: list[Looked] = []
    # The stage of an only clip says it all.
    with stage(progress if len(files) > 1 else None, f"measuring {len(files)} clips") as whole:
        for (clip, facts), first, last in zip(files, begins, ends, strict=True):
            name = facts.path.name
            with stage(progress, f"measuring {name}", of=part(whole, float(first), float(last))) as told:
                known = lenses[name] = lens_of(facts, shoot.camera, clip)
                if clip.reference == HORIZON:
                    looked.append(_look_at(facts, known.lens, executor, told, small))
                    track = _track_of(looked[-1], clip, shoot, known)
                else:
                    track = _measure_reference(facts, clip, shoot, known.lens, executor, told)
            tracks.append(in_real_time(track, clip.time_scale))
    paths = {facts.path.name: facts.path for _, facts in files}
    return Footage(tuple(tracks), lenses, paths, tuple(looked))


def _look_at(
    facts: ClipFacts,
    lens: Lens,
    executor: Executor | None,
    progress: Share,
    small: dict[str, SmallPictures] | None,
) -> Looked:
    key = track_key(facts, {"lens": lens, "reference": HORIZON})
    looks = kept_looks(key, facts)
    if looks is None:
        if (pictures := None if small is None else room_for(SIZING)) is not None and small is not None:
            small[facts.path.name] = pictures
        looks = look_at_clip(facts, lens, executor=executor, progress=progress, pictures=pictures)
        keep_looks(key, looks, facts.path.name)
    return Looked(facts, lens, looks, key)


def _track_of(seen: Looked, clip: ClipSheet, shoot: Shoot, known: KnownLens) -> ClipTrack:
    return track_of(
        seen.looks,
        seen.facts,
        seen.lens,
        dip_rad=visible_dip_rad(shoot.horizon),
        surroundings=surroundings_of(shoot, clip, known),
        readout_s=readout_s_of(seen.facts, shoot.camera, clip),
    )


def _measure_reference(
    facts: ClipFacts, clip: ClipSheet, shoot: Shoot, lens: Lens, executor: Executor | None, progress: Share
) -> ClipTrack:
    """A clip of a plumb or level line; kept whole, since its reading is what the measuring was told."""
    logged = log_tells_pose(shoot)
    told: dict[str, Any] = {
        "kind": clip.reference,
        "lines": clip.lines,
        "accuracy_rad": math.radians(accuracy_deg(clip)),
        "upright": not logged,
        "pitch_sd_rad": math.radians(LOGGED_PITCH_SD_DEG if logged else LEVEL_PITCH_SD_DEG),
    }
    key = track_key(facts, {"lens": lens, "reference": clip.reference, **told})
    track = kept(key, facts)
    if track is None:
        track = measure_reference(facts, lens, **told, executor=executor, progress=progress)
        keep(key, track)
    return track


def _dated(shoot: Shoot, tracks: Sequence[ClipTrack]) -> Shoot:
    """The shoot with the day its first clip was filmed, when the sheet names none and the clip does."""
    created = (track.facts.created for track in tracks)
    made = [one for one in created if one is not None and one.year >= CLOCK_SET_YEAR]
    return replace(shoot, date=min(made).date()) if shoot.date is None and made else shoot


def _divided(shoot: Shoot, tracks: Sequence[ClipTrack]) -> Shoot:
    """The shoot with the places of the files in takes that the camera cut."""
    lasts_s = {track.clip: track.facts.duration_s for track in tracks}
    clips = []
    for clip in shoot.clips:
        starts_s = tuple(part_starts_s(clip, lasts_s).values())
        clips.append(replace(clip, starts_s=starts_s) if len(clip.files) > 1 else clip)
    return replace(shoot, clips=tuple(clips))


def _aligned(tracks: Sequence[ClipTrack], logs: Sequence[AttitudeLog], shoot: Shoot) -> Settled:
    """Logs as the footage wants them read, and clocks; none where log and picture are not compared anyhow."""
    if not (shoot.stabilised or all(log.attitude_of in OTHER_BODIES for log in logs)):
        return settled(tracks, logs, shoot)
    try:
        return Settled(shoot, tuple(logs), align(tracks, logs, shoot))
    except ClockError:
        return Settled(shoot, tuple(logs), ())


def _remarks(
    tracks: Sequence[ClipTrack], logs: Sequence[AttitudeLog], clocks: Sequence[ClockFit]
) -> list[str]:
    """What was mended or noticed while measuring, reading and aligning."""
    said = [*(note for track in tracks for note in track.notes), *read_words(tracks)]
    said += [f"{log.name}: {note}" for log in logs for note in log.notes]
    return [*said, *(f"{clock.clip}: {clock.note}" for clock in clocks if clock.note)]


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
    return as_played(pd.concat(parts, ignore_index=True), shoot)


def _settled(track: ClipTrack, found: Residuals | None) -> pd.DataFrame:
    """The track in the reading (which half is sky) that was settled on; not measured where none was."""
    table = track.track
    if track.sky == "unknown" and found is None:
        measured = table["roll_deg"].notna()
        table = table.assign(reason=table["reason"].mask(measured, UNTOLD_SKY))
        return table.assign(**dict.fromkeys(MEASURED_COLUMNS, np.nan), claims="")
    if found is not None and track.clip in found.turned_over:
        roll_deg, pitch_deg = other_reading_deg(table["roll_deg"], table["pitch_deg"], track.dip_rad)
        # The interval keeps its sides: a ridge raises the line towards the sky, whichever way up that is.
        moved = {f"pitch_{end}_deg": table[f"pitch_{end}_deg"] for end in ("low", "high")}
        moved = {name: bound + (pitch_deg - table["pitch_deg"]) for name, bound in moved.items()}
        return table.assign(roll_deg=roll_deg, pitch_deg=pitch_deg, **moved)
    return table
