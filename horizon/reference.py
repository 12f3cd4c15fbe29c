"""A clip of a plumb line or a level line, with the uncertainty that such a line has.

The line and the camera span a plane; its unit normal n, in camera axes, is what a frame gives. The plane of a
plumb line holds the vertical, n . up = 0: one equation, which the pitch turns into a roll, so the roll of one
line is stated at pitch 0 and its normals go with it. Two plumb lines give up = n1 x n2, roll and pitch. The
plane of a level line at lens height is level itself, n = up; above or below the lens, on a wall not square to
it, the line leans by tan(elevation) sin(turn of the wall).

The line is chosen once for the clip: looks that follow one another form chains, one chain is followed, and
looks of other lines are refused. A plumb line swings; that is taken off by :mod:`horizon.swing`.
"""

import math
from collections.abc import Callable, Iterable
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from . import TRACK_COLUMNS
from .angles import angles_from_up, up_from_angles, wrap_deg
from .clip import ClipFacts, Frame
from .coarse import picture_area
from .frame import EdgePoints
from .lens import Lens, pixels
from .level import PITCH_TOO, ROLL_ONLY
from .looking import look_through
from .measure import ClipTrack
from .swing import Swing, fit_swings
from .thin import LEVEL_LINE, PLUMB_LINE, ThinLine, fitted, rivals_of, thin_lines, why_not

__all__ = [
    "LEVEL_LINE",
    "PLUMB_LINE",
    "measure_reference",
    "place_sd_rad",
    "reference_points",
    "roll_from_line",
]

Array = NDArray[np.float64]
Luma = NDArray[np.uint8]

NAMES = {PLUMB_LINE: "plumb line", LEVEL_LINE: "level line"}
# From one look to the next: how far the line may move, as a share of the picture's width (a fast swing, a
# quick turn), and by how much its contrast may change.
JUMP_SHARE, JUMP_RAD, JUMP_CONTRAST, CHAIN_GAP_S = 0.06, math.radians(6), 2.5, 0.7
# A line followed in less of the clip is no reference; nor is one that had a rival in so many searches.
LEAST_FOLLOWED, MOST_RIVALLED = 0.5, 1 / 3
# Two plumb lines stand further apart than this share of the width.
LEAST_APART = 0.2
PAIR_CONTRAST = 1.6  # two strings of one reel before one wall
UNKNOWN_PITCH_SD_DEG = 30.0
WALL_SD_RAD = math.radians(2.5)


@dataclass(frozen=True)
class _Mark:
    """One line of one look: normal, covariance (roll, pitch) of it, shared part of its diagonal, rad^2."""

    normal: Array
    covariance: Array
    shared: Array
    middle_px: float
    contrast_grey: float
    quality: float


@dataclass(frozen=True)
class _Look:
    """``searched``: the whole picture was searched; ``rival``: and a second line was as good."""

    frame: int
    t_s: float
    marks: tuple[_Mark, ...]
    reason: str
    searched: bool
    rival: bool


def roll_from_line(kind: str, normals: Array, pitch_rad: Array) -> tuple[Array, Array]:
    """Roll (k,) at known pitches, and how much it changes with the pitch (k,), rad and rad/rad.

    ``kind``: "plumb_line" or "level_line". ``normals`` (k, 3): of the plane through line and camera, either
    sign. ``pitch_rad`` (k,). Of the two solutions the one nearer to 0, the camera upright; NaN where the
    normal is NaN, or where no roll has this line plumb at this pitch.
    """
    n = np.asarray(normals, float).reshape(-1, 3)
    pitch = np.broadcast_to(np.asarray(pitch_rad, float), len(n))
    if kind == LEVEL_LINE:
        way = np.where(n[:, 1] > 0, -1.0, 1.0)[:, None]
        return angles_from_up(way * n)[0], np.where(np.isfinite(n[:, 0]), 0.0, np.nan)
    # n . up = 0 reads n_x sin(roll) + n_y cos(roll) = n_z tan(pitch): a sine of roll plus an angle.
    flat = np.hypot(n[:, 0], n[:, 1])
    turn = np.arctan2(n[:, 1], n[:, 0])
    with np.errstate(invalid="ignore", divide="ignore"):
        sine = n[:, 2] * np.tan(pitch) / flat
        raised = np.arcsin(np.where(np.abs(sine) <= 1, sine, np.nan))
    both = np.radians(wrap_deg(np.degrees(np.stack([raised - turn, math.pi - raised - turn]))))
    nearer = np.abs(both[0]) <= np.abs(both[1])
    roll = np.where(nearer, both[0], both[1])
    cosine = np.where(nearer, 1.0, -1.0) * np.cos(raised)
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = n[:, 2] / np.cos(pitch) ** 2 / (flat * cosine)
    return np.asarray(roll), np.asarray(slope)


