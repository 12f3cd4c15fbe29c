"""A clip cut at its key frames: every segment can be decoded without what stands before it.

Which segments there are follows from the file alone, so that what is measured in them does not depend on how
many processes there are. Nothing is taken on trust: a segment must begin with the very frame that was found
when the clip was cut and end where the next one begins, without a fault in between.
"""

import math
import os
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .clip import DECODING, ClipFacts, Frame, Shown, Timed, alone, in_time, luma_of, opened, use_threads
from .small import Making

__all__ = ["Segment", "SegmentReader", "frames_at", "key_segments", "let_go", "look_number", "spread_lumas"]

# So many seconds of film, and so many segments of a short clip: few enough to cost little, many enough that
# no process is left alone for long with the last one.
LONGEST_S, SHORTEST_S, WANTED = 12.0, 3.0, 12
FEWEST = 4  # below which it is not worth cutting
# Frames of one time, and how far ahead it is quicker to decode on than to go back to a key frame.
SAME_S, AHEAD_S = 1e-3, 0.4


@dataclass(frozen=True)
class Segment:
    """Frames shown from ``begin`` to before ``end``, in the stream's own ticks; None: to the clip's end.

    first_s : time of the clip's first shown frame, s, from which clip times count; begins_s, end_s : the
    segment's, as clip time.
    """

    begin: int
    end: int | None
    first_s: float
    begins_s: float
    end_s: float | None


def key_segments(facts: ClipFacts, until_s: float = math.inf) -> list[Segment]:
    """The clip's segments in order of time, up to ``until_s``; none where it is not worth cutting, or cannot.

    Only the beginnings are looked at, not what stands between them.
    """
    lasts_s = min(facts.duration_s, until_s)
    step_s = min(max(lasts_s / WANTED, SHORTEST_S), LONGEST_S)
    count = int(lasts_s / step_s)
    if count < FEWEST:
        return []
    begins: list[int] = []
    with opened(facts.path, briefly=True) as container:
        stream = container.streams.video[0]
        base = float(stream.time_base or 0)
        try:
            first_pts = _first_pts(container, stream, facts)
            if first_pts is None or base <= 0:
                return []
            begins.append(first_pts)
            for k in range(1, count):
                target = first_pts + round(k * step_s / base)
                container.seek(target, stream=stream)
                packet = next(container.demux(stream))
                if packet.pts is None or not packet.is_keyframe or not begins[0] <= packet.pts <= target:
                    return []
                begins.append(packet.pts)
        except (*DECODING, StopIteration, OverflowError):
            return []
    kept = sorted(set(begins))
    if len(kept) < FEWEST or begins != sorted(begins):
        return []
    first_s = kept[0] * base
    ends = [*kept[1:], None]
    return [
        Segment(begin, end, first_s, begin * base - first_s, None if end is None else end * base - first_s)
        for begin, end in zip(kept, ends, strict=True)
    ]


def look_number(t_s: float, step_s: float, fps: float) -> int:
    """Which of the looks, ``step_s`` apart, a frame of this time is near enough for; it takes the first."""
    return math.floor((t_s + (0.5 / fps if fps > 0 else 0.0)) / step_s)


