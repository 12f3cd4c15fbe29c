"""The two plots of a report: lean over time, and footage roll against logged roll.

Colours are those of Okabe and Ito, "Color Universal Design" (2008), told apart by nearly all readers with a
colour vision deficiency; pose is also told by the marker's shape. Everything about the look stands in
``LOOKS``, one for paper and light screens, one for dark ones. Uncertainty is always drawn: as 95 % band of
single frames, not of their mean, because frames of one clip share their skyline and their lens.

Times are averaged into at most ``CELLS`` cells per clip; the band covers the extremes within a cell, so
that a short excursion in a long clip is not averaged away.
"""

import unicodedata
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import findfont, get_font
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from numpy.typing import NDArray

from attitude.picture import footage_roll, log_roll, tilt_about_pose
from attitude.report.material import Material
from attitude.residuals import MOVING_DPS, clip_sheet_of
from horizon.angles import wrap_deg

__all__ = ["LOOKS", "Look", "draw_footage_against_log", "draw_lean_over_time"]

Array = NDArray[np.float64]

WIDTH_IN, DPI = 5.0, 200.0  # drawn for 500 px at twice the pixels; 12 pt are still 12 px on a phone
CELLS = 400
MOST_CLIPS = 10
SMOOTH_S = 1.0
DASHES = (0, (4, 2))
UPRIGHT, UPSIDE_DOWN, PORTRAIT = "upright", "upside down", "portrait"


@dataclass(frozen=True)
class Look:
    """Colours of one look. Poses, log and flag are of the palette of Okabe and Ito."""

    paper: str
    ink: str
    faint: str
    tolerance: str
    log: str
    flag: str
    poses: dict[str, str]


LOOKS = {
    "light": Look(
        "#ffffff", "#1d2327", "#5b646b", "#e9edef", "#000000", "#d55e00",
        {UPRIGHT: "#0072b2", UPSIDE_DOWN: "#cc79a7", PORTRAIT: "#009e73"},
    ),
    "dark": Look(
        "#171b1f", "#e6eaed", "#a3adb5", "#242b31", "#f0e442", "#e69f00",
        {UPRIGHT: "#56b4e9", UPSIDE_DOWN: "#cc79a7", PORTRAIT: "#009e73"},
    ),
}  # fmt: skip
MARKERS = {UPRIGHT: "o", UPSIDE_DOWN: "v", PORTRAIT: "s"}
FONT = "DejaVu Sans"
RC = {"size": 12.0, "small": 10.5}


def draw_lean_over_time(material: Material, look: Look) -> Figure | None:
    """Footage roll about its pose over clip time, one panel per clip; None when nothing was measured."""
    kept = _in_clip_time(footage_roll(material.tracks, material.shoot, material.residuals), material)
    if kept.empty:
        return None
    logged = None if material.residuals is None else _in_clip_time(log_roll(material.residuals), material)
    clips = list(dict.fromkeys(kept["clip"]))
    shown = clips[:MOST_CLIPS]
    tolerance = material.verdict.tolerance_deg
    reach = _reach(kept, tolerance)
    heights = 1.6 if len(shown) > 1 else 2.6
    fig = _figure(1.25 + heights * len(shown), look)
    panels = fig.subplots(len(shown), 1, squeeze=False)[:, 0]
    for axes, clip in zip(panels, shown, strict=True):
        part = kept[kept["clip"] == clip]
        _dress(axes, look)
        _tolerance_band(axes, tolerance, look)
        for pose, frames in _by_pose(part):
            _lean_line(axes, frames, look.poses[pose])
        log_part = None if logged is None else logged[logged["clip"] == clip]
        if log_part is not None and not log_part.empty:
            for frames in _unbroken(log_part):
                cells = _cells(frames)
                axes.plot(cells["t_s"], cells["tilt_deg"], color=look.log, linewidth=0.9, linestyle=DASHES)
        _flag(axes, part, tolerance, reach, look)
        axes.set_ylim(-reach, reach)
        axes.set_xlim(0, max(float(part["t_s"].max()), 1.0))
        shot = str(part["shot"].iloc[0]).replace("_", " ")
        title = _readable(str(clip), 44) + ("" if shot == "ordinary" else f"  ({shot})")
        axes.set_title(title, loc="left", fontsize=RC["size"], color=look.ink, parse_math=False)
    panels[-1].set_xlabel("time in the clip, s", color=look.ink, fontsize=RC["size"])
    fig.supylabel("lean, deg (right side low: +)", color=look.ink, fontsize=RC["size"])
    _legend(fig, look, sorted(set(_pose(kept)), key=list(MARKERS).index), logged is not None, tolerance)
    if len(clips) > len(shown):
        axes.set_xlabel(f"time in the clip, s   (and {len(clips) - len(shown)} more clips)", color=look.ink)
    return fig


