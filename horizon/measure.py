"""A clip through all steps: every chosen frame to roll and pitch, or to the reason why not.

Frames are measured a run of neighbours at a time (:mod:`horizon.looking`); within a run each frame starts
from the one before, and every run begins with a search of its own. The looks are then strung together
(:mod:`horizon.sequence`), and those that follow another line are refused. What the surroundings say comes
last, when all looking is done (:mod:`horizon.looks`).
"""

import math
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from .angles import apart_rad
from .clip import ClipFacts, Frame
from .cone import fitted, stacked
from .frame import HorizonFit, measure_frame, refused
from .lens import Lens
from .level import LEVEL_SURROUNDINGS, Surroundings
from .looking import Sparing, look_through
from .looks import ClipLooks, ClipTrack, track_of
from .pan import band, pan_shift_deg
from .sequence import THUMB_PX, Seen, off_sequence
from .small import SmallPictures

__all__ = ["ClipTrack", "look_at_clip", "measure_clip"]

Array = NDArray[np.float64]
Luma = NDArray[np.uint8]
Array32 = NDArray[np.float32]

# Key frames measured that a long clip needs to be known by, and how many neighbours count for one: waves and
# terrain stay for some seconds.
FEWEST_KEYS, HANGS_TOGETHER = 200, 4
# Time between the looks from which a pan is read: further apart, the shift stands clear of waves and of what
# the encoder froze in place. On drawn water it then errs by most of a band's pixel.
PAN_APART_S = 0.35
# Looks further apart show too little of the same.
PAN_TOO_FAR_S = 0.7
PAN_SD_PX = 0.8
# A line that goes on from frame to frame is judged once in that time.
JUDGED_S = 0.45
# Between frames no further apart than this, and turned no more, a camera turns evenly, and goes on for much
# the same time.
EVENLY_S, LEAST_COS, GOES_ON = 0.21, math.cos(math.radians(3.0)), 1.5
THUMB_FROM = 4
NO_THUMB = np.empty((0, 0), np.uint8)


@dataclass(frozen=True)
class _Look:
    frame: int
    t_s: float
    is_key: bool
    fit: HorizonFit
    turned_deg: float
    since_s: float
    turned_sd_deg: float
    thumb: NDArray[np.uint8]


def measure_clip(
    facts: ClipFacts,
    lens: Lens,
    *,
    dip_rad: float = 0.0,
    surroundings: Surroundings = LEVEL_SURROUNDINGS,
    readout_s: float | None = None,
    until_s: float = math.inf,
    looks_per_s: float | None = None,
    executor: Executor | None = None,
    progress: Callable[[float], None] | None = None,
) -> ClipTrack:
    """Horizon in the frames of a clip, by default five looks a second or more, fewer in long clips.

    ``facts``: of the clip, as probed. ``lens``: for its size. ``dip_rad``: of the visible horizon.
    ``surroundings``: what else was declared, for the uncertainty of the true horizon. ``readout_s``: time
    from the first to the last row of the stored picture, in the clip's own time, less than 0 when the last is
    read first; None when it is not known. ``until_s``: clip time up to which frames are read.
    ``looks_per_s``: so many instead, or every frame where there are fewer. ``executor``: measures parts of
    the clip beside this process; None measures them here. ``progress`` is told the share that is done.

    Raises
    ------
    ClipError
        The clip cannot be opened, or no frame of it decodes.
    """
    looks = look_at_clip(
        facts, lens, until_s=until_s, looks_per_s=looks_per_s, executor=executor, progress=progress
    )
    return track_of(looks, facts, lens, dip_rad=dip_rad, surroundings=surroundings, readout_s=readout_s)


def look_at_clip(
    facts: ClipFacts,
    lens: Lens,
    *,
    until_s: float = math.inf,
    looks_per_s: float | None = None,
    executor: Executor | None = None,
    progress: Callable[[float], None] | None = None,
    pictures: SmallPictures | None = None,
) -> ClipLooks:
    """What there is to see in a clip, whatever its surroundings are; arguments as of :func:`measure_clip`.

    ``pictures``: takes small ones that are made on the way; ``whole`` of it tells whether it has them all.

    Raises
    ------
    ClipError
        The clip cannot be opened, or no frame of it decodes.
    """
    measure = partial(_measure_run, lens=lens)
    looks, covered, reader = look_through(
        facts, until_s, measure, executor, progress, BY_KEY_FRAMES, looks_per_s, pictures
    )
    looks = _in_sequence(looks, lens)
    fits = [look.fit for look in looks]
    return ClipLooks(
        frame=np.array([look.frame for look in looks], np.int64),
        t_s=np.array([look.t_s for look in looks], float),
        is_key=np.array([look.is_key for look in looks], bool),
        reason=np.array([fit.reason for fit in fits], np.str_),
        line=stacked([fit.line for fit in fits]),
        width_rad=np.array([fit.width_rad for fit in fits], float),
        quality=np.array([fit.quality for fit in fits], float),
        brighter_grey=np.array([fit.brighter_grey for fit in fits], float),
        sky_odds=np.array([fit.sky_odds for fit in fits], float),
        turned_deg=np.array([look.turned_deg for look in looks], float),
        since_s=np.array([look.since_s for look in looks], float),
        turned_sd_deg=np.array([look.turned_sd_deg for look in looks], float),
        frames_read=reader.frames_read,
        damage=reader.damage,
        covered=covered,
        notes=reader.notes,
    )


