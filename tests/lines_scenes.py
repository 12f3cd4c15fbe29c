"""Drawn clips of plumb and level lines in cluttered rooms, their truth drawn first and found later.

The wall is a flat picture in metres, seen along each pixel's ray; the string and the laser's line are points
in space, brought into the picture by the lens and filled in by exact shares of pixels along four lines of
sight a row. Nothing here knows how lines are looked for.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from horizon.coded import with_colour_planes, write_clip
from horizon.lens import Lens, lens_from_hfov, pixels
from horizon.synthetic import TEXTURE_PX, make_texture, pixel_rays, sample_texture

FINE = 4


@dataclass(frozen=True)
class Room:
    """One clip. Angles in deg, lengths in m, widths and blurs in px of the picture, grey levels of 8 bits.

    kind : plumb_line or level_line. away_m : of the wall; string_m : of the strings. turned_deg : wall from
    square. rise_deg : laser's line above the lens. azimuths_deg : of the strings' pivots; none: no line.
    swing_deg, period_s, decay_s : of the string. restless_deg : slow wander of the camera's roll.
    """

    kind: str
    lens: Lens
    roll_deg: float
    pitch_deg: float
    fps: float
    length_s: float
    away_m: float = 5.0
    string_m: float = 4.0
    turned_deg: float = 0.0
    rise_deg: float = 0.0
    azimuths_deg: tuple[float, ...] = (0.0,)
    swing_deg: float = 0.0
    swing_out_deg: float = 0.0
    period_s: float = 2.0
    phase_rad: float = 0.0
    decay_s: float = 8.0
    width_px: float = 2.0
    contrast_grey: float = -70.0
    blur_px: float = 0.7
    noise_grey: float = 2.0
    restless_deg: float = 0.0
    bob: bool = True
    clutter: tuple[str, ...] = ()
    seed: int = 1
    crf: int = 21


CLUTTER = ("door", "window", "tiles", "skirting", "shelf", "pipe", "cable", "poster", "corner")


def invented_room(kind: str, seed: int, *, line: bool = True, lines: int = 1) -> Room:
    """A room drawn by lot: every case of the evaluation comes from here."""
    rng = np.random.default_rng([17, seed, kind == "plumb_line", lines])
    size = (1920, 1080) if rng.random() < 0.1 else (1280, 720)
    hfov = float(rng.uniform(40, 90))
    lens = lens_from_hfov(*size, hfov)
    if rng.random() < 0.4:
        k1 = float(rng.uniform(-0.2, 0.05))
        f_px = size[0] / 2 / np.tan(np.radians(min(hfov, 80)) / 2)
        lens = Lens(*size, f_px, f_px, (size[0] - 1) / 2 + rng.uniform(-12, 12), (size[1] - 1) / 2
                    + rng.uniform(-12, 12), "brown", (k1, float(0.15 * k1**2), 0.0, 0.0))  # fmt: skip
    half_deg = np.degrees(np.arctan(size[0] / 2 / lens.fx_px))
    clutter = tuple(one for one in CLUTTER if rng.random() < 0.45)
    laser = kind == "level_line"
    aside = 0.085 * half_deg * 2
    azimuths = (float(rng.uniform(-aside, aside)),)
    if lines == 2:
        azimuths = tuple(float(side * rng.uniform(0.35, 0.6) * half_deg) for side in (-1, 1))
    upside_down = rng.random() < 0.15
    return Room(
        kind,
        lens,
        float(rng.uniform(-10, 10)) + (180.0 if upside_down else 0.0),
        float(rng.uniform(-3, 3)),
        10.0,
        float(rng.uniform(5, 6)),
        away_m=float(rng.uniform(3, 10)),
        string_m=float(rng.uniform(2.8, 9)),
        turned_deg=float(rng.normal(0, 4)),
        rise_deg=float(rng.uniform(-1, 1)),
        azimuths_deg=azimuths if line else (),
        swing_deg=0.0 if laser else float(rng.choice([0.0, 0.3, 1.0, 2.0], p=[0.2, 0.2, 0.3, 0.3])),
        swing_out_deg=float(rng.uniform(0, 0.7)),
        period_s=float(rng.uniform(1.2, 3.2)),
        phase_rad=float(rng.uniform(0, 2 * np.pi)),
        decay_s=float(rng.uniform(4, 25)),
        width_px=float(rng.uniform(2, 7) if laser else rng.uniform(1, 3)),
        contrast_grey=float(rng.uniform(40, 120) * (1 if laser or rng.random() < 0.4 else -1)),
        blur_px=float(rng.choice([0.6, 0.9, 1.5, 2.2, 3.0])),
        noise_grey=float(rng.uniform(1, 3.5)),
        restless_deg=0.0 if rng.random() < 0.6 else float(rng.uniform(0.01, 0.04)),
        bob=rng.random() < 0.6,
        clutter=clutter,
        seed=seed,
        crf=int(rng.integers(19, 24)),
    )


def in_camera(world: np.ndarray, roll_deg: float, pitch_deg: float) -> np.ndarray:
    """Points (n, 3), x right, y down, z ahead of a level camera, in the axes of one turned by its angles."""
    roll, pitch = np.radians([roll_deg, pitch_deg])
    ahead = np.array([0.0, -np.sin(pitch), np.cos(pitch)])
    right, down = np.array([1.0, 0.0, 0.0]), np.array([0.0, np.cos(pitch), np.sin(pitch)])
    turned = (
        np.cos(roll) * right + np.sin(roll) * down,
        np.cos(roll) * down - np.sin(roll) * right,
        ahead,
    )
    return np.asarray(world) @ np.stack(turned).T


def wander_deg(room: Room, t_s: np.ndarray) -> np.ndarray:
    """Slow wander of the camera's roll about its mean setting."""
    rng = np.random.default_rng([room.seed, 5])
    waves = [np.sin(2 * np.pi * t_s / rng.uniform(3, 20) + rng.uniform(0, 6)) for _ in range(3)]
    return room.restless_deg * np.sum(waves, axis=0)


