"""Which habits a story shows, read off what it declares, so that no folder can claim one it has not.

The names follow the list of how logs and footage really come, which the project keeps as requirements.
"""

from .flights import FLIGHTS
from .loggers import Quaternion

__all__ = ["HABITS", "habits_of"]

BODIES = {
    "camera_sensor": "camera sensor's attitude",
    "gimbal_frame": "gimbal frame's attitude",
    "airframe": "airframe's attitude",
    "joints": "joint angles",
    "commanded": "commanded angles",
}
COUNTS_PER_G = (16384, 8192, 4096, 2048)
TIME_NAMES = ("t", "time", "timestamp", "millis", "elapsed")
LATER_HALF = ("pitch", "yaw")
BOARD_ALONG_BODY = ("y", "z", "x")
STATED = {
    *BODIES.values(),
    *("preamble", "units in brackets", "units in a row", "mixed row types", "sensors side by side"),
    *("target beside measured", "semicolons", "comma decimals"),
    *(f"time called {name}" for name in TIME_NAMES),
    *("date and time apart", "roll, pitch, yaw", "r, p, y", "phi, theta, psi", "tilt and pan", "heading"),
    *("prefix for the sensor", "q0..q3", "qw..qz", "w first", "w last", "gx..", "p, q, r", "ax.."),
    *("deg to 0.1", "deg to 0.01", "rad", "tenths", "hundredths", "thousandths", "power of two per turn"),
    *("accelerometer in g", "accelerometer in m/s2", "accelerometer in mg"),
    *(f"accelerometer in counts, {n} per g" for n in COUNTS_PER_G),
    *("gyro in deg/s", "gyro in rad/s", "gyro in counts"),
    *("1-10 Hz", "10-50 Hz", "100-1000 Hz", "held values", "bursts of stamps"),
    *("flight side", "lens-down +", "left-down +", "yaw left +", "yaw from power-on", "drifting yaw"),
    *(
        "unbounded yaw",
        "yaw-roll-pitch order",
        "board mounted another way",
        "up reads plus",
        "up reads minus",
    ),
    *("zeros before start-up", "last value frozen", "blank", "NaN", "-1", "9999", "32767"),
    *("torn last line", "gaps", "ms since boot", "us since boot", "32-bit us wrap"),
    *("reset at power cycle", "UTC and local mixed", "satellite time", "whole-second stamps"),
    *(
        "file time is the start",
        "file time is the end",
        "no overlap by wall clock",
        "filter delay",
        "clock rate",
    ),
    *("battery change", "take cut into files", "several clips", "several logs", "no log", "unusable log"),
    *("stray files", "stick test", "roll by hand", "upside down", "hover only", "camera turned the picture"),
    *("gimbal not held level", "bench holds"),
}
HABITS = frozenset(STATED)


def habits_of(story):
    """Names of ``HABITS`` that a story shows."""
    found = set()
    for log in story.logs:
        found |= _of_log(log)
    usable = [log for log in story.logs if log.role != "unusable"]
    if not story.logs:
        found.add("no log")
    if len(usable) < len(story.logs):
        found.add("unusable log")
    if len(usable) > 1:
        found.add("several logs")
        starts = [log.clocks[0].start_s for log in usable if log.clocks[0].kind in ("s", "ms", "us")]
        if len({log.flight for log in usable}) > 1 and starts.count(0.0) > 1:
            found |= {"battery change", "reset at power cycle"}
    return found | _of_footage(story)


def _of_footage(story):
    found = set()
    if len(story.clips) > 1:
        found.add("several clips")
    for clip in story.clips:
        found |= {"take cut into files"} if len(clip.files) > 1 else set()
        found |= {"camera turned the picture"} if clip.turned else set()
        words = {
            "start": "file time is the start",
            "end": "file time is the end",
            "unset": "no overlap by wall clock",
        }
        found |= {words[clip.created]} if clip.created in words else set()
        shown = {
            *(
                {"stick test"}
                if clip.take in ("arrival", "sweep", "crossing", "circles", "reach", "glance")
                else set()
            ),
            *({"roll by hand"} if clip.take in ("arrival", "crossing", "glance") else set()),
            *({"upside down"} if clip.take in ("over", "return") else set()),
        }
        found |= shown
        if FLIGHTS[clip.flight].hold_deg != (0.0, 0.0):
            found.add("gimbal not held level")
        if any(
            clock.zone_h != clip.zone_h and not clock.suffix for log in story.logs for clock in log.clocks
        ):
            found.add("UTC and local mixed")
    if all(clip.take in ("hold", "still") for clip in story.clips):
        found.add("hover only")
    if story.strays:
        found.add("stray files")
    if any(kind.startswith("bench") for kind in story.strays.values()):
        found.add("bench holds")
    return found


