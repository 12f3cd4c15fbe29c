"""Pictures without a horizon: many of them with straight lines that look like one."""

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from horizon.lens import Lens, lens_from_hfov
from horizon.synthetic import make_texture, pixel_rays, sample_texture
from tests.bench.effects import draw_effects, recorded, through_lens
from tests.bench.foreground import Thing, add_things, make_things
from tests.bench.patterns import PATTERNS
from tests.bench.recipes import make_world
from tests.bench.scenery import View, draw
from tests.bench.tiles import cloud_tiles, ground_tiles

__all__ = ["NEGATIVES", "drawn_negative"]

Array32 = NDArray[np.float32]

SIZE_PX = (1920, 1080)
HFOV_DEG = (50.0, 70.0, 95.0)
SHEET_PX = 1400


def drawn_negative(rng: np.random.Generator) -> tuple[str, NDArray[np.uint8], Lens]:
    """Sort, luma picture (1080, 1920) and lens of a picture in which no horizon can be measured."""
    sort = str(rng.choice(list(NEGATIVES)))
    lens = lens_from_hfov(*SIZE_PX, float(rng.choice(HFOV_DEG)))
    effects = replace(draw_effects("sea", rng), vignette=float(rng.choice([0.0, 0.2])), overlay=None)
    picture = through_lens(NEGATIVES[sort](lens, rng), effects, 0.0, rng)
    return sort, recorded(picture, effects, rng), lens


def _away(kind: str, lens: Lens, rng: np.random.Generator, low_deg: float, high_deg: float) -> Array32:
    """A world seen so far up or down that its skyline is out of the picture at any roll."""
    corner = np.degrees(np.arccos(pixel_rays(lens)[2][0, 0]))
    sign = np.sign(low_deg)
    tilt = sign * min(90.0, corner + 2 + rng.uniform(abs(low_deg), abs(high_deg)))
    heading = float(rng.uniform(-np.pi, np.pi))
    world, _, _, _ = make_world(kind, rng, heading=heading)
    view = View(lens, float(rng.uniform(-np.pi, np.pi)), float(np.radians(tilt)), heading)
    return draw(world, view)


def _sky(lens: Lens, rng: np.random.Generator) -> Array32:
    return _away(str(rng.choice(["sea", "cloudbank"])), lens, rng, 1, 30)


def _clouds_in_layers(lens: Lens, rng: np.random.Generator) -> Array32:
    """Sky with straight streets of cloud: soft bars across the picture."""
    picture = _away("sea", lens, rng, 5, 30)
    u, v = _plane(lens, rng)
    for _ in range(int(rng.integers(1, 4))):
        at, width = rng.uniform(-0.5, 0.5), rng.uniform(0.02, 0.4)
        waves = sample_texture(cloud_tiles()[1], u * 150, v * 0 + np.float32(99 * at)) * np.float32(0.01)
        soft = np.float32(rng.uniform(0.01, 0.06))
        edge = np.clip((v + waves - np.float32(at)) / soft, 0, 1)
        picture += (
            np.float32(rng.normal(0, 25)) * edge * np.clip(1 - (v - np.float32(at)) / np.float32(width), 0, 1)
        )
    return picture


def _ground(lens: Lens, rng: np.random.Generator) -> Array32:
    return _away(str(rng.choice(["land", "snow", "sand"])), lens, rng, -1, -40)


def _water(lens: Lens, rng: np.random.Generator) -> Array32:
    picture = _away("sea", lens, rng, -1, -40)
    u, v = _plane(lens, rng)
    bend = sample_texture(cloud_tiles()[1], u * 60, v * 60)
    for _ in range(int(rng.integers(2, 7))):
        at = np.float32(rng.uniform(-0.6, 0.6))
        off = v - at + np.float32(0.012) * bend
        crest = np.where(off > 0, np.exp(-off * 60), np.exp(off * 12)) * np.float32(rng.uniform(8, 40))
        picture += crest * (off > 0) - 0.5 * crest * (off <= 0)
    return picture


def _shore_from_above(lens: Lens, rng: np.random.Generator) -> Array32:
    picture = _away("sea", lens, rng, -25, -60)
    u, v = _plane(lens, rng)
    rough = sample_texture(ground_tiles()[2], u * 400, v * 400)
    land = np.float32(rng.uniform(60, 210)) + rough * np.float32(rng.uniform(5, 15))
    wave = np.float32(rng.uniform(0, 0.03)) * sample_texture(cloud_tiles()[2], u * 90, v * 0)
    share = np.clip((v + wave - np.float32(rng.uniform(-0.3, 0.3))) * 150, 0, 1)
    picture += share * (land - picture)
    if rng.random() < 0.5:
        foam = np.exp(-(((share - 0.5) / 0.45) ** 2)) * (share > 0.02) * (share < 0.98)
        picture += np.float32(60) * foam.astype(np.float32)
    return picture


