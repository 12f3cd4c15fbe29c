"""What the editor has to do to this shoot: per stretch of like lean, how far to turn the picture.

``turn_deg`` > 0: turn the picture clockwise as seen on screen, which is what a lean to the right side low
asks for (the camera was turned clockwise, so the right end of its horizon stands too high). It is the lean
about the pose that was meant: an upside-down or portrait picture is put upright first, in any order.

Stretches, none shorter than ``SHORTEST_S``: first the steps that make the squared departure over time least
at a price per step (optimal partitioning: Jackson et al., IEEE Signal Process. Lett. 12 (2005) 105), which
follows a lean that changes quickly; then neighbours that are alike are joined, cheapest first (Ward, J. Am.
Stat. Assoc. 58 (1963) 236: joining costs n m / (n + m) (a - b)^2), which keeps a slow drift from becoming
many steps that nobody sees. Alike: within ``LIKE_DEG``, or what the uncertainty of the frames' lines (95 % of
the difference of two) does not tell apart.

The turn is the median of the stretch, so that the way into a roll on purpose does not count. Rolls on
purpose and excluded times are left out, and so is what is left between two of them when it is shorter than
``SHORTEST_S``. A turn below ``NOT_SEEN_DEG`` is given as 0: no viewer sees it, and few horizons are known to
it.

Crop, derived for a picture w x h turned by a about its centre: a rectangle s w x s h in the old direction
lies inside it when both of s (w cos a + h sin a) <= w and s (w sin a + h cos a) <= h hold, so that

    s = 1 / (cos a + (long side / short side) sin a),   area lost = 1 - s^2.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.picture import footage_roll
from attitude.residuals import Residuals, clip_sheet_of
from attitude.sheet import Shoot

if TYPE_CHECKING:
    from horizon.measure import ClipTrack

__all__ = ["COLUMNS", "corrections", "crop_percent"]

Array = NDArray[np.float64]

COLUMNS = ["clip", "from_s", "to_s", "turn_deg", "crop_percent"]
LIKE_DEG = 0.2
WORTH_S = 2.0  # the least step between two holds of 4 s is worth one
SHORTEST_S = 2.0
NOT_SEEN_DEG = 0.1
CELL_S = 0.5
BRIDGE_S = 5.0
EDGE_S = 1.0


def corrections(tracks: Sequence[ClipTrack], shoot: Shoot, found: Residuals | None) -> pd.DataFrame:
    """Columns ``COLUMNS``: one row per stretch of like lean, in order, times on the clock of the tracks.

    found : None without a log. A gap of up to 5 s without a measured horizon does not end a stretch.
    """
    kept = footage_roll(tracks, shoot, found)
    rows = []
    for track in tracks:
        part = kept[kept["clip"] == track.clip].reset_index(drop=True)
        if part.empty:
            continue
        # Tracks of slowed-down clips count in the time in which they were filmed.
        lasts_s = track.facts.duration_s * clip_sheet_of(track.clip, shoot).time_scale
        measured_s = track.track.loc[track.track["roll_deg"].notna(), "t_s"].to_numpy(float)
        t_s, tilt = part["t_s"].to_numpy(float), part["tilt_deg"].to_numpy(float)
        like_deg = max(LIKE_DEG, 1.96 * 2**0.5 * float(part["line_roll_sd_deg"].median()))
        for first, last in _runs(part, measured_s):
            if t_s[last - 1] - t_s[first] < SHORTEST_S and last - first < len(t_s):
                continue
            starts = first + _stretches(t_s[first:last], tilt[first:last], like_deg)
            ends = np.append(starts[1:], last)
            for start, end in zip(starts, ends, strict=True):
                turn = round(float(np.median(tilt[start:end])), 2)
                turn = turn if abs(turn) >= NOT_SEEN_DEG else 0.0
                crop = crop_percent(turn, track.facts.width_px, track.facts.height_px)
                from_s = _start_s(t_s, start, first)
                to_s = _end_s(t_s, end, last, lasts_s)
                rows.append((track.clip, from_s, to_s, turn, round(crop, 1)))
    return pd.DataFrame(rows, columns=COLUMNS)


def crop_percent(turn_deg: float, width_px: float, height_px: float) -> float:
    """Percent of the picture's area lost when it is turned by up to 90 deg and cropped to its own shape."""
    turn = abs(np.deg2rad(turn_deg))
    longer = max(width_px, height_px) / min(width_px, height_px)
    share = 1 / (np.cos(turn) + longer * np.sin(turn))
    return float(100 * (1 - share**2))


