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
    "angles_between_deg",
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

INVERSE = np.array([[1.0], [-1.0], [-1.0], [-1.0]])  # of a quaternion w x y z, component by component
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


def angles_between_deg(start_deg: Array, end_deg: Array, share: Array) -> Array:
    """Our roll, pitch, yaw (n, 3) at a share (n,) of the shortest turn from one attitude to another.

    In quaternions of the body (forward, right, down), qz(yaw) qy(pitch) qx(roll), as of
    :func:`rotation_from_angles`, which for a few thousand rows takes many times as long.
    """
    start = _quaternions(start_deg)
    turn = _product(start * INVERSE, _quaternions(end_deg))
    # The shorter way round.
    turn = np.where(turn[0] < 0, -turn, turn)
    size = np.sqrt(np.sum(turn[1:] ** 2, axis=0))
    half_rad = share * np.arctan2(size, turn[0])
    # Of no turn at all the axis is open, and nothing of it is wanted.
    along = np.divide(np.sin(half_rad), size, out=np.zeros_like(size), where=size > 0)
    return _angles_deg(_product(start, np.concatenate([np.cos(half_rad)[np.newaxis], along * turn[1:]])))


def _angles_deg(body: Array) -> Array:
    """Our roll, pitch, yaw (n, 3) of quaternions body to north-east-down, w x y z (4, n)."""
    w, x, y, z = body
    down = np.stack([2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)])
    roll_rad = np.arctan2(down[1], down[2])
    pitch_rad = np.arctan2(-down[0], np.hypot(down[1], down[2]))
    # Level right, of the body turned back by its roll: sound at every attitude.
    cos, sin = np.cos(roll_rad), np.sin(roll_rad)
    north = 2 * (x * y - w * z) * cos - 2 * (x * z + w * y) * sin
    east = (1 - 2 * (x * x + z * z)) * cos - 2 * (y * z - w * x) * sin
    return wrap_deg(np.degrees(np.column_stack([roll_rad, pitch_rad, np.arctan2(-north, east)])))


def _quaternions(angles_deg: Array, order: str = "yaw_pitch_roll") -> Array:
    """Body to north-east-down, w x y z (4, n), of roll, pitch, yaw (n, 3) in their order."""
    half_rad = np.radians(angles_deg.T) / 2
    (cr, cp, cy), (sr, sp, sy) = np.cos(half_rad), np.sin(half_rad)
    # The last two turns multiplied out are the same in either order but for the sign of the term in z.
    swapped = -1.0 if order == "yaw_pitch_roll" else 1.0
    w, x, y, z = cr * cp, sr * cp, cr * sp, swapped * sr * sp
    return np.stack([cy * w - sy * z, cy * x - sy * y, cy * y + sy * x, cy * z + sy * w])


def _product(p: Array, q: Array) -> Array:
    """Hamilton product of quaternions w x y z, (4, n)."""
    return np.stack(
        [
            p[0] * q[0] - p[1] * q[1] - p[2] * q[2] - p[3] * q[3],
            p[0] * q[1] + p[1] * q[0] + p[2] * q[3] - p[3] * q[2],
            p[0] * q[2] - p[1] * q[3] + p[2] * q[0] + p[3] * q[1],
            p[0] * q[3] + p[1] * q[2] - p[2] * q[1] + p[3] * q[0],
        ]
    )


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
    """Camera axes to north-east-down, of quaternions (n, 4; w first) as logged."""
    device, _, world = sheet.quaternion_of.partition("_to_")
    rotation = Rotation.from_quat(raw[:, [1, 2, 3, 0]])
    if world in ("camera", "body"):
        rotation, device, world = rotation.inv(), world, device
    rotation = rotation if device == "camera" else rotation * CAMERA_TO_BODY
    return rotation if world == "ned" else ENU_TO_NED * rotation


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
        if some.shape[1] == 4:
            return angles_from_rotation(camera_rotation(sheet, some))
        angles_deg = degrees_as_logged(sheet, some)
        if not as_logged:
            return _angles_deg(_quaternions(angles_deg, sheet.angle_order))
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
