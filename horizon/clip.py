"""Clip file to frames with timestamps, and back.

Reading goes through PyAV: presentation timestamps are exact, the luma plane is a view without a colour
conversion, and the rotation flag stays apart from the pixels (camera axes are those of the stored pixels).
A damaged file is read as far as it goes; what is missing is found by comparing the time reached with the
time the container declares, because some damage ends the stream without any error. Frames that the decoder
had to make up, or whose time or size cannot be, come with that fault and are not to be measured.
"""

from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from itertools import count
from pathlib import Path
from types import MappingProxyType
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "FAULTS",
    "ClipError",
    "ClipFacts",
    "Frame",
    "Shown",
    "Timed",
    "alone",
    "damage",
    "in_time",
    "luma_of",
    "opened",
    "probe",
    "read_frames",
    "read_shown",
    "use_threads",
]

# A container's duration is often rounded, or counts a longer sound track: less than this is not damage.
MISSING_S = 0.5
# A frame so much later than the one before is believed when the next goes on from there; beyond the second
# limit it never is: no camera holds a picture for a minute, and damage to one stamp would cost all the rest.
DOUBTED_S, MOST_GAP_S = 2.0, 60.0
BROKEN, RESIZED = "damaged", "of another size"
JUMPS, FALLS = "of a time that jumps", "of a time that does not rise"
STOPPED = "stopped"
FAULTS = (BROKEN, JUMPS, FALLS, RESIZED, STOPPED)
NO_FAULTS: Mapping[str, int] = MappingProxyType({})
# Containers that the library would draw as pictures, such as a text file played as a terminal's screen, and
# lists of other files.
NO_VIDEO = {"tty", "subtitles", "srt", "ass", "webvtt", "hls", "concat", "dash", "sdp", "imf"}
# The container (mp4, mov) that tells rates and sizes itself, and more streams than a camera's file has.
TELLS_ALL, MOST_STREAMS = "mp4", 32

DECODING = (av.error.FFmpegError, ValueError, OSError)
SMALLEST_PX = 16


class ClipError(ValueError):
    """A clip that cannot be read at all: file, what is wrong, how to mend it."""


@dataclass(frozen=True)
class ClipFacts:
    """What the container says of its video stream. ``rotation_deg`` only turns what a player shows."""

    path: Path
    width_px: int
    height_px: int
    duration_s: float
    fps: float
    rotation_deg: int
    codec: str
    created: datetime | None
    interlaced: bool = False


@dataclass(frozen=True)
class Frame:
    """One shown frame: index in the stream, time from the first shown frame, 8-bit luma (height, width).

    ``fault``: why it is not to be measured, one of ``FAULTS``, "" for nothing. Such a frame has the time of
    the one before where its own cannot be; ``STOPPED``: the last one once more, where an error ended it all.
    ``is_key``: it decodes on its own.
    """

    index: int
    t_s: float
    luma: NDArray[np.uint8]
    fault: str = ""
    is_key: bool = False


@dataclass(frozen=True)
class Shown:
    """One shown frame and the time ``until_s`` at which the next one takes its place.

    The picture is converted only when it is asked for, and straight to the wanted size.
    """

    index: int
    t_s: float
    until_s: float
    _decoded: "av.VideoFrame"

    def colour(self, width_px: int | None = None, height_px: int | None = None) -> NDArray[np.uint8]:
        """Colour picture (height, width, 3) in BGR order; as stored, or scaled to a size."""
        # Averaging over areas: waves that are made small would else sparkle.
        size = {"width": width_px, "height": height_px}
        converted = self._decoded.reformat(**size, format="bgr24", interpolation="AREA")
        return np.asarray(converted.to_ndarray(), np.uint8)

    def luma(self) -> NDArray[np.uint8]:
        """8-bit luma (height, width), as :class:`Frame` has it."""
        return luma_of(self._decoded)


