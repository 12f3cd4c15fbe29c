"""The pictures of each part of the evaluation: drawn stills with known truth, real strips, negatives.

A case is named by its part, source and number, and drawn from a seed of its own, so that any one of them
can be drawn again alone. Stills go through H.264 as key frames, as a clip's frames do. Real pictures are
divided between the parts by photograph and by sector, never by chance; only the hazy sea strip, one of two
with a known level, serves both tune and test, with looks drawn anew.
"""

import tempfile
import tomllib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from horizon.angles import angles_from_up, tangent_frame, up_from_angles
from horizon.clip import read_frames
from horizon.coded import with_colour_planes, write_clip
from horizon.lens import Lens, lens_from_hfov, pixels
from tests.bench.worlds import KINDS, Still, drawn_negative, still
from tests.real import FOLDER, look, strip

Luma = NDArray[np.uint8]

SEEDS: dict[str, int] = tomllib.loads((Path(__file__).parent / "seeds.toml").read_text(encoding="utf-8"))

# Photographs without a horizon, by part.
PHOTOS = {
    "train": ("neg_temple.jpg", "neg_coffee_table.png", "neg_grass.png", "neg_sky_zenith.jpg"),
    "tune": ("neg_brick_wall.png", "neg_forest_stream.jpg"),
    "test": ("neg_satellite_cloud.png", "neg_room.jpg", "neg_ground_nadir.jpg"),
}
# (strip, from yaw, to yaw, lowest and highest pitch) of looks that show no horizon: a city square, and looks
# far up and far down.
LOOKS = {
    "train": (
        ("plaza_urban.jpg", -180, -60, -12, 12),
        ("sea_rocky_bay.jpg", -180, 180, 30, 38),
        ("sea_rocky_bay.jpg", -180, 180, -34, -28),
    ),
    "tune": (("plaza_urban.jpg", -60, 60, -12, 12), ("meadow_mist.jpg", -180, 180, -42, -34)),
    "test": (
        ("plaza_urban.jpg", 60, 180, -12, 12),
        ("sea_sand_haze.jpg", -180, 180, -42, -34),
        ("hills_volcanic.jpg", -180, 180, -42, -34),
        ("plaza_urban.jpg", -180, 180, -42, -34),
    ),
}
# Sectors whose horizon is trusted (the strips' list says so): strip, from, to, sd of roll, sd of pitch, HFOV.
SECTORS = {
    "train": (
        ("sea_rocky_bay.jpg", 55, 62, 0.03, 0.03, (5, 7)),
        ("sea_rocky_bay.jpg", 127, 136, 0.03, 0.03, (6, 9)),
    ),
    "tune": (("sea_sand_haze.jpg", -11, 33, 0.08, 0.05, (20, 40)),),
    "test": (
        ("sea_rocky_bay.jpg", 6, 41, 0.03, 0.03, (20, 33)),
        ("sea_sand_haze.jpg", -11, 33, 0.08, 0.05, (20, 40)),
    ),
}


@dataclass(frozen=True)
class Case:
    """One picture: drawn ``truth``, or None (a negative, or a strip of which only the angles are known).

    ``source``: the kind of a drawn still, "strip" or "negative". ``level_sd_deg``: of a strip's own level.
    """

    name: str
    source: str
    real: bool
    luma: Luma
    lens: Lens
    truth: Still | None
    roll_deg: float
    pitch_deg: float
    level_sd_deg: tuple[float, float]


def case(part: str, source: str, number: int) -> Case:
    """Case ``number`` of a kind of drawn still, of "strip", "negative" or "real negative"."""
    rng = np.random.default_rng([SEEDS[part], sum(source.encode()), number])
    name = f"{part} {source} {number}"
    nan = float("nan")
    if source in KINDS:
        drawn = still(source, rng)
        luma = encoded(drawn.luma, rng)
        return Case(name, source, False, luma, drawn.lens, drawn, drawn.roll_deg, drawn.pitch_deg, (0.0, 0.0))
    if source == "strip":
        return _sector(part, name, number, rng)
    if source == "negative":
        sort, luma, lens = drawn_negative(rng)
        return Case(f"{name} {sort}", source, False, encoded(luma, rng), lens, None, nan, nan, (0.0, 0.0))
    luma, lens, of = _real_negative(part, number, rng)
    return Case(f"{name} {of}", source, True, luma, lens, None, nan, nan, (0.0, 0.0))