def _plane(lens: Lens, rng: np.random.Generator) -> tuple[Array32, Array32]:
    """Picture coordinates turned by any angle, the picture about 1.8 wide."""
    x, y = np.meshgrid(
        np.linspace(-0.89, 0.89, lens.width_px, dtype=np.float32),
        np.linspace(-0.5, 0.5, lens.height_px, dtype=np.float32),
    )
    turn = rng.uniform(-np.pi, np.pi)
    c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
    return x * c + y * s, y * c - x * s


def _seen_aslant(sheet: Array32, lens: Lens, rng: np.random.Generator) -> Array32:
    """A flat square sheet in perspective and at any tilt; it covers the picture."""
    side = sheet.shape[0]
    width, height = lens.width_px, lens.height_px
    turn = np.radians(rng.normal(0, 20) if rng.random() < 0.7 else rng.uniform(-180, 180))
    c, s = np.cos(turn), np.sin(turn)
    scale = rng.uniform(1.75, 2.4) * width / side
    tip, lean = rng.uniform(-0.28, 0.28, 2) / side
    to_middle = np.array([[1, 0, -side / 2], [0, 1, -side / 2], [0, 0, 1]])
    turned = np.array([[scale * c, -scale * s, 0], [scale * s, scale * c, 0], [tip, lean, 1]])
    to_picture = np.array([[1, 0, width / 2], [0, 1, height / 2], [0, 0, 1]])
    seen = cv2.warpPerspective(
        sheet,
        to_picture @ turned @ to_middle,
        (width, height),
        flags=cv2.INTER_AREA,
        borderMode=cv2.BORDER_REFLECT,
    )
    light = _plane(lens, rng)[1] * np.float32(rng.uniform(-40, 40))
    return np.asarray(seen + light, np.float32)


def _blank(grey: float, mottle: float, rng: np.random.Generator) -> Array32:
    tile = ground_tiles()[int(rng.integers(3))]
    repeated = np.tile(tile, (3, 3))[:SHEET_PX, :SHEET_PX]
    return np.asarray(grey + mottle * repeated, np.float32)