def probe(path: Path) -> ClipFacts:
    """Facts of a clip's first video stream.

    Raises
    ------
    ClipError
        No such file, not a video, or no video stream in it.
    """
    with opened(path, briefly=True) as container:
        stream = container.streams.video[0]
        timed = stream.duration and stream.time_base
        duration_s = float(stream.duration * stream.time_base) if timed else 0.0
        if not duration_s and container.duration:
            duration_s = container.duration / av.time_base
        created = None
        text = container.metadata.get("creation_time") or stream.metadata.get("creation_time")
        if text:
            try:
                created = datetime.fromisoformat(text)
            except ValueError:
                created = None
        fps = float(stream.average_rate or stream.guessed_rate or 0)
        width_px, height_px = int(stream.codec_context.width), int(stream.codec_context.height)
        rotation_deg, interlaced = 0, False
        with suppress(*DECODING):
            for frame in _first_frames(container, stream):
                rotation_deg, interlaced = int(getattr(frame, "rotation", 0)), bool(frame.interlaced_frame)
                # A damaged container may tell another size than its frames have.
                width_px, height_px = frame.width, frame.height
                break
        if min(width_px, height_px) < SMALLEST_PX:
            raise ClipError(
                f"{path.name}: its picture is {width_px} x {height_px} px; copy it again from the card, "
                "or name the clip from the camera"
            )
        name = str(stream.codec_context.name)
        return ClipFacts(
            path, width_px, height_px, max(0.0, duration_s), fps, rotation_deg, name, created, interlaced
        )


def _first_frames(container: "av.container.InputContainer", stream: "av.VideoStream") -> Iterator[Any]:
    """The first frames that decode, of a clip just opened: the first at once where it is a key frame."""
    first = next(container.demux(stream), None)
    if first is not None and first.is_keyframe:
        yield from alone(stream, first)
    yield from container.decode(stream)


def opened(path: Path, *, briefly: bool = False) -> "av.container.InputContainer":
    """The clip, to be decoded; closed by its own context.

    ``briefly``: for what its container tells, and for single key frames: spares the decoding by which the
    library finds out how many frames a decoder holds back, where the container tells all else.

    Raises
    ------
    ClipError
        No such file, not a video, no video stream in it, or one that cannot be decoded here.
    """
    if not path.exists():
        raise ClipError(f"{path.name}: no such clip; mend the path")
    if path.is_dir():
        raise ClipError(f"{path.name}: a folder, not a clip; name the video file")
    if not path.is_file():
        # A pipe that nobody writes to would be waited for.
        raise ClipError(f"{path.name}: not a file; name the video file")
    try:
        # As a file whatever it is called, and nothing that stands in it is fetched from anywhere.
        container = av.open(
            f"file:{path}",
            options={"protocol_whitelist": "file"},
            stream_options=[{"skip_frame": "all"}] * MOST_STREAMS if briefly else None,
        )
    except (av.error.FFmpegError, ValueError, OSError) as error:
        raise ClipError(
            f"{path.name}: not a video this tool can open ({_reason(error)}); "
            "copy it again from the card, or export it as H.264 in mp4"
        ) from None
    if briefly and TELLS_ALL not in container.format.name.split(","):
        container.close()
        return opened(path)
    if not NO_VIDEO.isdisjoint(container.format.name.split(",")):
        container.close()
        raise ClipError(f"{path.name}: not a video this tool can open (text); name the clip from the camera")
    if not container.streams.video:
        container.close()
        raise ClipError(f"{path.name}: holds no video stream; name the clip with the picture")
    if container.streams.video[0].codec_context is None:
        container.close()
        raise ClipError(
            f"{path.name}: this installation cannot decode its video; copy it again from the card, "
            "or export it as H.264 in mp4"
        )
    return container


def use_threads(stream: "av.VideoStream", threads: int) -> None:
    """Have a stream decoded by so many threads, 0 for as many as help."""
    # In damaged hevc, threads that take a frame each were seen to wait for one another for ever.
    stream.thread_type = "SLICE" if stream.codec_context.name == "hevc" else "AUTO"
    stream.codec_context.thread_count = threads


def _reason(error: Exception) -> str:
    text = getattr(error, "strerror", None) or str(error)
    return str(text).strip().lower()


def read_frames(path: Path) -> Iterator[Frame]:
    """Shown frames of a clip in order, faulty ones too; ends early, without raising, at damage.

    Raises
    ------
    ClipError
        The file cannot be opened or holds no video.
    """
    for index, t_s, decoded, fault in in_time(_decoded(path)):
        # A copy: whoever gathers some would keep their colours as well.
        yield Frame(index, t_s, np.array(luma_of(decoded)), fault, bool(decoded.key_frame))


def read_shown(facts: ClipFacts) -> Iterator[Shown]:
    """The same frames with the time until which each is shown, in colour and in any size.

    ``facts``: of the clip, as probed. The last frame is shown for one frame at the clip's mean rate. Damaged
    frames are shown as they decode; those whose time or size cannot be are left out.

    Raises
    ------
    ClipError
        The file cannot be opened or holds no video.
    """
    held: tuple[int, float, av.VideoFrame] | None = None
    for index, t_s, decoded, fault in in_time(_decoded(facts.path)):
        if fault not in ("", BROKEN):
            continue
        if held is not None:
            yield Shown(held[0], held[1], t_s, held[2])
        held = (index, t_s, decoded)
    if held is not None:
        yield Shown(held[0], held[1], held[1] + _one_frame_s(facts), held[2])


