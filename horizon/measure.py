"""A clip through all steps: every chosen frame to roll and pitch, or to the reason why not.

Frames are measured a run of neighbours at a time (:mod:`horizon.looking`); within a run each frame starts
from the one before, and every run begins with a search of its own. The looks are then strung together
(:mod:`horizon.sequence`), and those that follow another line are refused.

Which half is sky is voted once for the whole clip, because a single frame can be deceived by snow, bright
sand or night: frames that follow one another closely cannot turn over, so they form chains, and the chains
vote with the texture and the brightness of their two sides. Last, once the motion is known, roll and pitch
are brought to one moment per frame (:mod:`horizon.readout`).
"""

import math
from collections.abc import Callable, Iterable
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import partial

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from . import TRACK_COLUMNS
from .angles import angles_from_up, apart_rad
from .bend import bend_of
from .clip import ClipFacts, Frame
from .frame import HorizonFit, measure_frame, refused
from .lens import Lens
from .level import LEVEL_SURROUNDINGS, PITCH_TOO, Surroundings, claim
from .looking import Sparing, look_through
from .pan import band, pan_shift_deg
from .readout import at_middle_row
from .sequence import THUMB_PX, Seen, off_sequence

__all__ = ["ClipTrack", "measure_clip"]

Array = NDArray[np.float64]
Luma = NDArray[np.uint8]
Array32 = NDArray[np.float32]

# Key frames measured that a long clip needs to be known by, and how many neighbours count for one: waves and
# terrain stay for some seconds.
FEWEST_KEYS, HANGS_TOGETHER = 200, 4
# Frames closer in time than this cannot have turned over in between.
CHAIN_GAP_S = 0.6
VOTE = 2.5
# Sides that change places within a chain: so many looks before and after, so many grey levels apart.
FLIP_LOOKS, FLIP_GREY = 5, 10.0
BENT_LENS = (
    "as by another lens than the stated one, and roll and pitch are off with it: horizon-drift lens footage "
    "finds the lens"
)
# Time between the looks from which a pan is read: further apart, the shift stands clear of waves and of what
# the encoder froze in place. On drawn water it then errs by most of a band's pixel.
PAN_APART_S = 0.35
# Looks further apart show too little of the same.
PAN_TOO_FAR_S = 0.7
PAN_SD_PX = 0.8


@dataclass(frozen=True)
class _Look:
    frame: int
    t_s: float
    fit: HorizonFit
    turned_deg: float
    since_s: float
    turned_sd_deg: float
    thumb: NDArray[np.uint8]


@dataclass(frozen=True)
class ClipTrack:
    """What was measured in one clip.

    ``track``: columns ``TRACK_COLUMNS``, one row per frame looked at. ``damage``: "" or how much of a damaged
    file could be decoded. ``sky``: "picture" when the picture tells which half is sky; "unknown": the camera
    may as well be upside down (roll + 180, pitch = -pitch - 2 dip); "log": of a plumb or level line, where
    the attitude log has told. ``yaw_rate``: pan rate read off the
    picture between neighbouring looks, columns t_s, yaw_rate_dps, yaw_rate_sd_dps. ``covered``: what is
    burnt into the picture, as of :mod:`horizon.overlay`. ``reference``: what roll was measured against:
    "horizon", or "plumb_line" or "level_line" as of :mod:`horizon.reference`; then ``normals`` (rows of
    ``track``, 3): unit normal of the plane through the (first) line, camera axes, NaN where not measured.
    ``notes``: sentences for the operator.
    """

    clip: str
    track: pd.DataFrame
    facts: ClipFacts
    frames_read: int
    damage: str
    sky: str
    dip_rad: float
    yaw_rate: pd.DataFrame
    covered: NDArray[np.uint8] | None = None
    reference: str = "horizon"
    normals: Array | None = None
    notes: tuple[str, ...] = ()

    @property
    def tells_pitch(self) -> bool:
        """Whether the picture tells the pitch too: a single plumb or level line does not."""
        return self.normals is None or bool((self.track["claims"] == PITCH_TOO).any())


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
    measure = partial(_measure_run, lens=lens, dip_rad=dip_rad)
    looks, covered, reader = look_through(
        facts, until_s, measure, executor, progress, BY_KEY_FRAMES, looks_per_s
    )
    looks = _in_sequence(looks, lens)
    signs, sky = _vote(looks)
    looks = _at_one_moment(looks, signs, readout_s, facts.fps)
    looks, notes = _bending(looks, surroundings.bend_sd, facts.path.name)
    return ClipTrack(
        facts.path.name,
        _table(facts.path.name, looks, signs, surroundings),
        facts,
        reader.frames_read,
        reader.damage,
        sky,
        dip_rad,
        _pan_table(looks, signs),
        covered,
        notes=(*reader.notes, *notes),
    )


