"""Which moments of the footage a person is shown: the worst, a typical one, one upside down.

Worst is meant over a second, as for the time out of tolerance: a single frame is more often a jolt or a
camera being turned over. Of that second the look is shown whose lean is nearest to its mean.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.picture import SMOOTH_S, smoothed

__all__ = ["Moment", "shown_moments", "worst_moments"]

Rows = NDArray[np.intp]

MOST_WORST, APART_S = 12, 4.0


@dataclass(frozen=True)
class Moment:
    """One look of a clip, at its time as filmed, and why it is shown."""

    clip: str
    t_s: float
    caption: str


def shown_moments(kept: pd.DataFrame) -> tuple[Moment, ...]:
    """The moment that leans most, a typical one and, where there is one, one upside down; else the first.

    kept : as of :func:`attitude.picture.footage_roll`.
    """
    if kept.empty:
        return ()
    kept = kept.reset_index(drop=True)
    tilt = kept["tilt_deg"].to_numpy(float)
    over = kept["pose_deg"].abs().to_numpy(float) > 90
    upright = np.flatnonzero(~over) if (~over).any() else np.arange(len(kept))

    def typical(rows: Rows) -> int:
        return int(rows[np.argmin(np.abs(tilt[rows] - np.median(tilt[rows])))])

    smooth = smoothed(kept, "tilt_deg")
    worst = int(upright[np.argmax(np.abs(smooth[upright]))])
    chosen = [
        (_nearest_to_mean(kept, smooth, worst), "Where it leans most"),
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
    return tuple(_moment(kept, _nearest_to_mean(kept, smooth, row), "") for row in taken)


def _nearest_to_mean(kept: pd.DataFrame, smooth: NDArray[np.float64], row: int) -> int:
    """The row of the second about one whose tilt is nearest to that second's mean."""
    same = (kept["clip"] == kept["clip"].iloc[row]) & (kept["pose_deg"] == kept["pose_deg"].iloc[row])
    near = np.flatnonzero(same & ((kept["t_s"] - kept["t_s"].iloc[row]).abs() <= SMOOTH_S / 2))
    return int(near[np.argmin(np.abs(kept["tilt_deg"].to_numpy(float)[near] - smooth[row]))])


def _moment(kept: pd.DataFrame, row: int, caption: str) -> Moment:
    return Moment(str(kept["clip"].iloc[row]), float(kept["t_s"].iloc[row]), caption)
