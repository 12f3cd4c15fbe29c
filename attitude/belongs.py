"""Whether the log belongs to the picture, and which stretches the camera turned itself.

Where either roll of a clip moves by more than 3 deg (1st to 99th percentile: single frames err), footage =
gain x log must hold with a gain of 0.9 to 1.1. Gain by least squares in two ways, of which one must do: on
the steps over a second, which slow changes of the lean (a filter that settles, drift) do not touch, and on
the rolls about their means, which the log's rounding does not touch. Footage follows the log through
+-180 deg, so an upside-down shot counts as the half turn that it is. A picture that rolls while the log
stands still fails only when it is quick about it: slowly is how a large sensor offset settles after a turn.

Cameras put a picture upright themselves: log and footage are then a quarter or half turn apart, from one
frame to the next and with nothing in between. Such stretches are left out of the comparison as long as
others fit; where none does, the log fails. Two rolls that *drift* that far apart belong to different bodies.

Small quick motion (about 0.3 to 2 Hz: windows of ``WINDOW_S`` less a parabola each) is what stabilising in
the camera or the edit takes out first. There the footage must follow the log as well. The least-squares gain
of footage on log, the lag free because clocks err, less what the log's own noise and
rounding take off it (errors in variables: Fuller, Measurement Error Models, 1987, section 1.2; noise from
fourth differences of the log as written, in which real motion cancels), with its uncertainty from leaving
out windows in turn. It fails when it is below 0.9 for certain, and only where the log moves well beyond its
noise: a log that trembles while nothing moves is no evidence against the picture.

The other way round a sensor cannot stand still while its camera trembles. Windows in which the log's roll and
pitch repeat themselves, or run on in exact straight lines, are commanded angles (or a sensor that stopped)
where the picture moves within them by ``LEAST_LACKED_DEG`` rms, by more than the log's rounding could hide
and by twice the picture's own noise, and the log by less than a tenth of that. A still camera repeats
rounded angles too, but then its picture is still; slow drift of the picture is what is looked for elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtrit

from attitude.log import AttitudeLog
from attitude.sheet import ClipSheet
from attitude.words import with_uncertainty
from horizon.angles import wrap_deg

if TYPE_CHECKING:
    from attitude.clock import ClockFit

__all__ = ["NOT_VERIFIED", "VERIFIED", "Belonging", "belongs", "middle_deg"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

VERIFIED = "verified"
NOT_VERIFIED = "not verified"
MOVE_DEG = 3.0
GAIN_RANGE = (0.9, 1.1)
STEP_S, QUICK_DEG = 1.0, 2.0
BETWEEN_DEG, FEW_BETWEEN = 20.0, 3
SHORTEST_TURNED_S, WHOLE = 1.0, 0.95
POSES = {0.0: "upright", 180.0: "upside down", 90.0: "right side down", -90.0: "left side down"}
WINDOW_S, FEWEST_LOOKS, FEWEST_WINDOWS = 4.0, 14, 5
LAG_S, LAG_STEP_S, LARGEST_CLOCK_SD_S = 0.1, 0.02, 0.2
LEAST_MOTION_DEG, LEAST_OVER_NOISE = 0.2, 4.0
MOST_MOTION_DEG, MOST_OTHER_DEG = 10.0, 3.0
LEAST_KEPT = 0.05
SURE = 0.998  # one side; as many clips are tried as there are
GAIN_SD = 0.02
LEAST_LACKED_DEG, LACKED_OVER_NOISE, MOST_SHARED = 0.3, 2.0, 0.1
STANDING, STRAIGHT_DEG = 0.9, 1e-6
COARSEST_DEG, ENOUGH_VALUES = 1.0, 20  # steps of a log that shows too few values to tell them


@dataclass(frozen=True)
class Belonging:
    """What a comparison of the rolls says.

    verdict : ``VERIFIED``, ``NOT_VERIFIED`` (nothing moved), or why log and footage must not be compared.
    kept : one entry per frame, False where the camera turned the picture. notes : what was left out.
    """

    verdict: str
    kept: Mask
    notes: tuple[str, ...] = ()


def middle_deg(angle_deg: Array) -> float:
    """Median of angles about their mean direction, wrapped."""
    mean_deg = np.rad2deg(np.angle(np.mean(np.exp(1j * np.deg2rad(angle_deg)))))
    return float(wrap_deg(mean_deg + np.median(wrap_deg(angle_deg - mean_deg))))


def belongs(
    frames: pd.DataFrame,
    logs: Sequence[AttitudeLog],
    clocks: Mapping[str, ClockFit],
    sheets: Mapping[str, ClipSheet],
) -> Belonging:
    """Compare the rolls; the first clip that fails is the verdict.

    frames : clip, segment, t_s, roll_deg, log_roll_deg, pitch_deg, log_pitch_deg, log_yaw_deg, log_index,
    log_t_s. logs : as counted by log_index. clocks, sheets : of every clip.
    """
    kept = np.ones(len(frames), bool)
    notes: list[str] = []
    for clip, rows in frames.groupby("clip", sort=False).indices.items():
        turned, said = _turned_by_camera(frames.iloc[rows], str(clip), sheets[str(clip)])
        kept[rows] = ~turned
        notes += said
    counts = [np.count_nonzero(kept[rows]) / len(rows) for rows in frames.groupby("clip").indices.values()]
    # A few frames that fit are misread ones: then nothing of the log is of this picture.
    if counts and max(counts) < LEAST_KEPT:
        kept[:], notes = True, []
    counted = frames[kept]
    small = _small_motions(counted, logs, clocks)
    verdict = _verdict(counted, small)
    if verdict in (VERIFIED, NOT_VERIFIED):
        verdict = _stabilised(small) or _commanded(counted, logs) or verdict
    return Belonging(verdict, kept, tuple(notes))


def _turned_by_camera(part: pd.DataFrame, clip: str, sheet: ClipSheet) -> tuple[Mask, list[str]]:
    """Frames in which log and footage are at a stroke quarters of a turn apart, and words on it."""
    log_roll, roll = (part[name].to_numpy(float) for name in ("log_roll_deg", "roll_deg"))
    apart_deg = wrap_deg(roll - log_roll)
    turn_deg = wrap_deg(90.0 * np.round(apart_deg / 90.0))
    turned = turn_deg != 0
    between = np.abs(wrap_deg(apart_deg - turn_deg)) > BETWEEN_DEG
    if not turned.any() or np.count_nonzero(between) > max(FEW_BETWEEN, 0.02 * len(part)):
        return np.zeros(len(part), bool), []
    t_s = part["t_s"].to_numpy(float) / sheet.time_scale
    starts = np.flatnonzero(np.diff(turn_deg, prepend=np.nan) != 0)
    notes, short = [], 0
    for start, end in zip(starts, np.append(starts[1:], len(part)), strict=True):
        if not turned[start]:
            continue
        if t_s[end - 1] - t_s[start] < SHORTEST_TURNED_S:
            short += int(end - start)
            continue
        run = slice(start, end)
        whole = np.count_nonzero(turn_deg == turn_deg[start]) > WHOLE * len(part)
        mend = f"set picture_turned_deg = {(sheet.picture_turned_deg - turn_deg[start]) % 360:g}"
        said = (
            f"{clip}{'' if whole else f', {t_s[start]:.1f} to {t_s[end - 1]:.1f} s'}: the log says "
            f"{_pose(log_roll[run])}, the picture is {_pose(roll[run])}: your camera turned the picture "
            f"itself; this {'shot' if whole else 'stretch'} is left out; "
            + (f"{mend} to use it" if whole else f"to use it, give that part a file of its own and {mend}")
            + " (look at its pictures first: the wrong half may have been taken for sky)"
        )
        notes += [] if said in notes else [said]
    if short:
        notes.append(f"{clip}: {short} single frames are left out whose roll is quarter turns off the log's")
    return turned | between, notes


def _pose(roll_deg: Array) -> str:
    quarter_deg = float(wrap_deg(90.0 * round(middle_deg(roll_deg) / 90.0)))
    return POSES[180.0 if quarter_deg == -180.0 else quarter_deg]


def _verdict(frames: pd.DataFrame, small: Mapping[str, _Small]) -> str:
    """``VERIFIED``, ``NOT_VERIFIED`` or why log and footage do not go together."""
    verdict = NOT_VERIFIED
    for clip, part in frames.groupby("clip", sort=False):
        apart_deg = 90.0 * round(middle_deg((part["roll_deg"] - part["log_roll_deg"]).to_numpy(float)) / 90)
        if apart_deg:
            return (
                f"{clip}: picture and log are {abs(apart_deg):g} deg apart in roll: if the camera turned the "
                f"picture itself, set picture_turned_deg; if it sits turned, set mount_roll_deg"
            )
        log_roll = np.unwrap(part["log_roll_deg"].to_numpy(float), period=360.0)
        roll = log_roll + wrap_deg(part["roll_deg"].to_numpy(float) - log_roll)
        log_step, step = _steps(part, log_roll), _steps(part, roll)
        quick = len(step) > 0 and np.quantile(np.abs(step), 0.98) > QUICK_DEG
        if _range(log_roll) <= MOVE_DEG and not (quick and _range(roll) > MOVE_DEG):
            continue
        failure = _failure(str(clip), log_step, step, log_roll, roll)
        # Quick trembling is read a little late or early by a clock that errs by hundredths of a second.
        if failure and not (str(clip) in small and _in_range(small[str(clip)].gain)):
            return failure
        verdict = VERIFIED
    return verdict


def _in_range(gain: float) -> bool:
    return GAIN_RANGE[0] <= gain <= GAIN_RANGE[1]


def _range(angle_deg: Array) -> float:
    return float(np.subtract(*np.quantile(angle_deg, [0.99, 0.01])))


def _steps(part: pd.DataFrame, angle_deg: Array) -> Array:
    """Changes over a second within unbroken runs."""
    t_s, segment = part["t_s"].to_numpy(float), part["segment"].to_numpy()
    later = np.searchsorted(t_s, t_s + STEP_S)
    start = np.flatnonzero(later < len(t_s))
    start = start[segment[start] == segment[later[start]]]
    # Where a stretch was taken out, the next frame is no longer a second away.
    start = start[t_s[later[start]] - t_s[start] < 2 * STEP_S]
    return np.asarray(angle_deg[later[start]] - angle_deg[start])


def _failure(clip: str, log_step: Array, step: Array, log_roll: Array, roll: Array) -> str:
    """Why footage = gain x log does not hold; empty when it does."""
    log_level, level = log_roll - log_roll.mean(), roll - roll.mean()
    tiny = 1e-9
    by_step = float(log_step @ step / (log_step @ log_step + tiny))
    by_level = float(log_level @ level / (log_level @ log_level + tiny))
    if _in_range(by_step) or _in_range(by_level):
        return ""
    if _range(log_roll) < 0.3 * _range(roll):
        return (
            f"{clip}: the picture rolls by {_range(roll):.1f} deg while the log's roll hardly moves: this is "
            f"not the attitude of the camera's sensor (a commanded angle, or another body's)"
        )
    if -1.1 < by_step < -0.9:
        return f"{clip}: the log rolls the other way from the picture: set roll_positive the other way"
    if abs(by_step) < 0.3:
        return (
            f"{clip}: the log rolls by {_range(log_roll):.1f} deg while the picture stays level: the "
            f"aircraft's or another body's attitude, joint angles, or a picture stabilised afterwards"
        )
    return (
        f"{clip}: the picture rolls {by_step:.2f} times as far as the log says (0.9 to 1.1 is allowed): "
        f"wrong unit or column, another body's attitude, or a picture turned afterwards"
    )


def _commanded(frames: pd.DataFrame, logs: Sequence[AttitudeLog]) -> str:
    """Why a log that stands still is no sensor's; empty where the picture is still with it."""
    for index in frames["log_index"].unique():
        part, log = frames[frames["log_index"] == index], logs[int(index)]
        known_s = log.table["t_s"].to_numpy(float)
        known = np.unwrap(log.table[["roll_deg", "pitch_deg"]].to_numpy(float), period=360.0, axis=0)
        # Where the log lacks motion: mean squares of picture, its noise, and log, one row per window.
        found = []
        for t_s, angles in _windows(part, ("roll_deg", "pitch_deg")):
            rows = known[(known_s >= t_s[0]) & (known_s <= t_s[-1])].T
            if rows.shape[1] < FEWEST_LOOKS:
                continue
            straight = np.abs(np.diff(rows, n=2, axis=1)) < STRAIGHT_DEG
            if straight.mean() < STANDING:
                continue
            basis = np.linalg.qr(np.vander(t_s - t_s.mean(), 3))[0]
            left = angles - (angles @ basis) @ basis.T
            noise = np.mean(np.diff(angles, n=4, axis=1) ** 2, axis=1) / 70
            found.append([np.mean(left**2, axis=1), noise, np.var(rows, axis=1)])
        if len(found) < FEWEST_WINDOWS:
            continue
        values = max(len(np.unique(column)) for column in known.T)
        step_deg = log.rounding_deg or (COARSEST_DEG if values < ENOUGH_VALUES else 0.0)
        moved, noise, logged = np.median(found, axis=0)
        real = moved - noise
        lacked = (real > max(LEAST_LACKED_DEG, step_deg) ** 2) & (real > LACKED_OVER_NOISE**2 * noise)
        lacked &= logged < MOST_SHARED**2 * real
        if lacked.any():
            does, size_deg = "rolls" if lacked[0] else "tilts", np.sqrt(real[lacked].max())
            return (
                f"{log.name}: the picture {does} to and fro by {size_deg:.1f} deg while the log stands "
                f"still: commanded angles, or a sensor that had stopped; give the log of what the camera's "
                f"sensor measured"
            )
    return ""


