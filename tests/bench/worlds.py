"""Drawn frames of known attitude for the evaluation: many kinds of horizon, and pictures without one."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from horizon.angles import angles_from_up, tangent_frame, up_from_angles
from horizon.lens import Lens, lens_from_hfov, pixels, rays
from tests.bench.effects import Effects, draw_effects, overlaid, recorded, through_lens
from tests.bench.foreground import Thing, add_things
from tests.bench.negatives import drawn_negative
from tests.bench.recipes import KINDS, make_world
from tests.bench.scenery import PROFILE, View, World, dip_rad, draw, skyline, to_pixels

__all__ = ["KINDS", "Still", "clip_frames", "drawn_negative", "still"]

Array = NDArray[np.float64]

STILL_PX = (1920, 1080)
CLIP_PX = (1280, 720)
HFOV_DEG = (40.0, 50.0, 60.0, 70.0, 80.0, 95.0, 110.0)
WIDE_DEG = 80.0
BENT = 1 / 3  # share of the wide lenses that are not pinholes
LEAST_CONTRAST_GREY = 6.0
NIGHT_CONTRAST_GREY = 8.0
BESIDE_PX = (3.0, 10.0)
SEGMENTS = 32


@dataclass(frozen=True)
class Still:
    """One picture (height, width) before encoding, with its truth and what an operator would declare.

    ``roll_deg, pitch_deg``: true attitude; where rows are read one after another, at the reading of the
    skyline's middle row. ``skyline_roll_deg, skyline_pitch_deg``: the least-squares up vector of the skyline
    in the picture, on the cone of the dip. ``terrain_deg``: how far the skyline may rise above the true
    horizon. ``shore_m``: nearest and farthest shore, lake only. ``usable``: a person could measure the
    horizon here.
    """

    kind: str
    luma: NDArray[np.uint8]
    lens: Lens
    roll_deg: float
    pitch_deg: float
    skyline_roll_deg: float
    skyline_pitch_deg: float
    dip_rad: float
    surface: str
    terrain_deg: float
    visibility_km: float
    height_m: float
    usable: bool
    shore_m: tuple[float, ...] = ()


@dataclass(frozen=True)
class _Stage:
    """World, things in front, camera and what is declared: all that stays the same along a clip."""

    kind: str
    world: World
    things: list[Thing]
    effects: Effects
    lens: Lens
    surface: str
    terrain_deg: float
    shore_m: tuple[float, ...]


def still(kind: str, rng: np.random.Generator) -> Still:
    """One 1920 x 1080 picture of a kind: attitude, lens, scene and effects drawn from ``rng``."""
    heading = float(rng.uniform(-np.pi, np.pi))
    stage = _stage(kind, rng, STILL_PX, heading)
    roll = float(np.radians(rng.uniform(-30, 30) if rng.random() < 0.6 else rng.uniform(-180, 180)))
    return _picture(stage, roll, _pitch(stage, roll, float(rng.uniform(-0.35, 0.35))), heading, 0.0, rng)


def clip_frames(
    kind: str, rng: np.random.Generator, *, seconds: float, fps: float, lens: Lens | None = None
) -> Iterator[tuple[float, Still]]:
    """(time s, picture) of one clip: one scene, a smoothly moving camera, steady effects.

    ``lens``: also for the size of the picture; by default drawn from ``rng``, 1280 x 720.
    """
    heading = float(rng.uniform(-np.pi, np.pi))
    stage = _stage(kind, rng, CLIP_PX, heading)
    if lens is not None:
        stage = replace(stage, lens=lens)
    steps = np.sort(rng.uniform(0, seconds, int(rng.integers(0, 3))))
    exposure = tuple((float(at), float(rng.uniform(0.75, 1.2))) for at in steps)
    stage = replace(stage, effects=replace(stage.effects, exposure=exposure))
    base = float(np.radians(rng.choice([0.0, 0.0, 0.0, 180.0, 90.0])))
    middle = _pitch(stage, base, float(rng.uniform(-0.1, 0.1)))
    roll, pitch, turn = _sway(rng, np.radians(8)), _sway(rng, np.radians(6)), _sway(rng, np.radians(15))
    rate = float(np.radians(rng.choice([0.0, rng.uniform(-12, 12)])))
    for number in range(round(seconds * fps)):
        t_s = number / fps
        yaw = heading + rate * t_s + _sum(turn, t_s)
        yield t_s, _picture(stage, base + _sum(roll, t_s), middle + _sum(pitch, t_s), yaw, t_s, rng)


def _sway(rng: np.random.Generator, most: float) -> Array:
    """Rows of (size, rad per second, phase) of three sines that never exceed ``most`` together."""
    size = rng.uniform(0.2, 1, 3)
    size *= most * rng.uniform(0.3, 1) / size.sum()
    return np.column_stack([size, 2 * np.pi / rng.uniform(3, 14, 3), rng.uniform(0, 2 * np.pi, 3)])


def _sum(sines: Array, t_s: float) -> float:
    return float(np.sum(sines[:, 0] * np.sin(sines[:, 1] * t_s + sines[:, 2])))


def _stage(kind: str, rng: np.random.Generator, size_px: tuple[int, int], heading: float) -> _Stage:
    if kind not in KINDS:
        raise ValueError(f"kind is {kind!r}; allowed: {', '.join(KINDS)}")
    world, things, surface, shore_m = make_world(kind, rng, heading=heading)
    rise_deg = float(np.degrees(np.max(skyline(world, 0.0)) + dip_rad(world.height_m)))
    terrain_deg = 0.0 if surface == "sea" else max(0.0, float(np.ceil(rise_deg * 20) / 20))
    effects = draw_effects(kind, rng)
    return _Stage(kind, world, things, effects, _lens(rng, size_px), surface, terrain_deg, shore_m)


def _lens(rng: np.random.Generator, size_px: tuple[int, int]) -> Lens:
    """Few different lenses, because the rays of each are kept."""
    hfov_deg = float(rng.choice(HFOV_DEG))
    plain = lens_from_hfov(*size_px, hfov_deg)
    if hfov_deg < WIDE_DEG or rng.random() > BENT:
        return plain
    edge = np.radians(hfov_deg) / 2
    if rng.random() < 0.5:
        f_px = size_px[0] / 2 / (edge * (1 + 0.03 * edge**2))
        return Lens(*size_px, f_px, f_px, plain.cx_px, plain.cy_px, "fisheye", (0.03, 0.0, 0.0, 0.0))
    k1, k2 = -0.08, 0.008
    slope = np.tan(edge)
    f_px = size_px[0] / 2 / (slope * (1 + k1 * slope**2 + k2 * slope**4))
    return Lens(*size_px, f_px, f_px, plain.cx_px, plain.cy_px, "brown", (k1, k2, 0.0, 0.0))


def _pitch(stage: _Stage, roll: float, share: float) -> float:
    """Pitch at which the horizon passes a share of the picture's height below its centre."""
    lens, off = stage.lens, share * stage.lens.height_px
    at = rays(lens, [[lens.cx_px + off * np.sin(roll), lens.cy_px + off * np.cos(roll)]])[0]
    return float(np.sign(share) * np.arccos(at[2]) - dip_rad(stage.world.height_m))