def encoded(luma: Luma, rng: np.random.Generator) -> Luma:
    """The picture as a decoder gives it back."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "one.mp4"
        write_clip(path, [with_colour_planes(luma)], 5, crf=int(rng.integers(18, 28)), key_every=1)
        return next(iter(read_frames(path))).luma.copy()


@lru_cache(maxsize=4)
def _strip(name: str) -> Luma:
    return strip(name)


@lru_cache(maxsize=4)
def _trace(strip_name: str) -> NDArray[np.float64]:
    """Measured horizon of a strip: rows of yaw, elevation, deg."""
    path = FOLDER / "panoramas" / f"{Path(strip_name).stem}_horizon.csv"
    table = np.loadtxt(path, delimiter=",", skiprows=1)
    return np.asarray(table[table[:, 2] > 0, :2])


def _sector(part: str, name: str, number: int, rng: np.random.Generator) -> Case:
    """A look into a trusted sector; its angles are those of the strip's own horizon, traced beforehand.

    The trace wanders by some hundredths of a degree about its level, which leans a narrow look by more.
    """
    strip_name, low, high, roll_sd, pitch_sd, hfov = SECTORS[part][number % len(SECTORS[part])]
    hfov_deg = float(rng.uniform(*hfov))
    lens = lens_from_hfov(1280, 720, hfov_deg)
    yaw = float(rng.uniform(low + hfov_deg / 2, high - hfov_deg / 2))
    roll, pitch = float(rng.uniform(-180, 180)), float(rng.uniform(-0.15, 0.15) * hfov_deg)
    luma = look(_strip(strip_name), strip_name, lens, roll_deg=roll, pitch_deg=pitch, yaw_deg=yaw)
    up = traced_up(strip_name, lens, roll, pitch, yaw)
    roll, pitch = (float(angle) for angle in np.degrees(angles_from_up(up)))
    level_sd = (roll_sd, pitch_sd)
    return Case(f"{name} {strip_name}", "strip", True, encoded(luma, rng), lens, None, roll, pitch, level_sd)


def traced_up(
    strip_name: str, lens: Lens, roll_deg: float, pitch_deg: float, yaw_deg: float
) -> NDArray[np.float64]:
    """Up vector of the least-squares line through the traced points that are in the picture."""
    azimuth, elevation = np.radians(_trace(strip_name).T)
    azimuth = azimuth - np.radians(yaw_deg)
    roll, pitch = np.radians([roll_deg, pitch_deg])
    up = up_from_angles(roll, pitch)
    e_roll, forward = tangent_frame(roll, pitch)
    level = np.cos(azimuth)[:, None] * forward - np.sin(azimuth)[:, None] * e_roll
    ray = np.cos(elevation)[:, None] * level + np.sin(elevation)[:, None] * up
    place = pixels(lens, ray)
    inside = (place > 0).all(axis=1) & (place < [lens.width_px, lens.height_px]).all(axis=1)
    # The plane through the origin nearest to the rays: the singular vector of the least value.
    found = np.linalg.svd(ray[inside])[2][-1]
    return found if found @ up > 0 else -found


def _real_negative(part: str, number: int, rng: np.random.Generator) -> tuple[Luma, Lens, str]:
    """A look into a strip where there is no horizon, or a turned crop of a photograph without one."""
    roll = float(rng.uniform(-180, 180))
    if number % 2:
        name, low, high, down, up = LOOKS[part][number // 2 % len(LOOKS[part])]
        lens = lens_from_hfov(
            1280, 720, float(rng.uniform(30, 60)) if abs(down) < 20 else float(rng.uniform(20, 28))
        )
        reach = 0.0 if (low, high) == (-180, 180) else 30.0
        yaw = float(rng.uniform(low + reach, high - reach))
        pitch = float(rng.uniform(down, up))
        return look(_strip(name), name, lens, roll_deg=roll, pitch_deg=pitch, yaw_deg=yaw), lens, name
    name = PHOTOS[part][number // 2 % len(PHOTOS[part])]
    picture = cv2.imread(str(FOLDER / "photos" / name), cv2.IMREAD_GRAYSCALE)
    assert picture is not None, name
    height, width = picture.shape
    size = (960, 540)
    # The crop, turned, stays inside the photograph: mirrored borders would make lines of their own.
    inside = min(height, width) / np.hypot(*size)
    scale = float(rng.uniform(0.6, 1.0) * inside) if number % 4 else float(inside)
    turn = np.radians(roll)
    across = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    room = np.maximum(np.array([width, height]) / 2 - scale * np.hypot(*size) / 2, 0)
    middle = np.array([width, height]) / 2 + rng.uniform(-1, 1, 2) * room
    matrix = np.hstack([across, (middle - across @ (np.array(size) / 2))[:, None]])
    luma = cv2.warpAffine(picture, matrix, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    return luma, lens_from_hfov(*size, float(rng.uniform(50, 90))), name
