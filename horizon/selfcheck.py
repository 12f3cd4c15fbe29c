"""Does the measuring read what it is given? Frames turned by known angles are measured again from scratch.

The picture is turned in ray space, about the optical axis: it becomes the one that the same camera would
have taken rolled by that much more, through any lens, and its true roll is the frame's own plus the turn.
Turning alone cannot show an error that every reading has in common; mirroring can. The picture of a mirrored
world has the roll of the opposite sign, so a common error counts twice in the sum of a frame and its mirror
image.

Whatever was left outside the frame stays out: all pictures of a frame, turned or not, are cut to one
rectangle that the largest turn still fills, so that no corner makes an edge and nearly the same piece of the
skyline is seen each time. A frame wider than ``MOST_PX`` is made half as large first: what it reads is then
tried against what it read at its own size. With d the reading minus what was expected of it,

    d = (scale - 1) x turn + bias +- c      (- for turned, + for mirrored pictures)

where c, one for each frame, is the error of the frame's own fit and what the cut leaves of a ragged skyline.
Nothing of the surroundings enters it: as when a clip is measured, the dip is taken for nil.
Least squares; the uncertainty comes from the scatter of what is left over. The texture of the skyline is
the same in all pictures of a frame, which is why they agree far better than any of them is known.
"""

from collections.abc import Callable, Iterable
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import partial
from typing import Protocol

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtrit

from .angles import angles_from_up, wrap_deg
from .coarse import Area, picture_area
from .frame import HorizonFit, measure_frame
from .lens import Lens, pixels, rays, scaled

__all__ = [
    "COLUMNS",
    "MIRRORED_DEG",
    "SMALL_DEG",
    "TURNED_DEG",
    "Sample",
    "SelfCheck",
    "fits_in",
    "self_check",
    "self_check_begun",
    "summed_up",
    "turned_pictures",
]

Array = NDArray[np.float64]
Luma = NDArray[np.uint8]

TURNED_DEG = (-7.0, -0.5, 0.5, 12.0)
MIRRORED_DEG = (-3.0, 3.0)
SMALL_DEG = 0.5
SCALE_LIMIT, BIAS_LIMIT_DEG, WORST_LIMIT_DEG = 0.005, 0.02, 0.5
# Over hills the cut alone moves the line by several tenths of a degree.
OWN_LIMIT_DEG = 1.5
ROWS_AT_ONCE, NODES_PX = 256, 16
LEAST_CUT = 0.3  # of the picture's shorter side
# Wider ones are turned at half their size: most of the time goes into turning them.
MOST_PX = 2560
CUT_STEP = 0.98
COLUMNS = ["clip", "t_s", "mirrored", "turned_deg", "read_deg", "sd_deg"]


class Measure(Protocol):
    """What measures one picture, as ``measure_frame`` does."""

    def __call__(self, luma: Luma, lens: Lens) -> HorizonFit:
        """Horizon of one picture."""


@dataclass(frozen=True)
class Sample:
    """A measured frame: luma picture (height, width), its lens, and the roll of its line, as of no dip."""

    clip: str
    t_s: float
    luma: Luma
    lens: Lens
    roll_deg: float


@dataclass(frozen=True)
class SelfCheck:
    """What turned frames read.

    rows : clip, t_s, mirrored, turned_deg, read_deg (roll of the turned picture minus that of the frame, of
    a mirrored one plus it), sd_deg (of that picture's fit); those that were measured. turned : pictures
    tried. lost : of these, refused. scale, bias_deg : of the line read = bias + scale x turned; NaN where too
    few were measured. small_deg : mean reading of a turn by ``SMALL_DEG``. worst_deg : largest departure
    of a reading from the turn, what all readings of that frame share taken off; own_deg : largest of what
    they share.
    """

    rows: pd.DataFrame
    turned: int
    lost: int
    scale: float
    scale_sd: float
    bias_deg: float
    bias_sd_deg: float
    small_deg: float
    small_sd_deg: float
    worst_deg: float
    own_deg: float

    @property
    def frames(self) -> int:
        """Frames of which at least one turned picture was measured."""
        return len(self.rows[["clip", "t_s"]].drop_duplicates())

    @property
    def defects(self) -> tuple[str, ...]:
        """What is wrong with the measuring, one sentence each; empty when nothing is.

        A refusal is no wrong reading: less of a faint skyline is left in the cut picture.
        """
        found = []
        if abs(self.scale - 1) - 2 * self.scale_sd > SCALE_LIMIT:
            found.append(f"turns are read {100 * (self.scale - 1):+.1f} % off")
        if abs(self.bias_deg) - 2 * self.bias_sd_deg > BIAS_LIMIT_DEG:
            found.append(f"every roll is read {self.bias_deg:+.2f} deg off (right side down +)")
        if self.worst_deg > WORST_LIMIT_DEG:
            found.append(f"one turned frame was read {self.worst_deg:.1f} deg off")
        if self.own_deg > OWN_LIMIT_DEG:
            found.append(f"a frame searched afresh reads {self.own_deg:.1f} deg from what it was measured to")
        return tuple(found)