@dataclass(frozen=True)
class _Small:
    """Small quick motion of one clip, one entry per window.

    crossed : log times footage; squared : log times log, its noise taken off; freedom : degrees of freedom.
    clear : whether the log moves well beyond its noise.
    """

    crossed: Array
    squared: Array
    freedom: Array
    clear: bool

    @property
    def gain(self) -> float:
        """Footage on log."""
        return float(self.crossed.sum() / self.squared.sum())


def _small_motions(
    frames: pd.DataFrame, logs: Sequence[AttitudeLog], clocks: Mapping[str, ClockFit]
) -> dict[str, _Small]:
    """Of the clips whose log moves and whose clock was found; one that was not needed was not."""
    found = {}
    for clip, part in frames.groupby("clip", sort=False):
        sd_s = clocks[str(clip)].sd_s
        if sd_s is None or sd_s > LARGEST_CLOCK_SD_S:
            continue
        small = _small_motion(part, logs[int(part["log_index"].iloc[0])], LAG_S + 3 * sd_s)
        if small is not None:
            found[str(clip)] = small
    return found


def _stabilised(small: Mapping[str, _Small]) -> str:
    """Why small quick motion says that the picture was turned afterwards; empty where it does not."""
    clear = {clip: one for clip, one in small.items() if one.clear}
    for clip, one in clear.items():
        failure = _low_gain(clip, one)
        if failure:
            return failure
    if len(clear) < 2:
        return ""
    crossed, squared, freedom = (
        np.concatenate([getattr(one, name) for one in clear.values()])
        for name in ("crossed", "squared", "freedom")
    )
    together = _Small(crossed, squared, freedom, True)
    return _low_gain(f"{len(clear)} clips together", together)