def _one_frame_s(facts: ClipFacts) -> float:
    return 1 / facts.fps if facts.fps > 0 else 0.04


Timed = tuple[int, float, "av.VideoFrame", str]


def _decoded(path: Path) -> Iterator[Timed]:
    """Index, time, decoder's frame and fault of the frames of a clip, as far as it decodes.

    Where an error ends it, the last frame comes once more with the fault ``STOPPED``.
    """
    with opened(path) as container:
        stream = container.streams.video[0]
        use_threads(stream, 0)
        first_s: float | None = None
        t_s = 0.0
        frame = None
        frames = container.decode(stream)
        for index in count():
            try:
                frame = next(frames)
            except StopIteration:
                return
            except DECODING:
                if frame is not None:
                    yield index, t_s, frame, STOPPED
                return
            if frame.pts is None or not frame.time_base:
                t_s = t_s + 1.0 / float(stream.average_rate or 25) if index else 0.0
            else:
                absolute_s = float(frame.pts * frame.time_base)
                first_s = absolute_s if first_s is None else first_s
                t_s = absolute_s - first_s
            yield index, t_s, frame, BROKEN if frame.is_corrupt else ""


def in_time(decoded: Iterable[Timed], last_s: float = 0.0) -> Iterator[Timed]:
    """The frames, those whose time or size cannot be with that fault and the time of the one before.

    ``last_s``: time about which the first one is due.
    """
    size = (0, 0)
    doubted: Timed | None = None
    for one in decoded:
        index, t_s, frame, fault = one
        if doubted is not None:
            if t_s >= doubted[1]:
                last_s = doubted[1]
                yield doubted
            else:
                yield doubted[0], last_s, doubted[2], JUMPS
            doubted = None
        if index == 0:
            size = (frame.width, frame.height)
        if fault == STOPPED:
            yield index, last_s, frame, STOPPED
        elif (frame.width, frame.height) != size:
            yield index, last_s, frame, RESIZED
        elif index and t_s <= last_s:
            yield index, last_s, frame, FALLS
        elif t_s > last_s + MOST_GAP_S:
            yield index, last_s, frame, JUMPS
        elif t_s > last_s + DOUBTED_S:
            doubted = one
        else:
            last_s = t_s
            yield one
    if doubted is not None:
        yield doubted


def alone(stream: "av.VideoStream", packet: "av.Packet") -> list["av.VideoFrame"]:
    """What one key frame's packet decodes to, without waiting for others: a decoder holds frames back."""
    codec = stream.codec_context
    frames = [*codec.decode(packet), *codec.decode(None)]
    # Drained; now it is ready again.
    codec.flush_buffers()
    return frames


def luma_of(frame: "av.VideoFrame") -> NDArray[np.uint8]:
    """8-bit luma (height, width) of a decoded frame, where it can be as a view that keeps the frame."""
    name = frame.format.name
    if not (
        name.startswith(("yuv4", "yuvj4", "nv12", "nv21", "gray")) and frame.format.components[0].bits == 8
    ):
        return np.ascontiguousarray(frame.to_ndarray(format="gray"))
    plane = frame.planes[0]
    rows = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)
    return rows[: frame.height, : frame.width]


def damage(facts: ClipFacts, frames_read: int, last_t_s: float, faults: Mapping[str, int] = NO_FAULTS) -> str:
    """What a damaged file lacks, or "" when the clip was read to its declared end without a fault.

    ``faults``: how many frames were left out, by ``FAULTS``.
    """
    one_frame_s = _one_frame_s(facts)
    reached_s = last_t_s + one_frame_s
    said = []
    read = f"decoded {frames_read} frames to {reached_s:.1f} s"
    if facts.duration_s - reached_s > max(MISSING_S, 2 * one_frame_s):
        said.append(f"{read} of declared {facts.duration_s:.1f} s")
    elif STOPPED in faults:
        said.append(f"{read}, where an error ended it")
    for fault, number in faults.items():
        if fault != STOPPED:
            said.append(f"left out {number} frame{'' if number == 1 else 's'} {fault}")
    return "; ".join(said)