def film(path, room: Room):
    """Write the clip; returns its true roll_deg, one per frame."""
    rng = np.random.default_rng([room.seed, 3])
    t_s = np.arange(round(room.length_s * room.fps)) / room.fps
    roll_deg = room.roll_deg + wander_deg(room, t_s)
    wall = np.clip(_wall_in_picture(room, rng), 4, 250)
    height, width = wall.shape
    soft = cv2.GaussianBlur(wall, (0, 0), room.blur_px)
    string_grey = float(np.clip(np.median(wall) + room.contrast_grey, 5, 250))
    noise = rng.normal(0, room.noise_grey, (2, height + 64, width + 64)).astype(np.float32)
    gaps = _gaps(rng)

    def images():
        for t, roll in zip(t_s, roll_deg, strict=True):
            picture = soft.copy()
            if room.restless_deg:
                turn = cv2.getRotationMatrix2D((room.lens.cx_px, room.lens.cy_px), roll - room.roll_deg, 1.0)
                picture = cv2.warpAffine(soft, turn, (width, height), borderMode=cv2.BORDER_REFLECT_101)
            share, lit = np.zeros_like(wall), np.zeros_like(wall)
            for k, azimuth in enumerate(room.azimuths_deg):
                if room.kind == "plumb_line":
                    _string(share, room, azimuth, k, float(t), float(roll))
                else:
                    _laser(lit, room, gaps, float(roll))
            changed = share + lit
            rows, columns = (np.flatnonzero(changed.any(axis=axis)) for axis in (1, 0))
            if len(rows):
                reach = int(4 * room.blur_px) + 2
                top, left = max(0, rows[0] - reach), max(0, columns[0] - reach)
                part = np.s_[top : rows[-1] + reach + 1, left : columns[-1] + reach + 1]
                added = share[part] * (string_grey - wall[part]) + lit[part] * (0.6 + 0.4 * wall[part] / 128)
                picture[part] += cv2.GaussianBlur(added, (0, 0), room.blur_px)
            down, right = rng.integers(0, 64, 2)
            picture += noise[rng.integers(2), down : down + height, right : right + width]
            yield with_colour_planes(np.clip(picture + 0.5, 0, 255).astype(np.uint8))

    write_clip(path, images(), room.fps, crf=room.crf, key_every=10)
    return roll_deg


