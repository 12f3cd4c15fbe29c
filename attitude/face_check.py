"""A six-face capture judged as a whole: which faces to hold again, which constants, which lean they leave."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from attitude.capture import (
    FACES,
    Capture,
    CaptureError,
    CaptureSheet,
    StaticHold,
    face_axis,
    face_of,
    nearest_face,
)
from attitude.constants import Constants
from attitude.face_lean import Truth, left_by, moved_by, pose_words, truth_of, upright_face
from attitude.face_models import Model, by_level_face, by_matrix, by_nine, by_norm, by_pairs
from attitude.face_tilts import Tilts, face_tilts
from attitude.findings import Estimate
from attitude.sheet import LogSheet
from attitude.stillness import AVERAGE_SD_G, WANTED_MG, Stillness, stillness
from attitude.words import listed

__all__ = ["PROCEDURE_MODELS", "FaceFound", "FacesFound", "PairFound", "check_capture", "face_side"]

Array = NDArray[np.float64]

PROCEDURE_MODELS = {"offset_and_scale": "norm", "level_face": "level_face", "matrix": "matrix"}
MISSED_DEG = 0.1  # a third of the usual tolerance
CHOSEN_WITHIN = 2.5  # times what two bubbles differ by
WARMED_C = 3.0  # between the coldest face and the warmest
# A face that files or tables are called by: +x, x+, plus_x, neg-y.
CALLED = re.compile(
    r"(?:(\+|-|plus|pos|minus|neg)[ _-]?([xyz])|([xyz])[ _-]?(\+|-|plus|pos|minus|neg))", re.I
)


@dataclass(frozen=True)
class FaceFound:
    """One face: how it was held and what is wrong with it.

    words : which side is up. tilt_deg, tilt_sd_deg : (2,) towards the two lateral axes, off : probability
    that it was off level; None where only two faces are there. again : why it should be held again.
    """

    face: str
    words: str
    hold: StaticHold
    stillness: Stillness
    temperature_c: float | None = None
    tilt_deg: Array | None = None
    tilt_sd_deg: Array | None = None
    off: float | None = None
    again: tuple[str, ...] = ()

    @property
    def level_deg(self) -> Estimate | None:
        """How far the face was off level, whichever way; None where only two faces are there."""
        if self.tilt_deg is None or self.tilt_sd_deg is None:
            return None
        return Estimate(float(np.hypot(*self.tilt_deg)), float(np.sqrt(np.mean(self.tilt_sd_deg**2))))


@dataclass(frozen=True)
class FacesFound:
    """A capture of six faces.

    axes : board axes along camera right, down, forward; axes_told : whether they were told. procedure : as
    told, "offset_and_scale" otherwise. means_g : (6, 3) in the order of ``FACES``. lean : per model, lean and
    pitch error that it leaves; given_lean : what the sheet's own new constants leave, None without them.
    """

    sheet: CaptureSheet
    faces: tuple[FaceFound, ...]
    means_g: Array
    axes: tuple[str, ...]
    models: tuple[Model, ...]
    tilts: Tilts
    truth: Truth
    lean: dict[str, tuple[Estimate, Estimate]]
    given_lean: tuple[Estimate, Estimate] | None
    poses: int
    temperature_c: float | None
    warnings: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def axes_told(self) -> bool:
        """Whether the sheet says how the board sits."""
        return self.sheet.sensor_axes is not None

    @property
    def procedure(self) -> str:
        """How the gimbal works out its constants."""
        return self.sheet.procedure or "offset_and_scale"

    @property
    def model(self) -> Model:
        """Constants by the procedure."""
        return next(one for one in self.models if one.name == PROCEDURE_MODELS[self.procedure])

    @property
    def stored(self) -> Constants:
        """Constants in force from now on."""
        return self.sheet.new or self.model.constants

    @property
    def stored_lean(self) -> tuple[Estimate, Estimate]:
        """Lean and pitch error that these leave."""
        return self.given_lean or self.lean[self.model.name]

    @property
    def level_flown(self) -> bool:
        """Whether the face that would define level is the one that is up in flight."""
        return level_face(self.sheet, self.axes) == upright_face(self.axes)

    @property
    def missed(self) -> tuple[Estimate, Estimate] | None:
        """Lean and pitch by which constants given differ from those found here, None where they fit."""
        if self.sheet.new is None:
            return None
        # What is open of the sensor cancels, but not what is open of the readings.
        own_deg = float(np.degrees(self.models[0].offset_sd_g.max()))
        roll, pitch = (
            replace(one, sd=float(np.hypot(one.sd, own_deg)))
            for one in moved_by(self.model.constants, self.sheet.new, self.truth, self.axes)
        )
        far = any(abs(one.value) > max(MISSED_DEG, one.half_width) for one in (roll, pitch))
        return (roll, pitch) if far else None

    @property
    def again(self) -> tuple[FaceFound, ...]:
        """Faces to hold again."""
        return tuple(one for one in self.faces if one.again)

    @property
    def sound(self) -> bool:
        """Whether constants by the procedure may be used: no face to hold again, no scatter that harms."""
        return not self.again and not (self.tilts.scatters and self.procedure != "offset_and_scale")


@dataclass(frozen=True)
class PairFound:
    """Two opposite faces: holds for the inference, and what they tell by themselves.

    offset_mg : per board axis; across the faces the mean of both, known as far as the bubble is.
    """

    sheet: CaptureSheet
    faces: tuple[FaceFound, ...]
    axes: tuple[str, ...]
    offset_mg: tuple[Estimate, Estimate, Estimate]
    temperature_c: float | None
    warnings: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def again(self) -> tuple[FaceFound, ...]:
        """Faces to hold again."""
        return tuple(one for one in self.faces if one.again)


def check_capture(sheet: CaptureSheet, capture: Capture) -> FacesFound | PairFound:
    """Judge a capture of six faces, or of two opposite ones.

    Raises
    ------
    CaptureError
        A face is missing, held twice in place of another, or another one than it is called.
    """
    axes = sheet.sensor_axes or LogSheet.sensor_axes
    poses = [(hold, face_of(hold.mean_g)) for hold in capture.holds]
    _refuse_swapped(sheet, poses)
    by_face: dict[str, list[StaticHold]] = {}
    for hold, face in poses:
        if face:
            by_face.setdefault(face, []).append(hold)
    _refuse_missing(sheet, poses, by_face, axes)
    order = tuple(face for face in FACES if face in by_face)
    holds = _chosen(order, by_face, sheet.bubble_deg)
    notes = list(capture.notes)
    for face, hold in zip(order, holds, strict=True):
        if len(by_face[face]) > 1:
            times = len(by_face[face])
            notes.append(f"{face_side(face, sheet, axes)} came {times} times: {hold.name} counts")
    calm = stillness(holds, [face_axis(face)[0] for face in order])
    temperatures = [_mean(hold.temperature_c) for hold in holds]
    warnings = _warnings(sheet, holds, temperatures)
    known = [one for one in temperatures if one is not None]
    temperature_c = float(np.mean(known)) if known else None
    plain = [
        FaceFound(face, face_side(face, sheet, axes), hold, one, warm, again=_moved(one))
        for face, hold, one, warm in zip(order, holds, calm, temperatures, strict=True)
    ]
    if len(order) == 2:
        offset = _pair_offset(plain, np.radians(sheet.bubble_deg))
        return PairFound(sheet, tuple(plain), axes, offset, temperature_c, warnings, tuple(notes))
    return _six(sheet, capture, axes, plain, temperature_c, warnings, notes)


def _chosen(
    order: Sequence[str], by_face: Mapping[str, Sequence[StaticHold]], bubble_deg: float
) -> list[StaticHold]:
    """One hold per face: the last whose tilt the opposite face bears out, else the most level.

    A board that rests on the table between two faces lies with one of them up as well, but not level.
    """
    last = [by_face[face][-1] for face in order]
    if len(order) < len(FACES) or all(len(holds) == 1 for holds in by_face.values()):
        return last
    means = np.array([hold.mean_g for hold in last])
    # Tilts hardly enter the offset, so that any of the holds tells it.
    offset = np.array(by_norm(means, np.full(6, AVERAGE_SD_G)).constants.offset_g)
    limit = CHOSEN_WITHIN * np.sqrt(2) * np.radians(bubble_deg)
    chosen: list[StaticHold] = []
    for axis in range(3):
        up, down = FACES[2 * axis], FACES[2 * axis + 1]
        pairs = [(a, b) for a in reversed(by_face[up]) for b in reversed(by_face[down])]
        sums = []
        for a, b in pairs:
            both = np.delete(a.mean_g + b.mean_g - 2 * offset, axis)
            sums.append(float(np.linalg.norm(both)))
        near = [k for k, size in enumerate(sums) if size <= limit]
        chosen += pairs[near[0] if near else int(np.argmin(sums))]
    return chosen


def _six(
    sheet: CaptureSheet,
    capture: Capture,
    axes: tuple[str, ...],
    plain: Sequence[FaceFound],
    temperature_c: float | None,
    warnings: tuple[str, ...],
    notes: Sequence[str],
) -> FacesFound:
    means = np.array([one.hold.mean_g for one in plain])
    noise = np.array([one.stillness.mean_sd_g for one in plain])
    norm = by_norm(means, noise)
    tilts = face_tilts(means, np.array(norm.constants.offset_g), noise, sheet.bubble_deg)
    bubble = np.radians(tilts.bubble_deg)
    level = level_face(sheet, axes)
    models = [
        norm,
        by_pairs(means, noise, bubble),
        by_level_face(means, noise, bubble, level),
        by_matrix(means, noise, bubble),
    ]
    every = np.array([hold.mean_g for hold in capture.holds])
    nine = by_nine(every, np.full(len(every), float(noise.mean())))
    if nine is not None:
        models.append(nine)
    truth = truth_of(means, noise, norm, tilts)
    lean = {one.name: left_by(one.constants, truth, axes) for one in models}
    faces = tuple(
        replace(
            one,
            tilt_deg=tilts.tilt_deg[k],
            tilt_sd_deg=tilts.tilt_sd_deg[k],
            off=float(tilts.off[k]),
            again=(*one.again, *(("off level",) if one.face in tilts.suspects else ())),
        )
        for k, one in enumerate(plain)
    )
    return FacesFound(
        sheet,
        faces,
        means,
        axes,
        tuple(models),
        tilts,
        truth,
        lean,
        None if sheet.new is None else left_by(sheet.new, truth, axes),
        len(capture.holds),
        temperature_c,
        (*_scatter(sheet, tilts), *_other_level(sheet, axes), *warnings),
        tuple(notes),
    )


def _scatter(sheet: CaptureSheet, tilts: Tilts) -> tuple[str, ...]:
    if not tilts.scatters:
        return ()
    harm = (
        "hold all of them again"
        if sheet.procedure in ("level_face", "matrix")
        else "offset and scale only takes no harm from it"
    )
    return (
        f"The faces scatter by {tilts.bubble_deg:.2g} deg, the bubble allows {sheet.bubble_deg:.2g} deg: "
        f"a better bubble, or more patience; {harm}",
    )


def level_face(sheet: CaptureSheet, axes: tuple[str, ...]) -> str:
    """The face that "level_face" takes for level: as told, else the one that is up in flight."""
    return sheet.level_face or upright_face(axes)


def _other_level(sheet: CaptureSheet, axes: tuple[str, ...]) -> tuple[str, ...]:
    flown, level = upright_face(axes), level_face(sheet, axes)
    if sheet.procedure != "level_face" or level == flown:
        return ()
    return (
        f"Level is taken from {face_side(level, sheet, axes)}, but {face_side(flown, sheet, axes)} is up in "
        "flight: what one axis reads of another then leans the picture as well; take that face for level",
    )


def _pair_offset(faces: Sequence[FaceFound], bubble: float) -> tuple[Estimate, Estimate, Estimate]:
    means = np.array([one.hold.mean_g for one in faces])
    noise = float(np.linalg.norm([one.stillness.mean_sd_g for one in faces])) / 2
    axis = face_axis(faces[0].face)[0]
    offsets = []
    for k, value in enumerate(means.mean(axis=0)):
        # Along the faces the tilt enters by its square; across them whole, of both faces together.
        tilt = np.sqrt(0.5) * bubble**2 if k == axis else bubble / np.sqrt(2)
        offsets.append(Estimate(1000 * float(value), 1000 * float(np.hypot(noise, tilt))))
    return offsets[0], offsets[1], offsets[2]


def _moved(one: Stillness) -> tuple[str, ...]:
    """What moved in a hold, and whether it was too short, in words."""
    said = []
    if one.drifts and one.drift_deg is not None:
        said.append(f"drifted by {np.hypot(*one.drift_deg):.2f} deg while it was held")
    if one.bumped:
        said.append(f"bumped by {one.bump_mg:.1f} mg at {one.bump_s:.1f} s")
    if one.turned:
        said.append("turned while it was held, by the gyro")
    if one.needed_s is not None and 1000 * one.mean_sd_g > 2 * WANTED_MG:
        said.append(f"too short for its noise; hold it {one.needed_s:.0f} s")
    return tuple(said)


def _warnings(
    sheet: CaptureSheet, holds: Sequence[StaticHold], temperatures: Sequence[float | None]
) -> tuple[str, ...]:
    known = [one for one in temperatures if one is not None]
    said = []
    if known and max(known) - min(known) > WARMED_C:
        span = f"{min(known):.0f} to {max(known):.0f} °C"
        said.append(
            f"The board warmed or cooled during the capture, {span}: let it warm up, then hold all six"
        )
    if all(hold.period_s is None for hold in holds):
        said.append("Only averages are given: whether the board was still cannot be told")
    return tuple(said)


def _mean(values: Array | None) -> float | None:
    known = None if values is None else values[np.isfinite(values)]
    return None if known is None or not known.size else float(known.mean())


def face_side(face: str, sheet: CaptureSheet, axes: tuple[str, ...]) -> str:
    """Which side is up, in the operator's words where the sheet has some."""
    if face in sheet.words:
        return f"{sheet.words[face]} ({face})"
    if sheet.sensor_axes is not None:
        return f"{pose_words(face, axes)} ({face})"
    return f"{face} side up"


