"""Up vector to roll and pitch and back; wrapping. The only place that does either.

``up_cam = (-sin(roll) cos(pitch), -cos(roll) cos(pitch), sin(pitch))`` in camera axes x right, y down,
z forward; derived by turning the level up vector (0, -1, 0) by pitch about x, then by roll about z.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "angles_from_up",
    "apart_rad",
    "directions",
    "other_reading_deg",
    "rolled",
    "tangent_axes",
    "tangent_frame",
    "up_from_angles",
    "wrap_deg",
]

Array = NDArray[np.float64]


def up_from_angles(roll_rad: ArrayLike, pitch_rad: ArrayLike) -> Array:
    """Up vector in camera axes, shape (..., 3), of a camera with this roll and pitch (broadcast)."""
    roll, pitch = np.broadcast_arrays(np.asarray(roll_rad, float), np.asarray(pitch_rad, float))
    return np.stack([-np.sin(roll) * np.cos(pitch), -np.cos(roll) * np.cos(pitch), np.sin(pitch)], axis=-1)


def angles_from_up(up_cam: ArrayLike) -> tuple[Array, Array]:
    """Roll in (-pi, pi] and pitch in [-pi/2, pi/2], radians, of up vectors of shape (..., 3), any length."""
    up = np.asarray(up_cam, float)
    roll_rad = np.arctan2(-up[..., 0], -up[..., 1])
    pitch_rad = np.arctan2(up[..., 2], np.hypot(up[..., 0], up[..., 1]))
    return roll_rad, pitch_rad


def tangent_frame(roll_rad: ArrayLike, pitch_rad: ArrayLike) -> tuple[Array, Array]:
    """Unit vectors (..., 3) along which the up vector moves when roll, and when pitch, grows.

    d(up) = cos(pitch) d(roll) e_roll + d(pitch) e_pitch. e_roll is minus the horizontal right,
    e_pitch the horizontal forward direction, both in camera axes.
    """
    roll, pitch = np.broadcast_arrays(np.asarray(roll_rad, float), np.asarray(pitch_rad, float))
    e_roll = np.stack([-np.cos(roll), np.sin(roll), np.zeros_like(roll)], axis=-1)
    e_pitch = np.stack([np.sin(roll) * np.sin(pitch), np.cos(roll) * np.sin(pitch), np.cos(pitch)], axis=-1)
    return e_roll, e_pitch


def tangent_axes(up_cam: Array) -> Array:
    """The same two as columns (3, 2), of one up vector (3,), which is looked at many times a frame."""
    x, y, z = up_cam.tolist()
    across, length = math.hypot(x, y), math.sqrt(x * x + y * y + z * z)
    # Looking straight up or down, any roll will do.
    sin_roll, cos_roll = (-x / across, -y / across) if across > 0 else (0.0, 1.0)
    sin_pitch, cos_pitch = z / length, across / length
    return np.array(
        [[-cos_roll, sin_roll * sin_pitch], [sin_roll, cos_roll * sin_pitch], [0.0, cos_pitch]], float
    )


def apart_rad(one: ArrayLike, other: ArrayLike) -> Array:
    """Angle between unit vectors of shape (..., 3), in [0, pi]."""
    return np.asarray(np.arccos(np.clip(np.sum(np.multiply(one, other), axis=-1), -1, 1)))


def directions(up_cam: ArrayLike, azimuth_rad: ArrayLike, raised_rad: float = 0.0) -> Array:
    """Unit rays (n, 3) at azimuths right of the lens's heading, raised above the level of ``up_cam``."""
    up = np.asarray(up_cam, float)
    towards = np.stack([-np.sin(azimuth_rad), np.cos(azimuth_rad)], axis=1)
    level = towards @ tangent_axes(up).T
    return np.asarray(level * math.cos(raised_rad) + math.sin(raised_rad) * up)


def other_reading_deg(roll_deg: ArrayLike, pitch_deg: ArrayLike, dip_rad: float) -> tuple[Array, Array]:
    """Roll and pitch of the same visible line with its other side for sky.

    The line lies dip below the level of either reading, so the pitch turns about -dip, not about 0.
    """
    return wrap_deg(np.asarray(roll_deg, float) + 180.0), -np.asarray(pitch_deg, float) - 2 * np.degrees(
        dip_rad
    )


def rolled(vectors: ArrayLike, turn_rad: float) -> Array:
    """Vectors (..., 3) in camera axes, as a camera sees them whose roll is smaller by ``turn_rad``."""
    v = np.asarray(vectors, float)
    cos, sin = np.cos(turn_rad), np.sin(turn_rad)
    return np.stack(
        [v[..., 0] * cos - v[..., 1] * sin, v[..., 0] * sin + v[..., 1] * cos, v[..., 2]], axis=-1
    )


def wrap_deg(angle_deg: ArrayLike) -> Array:
    """Angle brought to [-180, 180) degrees."""
    return (np.asarray(angle_deg, float) + 180.0) % 360.0 - 180.0
