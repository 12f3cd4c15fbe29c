"""From the line in the picture to the true level: what the declared surroundings add to its uncertainty.

The fit knows the line. Whether that line stands level is no matter of pixels, and no averaging finds it out:

* a skyline may rise above the true horizon by up to the terrain's height t. The line then lies too high, so
  the true pitch is up to t higher than measured, never lower; and unequal heights lean it;
* haze hides the last of the surface, so the line lies too low: the true pitch is up to the haze term lower;
* height and refraction (dip), focal length and the place of the lens axis shift pitch either way;
* shores at unequal distances lean the waterline of a lake.

Pitch therefore gets an interval with unequal sides beside its standard uncertainty. An error that lies
anywhere between 0 and t has a root mean square of t / sqrt(3).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["LEVEL_SURROUNDINGS", "PITCH_TOO", "ROLL_ONLY", "Claim", "Surroundings", "claim"]

Array = NDArray[np.float64]

# Roll error of a skyline with heights between 0 and t, seen over the angle w, in units of t / w.
TERRAIN_SLOPE = 0.35
# Beyond this half-width nothing is claimed of pitch: it is of the line only.
PITCH_CLAIM_RAD = math.radians(0.25)
PITCH_TOO, ROLL_ONLY = "roll and pitch", "roll"


@dataclass(frozen=True)
class Surroundings:
    """What was declared beside the picture, angles in rad.

    ``terrain_rad``: how far the skyline may rise above the true horizon. ``haze_rad``: how far haze may pull
    the visible line below it. ``dip_sd_rad``: of the dip, from height and refraction. ``shore_tilt_rad``: sd
    of the waterline's tilt. ``focal_sd``: of the focal length, as a share of it. ``axis_sd_rad``: of where
    the lens axis meets the picture. ``bend_sd``: of what the lens bends beyond what is known of it, at the
    picture's side, as a share (:mod:`horizon.bend`).
    """

    terrain_rad: float = 0.0
    haze_rad: float = 0.0
    dip_sd_rad: float = 0.0
    shore_tilt_rad: float = 0.0
    focal_sd: float = 0.0
    axis_sd_rad: float = 0.0
    bend_sd: float = 0.0


LEVEL_SURROUNDINGS = Surroundings()


@dataclass(frozen=True)
class Claim:
    """What may be said of the true level from one line, rad.

    ``roll_sd_rad``, ``pitch_sd_rad``: standard uncertainty of the true roll and pitch. ``pitch_low_rad``,
    ``pitch_high_rad``: 95 % interval of the true pitch. ``claims``: ``PITCH_TOO`` or ``ROLL_ONLY``.
    """

    roll_sd_rad: float
    pitch_sd_rad: float
    pitch_low_rad: float
    pitch_high_rad: float
    claims: str


def claim(pitch_rad: float, covariance: Array, width_rad: float, declared: Surroundings) -> Claim:
    """Uncertainty of the true level.

    ``covariance`` (2, 2): of the line's roll and pitch, rad^2. ``width_rad``: angle over which the line was
    seen.
    """
    terrain_roll = TERRAIN_SLOPE * declared.terrain_rad / max(width_rad, math.radians(5))
    roll_sd = math.sqrt(covariance[0, 0] + terrain_roll**2 + declared.shore_tilt_rad**2)
    # A focal length wrong by a share s scales the tangent of the pitch: d pitch = s sin(2 pitch) / 2.
    focal = declared.focal_sd * math.sin(2 * pitch_rad) / 2
    both_ways = math.sqrt(covariance[1, 1] + declared.dip_sd_rad**2 + focal**2 + declared.axis_sd_rad**2)
    one_sided = (declared.terrain_rad**2 + declared.haze_rad**2) / 3
    low = pitch_rad - 1.96 * both_ways - declared.haze_rad
    high = pitch_rad + 1.96 * both_ways + declared.terrain_rad
    return Claim(
        roll_sd,
        math.sqrt(both_ways**2 + one_sided),
        low,
        high,
        PITCH_TOO if (high - low) / 2 <= PITCH_CLAIM_RAD else ROLL_ONLY,
    )
