"""The result as one dictionary of plain values: what ``result.json`` holds, keys stable, None where unknown.

Beside it the list of what was taken as given: *told* stands in the sheet, *tested* was checked against or
found from the footage, *assumed* is neither.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from attitude.belongs import VERIFIED
from attitude.findings import Assumption, Causes, Combination, Estimate
from attitude.residuals import Residuals
from attitude.sheet import Shoot
from attitude.verdict import Verdict
from attitude.words import with_uncertainty

if TYPE_CHECKING:
    from attitude.clock import ClockFit
    from attitude.log import AttitudeLog
    from horizon.measure import ClipTrack
    from horizon.selfcheck import SelfCheck

__all__ = ["FORMAT", "UNTOLD_SKY", "VERSION", "assumptions_of", "build_result"]

UNTOLD_SKY = "the picture does not tell which half is sky"
FORMAT, VERSION = "horizon-drift result", 1


def build_result(
    shoot: Shoot,
    tracks: Sequence[ClipTrack],
    clocks: Sequence[ClockFit],
    residuals: Residuals | None,
    causes: Causes,
    verdict: Verdict,
    assumptions: Sequence[Assumption],
    self_check: SelfCheck | None = None,
) -> dict[str, Any]:
    """Everything that was found, ready for ``json.dumps(..., allow_nan=False)``.

    self_check : None where the measuring was not checked, as for a simulated track.
    """
    out = causes.out_of_tolerance
    after = causes.after_recalibration
    return {
        "format": FORMAT,
        "version": VERSION,
        "title": shoot.title,
        "rig": shoot.rig or None,
        "calibration": shoot.calibration or None,
        "date": None if shoot.date is None else shoot.date.isoformat(),
        "frames": _frames(tracks, residuals),
        "clock": [_clock(clock) for clock in clocks],
        "picture_lean_deg": _interval(causes.picture_lean),
        "known_lean_deg": _interval(causes.known_lean),
        "lean_deg": _interval(causes.lean),
        "out_of_tolerance": {
            "seconds": None if out is None else _number(out.seconds),
            "share": None if out is None else _number(out.share),
            "worst_5s_deg": None if out is None else _number(out.worst_5s_deg),
        },
        "pitch_offset_deg": _interval(causes.pitch_offset),
        "verdict": {
            "action": verdict.action,
            "p_within_tolerance": _number(verdict.p_within_tolerance),
            "tolerance_deg": _number(verdict.tolerance_deg),
            "headline": verdict.headline,
            "reasons": list(verdict.reasons),
            "next_shot": verdict.next_shot,
        },
        "causes": [{"name": c.name, "probability": _number(c.probability)} for c in causes.causes],
        "sensor_offset_mg": _members(causes.offset_mg, ("sideways", "vertical", "along_lens")),
        "mounting_deg": _members(causes.mounting_deg, ("roll", "pitch", "yaw")),
        "skyline_tilt_deg": _members(causes.skyline_deg, ("north", "east")),
        "turns": _member(causes.turns),
        "warm_up_deg": _member(causes.warm_up) | {"time_constant_s": _number(causes.warm_up_s)},
        "undetermined": [_combination(one) for one in causes.undetermined],
        "after_recalibration_deg": {
            "value": None if after is None else _number(after.value),
            "sd": None if after is None else _number(after.sd),
        },
        "assumptions": [{"what": a.what, "value": a.value, "basis": a.basis} for a in assumptions],
        "self_check": _self_check(self_check),
    }


def assumptions_of(
    shoot: Shoot,
    logs: Sequence[AttitudeLog],
    tracks: Sequence[ClipTrack],
    clocks: Sequence[ClockFit],
    residuals: Residuals | None,
    causes: Causes,
) -> tuple[Assumption, ...]:
    """What was taken as given, each entry marked told, tested or assumed."""
    found = [*_camera_assumptions(shoot), *_surface_assumptions(shoot)]
    found.append(
        _from_sheet(shoot, "tolerance_deg", "Largest acceptable lean", f"{shoot.tolerance_deg:g} deg")
    )
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
        if track.sky == "unknown":
            how = "not measured" if residuals is None else "settled by the log"
            value = f"{track.clip}: the picture does not tell, {how}"
            found.append(Assumption("Which half is sky", value, "tested"))
    for number, (sheet, log) in enumerate(zip(shoot.logs, logs, strict=False), 1):
        stated = f"log[{number}].attitude_of" in shoot.given or "attitude_of" in sheet.given
        body = sheet.attitude_of.replace("_", " ")
        found.append(Assumption(f"{log.name} is the attitude of", body, "told" if stated else "assumed"))
        signs = f"roll {sheet.roll_positive}, pitch {sheet.pitch_positive}, yaw {sheet.yaw_positive}"
        told = {"roll_positive", "pitch_positive", "yaw_positive", "quaternion"} & set(sheet.given)
        found.append(
            Assumption(f"{log.name}: positive", signs.replace("_", " "), "told" if told else "assumed")
        )
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
        tested = residuals.belongs == VERIFIED
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


def _surface_assumptions(shoot: Shoot) -> list[Assumption]:
    surface = shoot.horizon
    size = "level by physics" if surface.surface == "sea" else f"may rise {surface.terrain_deg:g} deg"
    found = [_from_sheet(shoot, "horizon.surface", "Skyline", f"{surface.surface}: {size}")]
    if surface.height_m is None:
        found.append(Assumption("Height above the surface", "not known: pitch only to 0.3 deg", "assumed"))
    else:
        found.append(Assumption("Height above the surface", f"{surface.height_m:g} m ± 10 %", "told"))
    return found


def _from_sheet(shoot: Shoot, key: str, what: str, value: str) -> Assumption:
    return Assumption(what, value, "told" if key in shoot.given else "assumed")


def _clock_words(clock: ClockFit) -> str:
    offset_s = clock.offset_s or 0.0
    return with_uncertainty(offset_s, 1.96 * (clock.sd_s or 0.0), "s from clip to log")


def _clock(clock: ClockFit) -> dict[str, Any]:
    """Place of a clip in the log; one that was taken because any would do is not known."""
    offset_s = None if clock.sd_s is None else _number(clock.offset_s)
    return {"clip": clock.clip, "offset_s": offset_s, "sd_s": _number(clock.sd_s), "how": clock.how}


def _frames(tracks: Sequence[ClipTrack], found: Residuals | None) -> dict[str, Any]:
    """How many frames were read and measured, and why the others were not."""
    reasons: Counter[str] = Counter()
    measured = 0
    for track in tracks:
        done = track.track["roll_deg"].notna()
        reasons.update(str(reason) or "no reason given" for reason in track.track.loc[~done, "reason"])
        if track.sky == "unknown" and found is None:
            reasons[UNTOLD_SKY] += int(done.sum())
        else:
            measured += int(done.sum())
    return {
        "read": int(sum(track.frames_read for track in tracks)),
        "measured": measured,
        "not_measured": dict(sorted(reasons.items())),
    }


def _self_check(checked: SelfCheck | None) -> dict[str, Any]:
    """How turned frames were read; null where no frame was turned, or too few were measured."""
    sizes = ("scale", "scale_sd", "bias_deg", "bias_sd_deg", "worst_deg")
    if checked is None or not checked.turned:
        return dict.fromkeys(("turned", "refused", *sizes, "defects"))
    read = {name: _number(getattr(checked, name)) for name in sizes}
    return {"turned": checked.turned, "refused": checked.lost, **read, "defects": list(checked.defects)}


def _number(value: float | None) -> float | None:
    """A plain float; what is not finite is not known."""
    return None if value is None or not math.isfinite(value) else float(value)


def _interval(one: Estimate | None) -> dict[str, Any]:
    if one is None:
        return {"value": None, "sd": None, "low": None, "high": None}
    return {
        "value": _number(one.value),
        "sd": _number(one.sd),
        "low": _number(one.low),
        "high": _number(one.high),
    }


def _member(one: Estimate | None) -> dict[str, Any]:
    return _interval(one) | {"determined": False if one is None else bool(one.determined)}


def _members(known: Mapping[str, Estimate], names: Sequence[str]) -> dict[str, Any]:
    return {name: _member(known.get(name)) for name in names}


def _combination(one: Combination) -> dict[str, Any]:
    return {
        "combination": [{"member": name, "weight": _number(weight)} for name, weight in one.weights],
        "value_deg": _number(one.value_deg),
        "sd_deg": _number(one.sd_deg),
        "members": [name for name, _ in one.weights],
        "film": one.film,
    }