def place_sd_rad(
    kind: str, normals: Array, pitch_rad: Array, *, pitch_sd_rad: float, wall_sd_rad: float = WALL_SD_RAD
) -> Array:
    """What the place of a line adds to the sd of its roll (k,), rad, where the pitch is known to an sd.

    A plumb line off the lens axis leans with the pitch; a level line above or below the lens by
    tan(elevation) sin(turn of the wall from square), and the pitch says how far above. Arguments as of
    :func:`roll_from_line`.
    """
    if kind == PLUMB_LINE:
        return np.asarray(np.abs(roll_from_line(kind, normals, pitch_rad)[1]) * pitch_sd_rad)
    n = np.asarray(normals, float).reshape(-1, 3)
    up = np.where(n[:, 1] > 0, -1.0, 1.0)[:, None] * n
    above = np.tan(angles_from_up(up)[1] - pitch_rad)
    return np.asarray(np.hypot(above, math.tan(pitch_sd_rad)) * math.sin(wall_sd_rad))


def reference_points(luma: Luma, lens: Lens, normal: Array) -> EdgePoints:
    """Points of the thin line of a measured frame, fitted once more from its normal; none if that fails."""
    kind = PLUMB_LINE if abs(normal[0]) > abs(normal[1]) else LEVEL_LINE
    line = fitted(luma, lens, np.asarray(normal, float), kind)
    if line is None:
        return EdgePoints(np.empty((0, 2)), np.empty(0, bool))
    return EdgePoints(pixels(lens, line.edges.rays), line.fit.agreeing)


def measure_reference(
    facts: ClipFacts,
    lens: Lens,
    *,
    kind: str,
    lines: int = 1,
    accuracy_rad: float = 0.0,
    upright: bool = False,
    pitch_sd_rad: float = math.radians(3),
    wall_sd_rad: float = WALL_SD_RAD,
    until_s: float = math.inf,
    executor: Executor | None = None,
    progress: Callable[[float], None] | None = None,
) -> ClipTrack:
    """Roll against a plumb line or a level line in the frames of a clip, five looks a second or more.

    ``kind``: "plumb_line" or "level_line". ``lines``: plumb lines in the picture, 1 or 2; two give pitch too.
    ``accuracy_rad``: sd of the line itself from true. ``upright``: the camera was not upside down; else the
    picture does not tell, and the reading nearer to level is given. ``pitch_sd_rad``: of the pitch at which
    the roll of one line is read, which is 0 here. ``wall_sd_rad``: of a level line's wall from square to the
    lens. ``until_s``: clip time up to which frames are read. ``executor``, ``progress``: as of
    :func:`horizon.measure.measure_clip`.

    Raises
    ------
    ClipError
        The clip cannot be opened, or no frame of it decodes.
    """
    measure = partial(_measure_run, lens=lens, kind=kind, count=lines)
    looks, covered, reader = look_through(facts, until_s, measure, executor, progress)
    looks = _one_line(looks, lens, kind)
    normals, swing = _without_swing(looks, kind, lines)
    name = facts.path.name
    table = _table(name, looks, normals, swing, kind, accuracy_rad, pitch_sd_rad, wall_sd_rad)
    notes = () if swing is None or not swing.words else (f"{name}: the plumb line {swing.words}",)
    return ClipTrack(
        name,
        table,
        facts,
        reader.frames_read,
        reader.damage,
        "picture" if upright else "unknown",
        0.0,
        pd.DataFrame(columns=["t_s", "yaw_rate_dps", "yaw_rate_sd_dps"], dtype=float),
        covered,
        kind,
        normals[:, 0],
        (*reader.notes, *notes),
    )


