"""What a review video was drawn from, kept, so that one which still shows the truth is not drawn again.

It is kept by the content of the video: only the file that was written then, at the place where it is to lie,
is the video that is spoken of. What must be equal for it to stand is the footage, its lens and turn, what was
looked at when, and what is written on it. What may differ is what nobody can see: the line by half a pixel of
the video, a roll by ``ROLL_DEG``; uncertainties by ``SD_SHARE`` in the middle, and of nine looks in ten by no
more than they are known to. The moments that are shown may be others of the same second or the same lean.
The tolerance is no part of any picture.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from hashlib import blake2b
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

import attitude
import horizon
from attitude.kept_tracks import code_digest, key_of, read_kept, write_kept
from attitude.moments import Moment
from attitude.recording import content_digest
from attitude.report.material import Picture, Review, Segment
from attitude.report.page import FRAME
from horizon.angles import angles_from_up, tangent_frame, wrap_deg
from horizon.lens import Lens, rays

__all__ = ["SHEET", "VIDEO", "DrawnFrom", "LookedThrough", "drawn_before", "keep_drawn", "line_reach_rad"]

Array = NDArray[np.float64]

VIDEO, SHEET = "review.mp4", "worst_frames.jpg"
LINE_PX, ROLL_DEG, SD_SHARE = 0.5, 0.01, 0.05
# The sd of a single look comes from twelve blocks of its line and is itself known to 1 / sqrt(2 (12 - 1)).
MOST_LOOKS, SD_KNOWN_TO = 0.9, 0.21
SAME_SECOND_S, SAME_LEAN_DEG = 1.0, 0.02
ACROSS = np.linspace(-1, 1, 9)
ARRAYS = ("up_cam", "normal", "dip_rad", "sd_deg", "pixel_rad", "reach_rad")


@dataclass(frozen=True)
class LookedThrough:
    """What there is to look at. worst : the sheet of the worst moments. notes : what could not be made.

    stands : the video is the one that lies in the result's folder already.
    """

    review: Review | None
    pictures: tuple[Picture, ...]
    worst: Picture | None
    notes: tuple[str, ...]
    stands: bool = False


@dataclass(frozen=True)
class DrawnFrom:
    """What a video was drawn from, a row per look at any clip.

    same : text of all that must be equal. up_cam, normal (n, 3), dip_rad, sd_deg (n,) : as drawn, NaN where
    nothing is. pixel_rad, reach_rad (n,) : angle of a pixel of the video, and how far from the lens axis its
    picture reaches. shown, worst : the moments. kept : the rows that they were chosen from, with clip, t_s,
    tilt_deg, pose_deg.
    """

    same: str
    up_cam: Array
    normal: Array
    dip_rad: Array
    sd_deg: Array
    pixel_rad: Array
    reach_rad: Array
    shown: tuple[Moment, ...]
    worst: tuple[Moment, ...]
    kept: pd.DataFrame


def line_reach_rad(lens: Lens) -> float:
    """Angle of the farthest middle of a side of the picture from the lens axis."""
    right, low = lens.width_px - 1.0, lens.height_px - 1.0
    sides = [[0.0, lens.cy_px], [right, lens.cy_px], [lens.cx_px, 0.0], [lens.cx_px, low]]
    return float(np.arccos(np.clip(rays(lens, sides)[:, 2], -1, 1)).max())


def drawn_before(folder: Path, now: DrawnFrom) -> LookedThrough | None:
    """What lies in a result's folder, where it still shows what is to be drawn; None where it does not."""
    key = _key(folder)
    return read_kept(key, lambda held: _standing(held, folder, now)) if key else None


def keep_drawn(folder: Path, drawn: DrawnFrom, looked: LookedThrough) -> None:
    """Keep what the video, just written to ``folder``, was drawn from, and the pictures made with it."""
    key = _key(folder)
    if not key or looked.review is None or looked.notes:
        return
    pictures = [*looked.pictures, *([looked.worst] if looked.worst else [])]
    about = {
        "same": drawn.same,
        "shown": [asdict(moment) for moment in drawn.shown],
        "worst": [asdict(moment) for moment in drawn.worst],
        "review": asdict(looked.review),
        "pictures": [_told(picture) for picture in pictures],
        "sheet": looked.worst is not None,
    }
    small = {f"small_{k}": np.frombuffer(one.small, np.uint8) for k, one in enumerate(pictures)}
    write_kept(key, about, {**{name: getattr(drawn, name) for name in ARRAYS}, **small})


def _key(folder: Path) -> str:
    try:
        return key_of("review", code_digest(horizon, attitude), content_digest(folder / VIDEO).hex())
    except OSError:
        return ""


