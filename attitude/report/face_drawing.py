"""A picture per face: the sensor's board with that face up, and where its level was.

The board is drawn as a plate with the sensor on its +z side and pins below, seen from the front and a little
from above. Beside it the level from above: the middle is what the bubble called level, the rings are degrees,
the spot is where the board most likely sat, and its circle how well that is known (95 %).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from attitude.capture import face_axis, face_up
from attitude.face_check import FaceFound
from attitude.face_models import laterals_of

__all__ = ["board_drawing", "level_drawing"]

Array = NDArray[np.float64]

PLATE = np.array([30.0, 21.0, 2.5])  # half sizes along the board's x, y, z
CHIP = np.array([7.0, 7.0, 2.0])
PIN_LENGTH = 8.0
ARROW = 42.0
VIEW = Rotation.from_euler("zx", [24, -66], degrees=True)  # what is up stays up in the picture
RADIUS = 40.0  # of the outer ring, in drawing units


@dataclass(frozen=True)
class _Shape:
    """A polygon of the drawing: its points, class and how near it is."""

    points: Array
    kind: str
    near: float


def board_drawing(face: str) -> Markup:
    """The board with a face up, as SVG elements in a box of 160 x 110 units."""
    pose = VIEW * _pose(face)
    shapes = [*_box(np.zeros(3), PLATE, "board", pose)]
    on_top = np.array([-8.0, 4.0, PLATE[2] + CHIP[2]])
    shapes += _box(on_top, CHIP, "sensor", pose)
    for x in np.linspace(-22, 22, 5):
        pin = np.array([x, -17.0, -PLATE[2] - PIN_LENGTH / 2])
        shapes += _box(pin, np.array([1.2, 1.2, PIN_LENGTH / 2]), "pin", pose)
    ordered = sorted(shapes, key=lambda one: one.near)
    drawn = [f'<path class="{one.kind}" d="{_path(one.points)}"/>' for one in ordered]
    axis, sign = face_axis(face)
    for k, name in enumerate("xyz"):
        tip = np.zeros(3)
        tip[k] = ARROW if k != axis else sign * ARROW
        start = _flat(pose.apply(tip * (PLATE[k] / ARROW)))
        end, beyond = _flat(pose.apply(tip)), _flat(pose.apply(tip * 1.32))
        up = k == axis
        words = face if up else f"+{name}"
        kind = "up" if up else "axis"
        line = f"M{start[0]:.1f} {start[1]:.1f} L{end[0]:.1f} {end[1]:.1f}"
        drawn.append(f'<path class="{kind}" marker-end="url(#{kind}-tip)" d="{line}"/>')
        x, y = beyond[0], beyond[1] + 3
        drawn.append(f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}" text-anchor="middle">{words}</text>')
    return Markup("".join(drawn))


def level_drawing(one: FaceFound, rings_deg: float) -> Markup:
    """Where the board sat against what the bubble called level, in a box of 110 x 110 units.

    rings_deg : of the outer ring, the same for all faces of a capture.
    """
    across = laterals_of(face_axis(one.face)[0])
    # Seen from above with the first lateral axis to the right, the second points up or down the page.
    way = float(np.cross(face_up(one.face), np.eye(3)[across[0]])[across[1]])
    scale = RADIUS / rings_deg
    drawn = [
        f'<circle class="ring" cx="55" cy="55" r="{RADIUS}"/>',
        f'<circle class="ring" cx="55" cy="55" r="{RADIUS / 2}"/>',
        '<path class="ring" d="M51 55 h8 M55 51 v8"/>',
        f'<text x="104" y="58" text-anchor="middle">+{"xyz"[across[0]]}</text>',
        f'<text x="55" y="10" text-anchor="middle">{"+" if way > 0 else "-"}{"xyz"[across[1]]}</text>',
        f'<text class="faint" x="109" y="107" text-anchor="end">{rings_deg:g} deg</text>',
    ]
    if one.tilt_deg is not None and one.level_deg is not None:
        x, y = 55 + scale * float(one.tilt_deg[0]), 55 - way * scale * float(one.tilt_deg[1])
        spread = scale * one.level_deg.half_width
        kind = "spot off" if "off level" in one.again else "spot"
        drawn.append(f'<circle class="spread" cx="{x:.1f}" cy="{y:.1f}" r="{min(spread, RADIUS):.1f}"/>')
        drawn.append(f'<circle class="{kind}" cx="{x:.1f}" cy="{y:.1f}" r="3.5"/>')
    return Markup("".join(drawn))


def _pose(face: str) -> Rotation:
    """Board axes to the room's (x right, y away, z up) with that face up, on the shortest way from +z up."""
    if face == "-z":
        return Rotation.from_rotvec([np.pi, 0, 0])
    # A quarter turn, and none for +z.
    return Rotation.from_rotvec(np.cross(face_up(face), [0.0, 0.0, 1.0]) * (np.pi / 2))


def _box(middle: Array, half: Array, kind: str, pose: Rotation) -> list[_Shape]:
    """The three sides of a box that can be seen."""
    seen = []
    for axis in range(3):
        others = [k for k in range(3) if k != axis]
        for sign in (1.0, -1.0):
            outward = np.zeros(3)
            outward[axis] = sign
            if pose.apply(outward)[2] <= 1e-9:
                continue
            corners = []
            for a, b in ((1, 1), (1, -1), (-1, -1), (-1, 1)):
                corner = middle + outward * half[axis]
                corner[others[0]] += a * half[others[0]]
                corner[others[1]] += b * half[others[1]]
                corners.append(corner)
            turned = pose.apply(np.array(corners))
            seen.append(_Shape(turned, kind, float(turned[:, 2].mean())))
    return seen


def _flat(point: Array) -> tuple[float, float]:
    return 80 + 0.95 * float(point[0]), 58 - 0.95 * float(point[1])


def _path(points: Array) -> str:
    flat = [_flat(point) for point in points]
    return "M" + " L".join(f"{x:.1f} {y:.1f}" for x, y in flat) + " Z"