def _measure_run(
    run: Iterable[Frame], covered: Luma | None, *, lens: Lens, kind: str, count: int
) -> list[_Look]:
    """Looks of neighbouring frames; each follows the lines of the last one measured."""
    cv2.setNumThreads(1)
    looks: list[_Look] = []
    known: list[ThinLine] = []
    for frame in run:
        followed = [_followed(frame.luma, lens, line, kind, covered) for line in known]
        lines = [line for line in followed if line is not None]
        reason, searched, rival = "", False, False
        if not known or len(lines) < len(known):
            lines, reason, rival = _found(frame.luma, lens, kind, count, covered)
            searched = True
        known = lines
        marks = tuple(_mark(line) for line in lines)
        looks.append(_Look(frame.index, frame.t_s, marks, reason, searched, rival))
    return looks


def _followed(luma: Luma, lens: Lens, before: ThinLine, kind: str, covered: Luma | None) -> ThinLine | None:
    """The same line in the next frame; None when it is lost."""
    area = picture_area(luma)
    line = fitted(luma, lens, before.normal, kind, area=area, covered=covered)
    if line is None or why_not(line, lens, area, kind):
        return None
    return line if _alike(line.contrast_grey, before.contrast_grey) else None


def _alike(contrast: float, other: float) -> bool:
    return contrast * other > 0 and 1 / JUMP_CONTRAST < contrast / other < JUMP_CONTRAST


def _found(
    luma: Luma, lens: Lens, kind: str, count: int, covered: Luma | None
) -> tuple[list[ThinLine], str, bool]:
    """The lines of a searched picture, or none and the reason, and whether that is a rival."""
    name = NAMES[kind]
    middle, beside = thin_lines(luma, lens, kind, covered)
    if count == 1:
        if not middle:
            return [], "no thin line through the picture's middle", False
        if rivals_of(middle[0], middle, beside):
            return [], f"two lines could be the {name}", True
        return middle[:1], "", False
    found = sorted([*middle, *beside], key=lambda line: -line.strength)
    if len(found) < 2:
        return [], f"fewer than two {name}s in the picture", False
    if len(found) > 2 and rivals_of(found[1], found[2:], []):
        return [], f"more than two lines could be the {name}s", True
    if not 1 / PAIR_CONTRAST < found[0].contrast_grey / found[1].contrast_grey < PAIR_CONTRAST:
        return [], f"no two lines that look alike enough to be the {name}s", False
    pair = sorted(found[:2], key=lambda line: line.middle_px)
    if pair[1].middle_px - pair[0].middle_px < LEAST_APART * lens.width_px:
        return [], f"the two {name}s are too close together", False
    return pair, "", False


def _mark(line: ThinLine) -> _Mark:
    return _Mark(
        line.normal,
        line.covariance,
        line.shared_variance,
        line.middle_px,
        line.contrast_grey,
        line.fit.inlier_share,
    )


