"""Lean of single blocks against one thing that it may depend on, with what the causes found make of it.

Points have the doing of the other causes taken off (:mod:`attitude.covariates`); faint behind them stands
what was filmed. Line and band are the expectation, averaged over cells of the axis as the points happened to
lie in it; the band covers every block's 95 % interval within a cell. A point whose bar does not reach it is
one that the causes found do not explain. All plots of a shoot share one lean axis, to be compared.
"""

from collections.abc import Mapping

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, MaxNLocator
from numpy.typing import NDArray

from attitude.covariates import Covariates
from attitude.report.against_what import AGAINST, Against
from attitude.report.drawn import COLOURS
from attitude.report.labels import Crowd, beside, crowd_in
from attitude.report.look import Sketch, axes_at, canvas
from attitude.report.material import Material
from attitude.report.points import (
    WORDS_ROOM,
    draw_points,
    every,
    lean_axis,
    lean_range_words,
    name_points,
    parted,
    pose_names,
    poses_of,
    room,
    said,
    side_words,
    sizes_only,
    tolerance_band,
)
from attitude.words import places

__all__ = ["against"]

Array = NDArray[np.float64]

WIDTH, HEIGHT, WIDTH_PX = 320.0, 240.0, 320
LEFT, RIGHT, TOP, FOOT = 34.0, 9.0, 4.0, 36.0
FEWEST = 4
CELLS = 20
HOLE_CELLS = 2
SAID = 3  # parts of the axis that the words tell apart
MARGIN = 0.03


def against(name: str, material: Material) -> Sketch | None:
    """The plot ``name`` of ``AGAINST``; None where that is not known or hardly varied."""
    what, found = AGAINST[name], material.covariates
    if found is None:
        return None
    filmed = found.blocks.assign(x=found.blocks[what.column] / what.step)
    table = filmed.assign(**found.alone[what.column], pose=pose_names(filmed["pose_deg"]))
    known = filmed["x"].notna()
    filmed, table = filmed[known], table[known]
    if what.column == "heading_deg":
        x = _from_largest_gap(table["x"].to_numpy(float))
        filmed, table = filmed.assign(x=x), table.assign(x=x)
    if len(table) < FEWEST or np.ptp(table["x"]) < what.least:
        return None
    fig = canvas(WIDTH, HEIGHT)
    height = HEIGHT - TOP - FOOT
    axes = axes_at(fig, LEFT, TOP, WIDTH - LEFT - RIGHT, height)
    left, right = float(table["x"].min()), float(table["x"].max())
    margin = MARGIN * (right - left)
    limits = room(*_limits(found, material.verdict.tolerance_deg), height, WORDS_ROOM, WORDS_ROOM)
    axes.set(xlim=(left - margin, right + margin), ylim=limits)
    tolerance_band(axes, material.verdict.tolerance_deg)
    crowd = Crowd()
    lean_axis(axes, crowd)
    _across(axes, what, left, right)
    step = every(len(table))
    groups = {pose: table[table["pose"] == pose] for pose in poses_of(table["pose"].to_numpy(str))}
    predicted = {pose: _predicted(part, (right - left) / CELLS) for pose, part in groups.items()}
    ink = COLOURS["ink"][0]
    for pose, cells in predicted.items():
        raw = filmed.loc[groups[pose].index[::step]]
        axes.plot(raw["x"], raw["lean_deg"], "o", color=COLOURS[pose][0], alpha=0.4, markersize=2.2)
        axes.fill_between(cells["x"], cells["low"], cells["high"], color=ink, alpha=0.14)
        axes.plot(cells["x"], cells["expected"], color=ink, linewidth=0.9)
        crowd_in(crowd, axes, cells["x"], cells["expected"], cells["expected"])
        crowd_in(crowd, axes, raw["x"], raw["lean_deg"], raw["lean_deg"])
    bars = {pose: _bars(part.iloc[::step]) for pose, part in groups.items()}
    for pose, (x, lean, half) in bars.items():
        draw_points(axes, x, lean, half, pose)
        crowd_in(crowd, axes, x, lean - half, lean + half)
    if len(groups) > 1:
        for pose, (x, lean, half) in bars.items():
            name_points(axes, crowd, pose, x, lean - half, lean + half)
    cells = next(iter(predicted.values()))
    beside(axes, crowd, "predicted", cells["x"], cells["low"], cells["high"])
    return Sketch(fig, WIDTH_PX, _alt(groups, what), _caption(what, step))


