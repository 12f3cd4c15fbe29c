"""The observation model: one column per unknown for the block averages of log minus footage.

Every unknown adds (column x value) to the residual; columns come from :mod:`attitude.filter` with the log's
own attitude history, are averaged over the frames of each block, and are stacked roll rows first, then
pitch rows. Values are in degrees with the public signs (offsets as the lean they cause at level), except
shares (scale, focal length, leak) and seconds (lag). What there is to know, and how large it may be, stands
in :mod:`attitude.unknowns`.

Below these rows stand those of other witnesses. Raw accelerometer, in still blocks: log minus the level that
it read itself, in roll and in pitch. The picture has no part in it, so its errors are not counted twice, and
of the sensor's errors only what the filter adds is left: gyro terms, and what it has not followed yet.
Bench holds: readings of the sensor in known poses, which show its offset alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.bench import Hold, bench_rows, bench_unknowns
from attitude.log import AttitudeLog
from attitude.residuals import MOVING_DPS, Residuals, clip_sheet_of
from attitude.sheet import HORIZON, Shoot
from attitude.still import Still, still_blocks
from attitude.stretch import UNFILTERED, Setting, Stretch, grid_columns, settled_temperature_c, stretch_of
from attitude.surroundings import lens_axis_sd_rad
from attitude.unknowns import (
    SKYLINE_DEG,
    Unknown,
    hand_unknowns,
    joined,
    line_unknowns,
    sensor_unknowns,
    skyline_unknowns,
)
from horizon.angles import rolled
from horizon.reference import LEVEL_LINE, PLUMB_LINE

if TYPE_CHECKING:
    from attitude.clock import ClockFit
    from horizon.measure import ClipTrack

__all__ = ["UPRIGHT", "ObservationModel", "observation_model"]

Array = NDArray[np.float64]

TREMBLE_DEG, FEWEST_LOOKS = 0.12, 6  # a gimbal that holds trembles less, a hand more
UPRIGHT = 0.8  # cosine of what still counts as one pose
LINES = (LEVEL_LINE, f"{PLUMB_LINE} upright", f"{PLUMB_LINE} over")  # whose error is one unknown


@dataclass(frozen=True)
class ObservationModel:
    """Blocks that count, the unknowns, and all that the columns are made from.

    blocks : the used rows of ``Residuals.blocks``, index 0 to n - 1. piece : shape (n,), number of the
    gapless stretch of blocks that each belongs to. line_share : heading or clip -> shape (n,), how much of
    the error that its line has each block carries. by_hand : clips in which the camera was turned by hand.
    lines : clips measured against plumb or level lines, without a horizon.
    still : raw accelerometer against the log. holds : of the sensor on the bench.
    """

    blocks: pd.DataFrame
    piece: NDArray[np.intp]
    unknowns: tuple[Unknown, ...]
    stretches: tuple[Stretch, ...]
    line_share: Mapping[str, Array]
    by_hand: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()
    still: Still | None = None
    holds: tuple[Hold, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the unknowns, in the order of the columns."""
        return tuple(unknown.name for unknown in self.unknowns)

    @property
    def shows_sky(self) -> bool:
        """Whether any block was measured against a horizon."""
        return bool((~self.blocks["clip"].isin(self.lines)).any())

    @property
    def residual_deg(self) -> Array:
        """Roll residuals of the blocks, pitch residuals (2 n), then what the other witnesses say."""
        parts = [self.blocks["r_roll_deg"].to_numpy(float), self.blocks["r_pitch_deg"].to_numpy(float)]
        if self.still is not None:
            parts += [self.still.roll_deg, self.still.pitch_deg]
        parts.append(bench_rows(self.holds, self.names)[1])
        return np.concatenate(parts)

    def rests_on(self) -> list[Any]:
        """All that ``columns`` is made of but the settings: nothing that the footage reads."""
        blocks = [self.blocks[name].to_numpy() for name in ("clip", "roll_rate_dps", "pitch_rate_dps")]
        others = (self.line_share, self.by_hand, self.lines, self.still, self.holds)
        return [*blocks, self.names, self.stretches, *others]

    def columns(self, settings: Sequence[Setting]) -> list[Array]:
        """One matrix (rows, unknowns) per setting: residual = columns @ values."""
        n = len(self.blocks)
        place = {name: k for k, name in enumerate(self.names)}
        clip = self.blocks["clip"].to_numpy()
        masks = {name: clip == name for name in self.blocks["clip"].unique()}
        hand, sky = np.isin(clip, self.by_hand), ~np.isin(clip, self.lines)
        found = [np.zeros((n, len(place)), complex) for _ in settings]
        unfiltered = [np.zeros((n, len(place)), complex) for _ in settings]
        for stretch in self.stretches:
            grids = grid_columns(stretch, settings, self.names)
            # Columns of the same names for every setting.
            feeds = {name: _targets(name, place, masks, hand, sky) for name in (grids[0] if grids else ())}
            feeds = {name: targets for name, targets in feeds.items() if targets}
            for k, grid in enumerate(grids):
                means = stretch.block_of_grid @ np.stack([grid[name] for name in feeds], axis=1)
                for (name, targets), mean in zip(feeds.items(), means.T, strict=True):
                    out = unfiltered[k] if name.startswith(UNFILTERED) else found[k]
                    for column, share in targets:
                        out[:, column] += share * mean
        fixed = self._fixed(place, masks)
        bench = bench_rows(self.holds, self.names)[0]
        matrices = []
        for out, raw in zip(found, unfiltered, strict=True):
            rows = [fixed + np.concatenate([-out.imag, out.real])]
            if self.still is not None:
                rows.append(self._of_still(out, raw, place))
            matrices.append(np.concatenate([*rows, bench]))
        return matrices

    def _fixed(self, place: Mapping[str, int], masks: Mapping[str, NDArray[np.bool_]]) -> Array:
        """Columns that need no history, shape (2 n, unknowns)."""
        n = len(self.blocks)
        out = np.zeros((2 * n, len(place)))
        for name, k in place.items():
            what, _, of = name.partition(":")
            if what in ("clip_roll", "clip_pitch"):
                out[slice(0, n) if what == "clip_roll" else slice(n, None), k] = masks[of]
            elif what == "line_roll":
                out[:n, k] = self.line_share[of]
            elif what == "line_pitch":
                out[n:, k] = -self.line_share[of]
            elif what == "lag":
                # How fast the residual changes with a lag of the log: its roll and pitch rates.
                rates = [self.blocks[f"{axis}_rate_dps"].to_numpy(float) for axis in ("roll", "pitch")]
                out[:, k] = np.where(np.tile(masks[of], 2), np.concatenate(rates), 0.0)
        return out

    def _of_still(
        self, filtered: NDArray[np.complex128], raw: NDArray[np.complex128], place: Mapping[str, int]
    ) -> Array:
        """Columns of log minus accelerometer in the still blocks: what the filter adds to the reading."""
        assert self.still is not None
        raw = raw[self.still.block]
        added = filtered[self.still.block] - raw
        for name, k in place.items():
            if name.startswith("raw_offset_"):
                added[:, k] = -raw[:, place[name.removeprefix("raw_")]]
            elif not name.startswith(SENSED):
                added[:, k] = 0.0
        return np.concatenate([-added.imag, added.real])