@dataclass
class SegmentReader:
    """Frames of one segment up to ``until_s``, decoded by ``threads`` (0: as many as help).

    keys_only : only its key frames, each alone; nothing of the others is read where the container can tell
    where key frames are. making : makes small pictures of the frames on the way. While :meth:`frames` goes
    on, ``count`` frames were decoded until ``last_s``. At its end, ``stopped``: at ``until_s``; ``clean``:
    the segment held what it was cut for.
    """

    facts: ClipFacts
    segment: Segment
    step_s: float
    threads: int
    until_s: float = math.inf
    keys_only: bool = False
    making: Making | None = None
    count: int = 0
    last_s: float = 0.0
    stopped: bool = False
    clean: bool = False

    def frames(self) -> Iterator[Frame]:
        """Frames to look at, ``step_s`` apart; their numbers count from the segment's beginning."""
        fps, size = self.facts.fps, (self.facts.width_px, self.facts.height_px)
        begins_s = self.segment.begins_s
        # Of the frame before, which stands in another segment, no more is known than the usual rate.
        before = look_number(begins_s - 1 / fps, self.step_s, fps) if fps > 0 else math.inf
        looked = -1 if begins_s <= 0 or self.keys_only else before
        decoded = self._keys() if self.keys_only else self._decoded()
        for index, t_s, frame, fault in in_time(decoded, begins_s):
            if fault or (frame.width, frame.height) != size:
                self.clean = False
                return
            if t_s > self.until_s:
                self.stopped = self.clean = True
                return
            self.count, self.last_s = self.count + 1, t_s
            number = look_number(t_s, self.step_s, fps)
            if self.making is not None:
                self.making.shown(Shown(index, t_s, t_s, frame), wanted=number > looked)
            if number > looked:
                looked = number
                yield Frame(index, t_s, luma_of(frame), is_key=bool(frame.key_frame))
        if self.making is not None:
            end, one_frame_s = self.segment.end_s, 1 / fps if fps > 0 else 0.0
            self.making.ended(self.last_s + one_frame_s if end is None else end)

    def _decoded(self) -> Iterator[Timed]:
        segment, index = self.segment, 0
        container = _OPEN.clip(self.facts, self.threads)
        _OPEN.first_s = segment.first_s
        stream = container.streams.video[0]
        try:
            container.seek(segment.begin, stream=stream)
            for frame in container.decode(stream):
                if frame.pts is None or not frame.time_base:
                    return
                if index == 0 and frame.pts < segment.begin:
                    # Pictures that lean on the segment before; they were shown there.
                    continue
                if frame.is_corrupt or (index == 0 and frame.pts != segment.begin):
                    return
                if segment.end is not None and frame.pts >= segment.end:
                    self.clean = frame.pts == segment.end
                    return
                yield index, float(frame.pts * frame.time_base) - segment.first_s, frame, ""
                index += 1
        except DECODING:
            return
        self.clean = segment.end is None and index > 0

    def _keys(self) -> Iterator[Timed]:
        """Key frames; their numbers are those that they have at the clip's usual rate."""
        segment = self.segment
        container = _OPEN.clip(self.facts, self.threads)
        _OPEN.first_s = segment.first_s
        stream = container.streams.video[0]
        fps, last, looked = self.facts.fps, None, -1
        try:
            container.seek(segment.begin, stream=stream)
            for packet in container.demux(stream):
                if packet.pts is None:
                    break
                if not packet.is_keyframe or (last is not None and packet.pts <= last):
                    continue
                if segment.end is not None and packet.pts >= segment.end:
                    self.clean = packet.pts == segment.end
                    return
                if last is None and packet.pts != segment.begin:
                    return
                last = packet.pts
                t_s = float(last * stream.time_base) - segment.first_s
                if look_number(t_s, self.step_s, fps) <= looked:
                    continue
                looked = look_number(t_s, self.step_s, fps)
                frames = alone(stream, packet)
                if len(frames) != 1 or frames[0].is_corrupt or frames[0].pts != last:
                    return
                yield round((t_s - segment.begins_s) * fps), t_s, frames[0], ""
        except DECODING:
            return
        self.clean = segment.end is None and last is not None


def frames_at(facts: ClipFacts, wanted: Sequence[tuple[int, float]], threads: int = 0) -> Iterator[Shown]:
    """Frames of these numbers at these times, s, in rising order; each is shown until the next one is.

    Only what leads up to them is decoded, from the key frame before. Where a container does not find its way
    the clip is read from its beginning; what is damaged is left out. ``threads``: 0 for as many as help; with
    a number of them the clip stays open for what this thread reads next, see :func:`let_go`.

    Raises
    ------
    ClipError
        The file cannot be opened or holds no video.
    """
    if not wanted:
        return
    ends_s = [*(t_s for _, t_s in wanted[1:]), max(facts.duration_s, wanted[-1][1])]
    reached_s = -math.inf
    clip = _OPEN if threads else _Open()
    try:
        try:
            first_s = clip.begins_s(facts, threads)
        except (*DECODING, StopIteration):
            return
        container = clip.clip(facts, threads)
        stream = container.streams.video[0]
        base = float(stream.time_base or 0)
        frames: Iterator[Any] = iter(())
        for (number, t_s), until_s in zip(wanted, ends_s, strict=True):
            frame, last_s, reached_s = None, reached_s, t_s
            for attempt in ("ahead", "sought", "from the beginning"):
                if attempt == "ahead" and not 0 < t_s - last_s <= AHEAD_S:
                    continue
                try:
                    if attempt == "sought" and base > 0:
                        # A key frame is there at once, without those that the decoder reads ahead.
                        target = round((first_s + t_s) / base)
                        container.seek(target, stream=stream)
                        frame = _on_its_own(stream, next(container.demux(stream)), target * base)
                        if frame is not None:
                            # From here, nothing can be decoded on.
                            reached_s = -math.inf
                            break
                        container.seek(target, stream=stream)
                    elif attempt == "from the beginning":
                        # Opened anew: where seeking fails, to seek the beginning may fail as well.
                        clip.close()
                        container = clip.clip(facts, threads)
                        stream = container.streams.video[0]
                    if attempt != "ahead":
                        frames = container.decode(stream)
                    frame = _reached(frames, first_s + t_s)
                except (OverflowError, StopIteration, *DECODING):
                    frame = None
                if frame is not None:
                    break
            if frame is not None:
                yield Shown(number, t_s, max(until_s, t_s), frame)
    finally:
        if not threads:
            clip.close()


