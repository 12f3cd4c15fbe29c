"""Which files are parts of one take, and where clips lie by the clocks of files.

A camera cuts a long take into files of its own numbering, each of which begins where the last one ended. That
shows in what the files say of their time (which may be the start, the end, or for every part the start of the
take), or in a log that sees both parts move. A number that follows on is not enough: so do two takes.

A clip that does not move is placed by its file's time. That is the start or the end of the clip, in hours of
some time zone, off by the clock's error and by the 18 s between satellite time and UTC. Beside a clip of the
same camera whose place in a log is known by motion all of that cancels but the start or end; else whole and
half hours are tried, and the nearest taken that puts every clip into a log. Times that would have one camera
film two clips at once are no times of filming.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise

from horizon.clip import ClipFacts

__all__ = [
    "SLACK_S",
    "Stamp",
    "Take",
    "hours_apart",
    "joined",
    "name_stamp",
    "places_by_stamp",
    "stamps_of",
    "start_and_end",
]

CUT_S, CUT_BY_LOG_S = 1.5, 0.3  # most between the parts of a take: whole-second stamps; the log's clock
SAME_START_S = 1.0
SLACK_S = 25.0  # satellite time, and a clock set by hand
HOURS = sorted((h / 2 for h in range(-28, 29)), key=lambda h: (h % 1 != 0, abs(h)))
SOURCES = ("record", "name", "file")
SOURCE_WORDS = {
    "record": "the time in the files",
    "name": "the time in their names",
    "file": "the file times",
}
_NAME = re.compile(
    r"((?:19|20)\d\d)[-_.]?([01]\d)[-_.]?([0-3]\d)[-_ T.]*([0-2]\d)[-_.:h]?([0-5]\d)(?:[-_.:m]?([0-5]\d))?"
)


@dataclass(frozen=True)
class Stamp:
    """A time that a file carries, s from 1970, its hours taken as UTC; source : record | name | file."""

    t_s: float
    source: str


@dataclass(frozen=True)
class Take:
    """One take: its files in order. why : what joins them, "" for a single file."""

    clips: tuple[ClipFacts, ...]
    why: str = ""
    ground: str = "told"

    @property
    def name(self) -> str:
        """File name of its first part."""
        return self.clips[0].path.name

    @property
    def duration_s(self) -> float:
        """Of all parts together."""
        return sum(clip.duration_s for clip in self.clips)


def name_stamp(stem: str) -> float | None:
    """Date and time in a file name, s from 1970; None where there is none."""
    found = _NAME.search(stem)
    if found is None:
        return None
    try:
        year, month, day, hour, minute, second = (int(part or 0) for part in found.groups())
        return datetime(year, month, day, hour, minute, second, tzinfo=UTC).timestamp()
    except ValueError:
        return None


def stamps_of(clip: ClipFacts) -> dict[str, float]:
    """Times that a clip carries, by source."""
    found: dict[str, float] = {}
    if clip.created is not None:
        found["record"] = clip.created.replace(tzinfo=clip.created.tzinfo or UTC).timestamp()
    if (named := name_stamp(clip.path.stem)) is not None:
        found["name"] = named
    found["file"] = clip.path.stat().st_mtime
    return found


# --- parts of a take --------------------------------------------------------------------------------------


def joined(clips: Sequence[ClipFacts], starts_s: Mapping[str, tuple[int, float]]) -> tuple[Take, ...]:
    """Clips as takes.

    clips : of one camera, in the order of their names. starts_s : by name of a clip the log it lies in and
    the log time of its start, as far as its motion tells.
    """
    takes: list[Take] = []
    for clip in clips:
        before = takes[-1] if takes else None
        why = _follows(before.clips[-1], clip, starts_s) if before is not None else ("", "")
        if before is not None and why[0]:
            takes[-1] = Take((*before.clips, clip), *why)
        else:
            takes.append(Take((clip,)))
    return tuple(takes)


def _follows(one: ClipFacts, other: ClipFacts, starts_s: Mapping[str, tuple[int, float]]) -> tuple[str, str]:
    """Why a clip is the next part of another's take, and the ground; empty where it is not."""
    alike = (one.width_px, one.height_px, one.codec) == (other.width_px, other.height_px, other.codec)
    if not alike or abs(one.fps - other.fps) > 1e-3 * one.fps or one.path.parent != other.path.parent:
        return "", ""
    numbered = _next_number(one.path.stem, other.path.stem)
    here, there = starts_s.get(one.path.name), starts_s.get(other.path.name)
    if here is not None and there is not None:
        near = here[0] == there[0] and abs(there[1] - here[1] - one.duration_s) <= CUT_BY_LOG_S
        return (
            ("by the log the second begins where the first ends", "tested") if near and numbered else ("", "")
        )
    first, second = stamps_of(one), stamps_of(other)
    for source in SOURCES:
        if source not in first or source not in second:
            continue
        apart_s = second[source] - first[source]
        from_starts, from_ends = apart_s - one.duration_s, apart_s - other.duration_s
        if min(abs(from_starts), abs(from_ends)) <= CUT_S and (numbered or source == "name"):
            return f"each begins where the last ends, by {SOURCE_WORDS[source]}", "assumed"
        if (
            abs(apart_s) <= SAME_START_S
            and numbered
            and source == "record"
            and one.duration_s > 3 * SAME_START_S
        ):
            return "all parts carry the same time, that of the take", "assumed"
        # What a camera wrote into its files is the better witness, whatever copying made of the file times.
        return "", ""
    return "", ""


