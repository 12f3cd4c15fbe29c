"""The unknowns of the observation model: which there are, and how large each may be.

Each unknown has two prior sizes. *Healthy*: what a rig in good order shows (a well calibrated offset, a
seat, a gyro term of 0.1 deg, at level). *Wide*: what is possible when that unknown is the culprit.
Healthy sizes are not zero on purpose: with them, nothing is blamed for being significant while small.

Skyline: on open sea it is level by physics. Elsewhere its local slope as a function of heading is the
derivative of a closed profile: a tilt (first harmonic) and harmonics 2 and up, each of the size that
``terrain_deg`` allows; the average over a full turn is zero, which is why a pan frees the roll of it. A
straight shore at distance d seen from height h stands lower by h / d than the true horizon, which is a
tilt of that size towards the shore. Without a logged heading every clip gets a tilt of its own, in axes of
its first heading.

Error of the line: frames that look at one heading measure the same line and share its error, however many
they are. It belongs to the place looked at and turns the measured up vector about the viewing direction, as
a skyline does that leans there only: with the camera turned by roll, the line's picture turns with it and
the error e of its slope still adds e to the roll that is read (the same for its height and the pitch),
upright as upside down. So every 30 deg of heading has an unknown for roll and one for pitch, of the size
that the frames state as shared. Between two such headings, at the share s of the way, the error is
cos(90 deg s) of the one and sin(90 deg s) of the other: its size is the same everywhere, and a heading that
wanders about any value is still one heading. Without a logged heading there is one pair per clip. What was
measured against plumb or level lines sees neither skyline nor dip; the error of level lines is common to all
of them, for one instrument throws them, that of plumb lines to all upright and to all turned over.

Play: a plate that sags and a quick release that gives change sign upside down, as an offset does (common
practice: 0.05 to 0.1 deg). A camera turned over by hand, motors off, sits in its gimbal as it falls: clips
filmed by hand get a seat of their own, and play as large as that seat is found to differ from the one in
flight; 0.1 deg where nothing filmed by hand upright tells.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.dip import horizon_distance_m
from attitude.sheet import Shoot, Surface
from attitude.stretch import AXES, TURNS, WARM_UP_S, Stretch, turning_g
from attitude.surroundings import USUAL_HEIGHT_M, shores_m

__all__ = ["CULPRIT_DEG", "FLEX_DEG", "HEALTHY_DEG", "INFLATE", "SKYLINE_DEG", "Unknown", "joined"]
__all__ += ["hand_unknowns", "line_unknowns", "sensor_unknowns", "skyline_unknowns"]

Array = NDArray[np.float64]

HEALTHY_DEG = 0.1
CULPRIT_DEG = 0.9
LEVEL_SEA_DEG = 0.005
SKYLINE_DEG = 30.0  # headings so far apart see lines that have little in common
# Wrong model constants and slow noise left 95 % intervals covering 80 to 89 times in 100 in simulation;
# 1.4 times the sd and a floor restore 95 and more.
INFLATE = 1.4
FLEX_DEG, HAND_DEG = 0.036, 0.1  # the former 0.05 after the inflation that all uncertainties get
TURNING_G = 0.05
RAW_DEG, UNCALIBRATED_DEG = 0.5, 1.5
BENCH_SCALE = 0.01


@dataclass(frozen=True)
class Unknown:
    """One column. ``cause``: contract name of the cause it belongs to, "" for a nuisance.

    ``mean``, ``healthy_sd``, ``wide_sd``: prior, in the unit of the value.
    """

    name: str
    cause: str
    healthy_sd: float
    wide_sd: float
    mean: float = 0.0


def joined(unknowns: Sequence[Unknown]) -> tuple[Unknown, ...]:
    """Unknowns with those of one name, which share a column, made into one."""
    out: dict[str, Unknown] = {}
    for one in unknowns:
        if one.name in out:
            other = out[one.name]
            healthy_sd = float(np.hypot(one.healthy_sd, other.healthy_sd))
            wide_sd = float(np.hypot(one.wide_sd, other.wide_sd))
            one = Unknown(one.name, other.cause or one.cause, healthy_sd, wide_sd)
        out[one.name] = one
    return tuple(out.values())


def sensor_unknowns(
    stretches: Sequence[Stretch], blocks: pd.DataFrame, pitch_zero_sd_deg: float
) -> list[Unknown]:
    """Offsets, mounting, gyro, starts, turns and warming up, those that this footage can show."""
    unknowns = [Unknown(f"offset_{axis}", "sensor_offset", HEALTHY_DEG, CULPRIT_DEG) for axis in AXES]
    unknowns.append(Unknown("mounting_roll", "mounting", HEALTHY_DEG, CULPRIT_DEG))
    # Where the lens axis meets the picture acts like a mounting in pitch, and is not a fault. (Sideways it
    # does not act like one in yaw: the slope of the horizon does not depend on it.)
    healthy = float(np.hypot(HEALTHY_DEG, pitch_zero_sd_deg))
    unknowns.append(Unknown("mounting_pitch", "mounting", healthy, max(CULPRIT_DEG, healthy)))
    # Yaw hardly shows at level; as wide as the others it would drown the lean of footage filmed lens down.
    unknowns.append(Unknown("mounting_yaw", "mounting", HEALTHY_DEG, 0.3))
    unknowns += [Unknown(f"flex_{axis}", "", FLEX_DEG, FLEX_DEG) for axis in AXES]
    for turn, wide in (("pitch", 0.25), ("yaw", 0.15), ("roll", 0.25)):
        unknowns.append(Unknown(f"gyro_{turn}", "gyro_bias", HEALTHY_DEG, wide))
    unknowns += [Unknown(f"gyro_turned_{turn}", "", 0.25, 0.25) for turn in TURNS]
    unknowns += [Unknown(f"gyro_scale_{turn}", "", 0.005, 0.005) for turn in TURNS]
    for stretch in stretches:
        for run in stretch.starts:
            unknowns += [Unknown(f"start_{k}:{stretch.name}:{run}", "", 1.0, 1.0) for k in ("north", "east")]
            unknowns += [
                Unknown(f"learned_{k}:{stretch.name}:{run}", "", HEALTHY_DEG, HEALTHY_DEG)
                for k in ("north", "east")
            ]
    if any(turning_g(stretch) > TURNING_G for stretch in stretches):
        unknowns.append(Unknown("turns", "turns", 0.012, 0.2))
    if stretches and all(s.since_power_on_s is not None for s in stretches):
        since_s = np.concatenate([s.block_of_grid @ s.since_power_on_s for s in stretches])  # type: ignore[operator]
        fading = np.exp(-since_s[since_s > 0] / WARM_UP_S)
        # Filmed within one stage of the warming up only, it is a twin of the offset.
        if fading.size and np.ptp(fading) > 0.3:
            for name in ("sideways", "along_lens", "gyro_roll", "gyro_pitch"):
                unknowns.append(Unknown(f"warm_up_{name}", "warm_up", HEALTHY_DEG, 0.9))
    if stretches and all(s.colder is not None for s in stretches):
        colder = np.concatenate([s.block_of_grid @ s.colder for s in stretches])  # type: ignore[operator]
        filmed = colder[colder != 0]
        if filmed.size and np.ptp(filmed) > 0.3:
            for axis in ("sideways", "along_lens"):
                unknowns.append(Unknown(f"temperature_{axis}", "warm_up", HEALTHY_DEG, 0.6))
    return unknowns


def hand_unknowns(clips: Sequence[str]) -> list[Unknown]:
    """Seat and play of the camera while it was turned by hand, where it was."""
    if not clips:
        return []
    seats = [Unknown(f"hand_{turn}", "", HAND_DEG, HAND_DEG) for turn in ("roll", "pitch")]
    return seats + [Unknown(f"hand_flex_{axis}", "", HAND_DEG, HAND_DEG) for axis in AXES]


def _shore_tilt_deg(surface: Surface) -> float:
    """How far a straight shore makes the skyline lean; 0 where the surface reaches to the horizon."""
    shores = shores_m(surface)
    if shores is None:
        return 0.0
    height_m = USUAL_HEIGHT_M if surface.height_m is None else surface.height_m
    distance_m = shores[0]
    return 0.0 if distance_m > horizon_distance_m(height_m) else float(np.rad2deg(height_m / distance_m))


def skyline_unknowns(blocks: pd.DataFrame, shoot: Shoot, has_yaw: bool) -> list[Unknown]:
    """Tilt and harmonics of the skyline with the sizes that the sheet's surface allows.

    blocks : those that show a horizon; without any there is no skyline.
    """
    if blocks.empty:
        return []
    surface = shoot.horizon
    if surface.surface == "sea":
        tilt = healthy = max(LEVEL_SEA_DEG, surface.terrain_deg)
        harmonics = 0.0
    else:
        tilt = max(surface.terrain_deg, 0.02)
        healthy = min(HEALTHY_DEG, tilt)
        harmonics = tilt / 2
    mean = np.zeros(2)
    shore_deg = _shore_tilt_deg(surface)
    if surface.shore_bearing_deg is None:
        tilt = float(np.hypot(tilt, 0.7 * shore_deg))
        healthy = tilt if surface.shore_m is not None else healthy
    else:
        bearing = np.deg2rad(surface.shore_bearing_deg)
        mean = shore_deg * np.array([np.cos(bearing), np.sin(bearing)])
        # A shore is straight, and its distance known, to a fifth or so.
        tilt = healthy = float(np.hypot(tilt, 0.2 * shore_deg))
    if not has_yaw:
        size = float(np.hypot(tilt, np.abs(mean).max()))
        return [
            Unknown(f"skyline_{k}:{clip}", "ground_not_level", min(healthy, size), size)
            for clip in blocks["clip"].unique()
            for k in ("north", "east")
        ]
    unknowns = [
        Unknown(f"skyline_{k}", "ground_not_level", healthy, tilt, float(m))
        for k, m in zip(("north", "east"), mean, strict=True)
    ]
    if harmonics > 0:
        for k in (2, 3, 4):
            size = harmonics / np.sqrt(k - 1)
            for wave in ("cos", "sin"):
                unknowns.append(Unknown(f"skyline_{wave}{k}", "ground_not_level", min(healthy, size), size))
    return unknowns


def line_unknowns(
    blocks: pd.DataFrame, line_share: Mapping[str, Array], lines: Collection[str]
) -> list[Unknown]:
    """Errors of the line that frames of one heading share. Value: lean of its normal, right or ahead, deg.

    lines : those in ``line_share`` that are of plumb or level lines. Place and instrument give these their
    whole size: what the report widens is for what is not known of log and filter.
    """
    unknowns = []
    for of, share in line_share.items():
        for axis in ("roll", "pitch"):
            shared = blocks[f"shared_{axis}_sd_deg"].to_numpy(float)
            sd = float(np.sqrt(np.average(shared**2, weights=share**2)))
            if of in lines:
                sd /= INFLATE
            # A line that shows no pitch has no error of it.
            if sd > 0:
                unknowns.append(Unknown(f"line_{axis}:{of}", "", sd, sd))
    return unknowns
