"""The lean that constants will leave: what the camera does when the calibrated sensor says level.

A gimbal turns the sensor until the calibrated reading points to the camera's up. With constants M_c, b_c
and the truth M, b that is where M u + b = k M_c u_level + b_c, |u| = 1; the roll of u is the lean, its
pitch the pitch error. True is what the bubble calls level, and the camera is taken to sit square on the
board: how it really sits is no matter of the accelerometer, and a shoot tells it.

The truth: offset and scale of the norm method; beside the diagonal M_la = (d_l - difference of the tilts)/2,
d the difference of what a pair of faces reads across. So M is known as far as the bubble is, by each pair.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from attitude.capture import face_up
from attitude.constants import Constants
from attitude.face_models import Model, across, laterals_of
from attitude.face_tilts import Tilts
from attitude.findings import Estimate
from attitude.mapping import along_axes
from horizon.angles import angles_from_up

__all__ = ["Truth", "left_by", "moved_by", "pose_words", "truth_of", "upright_face"]

Array = NDArray[np.float64]

# What is up when camera right, down, forward points up, and when it points down.
POSE_OF_AXIS = (
    ("right side up", "left side up"),
    ("camera upside down", "camera level"),
    ("lens up", "lens down"),
)


@dataclass(frozen=True)
class Truth:
    """What the sensor most likely is, and what is open about it.

    offset_g (3,), matrix (3, 3); steps : (k, 3, 4), one standard uncertainty each, independent of one
    another, of the matrix and, in the last column, of the offset.
    """

    offset_g: Array
    matrix: Array
    steps: Array


def truth_of(faces_g: Array, noise_g: Array, norm: Model, tilts: Tilts) -> Truth:
    """The sensor as the faces show it. Arguments as for :func:`attitude.face_tilts.face_tilts`."""
    offset = np.array(norm.constants.offset_g)
    matrix = np.array(norm.constants.matrix)
    seen = across(faces_g, offset)
    steps = []
    for axis in range(3):
        up, down = 2 * axis, 2 * axis + 1
        apart = seen[up] - seen[down] - np.radians(tilts.tilt_deg[up] - tilts.tilt_deg[down])
        sd = np.hypot(np.radians(tilts.tilt_sd_deg[up]), np.hypot(noise_g[up], noise_g[down]) / 2)
        for i, lateral in enumerate(laterals_of(axis)):
            matrix[lateral, axis] = apart[i] / 2
            steps.append(_step(lateral, axis, float(sd[i])))
        steps.append(_step(axis, 3, float(norm.offset_sd_g[axis])))
        steps.append(_step(axis, axis, float(norm.scale_sd[axis])))
    return Truth(offset, matrix, np.array(steps))


def _step(row: int, column: int, size: float) -> Array:
    step = np.zeros((3, 4))
    step[row, column] = size
    return step


def left_by(constants: Constants, truth: Truth, axes: tuple[str, ...]) -> tuple[Estimate, Estimate]:
    """Lean (right side down +) and pitch error (lens up +), deg. axes : board axes right, down, forward."""
    return _estimates(lambda offset, matrix: _level_deg(constants, offset, matrix, axes), truth)


def moved_by(
    old: Constants, new: Constants, truth: Truth, axes: tuple[str, ...]
) -> tuple[Estimate, Estimate]:
    """By how much lean and pitch change from old constants to new, deg; what is open cancels nearly."""

    def change(offset: Array, matrix: Array) -> Array:
        return _level_deg(new, offset, matrix, axes) - _level_deg(old, offset, matrix, axes)

    return _estimates(change, truth)


def _estimates(angles: Callable[[Array, Array], Array], truth: Truth) -> tuple[Estimate, Estimate]:
    value = angles(truth.offset_g, truth.matrix)
    half = [
        (
            angles(truth.offset_g + step[:, 3], truth.matrix + step[:, :3])
            - angles(truth.offset_g - step[:, 3], truth.matrix - step[:, :3])
        )
        / 2
        for step in truth.steps
    ]
    sd = np.sqrt(np.sum(np.square(half), axis=0))
    return Estimate(float(value[0]), float(sd[0])), Estimate(float(value[1]), float(sd[1]))


def _level_deg(constants: Constants, offset_g: Array, matrix: Array, axes: tuple[str, ...]) -> Array:
    """Roll and pitch of the camera when the calibrated reading says level."""
    level = face_up(upright_face(axes))
    length = 1.0
    # The reading at rest is not quite 1 g long after wrong constants; two rounds settle it.
    for _ in range(3):
        wanted = length * (np.array(constants.matrix) @ level) + constants.offset_g
        up: Array = np.linalg.solve(matrix, wanted - offset_g).astype(np.float64)
        length /= float(np.linalg.norm(up))
    roll, pitch = angles_from_up(along_axes(axes, up[None])[0])
    return np.asarray(np.degrees(np.array([roll, pitch])), dtype=np.float64)


def upright_face(axes: tuple[str, ...]) -> str:
    """The face that is up when the camera is level: the board's axis that points up."""
    name = axes[1]
    return f"+{name[1]}" if name.startswith("-") else f"-{name}"


def pose_words(face: str, axes: tuple[str, ...]) -> str:
    """How the camera lies with that face up: ``camera level``, ``camera upside down``, ``right side up``."""
    along = along_axes(axes, face_up(face)[None])[0]
    side = int(np.argmax(np.abs(along)))
    return POSE_OF_AXIS[side][0 if along[side] > 0 else 1]