def _next_number(one: str, other: str) -> bool:
    """Whether two names differ in one number or letter only, which is the next."""
    if one == other:
        return False
    start = next(
        (i for i, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), min(len(one), len(other))
    )
    tail = 0
    while tail < min(len(one), len(other)) - start and one[-1 - tail] == other[-1 - tail]:
        tail += 1
    first, second = one[start : len(one) - tail], other[start : len(other) - tail]
    if not first and re.fullmatch(r"[ _.-]*(part|pt)?[ _.-]*0*[12]", second, re.IGNORECASE):
        return True  # wall.mp4, wall_1.mp4
    if len(first) == len(second) == 1 and first.isalpha() and second.isalpha():
        return ord(second) == ord(first) + 1
    # 9 to 10 changes more digits than one: the whole runs of digits count, or that digit alone.
    while (
        start > 0
        and one[start - 1].isdigit()
        and (first + second).isdigit()
        and _differ_by_carry(first, second)
    ):
        start -= 1
        first, second = one[start] + first, other[start] + second
    return first.isdigit() and second.isdigit() and int(second) == int(first) + 1


def _differ_by_carry(first: str, second: str) -> bool:
    return not (first.isdigit() and second.isdigit() and int(second) == int(first) + 1)


# --- places by clock --------------------------------------------------------------------------------------


def start_and_end(clip: ClipFacts, stamp_s: float) -> tuple[float, float]:
    """When a clip began, if its stamp is that of its start, and if it is that of its end."""
    return stamp_s, stamp_s - clip.duration_s


def places_by_stamp(
    clip: ClipFacts, known: Mapping[str, float], clips: Sequence[ClipFacts]
) -> tuple[str, tuple[float, ...]]:
    """Log times at which a clip may begin, by how much later its stamp is than those of clips in the log.

    known : log time of the start of clips that lie in the log, by name. Returns the source of the times, ""
    for none, and the places: by stamps of the start and of the end, one where they agree or one is ruled
    out.
    """
    placed = [one for one in clips if one.path.name in known]
    for source in SOURCES:
        beside = [(one, stamps_of(one)[source]) for one in placed if source in stamps_of(one)]
        if source not in stamps_of(clip) or not beside:
            continue
        ways = []
        for at_end in (0, 1):
            # Log time minus wall clock, by every clip that is placed.
            zero_s = [known[one.path.name] - start_and_end(one, stamp_s)[at_end] for one, stamp_s in beside]
            if max(zero_s) - min(zero_s) <= 2 * CUT_S and _one_by_one(clips, source, at_end):
                ways.append(sum(zero_s) / len(zero_s) + start_and_end(clip, stamps_of(clip)[source])[at_end])
        if ways:
            return source, (ways[0],) if len(ways) == 1 or abs(ways[0] - ways[1]) <= CUT_S else tuple(ways)
    return "", ()


def _one_by_one(clips: Sequence[ClipFacts], source: str, at_end: int) -> bool:
    """Whether no two clips overlap by stamps of one source; never by the file time of a single clip."""
    times = [
        (start_and_end(clip, stamps_of(clip)[source])[at_end], clip)
        for clip in clips
        if source in stamps_of(clip)
    ]
    times.sort(key=lambda one: one[0])
    apart = all(later - start >= clip.duration_s - CUT_S for (start, clip), (later, _) in pairwise(times))
    return apart and (len(times) > 1 or source != "file")


def hours_apart(
    clips: Sequence[ClipFacts], logs: Sequence[tuple[float, float]], source: str
) -> tuple[float, int] | None:
    """Hours to add to the stamps so that every clip lies in a log, and what they are: starts (0), ends (1).

    logs : start and end by the wall clock. None where no whole or half hours do.
    """
    times = [(clip, stamps_of(clip).get(source)) for clip in clips]
    if not logs or any(stamp_s is None for _, stamp_s in times):
        return None
    for hours in HOURS if source != "file" else HOURS[:1]:
        for at_end in (0, 1):
            if not _one_by_one(clips, source, at_end):
                continue
            begin_s = [start_and_end(clip, stamp_s or 0.0)[at_end] + 3600 * hours for clip, stamp_s in times]
            if all(
                any(a - SLACK_S <= t_s and t_s + clip.duration_s <= b + SLACK_S for a, b in logs)
                for t_s, (clip, _) in zip(begin_s, times, strict=True)
            ):
                return hours, at_end
    return None
