"""A judged capture as a dictionary of plain values, as in ``faces.json``: keys stable, None where unknown."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from attitude.capture import FACES_FORMAT
from attitude.constants import Constants
from attitude.face_check import FaceFound, FacesFound, PairFound
from attitude.face_models import Model
from attitude.face_record import Against
from attitude.findings import Estimate
from attitude.recorded import RecordedCalibration

__all__ = ["FACES_JSON", "FACES_VERSION", "FacesReport", "faces_result"]

FACES_JSON = "faces.json"
FACES_VERSION = 1


@dataclass(frozen=True)
class FacesReport:
    """What a capture led to.

    old : constants before it; old_told : whether they were given rather than taken from the record. against :
    the last shoot of the rig. result : as in ``faces.json``. recorded : for the history, None where it is not
    to be kept.
    """

    found: FacesFound | PairFound
    old: Constants | None
    old_told: bool
    against: Against | None
    result: dict[str, Any]
    recorded: RecordedCalibration | None


def faces_result(
    found: FacesFound | PairFound, headline: str, old: Constants | None, against: Against | None
) -> dict[str, Any]:
    """Everything that was found, ready for ``json.dumps(..., allow_nan=False)``.

    headline : the verdict in one sentence. old : constants before this calibration. against : the last shoot
    of the rig, where there is one.
    """
    sheet = found.sheet
    six = found if isinstance(found, FacesFound) else None
    return {
        "format": FACES_FORMAT,
        "version": FACES_VERSION,
        "rig": sheet.rig or None,
        "calibration": sheet.calibration or None,
        "date": None if sheet.date is None else sheet.date.isoformat(),
        "verdict": {
            "good": not found.again if six is None else six.sound,
            "headline": headline,
            "again": [{"face": one.face, "why": list(one.again)} for one in found.again],
        },
        "bubble_deg": sheet.bubble_deg if six is None else six.tilts.bubble_deg,
        "procedure": sheet.procedure,
        "sensor_axes": {"value": list(found.axes), "basis": "told" if sheet.sensor_axes else "assumed"},
        "temperature_c": found.temperature_c,
        "faces": [_face(one) for one in found.faces],
        "models": [] if six is None else [_model(one, six) for one in six.models],
        "constants": None if six is None else six.stored.plain(),
        "old": None if old is None else old.plain(),
        "lean_deg": None if six is None else _estimate(six.stored_lean[0]),
        "pitch_deg": None if six is None else _estimate(six.stored_lean[1]),
        "offset_mg": _pair(found),
        "last_shoot": None if against is None else _against(against),
        "warnings": [*found.warnings, *found.notes],
    }


def _pair(found: FacesFound | PairFound) -> dict[str, Any] | None:
    if isinstance(found, FacesFound):
        return None
    return {axis: _estimate(one) for axis, one in zip("xyz", found.offset_mg, strict=True)}


def _face(one: FaceFound) -> dict[str, Any]:
    calm = one.stillness
    tilt = one.tilt_deg
    sd = one.tilt_sd_deg
    return {
        "face": one.face,
        "words": one.words,
        "held": one.hold.name,
        "mean_mg": [1000 * float(value) for value in one.hold.mean_g],
        "mean_sd_mg": 1000 * calm.mean_sd_g,
        "noise_mg": calm.noise_mg,
        "lasts_s": one.hold.lasts_s,
        "needed_s": calm.needed_s,
        "drift_deg": None if calm.drift_deg is None else list(calm.drift_deg),
        "still": calm.still,
        "tilt_deg": None if tilt is None else [float(value) for value in tilt],
        "tilt_sd_deg": None if sd is None else [float(value) for value in sd],
        "p_off_level": one.off,
        "temperature_c": one.temperature_c,
    }


def _model(one: Model, found: FacesFound) -> dict[str, Any]:
    roll, pitch = found.lean[one.name]
    return {
        "name": one.name,
        **one.constants.plain(),
        "offset_sd_mg": [1000 * float(sd) for sd in one.offset_sd_g],
        "scale_sd": [float(sd) for sd in one.scale_sd],
        "cross_sd": one.cross_sd,
        "lean_deg": _estimate(roll),
        "pitch_deg": _estimate(pitch),
    }


def _against(one: Against) -> dict[str, Any]:
    return {
        "title": one.shoot.title,
        "filmed": one.shoot.filmed,
        "key": one.shoot.key,
        "agrees": one.agrees,
        "removes_deg": _estimate(one.removes_deg),
        "found_deg": _estimate(one.found_deg),
        "found": "sensor_offset" if one.of_offset else "lean",
        "left_deg": _estimate(one.left_deg),
        "remains": one.footage_cause if one.cause == "footage" else one.cause or None,
    }


def _estimate(one: Estimate | None) -> dict[str, float] | None:
    if one is None or not np.isfinite(one.value):
        return None
    return {"value": one.value, "sd": one.sd, "low": one.low, "high": one.high}
