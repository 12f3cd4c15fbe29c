"""What a new sheet proposes: which logs, read how, and which clips, each entry with its ground.

Files of one layout (the same header) come from one logger and are read alike: several of them are several
power-ons. The layout whose attitude goes with most of the clips is the camera's; others are taken only where
they hold clips that the first does not. What is not used is kept with the reason: the sheet shows it as a
comment.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from attitude.belongs import NOT_VERIFIED, VERIFIED
from attitude.clip_entries import ClipPart, clip_part, turned_entries
from attitude.clock import ClockFit, in_real_time
from attitude.columns import is_demanded
from attitude.entries import OTHER_BODIES
from attitude.guess import Candidate, GuessError, candidates, log_table
from attitude.guess_board import Guess, resting_face
from attitude.log import LogError, read_logs
from attitude.log_entries import log_guesses, log_remarks, size_words
from attitude.pairs import joined
from attitude.placing import MEASURED, Place, by_stamps, places, wall_of
from attitude.readings import DECISIVE
from attitude.sheet import Camera, ClipSheet, LogSheet, Shoot
from attitude.survey import Aside, Survey
from attitude.table import TableError, TextTable
from attitude.trial import LogFile, Tried, best_way, moves, shared
from horizon.measure import ClipTrack

__all__ = ["LogPart", "Proposal", "propose"]

# Enough rows to tell units and axes from.
LOOK_AT_ROWS = 50_000
# A table with these columns was written by this program, not by a sensor.
OWN_TABLES = ({"clip", "frame"}, {"clip", "turn_deg"})
MOST_SCREENED = 3  # clips that decide between ways to read
SLOWED, MOST_SLOWED = (0.5, 0.25, 0.2, 0.4, 0.125), 2
OPTIONAL: tuple[str, ...] = (
    "accelerometer",
    "accelerometer_unit",
    "accelerometer_sign",
    "gyro",
    "gyro_unit",
    "sensor_axes",
)
OPTIONAL += ("temperature_c", "velocity_mps")


@dataclass(frozen=True)
class LogPart:
    """One log of the sheet. used : whether it is in force; why : if not, the reason. size : in words."""

    path: Path
    guesses: tuple[Guess, ...]
    used: bool
    why: str = ""
    size: str = ""
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True)
class Proposal:
    """All of it. camera : entries of [camera]. aside : files that are no part of the sheet."""

    logs: tuple[LogPart, ...]
    clips: tuple[ClipPart, ...]
    camera: tuple[Guess, ...] = ()
    aside: tuple[Aside, ...] = ()


@dataclass(frozen=True)
class _Read:
    """One log as it is read: the trial it comes from, its number there, and the entries of its [[log]]."""

    tried: Tried
    index: int
    guesses: tuple[Guess, ...] = ()

    @property
    def path(self) -> Path:
        return self.tried.files[self.index].path

    @property
    def foreign(self) -> bool:
        """Whether it is another body's, so that nothing is compared."""
        return any(guess.key == "attitude_of" and guess.value in OTHER_BODIES for guess in self.guesses)

    def sheet(self) -> LogSheet:
        values: dict[str, Any] = {guess.key: guess.value for guess in self.guesses if not guess.aside}
        return LogSheet(self.path, **values, given=frozenset(values))


