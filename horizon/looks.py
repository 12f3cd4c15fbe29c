"""The looks at a clip, and what follows from them once it is told what the surroundings are.

Looking takes minutes, and nothing of the surroundings enters it: not the height, whose dip lowers the line,
nor the readout of the rows, nor what else the sheet declares. So the looks are kept as they are, and the
track is made from them, which takes no time:

* which half is sky is voted once for the whole clip, because a single frame can be deceived by snow, bright
  sand or night: frames that follow one another closely cannot turn over, so they form chains, and the chains
  vote with the texture and the brightness of their two sides;
* every line is fitted to the horizon of the dip that is told (:mod:`horizon.cone`), in the voted reading;
* roll and pitch are brought to one moment per frame (:mod:`horizon.readout`);
* what a lens that bends more than was told may do joins their uncertainty (:mod:`horizon.bend`).
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from . import TRACK_COLUMNS
from .angles import angles_from_up
from .bend import bend_of
from .clip import ClipFacts
from .cone import KeptLine, Reading, chosen, fitted
from .lens import Lens
from .level import PITCH_TOO, Surroundings, claim
from .readout import at_middle_row

__all__ = ["ClipLooks", "ClipTrack", "track_of"]

Array = NDArray[np.float64]

# Frames closer in time than this cannot have turned over in between.
CHAIN_GAP_S = 0.6
VOTE = 2.5
# Sides that change places within a chain: so many looks before and after, so many grey levels apart.
FLIP_LOOKS, FLIP_GREY = 5, 10.0
BENT_LENS = (
    "as by another lens than the stated one, and roll and pitch are off with it: horizon-drift lens footage "
    "finds the lens"
)


@dataclass(frozen=True)
class ClipLooks:
    """Looks at a clip in order of time, n of them; whatever was not measured is NaN.

    ``frame``, ``t_s``, ``is_key`` (n,): which frame, and whether it decodes on its own. ``reason`` (n,): why
    it was not measured, "" where it was. ``line``: with n rows, one way up or the other. ``width_rad`` (n,):
    angle over which the line was seen; ``quality`` (n,): share of the visible line that agrees;
    ``brighter_grey``, ``sky_odds`` (n,): as of :mod:`horizon.frame`. ``turned_deg``, ``since_s``,
    ``turned_sd_deg`` (n,): pan to the right over that time before the look, as that way up has it, and its
    sd. ``frames_read``, ``damage``, ``covered``, ``notes``: as of :class:`ClipTrack`.
    """

    frame: NDArray[np.int64]
    t_s: Array
    is_key: NDArray[np.bool_]
    reason: NDArray[np.str_]
    line: KeptLine
    width_rad: Array
    quality: Array
    brighter_grey: Array
    sky_odds: Array
    turned_deg: Array
    since_s: Array
    turned_sd_deg: Array
    frames_read: int
    damage: str
    covered: NDArray[np.uint8] | None
    notes: tuple[str, ...]

    @property
    def measured(self) -> NDArray[np.intp]:
        """Rows that were measured."""
        return np.flatnonzero(self.reason == "")


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


def track_of(
    looks: ClipLooks,
    facts: ClipFacts,
    lens: Lens,
    *,
    dip_rad: float,
    surroundings: Surroundings,
    readout_s: float | None,
) -> ClipTrack:
    """The track of a clip; arguments as of :func:`horizon.measure.measure_clip`."""
    signs, sky = _vote(looks)
    name, measured = facts.path.name, looks.measured
    notes: tuple[str, ...] = ()
    read = fitted(chosen(looks.line, measured), signs[measured], lens, dip_rad)
    if len(measured):
        t_s = looks.t_s[measured]
        read = _at_one_moment(read, t_s, readout_s, facts.fps)
        read, notes = _bending(read, t_s, surroundings.bend_sd, name)
    return ClipTrack(
        name,
        _table(name, looks, measured, read, surroundings),
        facts,
        looks.frames_read,
        looks.damage,
        sky,
        dip_rad,
        _pan_table(looks, signs),
        looks.covered,
        notes=(*looks.notes, *notes),
    )


def _vote(looks: ClipLooks) -> tuple[Array, str]:
    """Sign for every look (-1: take the other reading) and whether the picture settled it.

    Frames that follow one another form chains of one reading. Chains are first turned so that the brighter
    side is up; then all of them together say whether the brighter side is sky, by the mean log odds of
    :mod:`horizon.verify`: a mean, since frames of one place err alike.
    """
    signs, measured = np.ones(len(looks.t_s)), looks.measured
    if not len(measured):
        return signs, "unknown"
    up, t_s = looks.line.up_cam[measured], looks.t_s[measured]
    apart = np.diff(t_s) > CHAIN_GAP_S
    chains = np.split(measured, np.flatnonzero(apart) + 1)
    agree = np.where(np.sum(up[1:] * up[:-1], axis=1) >= 0, 1.0, -1.0)
    for chain, steps in zip(chains, np.split(agree, np.flatnonzero(apart)), strict=True):
        # The first step of a later chain is the one that leads to it.
        signs[chain[1:]] = np.cumprod(steps[len(steps) - len(chain) + 1 :])
    votes, weights = [], []
    for chain in [part for whole in chains for part in _unflipped(whole, looks, signs)]:
        if np.mean(signs[chain] * looks.brighter_grey[chain]) < 0:
            signs[chain] = -signs[chain]
        votes.append(float(np.mean(signs[chain] * looks.sky_odds[chain])))
        weights.append(len(chain))
    vote = float(np.average(votes, weights=weights))
    return -signs if vote < -VOTE else signs, "picture" if abs(vote) >= VOTE else "unknown"


def _unflipped(chain: NDArray[np.intp], looks: ClipLooks, signs: Array) -> list[NDArray[np.intp]]:
    """The chain, cut where the two sides of the line change places: some cameras turn their pixels over."""
    brighter = signs[chain] * looks.brighter_grey[chain]
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


def _at_one_moment(read: Reading, t_s: Array, readout_s: float | None, fps: float) -> Reading:
    """The lines at the time of their middle row."""
    up, covariance = at_middle_row(
        t_s, read.up_cam, read.row_shift, read.covariance, readout_s=readout_s, fps=fps
    )
    return replace(read, up_cam=up, covariance=covariance)


def _bending(read: Reading, t_s: Array, prior_sd: float, clip: str) -> tuple[Reading, tuple[str, ...]]:
    """The lines with what a lens that bends more than was told may do to them, and a word where it does."""
    if prior_sd <= 0:
        return read, ()
    found = bend_of(t_s, read.bend, prior_sd)
    turn = read.bend[:, 2:] * math.hypot(found.share, found.sd)
    covariance = read.covariance + turn[:, :, None] * turn[:, None, :]
    out = replace(read, covariance=covariance, shared_variance=read.shared_variance + turn**2)
    if not found.certain:
        return out, ()
    return out, (f"{clip}: off the middle of the picture the line is bent, {BENT_LENS}",)


def _table(
    clip: str, looks: ClipLooks, measured: NDArray[np.intp], read: Reading, declared: Surroundings
) -> pd.DataFrame:
    """Columns ``TRACK_COLUMNS``, a row per look."""
    roll, pitch = angles_from_up(read.up_cam)
    claims = [
        claim(float(pitch[k]), read.covariance[k], float(looks.width_rad[row]), declared)
        for k, row in enumerate(measured.tolist())
    ]
    told = [(one.roll_sd_rad, one.pitch_sd_rad, one.pitch_low_rad, one.pitch_high_rad) for one in claims]
    true = np.array(told).reshape(-1, 4)
    line = np.sqrt(np.einsum("nii->ni", read.covariance))
    columns = [roll, pitch, true[:, 0], true[:, 1], *line.T, *np.sqrt(read.shared_variance).T, *true[:, 2:].T]
    angles = np.full((len(looks.t_s), len(columns)), np.nan)
    angles[measured] = np.degrees(np.column_stack(columns))
    words = np.full(len(looks.t_s), "", object)
    words[measured] = [one.claims for one in claims]
    table = pd.DataFrame(
        dict(
            zip(
                TRACK_COLUMNS,
                (
                    np.full(len(looks.t_s), clip, object),
                    looks.frame,
                    looks.t_s,
                    *angles[:, :4].T,
                    looks.quality,
                    looks.reason.astype(object),
                    *angles[:, 4:].T,
                    words,
                ),
                strict=True,
            )
        )
    )
    return table.astype({"frame": int, "reason": str, "claims": str})


def _pan_table(looks: ClipLooks, signs: Array) -> pd.DataFrame:
    seen = np.isfinite(looks.turned_deg)
    since_s = looks.since_s[seen]
    return pd.DataFrame(
        {
            "t_s": looks.t_s[seen] - since_s / 2,
            "yaw_rate_dps": signs[seen] * looks.turned_deg[seen] / since_s,
            "yaw_rate_sd_dps": looks.turned_sd_deg[seen] / since_s,
        }
    )
