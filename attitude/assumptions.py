"""What was taken as given, for the result's list.

*Told* stands in the sheet, *tested* was checked against or found from the footage, *assumed* is neither.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from attitude.belongs import NOT_VERIFIED, VERIFIED
from attitude.findings import Assumption, Causes
from attitude.readings import Reading, times_words
from attitude.reference_lines import WORDS, reference_words
from attitude.residuals import Residuals
from attitude.sheet import HORIZON, Shoot
from attitude.words import with_uncertainty
from horizon.readout import USUAL_READOUT_S
from horizon.reference import LEVEL_LINE

if TYPE_CHECKING:
    from attitude.clock import ClockFit
    from attitude.log import AttitudeLog
    from horizon.measure import ClipTrack

__all__ = ["assumptions_of"]

QUESTIONS = {
    "roll_positive": "positive roll",
    "pitch_positive": "positive pitch",
    "yaw_positive": "positive yaw",
    "angle_order": "order of the angles",
    "quaternion_of": "quaternion",
}


def assumptions_of(
    shoot: Shoot,
    logs: Sequence[AttitudeLog],
    tracks: Sequence[ClipTrack],
    clocks: Sequence[ClockFit],
    residuals: Residuals | None,
    causes: Causes,
    *,
    readings: Sequence[Reading] = (),
) -> tuple[Assumption, ...]:
    """What was taken as given, each entry marked told, tested or assumed.

    readings : what the footage says of how the logs are to be read; empty where they were not compared.
    """
    found = _camera_assumptions(shoot)
    if not shoot.indoors:
        found += [_readout_assumption(shoot), *_surface_assumptions(shoot)]
    found += _reference_assumptions(shoot)
    found.append(
        _from_sheet(shoot, "tolerance_deg", "Largest acceptable lean", f"{shoot.tolerance_deg:g} deg")
    )
    if shoot.repeat_shoots:
        value = f"{shoot.repeat_sd_deg:.2g} deg, by {shoot.repeat_shoots} unchanged shoots of this rig"
        found.append(Assumption("One shoot differs from the next by", value, "tested"))
    if shoot.trim_deg:
        where = "contained in" if shoot.trim_in_log else "not contained in"
        found.append(
            Assumption(
                "Horizon trim", f"{shoot.trim_deg:g} deg right side down, {where} the logged roll", "told"
            )
        )
    for track in tracks:
        if track.damage:
            found.append(Assumption(f"{track.clip} is damaged", track.damage, "tested"))
        if track.reference != HORIZON:
            how = {"log": "settled by the log", "picture": "taken to be upright"}.get(track.sky, "not known")
            basis = "tested" if track.sky == "log" else "assumed"
            value = f"{track.clip}: a {WORDS[track.reference]} does not tell, {how}"
            found.append(Assumption("Which way up the camera was", value, basis))
        elif track.sky == "unknown":
            how = "not measured" if residuals is None else "settled by the log"
            value = f"{track.clip}: the picture does not tell, {how}"
            found.append(Assumption("Which half is sky", value, "tested"))
    for number, (sheet, log) in enumerate(zip(shoot.logs, logs, strict=False), 1):
        stated = f"log[{number}].attitude_of" in shoot.given or "attitude_of" in sheet.given
        body = sheet.attitude_of.replace("_", " ")
        if residuals is not None and residuals.log_fits:
            proof = "it rolls" if residuals.belongs == VERIFIED else "not tested: nothing rolled"
            body += f" ({proof} with the picture)"
        found.append(Assumption(f"{log.name} is the attitude of", body, "told" if stated else "assumed"))
        found += [_reading(one) for one in readings if one.log == log.name]
        if not log.has_yaw:
            found.append(
                Assumption(f"{log.name}: heading", "not logged: taken as still in each clip", "assumed")
            )
    for clock in clocks:
        value = "not needed and not known" if clock.sd_s is None else _clock_words(clock)
        found.append(
            Assumption(f"Clock of {clock.clip}", value, "told" if clock.how == "given" else "tested")
        )
    if residuals is not None:
        tested = residuals.belongs != NOT_VERIFIED
        found.append(
            Assumption("The log belongs to the picture", residuals.belongs, "tested" if tested else "assumed")
        )
    tau = causes.time_constant_s
    if tau is not None:
        value = (
            with_uncertainty(tau.value, tau.half_width, "s") if tau.determined else "left open (0.5 to 22 s)"
        )
        found.append(Assumption("Time constant of the sensor's filter", value, "tested"))
    if causes.lean is not None and causes.warm_up is None:
        value = "warm when filmed (power-on not told, or not filmed both cold and warm)"
        found.append(Assumption("Sensor", value, "assumed"))
    return tuple(found)


def _reading(one: Reading) -> Assumption:
    """How one entry of a log is read, and what that rests on."""
    value = one.value.replace("_", " ")
    if one.fits and not one.against:
        why = f"the footage fits it {times_words(one.times)} times better than {one.rival.replace('_', ' ')}"
        why = f"as the sheet says: {why}" if one.told else why
    elif one.against:
        why = f"but the footage fits {one.fits.replace('_', ' ')} {times_words(one.times)} times better"
    elif one.key == "roll_positive":
        why = f"roll sign unproven: {one.why}; only a roll by hand can settle it"
    else:
        why = f"not tested: {one.why}"
    return Assumption(f"{one.log}: {QUESTIONS[one.key]}", f"{value} ({why})", one.basis)


def _camera_assumptions(shoot: Shoot) -> list[Assumption]:
    camera = shoot.camera
    if "camera" not in shoot.given and not any(c.hfov_deg or c.lens for c in shoot.clips):
        return [Assumption("Field of view", "75 ± 20 deg across the picture", "assumed")]
    known = {
        "hfov_deg": camera.hfov_deg,
        "diagonal_fov_deg": camera.diagonal_fov_deg,
        "focal_mm": camera.focal_mm,
        "focal_35mm": camera.focal_35mm,
        "lens": camera.lens.name if camera.lens is not None else None,
    }
    stated = [f"{key} = {value}" for key, value in known.items() if value is not None]
    value = stated[0] if stated else "75 ± 20 deg across the picture"
    found = [Assumption("Field of view", value, "told" if stated else "assumed")]
    if camera.mount_roll_deg:
        found.append(Assumption("Camera's turn in its mount", f"{camera.mount_roll_deg} deg", "told"))
    return found


def _readout_assumption(shoot: Shoot) -> Assumption:
    """Only a moving picture shows it."""
    readout_ms = shoot.camera.readout_ms
    low, high = (1000 * end for end in USUAL_READOUT_S)
    if readout_ms is not None:
        value = f"{readout_ms:g} ms from first to last"
    else:
        value = f"{low:g} to {high:g} ms from first to last, no longer than a frame: allowed for in motion"
    return _from_sheet(shoot, "camera.readout_ms", "Rows of the picture are read one after another", value)


def _surface_assumptions(shoot: Shoot) -> list[Assumption]:
    surface = shoot.horizon
    size = "level by physics" if surface.surface == "sea" else f"may rise {surface.terrain_deg:g} deg"
    found = [_from_sheet(shoot, "horizon.surface", "Skyline", f"{surface.surface}: {size}")]
    if surface.height_m is None:
        found.append(Assumption("Height above the surface", "not known: pitch only to 0.3 deg", "assumed"))
    else:
        found.append(Assumption("Height above the surface", f"{surface.height_m:g} m ± 10 %", "told"))
    return found


def _reference_assumptions(shoot: Shoot) -> list[Assumption]:
    """How true the plumb and level lines are taken to be."""
    found = []
    for number, clip in enumerate(shoot.clips, 1):
        if clip.reference == HORIZON:
            continue
        words = reference_words(clip)
        told = f"clip[{number}].level_accuracy" in shoot.given or clip.reference != LEVEL_LINE
        if clip.reference != LEVEL_LINE:
            words += ": plumb but for its swing, which is taken off or allowed for"
        name = clip.files[0].name
        found.append(Assumption(f"Reference of {name}", words, "told" if told else "assumed"))
    return found


def _from_sheet(shoot: Shoot, key: str, what: str, value: str) -> Assumption:
    return Assumption(what, value, "told" if key in shoot.given else "assumed")


def _clock_words(clock: ClockFit) -> str:
    offset_s = clock.offset_s or 0.0
    return with_uncertainty(offset_s, 1.96 * (clock.sd_s or 0.0), "s from clip to log")