def _one_line(looks: list[_Look], lens: Lens, kind: str) -> list[_Look]:
    """The looks, those refused that follow another line than most, or all where no line is clear."""
    name = NAMES[kind]
    searches = [look for look in looks if look.searched and (look.marks or look.rival)]
    if searches and np.mean([look.rival for look in searches]) >= MOST_RIVALLED:
        return [_refused(look, f"two lines could be the {name}") for look in looks]
    chains: list[list[int]] = []
    for k, look in enumerate(looks):
        if not look.marks:
            continue
        before = looks[chains[-1][-1]] if chains else None
        if before is not None and _goes_on(before, look, lens):
            chains[-1].append(k)
        else:
            chains.append([k])
    if not chains:
        return looks
    longest = max(chains, key=len)
    # The same line found again after a gap: it must look the same and stand where it stood.
    level = float(np.median([looks[k].marks[0].contrast_grey for k in longest]))
    kept = set(longest)
    for chain in chains:
        own = float(np.median([looks[k].marks[0].contrast_grey for k in chain]))
        near = any(
            _moved_little(looks[chain[0]], looks[k], lens, reach=0.5) for k in (longest[0], longest[-1])
        )
        if _alike(own, level) and 0.7 < own / level < 1.4 and near:
            kept |= set(chain)
    if len(kept) < LEAST_FOLLOWED * len(looks):
        return [_refused(look, "no thin line can be followed through the clip") for look in looks]
    return [
        look if k in kept or not look.marks else _refused(look, "another line than in the rest of the clip")
        for k, look in enumerate(looks)
    ]


def _goes_on(before: _Look, look: _Look, lens: Lens) -> bool:
    return look.t_s - before.t_s <= CHAIN_GAP_S and _moved_little(before, look, lens)


def _moved_little(before: _Look, look: _Look, lens: Lens, reach: float = 1.0) -> bool:
    """Whether the lines of two looks are in much the same place and look alike."""
    return len(before.marks) == len(look.marks) and all(
        abs(old.middle_px - new.middle_px) <= reach * JUMP_SHARE * lens.width_px
        and abs(_line_roll(old.normal) - _line_roll(new.normal)) <= JUMP_RAD
        and _alike(new.contrast_grey, old.contrast_grey)
        for old, new in zip(before.marks, look.marks, strict=True)
    )


def _line_roll(normal: Array) -> float:
    return float(angles_from_up(normal)[0])


def _refused(look: _Look, reason: str) -> _Look:
    # What a frame lacked by itself is said of it still.
    return _Look(look.frame, look.t_s, (), look.reason or reason, look.searched, look.rival)


def _without_swing(looks: list[_Look], kind: str, count: int) -> tuple[Array, Swing | None]:
    """Normals (looks, lines, 3), NaN where not measured, with the swing taken off, and what it was."""
    normals = np.full((len(looks), count, 3), np.nan)
    for k, look in enumerate(looks):
        if look.marks:
            normals[k] = [mark.normal for mark in look.marks]
    seen = np.array([bool(look.marks) for look in looks])
    if kind == LEVEL_LINE or seen.sum() < 2:
        return normals, None
    t_s = np.array([look.t_s for look in looks])[seen]
    worst: Swing | None = None
    for line in range(count):
        noise = np.array([math.sqrt(_noise(look.marks[line])) for look in looks if look.marks])
        roll, pitch = angles_from_up(normals[seen, line])
        swing = fit_swings(t_s, np.column_stack([roll, pitch]), float(np.median(noise)))
        normals[seen, line] = up_from_angles(*(np.column_stack([roll, pitch]) - swing.off_rad).T)
        if worst is None or swing.mean_sd_rad > worst.mean_sd_rad or (swing.words and not worst.words):
            worst = swing
    return normals, worst


def _noise(mark: _Mark) -> float:
    return max(float(mark.covariance[0, 0] - mark.shared[0]), 1e-14)


