"""A calibration against the last shoot on record: does it take away what the footage showed.

The shoot was filmed under the old constants. Changing them to the new ones moves the lean by what the
constants say (:func:`attitude.face_lean.moved_by`); the shoot says what a right calibration would move it by,
minus its sensor offset. Where the two agree, what is left of the shoot's lean is the camera's seat and all
else that no accelerometer calibration reaches. Where they do not, something other than the accelerometer's
constants leaned the picture, or these are not the constants that flew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from attitude.constants import Constants
from attitude.face_check import FacesFound
from attitude.face_lean import moved_by
from attitude.face_models import CROSS_AXIS_SD, TURNED_SD_DEG
from attitude.findings import Estimate
from attitude.recorded import Recorded, moment
from attitude.repeatability import label

__all__ = ["TEMPERATURE_MG_PER_C", "Against", "against_record", "last_shoot"]

MG_PER_DEG = 1000 * np.pi / 180
# How the offset moves with temperature, sd: makers state 0.1 to 0.9 mg per degree for low-cost parts.
TEMPERATURE_MG_PER_C = 0.3
SEAT_SD_DEG = 0.1  # of a lean that is no matter of the sensor, in a rig that is in order: common practice
APART = 2.0  # times the standard uncertainty of the difference
LIKELY = 0.5


@dataclass(frozen=True)
class Against:
    """The last shoot of the rig and this calibration.

    shoot : under the old constants. removes_deg : lean that the change of constants takes away, as an offset:
    what a shoot would have to show; None where the old constants are not known. found_deg : offset that the
    footage showed, or its lean where it could not tell them apart. of_offset : which of the two. agrees :
    None where they cannot be compared. left_deg : lean to expect of the next shoot. cause : what
    remains in question, of ``temperature | footage | constants | mounting``, "" for nothing;
    footage_cause : the cause that the shoot itself names. warmer_c : the shoot against the capture.
    """

    shoot: Recorded
    removes_deg: Estimate | None = None
    found_deg: Estimate | None = None
    of_offset: bool = False
    agrees: bool | None = None
    left_deg: Estimate | None = None
    cause: str = ""
    footage_cause: str = ""
    warmer_c: float | None = None


def last_shoot(past: Sequence[Recorded], rig: str, made: str = "", calibration: str = "") -> Recorded | None:
    """The last shoot of a rig with a known lean, filmed no later than the day ``made`` where that is told.

    calibration : its label; shoots under that one are not meant.
    """
    own = [one for one in past if rig.strip() and label(one.rig) == label(rig) and one.lean is not None]
    own = [one for one in own if not label(calibration) or label(one.calibration) != label(calibration)]
    before = [one for one in own if not made or moment(one.filmed).date() <= moment(made).date()]
    return max(before, key=lambda one: (moment(one.filmed), moment(one.recorded)), default=None)


def against_record(
    found: FacesFound, old: Constants | None, shoot: Recorded, repeat_sd_deg: float
) -> Against:
    """Compare a capture with a shoot under the old constants; ``shoot`` has a lean.

    repeat_sd_deg : what one shoot of the rig differs by from the next.
    """
    warmer = None
    if found.temperature_c is not None and shoot.temperature_c is not None:
        warmer = shoot.temperature_c - found.temperature_c
    if old is None or shoot.lean is None:
        return Against(shoot, warmer_c=warmer)
    moved = moved_by(old, found.stored, found.truth, found.axes)[0]
    own_mg = 1000 * float(np.max(found.models[0].offset_sd_g))
    warm_mg = TEMPERATURE_MG_PER_C * abs(warmer or 0.0)
    removes = Estimate(-moved.value, float(np.hypot(moved.sd, np.hypot(own_mg, warm_mg) / MG_PER_DEG)))
    of_offset = shoot.offset_mg is not None
    seen = shoot.lean if shoot.offset_mg is None else _degrees(shoot.offset_mg)
    apart = seen.value - removes.value
    # Constants that take level from faces take cross-axis and a turned sensor along, which are no offset.
    taken_deg = np.hypot(found.tilts.bubble_deg, np.hypot(np.degrees(CROSS_AXIS_SD), TURNED_SD_DEG))
    others_deg = np.hypot(
        0.0 if of_offset else SEAT_SD_DEG, 0.0 if found.procedure == "offset_and_scale" else taken_deg
    )
    sure = APART * float(np.hypot(np.hypot(seen.sd, removes.sd), others_deg))
    agrees = abs(apart) <= sure
    left_sd = float(np.sqrt(shoot.lean.sd**2 + removes.sd**2 + 2 * repeat_sd_deg**2))
    left = Estimate(shoot.lean.value - removes.value, left_sd)
    named = _footage_cause(shoot)
    cause = _cause(shoot, apart, agrees, left, named, warm_mg)
    return Against(shoot, removes, seen, of_offset, agrees, left, cause, named, warmer)


def _cause(
    shoot: Recorded,
    apart_deg: float,
    agrees: bool,
    left: Estimate,
    named: str,
    warm_mg: float,
) -> str:
    if agrees:
        return "mounting" if abs(left.value) - left.half_width > shoot.tolerance_deg else ""
    if warm_mg / MG_PER_DEG * APART >= abs(apart_deg):
        return "temperature"
    return "footage" if named else "constants"


def _footage_cause(shoot: Recorded) -> str:
    """Cause other than the sensor offset that the shoot names as likely, "" for none."""
    causes = shoot.result.get("causes") if isinstance(shoot.result, dict) else None
    for one in causes or ():
        if one["name"] not in ("sensor_offset", "none") and (one["probability"] or 0.0) >= LIKELY:
            return str(one["name"])
    return ""


def _degrees(mg: Estimate) -> Estimate:
    return Estimate(mg.value / MG_PER_DEG, mg.sd / MG_PER_DEG, mg.t95)
