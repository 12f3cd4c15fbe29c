"""Things that stand in front of the horizon: outlines in azimuth and elevation, filled in the picture.

They take no part in the truth: the skyline goes on behind them.
"""

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from horizon.synthetic import sample_texture
from tests.bench.scenery import View, to_pixels
from tests.bench.tiles import ground_tiles

__all__ = ["AT_SEA", "ON_LAND", "Thing", "add_things", "make_things"]

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]

AT_SEA = ("mast", "head", "boat", "boat", "headland", "rail", "post", "crown")
ON_LAND = ("tree", "tree", "tree", "head", "post", "shed", "crown")


@dataclass(frozen=True)
class Thing:
    """Outline (n, 2) of azimuth and elevation in rad, grey, how mottled it is, how soft its rim (px)."""

    outline: Array
    grey: float
    mottle: float
    soft_px: float


def make_things(
    sorts: tuple[str, ...], count: int, rng: np.random.Generator, *, heading: float
) -> list[Thing]:
    """``count`` things of the sorts, within 50 deg of a heading (rad)."""
    things: list[Thing] = []
    for _ in range(count):
        make = MAKERS[str(rng.choice(sorts))]
        things += make(rng, heading + float(rng.uniform(-0.9, 0.9)), float(rng.uniform(15, 80)))
    return things


def add_things(picture: Array32, things: list[Thing], view: View) -> None:
    """Paint the things over a picture, in place, the first farthest away."""
    height, width = picture.shape
    for thing in things:
        points = to_pixels(view, thing.outline[:, 0], thing.outline[:, 1])
        points = points[np.isfinite(points).all(axis=1)]
        points = np.clip(points, -4 * width, 5 * width)
        if len(points) < 3:
            continue
        margin = 3 + int(3 * thing.soft_px)
        x0, y0 = np.maximum(np.floor(points.min(axis=0)).astype(int) - margin, 0)
        x1, y1 = np.minimum(np.ceil(points.max(axis=0)).astype(int) + margin, [width, height])
        if x1 <= x0 or y1 <= y0:
            continue
        cover = np.zeros((y1 - y0, x1 - x0), np.uint8)
        corners = np.round((points - [x0, y0]) * 16).astype(np.int32)
        cv2.fillPoly(cover, [corners], 255, cv2.LINE_AA, 4)
        share = cover.astype(np.float32) / 255
        if thing.soft_px > 0:
            share = cv2.GaussianBlur(share, (0, 0), thing.soft_px)
        part = picture[y0:y1, x0:x1]
        x, y = np.meshgrid(np.arange(x0, x1, dtype=np.float32), np.arange(y0, y1, dtype=np.float32))
        spots = sample_texture(ground_tiles()[1], x / 2, y / 2)
        part += share * (np.float32(thing.grey) + np.float32(thing.mottle) * spots - part)


def _deg(points: list[tuple[float, float]], azimuth: float) -> Array:
    """Outline of corners in degrees about an azimuth, its sides cut fine enough for a bending lens."""
    corners = np.radians(np.array([*points, points[0]]))
    steps = np.linspace(0, 1, 12, endpoint=False)[:, None]
    sides = [a + steps * (b - a) for a, b in pairwise(corners)]
    return _placed(np.concatenate(sides), azimuth)


def _placed(outline: Array, azimuth: float) -> Array:
    return np.asarray(outline + np.array([azimuth, 0.0]))


def _blob(rng: np.random.Generator, azimuth: float, elevation: float, radius: float, rough: float) -> Array:
    angle = np.linspace(0, 2 * np.pi, 140, endpoint=False)
    size = np.ones_like(angle)
    for k in range(2, 45):
        size += rng.normal(0, rough / k**0.7) * np.cos(k * angle + rng.uniform(0, 6.3))
    size = radius * np.maximum(size, 0.3)
    return np.column_stack([azimuth + size * np.cos(angle), elevation + 0.9 * size * np.sin(angle)])


def _mast(rng: np.random.Generator, azimuth: float, grey: float) -> list[Thing]:
    top, half, lean = rng.uniform(3, 25), rng.uniform(0.08, 0.5), rng.uniform(-1, 1)
    foot = -70.0
    pole = _deg([(-half, foot), (half, foot), (lean + half * 0.6, top), (lean - half * 0.6, top)], azimuth)
    things = [Thing(pole, grey, 2, 0)]
    for side in (-1.0, 1.0):
        end = side * rng.uniform(12, 30)
        stay = [(end, foot), (end + 0.06, foot), (lean + 0.03, top), (lean - 0.03, top)]
        things.append(Thing(_deg(stay, azimuth), grey, 0, 0))
    return things


def _post(rng: np.random.Generator, azimuth: float, grey: float) -> list[Thing]:
    half, top = rng.uniform(0.2, 1.8), rng.uniform(0.5, 12)
    corners = [(-half, -45.0), (half, -45.0), (half, top), (-half, top)]
    return [Thing(_deg(corners, azimuth), grey, 5, 0)]


def _rail(rng: np.random.Generator, azimuth: float, grey: float) -> list[Thing]:
    """A railing: bars that run level some degrees under the horizon, on posts."""
    things = []
    low = rng.uniform(-14, -5)
    for bar in range(int(rng.integers(1, 4))):
        at = low - bar * rng.uniform(2.5, 4)
        bar_corners = [(-35.0, at), (35.0, at + 0.5), (35.0, at + 0.9), (-35.0, at + 0.4)]
        things.append(Thing(_deg(bar_corners, azimuth), grey, 2, 0))
    for k in range(-3, 4):
        post = [
            (k * 10 - 0.3, -40.0),
            (k * 10 + 0.3, -40.0),
            (k * 10 + 0.3, low + 1),
            (k * 10 - 0.3, low + 1),
        ]
        things.append(Thing(_deg(post, azimuth), grey, 2, 0))
    return things


