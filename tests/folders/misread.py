"""A log as it was read against what its rows truly say, and the entries of the sheet to blame.

Rows are paired by their time stamp; where stamps are coarse or late, by the time that the reader made of
them.
"""

import dataclasses
import itertools
import re

import numpy as np

from attitude.log import LogError, read_log
from horizon.angles import wrap_deg

__all__ = ["SIGN_OF", "blamed", "body_of", "clock_of", "misread"]

ANGLES = ["roll_deg", "pitch_deg", "yaw_deg"]
SIGN_OF = {"roll_positive": 0, "pitch_positive": 1, "yaw_positive": 2}
FEW = 0.005  # share of rows that may be off: single rows beside a gap
STAMP_S = 2e-4
LEAST_READ = 0.9  # of the time that a log covers; a sensor that stopped may be cut off
GROUPS = {
    "time": ("time", "time_unit"),
    "columns": ("roll", "pitch", "yaw", "quaternion"),
    **{key: (key,) for key in ("quaternion_of", "angle_unit", "angle_order", *SIGN_OF)},
    **{key: (key,) for key in ("accelerometer", "accelerometer_unit", "accelerometer_sign")},
    **{key: (key,) for key in ("gyro", "gyro_unit", "sensor_axes", "temperature_c", "velocity_mps")},
}
ATTITUDE_KEYS = ("columns", "quaternion_of", "angle_unit", "angle_order", *SIGN_OF)
BLAMED = {
    "time": ("time",),
    "rows": ATTITUDE_KEYS,
    "roll": ATTITUDE_KEYS,
    "pitch": ATTITUDE_KEYS,
    "yaw": ATTITUDE_KEYS,
    "accelerometer": ("accelerometer", "accelerometer_unit", "accelerometer_sign", "sensor_axes"),
    "gyro": ("gyro", "gyro_unit", "sensor_axes"),
    "temperature": ("temperature_c",),
    "velocity": ("velocity_mps",),
}


def _bare(name):
    """A column's name without the unit in brackets that may follow it."""
    return re.sub(r"\s*\[[^]]*\]$", "", name)


def body_of(sheet, truth):
    """Whose columns a [[log]] names; None where they belong to no body, or to several."""
    named = {_bare(name) for name in sheet.quaternion or (sheet.roll, sheet.pitch)}
    return next((body for body, columns in truth.bodies.items() if named <= set(columns)), None)


def clock_of(sheet, truth):
    """The clock that a [[log]] names; of a date and a time apart, the time alone will do."""
    name = _bare(sheet.time)
    return next((c for c in truth.clocks if name == c.name or name == c.name.rpartition(" + ")[2]), None)


def misread(sheet, log, truth, epoch_s):
    """Channel -> words, of what the read log says otherwise than the truth."""
    clock = clock_of(sheet, truth)
    if clock is None:
        return {"time": f"column {sheet.time!r} is not its time"}
    table = log.table
    iso = clock.unit == "iso8601"
    read_s = table["t_s"].to_numpy(float) + (epoch_s if iso else 0.0)
    rows, found = _same_rows(read_s, clock, truth)
    if found.mean() < 0.98:
        return {"time": f"{100 * (1 - found.mean()):.0f} % of the rows are at other times than logged"}
    said_s = clock.t_s[~np.isnan(truth.angles_deg).any(axis=1)]
    if np.ptp(read_s) < LEAST_READ * np.ptp(said_s):
        return {"rows": f"only {np.ptp(read_s):.1f} s of the {np.ptp(said_s):.1f} s logged are read"}
    angles = table[ANGLES].to_numpy(float)
    # Yaw counts from anywhere; the middle difference is taken out.
    true = truth.angles_deg
    yaw_deg = _middle_deg(angles[found, 2] - true[rows[found, 0], 2])
    gaps = wrap_deg(angles[:, None, :] - true[np.maximum(rows, 0)] - np.array([0.0, 0.0, yaw_deg]))
    # Of rows that share a stamp, the one that is meant is the one that fits best.
    over = np.abs(gaps) / truth.tolerance_deg
    over = np.where(np.isnan(over), 1e6, over)
    over[rows < 0] = np.inf
    best = np.argmin(over.max(axis=2), axis=1)
    chosen = np.arange(len(best))
    off, row = over[chosen, best], rows[chosen, best]
    result = {}
    said = ~np.isnan(true[np.maximum(row, 0)]).any(axis=1) & found
    if np.mean(~said & found) > FEW:
        result["rows"] = f"{np.sum(~said & found)} rows without an attitude are taken for one"
    for axis, name in enumerate(("roll", "pitch", "yaw")):
        if axis == 2 and not log.has_yaw:
            continue
        bad = off[said, axis] > 1.0
        if np.mean(bad) > FEW:
            worst = np.nanmax(np.abs(gaps[chosen, best][said, axis]))
            result[name] = f"{name} is off by up to {worst:.3g} deg in {100 * np.mean(bad):.0f} % of the rows"
    return result | _misread_sensors(table[said], truth, row[said])