def propose(
    found: Survey, tracks: Mapping[str, ClipTrack], camera: Camera, told: Callable[[float | None], None]
) -> Proposal:
    """Logs and clips of a folder.

    tracks : by name, of the clips that were measured, or their beginnings. camera : as far as the operator
    told. told : hears the share that is done.
    """
    files, aside = _log_files(found)
    sheets = tuple(ClipSheet((clip.path,)) for clip in found.clips)
    shoot = Shoot(found.folder, found.folder / "shoot.toml", "", sheets, camera=camera)
    movers = sorted((t for t in tracks.values() if moves(t) >= 1), key=lambda t: -moves(t))
    tried = _tried(files, movers[:MOST_SCREENED], shoot, told)
    left = {path: why for one in tried for path, why in one.refused.items()}
    taken = _taken(tried, bool(movers), left)
    reads = [_Read(one, index) for one in taken for index in range(len(one.logs))]
    placed, scales = _placed(reads, tracks, shoot, found)
    reads = [_with_guesses(read, number, tracks, placed) for number, read in enumerate(reads)]
    reads, placed = _with_clips(reads, placed, left)
    lengths_s = {clip.path.name: clip.duration_s for clip in found.clips}
    reads, placed = _in_one_time(reads, placed, shoot, lengths_s, left)

    moved = {n: p for n, p in placed.items() if p.how in MEASURED and p.start_s is not None}
    starts_s = {name: (place.log or 0, place.start_s or 0.0) for name, place in moved.items()}
    turned = turned_entries(taken)
    compared = [] if all(read.foreign for read in reads) else [read.path.name for read in reads]
    clips = [
        clip_part(take, compared, placed, turned, scales, found.folder)
        for take in joined(found.clips, starts_s)
    ]
    if reads and not any(part.used for part in clips):
        left |= {read.path: "where the clips lie in it is not known" for read in reads}
        reads, clips = [], [replace(part, used=True, why="", log="", lies="") for part in clips]
    logs = [_log_part(read, True, "") for read in reads]
    logs += [
        _log_part(_with_guesses(_Read(one, index), index, {}, {}), False, left[file.path])
        for one in tried
        for index, file in enumerate(one.files)
        if file.path in left
    ]
    shown = {part.path for part in logs}
    aside += [Aside(path, f"not used as a log: {why}") for path, why in left.items() if path not in shown]
    mount = [guess for guess in turned.values() if guess.key == "mount_roll_deg"]
    return Proposal(tuple(logs), tuple(clips), tuple(mount[:1]), tuple(aside))


# --- logs -------------------------------------------------------------------------------------------------


def _log_files(found: Survey) -> tuple[list[LogFile], list[Aside]]:
    """Tables that may be logs of an attitude, and the other files with the reason; none of our own."""
    longest_clip_s = max((clip.duration_s for clip in found.clips), default=0.0)
    files, aside = [], list(found.aside)
    for path in found.tables:
        try:
            table = log_table(path, LOOK_AT_ROWS)
            if any(own <= set(table.names) for own in OWN_TABLES):
                continue
            whole = len(table.cells) < LOOK_AT_ROWS
            ways = _ways(path, table, longest_clip_s if whole else 0.0)
        except (TableError, GuessError) as error:
            aside.append(Aside(path, f"not used as a log: {str(error).removeprefix(f'{path.name}: ')}"))
            continue
        files.append(LogFile(path, table, whole, tuple(ways)))
    return files, aside


def _ways(path: Path, table: TextTable, longest_clip_s: float) -> list[Candidate]:
    """Ways to read a table; GuessError says why there is none, and what to do with a hold on the bench."""
    if is_demanded(path.stem):
        raise GuessError("commanded angles, by the name of the file")
    try:
        return candidates(table, path, longest_clip_s)
    except GuessError:
        if face := resting_face(table):
            raise GuessError(
                f"raw acceleration at rest, no attitude; if it is a hold on the bench, add [[bench]] with "
                f'file = "{path.name}", pose = "{face}"'
            ) from None
        raise


def _tried(
    files: Sequence[LogFile],
    movers: Sequence[ClipTrack],
    shoot: Shoot,
    told: Callable[[float | None], None],
) -> list[Tried]:
    """The best way to read the files of each layout."""
    layouts: list[list[LogFile]] = []
    for file in files:
        alike = next(
            (group for group in layouts if group[0].layout == file.layout and shared(group, file)), None
        )
        if alike is None:
            layouts.append([file])
        else:
            alike.append(file)
    tried = []
    for number, group in enumerate(layouts):

        def part(done: float, number: int = number) -> None:
            told((number + done) / len(layouts))

        one = best_way(group, movers, shoot, part)
        if one is not None:
            tried.append(one)
    return tried