def _head(rng: np.random.Generator, azimuth: float, grey: float) -> list[Thing]:
    size = rng.uniform(1.5, 5)
    top = rng.uniform(-3, 7)
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    oval = np.radians(np.column_stack([size * 0.8 * np.cos(angle), top - size + size * np.sin(angle)]))
    neck = top - 2 * size
    half = [(0.55, 0.6), (0.6, -0.1), (1.0, -0.45), (1.7, -0.75), (2.15, -1.2), (2.4, -2.2), (2.6, -5.0)]
    right = [(x * size, neck + y * size) for x, y in half] + [(2.7 * size, -75.0)]
    shoulders = _deg([*right, *((-x, y) for x, y in reversed(right))], azimuth)
    soft = float(rng.choice([0.0, 2.0, 5.0]))
    return [Thing(shoulders, grey * 1.2, 4, soft), Thing(_placed(oval, azimuth), grey, 4, soft)]


def _boat(rng: np.random.Generator, azimuth: float, grey: float) -> list[Thing]:
    length, water = rng.uniform(0.4, 4), rng.uniform(-2.5, -0.25)
    hull = [(-0.42, 0.0), (0.42, 0.0), (0.55, 0.16), (-0.5, 0.13)]
    cabin = [(-0.3, 0.12), (0.12, 0.12), (0.05, 0.3), (-0.25, 0.3)]
    mast = [(0.0, 0.2), (0.025, 0.2), (0.02, 0.95), (0.005, 0.95)]
    tone = float(rng.choice([grey, 215.0]))
    parts = [(hull, tone)] + ([(cabin, 200.0)] if rng.random() < 0.6 else [])
    parts += [(mast, grey)] if rng.random() < 0.6 else []
    return [
        Thing(_deg([(x * length, water + y * length) for x, y in part], azimuth), level, 3, 0)
        for part, level in parts
    ]


def _headland(rng: np.random.Generator, azimuth: float, grey: float) -> list[Thing]:
    """A spur of coast that runs out into the sea on one side: it hides a tenth to a third of the line."""
    side = float(rng.choice([-1.0, 1.0]))
    length, height = rng.uniform(10, 30), rng.uniform(0.4, 3)
    x = np.linspace(0, 1, 160)
    rough = np.cumsum(rng.normal(0, 0.02, len(x)))
    top = height * np.clip(x**0.6 + rough * np.minimum(1, 4 * x), 0.0, 1.4)
    foot = np.full(len(x), -rng.uniform(0.5, 1.5))
    outline = np.vstack(
        [
            np.column_stack([side * x * length, np.where(x < 0.03, foot, top - 0.2)]),
            np.column_stack([side * x[::-1] * length, foot]),
        ]
    )
    return [Thing(_placed(np.radians(outline), azimuth), grey + 30, 9, 0)]


def _tree(rng: np.random.Generator, azimuth: float, grey: float) -> list[Thing]:
    size = rng.uniform(0.6, 5)
    foot = -rng.uniform(0.2, 1.5) * size
    trunk = [(-0.08 * size, foot), (0.08 * size, foot), (0.05 * size, size), (-0.05 * size, size)]
    things = [Thing(_deg(trunk, azimuth), grey * 0.8, 3, 0)]
    for _ in range(9):
        at = azimuth + np.radians(size * rng.uniform(-0.6, 0.6))
        up = np.radians(foot + size * rng.uniform(1.0, 2.1))
        things.append(Thing(_blob(rng, at, up, np.radians(size * rng.uniform(0.3, 0.6)), 0.09), grey, 9, 0))
    return things


def _crown(rng: np.random.Generator, azimuth: float, grey: float) -> list[Thing]:
    """Leaves hanging into the picture close to the lens, out of focus."""
    up = np.radians(rng.uniform(10, 28))
    spread = rng.normal(0, [0.1, 0.05], (30, 2))
    at, off = float(np.degrees(up)), rng.uniform(-12, 12)
    twig = _deg([(-0.3, at - 2), (0.3, at - 2), (off + 0.8, 75.0), (off - 0.8, 75.0)], azimuth)
    leaves = [
        Thing(
            _blob(rng, azimuth + across, up + over, rng.uniform(0.008, 0.03), 0.1),
            grey + rng.uniform(-10, 15),
            6,
            float(rng.choice([1.0, 4.0])),
        )
        for across, over in spread
    ]
    return [Thing(twig, grey, 3, 2.0), *leaves]


def _shed(rng: np.random.Generator, azimuth: float, grey: float) -> list[Thing]:
    width, height, foot = rng.uniform(1, 7), rng.uniform(0.5, 3), -rng.uniform(0.3, 2)
    wall = [(-width, foot), (width, foot), (width, foot + height), (-width, foot + height)]
    roof = [(-1.05 * width, foot + height), (1.05 * width, foot + height)]
    roof += [(0.8 * width, foot + 1.5 * height), (-0.8 * width, foot + 1.5 * height)]
    return [Thing(_deg(wall, azimuth), grey + 60, 4, 0), Thing(_deg(roof, azimuth), grey, 4, 0)]


MAKERS = {
    "mast": _mast,
    "post": _post,
    "rail": _rail,
    "head": _head,
    "boat": _boat,
    "headland": _headland,
    "tree": _tree,
    "crown": _crown,
    "shed": _shed,
}
