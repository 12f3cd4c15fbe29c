"""What the sheet tells of the surroundings, as uncertainty of the true level.

Haze. A dark surface seen through air of meteorological visibility V has left, at the distance d, the contrast
exp(-3.912 d / V) of its own (H. Koschmieder, 1924; at d = V that is 2 %). Where it falls below what an edge
needs, the surface is lost in the sky, and the line that is seen stands at

    d = V ln(1 / c) / 3.912

if that is nearer than the horizon, and so lower by dip(d) - dip (:mod:`attitude.dip`, shoreline): never
higher. On rendered sea (height 60 m, field of view 60 deg, 0.031 deg a pixel) the measured line stood low by
0.105 deg at V = 15 km and 0.009 deg at 30 km, which is c = 4.4 % and 5.1 %; c = 7 % bounds both, at 0.148 and
0.018 deg. At 60 km and more it stood low by 0.005 deg and less, a sixth of a pixel, which the line's own
uncertainty holds. Without a stated visibility 20 km are taken, a usual day (common practice).

Lake. Rays at the left and right edge of the picture, x to the right, of points of the shore at the angles d1
and d2 below level satisfy r . up = -sin(dip), with small roll -roll x - d + pitch z = -dip. With z alike on
both sides,

    roll = (d1 - d2) / (x2 - x1),     x2 - x1 = 2 sin(half the field of view)

which holds all along a straight shore, whose 1 / distance is linear in x and z.
"""

import math

from attitude.dip import dip_rad, dip_sd_rad, shore_dip_rad
from attitude.optics import KnownLens
from attitude.sheet import ClipSheet, Shoot, Surface
from horizon.lens import Lens, rays, read_lens
from horizon.level import Surroundings

__all__ = [
    "USUAL_HEIGHT_M",
    "declared_surroundings",
    "lens_axis_sd_rad",
    "line_height_sd_rad",
    "shores_m",
    "surroundings_of",
    "surroundings_without_sheet",
    "visible_dip_rad",
]

USUAL_SHORE_M, USUAL_HEIGHT_M = 3000.0, 20.0  # of a lake, when the sheet does not say
HIGHEST_M = 120.0  # where the height is not stated, anything from the beach to here
UNKNOWN_DIP_SD_RAD = math.radians(0.15)
SWELL_SD_RAD = math.radians(0.02)
USUAL_VISIBILITY_KM = 20.0
KOSCHMIEDER = 3.912
LEAST_CONTRAST = 0.07
AXIS_SD_RAD = {True: math.radians(0.05), False: math.radians(0.5)}  # lens file or not


def surroundings_of(shoot: Shoot, clip: ClipSheet, known_lens: KnownLens) -> Surroundings:
    """What a sheet declares for one of its clips."""
    return declared_surroundings(shoot.horizon, known_lens, lens_axis_sd_rad(shoot, clip))


def surroundings_without_sheet(known_lens: KnownLens) -> Surroundings:
    """What is to be allowed for when nothing is known but the lens, which is no calibrated one."""
    return declared_surroundings(Surface(), known_lens, AXIS_SD_RAD[False])


def visible_dip_rad(surface: Surface) -> float:
    """How far the visible line lies below the true level, rad: horizon or shore; 0 without a height."""
    return 0.0 if surface.height_m is None else _line_dip_rad(surface, surface.height_m)


def line_height_sd_rad(surface: Surface) -> float:
    """How far the line may stand off where it is assumed, rad rms, in all frames alike: dip and haze."""
    # An error anywhere between 0 and a bound has a root mean square of the bound over root 3.
    return math.hypot(_dip_sd_rad(surface), _haze_rad(surface) / 3**0.5)


def lens_axis_sd_rad(shoot: Shoot, clip: ClipSheet) -> float:
    """Sd of where the lens axis meets the picture, rad: small only with the file of a calibrated lens."""
    path = clip.lens if clip.lens is not None or clip.hfov_deg is not None else shoot.camera.lens
    if path is None:
        return AXIS_SD_RAD[False]
    lens = read_lens(path)
    found_px = max(lens.centre_sd_px or (0.0, 0.0))
    return math.hypot(AXIS_SD_RAD[True], found_px * lens.pixel_rad)


def shores_m(surface: Surface) -> tuple[float, float] | None:
    """Distances of the nearest and the farthest shore; None where the surface reaches to the horizon."""
    if surface.shore_m is not None:
        return surface.shore_m
    return (USUAL_SHORE_M, math.inf) if surface.surface == "lake" else None


def declared_surroundings(surface: Surface, known_lens: KnownLens, axis_sd_rad: float) -> Surroundings:
    """What surface and lens allow for; ``axis_sd_rad``: of where the lens axis meets the picture."""
    return Surroundings(
        terrain_rad=math.radians(surface.terrain_deg),
        haze_rad=_haze_rad(surface),
        dip_sd_rad=_dip_sd_rad(surface),
        shore_tilt_rad=_shore_tilt_rad(surface, known_lens.lens),
        focal_sd=known_lens.focal_sd,
        axis_sd_rad=axis_sd_rad,
        bend_sd=known_lens.bend_sd,
    )


def _line_dip_rad(surface: Surface, height_m: float) -> float:
    if surface.shore_m is None:
        return dip_rad(height_m)
    return shore_dip_rad(height_m, sum(surface.shore_m) / 2)


def _dip_sd_rad(surface: Surface) -> float:
    """Height known to a tenth and a metre, refraction, swell, and where along the shores the line stands."""
    height_m = surface.height_m
    if height_m is None:
        sd_rad = UNKNOWN_DIP_SD_RAD
    else:
        sd_rad = math.hypot(dip_sd_rad(height_m, 1.0 + 0.1 * height_m), SWELL_SD_RAD)
    return math.hypot(sd_rad, _shore_step_rad(surface) / 2)


def _haze_rad(surface: Surface) -> float:
    """How far haze may pull the visible line down, rad: an upper bound."""
    height_m = HIGHEST_M if surface.height_m is None else surface.height_m
    visibility_km = USUAL_VISIBILITY_KM if surface.visibility_km is None else surface.visibility_km
    seen_m = 1000 * visibility_km * math.log(1 / LEAST_CONTRAST) / KOSCHMIEDER
    return max(0.0, shore_dip_rad(height_m, seen_m) - _line_dip_rad(surface, height_m))


def _shore_tilt_rad(surface: Surface, lens: Lens) -> float:
    """False roll when the nearest shore stands at one edge of the picture and the farthest at the other."""
    edges_px = [[-0.5, lens.cy_px], [lens.width_px - 0.5, lens.cy_px]]
    left, right = rays(lens, edges_px)[:, 0]
    return _shore_step_rad(surface) / float(right - left)


def _shore_step_rad(surface: Surface) -> float:
    """How much lower the nearest shore stands than the farthest, rad; 0 without shores."""
    shores = shores_m(surface)
    if shores is None:
        return 0.0
    height_m = USUAL_HEIGHT_M if surface.height_m is None else surface.height_m
    near_rad, far_rad = (shore_dip_rad(height_m, distance_m) for distance_m in shores)
    return near_rad - far_rad