def _bricks(lens: Lens, rng: np.random.Generator) -> Array32:
    sheet = _blank(rng.uniform(110, 190), 5, rng)
    high = int(rng.integers(22, 70))
    long = int(high * rng.choice([1.0, 2.2, 3.0]))
    joint = max(2, high // int(rng.integers(8, 16)))
    tone = rng.uniform(50, 150)
    for row, y in enumerate(range(0, SHEET_PX, high)):
        shift = long // 2 if row % 2 and long > high else 0
        for x in range(-shift, SHEET_PX, long):
            part = sheet[y + joint : y + high, max(0, x + joint) : max(0, x + long)]
            part[:] = tone + rng.normal(0, 12) + (part - sheet.mean())
    return _seen_aslant(sheet, lens, rng)


def _boards(lens: Lens, rng: np.random.Generator) -> Array32:
    """Shelves or floor boards: long straight bands of different grey."""
    sheet = _blank(rng.uniform(60, 180), 4, rng)
    y = 0
    while y < SHEET_PX:
        step = int(rng.integers(30, 220))
        sheet[y : y + step] += rng.normal(0, 30)
        sheet[y : y + 3] = rng.uniform(20, 60)
        if rng.random() < 0.6:
            x = 0
            while x < SHEET_PX:
                wide = int(rng.integers(12, 60))
                low = int(step * rng.uniform(0.1, 0.5))
                sheet[y + low : y + step - 4, x : x + wide] = rng.uniform(30, 210)
                x += wide + (0 if rng.random() < 0.8 else int(rng.integers(20, 200)))
        y += step
    return _seen_aslant(sheet, lens, rng)


def _stairs(lens: Lens, rng: np.random.Generator) -> Array32:
    sheet = _blank(rng.uniform(110, 190), 5, rng)
    y, step = 0.0, rng.uniform(60, 110)
    while y < SHEET_PX:
        riser = int(step * rng.uniform(0.3, 0.45))
        sheet[int(y) : int(y) + riser] *= np.float32(rng.uniform(0.45, 0.8))
        sheet[int(y) + riser : int(y) + riser + 3] += 30
        y, step = y + step, step * 1.06
    return _seen_aslant(sheet, lens, rng)


def _facade(lens: Lens, rng: np.random.Generator) -> Array32:
    """Houses under a sky: a roof line as straight as a horizon, with rows of windows under it."""
    sky = rng.uniform(150, 235)
    sheet = np.full((SHEET_PX, SHEET_PX), sky, np.float32)
    x = 0
    level = SHEET_PX * rng.uniform(0.4, 0.52)
    while x < SHEET_PX:
        wide = int(rng.integers(150, 800))
        top = int(level + rng.choice([0.0, rng.normal(0, 50)]))
        wall = rng.uniform(50, 150)
        sheet[top:, x : x + wide] = wall
        sheet[top : top + 6, x : x + wide] = wall * 0.6
        floor, bay = int(rng.integers(35, 70)), int(rng.integers(28, 60))
        for y in range(top + 18, SHEET_PX - floor, floor):
            for w in range(x + 10, min(x + wide, SHEET_PX) - bay, bay):
                pane = wall * rng.uniform(0.35, 0.7) if rng.random() < 0.85 else rng.uniform(150, 230)
                sheet[y : y + int(floor * 0.55), w : w + int(bay * 0.55)] = pane
        x += wide
    sheet += 3 * np.tile(ground_tiles()[1], (3, 3))[:SHEET_PX, :SHEET_PX]
    return _seen_aslant(sheet, lens, rng)


def _room(lens: Lens, rng: np.random.Generator) -> Array32:
    """The inside of a box: walls, ceiling and floor, a window, a door, a picture, a table's edge."""
    x, y, z = pixel_rays(lens)
    turn, tilt, yaw = rng.normal(0, 0.3), rng.normal(0, 0.2), rng.uniform(-np.pi, np.pi)
    c, s = np.cos(turn), np.sin(turn)
    ct, st, cy, sy = np.cos(tilt), np.sin(tilt), np.cos(yaw), np.sin(yaw)
    to_room = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]]) @ np.array(
        [[1, 0, 0], [0, ct, -st], [0, st, ct]]
    )
    to_room = (to_room @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])).astype(np.float32)
    ray = [x * row[0] + y * row[1] + z * row[2] for row in to_room]
    half = np.array([rng.uniform(1.5, 4), rng.uniform(1.1, 1.6), rng.uniform(1.5, 5)], np.float32)
    eye = (half * rng.uniform(-0.4, 0.4, 3)).astype(np.float32)
    nearest = np.full(x.shape, 99, np.float32)
    picture = np.zeros_like(x)
    for axis in range(3):
        one, two = [k for k in range(3) if k != axis]
        for sign in (-1, 1):
            with np.errstate(divide="ignore", invalid="ignore"):
                reach = (sign * half[axis] - eye[axis]) / ray[axis]
            hit = (reach > 0) & (reach < nearest)
            u = np.where(hit, eye[one] + reach * ray[one], 0)
            v = np.where(hit, eye[two] + reach * ray[two], 0)
            face = np.float32(rng.uniform(70, 220)) + np.float32(rng.uniform(-14, 14)) * u
            face += np.float32(2) * sample_texture(ground_tiles()[1], u * 60, v * 60)
            for _ in range(int(rng.integers(1, 5)) if axis != 1 else 0):
                face = _framed(face, u, v, rng)
            picture = np.where(hit, face, picture)
            nearest = np.where(hit, reach, nearest)
    picture = np.asarray(picture, np.float32)
    if rng.random() < 0.5:
        # A table close by: everything under a line is its top.
        u, v = _plane(lens, rng)
        share = np.clip((v - np.float32(rng.uniform(0, 0.3))) * 700, 0, 1)
        top = np.float32(rng.uniform(50, 210)) + 5 * sample_texture(ground_tiles()[0], u * 900, v * 90)
        picture += share * (top - picture)
    return picture


def _framed(face: Array32, u: Array32, v: Array32, rng: np.random.Generator) -> Array32:
    """A window, door, board or picture with a frame round it."""
    wide, high = rng.uniform(0.2, 1.0), rng.uniform(0.2, 0.9)
    off_u, off_v = np.abs(u - rng.uniform(-2, 2)) - wide, np.abs(v - rng.uniform(-0.6, 0.6)) - high
    off = np.maximum(off_u, off_v)
    inner = rng.uniform(200, 255) if rng.random() < 0.4 else rng.uniform(30, 180)
    face = np.where(off < 0.06, np.float32(rng.uniform(30, 220)), face)
    return np.asarray(np.where(off < 0, np.float32(inner), face), np.float32)