def draw_footage_against_log(material: Material, look: Look) -> Figure | None:
    """Block means of footage roll against logged roll about the pose; None without a log of this picture."""
    found = material.residuals
    if found is None or found.frames.empty:
        return None
    blocks = _block_means(material)
    if blocks.empty:
        return None
    tolerance = material.verdict.tolerance_deg
    reach = 1.15 * max(
        1.1 * tolerance,
        float((blocks["footage_deg"].abs() + 1.96 * blocks["sd_deg"]).quantile(0.98)),
        float(blocks["log_deg"].abs().quantile(0.98)),
    )
    fig = _figure(4.9, look)
    axes = fig.subplots()
    _dress(axes, look)
    axes.axvline(0, color=look.faint, linewidth=0.6, zorder=0.5)
    line = np.array([-reach, reach])
    axes.fill_between(line, line - tolerance, line + tolerance, color=look.tolerance, linewidth=0, zorder=0)
    axes.plot(line, line, color=look.faint, linewidth=1.0, zorder=1)
    for pose, part in blocks.groupby("pose", sort=False):
        axes.errorbar(
            part["log_deg"],
            part["footage_deg"],
            yerr=1.96 * part["sd_deg"],
            color=look.poses[str(pose)],
            fmt=MARKERS[str(pose)],
            markersize=5,
            elinewidth=1.0,
            alpha=0.75,
        )
        _label_group(axes, str(pose), part, reach, look)
    axes.annotate(
        "picture as the log says",
        (0.97 * reach, 0.97 * reach),
        xytext=(-3, 3),
        textcoords="offset points",
        rotation=45,
        rotation_mode="anchor",
        va="bottom",
        ha="right",
        fontsize=RC["small"],
        color=look.faint,
    )
    axes.text(
        -0.97 * reach,
        -0.97 * reach + tolerance,
        f"within {tolerance:g} deg of it",
        rotation=45,
        rotation_mode="anchor",
        ha="left",
        va="top",
        fontsize=RC["small"],
        color=look.faint,
    )
    axes.set_xlim(-reach, reach)
    axes.set_ylim(-reach, reach)
    axes.set_aspect("equal")
    axes.set_xlabel("roll of the log, deg (right side low: +)", color=look.ink, fontsize=RC["size"])
    axes.set_ylabel("roll of the picture, deg (right side low: +)", color=look.ink, fontsize=RC["size"])
    return fig


def _figure(height_in: float, look: Look) -> Figure:
    fig = Figure(figsize=(WIDTH_IN, height_in), dpi=DPI, facecolor=look.paper, layout="constrained")
    FigureCanvasAgg(fig)
    return fig


def _dress(axes: Axes, look: Look) -> None:
    axes.set_facecolor(look.paper)
    axes.tick_params(colors=look.ink, labelsize=RC["small"], length=3)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(look.faint)
    axes.axhline(0, color=look.faint, linewidth=0.6, zorder=0.5)


def _tolerance_band(axes: Axes, tolerance_deg: float, look: Look) -> None:
    axes.axhspan(-tolerance_deg, tolerance_deg, color=look.tolerance, linewidth=0, zorder=0)


def _lean_line(axes: Axes, frames: pd.DataFrame, colour: str) -> None:
    for run in _unbroken(frames):
        cells = _cells(run)
        axes.fill_between(cells["t_s"], cells["low"], cells["high"], color=colour, alpha=0.25, linewidth=0)
        axes.plot(cells["t_s"], cells["tilt_deg"], color=colour, linewidth=1.6, solid_capstyle="round")


def _flag(axes: Axes, part: pd.DataFrame, tolerance_deg: float, reach: float, look: Look) -> None:
    """A bar along the lower edge wherever the mean over a second is out of tolerance."""
    for run in _unbroken(part):
        t_s, tilt = run["t_s"].to_numpy(float), run["tilt_deg"].to_numpy(float)
        total = np.concatenate([[0.0], np.cumsum(tilt)])
        start = np.searchsorted(t_s, t_s - SMOOTH_S / 2, side="left")
        end = np.searchsorted(t_s, t_s + SMOOTH_S / 2, side="right")
        out = np.abs((total[end] - total[start]) / (end - start)) > tolerance_deg
        if out.any():
            at = np.full(len(t_s), -0.965 * reach)
            axes.plot(t_s, np.where(out, at, np.nan), color=look.flag, linewidth=3, solid_capstyle="butt")


def _legend(fig: Figure, look: Look, poses: list[str], logged: bool, tolerance_deg: float) -> None:
    handles: list[Artist] = [
        Line2D([], [], color=look.poses[pose], linewidth=3, label=f"picture, {pose}") for pose in poses
    ]
    if logged:
        handles.append(Line2D([], [], color=look.log, linewidth=0.9, linestyle=DASHES, label="log"))
    handles.append(Patch(color=look.tolerance, label=f"within {tolerance_deg:g} deg"))
    handles.append(Line2D([], [], color=look.flag, linewidth=3, label="out of tolerance"))
    fig.legend(
        handles=handles,
        loc="outside upper left",
        ncols=2,
        frameon=False,
        fontsize=RC["small"],
        labelcolor=look.ink,
        handlelength=1.4,
        columnspacing=1.4,
        borderaxespad=0.2,
    )


