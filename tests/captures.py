"""Invented six-face captures with known errors, on formulae of their own: rotations, not small angles."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import root
from scipy.spatial.transform import Rotation

from attitude.capture import FACES, Capture, StaticHold

__all__ = ["RATE_HZ", "Board", "capture", "hold", "invented_board", "true_level", "up_of"]

RATE_HZ = 50.0


@dataclass(frozen=True)
class Board:
    """A sensor that reads (scale, cross) @ up + offset. cross : (3, 3), zero on its diagonal."""

    offset_g: np.ndarray
    scale: np.ndarray
    cross: np.ndarray

    @property
    def matrix(self):
        return np.diag(self.scale) + self.cross


def invented_board(rng, *, offset_mg=20.0, scale=0.01, cross=0.0):
    """offset_mg, scale : sd. cross : largest part of one axis that another one reads."""
    return Board(
        rng.normal(0, offset_mg / 1000, 3),
        1 + rng.normal(0, scale, 3),
        rng.uniform(-cross, cross, (3, 3)) * (1 - np.eye(3)),
    )


def up_of(face, tilt_deg=(0.0, 0.0)):
    """Up along the board's axes with a face up, tilted by two angles towards the two other axes."""
    axis, sign = "xyz".index(face[1]), 1.0 if face[0] == "+" else -1.0
    others = [k for k in range(3) if k != axis]
    up = np.zeros(3)
    up[axis] = sign
    towards = np.zeros(3)
    towards[others] = np.radians(tilt_deg)
    return Rotation.from_rotvec(np.cross(up, towards)).apply(up)


def hold(rng, board, up, *, noise_mg=1.5, lasts_s=10.0, name="", move_mg=None, **more):
    """One hold. move_mg : (n, 3) added to the reading, or a function of the time."""
    t_s = np.arange(round(lasts_s * RATE_HZ)) / RATE_HZ
    reading = board.matrix @ up + board.offset_g + rng.normal(0, noise_mg / 1000, (len(t_s), 3))
    if move_mg is not None:
        reading = reading + move_mg(t_s) / 1000
    return StaticHold(name, "", reading, 1 / RATE_HZ, **more)


def capture(rng, board, tilts_deg, *, faces=FACES, **how):
    """Holds with the faces up. tilts_deg : (faces, 2)."""
    holds = [
        hold(rng, board, up_of(face, tilt), name=f"face {face}", **how)
        for face, tilt in zip(faces, tilts_deg, strict=True)
    ]
    return Capture(tuple(holds))


def true_level(board, constants, axes):
    """Roll and pitch, deg, of a camera square on the board when the calibrated reading says level."""
    rows = np.array([np.eye(3)["xyz".index(axis[-1])] * (-1 if axis[0] == "-" else 1) for axis in axes])

    def off_level(angles):
        roll, pitch = angles
        up_cam = [-np.sin(roll) * np.cos(pitch), -np.cos(roll) * np.cos(pitch), np.sin(pitch)]
        reading = board.matrix @ (rows.T @ up_cam) + board.offset_g
        right, down, forward = rows @ np.linalg.solve(constants.matrix, reading - constants.offset_g)
        return [right / down, forward / down]

    return np.degrees(root(off_level, [0.01, -0.01], tol=1e-12).x)
