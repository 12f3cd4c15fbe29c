"""What a report says, as rows and sentences: page and terminal share them, so that both say the same."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from attitude.corrections import COLUMNS
from attitude.findings import Combination, Estimate
from attitude.infer import MG_PER_DEG, picture_lean
from attitude.lookalikes import LENS_FILE
from attitude.moves import ORDINARY
from attitude.picture import out_of_tolerance
from attitude.reference_lines import reference_words
from attitude.report.advice import shot_words
from attitude.report.material import Material
from attitude.report.player import review_s
from attitude.residuals import clip_sheet_of
from attitude.verdict import CONDITIONS, ONLY_THE_SUM, time_words
from attitude.words import (
    POSE_WORDS,
    chance_words,
    lean_words,
    member_words,
    pitch_words,
    places,
    plain,
    printable,
    range_words,
    sum_words,
    with_uncertainty,
)
from horizon.selfcheck import SMALL_DEG

# fmt: off
__all__ = [
    "OPEN", "CauseRow", "ClipRow", "LeanRow", "SizeRow", "TurnRow", "afterwards", "cause_rows",
    "chance_sentence", "clip_rows", "conditions_filmed", "conditions_not_filmed", "frames_sentence",
    "lean_rows", "mounting_rows", "offset_rows", "other_rows",
    "reasons", "self_check_rows", "self_check_sentence", "self_check_size", "sum_sentence",
    "time_sentence", "turn_rows", "turn_words", "usual_lean_words",
]
# fmt: on

OPEN = "open: this footage does not tell"
LITTLE = 0.005

EXPLAINED = {
    "sensor_offset": "The sensor feels a steady sideways pull that is not there and levels the camera to it.",
    "mounting": "The camera sits turned against its sensor: seat, sensor axes, or a steady gyro bias.",
    "turns": "The pull of a turn is taken for a part of gravity.",
    "warm_up": "The sensor reads differently until it is warm.",
    "ground_not_level": "The visible skyline itself is not level.",
    "not_held": "The log shows the lean too: the gimbal does not reach the level that its sensor sees.",
    "gyro_bias": "A steady error of the turn rate holds the sensor's level a little off.",
    "none": "Everything found is of the size that a rig in good order shows.",
}
# What a sum of unknowns leans at level, and which way; sums of others stay formulae.
ROLLS = dict.fromkeys(
    ("sensor_offset.sideways", "mounting.roll", "warm_up.sideways", "mounting.seat", "gyro_bias.roll"), 1.0
)
PITCHES = {"mounting.pitch": 1.0, "sensor_offset.along_lens": -1.0}


@dataclass(frozen=True)
class LeanRow:
    """One line of the lean: name, words, and the interval to draw (None: not known)."""

    name: str
    words: str
    estimate: Estimate | None


@dataclass(frozen=True)
class ClipRow:
    """One clip: against what, frames measured of those looked at, mean lean, time out, damage."""

    clip: str
    shot: str
    against: str
    frames: str
    lean: str
    out: str
    worst: str
    damage: str


@dataclass(frozen=True)
class CauseRow:
    """One cause in words, its chance, and what it means."""

    name: str
    chance: str
    percent: float
    explained: str


@dataclass(frozen=True)
class SizeRow:
    """One unknown: its name, its size and what that does to the picture."""

    name: str
    size: str
    effect: str


@dataclass(frozen=True)
class TurnRow:
    """One stretch for the editor."""

    clip: str
    times: str
    turn: str
    cost: str
    enlarge: str
    review_s: float | None


def lean_rows(material: Material) -> list[LeanRow]:
    """The picture's lean, what the log knew of it, and the rest."""
    causes = material.causes
    rows = (
        ("The picture leans", causes.picture_lean, "not measured"),
        ("of which the log knew", causes.known_lean, "not known without a log of this picture"),
        ("settled and warm, log at level", causes.lean, "not known without a log of this picture"),
    )
    return [LeanRow(name, unknown if one is None else lean_words(one), one) for name, one, unknown in rows]


def chance_sentence(material: Material) -> str:
    """How probable it is that the lean is within the tolerance; empty when nothing was measured."""
    p = material.verdict.p_within_tolerance
    if p is None:
        return ""
    tolerance = material.verdict.tolerance_deg
    return (
        f"Chance of staying within {tolerance:g} deg, in the mean and in time, here and on the next shoot: "
        f"{chance_words(p)}"
    )