def _label_group(axes: Axes, pose: str, part: pd.DataFrame, reach: float, look: Look) -> None:
    """Name of the pose beside its points, on the side where there is room."""
    x, y = float(part["log_deg"].median()), float(part["footage_deg"].median())
    right = y < x  # the side away from the line
    along = part["log_deg"].to_numpy(float)
    edge = float(along.max() if right else along.min())
    axes.annotate(
        f"camera {pose}",
        (float(np.clip(edge, -0.9 * reach, 0.9 * reach)), y),
        # Upright and upside down may lie on one another: a turned camera leans both the same way.
        xytext=(9 if right else -9, 14 if pose == UPRIGHT else -14),
        textcoords="offset points",
        ha="left" if right else "right",
        va="center",
        fontsize=RC["size"],
        weight="bold",
        color=look.ink,
    )


def _in_clip_time(frames: pd.DataFrame, material: Material) -> pd.DataFrame:
    """Slowed-down clips in the time that a player shows, since that is where a reader looks."""
    scale = [clip_sheet_of(str(clip), material.shoot).time_scale for clip in frames["clip"]]
    return frames.assign(t_s=frames["t_s"] / np.array(scale, float))


def _reach(kept: pd.DataFrame, tolerance_deg: float) -> float:
    """Half of the y range: all but single frames, and the tolerance with room about it."""
    high = kept["tilt_deg"].abs() + 1.96 * kept["roll_sd_deg"].fillna(0.0)
    return max(1.5 * tolerance_deg, 1.25 * float(np.quantile(high.to_numpy(float), 0.99)))


def _pose(frames: pd.DataFrame) -> list[str]:
    names = {0.0: UPRIGHT, 180.0: UPSIDE_DOWN}
    return [names.get(abs(float(pose)), PORTRAIT) for pose in frames["pose_deg"]]


def _by_pose(part: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    return [(str(pose), frames) for pose, frames in part.groupby(np.array(_pose(part)), sort=False)]


def _unbroken(frames: pd.DataFrame) -> list[pd.DataFrame]:
    """Runs without a hole of more than a second: a line across it would claim what was not seen."""
    run = (frames["t_s"].diff() > 1.0).cumsum()
    return [part for _, part in frames.groupby(run, sort=False)]


def _cells(run: pd.DataFrame) -> pd.DataFrame:
    """Means over cells, with the band that covers every frame's 95 % interval."""
    t_s = run["t_s"].to_numpy(float)
    cell_s = max(0.2, (t_s[-1] - t_s[0]) / CELLS)
    half = 1.96 * run["roll_sd_deg"].fillna(0.0)
    table = pd.DataFrame(
        {
            "t_s": t_s,
            "tilt_deg": run["tilt_deg"].to_numpy(float),
            "low": (run["tilt_deg"] - half).to_numpy(float),
            "high": (run["tilt_deg"] + half).to_numpy(float),
        }
    )
    cells = table.groupby(((t_s - t_s[0]) // cell_s).astype(int))
    return cells.agg({"t_s": "mean", "tilt_deg": "mean", "low": "min", "high": "max"})


def _block_means(material: Material) -> pd.DataFrame:
    """One row per settled block: log_deg, footage_deg about the footage's pose, sd_deg, pose."""
    found = material.residuals
    assert found is not None
    frames = found.frames
    parts = []
    for _, clip in frames.groupby("clip", sort=False):
        tilt_deg, pose_deg = tilt_about_pose(clip["roll_deg"].to_numpy(float))
        log_deg = wrap_deg(clip["log_roll_deg"].to_numpy(float) - pose_deg)
        part = pd.DataFrame({"block": clip["block"], "footage_deg": tilt_deg, "log_deg": log_deg})
        part["pose_deg"] = np.abs(pose_deg)
        parts.append(part)
    grouped = pd.concat(parts).groupby("block")
    means = grouped[["footage_deg", "log_deg"]].mean()
    one_pose = grouped["pose_deg"].min() == grouped["pose_deg"].max()
    slow = found.blocks["rate_dps"].reindex(means.index) <= MOVING_DPS
    means["sd_deg"] = found.blocks["roll_sd_deg"].reindex(means.index).fillna(0.0)
    means["pose_deg"] = grouped["pose_deg"].first()
    means = means[one_pose & slow & (means["log_deg"].abs() < 20)]
    return means.assign(pose=_pose(means))


@lru_cache(maxsize=1)
def _known_characters() -> frozenset[int]:
    return frozenset(get_font(findfont(FONT)).get_charmap())


def _readable(text: str, most: int) -> str:
    """Text that the font can draw, in one line, shortened in its middle."""
    plain = " ".join(text.split())
    drawn = "".join(
        c if ord(c) in _known_characters() else "\N{WHITE SQUARE}"
        for c in plain
        if not unicodedata.category(c).startswith("C")
    )
    if len(drawn) <= most:
        return drawn
    half = (most - 1) // 2
    return f"{drawn[:half]}\N{HORIZONTAL ELLIPSIS}{drawn[-half:]}"
