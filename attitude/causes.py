"""The observation model: one column per unknown for the block averages of log minus footage.

Every unknown adds (column x value) to the residual; columns come from :mod:`attitude.filter` with the log's
own attitude history, are averaged over the frames of each block, and are stacked roll rows first, then
pitch rows. Values are in degrees with the public signs (offsets as the lean they cause at level), except
shares (scale, focal length, leak) and seconds (lag).

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
wanders about any value is still one heading. Without a logged heading there is one pair per clip.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.dip import horizon_distance_m
from attitude.log import AttitudeLog
from attitude.residuals import MOVING_DPS, Residuals
from attitude.sheet import Shoot, Surface
from attitude.stretch import AXES, TURNS, WARM_UP_S, Stretch, grid_columns, stretch_of
from attitude.surroundings import USUAL_HEIGHT_M, shores_m

if TYPE_CHECKING:
    from attitude.clock import ClockFit
    from horizon.measure import ClipTrack

__all__ = ["CULPRIT_DEG", "HEALTHY_DEG", "ObservationModel", "Unknown", "observation_model"]

Array = NDArray[np.float64]

HEALTHY_DEG = 0.1
CULPRIT_DEG = 0.9
LEVEL_SEA_DEG = 0.005
SKYLINE_DEG = 30.0  # headings so far apart see lines that have little in common


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


@dataclass(frozen=True)
class ObservationModel:
    """Blocks that count, the unknowns, and all that the columns are made from.

    blocks : the used rows of ``Residuals.blocks``, index 0 to n - 1. piece : shape (n,), number of the
    gapless stretch of blocks that each belongs to. line_share : heading or clip -> shape (n,), how much of
    the error that its line has each block carries.
    """

    blocks: pd.DataFrame
    piece: NDArray[np.intp]
    unknowns: tuple[Unknown, ...]
    stretches: tuple[Stretch, ...]
    line_share: Mapping[str, Array]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the unknowns, in the order of the columns."""
        return tuple(unknown.name for unknown in self.unknowns)

    @property
    def residual_deg(self) -> Array:
        """Roll residuals of the blocks, then pitch residuals, shape (2 n,)."""
        return np.concatenate([self.blocks["r_roll_deg"], self.blocks["r_pitch_deg"]]).astype(float)

    def columns(self, tau_s: float) -> Array:
        """Matrix (2 n, unknowns): residual = columns @ values, for filter time constant ``tau_s``."""
        n = len(self.blocks)
        out = np.zeros((2 * n, len(self.unknowns)))
        place = {name: k for k, name in enumerate(self.names)}
        clip = self.blocks["clip"].to_numpy()
        for stretch in self.stretches:
            for name, column in grid_columns(stretch, tau_s, self.names).items():
                own = [(place[name], 1.0)] if name in place else []
                if name in ("skyline_north", "skyline_east"):
                    each = f"{name}:"
                    own += [(k, clip == one[len(each) :]) for one, k in place.items() if one.startswith(each)]
                if own:
                    mean = np.asarray(stretch.block_of_grid @ column)
                    for k, share in own:
                        out[:n, k] -= share * mean.imag
                        out[n:, k] += share * mean.real
        for name, k in place.items():
            what, _, of = name.partition(":")
            if what in ("clip_roll", "clip_pitch"):
                rows = slice(0, n) if what == "clip_roll" else slice(n, None)
                out[rows, k] = clip == of
            elif what == "line_roll":
                out[:n, k] = self.line_share[of]
            elif what == "line_pitch":
                out[n:, k] = -self.line_share[of]
            elif what == "lag":
                out[:, k] = np.where(np.tile(clip == of, 2), self._rates(), 0.0)
        return out

    def _rates(self) -> Array:
        """How fast the residual changes with a lag of the log, deg per s: its roll and pitch rates."""
        return np.concatenate([self.blocks["roll_rate_dps"], self.blocks["pitch_rate_dps"]]).astype(float)


