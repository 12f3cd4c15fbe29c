"""A six-face capture: the sensor board held still with each of its faces up, the raw accelerometer logged.

Face "+y" is the one that reads +1 g on the board's y axis, so the board's y side is up. Readings are in g
along the board's own axes, up reads plus whatever the log's sign.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from attitude.constants import Constants

__all__ = [
    "FACES",
    "FACES_FORMAT",
    "FACE_COSINE",
    "NEAR_1_G",
    "PROCEDURES",
    "PROCEDURE_WORDS",
    "Capture",
    "CaptureError",
    "CaptureSheet",
    "StaticHold",
    "face_axis",
    "face_of",
    "face_up",
    "nearest_face",
]

Array = NDArray[np.float64]

FACES_FORMAT = "horizon-drift faces"  # of a faces.json
FACES = ("+x", "-x", "+y", "-y", "+z", "-z")
# What a gimbal's calibration works out from the faces.
PROCEDURE_WORDS = {
    "offset_and_scale": "offset and scale only",
    "level_face": "one face defines level",
    "matrix": "full matrix",
}
PROCEDURES = tuple(PROCEDURE_WORDS)
FACE_COSINE = 0.966  # 15 deg: farther off it is some other pose, an edge perhaps
NEAR_1_G = 0.15  # a reading at rest farther off is in another unit, or not at rest


class CaptureError(ValueError):
    """The capture cannot be used; the text names the file, the place and the mend."""


@dataclass(frozen=True)
class CaptureSheet:
    """How a capture was made and is to be read.

    path : the sheet, or the first file where there is none. bubble_deg : how far off level the board may sit
    where its bubble looks centred (sd, per axis). procedure : one of ``PROCEDURES``; level_face : the face
    that "level_face" takes for level. words : the operator's words for a face, which side is up. old, new :
    constants that the gimbal held before, and those it holds now. sensor_axes : board axes along camera
    right, down, forward; None where not told. given : keys that the sheet states.
    """

    path: Path
    files: tuple[Path, ...]
    rig: str = ""
    calibration: str = ""
    date: dt.date | None = None
    accelerometer: tuple[str, ...] | None = None
    accelerometer_unit: str | float | None = None
    accelerometer_sign: str = "up_reads_plus"
    full_scale_g: float | None = None
    bits: int = 16
    gyro: tuple[str, ...] | None = None
    gyro_unit: str | float = "deg/s"
    temperature_c: str | None = None
    time: str | None = None
    time_unit: str | None = None
    rate_hz: float | None = None
    face: str | None = None
    sensor_axes: tuple[str, ...] | None = None
    bubble_deg: float = 0.25
    procedure: str | None = None
    level_face: str | None = None
    words: Mapping[str, str] = field(default_factory=dict)
    old: Constants | None = None
    new: Constants | None = None
    given: frozenset[str] = frozenset()


@dataclass(frozen=True)
class StaticHold:
    """One pose held still.

    name : where it stands, for people: "cube.csv, 12.0 to 24.5 s". label : what file or table call it, "".
    readings_g : (n, 3) board axes; one row where only an average is known. period_s : between readings, None
    for an average. start_s : in the log. step_g : of the last digit, 0 where it does not matter. gyro_dps,
    temperature_c : (n, 3), (n,) or None.
    """

    name: str
    label: str
    readings_g: Array
    period_s: float | None = None
    start_s: float = 0.0
    step_g: float = 0.0
    gyro_dps: Array | None = None
    temperature_c: Array | None = None

    @property
    def mean_g(self) -> Array:
        """Mean reading (3,)."""
        return np.asarray(self.readings_g.mean(axis=0))

    @property
    def lasts_s(self) -> float | None:
        """How long it was held, None for an average."""
        return None if self.period_s is None else len(self.readings_g) * self.period_s


@dataclass(frozen=True)
class Capture:
    """Holds in the order they were made, and notes on how they were read."""

    holds: tuple[StaticHold, ...]
    notes: tuple[str, ...] = ()


def nearest_face(mean_g: Array) -> tuple[str, float]:
    """Face that is most nearly up in a mean reading (3,), and the cosine of how far off it is."""
    axis = int(np.argmax(np.abs(mean_g)))
    cosine = float(abs(mean_g[axis]) / np.linalg.norm(mean_g))
    return ("+" if mean_g[axis] > 0 else "-") + "xyz"[axis], cosine


def face_of(mean_g: Array) -> str:
    """Face that is up in a mean reading (3,), "" where none is within 15 deg."""
    face, cosine = nearest_face(mean_g)
    return face if cosine >= FACE_COSINE else ""


def face_axis(face: str) -> tuple[int, float]:
    """Axis 0, 1, 2 of a face and its sign."""
    return "xyz".index(face[1]), 1.0 if face[0] == "+" else -1.0


def face_up(face: str) -> Array:
    """Up along the board's axes with a face up, (3,)."""
    axis, sign = face_axis(face)
    return np.asarray(sign * np.eye(3)[axis])
