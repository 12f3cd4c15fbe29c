"""What a report is made from; nothing is computed here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.covariates import Covariates
from attitude.findings import Causes
from attitude.recorded import Recorded
from attitude.residuals import Residuals
from attitude.sheet import Shoot
from attitude.verdict import Verdict
from horizon.small import encoded

if TYPE_CHECKING:
    from horizon.measure import ClipTrack
    from horizon.selfcheck import SelfCheck

__all__ = ["Material", "Picture", "Review", "Segment", "picture_of"]

PAGE_PX, JPEG_QUALITY, FILE_QUALITY = 1280, 86, 92


@dataclass(frozen=True)
class Picture:
    """One frame, or a sheet of frames, with the horizon already drawn on it.

    file : the whole picture as JPEG, turned as a player shows it. small : a JPEG of at most
    ``PAGE_PX`` across, for the page, of so many pixels. words : the lean, as written on it.
    """

    caption: str
    clip: str
    t_s: float
    file: bytes
    small: bytes
    small_px: tuple[int, int]
    words: str = ""

    @property
    def image(self) -> NDArray[np.uint8]:
        """The whole picture, BGR, shape (height, width, 3)."""
        return np.asarray(cv2.imdecode(np.frombuffer(self.file, np.uint8), cv2.IMREAD_COLOR), np.uint8)


def picture_of(image: NDArray[np.uint8], caption: str, clip: str, t_s: float, words: str = "") -> Picture:
    """A picture, BGR, shape (height, width, 3), as ``.jpg`` files, whole and for the page."""
    height, width = image.shape[:2]
    scale = min(1.0, PAGE_PX / width)
    size = (round(width * scale), round(height * scale))
    small = cv2.resize(image, size, interpolation=cv2.INTER_AREA) if scale < 1 else image
    page = encoded(np.asarray(small, np.uint8), ".jpg", JPEG_QUALITY)
    file = encoded(image, ".jpg", FILE_QUALITY, all_colour=True)
    return Picture(caption, clip, t_s, file, page, size, words)


@dataclass(frozen=True)
class Segment:
    """A clip's stretch of the review video; time in the clip, as played, is review time minus ``from_s``."""

    clip: str
    from_s: float
    lasts_s: float


@dataclass(frozen=True)
class Review:
    """The review video: all clips one after the other. file : its name in the result's folder."""

    file: str
    width_px: int
    height_px: int
    segments: tuple[Segment, ...]


@dataclass(frozen=True)
class Material:
    """One checked shoot.

    residuals : None without a log. result : what ``result.json`` holds. frames : the tracks' rows with
    log_roll_deg and log_pitch_deg, NaN where unknown. kept : those that count, as of
    :func:`attitude.picture.footage_roll`, in the time as filmed. corrections : the editor's table. flagged :
    stretches out of tolerance, as of :mod:`attitude.flagged`; like corrections in the time a player shows.
    self_check : None where the measuring was not checked. review : None without a video. worst : the sheet
    of the worst moments, None where nothing was measured. covariates : as of :mod:`attitude.covariates`, None
    where no cause may be sought. recorded : what the history keeps of it. past : other shoots on record.
    """

    shoot: Shoot
    tracks: tuple[ClipTrack, ...]
    residuals: Residuals | None
    causes: Causes
    verdict: Verdict
    result: dict[str, Any]
    frames: pd.DataFrame
    kept: pd.DataFrame
    corrections: pd.DataFrame
    flagged: pd.DataFrame
    pictures: tuple[Picture, ...]
    self_check: SelfCheck | None = None
    review: Review | None = None
    worst: Picture | None = None
    covariates: Covariates | None = None
    recorded: Recorded | None = None
    past: tuple[Recorded, ...] = ()