def _of_log(log):
    found = {BODIES[log.body]} if log.role != "unusable" else set()
    layout, damage = log.layout, log.damage
    found |= {
        word
        for word, shown in {
            "preamble": layout.preamble,
            "units in brackets": layout.units == "brackets",
            "units in a row": layout.units == "row",
            "mixed row types": layout.kind and layout.other_kinds,
            "semicolons": layout.separator == ";",
            "comma decimals": layout.decimal_comma,
            "sensors side by side": log.beside,
            "target beside measured": log.target,
            "held values": log.held > 1,
            "bursts of stamps": log.burst > 1,
            "filter delay": log.delay_s > 0,
            "zeros before start-up": damage.zeros_s,
            "last value frozen": damage.frozen_s,
            "blank": damage.written == "",
            "NaN": damage.written == "NaN",
            "-1": damage.written == "-1",
            "9999": damage.written == "9999",
            "32767": damage.written == "32767",
            "torn last line": damage.torn,
            "gaps": damage.gaps_s,
            "reset at power cycle": damage.restart_at_s,
        }.items()
        if shown
    }
    changed_hz = log.rate_hz / log.held
    found.add("1-10 Hz" if changed_hz <= 10 else "10-50 Hz" if changed_hz <= 50 else "100-1000 Hz")
    for clock in log.clocks:
        found |= _of_clock(clock)
    for vector, name in ((log.accelerometer, "accelerometer"), (log.gyro, "gyro")):
        if vector is not None:
            found |= _of_vector(vector, name)
    if isinstance(log.attitude, Quaternion):
        return found | _of_quaternion(log.attitude)
    return found | _of_angles(log.attitude, log.body) if log.role != "unusable" else found


def _of_clock(clock):
    words = {
        "date and time apart": clock.kind == "date_time",
        "ms since boot": clock.kind == "ms",
        "us since boot": clock.kind in ("us", "us32"),
        "32-bit us wrap": clock.kind == "us32",
        "satellite time": clock.ahead_s == 18.0,
        "whole-second stamps": clock.kind == "stamp" and clock.decimals == 0,
        "clock rate": abs(clock.ppm) >= 20,
    }
    names = {f"time called {name}" for name in TIME_NAMES if clock.names == (name,)}
    return {word for word, shown in words.items() if shown} | names


def _of_vector(vector, name):
    unit = vector.unit
    if not isinstance(unit, str):
        unit = f"counts, {unit:.0f} per g" if name == "accelerometer" else "counts"
    found = {f"{name} in {unit}"}
    found |= {"board mounted another way"} if vector.axes != BOARD_ALONG_BODY else set()
    found |= {f"up reads {'plus' if vector.sign > 0 else 'minus'}"} if name == "accelerometer" else set()
    found |= {
        word for word, first in (("gx..", "gx"), ("p, q, r", "p"), ("ax..", "ax")) if vector.names[0] == first
    }
    return found


def _of_quaternion(quaternion):
    words = {
        "q0..q3": quaternion.names[0] == "q0",
        "qw..qz": quaternion.names[0] == "qw",
        "w first": quaternion.columns[0] == "w",
        "w last": quaternion.columns[-1] == "w",
    }
    return {word for word, shown in words.items() if shown}


def _of_angles(angles, body):
    roll, pitch, yaw = (name.lower() for name in angles.names)
    words = {
        "roll, pitch, yaw": (roll, pitch, yaw) == ("roll", *LATER_HALF),
        "r, p, y": (roll, pitch, yaw) == ("r", "p", "y"),
        "phi, theta, psi": (roll, pitch, yaw) == ("phi", "theta", "psi"),
        "tilt and pan": (pitch, yaw) == ("tilt", "pan"),
        "heading": "heading" in yaw,
        "prefix for the sensor": roll.endswith(("_roll", ".roll")) and body != "joints",
        "deg to 0.1": angles.unit == "deg" and angles.decimals == 1,
        "deg to 0.01": angles.unit == "deg" and angles.decimals == 2,
        "rad": angles.unit == "rad",
        "tenths": angles.unit == 0.1,
        "hundredths": angles.unit == 0.01,
        "thousandths": angles.unit == 0.001,
        "power of two per turn": angles.unit == 360 / 65536,
        "flight side": angles.signs == "+++" and not angles.yaw_from_power_on,
        "left-down +": angles.signs[0] == "-",
        "lens-down +": angles.signs[1] == "-",
        "yaw left +": angles.signs[2] == "-",
        "yaw from power-on": angles.yaw_from_power_on,
        "drifting yaw": angles.yaw_drift_dpm,
        "unbounded yaw": angles.yaw == "unbounded",
        "yaw-roll-pitch order": angles.order == "yaw_roll_pitch",
    }
    return {word for word, shown in words.items() if shown}
