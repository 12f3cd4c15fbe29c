"""Frames of known roll and pitch: the truth is drawn first, then found.

Every pixel's ray is turned into azimuth and elevation above the true level; the scene is a function of
those two, so the horizon is exact through any lens. The share of a pixel that lies above the skyline is
taken from the elevation's change across that pixel, which is what a sensor's pixel collects.
Scenes: open sea, plain land, low hills; haze, clouds, objects that stand in front of the horizon, noise.
"""

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from .angles import angles_from_up, tangent_frame, up_from_angles
from .lens import Lens, rays

__all__ = [
    "ROUND_EARTH_M",
    "TEXTURE_PX",
    "Scene",
    "draw_frame",
    "draw_planar",
    "make_scene",
    "make_texture",
    "pixel_rays",
    "sample_texture",
    "surface_distance_m",
]

Array32 = NDArray[np.float32]

KINDS = ("sea", "plain", "hills")
TEXTURE_PX = 512
ROUND_EARTH_M = 6_371_000 / (1 - 0.16)
# Blue-difference and red-difference of sky, ground by kind and objects in front: a plausible daylight look.
CHROMA = {
    "sky": (148, 112),
    "sea": (140, 108),
    "plain": (110, 130),
    "hills": (112, 126),
    "object": (122, 132),
}


@dataclass(frozen=True)
class Scene:
    """What stands before the camera. Grey levels are 8-bit luma.

    ``height_m``: camera above the surface. ``dip_rad``: how far the visible horizon lies below the level.
    ``visibility_km``: distance at which the surface has faded to 2 % of its contrast. ``skyline``: height
    of the hills above the level in rad, one value per degree of azimuth from -180. ``objects``: rows of
    (azimuth rad, half width rad, top rad, bottom rad, grey).
    """

    kind: str
    height_m: float
    dip_rad: float
    visibility_km: float
    sky_grey: float
    ground_grey: float
    ground_contrast: float
    cloud_contrast: float
    noise_sd: float
    blur_px: float
    ground: Array32
    clouds: Array32
    skyline: Array32
    objects: Array32


def make_scene(
    kind: str,
    *,
    rng: np.random.Generator,
    height_m: float = 20.0,
    dip_rad: float = 0.0,
    visibility_km: float = 40.0,
    objects: int = 0,
    hill_deg: float = 0.6,
    clouds: float = 0.5,
    noise_sd: float = 2.0,
    contrast: float = 1.0,
) -> Scene:
    """Random scene of a kind: ``sea``, ``plain`` or ``hills`` (skyline up to about ``hill_deg``)."""
    if kind not in KINDS:
        raise ValueError(f"kind is {kind!r}; allowed: {', '.join(KINDS)}")
    sky = rng.uniform(165, 215)
    drop = rng.uniform(45, 85) if kind == "sea" else rng.uniform(60, 110)
    skyline = np.zeros(360, np.float32)
    if kind == "hills":
        azimuth = np.radians(np.arange(-180, 180))
        for k in range(3, 40):
            skyline += rng.normal(0, k**-1.1) * np.cos(k * azimuth + rng.uniform(0, 2 * np.pi)).astype(
                np.float32
            )
        skyline = (skyline - skyline.min()) / np.ptp(skyline) * np.float32(np.radians(hill_deg))
    azimuths = rng.uniform(-np.pi, np.pi, objects)
    front = np.column_stack(
        [
            azimuths,
            np.radians(rng.uniform(0.3, 2.5, objects)),
            np.radians(rng.uniform(0.5, 8, objects)),
            np.radians(rng.uniform(-20, -3, objects)),
            rng.uniform(25, 90, objects),
        ]
    ).astype(np.float32)
    return Scene(
        kind,
        height_m,
        dip_rad,
        visibility_km,
        sky,
        sky - drop * contrast,
        (rng.uniform(6, 14) if kind == "sea" else rng.uniform(12, 30)) * contrast,
        25 * clouds,
        noise_sd,
        rng.uniform(0.5, 1.0),
        make_texture(rng, stretch=3.0 if kind == "sea" else 1.0, power=1.0),
        make_texture(rng, stretch=3.0, power=1.7),
        skyline,
        front,
    )