def time_sentence(material: Material) -> str:
    """Time out of tolerance and the worst five seconds; empty when nothing was measured."""
    out = material.causes.out_of_tolerance
    if out is None:
        return ""
    return time_words(out, material.causes.picture_lean, material.verdict.tolerance_deg)


def frames_sentence(material: Material) -> str:
    """How many frames were read, looked at and measured, and why the others were not."""
    counts = material.result["frames"]
    refused = counts["not_measured"]
    looked = counts["measured"] + sum(refused.values())
    read = f"{counts['read']} {'frame' if counts['read'] == 1 else 'frames'} read"
    words = f"{read}, {looked} looked at, {counts['measured']} measured"
    if refused:
        words += "; not measured: " + ", ".join(f"{n} ({printable(why)})" for why, n in refused.items())
    return words


def clip_rows(material: Material) -> list[ClipRow]:
    """One row per clip, those in which nothing was measured included."""
    kept = material.kept
    tolerance = material.verdict.tolerance_deg
    rows = []
    for track in material.tracks:
        shot, sheet = _shots(track.clip, material), clip_sheet_of(track.clip, material.shoot)
        against = reference_words(sheet)
        told = track.sky != "unknown" or material.residuals is not None
        measured = int(track.track["roll_deg"].notna().sum()) if told else 0
        frames = f"{measured} of {len(track.track)}"
        part = kept[kept["clip"] == track.clip]
        out = out_of_tolerance(part, tolerance)
        if part.empty or out is None:
            rows.append(ClipRow(track.clip, shot, against, frames, "not measured", "", "", track.damage))
            continue
        lean = usual_lean_words(part)
        mean = picture_lean(part)
        worst = "" if mean is None else lean_words(replace(mean, value=out.worst_5s_deg))
        out_s = f"{out.seconds / sheet.time_scale:.0f} s"
        rows.append(ClipRow(track.clip, shot, against, frames, lean, out_s, worst, track.damage))
    return rows


def _shots(clip: str, material: Material) -> str:
    """The clip's shot as told, or those that were found in it."""
    told = clip_sheet_of(clip, material.shoot).shot
    if told != ORDINARY or material.residuals is None:
        return shot_words(told)
    frames = material.residuals.frames
    found = frames.loc[frames["clip"] == clip, "shot"].unique().tolist()
    return ", ".join(shot_words(shot) for shot in found if shot != ORDINARY) or shot_words(told)


def usual_lean_words(frames: pd.DataFrame) -> str:
    """Mean lean of one clip in the pose that most of its frames have; ``frames`` as of ``footage_roll``."""
    pose = float(frames["pose_deg"].mode().iloc[0])
    lean = picture_lean(frames[frames["pose_deg"] == pose])
    words = "not measured" if lean is None else lean_words(lean)
    return words + (f" (filmed {POSE_WORDS[abs(pose)]}, seen upright)" if abs(pose) in POSE_WORDS else "")


def reasons(material: Material) -> list[str]:
    """What the decision rests on, but for the sums, which have sentences of their own."""
    return [text for text in material.verdict.reasons if not text.startswith(ONLY_THE_SUM)]


def cause_rows(material: Material) -> list[CauseRow]:
    """Causes worth naming, most probable first."""
    return [
        CauseRow(plain(c.name), chance_words(c.probability), 100 * c.probability, EXPLAINED[c.name])
        for c in material.causes.causes
        if c.probability >= LITTLE
    ]


def offset_rows(material: Material) -> list[SizeRow]:
    """The sensor's offset per axis, the board's own axis in brackets, as mg and as lean."""
    known = material.causes.offset_mg
    axes = _board_axes(material)
    rows = []
    for name, axis in zip(("sideways", "vertical", "along_lens"), axes, strict=True):
        one = known.get(name)
        if one is None:
            continue
        title = f"{name.replace('_', ' ')}{axis}"
        if not one.determined:
            low_deg, high_deg = one.low / MG_PER_DEG, one.high / MG_PER_DEG
            rows.append(SizeRow(title, OPEN, range_words(low_deg, high_deg, "deg")))
            continue
        sign = -1.0 if name == "along_lens" else 1.0
        angle = Estimate(sign * one.value / MG_PER_DEG, one.sd / MG_PER_DEG, one.t95)
        effect = {
            "sideways": f"level: {lean_words(angle)}",
            "vertical": (
                f"none while level; {with_uncertainty(abs(angle.value), angle.half_width, 'deg')} with the "
                "camera on its side"
            ),
            "along_lens": f"level: {pitch_words(angle)}",
        }[name]
        rows.append(SizeRow(title, with_uncertainty(one.value, one.half_width, "mg"), effect))
    return rows


