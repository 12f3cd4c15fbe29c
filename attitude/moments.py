"""Which moments of the footage a person is shown: the worst, a typical one, one upside down.

Worst is meant over a second, as for the time out of tolerance: a single frame is more often a jolt or a
camera being turned over. Of that second the look is shown whose lean is nearest to its mean.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.picture import SMOOTH_S, smoothed

__all__ = ["NO_KEYS", "Moment", "shown_moments", "worst_moments"]

Array = NDArray[np.float64]
Rows = NDArray[np.intp]

MOST_WORST, APART_S = 12, 4.0
# A frame that decodes on its own shows the same if it leans by no more than this otherwise.
ALIKE_DEG = 0.01
NO_KEYS: Mapping[str, Array] = MappingProxyType({})


@dataclass(frozen=True)
class Moment:
    """One look of a clip, at its time as filmed, and why it is shown."""

    clip: str
    t_s: float
    caption: str


def shown_moments(kept: pd.DataFrame, keys_s: Mapping[str, Array] = NO_KEYS) -> tuple[Moment, ...]:
    """The moment that leans most, a typical one and, where there is one, one upside down; else the first.

    kept : as of :func:`attitude.picture.footage_roll`. keys_s : by clip, times as filmed of the frames that
    decode on their own; of frames that show the same they are taken, which spares decoding up to others.
    """
    if kept.empty:
        return ()
    kept = kept.reset_index(drop=True)
    alone = np.zeros(len(kept), bool)
    for clip, times_s in keys_s.items():
        alone |= (kept["clip"] == clip).to_numpy(bool) & np.isin(kept["t_s"].to_numpy(float), times_s)
    tilt = kept["tilt_deg"].to_numpy(float)
    over = kept["pose_deg"].abs().to_numpy(float) > 90
    upright = np.flatnonzero(~over) if (~over).any() else np.arange(len(kept))

    def typical(rows: Rows) -> int:
        return _nearest(rows, np.abs(tilt[rows] - np.median(tilt[rows])), alone)

    smooth = smoothed(kept, "tilt_deg")
    worst = int(upright[np.argmax(np.abs(smooth[upright]))])
    chosen = [
        (_nearest_to_mean(kept, smooth, worst, alone), "Where it leans most"),
        (typical(upright), "A typical frame"),
    ]
    if over.any() and (~over).any():
        chosen.append((typical(np.flatnonzero(over)), "Upside down"))
    else:
        chosen.append((int(upright[0]), "The first frame measured"))
    # One frame may be chosen twice: its first caption stays.
    captions: dict[int, str] = {}
    for row, caption in chosen:
        captions.setdefault(row, caption)
    return tuple(_moment(kept, row, caption) for row, caption in captions.items())


def worst_moments(kept: pd.DataFrame) -> tuple[Moment, ...]:
    """Up to ``MOST_WORST`` moments that lean most, worst first, ``APART_S`` or more apart in a clip.

    No clip has more than its share while others still have moments to show. kept : as above.
    """
    if kept.empty:
        return ()
    kept = kept.reset_index(drop=True)
    smooth = smoothed(kept, "tilt_deg")
    clips, t_s = kept["clip"].to_numpy(), kept["t_s"].to_numpy(float)
    order = np.argsort(-np.abs(smooth), kind="stable")
    share = -(-MOST_WORST // kept["clip"].nunique())
    taken: list[int] = []

    def take(allowed: Callable[[int], bool]) -> None:
        for row in map(int, order):
            if len(taken) == MOST_WORST:
                return
            beside = [k for k in taken if clips[k] == clips[row]]
            if allowed(len(beside)) and all(abs(t_s[k] - t_s[row]) >= APART_S for k in beside):
                taken.append(row)

    take(lambda beside: beside < share)
    take(lambda beside: True)
    taken.sort(key=lambda row: -abs(smooth[row]))
    # Drawn from small pictures: none has to be decoded up to.
    alone = np.zeros(len(kept), bool)
    return tuple(_moment(kept, _nearest_to_mean(kept, smooth, row, alone), "") for row in taken)


def _nearest_to_mean(kept: pd.DataFrame, smooth: Array, row: int, alone: NDArray[np.bool_]) -> int:
    """The row of the second about one whose tilt is nearest to that second's mean."""
    same = (kept["clip"] == kept["clip"].iloc[row]) & (kept["pose_deg"] == kept["pose_deg"].iloc[row])
    near = np.flatnonzero(same & ((kept["t_s"] - kept["t_s"].iloc[row]).abs() <= SMOOTH_S / 2))
    return _nearest(near, np.abs(kept["tilt_deg"].to_numpy(float)[near] - smooth[row]), alone)


def _nearest(rows: Rows, off_deg: Array, alone: NDArray[np.bool_]) -> int:
    """Of the rows the one that is least off, or one of the frames ``alone`` that is as good."""
    able = alone[rows] & (off_deg <= off_deg.min() + ALIKE_DEG)
    return int(rows[np.argmin(np.where(able, off_deg, np.inf) if able.any() else off_deg)])


def _moment(kept: pd.DataFrame, row: int, caption: str) -> Moment:
    return Moment(str(kept["clip"].iloc[row]), float(kept["t_s"].iloc[row]), caption)