def _small_motion(part: pd.DataFrame, log: AttitudeLog, lag_s: float) -> _Small | None:
    """Sums per window at the best lag up to ``lag_s``; None where the log hardly moves beyond its noise."""
    known_s = log.table["t_s"].to_numpy(float)
    known_deg = np.unwrap(log.table["roll_deg"].to_numpy(float), period=360.0)
    lags_s = np.arange(-lag_s, lag_s + LAG_STEP_S / 2, LAG_STEP_S)
    crossed, squared, freedom, noise2 = [], [], [], []
    columns = ("roll_deg", "log_pitch_deg", "log_yaw_deg")
    for t_s, angles in _windows(part, columns):
        lagged = np.interp(t_s[:, np.newaxis] + lags_s, known_s, known_deg).T
        basis = np.linalg.qr(np.vander(t_s - t_s.mean(), 3))[0]
        left = np.vstack([lagged, angles])
        left = left - (left @ basis) @ basis.T
        log_deg, footage, others = left[: len(lags_s)], left[len(lags_s)], left[len(lags_s) + 1 :]
        if np.ptp(log_deg, axis=1).max() > MOST_MOTION_DEG or np.ptp(others, axis=1).max() > MOST_OTHER_DEG:
            continue
        inside = (known_s >= t_s[0]) & (known_s <= t_s[-1])
        if np.count_nonzero(inside) < FEWEST_LOOKS:
            continue
        # White noise of variance s^2 has fourth differences of variance 70 s^2.
        noise2.append(float(np.mean(np.diff(known_deg[inside], n=4) ** 2)) / 70)
        crossed.append(log_deg @ footage)
        squared.append(np.sum(log_deg**2, axis=1))
        freedom.append(len(t_s) - 3.0)
    if not freedom:
        return None
    dof = np.array(freedom)
    # Rounding of a moving angle is part of its noise, that of a still one shows nowhere.
    noise_deg2 = max(float(np.median(noise2)), log.rounding_deg**2 / 12)
    real = np.array(squared) - noise_deg2 * dof[:, None]
    motion_deg2 = real.sum(axis=0) / dof.sum()
    if motion_deg2.min() < max(LEAST_MOTION_DEG**2, noise_deg2):
        return None
    clear = bool(motion_deg2.min() >= LEAST_OVER_NOISE**2 * noise_deg2)
    best = int(np.argmax(np.sum(crossed, axis=0) / real.sum(axis=0)))
    return _Small(np.array(crossed)[:, best], real[:, best], dof, clear)


