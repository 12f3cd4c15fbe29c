"""Where the clips of a folder lie in its logs: by motion first, else by the times that files carry.

A clip that stands still is placed beside those whose place their motion tells; that is good to a second or
two, and within it the clip is put where the log stands as still, as long as it does so in one pose only. One
that moves is then looked for in that part of the log alone.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from attitude.clock import MOTION, ClockError, ClockFit, align
from attitude.columns import recognise
from attitude.guess_time import Wall, wall_clock
from attitude.log import AttitudeLog
from attitude.pairs import (
    SLACK_S,
    SOURCE_WORDS,
    SOURCES,
    hours_apart,
    name_stamp,
    places_by_stamp,
    stamps_of,
    start_and_end,
)
from attitude.sheet import Shoot
from attitude.table import preamble
from attitude.trial import LogFile, moves, without_pans
from horizon.clip import ClipFacts
from horizon.measure import ClipTrack

__all__ = ["MEASURED", "Place", "by_stamps", "places", "wall_of"]

Array = NDArray[np.float64]

MEASURED = frozenset({"motion", "tilts", "near its stamp"})  # what a picture and a log told together
BESIDE_S = 2.0  # what stamps to the second leave open beside a clip that is placed
STILL_DEG, STAND_STEP_S = 0.5, 0.25
BY_FILE = "by its file time"
DATED_S = 1.0e9  # log times beyond this count from 1970


@dataclass(frozen=True)
class Place:
    """Where a clip lies.

    log : which of the logs, None for none. start_s : log time of its first frame, None where it is not known
    or not needed. how : "motion", "otherwise" (by motion, but not at the log's own scale), "near its stamp"
    (by motion, once its time told where to look), "stamps", "not needed" or "" (not known). why : in words.
    """

    log: int | None
    start_s: float | None
    how: str
    why: str

    @property
    def known(self) -> bool:
        """Whether the sheet can be checked with this clip in it."""
        return self.how != ""


def places(
    tracks: Sequence[ClipTrack],
    logs: Sequence[AttitudeLog],
    shoot: Shoot,
    found: Mapping[str, ClockFit],
    panless: Collection[str] = (),
) -> dict[str, Place]:
    """Each clip by its motion.

    found : clocks that are known already, in these logs. panless : clips that were found without their pans.
    """
    out: dict[str, Place] = {}
    for track in tracks:
        seen = without_pans(track) if track.clip in panless else track
        clock = found.get(track.clip)
        if clock is None:
            for seen in (track, without_pans(track)):
                try:
                    (clock,) = align([seen], logs, shoot)
                except ClockError as error:
                    # What is wrong comes first; the mend is that of another command.
                    why = str(error).partition("; add log_start_s")[0].split(": ")[-1]
                    out.setdefault(track.clip, Place(None, None, "", why))
                else:
                    break
        if clock is None:
            continue
        if clock.how != MOTION:
            note = clock.note or "the log holds one pose only"
            out[track.clip] = Place(clock.log_index, None, "not needed", note)
        elif not clock.own_scale:
            out[track.clip] = Place(clock.log_index, None, "otherwise", clock.note)
        elif seen is track:
            out[track.clip] = Place(clock.log_index, clock.offset_s, "motion", "by its motion")
        else:
            why = "by its tilts and rolls: its pans are not seen well enough"
            out[track.clip] = Place(clock.log_index, clock.offset_s, "tilts", why)
    return out


def by_stamps(
    clips: Sequence[ClipFacts],
    tracks: Mapping[str, ClipTrack],
    logs: Sequence[AttitudeLog],
    walls: Sequence[Wall | None],
    shoot: Shoot,
    placed: Mapping[str, Place],
) -> dict[str, Place]:
    """The clips without a place put into the logs by the times of their files, where these allow it.

    walls : the logs by the wall clock, where they tell.
    """
    out = dict(placed)
    for clip in clips:
        if clip.path.name in placed and placed[clip.path.name].known:
            continue
        slack_s, why, options = _options(clip, clips, logs, walls, placed)
        track = tracks.get(clip.path.name)
        if not options and track is not None and moves(track) < 1:
            pose = _still_throughout(clip.duration_s, logs)
            if pose is not None:
                out[clip.path.name] = Place(*pose, "stamps", "anywhere: the log stands still throughout")
            continue
        inside = [
            (index, start_s)
            for index, start_s in options
            if _covers(logs[index], start_s, start_s + clip.duration_s, slack_s)
        ]
        if not inside:
            continue
        if track is not None and (near := _near(track, inside, slack_s, logs, shoot)) is not None:
            out[clip.path.name] = Place(
                near[0], near[1], "near its stamp", f"by its motion near the time {why}"
            )
        elif (pose := _still(inside, clip.duration_s, slack_s, logs)) is not None:
            index, start_s = pose
            about = f"to about {slack_s:.0f} s {why}; the log stands still there"
            out[clip.path.name] = Place(index, start_s, "stamps", about)
    return out


def wall_of(file: LogFile, log: AttitudeLog) -> Wall | None:
    """A log by the wall clock: by its columns, its name, what it says before its rows, or its file's time."""
    length_s = float(log.table["t_s"].iloc[-1] - log.table["t_s"].iloc[0])
    wall = wall_clock(file.table, recognise(file.table.names, file.table.units))
    if wall is not None:
        return replace(wall, to_s=wall.from_s + length_s)
    for text, how in ((file.path.stem, "by its name"), (preamble(file.path), "by what it says at its top")):
        if (start_s := name_stamp(text)) is not None:
            return Wall(start_s, start_s + length_s, True, how)
    end_s = file.path.stat().st_mtime
    return Wall(end_s - length_s, end_s, True, BY_FILE)


def _options(
    clip: ClipFacts,
    clips: Sequence[ClipFacts],
    logs: Sequence[AttitudeLog],
    walls: Sequence[Wall | None],
    placed: Mapping[str, Place],
) -> tuple[float, str, list[tuple[int, float]]]:
    """What the times leave open, s, by which times, in words, and where in which log the clip may begin."""
    known = {name: place for name, place in placed.items() if place.start_s is not None}
    dated = all(float(log.table["t_s"].iloc[0]) > DATED_S for log in logs)
    options: list[tuple[int, float]] = []
    words = ""
    for index in sorted({place.log for place in known.values() if place.log is not None}):
        starts = {
            n: p.start_s for n, p in known.items() if p.start_s is not None and (dated or p.log == index)
        }
        source, times_s = places_by_stamp(clip, starts, clips)
        if times_s:
            words = f"by {SOURCE_WORDS[source]} and those of {', '.join(sorted(starts)[:2])}"
            options += [(i, t_s) for t_s in times_s for i in (range(len(logs)) if dated else (index,))]
    if options:
        return BESIDE_S, words, options
    spans = [(wall.from_s, wall.to_s) for wall in walls if wall is not None and wall.dated]
    for source in SOURCES:
        # File times are those of copying, unless they leave every clip its time; to be trusted for a log as
        # well.
        if source != "file" and any(wall is not None and wall.how == BY_FILE for wall in walls):
            continue
        if (shift := hours_apart(clips, spans, source)) is None:
            continue
        hours, at_end = shift
        for index, wall in enumerate(walls):
            if wall is not None and wall.dated:
                begin_s = start_and_end(clip, stamps_of(clip)[source])[at_end] + 3600 * hours
                first_s = float(logs[index].table["t_s"].iloc[0])
                options.append((index, first_s + begin_s - wall.from_s))
        ends = "end" if at_end else "start"
        zone = f", {hours:+g} h" if hours else ""
        return SLACK_S, f"by {SOURCE_WORDS[source]} taken for its {ends}{zone}", options
    return 0.0, "", []


def _covers(log: AttitudeLog, from_s: float, to_s: float, slack_s: float) -> bool:
    t_s = log.table["t_s"]
    return bool(t_s.iloc[0] - slack_s <= from_s and to_s <= t_s.iloc[-1] + slack_s)


def _cut(log: AttitudeLog, from_s: float, to_s: float) -> AttitudeLog | None:
    t_s = log.table["t_s"]
    part = log.table[(t_s >= from_s) & (t_s <= to_s)].reset_index(drop=True)
    return replace(log, table=part) if len(part) >= 10 else None


def _near(
    track: ClipTrack,
    options: Sequence[tuple[int, float]],
    slack_s: float,
    logs: Sequence[AttitudeLog],
    shoot: Shoot,
) -> tuple[int, float] | None:
    """The place by motion within what the times leave open."""
    length_s = float(track.track["t_s"].max()) if len(track.track) else 0.0
    found: dict[int, float] = {}
    for index, start_s in options:
        part = _cut(logs[index], start_s - slack_s - 1, start_s + length_s + slack_s + 1)
        if part is None:
            continue
        one = replace(shoot, logs=(shoot.logs[index],))
        try:
            (clock,) = align([track], [part], one)
        except ClockError:
            continue
        if clock.how == MOTION and clock.own_scale and clock.offset_s is not None:
            found[index] = clock.offset_s
    return next(iter(found.items())) if len(found) == 1 else None


def _still_throughout(length_s: float, logs: Sequence[AttitudeLog]) -> tuple[int, float] | None:
    """The middle of the log, where it is the only one and holds one pose."""
    if len(logs) != 1 or _pose_held(logs[0]) is None:
        return None
    t_s = logs[0].table["t_s"]
    return 0, max(float(t_s.iloc[0]), float(t_s.iloc[0] + t_s.iloc[-1] - length_s) / 2)


def _pose_held(log: AttitudeLog) -> Array | None:
    """Roll and pitch, deg, of a log that holds one pose throughout; None where it moves."""
    angles = np.unwrap(log.table[["roll_deg", "pitch_deg"]].to_numpy(float), period=360.0, axis=0)
    held = np.subtract(*np.quantile(angles, [0.99, 0.01], axis=0)).max() <= STILL_DEG
    return np.median(angles, axis=0) if held else None


def _still(
    options: Sequence[tuple[int, float]], length_s: float, slack_s: float, logs: Sequence[AttitudeLog]
) -> tuple[int, float] | None:
    """The place nearest to the time where the log stands as still as the clip; None where poses differ.

    The clip stands still, so it was not filmed while the log moved: of what the times leave open only stands
    remain. Within one stand it makes no difference which moment is taken.
    """
    found = []
    for index, start_s in options:
        for at_s, pose in _stands(logs[index], start_s, length_s, slack_s):
            found.append((abs(at_s - start_s), index, at_s, pose))
    if not found or np.ptp([pose for *_, pose in found], axis=0).max() > STILL_DEG:
        return None
    _, index, at_s, _ = min(found, key=lambda one: one[:3])
    first_s, last_s = (float(logs[index].table["t_s"].iloc[row]) for row in (0, -1))
    return index, float(np.clip(at_s, first_s, max(first_s, last_s - length_s)))


def _stands(
    log: AttitudeLog, start_s: float, length_s: float, slack_s: float
) -> Iterator[tuple[float, Array]]:
    """Starts within the slack over whose length the log holds one pose, and that pose: roll, pitch, deg."""
    for away_s in np.arange(-slack_s, slack_s + STAND_STEP_S / 2, STAND_STEP_S):
        part = _cut(log, start_s + away_s, start_s + away_s + length_s)
        if part is not None and (pose := _pose_held(part)) is not None:
            yield float(start_s + away_s), pose
