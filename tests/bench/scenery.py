"""What stands before the camera in the evaluation's drawn frames: sky, surface, ridges, sun, lights.

Everything is a function of a ray's direction above the true level, as in ``horizon.synthetic``, so that the
skyline is known through any lens. Borders that matter for the truth are compared as sines of the elevation,
a pixel being shared between both sides as a sensor's pixel is.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from horizon.angles import angles_from_up, directions, tangent_frame, up_from_angles
from horizon.lens import Lens, pixels
from horizon.synthetic import (
    ROUND_EARTH_M,
    pixel_rays,
    sample_texture,
    surface_distance_m,
)
from tests.bench.tiles import cloud_tiles, field_tiles, ground_tiles, wave_tiles

__all__ = [
    "KOSCHMIEDER",
    "PROFILE",
    "Bank",
    "Coast",
    "Layer",
    "Sky",
    "Sun",
    "Surface",
    "View",
    "World",
    "dip_rad",
    "draw",
    "skyline",
    "to_pixels",
]

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]

# Values of a profile round the circle from azimuth -180 deg: a fifth of a pixel of the longest lens here.
PROFILE = 28_800
KOSCHMIEDER = 3.912  # extinction at which the visibility leaves 2 % of the contrast


def dip_rad(height_m: float) -> float:
    """Dip of the visible horizon over a round earth of the refracted radius."""
    return float(np.arccos(ROUND_EARTH_M / (ROUND_EARTH_M + height_m)))


@dataclass(frozen=True)
class View:
    """Attitude of one frame (rad). While rows are read the roll grows by ``skew_rad`` from top to bottom.

    ``level_row_px``: the row at whose reading the attitude holds.
    """

    lens: Lens
    roll_rad: float
    pitch_rad: float
    yaw_rad: float
    t_s: float = 0.0
    skew_rad: float = 0.0
    level_row_px: float = 0.0

    @property
    def up_cam(self) -> Array:
        """Unit up vector in camera axes."""
        return up_from_angles(self.roll_rad, self.pitch_rad)


def to_pixels(view: View, azimuth: Array, elevation: Array) -> Array:
    """Pixels (n, 2) of world directions (rad, n each); NaN where the lens cannot see them."""
    level = directions(view.up_cam, azimuth - view.yaw_rad)
    ray = level * np.cos(elevation)[:, None] + np.outer(np.sin(elevation), view.up_cam)
    found = pixels(view.lens, ray)
    if not view.skew_rad:
        return found
    # The roll at a pixel depends on its row, which is what is being looked for: three rounds settle it.
    for _ in range(3):
        angle = (found[:, 1] - view.level_row_px) * view.skew_rad / view.lens.height_px
        angle = np.nan_to_num(np.clip(angle, -0.1, 0.1))
        c, s = np.cos(angle), np.sin(angle)
        turned = np.column_stack([ray[:, 0] * c + ray[:, 1] * s, ray[:, 1] * c - ray[:, 0] * s, ray[:, 2]])
        found = pixels(view.lens, turned)
    return found


@dataclass(frozen=True)
class Bank:
    """A bank of cloud whose upper edge is a slightly tilted and wavy line above the horizon (rad)."""

    azimuth: float
    elevation: float
    tilt: float
    waviness: float
    softness: float
    thickness: float
    grey: float


@dataclass(frozen=True)
class Sky:
    """Grey at the horizon, how much darker overhead, clouds from a tile, a bank, a glow along the horizon."""

    horizon_grey: float
    drop: float
    cloud_grey: float
    cloud_tile: int
    cloud_shift: float
    cumulus: bool
    cover: float
    fade_rad: float
    bank: Bank | None = None
    glow_grey: float = 0.0


@dataclass(frozen=True)
class Sun:
    """Sun at an azimuth and elevation, rad; ``halo`` and ``glitter`` are grey levels added at their peak."""

    azimuth: float
    elevation: float
    halo: float
    glitter: float
    width: float


@dataclass(frozen=True)
class Coast:
    """Nearer than ``distance_m`` towards an azimuth there is ground of another grey, with surf along it."""

    azimuth: float
    distance_m: float
    wobble: float
    grey: float
    surf: float


@dataclass(frozen=True)
class Surface:
    """Water or land: grey far away and at one's feet, contrast of texture, fields, crests, scrub.

    ``relief``: height of its upper border above the true level, rad, ``PROFILE`` values round the circle.
    ``swell``: rows of (height rad, waves round the circle, phase, phase per second) added to it.
    """

    water: bool
    far_grey: float
    near_grey: float
    contrast: float
    cell_m: float
    turn: float
    tile: int
    relief: Array32
    field_grey: float = 0.0
    crest_grey: float = 0.0
    scrub_grey: float = 0.0
    scrub_from: float = 1.0
    swell: tuple[tuple[float, int, float, float], ...] = ()
    coast: Coast | None = None


@dataclass(frozen=True)
class Layer:
    """A ridge, a row of trees or a shore behind the surface's border: its top (``PROFILE``, rad) and grey."""

    top: Array32
    grey: float
    contrast: float


