"""Footage roll over the time of each clip, about its pose: band, tolerance, the log, flagged stretches.

Uncertainty is the 95 % band of single frames, not of their mean, because frames of one clip share their
skyline and their lens. Times are averaged into cells; the band covers every frame's interval within a cell,
so that a short excursion in a long clip is not averaged away. What lies beyond the scale, which leaves out
the outermost hundredth, gets a mark at the edge. No line is drawn across a hole of more than a second.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, MultipleLocator

from attitude.flagged import HOLE_S
from attitude.moves import ORDINARY
from attitude.picture import log_roll
from attitude.report import contents
from attitude.report.advice import shot_words
from attitude.report.drawn import COLOURS, Panel
from attitude.report.labels import Crowd, beside, crowd_in, width_of
from attitude.report.look import Sketch, axes_at, canvas, cut
from attitude.report.material import Material
from attitude.report.points import (
    UPRIGHT,
    WORDS_ROOM,
    lean_axis,
    parted,
    pose_names,
    poses_of,
    room,
    said,
    tolerance_band,
)
from attitude.residuals import as_played, clip_sheet_of

__all__ = ["over_time"]

WIDTH, WIDTH_PX = 360.0, 500
LEFT, RIGHT, TOP, FOOT = 34.0, 14.0, 2.0, 35.0
TITLE, SHOTS, BETWEEN = 17.0, 17.0, 22.0
HEIGHTS = {1: 150.0, 3: 100.0, 6: 76.0, 24: 58.0}  # of a panel, by how many there are at most
MOST_CLIPS = 24
MOST_LETTERS = 48
BAR = 4.0
CELLS, CELLS_IN_ALL, SHORTEST_CELL_S = 180, 1200, 0.2
SHORTEST_SHOT_S = 2.0
MOSTLY = 0.8
MINUTES_FROM_S, MOST_TICKS = 150.0, 6
STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200)
IN_SHORT = {
    "hover": "hold",
    "pan": "pan",
    "upside_down": "upside down",
    "half_turn": "half turn",
    "turns": "turns",
    "tilt": "tilt",
    "wiggle": "wiggle",
}


@dataclass(frozen=True)
class _Clip:
    """One clip as played.

    shot : of all of it, "" for none. runs : from, to, shot of those found in it. left_out : from, to, of what
    the sheet does not count.
    """

    name: str
    lasts_s: float
    shot: str
    runs: tuple[tuple[float, float, str], ...]
    left_out: tuple[tuple[float, float], ...]


def over_time(material: Material) -> Sketch | None:
    """One panel per clip; None when nothing was measured."""
    kept = as_played(material.kept, material.shoot)
    if kept.empty:
        return None
    logged = None if material.residuals is None else as_played(log_roll(material.residuals), material.shoot)
    names = list(dict.fromkeys(kept["clip"].astype(str)))
    clips = [_clip(name, material, kept) for name in names[:MOST_CLIPS]]
    tolerance_deg = material.verdict.tolerance_deg
    limits = _limits(kept, logged, tolerance_deg)
    minutes = max(clip.lasts_s for clip in clips) > MINUTES_FROM_S
    boxes = _boxes(clips)
    height = sum(boxes[-1]) + FOOT
    fig = canvas(WIDTH, height)
    named: set[str] = set()
    longest = _most_flagged(material.flagged)
    for clip, (top, own) in zip(clips, boxes, strict=True):
        first = clip is clips[0]
        words = WORDS_ROOM if first else 0.0
        axes = axes_at(fig, LEFT, top, WIDTH - LEFT - RIGHT, own)
        axes.set(xlim=(0, clip.lasts_s), ylim=room(*limits, own, words, words + BAR + 2))
        tolerance_band(axes, tolerance_deg)
        _time_axis(axes, minutes)
        crowd = Crowd()
        _left_out(axes, clip.left_out)
        lean_axis(axes, crowd, words=first, foot=BAR)
        _title(axes, clip)
        _lines(axes, clip.name, kept, logged, CELLS_IN_ALL // len(clips), crowd, named)
        beyond = material.flagged[material.flagged["clip"] == clip.name]
        _flags(axes, beyond, crowd, name=clip.name == longest)
        if first:
            across, edge = np.linspace(0, clip.lasts_s, 50), np.full(50, tolerance_deg)
            named_so = f"tolerance {tolerance_deg:g} deg"
            beside(axes, crowd, named_so, across, -edge, edge, colour=COLOURS["faint"][0])
    more = f"   (and {len(names) - len(clips)} more clips)" if len(names) > len(clips) else ""
    axes.set_xlabel(f"time in the clip, {'min:s' if minutes else 's'}{more}")
    panels = tuple(
        Panel(
            clip.name,
            LEFT / WIDTH,
            top / height,
            (WIDTH - LEFT - RIGHT) / WIDTH,
            own / height,
            0.0,
            clip.lasts_s,
        )
        for clip, (top, own) in zip(clips, boxes, strict=True)
    )
    return Sketch(fig, WIDTH_PX, _alt(material), _caption(material, logged is not None), panels)


def _clip(name: str, material: Material, kept: pd.DataFrame) -> _Clip:
    told_s = next(track.facts.duration_s for track in material.tracks if track.clip == name)
    lasts_s = float(max(told_s, kept.loc[kept["clip"] == name, "t_s"].max(), 1.0))
    sheet = clip_sheet_of(name, material.shoot)
    if sheet.shot != ORDINARY:
        return _Clip(name, lasts_s, sheet.shot, (), sheet.exclude_s)
    if material.residuals is None:
        return _Clip(name, lasts_s, "", (), sheet.exclude_s)
    frames = material.residuals.frames
    frames = as_played(frames[frames["clip"] == name], material.shoot)
    runs = []
    for _, run in frames.groupby((frames["shot"] != frames["shot"].shift()).cumsum(), sort=False):
        from_s, to_s, shot = float(run["t_s"].iloc[0]), float(run["t_s"].iloc[-1]), str(run["shot"].iloc[0])
        if shot != ORDINARY and to_s - from_s >= SHORTEST_SHOT_S:
            runs.append((from_s, to_s, shot))
    if len(runs) == 1 and runs[0][1] - runs[0][0] > MOSTLY * lasts_s:
        return _Clip(name, lasts_s, runs[0][2], (), sheet.exclude_s)
    return _Clip(name, lasts_s, "", tuple(runs), sheet.exclude_s)


def _limits(kept: pd.DataFrame, logged: pd.DataFrame | None, tolerance_deg: float) -> tuple[float, float]:
    """All but single frames of each clip's picture and log, and the tolerance."""
    half_deg = 1.96 * kept["roll_sd_deg"].fillna(0.0)
    bounds = [kept[["clip"]].assign(low=kept["tilt_deg"] - half_deg, high=kept["tilt_deg"] + half_deg)]
    if logged is not None:
        bounds.append(logged[["clip"]].assign(low=logged["tilt_deg"], high=logged["tilt_deg"]))
    lows, highs = (
        [float(one.groupby("clip")[end].quantile(share).agg(end_of)) for one in bounds if len(one)]
        for end, share, end_of in (("low", 0.01, "min"), ("high", 0.99, "max"))
    )
    return min(*lows, -1.2 * tolerance_deg), max(*highs, 1.2 * tolerance_deg)


