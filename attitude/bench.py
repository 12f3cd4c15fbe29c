"""Holds of the sensor on the bench, upright, inverted or on any face, as evidence for its offset.

A sensor at rest reads f = (1 + s) u + b, u its up vector, s the scale of each axis, b the offset. Held in a
known pose up to the bubble's error, a hold gives, per axis of the sensor: along u, s + b (the error of the
pose enters by its square only); across u, b and the error of the pose, which is the bubble's. Upright and
inverted together show the sideways offset twice, each time with a bubble of its own; a pair of faces left and
right shows it free of the bubble. A whole capture of six faces comes as the ``faces.json`` of its check.

The columns, units, sign and axes of a hold's file are those of the first log with an accelerometer; without
one the columns are ax, ay, az in the unit that a reading of one g tells, sign and axes those of the first. A
``faces.json`` holds raw readings; what the gimbal's own constants took off while the shoot was filmed is
taken off them, so that the offset is the one that is left.

Bubble, noise and another day's offset are whole sizes: the report widens everything for what is not known of
log and filter (:data:`attitude.unknowns.INFLATE`), which a hold does not need, so its sd enters less by that.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from attitude.capture import FACES_FORMAT, face_up
from attitude.columns import nearest_names
from attitude.constants import constants_of
from attitude.mapping import accelerometer_scale_g, along_axes, along_camera, numbers
from attitude.repeatability import label
from attitude.sheet import BenchSheet, LogSheet, Shoot
from attitude.table import TableError, read_table
from attitude.unknowns import BENCH_SCALE, INFLATE, Unknown

__all__ = ["BenchError", "Hold", "bench_rows", "bench_unknowns", "read_holds"]

Array = NDArray[np.float64]

AXES = ("sideways", "vertical", "along_lens")
USUAL_COLUMNS = ("ax", "ay", "az")
# Readings of one g: in g, in m/s^2, in mg, and in counts of 16 bits at 16, 8, 4 and 2 g full scale.
USUAL_UNITS_G = (1.0, 1 / 9.80665, 1e-3, 1 / 2048, 1 / 4096, 1 / 8192, 1 / 16384)
UNIT_WITHIN = 0.1
ANOTHER_DAY_G = 5e-4  # by which an offset differs between bench and shoot, another day, another temperature
FEWEST_READINGS, RESOLUTION_G = 10, 2e-4
MOVED_G = 0.02
TILTED = 0.9  # cosine beyond which a hold is not the pose that the sheet says
DEG_PER_RAD = 180 / np.pi


class BenchError(ValueError):
    """A bench hold cannot be used; the text names the file, the place and the mend."""


@dataclass(frozen=True)
class Hold:
    """Mean reading of one hold in sensor axes turned to the camera's, g, and the pose's up vector there.

    sd_g : of the mean. bubble_deg : sd of the pose.
    """

    name: str
    up: Array
    reading_g: Array
    sd_g: float
    bubble_deg: float


def read_holds(shoot: Shoot) -> tuple[Hold, ...]:
    """Read every [[bench]] hold of a shoot.

    Raises
    ------
    BenchError
        A file holds no such columns, too few readings, another pose than the sheet says, or motion.
    """
    named = [log for log in shoot.logs if log.accelerometer is not None]
    holds: list[Hold] = []
    for one in shoot.bench:
        log = (*named, *shoot.logs, LogSheet(one.file))[0]
        holds += _capture(one, log, shoot.calibration) if one.of_faces else [_hold(one, log)]
    return tuple(holds)


def _capture(sheet: BenchSheet, log: LogSheet, calibration: str) -> list[Hold]:
    """Holds of a checked capture, less the constants that were in force."""
    name = sheet.file.name
    try:
        told = json.loads(sheet.file.read_bytes())
        if told["format"] != FACES_FORMAT:
            raise ValueError
        which = sheet.constants or _in_force(name, calibration, str(told["calibration"] or ""))
        return _holds_of(name, told, which, log)
    except OSError as error:
        raise BenchError(f"{name}: cannot be read ({error.strerror}); check the file") from None
    except BenchError:
        raise
    except (ValueError, KeyError, TypeError, IndexError, np.linalg.LinAlgError):
        mend = "write it with horizon-drift faces"
        raise BenchError(f"{name}: not the faces.json of a capture, or damaged; {mend}") from None


def _holds_of(name: str, told: Mapping[str, Any], which: str, log: LogSheet) -> list[Hold]:
    """Holds of the dictionary in a ``faces.json``; errors of any kind where it is none."""
    faces = told["faces"]
    readings_g = np.array([one["mean_mg"] for one in faces], float) / 1000
    sds_g = np.array([one["mean_sd_mg"] for one in faces], float) / 1000
    if readings_g.shape != (len(faces), 3) or not np.isfinite([*readings_g.ravel(), *sds_g]).all():
        raise ValueError
    if which != "none":
        plain = told["constants" if which == "new" else "old"]
        if plain is None:
            mend = "check the capture with --old FILE" if which == "old" else 'write constants = "none"'
            raise BenchError(f"{name}: holds no {which} constants; {mend}")
        readings_g = constants_of(np.array(plain["offset_mg"]) / 1000, plain["matrix"]).applied(readings_g)
    axes = told["sensor_axes"]
    along = axes["value"] if axes["basis"] == "told" else log.sensor_axes
    ups = along_axes(along, np.array([face_up(one["face"]) for one in faces]))
    holds = zip(faces, ups, along_axes(along, readings_g), sds_g, strict=True)
    bubble_deg = float(told["bubble_deg"])
    return [
        Hold(f"{name} {one['face']}", up, reading, float(sd_g), bubble_deg)
        for one, up, reading, sd_g in holds
    ]


def _in_force(name: str, filmed: str, captured: str) -> str:
    """Which constants the gimbal held, by the labels of the shoot's and the capture's calibration."""
    if not (filmed and captured):
        mend = 'write constants = "new" | "old" | "none" in its [[bench]]'
        raise BenchError(f"{name}: which constants did the gimbal hold while it filmed? {mend}")
    return "new" if label(filmed) == label(captured) else "old"


def _hold(sheet: BenchSheet, log: LogSheet) -> Hold:
    names = log.accelerometer or USUAL_COLUMNS
    try:
        table = read_table(sheet.file, names)
    except TableError as error:
        raise BenchError(str(error)) from None
    for name in names:
        if name not in table.cells:
            mend = f"{nearest_names(name, table.names)}; name the columns as the log's accelerometer"
            raise BenchError(f"{sheet.file.name}: no column {name!r}; {mend}")
    board = np.column_stack([numbers(table, name) for name in names])
    board = board[np.isfinite(board).all(axis=1)]
    if len(board) < FEWEST_READINGS:
        raise BenchError(
            f"{sheet.file.name}: holds {len(board)} readings; hold the sensor still for ten seconds"
        )
    reading = along_camera(log, board * _unit_g(sheet, board, log))
    up = _pose_up(sheet.pose, log)
    mean = reading.mean(axis=0)
    if mean @ up < TILTED * np.linalg.norm(mean):
        raise BenchError(
            f"{sheet.file.name}: reads {', '.join(f'{value:+.2f}' for value in mean)} g along camera right, "
            f"down, forward: not the pose {sheet.pose!r}; correct pose, or accelerometer_sign of the log"
        )
    thirds = np.array([part.mean(axis=0) for part in np.array_split(reading, 3)])
    moved_g = float(np.ptp(thirds, axis=0).max())
    if moved_g > MOVED_G:
        raise BenchError(
            f"{sheet.file.name}: the reading moves by {1000 * moved_g:.0f} mg; hold still and log anew"
        )
    # Noise of neighbours hangs together: counted as one reading in ten, and never better than the resolution.
    noise_g = float(reading.std(axis=0).max()) / np.sqrt(len(reading) / 10)
    sd_g = float(np.sqrt(noise_g**2 + moved_g**2 / 12 + RESOLUTION_G**2))
    return Hold(sheet.file.name, up, mean, sd_g, sheet.bubble_deg)


def _unit_g(sheet: BenchSheet, board: Array, log: LogSheet) -> float:
    if log.accelerometer is not None or "accelerometer_unit" in log.given:
        return accelerometer_scale_g(log)
    sign = 1.0 if log.accelerometer_sign == "up_reads_plus" else -1.0
    size = float(np.linalg.norm(board.mean(axis=0)))
    for unit_g in USUAL_UNITS_G:
        if abs(size * unit_g - 1) < UNIT_WITHIN:
            return sign * unit_g
    raise BenchError(
        f"{sheet.file.name}: a reading of {size:g} at rest is one g in no usual unit; give accelerometer and "
        f"accelerometer_unit in a [[log]]"
    )


def _pose_up(pose: str, log: LogSheet) -> Array:
    """Up vector along camera right, down, forward: a level camera's is (0, -1, 0)."""
    if pose in ("upright", "inverted"):
        return np.array([0.0, -1.0 if pose == "upright" else 1.0, 0.0])
    return np.asarray(along_camera(log, face_up(pose)[None])[0])