def _foliage(lens: Lens, rng: np.random.Generator) -> Array32:
    u, v = _plane(lens, rng)
    picture = np.full(u.shape, rng.uniform(35, 80), np.float32)
    for size in (130, 260, 520, 1000):
        leaf = sample_texture(ground_tiles()[2], u * size + 13 * size, v * size * np.float32(1.4))
        share = np.clip((leaf - 0.2) * 3, 0, 1)
        tone = rng.uniform(30, 150) + 18 * sample_texture(ground_tiles()[1], u * size, v * size)
        picture += share * (tone - picture)
    if rng.random() < 0.5:
        gaps = np.clip((sample_texture(cloud_tiles()[0], u * 300, v * 300) - 1.1) * 6, 0, 1)
        picture += gaps * (np.float32(rng.uniform(190, 245)) - picture)
    return picture


def _out_of_focus(lens: Lens, rng: np.random.Generator) -> Array32:
    """Soft patches of light, sometimes in two halves with a broad seam."""
    _, v = _plane(lens, rng)
    low = cv2.resize(
        make_texture(rng, stretch=1, power=2.2)[:90, :160], SIZE_PX, interpolation=cv2.INTER_CUBIC
    )
    picture = np.float32(rng.uniform(80, 170)) + np.float32(rng.uniform(8, 28)) * low
    if rng.random() < 0.6:
        picture += np.float32(rng.uniform(20, 80)) * np.tanh(v / np.float32(rng.uniform(0.1, 0.3)))
    return np.asarray(picture, np.float32)


def _fog(lens: Lens, rng: np.random.Generator) -> Array32:
    u, v = _plane(lens, rng)
    wisps = sample_texture(cloud_tiles()[2], u * 60, v * 60)
    slope = np.float32(rng.uniform(-30, 30))
    return np.asarray(np.float32(rng.uniform(120, 220)) + slope * v + np.float32(rng.uniform(0, 5)) * wisps)


def _night_lights(lens: Lens, rng: np.random.Generator) -> Array32:
    """Lamps in rows along streets seen from above: no sky in the picture."""
    u, v = _plane(lens, rng)
    dark = np.float32(rng.uniform(5, 25))
    picture = dark + np.float32(2.5) * sample_texture(ground_tiles()[2], u * 200, v * 200)
    lamps = np.zeros_like(picture)
    height, width = picture.shape
    for _ in range(int(rng.integers(1, 7))):
        x, y = rng.uniform(0, width), rng.uniform(0, height)
        turn, gap = rng.uniform(0, np.pi), rng.uniform(20, 110)
        for k in range(-60, 60):
            px, py = x + k * gap * np.cos(turn), y + k * gap * np.sin(turn)
            if 0 <= px < width and 0 <= py < height:
                cv2.circle(
                    lamps, (int(px), int(py)), int(rng.integers(1, 6)), float(rng.uniform(60, 240)), -1
                )
    picture += cv2.GaussianBlur(lamps, (0, 0), 1.5) + 3 * cv2.GaussianBlur(lamps, (0, 0), 12)
    return np.asarray(picture, np.float32)


def _crowd(lens: Lens, rng: np.random.Generator) -> Array32:
    """Near things before a plain wall, none of them with a horizon behind."""
    wall = _blank(rng.uniform(70, 200), 3, rng)
    picture = _seen_aslant(wall, lens, rng)
    things: list[Thing] = make_things(("head", "post", "shed", "crown"), 8, rng, heading=0.0)
    add_things(picture, things, View(lens, float(rng.normal(0, 0.2)), 0.0, 0.0))
    return picture


NEGATIVES: dict[str, Callable[[Lens, np.random.Generator], Array32]] = {
    "sky": _sky,
    "cloud streets": _clouds_in_layers,
    "ground": _ground,
    "water": _water,
    "shore from above": _shore_from_above,
    "bricks": _bricks,
    "boards": _boards,
    "stairs": _stairs,
    "facade": _facade,
    "room": _room,
    "foliage": _foliage,
    "out of focus": _out_of_focus,
    "fog": _fog,
    "night lights": _night_lights,
    "crowd": _crowd,
    **PATTERNS,
}