def self_check(
    samples: Iterable[Sample],
    measure: Measure = measure_frame,
    *,
    executor: Executor | None = None,
    progress: Callable[[float], None] | None = None,
) -> SelfCheck:
    """Turn and measure every sample.

    ``executor`` measures samples side by side; None does it here. ``progress`` is told the share done.
    """
    return self_check_begun(samples, measure, executor=executor)(progress)


def self_check_begun(
    samples: Iterable[Sample | Callable[[], Sample | None]],
    measure: Measure = measure_frame,
    *,
    executor: Executor | None = None,
) -> Callable[[Callable[[float], None] | None], SelfCheck]:
    """The same, begun by the executor; what is given back sees to its end, told whom to tell the share.

    ``samples``: as they are, or what finds one where it is measured, None where there is none after all.
    """
    work = partial(_rows, measure=measure)
    # With an executor, the first are measured while the last are still being found.
    waiting = [
        partial(work, one) if executor is None else executor.submit(work, one).result for one in samples
    ]

    def ended(progress: Callable[[float], None] | None) -> SelfCheck:
        found: list[tuple[str, float, bool, float, float, float]] = []
        for number, rows in enumerate(waiting, 1):
            found += rows()
            if progress is not None:
                progress(number / len(waiting))
        table = pd.DataFrame(found, columns=COLUMNS)
        return summed_up(table.dropna(subset=["read_deg"]).reset_index(drop=True), len(table))

    return ended


def summed_up(rows: pd.DataFrame, turned: int) -> SelfCheck:
    """What the pictures say that were measured, ``rows`` of ``COLUMNS``, of ``turned`` that were tried."""
    return SelfCheck(rows, turned, turned - len(rows), *_line(rows), *_small(rows), *_worst(rows))


def fits_in(lens: Lens, roll_deg: Array, pitch_deg: Array) -> NDArray[np.bool_]:
    """Whether lines, as of no dip, cross the middle of what is left of the picture after the cut."""
    half_px = _cut(lens, (0, 0, lens.width_px, lens.height_px), max(map(abs, TURNED_DEG)))
    across = np.abs(np.deg2rad(roll_deg))
    # Distance of the line from the optical axis, and room for it in its own direction.
    off = np.abs(np.tan(np.deg2rad(pitch_deg))) * (lens.fx_px + lens.fy_px) / 2
    room = np.minimum(
        half_px[0] / np.maximum(np.abs(np.sin(across)), 1e-9),
        half_px[1] / np.maximum(np.abs(np.cos(across)), 1e-9),
    )
    return np.asarray(off < 0.5 * room)