@dataclass(frozen=True)
class World:
    """Everything but the camera. ``lights``: rows of (azimuth rad, elevation rad, grey, radius rad)."""

    height_m: float
    visibility_km: float
    sky: Sky
    surface: Surface
    layers: tuple[Layer, ...] = ()
    sun: Sun | None = None
    lights: Array | None = None


@dataclass(frozen=True)
class _Rays:
    """Per pixel: sine and cosine of the elevation, horizontal parts east and north, azimuth."""

    sine: Array32
    cosine: Array32
    east: Array32
    north: Array32
    azimuth: Array32
    pixel: np.float32


def _look(view: View) -> _Rays:
    x, y, z = pixel_rays(view.lens)
    if view.skew_rad:
        rows = np.arange(view.lens.height_px, dtype=np.float32)[:, None] - np.float32(view.level_row_px)
        angle = rows * np.float32(view.skew_rad / view.lens.height_px)
        c, s = np.cos(angle), np.sin(angle)
        x, y = x * c - y * s, x * s + y * c
    e_roll, forward = tangent_frame(*angles_from_up(view.up_cam))
    c, s = np.cos(view.yaw_rad), np.sin(view.yaw_rad)

    def along(axis: Array) -> Array32:
        a = axis.astype(np.float32)
        return np.asarray(x * a[0] + y * a[1] + z * a[2])

    sine = along(view.up_cam)
    east, north = along(-c * e_roll + s * forward), along(c * forward + s * e_roll)
    cosine = np.sqrt(np.maximum(1 - sine * sine, 1e-6))
    return _Rays(sine, cosine, east, north, np.arctan2(east, north), np.float32(view.lens.pixel_rad))


def _relief(surface: Surface, t_s: float) -> Array:
    azimuth = np.arange(PROFILE) * (2 * np.pi / PROFILE)
    top = surface.relief.astype(float)
    for height, waves, phase, rate in surface.swell:
        top = top + height * np.sin(waves * azimuth + phase + rate * t_s)
    return top


def skyline(world: World, t_s: float) -> Array:
    """Height of the skyline above the true level, rad, ``PROFILE`` values from azimuth -180 deg."""
    top = _relief(world.surface, t_s)
    for layer in world.layers:
        top = np.maximum(top, layer.top)
    return top


def _at(profile: NDArray, azimuth: Array32) -> Array32:
    """Sine of a profile's elevation at azimuths."""
    row = np.sin(np.append(profile, profile[0])).astype(np.float32)[None, :]
    where = (azimuth + np.float32(np.pi)) * np.float32(PROFILE / (2 * np.pi))
    return cv2.remap(row, where, np.zeros_like(where), cv2.INTER_LINEAR)


def draw(world: World, view: View) -> Array32:
    """Grey picture (height, width) of the world, 0 to 255 and beyond, without objects, blur or noise."""
    ray = _look(view)
    picture = _sky(world.sky, ray, view.t_s)
    for number, layer in enumerate(world.layers):
        cover = np.clip((_at(layer.top, ray.azimuth) - ray.sine) / ray.pixel + np.float32(0.5), 0, 1)
        spots = sample_texture(ground_tiles()[0], ray.azimuth * 1500 + 90 * number, ray.sine * 2500)
        picture += cover * (np.float32(layer.grey) + np.float32(layer.contrast) * spots - picture)
    edge = _at(_relief(world.surface, view.t_s), ray.azimuth)
    cover = np.clip((edge - ray.sine) / ray.pixel + np.float32(0.5), 0, 1)
    ground = _surface(world, ray, edge, view.t_s)
    if world.sun is not None:
        picture += _halo(world.sun, ray)
        ground += np.float32(0.35) * _halo(world.sun, ray) + _glitter(world.sun, ray, view.t_s)
        np.minimum(picture, 270, out=picture)
    picture += cover * (ground - picture)
    if world.lights is not None:
        _lights(picture, world.lights, view)
    return picture