def _picture(
    stage: _Stage, roll: float, pitch: float, yaw: float, t_s: float, rng: np.random.Generator
) -> Still:
    world, lens = stage.world, stage.lens
    still_view = View(lens, roll, pitch, yaw, t_s)
    tops = skyline(world, t_s)
    middle_px = lens.height_px / 2
    if stage.effects.skew_rad:
        points, _ = _seen(still_view, tops)
        middle_px = float(points[:, 1].mean()) if len(points) else middle_px
    view = View(lens, roll, pitch, yaw, t_s, stage.effects.skew_rad, middle_px)
    points, lengths = _seen(view, tops)
    clean = draw(world, view)
    add_things(clean, stage.things, view)
    clean = through_lens(clean, stage.effects, t_s, rng)
    true_up, dip = view.up_cam, dip_rad(world.height_m)
    line_up = true_up
    if stage.surface != "sea" or world.surface.swell or view.skew_rad:
        line_up = _least_squares(rays(lens, points), lengths, true_up, dip)
    true_deg, line_deg = np.degrees(angles_from_up(true_up)), np.degrees(angles_from_up(line_up))
    least = NIGHT_CONTRAST_GREY if stage.kind == "night" else LEAST_CONTRAST_GREY
    bare = overlaid(np.clip(clean, 0, 255).astype(np.uint8), stage.effects)
    luma = overlaid(recorded(clean, stage.effects, rng), stage.effects)
    return Still(
        stage.kind,
        luma,
        lens,
        float(true_deg[0]),
        float(true_deg[1]),
        float(line_deg[0]),
        float(line_deg[1]),
        dip,
        stage.surface,
        float(stage.terrain_deg),
        world.visibility_km,
        world.height_m,
        _usable(bare, points, lengths, line_up, lens, least),
        stage.shore_m,
    )