def _limits(found: Covariates, tolerance_deg: float) -> tuple[float, float]:
    """All but single means, as filmed and with the others' doing taken off, and the tolerance."""
    sd_deg = found.blocks["lean_sd_deg"]
    leans = [found.blocks["lean_deg"], *(one["lean_deg"] for one in found.alone.values())]
    lows = [float((lean - 1.96 * sd_deg).quantile(0.01)) for lean in leans]
    highs = [float((lean + 1.96 * sd_deg).quantile(0.99)) for lean in leans]
    return min(*lows, -1.1 * tolerance_deg), max(*highs, 1.1 * tolerance_deg)


def _from_largest_gap(heading_deg: Array) -> Array:
    """Headings as one stretch, cut open where the least was filmed, so that no hold lies at both ends."""
    ordered = np.unique(heading_deg)
    gaps = np.diff(ordered, append=ordered[:1] + 360.0)
    start = ordered[(int(np.argmax(gaps)) + 1) % len(ordered)] if len(ordered) else 0.0
    return np.asarray((heading_deg - start) % 360.0 + start)


def _across(axes: Axes, what: Against, left: float, right: float) -> None:
    """Ticks and words of the lower axis."""
    if what.low and left < 0 < right:
        sizes_only(axes.xaxis)
        side_words(axes.xaxis, what.low, f"{what.name}, {what.unit}", what.high)
        return
    axes.xaxis.set_major_locator(MaxNLocator(nbins=5, steps=[1, 2, 2.5, 5, 10]))
    side = ""
    if what.column == "heading_deg":
        axes.xaxis.set_major_locator(MaxNLocator(nbins=5, steps=[1, 1.5, 3, 4.5, 9]))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value % 360:g}"))
    elif what.low:
        sizes_only(axes.xaxis)
        side = f"  ({what.high if right > 0 else what.low})"
    side_words(axes.xaxis, "", f"{what.name}, {what.unit}{side}", "")


def _predicted(part: pd.DataFrame, cell: float) -> pd.DataFrame:
    """Columns x, expected, low, high over cells of the axis, those that lie far apart parted by NaN."""
    half_deg = 1.96 * part["expected_sd_deg"]
    table = pd.DataFrame(
        {
            "x": part["x"],
            "expected": part["expected_deg"],
            "low": part["expected_deg"] - half_deg,
            "high": part["expected_deg"] + half_deg,
        }
    )
    cells = table.groupby((table["x"] // cell).astype(int))
    means = cells.agg({"x": "mean", "expected": "mean", "low": "min", "high": "max"})
    return parted(means, np.cumsum(np.diff(means["x"], prepend=means["x"].iloc[0]) > HOLE_CELLS * cell), cell)


def _bars(part: pd.DataFrame) -> tuple[Array, Array, Array]:
    """Place, lean and half of its 95 % interval."""
    x, lean_deg, sd_deg = (part[name].to_numpy(float) for name in ("x", "lean_deg", "lean_sd_deg"))
    return x, lean_deg, 1.96 * sd_deg


def _caption(what: Against, step: int) -> str:
    fewer = "" if step == 1 else f" One mean in {step} is drawn."
    return f"By {what.name}: {what.hint}.{fewer}"


def _alt(groups: Mapping[str, pd.DataFrame], what: Against) -> str:
    """Ranges of the lean in parts of the axis, pose by pose."""
    told = []
    for pose, part in groups.items():
        half_deg = 1.96 * float(part["lean_sd_deg"].median())
        # What hardly varies is told as one.
        count = SAID if np.ptp(part["x"]) >= what.least else 1
        edges = np.linspace(part["x"].min(), part["x"].max(), count + 1)
        place = np.clip(np.searchsorted(edges, part["x"], side="right") - 1, 0, count - 1)
        ranges = [
            f"at {_place_words(own['x'], what)} {lean_range_words(own['lean_deg'], half_deg)}, predicted "
            f"{lean_range_words(own['expected_deg'], half_deg)}"
            for _, own in part.groupby(place)
        ]
        told.append(
            f"Camera {said(pose)}, {len(part)} means, each \N{PLUS-MINUS SIGN} "
            f"{half_deg:.{places(half_deg)}f} deg: {'; '.join(ranges)}."
        )
    return f"Plot of picture less log against {what.name}. {' '.join(told)}"


def _place_words(x: pd.Series, what: Against) -> str:
    """``lens down 12 to lens up 3 deg``; one of them where they are the same."""
    digits = 0 if what.unit == "deg" else 1
    ends = []
    for value in (float(x.min()), float(x.max())):
        size = round(value, digits) + 0.0
        size = size % 360.0 if what.column == "heading_deg" else size
        side = "" if not what.low or size == 0 else f"{what.high if size > 0 else what.low} "
        ends.append(f"{side}{abs(size) if what.low else size:.{digits}f}")
    return f"{' to '.join(dict.fromkeys(ends))} {what.unit}"