def _sky(sky: Sky, ray: _Rays, t_s: float) -> Array32:
    """Drawn at half size: a sky has no border that the truth hangs on."""
    sine, east, north = ray.sine[::2, ::2], ray.east[::2, ::2], ray.north[::2, ::2]
    above = np.maximum(sine, 0)
    grey = sky.horizon_grey - sky.drop * (1 - np.exp(above * np.float32(-3.5)))
    if sky.glow_grey:
        grey = grey + sky.glow_grey * np.exp(above * np.float32(-14))
    if sky.cloud_grey:
        # Clouds lie on a plane overhead, so they crowd towards the horizon and fade there.
        far = np.float32(110) / (above + np.float32(0.07))
        u, v = east * far + np.float32(sky.cloud_shift + t_s), north * far
        clouds = sample_texture(cloud_tiles()[sky.cloud_tile], u, v)
        fade = np.clip(above / np.float32(sky.fade_rad), 0, 1)
        if sky.cumulus:
            # Lit from above, grey below: the same tile a little further out is the cloud's foot.
            foot = sample_texture(cloud_tiles()[sky.cloud_tile], u * np.float32(1.03), v * np.float32(1.03))
            body = np.clip((clouds - np.float32(sky.cover)) * 5, 0, 1)
            shade = np.clip(np.float32(1.0) - (foot - np.float32(sky.cover)) * np.float32(0.5), -0.5, 1)
            grey = grey + fade * body * shade * np.float32(sky.cloud_grey)
        else:
            grey = grey + fade * clouds * np.float32(0.5 * sky.cloud_grey)
    if sky.bank is not None:
        grey = _add_bank(grey, sky.bank, sine, ray.azimuth[::2, ::2])
    size = ray.sine.shape[1], ray.sine.shape[0]
    return cv2.resize(np.asarray(grey, np.float32), size, interpolation=cv2.INTER_LINEAR)


def _add_bank(grey: Array32, bank: Bank, sine: Array32, azimuth: Array32) -> Array32:
    off = azimuth - np.float32(bank.azimuth)
    waves = sample_texture(cloud_tiles()[1], azimuth * 160, np.full_like(azimuth, bank.azimuth * 99))
    edge = (
        np.float32(bank.elevation) + np.float32(bank.tilt) * np.sin(off) + np.float32(bank.waviness) * waves
    )
    below = np.clip((edge - sine) / np.float32(bank.softness) + np.float32(0.5), 0, 1)
    depth = np.clip(1 - (edge - sine) / np.float32(bank.thickness), 0, 1)
    return np.asarray(grey + np.float32(bank.grey) * below * depth, np.float32)


def _surface(world: World, ray: _Rays, edge: Array32, t_s: float) -> Array32:
    surface = world.surface
    lowest = np.float32(np.sin(dip_rad(world.height_m)))
    drop = np.maximum(-np.minimum(ray.sine, edge), lowest)
    slope = drop / ray.cosine
    distance = surface_distance_m(slope, world.height_m)
    flat = distance / ray.cosine
    c, s = np.float32(np.cos(surface.turn)), np.float32(np.sin(surface.turn))
    across, along = flat * (ray.east * c + ray.north * s), flat * (ray.north * c - ray.east * s)
    footprint = distance * ray.pixel / slope
    near = 1 - np.exp(drop * np.float32(-4))
    grey = surface.far_grey + np.float32(surface.near_grey - surface.far_grey) * near
    grey += np.float32(surface.contrast) * _waves(surface, across, along, footprint, t_s)
    if surface.field_grey:
        texel = np.float32(surface.cell_m)
        fields = sample_texture(field_tiles()[surface.tile], across / texel, along / texel)
        grey += np.float32(surface.field_grey) * fields / (1 + footprint / (60 * texel))
    if surface.scrub_grey:
        # Bushes, stones, furrows in snow: sparse dark marks, each a few metres wide.
        texel = np.float32(surface.cell_m / 6)
        marks = sample_texture(ground_tiles()[0], across / texel, along / texel)
        marks = np.clip((marks - np.float32(surface.scrub_from)) * 2, 0, 1)
        grey -= np.float32(surface.scrub_grey) * marks / (1 + footprint / (9 * texel))
    if surface.crest_grey:
        below = np.log(np.maximum(edge - ray.sine, 3e-5))
        crests = sample_texture(wave_tiles()[1], ray.azimuth * 350 + np.float32(9 * t_s), below * 25)
        grey += np.float32(surface.crest_grey) * crests * np.exp(ray.sine * np.float32(15))
    if surface.coast is not None:
        grey = _coast(surface.coast, grey, ray, flat, footprint)
    seen = np.exp(distance * np.float32(-KOSCHMIEDER / (world.visibility_km * 1000)))
    haze_grey = world.sky.horizon_grey + world.sky.glow_grey
    return np.asarray(haze_grey + (grey - haze_grey) * seen, np.float32)