def seen_roll_deg(room: Room, roll_deg: float) -> float:
    """Roll that a level line shows: of the camera, and what the wall's turn adds to a line off eye level."""
    turned, rise = np.radians([room.turned_deg, room.rise_deg])
    ends = np.array([[x * np.cos(turned), -np.tan(rise), 1 + x * np.sin(turned)] for x in (-0.5, 0.5)])
    one, two = in_camera(ends, roll_deg, room.pitch_deg)
    normal = np.cross(two, one)
    # Which way up the camera was, is told; the line is level to within a few degrees.
    way = 1 if normal @ in_camera(np.array([[0.0, -1.0, 0.0]]), roll_deg, room.pitch_deg)[0] > 0 else -1
    return float(np.degrees(np.arctan2(-way * normal[0], -way * normal[1])))


def _gaps(rng):
    """Where a laser's line is interrupted or weak: shares of its length, and what is left."""
    return [(rng.uniform(0, 1), rng.uniform(0.004, 0.03), rng.uniform(0, 0.5)) for _ in range(6)]


def _string(share, room: Room, azimuth_deg: float, number: int, t_s: float, roll_deg: float) -> None:
    """Share of each pixel that a string and its bob cover, added to ``share``."""
    azimuth = np.radians(azimuth_deg)
    away = room.string_m
    swing = np.exp(-t_s / room.decay_s) * np.radians(room.swing_deg)
    at = 2 * np.pi * t_s / room.period_s * (1 + 0.07 * number) + room.phase_rad
    aside, out = swing * np.cos(at), room.swing_out_deg * swing * np.sin(at)
    f_px, height = room.lens.fx_px, room.lens.height_px
    # The pivot hangs above the picture; the bob, if it shows, in its lower part.
    reach_m = away * height / f_px
    pivot = np.array([away * np.sin(azimuth), -0.9 * reach_m, away * np.cos(azimuth)])
    long_m = (1.25 if room.bob else 2.5) * reach_m
    way = np.array([np.sin(aside), 1.0, np.sin(out)])
    way /= np.linalg.norm(way)
    along = np.linspace(0, 1, 400)[:, None]
    points = pixels(room.lens, in_camera(pivot + along * long_m * way, roll_deg, room.pitch_deg))
    _fill(share, points, room.width_px)
    if room.bob:
        end, before = points[-1], points[-8]
        if np.isfinite(end).all() and (np.abs(end) < 4000).all():
            along_px = (end - before) / np.hypot(*(end - before))
            half = np.array([0.012 * f_px / away, 0.05 * f_px / away])
            centre = end + along_px * half[1]
            angle = np.degrees(np.arctan2(along_px[1], along_px[0])) - 90
            bob = np.zeros_like(share)
            place, axes = (tuple(np.round(one * 16).astype(int).tolist()) for one in (centre, half))
            cv2.ellipse(bob, place, axes, angle, 0, 360, 1.0, -1, cv2.LINE_AA, 4)
            np.maximum(share, bob, out=share)


def _laser(lit, room: Room, gaps, roll_deg: float) -> None:
    """Light of a laser's line on the wall, added to ``lit``."""
    turned = np.radians(room.turned_deg)
    span = np.linspace(-3, 3, 1200) * room.away_m
    rise = room.away_m * np.tan(np.radians(room.rise_deg))
    world = np.column_stack(
        [span * np.cos(turned), np.full_like(span, -rise), room.away_m + span * np.sin(turned)]
    )
    share = np.zeros_like(lit)
    _fill(share.T, pixels(room.lens, in_camera(world, roll_deg, room.pitch_deg))[:, ::-1], room.width_px)
    power = np.full(lit.shape[1], room.contrast_grey, np.float32)
    for place, long, left in gaps:
        first = int(place * len(power))
        power[first : first + int(long * len(power)) + 1] *= left
    lit += cv2.GaussianBlur(share, (0, 0), 0.25 * room.width_px + 0.3) * power


