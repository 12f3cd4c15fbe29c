"""Patterns without any depth: stripes, checks, patches, arcs, cloth, print. Straight edges, and no sky."""

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from horizon.lens import Lens
from horizon.synthetic import sample_texture
from tests.bench.tiles import ground_tiles

__all__ = ["PATTERNS"]

Array32 = NDArray[np.float32]


def _turned(lens: Lens, rng: np.random.Generator) -> tuple[Array32, Array32]:
    """Coordinates from -0.5 to 0.5 across the picture's width, turned by any angle."""
    y, x = np.mgrid[0 : lens.height_px, 0 : lens.width_px].astype(np.float32)
    x, y = x / lens.width_px - 0.5, (y - lens.height_px / 2) / lens.width_px
    turn = rng.uniform(-np.pi, np.pi)
    c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
    return c * x + s * y, c * y - s * x


def _grain(u: Array32, v: Array32, rng: np.random.Generator) -> Array32:
    """A little of something on top, or nothing."""
    size = np.float32(rng.choice([0.0, 1.0, 3.0, 8.0]))
    tile = ground_tiles()[int(rng.integers(len(ground_tiles())))]
    scale = np.float32(rng.uniform(100, 900))
    return np.asarray(size * sample_texture(tile, u * scale, v * scale), np.float32)


def _stripes(lens: Lens, rng: np.random.Generator) -> Array32:
    """Parallel bands of any width, at least three of them in the picture, some fading across."""
    u, v = _turned(lens, rng)
    edges = np.sort(rng.uniform(-0.28, 0.28, int(rng.integers(2, 9))))
    if edges[-1] - edges[0] < 0.06:
        edges = np.array([-0.1, 0.1])
    band = np.searchsorted(edges, v.ravel()).reshape(v.shape)
    grey, slope = rng.uniform(40, 220, len(edges) + 1), rng.uniform(-120, 120, len(edges) + 1)
    slope *= rng.random() < 0.5
    rough = rng.uniform(0, 1, len(edges) + 1)
    picture = grey[band] + slope[band] * v + rough[band] * _grain(u, v, rng)
    return np.asarray(picture, np.float32)


def _checks(lens: Lens, rng: np.random.Generator) -> Array32:
    """Tiles of two or more greys, square or long."""
    u, v = _turned(lens, rng)
    a, b = rng.uniform(3, 14), rng.uniform(3, 14)
    cell = (np.floor(u * a + 99) * 7 + np.floor(v * b + 99) * 13).astype(int)
    grey = rng.uniform(40, 220, int(rng.integers(2, 9)))
    return np.asarray(grey[cell % len(grey)] + _grain(u, v, rng), np.float32)


def _patches(lens: Lens, rng: np.random.Generator) -> Array32:
    """Straight-edged patches over each other, none reaching through the picture."""
    u, v = _turned(lens, rng)
    picture = np.full(u.shape, rng.uniform(60, 200), np.float32)
    size = np.array([lens.width_px, lens.height_px])
    for _ in range(int(rng.integers(4, 25))):
        middle, reach = rng.uniform(0, 1, 2) * size, rng.uniform(0.05, 0.22) * lens.width_px
        angles = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(3, 6))))
        corners = middle + reach * np.column_stack([np.cos(angles), np.sin(angles)])
        cv2.fillPoly(picture, [corners.astype(np.int32)], float(rng.uniform(30, 230)))
    return np.asarray(picture + _grain(u, v, rng), np.float32)


def _arcs(lens: Lens, rng: np.random.Generator) -> Array32:
    """Rims of round things, whose edges bend through the picture."""
    u, v = _turned(lens, rng)
    picture = np.full(u.shape, rng.uniform(60, 200), np.float32)
    for _ in range(int(rng.integers(2, 6))):
        radius = rng.uniform(0.1, 0.45)
        away = np.hypot(u - np.float32(rng.uniform(-0.5, 0.5)), v - np.float32(rng.uniform(-0.4, 0.4)))
        soft = np.float32(rng.uniform(0.001, 0.01))
        inside = np.clip((np.float32(radius) - away) / soft + 0.5, 0, 1)
        picture += inside * (np.float32(rng.uniform(30, 230)) - picture)
    return np.asarray(picture + _grain(u, v, rng), np.float32)


def _cloth(lens: Lens, rng: np.random.Generator) -> Array32:
    """Bands crossing bands."""
    u, v = _turned(lens, rng)
    picture = np.full(u.shape, rng.uniform(90, 170), np.float32)
    for across in (u, v):
        for _ in range(int(rng.integers(1, 5))):
            pitch, width = rng.uniform(0.08, 0.4), rng.uniform(0.1, 0.6)
            picture += np.float32(rng.uniform(-50, 50)) * ((across / pitch + rng.uniform(0, 1)) % 1 < width)
    return np.asarray(picture + _grain(u, v, rng), np.float32)


def _page(lens: Lens, rng: np.random.Generator) -> Array32:
    """Print: rows of short dark marks on light, or light on dark."""
    u, v = _turned(lens, rng)
    row, mark = rng.uniform(0.02, 0.06), rng.uniform(0.005, 0.03)
    rows = np.floor(v / row).astype(int)
    marks = np.floor(u / mark).astype(int)
    printed = (rows * 7919 + marks * 104729) % 11 < rng.integers(4, 9)
    printed &= (v / row) % 1 < rng.uniform(0.3, 0.7)
    light, dark = rng.uniform(150, 235), rng.uniform(20, 110)
    if rng.random() < 0.3:
        light, dark = dark, light
    return np.asarray(np.where(printed, dark, light) + _grain(u, v, rng), np.float32)


PATTERNS: dict[str, Callable[[Lens, np.random.Generator], Array32]] = {
    "stripes": _stripes,
    "checks": _checks,
    "patches": _patches,
    "arcs": _arcs,
    "cloth": _cloth,
    "print": _page,
}