def _waves(surface: Surface, across: Array32, along: Array32, footprint: Array32, t_s: float) -> Array32:
    """Texture of unit size in three scales; each averages out where a pixel covers many of its cells."""
    tiles = wave_tiles() if surface.water else ground_tiles()
    total = np.zeros_like(across)
    for number, (scale, weight) in enumerate(((1.0, 1.0), (9.0, 0.8), (90.0, 0.6))):
        texel = np.float32(surface.cell_m * scale / 8)
        drift = np.float32(t_s * 1.5 / scale**0.5) if surface.water else np.float32(0)
        tile = tiles[(surface.tile + number) % 3]
        part = sample_texture(tile, across / texel + 77 * number, (along + drift) / texel)
        if surface.water and number == 0:
            part = part + np.maximum(part - np.float32(1.3), 0) * 2
        total += np.float32(weight) * part / (1 + footprint / (texel * 4))
    return total


def _coast(coast: Coast, grey: Array32, ray: _Rays, flat: Array32, footprint: Array32) -> Array32:
    c, s = np.float32(np.cos(coast.azimuth)), np.float32(np.sin(coast.azimuth))
    out = flat * (ray.north * c + ray.east * s) / np.float32(coast.distance_m)
    wave = flat * (ray.east * c - ray.north * s) / np.float32(coast.distance_m)
    out = out + np.float32(coast.wobble) * np.sin(wave * 3 + np.float32(7 * coast.wobble))
    soft = np.maximum(footprint / np.float32(coast.distance_m), np.float32(0.004))
    near = np.clip((1 - out) / soft + np.float32(0.5), 0, 1)
    stones = sample_texture(ground_tiles()[1], flat * ray.east * 9, flat * ray.north * 9)
    mottle = np.float32(0.06 * coast.grey) * stones / (1 + footprint * 3)
    mixed = grey + near * (np.float32(coast.grey) + mottle - grey)
    if coast.surf:
        for line, width in ((1.01, 0.03), (1.12, 0.02)):
            ripple = out + np.float32(0.01) * np.sin(wave * 17 * np.float32(line))
            strength = np.exp(-(((ripple - np.float32(line)) / np.float32(width)) ** 2))
            mixed = mixed + np.float32(coast.surf) * strength
    return np.asarray(mixed)


def _towards(sun: Sun, ray: _Rays) -> Array32:
    flat = np.float32(np.cos(sun.elevation))
    c, s = np.float32(np.cos(sun.azimuth)), np.float32(np.sin(sun.azimuth))
    return np.asarray(
        flat * (ray.north * c + ray.east * s) + np.float32(np.sin(sun.elevation)) * ray.sine, np.float32
    )


def _halo(sun: Sun, ray: _Rays) -> Array32:
    """Disc, bloom and the wide brightening of the sky about the sun."""
    toward = _towards(sun, ray) - 1
    wide = np.exp(toward * np.float32(4)) * np.float32(0.35) + np.exp(toward * np.float32(40)) * np.float32(
        0.5
    )
    return np.asarray(np.float32(sun.halo) * (wide + 3 * np.exp(toward * np.float32(1500))), np.float32)


def _glitter(sun: Sun, ray: _Rays, t_s: float) -> Array32:
    c, s = np.float32(np.cos(sun.azimuth)), np.float32(np.sin(sun.azimuth))
    off = ray.east * c - ray.north * s
    facing = (ray.north * c + ray.east * s) > 0
    width = np.float32(sun.width) * (np.float32(0.5) + np.maximum(-ray.sine, 0) * 2)
    path = np.exp(-((off / width) ** 2)) * facing
    below = np.log(np.maximum(-ray.sine, 1e-3))
    sparkle = sample_texture(wave_tiles()[2], ray.azimuth * 1800, below * 300 + np.float32(20 * t_s))
    return np.asarray(
        np.float32(sun.glitter) * path * np.maximum(np.float32(0.75) + sparkle * np.float32(0.5), 0)
    )


def _lights(picture: Array32, lights: Array, view: View) -> None:
    """Add small round lights; the picture is changed in place."""
    height, width = picture.shape
    places = to_pixels(view, lights[:, 0], lights[:, 1])
    for (x, y), (_, _, grey, radius) in zip(places, lights, strict=True):
        sigma = max(0.7, radius / view.lens.pixel_rad)
        if not (0 <= x < width and 0 <= y < height):
            continue
        reach = int(4 * sigma) + 2
        x0, x1 = max(0, int(x) - reach), min(width, int(x) + reach + 1)
        y0, y1 = max(0, int(y) - reach), min(height, int(y) + reach + 1)
        gx = np.exp(-((np.arange(x0, x1) - x) ** 2) / (2 * sigma**2))
        gy = np.exp(-((np.arange(y0, y1) - y) ** 2) / (2 * sigma**2))
        picture[y0:y1, x0:x1] += (grey * np.outer(gy, gx)).astype(np.float32)