def bench_unknowns(holds: Sequence[Hold]) -> list[Unknown]:
    """Scale of each axis that some hold has upright, and what the offsets were else when held, as angles."""
    if not holds:
        return []
    used = sorted({int(np.argmax(np.abs(hold.up))) for hold in holds})
    size = BENCH_SCALE * DEG_PER_RAD
    day_deg = ANOTHER_DAY_G * DEG_PER_RAD / INFLATE
    scales = [Unknown(f"bench_scale_{AXES[k]}", "", size, size) for k in used]
    return scales + [Unknown(f"bench_day_{axis}", "", day_deg, day_deg) for axis in AXES]


def bench_rows(holds: Sequence[Hold], names: Sequence[str]) -> tuple[Array, Array, Array]:
    """Columns (3 per hold, unknowns), what was read less the pose, deg (3 per hold), and its sd, deg.

    The sd is what the report, which widens it by ``INFLATE``, shows whole.
    """
    columns = np.zeros((3 * len(holds), len(names)))
    seen, sd = np.zeros(3 * len(holds)), np.zeros(3 * len(holds))
    for i, hold in enumerate(holds):
        along = int(np.argmax(np.abs(hold.up)))
        for k in range(3):
            row = 3 * i + k
            for of in ("offset", "bench_day"):
                columns[row, names.index(f"{of}_{AXES[k]}")] = 1.0
            seen[row] = DEG_PER_RAD * (hold.reading_g[k] - hold.up[k])
            sd[row] = DEG_PER_RAD * hold.sd_g
            if k == along:
                columns[row, names.index(f"bench_scale_{AXES[k]}")] = hold.up[k]
            else:
                sd[row] = np.hypot(sd[row], hold.bubble_deg)
    return columns, seen, sd / INFLATE
