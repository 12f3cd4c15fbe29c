"""One log, written in one of the many habits of loggers, and what it truly says.

A log is declared as data (:class:`Log` and its parts), so that the habits it shows can be read off it
(:mod:`.habits`) instead of being claimed. The truth goes beside the text, row by row: its time on each of the
clocks it carries, as written, and the attitude it means in our signs.

Angles are turned from first principles: body axes forward, right, down; R = Rz(yaw) Ry(pitch) Rx(roll), or
Rz(yaw) Rx(roll) Ry(pitch) where the order is yaw, roll, pitch.
"""

import datetime as dt
from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from .flights import body_angles_deg, fixed_seed, flown, sensor_rows
from .loggers import Angles, Log, Quaternion

__all__ = ["ClockTruth", "LogTruth", "dressed"]

WRAP_US = 2**32
EPOCH = dt.datetime(1970, 1, 1)
SCALES = {"deg": 1.0, "rad": np.pi / 180}
ENU_OF_NED = Rotation.from_matrix([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, -1.0]])
# Right, down, forward of forward, right, down.
CAMERA_OF_BODY = Rotation.from_matrix([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]])


@dataclass(frozen=True)
class ClockTruth:
    """Time of every row on one clock of a log, s. At a flight time it shows ``start_s + rate * time``."""

    name: str
    unit: str
    t_s: np.ndarray
    start_s: float
    rate: float


@dataclass(frozen=True)
class LogTruth:
    """What a log says, row by row: our roll, pitch, yaw (NaN where it says nothing), and the rest.

    late_s, loose_s : by how much its stamps are behind the motion, and how far they scatter.
    right : entries of a sheet that read it rightly. bodies : body -> names of its columns.
    """

    log: Log
    clocks: tuple[ClockTruth, ...]
    flight_t_s: np.ndarray
    angles_deg: np.ndarray
    tolerance_deg: float
    accel_g: np.ndarray
    gyro_dps: np.ndarray
    temperature_c: np.ndarray
    velocity_mps: np.ndarray
    late_s: float
    loose_s: float
    right: dict
    bodies: dict


def _scale(unit):
    """What is written for one degree."""
    return SCALES[unit] if isinstance(unit, str) else 1 / unit


def _wrapped(angle_deg, how):
    if how == "unbounded":
        return angle_deg
    return angle_deg % 360 if how == "full" else (angle_deg + 180) % 360 - 180


def _body_rotation(angles_deg):
    return Rotation.from_euler("ZYX", angles_deg[:, ::-1], degrees=True)


def _angle_cells(angles, ours_deg):
    """Column name -> texts, and the yaw that they mean."""
    roll, pitch, yaw = ours_deg.T
    if angles.order == "yaw_roll_pitch":
        turned = _body_rotation(ours_deg).as_euler("ZXY", degrees=True)
        yaw, roll, pitch = np.unwrap(turned, period=360.0, axis=0).T
    values = {"r": roll, "p": pitch, "y": yaw}
    signs = {"-": -1.0, "+": 1.0}
    cells = {}
    for letter in angles.columns:
        name = angles.names["rpy".index(letter)]
        if not name:
            continue
        value = values[letter] * signs[angles.signs["rpy".index(letter)]]
        value = _wrapped(value, angles.yaw if letter == "y" else "half")
        cells[name] = _texts(value * _scale(angles.unit), angles.decimals if angles.unit in SCALES else 0)
    return cells


def _texts(values, decimals):
    values = np.round(values, decimals) + 0.0  # no minus zero
    return np.array([f"{value:.{decimals}f}" for value in values], dtype=object)


def _quaternion_cells(quaternion, ours_deg):
    rotation = _body_rotation(ours_deg)
    device, _, world = quaternion.of.partition("_to_")
    if inverse := device in ("ned", "enu"):
        device, world = world, device
    if device == "camera":
        rotation = rotation * CAMERA_OF_BODY.inv()
    if world == "enu":
        rotation = ENU_OF_NED * rotation
    x, y, z, w = (rotation.inv() if inverse else rotation).as_quat(canonical=True).T
    parts = {"w": w, "x": x, "y": y, "z": z}
    return {
        quaternion.names["wxyz".index(c)]: _texts(parts[c], quaternion.decimals) for c in quaternion.columns
    }