def _boxes(clips: list[_Clip]) -> list[tuple[float, float]]:
    """Top and height of each panel, in points."""
    height = next(size for most, size in HEIGHTS.items() if len(clips) <= most)
    boxes: list[tuple[float, float]] = []
    for clip in clips:
        above = sum(boxes[-1]) + BETWEEN if boxes else TOP
        # The first holds the words for the sides as well.
        own = height if boxes else height + 2 * WORDS_ROOM
        boxes.append((above + TITLE + (SHOTS if clip.runs else 0.0), own))
    return boxes


def _time_axis(axes: Axes, minutes: bool) -> None:
    lasts_s = axes.get_xlim()[1]
    step_s = next((step for step in STEPS_S if lasts_s / step <= MOST_TICKS), STEPS_S[-1])
    axes.xaxis.set_major_locator(MultipleLocator(step_s))
    if minutes:
        axes.xaxis.set_major_formatter(FuncFormatter(lambda t_s, _: f"{t_s // 60:.0f}:{t_s % 60:02.0f}"))


def _title(axes: Axes, clip: _Clip) -> None:
    """Name and shot above the panel, or the name and each shot over its time."""
    shot = f" ({shot_words(clip.shot)})" if clip.shot else ""
    at = (3 - LEFT, 4.0 + (SHOTS if clip.runs else 0.0))
    title = axes.annotate("", (0, 1), at, xycoords="axes fraction", textcoords="offset points")
    for most in range(MOST_LETTERS - len(shot), 0, -1):
        title.set_text(f"{cut(clip.name, most)}{shot}")
        if width_of(title) < WIDTH - 6:
            break
    per_s = axes.bbox.width / clip.lasts_s
    gap_s = 1.0 / per_s
    over = axes.get_xaxis_transform()
    faint = COLOURS["faint"][0]
    line_at = 1 + 2.5 / axes.bbox.height
    for from_s, to_s, name in clip.runs:
        ends_s = [from_s + gap_s, to_s - gap_s]
        axes.plot(ends_s, [line_at] * 2, transform=over, color=faint, linewidth=0.8, clip_on=False)
        text = axes.annotate(
            IN_SHORT[name],
            ((from_s + to_s) / 2, 1),
            (0, 5),
            xycoords=over,
            textcoords="offset points",
            ha="center",
            color=faint,
        )
        if width_of(text) > per_s * (to_s - from_s):
            text.remove()


