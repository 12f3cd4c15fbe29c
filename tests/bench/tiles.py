"""Tiles of cloud, water, ground and fields that the drawn worlds share; worlds differ by where they look."""

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from horizon.synthetic import TEXTURE_PX, make_texture

__all__ = ["cloud_tiles", "field_tiles", "ground_tiles", "wave_tiles"]

Array32 = NDArray[np.float32]


@lru_cache(maxsize=1)
def cloud_tiles() -> tuple[Array32, ...]:
    """Tiles of cloud, some drawn out into streets."""
    rng = np.random.default_rng(101)
    return tuple(
        make_texture(rng, stretch=s, power=p) for s, p in ((1, 1.3), (1.4, 1.4), (1, 1.6), (1.8, 1.4))
    )


@lru_cache(maxsize=1)
def wave_tiles() -> tuple[Array32, ...]:
    """Tiles of water: crests drawn out across the wind, sharper than the troughs, without broad patches."""
    rng = np.random.default_rng(102)
    tiles = []
    for stretch, power in ((2.2, 1.5), (3.0, 1.5), (1.8, 1.3)):
        tile = make_texture(rng, stretch=stretch, power=power)
        tile = np.exp(np.float32(1.2) * (tile - gaussian_filter(tile, 9, mode="wrap")))
        tiles.append(np.asarray((tile - tile.mean()) / tile.std(), np.float32))
    return tuple(tiles)


@lru_cache(maxsize=1)
def ground_tiles() -> tuple[Array32, ...]:
    """Tiles of grass, scrub and sand."""
    rng = np.random.default_rng(103)
    return tuple(make_texture(rng, stretch=1, power=p) for p in (0.8, 1.0, 1.2))


@lru_cache(maxsize=1)
def field_tiles() -> tuple[Array32, ...]:
    """Tiles of fields with straight borders, hedges, plough lines and a road, about -1 to 1."""
    rng = np.random.default_rng(104)
    return tuple(_fields(rng) for _ in range(3))


def _fields(rng: np.random.Generator) -> Array32:
    tile = np.zeros((TEXTURE_PX, TEXTURE_PX), np.float32)
    parts = [(0, 0, TEXTURE_PX, TEXTURE_PX)]
    while parts:
        x, y, w, h = parts.pop()
        if max(w, h) > rng.uniform(40, 150):
            cut = rng.uniform(0.3, 0.7)
            if w > h:
                parts += [(x, y, int(w * cut), h), (x + int(w * cut), y, w - int(w * cut), h)]
            else:
                parts += [(x, y, w, int(h * cut)), (x, y + int(h * cut), w, h - int(h * cut))]
            continue
        field = np.full((h, w), rng.uniform(-1, 1), np.float32)
        if rng.random() < 0.4:
            stripes = np.sin(np.arange(w if w < h else h) * rng.uniform(1.2, 2.5)).astype(np.float32) * 0.25
            field += stripes[None, :] if w < h else stripes[:, None]
        if rng.random() < 0.5:
            field[:2] = -1.3
        tile[y : y + h, x : x + w] = field
    road = int(rng.integers(TEXTURE_PX))
    tile[:, road : road + 2] = 1.2
    return cv2.GaussianBlur(tile, (0, 0), 0.6)