def mounting_rows(material: Material) -> list[SizeRow]:
    """How the camera sits against its sensor, per turn."""
    rows = []
    for turn, one in material.causes.mounting_deg.items():
        if not one.determined:
            rows.append(SizeRow(turn, OPEN, range_words(one.low, one.high, "deg")))
            continue
        side = "right" if one.value >= 0 else "left"
        words = {
            "roll": lean_words(one),
            "pitch": pitch_words(one),
            "yaw": f"turned {side} by {with_uncertainty(abs(one.value), one.half_width, 'deg')}",
        }[turn]
        rows.append(SizeRow(turn, words, ""))
    return rows


def other_rows(material: Material) -> list[SizeRow]:
    """Pitch, skyline, turns, warming up: what was found besides."""
    causes = material.causes
    rows = []
    if causes.pitch_offset is not None:
        rows.append(SizeRow("Pitch when the log says level", pitch_words(causes.pitch_offset), ""))
    for way, one in causes.skyline_deg.items():
        rows.append(SizeRow(f"Skyline towards {way}", _skyline_words(one), _if_open(one, "deg")))
    if causes.turns is not None:
        one = causes.turns
        size = (
            with_uncertainty(one.value, one.half_width, "deg per m/s² sideways") if one.determined else OPEN
        )
        rows.append(SizeRow("Leaning in turns", size, _if_open(one, "deg per m/s² sideways")))
    if causes.warm_up is not None:
        one = causes.warm_up
        words = lean_words(one) if one.determined else OPEN
        fading = _if_open(one, "deg") or f"fading over {causes.warm_up_s or 0:.0f} s"
        rows.append(SizeRow("At power-on, besides", words, fading))
    return rows


def _skyline_words(tilt: Estimate) -> str:
    if not tilt.determined:
        return OPEN
    size = with_uncertainty(abs(tilt.value), tilt.half_width, "deg")
    if round(abs(tilt.value), places(tilt.half_width)) == 0:
        return f"level ({size})"
    return f"{'falls' if tilt.value > 0 else 'rises'} by {size}"


def _if_open(one: Estimate, unit: str) -> str:
    return "" if one.determined else range_words(one.low, one.high, unit)


def sum_sentence(one: Combination) -> str:
    """What is known of unknowns that cannot be told apart, how each may lie, and the shot that would tell."""
    words = _sum_words(one)
    alone = "; ".join(
        f"{member_words(r.member)} {range_words(r.low_deg, r.high_deg, 'deg')}" for r in one.ranges
    )
    told = "the lens file tells" if one.film == LENS_FILE else f"film: {shot_words(one.film)}"
    return (
        f"{words[0].upper()}{words[1:]}: only the sum is known, {_shares(one)} deg fits"
        f"{f' (alone: {alone})' if alone else ''}. To split it, {told}."
    )


def _shares(one: Combination) -> str:
    """``anything from (0.61, 0) to (0, 0.61)``: all of it in the one member to all in the other, deg."""
    digits = places(1.96 * one.sd_deg)
    ends = []
    for k, (_, weight) in enumerate(one.weights):
        alone = f"{round(one.value_deg / weight, digits) + 0.0:.{digits}f}"
        ends.append(f"({', '.join(alone if j == k else '0' for j in range(len(one.weights)))})")
    return f"anything from {', '.join(ends[:-1])} to {ends[-1]}"


def _sum_words(one: Combination) -> str:
    for signs, words in ((ROLLS, lean_words), (PITCHES, pitch_words)):
        weights = [weight * signs[name] for name, weight in one.weights if name in signs]
        if len(weights) == len(one.weights) and np.allclose(weights, np.sign(weights[0]), atol=0.05):
            names = " and ".join(member_words(name) for name, _ in one.weights)
            return f"{names} together: {words(Estimate(weights[0] * one.value_deg, one.sd_deg))}"
    return f"{sum_words(one.weights)} = {with_uncertainty(one.value_deg, 1.96 * one.sd_deg, 'deg')}"


def conditions_filmed(material: Material) -> str:
    """Conditions that the decision covers, and the shots that were filmed."""
    terms = material.causes.terms
    shots = ", ".join(sorted(shot_words(shot) for shot in material.causes.shots))
    if terms is None:
        return shots
    conditions = ", ".join(CONDITIONS[name] for name in terms.conditions)
    return f"{conditions} (shots: {shots})" if shots else conditions