def _lines(
    axes: Axes,
    clip: str,
    kept: pd.DataFrame,
    logged: pd.DataFrame | None,
    most: int,
    crowd: Crowd,
    named: set[str],
) -> None:
    """Picture and log of one clip, each named where it appears for the first time."""
    cell_s = max(SHORTEST_CELL_S, axes.get_xlim()[1] / min(CELLS, most))
    names: list[tuple[str, pd.DataFrame]] = []
    part = kept[kept["clip"] == clip]
    pose_of = pose_names(part["pose_deg"])
    for pose in poses_of(pose_of):
        cells = _cells(part[pose_of == pose], cell_s)
        colour = COLOURS[pose][0]
        axes.fill_between(cells["t_s"], cells["low"], cells["high"], color=colour, alpha=0.25)
        axes.plot(cells["t_s"], cells["tilt_deg"], color=colour)
        _beyond(axes, cells, colour)
        words = "picture" if pose == UPRIGHT else f"picture, {said(pose)}"
        names.append((words, cells))
    log_part = None if logged is None else logged[logged["clip"] == clip]
    if log_part is not None and len(log_part):
        cells = _cells(log_part, cell_s)
        axes.plot(cells["t_s"], cells["tilt_deg"], color=COLOURS["ink"][0], linewidth=0.9, linestyle="--")
        names.append(("log", cells))
    for _, cells in names:
        crowd_in(crowd, axes, cells["t_s"], cells["low"], cells["high"])
    for words, cells in names:
        if words not in named:
            beside(axes, crowd, words, cells["t_s"], cells["low"], cells["high"])
            named.add(words)


def _cells(frames: pd.DataFrame, cell_s: float) -> pd.DataFrame:
    """Means over cells with the band that covers every frame's 95 % interval; a row of NaN parts two runs."""
    t_s = frames["t_s"].to_numpy(float)
    half_deg = 1.96 * frames["roll_sd_deg"].fillna(0.0).to_numpy(float)
    tilt_deg = frames["tilt_deg"].to_numpy(float)
    table = pd.DataFrame(
        {"t_s": t_s, "tilt_deg": tilt_deg, "low": tilt_deg - half_deg, "high": tilt_deg + half_deg}
    )
    run = np.cumsum(np.diff(t_s, prepend=t_s[0]) > HOLE_S)
    cells = table.groupby([run, (t_s // cell_s).astype(int)])
    means = cells.agg({"t_s": "mean", "tilt_deg": "mean", "low": "min", "high": "max"})
    return parted(means, means.index.get_level_values(0).to_numpy(int), cell_s)


def _beyond(axes: Axes, cells: pd.DataFrame, colour: str) -> None:
    """A mark at the edge for every run of cells that lie beyond it."""
    low, high = axes.get_ylim()
    tilt_deg = cells["tilt_deg"].to_numpy(float)
    for out, edge, marker in ((tilt_deg > high, high, "^"), (tilt_deg < low, low, "v")):
        starts = np.flatnonzero(np.diff(out.astype(int), prepend=0) > 0)
        at = cells["t_s"].to_numpy(float)[starts]
        axes.plot(at, np.full(len(at), edge), linestyle="", marker=marker, color=colour, clip_on=False)


def _most_flagged(flagged: pd.DataFrame) -> str:
    """The clip with the longest flagged stretch, where there is most room for a name; "" without any."""
    lasts_s = flagged["to_s"] - flagged["from_s"]
    return "" if flagged.empty else str(flagged["clip"].iloc[int(lasts_s.argmax())])


def _flags(axes: Axes, flagged: pd.DataFrame, crowd: Crowd, *, name: bool) -> None:
    """Bars along the foot of the panel."""
    share = BAR / axes.bbox.height
    spans = flagged[["from_s", "to_s"]].to_numpy(float)
    for from_s, to_s in spans:
        # The edge keeps a short one from vanishing.
        axes.axvspan(from_s, to_s, 0, share, color=COLOURS["out"][0], linewidth=0.5)
    if name:
        low, high = axes.get_ylim()
        across = np.concatenate([np.linspace(from_s, to_s, 20) for from_s, to_s in spans])
        at = np.full(len(across), low + (high - low) * share)
        beside(axes, crowd, "out of tolerance", across, at, at)


def _left_out(axes: Axes, spans: tuple[tuple[float, float], ...]) -> None:
    """Hatching over what the sheet does not count."""
    for from_s, to_s in spans:
        axes.axvspan(
            from_s, to_s, facecolor="none", edgecolor=COLOURS["faint"][0], hatch="////", linewidth=0.0
        )


def _caption(material: Material, logged: bool) -> str:
    log = " Broken line: the log." if logged else ""
    out = " Bars along the foot: out of tolerance." if len(material.flagged) else ""
    told = any(sheet.exclude_s for sheet in material.shoot.clips)
    hatched = " Hatched: left out by the sheet." if told else ""
    return (
        "Roll of the picture about its pose over the time of each clip, rolls on purpose left out; "
        f"band: 95 % of every frame.{log}{out}{hatched}"
    )


def _alt(material: Material) -> str:
    rows = [row for row in contents.clip_rows(material) if row.out]
    words = [f"{cut(row.clip, MOST_LETTERS)}: {row.lean}, out of tolerance for {row.out}" for row in rows]
    return f"Plot of the picture's roll over the time of each clip. {'; '.join(words[:MOST_CLIPS])}."