def _fill(share, points, width_px: float) -> None:
    """Share of pixels that a curve of some width covers; ``points`` (x, y) run on mostly downwards."""
    rows, columns = share.shape
    points = points[np.isfinite(points).all(axis=1)]
    if len(points) < 3:
        return
    if points[-1, 1] < points[0, 1]:
        points = points[::-1]
    rising = np.concatenate([[True], np.diff(np.maximum.accumulate(points[:, 1])) > 0])
    points = points[rising]
    slope = np.gradient(points[:, 0], points[:, 1])
    y = (np.arange(rows * FINE) + 0.5) / FINE - 0.5
    x = np.interp(y, points[:, 1], points[:, 0], left=np.nan, right=np.nan)
    half = width_px / 2 * np.hypot(1, np.interp(y, points[:, 1], slope))
    known = np.isfinite(x)
    if not known.any():
        return
    first = int(max(0, np.floor((x - half)[known].min()) - 1))
    last = int(min(columns, np.ceil((x + half)[known].max()) + 2))
    if last <= first:
        return
    grid = np.arange(first, last)[None, :]
    low, high = np.nan_to_num(x - half, nan=-9e3)[:, None], np.nan_to_num(x + half, nan=-9e3)[:, None]
    cover = np.clip(np.minimum(high, grid + 0.5) - np.maximum(low, grid - 0.5), 0, 1)
    mean = cover.reshape(rows, FINE, -1).mean(axis=1)
    np.maximum(share[:, first:last], mean, out=share[:, first:last])


def _wall_in_picture(room: Room, rng):
    """The wall as the camera sees it, without noise and in focus."""
    x, y, z = pixel_rays(room.lens)
    world = np.stack([x, y, z], axis=-1).reshape(-1, 3) @ in_camera(
        np.eye(3), room.roll_deg, room.pitch_deg
    ).T.astype(np.float32)
    turned = np.radians(room.turned_deg)
    ahead = np.maximum(world[:, 2] - world[:, 0] * np.tan(turned), 0.02)
    u = (world[:, 0] / ahead / np.cos(turned)).reshape(x.shape)
    v = (world[:, 1] / ahead).reshape(x.shape)
    px = 1.25 * room.lens.fx_px
    reach = (min(float(np.abs(u).max()), 2.2), min(float(np.abs(v).max()), 2.2))
    half = tuple(int(r * px) + 40 for r in reach)
    wall = _wall(room, rng, half, px)
    return cv2.remap(
        wall,
        (u * px + half[0]).astype(np.float32),
        (v * px + half[1]).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT_101,
    )


def _wall(room: Room, rng, half, px: float):
    """Picture of the wall, px pixels to a length of ``away_m``; its middle straight ahead."""
    width, height = 2 * half[0] + 1, 2 * half[1] + 1
    x, y = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
    texture = make_texture(rng, stretch=1.0, power=float(rng.uniform(0.9, 1.5)))
    across, down = rng.uniform(-0.5, 0.5, 2) * 60
    wall = rng.uniform(95, 165) + across * (x / width - 0.5) + down * (y / height - 0.5)
    wall = wall + rng.uniform(1, 5) * sample_texture(texture, x / 3, y / 3)
    wall = (wall + 3 * sample_texture(texture, x * TEXTURE_PX / width, y + 99)).astype(np.float32)
    m = px / room.away_m
    # Bars seen narrower than this would be thin lines themselves.
    least = 14.0 * 1.25 * max(1.0, room.lens.width_px / 1920)
    for one in room.clutter:
        _paint(wall, one, rng, m, least)
    return wall


def _box(wall, x0, y0, x1, y1, grey, turn_deg=0.0):
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], float)
    middle = corners.mean(axis=0)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    corners = (corners - middle) @ np.array([[c, s], [-s, c]]) + middle
    cv2.fillPoly(wall, [np.round(corners * 16).astype(np.int32)], float(grey), cv2.LINE_AA, 4)


