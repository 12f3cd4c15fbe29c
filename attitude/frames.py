"""Logged attitude, in its own order, signs and axes, to the camera's roll, pitch and yaw.

Rotations take camera axes (right, down, forward) to north-east-down::

    R_ned_cam = R_ned_body P,   P = camera axes in body axes (forward, right, down), cyclic
    yaw_pitch_roll: R_ned_body = Rz(yaw) Ry(pitch) Rx(roll)     yaw_roll_pitch: Rz(yaw) Rx(roll) Ry(pitch)
    up_cam = R_ned_cam' (0, 0, -1)

the second giving tan(picture roll) = tan(logged roll) / cos(pitch). Roll and pitch come back from ``up_cam``,
yaw from where the camera's horizontal right lies, which is sound at every attitude. A quaternion "A_to_B"
takes the components of a vector in A to those in B.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from attitude.mapping import ANGLE_UNITS_DEG
from attitude.repair import largest
from attitude.sheet import LogSheet
from horizon.angles import angles_from_up, tangent_frame, wrap_deg

__all__ = [
    "angles_from_rotation",
    "camera_angles_deg",
    "camera_rotation",
    "degrees_as_logged",
    "in_blocks",
    "rotation_from_angles",
]

Array = NDArray[np.float64]

# Rows that are worked on at a time: few enough for the processor's cache.
BLOCK_ROWS = 1 << 14

ENU_TO_NED = Rotation.from_matrix([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, -1.0]])
CAMERA_TO_BODY = Rotation.from_matrix([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


def rotation_from_angles(angles_deg: Array) -> Rotation:
    """Camera axes to north-east-down, of our roll, pitch, yaw (n, 3)."""
    return Rotation.from_euler("ZYX", angles_deg[:, ::-1], degrees=True) * CAMERA_TO_BODY


def angles_from_rotation(rotation: Rotation) -> Array:
    """Our roll, pitch, yaw (n, 3) in degrees, of rotations from camera axes to north-east-down."""
    matrix = rotation.as_matrix()
    roll_rad, pitch_rad = angles_from_up(-matrix[:, 2, :])
    right_cam = -tangent_frame(roll_rad, pitch_rad)[0]
    right_ned = np.einsum("nij,nj->ni", matrix, right_cam)
    yaw_rad = np.arctan2(-right_ned[:, 0], right_ned[:, 1])
    return wrap_deg(np.degrees(np.column_stack([roll_rad, pitch_rad, yaw_rad])))


def degrees_as_logged(sheet: LogSheet, raw: Array) -> Array:
    """Logged angles (n, 2 or 3) in degrees and our signs, their order untouched."""
    scale = ANGLE_UNITS_DEG[sheet.angle_unit] if isinstance(sheet.angle_unit, str) else sheet.angle_unit
    signs = [
        1.0 if sheet.roll_positive == "right_down" else -1.0,
        1.0 if sheet.pitch_positive == "up" else -1.0,
        1.0 if sheet.yaw_positive == "right" else -1.0,
    ]
    degrees_logged: Array = raw * (scale * np.array(signs[: raw.shape[1]]))
    return degrees_logged


def camera_rotation(sheet: LogSheet, raw: Array) -> Rotation:
    """Camera axes to north-east-down, of roll, pitch, yaw (n, 3) or quaternions (n, 4; w first) as logged."""
    if raw.shape[1] == 4:
        device, _, world = sheet.quaternion_of.partition("_to_")
        rotation = Rotation.from_quat(raw[:, [1, 2, 3, 0]])
        if world in ("camera", "body"):
            rotation, device, world = rotation.inv(), world, device
        rotation = rotation if device == "camera" else rotation * CAMERA_TO_BODY
        return rotation if world == "ned" else ENU_TO_NED * rotation
    angles_deg = degrees_as_logged(sheet, raw)
    if sheet.angle_order == "yaw_roll_pitch":
        return Rotation.from_euler("ZXY", angles_deg[:, [2, 0, 1]], degrees=True) * CAMERA_TO_BODY
    return rotation_from_angles(angles_deg)


def camera_angles_deg(sheet: LogSheet, raw: Array, *, out: Array | None = None) -> Array:
    """Our roll, pitch, yaw (n, 3) of the camera, of logged angles (n, 2 or 3) or quaternions (n, 4).

    out : where to put them, (n, 3).
    """
    as_logged = raw.shape[1] < 4 and sheet.angle_order == "yaw_pitch_roll"
    if as_logged:
        # Already in our order: kept as logged rather than sent through a rotation and back.
        steepest = np.array([[0.0, largest(raw[:, 1])]])
        as_logged = bool(abs(degrees_as_logged(sheet, steepest)[0, 1]) <= 90)

    def angles(some: Array) -> Array:
        if some.shape[1] == 2:
            some = np.column_stack([some, np.zeros(len(some))])
        if not as_logged:
            return angles_from_rotation(camera_rotation(sheet, some))
        angles_deg = degrees_as_logged(sheet, some)
        if not largest(angles_deg) < 180:
            turned = ~(np.abs(angles_deg) < 180)
            angles_deg[turned] = wrap_deg(angles_deg[turned])
        return angles_deg

    return in_blocks(angles, raw, out=np.empty((len(raw), 3)) if out is None else out)


def in_blocks(function: Callable[[Array], Array], values: Array, *, out: Array | None = None) -> Array:
    """``function`` of the rows of ``values`` (n, ...), so many at a time that memory does not fill.

    out : where to put them; without, they are one number each, (n,).
    """
    out = np.empty(len(values)) if out is None else out
    for first in range(0, len(values), BLOCK_ROWS):
        out[first : first + BLOCK_ROWS] = function(values[first : first + BLOCK_ROWS])
    return out
