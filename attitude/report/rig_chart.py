"""A rig's lean from shoot to shoot: intervals, tolerance, calibrations, the smoothed lean and its limits."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.text import Text
from numpy.typing import NDArray

from attitude.findings import Estimate
from attitude.recorded import Recorded
from attitude.report.drawn import COLOURS
from attitude.report.labels import Crowd, beside, crowd_in, width_of
from attitude.report.look import Sketch, axes_at, canvas, cut
from attitude.report.material import Material
from attitude.report.points import WORDS_ROOM, draw_points, lean_axis, room, tolerance_band
from attitude.report.rig_table import rig_story
from attitude.rig_history import RigHistory, shoot_names
from attitude.words import lean_words

__all__ = ["chart_of", "rig_chart"]

Array = NDArray[np.float64]

WIDTH, WIDTH_PX = 460.0, 640
LEFT, RIGHT, TOP, HEIGHT, FOOT = 34.0, 26.0, 4.0, 150.0, 36.0
NAME_ROOM = 14.0  # a line of names above the panel
LEAST_SHOOTS, MOST_SHOOTS = 2, 40
MOST_LETTERS = 40
DAYS_APART = 62.0  # points between two dates below the axis


def rig_chart(material: Material) -> Sketch | None:
    """The chart of the shoot's rig, this shoot marked; None while there is no other shoot with a lean."""
    story = rig_story(material)
    if story is None or material.recorded is None or len(story.charted) < LEAST_SHOOTS:
        return None
    return chart_of(story, material.verdict.tolerance_deg, material.recorded.key)


def chart_of(history: RigHistory, tolerance_deg: float, key: str = "") -> Sketch | None:
    """The last ``MOST_SHOOTS`` shoots of one rig; None without any lean. key : of the shoot that is named."""
    chart = history.smoothed
    if chart is None:
        return None
    first = max(0, len(history.charted) - MOST_SHOOTS)
    shown = history.charted[first:]
    x = np.arange(first, first + len(shown), dtype=float)
    leans = [shoot.lean for shoot in shown if shoot.lean is not None]
    lean_deg, half_deg = np.array([one.value for one in leans]), np.array([one.half_width for one in leans])
    names = NAME_ROOM * (1 + (len(history.starts) > len(history.calibrations)))
    fig = canvas(WIDTH, TOP + names + HEIGHT + FOOT)
    axes = axes_at(fig, LEFT, TOP + names, WIDTH - LEFT - RIGHT, HEIGHT)
    low = min(float(np.min(lean_deg - half_deg)), -1.2 * tolerance_deg)
    high = max(float(np.max(lean_deg + half_deg)), 1.2 * tolerance_deg)
    axes.set(xlim=(x[0] - 0.6, x[-1] + 0.6), ylim=room(low, high, HEIGHT, WORDS_ROOM, WORDS_ROOM), xticks=[])
    tolerance_band(axes, tolerance_deg)
    crowd = Crowd()
    lean_axis(axes, crowd)
    _changes(axes, history, first)
    smooth = [part[first:] for part in (chart.low_deg, chart.lean_deg, chart.high_deg)]
    judged = np.isfinite(smooth[1])
    parts = _runs(x, history.starts)
    for rows in parts:
        kept = rows & judged
        axes.fill_between(
            x[kept], smooth[0][kept], smooth[2][kept], color=COLOURS["faint"][0], alpha=0.25, linewidth=0
        )
        axes.plot(x[kept], smooth[1][kept], color=COLOURS["ink"][0], linewidth=0.9, linestyle="--")
    if history.single is not None:
        begin = max(first, (0, *history.starts)[-1]) - 0.5
        for limit_deg in (history.single.low_deg, history.single.high_deg):
            axes.hlines(limit_deg, begin, x[-1] + 0.6, COLOURS["ink"][0], ":", linewidth=0.8)
    draw_points(axes, x, lean_deg, half_deg, "upright")
    crowd_in(crowd, axes, x, lean_deg - half_deg, lean_deg + half_deg)
    this = np.array([shoot.key == key for shoot in shown])
    if this.any():
        axes.plot(
            x[this],
            lean_deg[this],
            linestyle="",
            marker="o",
            markersize=9,
            markerfacecolor="none",
            markeredgecolor=COLOURS["ink"][0],
        )
        beside(axes, crowd, "this shoot", x[this], (lean_deg - half_deg)[this], (lean_deg + half_deg)[this])
    if judged.any():
        crowd_in(crowd, axes, x[judged], smooth[0][judged], smooth[2][judged])
        beside(axes, crowd, "smoothed, and its limits", x[judged], smooth[0][judged], smooth[2][judged])
    beside(
        axes,
        crowd,
        f"tolerance {tolerance_deg:g} deg",
        np.linspace(x[0], x[-1], 50),
        np.full(50, -tolerance_deg),
        np.full(50, tolerance_deg),
        colour=COLOURS["faint"][0],
    )
    _days(axes, x, shown)
    return Sketch(fig, WIDTH_PX, _alt(history, shown, leans), _caption(history, first, bool(judged.any())))