def make_texture(rng: np.random.Generator, *, stretch: float, power: float) -> Array32:
    """Tileable random field (TEXTURE_PX, TEXTURE_PX) of unit sd, drawn out sideways ``stretch`` times.

    Its amplitude spectrum falls with frequency to the ``power``.
    """
    frequency = np.fft.fftfreq(TEXTURE_PX)
    fy, fx = np.meshgrid(frequency * TEXTURE_PX, frequency * TEXTURE_PX * stretch, indexing="ij")
    amplitude = (1 + np.hypot(fx, fy)) ** -power
    spectrum = np.fft.fft2(rng.normal(size=(TEXTURE_PX, TEXTURE_PX))) * amplitude
    field = np.real(np.fft.ifft2(spectrum))
    return np.asarray(field / field.std(), np.float32)


# A lens of 1920 x 1080 pixels takes 25 MB; the evaluation draws its lenses from a list of a dozen.
@lru_cache(maxsize=12)
def pixel_rays(lens: Lens) -> tuple[Array32, Array32, Array32]:
    """Parts x, y, z of the unit ray of every pixel, each of shape (height, width)."""
    x, y = np.meshgrid(np.arange(lens.width_px, dtype=float), np.arange(lens.height_px, dtype=float))
    ray = rays(lens, np.column_stack([x.ravel(), y.ravel()])).astype(np.float32)
    shape = (lens.height_px, lens.width_px)
    return ray[:, 0].reshape(shape), ray[:, 1].reshape(shape), ray[:, 2].reshape(shape)


def draw_frame(
    scene: Scene,
    lens: Lens,
    *,
    roll_deg: ArrayLike,
    pitch_deg: ArrayLike,
    yaw_deg: float = 0.0,
    t_s: float = 0.0,
    rng: np.random.Generator,
) -> NDArray[np.uint8]:
    """Luma picture (height, width) of the scene from a camera at this true attitude.

    ``roll_deg`` and ``pitch_deg`` may hold one value per row (height,): a rolling shutter. ``t_s`` moves the
    water and the clouds. Noise comes from ``rng``.
    """
    luma, _ = _draw(scene, lens, roll_deg, pitch_deg, yaw_deg, t_s, rng)
    return luma