def called(label: str) -> str:
    """Face that a label names, "" for none."""
    found = CALLED.fullmatch(label.strip())
    if found is None:
        return ""
    sign, axis = (found[1], found[2]) if found[2] else (found[4], found[3])
    return ("+" if sign.lower() in ("+", "plus", "pos") else "-") + axis.lower()


def _refuse_swapped(sheet: CaptureSheet, poses: Sequence[tuple[StaticHold, str]]) -> None:
    wrong = [(hold, called(hold.label), face) for hold, face in poses if called(hold.label) not in ("", face)]
    if not wrong:
        return
    hold, name, face = wrong[0]
    reads = ", ".join(f"{1000 * value:+.0f}" for value in hold.mean_g)
    is_face = f"the face {face}" if face else "none of the six faces"
    mend = "correct its name, or hold the face again"
    told = [called(hold.label) for hold, _ in poses if called(hold.label)]
    if len(wrong) == len(told) > 2 and all(name[1:] == face[1:] for _, name, face in wrong):
        mend = 'all are the other way round: write accelerometer_sign = "up_reads_minus" in faces.toml'
    raise CaptureError(f"{hold.name}: is called {name} but reads {reads} mg along x, y, z, {is_face}; {mend}")


def _refuse_missing(
    sheet: CaptureSheet,
    poses: Sequence[tuple[StaticHold, str]],
    by_face: Mapping[str, Sequence[StaticHold]],
    axes: tuple[str, ...],
) -> None:
    missing = [face for face in FACES if face not in by_face]
    if not missing:
        return
    if len(by_face) == 2 and len({face[1] for face in by_face}) == 1:
        return
    count = Counter(face for _, face in poses if face)
    lacking = listed([face_side(face, sheet, axes) for face in missing])
    twice = [face for face, times in count.items() if times > 1]
    if twice:
        names = listed([hold.name for hold, face in poses if face == twice[0]])
        same = f"{face_side(twice[0], sheet, axes)} was held {count[twice[0]]} times ({names})"
        raise CaptureError(f"{sheet.path.name}: {same}, {lacking} not at all; hold each face once")
    for hold, face in poses:
        nearest, cosine = nearest_face(hold.mean_g)
        if not face and nearest in missing:
            off_deg = np.degrees(np.arccos(cosine))
            raise CaptureError(
                f"{hold.name}: {off_deg:.0f} deg off {face_side(nearest, sheet, axes)}, and no other hold "
                "has that face up; level it by the bubble and hold it again"
            )
    there = listed(list(by_face)) or "none"
    raise CaptureError(
        f"{sheet.path.name}: no hold with {lacking}; there are {there}: hold what is missing for ten "
        "seconds, or give two opposite faces as a bench hold"
    )