def _measure_run(run: Iterable[Frame], covered: Luma | None, *, lens: Lens) -> list[_Look]:
    """Looks of neighbouring frames, their lines as of no dip; each starts from the last one measured."""
    cv2.setNumThreads(1)
    looks: list[_Look] = []
    last: list[tuple[float, Array]] = []
    reach_deg = math.degrees(math.atan(max(lens.width_px, lens.height_px) / 2 * lens.pixel_rad)) * 0.9
    before: tuple[float, Array32] | None = None
    sd_deg = PAN_SD_PX * 2 * reach_deg / 255
    thumb_size = (THUMB_PX, max(1, round(THUMB_PX * lens.height_px / lens.width_px)))
    some = max(1, lens.width_px // (THUMB_FROM * THUMB_PX))
    judged: tuple[float, HorizonFit] | None = None
    for frame in run:
        fresh = judged[1] if judged is not None and frame.t_s - judged[0] < JUDGED_S else None
        start = _moved_on(last, frame.t_s)
        fit = measure_frame(frame.luma, lens, start=start, covered=covered, judged=fresh)
        if fit.reason or fit.judged:
            judged = None if fit.reason else (frame.t_s, fit)
        turned_deg, since_s = math.nan, math.nan
        if fit.reason:
            before = None
        else:
            last = [*last[-1:], (frame.t_s, fit.up_cam)]
            # Each span is used once: overlapping ones would count their errors twice.
            since = math.inf if before is None else frame.t_s - before[0]
            if since >= PAN_APART_S:
                now = band(frame.luma, lens, fit.up_cam, reach_deg)
                if before is not None and since <= PAN_TOO_FAR_S:
                    since_s, turned_deg = since, pan_shift_deg(before[1], now, reach_deg)
                before = (frame.t_s, now)
        # Some of the pixels: averaging all takes as long as following the line.
        thumb = cv2.resize(frame.luma[::some, ::some], thumb_size, interpolation=cv2.INTER_AREA)
        looks.append(_Look(frame.index, frame.t_s, frame.is_key, fit, turned_deg, since_s, sd_deg, thumb))
    return _lighter(looks)


def _lighter(looks: list[_Look]) -> list[_Look]:
    """The looks of a run without the thumbs, most of what they weigh, that are compared with no other.

    A line is asked for only where it was found by a search, and then in the look before that as well.
    """
    measured = [k for k, look in enumerate(looks) if not look.fit.reason]
    found = {k for k in measured if not looks[k].fit.followed}
    before = {k for k, after in pairwise(measured) if after in found}
    # What follows the last one stands in the next run, which begins with a search.
    wanted = found | before | set(measured[-1:])
    return [look if k in wanted else replace(look, thumb=NO_THUMB) for k, look in enumerate(looks)]


def _moved_on(last: Sequence[tuple[float, Array]], t_s: float) -> Array | None:
    """Where a line is expected by its last times and up vectors: moving on evenly if they are close."""
    if not last:
        return None
    (before_s, before), (now_s, now) = last[0], last[-1]
    since_s, ahead_s = now_s - before_s, t_s - now_s
    if not 0 < since_s <= EVENLY_S or ahead_s > GOES_ON * since_s or now @ before < LEAST_COS:
        return now
    up = now + ahead_s / since_s * (now - before)
    return np.asarray(up / np.linalg.norm(up))


def _added_deg(looks: list[_Look]) -> float:
    """Sd of the mean roll, deg, from what every look errs by on its own: what more looks would take away."""
    measured = [look.fit for look in looks if not look.fit.reason]
    if len(measured) < max(FEWEST_KEYS, len(looks) / 2):
        return math.inf
    lens = measured[0].lens
    assert lens is not None
    read = fitted(stacked([fit.line for fit in measured]), np.ones(len(measured)), lens, 0.0)
    own = float(np.mean(read.covariance[:, 0, 0] - read.shared_variance[:, 0]))
    return math.degrees(math.sqrt(max(own, 0.0) * HANGS_TOGETHER / len(measured)))


def _moved(looks: list[_Look]) -> float:
    """Mean angle, rad, by which the line turned or shifted from one measured look to the next."""
    ups = np.array([look.fit.up_cam for look in looks if not look.fit.reason])
    return float(np.mean(apart_rad(ups[1:], ups[:-1]))) if len(ups) > 1 else 0.0


BY_KEY_FRAMES = Sparing(_added_deg, _moved)


def _in_sequence(looks: list[_Look], lens: Lens) -> list[_Look]:
    """The looks, those that follow another line than the clip's horizon refused."""
    measured = [k for k, look in enumerate(looks) if not look.fit.reason]
    seen = [
        Seen(look.t_s, look.fit.up_cam, look.fit.likeness, look.fit.followed, look.thumb)
        for look in (looks[k] for k in measured)
    ]
    out = list(looks)
    for k, reason in zip(measured, off_sequence(seen, lens), strict=True):
        if reason:
            out[k] = replace(out[k], fit=refused(reason), turned_deg=math.nan)
            # The pan of the next look was read against this one's line.
            if k + 1 < len(out):
                out[k + 1] = replace(out[k + 1], turned_deg=math.nan)
    return out