def turned_pictures(luma: Luma, lens: Lens, turns: Iterable[tuple[float, bool]]) -> tuple[list[Luma], Lens]:
    """The picture as the camera would have taken it rolled by ``turns`` (deg, mirrored first) more.

    All are cut to one rectangle about the optical axis that the largest turn fills; the lens is for that.
    None are returned where too little is left, as a dark foreground does.
    """
    turns = list(turns)
    half_x, half_y = _cut(lens, picture_area(luma), max(abs(turn) for turn, _ in turns))
    if min(half_x, half_y) < LEAST_CUT * min(lens.width_px, lens.height_px) / 2:
        return [], lens
    left, top = int(np.ceil(lens.cx_px - half_x)), int(np.ceil(lens.cy_px - half_y))
    width, height = int(2 * half_x), int(2 * half_y)
    cut = replace(lens, width_px=width, height_px=height, cx_px=lens.cx_px - left, cy_px=lens.cy_px - top)
    out = [np.empty((height, width), np.uint8) for _ in turns]
    # In strips: where all pixels of a large picture come from would take more memory than the footage.
    for first in range(0, height, ROWS_AT_ONCE):
        rows = min(ROWS_AT_ONCE, height - first)
        node_x, node_y = _nodes(0, width), _nodes(first, rows)
        x, y = np.meshgrid(node_x, node_y)
        ray = rays(cut, np.column_stack([x.ravel(), y.ravel()]))
        for picture, (turn_deg, mirrored) in zip(out, turns, strict=True):
            at = pixels(lens, _before(ray, turn_deg, mirrored)).astype(np.float32).reshape(*x.shape, 2)
            # Between nodes so close, a lens bends by less than 0.001 px.
            whole = cv2.resize(at, (len(node_x) * NODES_PX, len(node_y) * NODES_PX))
            inner = whole[NODES_PX : NODES_PX + rows, NODES_PX : NODES_PX + width]
            picture[first : first + rows] = cv2.remap(
                luma, inner, None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
            )
    return out, cut


def _nodes(first_px: int, count_px: int) -> Array:
    """Places between which linear enlargement by ``NODES_PX`` gives so many pixels, and one step around."""
    return first_px + NODES_PX * np.arange(-1.0, count_px // NODES_PX + 2) + (NODES_PX - 1) / 2


def _before(ray: Array, turn_deg: float, mirrored: bool) -> Array:
    """Rays (n, 3) in the frame's own axes of rays in those of the camera turned by more.

    A camera turned clockwise sees a direction turned back: v' = (x cos a + y sin a, y cos a - x sin a, z), as
    the up vector's components show; this is the inverse.
    """
    cos, sin = np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))
    x, y = ray[:, 0] * cos - ray[:, 1] * sin, ray[:, 0] * sin + ray[:, 1] * cos
    return np.column_stack([-x if mirrored else x, y, ray[:, 2]])


def _cut(lens: Lens, area: Area, turn_deg: float) -> tuple[float, float]:
    """Half width and half height, px, of the rectangle that turns to either side by this much still fill."""
    left, top, right, bottom = area
    half_x = min(lens.cx_px - left, right - 1 - lens.cx_px)
    half_y = min(lens.cy_px - top, bottom - 1 - lens.cy_px)
    along = np.linspace(-1, 1, 33)
    side = np.ones_like(along)
    edge = np.column_stack(
        [np.concatenate([along, along, side, -side]), np.concatenate([side, -side, along, along])]
    )
    if half_x <= 0 or half_y <= 0:
        return 0.0, 0.0
    turn = np.deg2rad(abs(turn_deg))
    share = min(
        half_x / (half_x * np.cos(turn) + half_y * np.sin(turn)),
        half_y / (half_y * np.cos(turn) + half_x * np.sin(turn)),
    )
    # The formula is for a lens without distortion; what it leaves is tried on the border itself.
    while share > 0.2:
        ray = rays(lens, edge * [share * half_x, share * half_y] + [lens.cx_px, lens.cy_px])
        at = np.vstack([pixels(lens, _before(ray, way * turn_deg, False)) for way in (1, -1)])
        if (at >= [left, top]).all() and (at <= [right - 1, bottom - 1]).all():
            break
        share *= CUT_STEP
    return float(share * half_x), float(share * half_y)