def _same_rows(read_s, clock, truth):
    """Rows of the truth that each read row may be, (n, k), -1 for none; and whether there is any.

    By the stamp as it was written; where stamps are coarse or late, by the time that the reader made of them.
    """
    true_s = clock.start_s + clock.rate * truth.flight_t_s
    slack_s = STAMP_S + 2.2 * truth.loose_s + (1.2 if np.ptp(np.unique(clock.t_s % 1.0)) == 0 else 0.0)
    order = np.argsort(true_s)
    low, high = (np.searchsorted(true_s[order], read_s + side) for side in (-slack_s, slack_s))
    by_stamp = np.argsort(clock.t_s, kind="stable")
    first, last = (np.searchsorted(clock.t_s[by_stamp], read_s + side) for side in (-STAMP_S, STAMP_S))
    width = int(max((high - low).max(), 0) + max((last - first).max(), 0))
    rows = np.full((len(read_s), max(width, 1)), -1)
    for k in range(len(read_s)):
        near = [*by_stamp[first[k] : last[k]], *order[low[k] : high[k]]]
        rows[k, : len(near)] = near
    return rows, (rows >= 0).any(axis=1)


def _misread_sensors(table, truth, row):
    result = {}
    log = truth.log
    if "accel_down_g" in table and log.accelerometer:
        read = table[[f"accel_{side}_g" for side in ("right", "down", "forward")]].to_numpy(float)
        allowed = 0.004 + 0.6 * 10.0**-log.accelerometer.decimals / log.accelerometer.per_unit
        if _mostly(np.abs(read - truth.accel_g[row]).max(axis=1) > allowed):
            result["accelerometer"] = f"accelerometer {_shown(read)} g, truly {_shown(truth.accel_g[row])} g"
    if "gyro_down_dps" in table and log.gyro:
        read = table[[f"gyro_{side}_dps" for side in ("right", "down", "forward")]].to_numpy(float)
        true = truth.gyro_dps[row]
        allowed = 0.3 + 0.03 * np.linalg.norm(true, axis=1) + 10.0**-log.gyro.decimals / log.gyro.per_unit
        if _mostly(np.abs(read - true).max(axis=1) > allowed):
            fast = np.linalg.norm(true, axis=1) > 5
            result["gyro"] = f"gyro {_shown(read[fast])} deg/s, truly {_shown(true[fast])}, where it is fast"
    if "temperature_c" in table and log.temperature:
        read = table["temperature_c"].to_numpy(float)
        if _mostly(np.abs(read - truth.temperature_c[row]) > 0.2):
            result["temperature"] = f"temperature {read.mean():.1f} C"
    if "velocity_north_mps" in table and log.velocity:
        read = table[["velocity_north_mps", "velocity_east_mps"]].to_numpy(float)
        if _mostly(np.abs(read - truth.velocity_mps[row]).max(axis=1) > 0.1):
            result["velocity"] = "velocity is off"
    return result


def _mostly(bad):
    return bad.mean() > 0.02


def _shown(rows):
    """Root mean squares of three columns with the sign of their means."""
    size = np.sqrt(np.mean(rows**2, axis=0)) * np.sign(rows.mean(axis=0))
    return "(" + ", ".join(f"{value:.2f}" for value in size) + ")"


def _middle_deg(angle_deg):
    angle_deg = angle_deg[~np.isnan(angle_deg)]
    if not angle_deg.size:
        return 0.0
    about = float(np.degrees(np.angle(np.mean(np.exp(1j * np.radians(angle_deg))))))
    return about + float(np.median(wrap_deg(angle_deg - about)))


def _changed(sheet, truth, keys):
    """The sheet's log with some entries as they should be."""
    entries = {}
    for key in keys:
        if key == "columns":
            entries |= {"quaternion": truth.right.get("quaternion")}
            entries |= {name: truth.right[name] for name in ("roll", "pitch", "yaw") if name in truth.right}
        elif key == "time" and clock_of(sheet, truth) is not None:
            entries["time_unit"] = clock_of(sheet, truth).unit
        else:
            entries |= {name: truth.right[name] for name in GROUPS[key] if name in truth.right}
    entries = {name: tuple(v) if isinstance(v, list) else v for name, v in entries.items()}
    return dataclasses.replace(sheet, given=sheet.given | set(entries), **entries) if entries else sheet


def blamed(sheet, truth, off, epoch_s):
    """Entries to blame for what is ``off`` : (name, words) of the fewest whose right values mend it."""
    keys = list(dict.fromkeys(key for channel in off for key in BLAMED[channel]))
    wrong = [key for key in keys if _changed(sheet, truth, (key,)) != sheet]
    for key in _fewest(sheet, truth, wrong, epoch_s) or wrong or keys[:1]:
        shown = [name for name in GROUPS[key] if name in truth.right] or list(GROUPS[key][:1])
        name = next((n for n in shown if getattr(sheet, n) != truth.right.get(n)), shown[0])
        shows = "; ".join(words for channel, words in off.items() if key in BLAMED[channel])
        value, right = getattr(sheet, name), truth.right.get(name)
        yield name, f"{truth.log.file}: {name} is {value!r}, right is {right!r} ({shows})"


def _fewest(sheet, truth, wrong, epoch_s):
    """Fewest keys of ``wrong`` that mend the log when put right; () where none will do."""
    for size in range(1, len(wrong) + 1):
        for keys in itertools.combinations(wrong, size):
            other = _changed(sheet, truth, keys)
            try:
                log = read_log(other)
            except LogError:
                continue
            clock = clock_of(other, truth)
            iso = clock is not None and clock.unit == "iso8601"
            if not misread(other, log, truth, float(clock.t_s[0]) if iso else epoch_s):
                return keys
    return ()
