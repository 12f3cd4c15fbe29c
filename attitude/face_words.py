"""What a six-face capture says, in sentences that terminal and page share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from attitude.capture import PROCEDURE_WORDS, face_axis
from attitude.face_check import PROCEDURE_MODELS, FaceFound, FacesFound, PairFound
from attitude.face_models import CROSS_AXIS_SD, TURNED_SD_DEG, Model, laterals_of
from attitude.face_record import Against
from attitude.face_result import FacesReport
from attitude.findings import Estimate
from attitude.words import (
    chance_words,
    lean_words,
    pitch_words,
    plain,
    with_uncertainty,
)

__all__ = [
    "BLIND_SPOT",
    "MODEL_WORDS",
    "ProcedureRow",
    "again_words",
    "against_words",
    "before_words",
    "bubble_words",
    "constants_words",
    "headline",
    "lean_sentence",
    "level_words",
    "model_notes",
    "nine_words",
    "note_words",
    "pair_words",
    "procedure_rows",
    "still_words",
    "suits_sentence",
    "use_words",
]

DEG_PER_G = 180 / np.pi
NORMAL_95 = 1.96
CLEARLY = 0.6  # of what another way leaves off level
# What two axes read of each other where the face that defines level is not the one up in flight.
CROSSED_DEG = np.sqrt(2) * np.hypot(np.degrees(CROSS_AXIS_SD), TURNED_SD_DEG)
MATRIX_SHARE = 0.78  # sd of the level over that of a tilt: sqrt(1/9 + 1/2)
BLIND_SPOT = (
    "Two opposite faces tilted alike in opposite ways look like one axis reading another: six faces cannot "
    "show that, whatever is worked out from them"
)
MODEL_WORDS = {
    "norm": "offset and scale, from 1 g at rest",
    "pairs": "offset and scale, from pairs of faces",
    "level_face": "one face defines level",
    "matrix": "full matrix, the faces taken for true",
    "nine": "offset, scale and axes that are not square",
}
ENTERS = {
    "offset_and_scale": "by its square: hardly at all",
    "level_face": "one to one, of the face that defines level",
    "matrix": "two thirds of it, of the face that is up in flight",
}
CAUSE_WORDS = {
    "temperature": "The board's temperature explains the difference: calibrate as warm as it films",
    "constants": "What remains: other constants flew than those given as old, or the sensor moved or was "
    "shaken in flight",
    "mounting": "What is left is no matter of the sensor: the camera's seat, or the sensor's on its board",
}


@dataclass(frozen=True)
class ProcedureRow:
    """A way in which gimbals work out constants, and what this capture comes to with it.

    level_deg : 95 %, what the tilts of the faces add. left_deg : how far off level the camera is left all
    told, root mean square.
    """

    name: str
    enters: str
    level_deg: float
    left_deg: float
    own: bool


def headline(found: FacesFound | PairFound) -> str:
    """The verdict in one sentence."""
    again = found.again
    if not again:
        if isinstance(found, PairFound):
            return "Good: two faces held still, a bench hold for the sheet"
        if found.tilts.scatters:
            return "Six faces, but they scatter more than the bubble allows"
        still = "held still" if any(one.hold.period_s for one in found.faces) else "there"
        if found.missed is not None:
            return (
                f"Six faces, {still}, but the constants given are not theirs: {_missed_words(found.missed)}"
            )
        return f"Good: six faces, {still} and level as far as the bubble tells"
    names = ", ".join(one.words for one in again)
    return f"Hold again: {names}"


def _missed_words(missed: tuple[Estimate, Estimate]) -> str:
    roll, pitch = missed
    return f"they put the picture's {lean_words(roll)} and its {pitch_words(pitch)} against these"


def use_words(found: FacesFound) -> str:
    """Whether constants may be used although faces are to be held again; "" where none are."""
    if found.sound or found.sheet.new is not None:
        return ""
    why = {reason for one in found.again for reason in one.again}
    if why != {"off level"} or found.sheet.procedure in ("level_face", "matrix"):
        return "Not for use yet: hold the faces again first"
    return "For use only where the gimbal works out offset and scale: there a tilt hardly enters"


def nine_words(found: FacesFound) -> str:
    """What the constants of more than six poses leave; "" where six are all."""
    if not any(one.name == "nine" for one in found.models):
        return ""
    roll, pitch = found.lean["nine"]
    left = f"{lean_words(roll)}, {pitch_words(pitch)}"
    return f"With axes that are not square, from all {found.poses} poses: {left}"


def again_words(one: FaceFound) -> str:
    """Why a face should be held again."""
    why = [reason for reason in one.again if reason != "off level"]
    if "off level" in one.again and one.off is not None:
        chance = f", {chance_words(one.off)} that it is this one" if one.off < 0.995 else ""
        why.append(f"off level, {level_words(one)}{chance}")
    return f"{one.words}: {'; '.join(why)}"


def level_words(one: FaceFound) -> str:
    """How far a face was off level and which side was high: ``1.7 ± 0.4 deg, +z side high``."""
    level = one.level_deg
    if level is None or one.tilt_deg is None:
        return "not told by two faces"
    size, half = level.value, level.half_width
    # Of two directions together 95 % lie within 2.45 standard uncertainties.
    if size < 1.25 * half:
        return f"within {half:.1g} deg" if half < 0.95 else f"within {half:.1f} deg"
    k = int(np.argmax(np.abs(one.tilt_deg)))
    side = "xyz"[laterals_of(face_axis(one.face)[0])[k]]
    high = f"{'+' if one.tilt_deg[k] > 0 else '-'}{side} side high"
    return f"{with_uncertainty(size, half, 'deg')}, {high}"


def still_words(one: FaceFound) -> str:
    """How a face was held: ``10 s, noise 1.5 mg, long enough``."""
    calm, lasts_s = one.stillness, one.hold.lasts_s
    if lasts_s is None:
        return "an average"
    said = [f"{lasts_s:.0f} s"]
    if calm.noise_mg is not None:
        said.append(f"noise {calm.noise_mg:.2g} mg")
    if calm.needed_s is not None:
        said.append("long enough" if lasts_s >= calm.needed_s else f"{calm.needed_s:.0f} s wanted")
    return ", ".join(said)


def bubble_words(found: FacesFound | PairFound) -> str:
    """What the bubble was taken for."""
    told = found.sheet.bubble_deg
    basis = "told" if "bubble" in found.sheet.given else "assumed"
    if isinstance(found, FacesFound) and found.tilts.bubble_deg > told:
        shown = f"the faces scatter by {found.tilts.bubble_deg:.2g} deg, which is used instead"
        return f"Bubble: {told:.2g} deg {basis}; {shown}"
    return f"Bubble: each face level to {told:.2g} deg (standard uncertainty), {basis}"


def constants_words(model: Model) -> tuple[str, str]:
    """Offset and scale along x, y, z with half of their 95 % intervals."""
    offsets, scales = [], []
    for k, axis in enumerate("xyz"):
        half_mg = NORMAL_95 * 1000 * float(model.offset_sd_g[k])
        offsets.append(f"{axis} {with_uncertainty(1000 * model.constants.offset_g[k], half_mg, 'mg')}")
        half = NORMAL_95 * float(model.scale_sd[k])
        scales.append(f"{axis} {with_uncertainty(model.constants.matrix[k][k], half, '').strip()}")
    return ", ".join(offsets), ", ".join(scales)


def lean_sentence(found: FacesFound) -> str:
    """The lean and pitch error that the constants leave, and where they come from."""
    roll, pitch = found.stored_lean
    own = "The constants given" if found.sheet.new is not None else "These constants"
    source = {
        "offset_and_scale": "That is what one axis reads of another (cross-axis): they leave it in, and the "
        "bubble limits how well it is known",
        "level_face": "That is the tilt of the face that defines level",
        "matrix": "That is the tilt of the faces, which were taken for true",
    }[found.procedure]
    if found.sheet.new is not None:
        source = "That is by how far they miss what the faces show, and what one axis reads of another"
    return f"{own} leave the camera {_leans(roll)} and its {pitch_words(pitch)}. {source}"


def _leans(roll: Estimate) -> str:
    words = lean_words(roll)
    return words if words.startswith(("level", "not")) else f"with its {words}"


def procedure_rows(found: FacesFound) -> list[ProcedureRow]:
    """What a face off level does to each way of calibrating, and how far the level is then known (95 %)."""
    norm = found.models[0]
    bubble = found.tilts.bubble_deg
    sizes = {
        "offset_and_scale": DEG_PER_G * float(norm.offset_sd_g.max()),
        "level_face": bubble if found.level_flown else float(np.hypot(bubble, CROSSED_DEG)),
        "matrix": MATRIX_SHARE * bubble,
    }
    return [
        ProcedureRow(
            PROCEDURE_WORDS[name],
            ENTERS[name],
            NORMAL_95 * size,
            _left_deg(found, PROCEDURE_MODELS[name]),
            name == found.sheet.procedure,
        )
        for name, size in sizes.items()
    ]


def _left_deg(found: FacesFound, model: str) -> float:
    """How far off level a way leaves the camera, lean and pitch, what is known and what is open together."""
    return float(np.sqrt(sum(one.value**2 + one.sd**2 for one in found.lean[model])))


def suits_sentence(found: FacesFound) -> str:
    """Which way of working out the constants suits these faces."""
    rows = procedure_rows(found)
    free, level = rows[0].level_deg, rows[1].level_deg
    best, own = min(rows, key=lambda row: row.left_deg), next((row for row in rows if row.own), None)
    left = ", ".join(f"{row.left_deg:.2g} deg ({row.name})" for row in rows)
    said = (
        f"A bubble like this adds ± {free:.1g} deg to the level with {rows[0].name}, ± {level:.2g} deg where "
        f"{rows[1].name}. All told, with what one axis reads of another, the camera is left off level by "
        f"about {left}"
    )
    if all(best.left_deg > CLEARLY * row.left_deg for row in rows):
        return f"{said}: here no way is clearly better"
    if own is None or own is best or best.left_deg > CLEARLY * own.left_deg:
        return f"{said}: {(own or best).name} suits it"
    return f"{said}: {best.name} would suit it better than your way, {own.name}"


def pair_words(found: PairFound) -> str:
    """What two opposite faces tell by themselves."""
    sizes = ", ".join(
        f"{axis} {with_uncertainty(one.value, one.half_width, 'mg')}"
        for axis, one in zip("xyz", found.offset_mg, strict=True)
    )
    return f"Offset {sizes}; scale, tilt and cross-axis need six faces"


def model_notes(found: FacesFound) -> list[str]:
    """What to mind with each way of working out the constants."""
    said = [
        "From 1 g at rest: tilt drops out but for cross-axis times tilt. Six equations for six unknowns: "
        "nothing is left over that could show a mistake; the six checks of level do that",
        "From pairs of faces: the usual formula, for comparison; tilt enters by its square",
        "Full matrix: takes the six faces for true, so the bubble's errors become cross-axis",
    ]
    if any(one.name == "nine" for one in found.models):
        return [*said, f"Axes that are not square: from all {found.poses} poses, by 1 g alone"]
    return [
        *said,
        "Axes that are not square cannot be told from six faces; with nine poses or more, such as the twelve "
        "edges as well, they are worked out too",
    ]


def axes_note(found: FacesFound | PairFound) -> str:
    """That how the board sits was assumed; "" where it was told."""
    if found.sheet.sensor_axes is not None:
        return ""
    return (
        "Assumed: the board's x, y, z point to camera right, down, forward; if not, write sensor_axes in "
        "faces.toml"
    )


def _sign_note(found: FacesFound | PairFound) -> str:
    if found.sheet.accelerometer_sign == "up_reads_plus":
        return ""
    return (
        "The log counts up as minus, as told: here its readings are turned over, so that up reads plus; in "
        "the log's own sign every offset has the other sign"
    )


def old_words(report: FacesReport) -> list[str]:
    """Constants before this calibration, and by how much they change."""
    if report.old is None or not isinstance(report.found, FacesFound):
        return []
    change_mg = 1000 * (np.array(report.found.stored.offset_g) - np.array(report.old.offset_g))
    half_mg = [NORMAL_95 * 1000 * float(sd) for sd in report.found.model.offset_sd_g]
    # Between numbers that were given nothing is uncertain.
    sizes = ", ".join(
        f"{axis} {one:.1f} mg" if report.found.sheet.new else f"{axis} {with_uncertainty(one, half, 'mg')}"
        for axis, one, half in zip("xyz", change_mg, half_mg, strict=True)
    )
    whose = "given" if report.old_told else "of the last calibration on record"
    rest_mg = 1000 * np.abs(np.linalg.norm(report.old.applied(report.found.means_g), axis=1) - 1)
    missed = f"With the old constants a face at rest reads up to {rest_mg.max():.2g} mg off 1 g"
    return [f"The offset changes against the constants {whose} by {sizes}", missed]


def kept_words(report: FacesReport) -> str:
    """Whether the constants went on record, and what to do where they did not."""
    if isinstance(report.found, PairFound):
        return ""
    if report.recorded is not None:
        return f"On record as a calibration of {report.recorded.rig}"
    if not report.found.sheet.rig:
        return "Not put on record: name the rig in faces.toml, rig = ..., to keep old and new constants"
    return "Not put on record: faces are to be held again"


def before_words(report: FacesReport) -> list[str]:
    """The calibration against what is on record: older constants, the last shoot."""
    return [*old_words(report), *(against_words(report.against) if report.against else [])]


def note_words(report: FacesReport) -> list[str]:
    """What else to know: warnings, how the capture was read, what was assumed, whether it is on record."""
    found = report.found
    said = (*found.warnings, *found.notes, _sign_note(found), axes_note(found), kept_words(report))
    return [one for one in said if one]


def against_words(one: Against) -> list[str]:
    """The calibration against the last shoot of the rig."""
    shoot = one.shoot
    day = f"{shoot.title}, {shoot.filmed[:10]}"
    if shoot.lean is None:
        return []
    said = [f"Last shoot ({day}): {lean_words(shoot.lean)}"]
    if one.removes_deg is None or one.found_deg is None or one.left_deg is None:
        return [
            *said,
            "Give the constants it was filmed under (--old FILE) to see what this calibration takes away",
        ]
    what = "sensor offset" if one.of_offset else "lean, the sensor's part not told apart"
    agree = "they agree" if one.agrees else "they do not agree"
    said.append(
        f"The change of constants takes away: {lean_words(one.removes_deg)}; the shoot's {what}: "
        f"{lean_words(one.found_deg)}; {agree}"
    )
    said.append(f"To expect on the next shoot, all else as it was: {lean_words(one.left_deg)}")
    if one.cause == "footage":
        said.append(f"What remains: the shoot itself points to {plain(one.footage_cause)}")
    elif one.cause:
        said.append(CAUSE_WORDS[one.cause])
    return said