def _vector_cells(vector, along_camera):
    """Board columns of a quantity along camera right, down, forward."""
    board = np.empty_like(along_camera)
    for side, axis in enumerate(vector.axes):
        board[:, "xyz".index(axis[-1])] = along_camera[:, side] * (-1 if axis.startswith("-") else 1)
    written = board * vector.per_unit * vector.sign
    return {
        name: _texts(column, vector.decimals) for name, column in zip(vector.names, written.T, strict=True)
    }


def _clock_cells(clock, stamp_s, utc):
    """Column name -> texts, and the truth they carry. ``stamp_s``: flight time that each row claims."""
    rate = 1 + clock.ppm * 1e-6
    if clock.kind in ("stamp", "date_time"):
        start_s = (utc - EPOCH).total_seconds() + clock.ahead_s + clock.zone_h * 3600
        step = 10**clock.decimals
        # A logger cuts the digits off that it does not write; it does not round them.
        shown_s = np.floor((start_s + stamp_s * rate) * step + 1e-6) / step
        texts = [_stamp_text(clock, second) for second in shown_s]
        known_s = shown_s - (clock.zone_h * 3600 if clock.suffix else 0.0)
        start_s -= clock.zone_h * 3600 if clock.suffix else 0.0
        columns = dict(zip(clock.names, np.array(texts, dtype=object).T, strict=True))
        return columns, ClockTruth(" + ".join(clock.names), "iso8601", known_s, start_s, rate)
    unit_s = {"s": 1.0, "ms": 1e-3}.get(clock.kind, 1e-6)
    counted = (clock.start_s + stamp_s * rate) / unit_s
    unbroken = np.round(counted, clock.decimals if clock.kind == "s" else 0)
    shown = unbroken % WRAP_US if clock.kind == "us32" else unbroken
    texts = _texts(shown, clock.decimals if clock.kind == "s" else 0)
    truth = ClockTruth(clock.names[0], clock.kind[:2], unbroken * unit_s, clock.start_s, rate)
    return {clock.names[0]: texts}, truth


def _stamp_text(clock, second):
    """(text,) or (date, time) of one stamp."""
    whole = EPOCH + dt.timedelta(seconds=float(np.floor(second + 1e-7)))
    fraction = f"{second - np.floor(second + 1e-7):.{clock.decimals}f}"[1:] if clock.decimals else ""
    if clock.kind == "stamp":
        return (f"{whole:%Y-%m-%dT%H:%M:%S}{fraction}{clock.suffix}",)
    return (f"{whole:%Y-%m-%d}", f"{whole:%H:%M:%S}{fraction}{clock.suffix}")