def _seen(view: View, tops: Array) -> tuple[Array, Array]:
    """Points (n, 2) of the skyline in the picture and the length of line, px, that each stands for."""
    azimuth = np.arange(0, PROFILE, 2) * (2 * np.pi / PROFILE) - np.pi
    points = to_pixels(view, azimuth, tops[::2])
    around = np.vstack([points[-1:], points, points[:1]])
    with np.errstate(invalid="ignore"):
        length = np.hypot(*(around[2:] - around[:-2]).T) / 2
        limits = np.array([view.lens.width_px, view.lens.height_px]) - 0.5
        inside = ((points > -0.5) & (points < limits)).all(axis=1) & (length < 0.05 * view.lens.width_px)
    return points[inside], length[inside]


def _least_squares(ray: Array, weight: Array, up: Array, dip: float) -> Array:
    """Unit vector u that brings r . u nearest to -sin(dip) over rays (n, 3): Gauss-Newton on the sphere."""
    root = np.sqrt(weight)
    for _ in range(10):
        roll, pitch = angles_from_up(up)
        e_roll, e_pitch = tangent_frame(roll, pitch)
        design = np.column_stack([ray @ e_roll * np.cos(pitch), ray @ e_pitch]) * root[:, None]
        step = np.linalg.lstsq(design, -root * (ray @ up + np.sin(dip)), rcond=None)[0]
        up = up_from_angles(roll + step[0], pitch + step[1])
        if np.abs(step).max() < 1e-12:
            break
    return up


def _usable(
    picture: NDArray[np.uint8], points: Array, lengths: Array, up: Array, lens: Lens, least_grey: float
) -> bool:
    """Is the line long enough in the picture, with enough contrast along half of it?"""
    if lengths.sum() < 0.45 * min(lens.width_px, lens.height_px):
        return False
    # Up in the picture at each point: the direction in which a ray moves when it is raised towards up_cam.
    ray = rays(lens, points)
    raised = ray + 1e-4 * up
    upward = pixels(lens, raised) - points
    upward /= np.linalg.norm(upward, axis=1, keepdims=True)
    sides = []
    for sign in (1.0, -1.0):
        values = []
        for off in np.linspace(*BESIDE_PX, 8) * lens.width_px / 1920:
            at = np.round(points + sign * off * upward).astype(int)
            at = np.clip(at, 0, [lens.width_px - 1, lens.height_px - 1])
            values.append(picture[at[:, 1], at[:, 0]])
        sides.append(np.mean(values, axis=0))
    step = sides[0] - sides[1]
    place = (np.cumsum(lengths) / lengths.sum() * (SEGMENTS - 1e-6)).astype(int)
    means = np.array([np.median(step[place == k]) for k in range(SEGMENTS) if np.any(place == k)])
    agreeing = max(np.mean(means >= least_grey), np.mean(means <= -least_grey))
    return bool(agreeing >= 0.5 and agreeing * lengths.sum() >= 0.45 * min(lens.width_px, lens.height_px))