def _measure_run(run: Iterable[Frame], covered: Luma | None, *, lens: Lens, dip_rad: float) -> list[_Look]:
    """Looks of neighbouring frames; each starts from the last one measured."""
    cv2.setNumThreads(1)
    looks: list[_Look] = []
    start: Array | None = None
    reach_deg = math.degrees(math.atan(max(lens.width_px, lens.height_px) / 2 * lens.pixel_rad)) * 0.9
    before: tuple[float, Array32] | None = None
    sd_deg = PAN_SD_PX * 2 * reach_deg / 255
    thumb_size = (THUMB_PX, max(1, round(THUMB_PX * lens.height_px / lens.width_px)))
    for frame in run:
        fit = measure_frame(frame.luma, lens, dip_rad=dip_rad, start=start, covered=covered)
        turned_deg, since_s = math.nan, math.nan
        if fit.reason:
            before = None
        else:
            start = fit.up_cam
            # Each span is used once: overlapping ones would count their errors twice.
            now = band(frame.luma, lens, fit.up_cam, reach_deg)
            if before is None or frame.t_s - before[0] > PAN_TOO_FAR_S:
                before = (frame.t_s, now)
            elif frame.t_s - before[0] >= PAN_APART_S:
                since_s = frame.t_s - before[0]
                turned_deg = pan_shift_deg(before[1], now, reach_deg)
                before = (frame.t_s, now)
        thumb = cv2.resize(frame.luma, thumb_size, interpolation=cv2.INTER_AREA)
        looks.append(_Look(frame.index, frame.t_s, fit, turned_deg, since_s, sd_deg, thumb))
    return looks


def _added_deg(looks: list[_Look]) -> float:
    """Sd of the mean roll, deg, from what every look errs by on its own: what more looks would take away."""
    measured = [look.fit for look in looks if not look.fit.reason]
    if len(measured) < max(FEWEST_KEYS, len(looks) / 2):
        return math.inf
    own = float(np.mean([fit.covariance[0, 0] - fit.shared_variance[0] for fit in measured]))
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


def _vote(looks: list[_Look]) -> tuple[list[float], str]:
    """Sign for every look (-1: take the other reading) and whether the picture settled it.

    Frames that follow one another form chains of one reading. Chains are first turned so that the brighter
    side is up; then all of them together say whether the brighter side is sky, by the mean log odds of
    :mod:`horizon.verify`: a mean, since frames of one place err alike.
    """
    signs = [1.0] * len(looks)
    chains: list[list[int]] = []
    last: int | None = None
    for i, look in enumerate(looks):
        if look.fit.reason:
            continue
        if last is not None and look.t_s - looks[last].t_s <= CHAIN_GAP_S:
            agree = float(look.fit.up_cam @ looks[last].fit.up_cam) * signs[last]
            signs[i] = 1.0 if agree >= 0 else -1.0
            chains[-1].append(i)
        else:
            chains.append([i])
        last = i
    if not chains:
        return signs, "unknown"
    votes, weights = [], []
    for chain in [part for whole in chains for part in _unflipped(whole, looks, signs)]:
        brighter = float(np.mean([signs[i] * looks[i].fit.brighter_grey for i in chain]))
        if brighter < 0:
            for i in chain:
                signs[i] = -signs[i]
        votes.append(float(np.mean([signs[i] * looks[i].fit.sky_odds for i in chain])))
        weights.append(len(chain))
    vote = float(np.average(votes, weights=weights))
    if vote < -VOTE:
        signs = [-sign for sign in signs]
    return signs, "picture" if abs(vote) >= VOTE else "unknown"