def _manageable(luma: Luma, lens: Lens) -> tuple[Luma, Lens]:
    if max(lens.width_px, lens.height_px) <= MOST_PX:
        return luma, lens
    half = scaled(lens, lens.width_px // 2, lens.height_px // 2)
    smaller = cv2.resize(luma, (half.width_px, half.height_px), interpolation=cv2.INTER_AREA)
    return np.asarray(smaller, np.uint8), half


def _rows(
    found: Sample | Callable[[], Sample | None], measure: Measure
) -> list[tuple[str, float, bool, float, float, float]]:
    """Columns ``COLUMNS`` of one sample, read_deg NaN where the picture was refused."""
    cv2.setNumThreads(1)
    sample = found if isinstance(found, Sample) else found()
    if sample is None:
        return []
    luma, lens = _manageable(sample.luma, sample.lens)
    turns = [*((turn, False) for turn in TURNED_DEG), *((turn, True) for turn in MIRRORED_DEG)]
    pictures, cut = turned_pictures(luma, lens, turns)
    rows = []
    for picture, (turn_deg, mirrored) in zip(pictures, turns if pictures else [], strict=True):
        fit = measure(picture, cut)
        roll_deg = float(np.degrees(angles_from_up(fit.up_cam)[0]))
        own_deg = -sample.roll_deg if mirrored else sample.roll_deg
        # Which half is sky is voted over a whole clip, so half a turn is no error of a single picture.
        off_deg = float(wrap_deg(2 * (roll_deg - own_deg - turn_deg))) / 2
        sd_deg = float(np.degrees(np.sqrt(fit.covariance[0, 0])))
        rows.append((sample.clip, sample.t_s, mirrored, turn_deg, turn_deg + off_deg, sd_deg))
    return rows


def _line(rows: pd.DataFrame) -> tuple[float, float, float, float]:
    """Scale, its sd, bias and its sd (deg) by least squares, the frames' own errors as nuisances.

    Frames may show one and the same skyline: then what is left over repeats from frame to frame, and only
    the turns count as independent. The larger of both uncertainties is given, widened for few degrees of
    freedom so that twice it is a 95 % interval.
    """
    if rows.empty:
        return float("nan"), float("nan"), float("nan"), float("nan")
    frame = rows.groupby(["clip", "t_s"], sort=False).ngroup().to_numpy()
    turned = rows["turned_deg"].to_numpy(float)
    way = np.where(rows["mirrored"].to_numpy(bool), 1.0, -1.0)
    own = (frame[:, None] == np.unique(frame)) * way[:, None]
    design = np.column_stack([turned, np.ones(len(rows)), own])
    off_deg = rows["read_deg"].to_numpy(float) - turned
    freedom = len(rows) - design.shape[1]
    turns = np.unique(turned)
    if freedom < 1 or len(turns) < 4 or np.linalg.matrix_rank(design) < design.shape[1]:
        return float("nan"), float("nan"), float("nan"), float("nan")
    inverse = np.linalg.inv(design.T @ design)
    solution = inverse @ design.T @ off_deg
    left = off_deg - design @ solution
    each = np.sqrt(np.diag(inverse) * (left @ left) / freedom) * _widened(freedom)
    sums = np.array([design[turned == turn].T @ left[turned == turn] for turn in turns])
    few = len(turns) - 3
    shared = np.sqrt(np.diag(inverse @ (sums.T @ sums) @ inverse) * len(turns) / few) * _widened(few)
    sd = np.maximum(each, shared)
    return 1 + float(solution[0]), float(sd[0]), float(solution[1]), float(sd[1])


def _small(rows: pd.DataFrame) -> tuple[float, float]:
    """Mean reading of a turn by ``SMALL_DEG`` and its sd: half of what two opposite turns are apart."""
    plain = rows[~rows["mirrored"].astype(bool)]
    read = plain.pivot_table(index=["clip", "t_s"], columns="turned_deg", values="read_deg")
    if not {SMALL_DEG, -SMALL_DEG} <= set(read.columns):
        return float("nan"), float("nan")
    half = ((read[SMALL_DEG] - read[-SMALL_DEG]) / 2).dropna().to_numpy(float)
    if len(half) < 2:
        return float("nan"), float("nan")
    return float(half.mean()), float(half.std(ddof=1) / len(half) ** 0.5) * _widened(len(half) - 1)


def _worst(rows: pd.DataFrame) -> tuple[float, float]:
    """Largest departure of a reading from what its frame's readings share, and the largest of these, deg."""
    if rows.empty:
        return float("nan"), float("nan")
    way = pd.Series(np.where(rows["mirrored"].to_numpy(bool), -1.0, 1.0))
    off_deg = way * (rows["read_deg"] - rows["turned_deg"])
    own_deg = off_deg.groupby([rows["clip"], rows["t_s"]]).transform("median")
    return float((off_deg - own_deg).abs().max()), float(own_deg.abs().max())


def _widened(freedom: int) -> float:
    """By how much an sd from few degrees of freedom has to grow for 1.96 of it to hold 95 %."""
    return float(stdtrit(freedom, 0.975)) / 1.96
