"""The result as one dictionary of plain values, as in ``result.json``: keys stable, None where unknown."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from attitude.findings import Assumption, Causes, Combination, Estimate
from attitude.residuals import Residuals, clip_sheet_of
from attitude.sheet import Shoot
from attitude.verdict import Verdict
from horizon.reference import LEVEL_LINE

if TYPE_CHECKING:
    from attitude.clock import ClockFit
    from horizon.measure import ClipTrack
    from horizon.selfcheck import SelfCheck

__all__ = ["FORMAT", "UNTOLD_SKY", "VERSION", "build_result"]

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
        "references": [_reference(track.clip, shoot) for track in tracks],
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


def _reference(clip: str, shoot: Shoot) -> dict[str, Any]:
    """What roll was measured against in one clip; the accuracy is that of a level line."""
    sheet = clip_sheet_of(clip, shoot)
    accuracy = _number(sheet.level_accuracy_deg) if sheet.reference == LEVEL_LINE else None
    return {"clip": clip, "reference": sheet.reference, "lines": sheet.lines, "level_accuracy_deg": accuracy}


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
    """Interval of one unknown; where it is not determined its range is all that is said."""
    if one is None or one.determined:
        return _interval(one) | {"determined": one is not None}
    return _interval(one) | {"value": None, "sd": None, "determined": False}


def _members(known: Mapping[str, Estimate], names: Sequence[str]) -> dict[str, Any]:
    return {name: _member(known.get(name)) for name in names}


def _combination(one: Combination) -> dict[str, Any]:
    return {
        "combination": [{"member": name, "weight": _number(weight)} for name, weight in one.weights],
        "value_deg": _number(one.value_deg),
        "sd_deg": _number(one.sd_deg),
        "members": [name for name, _ in one.weights],
        "ranges": [
            {"member": r.member, "low_deg": _number(r.low_deg), "high_deg": _number(r.high_deg)}
            for r in one.ranges
        ],
        "film": one.film,
    }