def _unflipped(chain: list[int], looks: list[_Look], signs: list[float]) -> list[list[int]]:
    """The chain, cut where the two sides of the line change places: some cameras turn their pixels over."""
    brighter = np.array([signs[i] * looks[i].fit.brighter_grey for i in chain])
    parts, first = [], 0
    for k in range(FLIP_LOOKS, len(chain) - FLIP_LOOKS + 1):
        before, after = brighter[k - FLIP_LOOKS : k], brighter[k : k + FLIP_LOOKS]
        # All of either side must agree, or a cloud that passes would cut the chain.
        down_up = before.max() < -FLIP_GREY and after.min() > FLIP_GREY
        up_down = before.min() > FLIP_GREY and after.max() < -FLIP_GREY
        if k - first >= FLIP_LOOKS and (down_up or up_down):
            parts.append(chain[first:k])
            first = k
    return [*parts, chain[first:]]


def _at_one_moment(
    looks: list[_Look], signs: list[float], readout_s: float | None, fps: float
) -> list[_Look]:
    """The looks at the time of their middle row, in the reading that the signs say."""
    measured = [k for k, look in enumerate(looks) if not look.fit.reason]
    if not measured:
        return looks
    fits = [looks[k].fit for k in measured]
    over = [signs[k] < 0 for k in measured]
    up, covariance = at_middle_row(
        np.array([looks[k].t_s for k in measured]),
        np.array([fit.up_flipped if turn else fit.up_cam for fit, turn in zip(fits, over, strict=True)]),
        np.array([fit.row_shift for fit in fits]),
        np.array([fit.covariance for fit in fits]),
        readout_s=readout_s,
        fps=fps,
    )
    out = list(looks)
    for place, k in enumerate(measured):
        which = "up_flipped" if over[place] else "up_cam"
        fit = replace(fits[place], covariance=covariance[place], **{which: up[place]})
        out[k] = replace(looks[k], fit=fit)
    return out


def _bending(looks: list[_Look], prior_sd: float, clip: str) -> tuple[list[_Look], tuple[str, ...]]:
    """The looks with what a lens that bends more than was told may do to them, and a word where it does."""
    measured = [k for k, look in enumerate(looks) if not look.fit.reason]
    if prior_sd <= 0 or not measured:
        return looks, ()
    effects = np.array([looks[k].fit.bend for k in measured])
    found = bend_of(np.array([looks[k].t_s for k in measured]), effects, prior_sd)
    out = list(looks)
    for k, turn in zip(measured, effects[:, 2:] * math.hypot(found.share, found.sd), strict=True):
        fit = looks[k].fit
        covariance, shared = fit.covariance + np.outer(turn, turn), fit.shared_variance + turn**2
        out[k] = replace(looks[k], fit=replace(fit, covariance=covariance, shared_variance=shared))
    if not found.certain:
        return out, ()
    note = f"{clip}: off the middle of the picture the line is bent, {BENT_LENS}"
    return out, (note,)


def _table(clip: str, looks: list[_Look], signs: list[float], declared: Surroundings) -> pd.DataFrame:
    rows = [
        (clip, look.frame, look.t_s, *_angles(look.fit, sign, declared))
        for look, sign in zip(looks, signs, strict=True)
    ]
    table = pd.DataFrame(rows, columns=TRACK_COLUMNS)
    return table.astype({"frame": int, "reason": str, "claims": str})


def _angles(fit: HorizonFit, sign: float, declared: Surroundings) -> tuple[float | str, ...]:
    """Columns of one look from ``roll_deg`` on."""
    nan = math.nan
    if fit.reason:
        return (nan, nan, nan, nan, nan, fit.reason, nan, nan, nan, nan, nan, nan, "")
    roll, pitch = (float(angle) for angle in angles_from_up(fit.up_cam if sign > 0 else fit.up_flipped))
    true = claim(pitch, fit.covariance, fit.width_rad, declared)
    line = np.sqrt(np.diag(fit.covariance))
    shared = np.sqrt(fit.shared_variance)
    before = np.degrees([roll, pitch, true.roll_sd_rad, true.pitch_sd_rad])
    after = np.degrees([*line, *shared, true.pitch_low_rad, true.pitch_high_rad])
    return (*before.tolist(), fit.quality, "", *after.tolist(), true.claims)


def _pan_table(looks: list[_Look], signs: list[float]) -> pd.DataFrame:
    rows = [
        (
            look.t_s - look.since_s / 2,
            sign * look.turned_deg / look.since_s,
            look.turned_sd_deg / look.since_s,
        )
        for look, sign in zip(looks, signs, strict=True)
        if math.isfinite(look.turned_deg)
    ]
    return pd.DataFrame(rows, columns=["t_s", "yaw_rate_dps", "yaw_rate_sd_dps"], dtype=float)
