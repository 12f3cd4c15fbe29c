"""How far the visible horizon lies below the true level, from the height above the surface.

Sphere of radius R seen through air that bends light into arcs: with a refraction coefficient k the geometry
is that of straight light over a sphere of R' = R / (1 - k). Then

    dip = acos(R' / (R' + h))                                       horizon
    dip = atan((R' + h - R' cos g) / (R' sin g)),  g = d / R'       shoreline at distance d, nearer than it

Derivation: right triangle of centre, camera and tangent point; for the shoreline, the point at the angle g
from the camera as seen from the centre. For h << d << R' the second is h/d + d/(2 R'), the "dip short of the
horizon" of navigation tables, and it meets the first where d is the distance to the horizon, R' dip.
The first is also in NavList, B. Morris, 11 Apr 2013. k = 0.16 +- 0.04 covers the published values for
daytime air over water (C. F. Gauss 0.13, A. R. Clarke 0.16 over sea, surveying instruments 0.142 to 0.2).
"""

from math import acos, atan2, hypot, sin

__all__ = [
    "EARTH_RADIUS_M",
    "REFRACTION",
    "REFRACTION_SD",
    "DipError",
    "dip_rad",
    "dip_sd_rad",
    "horizon_distance_m",
    "shore_dip_rad",
]

EARTH_RADIUS_M = 6_371_000.0
REFRACTION = 0.16
REFRACTION_SD = 0.04


class DipError(ValueError):
    """A height, distance or refraction with which there is no horizon."""


def dip_rad(height_m: float, refraction: float = REFRACTION) -> float:
    """Dip of the open horizon, radians, for a camera ``height_m`` above the surface.

    Raises
    ------
    DipError
        Negative height; refraction of 1 or more, for which light follows the surface and nothing ends it.
    """
    radius_m = _bent_radius_m(height_m, refraction)
    return acos(radius_m / (radius_m + height_m))


def dip_sd_rad(
    height_m: float,
    height_sd_m: float,
    *,
    refraction: float = REFRACTION,
    refraction_sd: float = REFRACTION_SD,
) -> float:
    """Standard uncertainty of the dip, radians, from those of height and refraction.

    Half the difference over +- one sd rather than a derivative: the dip goes with the root of the height,
    whose derivative at 0 m is infinite.
    """
    low_m = max(height_m - height_sd_m, 0.0)
    by_height = (dip_rad(height_m + height_sd_m, refraction) - dip_rad(low_m, refraction)) / 2
    less, more = refraction - refraction_sd, refraction + refraction_sd
    by_refraction = (dip_rad(height_m, less) - dip_rad(height_m, more)) / 2
    return hypot(by_height, by_refraction)


def horizon_distance_m(height_m: float, refraction: float = REFRACTION) -> float:
    """Distance along the surface to the open horizon."""
    return _bent_radius_m(height_m, refraction) * dip_rad(height_m, refraction)


def shore_dip_rad(height_m: float, distance_m: float, refraction: float = REFRACTION) -> float:
    """Dip of a waterline ``distance_m`` away, radians; that of the horizon where the shore lies beyond it.

    Raises
    ------
    DipError
        As `dip_rad`; distance not above 0.
    """
    if not distance_m > 0:
        raise DipError(f"distance to the shore is {distance_m} m; expected more than 0")
    radius_m = _bent_radius_m(height_m, refraction)
    if distance_m >= horizon_distance_m(height_m, refraction):
        return dip_rad(height_m, refraction)
    angle = distance_m / radius_m
    # 1 - cos(angle) as 2 sin^2(angle / 2): the difference itself loses all digits for a near shore.
    return atan2(height_m + 2 * radius_m * sin(angle / 2) ** 2, radius_m * sin(angle))


def _bent_radius_m(height_m: float, refraction: float) -> float:
    """R' of the module's formulae, after checking that they hold."""
    if not height_m >= 0:
        raise DipError(f"height above the surface is {height_m} m; expected 0 or more")
    if not refraction < 1:
        raise DipError(f"refraction coefficient is {refraction}; expected less than 1, usually 0.1 to 0.2")
    return EARTH_RADIUS_M / (1 - refraction)