def observation_model(
    found: Residuals,
    logs: Sequence[AttitudeLog],
    clocks: Sequence[ClockFit],
    shoot: Shoot,
    tracks: Sequence[ClipTrack],
    *,
    focal_sd: float,
    pitch_zero_sd_deg: float,
    dip_sd_deg: float,
) -> ObservationModel:
    """Columns for the blocks that count.

    Parameters
    ----------
    focal_sd : sd of the focal length as a share of it.
    pitch_zero_sd_deg : sd of where the lens axis meets the picture, as an angle.
    dip_sd_deg : sd of the dip, the same for all frames.
    """
    blocks = found.blocks
    use = blocks["rate_dps"].to_numpy(float) <= MOVING_DPS
    clip_clock = {clock.clip: clock for clock in clocks}
    has_velocity = any("velocity_north_mps" in log.table for log in logs)
    if not has_velocity:
        # Acceleration that nobody logged would be taken for an offset.
        use &= blocks["shot"].to_numpy() != "turns"
    pans = {track.clip: track.yaw_rate for track in tracks if len(track.yaw_rate) > 1}
    blind = [k for k, log in enumerate(logs) if not log.has_yaw]
    # The filter's smear in a turn that nothing measured would be taken for mounting.
    unseen = blocks["log_index"].isin(blind) & ~blocks["clip"].isin(list(pans))
    use &= ~(unseen & blocks["shot"].isin(["pan", "half_turn", "turns"])).to_numpy(bool)
    kept = np.flatnonzero(use)
    blocks = _with_rates(blocks, found.frames).iloc[kept].reset_index(drop=True)
    follows = (np.diff(kept) == 1) & (np.diff(blocks["segment"].to_numpy(int)) == 0)
    piece = np.concatenate([[0], np.cumsum(~follows)]) if len(kept) else np.zeros(0, int)

    number = dict(zip(kept, range(len(kept)), strict=True))
    frames = found.frames[found.frames["block"].isin(number)]
    rows = np.array([number[block] for block in frames["block"]], dtype=np.int_)
    log_index = frames["log_index"].to_numpy(int)
    stretches = tuple(
        stretch_of(logs[i], frames[log_index == i], rows[log_index == i], len(blocks), pans)
        for i in sorted(set(log_index.tolist()))
    )
    has_yaw = all(logs[i].has_yaw for i in blocks["log_index"].unique())
    line_share = _line_share(blocks, has_yaw)
    unknowns = [
        *_sensor_unknowns(stretches, blocks, pitch_zero_sd_deg),
        *_skyline_unknowns(blocks, shoot, has_yaw),
        *_line_unknowns(blocks, line_share),
        Unknown("dip", "", dip_sd_deg, dip_sd_deg),
        Unknown("focal", "", focal_sd, focal_sd),
    ]
    for name in blocks["clip"].unique():
        clock = clip_clock[name]
        if clock.sd_s is None:
            # Any place in the log had to do: the clip's true place may differ by as much as the log varies.
            table = logs[clock.log_index].table
            for axis in ("roll", "pitch"):
                sd = max(0.01, float(np.std(np.unwrap(table[f"{axis}_deg"].to_numpy(float), period=360.0))))
                unknowns.append(Unknown(f"clip_{axis}:{name}", "", sd, sd))
        else:
            lag_s = float(np.hypot(clock.sd_s, 0.02))
            unknowns.append(Unknown(f"lag:{name}", "", lag_s, lag_s))
    return ObservationModel(blocks, piece.astype(np.intp), _joined(unknowns), stretches, line_share)


def _joined(unknowns: Sequence[Unknown]) -> tuple[Unknown, ...]:
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


def _with_rates(blocks: pd.DataFrame, frames: pd.DataFrame) -> pd.DataFrame:
    """Blocks with the log's mean signed roll and pitch rate, roll as it moves the up vector."""
    rates: dict[str, list[float]] = {"roll_rate_dps": [], "pitch_rate_dps": []}
    for _, part in frames.groupby("block", sort=True):
        span_s = float(np.ptp(part["log_t_s"])) if len(part) > 1 else 0.0
        for axis in ("roll", "pitch"):
            angle = np.unwrap(part[f"log_{axis}_deg"].to_numpy(float), period=360.0)
            rate = (angle[-1] - angle[0]) / span_s if span_s > 0 else 0.0
            shrink = np.cos(np.deg2rad(part["log_pitch_deg"].mean())) if axis == "roll" else 1.0
            rates[f"{axis}_rate_dps"].append(float(rate * shrink))
    return blocks.assign(**rates)


