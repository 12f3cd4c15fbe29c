"""The looks at a clip: its frames at the looking rate, each run of neighbours measured in one go.

A clip is cut at its key frames, and segments are decoded and measured beside one another, each in one process
and no frame carried from one to another. A clip that is short, damaged, or cannot be cut is decoded here from
its beginning to its end, and only its runs are measured beside that.
"""

import math
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain, islice
from typing import Any, Generic, Protocol, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from .clip import DOUBTED_S, ClipError, ClipFacts, Frame, damage, read_frames, spread_lumas
from .overlay import MASK_PX, burnt_in
from .segments import Segment, SegmentReader, key_segments, let_go, look_number

__all__ = ["ReadThrough", "look_through"]

Luma = NDArray[np.uint8]

# Five looks a second settle a lean, and align a clock too: it is fitted on angles, not on their rates. A
# short clip is looked at more closely, since there is little of it.
LOOKS_PER_S = 5.0
FEWEST_LOOKS = 100
RUN = 12
AHEAD = 8
INTERLACED = "interlaced: every frame shows two moments, which blurs what moves; film progressive"
# Looks spread over the clip that tell burnt-in marks from the scene.
MASK_LOOKS = 12


class _Timed(Protocol):
    @property
    def t_s(self) -> float: ...
    @property
    def frame(self) -> int: ...


_AnyLook = TypeVar("_AnyLook", bound=_Timed)
_Done = TypeVar("_Done")
_Measure = Callable[[Iterable[Frame], Luma | None], list[_AnyLook]]


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
) -> tuple[list[_AnyLook], Luma | None, ReadThrough]:
    """The looks of a clip in order of time, what is burnt into its picture, and how far it was read.

    ``measure``: looks of neighbouring frames, given what is burnt in; it goes to other processes. Others as
    for :func:`horizon.measure.measure_clip`, errors too.
    """
    covered = burnt_in(spread_lumas(facts.path, facts, MASK_LOOKS, MASK_PX))
    rate = max(LOOKS_PER_S, FEWEST_LOOKS / max(facts.duration_s, 1.0))
    job = _Job(facts, until_s, 1 / rate, measure, covered)
    told = progress if progress is not None else _untold
    looks, frames_read, harm = _by_segments(job, executor, told) or _in_one(job, executor, told)
    if frames_read == 0:
        raise ClipError(f"{facts.path.name}: no frame of it decodes; copy it again from the card")
    notes = (f"{facts.path.name}: {INTERLACED}",) if facts.interlaced else ()
    return looks, covered, ReadThrough(frames_read, harm, notes)


def _untold(_: float) -> None:
    """Nobody asked how far it is."""


@dataclass(frozen=True)
class _Job(Generic[_AnyLook]):
    """What a clip's looks are found with, whichever part of it is read."""

    facts: ClipFacts
    until_s: float
    step_s: float
    measure: _Measure[_AnyLook]
    covered: Luma | None

    def runs(self, frames: Iterator[Frame]) -> Iterator[Iterator[Frame]]:
        """The frames, ``RUN`` neighbours at a time; each run is to be used up before the next."""
        for first in frames:
            yield chain([first], islice(frames, RUN - 1))


@dataclass(frozen=True)
class _Part(Generic[_AnyLook]):
    """The looks at one part of a clip. clean : it could be read as it was cut."""

    looks: list[_AnyLook]
    frames_read: int
    last_s: float
    clean: bool


_Found = tuple[list[_AnyLook], int, str]


def _by_segments(
    job: _Job[_AnyLook], executor: Executor | None, told: Callable[[float], None]
) -> _Found[_AnyLook] | None:
    """Looks, how many frames were shown, and the damage; None where the clip cannot be read in segments."""
    segments = key_segments(job.facts, job.until_s)
    if not segments:
        return None
    threads = 0 if executor is None else 1
    tasks = (partial(_looks_at, job, segment, threads) for segment in segments)
    looks: list[_AnyLook] = []
    frames_read, last_s = 0, 0.0
    for number, (segment, part) in enumerate(zip(segments, in_order(executor, tasks), strict=False)):
        if not part.clean or segment.begins_s - last_s > DOUBTED_S:
            let_go()
            return None
        looks += [_renumbered(one, frames_read) for one in part.looks]
        frames_read, last_s = frames_read + part.frames_read, part.last_s
        told((number + 1) / len(segments))
    let_go()
    reached_s = job.facts.duration_s if math.isfinite(job.until_s) else last_s
    return looks, frames_read, damage(job.facts, frames_read, reached_s)


def _renumbered(look: _AnyLook, before: int) -> _AnyLook:
    """The look with its frame's number in the clip, ``before`` of which stand before its segment."""
    return cast(_AnyLook, replace(cast(Any, look), frame=look.frame + before))


def _looks_at(job: _Job[_AnyLook], segment: Segment, threads: int) -> _Part[_AnyLook]:
    reader = SegmentReader(job.facts, segment, job.step_s, threads, job.until_s)
    looks = [look for run in job.runs(reader.frames()) for look in job.measure(run, job.covered)]
    return _Part(looks, reader.count, reader.last_s, reader.clean)


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
    tasks = (partial(job.measure, list(run), job.covered) for run in job.runs(frames()))
    looks: list[_AnyLook] = []
    for found in in_order(executor, tasks):
        looks += found
        # By what is measured: decoding runs ahead, by all of a short clip.
        if looks:
            told(min(1.0, looks[-1].t_s / wanted_s))
    reached_s = facts.duration_s if stopped else last_s
    return looks, frames_read, damage(facts, frames_read, reached_s, faults)


def in_order(executor: Executor | None, tasks: Iterable[Callable[[], _Done]]) -> Iterator[_Done]:
    """What the tasks give, in their order, beside this process or, without an executor, in it.

    No more than ``AHEAD`` of them wait: a whole clip would fill the memory.
    """
    if executor is None:
        yield from (task() for task in tasks)
        return
    waiting: deque[Future[_Done]] = deque()
    try:
        for task in tasks:
            waiting.append(executor.submit(task))
            if len(waiting) > AHEAD:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        for future in waiting:
            future.cancel()
