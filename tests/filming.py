"""Invented flights as tables: what a camera did, what a logger wrote of it, what was measured in clips.

No video is drawn and no filter simulated: for the tests of ``new``, where only the shape of files counts.
"""

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.signal import lfilter
from scipy.spatial.transform import Rotation

from attitude.survey import survey
from horizon.angles import up_from_angles, wrap_deg
from horizon.clip import ClipFacts
from horizon.measure import ClipTrack
from tests.rates import with_uncertainty

STEP_HZ = 100.0
TILTS = (("pitch", 3.0, 10.0), ("pitch", 4.6, -10.0), ("pitch", 6.9, 9.0), ("pitch", 8.2, -9.0))
PANS = (("yaw", 10.0, 31.0), ("yaw", 12.4, -29.0))
WIGGLE = (*TILTS, *PANS)
ROLLS = (("roll", 14.0, 16.0), ("roll", 15.7, -28.0), ("roll", 17.6, 12.0))


@dataclass(frozen=True)
class Flight:
    """True t_s, roll_deg, pitch_deg (of the camera), yaw_deg, not wrapped, at 100 Hz."""

    truth: pd.DataFrame

    def at(self, t_s):
        table = {c: np.interp(t_s, self.truth["t_s"], self.truth[c]) for c in self.truth}
        return pd.DataFrame(table)


def flown(length_s, *moves, seed=1, level=(0.0, 0.0, 0.0), shake_deg=0.08):
    """Level flight with smooth moves: (angle, at s, by deg), 0.7 s long, a pan 1.5 s, and a little shake."""
    rng = np.random.default_rng(seed)
    t_s = np.arange(0, length_s, 1 / STEP_HZ)
    table = {"t_s": t_s}
    keep = np.exp(-1 / STEP_HZ / 0.4)
    for name, start in zip(("roll", "pitch", "yaw"), level, strict=True):
        shake = lfilter([shake_deg * np.sqrt(1 - keep**2)], [1, -keep], rng.normal(0, 1, len(t_s)))
        angle = start + shake
        for which, at_s, by_deg in moves:
            if which == name:
                s = np.clip((t_s - at_s) / (1.5 if name == "yaw" else 0.7), 0, 1)
                angle = angle + by_deg * s**3 * (10 - 15 * s + 6 * s**2)
        table[f"{name}_deg"] = angle
    return Flight(pd.DataFrame(table))


def moved(moves, by_s):
    """The same moves later."""
    return tuple((which, at_s + by_s, by_deg) for which, at_s, by_deg in moves)


def logged(flight, rate_hz=25.0, *, from_s=0.0, to_s=None, lean_deg=0.6, noise_deg=0.03, seed=2):
    """What the camera's sensor believed: t from 0, roll, pitch, wrapped yaw, deg, with a lean and noise."""
    rng = np.random.default_rng(seed)
    end_s = float(flight.truth["t_s"].iloc[-1]) if to_s is None else to_s
    t_s = np.arange(from_s, end_s, 1 / rate_hz)
    true = flight.at(t_s)
    noise = rng.normal(0, noise_deg, (3, len(t_s)))
    return pd.DataFrame(
        {
            "t": t_s - from_s,
            "roll": true["roll_deg"] - lean_deg + noise[0],
            "pitch": true["pitch_deg"] + 0.3 + noise[1],
            "yaw": wrap_deg(true["yaw_deg"] + 40 + noise[2]),
        }
    )


def board_of(table, *, axes=("y", "z", "x"), sign=1.0, seed=5):
    """Accelerometer, g, and gyro, deg/s; ``axes`` of the board point to camera right, down, forward."""
    rng = np.random.default_rng(seed)
    roll, pitch = np.radians(table["roll"].to_numpy()), np.radians(table["pitch"].to_numpy())
    up_cam = up_from_angles(roll, pitch) * sign
    body = Rotation.from_euler("ZYX", table[["yaw", "pitch", "roll"]].to_numpy(), degrees=True)
    rate = (body[:-1].inv() * body[1:]).as_rotvec(degrees=True) / np.diff(table["t"])[:, None]
    rate = np.vstack([rate, rate[-1]])[:, [1, 2, 0]]
    out = {}
    for axis, up, dps in zip(axes, up_cam.T, rate.T, strict=True):
        turn = -1 if axis.startswith("-") else 1
        out[f"a{axis[-1]}"] = turn * up + rng.normal(0, 0.01, len(up))
        out[f"g{axis[-1]}"] = turn * dps + rng.normal(0, 0.1, len(dps))
    return pd.DataFrame(out)


def quaternion_of(table):
    """Scalar first, body to north-east-down (n, 4)."""
    angles = table[["yaw", "pitch", "roll"]].to_numpy()
    return Rotation.from_euler("ZYX", angles, degrees=True).as_quat()[:, [3, 0, 1, 2]]


def clip(path, duration_s=20.0, *, created=None, size=(1920, 1080), fps=29.97, codec="h264"):
    """Facts of a clip, and a file in its place."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(path.as_posix())
    return ClipFacts(Path(path), *size, duration_s, fps, 0, codec, created)


def filmed(
    flight, from_s, facts, *, fps=6.0, seed=3, white_deg=0.05, turned_deg=0.0, pan_gain=1.08, level=False
):
    """What was measured in a clip that begins at a time of the flight. level : the picture never rolls."""
    rng = np.random.default_rng(seed)
    t_s = np.arange(0.0, facts.duration_s, 1 / fps)
    true, n = flight.at(from_s + t_s), len(t_s)
    name = facts.path.name
    table = pd.DataFrame({"clip": name, "frame": np.arange(n), "t_s": t_s})
    roll = 0 * t_s if level else true["roll_deg"].to_numpy()
    table["roll_deg"] = wrap_deg(roll + turned_deg + rng.normal(0, white_deg, n))
    table["pitch_deg"] = true["pitch_deg"].to_numpy() + rng.normal(0, white_deg, n)
    table["quality"], table["reason"] = 0.9, ""
    table = with_uncertainty(table, sd_deg=0.06)
    turned = np.diff(true["yaw_deg"].to_numpy()) * fps
    yaw_rate = pd.DataFrame({"t_s": (t_s[1:] + t_s[:-1]) / 2})
    yaw_rate["yaw_rate_dps"] = pan_gain * turned + rng.normal(0, 0.3, n - 1)
    yaw_rate["yaw_rate_sd_dps"] = 0.3
    return ClipTrack(name, table, facts, n, "", "picture", 0.003, yaw_rate)


def surveyed(folder, *clips):
    """What lies in a folder, its clips known without opening them."""
    facts = {one.path: one for one in clips}
    return survey(folder, lambda path: facts[path])


def at(seconds, *, hour=10):
    """A moment of an invented day."""
    return dt.datetime(2026, 5, 1, hour, 0, tzinfo=dt.UTC) + dt.timedelta(seconds=seconds)
