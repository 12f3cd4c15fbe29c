"""The looks at a clip: its frames at the looking rate, each run of neighbours measured in one go.

A clip is cut at its key frames, and segments are decoded and measured beside one another, each in one process
and no frame carried from one to another. A clip that is short, damaged, or cannot be cut is decoded here from
its beginning to its end, and only its runs are measured beside that.
"""

from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain, islice
from typing import Any, Generic, Protocol, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from .clip import DOUBTED_S, ClipError, ClipFacts, Frame, damage, read_frames
from .overlay import MASK_PX, burnt_in, may_be_burnt_in
from .segments import Segment, SegmentReader, key_segments, let_go, look_number, spread_lumas
from .small import Making, Sizing, SmallPicture, SmallPictures

__all__ = ["ReadThrough", "Sparing", "in_order", "look_through"]

Luma = NDArray[np.uint8]

# Five looks a second settle a lean, and align a clock too: it is fitted on angles, not on their rates. A
# short clip is looked at more closely, since there is little of it.
LOOKS_PER_S = 5.0
FEWEST_LOOKS = 100
# A run of neighbours: each is measured from the one before, which must not go on for ever. The shorter one of
# clips that are read in one, short ones: runs are what a line taken for the horizon by mistake is told by.
RUN, RUN_S, SHORT_RUN_S = 12, 5.2, 2.4
AHEAD = 8
INTERLACED = "interlaced: every frame shows two moments, which blurs what moves; film progressive"
# A clip so long may be looked at by its key frames if they are no further apart than the second time, one in
# the first time at most; and in so many segments by all looks, for the clocks. It is well when the
# clip's mean roll is known nearly as well: the floor under any lean is four times that.
LONG_S, KEYS_APART_S, DENSE, MOST_ADDED_DEG = 600.0, (1.0, 2.5), 8, 0.01
SPARED = 0.7  # share of the work that the key frames are
# Looks spread over the clip that tell burnt-in marks from the scene; every other one of a long clip may do.
# Of a short one several looks are decoded from one key frame.
MASK_LOOKS, MASK_PARTS, HALF_MAY_DO_S = 12, 2, 20.0


class _Timed(Protocol):
    @property
    def t_s(self) -> float: ...
    @property
    def frame(self) -> int: ...


_AnyLook = TypeVar("_AnyLook", bound=_Timed)
_Done = TypeVar("_Done")
_Measure = Callable[[Iterable[Frame], Luma | None], list[_AnyLook]]


@dataclass(frozen=True)
class Sparing(Generic[_AnyLook]):
    """What decides on looking at key frames only.

    added_deg : of looks at key frames, how much less well the clip's mean roll is known by them than by all
    looks, sd; infinite where that cannot be told. moved : how much the camera moved over some looks.
    """

    added_deg: Callable[[list[_AnyLook]], float]
    moved: Callable[[list[_AnyLook]], float]


@dataclass(frozen=True)
class ReadThrough:
    """How far a clip was read. damage : "" or what is wrong with it. notes : what is to be minded of it."""

    frames_read: int
    damage: str
    notes: tuple[str, ...]


def look_through(
    facts: ClipFacts,
    until_s: float,
    measure: _Measure[_AnyLook],
    executor: Executor | None,
    progress: Callable[[float], None] | None,
    sparing: "Sparing[_AnyLook] | None" = None,
    looks_per_s: float | None = None,
    pictures: SmallPictures | None = None,
) -> tuple[list[_AnyLook], Luma | None, ReadThrough]:
    """The looks of a clip in order of time, what is burnt into its picture, and how far it was read.

    ``measure``: looks of neighbouring frames, given what is burnt in; it goes to other processes.
    ``sparing``: how a long clip may be looked at by its key frames alone. ``pictures``: takes small ones that
    are made on the way, or none where the clip is read in one. ``looks_per_s`` and others as for
    :func:`horizon.measure.measure_clip`, errors too.
    """
    told = progress if progress is not None else _untold
    found: _Found[_AnyLook] | None = None
    try:
        seeking = _covered(facts, executor)
        segments = key_segments(facts, until_s)
        covered = seeking()
        rate = looks_per_s or max(LOOKS_PER_S, FEWEST_LOOKS / max(facts.duration_s, 1.0))
        threads = 0 if executor is None else 1
        sizing = None if pictures is None else pictures.sizing
        job = _Job(facts, until_s, 1 / rate, threads, measure, covered, sizing)
        if sparing is not None and looks_per_s is None:
            found = _by_key_frames(job, segments, sparing, executor, told, pictures)
        if found is None:
            found = _by_segments(job, segments, executor, told, pictures)
    finally:
        let_go()
    if pictures is not None:
        pictures.done(whole=found is not None)
    looks, frames_read, harm, said = found or _in_one(job, executor, told)
    if frames_read == 0:
        raise ClipError(f"{facts.path.name}: no frame of it decodes; copy it again from the card")
    notes = tuple(
        f"{facts.path.name}: {note}" for note in (INTERLACED if facts.interlaced else "", said) if note
    )
    return looks, covered, ReadThrough(frames_read, harm, notes)


