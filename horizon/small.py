"""Pictures of a clip made small on the way, while it is decoded to be measured.

Decoding is what takes the time, and whoever wants to see the clip afterwards would have to do it again. Kept
are the frames that a player shows at a number of evenly spaced times, and those that were looked at.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import IO, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from .clip import Shown

__all__ = ["ROUNDED_S", "Coloured", "Making", "Sizing", "SmallPicture", "SmallPictures", "encoded"]

Image = NDArray[np.uint8]

# A picture that is due at its time of presentation, written in the container's ticks.
ROUNDED_S = 1e-4
# Not to be told from the original once it is encoded as a video.
QUALITY = 92


class Coloured(Protocol):
    """A frame that is shown from ``t_s`` to ``until_s``, in colour and in any size."""

    @property
    def index(self) -> int:
        """Its number in the stream."""

    @property
    def t_s(self) -> float:
        """Clip time, s."""

    @property
    def until_s(self) -> float:
        """Clip time, s."""

    def colour(self, width_px: int | None = None, height_px: int | None = None) -> Image:
        """Picture (height, width, 3) in BGR order, as stored."""


@dataclass(frozen=True)
class SmallPicture:
    """A small picture as the bytes of a JPEG file; as of :class:`horizon.clip.Shown`."""

    index: int
    t_s: float
    until_s: float
    file: bytes = field(repr=False)

    def colour(self, width_px: int | None = None, height_px: int | None = None) -> Image:
        """Colour picture (height, width, 3) in BGR order, scaled to a size."""
        picture = np.asarray(cv2.imdecode(np.frombuffer(self.file, np.uint8), cv2.IMREAD_COLOR), np.uint8)
        if width_px is None or height_px is None or picture.shape[:2] == (height_px, width_px):
            return picture
        smaller = width_px < picture.shape[1]
        how = cv2.INTER_AREA if smaller else cv2.INTER_LINEAR
        return np.asarray(cv2.resize(picture, (width_px, height_px), interpolation=how), np.uint8)


@dataclass(frozen=True)
class Sizing:
    """So many times a second, and so long at most as the longer side."""

    per_s: float
    longest_px: int

    def due(self, t_s: float, until_s: float) -> bool:
        """Whether one of the times lies between these two."""
        first, end = (math.ceil((time - ROUNDED_S) * self.per_s) for time in (t_s, until_s))
        return end > first

    def made(self, shown: Shown, width_px: int, height_px: int) -> SmallPicture:
        """A frame, of that size as stored, made small."""
        shrink = min(1.0, self.longest_px / max(width_px, height_px))
        picture = shown.colour(max(1, round(width_px * shrink)), max(1, round(height_px * shrink)))
        return SmallPicture(shown.index, shown.t_s, shown.until_s, encoded(picture, ".jpg", QUALITY))


@dataclass
class Making:
    """Makes the small pictures of one stretch of a clip, frame by frame."""

    sizing: Sizing
    width_px: int
    height_px: int
    made: list[SmallPicture] = field(default_factory=list)
    _held: Shown | None = None
    _wanted: bool = False

    def shown(self, frame: Shown, *, wanted: bool) -> None:
        """The next frame; ``wanted``, whether it is shown at one of the times or not."""
        self.ended(frame.t_s)
        self._held, self._wanted = frame, wanted

    def ended(self, until_s: float) -> None:
        """The last frame was shown until then."""
        held = self._held
        if held is not None and (self._wanted or self.sizing.due(held.t_s, until_s)):
            shown = replace(held, until_s=until_s)
            self.made.append(self.sizing.made(shown, self.width_px, self.height_px))
        self._held = None


class SmallPictures:
    """Small pictures of a clip in order of time, in a file of their own; ``whole`` once all are in it."""

    def __init__(self, sizing: Sizing, file: IO[bytes]) -> None:
        self.sizing, self.whole = sizing, False
        self._file, self._full = file, False
        self._known: list[tuple[SmallPicture, int]] = []

    def add(self, pictures: Iterable[SmallPicture]) -> None:
        """Keep more of them, where the file takes more."""
        try:
            for picture in pictures:
                self._file.write(picture.file)
                self._known.append((replace(picture, file=b""), len(picture.file)))
        except OSError:
            # They only spare time.
            self._full = True

    def done(self, *, whole: bool) -> None:
        """They are all there, or are of no use."""
        self.whole = whole and not self._full
        if not self.whole:
            self._known.clear()

    def close(self) -> None:
        """Give the file back; nothing is in them any more."""
        self.done(whole=False)
        self._file.close()

    def __iter__(self) -> Iterator[SmallPicture]:
        """Each is shown until the next one."""
        self._file.seek(0)
        for k, (picture, size) in enumerate(self._known):
            last = k + 1 == len(self._known)
            until_s = picture.until_s if last else self._known[k + 1][0].t_s
            yield replace(picture, until_s=until_s, file=self._file.read(size))


def encoded(image: Image, ending: str, quality: int = 95, *, all_colour: bool = False) -> bytes:
    """A picture as the bytes of a ``.png`` or ``.jpg`` file (quality to 100); OSError where it cannot.

    ``all_colour``: a JPEG keeps the colour of every pixel, as thin lines need it, not of four together.
    """
    options = [cv2.IMWRITE_JPEG_QUALITY, quality] if ending == ".jpg" else []
    if options and all_colour:
        options += [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444]
    done, data = cv2.imencode(ending, image, options)
    if not done:
        raise OSError(f"a picture of shape {image.shape} cannot be written as {ending}")
    return bytes(data)