def _standing(held: Mapping[str, Any], folder: Path, now: DrawnFrom) -> LookedThrough | None:
    about = held["about"]
    shown, worst = ([Moment(**one) for one in about[name]] for name in ("shown", "worst"))
    alike = (
        about["same"] == now.same
        and _same_moments(shown, now.shown, now.kept)
        and _same_moments(worst, now.worst, now.kept)
        and _looks_alike(held, now)
    )
    if not alike:
        return None
    files = [FRAME.format(number + 1) for number in range(len(about["pictures"]))]
    if about["sheet"]:
        files[-1] = SHEET
    pictures = []
    for k, (name, told) in enumerate(zip(files, about["pictures"], strict=True)):
        file = (folder / name).read_bytes()
        if _digest(file) != told["file"]:
            return None
        small = held[f"small_{k}"].tobytes()
        size = (int(told["small_px"][0]), int(told["small_px"][1]))
        pictures.append(Picture(told["caption"], told["clip"], told["t_s"], file, small, size, told["words"]))
    review = about["review"]
    segments = tuple(Segment(**one) for one in review["segments"])
    sheet = pictures.pop() if about["sheet"] else None
    return LookedThrough(Review(**{**review, "segments": segments}), tuple(pictures), sheet, (), stands=True)


def _told(picture: Picture) -> dict[str, Any]:
    told = {"caption": picture.caption, "clip": picture.clip, "t_s": picture.t_s, "words": picture.words}
    return {**told, "small_px": picture.small_px, "file": _digest(picture.file)}


def _digest(data: bytes) -> str:
    return blake2b(data, digest_size=20).hexdigest()


def _same_moments(before: Sequence[Moment], now: Sequence[Moment], kept: pd.DataFrame) -> bool:
    """Whether earlier moments are as good as those chosen now, by the looks that count now."""
    if len(before) != len(now):
        return False
    for one, other in zip(before, now, strict=True):
        if one == other:
            continue
        rows = [kept[(kept["clip"] == moment.clip) & (kept["t_s"] == moment.t_s)] for moment in (one, other)]
        if one.caption != other.caption or rows[0].empty or rows[1].empty:
            return False
        apart = (rows[0][["tilt_deg", "pose_deg"]].iloc[0] - rows[1][["tilt_deg", "pose_deg"]].iloc[0]).abs()
        near = one.clip == other.clip and abs(one.t_s - other.t_s) <= SAME_SECOND_S
        if apart["pose_deg"] != 0 or not (near or apart["tilt_deg"] <= SAME_LEAN_DEG):
            return False
    return True


def _looks_alike(held: Mapping[str, Any], now: DrawnFrom) -> bool:
    """Whether lines and words drawn then differ from those to be drawn by no more than can be seen."""
    before = {name: np.asarray(held[name], float) for name in ARRAYS}
    if any(before[name].shape != getattr(now, name).shape for name in ARRAYS):
        return False
    drawn = np.isfinite(now.up_cam[:, 0])
    lines = np.isfinite(now.normal[:, 0])
    if (np.isfinite(before["up_cam"][:, 0]) != drawn).any() or (
        np.isfinite(before["normal"][:, 0]) != lines
    ).any():
        return False
    roll_deg = [np.degrees(angles_from_up(up)[0]) for up in (before["up_cam"][drawn], now.up_cam[drawn])]
    if (np.abs(wrap_deg(roll_deg[1] - roll_deg[0])) > ROLL_DEG).any():
        return False
    changed = np.abs(before["sd_deg"] / now.sd_deg - 1)[drawn]
    if drawn.any() and (np.median(changed) > SD_SHARE or np.quantile(changed, MOST_LOOKS) > SD_KNOWN_TO):
        return False
    least_rad = LINE_PX * now.pixel_rad
    apart = np.minimum(*(np.linalg.norm(before["normal"] + way * now.normal, axis=1) for way in (1, -1)))
    if (apart[lines] > least_rad[lines]).any():
        return False
    # Where the line was drawn, as the line to be drawn has it: how far off its cone that lies.
    rows = np.flatnonzero(drawn & ~lines)
    up, dip_rad = before["up_cam"][rows], before["dip_rad"][rows, None, None]
    e_roll, forward = (axis[:, None] for axis in tangent_frame(*angles_from_up(up)))
    azimuth = (ACROSS * now.reach_rad[rows, None])[:, :, None]
    level = np.cos(azimuth) * forward - np.sin(azimuth) * e_roll
    ray = np.cos(dip_rad) * level - np.sin(dip_rad) * up[:, None]
    off_rad = np.einsum("nki,ni->nk", ray, now.up_cam[rows]) + np.sin(now.dip_rad[rows, None])
    return not bool((np.abs(off_rad) > least_rad[rows, None]).any())