def _covered(facts: ClipFacts, executor: Executor | None) -> Callable[[], Luma | None]:
    """What is burnt into the picture, seen in frames spread over the clip.

    The executor is at it when this returns; what is given back sees to its end.
    """
    halves = [range(MASK_LOOKS)]
    if facts.duration_s >= HALF_MAY_DO_S:
        halves = [range(0, MASK_LOOKS, 2), range(1, MASK_LOOKS, 2)]

    def spread(numbers: range) -> Callable[[], dict[int, Luma]]:
        count = len(numbers) // MASK_PARTS
        parts = (numbers[k : k + count] for k in range(0, len(numbers), count))
        tasks = [partial(spread_lumas, facts, MASK_LOOKS, MASK_PX, part) for part in parts]
        found = [task if executor is None else executor.submit(task).result for task in tasks]
        # By their stamps: a frame that several were to be is one.
        return lambda: {stamp: luma for one in found for stamp, luma in one().items()}

    begun = spread(halves[0])

    def ended() -> Luma | None:
        seen = begun()
        if len(halves) > 1:
            if not may_be_burnt_in(list(seen.values())):
                return None
            seen |= spread(halves[1])()
        return burnt_in(list(seen.values()))

    return ended


def _untold(_: float) -> None:
    """Nobody asked how far it is."""


@dataclass(frozen=True)
class _Job(Generic[_AnyLook]):
    """What a clip's looks are found with, whichever part of it is read."""

    facts: ClipFacts
    until_s: float
    step_s: float
    threads: int
    measure: _Measure[_AnyLook]
    covered: Luma | None
    sizing: Sizing | None

    def runs(self, frames: Iterator[Frame], lasts_s: float) -> Iterator[Iterator[Frame]]:
        """The frames, a run of neighbours at a time; each run is to be used up before the next."""
        count = max(RUN, round(lasts_s / self.step_s))
        for first in frames:
            yield chain([first], islice(frames, count - 1))


@dataclass(frozen=True)
class _Part(Generic[_AnyLook]):
    """The looks at one part of a clip, read to ``reached_s`` and no further where it was ``stopped`` there.

    clean : it could be read as it was cut.
    """

    looks: list[_AnyLook]
    frames_read: int
    reached_s: float
    stopped: bool
    clean: bool
    pictures: list[SmallPicture]


# Looks, how many frames were decoded, the damage, and what is to be said of how it was looked at.
_Found = tuple[list[_AnyLook], int, str, str]


def _by_segments(
    job: _Job[_AnyLook],
    segments: list[Segment],
    executor: Executor | None,
    told: Callable[[float], None],
    pictures: SmallPictures | None,
) -> _Found[_AnyLook] | None:
    """Looks, how many frames were shown, and the damage; None where the clip cannot be read in segments."""
    if not segments:
        return None
    tasks = (partial(_looks_at, job, segment) for segment in segments)
    looks: list[_AnyLook] = []
    frames_read, last_s, stopped = 0, 0.0, False
    for number, (segment, part) in enumerate(zip(segments, in_order(executor, tasks), strict=False)):
        if not part.clean or segment.begins_s - last_s > DOUBTED_S:
            return None
        looks += [_renumbered(one, frames_read) for one in part.looks]
        if pictures is not None:
            pictures.add(replace(one, index=one.index + frames_read) for one in part.pictures)
        frames_read, last_s, stopped = frames_read + part.frames_read, part.reached_s, part.stopped
        told((number + 1) / len(segments))
    reached_s = job.facts.duration_s if stopped else last_s
    return looks, frames_read, damage(job.facts, frames_read, reached_s), ""


