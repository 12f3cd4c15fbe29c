"""Whether the log belongs to the picture.

Where either roll of a clip moves by more than 3 deg (1st to 99th percentile: single frames err), footage =
gain x log must hold with a gain of 0.9 to 1.1. Gain by least squares in two ways, of which one must do: on
the steps over a second, which slow changes of the lean (a filter that settles, drift) do not touch, and on
the rolls about their means, which the log's rounding does not touch. Footage follows the log through
+-180 deg, so an upside-down shot counts as the half turn that it is. A picture that rolls while the log
stands still fails only when it is quick about it: slowly is how a large sensor offset settles after a turn.
Log and footage a quarter or half turn apart fail as well.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from horizon.angles import wrap_deg

__all__ = ["NOT_VERIFIED", "VERIFIED", "belongs", "middle_deg"]

Array = NDArray[np.float64]

VERIFIED = "verified"
NOT_VERIFIED = "not verified"
MOVE_DEG = 3.0
GAIN_RANGE = (0.9, 1.1)
STEP_S, QUICK_DEG = 1.0, 2.0
FEWEST_QUICK = 6


def middle_deg(angle_deg: Array) -> float:
    """Median of angles about their mean direction, wrapped."""
    mean_deg = np.rad2deg(np.angle(np.mean(np.exp(1j * np.deg2rad(angle_deg)))))
    return float(wrap_deg(mean_deg + np.median(wrap_deg(angle_deg - mean_deg))))


def belongs(frames: pd.DataFrame) -> str:
    """``VERIFIED``, ``NOT_VERIFIED`` (nothing moved), or why not; the first clip that fails is the answer.

    frames : clip, segment, t_s, roll_deg, log_roll_deg, pitch_deg, log_pitch_deg.
    """
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
        if failure:
            return failure
        verdict = VERIFIED
    return _pitch_failure(frames) or verdict


def _pitch_failure(frames: pd.DataFrame) -> str:
    """Why the pitches do not go together. A guessed field of view scales the gain but keeps its sign."""
    for clip, part in frames.groupby("clip", sort=False):
        log_step, step = (_steps(part, part[name].to_numpy(float)) for name in ("log_pitch_deg", "pitch_deg"))
        quick = np.abs(log_step) > QUICK_DEG
        if np.count_nonzero(quick) < FEWEST_QUICK:
            continue
        gain = float(log_step[quick] @ step[quick] / (log_step[quick] @ log_step[quick]))
        alike = float(np.corrcoef(log_step[quick], step[quick])[0, 1])
        if gain < -0.4 and alike < -0.9:
            return f"{clip}: the log tilts the other way from the picture: set pitch_positive the other way"
    return ""


def _range(angle_deg: Array) -> float:
    return float(np.subtract(*np.quantile(angle_deg, [0.99, 0.01])))


def _steps(part: pd.DataFrame, angle_deg: Array) -> Array:
    """Changes over a second within unbroken runs."""
    t_s, segment = part["t_s"].to_numpy(float), part["segment"].to_numpy()
    later = np.searchsorted(t_s, t_s + STEP_S)
    start = np.flatnonzero(later < len(t_s))
    start = start[segment[start] == segment[later[start]]]
    return np.asarray(angle_deg[later[start]] - angle_deg[start])


def _failure(clip: str, log_step: Array, step: Array, log_roll: Array, roll: Array) -> str:
    """Why footage = gain x log does not hold; empty when it does."""
    log_level, level = log_roll - log_roll.mean(), roll - roll.mean()
    tiny = 1e-9
    by_step = float(log_step @ step / (log_step @ log_step + tiny))
    by_level = float(log_level @ level / (log_level @ log_level + tiny))
    if any(GAIN_RANGE[0] <= gain <= GAIN_RANGE[1] for gain in (by_step, by_level)):
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
            f"{clip}: the log rolls by {_range(log_roll):.1f} deg while the picture stays level: another "
            f"body's attitude, joint angles, or a picture stabilised afterwards"
        )
    return (
        f"{clip}: the picture rolls {by_step:.2f} times as far as the log says (0.9 to 1.1 is allowed): "
        f"wrong unit or column, another body's attitude, or a picture turned afterwards"
    )
