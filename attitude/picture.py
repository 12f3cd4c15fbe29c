"""What the footage alone says of its lean: mean, time out of tolerance, worst five seconds.

The roll of each frame is taken about the pose nearest to it, upright or upside down (portrait either way
round in a clip that is mostly portrait). An excursion beyond ``DELIBERATE_DEG`` is a turn on purpose; from
just before it leaves the pose to just after it is back it counts neither as lean nor as time. The mean lean
is that of the upright frames, the ones a viewer gets to see, where there are any: an offset leans an
upside-down picture the other way.

Uncertainty of the mean: scatter of the 2 s means about their neighbours (squared steps over two, so that
slow real changes do not count as noise), for as many means as they are worth with a correlation of a third
left between them.
Scatter does not show what the frames' lines have in common; whoever uses the mean adds that.

Where a cause's share in the tilt is known moment by moment, it is kept beside the tilt, in columns ``part_*``
with the name of the cause, so that the time out of tolerance can be asked for without that cause: what the
log itself shows beyond the trim is ``part_not_held``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.findings import OutOfTolerance, TiltOverTime
from attitude.gls import effective_count
from attitude.residuals import Residuals, clip_sheet_of
from attitude.sheet import Shoot
from attitude.takes import counted
from horizon.angles import wrap_deg

if TYPE_CHECKING:
    from horizon.measure import ClipTrack

__all__ = [
    "at_frames",
    "footage_roll",
    "log_roll",
    "mean_lean",
    "on_purpose",
    "out_of_tolerance",
    "tilt_about_pose",
]
__all__ += ["DELIBERATE_DEG", "SMOOTH_S", "means_over", "smoothed", "with_parts"]

Array = NDArray[np.float64]

DELIBERATE_DEG, LEAVES_DEG, ABOUT_TURN_S = 20.0, 3.0, 1.0
LEAST_SD_DEG = 0.01
WORST_S, SMOOTH_S = 5.0, 1.0
BLOCK_S = 2.0
LONGEST_FRAME_S = 1.0
LEFT_CORRELATION = 1 / 3
# Moves that nobody's footage holds; a half turn is one only where the sheet says so.
FOUND_TESTS = ("upside_down", "wiggle")
TOLD_TESTS = (*FOUND_TESTS, "half_turn")
PART = "part_"
SD_COLUMNS = ["roll_sd_deg", "line_roll_sd_deg", "shared_roll_sd_deg"]
COLUMNS = ["clip", "t_s", "shot", "tilt_deg", "pose_deg", *SD_COLUMNS, "lasts_s", "for_test"]


def footage_roll(tracks: Sequence[ClipTrack], shoot: Shoot, found: Residuals | None) -> pd.DataFrame:
    """Measured frames of all clips, those turned on purpose left out, with columns ``COLUMNS``.

    tilt_deg is the roll about pose_deg; roll_sd_deg, line_*, shared_* as in the track; lasts_s the time, as
    filmed, that a frame stands for; for_test marks frames of shots that are tests. With
    ``found`` there is also part_not_held. Clips in which
    the picture does not tell which half is sky count as not measured, unless the log settled it (``found``).
    """
    parts = []
    trim_deg = shoot.trim_deg if shoot.trim_in_log else 0.0
    for track in tracks:
        if track.sky == "unknown" and found is None:
            continue
        sheet = clip_sheet_of(track.clip, shoot)
        table = track.track.dropna(subset=["roll_deg"])
        table = table[counted(sheet, table["t_s"].to_numpy(float))]
        if table.empty:
            continue
        turn_deg = float(sheet.picture_turned_deg - shoot.camera.mount_roll_deg)
        if found is not None and track.clip in found.turned_over:
            turn_deg += 180.0
        tilt_deg, pose_deg = tilt_about_pose(table["roll_deg"].to_numpy(float) + turn_deg)
        part = pd.DataFrame(
            {
                "clip": track.clip,
                "t_s": table["t_s"].to_numpy(float),
                "shot": sheet.shot,
                "tilt_deg": tilt_deg,
                "pose_deg": pose_deg,
                **{column: table[column].to_numpy(float) for column in SD_COLUMNS},
                "lasts_s": _lasts_s(table["t_s"].to_numpy(float)),
                "for_test": sheet.shot in TOLD_TESTS,
            }
        )
        if found is not None:
            logged = found.frames[found.frames["clip"] == track.clip].set_index("frame")
            part["for_test"] |= table["frame"].map(logged["shot"]).isin(FOUND_TESTS).to_numpy(bool)
            held_deg = table["frame"].map(_held_deg(logged, trim_deg)).astype(float)
            # A frame without the log beside it shows nothing that the log could have known.
            part[f"{PART}not_held"] = held_deg.fillna(0.0).to_numpy(float)
        parts.append(part[~on_purpose(part["t_s"].to_numpy(float), tilt_deg, pose_deg)])
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=COLUMNS)


def _held_deg(logged: pd.DataFrame, trim_deg: float) -> dict[int, float]:
    """How far the log of one clip is off its pose beyond the trim, by frame; ``logged``: indexed so."""
    if logged.empty:
        return {}
    tilt_deg, _ = tilt_about_pose(logged["log_roll_deg"].to_numpy(float))
    return dict(zip(logged.index.tolist(), (tilt_deg - trim_deg).tolist(), strict=True))


def with_parts(frames: pd.DataFrame, compared: pd.DataFrame, parts_deg: Mapping[str, Array]) -> pd.DataFrame:
    """Frames of ``footage_roll`` with what each cause adds to their tilt, taken over from those compared.

    compared : clip and t_s of the frames that have log attitude. parts_deg : name of a cause -> what it adds
    at each of these, right side down +; between them it is straight, and 0 in a clip that has none.
    """
    return frames.assign(**{f"{PART}{name}": at_frames(frames, compared, p) for name, p in parts_deg.items()})


def at_frames(frames: pd.DataFrame, known: pd.DataFrame, values: Array) -> Array:
    """Values at the clip and t_s of ``known`` brought to those of frames: straight between, 0 without any."""
    out = np.zeros(len(frames))
    t_s, known_s = (table["t_s"].to_numpy(float) for table in (frames, known))
    clip = known["clip"].to_numpy()
    for name, rows in frames.groupby("clip", sort=False).indices.items():
        own = np.flatnonzero(clip == name)
        if len(own):
            out[rows] = np.interp(t_s[rows], known_s[own], values[own])
    return out


def log_roll(found: Residuals) -> pd.DataFrame:
    """The same of what the log says at the same frames, as logged."""
    parts = []
    for clip, frames in found.frames.groupby("clip", sort=False):
        tilt_deg, pose_deg = tilt_about_pose(frames["log_roll_deg"].to_numpy(float))
        part = pd.DataFrame({"clip": clip, "tilt_deg": tilt_deg, "pose_deg": pose_deg})
        part[SD_COLUMNS] = 0.0
        part["t_s"], part["shot"] = frames["t_s"].to_numpy(float), frames["shot"].to_numpy()
        part["for_test"] = part["shot"].isin(FOUND_TESTS)
        part["lasts_s"] = _lasts_s(part["t_s"].to_numpy(float))
        parts.append(part[~on_purpose(part["t_s"].to_numpy(float), tilt_deg, pose_deg)])
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=COLUMNS)


def tilt_about_pose(roll_deg: Array) -> tuple[Array, Array]:
    """Roll about the nearest pose of one clip, and that pose: 0 or 180, or +-90 in a portrait clip."""
    doubled = np.exp(2j * np.deg2rad(roll_deg))
    portrait = 90.0 if np.median(doubled.real) < 0 else 0.0
    tilt_deg = (roll_deg - portrait + 90.0) % 180.0 - 90.0
    return tilt_deg, wrap_deg(np.round(wrap_deg(roll_deg - tilt_deg) / 90.0) * 90.0)


def mean_lean(frames: pd.DataFrame) -> tuple[float, float]:
    """Time-weighted mean tilt of what a viewer sees, and its statistical sd, deg.

    That is the upright frames, those of shots that are tests aside where there are others; all where none is.
    """
    upright = frames[frames["pose_deg"] == 0]
    watched = upright[~upright["for_test"].astype(bool)]
    frames = frames if upright.empty else upright if watched.empty else watched
    weight = frames["lasts_s"].to_numpy(float)
    mean = float(np.average(frames["tilt_deg"], weights=weight if weight.sum() > 0 else None))
    block = (frames["t_s"] // BLOCK_S).astype(int)
    means = frames.groupby(["clip", block], sort=False)["tilt_deg"].mean()
    steps = means.groupby(level=0, sort=False).diff().dropna().to_numpy(float)
    usual = float(frames["line_roll_sd_deg"].median())
    sd = float(np.sqrt(np.mean(steps**2) / 2)) if len(steps) >= 3 else usual
    return mean, max(sd, 1e-3) / float(np.sqrt(effective_count(len(means), LEFT_CORRELATION)))


def out_of_tolerance(frames: pd.DataFrame, tolerance_deg: float) -> OutOfTolerance | None:
    """Time beyond the tolerance and the worst mean over five seconds of one clip; None without frames.

    The tilt is averaged over a second first: noise of single frames is no lean.
    """
    if frames.empty:
        return None
    causes = [name for name in map(str, frames) if name.startswith(PART)]
    smooth = {name: smoothed(frames, name) for name in ("tilt_deg", *causes)}
    worst = []
    for _, part in frames.groupby("clip", sort=False):
        lasting = means_over(part, "tilt_deg", WORST_S, centred=False)
        worst.append(float(lasting[np.argmax(np.abs(lasting))]))
    lasts_s = frames["lasts_s"].to_numpy(float)
    upright = frames["pose_deg"].to_numpy(float) == 0
    # Without any such frame, what was filmed is what is judged.
    choices = (upright & ~frames["for_test"].to_numpy(bool), upright, np.ones(len(frames), bool))
    judged = next(rows for rows in choices if lasts_s[rows].sum() > 0 or rows.all())
    parts = {name.removeprefix(PART): smooth[name] for name in causes}
    out_s = float(lasts_s[np.abs(smooth["tilt_deg"]) > tolerance_deg].sum())
    return OutOfTolerance(
        seconds=out_s,
        share=out_s / max(float(lasts_s.sum()), 1e-9),
        worst_5s_deg=max(worst, key=abs),
        time=TiltOverTime(smooth["tilt_deg"], lasts_s, judged, parts),
    )


def smoothed(frames: pd.DataFrame, column: str) -> Array:
    """Mean of a column over a second about each frame, within its clip."""
    out = np.zeros(len(frames))
    for rows in frames.groupby("clip", sort=False).indices.values():
        out[rows] = means_over(frames.iloc[rows], column, SMOOTH_S, centred=True)
    return out


def means_over(part: pd.DataFrame, column: str, length_s: float, *, centred: bool) -> Array:
    """Weighted mean of one clip's column over a window about each frame, or each whole one that starts there.

    The weight of a frame is 1 / roll_sd_deg^2.
    """
    t_s, values = part["t_s"].to_numpy(float), part[column].to_numpy(float)
    # A look that is known ten times worse than those beside it says next to nothing of a second's lean.
    weight = 1 / np.maximum(part["roll_sd_deg"].to_numpy(float), LEAST_SD_DEG) ** 2
    weights, total = (np.concatenate([[0.0], np.cumsum(one)]) for one in (weight, weight * values))
    if centred:
        starts = np.searchsorted(t_s, t_s - length_s / 2, side="left")
        ends = np.searchsorted(t_s, t_s + length_s / 2, side="right")
    else:
        starts = np.flatnonzero(t_s <= max(t_s[-1] - length_s, t_s[0]) + 1e-9)
        ends = np.searchsorted(t_s, t_s[starts] + length_s, side="right")
    return np.asarray((total[ends] - total[starts]) / (weights[ends] - weights[starts]))


def on_purpose(t_s: Array, tilt_deg: Array, pose_deg: Array) -> NDArray[np.bool_]:
    """Frames of excursions that reach far off the pose, or into another, and those just before and after."""
    off = np.abs(tilt_deg) > LEAVES_DEG
    run = np.cumsum(np.diff(off, prepend=False) != 0)
    # A line is not measured on its way over: what is left of that are its ends.
    over = np.flatnonzero(np.diff(pose_deg) != 0)
    far = np.unique([*run[np.abs(tilt_deg) > DELIBERATE_DEG], *run[over], *run[over + 1]])
    turned_s = t_s[off & np.isin(run, far)]
    if not len(turned_s):
        return np.zeros(len(t_s), bool)
    after = np.searchsorted(turned_s, t_s)
    near = [np.abs(t_s - turned_s[np.clip(k, 0, len(turned_s) - 1)]) for k in (after - 1, after)]
    return np.asarray(np.minimum(*near) <= ABOUT_TURN_S)


def _lasts_s(t_s: Array) -> Array:
    """Time each frame stands for: half way to its neighbours, never longer than a second."""
    if len(t_s) < 2:
        return np.zeros(len(t_s))
    steps = np.minimum(np.diff(t_s), LONGEST_FRAME_S)
    ends = np.concatenate([steps[:1], steps, steps[-1:]])
    return np.asarray((ends[:-1] + ends[1:]) / 2)