def _by_key_frames(
    job: _Job[_AnyLook],
    segments: list[Segment],
    sparing: Sparing[_AnyLook],
    executor: Executor | None,
    told: Callable[[float], None],
    pictures: SmallPictures | None,
) -> _Found[_AnyLook] | None:
    """The same by key frames, and by all looks in a few segments: where the camera moves most, and the last.

    None where the clip is short, has too few key frames, or would be known less well.
    """
    facts = job.facts
    if min(facts.duration_s, job.until_s) < LONG_S or len(segments) <= 2 * DENSE:
        return None
    at_keys = replace(job, step_s=max(job.step_s, KEYS_APART_S[0]))
    parts: list[_Part[_AnyLook]] = []
    tasks = (partial(_looks_at, at_keys, segment, keys_only=True) for segment in segments)
    last_s = 0.0
    for part in in_order(executor, tasks):
        times_s = np.array([last_s, *(look.t_s for look in part.looks)])
        if not part.clean or not part.looks or np.diff(times_s).max() > KEYS_APART_S[1]:
            return None
        parts.append(part)
        last_s = part.reached_s
        told(SPARED * len(parts) / len(segments))
    added_deg = sparing.added_deg([look for part in parts for look in part.looks])
    if not added_deg <= MOST_ADDED_DEG:
        return None
    moved = np.array([sparing.moved(part.looks) for part in parts[:-1]])
    # The last one tells whether the clip goes on to its declared end.
    dense = sorted({*np.argsort(-moved, kind="stable")[: DENSE - 1].tolist(), len(segments) - 1})
    tasks = (partial(_looks_at, job, segments[k]) for k in dense)
    for number, (k, part) in enumerate(zip(dense, in_order(executor, tasks), strict=True)):
        if not part.clean:
            return None
        parts[k] = part
        told(SPARED + (1 - SPARED) * (number + 1) / len(dense))
    looks = [
        _renumbered(look, round(segment.begins_s * facts.fps))
        for segment, part in zip(segments, parts, strict=True)
        for look in part.looks
    ]
    if pictures is not None:
        for segment, part in zip(segments, parts, strict=True):
            before = round(segment.begins_s * facts.fps)
            pictures.add(replace(one, index=one.index + before) for one in part.pictures)
    frames_read = sum(part.frames_read for part in parts)
    reached_s = facts.duration_s if parts[-1].stopped else parts[-1].reached_s
    lasts_s = sum(
        (segments[k + 1].begins_s if k + 1 < len(segments) else reached_s) - segments[k].begins_s
        for k in dense
    )
    said = (
        f"looked at by its key frames, and {1 / job.step_s:.0f} times a second for {lasts_s:.0f} s where the "
        f"camera moves most; this adds no more than {MOST_ADDED_DEG:g} deg to what its mean roll is good to"
    )
    return looks, frames_read, damage(facts, frames_read, reached_s), said


def _renumbered(look: _AnyLook, before: int) -> _AnyLook:
    """The look with its frame's number in the clip, ``before`` of which stand before its segment."""
    return cast(_AnyLook, replace(cast(Any, look), frame=look.frame + before))


def _looks_at(job: _Job[_AnyLook], segment: Segment, *, keys_only: bool = False) -> _Part[_AnyLook]:
    size = (job.facts.width_px, job.facts.height_px)
    making = None if job.sizing is None else Making(job.sizing, *size)
    reader = SegmentReader(job.facts, segment, job.step_s, job.threads, job.until_s, keys_only, making)
    looks = [look for run in job.runs(reader.frames(), RUN_S) for look in job.measure(run, job.covered)]
    made = [] if making is None else making.made
    return _Part(looks, reader.count, reader.last_s, reader.stopped, reader.clean, made)


def _in_one(
    job: _Job[_AnyLook], executor: Executor | None, told: Callable[[float], None]
) -> _Found[_AnyLook]:
    """The same of a clip that is decoded here, as far as it goes."""
    facts, frames_read, last_s, stopped = job.facts, 0, 0.0, False
    faults: Counter[str] = Counter()
    wanted_s = max(min(facts.duration_s, job.until_s), 1e-3)

    def frames() -> Iterator[Frame]:
        nonlocal frames_read, last_s, stopped
        looked = -1
        for frame in read_frames(facts.path):
            if frame.t_s > job.until_s:
                stopped = True
                return
            if frame.fault:
                faults[frame.fault] += 1
                continue
            frames_read, last_s = frames_read + 1, frame.t_s
            number = look_number(frame.t_s, job.step_s, facts.fps)
            if number > looked:
                looked = number
                yield frame

    # Frames go to other processes, which is why a run is a list here.
    tasks = (partial(job.measure, list(run), job.covered) for run in job.runs(frames(), SHORT_RUN_S))
    looks: list[_AnyLook] = []
    for found in in_order(executor, tasks):
        looks += found
        # By what is measured: decoding runs ahead, by all of a short clip.
        if looks:
            told(min(1.0, looks[-1].t_s / wanted_s))
    reached_s = facts.duration_s if stopped else last_s
    return looks, frames_read, damage(facts, frames_read, reached_s, faults), ""


def in_order(executor: Executor | None, tasks: Iterable[Callable[[], _Done]]) -> Iterator[_Done]:
    """What the tasks give, in their order, beside this process or, without an executor, in it.

    No more than ``AHEAD`` of them wait: a whole clip would fill the memory.
    """
    if executor is None:
        yield from (task() for task in tasks)
        return
    waiting: deque[Future[_Done]] = deque()
    # Those that nobody takes any more run out: a pool that is ended while some are cancelled may hang
    # (Python's own loses the thread that feeds it).
    for task in tasks:
        waiting.append(executor.submit(task))
        if len(waiting) > AHEAD:
            yield waiting.popleft().result()
    while waiting:
        yield waiting.popleft().result()