def draw_planar(
    scene: Scene,
    lens: Lens,
    *,
    roll_deg: float,
    pitch_deg: float,
    yaw_deg: float = 0.0,
    t_s: float = 0.0,
    rng: np.random.Generator,
) -> NDArray[np.uint8]:
    """The same picture with colour, as a planar 4:2:0 image (height * 3 / 2, width)."""
    luma, shares = _draw(scene, lens, roll_deg, pitch_deg, yaw_deg, t_s, rng)
    half = (lens.width_px // 2, lens.height_px // 2)
    planes = []
    for channel in (0, 1):
        plane = sum(share * CHROMA[name][channel] for name, share in shares.items())
        planes.append(cv2.resize(np.asarray(plane, np.float32), half, interpolation=cv2.INTER_AREA))
    colour = np.concatenate([plane.ravel() for plane in planes]).reshape(lens.height_px // 2, lens.width_px)
    return np.vstack([luma, np.clip(colour + 0.5, 0, 255).astype(np.uint8)])


def _draw(
    scene: Scene,
    lens: Lens,
    roll_deg: ArrayLike,
    pitch_deg: ArrayLike,
    yaw_deg: float,
    t_s: float,
    rng: np.random.Generator,
) -> tuple[NDArray[np.uint8], dict[str, Array32]]:
    roll, pitch = np.radians(roll_deg), np.radians(pitch_deg)
    up = up_from_angles(roll, pitch)
    e_roll, forward = tangent_frame(*angles_from_up(up))
    right = -e_roll
    x, y, z = pixel_rays(lens)

    def along(axis: NDArray[np.float64]) -> Array32:
        a = axis.astype(np.float32)
        return np.asarray(x * a[..., 0:1] + y * a[..., 1:2] + z * a[..., 2:3])

    elevation = np.arcsin(np.clip(along(up), -1, 1))
    azimuth = np.arctan2(along(right), along(forward)) + np.float32(np.radians(yaw_deg))
    azimuth = (azimuth + np.float32(np.pi)) % np.float32(2 * np.pi) - np.float32(np.pi)
    pixel = np.float32(lens.pixel_rad)
    edge = _skyline_at(scene, azimuth) - np.float32(scene.dip_rad)
    sky_share = np.clip((elevation - edge) / pixel + 0.5, 0, 1)
    image = sky_share * _sky(scene, azimuth, elevation, t_s)
    image += (1 - sky_share) * _surface(scene, azimuth, np.minimum(elevation, edge - pixel / 4), edge, t_s)
    shares = {"sky": sky_share, scene.kind: 1 - sky_share}
    if len(scene.objects):
        front = np.zeros_like(image)
        grey = np.zeros_like(image)
        for centre, half, top, bottom, level in scene.objects:
            off = np.abs((azimuth - centre + np.pi) % (2 * np.pi) - np.pi)
            cover = np.clip((half - off) / pixel + 0.5, 0, 1)
            cover *= np.clip((top - elevation) / pixel + 0.5, 0, 1) * np.clip(
                (elevation - bottom) / pixel + 0.5, 0, 1
            )
            grey = np.where(cover > front, level, grey)
            front = np.maximum(front, cover)
        image = image * (1 - front) + grey * front
        shares = {name: share * (1 - front) for name, share in shares.items()} | {"object": front}
    image = cv2.GaussianBlur(image, (0, 0), scene.blur_px)
    image += rng.standard_normal(image.shape, dtype=np.float32) * np.float32(scene.noise_sd)
    return np.clip(image + 0.5, 0, 255).astype(np.uint8), shares


def _skyline_at(scene: Scene, azimuth: Array32) -> Array32:
    if not scene.skyline.any():
        return np.zeros_like(azimuth)
    position = np.degrees(azimuth) + 180.0
    wrapped = np.append(scene.skyline, scene.skyline[0])
    return np.asarray(np.interp(position, np.arange(361), wrapped), np.float32)


def sample_texture(texture: Array32, x: Array32, y: Array32) -> Array32:
    """Values of a tile of TEXTURE_PX at any positions in its pixels, between pixels linearly."""
    u, v = np.asarray(x % TEXTURE_PX, np.float32), np.asarray(y % TEXTURE_PX, np.float32)
    return np.asarray(cv2.remap(texture, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP))


def _sky(scene: Scene, azimuth: Array32, elevation: Array32, t_s: float) -> Array32:
    turns = TEXTURE_PX / np.float32(2 * np.pi)
    clouds = sample_texture(scene.clouds, azimuth * turns * 2 + np.float32(t_s), elevation * turns * 6)
    fade = np.clip(elevation / np.float32(0.12), 0, 1)
    return np.asarray(
        scene.sky_grey + 12 - 45 * np.clip(elevation, 0, 1.2) + scene.cloud_contrast * clouds * fade,
        np.float32,
    )


def surface_distance_m(slope: Array32, height_m: float) -> Array32:
    """Distance of the surface seen at an angle below the level whose tangent is ``slope``.

    Along a round earth of refracted radius R' = R / (1 - 0.16): R' (t - sqrt(t^2 - dip^2)). A flat one would
    fade far too slowly towards the line. Slopes below that of the horizon are the caller's to cut off.
    """
    dip = np.float32(np.sqrt(2 * height_m / ROUND_EARTH_M))
    reach = np.float32(ROUND_EARTH_M) * dip * dip / (slope + np.sqrt(np.maximum(slope**2 - dip**2, 0)))
    return np.asarray(reach, np.float32)


def _surface(scene: Scene, azimuth: Array32, elevation: Array32, edge: Array32, t_s: float) -> Array32:
    """Textured plane below the camera; texture averages out where a pixel covers many of its cells."""
    below = np.maximum(edge - elevation, np.float32(1e-5))
    dip = np.float32(np.sqrt(2 * scene.height_m / ROUND_EARTH_M))
    slope = np.tan(np.minimum(below + dip, 1.5)).astype(np.float32)
    distance = surface_distance_m(slope, scene.height_m)
    cell_m = 1.5
    east, north = distance * np.sin(azimuth) / cell_m, distance * np.cos(azimuth) / cell_m
    drift = np.float32(t_s * (1.2 if scene.kind == "sea" else 0.0))
    fine = sample_texture(scene.ground, east * 8 + drift * 8, north * 8)
    coarse = sample_texture(scene.ground, east * 0.35 + 300 + drift, north * 0.35)
    footprint = distance * np.float32(0.001) / slope / cell_m
    texture = fine / (1 + footprint * 8) + coarse / (1 + footprint * 0.35)
    image = scene.ground_grey - 25 * np.clip(below, 0, 1) + scene.ground_contrast * texture
    haze = 1 - np.exp(-3.912 * distance / (scene.visibility_km * 1000))  # Koschmieder, contrast 2 %
    return np.asarray(image * (1 - haze) + (scene.sky_grey + 12) * haze, np.float32)