def spread_lumas(
    facts: ClipFacts, most: int, width_px: int, which: Iterable[int] | None = None
) -> dict[int, NDArray[np.uint8]]:
    """Reduced lumas, ``width_px`` wide or less, of up to ``most`` frames spread over the clip, by stamp.

    Key frames where there are enough of them, since others have to be decoded up to. What cannot be reached
    in a damaged file is left out. ``which``: only these of the ``most``.
    """
    found: dict[int, NDArray[np.uint8]] = {}
    if facts.duration_s <= 0:
        return found
    shrink = min(1.0, width_px / facts.width_px)
    size = (max(1, round(facts.width_px * shrink)), max(1, round(facts.height_px * shrink)))

    def reduced(frame: Any) -> NDArray[np.uint8]:
        return np.asarray(cv2.resize(luma_of(frame), size, interpolation=cv2.INTER_AREA), np.uint8)

    # One thread gives a frame as soon as it is decoded, several only when each of them has one.
    container = _OPEN.clip(facts, 1)
    stream = container.streams.video[0]
    step = facts.duration_s / most / float(stream.time_base or 1)
    numbers = range(most) if which is None else which
    targets = [(stream.start_time or 0) + int((k + 0.5) * step) for k in numbers]
    for first, *others in _by_key_frame(container, stream, targets):
        with suppress(OverflowError, StopIteration, *DECODING):
            # Not the packet seen before: to seek drops what the decoder still holds of another frame.
            container.seek(first, stream=stream)
            packet = next(container.demux(stream))
            if packet.is_keyframe and packet.pts is not None and packet.pts not in found:
                frames = alone(stream, packet)
                if frames:
                    found[packet.pts] = reduced(frames[0])
            else:
                others = [first, *others]
            if not others:
                continue
            container.seek(first, stream=stream)
            for frame in container.decode(stream):
                if frame.pts is not None and frame.pts >= others[0]:
                    # A short clip gives one frame for several targets: it counts once.
                    found[frame.pts] = reduced(frame)
                    others = [target for target in others if target > frame.pts]
                    if not others:
                        break
    return found


def _by_key_frame(container: Any, stream: Any, targets: Iterable[int]) -> list[list[int]]:
    """The stamps, those together that are decoded from one key frame; none that cannot be reached."""
    found: dict[int | None, list[int]] = {}
    for target in targets:
        with suppress(OverflowError, StopIteration, *DECODING):
            container.seek(target, stream=stream)
            found.setdefault(next(container.demux(stream)).pts, []).append(target)
    return list(found.values())


def _first_pts(container: Any, stream: Any, facts: ClipFacts) -> int | None:
    """Stamp of the first frame that a clip shows, just opened as ``container``; None where it has none."""
    packets = container.demux(stream)
    first, second = next(packets), next(packets)
    # Pictures of a time before the key frame's may be shown before it, or not at all.
    if not first.is_discard and None not in (first.pts, second.pts) and first.pts < second.pts:
        frame = _on_its_own(stream, first, first.pts * float(stream.time_base or 0))
        if frame is not None:
            return int(frame.pts)
    # Opened anew: to seek the beginning may lead to the key frame after it.
    with opened(facts.path) as another:
        frame = next(another.decode(another.streams.video[0]))
        return None if frame.pts is None or frame.is_corrupt else int(frame.pts)


def _on_its_own(stream: Any, packet: Any, at_s: float) -> Any:
    """The key frame in a packet where it is the one of that time of the stream; else None."""
    if (
        packet.pts is None
        or not packet.is_keyframe
        or abs(float(packet.pts * stream.time_base) - at_s) > SAME_S
    ):
        return None
    frames = alone(stream, packet)
    if len(frames) != 1 or frames[0].is_corrupt or frames[0].pts != packet.pts:
        return None
    # Of two fields in a packet each, this would be one.
    return None if frames[0].interlaced_frame else frames[0]


def _reached(frames: Iterator[Any], at_s: float) -> Any:
    """The frame of that time of the stream; None where the next one there is has another."""
    for frame in frames:
        if frame.pts is None or not frame.time_base:
            continue
        t_s = float(frame.pts * frame.time_base)
        if t_s >= at_s - SAME_S:
            return frame if t_s <= at_s + SAME_S and not frame.is_corrupt else None
    return None


class _Open(threading.local):
    """The clip that a thread had open last: opening one decodes its first frames, for every segment anew."""

    key: Any = None
    container: Any = None
    first_s: float | None = None

    def clip(self, facts: ClipFacts, threads: int) -> Any:
        key = None
        # What is not there is told by opening it.
        with suppress(OSError):
            stat = facts.path.stat()
            # A copied process would read on where the other one reads.
            key = (os.getpid(), facts.path, stat.st_mtime_ns, stat.st_size, threads)
        if key is None or self.key != key:
            self.close()
            self.container, self.key = opened(facts.path), key
            use_threads(self.container.streams.video[0], threads)
        return self.container

    def begins_s(self, facts: ClipFacts, threads: int) -> float:
        """Time of the clip's first shown frame, s, as its stream counts; 0 where it has none."""
        held = self.container
        container = self.clip(facts, threads)
        if self.first_s is None:
            if container is held:
                self.close()
                container = self.clip(facts, threads)
            stream = container.streams.video[0]
            self.first_s = (_first_pts(container, stream, facts) or 0) * float(stream.time_base or 0)
        return self.first_s

    def close(self) -> None:
        if self.container is not None:
            self.container.close()
        self.container = self.key = self.first_s = None


_OPEN = _Open()


def let_go() -> None:
    """Close the clip whose segments this thread read last."""
    _OPEN.close()