def conditions_not_filmed(material: Material) -> str:
    """Conditions that the decision does not cover; empty when all are."""
    terms = material.causes.terms
    left = [n for n in ("turns", "warm_up") if terms is None or n not in terms.conditions]
    return ", ".join(CONDITIONS[name] for name in left)


def afterwards(material: Material) -> str:
    """The lean predicted once the advice is followed; empty when none can be."""
    causes, action = material.causes, material.verdict.action
    if action == "recalibrate" and causes.after_recalibration is not None:
        return f"Once the offset is gone: {lean_words(causes.after_recalibration)}."
    if action == "square_up" and causes.offset_lean is not None and causes.offset_lean.determined:
        return f"Once the camera is square to its sensor: {lean_words(causes.offset_lean)}."
    return ""


def turn_rows(material: Material) -> list[TurnRow]:
    """The editor's table in words."""
    rows = []
    columns = [material.corrections[name] for name in COLUMNS]
    for name, from_s, to_s, turn_deg, crop_percent in zip(*columns, strict=True):
        clip = str(name)
        turn, crop = float(turn_deg), float(crop_percent)
        enlarge = 100 / np.sqrt(1 - crop / 100)
        cost = f"{crop:.1f} % of the picture" if turn else ""
        times = f"{float(from_s):.1f} to {float(to_s):.1f} s"
        enlarged = f"{enlarge:.1f} %" if turn else ""
        there = review_s(material.review, clip, float(from_s))
        rows.append(TurnRow(clip, times, turn_words(turn), cost, enlarged, there))
    return rows


def turn_words(turn_deg: float) -> str:
    """``clockwise by 0.60 deg``."""
    if turn_deg == 0:
        return "leave as it is"
    return f"{'clockwise' if turn_deg > 0 else 'counter-clockwise'} by {abs(turn_deg):.2f} deg"


def self_check_sentence(material: Material) -> str:
    """What turned frames were read as, or that the measuring fails; empty where nothing was checked."""
    one = material.self_check
    if one is None:
        return ""
    if not one.turned:
        if material.shoot.indoors:
            return "not done: it is for horizons, and no clip shows one"
        return "not done: no measured frame keeps its horizon in the picture when turned by 12 deg"
    if one.rows.empty:
        return f"not done: all {one.turned} turned pictures were refused"
    if one.defects:
        return f"the measuring fails it, do not rely on these numbers: {'; '.join(one.defects)}"
    words = f"{_counted(one.frames, 'frame')} turned by known angles and measured afresh"
    if np.isfinite(one.small_deg):
        half = max(1.96 * one.small_sd_deg, 0.001)
        words += f": turned by {SMALL_DEG:g} deg, read {with_uncertainty(one.small_deg, half, 'deg')}"
    refused = f"{one.lost} of {one.turned} refused" if one.lost else f"none of {one.turned} pictures refused"
    return f"{words}; worst {one.worst_deg:.2f} deg off; {refused}"


def self_check_size(material: Material) -> str:
    """Scale and common error of the measuring; empty where they are not known."""
    one = material.self_check
    if one is None or not np.isfinite(one.scale):
        return ""
    scale = with_uncertainty(one.scale, max(1.96 * one.scale_sd, 0.0001), "").strip()
    bias = with_uncertainty(one.bias_deg, max(1.96 * one.bias_sd_deg, 0.001), "deg")
    return f"read = {scale} x turned; common to all readings (right side down +): {bias}"


def self_check_rows(material: Material) -> list[SizeRow]:
    """Per turn: the mean reading, and the error as a size."""
    one = material.self_check
    if one is None:
        return []
    rows = []
    for (mirrored, turned_deg), part in one.rows.groupby(["mirrored", "turned_deg"]):
        off_deg = (part["read_deg"] - part["turned_deg"]).to_numpy(float)
        name = f"{turned_deg:g} deg{', mirrored' if mirrored else ''}"
        read = f"{part['read_deg'].mean():.3f} deg in the mean of {_counted(len(part), 'frame')}"
        rows.append(SizeRow(name, read, f"up to {np.abs(off_deg).max():.3f} deg"))
    return rows


def _counted(count: int, thing: str) -> str:
    return f"{count} {thing}{'' if count == 1 else 's'}"


def _board_axes(material: Material) -> Sequence[str]:
    """`` (board x)`` per camera axis right, down, forward; said only where the sheet tells it."""
    for sheet in material.shoot.logs:
        if sheet.attitude_of == "camera_sensor" and "sensor_axes" in sheet.given:
            return [f" (board {axis})" for axis in sheet.sensor_axes]
    return ("", "", "")