def _runs(count, share, rng):
    """Rows of short runs that make up about a share of all."""
    hit = np.zeros(count, bool)
    while hit.sum() < share * count:
        start = rng.integers(count // 20, count - 8)
        hit[start : start + rng.integers(1, 7)] = True
    return hit


def _extra_cells(kind, t_s, rng):
    n = len(t_s)
    if kind == "row":
        return np.array([str(k) for k in range(n)], dtype=object)
    if kind == "state":
        return np.where(np.arange(n) < 0.1 * n, "WARMUP", "HOLD").astype(object)
    low, high, decimals = {
        "volts": (16.2, 15.7, 2),
        "percent": (93.0, 90.0, 0),
        "satellites": (14.0, 15.4, 0),
        "height": (8.2, 7.9, 1),
        "current": (3.1, 3.4, 2),
        "motor": (0.22, 0.27, 3),
    }[kind]
    wander = np.linspace(low, high, n) + np.cumsum(rng.normal(0, abs(high - low) / n**0.5 / 8, n))
    return _texts(wander, decimals)


def dressed(log, utc, seed):
    """Text of a log and its truth. ``utc`` : of flight time 0. ``seed`` : of the folder."""
    rng = np.random.default_rng(fixed_seed("log", seed, log.file))
    t_s, sampled_s, stamp_s = _moments(log, rng)
    clock_columns, clocks = {}, []
    for clock in log.clocks:
        cells, truth = _clock_cells(clock, stamp_s, utc)
        clock_columns |= cells
        clocks.append(truth)

    ours_deg = body_angles_deg(log.flight, log.body, sampled_s)
    if log.damage.frozen_s:
        last = np.searchsorted(t_s, t_s[-1] - log.damage.frozen_s)
        ours_deg[last:] = ours_deg[last]
    if isinstance(log.attitude, Angles):
        ours_deg[:, 2] += log.attitude.yaw_drift_dpm * t_s / 60
        ours_deg[:, 2] -= log.attitude.yaw_from_power_on * ours_deg[0, 2]
    measured, missing = _damaged(log, _attitude_cells(log.attitude, ours_deg), t_s, rng)
    beside = {
        body: _angle_cells(angles, body_angles_deg(log.flight, body, sampled_s))
        for body, angles in log.beside
    }
    angle_columns = _with_targets(log, measured, sampled_s)
    for cells in beside.values():
        angle_columns |= cells

    rows = sensor_rows(log.flight, sampled_s)
    temperature_c = 31.0 + 0.02 * t_s + 0.4 * np.sin(t_s / 9)
    columns = clock_columns | angle_columns
    for vector, values in ((log.accelerometer, rows["accel_g"]), (log.gyro, rows["gyro_dps"])):
        if vector is not None:
            columns |= _vector_cells(vector, values)
    if log.temperature:
        columns[log.temperature] = _texts(temperature_c, 1)
    if log.velocity:
        columns |= {k: _texts(v, 2) for k, v in zip(log.velocity, rows["velocity_mps"].T, strict=True)}
    for name, kind in log.extra.items():
        columns[name] = _extra_cells(kind, t_s, rng)

    text = _written(log, columns, rng)
    missing[-1] |= log.damage.torn
    late_s = (log.burst - 1) / 2 / log.rate_hz
    truth = LogTruth(
        log=log,
        clocks=tuple(clocks),
        flight_t_s=t_s,
        angles_deg=np.where(missing[:, None], np.nan, ours_deg),
        tolerance_deg=_tolerance_deg(log.attitude),
        accel_g=rows["accel_g"],
        gyro_dps=rows["gyro_dps"],
        temperature_c=temperature_c,
        velocity_mps=rows["velocity_mps"],
        late_s=log.delay_s + late_s,
        loose_s=late_s,
        right=_right_entries(log, clocks),
        bodies={log.body: tuple(measured)} | {body: tuple(cells) for body, cells in beside.items()},
    )
    return text, truth


def _moments(log, rng):
    """Flight times of the rows, of what they report, and of what their stamps claim."""
    to_s = min(log.to_s or np.inf, flown(log.flight).length_s - 0.5)
    beat_s = 1 / log.rate_hz
    t_s = np.arange(log.from_s, to_s, beat_s)
    t_s = t_s + rng.uniform(0, 0.04, len(t_s)) * beat_s
    for k, gap_s in enumerate(log.damage.gaps_s):
        start = log.from_s + (to_s - log.from_s) * (0.31 + 0.4 * k)
        t_s = t_s[(t_s < start) | (t_s > start + gap_s)]
    row = np.arange(len(t_s))
    stamp_s = t_s
    if log.burst > 1:  # a packet's rows are stamped when it arrives, one after the other
        first = (row // log.burst) * log.burst
        stamp_s = t_s[np.minimum(first + log.burst - 1, row[-1])] + 0.001 * (row - first)
    if (restart_s := log.damage.restart_at_s) is not None:
        stamp_s = np.where(t_s > restart_s, t_s - restart_s - log.clocks[0].start_s, stamp_s)
    return t_s, t_s[(row // log.held) * log.held] - log.delay_s, stamp_s


def _attitude_cells(attitude, ours_deg):
    make = _angle_cells if isinstance(attitude, Angles) else _quaternion_cells
    return make(attitude, ours_deg)


def _damaged(log, measured, t_s, rng):
    """The attitude's columns with what stands where there is none, and those rows."""
    missing = np.zeros(len(t_s), bool)
    if log.damage.written is not None:
        missing = _runs(len(t_s), log.damage.share, rng)
        measured = {name: np.where(missing, log.damage.written, cells) for name, cells in measured.items()}
    if log.damage.zeros_s:
        early = t_s < t_s[0] + log.damage.zeros_s
        zero = _texts([0.0], log.attitude.decimals)[0]
        measured = {name: np.where(early, zero, cells) for name, cells in measured.items()}
        missing = missing | early
    return measured, missing


def _with_targets(log, measured, sampled_s):
    """Each commanded angle right behind the measured one."""
    if not log.target:
        return dict(measured)
    told = log.attitude
    aims = Angles(log.target, told.unit, told.decimals, told.signs, columns=told.columns)
    goals = _angle_cells(aims, body_angles_deg(log.flight, "commanded", sampled_s))
    pairs = zip(measured.items(), goals.items(), strict=True)
    return {name: cells for pair in pairs for name, cells in pair}


def _tolerance_deg(attitude):
    """How far a rightly read angle may be off, by the rounding of what was written."""
    if isinstance(attitude, Quaternion):
        return 3.0 * np.degrees(10.0**-attitude.decimals) + 0.005
    step_deg = (10.0**-attitude.decimals if attitude.unit in SCALES else 1.0) / _scale(attitude.unit)
    # Turned into another order, the rounding of one angle shows in the others.
    return (0.8 if attitude.order == "yaw_roll_pitch" else 0.6) * step_deg + 0.005


def _right_entries(log, clocks):
    """A sheet's entries that read this log as it is meant."""
    right = {"time": clocks[0].name, "time_unit": clocks[0].unit}
    attitude = log.attitude
    if isinstance(attitude, Quaternion):
        right |= {"quaternion": attitude.names, "quaternion_of": attitude.of}
    else:
        names = dict(zip(("roll", "pitch", "yaw"), attitude.names, strict=True))
        right |= {key: name for key, name in names.items() if name}
        right["angle_unit"] = attitude.unit
        right["angle_order"] = attitude.order
        ways = (("roll", "right_down", "left_down"), ("pitch", "up", "down"), ("yaw", "right", "left"))
        for (key, ours, other), sign in zip(ways, attitude.signs, strict=True):
            right[f"{key}_positive"] = ours if sign == "+" else other
    for key, vector in (("accelerometer", log.accelerometer), ("gyro", log.gyro)):
        if vector is not None:
            right |= {key: vector.names, f"{key}_unit": vector.unit, "sensor_axes": vector.axes}
    if log.accelerometer is not None:
        plus = log.accelerometer.sign > 0
        right["accelerometer_sign"] = "up_reads_plus" if plus else "up_reads_minus"
    if log.temperature:
        right["temperature_c"] = log.temperature
    if log.velocity:
        right["velocity_mps"] = log.velocity
    return right


def _unit_texts(log, columns):
    """What the header says of each column's unit."""
    units = dict.fromkeys(columns, "")
    for clock in log.clocks:
        for name in clock.names:
            units[name] = clock.unit or {"s": "s", "ms": "ms"}.get(
                clock.kind, "us" if "us" in clock.kind else ""
            )
    angle_sets = [
        angles for angles in (log.attitude, *(a for _, a in log.beside)) if isinstance(angles, Angles)
    ]
    for angles in angle_sets:
        units |= {name: angles.unit_text for name in angles.names if name}
    if log.target:
        units |= dict.fromkeys(log.target, log.attitude.unit_text)
    for vector in (log.accelerometer, log.gyro):
        if vector is not None:
            units |= dict.fromkeys(vector.names, vector.unit_text)
    units |= {name: "degC" for name in (log.temperature,) if name}
    units |= dict.fromkeys(log.velocity, "m/s")
    units |= {name: {"volts": "V", "height": "m", "current": "A"}.get(k, "") for name, k in log.extra.items()}
    return units


def _written(log, columns, rng):
    """The whole file as text."""
    layout, units = log.layout, _unit_texts(log, columns)
    names = list(columns)
    header = [f"{n} [{units[n]}]" if layout.units == "brackets" and units[n] else n for n in names]
    kind = [layout.kind] if layout.kind else []
    cells = [columns[name] for name in names]
    if layout.decimal_comma:
        cells = [np.array([str(c).replace(".", ",") for c in column], dtype=object) for column in cells]
    lines = [layout.separator.join([*kind, *row]) for row in zip(*cells, strict=True)]
    if layout.other_kinds:
        mixed = []
        for k, line in enumerate(lines):
            mixed.append(line)
            if k % max(1, round(log.rate_hz / 2)) == 3:
                what = layout.other_kinds[(k // 7) % len(layout.other_kinds)]
                cell = [
                    str(columns[names[0]][k]),
                    f"{15.9 + rng.normal(0, 0.05):.2f}",
                    f"{rng.integers(0, 4)}",
                ]
                mixed.append(layout.separator.join([what, *cell]))
        lines = mixed
    head = [*layout.preamble]
    head += [layout.separator.join([what, names[0], "value", "level"]) for what in layout.other_kinds]
    head.append(layout.mark + layout.separator.join([*kind, *header]))
    if layout.units == "row":
        head.append(layout.separator.join([*kind, *(units[name] or "-" for name in names)]))
    whole = [*head, *lines]
    text = layout.newline.join(whole) + layout.newline
    if log.damage.torn:
        last = whole[-1]
        text = text[: len(text) - len(layout.newline) - len(last)] + last[: len(last) // 2]
    return text