def _sensor_unknowns(
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
    for turn, wide in (("pitch", 0.25), ("yaw", 0.15), ("roll", 0.25)):
        unknowns.append(Unknown(f"gyro_{turn}", "gyro_bias", HEALTHY_DEG, wide))
    unknowns += [Unknown(f"gyro_turned_{turn}", "", 0.25, 0.25) for turn in TURNS]
    unknowns += [Unknown(f"gyro_scale_{turn}", "", 0.005, 0.005) for turn in TURNS]
    for stretch in stretches:
        for run in stretch.starts:
            unknowns += [Unknown(f"start_{k}:{stretch.name}:{run}", "", 1.0, 1.0) for k in ("north", "east")]
    speeds = [s.velocity_mps for s in stretches if s.velocity_mps is not None]
    if any(np.ptp(v.real) + np.ptp(v.imag) > 1.0 for v in speeds):
        unknowns.append(Unknown("turns", "turns", 0.012, 0.2))
    if stretches and all(s.since_power_on_s is not None for s in stretches):
        since_s = np.concatenate([s.block_of_grid @ s.since_power_on_s for s in stretches])  # type: ignore[operator]
        fading = np.exp(-since_s[since_s > 0] / WARM_UP_S)
        # Filmed within one stage of the warming up only, it is a twin of the offset.
        if fading.size and np.ptp(fading) > 0.3:
            unknowns += [
                Unknown(f"warm_up_{a}", "warm_up", HEALTHY_DEG, 1.2) for a in ("sideways", "along_lens")
            ]
    return unknowns


def _shore_tilt_deg(surface: Surface) -> float:
    """How far a straight shore makes the skyline lean; 0 where the surface reaches to the horizon."""
    shores = shores_m(surface)
    if shores is None:
        return 0.0
    height_m = USUAL_HEIGHT_M if surface.height_m is None else surface.height_m
    distance_m = shores[0]
    return 0.0 if distance_m > horizon_distance_m(height_m) else float(np.rad2deg(height_m / distance_m))


def _skyline_unknowns(blocks: pd.DataFrame, shoot: Shoot, has_yaw: bool) -> list[Unknown]:
    """Tilt and harmonics of the skyline with the sizes that the sheet's surface allows."""
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


def _line_share(blocks: pd.DataFrame, has_yaw: bool) -> dict[str, Array]:
    """Heading, deg, or clip -> share of its line's error in each block, for those that were looked at."""
    if not has_yaw:
        clip = blocks["clip"].to_numpy()
        return {str(name): (clip == name).astype(float) for name in blocks["clip"].unique()}
    place = blocks["log_yaw_deg"].to_numpy(float) / SKYLINE_DEG
    before = np.floor(place)
    way = np.pi / 2 * (place - before)
    count = round(360 / SKYLINE_DEG)
    shares = {}
    for k in range(count):
        share = np.where(before % count == k, np.cos(way), 0.0)
        share = np.where((before + 1) % count == k, np.sin(way), share)
        if share.any():
            shares[f"{k * SKYLINE_DEG:g}"] = share
    return shares


def _line_unknowns(blocks: pd.DataFrame, line_share: Mapping[str, Array]) -> list[Unknown]:
    """Errors of the line that frames of one heading share. Value: lean of its normal, right or ahead, deg."""
    unknowns = []
    for of, share in line_share.items():
        for axis in ("roll", "pitch"):
            shared = blocks[f"shared_{axis}_sd_deg"].to_numpy(float)
            sd = float(np.sqrt(np.average(shared**2, weights=share**2)))
            unknowns.append(Unknown(f"line_{axis}:{of}", "", sd, sd))
    return unknowns