def _table(
    clip: str,
    looks: list[_Look],
    normals: Array,
    swing: Swing | None,
    kind: str,
    accuracy_rad: float,
    pitch_sd_rad: float,
    wall_sd_rad: float,
) -> pd.DataFrame:
    swing_sd = (0.0, 0.0) if swing is None else (swing.mean_sd_rad, swing.wander_sd_rad)
    level = np.zeros(len(looks))
    place = place_sd_rad(
        kind, normals[:, 0], level, pitch_sd_rad=pitch_sd_rad, wall_sd_rad=wall_sd_rad
    ).tolist()
    rows: list[tuple[float | int | str, ...]] = []
    for look, own, placed in zip(looks, normals, place, strict=True):
        nan = math.nan
        if not look.marks:
            rows.append((clip, look.frame, look.t_s, *[nan] * 5, look.reason, *[nan] * 6, ""))
        elif len(look.marks) == 1:
            sds = _sds(look.marks[0], swing_sd, math.hypot(accuracy_rad, placed))
            rows.append(_one(clip, look, own[0], kind, np.degrees(sds)))
        else:
            rows.append(_pair(clip, look, own, swing_sd, accuracy_rad))
    table = pd.DataFrame(rows, columns=TRACK_COLUMNS)
    return table.astype({"frame": int, "reason": str, "claims": str})


def _sds(mark: _Mark, swing_sd: tuple[float, float], common: float) -> tuple[float, float, float]:
    """Sd of the line, of what all frames share, and of all together, rad."""
    mean, wander = swing_sd
    line = math.sqrt(mark.covariance[0, 0] + mean**2 + wander**2)
    shared = math.sqrt(mark.shared[0] + mean**2 + common**2)
    return line, shared, math.hypot(line, common)


def _one(clip: str, look: _Look, normal: Array, kind: str, sds_deg: Array) -> tuple[float | int | str, ...]:
    roll, _ = roll_from_line(kind, normal[None], np.zeros(1))
    line, shared, total = sds_deg.tolist()
    wide = UNKNOWN_PITCH_SD_DEG
    before = (clip, look.frame, look.t_s, math.degrees(roll[0]), 0.0, total, wide, look.marks[0].quality, "")
    return (*before, line, wide, shared, wide, -wide, wide, ROLL_ONLY)


def _pair(
    clip: str, look: _Look, normals: Array, swing_sd: tuple[float, float], accuracy_rad: float
) -> tuple[float | int | str, ...]:
    """Roll and pitch of two plumb lines, their errors carried on through the cross product."""
    mean, wander = swing_sd
    angles = np.column_stack(angles_from_up(normals))
    at = _from_pair(angles)
    step = 1e-6
    change = np.zeros((2, 4))
    for k in range(4):
        moved = angles.copy()
        moved[k // 2, k % 2] += step
        change[:, k] = (_from_pair(moved) - at) / step
    noise, shared = np.zeros(4), np.zeros(4)
    for k, mark in enumerate(look.marks):
        variance = np.diag(mark.covariance)
        noise[2 * k : 2 * k + 2] = variance - mark.shared
        shared[2 * k : 2 * k + 2] = mark.shared
        noise[2 * k] += wander**2
        shared[2 * k] += mean**2
    line2, shared2 = change**2 @ (noise + shared), change**2 @ shared
    common = accuracy_rad**2
    roll, pitch = np.degrees(at)
    line, both = np.degrees(np.sqrt(line2)), np.degrees(np.sqrt(shared2 + common))
    total = np.degrees(np.sqrt(line2 + common))
    low, high = pitch - 1.96 * total[1], pitch + 1.96 * total[1]
    quality = min(mark.quality for mark in look.marks)
    before = (clip, look.frame, look.t_s, float(roll), float(pitch), *total.tolist(), quality, "")
    return (*before, *line.tolist(), *both.tolist(), float(low), float(high), PITCH_TOO)


def _from_pair(angles: Array) -> Array:
    """Roll and pitch, the reading nearer to upright, of two planes' normals given by their angles (2, 2)."""
    one, two = up_from_angles(angles[:, 0], angles[:, 1])
    up = np.cross(one, two)
    return np.array(angles_from_up(up if up[1] < 0 else -up))
