"""Stretches of the footage that lean beyond the tolerance: what a reviewer wants to jump to.

The tilt is averaged over a second, as for the time out of tolerance. Stretches of one clip that are less than
``JOINED_S`` apart are one: a lean that wavers about the tolerance is one place to look at, not twenty. A hole
without measured frames ends a stretch, since what was not seen is not flagged.
"""

import numpy as np
import pandas as pd

from attitude.picture import SMOOTH_S, means_over

__all__ = ["COLUMNS", "HOLE_S", "flagged"]

COLUMNS = ["clip", "from_s", "to_s", "worst_deg", "worst_sd_deg"]
JOINED_S = 2.0
HOLE_S = 1.0


def flagged(frames: pd.DataFrame, tolerance_deg: float) -> pd.DataFrame:
    """Columns ``COLUMNS``, one row per stretch, in the order of the clips and of time.

    frames : as of :func:`attitude.picture.footage_roll`; times stay on its clock. worst_deg is the mean over
    a second that lies farthest out, right side down +, worst_sd_deg the mean sd of its frames. Half of the
    usual time between frames is counted to either side of the first and the last one.
    """
    rows = []
    for clip, part in frames.groupby("clip", sort=False):
        t_s = part["t_s"].to_numpy(float)
        half_s = float(np.median(np.diff(t_s))) / 2 if len(t_s) > 1 else 0.0
        sd_deg = means_over(part, "roll_sd_deg", SMOOTH_S, centred=True)
        smooth = means_over(part, "tilt_deg", SMOOTH_S, centred=True)
        out = np.flatnonzero(np.abs(smooth) > tolerance_deg)
        if not len(out):
            continue
        holes = np.concatenate([[0], np.cumsum(np.diff(t_s) > HOLE_S)])
        apart = (np.diff(t_s[out]) > JOINED_S) | (np.diff(holes[out]) > 0)
        for run in np.split(out, np.flatnonzero(apart) + 1):
            worst = run[np.argmax(np.abs(smooth[run]))]
            from_s, to_s = max(0.0, float(t_s[run[0]]) - half_s), float(t_s[run[-1]]) + half_s
            if to_s > from_s:
                rows.append((clip, from_s, to_s, float(smooth[worst]), float(sd_deg[worst])))
    return pd.DataFrame(rows, columns=COLUMNS)
