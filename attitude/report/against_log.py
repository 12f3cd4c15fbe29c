"""Footage roll against the roll that the log says, both about the pose: means of single blocks.

A picture that the log knows all about lies on the diagonal. Bars: 95 % of the line, its shared part included.
Blocks in which the camera moves fast, or from one pose to another, are left out, as in the inference.
"""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from attitude.picture import DELIBERATE_DEG, tilt_about_pose
from attitude.report.drawn import COLOURS
from attitude.report.labels import Crowd, crowd_in
from attitude.report.look import Sketch, axes_at, canvas
from attitude.report.material import Material
from attitude.report.points import (
    draw_points,
    every,
    lean_range_words,
    name_points,
    pose_names,
    poses_of,
    said,
    side_words,
    sizes_only,
)
from attitude.residuals import MOVING_DPS, Residuals
from attitude.words import places
from horizon.angles import wrap_deg

__all__ = ["against_log"]

WIDTH, HEIGHT, WIDTH_PX = 360.0, 350.0, 500
LEFT, RIGHT, TOP, FOOT = 50.0, 6.0, 6.0, 36.0


def against_log(material: Material) -> Sketch | None:
    """The plot; None without a log beside this picture."""
    found = material.residuals
    if found is None or found.frames.empty:
        return None
    blocks = _block_means(found)
    if blocks.empty:
        return None
    tolerance_deg = material.verdict.tolerance_deg
    half_deg = 1.96 * blocks["sd_deg"]
    reach_deg = 1.05 * max(
        1.2 * tolerance_deg,
        float((blocks["footage_deg"].abs() + half_deg).quantile(0.98)),
        float(blocks["log_deg"].abs().quantile(0.98)),
    )
    fig = canvas(WIDTH, HEIGHT)
    axes = axes_at(fig, LEFT, TOP, WIDTH - LEFT - RIGHT, HEIGHT - TOP - FOOT)
    axes.set(xlim=(-reach_deg, reach_deg), ylim=(-reach_deg, reach_deg))
    _diagonal(axes, tolerance_deg)
    for along, who in ((axes.xaxis, "log"), (axes.yaxis, "picture")):
        sizes_only(along)
        side_words(along, "left side low", f"{who}, deg", "right side low")
    crowd = Crowd()
    step = every(len(blocks))
    poses = poses_of(blocks["pose"].to_numpy(str))
    groups = {pose: blocks[blocks["pose"] == pose].iloc[::step] for pose in poses}
    for pose, part in groups.items():
        x, y, half = (part[name].to_numpy(float) for name in ("log_deg", "footage_deg", "sd_deg"))
        draw_points(axes, x, y, 1.96 * half, pose)
        crowd_in(crowd, axes, x, y - 1.96 * half, y + 1.96 * half)
    for pose, part in groups.items() if len(groups) > 1 else ():
        low, high = (part["footage_deg"] + k * 1.96 * part["sd_deg"] for k in (-1, 1))
        name_points(axes, crowd, pose, part["log_deg"], low, high)
    return Sketch(fig, WIDTH_PX, _alt(blocks), _caption(found, step))


def _diagonal(axes: Axes, tolerance_deg: float) -> None:
    """Where a picture lies of which the log knows all, and the tolerance about it."""
    low, high = axes.get_xlim()
    line = np.array([low, high])
    faint = COLOURS["faint"][0]
    colour = COLOURS["tolerance"][0]
    axes.fill_between(line, line - tolerance_deg, line + tolerance_deg, color=colour, zorder=0)
    for off_deg in (-tolerance_deg, 0.0, tolerance_deg):
        axes.plot(line, line + off_deg, color=faint, linewidth=0.8 if off_deg == 0 else 0.4, zorder=0.5)
    for draw in (axes.axhline, axes.axvline):
        draw(0, color=faint, linewidth=0.4, zorder=0.5)
    for x, y, words, at, align in (
        (0.96 * high, 0.96 * high, "as the log says", "bottom", "right"),
        (low, low + tolerance_deg, f" within {tolerance_deg:g} deg of it", "top", "left"),
    ):
        axes.text(x, y, words, rotation=45, rotation_mode="anchor", color=faint, va=at, ha=align)


def _caption(found: Residuals, step: int) -> str:
    fewer = "" if step == 1 else f" (one in {step} drawn)"
    if not found.log_fits:
        return f"Picture against log, means over two seconds or more{fewer}. Not compared: {found.belongs}."
    return (
        f"Picture against log, means over two seconds or more{fewer}, bars: 95 %. A sensor offset leans an "
        "upside-down picture to the other side; a camera out of square leans it to the same side."
    )


def _alt(blocks: pd.DataFrame) -> str:
    told = []
    for pose in poses_of(blocks["pose"].to_numpy(str)):
        part = blocks[blocks["pose"] == pose]
        half_deg = 1.96 * float(part["sd_deg"].median())
        log, picture = (lean_range_words(part[f"{who}_deg"], half_deg) for who in ("log", "footage"))
        told.append(
            f"Camera {said(pose)}, {len(part)} means: the log says {log}, the picture shows "
            f"{picture}, each \N{PLUS-MINUS SIGN} {half_deg:.{places(half_deg)}f} deg."
        )
    return f"Plot of the picture's roll against the roll that the log says. {' '.join(told)}"


def _block_means(found: Residuals) -> pd.DataFrame:
    """One row per settled block: log_deg, footage_deg about the footage's pose, sd_deg, pose."""
    parts = []
    for _, clip in found.frames.groupby("clip", sort=False):
        tilt_deg, pose_deg = tilt_about_pose(clip["roll_deg"].to_numpy(float))
        log_deg = wrap_deg(clip["log_roll_deg"].to_numpy(float) - pose_deg)
        part = pd.DataFrame({"block": clip["block"], "footage_deg": tilt_deg, "log_deg": log_deg})
        part["pose_deg"] = np.abs(pose_deg)
        parts.append(part)
    grouped = pd.concat(parts).groupby("block")
    means = grouped[["footage_deg", "log_deg"]].mean()
    one_pose = grouped["pose_deg"].min() == grouped["pose_deg"].max()
    blocks = found.blocks.loc[means.index]
    means["sd_deg"] = np.hypot(blocks["roll_sd_deg"].fillna(0.0), blocks["shared_roll_sd_deg"].fillna(0.0))
    means["pose"] = pose_names(grouped["pose_deg"].first())
    slow = blocks["rate_dps"] <= MOVING_DPS
    return means[one_pose & slow & (means["log_deg"].abs() < DELIBERATE_DEG)]