def _paint(wall, one: str, rng, m: float, least: float) -> None:
    height, width = wall.shape
    turn = float(rng.uniform(-0.7, 0.7))
    x, y = rng.uniform(0.1, 0.9) * width, rng.uniform(0.15, 0.85) * height
    grey = float(np.clip(wall.mean() + rng.choice([-1, 1]) * rng.uniform(20, 70), 15, 240))
    bar = max(float(rng.uniform(0.05, 0.09)) * m, least)
    if one == "corner":
        shaded = np.clip((np.arange(width) - x + np.linspace(-4, 4, height)[:, None]) / 3 + 0.5, 0, 1)
        wall -= (rng.uniform(8, 30) * shaded).astype(np.float32)
    elif one == "door":
        x1 = x + max(0.9 * m, 4 * bar)
        _box(wall, x, 0.12 * height, x1, 1.3 * height, grey, turn)
        _box(wall, x + bar, 0.12 * height + bar, x1 - bar, 1.3 * height, grey + rng.uniform(-40, 40), turn)
    elif one == "window":
        x1, y1 = x + max(rng.uniform(0.8, 1.8) * m, 5 * bar), y + max(rng.uniform(0.8, 1.4) * m, 5 * bar)
        _box(wall, x, y, x1, y1, grey, turn)
        middle = (x + x1) / 2
        for left, right in ((x + bar, middle - bar / 2), (middle + bar / 2, x1 - bar)):
            _box(wall, left, y + bar, right, y1 - bar, rng.uniform(200, 245), turn)
    elif one == "tiles":
        size, line = max(rng.uniform(0.2, 0.6) * m, 30.0), rng.uniform(-9, 9)
        slope = np.tan(np.radians(turn))
        for k in np.arange(-2, width / size + 2):
            ends = np.array([[k * size, 0], [k * size - slope * height, height]])
            _thin(wall, ends, line, max(1, round(0.004 * m)))
        for k in np.arange(-2, height / size + 2):
            ends = np.array([[0, k * size], [width, k * size + slope * width]])
            _thin(wall, ends, line, max(1, round(0.004 * m)))
    elif one == "skirting":
        y = 0.5 * height + min(1.4 * m, 0.33 * height)
        _box(wall, -width, y, 2 * width, y + max(0.09 * m, least), grey, turn)
        _box(wall, -width, y + max(0.09 * m, least), 2 * width, 3 * height, grey - 25, turn)
    elif one == "shelf":
        thick, x1 = max(0.03 * m, least), x + rng.uniform(0.6, 2.0) * m
        for k in range(3):
            _box(wall, x, y + k * 0.35 * m, x1, y + k * 0.35 * m + thick, grey, turn)
    elif one == "pipe":
        wide = max(rng.uniform(0.02, 0.06) * m, 1.4 * least)
        slope = np.tan(np.radians(turn))
        off = (np.arange(width) - x + slope * (np.arange(height)[:, None] - height / 2)) / (wide / 2)
        inside = np.clip((1 - np.abs(off)) * wide / 2 + 0.5, 0, 1)
        shade = grey * (0.55 + 0.6 * np.sqrt(np.clip(1 - (off - 0.3) ** 2 / 1.7, 0, 1)))
        wall[:] = wall * (1 - inside) + shade * inside
    elif one == "cable":
        s = np.linspace(0, 1, 200)
        sag = max(0.03 * height, 25.0) * rng.choice([-1, 1]) * rng.uniform(1, 3)
        if rng.random() < 0.5:
            curve = np.column_stack([x + sag * (4 * s * (1 - s) + 0.2 * np.sin(7 * s)), s * height])
        else:
            curve = np.column_stack([s * width, y + abs(sag) * 4 * s * (1 - s)])
        wide = max(2, round(0.006 * m))
        cv2.polylines(wall, [np.round(curve * 16).astype(np.int32)], False, grey, wide, cv2.LINE_AA, 4)
    elif one == "poster":
        x1, y1 = x + rng.uniform(0.4, 0.9) * m, y + rng.uniform(0.4, 1.1) * m
        _box(wall, x, y, x1, y1, grey, turn)
        for _ in range(5):
            px, py = rng.uniform(x, x1), rng.uniform(y, y1)
            _box(wall, px, py, min(x1, px + 0.2 * m), min(y1, py + 0.12 * m), rng.uniform(30, 230), turn)


def _thin(wall, ends, grey: float, wide: int) -> None:
    line = np.zeros_like(wall)
    cv2.polylines(line, [np.round(ends * 16).astype(np.int32)], False, 1.0, wide, cv2.LINE_AA, 4)
    wall += float(grey) * line