def _taken(tried: Sequence[Tried], moved: bool, left: dict[Path, str]) -> list[Tried]:
    """The layouts whose logs are used; the reason why not goes to ``left`` for the others."""
    able = [one for one in tried if one.logs]
    if not able:
        return []
    best = min(able, key=lambda one: (-len(one.clocks), not one.oddly, one.way.rank, one.misfit_deg))
    if best.clocks:
        rivals = [one for one in able if len(one.clocks) == len(best.clocks)]
        nearest = min(rivals, key=lambda one: one.misfit_deg)
        best = nearest if best.misfit_deg > DECISIVE * nearest.misfit_deg else best
    taken, have = [best], set(best.clocks)
    for one in able:
        if one is best:
            continue
        if set(one.clocks) - have:
            taken.append(one)
            have |= set(one.clocks)
            continue
        left.update({file.path: _why_left(one, best, moved) for file in one.files})
    return taken


def _why_left(one: Tried, best: Tried, moved: bool) -> str:
    owner, taken = one.way.values["attitude_of"], best.files[0].path.name
    if one.clocks:
        return f"it moves with the picture as well; {taken}, which fits it as closely, is taken"
    if one.verdict not in (VERIFIED, NOT_VERIFIED):
        return one.verdict
    if owner in (*OTHER_BODIES, "gimbal_frame", "commanded") and one.way.rank > best.way.rank:
        return f"the attitude of another body or a command ({owner}, by its names or look)"
    if moved and best.clocks:
        return f"no clip's motion is found in it, but in {taken}"
    return f"{taken} is taken; no clip moves in a way that would tell the two apart"


def _with_guesses(
    read: _Read, number: int, tracks: Mapping[str, ClipTrack], placed: Mapping[str, Place]
) -> _Read:
    """The log with its entries; what makes it unreadable is put aside."""
    here = {name: place for name, place in placed.items() if place.log == number}
    guesses = log_guesses(read.tried, read.index, tracks, here)
    done = replace(read, guesses=tuple(guesses))
    try:
        read.tried.files[read.index].read(done.sheet())
    except LogError as error:
        why = str(error).removeprefix(f"{read.path.name}: ")
        guesses = [replace(g, aside=True, why=why) if g.key in OPTIONAL else g for g in guesses]
        done = replace(read, guesses=tuple(guesses))
    return done


def _with_clips(
    reads: Sequence[_Read], placed: Mapping[str, Place], left: dict[Path, str]
) -> tuple[list[_Read], dict[str, Place]]:
    """The logs in which clips lie, counted anew; for the others the reason goes to ``left``."""
    misread = {number: why for number, read in enumerate(reads) if (why := _misread(read.tried, read.index))}
    placed = {
        name: Place(None, None, "", misread[place.log]) if place.log in misread else place
        for name, place in placed.items()
    }
    lie = {place.log for place in placed.values() if place.known and place.how != "not needed"}
    if not lie and any(place.known for place in placed.values()):
        lie = set(range(len(reads)))
    if not lie:
        lie = {number for number, read in enumerate(reads) if read.foreign}
    if not lie and not placed:
        lie = set(range(len(reads)))  # nothing could be measured: the sheet is all there is to go by
    kept = [number for number in range(len(reads)) if number in lie]
    for number, read in enumerate(reads):
        if number not in lie:
            why = next((place.why for place in placed.values() if not place.known), "no clip lies in it")
            left[read.path] = "no clip lies in it" if kept else why
    number_of = {old: new for new, old in enumerate(kept)}
    moved = {n: replace(p, log=None if p.log is None else number_of.get(p.log)) for n, p in placed.items()}
    return [reads[number] for number in kept], moved


def _misread(tried: Tried, index: int) -> str:
    """Why a log is not read rightly though it goes with the picture, "" where it is."""
    if tried.oddly and not tried.clocks and not tried.body:
        note = next(iter(tried.oddly.values()))
        return (
            f"{note}: its axes are not as the sheet can say"
            if note.startswith(tried.files[0].path.name)
            else ""
        )
    roll = tried.logs[index].table["roll_deg"].to_numpy(float)
    over = tried.clocks and set(tried.turned_deg) == set(tried.clocks)
    if (
        over
        and all(pair == (180.0, 180.0) for pair in tried.turned_deg.values())
        and np.mean(np.abs(roll) > 90) > 0.95
    ):
        return (
            "it is upside down throughout while the picture is upright: its axes are x forward, y left, "
            "z up, which the sheet cannot say, or the camera hangs upside down and turns its pictures over; "
            "then add picture_turned_deg = 180 to every clip"
        )
    return ""


