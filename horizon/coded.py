"""Clips written: H.264 in mp4, picture by picture, or in stretches that were coded apart.

Stretches of one clip are coded beside one another, each on its own, and laid end to end.
"""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from .clip import ClipError

__all__ = ["Coded", "coded", "with_colour_planes", "write_clip", "write_coded"]

ENCODER = "libx264"
# Frames of a stretch. What stands in a clip's head hangs on how many follow from one key frame.
MOST = 250
# As ITU-T H.273 counts them (matrix coefficients 6; the library's own count of ranges).
BT601, LIMITED_RANGE = 6, 1


def with_colour_planes(luma: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Planar 4:2:0 image (height * 3 / 2, width) of a grey picture; even width and height."""
    height, width = luma.shape
    return np.vstack([luma, np.full((height // 2, width), 128, np.uint8)])


def write_clip(
    path: Path,
    images: Iterable[NDArray[np.uint8]],
    fps: float,
    *,
    crf: int = 20,
    key_every: int = 50,
    preset: str = "veryfast",
) -> None:
    """Write an H.264 clip in mp4 from planar 4:2:0 images (height * 3 / 2, width), even width and height.

    ``crf``: constant quality of the encoder, lower is better. ``key_every``: frames between key frames.
    ``preset``: how much time the encoder takes to make the file small, one of its own words.

    Raises
    ------
    ClipError
        The video library of this installation cannot write H.264; no image was asked for.
    """
    with _written(path, fps) as (container, stream):
        _as_wanted(stream.codec_context, {"crf": str(crf), "preset": preset, "g": str(key_every)})
        for number, image in enumerate(images):
            if number == 0:
                stream.width, stream.height = _size_px(image)
            for packet in stream.encode(av.VideoFrame.from_ndarray(image, format="yuv420p")):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)


@dataclass(frozen=True)
class Coded:
    """A stretch of an H.264 clip that decodes on its own: size, px, and a packet for every frame in turn.

    head : the decoder's settings, which stand once in a clip.
    """

    width_px: int
    height_px: int
    head: bytes = field(repr=False)
    packets: tuple[bytes, ...] = field(repr=False)


def coded(images: Sequence[NDArray[np.uint8]], fps: float, *, crf: int, preset: str) -> Coded:
    """At least one image, and no more than ``MOST``, as a stretch for :func:`write_coded`.

    Arguments as for :func:`write_clip`.
    """
    codec = av.CodecContext.create(ENCODER, "w")
    codec.width, codec.height = _size_px(images[0])
    codec.framerate = _rate(fps)
    codec.time_base = 1 / _rate(fps)
    # What all stretches have in common stands once, at the clip's beginning.
    codec.flags |= av.codec.context.Flags.global_header
    codec.thread_count = 1
    _as_wanted(codec, _one_by_one(crf, preset))
    packets: list[bytes] = []
    for number, image in enumerate(images):
        frame = av.VideoFrame.from_ndarray(image, format="yuv420p")
        frame.pts = number
        packets += map(bytes, codec.encode(frame))
    packets += map(bytes, codec.encode())
    return Coded(codec.width, codec.height, bytes(codec.extradata or b""), tuple(packets))


def write_coded(path: Path, stretches: Iterable[Coded], fps: float, *, crf: int, preset: str) -> None:
    """Write stretches, all of one size, as a clip; settings as they were coded with.

    Raises
    ------
    ClipError
        As for :func:`write_clip`; no stretch was asked for.
    ValueError
        A stretch was coded with other settings, or is of another size.
    """
    with _written(path, fps) as (container, stream):
        _as_wanted(stream.codec_context, _one_by_one(crf, preset))
        shown = 0
        for stretch in stretches:
            if not shown:
                stream.width, stream.height = stretch.width_px, stretch.height_px
                container.start_encoding()
            if stretch.head != bytes(stream.codec_context.extradata or b""):
                raise ValueError("a stretch that was coded otherwise than the clip it is to be part of")
            for number, data in enumerate(stretch.packets):
                packet = av.Packet(data)
                packet.stream, packet.time_base = stream, 1 / _rate(fps)
                packet.pts = packet.dts = shown
                packet.duration, packet.is_keyframe = 1, number == 0
                container.mux(packet)
                shown += 1


@contextmanager
def _written(path: Path, fps: float) -> Iterator[tuple[Any, Any]]:
    """A new mp4 and its stream."""
    with av.open(str(path), "w", format="mp4", options={"movflags": "faststart"}) as container:
        try:
            stream = container.add_stream(ENCODER, rate=_rate(fps))
        except ValueError:
            raise ClipError(
                f"{path.name}: this installation cannot write H.264 video; install av from its usual wheel"
            ) from None
        yield container, stream


def _as_wanted(codec: Any, options: dict[str, str]) -> None:
    codec.pix_fmt = "yuv420p"
    # OpenCV's colour planes follow BT.601; left unsaid, players take large pictures for BT.709.
    codec.colorspace, codec.color_range = BT601, LIMITED_RANGE
    codec.options = options


def _one_by_one(crf: int, preset: str) -> dict[str, str]:
    """Each frame follows from the one before, none from a later one, and only the first one from none."""
    return {"crf": str(crf), "preset": preset, "g": str(MOST), "sc_threshold": "0", "bf": "0"}


def _rate(fps: float) -> Fraction:
    return Fraction(fps).limit_denominator(1001)


def _size_px(image: NDArray[np.uint8]) -> tuple[int, int]:
    return image.shape[1], image.shape[0] * 2 // 3