# What the sensor's own errors are called; of all else the accelerometer and the log know nothing.
SENSED = ("offset_", "gyro_", "warm_up_", "temperature_", "start_", "learned_", "turns")
# Columns that a clip may have a share of for itself: of the clip's name after the colon.
PER_CLIP = {"skyline_north": "skyline_north", "skyline_east": "skyline_east", "focal": "focal"}
PER_CLIP |= {"mounting_pitch": "lens_axis"}
OF_THE_SKY = ("skyline_", "dip")
BY_HAND = {"mounting_roll": "hand_roll", "mounting_pitch": "hand_pitch"}
BY_HAND |= {f"flex_{axis}": f"hand_flex_{axis}" for axis in ("sideways", "vertical", "along_lens")}


def _targets(
    name: str,
    place: Mapping[str, int],
    masks: Mapping[str, NDArray[np.bool_]],
    hand: NDArray[np.bool_],
    sky: NDArray[np.bool_],
) -> list[tuple[int, Array]]:
    """Which columns a grid column feeds, and with what share of each block; sky : blocks with a horizon."""
    bare = name.removeprefix(UNFILTERED)
    everywhere = sky.astype(float) if name.startswith(OF_THE_SKY) else np.ones(len(hand))
    targets = [(place[bare], everywhere)] if bare in place else []
    if name in PER_CLIP:
        own = {clip: place.get(f"{PER_CLIP[name]}:{clip}") for clip in masks}
        mine = [(k, masks[clip].astype(float)) for clip, k in own.items() if k is not None]
        # A clip with a lens of its own has nothing of the others' lens.
        if name == "focal" and targets and mine:
            targets = [(targets[0][0], everywhere - np.sum([share for _, share in mine], axis=0))]
        targets += mine
    if BY_HAND.get(name) in place:
        targets.append((place[BY_HAND[name]], hand.astype(float)))
    return targets


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
    holds: Sequence[Hold] = (),
) -> ObservationModel:
    """Columns for the blocks that count.

    Parameters
    ----------
    focal_sd : sd of the focal length as a share of it.
    pitch_zero_sd_deg : sd of where the lens axis meets the picture, as an angle.
    dip_sd_deg : sd of the dip, the same for all frames.
    holds : of the sensor on the bench.
    """
    blocks = found.blocks
    use = blocks["rate_dps"].to_numpy(float) <= MOVING_DPS
    clip_clock = {clock.clip: clock for clock in clocks}
    # Acceleration that nobody logged would be taken for an offset.
    unaided = [k for k, log in enumerate(logs) if "velocity_north_mps" not in log.table]
    use &= ~((blocks["shot"] == "turns") & blocks["log_index"].isin(unaided)).to_numpy(bool)
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
    used = sorted(set(log_index.tolist()))
    warm_c = settled_temperature_c([logs[i] for i in used])
    stretches = tuple(
        stretch_of(logs[i], frames[log_index == i], rows[log_index == i], len(blocks), pans, warm_c)
        for i in used
    )
    has_yaw = all(logs[i].has_yaw for i in blocks["log_index"].unique())
    lines = {clip: clip_sheet_of(str(clip), shoot).reference for clip in blocks["clip"].unique()}
    lines = {str(clip): reference for clip, reference in lines.items() if reference != HORIZON}
    with_sky = blocks[~blocks["clip"].isin(list(lines))]
    line_share = _line_share(blocks, has_yaw, lines)
    # The model's axes are those of the camera as it is meant to sit.
    turned_rad = np.deg2rad(float(frames["log_turned_deg"].iloc[0])) if len(frames) else 0.0
    holds = [
        replace(hold, up=rolled(hold.up, turned_rad), reading_g=rolled(hold.reading_g, turned_rad))
        for hold in holds
    ]
    by_hand = _by_hand(blocks, found.frames)
    still = still_blocks(blocks, frames, rows, logs)
    unknowns = [
        *sensor_unknowns(stretches, blocks, pitch_zero_sd_deg),
        *hand_unknowns(by_hand),
        *skyline_unknowns(with_sky, shoot, has_yaw),
        *line_unknowns(blocks, line_share, LINES),
        *([] if still is None else still.unknowns),
        *bench_unknowns(holds),
        *([] if with_sky.empty else [Unknown("dip", "", dip_sd_deg, dip_sd_deg)]),
        Unknown("focal", "", focal_sd, focal_sd),
        *_zoomed(blocks, shoot, focal_sd),
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
    return ObservationModel(
        blocks,
        piece.astype(np.intp),
        joined(unknowns),
        stretches,
        line_share,
        by_hand,
        tuple(lines),
        still,
        tuple(holds),
    )


def _zoomed(blocks: pd.DataFrame, shoot: Shoot, focal_sd: float) -> list[Unknown]:
    """Focal length and axis of the clips that were filmed with a lens, or a zoom, of their own."""
    unknowns = []
    for clip in blocks["clip"].unique():
        sheet = clip_sheet_of(str(clip), shoot)
        if sheet.hfov_deg is not None or sheet.lens is not None:
            axis_sd_deg = float(np.rad2deg(lens_axis_sd_rad(shoot, sheet)))
            unknowns.append(Unknown(f"focal:{clip}", "", focal_sd, focal_sd))
            unknowns.append(Unknown(f"lens_axis:{clip}", "", axis_sd_deg, axis_sd_deg))
    return unknowns


def _by_hand(blocks: pd.DataFrame, frames: pd.DataFrame) -> tuple[str, ...]:
    """Clips with the camera upside down in which it trembles as no gimbal that holds does."""
    clips = []
    for clip in blocks.loc[np.cos(np.deg2rad(blocks["log_roll_deg"])) < -UPRIGHT, "clip"].unique():
        trembles = []
        for _, part in frames[frames["clip"] == clip].groupby("block"):
            if len(part) < FEWEST_LOOKS:
                continue
            t_s = part["log_t_s"].to_numpy(float)
            roll = np.unwrap(part["log_roll_deg"].to_numpy(float), period=360.0)
            trembles.append(float(np.std(roll - np.polynomial.Polynomial.fit(t_s, roll, 1)(t_s))))
        if trembles and np.median(trembles) > TREMBLE_DEG:
            clips.append(str(clip))
    return tuple(clips)


def _with_rates(blocks: pd.DataFrame, frames: pd.DataFrame) -> pd.DataFrame:
    """Blocks with the log's mean signed roll and pitch rate, roll as it moves the up vector."""
    # Frames of a block follow one another.
    starts = np.flatnonzero(np.diff(frames["block"].to_numpy(int), prepend=-1))
    ends = np.append(starts[1:], len(frames)) - 1
    t_s = frames["log_t_s"].to_numpy(float)
    span_s = t_s[ends] - t_s[starts]
    rates = {}
    for axis in ("roll", "pitch"):
        angle = np.unwrap(frames[f"log_{axis}_deg"].to_numpy(float), period=360.0)
        moved = angle[ends] - angle[starts]
        rates[f"{axis}_rate_dps"] = np.divide(moved, span_s, out=np.zeros(len(moved)), where=span_s > 0)
    tilt_deg = np.add.reduceat(frames["log_pitch_deg"].to_numpy(float), starts) / (ends + 1 - starts)
    rates["roll_rate_dps"] *= np.cos(np.deg2rad(tilt_deg))
    return blocks.assign(**rates)


def _line_share(blocks: pd.DataFrame, has_yaw: bool, lines: Mapping[str, str]) -> dict[str, Array]:
    """Heading, deg, clip or reference -> share of its line's error in each block, for those looked at.

    lines : clips measured against plumb or level lines, and which. What throws a level line, and the wall it
    stands on, are as untrue in one clip as in the next. A string aside leans by the pitch in which camera and
    log differ, the same in all clips; turned over, what of it is the camera's changes sign and what is the
    sensor's does not, so that upright and turned over tell nothing of one another.
    """
    clip = blocks["clip"].to_numpy()
    upright = np.cos(np.deg2rad(blocks["log_roll_deg"].to_numpy(float))) > 0
    shares: dict[str, Array] = {}
    for name in blocks["clip"].unique():
        own = (clip == name).astype(float)
        if lines.get(name) == LEVEL_LINE:
            shares[LEVEL_LINE] = shares.get(LEVEL_LINE, 0.0) + own
        elif lines.get(name) == PLUMB_LINE:
            for of, rows in zip(LINES[1:], (upright, ~upright), strict=True):
                shares[of] = shares.get(of, 0.0) + own * rows
        elif not has_yaw:
            shares[str(name)] = own
    shares = {of: share for of, share in shares.items() if np.any(share)}
    sky = ~np.isin(clip, list(lines))
    if not has_yaw or not sky.any():
        return shares
    place = blocks["log_yaw_deg"].to_numpy(float) / SKYLINE_DEG
    before = np.floor(place)
    way = np.pi / 2 * (place - before)
    count = round(360 / SKYLINE_DEG)
    for k in range(count):
        share = np.where(before % count == k, np.cos(way), 0.0)
        share = np.where((before + 1) % count == k, np.sin(way), share) * sky
        if share.any():
            shares[f"{k * SKYLINE_DEG:g}"] = share
    return shares
