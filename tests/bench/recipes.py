"""Random worlds by kind: which sky, which surface, which skyline and what stands in front of it."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from horizon.synthetic import ROUND_EARTH_M
from tests.bench.foreground import AT_SEA, ON_LAND, Thing, make_things
from tests.bench.scenery import (
    KOSCHMIEDER,
    PROFILE,
    Bank,
    Coast,
    Layer,
    Sky,
    Sun,
    Surface,
    World,
    dip_rad,
)

__all__ = ["KINDS", "SURFACE", "make_world"]

Array = NDArray[np.float64]

# What an operator would declare, by kind; the kinds left out are drawn over sea or land.
SURFACE = {
    "sea": "sea",
    "swell": "sea",
    "haze": "sea",
    "seaocc": "sea",
    "land": "plain",
    "landocc": "plain",
    "hills": "hills",
    "lake": "lake",
    "glare": "sea",
    "shoreline": "sea",
    "snow": "plain",
    "sand": "plain",
}
KINDS = (*SURFACE, "cloudbank", "night", "overlay", "rain", "motion", "props")
TURNED_ROUND = 0.15  # share of sea and land frames whose surface outshines the sky


def make_world(
    kind: str, rng: np.random.Generator, *, heading: float
) -> tuple[World, list[Thing], str, tuple[float, ...]]:
    """World, things in front, declared surface, shores (m; lake only), seen about a heading (rad)."""
    surface = SURFACE.get(kind) or str(rng.choice(["sea", "sea", "plain"]))
    height_m = float(np.exp(rng.uniform(np.log(2), np.log(120))))
    if kind == "haze":
        height_m = float(np.exp(rng.uniform(np.log(2), np.log(40))))
    if kind == "lake":
        height_m = float(np.exp(rng.uniform(np.log(2), np.log(45))))
    world = _open(kind, surface, height_m, heading, rng)
    shores: tuple[float, ...] = ()
    if surface == "plain":
        world = _with_land(kind, world, rng)
    elif surface == "hills":
        world = _with_hills(world, rng)
    elif surface == "lake":
        world, shores = _with_shores(world, heading, rng)
    if kind == "swell":
        world = _with_swell(world, rng)
    elif kind == "shoreline":
        world = _with_coast(world, heading, rng)
    elif kind == "glare":
        world = _with_sun(world, heading, rng)
    elif kind == "cloudbank":
        world = _with_bank(world, heading, rng)
    elif kind == "night":
        world = _by_night(world, heading, rng)
    count = (
        int(rng.integers(2, 7)) if kind.endswith("occ") else int(rng.random() < 0.3) * int(rng.integers(1, 4))
    )
    sorts = AT_SEA if surface in ("sea", "lake") else ON_LAND
    things = make_things(sorts, count, rng, heading=heading)
    if kind == "night":
        things = [replace(thing, grey=6.0, mottle=1.0) for thing in things]
    return world, things, surface, shores


def _open(kind: str, surface: str, height_m: float, heading: float, rng: np.random.Generator) -> World:
    """Sky and level surface with 10 to 100 grey between them at the line."""
    water = surface in ("sea", "lake")
    horizon_m = ROUND_EARTH_M * dip_rad(height_m)
    visibility_km = float(np.exp(rng.uniform(np.log(15), np.log(100))))
    if kind == "haze":
        visibility_km = float(rng.uniform(8, 20))
    elif kind == "lake":
        visibility_km = float(rng.uniform(15, 30))
    else:
        visibility_km = min(100.0, max(visibility_km, 2.8e-3 * horizon_m))
    left = float(np.exp(-KOSCHMIEDER * horizon_m / (visibility_km * 1000)))
    sky_grey = float(rng.uniform(150, 228))
    contrast = float(np.exp(rng.uniform(np.log(10), np.log(100))))
    brighter = kind in ("snow", "sand") or (kind in ("sea", "land", "swell") and rng.random() < TURNED_ROUND)
    if brighter:
        sky_grey = float(rng.uniform(105, 160))
        far = min(222.0, sky_grey + max(18.0, contrast) / max(left, 0.3))
    elif kind == "haze":
        far = sky_grey - float(rng.uniform(35, 0.6 * sky_grey))
    else:
        far = max(0.35 * sky_grey, sky_grey - contrast / left)
    near = far * float(rng.uniform(0.6, 0.95) if water else rng.uniform(0.8, 1.1))
    texture = float(rng.uniform(3, 11) if water else rng.uniform(6, 16)) * (0.4 + far / 160)
    if kind in ("snow", "sand"):
        near, texture = min(228.0, far * float(rng.uniform(0.85, 1.05))), texture * 0.5
    overcast = kind == "snow" or rng.random() < 0.25
    sky = Sky(
        horizon_grey=sky_grey,
        drop=float(rng.uniform(0, 25) if overcast else rng.uniform(25, 90)),
        cloud_grey=0.0 if rng.random() < 0.2 else float(rng.uniform(10, 45)),
        cloud_tile=int(rng.integers(4)),
        cloud_shift=float(rng.uniform(0, 500)),
        cumulus=not overcast and bool(rng.random() < 0.4),
        cover=float(rng.uniform(-0.3, 1.0)),
        fade_rad=float(rng.uniform(0.05, 0.25)),
    )
    ground = Surface(
        water=water,
        far_grey=far,
        near_grey=near,
        contrast=texture,
        # The lens shows finer marks the nearer the ground is.
        cell_m=float(rng.uniform(0.8, 3.0) * np.clip((height_m / 15) ** 0.5, 0.2, 1.5)),
        scrub_grey=0.0 if water or rng.random() < 0.3 else float(rng.uniform(10, 0.6 * far)),
        scrub_from=float(rng.uniform(0.3, 2.0)),
        turn=float(rng.uniform(-np.pi, np.pi)),
        tile=int(rng.integers(3)),
        relief=np.full(PROFILE, -dip_rad(height_m), np.float32),
    )
    return World(height_m, visibility_km, sky, ground)


def _profile(rng: np.random.Generator, low: int, high: int, power: float) -> Array:
    """Random line round the circle, 0 to 1, of ``low`` to ``high`` waves, their size falling with number."""
    spectrum = np.zeros(PROFILE // 2 + 1, complex)
    k = np.arange(low, high)
    spectrum[low:high] = k**-power * (rng.normal(size=len(k)) + 1j * rng.normal(size=len(k)))
    line = np.fft.irfft(spectrum, PROFILE)
    return np.asarray((line - line.min()) / np.ptp(line))


def _trees(rng: np.random.Generator, height_rad: float) -> Array:
    """Hedges and trees along the line, in clumps with gaps."""
    clumps = np.clip((_profile(rng, 20, 400, 0.6) - rng.uniform(0.35, 0.65)) * 8, 0, 1)
    return np.asarray(clumps * height_rad * (0.25 + 0.75 * _profile(rng, 300, 6000, 0.5)))


def _with_land(kind: str, world: World, rng: np.random.Generator) -> World:
    relief = np.radians(rng.uniform(0.02, 0.1)) * _profile(rng, 2, 300, 1.2)
    base = world.surface.relief + relief.astype(np.float32)
    bare = kind in ("snow", "sand")
    surface = replace(
        world.surface,
        relief=base,
        field_grey=0.0 if bare else float(rng.uniform(8, 28)) * (0.4 + world.surface.far_grey / 160),
    )
    layers: tuple[Layer, ...] = ()
    if rng.random() < (0.3 if bare else 0.7):
        top = base + _trees(rng, np.radians(rng.uniform(0.05, 0.25)))
        darkest = max(14.0, world.surface.far_grey * float(rng.uniform(0.45, 0.85)))
        layers = (Layer(top.astype(np.float32), darkest, 4.0),)
    return replace(world, surface=surface, layers=layers)


def _with_hills(world: World, rng: np.random.Generator) -> World:
    rise = np.radians(np.exp(rng.uniform(np.log(0.2), np.log(1.0))))
    sky, near = world.sky.horizon_grey, world.surface.far_grey
    layers = []
    count = int(rng.integers(1, 4))
    for number in range(count):
        share = (number + 1) / count
        top = rise * _profile(rng, 3, 900, 1.3)
        if number < count - 1:
            top = 0.2 * rise + top * rng.uniform(0.4, 0.8)
        grey = sky + (near - sky) * (0.35 + 0.65 * share)
        layers.append(Layer((world.surface.relief + top).astype(np.float32), grey, 6.0 * share))
    surface = replace(world.surface, field_grey=float(rng.uniform(0, 22)))
    return replace(world, surface=surface, layers=tuple(layers))


def _with_shores(world: World, heading: float, rng: np.random.Generator) -> tuple[World, tuple[float, ...]]:
    """Water up to dark shores nearer on one side than on the other; haze hides what lies behind them."""
    azimuth = np.arange(PROFILE) * (2 * np.pi / PROFILE) - np.pi
    shore_m = np.full(PROFILE, 4500.0)
    # A straight shore at d metres, seen a off its perpendicular, is d / cos(a) away; five enclose the lake.
    for number in range(5):
        square_to = heading + rng.uniform(-0.9, 0.9) + number * 2 * np.pi / 5
        facing = np.cos(azimuth - square_to)
        away_m = np.exp(rng.uniform(np.log(900), np.log(3500)))
        shore_m = np.where(facing > 0.1, np.minimum(shore_m, away_m / np.maximum(facing, 0.1)), shore_m)
    shore_m = shore_m * (1 + 0.04 * (_profile(rng, 6, 200, 1.2) - 0.5))
    shore_m = np.minimum(shore_m, 0.98 * ROUND_EARTH_M * dip_rad(world.height_m))
    bend = shore_m / (2 * ROUND_EARTH_M)
    water = -(world.height_m / shore_m + bend)
    bank_m = np.clip(world.height_m * rng.uniform(0.2, 1.6), 3, 25)
    trees_m = bank_m * (0.35 + 0.65 * _profile(rng, 40, 6000, 0.7))
    top = (trees_m - world.height_m) / shore_m - bend
    dark = max(18.0, world.surface.far_grey * float(rng.uniform(0.3, 0.7)))
    lake = replace(world.surface, relief=water.astype(np.float32))
    shore = Layer(top.astype(np.float32), dark, 5.0)
    seen_m = shore_m[np.cos(azimuth - heading) > np.cos(np.pi / 4)]
    return replace(world, surface=lake, layers=(shore,)), (float(seen_m.min()), float(seen_m.max()))


def _with_swell(world: World, rng: np.random.Generator) -> World:
    """Long waves lift the line itself, and stacked crests show below it."""
    total = np.radians(np.exp(rng.uniform(np.log(0.01), np.log(0.06))))
    rows = []
    for _ in range(5):
        waves = round(360 / np.exp(rng.uniform(np.log(0.3), np.log(5))))
        rows.append(
            (total / np.sqrt(5) * rng.uniform(0.6, 1.4), waves, rng.uniform(0, 6.3), rng.normal(0, 1.2))
        )
    surface = replace(
        world.surface,
        swell=tuple((float(a), int(k), float(p), float(w)) for a, k, p, w in rows),
        crest_grey=float(rng.uniform(2, 9)) * (0.4 + world.surface.far_grey / 160),
    )
    return replace(world, surface=surface)


def _with_coast(world: World, heading: float, rng: np.random.Generator) -> World:
    below = np.radians(np.exp(rng.uniform(np.log(1), np.log(8))))
    grey = float(rng.choice([rng.uniform(140, 215), rng.uniform(30, 90)]))
    coast = Coast(
        azimuth=heading + float(rng.normal(0, 0.5)),
        distance_m=float(world.height_m / np.tan(below + dip_rad(world.height_m))),
        wobble=float(rng.uniform(0, 0.06)),
        grey=grey,
        surf=float(rng.uniform(20, 70)) if rng.random() < 0.7 else 0.0,
    )
    return replace(world, surface=replace(world.surface, coast=coast))


def _with_sun(world: World, heading: float, rng: np.random.Generator) -> World:
    sun = Sun(
        azimuth=heading + float(rng.normal(0, 0.25)),
        elevation=float(np.radians(rng.uniform(2.5, 18))),
        halo=float(rng.uniform(70, 160)),
        glitter=float(rng.uniform(60, 210)),
        width=float(rng.uniform(0.05, 0.16)),
    )
    dimmer = float(rng.uniform(0.65, 0.95))
    sky = replace(world.sky, horizon_grey=world.sky.horizon_grey * dimmer)
    far = max(25.0, world.surface.far_grey * dimmer)
    return replace(world, sun=sun, sky=sky, surface=replace(world.surface, far_grey=far, near_grey=0.8 * far))


def _with_bank(world: World, heading: float, rng: np.random.Generator) -> World:
    elevation = np.radians(np.exp(rng.uniform(np.log(2), np.log(12))))
    sign = float(rng.choice([-1.0, -1.0, 1.0]))
    if world.sky.horizon_grey > 205:
        sign = -1.0
    bank = Bank(
        azimuth=heading + float(rng.uniform(-0.5, 0.5)),
        elevation=float(elevation),
        tilt=float(np.radians(rng.normal(0, 2.0))),
        waviness=float(np.radians(rng.uniform(0.0, 0.25))),
        softness=float(np.radians(rng.uniform(0.05, 0.5))),
        thickness=float(np.radians(rng.choice([3.0, 8.0, 40.0]))),
        grey=sign * float(rng.uniform(12, 60)),
    )
    return replace(world, sky=replace(world.sky, bank=bank, cumulus=False))


def _by_night(world: World, heading: float, rng: np.random.Generator) -> World:
    sky_grey = float(rng.uniform(14, 38))
    glow = float(rng.uniform(0, 40))
    darker = rng.random() < 0.8
    line = sky_grey + glow
    far = max(4.0, line - float(rng.uniform(9, 45))) if darker else line + float(rng.uniform(9, 30))
    count = int(rng.integers(0, 60))
    chains = heading + rng.uniform(-0.9, 0.9, 4)
    lights = np.column_stack(
        [
            rng.choice(chains, count) + rng.normal(0, 0.12, count),
            -dip_rad(world.height_m) + np.radians(rng.uniform(-0.35, 0.1, count)),
            rng.uniform(40, 260, count),
            np.radians(rng.uniform(0.01, 0.08, count)),
        ]
    )
    return replace(
        world,
        visibility_km=max(world.visibility_km, 60.0),
        sky=replace(
            world.sky,
            horizon_grey=sky_grey,
            drop=sky_grey * 0.3,
            glow_grey=glow,
            cloud_grey=world.sky.cloud_grey * 0.15,
        ),
        surface=replace(
            world.surface,
            far_grey=far,
            near_grey=far * 0.7,
            contrast=world.surface.contrast * 0.12,
            field_grey=world.surface.field_grey * 0.12,
            crest_grey=0.0,
        ),
        layers=tuple(replace(layer, grey=far * 0.8, contrast=0.6) for layer in world.layers),
        lights=lights,
    )