def _runs(x: Array, starts: tuple[int, ...]) -> list[NDArray[np.bool_]]:
    """Which of the shoots shown lie between two changes on purpose."""
    run = np.searchsorted(np.array(starts, float), x, side="right")
    return [run == number for number in np.unique(run)]


def _changes(axes: Axes, history: RigHistory, first: int) -> None:
    """Lines where something was changed on purpose, its name above: calibrations below other changes."""
    for row in (row for row in history.starts if row > first):
        line = "-" if row in history.calibrations else ":"
        axes.axvline(row - 0.5, color=COLOURS["ink"][0], linewidth=0.8, linestyle=line)
    shoots, last = history.charted, len(history.charted)
    calibrations = [first, *(row for row in history.calibrations if row > first)]
    others = [row for row in history.starts if row > first and row not in calibrations]
    labels = [shoots[row].calibration for row in calibrations]
    _names(axes, 3.0, calibrations, [*calibrations[1:], last], labels)
    labels = [f"{', '.join(shoots[row].changed) or 'trim'} changed" for row in others]
    _names(axes, 3.0 + NAME_ROOM, others, [*others[1:], last][: len(others)], labels)


def _names(axes: Axes, above: float, rows: list[int], ends: list[int], names: list[str]) -> None:
    """Names so many points above the panel, each from its row to an end."""
    over, low = axes.get_xaxis_transform(), float(axes.get_xlim()[0])
    per_shoot = axes.bbox.width / float(np.ptp(axes.get_xlim()))
    for row, end, name in zip(rows, ends, names, strict=True):
        text = axes.annotate(
            "",
            (max(low, row - 0.5), 1),
            (2, above),
            xycoords=over,
            textcoords="offset points",
            color=COLOURS["faint"][0],
        )
        _fitted(text, name, per_shoot * (end - row))


def _fitted(text: Text, words: str, width: float) -> None:
    """Words cut to a width in points; none where not even a few letters have room."""
    for most in range(min(MOST_LETTERS, len(words)), 3, -1):
        text.set_text(cut(words, most))
        if width_of(text) <= width - 4:
            return
    text.set_text("")


def _days(axes: Axes, x: Array, shown: tuple[Recorded, ...]) -> None:
    """Dates below the axis, as many as have room, the last one always."""
    per_shoot = axes.bbox.width / np.ptp(axes.get_xlim())
    step = max(1, int(np.ceil(DAYS_APART / per_shoot)))
    rows = list(range(len(shown) - 1, -1, -step))[::-1]
    axes.set_xticks(x[rows], [shown[row].filmed[:10] for row in rows])
    axes.set_xlabel("shoots in the order filmed")


def _caption(history: RigHistory, first: int, judged: bool) -> str:
    left_out = len(history.shoots) - len(history.charted)
    parts = ["Lean of each shoot, settled and warm; bars: 95 %."]
    if history.starts:
        parts.append("Upright lines: something was changed on purpose; its name stands above.")
    if judged:
        parts.append("Broken line: the lean smoothed over the last shoots; beyond its band it drifts.")
    if history.single is not None:
        parts.append("Dotted lines: limits for single shoots.")
    if first:
        parts.append(f"{first} earlier shoots are not shown.")
    if left_out:
        parts.append(f"{left_out} without a lean {'is' if left_out == 1 else 'are'} in the table only.")
    return " ".join(parts)


def _alt(history: RigHistory, shown: tuple[Recorded, ...], leans: list[Estimate]) -> str:
    said = [f"{name}: {lean_words(one)}" for name, one in zip(shoot_names(shown), leans, strict=True)]
    return f"Chart of the lean of {history.rig or 'the rig'} from shoot to shoot. {'; '.join(said[-12:])}."