def _runs(part: pd.DataFrame, measured_s: Array) -> list[tuple[int, int]]:
    """Runs of one pose without a hole that is long, or that frames left out on purpose have made."""
    t_s = part["t_s"].to_numpy(float)
    left_out = np.searchsorted(measured_s, t_s[1:] - 1e-6) - np.searchsorted(measured_s, t_s[:-1] + 1e-6)
    breaks = (left_out > 0) | (np.diff(t_s) > BRIDGE_S) | (np.diff(part["pose_deg"].to_numpy(float)) != 0)
    edges = [0, *(np.flatnonzero(breaks) + 1).tolist(), len(part)]
    return list(pairwise(edges))


def _stretches(t_s: Array, tilt_deg: Array, like_deg: float) -> NDArray[np.intp]:
    """First frame of every stretch of one run."""
    if t_s[-1] <= t_s[0]:
        return np.zeros(1, np.intp)
    starts = np.unique((t_s - t_s[0]) // CELL_S, return_index=True)[1]
    edges_s = np.append(t_s[starts], t_s[-1] + (t_s[-1] - t_s[0]) / len(t_s))
    ends = np.append(starts[1:], len(t_s))
    mean = np.array([tilt_deg[a:b].mean() for a, b in zip(starts, ends, strict=True)])
    cuts = _fewest_steps(edges_s, mean, WORTH_S * like_deg**2)
    lasts = np.diff(np.append(edges_s[cuts], edges_s[-1]))
    mean = np.add.reduceat(mean * np.diff(edges_s), cuts) / lasts
    while len(cuts) > 1:
        apart = np.abs(np.diff(mean))
        if not (apart < like_deg).any():
            break
        cost = lasts[:-1] * lasts[1:] / (lasts[:-1] + lasts[1:]) * apart**2
        k = int(np.argmin(np.where(apart < like_deg, cost, np.inf)))
        together = lasts[k] + lasts[k + 1]
        mean[k] = (lasts[k] * mean[k] + lasts[k + 1] * mean[k + 1]) / together
        lasts[k] = together
        cuts, mean, lasts = np.delete(cuts, k + 1), np.delete(mean, k + 1), np.delete(lasts, k + 1)
    return np.asarray(starts[cuts])


def _fewest_steps(edges_s: Array, mean: Array, price: float) -> NDArray[np.intp]:
    """First cells of the pieces that make squared departure x time plus ``price`` a piece least."""
    last_s = np.diff(edges_s)
    time, first, second = (
        np.concatenate([[0.0], np.cumsum(last_s * power)]) for power in (np.ones_like(mean), mean, mean**2)
    )
    best = np.full(len(mean) + 1, np.inf)
    best[0] = 0.0
    came = np.zeros(len(mean) + 1, np.intp)
    for j in range(1, len(mean) + 1):
        # The run itself may be shorter than the shortest stretch; no piece of it may.
        able = np.flatnonzero(edges_s[j] - edges_s[:j] >= SHORTEST_S - 1e-9)
        if not len(able):
            if j < len(mean):
                continue
            able = np.zeros(1, np.intp)
        spread = second[j] - second[able] - (first[j] - first[able]) ** 2 / (time[j] - time[able])
        cost = best[able] + spread + price
        came[j] = able[np.argmin(cost)]
        best[j] = cost.min()
    cuts = [int(came[-1])]
    while cuts[-1] > 0:
        cuts.append(int(came[cuts[-1]]))
    return np.array(cuts[::-1], np.intp)


def _start_s(t_s: Array, at: int, first: int) -> float:
    """Half way to the frame before, or the start of the clip where a run begins near it."""
    if at > first:
        return round(float(t_s[at - 1] + t_s[at]) / 2, 2)
    return 0.0 if at == 0 and t_s[0] < EDGE_S else round(float(t_s[at]), 2)


def _end_s(t_s: Array, at: int, last: int, duration_s: float) -> float:
    """Half way to the frame after, or the end of the clip where a run ends near it."""
    if at < last:
        return round(float(t_s[at - 1] + t_s[at]) / 2, 2)
    near = at == len(t_s) and 0 < duration_s - t_s[-1] < EDGE_S
    return round(float(duration_s if near else t_s[at - 1]), 2)