def _in_one_time(
    reads: list[_Read],
    placed: Mapping[str, Place],
    shoot: Shoot,
    lengths_s: Mapping[str, float],
    left: dict[Path, str],
) -> tuple[list[_Read], dict[str, Place]]:
    """Log times as the sheet counts them: stamps of all logs count from the first log's first row."""
    while reads:
        try:
            logs = read_logs(replace(shoot, logs=tuple(read.sheet() for read in reads)))
        except LogError as error:
            odd = next((r for r in reads if str(error).startswith(f"{r.path.name}: ")), reads[-1])
            left[odd.path] = str(error).removeprefix(f"{odd.path.name}: ")
            gone = reads.index(odd)
            reads = [read for read in reads if read is not odd]
            placed = {name: _without(place, gone) for name, place in placed.items()}
            continue
        own = [float(read.tried.logs[read.index].table["t_s"].iloc[0]) for read in reads]
        ends_s = [(float(t_s.iloc[0]), float(t_s.iloc[-1])) for t_s in (log.table["t_s"] for log in logs)]
        shift_s = [first - t_s for (first, _), t_s in zip(ends_s, own, strict=True)]
        moved = {
            name: place
            if place.log is None or place.start_s is None
            else replace(place, start_s=place.start_s + shift_s[place.log])
            for name, place in placed.items()
        }
        return reads, {name: _sayable(place, lengths_s[name], ends_s, reads) for name, place in moved.items()}
    return reads, dict(placed)


def _sayable(
    place: Place, length_s: float, ends_s: Sequence[tuple[float, float]], reads: Sequence[_Read]
) -> Place:
    """The place, unless a start in the sheet would be taken for one in another log, which it cannot name."""
    if place.start_s is None or place.log is None or place.how == "motion":
        return place
    covered_s = [min(b, place.start_s + length_s) - max(a, place.start_s) for a, b in ends_s]
    others = [size for number, size in enumerate(covered_s) if number != place.log]
    if not others or max(others) < covered_s[place.log]:
        return place
    name = reads[place.log].path.name
    why = f"it lies in {name} from {place.start_s:.1f} s on, but another log has that time too"
    return Place(None, None, "", why)


def _without(place: Place, gone: int) -> Place:
    if place.log == gone:
        return Place(None, None, "", "its log cannot be read together with the others")
    return replace(place, log=place.log - 1) if place.log is not None and place.log > gone else place


def _log_part(read: _Read, used: bool, why: str) -> LogPart:
    return LogPart(
        read.path,
        read.guesses,
        used,
        why,
        size_words(read.tried, read.index),
        tuple(log_remarks(read.tried, read.index)),
    )


def _placed(
    reads: Sequence[_Read], tracks: Mapping[str, ClipTrack], shoot: Shoot, found: Survey
) -> tuple[dict[str, Place], dict[str, float]]:
    """Place of every measured clip in the logs, each in its own time, and the time scale of slowed ones."""
    if not reads:
        return {}, {}
    logs = [read.tried.logs[read.index] for read in reads]
    here = replace(shoot, logs=tuple(read.tried.sheets[read.index] for read in reads))
    clocks: dict[str, ClockFit] = {}
    for number, read in enumerate(reads):
        for name, clock in read.tried.clocks.items():
            if clock.log_index == read.index:
                clocks.setdefault(name, replace(clock, log_index=number))
    panless = {name for read in reads for name in read.tried.panless}
    placed = places(list(tracks.values()), logs, here, clocks, panless)
    scales: dict[str, float] = {}
    lost = [t for t in tracks.values() if not placed[t.clip].known and moves(t) >= 1]
    for track in lost[:MOST_SLOWED]:
        for scale in SLOWED:
            one = places([in_real_time(track, scale)], logs, here, {})[track.clip]
            if one.how == "motion":
                placed[track.clip], scales[track.clip] = one, scale
                break
    walls = [wall_of(read.tried.files[read.index], log) for read, log in zip(reads, logs, strict=True)]
    return by_stamps(found.clips, tracks, logs, walls, here, placed), scales