def _windows(part: pd.DataFrame, columns: Sequence[str]) -> Iterator[tuple[Array, Array]]:
    """Log times and unwrapped angles, shape (columns, n), of the unbroken windows that hold looks enough."""
    for _, run in part.groupby("segment", sort=False):
        t_s = run["log_t_s"].to_numpy(float)
        angles = np.unwrap(run[list(columns)].to_numpy(float).T, period=360.0)
        cuts = np.flatnonzero(np.diff((t_s - t_s[0]) // WINDOW_S, prepend=-1.0, append=np.inf))
        for start, end in pairwise(cuts):
            if end - start >= FEWEST_LOOKS and np.diff(t_s[start:end]).max() < STEP_S:
                yield t_s[start:end], angles[:, start:end]


def _low_gain(what: str, small: _Small) -> str:
    """Words on a gain that is below what a log of this picture can have; empty otherwise."""
    crossed, squared = small.crossed.sum(), small.squared.sum()
    # A single jolt may hold most of the motion: windows count by their share of it.
    count = float(squared**2 / np.sum(small.squared**2))
    if count < FEWEST_WINDOWS:
        return ""
    without = (crossed - small.crossed) / (squared - small.squared)
    scatter = (len(without) - 1) * float(np.mean((without - without.mean()) ** 2))
    sd = float(np.hypot(scatter**0.5, GAIN_SD))
    if small.gain + float(stdtrit(count - 1, SURE)) * sd >= GAIN_RANGE[0]:
        return ""
    moves_deg = float(np.sqrt(squared / small.freedom.sum()))
    share = with_uncertainty(small.gain, 1.96 * sd, "of it")
    return (
        f"{what}: the log's roll trembles by {moves_deg:.1f} deg and the picture follows only {share}: the "
        f"picture may have been stabilised, in the camera or afterwards (then write stabilised = true), or "
        f"the log is of another body"
    )
